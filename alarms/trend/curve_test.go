package trend

import (
	"math"
	"math/rand/v2"
	"testing"
)

// An exponential with known constants comes back, growth and settling, and
// the moment of reaching a level with it.
func TestCurveRecovers(t *testing.T) {
	for _, c := range []struct{ a, b, tau, level float64 }{
		{0.041, 0.002, 240, 0.065},   // growth: 2 mA over, doubling every 166 s
		{0.041, -0.001, -100, 0.041}, // settling from below
		{0.040, 0.0004, 600, 0.065},
	} {
		var p []Point
		for i := range 120 {
			x := float64(i-119) * 5
			p = append(p, Point{1000 + x, c.a + c.b*math.Exp(x/c.tau)})
		}
		e := new(Fitter).Curve(p, c.tau > 0, 40)
		if !near(e.A, c.a, 1e-8) || !near(e.B, c.b, 1e-7) || !near(e.Tau, c.tau, 1e-7) {
			t.Errorf("fit %+v: A %g B %g tau %g", c, e.A, e.B, e.Tau)
		}
		best, early, late := e.Reach(c.level)
		if c.tau < 0 {
			continue
		}
		want := c.tau * math.Log((c.level-c.a)/c.b)
		if !near(best, want, 1e-6) || early > want*1.000001 || late < want*0.999999 {
			t.Errorf("reaches %g in %g s (%g to %g), by the formula %g", c.level, best, early, late, want)
		}
		if !e.Curved(40) {
			t.Errorf("%+v is not told from a straight line", c)
		}
	}
}

func TestCurveStraightLineIsNotCurved(t *testing.T) {
	var p []Point
	for i := range 120 {
		noise := 1e-5 * math.Sin(float64(i*i)) // fixed, without a trend
		p = append(p, Point{float64(i) * 5, 0.041 + 2e-6*float64(i) + noise})
	}
	if e := new(Fitter).Curve(p, true, 40); e.Curved(40) {
		t.Errorf("a straight line is taken for growth: %+v", e)
	}
}

// settling is a current that settles, with noise; spread makes the spacing
// uneven.
func settling(seed uint64, spread float64) []Point {
	r := rand.New(rand.NewPCG(seed, 7))
	p := make([]Point, 120)
	for i := range p {
		t := 300 + 5*float64(i) + spread*r.Float64()
		p[i] = Point{t, 0.041 - 2e-3*math.Exp(-(t-300)/200) + 2e-5*r.NormFloat64()}
	}
	return p
}

// The separated fit against all three parameters freed at once, which knows
// nothing of the separation: the same solution and standard errors, at even and
// uneven spacing, for settling and growth.
func TestCurveIsTheFullFit(t *testing.T) {
	for seed := range uint64(20) {
		p := settling(seed, 4*float64(seed%2))
		growth := seed%3 == 0
		if growth { // the same, seen backwards
			for i, j := 0, len(p)-1; i < j; i, j = i+1, j-1 {
				p[i].Y, p[j].Y = p[j].Y, p[i].Y
			}
		}
		e := new(Fitter).Curve(p, growth, float64(len(p)))
		last := p[len(p)-1].T
		start := []float64{e.A * 1.01, e.B * 0.9, 1 / e.Tau * 1.05}
		full, err := new(Fitter).Fit(len(p), start, func(i int, b, g *[MaxParameters]float64) float64 {
			x := p[i].T - last
			e := Exp(b[2] * x)
			g[0], g[1], g[2] = 1, e, b[1]*x*e
			return p[i].Y - b[0] - b[1]*e
		})
		if err != nil {
			t.Fatal(err)
		}
		tau := 1 / full.B[2]
		for _, c := range []struct {
			name      string
			got, want float64
			within    float64
		}{
			{"A", e.A, full.B[0], 1e-8}, {"B", e.B, full.B[1], 1e-6}, {"Tau", e.Tau, tau, 1e-6}, {"RSS", e.RSS, full.RSS, 1e-10},
			{"SDA", e.SDA, full.SD[0], 1e-6}, {"SDB", e.SDB, full.SD[1], 1e-6}, {"SDTau", e.SDTau, full.SD[2] * tau * tau, 1e-6},
		} {
			if !near(c.got, c.want, c.within) {
				t.Errorf("seed %d: %s %.12g, with all three freed %.12g", seed, c.name, c.got, c.want)
			}
		}
		if e.quickest.tau/e.Tau >= 1 || e.slowest.tau/e.Tau <= 1 {
			t.Errorf("seed %d: tau %g, from %g to %g", seed, e.Tau, e.quickest.tau, e.slowest.tau)
		}
		for _, c := range []candidate{e.quickest, e.slowest} {
			if limit := e.refusal(float64(len(p))); !near(c.rss, limit, 2e-3) {
				t.Errorf("seed %d: misfit %g at the end of what is accepted, limit %g", seed, c.rss, limit)
			}
		}
		// Copies of each point are worth no more than one of them.
		var twice []Point
		for _, q := range p {
			twice = append(twice, q, q)
		}
		d := new(Fitter).Curve(twice, growth, float64(len(p)))
		if !near(d.SDA, e.SDA, 1e-6) || !near(d.SDB, e.SDB, 1e-6) || !near(d.SDTau, e.SDTau, 1e-6) {
			t.Errorf("seed %d: doubled points give %g %g %g, single ones %g %g %g", seed, d.SDA, d.SDB, d.SDTau, e.SDA, e.SDB, e.SDTau)
		}
	}
}

