package chart

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// points collects Points and splits off the breaks.
func points(s *Series, from, to time.Duration, n int) (values, breaks []Point) {
	for p := range s.Points(from, to, n) {
		if p.Break {
			breaks = append(breaks, p)
		} else {
			values = append(values, p)
		}
	}
	return values, breaks
}

func TestSpikeIsNeverHidden(t *testing.T) {
	for _, span := range []time.Duration{time.Minute, time.Hour, 12 * time.Hour, 7 * 24 * time.Hour} {
		for _, where := range []float64{0, 0.01, 0.3333, 0.5, 0.999} {
			s := NewSeries(1000)
			step := max(300*time.Millisecond, span/200_000)
			spike := time.Duration(float64(span) * where).Truncate(step)
			for at := time.Duration(0); at <= span; at += step {
				v := 0.63
				if at == spike {
					v = 1.7
				}
				s.Add(at, v)
			}
			if len(s.buckets) > 1000 {
				t.Fatalf("%v: %d buckets, the limit is 1000", span, len(s.buckets))
			}
			for _, n := range []int{1, 7, 100, 800, 5000} {
				values, _ := points(s, 0, span, n)
				if len(values) > n {
					t.Errorf("%v, n = %d: %d points", span, n, len(values))
				}
				i := slices.IndexFunc(values, func(p Point) bool { return p.Max == 1.7 })
				if i < 0 {
					t.Errorf("%v, spike at %v, n = %d: not in the points", span, spike, n)
					continue
				}
				slack := max(2*s.width, span/time.Duration(n))
				if d := (values[i].T - spike).Abs(); d > slack {
					t.Errorf("%v, spike at %v, n = %d: shown %v away", span, spike, n, d)
				}
				if values[i].Min != 0.63 && span > time.Minute {
					t.Errorf("%v, n = %d: the spike's point lost its least value: %+v", span, n, values[i])
				}
			}
		}
	}
}

func TestEnvelopeHoldsEveryValue(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 11))
	for trial := range 40 {
		s := NewSeries(2 + rnd.IntN(60))
		type sample struct {
			t time.Duration
			v float64
		}
		var samples []sample
		at := time.Duration(0)
		for range 2000 {
			at += time.Duration(rnd.ExpFloat64() * 9e9)
			v := rnd.NormFloat64()
			samples = append(samples, sample{at, v})
			s.Add(at, v)
		}
		for range 10 {
			from := time.Duration(rnd.Int64N(int64(at)))
			to := from + 1 + time.Duration(rnd.Int64N(int64(at)))
			values, _ := points(s, from, to, 1+rnd.IntN(50))
			lo, hi := math.Inf(1), math.Inf(-1)
			for _, p := range values {
				lo, hi = min(lo, p.Min), max(hi, p.Max)
				if p.T < from || p.T > to {
					t.Fatalf("trial %d: a point at %v, outside %v to %v", trial, p.T, from, to)
				}
			}
			if !slices.IsSortedFunc(values, func(a, b Point) int { return int(a.T - b.T) }) {
				t.Fatalf("trial %d: points out of order", trial)
			}
			for _, x := range samples {
				if x.t >= from && x.t <= to && (x.v < lo || x.v > hi) {
					t.Fatalf("trial %d: %v at %v is outside the envelope %v to %v", trial, x.v, x.t, lo, hi)
				}
			}
		}
	}
}

func TestGapsStayGaps(t *testing.T) {
	const night = 12 * time.Hour
	tests := []struct {
		name string
		do   func(s *Series, at time.Duration) (skip bool)
		want []time.Duration // where the line stops
	}{
		{"none", func(*Series, time.Duration) bool { return false }, nil},
		{"silence of 5 min", func(_ *Series, at time.Duration) bool {
			return at > 3*time.Hour && at < 3*time.Hour+5*time.Minute
		}, []time.Duration{3 * time.Hour}},
		{"silence under gapAfter", func(_ *Series, at time.Duration) bool {
			return at > 3*time.Hour && at < 3*time.Hour+50*time.Second
		}, nil},
		{"explicit, one moment", func(s *Series, at time.Duration) bool {
			if at == 5*time.Hour {
				s.Break()
			}
			return false
		}, []time.Duration{5 * time.Hour}},
		{"not a number", func(s *Series, at time.Duration) bool {
			if at == 7*time.Hour {
				s.Add(at, math.NaN())
				s.Add(at, math.Inf(1))
				return true
			}
			return false
		}, []time.Duration{7 * time.Hour}},
		{"to the end", func(s *Series, at time.Duration) bool {
			if at > 11*time.Hour {
				s.Break()
				return true
			}
			return false
		}, []time.Duration{11 * time.Hour}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := NewSeries(500)
			for at := time.Duration(0); at <= night; at += time.Second {
				if !tt.do(s, at) {
					s.Add(at, 0.6)
				}
			}
			for _, n := range []int{17, 300, 2000} {
				_, breaks := points(s, 0, night, n)
				if len(breaks) != len(tt.want) {
					t.Fatalf("n = %d: breaks %v, want at %v", n, breaks, tt.want)
				}
				for i, b := range breaks {
					if d := (b.T - tt.want[i]).Abs(); d > night/time.Duration(n)+2*s.width {
						t.Errorf("n = %d: break at %v, want %v", n, b.T, tt.want[i])
					}
				}
			}
		})
	}
}

