package scpi

import (
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/drivers"
)

// meter is a meter at the far end of a Conn. Its clock is the test's.
type meter struct {
	answer  func(line string) string // what it sends for a line, "" for nothing
	delay   time.Duration            // before it sends
	piece   int                      // most bytes one Read gives, 0 for all
	broken  error                    // what Read and Write return
	atEnd   error                    // what Read returns when there is nothing
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
	for line := range strings.Lines(string(p)) {
		line = strings.TrimSuffix(line, "\n")
		m.heard = append(m.heard, line)
		if a := m.answer(line); a != "" {
			if len(m.pending) == 0 {
				m.ready = time.Now().Add(m.delay)
			}
			m.pending = append(m.pending, a...)
		}
	}
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

const identity = "BENCH,SIX DIGIT,0,1.0" // serial "0": not available

// usual answers as a meter does that takes any function.
func usual(line string) string {
	switch line {
	case "*IDN?":
		return identity + "\r\n"
	case "SYST:ERR?":
		return "+0,\"No error\"\n"
	case "READ?":
		return "+4.61873000E+02\n"
	}
	return ""
}

// but answers line with text and everything else as usual.
func but(line, text string) func(string) string {
	return func(s string) string {
		if s == line {
			return text
		}
		return usual(s)
	}
}

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

func TestDialogue(t *testing.T) {
	tests := []struct {
		name     string
		settings drivers.Settings
		first    []string // what is sent for the first reading
		next     []string // and for each one after it
		want     string
	}{
		{"function", drivers.Settings{"function": "VOLT:DC"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC", "SYST:ERR?", "READ?"}, []string{"READ?"}, "461.873000 V dc auto"},
		{"short and lower case", drivers.Settings{"function": "volt"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC", "SYST:ERR?", "READ?"}, []string{"READ?"}, "461.873000 V dc auto"},
		{"long form, range", drivers.Settings{"function": "Current:AC", "range": "0.1"},
			[]string{"*CLS", "*IDN?", "CONF:CURR:AC 0.1", "SYST:ERR?", "READ?"}, []string{"READ?"}, "461.873000 A ac"},
		{"range by name", drivers.Settings{"function": "FRES", "range": "max"},
			[]string{"*CLS", "*IDN?", "CONF:FRES MAX", "SYST:ERR?", "READ?"}, []string{"READ?"}, "461.873000 Ω"},
		// Two meters of a bench file may share one scanner: each gets in step
		// and sets it anew.
		{"channel", drivers.Settings{"function": "VOLT:DC", "channel": "101"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC (@101)", "SYST:ERR?", "READ?"},
			[]string{"*IDN?", "CONF:VOLT:DC (@101)", "READ?"}, "461.873000 V dc auto"},
		{"range and channel", drivers.Settings{"function": "VOLT:DC", "range": "1E1", "channel": "204"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC 1E1,(@204)", "SYST:ERR?", "READ?"},
			[]string{"*IDN?", "CONF:VOLT:DC 1E1,(@204)", "READ?"}, "461.873000 V dc"},
		{"own question", drivers.Settings{"function": "TEMP", "ask": "INIT;FETC?"},
			[]string{"*CLS", "*IDN?", "CONF:TEMP", "SYST:ERR?", "INIT;FETC?"}, []string{"INIT;FETC?"}, "23.5 °C auto"},
		// With no function the meter is left as it stands.
		{"no function", drivers.Settings{},
			[]string{"CONF?", "READ?"}, []string{"CONF?", "READ?"}, "461.873000 Ω"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: func(line string) string {
					switch line {
					case "CONF?":
						return "\"FRES +1.000000E+03,+1.000000E-03\"\n"
					case "INIT;FETC?":
						return " 23.5\n"
					}
					return usual(line)
				}}
				a := newTestAsker(t, tt.settings)
				for i, sent := range [][]string{tt.first, tt.next, tt.next} {
					m.heard = nil
					r, err := a.Ask(m)
					if err != nil || show(r) != tt.want || !slices.Equal(m.heard, sent) {
						t.Errorf("question %d: sent %q, got %q, %v; want %q and %q", i, m.heard, show(r), err, sent, tt.want)
					}
				}
			})
		})
	}
}

func TestSettingsErrors(t *testing.T) {
	tests := []struct {
		settings drivers.Settings
		want     string
	}{
		{drivers.Settings{"function": "VLOT:DC"}, `function: "VLOT:DC" is not known: write one of VOLT:DC, VOLT:AC, CURR:DC`},
		{drivers.Settings{"function": "VOLT:DC\n*RST"}, "is not known"},
		{drivers.Settings{"function": "VOLTA"}, `function: "VOLTA" is not known`}, // SCPI has no forms in between
		{drivers.Settings{"function": "VOLT:DC", "range": "wide"}, `range: "WIDE" is not a number: write for example 0.1`},
		{drivers.Settings{"function": "VOLT:DC", "range": "1,2"}, `range: "1,2" is not a number`},
		{drivers.Settings{"function": "VOLT:DC", "channel": "101:104"}, `channel: "101:104" is not a channel number: write for example 101`},
		{drivers.Settings{"range": "10"}, "function: range and channel need it"},
		{drivers.Settings{"channel": "101"}, "function: range and channel need it"},
		{drivers.Settings{"ask": "READ"}, `ask: "READ" is not a question: write for example "READ?"`},
		{drivers.Settings{"ask": "READ?\n*RST"}, `is not a question`},
		{drivers.Settings{"timeout": "-1ns"}, `timeout: "-1ns" is not a time to wait`},
	}
	for _, tt := range tests {
		_, err := Format.NewAsker(tt.settings)
		if err == nil || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("settings %+v: %v, want an error with %q", tt.settings, err, tt.want)
		}
	}
}

// TestFigures: forms of IEEE 488.2; 9.9E37 and 9.91E37 as published instrument
// manuals give them for SCPI-99.
func TestFigures(t *testing.T) {
	tests := []struct{ function, line, want string }{
		{"VOLT:DC", "0", "0 V dc"}, // NR1
		{"VOLT:DC", "-17", "-17 V dc"},
		{"VOLT:DC", "+000462", "462 V dc"},
		{"VOLT:DC", "0.0382", "0.0382 V dc"}, // NR2
		{"VOLT:DC", "-1.500", "-1.500 V dc"},
		{"VOLT:DC", ".5", "0.5 V dc"},
		{"VOLT:DC", "12.", "12 V dc"},
		{"VOLT:DC", "+4.61873000E+02", "461.873000 V dc"}, // NR3
		{"VOLT:DC", "+1.00000000E+00", "1.00000000 V dc"},
		{"VOLT:DC", "+9.99999999E-01", "999.999999 mV dc"},
		{"VOLT:DC", "-3.82000000E-02", "-38.2000000 mV dc"},
		{"VOLT:DC", "1.00E-03", "1.00 mV dc"},
		{"VOLT:DC", "9.99e-4", "999 µV dc"},
		{"VOLT:DC", "1E-9", "0.001 µV dc"},
		{"VOLT:DC", "+0.00000000E+00", "0.00000000 V dc"},
		{"VOLT:DC", "-0.00E-03", "0.00 mV dc"},
		{"VOLT:DC", "1.234567E-1,2.0,3.0", "123.4567 mV dc"}, // the first of several
		{"VOLT:DC", "  38.2  ", "38.2 V dc"},
		{"CURR:DC", "+4.1E-02", "41 mA dc"},
		{"RES", "+1.0E+06", "1.0 MΩ"}, // a last digit above one ohm: no digit is made up
		{"RES", "4.7E3", "4.7 kΩ"},
		{"RES", "+9.99900000E+03", "9999.00000 Ω"},
		{"FREQ", "1E9", "1 GHz"},
		{"FREQ", "1E4", "0.01 MHz"},
		{"CAP", "1.0E-09", "0.0010 µF"},
		{"TEMP", "+2.5E-01", "0.25 °C"},
		{"DIOD", "6.12E-01", "612 mV diode"},
		{"CONT", "1.5", "1.5 Ω beep"},

		{"VOLT:DC", "9.9E37", "OL V dc overload"},
		{"VOLT:DC", "+9.90000000E+37", "OL V dc overload"},
		{"VOLT:DC", "-9.9E+37", "OL V dc overload"},
		{"RES", "9.0E37", "OL Ω overload"},
		{"RES", "+1.00000000E+38", "OL Ω overload"},
		{"VOLT:DC", "9.91E37", "NaN V dc nan"},
		{"VOLT:DC", "+9.91000000E+37", "NaN V dc nan"},
	}
	for _, tt := range tests {
		f, err := findFunction(tt.function)
		if err != nil {
			t.Fatal(err)
		}
		r, err := figure(tt.line, f)
		if err != nil || show(r) != tt.want {
			t.Errorf("%s %q reads %q, %v; want %q", tt.function, tt.line, show(r), err, tt.want)
			continue
		}
		back, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String())
		if err != nil || back != r {
			t.Errorf("%q is %#v, and read back from its text %#v, %v", tt.line, r, back, err)
		}
		first, _, _ := strings.Cut(strings.TrimSpace(tt.line), ",")
		if v, err := strconv.ParseFloat(first, 64); r.HasValue() && (err != nil || r.Value() != v) {
			t.Errorf("%q has the value %v, want %v, %v", tt.line, r.Value(), v, err)
		}
	}
}

// TestBadAnswers: each is one error that quotes the meter; the question after it
// sets up anew and succeeds.
func TestBadAnswers(t *testing.T) {
	tests := []struct {
		name   string
		answer func(string) string
		why    drivers.Reason
		want   string
	}{
		{"empty", but("READ?", "\r\n"), drivers.BadReply, `answer "" to READ?: "" is not a number: nothing was sent (meter "BENCH,SIX DIGIT,0,1.0")`},
		{"words", but("READ?", "ready\n"), drivers.BadReply, `answer "ready" to READ?`},
		{"with unit", but("READ?", "38.2 mV\n"), drivers.BadReply, `answer "38.2 mV" to READ?`},
		{"two points", but("READ?", "1.2.3\n"), drivers.BadReply, `answer "1.2.3" to READ?`},
		{"two signs", but("READ?", "+-1.2\n"), drivers.BadReply, `answer "+-1.2" to READ?`},
		{"sign alone", but("READ?", "-\n"), drivers.BadReply, `answer "-" to READ?`},
		{"no digits before E", but("READ?", "E5\n"), drivers.BadReply, `answer "E5" to READ?`},
		{"no exponent", but("READ?", "1.2E\n"), drivers.BadReply, `answer "1.2E" to READ?`},
		{"huge exponent", but("READ?", "1E999999999999\n"), drivers.BadReply, "its exponent"},
		{"beyond reason", but("READ?", "1E15\n"), drivers.BadReply, "out of all reason"},
		{"too fine", but("READ?", "1E-30\n"), drivers.BadReply, "out of all reason"},
		{"19 digits", but("READ?", "1.234567890123456789\n"), drivers.BadReply, "more than 18 digits"},
		{"binary", but("READ?", "\x00\xff\x80\n"), drivers.BadReply, `answer "\x00\xff\x80" to READ?`},
		{"first of several empty", but("READ?", ",1.0\n"), drivers.BadReply, `answer ",1.0" to READ?`},
		{"no line end", but("READ?", "38.2"), drivers.NoReply, `no line in answer to READ? within 3s, but 4 bytes "38.2"`},
		{"silence", but("READ?", ""), drivers.NoReply, "no line in answer to READ? within 3s, but 0 bytes"},
		{"endless line", but("READ?", strings.Repeat("7", 5000)), drivers.BadReply, "does not end within 4096 bytes"},
		{"*IDN? silent", but("*IDN?", ""), drivers.NoReply, "no line in answer to *IDN? within 3s"},
		{"*IDN? empty", but("*IDN?", "\n"), drivers.BadReply, "answer to *IDN? is empty"},
		{"refused", but("SYST:ERR?", "-113,\"Undefined header\"\n"), drivers.BadReply, `CONF:VOLT:DC 10 was refused: -113,"Undefined header"; check function, range and channel`},
		{"SYST:ERR? in words", but("SYST:ERR?", "no error\n"), drivers.BadReply, `answer "no error" to SYST:ERR?`},
		{"SYST:ERR? silent", but("SYST:ERR?", ""), drivers.NoReply, "no line in answer to SYST:ERR? within 3s"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: tt.answer}
				a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC", "range": "10"})
				start := time.Now()
				r, err := a.Ask(m)
				wantReply(t, err, tt.why, tt.want)
				if r != (drivers.Reading{}) {
					t.Errorf("a reading %v came with the error", r)
				}
				if took := time.Since(start); took > 4*time.Second {
					t.Errorf("took %v, more than the timeout and draining", took)
				}

				m.answer, m.heard = usual, nil
				r, err = a.Ask(m)
				if err != nil || show(r) != "461.873000 V dc" || m.heard[0] != "*CLS" {
					t.Errorf("the question after it: %q, %v, having sent %q; want a fresh start and 461.873000 V dc", show(r), err, m.heard)
				}
			})
		})
	}
}

