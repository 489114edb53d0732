package scpi

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"nightsoak/drivers"
)

const (
	overload   = 9.0e37  // SCPI-99 sends 9.9E37 for infinity
	notANumber = 9.91e37 // SCPI-99
)

// function is a measurement function by its SCPI names.
type function struct {
	short, long string
	quantity    drivers.Quantity
	flags       drivers.Flags
	integrates  bool // over a settable number of power line cycles
}

// Longer names are long forms; a name may stop before ":DC", which is the default.
var functions = []function{
	{"VOLT:DC", "VOLTAGE:DC", drivers.Voltage, drivers.DC, true},
	{"VOLT:AC", "VOLTAGE:AC", drivers.Voltage, drivers.AC, false},
	{"CURR:DC", "CURRENT:DC", drivers.Current, drivers.DC, true},
	{"CURR:AC", "CURRENT:AC", drivers.Current, drivers.AC, false},
	{"RES", "RESISTANCE", drivers.Resistance, 0, true},
	{"FRES", "FRESISTANCE", drivers.Resistance, 0, true},
	{"FREQ", "FREQUENCY", drivers.Frequency, 0, false},
	{"CAP", "CAPACITANCE", drivers.Capacitance, 0, false},
	{"TEMP", "TEMPERATURE", drivers.Temperature, 0, true},
	{"DIOD", "DIODE", drivers.Voltage, drivers.Diode, false},
	{"CONT", "CONTINUITY", drivers.Resistance, drivers.Continuity, false},
}

// findFunction takes short and long forms in any case, as SCPI does.
func findFunction(name string) (function, error) {
	name = strings.ToUpper(strings.TrimSpace(name))
	var known []string
	for _, f := range functions {
		for _, n := range []string{f.short, f.long} {
			if name == n || name+":DC" == n {
				return f, nil
			}
		}
		known = append(known, f.short)
	}
	return function{}, fmt.Errorf("%.60q is not known: write one of %s", name, strings.Join(known, ", "))
}

// measures says which function a question MEAS:<function>? measures, given up
// to its question mark.
func measures(header string) (name string, ok bool) {
	header = strings.TrimPrefix(strings.ToUpper(header), ":")
	if name, ok = strings.CutPrefix(header, "MEAS:"); !ok {
		name, ok = strings.CutPrefix(header, "MEASURE:")
	}
	return name, ok && !strings.Contains(name, ";")
}

// answeredFunction reads the answer to CONF? or FUNC?: a name, then perhaps
// range and resolution, all quoted ("VOLT +1.0E+01,+3.0E-06"). A meter that
// measures several things at once sends a list of strings, of which the one in
// the figure's place is taken.
func answeredFunction(line string, place int) (function, error) {
	names := fields(line)
	name := names[0]
	if place <= len(names) && strings.HasPrefix(names[place-1], `"`) {
		name = names[place-1]
	}
	name, _, _ = strings.Cut(strings.Trim(unquote(name), `" `), ",")
	name, _, _ = strings.Cut(name, " ")
	return findFunction(name)
}

// fields are what commas and semicolons part: a comma stands between the data
// of one answer, a semicolon between the answers of one line (IEEE 488.2). In a
// quoted string neither parts anything.
func fields(line string) (all []string) {
	quoted, start := false, 0
	for i, c := range line + "," {
		switch {
		case c == '"':
			quoted = !quoted
		case i == len(line), !quoted && (c == ',' || c == ';'):
			all = append(all, strings.TrimSpace(line[start:i]))
			start = i + 1
		}
	}
	return all
}

// unquote is the text of a quoted string, in which a quote is written twice;
// of anything else, itself.
func unquote(s string) string {
	if len(s) < 2 || s[0] != '"' || s[len(s)-1] != '"' {
		return s
	}
	return strings.ReplaceAll(s[1:len(s)-1], `""`, `"`)
}

