package ascii14

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/drivers"
	"nightsoak/drivers/drivertest"
)

// meter is a meter at the far end of a Conn. Its clock is the test's.
type meter struct {
	answer  func(question string) string // what it sends for what it hears, "" for nothing
	delay   time.Duration                // before it sends
	piece   int                          // most bytes one Read gives, 0 for all
	broken  error                        // what Read and Write return
	atEnd   error                        // what Read returns when there is nothing
	heard   []string
	pending []byte
	ready   time.Time // when pending may be read
	timeout time.Duration
}

func (m *meter) SetReadTimeout(d time.Duration) error { m.timeout = d; return nil }

func (m *meter) Write(p []byte) (int, error) {
	if m.broken != nil {
		return 0, m.broken
	}
	m.heard = append(m.heard, string(p))
	if len(m.pending) == 0 {
		m.ready = time.Now().Add(m.delay)
	}
	m.pending = append(m.pending, m.answer(string(p))...)
	return len(p), nil
}

func (m *meter) Read(p []byte) (int, error) {
	if m.broken != nil {
		return 0, m.broken
	}
	if wait := time.Until(m.ready); len(m.pending) > 0 && wait <= m.timeout {
		time.Sleep(wait)
		n := copy(p, m.pending)
		if m.piece > 0 {
			n = min(n, m.piece)
		}
		m.pending = m.pending[n:]
		return n, nil
	}
	if m.atEnd != nil && len(m.heard) > 0 {
		return 0, m.atEnd
	}
	time.Sleep(m.timeout)
	return 0, nil
}

// says is a meter's answer to the letter.
func says(text string) func(string) string {
	return func(question string) string {
		if question == "D" {
			return text
		}
		return ""
	}
}

const (
	good     = "DC  38.20  mV\r"
	goodText = "38.20 mV dc"
)

func show(r drivers.Reading) string {
	return strings.TrimSpace(r.Text() + " " + r.Unit() + " " + r.Flags.String())
}

