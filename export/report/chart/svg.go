package chart

import (
	"bytes"
	"cmp"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
)

// SVG writes the drawing as one self-contained <svg> element, the same bytes
// for the same drawing. Text and lines take the colour of the page around it
// (currentColor); a page's style sheet may change any part by its class, all
// of which begin with "trace": .trace-alarm { color: … } sets the alarm colour.
// Everything that came from people is escaped.
func (d *Drawing) SVG(w io.Writer) error {
	var b svgWriter
	b.f(`<svg xmlns="http://www.w3.org/2000/svg" class="trace" role="img" width="%s" height="%s" viewBox="0 0 %[1]s %[2]s" font-family="system-ui, 'DejaVu Sans', sans-serif"`,
		number(d.Width), number(d.Height))
	if d.Paper {
		b.f(` color="#111"`)
	}
	b.f(` fill="currentColor">` + "\n")
	b.f("<title>%s</title>\n<desc>%s</desc>\n", escape(cmp.Or(d.Title, d.Words)), escape(d.Words))
	if d.Paper {
		b.f(`<rect class="trace-paper" width="%s" height="%s" fill="#fff"/>`+"\n", number(d.Width), number(d.Height))
	}
	for i := range d.items {
		b.item(&d.items[i])
	}
	b.f("</svg>\n")
	_, err := w.Write(b.Bytes())
	return err
}

type svgWriter struct{ bytes.Buffer }

func (b *svgWriter) f(format string, a ...any) { fmt.Fprintf(b, format, a...) }

// escape is text as XML.
func escape(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a strings.Builder never fails
	return b.String()
}

func (b *svgWriter) item(i *item) {
	name := [...]string{stroked: "path", boxed: "rect", worded: "text"}[i.kind]
	b.f(`<%s class="%s`, name, i.class)
	if i.alarm { // a page changes the alarm colour everywhere with one rule
		b.f(` trace-alarm" color="%s`, alarmColour)
	}
	b.f(`"`)
	switch i.kind {
	case stroked:
		b.path(i.points)
		b.f(` fill="none"`)
		b.ink("stroke", i)
		if i.round {
			b.f(` stroke-linejoin="round"`)
		}
		for k, x := range i.dash {
			b.f("%s%s", [...]string{` stroke-dasharray="`, " "}[min(k, 1)], number(x))
		}
		if len(i.dash) > 0 {
			b.f(`"`)
		}
		b.f("/>\n")
	case boxed:
		b.f(` x="%s" y="%s" width="%s" height="%s"`, number(i.x), number(i.y), number(i.w), number(i.h))
		if i.corner > 0 {
			b.f(` rx="%s"`, number(i.corner))
		}
		if i.filled {
			b.ink("fill", i)
		} else {
			b.f(` fill="none"`)
		}
		if i.width > 0 {
			b.ink("stroke", i)
		}
		b.f("/>\n")
	case worded:
		b.f(` x="%s" y="%s" font-size="%s"`, number(i.x), number(i.y), number(i.size))
		if i.anchor != start {
			b.f(` text-anchor="%s"`, [...]string{middle: "middle", end: "end"}[i.anchor])
		}
		if i.bold {
			b.f(` font-weight="600"`)
		}
		b.ink("fill", i)
		if i.halo {
			b.f(` stroke="#fff" stroke-width="3" stroke-linejoin="round" paint-order="stroke"`)
		}
		b.f(">%s", escape(i.text))
		if i.note != "" {
			b.f(` <tspan class="trace-note" fill-opacity=".7">%s</tspan>`, escape(i.note))
		}
		b.f("</text>\n")
	}
}

// ink writes the colour of what is filled or stroked.
func (b *svgWriter) ink(what string, i *item) {
	colour := "currentColor"
	if i.onInk {
		colour = "#fff"
	}
	b.f(` %s="%s"`, what, colour)
	if i.opacity < 1 {
		b.f(` %s-opacity="%s"`, what, strings.TrimPrefix(fmt.Sprintf("%.3g", i.opacity), "0"))
	}
	if what == "stroke" && i.width != 1 {
		b.f(` stroke-width="%s"`, number(i.width))
	}
}

// path writes points in few bytes.
func (b *svgWriter) path(points []point) {
	b.WriteString(` d="`)
	var x, y, lastX, lastY []byte
	for _, p := range points {
		x, y = appendNumber(x[:0], p.x), appendNumber(y[:0], p.y)
		switch {
		case p.move:
			b.WriteByte('M')
			b.Write(x)
			b.WriteByte(' ')
			b.Write(y)
		case bytes.Equal(y, lastY):
			b.WriteByte('H')
			b.Write(x)
		case bytes.Equal(x, lastX):
			b.WriteByte('V')
			b.Write(y)
		default:
			b.WriteByte('L')
			b.Write(x)
			b.WriteByte(' ')
			b.Write(y)
		}
		x, lastX, y, lastY = lastX, x, lastY, y
	}
	b.WriteByte('"')
}
