package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
)

// The look. Colour is kept for alarms; lines differ by dash and tone so that
// they part in black and white too.
const (
	alarmColour = "#b3261e"
	fontSize    = 12.0
	smallSize   = 11.0
	rowHeight   = 18.0
	markSize    = 15.0
)

var lineStyles = [...]struct {
	dash    []float64
	opacity float64
}{
	{nil, 1}, {[]float64{7, 3}, .72}, {[]float64{2, 2}, 1}, {[]float64{10, 3, 2, 3}, .72},
	{[]float64{16, 3}, .5}, {[]float64{5, 2, 2, 2, 2, 2}, 1}, {[]float64{1, 4}, 1}, {[]float64{12, 3, 4, 3}, .5},
}

// canvas is the drawing in hand: the plot's edges in pixels and its scales.
type canvas struct {
	Drawing
	t                        *Trace
	left, right, top, bottom float64
	yMin, yMax               float64 // before Scale
	scale                    float64
	ticks                    []tick
	markRow, phaseRow        float64 // tops of the rows above the plot
	key                      []keyRow
}

// tick is a round value on the axis.
type tick struct {
	v     float64 // before Scale
	label string
}

// keyRow is a mark in words.
type keyRow struct{ number, at, text string }

// x is the place of a run time; float64 conversions keep every machine from
// fusing the multiply with the add, so the bytes are the same everywhere.
func (c *canvas) x(t time.Duration) float64 {
	t = max(c.t.From, min(t, c.t.To))
	return c.left + float64((c.right-c.left)*(float64(t-c.t.From)/float64(c.t.To-c.t.From)))
}

// y is the place of a value; what lies beyond the axis is drawn at its edge.
func (c *canvas) y(v float64) float64 {
	v = max(c.yMin, min(v, c.yMax))
	return c.bottom - float64((c.bottom-c.top)*((v-c.yMin)/(c.yMax-c.yMin)))
}

// plain is text made fit to show: one line, no control or direction
// characters, at most n runes.
func plain(s string, n int) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.In(r, unicode.Cc, unicode.Cf, unicode.Co, unicode.Cs):
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > n {
		s = string(r[:max(n-1, 0)]) + "…"
	}
	return s
}

// newCanvas lays a trace out.
func newCanvas(in *Trace) *canvas {
	t := *in
	if t.Width <= 0 {
		t.Width = 900
	}
	if t.Height <= 0 {
		t.Height = 380
	}
	if t.To <= t.From {
		t.To = t.From + time.Minute
	}
	t.Limits = slices.DeleteFunc(slices.Clone(t.Limits), func(l Level) bool { return math.IsNaN(l.Y) || math.IsInf(l.Y, 0) })
	c := &canvas{t: &t, scale: t.Scale}
	c.Width, c.Paper = float64(t.Width), t.Paper
	if !(c.scale > 0) {
		c.scale = 1
	}
	c.axisRange()
	step, decimals := valueStep((c.yMax-c.yMin)*c.scale, max(t.Height/48, 2))
	for k := math.Ceil(c.yMin*c.scale/step - 1e-9); k*step <= c.yMax*c.scale+step*1e-9; k++ {
		v := k*step + 0 // + 0 makes -0 plain
		label := strings.TrimSpace(fmt.Sprintf("%.*f %s", decimals, v, plain(t.Unit, 8)))
		c.ticks = append(c.ticks, tick{v / c.scale, label})
		c.left = max(c.left, textWidth(label, smallSize)+12)
	}
	c.right = float64(t.Width) - 12
	for i := range t.Lines {
		c.right = min(c.right, float64(t.Width)-endWidth(&t.Lines[i]))
	}
	c.right = max(c.right, c.left+40)
	c.top = 8
	if t.Title != "" {
		c.top += rowHeight + 4
	}
	c.markRow = c.top
	if len(t.Marks) > 0 {
		c.top += rowHeight + 2
	}
	c.phaseRow = c.top
	if len(t.Phases) > 0 {
		c.top += rowHeight + 8
	}
	c.bottom = max(float64(t.Height)-38, c.top+40)
	c.key = t.keyRows()
	c.Height = c.bottom + 38
	if len(c.key) > 0 {
		c.Height += 8 + rowHeight*float64(len(c.key))
	}
	return c
}

