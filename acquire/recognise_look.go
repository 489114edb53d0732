package acquire

import (
	"bytes"
	"fmt"
	"math/bits"
	"regexp"
	"slices"
	"strings"

	"nightsoak/acquire/port"
)

// mostly is the share of what came at which a rule is taken to hold: noise
// breaks some.
const mostly = 0.9

// carried is the share of bytes, heard at 8N1, whose eighth bit is what a sender
// set to l puts there: the parity of the lower seven, or a stop bit.
func carried(p []byte, l port.Line) float64 {
	n := 0
	for _, b := range p {
		odd := bits.OnesCount8(b)%2 == 1
		high := b >= 0x80
		var is bool
		switch {
		case l.DataBits == 8:
			is = true
		case l.Parity == 'O':
			is = odd
		case l.Parity == 'E':
			is = !odd
		case l.Parity == 'S':
			is = !high
		default: // mark parity, or the first of two stop bits
			is = high
		}
		if is {
			n++
		}
	}
	return float64(n) / float64(max(len(p), 1))
}

// inferred is the line setting that the eighth bits heard speak for. Seven bits
// with a space behind them are ASCII in eight bits.
func inferred(h heard) port.Line {
	l := h.line
	if l != raw(l) || l.DataBits != 8 || carried(h.bytes, port.Line{DataBits: 7, Parity: 'S'}) >= mostly {
		return l
	}
	for _, parity := range []byte("OEN") {
		seven := l
		seven.DataBits, seven.Parity = 7, parity
		if parity == 'N' {
			seven.StopBits = 2
		}
		if carried(h.bytes, seven) >= mostly {
			return seven
		}
	}
	return l
}

// text is what was heard as text, nil unless it is: at least two lines' ends, and
// hardly a character between them that does not print.
func (h heard) text() []string {
	p := h.bytes
	if inferred(h).DataBits == 7 {
		p = slices.Clone(p)
		for i := range p {
			p[i] &= 0x7F
		}
	}
	strange, ends := 0, 0
	for _, b := range p {
		switch {
		case b == '\r', b == '\n':
			ends++
		case (b < ' ' || b > '~') && b != '\t':
			strange++
		}
	}
	if ends < 2 || len(p) < 12 || float64(strange) > (1-textual)*float64(len(p)) {
		return nil
	}
	lines := strings.FieldsFunc(string(p), func(r rune) bool { return r == '\r' || r == '\n' })
	if len(lines) > 2 { // the first and the last may be cut
		lines = lines[1 : len(lines)-1]
	}
	return lines
}

// textual is the share of characters that print in what counts as text.
const textual = 0.95

// text is the newest that was heard as text, nil if nothing was.
func (s *seeker) text() *heard {
	for i := range slices.Backward(s.heard) {
		if s.heard[i].text() != nil {
			return &s.heard[i]
		}
	}
	return nil
}

var (
	// NMEA 0183: $, talker and sentence, fields, * and the checksum in hexadecimal.
	nmea = regexp.MustCompile(`^[$!][A-Z0-9]{5,}(,[^*$]*)+\*[0-9A-F]{2}$`)
	// ITU-T V.250: commands begin with AT, these are the usual result codes.
	modem = regexp.MustCompile(`^(AT([A-Z&+\\%*#].*)?|OK|ERROR|RING|CONNECT.*|NO (CARRIER|DIALTONE|ANSWER)|BUSY)$`)
)

// foreign names what text is that no meter sends, and an example; both are empty
// for other text.
func (h heard) foreign() (what, example string) {
	lines := h.text()
	for _, kind := range []struct {
		what string
		line *regexp.Regexp
	}{{"a navigation receiver (NMEA 0183) and no meter", nmea}, {"a modem's commands and answers and no meter", modem}} {
		n := 0
		for _, line := range lines {
			if kind.line.MatchString(line) {
				n++
				example = line
			}
		}
		if n > 0 && 2*n >= len(lines) {
			return kind.what, example
		}
	}
	return "", ""
}

// looks says in words what was heard, for one who knows neither line nor format.
func (s *seeker) looks() string {
	h := s.text()
	if h == nil {
		for _, h := range s.heard {
			if len(bytes.Trim(h.bytes, "\x00")) > 0 {
				return "it looks neither like a meter that is known nor like text"
			}
		}
		return "nothing but NUL: the data line is held, or the plug is wired the wrong way round"
	}
	what, example := h.foreign()
	advice := ""
	if what == "" {
		what, example = "lines of text", h.text()[0]
		advice = "; if they hold readings, --format textline reads them with a pattern"
	}
	at := ""
	if h.line.Baud != 0 {
		at = " at " + inferred(*h).String()
	}
	return fmt.Sprintf("best guess%s: %s, %.40q%s", at, what, example, advice)
}

// report is what was heard and asked in vain, and what may be done.
func (s *seeker) report() string {
	if s.bytes() > 0 {
		return fmt.Sprintf("bytes arrive but no frame fits: seen %s; %s", s.seen(), s.looks())
	}
	var b strings.Builder
	b.WriteString("nothing is heard")
	if s.dtr {
		b.WriteString(", whether DTR is asserted or not")
	}
	if len(s.asked) > 0 {
		fmt.Fprintf(&b, ", and there is no answer to the questions of %s", strings.Join(s.asked, ", "))
	}
	if s.back > 0 {
		fmt.Fprintf(&b, " (%d bytes came back, and made no sense)", s.back)
	}
	b.WriteString(": is the meter on, and its data output switched on?")
	if len(s.named) > 0 {
		fmt.Fprintf(&b, " Found only when named with --format: %s", strings.Join(s.named, ", "))
	}
	return b.String()
}

// seen lists how many bytes came at which setting: "312 bytes at 2400 8N1, 40 at
// 19200 8N1".
func (s *seeker) seen() string {
	var lines []port.Line
	n := map[port.Line]int{}
	for _, h := range s.heard {
		if !slices.Contains(lines, h.line) {
			lines = append(lines, h.line)
		}
		n[h.line] += len(h.bytes)
	}
	var parts []string
	for _, l := range lines {
		part := fmt.Sprint(n[l])
		if len(parts) == 0 {
			part += " bytes"
		}
		if l.Baud != 0 {
			part += " at " + l.String()
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, ", ")
}