// isFigure says whether a line begins with a figure.
func isFigure(line string) bool {
	number, suffix := cutNumber(fields(line)[0])
	_, _, _, err := decimal(number)
	_, known := findUnit(suffix)
	return err == nil && known
}

// readFigure reads the figure in a place of an answer, counted from 1.
func readFigure(line string, place int, f function) (drivers.Reading, error) {
	all := fields(line)
	if place > len(all) {
		return drivers.Reading{}, fmt.Errorf("it has %d of the figures, and figure = %d is asked for: check figure", len(all), place)
	}
	text := all[place-1]
	r := drivers.Reading{Quantity: f.quantity, Flags: f.flags}
	switch strings.ToUpper(strings.TrimLeft(text, "+-")) {
	case "INF", "INFINITY", "NINF", "NINFINITY", "OL", "OVLD": // SCPI-99's own, then common practice, no source
		r.Flags |= drivers.Overload
		return r, nil
	case "NAN":
		r.Flags |= drivers.NotANumber
		return r, nil
	}
	number, suffix := cutNumber(text)
	digits, exp, e, err := decimal(number)
	if number == "" && text != "" {
		err = fmt.Errorf("%.60q is not a number", text)
	}
	if err != nil {
		return drivers.Reading{}, err
	}
	u, known := findUnit(suffix)
	switch {
	case !known || !u.fits(f):
		return drivers.Reading{}, fmt.Errorf("%.60q is no unit of %s: check that the meter measures that", suffix, f.short)
	case u.quantity != drivers.NoQuantity:
		r.Quantity = u.quantity // degrees may be Fahrenheit's
	}
	r.Digits, r.Exp = digits, int8(exp)
	switch v := math.Abs(r.Value()); {
	case math.Abs(v/notANumber-1) < 1e-6:
		return drivers.Reading{Quantity: r.Quantity, Flags: r.Flags | drivers.NotANumber}, nil
	case v >= overload:
		return drivers.Reading{Quantity: r.Quantity, Flags: r.Flags | drivers.Overload}, nil
	}
	r.Exp += u.prefix
	if r.Prefix = u.prefix; u.prefix == 0 || r.Exp > r.Prefix {
		r.Prefix = prefix(r, e)
	}
	if places := int(r.Prefix) - int(r.Exp); places < 0 || places > 18 {
		return drivers.Reading{}, errors.New("out of all reason for a meter")
	}
	return r, nil
}

// prefix chooses the unit shown where the answer does not: without prefix,
// except where an answer with exponent is under one, or where the last digit
// stands above the unit.
func prefix(r drivers.Reading, e exponent) int8 {
	lead := int(r.Exp) + len(strconv.FormatUint(uint64(max(r.Digits, -r.Digits)), 10)) - 1 // decade of the first digit
	if r.Digits == 0 {
		lead = e.value
	}
	switch {
	case r.Exp > 0:
		return min((r.Exp+2)/3*3, 9)
	case !e.given || lead >= 0 || r.Quantity == drivers.Temperature || r.Quantity == drivers.Fahrenheit:
		return 0
	case lead >= -3:
		return -3
	}
	return -6
}

// unit is what some meters append to a figure. It may say the coupling too.
type unit struct {
	name     string
	quantity drivers.Quantity
	flags    drivers.Flags
	prefix   int8
}

// The spellings of IEEE 488.2 (CEL, FAR: from memory) and of meters (common
// practice, no source).
var units = []unit{
	{name: "V", quantity: drivers.Voltage},
	{name: "VDC", quantity: drivers.Voltage, flags: drivers.DC},
	{name: "VAC", quantity: drivers.Voltage, flags: drivers.AC},
	{name: "A", quantity: drivers.Current},
	{name: "ADC", quantity: drivers.Current, flags: drivers.DC},
	{name: "AAC", quantity: drivers.Current, flags: drivers.AC},
	{name: "OHM", quantity: drivers.Resistance},
	{name: "OHMS", quantity: drivers.Resistance},
	{name: "HZ", quantity: drivers.Frequency},
	{name: "F", quantity: drivers.Capacitance},
	{name: "C", quantity: drivers.Temperature},
	{name: "CEL", quantity: drivers.Temperature},
	{name: "FAR", quantity: drivers.Fahrenheit},
}

