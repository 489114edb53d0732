package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the goldens anew")

// element is one element of a drawing.
type element struct {
	name, class, text string
	attr              map[string]string
}

func (e element) number(t *testing.T, attr string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(e.attr[attr], 64)
	if err != nil {
		t.Fatalf("%s %s: %v", e.class, attr, err)
	}
	return x
}

// parse draws and reads the drawing back as XML.
func parse(t *testing.T, tr *Trace) []element {
	t.Helper()
	var b bytes.Buffer
	if err := tr.SVG(&b); err != nil {
		t.Fatal(err)
	}
	return parseBytes(t, b.Bytes())
}

func parseBytes(t *testing.T, svg []byte) []element {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(svg))
	var all []element
	var open []int
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatalf("the drawing is not XML: %v", err)
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			e := element{name: tok.Name.Local, attr: map[string]string{}}
			for _, a := range tok.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			e.class = e.attr["class"]
			open = append(open, len(all))
			all = append(all, e)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			if len(open) > 0 {
				all[open[len(open)-1]].text += string(tok)
			}
		}
	}
}

func withClass(all []element, class string) []element {
	return slices.DeleteFunc(slices.Clone(all), func(e element) bool { return !slices.Contains(strings.Fields(e.class), class) })
}

// fullTrace has everything: four balanced tubes, one of which runs away, a
// gap, phases too short to hold their names, marks that crowd.
func fullTrace() *Trace {
	const end = 3 * time.Hour
	t := &Trace{
		Title: "Share of the limit", Unit: "%", Scale: 100, To: end, Width: 720, Height: 330, Key: true,
		Limits: []Level{{"limit", 1}, {"idle target", 0.65}},
		Phases: []Span{{0, 2 * time.Minute, "standby"}, {2 * time.Minute, 12 * time.Minute, "warm-up"},
			{12 * time.Minute, end - 5*time.Minute, "soak"}, {end - 5*time.Minute, end - time.Minute, "cool-down"}, {end - time.Minute, end, "ended"}},
		Gaps: []Span{{time.Hour, time.Hour + 20*time.Minute, "nobody watched"}},
	}
	for i := range 4 {
		s := NewSeries(400)
		for at := 2 * time.Minute; at < end; at += 10 * time.Second {
			if at > time.Hour && at < time.Hour+20*time.Minute {
				continue
			}
			v := 0.62 + 0.005*float64(i)
			if late := at - 2*time.Hour; i == 2 && late > 0 {
				v += 0.4 * late.Hours() * late.Hours()
			}
			s.Add(at, v)
		}
		t.Lines = append(t.Lines, Line{Name: fmt.Sprintf("V%d", 5+i), Note: "63 %", Series: s, Alarm: i == 2})
	}
	for i, at := range []time.Duration{2 * time.Minute, 150 * time.Minute, 151 * time.Minute, 152 * time.Minute, 170 * time.Minute, end} {
		t.Marks = append(t.Marks, Mark{at, "something on V7", i % 4})
	}
	return t
}

func TestSVGGolden(t *testing.T) {
	var b, again bytes.Buffer
	if err := fullTrace().SVG(&b); err != nil {
		t.Fatal(err)
	}
	if err := fullTrace().SVG(&again); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes(), again.Bytes()) {
		t.Error("the same trace twice gives different bytes")
	}
	file := filepath.Join("testdata", "full.svg")
	if *update {
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes(), want) {
		t.Errorf("the drawing differs from %s: look at both, then -update", file)
	}
}

type box struct {
	what           string
	x0, y0, x1, y1 float64
}

// TestNothingCollides takes every text and flag of crowded drawings as a box
// and lets no two of them overlap.
func TestNothingCollides(t *testing.T) {
	crowd := fullTrace()
	for i := range 8 {
		crowd.Lines = append(crowd.Lines, Line{Name: fmt.Sprintf("V%d", 9+i), Note: "63 %", Series: crowd.Lines[0].Series})
	}
	for i := range 60 {
		crowd.Marks = append(crowd.Marks, Mark{172*time.Minute + time.Duration(i)*5*time.Second, "more", i % 4})
	}
	slices.SortFunc(crowd.Marks, func(a, b Mark) int { return int(a.T - b.T) })
	crowd.Limits = append(crowd.Limits, Level{"other limit", 0.99})
	narrow := fullTrace()
	narrow.Width, narrow.Height = 300, 160
	for name, tr := range map[string]*Trace{"full": fullTrace(), "crowd": crowd, "narrow": narrow} {
		t.Run(name, func(t *testing.T) {
			var boxes []box
			all := parse(t, tr)
			root := all[0]
			for _, e := range all {
				switch e.name {
				case "text":
					size := e.number(t, "font-size")
					text := e.text
					if strings.HasPrefix(e.class, "trace-name") {
						text += "63 %"
					}
					w, x, y := textWidth(text, size), e.number(t, "x"), e.number(t, "y")
					switch e.attr["text-anchor"] {
					case "middle":
						x -= w / 2
					case "end":
						x -= w
					}
					if strings.HasPrefix(e.class, "trace-flag-number") { // its box is the flag
						continue
					}
					boxes = append(boxes, box{e.class + " " + text, x, y - 0.75*size, x + w, y + 0.2*size})
				case "rect":
					if e.class == "trace-flag" || strings.HasPrefix(e.class, "trace-flag ") {
						x, y := e.number(t, "x"), e.number(t, "y")
						boxes = append(boxes, box{e.class, x, y, x + e.number(t, "width"), y + e.number(t, "height")})
					}
				}
			}
			if len(boxes) < 20 {
				t.Fatalf("only %d boxes", len(boxes))
			}
			for i, a := range boxes {
				if strings.HasPrefix(a.what, "trace-name") && a.x1 > root.number(t, "width")+1 {
					t.Errorf("%s runs over the edge: %v", a.what, a.x1)
				}
				for _, b := range boxes[:i] {
					if a.x0 < b.x1-0.5 && b.x0 < a.x1-0.5 && a.y0 < b.y1-0.5 && b.y0 < a.y1-0.5 {
						t.Errorf("%+v\noverlaps %+v", a, b)
					}
				}
			}
		})
	}
}