func newTestAsker(t testing.TB, s drivers.Settings) drivers.Asker {
	t.Helper()
	a, err := Format.NewAsker(s)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// wantReply checks reason and text of an error.
func wantReply(t *testing.T, err error, why drivers.Reason, text string) {
	t.Helper()
	reply, ok := errors.AsType[*drivers.Reply](err)
	if !ok || reply.Reason != why || !strings.Contains(err.Error(), text) || strings.Contains(err.Error(), "\n") {
		t.Errorf("error is %v, want one line with reason %v and %q", err, why, text)
	}
}

// blocks: the expectations follow from the layout in the package comment
// (published manuals of such meters, layout from memory).
var blocks = []struct{ want, block string }{
	// function, sign, figure, unit, CR
	{"1.999 V dc", "DC" + "  1.999" + "   V" + "\r"}, // each decimal place
	{"19.99 V dc", "DC" + "  19.99" + "   V" + "\r"},
	{"199.9 V dc", "DC" + "  199.9" + "   V" + "\r"},
	{"1000 V dc", "DC" + "   1000" + "   V" + "\r"},
	{"0.038 V dc", "DC" + "   .038" + "   V" + "\r"},
	{"1.9999 V dc", "DC" + " 1.9999" + "   V" + "\r"}, // four and a half digits
	{"0.0000 V dc", "DC" + "-0.0000" + "   V" + "\r"},
	{"38.20 mV dc", "DC" + "  38.20" + "  mV" + "\r"}, // V and its prefixes
	{"100 µV dc", "DC" + "    100" + "  uV" + "\r"},
	{"6.312 V ac", "AC" + "  6.312" + "   V" + "\r"},
	{"-38.20 mV dc", "DC" + " -38.20" + "  mV" + "\r"}, // sign, and where it may stand
	{"-38.20 mV dc", "DC" + "-038.20" + "  mV" + "\r"},
	{"-38.20 mV dc", "DC" + "- 38.20" + "  mV" + "\r"},
	{"-38.20 mV dc", "DC" + "- 38.20" + "m  V" + "\r"},
	{"38.20 mV dc", "DC" + " +38.20" + "  mV" + "\r"},
	{"38.20 mV dc", "dc" + "038.20 " + "mV  " + "\r"}, // small letters, unit at the left
	{"10.00 A dc", "DC" + "  10.00" + "   A" + "\r"},  // ampere
	{"41.30 mA dc", "DC" + "  41.30" + "  mA" + "\r"},
	{"199.9 µA ac", "AC" + "  199.9" + "  uA" + "\r"},
	{"789.0 Ω", "OH" + "  789.0" + " Ohm" + "\r"}, // ohm, spelt in three ways
	{"789.0 Ω", "OH" + "  789.0" + " ohm" + "\r"},
	{"789.0 Ω", "OH" + "  789.0" + " OHM" + "\r"},
	{"4.700 kΩ", "OH" + "  4.700" + "kOhm" + "\r"},
	{"4.700 kΩ", "OH" + "  4.700" + "KOhm" + "\r"},
	{"3.9999 MΩ", "OH" + "3.9999" + " Mohm" + "\r"},
	{"1.000 GΩ", "OHM" + " 1.000" + "GOhm" + "\r"},
	{"470.0 pF", "CA" + "  470.0" + "  pF" + "\r"}, // farad
	{"4.718 nF", "CA" + "  4.718" + "  nF" + "\r"},
	{"47.18 µF", "CA" + "  47.18" + "  uF" + "\r"},
	{"1.999 mF", "CAP" + " 1.999" + "  mF" + "\r"},
	{"0.001 F", "CA" + "  0.001" + "   F" + "\r"},
	{"50.01 Hz", "FR" + "  50.01" + "  Hz" + "\r"}, // hertz
	{"1.999 kHz", "FR" + "  1.999" + " kHz" + "\r"},
	{"1.999 kHz", "FR" + "  1.999" + " KHZ" + "\r"},
	{"3.579 MHz", "FRE" + " 3.579" + " MHz" + "\r"},
	{"23 °C", "TE" + "   0023" + "   C" + "\r"}, // degrees
	{"-4 °C", "TE" + "  -0004" + "   C" + "\r"},
	{"74 °F", "TEM" + "  0074" + "   F" + "\r"},
	{"0.612 V diode", "DI" + "  0.612" + "   V" + "\r"}, // diode
	{"612 mV diode", "DI" + "   0612" + "  mV" + "\r"},
	{"612 mV diode", "DIO" + "  0612" + "  mV" + "\r"},
	{"187 hFE", "HF" + "   0187" + "    " + "\r"}, // transistor gain
	{"187 hFE", "hFE" + "  0187" + "    " + "\r"},
	{"-12.5 dB", "DB" + "  -12.5" + "  dB" + "\r"},       // decibel
	{"OL MΩ overload", "OH" + "    O.L" + "MOhm" + "\r"}, // overload
	{"OL MΩ overload", "OH" + "    OL." + "MOhm" + "\r"},
	{"OL MΩ overload", "OH" + "    .OL" + "MOhm" + "\r"},
	{"OL Ω overload", "OH" + " OL    " + " Ohm" + "\r"},
	{"OL mV dc overload", "DC" + "    0.L" + "  mV" + "\r"},
	{"OL mV dc overload", "DC" + "  0L.  " + "  mV" + "\r"},
	{"OL V dc overload", "DC" + "-   .0L" + "   V" + "\r"},
	{"OL V overload diode", "DI" + "     OL" + "   V" + "\r"},
	{"OL hFE overload", "HF" + "     0L" + "    " + "\r"},
}

func TestBlocks(t *testing.T) {
	for _, tt := range blocks {
		b, cr := strings.CutSuffix(tt.block, "\r")
		r, err := block([]byte(b))
		if err != nil || show(r) != tt.want || !cr || len(tt.block) != blockLen {
			t.Errorf("%q of %d characters reads %q, %v; want %q of 14", tt.block, len(tt.block), show(r), err, tt.want)
			continue
		}
		if back, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String()); err != nil || back != r {
			t.Errorf("%q is %#v, and read back from its text %#v, %v", tt.block, r, back, err)
		}
	}
}

