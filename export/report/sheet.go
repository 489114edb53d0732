package report

import (
	"slices"
	"strings"

	"codeberg.org/go-pdf/fpdf"

	"nightsoak/export/report/chart"
)

// Sizes and distances on paper, in points.
const (
	side      = 48.0 // margins left and right
	headroom  = 54.0 // of a page's top to what stands on it
	footroom  = 52.0
	bodySize  = 9.2
	smallSize = 7.8
	leading   = 1.36 // line to line, of the font size
)

// tone is how words are printed. Red is never alone in saying something: the
// words say it too.
type tone int

const (
	plainTone tone = iota
	quietTone
	graveTone
)

// sheet is pages of paper being filled from top to bottom.
type sheet struct {
	*fpdf.Fpdf
	width, height float64
	y             float64
}

func newSheet(paper Paper) *sheet {
	size := fpdf.SizeType{Wd: 595.28, Ht: 841.89}
	if paper == Letter {
		size = fpdf.SizeType{Wd: 612, Ht: 792}
	}
	p := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "pt", Size: size})
	p.SetCatalogSort(true) // the same bytes each time
	p.SetAutoPageBreak(false, 0)
	p.AddUTF8FontFromBytes(chart.Family, "", chart.Regular)
	p.AddUTF8FontFromBytes(chart.Family, "B", chart.Bold)
	return &sheet{Fpdf: p, width: size.Wd, height: size.Ht}
}

func (s *sheet) page() {
	s.AddPage()
	s.y = headroom
}

// left is how far it is to the foot of the page.
func (s *sheet) left() float64 { return s.height - footroom - s.y }

// need turns the page when there is no room for so much.
func (s *sheet) need(h float64) {
	if h > s.left() && s.y > headroom {
		s.page()
	}
}

func (s *sheet) tone(t tone) {
	switch t {
	case quietTone:
		s.SetTextColor(0x5c, 0x5b, 0x56)
	case graveTone:
		s.SetTextColor(0xb3, 0x26, 0x1e)
	default:
		s.SetTextColor(0x11, 0x11, 0x11)
	}
}

// words sets one line; (x, y) is where its base line begins.
func (s *sheet) words(x, y, size float64, bold bool, t tone, text string) {
	style := ""
	if bold {
		style = "B"
	}
	s.SetFont(chart.Family, style, size)
	s.tone(t)
	s.Text(x, y, chart.Fit(text))
}

// rule draws a line across.
func (s *sheet) rule(x0, x1, y, width float64, grey int) {
	s.SetDrawColor(grey, grey, grey)
	s.SetLineWidth(width)
	s.Line(x0, y, x1, y)
}

// wrapped is text in lines that fit a width. A word too long for a line is cut.
func wrapped(text string, size float64, bold bool, width float64) (lines []string) {
	for _, paragraph := range strings.Split(text, "\n") {
		line := ""
		for _, word := range strings.Split(paragraph, " ") {
			try := word
			if line != "" {
				try = line + " " + word
			}
			if chart.TextWidth(try, size, bold) <= width {
				line = try
				continue
			}
			if line != "" {
				lines = append(lines, line)
			}
			line = ""
			for _, r := range word {
				if line != "" && chart.TextWidth(line+string(r), size, bold) > width {
					lines = append(lines, line)
					line = ""
				}
				line += string(r)
			}
		}
		lines = append(lines, line)
	}
	return lines
}

// block is a text to be set: what it takes is known before it is set.
type block struct {
	lines []string
	size  float64
	bold  bool
	tone  tone
	lead  float64 // of the size; 0 is leading
}

func (b *block) height() float64 { return float64(len(b.lines)) * b.line() }

func (b *block) line() float64 {
	if b.lead > 0 {
		return b.size * b.lead
	}
	return b.size * leading
}

// set sets a block at the height of the sheet's y, which it leaves alone.
func (s *sheet) set(x float64, b *block) {
	for i, l := range b.lines {
		s.words(x, s.y+b.line()*float64(i)+b.size*1.02, b.size, b.bold, b.tone, l)
	}
}

// para sets a paragraph over the whole width, over pages where it must.
func (s *sheet) para(text string, size float64, t tone) {
	b := block{lines: wrapped(text, size, false, s.inner()), size: size, tone: t}
	for _, l := range b.lines {
		s.need(b.line())
		one := b
		one.lines = []string{l}
		s.set(side, &one)
		s.y += b.line()
	}
}

func (s *sheet) inner() float64 { return s.width - 2*side }

// heading sets a heading with a bookmark, and sees that so much fits under it.
func (s *sheet) heading(text string, under float64) {
	if s.y > headroom {
		s.y += 15
	}
	s.need(20 + under)
	s.Bookmark(chart.Fit(text), 1, s.y)
	s.words(side, s.y+10.5, 10.4, true, plainTone, text)
	s.rule(side, s.width-side, s.y+15, .5, 0xb4)
	s.y += 20
}

// pairs sets names and what they are, in two columns from x.
func (s *sheet) pairs(x, width, names float64, size float64, rows [][2]string, paged bool) {
	for _, r := range rows {
		name := block{lines: wrapped(r[0], size, false, names-8), size: size, tone: quietTone}
		what := block{lines: wrapped(r[1], size, false, width-names), size: size}
		h := max(name.height(), what.height()) + 2.4
		if paged {
			s.need(h)
		}
		s.set(x, &name)
		s.set(x+names, &what)
		s.y += h
	}
}

