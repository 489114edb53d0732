// Package ascii14 asks a meter that answers one letter with a block of 14
// characters, as an older class of meters does at 600 or 1200 baud 7N2.
//
// The letter is D, with nothing behind it. The block (published manuals of such
// meters, layout from memory):
//
//	1-2    function: DC AC OH CA FR TE DI HF DB
//	3      its third letter, or a space, or the sign
//	4-13   sign, digits with a point, unit with its prefix at the right
//	14     CR
//
//	"DC -1.999   V", "OH  19.99kOhm", "CA  4.718  nF", "OH   O.L MOhm"
//
// Where sign, digits and unit stand in 4-13 varies with the number of digits,
// so they are read in their order, not by their place. The block has no flags.
//
// A meter with several displays sends more blocks behind the first; those are
// thrown away.
package ascii14

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"time"

	"nightsoak/drivers"
)

// Format describes the wire format. The optical head of these meters draws its
// power from the modem lines.
var Format = drivers.Format{
	Name:     "ascii14",
	Line:     "600 7N2 dtr",
	Lines:    []string{"1200 7N2 dtr"},
	Source:   "published manuals of meters with the 14-character block, layout from memory",
	Keys:     []string{"ask", "timeout"},
	NewAsker: newAsker,
	Identify: identify,
}

const (
	blockLen     = 14
	usualAsk     = "D"
	usualTimeout = 2 * time.Second       // 14 characters take 0.25 s at 600 baud; a slow display converts first
	quiet        = 50 * time.Millisecond // three characters at 600 baud without one: nothing is on its way
	identifyIn   = 1900 * time.Millisecond
)

type asker struct {
	letter  []byte
	timeout time.Duration
	owed    bool // the last question was given up: its answer may come yet
}

// newAsker checks the settings. Function and range are set at the meter's knob.
func newAsker(s drivers.Settings) (drivers.Asker, error) {
	a := &asker{letter: []byte(cmp.Or(s["ask"], usualAsk))}
	if len(a.letter) != 1 || a.letter[0] <= ' ' || a.letter[0] > '~' {
		return nil, drivers.BadSetting("ask", "%q is not one letter: leave it out for %q", s["ask"], usualAsk)
	}
	var err error
	a.timeout, err = s.Timeout(usualTimeout)
	return a, err
}

// identify asks once, with the usual letter, if nobody talks: a block that reads
// is hardly anything else.
func identify(c drivers.Conn) (drivers.Settings, float64, error) {
	_, err := (&asker{letter: []byte(usualAsk), timeout: identifyIn}).Ask(c)
	if _, isReply := errors.AsType[*drivers.Reply](err); isReply {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, err
	}
	return nil, 0.9, nil
}

// Ask sends the letter and takes one block, for which the timeout is given.
// Before it the line must be quiet: for 50 ms, or for the timeout if the last
// question was given up, so that an answer late by less is not taken for the
// answer to this one.
func (a *asker) Ask(c drivers.Conn) (drivers.Reading, error) {
	r, err := a.reading(c)
	reply, ok := errors.AsType[*drivers.Reply](err)
	a.owed = ok && reply.Reason == drivers.NoReply
	if err != nil {
		return drivers.Reading{}, fmt.Errorf("ascii14: %w", err)
	}
	return r, nil
}

func (a *asker) reading(c drivers.Conn) (drivers.Reading, error) {
	if err := a.drain(c); err != nil {
		return drivers.Reading{}, err
	}
	if _, err := c.Write(a.letter); err != nil {
		return drivers.Reading{}, fmt.Errorf("send %s: %w", a.letter, err)
	}
	var line [blockLen]byte
	n := 0
	for deadline := time.Now().Add(a.timeout); ; {
		left := time.Until(deadline)
		if left <= 0 {
			return drivers.Reading{}, bad(drivers.NoReply,
				"no block in answer to %s within %v, but %d bytes %q: check that the meter is on and sends, its line settings, and which modem line its head draws power from",
				a.letter, a.timeout, n, line[:n])
		}
		if err := c.SetReadTimeout(left); err != nil {
			return drivers.Reading{}, fmt.Errorf("set the read timeout: %w", err)
		}
		got, err := c.Read(line[n:])
		if err != nil {
			return drivers.Reading{}, fmt.Errorf("read the answer to %s: %w", a.letter, err)
		}
		for i := n; i < n+got; i++ {
			line[i] &= 0x7F // an adaptor or a pty may hand over the parity bit with the character
		}
		end := bytes.IndexByte(line[:n+got], '\r')
		switch n += got; {
		case end == blockLen-1:
			return block(line[:end])
		case end >= 0:
			return drivers.Reading{}, bad(drivers.Short, "block %q ends after %d characters, not %d", line[:end], end+1, blockLen)
		case n == blockLen:
			return drivers.Reading{}, bad(drivers.BadReply, "block %q does not end after %d characters: check the line settings", line, blockLen)
		}
	}
}

// drain throws away what is still on its way.
func (a *asker) drain(c drivers.Conn) error {
	silence := quiet
	if a.owed {
		silence = a.timeout
	}
	talk, err := drivers.Drain(c, silence)
	if talk != nil {
		err = bad(drivers.BadReply, "the meter talks without being asked, last %q: switch its continuous output off, or use another format", talk)
	}
	return err
}

func bad(why drivers.Reason, format string, args ...any) error {
	return &drivers.Reply{Reason: why, Err: fmt.Errorf(format, args...)}
}

