package chart

// Drawing is a picture as the list of what it is made of, in order of painting:
// strokes, boxes and words, in pixels of 1/96 inch. It is drawn once and then
// written as SVG, PDF or PNG.
type Drawing struct {
	Width, Height float64
	Title, Words  string  // Words say what is seen, for those who do not see it
	Paper         bool    // black on a white ground, whatever is around it
	Left, Right   float64 // edges of the plot, which From and To stand at

	items []item
}

type kind byte

const (
	stroked kind = iota // points, stroked
	boxed               // a rectangle from (x, y), filled or outlined
	worded              // text at (x, y)
)

type anchor byte

const (
	start anchor = iota
	middle
	end
)

// point is where a stroke goes; it is lifted on the way there when move is set.
type point struct {
	x, y float64
	move bool
}

// item is one thing in a drawing.
type item struct {
	kind
	class   string  // of the page's style sheet
	alarm   bool    // in the alarm colour
	opacity float64 // of the ink, 0 to 1

	points []point
	width  float64 // of the stroke
	dash   []float64
	round  bool // joins

	x, y, w, h, corner float64
	filled             bool

	size       float64 // of the font
	anchor     anchor
	bold       bool
	halo       bool // the ground shows around it
	onInk      bool // on a filled box: in the colour of the ground
	text, note string
}

// add puts an item on top of the others; it may be changed until the next.
func (d *Drawing) add(i item) *item {
	d.items = append(d.items, i)
	return &d.items[len(d.items)-1]
}

// line adds a straight stroke, 1 wide.
func (d *Drawing) line(class string, x0, y0, x1, y1 float64) *item {
	i := d.add(item{class: class, opacity: 1, width: 1})
	i.segment(x0, y0, x1, y1)
	return i
}

// rect adds a box.
func (d *Drawing) rect(class string, x, y, w, h float64) *item {
	return d.add(item{kind: boxed, class: class, opacity: 1, x: x, y: y, w: w, h: h})
}

// text adds words; (x, y) is where anchor of their base line stands.
func (d *Drawing) text(class string, x, y, size float64, at anchor, s string) *item {
	return d.add(item{kind: worded, class: class, opacity: 1, x: x, y: y, size: size, anchor: at, text: s})
}

func (i *item) to(x, y float64) { i.points = append(i.points, point{x, y, false}) }

func (i *item) segment(x0, y0, x1, y1 float64) {
	i.points = append(i.points, point{x0, y0, true}, point{x1, y1, false})
}

// below puts another drawing under this one.
func (d *Drawing) below(o *Drawing) {
	for _, i := range o.items {
		i.y += d.Height
		for k := range i.points {
			i.points[k].y += d.Height
		}
		d.items = append(d.items, i)
	}
	if d.Height > 0 {
		d.Words += " "
	}
	d.Words += o.Title + ". " + o.Words
	if d.Title == "" {
		d.Title = o.Title
	}
	d.Paper = d.Paper || o.Paper
	d.Width, d.Height = max(d.Width, o.Width), d.Height+o.Height
}
