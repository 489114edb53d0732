package socket

import (
	"math"

	"nightsoak/acquire/bench"
	"nightsoak/drivers"
)

// Measured is what the meters of one socket show at one moment, in volt. A
// meter that the socket has not, or that has no fresh figure, is the zero Value.
type Measured struct {
	Sense   Value // across the cathode resistor, or across half the primary
	Plate   Value // plate supply to chassis
	Cathode Value // cathode to chassis
	Screen  Value // across the screen resistor
}

// MeasuredValue is a reading with its standard uncertainty: of reading plus
// counts as the half-width of a rectangular distribution (GUM 4.3.7), and half
// a count of the last digit as another (GUM F.2.2.1), in quadrature. Without a
// given accuracy U is 0: not stated. What the accuracy does not cover, such as
// the tolerance of a divider probe, is not in it. A reading that carries no
// number is unknown.
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

// Convert turns what the meters of a socket show into its figures.
//
//   - Across a cathode resistor the sense volts give the cathode current, or,
//     shared by n cathodes, the mean of n. The screen current measured or set is
//     subtracted; neither measured nor set it counts as plate current.
//   - Across half the primary they give the plate current itself. The cathode
//     current is then known only where the screen current is measured or set.
//     Winding ohms taken cold overstate the current by 0.39 % for each kelvin the
//     copper has warmed (IEC 60028, from memory): the safe side.
//   - Plate volts are the plate meter less the cathode: by its own meter where
//     there is one, else by the sense volts, the cathode resistor being taken as
//     standing on the chassis. With half the primary as the resistor, the plate
//     meter is taken as clipped to the HT feed, and the drop is subtracted too;
//     without a cathode meter the cathode is then taken as at chassis, which
//     errs to the high side.
//
// What is not known makes unknown what depends on it, and only that: a socket's
// current is known without plate volts. Inputs are in volt, figures in ampere,
// volt, watt and ratio.
//
// Uncertainty is the GUM's first-order law (eq. 10), taken from figure back to
// meter, so that what two factors of a product have in common, such as the
// sense volts in current and plate volts, counts once and with its sign (eq.
// 13). U is stated, that is not 0, only when it is for every meter, and the
// tolerance of the resistor, on which the figure depends. Taken as exact, since
// the job states no tolerance for them: the screen share, the screen resistor,
// the limit, and that cathodes on one resistor share alike.
func Convert(s *bench.Socket, m Measured) Figures {
	ohms := senseOhms(s)
	byPrimary := s.Sense.TransformerOhms > 0
	ownCathode := s.CathodeMeter >= 0 && s.CathodeMeter != s.Sense.Meter
	u := uncertainties{
		bySense: m.Sense.U, byOhms: ohms * s.Sense.Tolerance / math.Sqrt(3),
		byPlate: m.Plate.U, byCathode: m.Cathode.U, byScreen: m.Screen.U,
	}
	sense := input(bySense, m.Sense)
	sensed := sense.over(input(byOhms, Value{X: ohms, Known: true}))

	var cathode, plate quantity // currents
	switch screen := input(byScreen, m.Screen).over(exact(s.ScreenOhms)); {
	case s.ScreenMeter >= 0 && byPrimary:
		plate, cathode = sensed, sensed.plus(screen)
	case s.ScreenMeter >= 0:
		cathode, plate = sensed, sensed.less(screen)
	case s.ScreenShare > 0 && byPrimary:
		plate, cathode = sensed, sensed.over(exact(1-s.ScreenShare))
	case byPrimary:
		plate = sensed
	default:
		cathode, plate = sensed, sensed.times(exact(1-s.ScreenShare))
	}

	volts := input(byPlate, m.Plate)
	if byPrimary || !ownCathode {
		volts = volts.less(sense)
	}
	if ownCathode {
		volts = volts.less(input(byCathode, m.Cathode))
	}
	dissipation := plate.times(volts)
	return Figures{
		CathodeCurrent:   cathode.value(&u),
		PlateCurrent:     plate.value(&u),
		PlateVolts:       volts.value(&u),
		PlateDissipation: dissipation.value(&u),
		DissipationRatio: dissipation.over(exact(s.Limit)).value(&u),
	}
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