func TestSeriesAtTheEdges(t *testing.T) {
	var none *Series
	if v, b := points(none, 0, time.Hour, 10); len(v)+len(b) != 0 {
		t.Errorf("a nil series gives %v %v", v, b)
	}
	s := NewSeries(0)
	if v, b := points(s, 0, time.Hour, 10); len(v)+len(b) != 0 {
		t.Errorf("an empty series gives %v %v", v, b)
	}
	s.Add(-time.Second, 1)
	s.Add(time.Second, 2)
	s.Add(0, 3) // late: counts at 1 s
	s.Add(100*24*time.Hour, 4)
	if last, ok := s.Last(); !ok || last != 100*24*time.Hour {
		t.Errorf("Last = %v, %v", last, ok)
	}
	values, _ := points(s, 0, 100*24*time.Hour, 1)
	if len(values) != 1 || values[0].Min != 1 || values[0].Max != 4 {
		t.Errorf("points %v, want one from 1 to 4", values)
	}
	for _, n := range []int{0, -1} {
		if v, _ := points(s, 0, time.Hour, n); v != nil {
			t.Errorf("n = %d gives %v", n, v)
		}
	}
	if v, _ := points(s, time.Hour, time.Hour, 5); v != nil {
		t.Errorf("an empty stretch gives %v", v)
	}
}

func TestCloneSharesNothing(t *testing.T) {
	s := NewSeries(8)
	for i := range 20 {
		s.Add(time.Duration(i)*time.Second, float64(i))
	}
	before := fmt.Sprint(s.buckets)
	c := s.Clone()
	for i := range 200 {
		c.Add(time.Duration(20+i)*time.Second, 1e6)
	}
	if got := fmt.Sprint(s.buckets); got != before {
		t.Errorf("adding to the clone changed the original:\n%s\n%s", before, got)
	}
	if len(c.buckets) > 8 {
		t.Errorf("the clone holds %d buckets, the limit is 8", len(c.buckets))
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	s := NewSeries(100)
	at := time.Duration(0)
	if n := testing.AllocsPerRun(5000, func() { at += 700 * time.Millisecond; s.Add(at, 0.6) }); n != 0 {
		t.Errorf("%v allocations an Add", n)
	}
}

func BenchmarkSeriesAdd(b *testing.B) {
	s := NewSeries(1500)
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += 300 * time.Millisecond
		s.Add(at, 0.63)
	}
}

func BenchmarkSVG(b *testing.B) {
	t := fullTrace()
	b.ReportAllocs()
	for b.Loop() {
		newCanvas(t).draw()
	}
}

// A series that went through bytes is the same, and goes on the same.
func TestSeriesThroughBytes(t *testing.T) {
	s := NewSeries(50)
	for i := range 500 {
		s.Add(time.Duration(i)*900*time.Millisecond, math.Sin(float64(i)))
		if i%97 == 0 {
			s.Break()
		}
	}
	b, err := s.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var back Series
	if err := back.UnmarshalBinary(b); err != nil {
		t.Fatal(err)
	}
	for i := range 200 {
		s.Add(time.Duration(600+i)*time.Second, float64(i))
		back.Add(time.Duration(600+i)*time.Second, float64(i))
	}
	want, got := slices.Collect(s.Points(0, time.Hour, 1000)), slices.Collect(back.Points(0, time.Hour, 1000))
	if !slices.Equal(want, got) {
		t.Errorf("went on as\n%v, want\n%v", got, want)
	}
}

func FuzzSeriesBytes(f *testing.F) {
	s := NewSeries(8)
	for i := range 20 {
		s.Add(time.Duration(i)*time.Second, float64(i%3))
	}
	good, _ := s.MarshalBinary()
	f.Add(good)
	f.Add(good[:len(good)-1])
	f.Add([]byte{})
	wrong := slices.Clone(good)
	wrong[15] = 0xff
	f.Add(wrong)
	f.Fuzz(func(t *testing.T, b []byte) {
		var s Series
		if s.UnmarshalBinary(b) != nil {
			return
		}
		if again, err := s.MarshalBinary(); err != nil || !slices.Equal(again, b) {
			t.Errorf("%x came back as %x, %v", b, again, err)
		}
		s.Add(time.Hour, 1)
		for range s.Points(0, 10*time.Hour, 100) {
		}
	})
}

// BenchmarkWindow draws a panel's picture of twelve sockets: whole, an hour and
// a minute of a night of 12 h and of 7 days, 20 readings a second among them.
func BenchmarkWindow(b *testing.B) {
	for name, long := range map[string]time.Duration{"12h": 12 * time.Hour, "7d": 7 * 24 * time.Hour} {
		tr := &Trace{Title: "Share of the limit", Unit: "%", Scale: 100, Width: 1600, Height: 700, Limits: []Level{{"limit", 1}}}
		for i := range 12 {
			s := NewSeries(4000)
			for at := time.Duration(0); at < long; at += 600 * time.Millisecond {
				s.Add(at, 0.6+0.01*float64(i)+0.003*math.Sin(float64(at/time.Millisecond)/77))
			}
			tr.Lines = append(tr.Lines, Line{Name: fmt.Sprintf("V%d", i+1), Series: s})
		}
		for _, window := range []time.Duration{long, time.Hour, time.Minute} {
			b.Run(fmt.Sprintf("%s/%v", name, window), func(b *testing.B) {
				t := *tr
				t.From, t.To = long/2, long/2+window
				if window == long {
					t.From, t.To = 0, long
				}
				for b.Loop() {
					if err := t.SVG(io.Discard); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms/window")
			})
		}
	}
}