// TestLateAnswer: an answer that comes after its question was given up is never
// taken for the answer to a later question.
func TestLateAnswer(t *testing.T) {
	tests := []struct {
		name          string
		first, second drivers.Settings // of two meters on one port
	}{
		{"function", drivers.Settings{"function": "VOLT:DC"}, drivers.Settings{}},
		{"no function", drivers.Settings{}, drivers.Settings{}},
		{"two channels", drivers.Settings{"function": "VOLT:DC", "channel": "101"}, drivers.Settings{"function": "VOLT:DC", "channel": "102"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				n, slow := 0, 0
				m := &meter{}
				m.answer = func(line string) string {
					m.delay = 0
					switch line {
					case "READ?":
						if n++; n == slow {
							m.delay = 1300 * time.Millisecond
						}
						return strconv.Itoa(n) + "\n"
					case "CONF?":
						return "\"VOLT\"\n"
					}
					return usual(line)
				}
				tt.first["timeout"], tt.second["timeout"] = "1s", "1s"
				first, second := newTestAsker(t, tt.first), newTestAsker(t, tt.second)
				fresh := func(a drivers.Asker) {
					t.Helper()
					if r, err := a.Ask(m); err != nil || r.Digits != int64(n) {
						t.Errorf("reading %v, %v; the meter's latest is %d", r, err, n)
					}
				}
				fresh(first)
				fresh(second)
				slow = n + 1
				_, err := first.Ask(m)
				wantReply(t, err, drivers.NoReply, "within 1s")
				fresh(second)
				fresh(first)
				fresh(second)
			})
		})
	}
}

