package socket

import (
	"math"
	"strings"
	"testing"

	"nightsoak/acquire/bench"
)

// A 6L6GC-like socket, 1 ohm ±1 %, sense meter 38.0 mV ± 0.28 mV, plate meter
// 460 V ± 3 V (standard uncertainties). By hand: sensitivities (460 - 2·0.038)/25,
// 0.038·459.962/25 per ohm, 0.038/25.
func TestBudget(t *testing.T) {
	s := one(25, 1)
	s.Sense.Tolerance = 0.01
	m := Measured{Sense: Value{0.038, 0.00028, true}, Plate: Value{460, 3, true}}
	b := NewBudget(&s, m)
	if f := Convert(&s, m); b.Ratio != Round(f.DissipationRatio.X) || b.U != Round(f.DissipationRatio.U) {
		t.Errorf("ratio %g, u %g; Convert gives %+v", b.Ratio, b.U, f.DissipationRatio)
	}
	want := []Line{
		{Input: "sense meter", Unit: "V", Estimate: 0.038, Uncertainty: 0.00028, Sensitivity: 18.39696, Contribution: 0.005151149},
		{Input: "sense resistor", Unit: "Ω", Estimate: 1, Uncertainty: 0.005773503, Sensitivity: -0.6991422, Contribution: 0.004036499},
		{Input: "plate meter", Unit: "V", Estimate: 460, Uncertainty: 3, Sensitivity: 0.00152, Contribution: 0.00456},
	}
	if len(b.Lines) != len(want) {
		t.Fatalf("%d lines, want %d: %+v", len(b.Lines), len(want), b.Lines)
	}
	var shares float64
	for i, l := range b.Lines {
		shares += l.Share
		if math.Abs(l.Share-l.Contribution*l.Contribution/b.U/b.U) > 1e-6 {
			t.Errorf("%s: share %g of u %g, part %g", l.Input, l.Share, b.U, l.Contribution)
		}
		w := want[i]
		for _, x := range [][2]float64{{l.Estimate, w.Estimate}, {l.Uncertainty, w.Uncertainty}, {l.Sensitivity, w.Sensitivity}, {l.Contribution, w.Contribution}} {
			if math.Abs(x[0]/x[1]-1) > 1e-6 {
				t.Errorf("%s: %g, want %g", l.Input, x[0], x[1])
			}
		}
		if l.Input != w.Input || l.Unit != w.Unit || l.Distribution != "rectangular" {
			t.Errorf("%+v, want %+v", l, w)
		}
	}
	if math.Abs(shares-1) > 1e-6 || b.Coverage != 2 || b.Expanded != Round(2*b.U) {
		t.Errorf("shares come to %g, k %g, ±%g on u %g", shares, b.Coverage, b.Expanded, b.U)
	}
}

func TestBudgetCoverage(t *testing.T) {
	full := Measured{Sense: Value{0.038, 0.00028, true}, Plate: Value{460, 3, true}}
	for _, c := range []struct {
		name   string
		change func(*bench.Socket, *Measured)
		k      float64
		why    string
	}{
		{"none dominates", func(*bench.Socket, *Measured) {}, 2, "no input outweighs"},
		{"sense meter dominates", func(_ *bench.Socket, m *Measured) { m.Sense.U = 0.0012 }, 1.65, "the sense meter outweighs the rest"},
		{"plate meter dominates", func(_ *bench.Socket, m *Measured) { m.Plate.U = 30 }, 1.65, "the plate meter outweighs the rest"},
		{"resistor dominates", func(s *bench.Socket, _ *Measured) { s.Sense.Tolerance = 0.1 }, 1.65, "the sense resistor outweighs the rest"},
		{"winding dominates", func(s *bench.Socket, _ *Measured) {
			s.Sense = bench.Sense{TransformerOhms: 1, WarmsBy: 90, SharedBy: 1, Tolerance: 0.001}
		}, 1.65, "the winding, warming outweighs the rest"},
		{"a meter without accuracy", func(_ *bench.Socket, m *Measured) { m.Plate.U = 0 }, 0, "no uncertainty is stated for: plate meter"},
		{"nothing stated", func(_ *bench.Socket, m *Measured) { m.Plate.U, m.Sense.U = 0, 0 }, 0, "for: sense meter, plate meter"},
		{"winding without tolerance", func(s *bench.Socket, _ *Measured) {
			s.Sense = bench.Sense{TransformerOhms: 1, SharedBy: 1}
		}, 0, "no uncertainty is stated for: winding, cold"},
		{"no plate volts", func(_ *bench.Socket, m *Measured) { m.Plate = Value{} }, 0, "the dissipation is unknown"},
		{"all at zero", func(_ *bench.Socket, m *Measured) { m.Sense.X, m.Plate.X = 0, 0 }, 0, "neither current nor volts"},
	} {
		s, m := one(25, 1), full
		s.Sense.Tolerance = 0.01
		c.change(&s, &m)
		b := NewBudget(&s, m)
		if b.Coverage != c.k || math.Abs(b.Expanded-c.k*b.U) > 1e-7 || (b.U > 0) != (c.k > 0) || !strings.Contains(b.Why, c.why) {
			t.Errorf("%s: k %g, ±%g, u %g, %q; want %g, %q", c.name, b.Coverage, b.Expanded, b.U, b.Why, c.k, c.why)
		}
	}
}
