package port

import (
	"fmt"
	"strconv"
	"strings"

	"go.bug.st/serial"
)

// Line is how a serial line is set.
type Line struct {
	Baud     int     // bit/s
	DataBits int     // 5 to 8
	Parity   byte    // N none, E even, O odd, M mark, S space
	StopBits float64 // 1, 1.5 or 2
	DTR, RTS bool    // modem lines to assert; the others are let go
}

// The least and the greatest speed that ParseLine takes, bit/s.
const (
	minBaud = 50
	maxBaud = 4_000_000
)

const lineForms = `write for example "2400 8N1", and dtr or rts behind it to assert that modem line`

// ParseLine reads a line setting: bit/s, then data bits (5 to 8), parity (N, E,
// O, M, S) and stop bits (1, 1.5, 2) in one word, then the modem lines to
// assert: "2400 8N1 dtr rts". Case does not matter. Errors wrap [ErrLine].
func ParseLine(s string) (Line, error) {
	var l Line
	w := strings.Fields(s)
	wrong := func(format string, a ...any) (Line, error) {
		return Line{}, fail(fmt.Sprintf("line %q", s), ErrLine, format, a...)
	}
	if len(w) < 2 {
		return wrong("%s", lineForms)
	}
	baud, err := strconv.Atoi(w[0])
	if err != nil || baud < minBaud || baud > maxBaud {
		return wrong("speed %q: write whole bit/s from %d to %d", w[0], minBaud, maxBaud)
	}
	l.Baud = baud
	frame := w[1]
	if len(frame) < 3 {
		return wrong("%q: write data bits, parity and stop bits in one word, such as 8N1", frame)
	}
	if frame[0] < '5' || frame[0] > '8' {
		return wrong("data bits %q: write 5, 6, 7 or 8", frame[:1])
	}
	l.DataBits = int(frame[0] - '0')
	if l.Parity = frame[1] &^ ' '; !strings.ContainsRune("NEOMS", rune(l.Parity)) { // upper case
		return wrong("parity %q: write N (none), E (even), O (odd), M (mark) or S (space)", frame[1:2])
	}
	switch frame[2:] {
	case "1":
		l.StopBits = 1
	case "1.5":
		l.StopBits = 1.5
	case "2":
		l.StopBits = 2
	default:
		return wrong("stop bits %q: write 1, 1.5 or 2", frame[2:])
	}
	for _, m := range w[2:] {
		switch strings.ToLower(m) {
		case "dtr":
			l.DTR = true
		case "rts":
			l.RTS = true
		default:
			return wrong("%q: only dtr and rts may follow", m)
		}
	}
	return l, nil
}

// String is the setting as ParseLine reads it.
func (l Line) String() string {
	s := fmt.Sprintf("%d %d%c%v", l.Baud, l.DataBits, l.Parity, l.StopBits)
	if l.DTR {
		s += " dtr"
	}
	if l.RTS {
		s += " rts"
	}
	return s
}

// mode is the setting in the serial library's terms. The modem lines are not
// in it: asked for at open, they make a pty fail.
func (l Line) mode() *serial.Mode {
	m := &serial.Mode{BaudRate: l.Baud, DataBits: l.DataBits}
	switch l.Parity {
	case 'E':
		m.Parity = serial.EvenParity
	case 'O':
		m.Parity = serial.OddParity
	case 'M':
		m.Parity = serial.MarkParity
	case 'S':
		m.Parity = serial.SpaceParity
	}
	switch l.StopBits {
	case 1.5:
		m.StopBits = serial.OnePointFiveStopBits
	case 2:
		m.StopBits = serial.TwoStopBits
	}
	return m
}