// TestLeftOver: what stood on the line before a question does not answer it.
func TestLeftOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: but("READ?", "1\n2\n")}
		a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC"})
		for range 3 {
			if r, err := a.Ask(m); err != nil || r.Digits != 1 {
				t.Errorf("reading %v, %v; want the first line, 1", r, err)
			}
		}
	})
}

// TestKnob: with no function set, each reading is what the meter says it measures.
func TestKnob(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := ""
		m := &meter{answer: func(line string) string {
			if line == "FUNC?" {
				return now
			}
			return usual(line)
		}}
		a := newTestAsker(t, drivers.Settings{})
		for _, tt := range []struct{ now, want string }{
			{"\"VOLT:DC\"\n", "461.873000 V dc"},
			{"\"CURR:AC\",\"VOLT:DC\"\n", "461.873000 A ac"},
			{"RES\n", "461.873000 Ω"},
			{"\"VOLT\"\n", "461.873000 V dc"},
		} {
			now = tt.now
			if r, err := a.Ask(m); err != nil || show(r) != tt.want {
				t.Errorf("a meter set to %q reads %q, %v; want %q", tt.now, show(r), err, tt.want)
			}
		}
		if n := len(slices.DeleteFunc(slices.Clone(m.heard), func(s string) bool { return s != "CONF?" })); n != 1 {
			t.Errorf("CONF? was asked %d times of a meter that does not know it, want once", n)
		}

		now = "\"PER\"\n"
		_, err := a.Ask(m)
		wantReply(t, err, drivers.BadReply, `answer "\"PER\"" to FUNC?: "PER" is not known`)
		now = ""
		_, err = a.Ask(m)
		wantReply(t, err, drivers.NoReply, `set it in the bench file, for example function = "VOLT:DC"`)

		a = newTestAsker(t, drivers.Settings{})
		_, err = a.Ask(m)
		wantReply(t, err, drivers.NoReply, "no answer to CONF? or FUNC? within 3s")
	})
}

