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
	knob    string                   // the function it was set to, its answer to FUNC?
	dumb    bool                     // it does not know FUNC?
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
		if f, ok := strings.CutPrefix(line, "CONF:"); ok {
			m.knob, _, _ = strings.Cut(f, " ")
		}
		a := m.answer(line)
		if line == "FUNC?" && a == "" && m.knob != "" && !m.dumb {
			a = strconv.Quote(m.knob) + "\n"
		}
		if a != "" {
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
	const volts = "461.873000 V dc"
	tests := []struct {
		name     string
		settings drivers.Settings
		first    []string // what is sent for the first reading
		next     []string // and for each one after it
		want     string
	}{
		{"function", drivers.Settings{"function": "VOLT:DC"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC", "SYST:ERR?", "FUNC?", "READ?"}, []string{"READ?"}, volts + " auto"},
		{"short and lower case", drivers.Settings{"function": "volt"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC", "SYST:ERR?", "FUNC?", "READ?"}, []string{"READ?"}, volts + " auto"},
		{"long form, range", drivers.Settings{"function": "Current:AC", "range": "0.1"},
			[]string{"*CLS", "*IDN?", "CONF:CURR:AC 0.1", "SYST:ERR?", "FUNC?", "READ?"}, []string{"READ?"}, "461.873000 A ac"},
		{"range by name", drivers.Settings{"function": "FRES", "range": "max"},
			[]string{"*CLS", "*IDN?", "CONF:FRES MAX", "SYST:ERR?", "FUNC?", "READ?"}, []string{"READ?"}, "461.873000 Ω"},
		{"integration time", drivers.Settings{"function": "VOLT:DC", "range": "1000", "nplc": "10"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC 1000", "SENS:VOLT:DC:NPLC 10", "SYST:ERR?", "FUNC?", "READ?"}, []string{"READ?"}, volts},
		{"remote", drivers.Settings{"function": "VOLT:DC", "remote": "yes"},
			[]string{"SYST:REM", "*CLS", "*IDN?", "CONF:VOLT:DC", "SYST:ERR?", "FUNC?", "READ?"}, []string{"READ?"}, volts + " auto"},
		{"triggered, then fetched", drivers.Settings{"function": "TEMP", "ask": "INIT;:FETC?"},
			[]string{"*CLS", "*IDN?", "CONF:TEMP", "SYST:ERR?", "FUNC?", "INIT;:FETC?"}, []string{"INIT;:FETC?"}, "23.5 °C auto"},
		// Two meters of a bench file may share one scanner: each gets in step
		// and sets it anew.
		{"channel", drivers.Settings{"function": "VOLT:DC", "channel": "101"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC (@101)", "SYST:ERR?", "READ?"},
			[]string{"CONF:VOLT:DC (@101)", "SYST:ERR?", "READ?"}, volts + " auto"},
		{"range, channel and integration time", drivers.Settings{"function": "VOLT:DC", "range": "1E1", "channel": "204", "nplc": "0.2"},
			[]string{"*CLS", "*IDN?", "CONF:VOLT:DC 1E1,(@204)", "SENS:VOLT:DC:NPLC 0.2,(@204)", "SYST:ERR?", "READ?"},
			[]string{"CONF:VOLT:DC 1E1,(@204)", "SENS:VOLT:DC:NPLC 0.2,(@204)", "SYST:ERR?", "READ?"}, volts},
		// A question that configures does so each time.
		{"measure", drivers.Settings{"ask": "MEAS:VOLT:DC?"},
			[]string{"*CLS", "*IDN?", "SYST:ERR?", "MEAS:VOLT:DC?"}, []string{"MEAS:VOLT:DC?"}, "41 mV dc auto"},
		{"measure in a range", drivers.Settings{"function": "VOLT", "ask": "MEAS:VOLT:DC? 1000"},
			[]string{"*CLS", "*IDN?", "SYST:ERR?", "MEAS:VOLT:DC? 1000"}, []string{"MEAS:VOLT:DC? 1000"}, "41 mV dc"},
		{"measure, range by key", drivers.Settings{"ask": ":measure:volt?", "range": "0.1", "remote": "no"},
			[]string{"*CLS", "*IDN?", "SYST:ERR?", ":measure:volt? 0.1"}, []string{":measure:volt? 0.1"}, "41 mV dc"},
		{"measure on a channel", drivers.Settings{"ask": "MEAS:VOLT:DC?", "channel": "7"},
			[]string{"*CLS", "*IDN?", "SYST:ERR?", "MEAS:VOLT:DC? (@7)"}, []string{"SYST:ERR?", "MEAS:VOLT:DC? (@7)"}, "41 mV dc auto"},
		// With no function the meter is left as it stands.
		{"no function", drivers.Settings{},
			[]string{"CONF?", "READ?"}, []string{"CONF?", "READ?"}, "461.873000 Ω"},
		{"no function, remote", drivers.Settings{"remote": "yes", "ask": "MEAS?"},
			[]string{"SYST:REM", "CONF?", "MEAS?"}, []string{"CONF?", "MEAS?"}, "0.041 Ω"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: func(line string) string {
					switch {
					case line == "CONF?":
						return "\"FRES +1.000000E+03,+1.000000E-03\"\n"
					case line == "INIT;:FETC?":
						return " 23.5\n"
					case line == "MEAS?":
						return "0.041\n"
					case strings.Contains(strings.ToUpper(line), "MEAS"):
						return "4.1E-2\n"
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

// TestLeave: only a meter that was taken from its front panel is given back.
func TestLeave(t *testing.T) {
	for remote, sent := range map[string][]string{"yes": {"SYST:LOC"}, "no": nil} {
		m := &meter{answer: usual}
		a := newTestAsker(t, drivers.Settings{"remote": remote}).(*asker)
		if err := a.Leave(m); err != nil || !slices.Equal(m.heard, sent) {
			t.Errorf("remote %q: sent %q, %v; want %q", remote, m.heard, err, sent)
		}
		m.broken = io.ErrClosedPipe
		if err := a.Leave(m); (err != nil) != (remote == "yes") || err != nil && !errors.Is(err, io.ErrClosedPipe) {
			t.Errorf("remote %q: %v of a port that is closed", remote, err)
		}
	}
}

// TestDeadline: the timeout by hand, from the formula at its constants.
func TestDeadline(t *testing.T) {
	for _, tt := range []struct {
		settings drivers.Settings
		want     time.Duration
	}{
		{drivers.Settings{}, 3 * time.Second},
		{drivers.Settings{"function": "VOLT:DC", "nplc": "0.02"}, 3004 * time.Millisecond},
		{drivers.Settings{"function": "VOLT:DC", "nplc": "10", "range": "10"}, 3400 * time.Millisecond},
		{drivers.Settings{"function": "VOLT:DC", "nplc": "10"}, 5 * time.Second},
		{drivers.Settings{"function": "FRES", "nplc": "100"}, 23 * time.Second},
		{drivers.Settings{"function": "FRES", "nplc": "100", "timeout": "7s"}, 7 * time.Second},
	} {
		synctest.Test(t, func(t *testing.T) {
			m := &meter{answer: but("READ?", "")}
			if tt.settings["function"] == "" {
				m.knob = "VOLT:DC"
				m.answer = func(line string) string {
					if line == "CONF?" {
						return "VOLT\n"
					}
					return but("READ?", "")(line)
				}
			}
			start := time.Now()
			_, err := newTestAsker(t, tt.settings).Ask(m)
			wantReply(t, err, drivers.NoReply, "in answer to READ? within "+tt.want.String())
			// Draining: twice 50 ms, or three times.
			if took := time.Since(start) - tt.want; took < 0 || took > 150*time.Millisecond {
				t.Errorf("settings %v: took %v more than %v", tt.settings, took, tt.want)
			}
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
		{drivers.Settings{"range": "10"}, "function: range, nplc and channel need it"},
		{drivers.Settings{"channel": "101"}, "function: range, nplc and channel need it"},
		{drivers.Settings{"nplc": "1"}, "function: range, nplc and channel need it"},
		{drivers.Settings{"function": "VOLT:DC", "nplc": "slow"}, `nplc: "slow" is not a number of power line cycles: write for example 10`},
		{drivers.Settings{"function": "VOLT:DC", "nplc": "0"}, `nplc: "0" is not a number`},
		{drivers.Settings{"function": "VOLT:DC", "nplc": "0x1p3"}, `nplc: "0x1p3" is not a number`},
		{drivers.Settings{"function": "VOLT:DC", "nplc": "NaN"}, `nplc: "NaN" is not a number`},
		{drivers.Settings{"function": "VOLT:AC", "nplc": "1"}, "nplc: VOLT:AC has no integration time in power line cycles"},
		{drivers.Settings{"ask": "MEAS:VOLT:DC?", "nplc": "1"}, `nplc: "MEAS:VOLT:DC?" sets the meter's own integration time`},
		{drivers.Settings{"ask": "READ"}, `ask: "READ" is not a question: write for example "READ?"`},
		{drivers.Settings{"ask": "READ?\n*RST"}, `is not a question`},
		{drivers.Settings{"ask": "MEAS:PER?"}, `ask: "PER" is not known: write one of VOLT:DC`},
		{drivers.Settings{"ask": "MEAS:VOLT:DC?", "function": "RES"}, `function: RES is not what "MEAS:VOLT:DC?" measures`},
		{drivers.Settings{"ask": "MEAS:VOLT:DC? 10", "range": "100"}, `ask: "MEAS:VOLT:DC? 10" says range or channel itself`},
		{drivers.Settings{"figure": "0"}, `figure: "0" is not a place in the answer: write 1`},
		{drivers.Settings{"figure": "first"}, `figure: "first" is not a place`},
		{drivers.Settings{"remote": "true"}, `remote: "true" is neither "yes" nor "no"`},
		{drivers.Settings{"timeout": "-1ns"}, `timeout: "-1ns" is not a time to wait`},
	}
	for _, tt := range tests {
		_, err := Format.NewAsker(tt.settings)
		if _, ok := errors.AsType[*drivers.SettingError](err); !ok || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("settings %+v: %v, want an error with %q", tt.settings, err, tt.want)
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
		{"unit of something else", but("READ?", "38.2 mA\n"), drivers.BadReply, `answer "38.2 mA" to READ?: "mA" is no unit of VOLT:DC: check that the meter measures that`},
		{"no unit", but("READ?", "38.2 x\n"), drivers.BadReply, `"x" is no unit of VOLT:DC`},
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
		{"silence", but("READ?", ""), drivers.NoReply, `no line in answer to READ? within 3s, but 0 bytes "": check that the meter is on and its line settings; it answers *IDN? and has no error to report, so it waits for a trigger`},
		{"endless line", but("READ?", strings.Repeat("7", 5000)), drivers.BadReply, "does not end within 4096 bytes"},
		{"*IDN? silent", but("*IDN?", ""), drivers.NoReply, "no line in answer to *IDN? within 3s"},
		{"*IDN? empty", but("*IDN?", "\n"), drivers.BadReply, "answer to *IDN? is empty"},
		{"refused for ever", but("SYST:ERR?", "-113,\"Undefined header\"\n"), drivers.BadReply, `CONF:VOLT:DC 10 was refused: -113,"Undefined header" 32 times; and perhaps more; check function, range, nplc and channel`},
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

// TestChecked: every 10 s, whether the function is still the same and errors are
// waiting. A meter that does not say what it measures is believed.
func TestChecked(t *testing.T) {
	says := func(conf, function string) func(string) string {
		return func(line string) string {
			switch line {
			case "CONF?":
				return conf
			case "FUNC?":
				return function
			}
			return usual(line)
		}
	}
	setUp := []string{"*CLS", "*IDN?", "CONF:VOLT:DC", "SYST:ERR?", "FUNC?"}
	tests := []struct {
		name   string
		answer func(string) string
		first  []string
		later  []string // after 10 s
		want   string   // the first error, "" for none
	}{
		{"says so", says("", "\"VOLT\"\n"), append(setUp, "READ?"), []string{"FUNC?", "SYST:ERR?", "READ?"}, ""},
		{"says so to the other question", says("\"VOLT:DC 10,1E-5\"\n", ""), append(setUp, "CONF?", "*CLS", "READ?"), []string{"CONF?", "SYST:ERR?", "READ?"}, ""},
		{"does not say", says("", "\"DCV\"\n"), append(setUp, "*CLS", "READ?"), []string{"SYST:ERR?", "READ?"}, ""},
		{"only its knob sets it", says("", "\"RES\"\n"), setUp, append([]string{}, setUp...), "the meter measures RES, but was set to VOLT:DC"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: tt.answer, dumb: true}
				a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC"})
				for _, sent := range [][]string{tt.first, tt.later} {
					m.heard = nil
					_, err := a.Ask(m)
					if !slices.Equal(m.heard, sent) || (err != nil) != (tt.want != "") {
						t.Errorf("sent %q, %v; want %q", m.heard, err, sent)
					}
					if tt.want != "" {
						wantReply(t, err, drivers.BadReply, tt.want)
					}
					time.Sleep(checkEvery)
				}
			})
		})
	}
}

// TestLineEnds: LF, CR LF and CR end a line, also when the LF comes late.
func TestLineEnds(t *testing.T) {
	for _, end := range []string{"\n", "\r\n", "\r"} {
		for _, piece := range []int{0, 1} {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{piece: piece, answer: func(line string) string {
					return strings.ReplaceAll(strings.ReplaceAll(usual(line), "\r", ""), "\n", end)
				}}
				a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC", "range": "1000"})
				start := time.Now()
				defer func() {
					if took := time.Since(start); took > time.Second {
						t.Errorf("lines that end in %q: took %v", end, took)
					}
				}()
				for range 3 {
					if r, err := a.Ask(m); err != nil || show(r) != "461.873000 V dc" {
						t.Errorf("lines that end in %q: %v, %v", end, r, err)
					}
				}
			})
		}
	}
}

// TestSeveralFigures: each of two meters on a port takes its own of an answer.
func TestSeveralFigures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: func(line string) string {
			switch line {
			case "FUNC?":
				return "\"VOLT:DC\",\"FREQ\"\n"
			case "READ?":
				return "+4.61873E+02,50.02;+9.91E37\n"
			}
			return usual(line)
		}}
		for figure, want := range map[string]string{"1": "461.873 V dc", "2": "50.02 Hz", "3": "NaN V dc nan"} {
			if r, err := newTestAsker(t, drivers.Settings{"figure": figure}).Ask(m); err != nil || show(r) != want {
				t.Errorf("figure %s is %v, %v; want %s", figure, r, err, want)
			}
		}
		_, err := newTestAsker(t, drivers.Settings{"figure": "4"}).Ask(m)
		wantReply(t, err, drivers.BadReply, `answer "+4.61873E+02,50.02;+9.91E37" to READ?: it has 3 of the figures, and figure = 4 is asked for`)
	})
}

// TestIdentify: the answer to *IDN? has four fields; other text may be a
// meter's; an echo is not, nor is noise, nor silence.
func TestIdentify(t *testing.T) {
	for _, tt := range []struct {
		answer string
		want   float64
	}{
		{identity + "\n", 0.95},
		{identity + "\r", 0.95},
		{"+1.5E+00\n" + identity + "\n", 0.95}, // a late reading before it
		{"SIX DIGIT V1.2\r\n", 0.5},
		{"*IDN?\r\n", 0},
		{"*IDN?" + identity + "\n", 0},
		{"", 0},
		{"\n", 0},
		{"BENCH,SIX", 0},
		{"\x00\xff\x80,,,\n", 0},
		{strings.Repeat("x", 5000), 0},
		{"1.5\n", 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			m := &meter{answer: func(string) string { return tt.answer }}
			start := time.Now()
			s, sure, err := Format.Identify(m)
			if s != nil || sure != tt.want || err != nil || !slices.Equal(m.heard, []string{"*IDN?"}) {
				t.Errorf("%q: %v, %v, %v, having sent %q; want %v", tt.answer, s, sure, err, m.heard, tt.want)
			}
			if took := time.Since(start); took > 2*time.Second {
				t.Errorf("%q: took %v", tt.answer, took)
			}
			m.broken = io.ErrClosedPipe
			if _, _, err := Format.Identify(m); !errors.Is(err, io.ErrClosedPipe) {
				t.Errorf("error is %v, want the port's own", err)
			}
		})
	}
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

// FuzzAnswer: no answer panics; how it is cut makes no difference.
func FuzzAnswer(f *testing.F) {
	for _, s := range []string{"+4.61873000E+02\n", "9.9E37\r\n", "9.91E37\n", "-0.00E-03\n", "1.2E\n", ",\n", "\n", "1,2,3\n", "1E-30\n", "999999999999999999E-60\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, answer []byte) {
		ask := func(piece int) (r drivers.Reading, err error) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: but("READ?", string(answer)), piece: piece}
				r, err = newTestAsker(t, drivers.Settings{"function": "VOLT:DC"}).Ask(m)
			})
			return r, err
		}
		r, err := ask(0)
		single, errSingle := ask(1)
		if r != single || (err == nil) != (errSingle == nil) || err != nil && err.Error() != errSingle.Error() {
			t.Fatalf("%q in one piece: %#v, %v; byte by byte: %#v, %v", answer, r, err, single, errSingle)
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
