package socket

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Monte Carlo (GUM Supplement 1) against the propagated uncertainty: every input
// drawn apart, from a rectangle, and put through the note-book's arithmetic. u
// agrees within 2 %, and the budget's expanded uncertainty holds 93 to 99 % of
// the draws: 95, with what k = 2 is off where two rectangles make a trapezoid. -v prints the table. The last column is u with current and volts
// taken as independent, which the way of sensing makes wrong.
func TestUncertaintyByMonteCarlo(t *testing.T) {
	const draws, tolerance = 200_000, 0.01
	rnd := rand.New(rand.NewPCG(3, 4))
	rectangle := func(v Value) float64 { return v.X + v.U*math.Sqrt(3)*(2*rnd.Float64()-1) }
	// A tube that leaves much to correlation: a third of the supply is across its
	// cathode resistor, by a coarse meter.
	x := simulated{ip: 0.060, is: 0.006, vak: 300, vg2: 250, cathodeOhms: 2500, primary: 150, screen: 470}
	t.Logf("%-53s%-20s%11s %11s %9s %7s %11s", "way of sensing", "figure", "value", "u", "Monte C.", "ratio", "independent")
	for _, w := range ways {
		s := w.socket(x)
		s.Sense.Tolerance = tolerance
		m := w.show(x)
		m.Sense.U, m.Plate.U, m.Cathode.U = 0.02*m.Sense.X, 0.004*m.Plate.X, 0.005*m.Cathode.X
		m.Screen.U, m.ScreenSupply.U = 0.03*m.Screen.X, 0.006*m.ScreenSupply.X
		f := Convert(&s, m)
		budget := NewBudget(&s, m)
		got := [...]Value{f.CathodeCurrent, f.PlateCurrent, f.ScreenCurrent, f.PlateVolts, f.ScreenVolts, f.PlateDissipation, f.ScreenDissipation,
			f.DissipationRatio, f.ScreenRatio, f.PlateVoltsRatio, f.CathodeCurrentRatio}
		var sum, sum2 [len(got)]float64
		var within float64
		for range draws {
			ohms := max(s.Sense.Ohms, s.Sense.TransformerOhms) * (1 + tolerance*(2*rnd.Float64()-1))
			if s.Sense.TransformerOhms > 0 {
				ohms *= 1 + 0.00393*s.Sense.WarmsBy*rnd.Float64() // IEC 60028, from memory
			}
			d := Measured{Sense: Value{X: rectangle(m.Sense)}, Plate: Value{X: rectangle(m.Plate)}, Cathode: Value{X: rectangle(m.Cathode)},
				Screen: Value{X: rectangle(m.Screen)}, ScreenSupply: Value{X: rectangle(m.ScreenSupply)}}
			ik, ip, ig2, va, vg2 := w.figures(&s, ohms, d)
			ratio := ip * va / s.Limit
			if math.Abs(ratio-budget.Ratio) <= budget.Expanded {
				within++
			}
			for i, y := range [...]float64{ik, ip, ig2, va, vg2, ip * va, ig2 * vg2, ratio, ig2 * vg2 / 8, va / 500, ik / 0.150} {
				y -= got[i].X // keeps the sums of squares small
				sum[i] += y
				sum2[i] += y * y
			}
		}
		apart := map[string]float64{
			"plate dissipation":  math.Hypot(f.PlateVolts.X*f.PlateCurrent.U, f.PlateCurrent.X*f.PlateVolts.U),
			"screen dissipation": math.Hypot(f.ScreenVolts.X*f.ScreenCurrent.U, f.ScreenCurrent.X*f.ScreenVolts.U),
		}
		for i, what := range [...]string{"cathode current", "plate current", "screen current", "plate volts", "screen volts", "plate dissipation",
			"screen dissipation", "ratio", "screen ratio", "plate volts ratio", "cathode ratio"} {
			if !got[i].Known {
				continue
			}
			u := math.Sqrt((sum2[i] - sum[i]*sum[i]/draws) / (draws - 1))
			row := "%-53s%-20s%11.5g %11.4g %9.4g %7.4f"
			args := []any{w.name, what, got[i].X, got[i].U, u, got[i].U / u}
			if a := apart[what]; a > 0 {
				row, args = row+" %11.4g", append(args, a)
			}
			t.Logf(row, args...)
			if !(math.Abs(got[i].U/u-1) < 0.02) {
				t.Errorf("%s: u of %s is %g, Monte Carlo %g", w.name, what, got[i].U, u)
			}
		}
		within /= draws
		t.Logf("%-53s±%.3g holds %.1f %% of the draws: %s", w.name, budget.Expanded, 100*within, budget.Why)
		if budget.U != Round(f.DissipationRatio.U) || !(within > 0.93 && within < 0.99) {
			t.Errorf("%s: ±%g holds %g of the draws (u %g, Convert's %g)", w.name, budget.Expanded, within, budget.U, f.DissipationRatio.U)
		}
		// The check bites: what is taken as independent would miss it.
		if a := apart["plate dissipation"]; w.name == "cathode resistor" && math.Abs(a/f.PlateDissipation.U-1) < 0.1 {
			t.Errorf("without correlation u of dissipation would be %g, with it %g: choose a tube that tells them apart", a, f.PlateDissipation.U)
		}
	}
}