// draw fills the drawing.
func (c *canvas) draw() {
	t := c.t
	c.Title, c.Words = plain(t.Title, 200), c.describe()
	c.Left, c.Right = c.left, c.right
	if t.Title != "" {
		c.text("trace-title", 2, 18, fontSize+1, start, plain(t.Title, int(float64(t.Width)/8))).bold = true
	}
	c.phases()
	for _, k := range c.ticks {
		c.line("trace-grid", c.left, c.y(k.v), c.right, c.y(k.v)).opacity = .13
		c.text("trace-tick", c.left-6, c.y(k.v)+4, smallSize, end, k.label)
	}
	c.timeAxis()
	c.gaps()
	c.limits()
	c.lines()
	c.marks()
	c.limitTexts()
	for i, row := range c.key {
		y := c.Height - rowHeight*float64(len(c.key)-i) + 8
		c.text("trace-key", 22, y, fontSize, end, row.number)
		c.text("trace-key", 74, y, fontSize, end, row.at)
		c.text("trace-key", 88, y, fontSize, start, row.text)
	}
}

// axisRange chooses the value axis: it holds zero, the lines and the limits.
func (c *canvas) axisRange() {
	t := c.t
	for _, l := range t.Lines {
		for p := range l.Series.Points(t.From-l.Shift, t.To-l.Shift, 1) {
			c.yMin, c.yMax = min(c.yMin, p.Min), max(c.yMax, p.Max)
		}
	}
	for _, l := range t.Limits {
		c.yMin, c.yMax = min(c.yMin, l.Y), max(c.yMax, l.Y)
	}
	room := (c.yMax - c.yMin) * 0.08
	c.yMax += room
	if c.yMin < -room/4 {
		c.yMin -= room
	} else { // a meter's zero that wanders needs no room of its own
		c.yMin = 0
	}
	// Whatever a meter claims, the labels stay readable.
	c.yMin, c.yMax = max(c.yMin, -1e9/c.scale), min(c.yMax, 1e9/c.scale)
	if !(c.yMin < c.yMax) {
		c.yMin, c.yMax = 0, 1/c.scale
	}
}

func (c *canvas) timeAxis() {
	t := c.t
	step := timeStep(t.To-t.From, int((c.right-c.left)/64))
	clock := Clock
	if step < time.Minute {
		clock = ClockSeconds
	}
	c.line("trace-axis", c.left, c.bottom, c.right, c.bottom).opacity = .6
	for at := (t.From + step - 1) / step * step; at <= t.To; at += step {
		c.line("trace-axis", c.x(at), c.bottom, c.x(at), c.bottom+4).opacity = .6
		c.text("trace-tick", c.x(at), c.bottom+16, smallSize, middle, clock(at))
	}
	words := "hours:minutes "
	if step < time.Minute {
		words = "hours:minutes:seconds "
	}
	if words += t.Since; t.Since == "" {
		words += "since the run began"
	}
	if textWidth(words, smallSize) > c.right {
		words = "h:min" // a drawing for a telephone
	}
	c.text("trace-tick", c.right, c.bottom+31, smallSize, end, words).opacity = .65
}

