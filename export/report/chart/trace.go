package chart

import (
	"io"
	"time"
)

// Trace is one drawing: lines over run time against an axis of values.
type Trace struct {
	Title string
	Unit  string  // of the axis as people read it: "%", "mA", "V"
	Scale float64 // what to multiply a value by for that unit: 100 for a ratio in %, 1000 for A in mA; 0 is 1

	From, To time.Duration // run time shown
	Since    string        // what times are counted from; empty is the beginning of the run

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
	Alarm  bool          // drawn in the alarm colour, and heavier
	Faint  bool          // half as dark, in the pattern of the line before it
	Shift  time.Duration // added to the series' times
	At     float64       // the value at which the name stands instead of at the line's end; 0 for the end
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

// Draw draws the trace.
func (t *Trace) Draw() *Drawing {
	c := newCanvas(t)
	c.draw()
	return &c.Drawing
}

// SVG writes the drawing as Drawing.SVG does.
func (t *Trace) SVG(w io.Writer) error { return t.Draw().SVG(w) }

// Stack draws traces one under the other. Their plots stand flush, so that
// equal times do.
func Stack(traces ...*Trace) *Drawing {
	var canvases []*canvas
	left, margin := 0.0, 0.0
	for _, t := range traces {
		c := newCanvas(t)
		left, margin = max(left, c.left), max(margin, float64(c.t.Width)-c.right)
		canvases = append(canvases, c)
	}
	all := &Drawing{}
	for _, c := range canvases {
		c.left = left
		c.right = max(float64(c.t.Width)-margin, left+40)
		c.draw()
		all.below(&c.Drawing)
	}
	return all
}
