package socket

import (
	"math"

	"nightsoak/acquire/bench"
	"nightsoak/drivers"
)

// Measured is what the meters of one socket show at one moment, in volt. A
// meter that the socket has not, or that has no fresh figure, is the zero Value.
type Measured struct {
	Sense        Value // across the cathode resistor, or across half the primary
	Plate        Value // plate supply to chassis
	Cathode      Value // cathode to chassis
	Screen       Value // across the screen resistor
	ScreenSupply Value // screen supply to chassis, before the screen resistor
}

// Volts is MeasuredValue for a meter of a socket, whose figure stands for DC
// volts in all that follows: a reading of anything else is unknown. Amperes,
// ohms, AC (or AC with DC), a diode or continuity test and a figure without a
// unit never become a current here. A meter that does not say its coupling is
// taken at its word: volts.
func Volts(r drivers.Reading, acc bench.Accuracy) Value {
	if r.Quantity != drivers.Voltage || r.Flags&(drivers.AC|drivers.Diode|drivers.Continuity) != 0 {
		return Value{}
	}
	return MeasuredValue(r, acc)
}

// MeasuredValue is a reading with its standard uncertainty: of reading plus
// counts as the half-width of a rectangular distribution (GUM 4.3.7), and half
// a count of the last digit as another (GUM F.2.2.1), in quadrature. Without a
// given accuracy U is 0: not stated. What the accuracy does not cover, such as
// the tolerance of a divider probe, is not in it. A reading that carries no
// number is unknown. What was measured is not looked at: see Volts.
func MeasuredValue(r drivers.Reading, acc bench.Accuracy) Value {
	if !r.HasValue() {
		return Value{}
	}
	v := Value{X: r.Value(), Known: true}
	if acc.Given {
		digit := r.Resolution()
		a := float64(acc.OfReading*math.Abs(v.X)) + float64(acc.Counts*digit)
		v.U = math.Sqrt(float64(a*a)/3 + float64(digit*digit)/12)
	}
	return v
}

// copperPerKelvin is how much of its resistance at 20 °C copper gains for each
// kelvin (IEC 60028, from memory).
const copperPerKelvin = 0.00393

// Convert turns what the meters of a socket show into its figures.
//
//   - Across a cathode resistor, which for a directly heated tube stands in the
//     filament's return, the sense volts give the cathode current, or, shared by
//     n cathodes, the mean of n. The screen current measured or set is
//     subtracted; neither measured nor set it counts as plate current.
//   - Across half the primary they give the plate current itself. The cathode
//     current is then known only where the screen current is measured or set.
//     Copper warms: winding ohms taken cold overstate the current by 0.393 % for
//     each kelvin (IEC 60028, from memory), the safe side. Where the job says by
//     how many kelvin at most, the ohms are taken at half of that, and the rest
//     either side is uncertainty (rectangular, GUM 4.3.7).
//   - Plate volts are the plate meter less the cathode: by its own meter where
//     there is one, else by the sense volts, the cathode resistor being taken as
//     standing on the chassis. With half the primary as the resistor, the plate
//     meter is taken as clipped to the HT feed, and the drop is subtracted too;
//     without a cathode meter the cathode is then taken as at chassis, which
//     errs to the high side.
//   - Screen volts are the screen supply less what the screen resistor drops,
//     less the cathode. Where the screen current is set as a share the drop is
//     not known and nothing is subtracted for it: the high side.
//   - Meters load little where the wiring sheet puts them, and nothing is
//     corrected for it: what a plate or screen supply meter draws (46 µA at 460 V
//     in 10 MΩ) passes neither cathode resistor nor winding, and the volts that
//     it pulls down are those the tube has. 10 MΩ across a resistor of 1 kΩ takes
//     0.01 % of its current.
//
// What is not known makes unknown what depends on it, and only that: a socket's
// current is known without plate volts, and a limit that the handbook has not
// (0) leaves its ratio unknown. Inputs are in volt, figures in ampere, volt, watt
// and ratio. The socket's Tube must be set.
//
// Uncertainty is the GUM's first-order law (eq. 10), taken from figure back to
// meter, so that what two factors of a product have in common, such as the
// sense volts in current and plate volts, counts once and with its sign (eq.
// 13). U is stated, that is not 0, only when it is for every meter, and the
// tolerance of the resistor, on which the figure depends. Taken as exact, since
// the job states no tolerance for them: the screen share, the screen resistor,
// the limits, and that cathodes on one resistor share alike.
func Convert(s *bench.Socket, m Measured) Figures {
	var in inputs
	in.take(s, &m)
	w := work[quantity](s, &in)
	return Figures{
		CathodeCurrent:      w.cathode.value(&in),
		PlateCurrent:        w.plate.value(&in),
		PlateVolts:          w.plateVolts.value(&in),
		PlateDissipation:    w.dissipation.value(&in),
		DissipationRatio:    w.ratio.value(&in),
		ScreenCurrent:       w.screen.value(&in),
		ScreenVolts:         w.screenVolts.value(&in),
		ScreenDissipation:   w.screenDissipation.value(&in),
		ScreenRatio:         w.screenDissipation.over(exact(s.Tube.ScreenDissipation)).value(&in),
		PlateVoltsRatio:     w.plateVolts.over(exact(s.Tube.PlateVolts)).value(&in),
		CathodeCurrentRatio: w.cathode.over(exact(s.Tube.CathodeCurrent)).value(&in),
	}
}

