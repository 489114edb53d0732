package acquire

import (
	"math"

	"nightsoak/drivers"
)

// scaling multiplies readings by what a probe divides.
//
// A power of ten, which most dividers are, moves the exponent and keeps every
// digit. Any other factor f = m × 10ⁿ with m between 1/√10 and √10 moves the
// exponent by n and multiplies the digits by m, rounded to whole digits, half
// away from zero: the error is at most half a count, and the resolution that
// the reading then states is within a factor of √10 of the meter's own.
type scaling struct {
	exp int     // n
	m   float64 // 1 for a power of ten
}

// newScaling takes any finite factor; zero stands for "not given" and is 1.
func newScaling(f float64) scaling {
	if f == 0 {
		return scaling{m: 1}
	}
	n := int(math.Round(math.Log10(math.Abs(f))))
	if math.Abs(f) == math.Pow10(n) {
		return scaling{exp: n, m: math.Copysign(1, f)}
	}
	return scaling{exp: n, m: f / math.Pow10(n)}
}

// maxPrefix is the greatest that Reading.Unit knows, giga.
const maxPrefix = 9

// apply is r times the factor.
func (s scaling) apply(r drivers.Reading) drivers.Reading {
	exp := int(r.Exp) + s.exp
	switch s.m {
	case 1:
	case -1:
		r.Digits = -r.Digits
	default:
		// Past 15 digits a float64 is no longer whole, nor is any meter.
		for ; r.Digits >= 1e15 || r.Digits <= -1e15; exp++ {
			r.Digits /= 10
		}
		r.Digits = int64(math.Round(float64(r.Digits) * s.m))
	}
	r.Exp = int8(min(max(exp, math.MinInt8), math.MaxInt8))
	// 462.0 mV behind a 1000:1 divider reads 462.0 V, not 462000 mV.
	for s.exp > 0 && r.Exp > r.Prefix && r.Prefix <= maxPrefix-3 {
		r.Prefix += 3
	}
	return r
}
