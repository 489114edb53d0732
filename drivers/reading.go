// Package drivers says what meters say: the exact reading, the two shapes a
// driver can have, and how a wire format describes itself. One package per
// wire format stands below it; drivers/catalogue lists them all.
package drivers

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Quantity is the kind of thing a meter measured.
type Quantity uint8

// The quantities that bench meters report.
const (
	NoQuantity  Quantity = iota
	Voltage              // volt
	Current              // ampere
	Resistance           // ohm
	Frequency            // hertz
	Capacitance          // farad
	Temperature          // degree Celsius
	Fahrenheit           // degree Fahrenheit
	Percent              // percent: duty cycle, loop current
	Decibel              // decibel
	Gain                 // pure number: transistor current gain and the like
)

var quantityUnits = [...]string{
	NoQuantity: "", Voltage: "V", Current: "A", Resistance: "Ω", Frequency: "Hz",
	Capacitance: "F", Temperature: "°C", Fahrenheit: "°F", Percent: "%", Decibel: "dB", Gain: "hFE",
}

// SIUnit is the unit symbol without prefix: "V", "A", "Ω". It is empty for NoQuantity.
func (q Quantity) SIUnit() string {
	if int(q) < len(quantityUnits) {
		return quantityUnits[q]
	}
	return ""
}

// Flags are what the display showed beside the digits.
type Flags uint16

// The flags. Coupling is two of them: both set is AC+DC, neither is "not said".
const (
	DC Flags = 1 << iota
	AC
	Auto         // auto range
	Hold         // the display is frozen
	Overload     // over range: there are no digits
	Relative     // the digits are a difference from a stored value
	MinMax       // the digits are a stored extreme or average, not live
	LowBattery   // readings may be wrong soon
	AutoPowerOff // the meter will switch itself off
	Diode        // diode test: volts, but not a voltage measurement
	Continuity   // continuity test: ohms, but not a resistance measurement
	NotANumber   // the meter answered that it has no figure
)

var flagNames = [...]struct {
	f    Flags
	name string
}{
	{DC, "dc"}, {AC, "ac"}, {Auto, "auto"}, {Hold, "hold"}, {Overload, "overload"}, {Relative, "rel"},
	{MinMax, "minmax"}, {LowBattery, "lowbat"}, {AutoPowerOff, "apo"}, {Diode, "diode"},
	{Continuity, "beep"}, {NotANumber, "nan"},
}

// Names lists the flags that are set, in a fixed order; never nil, so that JSON shows [].
func (f Flags) Names() []string {
	names := []string{}
	for _, n := range flagNames {
		if f&n.f != 0 {
			names = append(names, n.name)
		}
	}
	return names
}

// String is the flag names with a space between, as in the readings CSV.
func (f Flags) String() string { return strings.Join(f.Names(), " ") }

// ParseFlags reads what String wrote. An unknown name is an error that lists the known ones.
func ParseFlags(s string) (Flags, error) {
	var f Flags
next:
	for _, w := range strings.Fields(s) {
		for _, n := range flagNames {
			if n.name == w {
				f |= n.f
				continue next
			}
		}
		return 0, fmt.Errorf("%w: unknown flag %q: known are %v", errReading, w, Flags(math.MaxUint16))
	}
	return f, nil
}

// Reading is one reading, exactly as the display showed it: Digits × 10^Exp in
// the SI unit of Quantity. 38.2 mV is 382 × 10⁻⁴ V with Prefix -3; the last
// digit tells the resolution, which the uncertainty needs. With Overload or
// NotANumber set the digits mean nothing and are zero.
type Reading struct {
	Digits   int64    // signed digits, at most 18, trailing zeros kept
	Exp      int8     // power of ten of the last digit, SI unit
	Prefix   int8     // power of ten of the unit shown: -3 for mV, 0 for V, 3 for kΩ
	Quantity Quantity // what was measured
	Flags    Flags    // what the display showed beside the digits
}

// HasValue says whether the reading carries a number.
func (r Reading) HasValue() bool { return r.Flags&(Overload|NotANumber) == 0 }

// Value is the reading in the SI unit, correctly rounded; NaN when there is no number.
func (r Reading) Value() float64 {
	if !r.HasValue() {
		return math.NaN()
	}
	return scale10(r.Digits, int(r.Exp))
}

// Resolution is one count of the last digit, in the SI unit.
func (r Reading) Resolution() float64 { return scale10(1, int(r.Exp)) }

var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// scale10 is n × 10^e, correctly rounded: for |n| ≤ 2⁵³ and |e| ≤ 22 both
// factors are exact as float64 and one rounding is left; beyond that the decimal
// is written out and read.
func scale10(n int64, e int) float64 {
	if n >= -1<<53 && n <= 1<<53 {
		switch {
		case e >= 0 && e < len(pow10):
			return float64(n) * pow10[e]
		case e < 0 && -e < len(pow10):
			return float64(n) / pow10[-e]
		}
	}
	var buf [32]byte
	b := append(strconv.AppendInt(buf[:0], n, 10), 'e')
	v, _ := strconv.ParseFloat(string(strconv.AppendInt(b, int64(e), 10)), 64) // always a number in range
	return v
}