// The standard errors are what the estimates scatter by, and the interval holds
// its promise.
func TestCurveCoverage(t *testing.T) {
	const runs = 400
	var off [3]float64
	held, reached := 0, 0
	var f Fitter
	for seed := range uint64(runs) {
		e := f.Curve(settling(100+seed, 0), false, 120)
		now := -2e-3 * math.Exp(-595.0/200)
		for j, z := range []float64{(e.A - 0.041) / e.SDA, (e.B - now) / e.SDB, (e.Tau + 200) / e.SDTau} {
			off[j] += z * z / runs
		}
		if e.quickest.tau > -200 && e.slowest.tau < -200 {
			held++
		}
		r := rand.New(rand.NewPCG(seed, 9))
		var p []Point
		for i := range 60 {
			t := 5 * float64(i-59)
			p = append(p, Point{t, 0.041 + 2e-3*math.Exp(t/240) + 5e-5*r.NormFloat64()})
		}
		_, early, late := f.Curve(p, true, 60).Reach(0.065)
		if at := 240 * math.Log(12); early <= at && at <= late {
			reached++
		}
	}
	for what, n := range map[string]int{"the time constant": held, "the moment of reaching a level": reached} {
		if n < runs*92/100 || n > runs*98/100 {
			t.Errorf("the interval of %s holds it %d times in %d, 95 %% promised", what, n, runs)
		}
	}
	for j, name := range []string{"A", "B", "Tau"} {
		if off[j] < 0.8 || off[j] > 1.25 {
			t.Errorf("%s is off by %.2f of its standard error, root mean square", name, math.Sqrt(off[j]))
		}
	}
}

// The common tables of Student's t, two-sided 95 %.
func TestPublishedStudent(t *testing.T) {
	for v, want := range map[float64]float64{5: 2.571, 10: 2.228, 20: 2.086, 30: 2.042, 60: 2.000, 120: 1.980} {
		if got := student(v); !near(got, want, 0.01) {
			t.Errorf("t(%g) = %.4f, published %.3f", v, got, want)
		}
	}
}

// A straight line has no time constant: it is not made up.
func TestCurveSaysWhatIsNotDetermined(t *testing.T) {
	var p []Point
	for i := range 60 {
		p = append(p, Point{5 * float64(i), 0.041 + 1e-6*float64(i)})
	}
	if e := new(Fitter).Curve(p, false, 60); !math.IsInf(e.SDTau, 1) || !math.IsInf(e.SDA, 1) {
		t.Errorf("a straight line settles at %g ± %g with %g ± %g s", e.A, e.SDA, e.Tau, e.SDTau)
	}
	if e := new(Fitter).Curve(p[:5], false, 5); !math.IsNaN(e.RSS) {
		t.Errorf("five points are fitted: %+v", e)
	}
}

func TestFitterDoesNotAllocate(t *testing.T) {
	var f Fitter
	p := settling(1, 1)
	f.Curve(p, false, 40)
	if n := testing.AllocsPerRun(20, func() { f.Curve(p, false, 40) }); n != 0 {
		t.Errorf("%g allocations a fit", n)
	}
}

func BenchmarkCurve120(b *testing.B) {
	var f Fitter
	p := settling(1, 1)
	b.ReportAllocs()
	for b.Loop() {
		f.Curve(p, false, 40)
	}
}
