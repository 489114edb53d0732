// Package textline reads meters that print a line of text for each reading:
// home-made converters, bench meters in talk-only mode, printer outputs. What a
// line looks like is a regular expression in the bench file (RE2 syntax, so a
// match takes time in proportion to the line), with named groups:
//
//	value     the figure; required
//	unit      its unit, "mV", "kohm"
//	channel   whose line it is, where several meters print to one port
//	flags     what stands beside the figure: "DC AUTO"
//
// Beside the pattern the bench file gives a sample, a line that the meter
// printed, which must give a reading; the unit of lines that show none, and in
// the same key how to read what they show in words of their own ("mV VOLTS=V");
// and the channel whose lines are this meter's.
//
// Lines end in CR, LF or both. The expression must match a line from its first
// character to its last, blanks at either end aside: a byte lost or added then
// mostly makes a line that is not read, and seldom one that is read wrong. For
// the same reason nothing is read before the first line end, since "138.2 mV"
// joined late reads "38.2 mV", and a figure out of which the expression takes
// only a part ("2" of "38.2", or "38.2" of "-38.2") is refused. A comma beside
// it is let pass, since it parts columns. The tighter the expression, the more of
// the losses show.
//
// A line is UTF-8; bytes that are not are taken for Latin-1, where micro and
// degree are one byte. Tabs and no-break spaces count as blanks. Other control
// characters are dropped at either end of a line (form feed, NUL, STX and ETX)
// and make noise of it within. NUL ends no line: it is how a break on a serial
// line reads, and what follows a break is the tail of a line.
//
// A figure is a sign, digits with a point or a comma (thousands are not
// grouped) and an exponent, all but the digits optional. Instead of it may stand,
// in either case and with either sign,
//
//	overload    OL 0L (a point anywhere in it), OVER OVERLOAD OVERFLOW OVLD OVF INF INFINITY ∞
//	no figure   NAN, two or more dashes with points between, as "--.-"
//
// and 9.9E37 and 9.91E37, which SCPI-99 sends for the two. For flags see flagWords.
package textline

import (
	"bytes"
	"regexp"
	"unicode"
	"unicode/utf8"

	"nightsoak/drivers"
)

// Format describes the wire format.
var Format = drivers.Format{
	Name:       "textline",
	Line:       "9600 8N1",
	Source:     "the bench file: key pattern, in the syntax of RE2",
	Keys:       []string{"pattern", "sample", "unit", "channel"},
	NewDecoder: newDecoder,
}

// longest is the most bytes that a line may have, its end not counted.
const longest = 256

type lineDecoder struct {
	form
	line    [longest]byte
	n       int    // bytes in line
	partial bool   // line was joined late, or is too long
	text    []byte // line as text, kept for its memory
	rejects drivers.Rejects
}

// Rejects counts what was thrown away: a line counts once.
func (d *lineDecoder) Rejects() drivers.Rejects { return d.rejects }

// Feed takes the bytes that came.
func (d *lineDecoder) Feed(p []byte, emit func(drivers.Reading)) {
	for _, c := range p {
		switch {
		case c == '\r' || c == '\n':
			if d.n > 0 {
				d.end(emit)
			}
			d.n, d.partial = 0, false
		case d.n == longest:
			d.partial = true
		default:
			d.line[d.n] = c
			d.n++
		}
	}
}

// end reads the line that has ended.
func (d *lineDecoder) end(emit func(drivers.Reading)) {
	text, ok := clean(d.text[:0], d.line[:d.n])
	d.text = text
	var r drivers.Reading
	wrong := noMatch
	switch {
	case d.partial || !ok:
	case len(bytes.TrimLeft(text, " ")) == 0:
		return
	default:
		// The one allocation a line: package regexp returns the match in memory of its own.
		if m := d.re.FindSubmatchIndex(text); m != nil {
			r, wrong = d.read(text, m)
		}
	}
	switch wrong {
	case nothing:
		emit(r)
	case otherChannel:
	default:
		d.rejects[reasons[wrong]]++
	}
}

