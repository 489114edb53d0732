// Package modbus asks a meter that keeps its figure in Modbus registers: one
// number a reading, from one or two registers of the input or holding table.
// Nothing is ever written to a meter; [WriteCoil] is for the relay of a cut-off.
//
// The keys in the bench file:
//
//	address   of the meter, 1 to 247; 1 if absent. With framing "tcp" the unit
//	          identifier, 0 to 255
//	table     "input" (function 4) or "holding" (function 3)
//	register  first one, by its address in the request, 0 to 65535. Manuals that
//	          count from 30001 mean table "input", from 40001 table "holding",
//	          and the register is what is above that: 40108 is holding, 107
//	type      "int16", "uint16", "int32", "uint32" or "float32"
//	words     order of the bytes of 32 bits, A the highest: "ABCD" (if absent),
//	          "CDAB", "BADC" or "DCBA"
//	unit      of the figure: "mV"
//	step      what one count is in that unit: "0.1"; 1 if absent. A float32 is
//	          rounded to it, and if absent shows the shortest decimal that gives
//	          the float32 back. Set it where the meter's resolution is known: of
//	          41.0 the shortest decimal is 41, and the uncertainty counts in
//	          last digits
//	framing   "rtu" (if absent): address, CRC and pauses, on a serial line and
//	          through a serial server at tcp:// or rfc2217://. "tcp": the MBAP
//	          header, of a meter or gateway with a LAN socket of its own, which
//	          is at tcp://host:502. The port does not say which of the two it is
//	timeout   that an answer may take; 500 ms if absent
//
// Integers at the end of their range often mean over range, but which ones do is
// for each meter's manual to say, so they are figures like any other.
//
// Of a line with several meters nothing says which question an answer is to but
// address, function and length. So after a question without answer the line is
// listened to for the timeout once more and what comes is thrown away: an answer
// late by less is not taken for that of another register. MBAP numbers its
// questions and has no such doubt.
//
// The framing is ours because the port is: libraries at hand open a serial
// device or a socket themselves, and so get round our locks, line settings,
// RFC 2217 ports and meters that share a port. In the tests a library is the
// reference at either end.
//
// Sources: MODBUS Application Protocol V1.1b3 (6.3, 6.4, 7); MODBUS over Serial
// Line V1.02 and MODBUS Messaging on TCP/IP V1.0b, these two from memory.
package modbus

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightsoak/drivers"
)

// Format describes the wire format. Its line is the commonest in practice (no
// source); the serial line guide's own default is 19200 8E1.
var Format = drivers.Format{
	Name:     "modbus",
	Line:     "9600 8N1",
	Lines:    []string{"19200 8E1", "9600 8E1", "19200 8N1"},
	Source:   "MODBUS Application Protocol V1.1b3; serial line V1.02 and TCP/IP V1.0b guides from memory",
	Keys:     []string{"address", "table", "register", "type", "words", "unit", "step", "framing", "timeout"},
	NewAsker: newAsker,
	Identify: identify,
}

// usualTimeout, together with as long again for what is late, is the second
// that the serial line guide calls typical at 9600 bit/s.
const usualTimeout = 500 * time.Millisecond

// The functions.
const (
	readCoils   = 1
	readHolding = 3
	readInput   = 4
	writeCoil   = 5
)

// number is one of the types. integer is nil for the float.
type number struct {
	name      string
	registers byte
	integer   func(uint32) int64
}

var numbers = []number{
	{"int16", 1, func(u uint32) int64 { return int64(int16(u)) }},
	{"uint16", 1, func(u uint32) int64 { return int64(u) }},
	{"int32", 2, func(u uint32) int64 { return int64(int32(u)) }},
	{"uint32", 2, func(u uint32) int64 { return int64(u) }},
	{"float32", 2, nil},
}

type asker struct {
	question
	table    string
	number   number
	words    string // the place of each byte received, A the highest
	quantity drivers.Quantity
	prefix   int8
	step     int64 // one count is step × 10^exp of the unit; 0 for a float's shortest decimal
	exp      int8
	timeout  time.Duration
}