// cell is what stands in a table; "\n" parts its lines.
type cell struct {
	text string
	tone tone
}

func cells(texts ...string) (c []cell) {
	for _, t := range texts {
		c = append(c, cell{text: t})
	}
	return c
}

// column is one of a table.
type column struct {
	head  string // "\n" parts its lines
	right bool   // figures stand flush right
	loose bool   // takes what room there is, and wraps
}

const cellGap = 9.0

// table sets a table; its head stands again on each page.
func (s *sheet) table(columns []column, rows [][]cell) {
	const size, head = smallSize + .2, smallSize - .3
	width := make([]float64, len(columns))
	sum, loose := 0.0, 0
	for i, c := range columns {
		for _, l := range strings.Split(c.head, "\n") {
			width[i] = max(width[i], chart.TextWidth(l, head, false))
		}
		if c.loose {
			loose++
			continue
		}
		for _, r := range rows {
			for _, l := range strings.Split(r[i].text, "\n") {
				width[i] = max(width[i], chart.TextWidth(l, size, false))
			}
		}
		width[i] = min(width[i], s.inner()*.4)
		sum += width[i]
	}
	avail := s.inner() - cellGap*float64(len(columns)-1)
	for i, c := range columns {
		if c.loose { // whatever is over, and enough to read in
			width[i] = max(width[i], 110, (avail-sum)/float64(loose))
			sum += width[i]
			loose--
		}
	}
	if over := sum - avail; over > 0 { // the widest give way, down to one width
		order := slices.Clone(width)
		slices.Sort(order)
		level := order[len(order)-1]
		for k := len(order) - 1; k >= 0 && over > 0; k-- {
			next := 0.0
			if k > 0 {
				next = order[k-1]
			}
			n := float64(len(order) - k)
			step := min(level-next, over/n)
			level, over = level-step, over-step*n
		}
		for i := range width {
			width[i] = min(width[i], level)
		}
	} else { // spread what is over, but do not tear the columns apart
		for i := range width {
			width[i] += min(-over/float64(len(columns)), 26)
		}
	}
	line := func(row []cell, size, pad float64, t tone) (float64, func()) {
		height := 0.0
		blocks := make([]block, len(row))
		for i, c := range row {
			tn := c.tone
			if t != plainTone {
				tn = t
			}
			blocks[i] = block{lines: wrapped(c.text, size, false, width[i]+.01), size: size, tone: tn, lead: 1.3}
			height = max(height, blocks[i].height())
		}
		return height + 2*pad, func() {
			x := side
			s.y += pad
			for i := range blocks {
				if columns[i].right {
					for k, l := range blocks[i].lines {
						one := blocks[i]
						one.lines = []string{l}
						s.y += float64(k) * one.line()
						s.set(x+width[i]-chart.TextWidth(l, size, false), &one)
						s.y -= float64(k) * one.line()
					}
				} else {
					s.set(x, &blocks[i])
				}
				x += width[i] + cellGap
			}
			s.y += height + pad
		}
	}
	heads := make([]cell, len(columns))
	for i, c := range columns {
		heads[i].text = c.head
	}
	headHeight, putHead := line(heads, head, 1.5, quietTone)
	top := func() {
		putHead()
		s.rule(side, s.width-side, s.y, .7, 0x40)
	}
	for i, r := range rows {
		h, put := line(r, size, 2.3, plainTone)
		if i == 0 {
			s.need(headHeight + h)
			top()
		} else if h > s.left() {
			s.page()
			top()
		}
		put()
		s.rule(side, s.width-side, s.y, .35, 0xcc)
	}
	s.y += 3
}

// draw puts a trace on the sheet over the whole width.
func (s *sheet) draw(t *chart.Trace) {
	d := t.Draw()
	scale := s.inner() / d.Width
	s.need(d.Height * scale)
	d.PDF(s.Fpdf, side, s.y, scale)
	s.y += d.Height * scale
}

// pixels is how many of a drawing's go across the paper: its words then stand
// as small print does.
func (s *sheet) pixels() int { return int(s.inner() / .66) }

// foot writes head and foot of every page, which are known only at the end.
func (s *sheet) foot(head, foot string, pages func(n, of int) string) {
	of := s.PageCount()
	for n := 1; n <= of; n++ {
		s.SetPage(n)
		s.SetFont(chart.Family, "", 1) // a page set again must be told its font again
		if n > 1 {
			s.words(side, 34, smallSize, false, quietTone, cut(head, smallSize, s.inner()))
			s.rule(side, s.width-side, 40, .35, 0xcc)
		}
		y := s.height - 30
		right := pages(n, of)
		w := chart.TextWidth(right, 7, false)
		s.words(side, y, 7, false, quietTone, cut(foot, 7, s.inner()-w-16))
		s.words(s.width-side-w, y, 7, false, quietTone, right)
	}
}

// cut is text that fits a width, its end left out where it is too long.
func cut(text string, size, width float64) string {
	if chart.TextWidth(text, size, false) <= width {
		return text
	}
	r := []rune(text)
	for len(r) > 0 && chart.TextWidth(string(r)+"…", size, false) > width {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}
