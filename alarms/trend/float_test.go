package trend

import (
	"encoding/binary"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"regexp"
	"testing"
)

// apart is how many units in the last place a and b are apart.
func apart(a, b float64) int64 {
	if a == b || math.IsNaN(a) && math.IsNaN(b) {
		return 0
	}
	d := int64(math.Float64bits(a)) - int64(math.Float64bits(b))
	return max(d, -d)
}

// Exp and Log against package math, which is within 1 unit in the last place of
// the truth, as ours is. Not at the ends: there math's assembly on amd64 has Exp
// infinite from 709.44 on, and the logarithms of subnormals wrong.
func TestExpLog(t *testing.T) {
	for _, c := range []struct{ got, want float64 }{
		{Exp(709.782712893384), 1.797693134862273e308}, {Exp(709.7827128933841), math.Inf(1)},
		{Exp(-745.2), 0}, {Exp(-745.13), 5e-324}, {Log(5e-324), -744.4400719213812}, // -1074 ln 2
	} {
		if !near(c.got, c.want, 1e-12) && c.got != c.want {
			t.Errorf("%g, want %g", c.got, c.want)
		}
	}
	edges := []float64{0, math.Copysign(0, -1), 1, -1, 1e-300, 710, -708.4, -745.1, -745.2, -746, 1e9,
		math.MaxFloat64, math.Inf(1), math.Inf(-1), math.NaN(), math.Sqrt2 / 2, 0.99999999999}
	r := rand.New(rand.NewPCG(1, 1))
	for range 200000 {
		edges = append(edges, 1400*(r.Float64()-0.5), 2*(r.Float64()-0.5))
	}
	for _, x := range edges {
		// Ours and math's may err on either side of the truth.
		if got, want := Exp(x), math.Exp(x); apart(got, want) > 2 {
			t.Errorf("Exp(%g) = %g, math.Exp %g", x, got, want)
		}
		if got, want := Log(x), math.Log(x); apart(got, want) > 1 {
			t.Errorf("Log(%g) = %g, math.Log %g", x, got, want)
		}
		if y := Exp(x); x > -700 && x < 700 && math.Abs(x) > 1e-3 && !near(Log(y), x, 1e-12) {
			t.Errorf("Log(Exp(%g)) = %g", x, Log(y))
		}
	}
}

// Expm1 and Log1p against package math, from arguments lost beside 1 to the ends.
func TestExpm1Log1p(t *testing.T) {
	inf := math.Inf(1)
	some := []float64{0, 1, -1, -2, 1e-300, -5e-324, 709.7, 710, -40, -800, 1e300, math.MaxFloat64, inf, -inf, math.NaN(), -0.9999999999999999}
	r := rand.New(rand.NewPCG(1, 2))
	for range 100000 {
		x := math.Exp(46*r.Float64() - 40) // up to 403
		some = append(some, x, -x)
	}
	for _, x := range some {
		if got, want := Expm1(x), math.Expm1(x); apart(got, want) > 4 {
			t.Errorf("Expm1(%g) = %g, math %g", x, got, want)
		}
		if got, want := Log1p(x), math.Log1p(x); apart(got, want) > 4 {
			t.Errorf("Log1p(%g) = %g, math %g", x, got, want)
		}
	}
}

// All that the package computes, on data made of exact operations, as one
// number: the same on every machine.
func TestSameBitsEverywhere(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 31))
	hash := fnv.New64a()
	tell := func(x ...float64) {
		for _, x := range x {
			binary.Write(hash, binary.LittleEndian, math.Float64bits(x))
		}
	}
	var f Fitter
	var w Slopes
	noise := Noise{Prior: 1e-5, Worth: 4}
	cusum, ewma := Cusum{K: 0.5, H: 4}, Ewma{Lambda: 0.1, L: 2.7}
	for k := range 50 {
		tau := 30 + float64(800*r.Float64())
		var p []Point
		for i := range 100 {
			z := 4 * (r.Float64() + r.Float64() + r.Float64() - 1.5)
			x := float64(5*i) + float64(3*r.Float64())
			ago := x
			if k%2 == 0 {
				ago = 500 - x
			}
			p = append(p, Point{x, 0.041 + float64(0.002*Exp(-ago/tau)) + float64(2e-5*z)})
			cusum.Add(z)
			ewma.Add(z)
			noise.Add(p[i].Y)
		}
		e := f.Curve(p, k%2 == 0, 50)
		best, early, late := e.Reach(0.0441)
		tell(e.A, e.B, e.Tau, e.SDA, e.SDB, e.SDTau, e.RSS, best, early, late, e.Linear.A, e.Linear.SDB)
		slope, lo, hi := w.TheilSen(p)
		sd, n := noise.Deviation(k % 8)
		tell(slope, lo, hi, w.Median(p), cusum.Up, cusum.Down, ewma.Z, ewma.Limit(), sd, n, noise.Over(100+20*k), noise.EffectiveSize(100))
		tell(Expm1(lo), Log1p(slope), Expm1(ewma.Z), Log1p(cusum.Up))
	}
	if got, want := hash.Sum64(), uint64(0xa9d52e1172d32f75); got != want {
		t.Errorf("the results hash to %#x, want %#x: a product is fused, or the numerics were changed", got, want)
	}
}

// In none of the packages that events follow from does the compiler fuse a
// product with a sum on arm64, where it may; and none calls a function of
// package math that is not exact.
func TestNothingIsFused(t *testing.T) {
	build := exec.Command("go", "build", "-gcflags=-S", "-o", os.DevNull, ".", "nightsoak/alarms", "nightsoak/acquire/socket", "nightsoak/drivers")
	build.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
	asm, err := build.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%.500s", err, asm)
	}
	for _, file := range []string{"trend/float.go", "alarms/bin.go", "socket/convert.go", "drivers/reading.go"} {
		if !regexp.MustCompile(regexp.QuoteMeta(file) + `:\d+\)\s+F(MUL|DIV)D\s`).Match(asm) {
			t.Errorf("nothing is computed in %s: the listing is not what is looked for", file)
		}
	}
	for _, line := range regexp.MustCompile(`.*\sFN?M(ADD|SUB)[DS]\s.*`).FindAll(asm, -1) {
		t.Errorf("fused: %s", line)
	}
	for _, call := range regexp.MustCompile(`.*\sCALL\s+math\.(\w+).*`).FindAllSubmatch(asm, -1) {
		if name := string(call[1]); name != "frexp" && name != "ldexp" {
			t.Errorf("not the same everywhere: %s", call[0])
		}
	}
}
