package scpi

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightsoak/drivers"
)

// standard is the list of SCPI-99's errors that a published parser library for
// instruments has, with its texts, by class.
var standard = map[string]map[int]string{
	"command error": {-100: "Command error", -101: "Invalid character", -102: "Syntax error", -103: "Invalid separator",
		-104: "Data type error", -105: "GET not allowed", -108: "Parameter not allowed", -109: "Missing parameter",
		-110: "Command header error", -112: "Program mnemonic too long", -113: "Undefined header",
		-114: "Header suffix out of range", -120: "Numeric data error", -123: "Exponent too large", -124: "Too many digits",
		-131: "Invalid suffix", -138: "Suffix not allowed", -141: "Invalid character data", -151: "Invalid string data",
		-161: "Invalid block data"},
	"execution error": {-200: "Execution error", -210: "Trigger error", -211: "Trigger ignored", -213: "Init ignored",
		-214: "Trigger deadlock", -220: "Parameter error", -221: "Settings conflict", -222: "Data out of range",
		-223: "Too much data", -224: "Illegal parameter value", -230: "Data corrupt or stale", -231: "Data questionable",
		-240: "Hardware error", -241: "Hardware missing"},
	"device-specific error": {-300: "Device specific error", -310: "System error", -311: "Memory error",
		-313: "Calibration memory lost", -321: "Out of memory", -330: "Self-test failed", -340: "Calibration failed",
		-350: "Queue overflow", -360: "Communication error", -361: "Parity error", -362: "Framing error",
		-363: "Input buffer overrun", -365: "Time out error"},
	"query error": {-400: "Query error", -410: "Query INTERRUPTED", -420: "Query UNTERMINATED", -430: "Query DEADLOCKED",
		-440: "Query UNTERMINATED after indefinite response"},
	"power on": {-500: "Power on"}, "user request": {-600: "User request"},
	"request control": {-700: "Request control"}, "operation complete": {-800: "Operation complete"},
}

// TestStandardErrors: each is read as meters write it, and written so again;
// without its text it has the name of its class, or its own.
func TestStandardErrors(t *testing.T) {
	for class, numbers := range standard {
		for n, text := range numbers {
			line := fmt.Sprintf("%d,%q", n, text)
			e, ok := parseEntry(line)
			if !ok || e != (entry{n, text}) || e.String() != line {
				t.Errorf("%s is read as %+v, %v, and written %s", line, e, ok, e)
			}
			for _, bare := range []string{fmt.Sprint(n), fmt.Sprintf("%d,\"\"", n), fmt.Sprintf(" %d , ", n)} {
				e, ok := parseEntry(bare)
				name := strings.TrimSuffix(strings.TrimPrefix(e.String(), fmt.Sprintf("%d (", n)), ")")
				if !ok || name != class && name != strings.ToLower(text) {
					t.Errorf("%q is read as %s, %v, want its class %q", bare, e, ok, class)
				}
			}
		}
	}
}

func TestEntries(t *testing.T) {
	for line, want := range map[string]string{
		`0,"No error"`:  `0,"No error"`,
		`+0,"No error"`: `0,"No error"`,
		`-113,"Undefined header;VLOT:DC? 10,""x"""`: `-113,"Undefined header;VLOT:DC? 10,\"x\""`,
		`-113,Undefined header`:                     `-113,"Undefined header"`,
		`-113, "Undefined header"`:                  `-113,"Undefined header"`,
		`521,"Input overloaded"`:                    `521,"Input overloaded"`,
		`521`:                                       `521 (the meter's own error)`,
		`-199`:                                      `-199 (command error)`,
		`-999`:                                      `-999 (unknown error)`,
		"-113,\"a\tb\"":                             `-113,"a\tb"`,
		``:                                          "",
		`no error`:                                  "",
		`"No error"`:                                "",
		`1.5`:                                       "",
		`1,2`:                                       "", // two figures
		`1,2.5E3 VDC,3`:                             "",
		`-1.5E+00,"VDC"`:                            "",
	} {
		e, ok := parseEntry(line)
		if ok != (want != "") || ok && e.String() != want {
			t.Errorf("%q is read as %s, %v; want %s", line, e, ok, want)
		}
	}
}