// Estimate is those of the Figures of Convert that a watch needs for every
// reading, without their uncertainties and far sooner.
func Estimate(s *bench.Socket, m *Measured) Estimates {
	var in inputs
	in.take(s, m)
	w := work[figure](s, &in)
	return Estimates{
		CathodeCurrent:   w.cathode.value(),
		PlateCurrent:     w.plate.value(),
		PlateVolts:       w.plateVolts.value(),
		DissipationRatio: w.ratio.value(),
	}
}

// working is a socket's figures as they are worked out.
type working[N number[N]] struct {
	cathode, plate, screen         N // currents
	plateVolts, screenVolts        N
	dissipation, screenDissipation N
	ratio                          N // of the plate dissipation limit
}

// take fills the inputs of a socket's figures.
func (in *inputs) take(s *bench.Socket, m *Measured) {
	cold := senseOhms(s)
	in[bySense] = m.Sense
	in[byOhms] = Value{X: cold, U: cold * s.Sense.Tolerance / math.Sqrt(3), Known: true}
	in[byPlate] = m.Plate
	in[byCathode] = m.Cathode
	in[byScreen] = m.Screen
	in[bySupply] = m.ScreenSupply
	if s.Sense.WarmsBy > 0 && s.Sense.TransformerOhms > 0 {
		half := float64(copperPerKelvin * s.Sense.WarmsBy / 2)
		in[byWarmth] = Value{X: 1 + half, U: half / math.Sqrt(3), Known: true}
	}
}

// work is the arithmetic of Convert.
func work[N number[N]](s *bench.Socket, in *inputs) (w working[N]) {
	at := func(i int) N { return w.ratio.input(in[i], i) }
	exact := w.ratio.exact
	byPrimary := s.Sense.TransformerOhms > 0
	sense, ohms := at(bySense), at(byOhms)
	if in[byWarmth].Known {
		ohms = ohms.times(at(byWarmth))
	}
	sensed := sense.over(ohms)

	drop := exact(0)
	if s.ScreenMeter >= 0 {
		drop = at(byScreen)
		w.screen = drop.over(exact(s.ScreenOhms))
	}
	switch {
	case s.ScreenMeter >= 0 && byPrimary:
		w.plate, w.cathode = sensed, sensed.plus(w.screen)
	case s.ScreenMeter >= 0:
		w.cathode, w.plate = sensed, sensed.less(w.screen)
	case s.ScreenShare > 0 && byPrimary:
		w.plate, w.cathode = sensed, sensed.over(exact(1-s.ScreenShare))
	case byPrimary:
		w.plate = sensed
	default:
		w.cathode, w.plate = sensed, sensed.times(exact(1-s.ScreenShare))
	}

	if s.ScreenMeter < 0 && s.ScreenShare > 0 {
		w.screen = w.cathode.times(exact(s.ScreenShare))
	}

	stand := sense // cathode to chassis
	w.plateVolts = at(byPlate)
	if byPrimary {
		w.plateVolts, stand = w.plateVolts.less(sense), exact(0)
	}
	if s.CathodeMeter >= 0 && s.CathodeMeter != s.Sense.Meter {
		stand = at(byCathode)
	}
	w.plateVolts = w.plateVolts.less(stand)
	w.screenVolts = at(bySupply).less(drop).less(stand)
	w.dissipation = w.plate.times(w.plateVolts)
	w.screenDissipation = w.screen.times(w.screenVolts)
	w.ratio = w.dissipation.over(exact(s.Limit))
	return w
}

// Target is the plate current at which a tube with a plate dissipation limit of
// limitW watt and plateVolts volt from plate to cathode dissipates ratio of the
// limit, in ampere, and what it drops across ohms, in volt. For a resistor
// shared by n cathodes give n times its ohms. plateVolts must be positive.
func Target(limitW, plateVolts, ratio, ohms float64) (amperes, senseVolts float64) {
	amperes = limitW * ratio / plateVolts
	return amperes, amperes * ohms
}

// SenseOpenVolts is the sense voltage above which the resistor must have
// opened: five times what the current at the socket's dissipation limit drops
// across it, all cathodes that share it together. It is +Inf, so never
// exceeded, while plateVolts is not positive.
func SenseOpenVolts(s *bench.Socket, plateVolts float64) float64 {
	if !(plateVolts > 0) {
		return math.Inf(1)
	}
	_, v := Target(s.Limit, plateVolts, 1, senseOhms(s))
	return 5 * v
}

// senseOhms is the sense voltage for each ampere of one tube, all tubes on the
// resistor carrying the same.
func senseOhms(s *bench.Socket) float64 {
	return max(s.Sense.Ohms, s.Sense.TransformerOhms) * float64(max(s.Sense.SharedBy, 1))
}