// TestPort: trouble of the port is not a Reply, and keeps its cause.
func TestPort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: usual}
		a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC"})
		for range 2 {
			m.broken = io.ErrClosedPipe
			_, err := a.Ask(m)
			if _, reply := errors.AsType[*drivers.Reply](err); reply || !errors.Is(err, io.ErrClosedPipe) {
				t.Errorf("error is %v, want the port's own", err)
			}
			m.broken, m.heard = nil, nil
			if r, err := a.Ask(m); err != nil || show(r) != "461.873000 V dc auto" || m.heard[0] != "*CLS" {
				t.Errorf("after the port came back: %v, %v, sent %q", r, err, m.heard)
			}
		}
	})
}

// chatter is a meter that never stops sending.
type chatter struct{ *meter }

func (c chatter) Read(p []byte) (int, error) {
	time.Sleep(10 * time.Millisecond)
	return copy(p, "38.2 mV\r\n"), nil
}

func TestChatter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC"})
		_, err := a.Ask(chatter{&meter{answer: usual}})
		wantReply(t, err, drivers.BadReply, "talks without being asked")
	})
}

// TestPieces: an answer may come in pieces of any size, and slowly.
func TestPieces(t *testing.T) {
	for piece := 1; piece < 20; piece++ {
		synctest.Test(t, func(t *testing.T) {
			m := &meter{answer: usual, piece: piece, delay: 900 * time.Millisecond}
			a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC"})
			for range 2 {
				if r, err := a.Ask(m); err != nil || show(r) != "461.873000 V dc auto" {
					t.Errorf("in pieces of %d: %v, %v", piece, r, err)
				}
			}
		})
	}
}