// phases shades every other phase and names them in a row above the plot, each
// name joined to where its phase begins. Where there is no room for all, the
// shortest go unnamed.
func (c *canvas) phases() {
	row := c.phaseRow
	var shown []Span
	for i, p := range c.t.Phases {
		p.From, p.To = max(p.From, c.t.From), min(p.To, c.t.To)
		if p.To <= p.From {
			continue
		}
		if i%2 == 0 {
			r := c.rect("trace-phase", c.x(p.From), c.top, c.x(p.To)-c.x(p.From), c.bottom-c.top)
			r.filled, r.opacity = true, .05
		}
		p.Name = plain(p.Name, 24)
		shown = append(shown, p)
	}
	width := func(p Span) float64 { return textWidth(p.Name, smallSize) + 14 }
	for {
		total, shortest := 0.0, 0
		for i, p := range shown {
			total += width(p)
			if p.To-p.From < shown[shortest].To-shown[shortest].From {
				shortest = i
			}
		}
		if total <= c.right-c.left || len(shown) == 0 {
			break
		}
		shown = slices.Delete(shown, shortest, shortest+1)
	}
	var want, size []float64
	for _, p := range shown {
		size = append(size, width(p))
		want = append(want, c.x(p.From)+width(p)/2)
	}
	for i, mid := range spread(want, size, c.left, c.right) {
		x, from := mid-size[i]/2, c.x(shown[i].From)
		e := c.line("trace-phase-edge", from, c.bottom, from, c.top)
		e.to(x+2, row+rowHeight-1)
		e.opacity, e.width = .3, .8
		c.text("trace-phase-name", x+5, row+rowHeight-4, smallSize, start, shown[i].Name)
	}
}

// gaps hatches the stretches in which nobody watched.
func (c *canvas) gaps() {
	for _, g := range c.t.Gaps {
		if g.To <= c.t.From || g.From >= c.t.To {
			continue
		}
		x0, x1 := c.x(g.From), c.x(g.To)
		x1 = max(x1, x0+1.5)
		h := c.bottom - c.top
		hatch := c.line("trace-gap", x0, c.top, x0, c.bottom)
		hatch.segment(x1, c.top, x1, c.bottom)
		hatch.opacity, hatch.width = .4, .8
		for a := math.Ceil((x0-h)/8) * 8; a < x1; a += 8 { // from (a, bottom) to (a+h, top)
			if l, r := max(a, x0), min(a+h, x1); l < r {
				hatch.segment(l, c.bottom-(l-a), r, c.bottom-(r-a))
			}
		}
		if name := plain(g.Name, 40); textWidth(name, smallSize) < x1-x0-8 {
			c.text("trace-gap-name", (x0+x1)/2, c.bottom-8, smallSize, middle, name)
		}
	}
}

func (c *canvas) limits() {
	for _, l := range c.t.Limits {
		c.line("trace-limit", c.left, c.y(l.Y), c.right, c.y(l.Y)).width = 1.4
	}
}

// limitTexts stand on top of whatever crosses them.
func (c *canvas) limitTexts() {
	var want, size []float64
	for _, l := range c.t.Limits {
		want, size = append(want, c.y(l.Y)-8), append(size, fontSize+1)
	}
	for i, mid := range spread(want, size, c.top-8, c.bottom) {
		c.text("trace-limit-text", c.left+6, mid+4, smallSize, start, plain(c.t.Limits[i].Text, int((c.right-c.left)/7))).halo = true
	}
}

// endWidth is the room that a line's name needs right of the plot.
func endWidth(l *Line) float64 {
	return 54 + textWidth(plain(l.Name, 16)+" "+plain(l.Note, 16), fontSize)
}

func (c *canvas) lines() {
	var want, size []float64
	pitch := min(fontSize+3, (c.bottom-c.top)/float64(max(len(c.t.Lines), 1)))
	ends := make([]float64, len(c.t.Lines)) // x of each line's end
	for i := range c.t.Lines {
		x, y := c.trace(i)
		if at := c.t.Lines[i].At; at != 0 {
			x, y = c.right, c.y(at)
		}
		ends[i] = x
		want, size = append(want, y), append(size, pitch)
	}
	for i, y := range spread(want, size, c.top-8, c.bottom) {
		l := &c.t.Lines[i]
		x := c.right + 10
		if ends[i] > c.right-2 {
			leader := c.line("trace-leader", c.right+1, want[i], x, y)
			leader.opacity, leader.width, leader.alarm = .5, .8, l.Alarm
		}
		stroke(c.line("trace-line trace-sample", x, y, x+24, y), c.style(i), l)
		name := c.text("trace-name", x+29, y+4, min(fontSize, pitch), start, plain(l.Name, 16))
		name.alarm, name.note = l.Alarm, plain(l.Note, 16)
	}
}