// parities are the ways in which the eighth bit may arrive.
var parities = map[string]func(c byte) byte{
	"clear": func(c byte) byte { return c },
	"set":   func(c byte) byte { return c | 0x80 }, // the first stop bit of 7N2, heard by 8N1
	"mixed": func(c byte) byte { return c | c<<7 },
}

// TestAsk: every block also comes over the line, whole and in pieces, slowly,
// with the eighth bit in any state, and more than once.
func TestAsk(t *testing.T) {
	for name, parity := range parities {
		for _, tt := range blocks {
			sent := []byte(tt.block)
			for i, c := range sent {
				sent[i] = parity(c)
			}
			synctest.Test(t, func(t *testing.T) {
				for piece := range 4 {
					m := &meter{answer: says(string(sent)), piece: piece, delay: 1900 * time.Millisecond}
					a := newTestAsker(t, drivers.Settings{})
					for range 2 {
						if r, err := a.Ask(m); err != nil || show(r) != tt.want {
							t.Errorf("%q, eighth bit %s, in pieces of %d: %q, %v; want %q", tt.block, name, piece, show(r), err, tt.want)
						}
					}
					if !slices.Equal(m.heard, []string{"D", "D"}) {
						t.Errorf("sent %q, want the bare letter for each reading", m.heard)
					}
				}
			})
		}
	}
}

// TestCapture: the blocks also stand in a capture.
func TestCapture(t *testing.T) {
	var dialogue, want strings.Builder
	for _, tt := range blocks {
		fmt.Fprintf(&dialogue, "> D\n< %s\n", strings.TrimSuffix(tt.block, "\r"))
		fmt.Fprintln(&want, tt.want)
	}
	drivertest.Every(t, Format, "dialogue", "# ends:    none, CR\n"+dialogue.String(), want.String())
}

// TestExact looks at the parts of a reading that the display does not show.
func TestExact(t *testing.T) {
	tests := []struct {
		block string
		want  drivers.Reading
	}{
		{"DC-038.20  mV", drivers.Reading{Digits: -3820, Exp: -5, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC}},
		{"OH 3.9999Mohm", drivers.Reading{Digits: 39999, Exp: 2, Prefix: 6, Quantity: drivers.Resistance}},
		{"OH   O.L kOhm", drivers.Reading{Exp: 3, Prefix: 3, Quantity: drivers.Resistance, Flags: drivers.Overload}},
	}
	for _, tt := range tests {
		if got, err := block([]byte(tt.block)); err != nil || got != tt.want {
			t.Errorf("%q reads %#v, %v; want %#v", tt.block, got, err, tt.want)
		}
	}
}

func TestSettings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: func(string) string { return good }}
		if r, err := newTestAsker(t, drivers.Settings{"ask": "R", "timeout": "1s"}).Ask(m); err != nil || show(r) != goodText || m.heard[0] != "R" {
			t.Errorf("another letter: %v, %v, sent %q", r, err, m.heard)
		}
	})
	tests := []struct {
		settings drivers.Settings
		want     string
	}{
		{drivers.Settings{"ask": "READ?"}, `ask: "READ?" is not one letter: leave it out for "D"`},
		{drivers.Settings{"ask": " "}, `ask: " " is not one letter`},
		{drivers.Settings{"ask": "\n"}, `ask: "\n" is not one letter`},
		{drivers.Settings{"ask": "µ"}, `ask: "µ" is not one letter`},
		{drivers.Settings{"timeout": "-1ns"}, `timeout: "-1ns" is not a time to wait`},
	}
	for _, tt := range tests {
		_, err := Format.NewAsker(tt.settings)
		if err == nil || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("settings %+v: %v, want an error with %q", tt.settings, err, tt.want)
		}
	}
}