// newAsker checks the settings.
func newAsker(s drivers.Settings) (drivers.Asker, error) {
	a := &asker{words: "AB"}
	framing, err := oneOf(s, "framing", "rtu", "rtu", "tcp")
	if err != nil {
		return nil, err
	}
	a.tcp = framing == "tcp"

	address, err := strconv.ParseUint(cmp.Or(s["address"], "1"), 10, 8)
	if err != nil || !a.tcp && (address < 1 || address > 247) {
		return nil, drivers.BadSetting("address", `%q is not a meter's: write 1 to 247, or with framing = "tcp" a unit identifier, 0 to 255`, s["address"])
	}
	a.address = byte(address)

	if a.table, err = oneOf(s, "table", "", "input", "holding"); err != nil {
		return nil, err
	}
	a.function = readInput
	if a.table == "holding" {
		a.function = readHolding
	}

	var names []string
	for _, n := range numbers {
		names = append(names, n.name)
	}
	name, err := oneOf(s, "type", "", names...)
	if err != nil {
		return nil, err
	}
	a.number = numbers[slices.Index(names, name)]
	a.registers = a.number.registers
	if a.registers == 2 {
		if a.words, err = oneOf(s, "words", "ABCD", "ABCD", "CDAB", "BADC", "DCBA"); err != nil {
			return nil, err
		}
	} else if s["words"] != "" {
		return nil, drivers.BadSetting("words", "type %s is one word: leave it out", name)
	}

	if a.register, err = register(s["register"]); err != nil {
		return nil, err
	}
	if int(a.register)+int(a.registers) > 1<<16 {
		return nil, drivers.BadSetting("register", "type %s takes two registers, and there is none behind %d", name, a.register)
	}

	if s["unit"] == "" {
		return nil, drivers.BadSetting("unit", `is missing: write for example unit = "mV"`)
	}
	if a.quantity, a.prefix, err = drivers.ParseUnit(s["unit"]); err != nil {
		return nil, drivers.BadSetting("unit", "%w", err)
	}
	if a.step, a.exp, err = step(s["step"]); err != nil {
		return nil, err
	}
	if a.step == 0 && a.number.integer != nil {
		a.step = 1
	}
	a.timeout, err = s.Timeout(usualTimeout)
	return a, err
}

// oneOf is the setting of a key that has so many values. It is needed where
// usual is empty.
func oneOf(s drivers.Settings, key, usual string, known ...string) (string, error) {
	v := cmp.Or(s[key], usual)
	switch list := strings.Join(known, ", "); {
	case v == "":
		return "", drivers.BadSetting(key, "is missing: write one of %s", list)
	case !slices.Contains(known, v):
		return "", drivers.BadSetting(key, "%q is not known: write one of %s", v, list)
	}
	return v, nil
}

// register reads the address of a register.
func register(text string) (uint16, error) {
	const example = `write its address in the request, from 0 to 65535; where the manual says 40108, table = "holding" and register = 107, and for 30001 table = "input" and register = 0`
	if text == "" {
		return 0, drivers.BadSetting("register", "is missing: %s", example)
	}
	n, err := strconv.Atoi(text)
	switch {
	case err == nil && 0 <= n && n <= math.MaxUint16:
		return uint16(n), nil
	case err == nil && 300_001 <= n && n <= 365_536:
		return 0, drivers.BadSetting("register", `%d is a manual's number: write table = "input" and register = %d`, n, n-300_001)
	case err == nil && 400_001 <= n && n <= 465_536:
		return 0, drivers.BadSetting("register", `%d is a manual's number: write table = "holding" and register = %d`, n, n-400_001)
	}
	return 0, drivers.BadSetting("register", "%q is none: %s", text, example)
}

// step reads what one count is: n × 10^exp. Without text it is 0.
func step(text string) (n int64, exp int8, err error) {
	if text == "" {
		return 0, 0, nil
	}
	r, err := drivers.ParseReading(text, "", "")
	if err != nil || r.Digits <= 0 || r.Digits > 1e6 || r.Exp < -9 {
		return 0, 0, drivers.BadSetting("step", `%q is not what one count is: write for example "0.1", at most a million and at most nine places`, text)
	}
	for n, exp = r.Digits, r.Exp; exp < 0 && n%10 == 0; exp++ {
		n /= 10
	}
	return n, exp, nil
}

// Ask performs one exchange, for which the timeout is given; without an answer,
// framing "rtu" takes as long again.
func (a *asker) Ask(c drivers.Conn) (drivers.Reading, error) {
	data, code, err := a.put(c, a.timeout, a.timeout)
	var r drivers.Reading
	switch {
	case err != nil:
	case code != 0:
		err = bad(drivers.BadReply, "%s", a.exception(code))
	default:
		r, err = a.reading(data)
	}
	if err != nil {
		return drivers.Reading{}, fmt.Errorf("modbus: address %d: %w", a.address, err)
	}
	return r, nil
}

