package textline

import (
	"bytes"
	"math"
	"strconv"
	"strings"

	"nightsoak/drivers"
)

const minus = "−" // U+2212

func digit(c byte) bool { return '0' <= c && c <= '9' }

// sign cuts the sign off a figure, and the blanks behind it.
func sign(b []byte) (rest []byte, negative bool) {
	rest, negative = bytes.CutPrefix(b, []byte("-"))
	if !negative {
		rest, negative = bytes.CutPrefix(b, []byte(minus))
	}
	if !negative {
		rest = bytes.TrimPrefix(b, []byte("+"))
	}
	return bytes.TrimLeft(rest, " "), negative
}

// figure reads a figure, digit by digit as it was sent, into r, whose prefix
// is that of the unit shown. It is false where b is no figure, has more than 18
// digits, or is out of all reason for a meter.
func figure(b []byte, r *drivers.Reading) bool {
	b, negative := sign(b)
	exp := 0
	if i := bytes.IndexAny(b, "eE"); i >= 0 {
		var err error
		if exp, err = strconv.Atoi(string(b[i+1:])); err != nil || exp < -99 || exp > 99 {
			return false
		}
		b = b[:i]
	}
	if i := bytes.IndexAny(b, ".,"); i >= 0 {
		places := len(b) - i - 1
		if places == 0 || places > 18 { // displays of 1999 counts show overload as a point with nothing behind
			return false
		}
		exp -= places
	}
	var n int64
	digits, point := false, false
	for _, c := range b {
		switch {
		case digit(c) && n < 1e17:
			n, digits = n*10+int64(c-'0'), true
		case (c == '.' || c == ',') && !point:
			point = true
		default:
			return false
		}
	}
	switch v := (drivers.Reading{Digits: n, Exp: int8(exp)}).Value(); {
	case !digits:
		return false
	case math.Abs(v/9.91e37-1) < 1e-6: // SCPI-99: not a number
		r.Flags |= drivers.NotANumber
		return true
	case v >= 9e37: // SCPI-99 sends 9.9E37 for infinity
		r.Flags |= drivers.Overload
		return true
	}
	// The last digit must not stand above the unit: 1.5E+03 V is 1.5 kV, not 1500 V.
	exp += int(r.Prefix)
	for int(r.Prefix) < min(exp, 9) {
		r.Prefix += 3
	}
	if places := int(r.Prefix) - exp; places < 0 || places > 18 {
		return false
	}
	if negative {
		n = -n
	}
	r.Digits, r.Exp = n, int8(exp)
	return true
}

// stands is what b stands for in place of a figure; 0 if it may be a figure.
func stands(b []byte) drivers.Flags {
	if bytes.Count(b, []byte("-")) > 1 && len(bytes.Trim(b, "-.")) == 0 {
		return drivers.NotANumber
	}
	b, _ = sign(b)
	var word [12]byte
	switch string(fold(word[:0], b, '.')) {
	case "ol", "0l", "over", "overload", "overflow", "ovld", "ovf", "inf", "infinity", "∞":
		return drivers.Overload
	case "nan":
		return drivers.NotANumber
	}
	return 0
}

type unit struct {
	quantity drivers.Quantity
	prefix   int8
}

// units are the units as lines spell them: what [drivers.ParseUnit] reads, and
// OHM. MV and MA are not among them: in capitals they may be millivolts or
// megavolts, and the file must say which.
var units = func() map[string]unit {
	all := map[string]unit{}
	for q := drivers.Voltage; q.SIUnit() != ""; q++ {
		for prefix := int8(-12); prefix <= 9; prefix += 3 {
			shown := drivers.Reading{Quantity: q, Prefix: prefix}.Unit()
			for _, micro := range []string{"µ", "u", "\u03bc"} {
				for _, ohm := range []string{"Ω", "ohm", "Ohm", "OHM", "\u2126"} {
					all[strings.NewReplacer("µ", micro, "Ω", ohm).Replace(shown)] = unit{q, prefix}
				}
			}
		}
	}
	delete(all, "MV")
	delete(all, "MA")
	return all
}()

// fold appends b in lower case and without drop to word, as far as it has room.
func fold(word, b []byte, drop byte) []byte {
	for _, c := range b {
		switch {
		case len(word) == cap(word):
			return word
		case 'A' <= c && c <= 'Z':
			word = append(word, c|0x20)
		case c != drop:
			word = append(word, c)
		}
	}
	return word
}

const everyFlag = ^drivers.Flags(0)

// flagWords are the words of a flags group: those of the readings CSV, and how
// else meters spell them. Case and dashes do not count.
var flagWords = func() map[string]drivers.Flags {
	words := map[string]drivers.Flags{
		"": 0, "man": 0, "manual": 0, // a flag that is not set; not automatic

		"acdc": drivers.AC | drivers.DC, "autorange": drivers.Auto, "hld": drivers.Hold,
		"ol": drivers.Overload, "over": drivers.Overload, "delta": drivers.Relative, "Δ": drivers.Relative,
		"min": drivers.MinMax, "max": drivers.MinMax, "avg": drivers.MinMax, "peak": drivers.MinMax,
		"bat": drivers.LowBattery, "batt": drivers.LowBattery, "lobat": drivers.LowBattery,
		"lobatt": drivers.LowBattery, "lowbatt": drivers.LowBattery, "lowbattery": drivers.LowBattery,
		"diod": drivers.Diode, "cont": drivers.Continuity, "continuity": drivers.Continuity,
	}
	for _, name := range everyFlag.Names() {
		words[name], _ = drivers.ParseFlags(name)
	}
	return words
}()

// flagSeparator says whether c stands between flags, as in "AC+DC, MAX/MIN".
func flagSeparator(c rune) bool {
	switch c {
	case ' ', ',', ';', '+', '/', '|':
		return true
	}
	return false
}

// flags reads the words of a flags group.
func flags(b []byte) (all drivers.Flags, ok bool) {
	for shown := range bytes.FieldsFuncSeq(b, flagSeparator) {
		f, ok := flagOf(shown)
		if !ok {
			return 0, false
		}
		all |= f
	}
	return all, true
}

func flagOf(shown []byte) (drivers.Flags, bool) {
	var word [12]byte
	f, ok := flagWords[string(fold(word[:0], shown, '-'))]
	return f, ok
}