// FuzzAnswer: no answer panics; how it is cut makes no difference; what is read
// has a text that reads back the same, and the value of the figure sent.
func FuzzAnswer(f *testing.F) {
	for _, s := range []string{"+4.61873000E+02\n", "9.9E37\r\n", "9.91E37\n", "-0.00E-03\n", "1.2E\n", ",\n", "\n", "1,2,3\n", "1E-30\n", "999999999999999999E-60\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, answer []byte) {
		ask := func(piece int) (drivers.Reading, error) {
			m := &meter{answer: but("READ?", string(answer)), piece: piece, atEnd: io.EOF}
			a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC"}).(*asker)
			a.inStep = true
			return a.Ask(m)
		}
		r, err := ask(0)
		single, errSingle := ask(1)
		if r != single || (err == nil) != (errSingle == nil) || err != nil && err.Error() != errSingle.Error() {
			t.Fatalf("%q in one piece: %#v, %v; byte by byte: %#v, %v", answer, r, err, single, errSingle)
		}
		if err != nil {
			return
		}
		if back, err := drivers.ParseReading(r.Text(), r.Unit(), r.Flags.String()); err != nil || back != r {
			t.Errorf("%q is %#v, and read back from its text %#v, %v", answer, r, back, err)
		}
		first, _, _ := strings.Cut(strings.TrimSpace(strings.SplitN(string(answer), "\n", 2)[0]), ",")
		if v, err := strconv.ParseFloat(strings.TrimSpace(first), 64); r.HasValue() && (err != nil || r.Value() != v) {
			t.Errorf("%q has the value %v, want %v, %v", answer, r.Value(), v, err)
		}
	})
}

func BenchmarkAsk(b *testing.B) {
	m := &meter{answer: usual}
	a := newTestAsker(b, drivers.Settings{"function": "VOLT:DC"})
	b.ReportAllocs()
	for b.Loop() {
		m.heard = m.heard[:0]
		if _, err := a.Ask(m); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}