// reading makes a reading of the registers' bytes.
func (a *asker) reading(data []byte) (drivers.Reading, error) {
	var bits uint32
	for i, b := range data {
		bits |= uint32(b) << (8 * (len(data) - 1 - int(a.words[i]-'A')))
	}
	r := drivers.Reading{Quantity: a.quantity, Prefix: a.prefix, Exp: a.prefix + a.exp}
	if a.number.integer != nil {
		r.Digits = a.number.integer(bits) * a.step
		return r, nil
	}
	f := math.Float32frombits(bits)
	v := float64(f)
	switch {
	case math.IsNaN(v):
		r.Flags = drivers.NotANumber
	case math.IsInf(v, 0):
		r.Flags = drivers.Overload
	}
	if r.Flags != 0 {
		r.Exp = r.Prefix
		return r, nil
	}
	var ok bool
	if a.step == 0 {
		var places int8
		r.Digits, places, ok = shortest(f)
		r.Exp -= places
	} else {
		counts := math.Round(v / drivers.Reading{Digits: a.step, Exp: a.exp}.Value())
		ok = math.Abs(counts) < 1e18/float64(a.step)
		r.Digits = int64(counts) * a.step
	}
	if !ok {
		return drivers.Reading{}, bad(drivers.BadReply, "the %s % X is %g, out of all reason: check type and words", a.number.name, data, f)
	}
	return r, nil
}

// mostPlaces is how many digits behind the point a reading's text can have.
const mostPlaces = 18

// shortest is the shortest decimal that gives f back, at most nine digits and
// the zeros up to the point; rounded where it needs more than 18 places. It
// fails from 10¹⁸ on.
func shortest(f float32) (digits int64, places int8, ok bool) {
	var buf [64]byte
	b := strconv.AppendFloat(buf[:0], float64(f), 'f', -1, 32)
	if point := slices.Index(b, '.'); point >= 0 && len(b)-point-1 > mostPlaces {
		b = strconv.AppendFloat(buf[:0], float64(f), 'f', mostPlaces, 32)
	}
	behind := false
	for _, c := range b {
		switch c {
		case '-':
		case '.':
			behind = true
		default:
			if digits >= 1e17 {
				return 0, 0, false
			}
			digits = 10*digits + int64(c-'0')
			if behind {
				places++
			}
		}
	}
	if b[0] == '-' {
		digits = -digits
	}
	return digits, places, true
}

// exceptions are those of V1.1b3 clause 7; 7 stands in older lists only.
var exceptions = map[byte]struct{ name, mend string }{
	1:  {"illegal function", "the meter does not have this table: try the other one"},
	2:  {"illegal data address", "the meter has no such register: see its manual"},
	3:  {"illegal data value", "the meter does not read as many at once: check type against its manual"},
	4:  {"server device failure", "the meter itself has failed: see its display, switch it off and on"},
	5:  {"acknowledge", "the meter says it needs longer: ask less often, with a greater every"},
	6:  {"server device busy", "if it goes on, ask less often, with a greater every"},
	7:  {"negative acknowledge", "the meter cannot do it now: see its manual"},
	8:  {"memory parity error", "the meter's memory has failed: switch it off and on"},
	10: {"gateway path unavailable", "the gateway has no line to this address: check its settings, or whether it is asked too much"},
	11: {"gateway target device failed to respond", "the meter behind the gateway is silent: check that it is on, its address and its line"},
}

// exception says what the meter found wrong with the question.
func (a *asker) exception(code byte) string {
	e, known := exceptions[code]
	if !known {
		e.name, e.mend = "exception of no standard", "see the meter's manual"
	}
	which := fmt.Sprintf("register %d", a.register)
	if a.registers == 2 {
		which = fmt.Sprintf("registers %d and %d", a.register, a.register+1)
	}
	s := fmt.Sprintf("%s (%d) for %s of the %s table: %s", e.name, code, which, a.table, e.mend)
	if code == 2 {
		switch n := a.register; {
		case 30_001 <= n && n <= 39_999:
			s += fmt.Sprintf(`; if it counts from 30001, write table = "input" and register = %d`, n-30_001)
		case 40_001 <= n && n <= 49_999:
			s += fmt.Sprintf(`; if it counts from 40001, write table = "holding" and register = %d`, n-40_001)
		}
	}
	return s
}

// identify asks for one register at the addresses that are usual ex works. Any
// answer that fits, also an exception, is a Modbus meter's. MBAP goes first: a
// serial line's meters take no notice of it, but a LAN socket may be closed by
// its meter on what is not MBAP.
func identify(c drivers.Conn) (drivers.Settings, float64, error) {
	const (
		wait = 200 * time.Millisecond
		sure = 0.99 // address, function and 16 bits of check, or 9 bytes, fit by chance as good as never
	)
	start := time.Now()
	for _, q := range []question{
		{tcp: true, address: 1}, {tcp: true, address: 255},
		{address: 1}, {address: 2}, {address: 3}, {address: 4}, {address: 5},
	} {
		q.function, q.registers = readInput, 1
		data, code, err := q.put(c, wait, 0)
		switch {
		case data != nil || code != 0:
			s := drivers.Settings{"address": strconv.Itoa(int(q.address))}
			if q.tcp {
				s["framing"] = "tcp"
			}
			return s, sure, nil
		case !isReply(err):
			return nil, 0, err
		case time.Since(start) >= drivers.DrainFor: // somebody talks
			return nil, 0, nil
		}
	}
	return nil, 0, nil
}