func TestPhasesKeepTheirOrder(t *testing.T) {
	var got []string
	last := -1.0
	for _, e := range withClass(parse(t, fullTrace()), "trace-phase-name") {
		if x := e.number(t, "x"); x > last {
			last = x
			got = append(got, e.text)
		}
	}
	if want := []string{"standby", "warm-up", "soak", "cool-down", "ended"}; !slices.Equal(got, want) {
		t.Errorf("names from the left %v, want %v", got, want)
	}
}

func TestNamesStandAtTheirLines(t *testing.T) {
	names := withClass(parse(t, fullTrace()), "trace-name")
	if len(names) != 4 {
		t.Fatalf("%d names, want 4", len(names))
	}
	y := map[string]float64{}
	for _, n := range names {
		y[strings.TrimSpace(n.text)] = n.number(t, "y")
	}
	if !(y["V7"] < y["V8"] && y["V8"] < y["V6"] && y["V6"] < y["V5"]) {
		t.Errorf("names from the top %v, want V7 V8 V6 V5 as the lines end", y)
	}
}

func TestSpikeIsDrawn(t *testing.T) {
	for _, span := range []time.Duration{time.Minute, 12 * time.Hour, 7 * 24 * time.Hour} {
		s := NewSeries(1500)
		step := max(200*time.Millisecond, span/100_000)
		for i := 0; time.Duration(i)*step <= span; i++ {
			v := 0.6 + 0.001*float64(i%3)
			if i == 33_333 || span == time.Minute && i == 111 {
				v = 1.4
			}
			s.Add(time.Duration(i)*step, v)
		}
		tr := &Trace{To: span, Unit: "%", Scale: 100, Lines: []Line{{Name: "V5", Series: s}}}
		c := newCanvas(tr)
		want := number(c.y(1.4))
		spikes := withClass(parse(t, tr), "trace-spike")
		if len(spikes) != 1 || strings.Count(spikes[0].attr["d"], "M") != 1 || !strings.HasSuffix(spikes[0].attr["d"], "V"+want) {
			t.Errorf("%v: spikes %v, want one that reaches %s", span, spikes, want)
		}
	}
}

func TestGapIsDrawnAsGap(t *testing.T) {
	all := parse(t, fullTrace())
	if n := len(withClass(all, "trace-gap")); n != 1 {
		t.Errorf("%d hatched gaps, want 1", n)
	}
	for _, l := range withClass(all, "trace-line") {
		if l.attr["d"] == "" || strings.Contains(l.class, "trace-sample") { // beside the name
			continue
		}
		if n := strings.Count(l.attr["d"], "M"); n != 2 {
			t.Errorf("a line in %d pieces, want 2: %s", n, l.attr["d"])
		}
	}
}

func TestHostileTextIsInert(t *testing.T) {
	const bad = "\"'></text></svg><script>alert(1)</script><img src=x onerror=y>&\x00\x1b\u202e\n"
	tr := fullTrace()
	tr.Title, tr.Unit = bad, bad
	tr.Limits[0].Text, tr.Phases[2].Name, tr.Gaps[0].Name = bad, bad, bad
	for i := range tr.Lines {
		tr.Lines[i].Name, tr.Lines[i].Note = bad, bad
	}
	for i := range tr.Marks {
		tr.Marks[i].Text = bad
	}
	for _, e := range parse(t, tr) {
		if !slices.Contains([]string{"svg", "title", "desc", "path", "rect", "text", "tspan"}, e.name) {
			t.Errorf("element %q got in", e.name)
		}
		if strings.ContainsAny(e.text, "\u202e\x00\x1b") {
			t.Errorf("control characters got in: %q", e.text)
		}
	}
}