// style is the number of line i's pattern: a faint line has that of the one before it.
func (c *canvas) style(i int) int {
	n := -1
	for k := range i + 1 {
		if k == 0 || !c.t.Lines[k].Faint {
			n++
		}
	}
	return n
}

// stroke gives a path the look of line i.
func stroke(p *item, i int, l *Line) {
	s := lineStyles[i%len(lineStyles)]
	if l.Faint {
		s.opacity *= .45
	}
	p.width, p.opacity, p.dash, p.round, p.alarm = 1.5, s.opacity, s.dash, true, l.Alarm
	if l.Alarm {
		p.width, p.opacity = 2.2, 1
	}
}

// trace draws line i and says where it ends. The stroke moves as little as the
// envelope allows, so noise does not make it jitter; what the envelope holds
// beyond it stands as uprights: faint where it is the usual width of the
// trace, in full where it is far wider, so that one stray reading in a night
// is still seen.
func (c *canvas) trace(i int) (endX, endY float64) {
	l := &c.t.Lines[i]
	endX, endY = c.left, c.bottom
	type column struct{ x, lo, hi float64 } // lo is the lower value, so the greater y
	var columns []column
	var path item
	var x, y float64
	started, flat := false, false
	for p := range l.Series.Points(c.t.From-l.Shift, c.t.To-l.Shift, int(c.right-c.left)) {
		if p.Break {
			if started && flat {
				path.to(x, y)
			}
			started, flat = false, false
			continue
		}
		col := column{c.x(p.T + l.Shift), c.y(p.Min), c.y(p.Max)}
		columns = append(columns, col)
		switch was := y; {
		case !started:
			x, y = col.x, (col.lo+col.hi)/2
			path.segment(x, y, x+.1, y) // so that a lone point shows
			started = true
		default:
			y = min(max(y, col.hi), col.lo)
			if y != was {
				if flat {
					path.to(x, was)
				}
				path.to(col.x, y)
			}
			x, flat = col.x, y == was
		}
		endX, endY = x, y
	}
	if started && flat {
		path.to(x, y)
	}
	if len(path.points) == 0 {
		return endX, endY
	}
	heights := make([]float64, len(columns))
	for k, col := range columns {
		heights[k] = col.lo - col.hi
	}
	slices.Sort(heights)
	usual := max(4*heights[len(heights)/2], 6)
	band, spikes := item{class: "trace-band", opacity: .22, width: 1}, item{class: "trace-spike", opacity: 1, width: 1.2}
	for _, col := range columns {
		b := &band
		if col.lo-col.hi > usual {
			b = &spikes
		} else if col.lo-col.hi < 1.5 {
			continue
		}
		b.segment(col.x, col.lo, col.x, col.hi)
	}
	for _, b := range []*item{&band, &spikes} {
		if b.alarm = l.Alarm; len(b.points) > 0 {
			c.add(*b)
		}
	}
	path.class = "trace-line"
	stroke(c.add(path), c.style(i), l)
	return endX, endY
}

