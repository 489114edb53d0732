// Package socket turns sense volts and plate volts into current, dissipation
// and share of the limit, each with its uncertainty.
package socket

import (
	"math"
	"strconv"
)

// Value is a derived figure in SI units, or the knowledge that it is not known.
// The zero Value is unknown: never a zero, and never an old figure shown as fresh.
type Value struct {
	X     float64 // the figure; of no meaning unless Known
	U     float64 // standard uncertainty, same unit; 0 when it cannot be stated
	Known bool
}

// MarshalJSON is the number, to seven significant digits, or null when unknown,
// as what is beyond all numbers is: a meter may show 10^129 V.
func (v Value) MarshalJSON() ([]byte, error) {
	if !v.Known || math.IsNaN(v.X) || math.IsInf(v.X, 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, Round(v.X), 'g', -1, 64), nil
}

// Round keeps seven significant digits: more than any meter here has, and few
// enough that the last bit of a floating-point unit never shows in a record.
func Round(x float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 7, 64), 64)
	if err != nil {
		return x
	}
	return r
}

// Figures is what is known of one socket at one moment.
type Figures struct {
	CathodeCurrent   Value // ampere; plate plus screen
	PlateCurrent     Value // ampere; equals CathodeCurrent, at most, where the screen's share is neither measured nor set
	PlateVolts       Value // volt, plate to cathode
	PlateDissipation Value // watt
	DissipationRatio Value // of the plate dissipation limit

	ScreenCurrent       Value // ampere; only where measured, or set as a share
	ScreenVolts         Value // volt, screen to cathode; only where the screen supply is measured
	ScreenDissipation   Value // watt
	ScreenRatio         Value // of the screen dissipation limit
	PlateVoltsRatio     Value // of the greatest plate volts
	CathodeCurrentRatio Value // of the greatest cathode current
}

// Estimates are some of the Figures; their U is 0.
type Estimates struct {
	CathodeCurrent, PlateCurrent, PlateVolts, DissipationRatio Value
}