// TestMalformed: each is one error that quotes the meter, in bounded time; the
// question after it gets its own answer.
func TestMalformed(t *testing.T) {
	const figure = "has no figure: sign, digits and at most one point within them are expected"
	tests := []struct {
		name, answer string
		why          drivers.Reason
		want         string
	}{
		{"silence", "", drivers.NoReply, `no block in answer to D within 2s, but 0 bytes "": check that the meter is on`},
		{"no end", good[:13], drivers.NoReply, `but 13 bytes "DC  38.20  mV"`},
		{"half of it", good[:6], drivers.NoReply, `but 6 bytes "DC  38"`},
		{"a character lost", good[:5] + good[6:], drivers.Short, `block "DC  3.20  mV" ends after 13 characters, not 14`},
		{"a character twice", good[:5] + good[4:], drivers.BadReply, `block "DC  338.20  mV" does not end after 14 characters`},
		{"only the end", "\r", drivers.Short, `block "" ends after 1 characters`},
		{"joined in the middle", good[7:] + good, drivers.Short, `ends after 7 characters`},
		{"echo before it", "D" + good, drivers.BadReply, `block "DDC  38.20  mV" does not end`},
		{"LF for CR", "DC  38.20  mV\n", drivers.BadReply, "does not end"},
		{"endless", strings.Repeat("7", 5000), drivers.BadReply, "does not end after 14 characters: check the line settings"},
		{"bytes of another speed", "\xF8\x00\x1C\xFF\xE0\x80\x0E\x70\x00\xF0\x1F\x07\x60\r", drivers.BadReply, "is not text: check the line settings"},

		{"all blank", "             \r", drivers.BadDigit, figure},
		{"no figure", "DC          V\r", drivers.BadDigit, figure},
		{"sign alone", "DC  -       V\r", drivers.BadDigit, figure},
		{"point alone", "DC     .    V\r", drivers.BadDigit, figure},
		{"nothing behind the point", "DC   1.     V\r", drivers.BadDigit, figure},
		{"two points", "DC   1.9.9  V\r", drivers.BadDigit, figure},
		{"two signs", "DC  --1.99  V\r", drivers.BadDigit, figure},
		{"a blank between digits", "DC   1 .99  V\r", drivers.BadDigit, figure},
		{"a blank before digits", "DC   1. 99  V\r", drivers.BadDigit, figure},
		{"digits behind the unit", "DC  1.999 V 0\r", drivers.BadDigit, figure},
		{"the word of a logic test", "LO       rdy \r", drivers.BadDigit, figure},
		{"the letter E", "DC   1E99   V\r", drivers.BadDigit, figure},

		{"no function", "     1.999  V\r", drivers.BadStatus, `function "" with unit "V" is not known: DC and AC have V or A`},
		{"unknown function", "XY   1.999  V\r", drivers.BadStatus, `function "XY" with unit "V" is not known`},
		{"function of one letter", "D    1.999  V\r", drivers.BadStatus, `function "D" with unit "V"`},
		{"function of four letters", "TEMP  0023  C\r", drivers.BadDigit, figure},
		{"no unit", "DC   1.999   \r", drivers.BadStatus, `function "DC" with unit ""`},
		{"unknown unit", "DC   1.999  W\r", drivers.BadStatus, `function "DC" with unit "W"`},
		{"overload without unit", "DC     O.L   \r", drivers.BadStatus, `function "DC" with unit ""`},
		{"overload behind a digit", "DC    1OL   V\r", drivers.BadStatus, `function "DC" with unit "OLV"`},
		{"overload twice", "DC    OLOL  V\r", drivers.BadStatus, `function "DC" with unit "OLV"`},
		{"ohms of DC", "DC  1.999kOhm\r", drivers.BadStatus, `function "DC" with unit "kOhm"`},
		{"volts of OH", "OH   1.999  V\r", drivers.BadStatus, `function "OH" with unit "V"`},
		{"a unit of two", "DC   1.999 VA\r", drivers.BadStatus, `function "DC" with unit "VA"`},
		{"milli or mega", "DC   1.999 MV\r", drivers.BadStatus, `function "DC" with unit "MV"`},
		{"kV", "DC   1.999 kV\r", drivers.BadStatus, `function "DC" with unit "kV"`},
		{"nA", "DC   1.999 nA\r", drivers.BadStatus, `function "DC" with unit "nA"`},
		{"mOhm", "OH  1.999mOhm\r", drivers.BadStatus, `function "OH" with unit "mOhm"`},
		{"kF", "CA   1.999 kF\r", drivers.BadStatus, `function "CA" with unit "kF"`},
		{"mHz", "FR  1.999 mHz\r", drivers.BadStatus, `function "FR" with unit "mHz"`},
		{"m°C", "TE   0023  mC\r", drivers.BadStatus, `function "TE" with unit "mC"`},
		{"two prefixes", "DC   199.9mmV\r", drivers.BadStatus, `function "DC" with unit "mmV"`},
		{"dBm", "DB   -12.5dBm\r", drivers.BadStatus, `function "DB" with unit "dBm"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				answer := tt.answer
				if body, ok := strings.CutSuffix(answer, "\r"); ok && (tt.why == drivers.BadDigit || tt.why == drivers.BadStatus) && len(body) != blockLen-1 {
					t.Fatalf("%q has %d characters, want 14", answer, len(answer))
				}
				m := &meter{answer: says(answer)}
				a := newTestAsker(t, drivers.Settings{})
				start := time.Now()
				r, err := a.Ask(m)
				wantReply(t, err, tt.why, tt.want)
				if r != (drivers.Reading{}) {
					t.Errorf("a reading %v came with the error", r)
				}
				if took := time.Since(start); took > quiet+usualTimeout {
					t.Errorf("took %v, more than the timeout and draining", took)
				}
				m.answer = says(good)
				if r, err = a.Ask(m); err != nil || show(r) != goodText {
					t.Errorf("the question after it: %q, %v; want %q", show(r), err, goodText)
				}
			})
		})
	}
}

// TestLeftOver: what stands on the line before a question does not answer it:
// the LF of a meter that ends its block with CR LF, and the further blocks of
// one with several displays.
func TestLeftOver(t *testing.T) {
	for _, behind := range []string{"\n", strings.Repeat("FR  50.01  Hz\r", 3)} {
		synctest.Test(t, func(t *testing.T) {
			m := &meter{answer: says(good + behind)}
			a := newTestAsker(t, drivers.Settings{})
			for range 3 {
				if r, err := a.Ask(m); err != nil || show(r) != goodText {
					t.Errorf("with %q behind the block: %q, %v; want the first block", behind, show(r), err)
				}
			}
		})
	}
}

// TestLateAnswer: an answer that comes after its question was given up, by less
// than the timeout, is not taken for the answer to the next question.
func TestLateAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		m := &meter{}
		m.answer = func(string) string {
			n++
			return "DC  " + strconv.Itoa(1000+n) + "    V\r"
		}
		a := newTestAsker(t, drivers.Settings{"timeout": "1s"})
		for _, late := range []time.Duration{0, 1100, 0, 1900, 1900, 900, 0} {
			m.delay = late * time.Millisecond
			r, err := a.Ask(m)
			switch {
			case m.delay > time.Second:
				wantReply(t, err, drivers.NoReply, "within 1s")
			case err != nil || r.Digits != int64(1000+n):
				t.Errorf("reading %v, %v; the meter's latest is %d", r, err, 1000+n)
			}
		}
	})
}

// TestIdentify: within about 2 s, with one letter at most.
func TestIdentify(t *testing.T) {
	for _, tt := range []struct {
		answer string
		want   float64
	}{
		{good, 0.9},
		{"OH   O.L MOhm\r", 0.9},
		{good + "FR  50.01  Hz\r", 0.9}, // a meter with two displays
		{"", 0},
		{"D", 0}, // an echo
		{"D" + good, 0},
		{"ERROR\r\n", 0},
		{"+4.61873000E+02\r\n", 0},
		{"             \r", 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			m := &meter{answer: says(tt.answer), delay: time.Second}
			start := time.Now()
			s, sure, err := Format.Identify(m)
			if s != nil || sure != tt.want || err != nil || time.Since(start) > 2*time.Second || !slices.Equal(m.heard, []string{"D"}) {
				t.Errorf("%q: %v, sure %v, %v after %v, having sent %q; want %v", tt.answer, s, sure, err, time.Since(start), m.heard, tt.want)
			}
			m.broken = io.ErrClosedPipe
			if _, _, err := Format.Identify(m); !errors.Is(err, io.ErrClosedPipe) {
				t.Errorf("error is %v, want the port's own", err)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: says(good)}
		if _, sure, err := Format.Identify(chatter{m}); sure != 0 || err != nil || len(m.heard) != 0 {
			t.Errorf("a meter that talks by itself: sure %v, %v, and was sent %q", sure, err, m.heard)
		}
	})
}

// TestPort: trouble of the port is not a Reply, and keeps its cause.
func TestPort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: says(good)}
		a := newTestAsker(t, drivers.Settings{})
		for range 2 {
			m.broken = io.ErrClosedPipe
			_, err := a.Ask(m)
			if _, reply := errors.AsType[*drivers.Reply](err); reply || !errors.Is(err, io.ErrClosedPipe) {
				t.Errorf("error is %v, want the port's own", err)
			}
			m.broken = nil
			if r, err := a.Ask(m); err != nil || show(r) != goodText {
				t.Errorf("after the port came back: %v, %v", r, err)
			}
		}
	})
}

// chatter is a meter that never stops sending.
type chatter struct{ *meter }

func (c chatter) Read(p []byte) (int, error) {
	time.Sleep(10 * time.Millisecond)
	return copy(p, good), nil
}

func TestChatter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newTestAsker(t, drivers.Settings{})
		m := &meter{answer: says(good)}
		_, err := a.Ask(chatter{m})
		wantReply(t, err, drivers.BadReply, "talks without being asked")
		if len(m.heard) != 0 {
			t.Errorf("a meter that talks by itself was sent %q", m.heard)
		}
	})
}

func TestNoAllocation(t *testing.T) {
	b := []byte(good[:blockLen-1])
	if allocs := testing.AllocsPerRun(100, func() {
		if _, err := block(b); err != nil {
			t.Error(err)
		}
	}); allocs != 0 {
		t.Errorf("%v allocations for a block, want none", allocs)
	}
}

// FuzzAnswer: no answer panics; how it is cut makes no difference; what is read
// has a text that reads back the same, and the value of the figure sent.
func FuzzAnswer(f *testing.F) {
	for _, tt := range blocks {
		f.Add([]byte(tt.block))
	}
	for _, s := range []string{"\r", good[3:] + good, "             \r", "DC  -       V\r", "DC\x80\xFF", "D" + good} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, answer []byte) {
		ask := func(piece int) (drivers.Reading, error) {
			m := &meter{answer: says(string(answer)), piece: piece, atEnd: io.EOF}
			return (&asker{letter: []byte("D"), timeout: time.Minute}).Ask(stocked{m})
		}
		r, err := ask(0)
		single, errSingle := ask(1)
		if r != single || (err == nil) != (errSingle == nil) {
			t.Fatalf("%q in one piece: %#v, %v; byte by byte: %#v, %v", answer, r, err, single, errSingle)
		}
		if err != nil {
			return
		}
		if back, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String()); err != nil || back != r {
			t.Errorf("%q is %#v, and read back from its text %#v, %v", answer, r, back, err)
		}
		figure := strings.Map(func(c rune) rune {
			if strings.ContainsRune("-.0123456789", c) {
				return c
			}
			return -1
		}, clear8(answer[:blockLen]))
		v, err := strconv.ParseFloat(figure, 64)
		v *= math.Pow10(int(r.Prefix))
		if r.HasValue() && (err != nil || math.Abs(r.Value()-v) > 1e-12*math.Abs(v)) {
			t.Errorf("%q has the value %v, want %v, %v", answer, r.Value(), v, err)
		}
	})
}

// stocked is a meter with nothing on the line before it is asked.
type stocked struct{ *meter }

func (s stocked) Read(p []byte) (int, error) {
	if len(s.heard) == 0 {
		return 0, nil
	}
	return s.meter.Read(p)
}

// clear8 clears the eighth bits.
func clear8(p []byte) string {
	b := slices.Clone(p)
	for i := range b {
		b[i] &= 0x7F
	}
	return string(b)
}

func BenchmarkBlock(b *testing.B) {
	p := []byte(good[:blockLen-1])
	b.ReportAllocs()
	b.SetBytes(blockLen)
	for b.Loop() {
		if _, err := block(p); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "blocks/s")
}