// marks draws a hairline at each mark and its number in a flag above the plot;
// marks too close for a flag each share one.
func (c *canvas) marks() {
	row := c.markRow
	type flag struct {
		x0, x1      float64
		first, last int // numbers
		rank        int
	}
	var flags []flag
	words := func(f flag) string {
		if f.first == f.last {
			return fmt.Sprint(f.first)
		}
		return fmt.Sprintf("%d–%d", f.first, f.last)
	}
	width := func(f flag) float64 { return max(markSize, textWidth(words(f), smallSize)+8) }
	for i, m := range c.t.Marks {
		if m.T < c.t.From || m.T > c.t.To {
			continue
		}
		x := c.x(m.T)
		hair := c.line("trace-mark", x, row+markSize, x, row+markSize+3)
		hair.segment(x, c.top-8, x, c.bottom) // not across the phases' names
		hair.width, hair.opacity, hair.alarm = .8, .7, m.Rank >= 2
		f := flag{first: i + 1, last: i + 1, rank: m.Rank}
		f.x0 = x - width(f)/2
		f.x1 = f.x0 + width(f)
		if n := len(flags); n > 0 && f.x0 < flags[n-1].x1+2 {
			p := &flags[n-1]
			p.last, p.rank = i+1, max(p.rank, m.Rank)
			p.x1 = p.x0 + width(*p)
			continue
		}
		flags = append(flags, f)
	}
	for _, f := range flags {
		box := c.rect("trace-flag", f.x0, row, f.x1-f.x0, markSize)
		box.corner, box.width, box.filled, box.alarm = 3, 1, f.rank >= 3, f.rank >= 2
		number := c.text("trace-flag-number", (f.x0+f.x1)/2, row+11.5, smallSize, middle, words(f))
		number.alarm, number.onInk = f.rank >= 2, f.rank >= 3
	}
}

// mostKeys is how many marks the key lists.
const mostKeys = 12

// keyRows is the key: the marks' words, the most important when there are too many.
func (t *Trace) keyRows() []keyRow {
	if !t.Key || len(t.Marks) == 0 {
		return nil
	}
	order := make([]int, len(t.Marks))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return t.Marks[b].Rank - t.Marks[a].Rank })
	order = order[:min(len(order), mostKeys)]
	slices.Sort(order)
	var rows []keyRow
	for _, i := range order {
		m := t.Marks[i]
		rows = append(rows, keyRow{fmt.Sprint(i + 1), Clock(m.T), plain(m.Text, max(t.Width-100, 60)/7)})
	}
	if n := len(t.Marks) - len(order); n > 0 {
		rows = append(rows, keyRow{text: fmt.Sprintf("and %d more of no greater importance", n)})
	}
	return rows
}

// describe is the drawing in words, for those who do not see it.
func (c *canvas) describe() string {
	t := c.t
	unit := plain(t.Unit, 8)
	var b strings.Builder
	fmt.Fprintf(&b, "From %s to %s, hours:minutes since the run began.", Clock(t.From), Clock(t.To))
	for _, l := range t.Lines {
		lo, hi, known := 0.0, 0.0, false
		for p := range l.Series.Points(t.From-l.Shift, t.To-l.Shift, 1) {
			if !p.Break {
				lo, hi, known = p.Min*c.scale, p.Max*c.scale, true
			}
		}
		if known {
			fmt.Fprintf(&b, " %s lies between %.3g and %.3g %s.", plain(l.Name, 40), lo, hi, unit)
		} else {
			fmt.Fprintf(&b, " %s: nothing known.", plain(l.Name, 40))
		}
	}
	for _, l := range t.Limits {
		fmt.Fprintf(&b, " Limit at %.4g %s: %s.", l.Y*c.scale, unit, plain(l.Text, 120))
	}
	for _, p := range t.Phases {
		fmt.Fprintf(&b, " %s from %s to %s.", plain(p.Name, 40), Clock(p.From), Clock(p.To))
	}
	for _, g := range t.Gaps {
		fmt.Fprintf(&b, " %s from %s to %s.", plain(g.Name, 60), Clock(g.From), Clock(g.To))
	}
	for i, m := range t.Marks {
		fmt.Fprintf(&b, " Mark %d at %s: %s.", i+1, Clock(m.T), plain(m.Text, 160))
	}
	return b.String()
}
