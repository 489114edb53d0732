package chart

import "codeberg.org/go-pdf/fpdf"

// Family is the font family under which PDF expects Regular (style "") and Bold
// (style "B") to have been added.
const Family = "go"

// PDF draws into a page of p, whose unit must be the point: the drawing's top
// left corner at (x, y), its pixels scale points wide. What is faint on screen is drawn in
// grey, so that nothing on paper is transparent. It changes p's font, colours
// and line styles.
func (d *Drawing) PDF(p *fpdf.Fpdf, x, y, scale float64) {
	for k := range d.items {
		i := &d.items[k]
		r, g, b := i.colour()
		p.SetDrawColor(r, g, b)
		p.SetFillColor(r, g, b)
		p.SetLineWidth(i.width * scale)
		switch i.kind {
		case stroked:
			p.SetLineJoinStyle([...]string{"miter", "round"}[b2i(i.round)])
			dash := make([]float64, len(i.dash))
			for n := range dash {
				dash[n] = i.dash[n] * scale
			}
			p.SetDashPattern(dash, 0)
			for _, pt := range i.points {
				if pt.move {
					p.MoveTo(x+pt.x*scale, y+pt.y*scale)
				} else {
					p.LineTo(x+pt.x*scale, y+pt.y*scale)
				}
			}
			p.DrawPath("D")
			p.SetDashPattern(nil, 0)
		case boxed:
			style := [...]string{"", "F"}[b2i(i.filled)] + [...]string{"", "D"}[b2i(i.width > 0)]
			if i.corner > 0 {
				p.RoundedRect(x+i.x*scale, y+i.y*scale, i.w*scale, i.h*scale, i.corner*scale, "1234", style)
			} else {
				p.Rect(x+i.x*scale, y+i.y*scale, i.w*scale, i.h*scale, style)
			}
		case worded:
			at := x + i.left()*scale
			if i.halo {
				hx, hy, hw, hh := i.behind()
				p.SetFillColor(255, 255, 255)
				p.Rect(x+hx*scale, y+hy*scale, hw*scale, hh*scale, "F")
			}
			for _, part := range i.parts() {
				r, g, b := part.colour()
				p.SetTextColor(r, g, b)
				p.SetFont(Family, [...]string{"", "B"}[b2i(i.bold)], i.size*scale)
				p.Text(at, y+i.y*scale, part.text)
				at += TextWidth(part.text, i.size, i.bold) * scale
			}
		}
	}
	p.SetTextColor(0x11, 0x11, 0x11)
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// colour is an item's on white paper: what is faint is grey.
func (i *item) colour() (r, g, b int) {
	ink := [3]float64{0x11, 0x11, 0x11}
	switch {
	case i.onInk:
		return 255, 255, 255
	case i.alarm:
		ink = [3]float64{0xb3, 0x26, 0x1e}
	}
	var c [3]int
	for k := range c {
		c[k] = int(255 - i.opacity*(255-ink[k]) + .5)
	}
	return c[0], c[1], c[2]
}

// behind is the box that a halo clears.
func (i *item) behind() (x, y, w, h float64) {
	return i.left() - 2, i.y - .78*i.size, TextWidth(Fit(i.text), i.size, i.bold) + 4, 1.02 * i.size
}

// left is where an item's words begin.
func (i *item) left() float64 {
	w := 0.0
	for _, p := range i.parts() {
		w += TextWidth(p.text, i.size, i.bold)
	}
	return i.x - w*[...]float64{start: 0, middle: .5, end: 1}[i.anchor]
}

// parts are an item's words in their tones, fit to be set in our type.
func (i *item) parts() []item {
	words := *i
	words.text, words.note = Fit(i.text), ""
	if i.note == "" {
		return []item{words}
	}
	note := words
	note.text, note.opacity = Fit(" "+i.note), .7
	return []item{words, note}
}