func TestOddTraces(t *testing.T) {
	one := NewSeries(10)
	one.Add(time.Hour, 0.5)
	huge := NewSeries(10)
	huge.Add(time.Minute, 1e300)
	huge.Add(2*time.Minute, -1e300)
	for name, tr := range map[string]*Trace{
		"empty":          {},
		"no series":      {To: time.Hour, Lines: []Line{{Name: "V5"}}},
		"one value":      {To: 2 * time.Hour, Lines: []Line{{Name: "V5", Series: one}}},
		"huge values":    {To: time.Hour, Lines: []Line{{Name: "V5", Series: huge}}},
		"tiny":           {To: time.Hour, Width: 1, Height: 1, Lines: []Line{{Name: "V5", Series: one}}},
		"turned round":   {From: time.Hour, To: time.Minute, Lines: []Line{{Name: "V5", Series: one}}},
		"scale nan":      {To: time.Hour, Scale: math.NaN()},
		"level infinite": {To: time.Hour, Limits: []Level{{"x", math.Inf(1)}}},
		"level nan":      {To: time.Hour, Limits: []Level{{"x", math.NaN()}}},
	} {
		t.Run(name, func(t *testing.T) {
			for _, e := range parse(t, tr) {
				for k, v := range e.attr {
					if strings.Contains(v, "NaN") || strings.Contains(v, "Inf") {
						t.Errorf("%s %s=%q", e.class, k, v)
					}
				}
			}
		})
	}
	if d := withClass(parse(t, &Trace{To: 2 * time.Hour, Lines: []Line{{Name: "V5", Series: one}}}), "trace-line"); len(d) != 2 {
		t.Errorf("a lone value is drawn as %v", d)
	}
}

func TestAxisSteps(t *testing.T) {
	for _, tt := range []struct {
		span time.Duration
		n    int
		want time.Duration
	}{
		{time.Minute, 8, 10 * time.Second},
		{time.Hour, 10, 10 * time.Minute},
		{10 * time.Hour, 10, time.Hour},
		{12 * time.Hour, 10, 2 * time.Hour},
		{7 * 24 * time.Hour, 10, 24 * time.Hour},
		{30 * 24 * time.Hour, 10, 3 * 24 * time.Hour},
	} {
		if got := timeStep(tt.span, tt.n); got != tt.want {
			t.Errorf("timeStep(%v, %d) = %v, want %v", tt.span, tt.n, got, tt.want)
		}
	}
	for _, tt := range []struct {
		span     float64
		n        int
		want     float64
		decimals int
	}{
		{110, 6, 20, 0}, {500, 4, 200, 0}, {0.9, 5, 0.2, 1}, {1, 10, 0.1, 1}, {50, 5, 10, 0}, {0.0004, 4, 0.0001, 4},
	} {
		if got, dec := valueStep(tt.span, tt.n); math.Abs(got-tt.want) > 1e-12 || dec != tt.decimals {
			t.Errorf("valueStep(%v, %d) = %v, %d, want %v, %d", tt.span, tt.n, got, dec, tt.want, tt.decimals)
		}
	}
	if s := Clock(10*time.Hour + 2*time.Minute + 59*time.Second); s != "10:02" {
		t.Errorf("Clock: %s", s)
	}
	if s := ClockSeconds(168*time.Hour + 9*time.Second); s != "168:00:09" {
		t.Errorf("ClockSeconds: %s", s)
	}
}

func TestSpread(t *testing.T) {
	if got := spread([]float64{50, 50, 90}, []float64{10, 10, 10}, 0, 100); got[0] != 45 || got[1] != 55 || got[2] != 90 {
		t.Errorf("two at 50: %v", got)
	}
	rnd := rand.New(rand.NewPCG(3, 5))
	for range 500 {
		n := 1 + rnd.IntN(9)
		want, size := make([]float64, n), make([]float64, n)
		for i := range n {
			want[i], size[i] = rnd.Float64()*140-20, 1+rnd.Float64()*10
		}
		got := spread(want, size, 0, 100)
		for i := range n {
			if got[i]-size[i]/2 < -1e-9 || got[i]+size[i]/2 > 100+1e-9 {
				t.Fatalf("%v of %v is outside: %v", got, want, size)
			}
			for j := range i {
				if math.Abs(got[i]-got[j]) < (size[i]+size[j])/2-1e-9 {
					t.Fatalf("%v and %v overlap", got[i], got[j])
				}
			}
		}
	}
}

func TestStackStandsFlush(t *testing.T) {
	a, b := fullTrace(), fullTrace()
	b.Lines, b.Unit, b.Marks = []Line{{Name: "a long name", Note: "462 V", Series: b.Lines[0].Series}}, "volts", nil
	var buf bytes.Buffer
	if err := Stack(a, b).SVG(&buf); err != nil {
		t.Fatal(err)
	}
	var axes []string
	for _, e := range withClass(parseBytes(t, buf.Bytes()), "trace-axis") {
		if strings.Contains(e.attr["d"], "H") {
			axes = append(axes, e.attr["d"])
		}
	}
	cut := func(d string) string {
		x, _, _ := strings.Cut(d, " ")
		_, r, _ := strings.Cut(d, "H")
		return x + " to " + r
	}
	if len(axes) != 2 || cut(axes[0]) != cut(axes[1]) {
		t.Errorf("time axes %v are not flush", axes)
	}
}