// clean appends a line as text: UTF-8 without control characters. It is false
// where one stands within the line.
func clean(text, line []byte) ([]byte, bool) {
	for line = bytes.TrimFunc(line, unicode.IsControl); len(line) > 0; {
		c, n := utf8.DecodeRune(line)
		if c == utf8.RuneError && n == 1 {
			c = rune(line[0]) // Latin-1
		}
		switch {
		case c == '\t' || c == '\u00a0':
			c = ' '
		case unicode.IsControl(c):
			return text, false
		}
		text = utf8.AppendRune(text, c)
		line = line[n:]
	}
	return text, true
}

// form is what the lines of one meter look like.
type form struct {
	re                         *regexp.Regexp
	value, unit, channel, flag int             // numbers of the groups, -1 where there is none
	own                        string          // the channel of this meter
	units                      map[string]unit // those that the file gives, by what lines show; "" is nothing
}

// fault is what is wrong with a line.
type fault uint8

const (
	nothing fault = iota
	otherChannel
	noMatch
	torn     // the value is a part of a longer figure
	noFigure // the value is no figure
	noUnit   // the unit is missing or not known
	noFlag   // one of the flags is not known
)

var reasons = [...]drivers.Reason{noMatch: drivers.Noise, torn: drivers.BadDigit, noFigure: drivers.BadDigit,
	noUnit: drivers.BadStatus, noFlag: drivers.BadStatus}

// match is where the groups of a line stand, as package regexp tells it.
type match []int

// group is the text of group i without blanks around it, empty where there is none.
func (m match) group(line []byte, i int) []byte {
	if i < 0 || m[2*i] < 0 {
		return nil
	}
	return bytes.Trim(line[m[2*i]:m[2*i+1]], " ")
}

// read reads a line that matches.
func (f *form) read(line []byte, m match) (r drivers.Reading, wrong fault) {
	if f.channel >= 0 && string(m.group(line, f.channel)) != f.own {
		return r, otherChannel
	}
	shown := m.group(line, f.unit)
	u, ok := f.units[string(shown)]
	if !ok {
		u, ok = units[string(shown)]
	}
	if !ok {
		return r, noUnit
	}
	r.Quantity, r.Prefix = u.quantity, u.prefix
	if r.Flags, ok = flags(m.group(line, f.flag)); !ok {
		return r, noFlag
	}
	value := m.group(line, f.value)
	r.Flags |= stands(value)
	if r.HasValue() {
		if f.torn(line, m) {
			return r, torn
		}
		if ok = figure(value, &r); !ok {
			return r, noFigure
		}
	}
	if !r.HasValue() {
		r.Exp = r.Prefix
	}
	if r.Flags&drivers.Overload != 0 {
		r.Flags &^= drivers.NotANumber // one of the two
	}
	return r, nothing
}

// torn says whether the value is a part of a longer figure: digits, a minus, a
// point or an exponent stand beside it, and in no other group.
func (f *form) torn(line []byte, m match) bool {
	value := m.group(line, f.value)
	if len(value) == 0 {
		return false
	}
	// at is the character at i, 0 where it is not there or is another group's.
	at := func(i int) byte {
		if i < 0 || i >= len(line) {
			return 0
		}
		for _, g := range [...]int{f.unit, f.channel, f.flag} {
			if g >= 0 && m[2*g] <= i && i < m[2*g+1] {
				return 0
			}
		}
		return line[i]
	}
	from := m[2*f.value] + bytes.Index(line[m[2*f.value]:], value)
	to := from + len(value)
	if c := at(from - 1); (digit(value[0]) || value[0] == '.') &&
		(digit(c) || c == '-' || c == '.' || bytes.HasSuffix(line[:from], []byte(minus))) {
		return true
	}
	next := at(to + 1)
	switch at(to) {
	case '.':
		return digit(next)
	case 'e', 'E':
		return digit(next) || (next == '-' || next == '+') && digit(at(to+2))
	default:
		return digit(at(to))
	}
}
