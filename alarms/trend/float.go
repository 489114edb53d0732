package trend

import "math"

// The method and constants of Exp and Log are those of FreeBSD's msun
// (e_exp.c, e_log.c), which came with this notice:
//
// ====================================================
// Copyright (C) 1993, 2004 by Sun Microsystems, Inc. All rights reserved.
//
// Permission to use, copy, modify, and distribute this
// software is freely granted, provided that this notice
// is preserved.
// ====================================================

const (
	ln2Hi = 6.93147180369123816490e-01 // ln 2, and what its last digits leave
	ln2Lo = 1.90821492927058770002e-10
)

// Exp is e to the power of x to 1 unit in the last place, as math.Exp but with
// the same bits on every machine: x is reduced to k ln 2 + r, |r| ≤ ln 2 / 2, and
// exp(r) is a rational function of r (a polynomial of degree 5 in r², error below
// 2⁻⁵⁹).
func Exp(x float64) float64 {
	const (
		most  = 7.09782712893383973096e+02
		least = -7.45133219101941108420e+02
		p1    = 1.66666666666666657415e-01
		p2    = -2.77777777770155933842e-03
		p3    = 6.61375632143793436117e-05
		p4    = -1.65339022054652515390e-06
		p5    = 4.13813679705723846039e-08
	)
	switch {
	case math.IsNaN(x):
		return x
	case x > most:
		return math.Inf(1)
	case x < least:
		return 0
	}
	k := int(float64(math.Log2E*x) + math.Copysign(0.5, x))
	hi := x - float64(float64(k)*ln2Hi)
	lo := float64(float64(k) * ln2Lo)
	r := hi - lo
	t := float64(r * r)
	c := r - float64(t*(p1+float64(t*(p2+float64(t*(p3+float64(t*(p4+float64(t*p5)))))))))
	y := 1 - ((lo - float64(r*c)/(2-c)) - hi)
	if k < -1000 || k > 1000 {
		return math.Ldexp(y, k)
	}
	return y * math.Float64frombits(uint64(k+1023)<<52) // exact
}

// Log is the natural logarithm of x to 1 unit in the last place, as math.Log
// but with the same bits on every machine: NaN below 0, -Inf at 0.
func Log(x float64) float64 {
	const (
		l1 = 6.666666666666735130e-01
		l2 = 3.999999999940941908e-01
		l3 = 2.857142874366239149e-01
		l4 = 2.222219843214978396e-01
		l5 = 1.818357216161805012e-01
		l6 = 1.531383769920937332e-01
		l7 = 1.479819860511658591e-01
	)
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	}
	frac, exponent := math.Frexp(x)
	if frac < math.Sqrt2/2 {
		frac *= 2
		exponent--
	}
	f, k := frac-1, float64(exponent)
	s := f / (2 + f)
	s2 := float64(s * s)
	s4 := float64(s2 * s2)
	odd := float64(s2 * (l1 + float64(s4*(l3+float64(s4*(l5+float64(s4*l7)))))))
	even := float64(s4 * (l2 + float64(s4*(l4+float64(s4*l6)))))
	half := float64(0.5 * f * f)
	return float64(k*ln2Hi) - ((half - (float64(s*(half+odd+even)) + float64(k*ln2Lo))) - f)
}

// Expm1 is Exp(x) - 1 to a few units in the last place also where x is small: the
// error of the exponential cancels, for its logarithm shows it (Kahan; Higham
// 2002, Accuracy and Stability of Numerical Algorithms, section 1.14.1).
func Expm1(x float64) float64 {
	switch e := Exp(x); {
	case e == 1:
		return x
	case e-1 == -1 || math.IsInf(e, 1):
		return e - 1
	default:
		return (e - 1) * (x / Log(e))
	}
}

// Log1p is Log(1 + x) to a few units in the last place also where x is small, by
// the same cancellation (Kahan; Hewlett-Packard 1982, HP-15C Advanced Functions
// Handbook).
func Log1p(x float64) float64 {
	switch u := 1 + x; {
	case u == 1:
		return x
	case math.IsInf(u, 1):
		return u
	default:
		return Log(u) * (x / (u - 1))
	}
}