// unit is a unit as the block spells it, and the prefixes that make sense with it.
type unit struct {
	names    []string
	quantity drivers.Quantity
	prefixes string
}

var (
	volt       = unit{[]string{"V"}, drivers.Voltage, "um"}
	ampere     = unit{[]string{"A"}, drivers.Current, "um"}
	ohm        = unit{[]string{"Ohm", "ohm", "OHM"}, drivers.Resistance, "kKMG"}
	farad      = unit{[]string{"F"}, drivers.Capacitance, "pnum"}
	hertz      = unit{[]string{"Hz", "HZ"}, drivers.Frequency, "kKM"}
	celsius    = unit{[]string{"C"}, drivers.Temperature, ""}
	fahrenheit = unit{[]string{"F"}, drivers.Fahrenheit, ""}
	decibel    = unit{[]string{"dB"}, drivers.Decibel, ""}
	none       = unit{[]string{""}, drivers.Gain, ""}
)

// known is what the block's function and unit, a space between, say of the figure.
var known = func() map[string]drivers.Reading {
	exponents := map[rune]int8{'p': -12, 'n': -9, 'u': -6, 'm': -3, 'k': 3, 'K': 3, 'M': 6, 'G': 9}
	m := map[string]drivers.Reading{}
	for _, f := range []struct {
		names []string
		flags drivers.Flags
		units []unit
	}{
		{[]string{"DC"}, drivers.DC, []unit{volt, ampere}},
		{[]string{"AC"}, drivers.AC, []unit{volt, ampere}},
		{[]string{"OH", "OHM"}, 0, []unit{ohm}},
		{[]string{"CA", "CAP"}, 0, []unit{farad}},
		{[]string{"FR", "FRE"}, 0, []unit{hertz}},
		{[]string{"TE", "TEM"}, 0, []unit{celsius, fahrenheit}},
		{[]string{"DI", "DIO"}, drivers.Diode, []unit{volt}},
		{[]string{"HF", "HFE"}, 0, []unit{none}},
		{[]string{"DB"}, 0, []unit{decibel}},
	} {
		for _, name := range f.names {
			for _, u := range f.units {
				for _, spelt := range u.names {
					m[name+" "+spelt] = drivers.Reading{Quantity: u.quantity, Flags: f.flags}
					for _, p := range u.prefixes {
						m[name+" "+string(p)+spelt] = drivers.Reading{Quantity: u.quantity, Flags: f.flags, Prefix: exponents[p]}
					}
				}
			}
		}
	}
	return m
}()

// overloads are the ways to write it, longer ones first.
var overloads = [...]string{".OL", "O.L", "OL.", ".0L", "0.L", "0L.", "OL", "0L"}

// block reads the 13 characters before the CR.
func block(b []byte) (drivers.Reading, error) {
	for _, c := range b {
		if c < ' ' || c > '~' {
			return drivers.Reading{}, bad(drivers.BadReply, "block %q is not text: check the line settings", b)
		}
	}
	var key [blockLen + 1]byte // function, space, unit without spaces
	k := 0
	for k < 3 && letter(b[k]) {
		key[k] = b[k] &^ 0x20 // upper case
		k++
	}
	function := k
	key[k] = ' ' // else OH with MOhm would be OHM with Ohm
	k++

	rest := bytes.TrimLeft(b[function:], " ")
	negative := bytes.HasPrefix(rest, []byte("-"))
	if negative || bytes.HasPrefix(rest, []byte("+")) {
		rest = bytes.TrimLeft(rest[1:], " ")
	}
	over := false
	for _, s := range overloads {
		if over = len(rest) >= len(s) && string(rest[:len(s)]) == s; over {
			rest = rest[len(s):]
			break
		}
	}
	var value int64
	var digits, points, places int
	for !over && len(rest) > 0 && (rest[0] == '.' || '0' <= rest[0] && rest[0] <= '9') {
		if rest[0] == '.' {
			points++
			places = 0
		} else {
			value = value*10 + int64(rest[0]-'0')
			digits++
			places++
		}
		rest = rest[1:]
	}
	for _, c := range rest {
		if c != ' ' {
			key[k] = c
			k++
		}
	}

	r, ok := known[string(key[:k])]
	shown := key[function+1 : k]
	switch {
	case !over && (digits == 0 || points > 1 || points == 1 && places == 0 || bytes.ContainsAny(shown, "0123456789.")):
		// A blank between digits may hide one, and a point with nothing behind
		// it is how displays of 1999 counts show overload.
		return drivers.Reading{}, bad(drivers.BadDigit, "block %q has no figure: sign, digits and at most one point within them are expected", b)
	case !ok:
		return drivers.Reading{}, bad(drivers.BadStatus, "block %q: function %q with unit %q is not known: %s", b, string(key[:function]), string(shown), fits)
	case over:
		r.Flags |= drivers.Overload
		r.Exp = r.Prefix
		return r, nil
	}
	if negative {
		value = -value
	}
	if points == 0 {
		places = 0
	}
	r.Digits, r.Exp = value, r.Prefix-int8(places)
	return r, nil
}

const fits = "DC and AC have V or A, OH Ohm, CA F, FR Hz, TE C or F, DI V, HF none, DB dB"

func letter(c byte) bool { return 'A' <= c&^0x20 && c&^0x20 <= 'Z' }