// findUnit reads a unit in any case, with or without prefix; "" is the unit
// that is not said. M is mega only before ohms and hertz: volts in capitals, as
// in MV, are milli by IEEE 488.2 and mega by everyone else, so it is not known.
func findUnit(s string) (unit, bool) {
	if s == "" {
		return unit{}, true
	}
	for _, u := range units {
		if strings.EqualFold(s, u.name) {
			return u, true
		}
	}
	for _, u := range units {
		if !strings.EqualFold(s[1:], u.name) {
			continue
		}
		switch s[0] {
		case 'p', 'P':
			u.prefix = -12
		case 'n', 'N':
			u.prefix = -9
		case 'u', 'U':
			u.prefix = -6
		case 'm':
			u.prefix = -3
		case 'k', 'K':
			u.prefix = 3
		case 'M':
			u.prefix = 6
		}
		mega := u.quantity == drivers.Resistance || u.quantity == drivers.Frequency
		return u, u.prefix != 0 && (u.prefix != 6 || mega)
	}
	return unit{}, false
}

// fits says whether figures of f may have this unit.
func (u unit) fits(f function) bool {
	const coupling = drivers.DC | drivers.AC
	switch {
	case u.quantity == drivers.Fahrenheit:
		return f.quantity == drivers.Temperature
	case u.quantity != drivers.NoQuantity && u.quantity != f.quantity:
		return false
	}
	return u.flags&coupling == 0 || f.flags&coupling == 0 || u.flags&coupling == f.flags&coupling
}

// cutNumber parts a figure from what stands behind it.
func cutNumber(s string) (number, behind string) {
	digits := func(s string) int { return len(s) - len(strings.TrimLeft(s, "0123456789")) }
	i := len(s) - len(strings.TrimLeft(s, "+-.0123456789"))
	if j := i + 1; j < len(s) && (s[i] == 'e' || s[i] == 'E') {
		if s[j] == '+' || s[j] == '-' {
			j++
		}
		if n := digits(s[j:]); n > 0 { // else it is no exponent
			i = j + n
		}
	}
	return s[:i], strings.TrimSpace(s[i:])
}

// exponent is the exponent of an NR3 figure, as sent.
type exponent struct {
	value int
	given bool
}

// decimal reads NR1, NR2 and NR3 (IEEE 488.2 clauses 8.7.2 to 8.7.4) exactly:
// digits × 10^exp, with every trailing zero that was sent.
func decimal(s string) (digits int64, exp int, e exponent, err error) {
	bad := func(what string) (int64, int, exponent, error) {
		return 0, 0, exponent{}, fmt.Errorf("%.60q is not a number: %s", s, what)
	}
	if s == "" {
		return bad("nothing was sent")
	}
	mantissa, power := s, ""
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		mantissa, power = s[:i], s[i+1:]
		e.given = true
		if e.value, err = strconv.Atoi(power); err != nil || max(e.value, -e.value) > 60 {
			return bad("its exponent")
		}
	}
	unsigned := strings.TrimPrefix(strings.TrimPrefix(mantissa, "-"), "+")
	if len(mantissa)-len(unsigned) > 1 {
		return bad("two signs")
	}
	whole, fraction, _ := strings.Cut(unsigned, ".")
	all := whole + fraction
	if all == "" || strings.Trim(all, "0123456789") != "" {
		return bad("digits, a point and an exponent are expected")
	}
	if len(strings.TrimLeft(all, "0")) > 18 || len(fraction) > 40 {
		return bad("more than 18 digits")
	}
	n, err := strconv.ParseUint(all, 10, 63)
	if err != nil {
		return bad(err.Error())
	}
	digits = int64(n)
	if mantissa[0] == '-' {
		digits = -digits
	}
	return digits, e.value - len(fraction), e, nil
}
