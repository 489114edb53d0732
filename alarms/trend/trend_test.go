package trend

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// near says whether got agrees with want to a relative tolerance.
func near(got, want, rel float64) bool { return math.Abs(got-want) <= rel*math.Abs(want) }

// NIST StRD Norris, linear regression, lower difficulty: certified values.
func TestPublishedNorris(t *testing.T) {
	f, err := os.Open("../../testdata/nist/Norris.dat")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var x, y []float64
	sc := bufio.NewScanner(f)
	for n := 1; sc.Scan(); n++ {
		w := strings.Fields(sc.Text())
		if n < 61 || len(w) != 2 {
			continue
		}
		yy, err1 := strconv.ParseFloat(w[0], 64)
		xx, err2 := strconv.ParseFloat(w[1], 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("line %d: %v %v", n, err1, err2)
		}
		x, y = append(x, xx), append(y, yy)
	}
	if len(x) != 36 {
		t.Fatalf("%d observations, the set has 36", len(x))
	}
	l := FitLine(len(x), func(i int) (float64, float64) { return x[i], y[i] })
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"B0", l.A, -0.262323073774029},
		{"B1", l.B, 1.00211681802045},
		{"sd B0", l.SDA, 0.232818234301152},
		{"sd B1", l.SDB, 0.429796848199937e-03},
		{"residual SS", l.RSS, 26.6173985294224},
	} {
		if !near(c.got, c.want, 1e-12) {
			t.Errorf("%s = %.15g, NIST certifies %.15g", c.name, c.got, c.want)
		}
	}
}

func points(t, y []float64) []Point {
	p := make([]Point, len(t))
	for i := range t {
		p[i] = Point{t[i], y[i]}
	}
	return p
}

// Slopes and intervals as published. EPA: Unified Guidance 2009, examples
// 17-6 and 17-7, results of EnvStats kendallTrendTest. Sen: JASA 63 (1968),
// slope 4. Hollander & Wolfe example 9.1: data as quoted, slope recomputed.
func TestPublishedTheilSen(t *testing.T) {
	for _, c := range []struct {
		name          string
		t, y          []float64
		slope, lo, hi float64 // lo = hi = 0: no interval published at 95 %
	}{
		{"Sen 1968", []float64{1, 2, 3, 4, 10, 12, 18}, []float64{9, 15, 19, 20, 45, 55, 78}, 4, 0, 0},
		{"Hollander & Wolfe 9.1", []float64{1, 2, 3, 4, 5}, []float64{1.26, 1.27, 1.12, 1.16, 1.03}, -0.05625, 0, 0},
		{"EPA 17-6 sulfate", []float64{89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8},
			[]float64{480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590}, 26.6666667, 20.00000, 35.71182},
		{"EPA 17-7 sodium", []float64{89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3},
			[]float64{56, 53, 51, 55, 52, 60, 62, 59, 61, 63}, 1.3333333, 0.3992083, 2.3333333},
	} {
		var w Slopes
		slope, lo, hi := w.TheilSen(points(c.t, c.y))
		if !near(slope, c.slope, 1e-6) {
			t.Errorf("%s: slope %.8g, published %.8g", c.name, slope, c.slope)
		}
		if c.hi != 0 && (!near(lo, c.lo, 1e-6) || !near(hi, c.hi, 1e-6)) {
			t.Errorf("%s: interval %.8g to %.8g, published %.8g to %.8g", c.name, lo, hi, c.lo, c.hi)
		}
		if m := w.Median(points(c.t, c.y)); m != slope && !near(m, slope, 1e-14) {
			t.Errorf("%s: Median %.17g, TheilSen %.17g", c.name, m, slope)
		}
	}
}

func TestMedian(t *testing.T) {
	if m := Median(nil); !math.IsNaN(m) {
		t.Errorf("of nothing: %g", m)
	}
	for _, c := range []struct {
		in   []float64
		want float64
	}{{[]float64{3}, 3}, {[]float64{2, 1}, 1.5}, {[]float64{5, 1, 4, 2, 3}, 3}, {[]float64{1, 1, 1, 9}, 1}} {
		if m := Median(c.in); m != c.want {
			t.Errorf("median %g, want %g", m, c.want)
		}
	}
}

func BenchmarkSlopesMedian60(b *testing.B) {
	var w Slopes
	var p []Point
	for i := range 60 {
		p = append(p, Point{float64(i) * 5, 0.041 + 1e-5*math.Sin(float64(i*i))})
	}
	b.ReportAllocs()
	for b.Loop() {
		w.Median(p)
	}
}
