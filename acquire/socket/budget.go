package socket

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nightsoak/acquire/bench"
)

// Line is the part of one input in the uncertainty of a dissipation ratio. All
// inputs are taken as rectangular (GUM 4.3.7): a meter's accuracy, with its last
// digit, and a resistor's tolerance are limits, between which nothing is said.
type Line struct {
	Input        string  `json:"input"` // "sense meter"
	Unit         string  `json:"unit"`  // of Estimate and Uncertainty: "V", "Ω"; empty for a ratio
	Estimate     float64 `json:"estimate"`
	Uncertainty  float64 `json:"standard_uncertainty"` // 0: not stated
	Distribution string  `json:"distribution"`
	Sensitivity  float64 `json:"sensitivity"`    // change of the ratio for each Unit
	Contribution float64 `json:"contribution"`   // to the ratio's standard uncertainty, never negative
	Share        float64 `json:"variance_share"` // of the ratio's variance
}

// Budget is the uncertainty of a dissipation ratio, input by input (the table of
// EA-4/02 section 4, from memory), and what they come to.
type Budget struct {
	Ratio    float64 `json:"ratio"`                   // of the plate dissipation limit
	Lines    []Line  `json:"inputs"`                  // those on which the ratio depends
	U        float64 `json:"standard_uncertainty"`    // combined, of the ratio; 0 when a line states none
	Coverage float64 `json:"coverage_factor"`         // k for 95 %; 0 when U is
	Expanded float64 `json:"expanded_uncertainty_95"` // Coverage times U
	Why      string  `json:"why"`                     // why this coverage factor, or why there is none
}

// NewBudget is the budget of the dissipation ratio that Convert gives for the
// same arguments, to seven digits. Without a ratio it has no lines.
func NewBudget(s *bench.Socket, m Measured) Budget {
	var in inputs
	in.take(s, &m)
	w := work[quantity](s, &in)
	u := w.ratio.value(&in).U
	b := Budget{Ratio: Round(w.ratio.x), U: Round(u)}
	if !w.ratio.known {
		b.Why = "the dissipation is unknown"
		return b
	}
	var missing []string
	var parts []float64
	for i, c := range w.ratio.c {
		if c == 0 {
			continue
		}
		part := math.Abs(c * in[i].U)
		l := Line{Input: inputNames[i], Unit: "V", Estimate: Round(in[i].X), Uncertainty: Round(in[i].U), Distribution: "rectangular",
			Sensitivity: Round(c), Contribution: Round(part)}
		switch {
		case i == byWarmth:
			l.Unit = ""
		case i == byOhms:
			l.Unit = "Ω"
			if s.Sense.TransformerOhms > 0 {
				l.Input = "winding, cold"
			}
		}
		if u > 0 {
			l.Share = Round(part * part / (u * u))
		}
		if l.Uncertainty == 0 {
			l.Distribution = "not stated"
			missing = append(missing, l.Input)
		}
		b.Lines, parts = append(b.Lines, l), append(parts, part)
	}
	switch {
	case len(missing) > 0:
		b.Why = "no uncertainty is stated for: " + strings.Join(missing, ", ")
		return b
	case u == 0:
		b.Why = "neither current nor volts: no input counts"
		return b
	}
	k, dominant := coverage(parts)
	b.Coverage, b.Expanded = k, Round(k*u)
	b.Why = "no input outweighs the rest by 3.3 to 1, the sum is taken as normal: k = 2 (EA-4/02 section 5)"
	if dominant >= 0 {
		b.Why = fmt.Sprintf("the %s outweighs the rest by 3.3 to 1 and is rectangular: k = 0.95·√3 = 1.65 (EA-4/02 S9)", b.Lines[dominant].Input)
	}
	return b
}

var inputNames = [numInputs]string{
	bySense: "sense meter", byOhms: "sense resistor", byWarmth: "winding, warming", byPlate: "plate meter",
	byCathode: "cathode meter", byScreen: "screen meter", bySupply: "screen supply meter",
}

// coverage is the factor for 95 % of a sum of rectangular parts, and which part
// dominates, -1 for none: the root sum of squares of the others is not over 0.3
// of it (EA-4/02 S9, the limit from memory). The sum is then near rectangular,
// of which 0.95·√3 standard uncertainties hold 95 %; else near normal.
func coverage(parts []float64) (k float64, dominant int) {
	var sum float64
	for _, p := range parts {
		sum += float64(p * p)
	}
	most := slices.Index(parts, slices.Max(parts))
	if rest := sum - float64(parts[most]*parts[most]); math.Sqrt(max(rest, 0)) <= 0.3*parts[most] {
		return 1.65, most
	}
	return 2, -1
}
