package chart

import (
	"fmt"
	"io"
	"time"
)

// Trace is one drawing: lines over run time against an axis of values.
type Trace struct {
	Title string
	Unit  string  // of the axis as people read it: "%", "mA", "V"
	Scale float64 // what to multiply a value by for that unit: 100 for a ratio in %, 1000 for A in mA; 0 is 1

	From, To time.Duration // run time shown

	Lines  []Line
	Limits []Level
	Phases []Span // in order
	Gaps   []Span // nobody watched: hatched, with their names
	Marks  []Mark // in order of time
	Key    bool   // list the marks' words under the drawing
	Paper  bool   // black on a white ground, whatever is around it

	Width, Height int // pixels, without the key; 0 for 900 by 380
}

// Line is one quantity over time.
type Line struct {
	Name   string // written at its end: "V7"
	Note   string // after the name, lighter: "63 %"
	Series *Series
	Alarm  bool    // drawn in the alarm colour, and heavier
	At     float64 // the value at which the name stands instead of at the line's end; 0 for the end
}

// Level is a limit: a line across, with words.
type Level struct {
	Text string
	Y    float64 // before Scale
}

// Span is a stretch of run time with a name.
type Span struct {
	From, To time.Duration
	Name     string
}

// Mark is a moment worth finding again. Marks are numbered from 1 in the order given.
type Mark struct {
	T    time.Duration
	Text string
	Rank int // 0 to 3 as alarms.Priority.Rank: 2 and 3 in the alarm colour, 3 filled
}

// SVG writes the drawing: one self-contained <svg> element, the same bytes for
// the same trace. Text and lines take the colour of the page around it
// (currentColor); a page's style sheet may change any part by its class, all
// of which begin with "trace": .trace-alarm { color: … } sets the alarm colour.
// Everything that came from people is escaped.
func (t *Trace) SVG(w io.Writer) error {
	c := newCanvas(t)
	c.draw()
	_, err := w.Write(c.Bytes())
	return err
}

// Stack writes drawings one under the other as one <svg> element, as SVG does
// for one. Their plots stand flush, so that equal times do.
func Stack(w io.Writer, traces ...*Trace) error {
	var canvases []*canvas
	left, margin := 0.0, 0.0
	for _, t := range traces {
		c := newCanvas(t)
		left, margin = max(left, c.left), max(margin, float64(c.t.Width)-c.right)
		canvases = append(canvases, c)
	}
	var body []byte
	width, height := 0, 0.0
	for _, c := range canvases {
		c.left = left
		c.right = max(float64(c.t.Width)-margin, left+40)
		c.draw()
		body = fmt.Appendf(body, "<svg y=\"%s\">\n%s</svg>\n", number(height), c.Bytes())
		width, height = max(width, c.t.Width), height+c.height
	}
	_, err := fmt.Fprintf(w, "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%d\" height=\"%s\" viewBox=\"0 0 %[1]d %[2]s\">\n%[3]s</svg>\n",
		width, number(height), body)
	return err
}
