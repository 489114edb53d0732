package port

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.bug.st/serial"
)

func TestParseLine(t *testing.T) {
	for _, c := range []struct {
		in   string
		want Line
		text string // as String writes it
	}{
		{"2400 8N1", Line{Baud: 2400, DataBits: 8, Parity: 'N', StopBits: 1}, "2400 8N1"},
		{" 19200  7o1 RTS\tdtr ", Line{Baud: 19200, DataBits: 7, Parity: 'O', StopBits: 1, DTR: true, RTS: true}, "19200 7O1 dtr rts"},
		{"50 5E1.5", Line{Baud: 50, DataBits: 5, Parity: 'E', StopBits: 1.5}, "50 5E1.5"},
		{"4000000 6M2 dtr", Line{Baud: 4_000_000, DataBits: 6, Parity: 'M', StopBits: 2, DTR: true}, "4000000 6M2 dtr"},
		{"600 8S2 rts", Line{Baud: 600, DataBits: 8, Parity: 'S', StopBits: 2, RTS: true}, "600 8S2 rts"},
	} {
		got, err := ParseLine(c.in)
		if err != nil {
			t.Errorf("ParseLine(%q): %v", c.in, err)
			continue
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("ParseLine(%q): %s", c.in, d)
		}
		if got.String() != c.text {
			t.Errorf("ParseLine(%q) is written %q, want %q", c.in, got, c.text)
		}
	}
}

func TestParseLineErrors(t *testing.T) {
	for in, want := range map[string]string{
		"":               `line "": write for example "2400 8N1", and dtr or rts behind it to assert that modem line`,
		"2400":           `line "2400": write for example "2400 8N1", and dtr or rts behind it to assert that modem line`,
		"fast 8N1":       `line "fast 8N1": speed "fast": write whole bit/s from 50 to 4000000`,
		"49 8N1":         `line "49 8N1": speed "49": write whole bit/s from 50 to 4000000`,
		"2400 8N":        `line "2400 8N": "8N": write data bits, parity and stop bits in one word, such as 8N1`,
		"2400 9N1":       `line "2400 9N1": data bits "9": write 5, 6, 7 or 8`,
		"2400 8X1":       `line "2400 8X1": parity "X": write N (none), E (even), O (odd), M (mark) or S (space)`,
		"2400 8N3":       `line "2400 8N3": stop bits "3": write 1, 1.5 or 2`,
		"2400 8N1 cts":   `line "2400 8N1 cts": "cts": only dtr and rts may follow`,
		"2400 8N1 dtr,x": `line "2400 8N1 dtr,x": "dtr,x": only dtr and rts may follow`,
	} {
		_, err := ParseLine(in)
		if err == nil || err.Error() != want {
			t.Errorf("ParseLine(%q): error\n%v, want\n%v", in, err, want)
		}
		if !errors.Is(err, ErrLine) {
			t.Errorf("ParseLine(%q): %v is not ErrLine", in, err)
		}
	}
}

func TestLineMode(t *testing.T) {
	for in, want := range map[string]serial.Mode{
		"2400 8N1":        {BaudRate: 2400, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit},
		"19200 7O1 dtr":   {BaudRate: 19200, DataBits: 7, Parity: serial.OddParity, StopBits: serial.OneStopBit},
		"9600 7E2":        {BaudRate: 9600, DataBits: 7, Parity: serial.EvenParity, StopBits: serial.TwoStopBits},
		"75 5M1.5":        {BaudRate: 75, DataBits: 5, Parity: serial.MarkParity, StopBits: serial.OnePointFiveStopBits},
		"115200 6S1 rts ": {BaudRate: 115200, DataBits: 6, Parity: serial.SpaceParity, StopBits: serial.OneStopBit},
	} {
		l, err := ParseLine(in)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, *l.mode()); d != "" {
			t.Errorf("%q: %s", in, d)
		}
	}
}

func FuzzParseLine(f *testing.F) {
	for _, s := range []string{"2400 8N1", "19200 7o1 dtr rts", "50 5M1.5 rts", "0 0", "9600 8ɐ1", "1e3 8N1", "\xff 8N1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := ParseLine(s)
		if err != nil {
			return
		}
		again, err := ParseLine(l.String())
		if err != nil || again != l {
			t.Errorf("%q is %+v, written %q, read back %+v, %v", s, l, l, again, err)
		}
	})
}