// queued answers from an error queue, and all else as asked.
func queued(otherwise func(string) string, entries ...string) func(string) string {
	return func(line string) string {
		switch {
		case line == "SYST:ERR?" && len(entries) > 0:
			e := entries[0]
			entries = entries[1:]
			return e + "\r\n"
		case line == "SYST:ERR?":
			return "0,\"No error\"\r\n"
		}
		return otherwise(line)
	}
}

// TestErrorQueue: after a fault the queue is emptied and told, oldest entry first.
func TestErrorQueue(t *testing.T) {
	const none = `0,"No error"` // at set-up
	var many []string
	for i := range 40 {
		many = append(many, fmt.Sprintf(`%d,"error"`, i+1))
	}
	tests := []struct {
		name    string
		answer  func(string) string
		why     drivers.Reason
		want    string
		wantNot string
	}{
		{"three", queued(but("READ?", ""), none, `-222,"Data out of range"`, `521,"Input overloaded"`, `-350`),
			drivers.NoReply, `in answer to READ? within 3s, but 0 bytes "": check that the meter is on and its line settings; the meter reports -222,"Data out of range"; 521,"Input overloaded"; -350 (queue overflow) (meter "BENCH`, "trigger"},
		{"stale", queued(but("READ?", "\n"), none, `-230,"Data corrupt or stale"`),
			drivers.BadReply, `answer "" to READ?: "" is not a number: nothing was sent; the meter reports -230,"Data corrupt or stale"`, ""},
		{"nothing to say to a bad answer", queued(but("READ?", "x\n"), none),
			drivers.BadReply, `answer "x" to READ?: "x" is not a number (meter`, ";"},
		{"too many", queued(but("READ?", ""), append([]string{none}, many...)...),
			drivers.NoReply, `31,"error"; 32,"error"; and perhaps more`, "33,"},
		{"at set-up", queued(usual, `-113,"Undefined header"`, `-222`),
			drivers.BadReply, `CONF:VOLT:DC 10 was refused: -113,"Undefined header"; -222 (data out of range); check function, range`, ""},
		{"queue unreadable", queued(but("READ?", ""), none, "what?"),
			drivers.NoReply, "no line in answer to READ? within 3s", ";"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &meter{answer: tt.answer}
				_, err := newTestAsker(t, drivers.Settings{"function": "VOLT:DC", "range": "10"}).Ask(m)
				wantReply(t, err, tt.why, tt.want)
				if tt.wantNot != "" && strings.Contains(err.Error(), tt.wantNot) {
					t.Errorf("error is %v, without %q", err, tt.wantNot)
				}
				n := 0
				for _, line := range m.heard {
					if line == "SYST:ERR?" {
						n++
					}
				}
				if n > 1+mostErrors {
					t.Errorf("SYST:ERR? was asked %d times", n)
				}
			})
		})
	}
}

// TestSilence: a meter that falls silent altogether is told apart from one that
// only has no reading to give.
func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &meter{answer: usual}
		a := newTestAsker(t, drivers.Settings{"function": "VOLT:DC"})
		if _, err := a.Ask(m); err != nil {
			t.Fatal(err)
		}
		m.answer = func(string) string { return "" }
		_, err := a.Ask(m)
		wantReply(t, err, drivers.NoReply, `in answer to READ? within 3s, but 0 bytes "": check that the meter is on and its line settings; nor is *IDN? answered (meter "BENCH`)
		start := time.Now()
		_, err = a.Ask(m)
		wantReply(t, err, drivers.NoReply, "in answer to *IDN? within 3s")
		if took := time.Since(start); took != 6*time.Second {
			t.Errorf("took %v, want a timeout of silence and one of waiting", took)
		}
	})
}
