package trend

import (
	"bufio"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// strd is a data set of the NIST Statistical Reference Datasets.
type strd struct {
	starts  [2][]float64
	b, sd   []float64 // certified
	rss, rs float64   // residual sum of squares and standard deviation
	x, y    []float64
}

// readStRD reads a file of the nonlinear sets: parameters from line 41,
// data from line 61, as each file says.
func readStRD(t *testing.T, name string) (s strd) {
	t.Helper()
	f, err := os.Open("../../testdata/nist/" + name + ".dat")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	number := func(w string) float64 {
		x, err := strconv.ParseFloat(w, 64)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return x
	}
	sc := bufio.NewScanner(f)
	for n := 1; sc.Scan(); n++ {
		line := sc.Text()
		w := strings.Fields(line)
		switch {
		case n >= 41 && n < 60 && len(w) == 6 && w[1] == "=":
			s.starts[0] = append(s.starts[0], number(w[2]))
			s.starts[1] = append(s.starts[1], number(w[3]))
			s.b, s.sd = append(s.b, number(w[4])), append(s.sd, number(w[5]))
		case n < 60 && strings.HasPrefix(line, "Residual Sum of Squares:"):
			s.rss = number(w[len(w)-1])
		case n < 60 && strings.HasPrefix(line, "Residual Standard Deviation:"):
			s.rs = number(w[len(w)-1])
		case n > 60 && len(w) == 2:
			s.y, s.x = append(s.y, number(w[0])), append(s.x, number(w[1]))
		}
	}
	return s
}

// digits is how many significant digits of want got has right (the log relative
// error of the StRD papers), 11 at most: so many are certified.
func digits(got, want float64) float64 {
	if got == want {
		return 11
	}
	return min(-math.Log10(math.Abs(got-want)/math.Abs(want)), 11)
}

// The models of the sets.
var strdModels = map[string]func(x, y float64, b, g *[MaxParameters]float64) float64{
	"Misra1a": charge, "BoxBOD": charge,
	"Misra1b": func(x, y float64, b, g *[MaxParameters]float64) float64 {
		u := 1 + b[1]*x/2
		g[0], g[1] = 1-1/(u*u), b[0]*x/(u*u*u)
		return y - b[0]*g[0]
	},
	"Chwirut2": func(x, y float64, b, g *[MaxParameters]float64) float64 {
		d := b[1] + b[2]*x
		m := Exp(-b[0]*x) / d
		g[0], g[1], g[2] = -x*m, -m/d, -x*m/d
		return y - m
	},
}

func charge(x, y float64, b, g *[MaxParameters]float64) float64 {
	e := Exp(-b[1] * x)
	g[0], g[1] = 1-e, b[0]*x*e
	return y - b[0]*(1-e)
}

// NIST StRD, nonlinear regression, from both published starts.
func TestPublishedNonlinear(t *testing.T) {
	var f Fitter
	for name, n := range map[string]int{"Misra1a": 14, "BoxBOD": 6, "Misra1b": 14, "Chwirut2": 54} {
		s := readStRD(t, name)
		if len(s.x) != n {
			t.Fatalf("%s: %d observations, the set has %d", name, len(s.x), n)
		}
		for i, start := range s.starts {
			evaluations := 0
			fit, err := f.Fit(n, start, func(i int, b, g *[MaxParameters]float64) float64 {
				evaluations++
				return strdModels[name](s.x[i], s.y[i], b, g)
			})
			if err != nil {
				t.Errorf("%s from start %d: %v", name, i+1, err)
				continue
			}
			worst := min(digits(fit.RSS, s.rss), digits(fit.ResidualSD, s.rs))
			for j := range start {
				worst = min(worst, digits(fit.B[j], s.b[j]), digits(fit.SD[j], s.sd[j]))
			}
			t.Logf("%s from start %d: %.1f digits in %d evaluations", name, i+1, worst, evaluations/n)
			if worst < 9.5 {
				t.Errorf("%s from start %d: %.1f digits\n got %v\n  sd %v\nwant %v\n  sd %v", name, i+1, worst, fit.B, fit.SD, s.b, s.sd)
			}
		}
	}
}

// What a fit refuses, and that it says why.
func TestFitErrors(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4, 5}
	line := func(y func(i int) float64) Model {
		return func(i int, b, g *[MaxParameters]float64) float64 {
			g[0], g[1], g[2] = 1, x[i], x[i] // the third parameter is the second again
			return y(i) - b[0] - (b[1]+b[2])*x[i]
		}
	}
	noisy := func(i int) float64 { return float64(i * i % 7) }
	for _, c := range []struct {
		name  string
		n     int
		start []float64
		model Model
		want  error
	}{
		{"as many parameters as points", 2, []float64{0, 0}, line(noisy), ErrFitSize},
		{"no parameter", 6, nil, line(noisy), ErrFitSize},
		{"too many parameters", 6, make([]float64, 5), line(noisy), ErrFitSize},
		{"twice the same parameter", 6, []float64{0, 0, 0}, line(noisy), ErrFitSingular},
		{"a parameter without effect", 6, []float64{1, 1, 1}, func(i int, b, g *[MaxParameters]float64) float64 {
			g[0], g[1], g[2] = 1, x[i], 0
			return noisy(i) - b[0] - b[1]*x[i]
		}, ErrFitSingular},
		{"a point that is no figure", 6, []float64{0, 0}, line(func(i int) float64 { return math.NaN() }), ErrFitRange},
		{"squares beyond the range", 6, []float64{0, 0}, line(func(i int) float64 { return 1e200 }), ErrFitRange},
		{"a gradient that lies", 6, []float64{1}, func(i int, b, g *[MaxParameters]float64) float64 {
			g[0] = -x[i]
			return noisy(i) - b[0]*x[i]
		}, ErrNoConvergence},
	} {
		if fit, err := new(Fitter).Fit(c.n, c.start, c.model); !errors.Is(err, c.want) {
			t.Errorf("%s: %v %v, want %v", c.name, fit, err, c.want)
		}
	}
	if fit, err := new(Fitter).Fit(6, []float64{0, 0}, line(noisy)); err != nil || !near(fit.B[1], FitLine(6, func(i int) (float64, float64) { return x[i], noisy(i) }).B, 1e-12) {
		t.Errorf("a straight line: %v %v", fit, err)
	}
}