// Text is the figure as displayed, without unit: "38.2", "-0.050", "OL", "NaN".
func (r Reading) Text() string {
	switch {
	case r.Flags&Overload != 0:
		return "OL"
	case r.Flags&NotANumber != 0:
		return "NaN"
	}
	sign, s := "", strconv.FormatInt(r.Digits, 10)
	if r.Digits < 0 {
		sign, s = "-", s[1:]
	}
	places := int(r.Prefix) - int(r.Exp) // digits after the point as displayed
	switch {
	case places <= 0 && r.Digits == 0:
		return s
	case places <= 0:
		return sign + s + strings.Repeat("0", -places)
	}
	s = strings.Repeat("0", max(places+1-len(s), 0)) + s // a digit before the point
	return sign + s[:len(s)-places] + "." + s[len(s)-places:]
}

var prefixes = [...]struct {
	exp    int8
	symbol string
}{{-12, "p"}, {-9, "n"}, {-6, "µ"}, {-3, "m"}, {0, ""}, {3, "k"}, {6, "M"}, {9, "G"}}

// Unit is the unit as displayed, with its prefix: "mV", "kΩ".
func (r Reading) Unit() string {
	for _, p := range prefixes {
		if p.exp == r.Prefix {
			return p.symbol + r.Quantity.SIUnit()
		}
	}
	return r.Quantity.SIUnit()
}

// String is figure, unit and flags, as a person reads them: "38.2 mV [dc auto]".
func (r Reading) String() string {
	s := r.Text()
	if u := r.Unit(); u != "" {
		s += " " + u
	}
	if f := r.Flags &^ Overload; f != 0 {
		s += " [" + f.String() + "]"
	}
	return s
}

// errReading is the cause of every error of ParseReading.
var errReading = errors.New("not a reading")

// spellings are the other ways to write ohm and micro.
var spellings = strings.NewReplacer("ohm", "Ω", "Ohm", "Ω", "\u2126", "Ω", "\u03bc", "µ")

// ParseUnit splits a unit with prefix ("mV", "kohm", "uA") into its quantity
// and the power of ten of its prefix. The empty unit is NoQuantity.
func ParseUnit(unit string) (Quantity, int8, error) {
	u := spellings.Replace(unit)
	for q, s := range quantityUnits {
		rest, ok := strings.CutSuffix(u, s)
		if !ok || (s == "" && u != "") {
			continue
		}
		if rest == "u" {
			rest = "µ"
		}
		for _, p := range prefixes {
			if p.symbol == rest {
				return Quantity(q), p.exp, nil
			}
		}
	}
	return 0, 0, fmt.Errorf("%w: unit %q is not known; write for example mV, V, mA, kΩ, Hz", errReading, unit)
}

// ParseReading reads a figure as displayed ("38.2", "OL", "NaN"), its unit with
// prefix and its flags, the three columns of the readings CSV.
func ParseReading(text, unit, flags string) (Reading, error) {
	var r Reading
	var err error
	if r.Flags, err = ParseFlags(flags); err != nil {
		return Reading{}, err
	}
	if r.Quantity, r.Prefix, err = ParseUnit(unit); err != nil {
		return Reading{}, err
	}
	var says Flags // what the text says of Overload and NotANumber
	switch text {
	case "OL", "-OL":
		says = Overload
	case "NaN":
		says = NotANumber
	}
	if r.Flags&(Overload|NotANumber)&^says != 0 {
		return Reading{}, fmt.Errorf("%w: %q beside flags %q: an overload is written OL, no figure NaN", errReading, text, flags)
	}
	if says != 0 {
		r.Flags |= says
		r.Exp = r.Prefix
		return r, nil
	}
	digits, places, err := parseDecimal(text)
	if err != nil {
		return Reading{}, err
	}
	r.Digits, r.Exp = digits, r.Prefix-int8(places)
	return r, nil
}

// parseDecimal reads an optional sign, digits and at most one point; places is
// the number of digits after the point.
func parseDecimal(s string) (digits int64, places int, err error) {
	t := strings.TrimLeft(s, "+-")
	if len(s)-len(t) > 1 || t == "" || t == "." {
		return 0, 0, fmt.Errorf("%w: %q is not a decimal number", errReading, s)
	}
	whole, frac, _ := strings.Cut(t, ".")
	n, err := strconv.ParseUint(whole+frac, 10, 63)
	if err != nil || n > 1e18-1 || len(frac) > 18 || strings.ContainsAny(t, "+-_") {
		return 0, 0, fmt.Errorf("%w: %q is not a decimal number of at most 18 digits", errReading, s)
	}
	digits = int64(n)
	if s[0] == '-' {
		digits = -digits
	}
	return digits, len(frac), nil
}
