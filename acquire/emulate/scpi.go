package emulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// A voltmeter is a SCPI DC voltmeter of 10 mV resolution (SCPI-99 command
// forms, IEEE 488.2 common commands): just enough of one to be set up, asked
// and found fault with.
type voltmeter struct {
	volts  func() float64 // at its input now
	noise  *rand.Rand
	last   string // the last reading, for FETCh?
	errors []string
	line   []byte
}

const (
	voltsPerCount = 0.01
	voltsFull     = 1000 // volt; over range from here
	maxLine       = 256  // bytes; longer input is thrown away with error -363
	maxErrors     = 10
)

// feed takes bytes and returns the answers that they ask for.
func (v *voltmeter) feed(p []byte) (answers []byte) {
	for _, c := range p {
		if c != '\n' {
			if len(v.line) <= maxLine {
				v.line = append(v.line, c)
			}
			continue
		}
		line := string(v.line)
		v.line = v.line[:0]
		if len(line) > maxLine {
			v.fault(`-363,"Input buffer overrun"`)
			continue
		}
		var out []string
		for _, command := range strings.Split(line, ";") {
			if a := v.execute(strings.TrimSpace(command)); a != "" {
				out = append(out, a)
			}
		}
		if len(out) > 0 {
			answers = append(answers, strings.Join(out, ";")+"\n"...)
		}
	}
	return answers
}

// execute obeys one command; the answer is empty for one that is no query.
func (v *voltmeter) execute(command string) string {
	header, _, _ := strings.Cut(command, " ") // a range asked for is taken and made no use of: it has one
	is := func(form string) bool { return scpiHeader(header, form) }
	switch {
	case command == "", is("*RST"), is("CONFigure:VOLTage:DC"),
		is("SENSe:VOLTage:DC:RANGe"), is("VOLTage:DC:RANGe"):
	case is("*CLS"):
		v.errors = nil
	case is("*IDN?"):
		return "nightsoak,emulated voltmeter,0,1"
	case is("*OPC?"):
		return "1"
	case is("CONFigure?"), is("FUNCtion?"), is("SENSe:FUNCtion?"):
		return `"VOLT:DC"`
	case is("SYSTem:ERRor?"), is("SYSTem:ERRor:NEXT?"):
		if len(v.errors) == 0 {
			return `0,"No error"`
		}
		e := v.errors[0]
		v.errors = v.errors[1:]
		return e
	case is("INITiate"), is("INITiate:IMMediate"):
		v.measure()
	case is("READ?"), is("MEASure:VOLTage:DC?"):
		v.measure()
		return v.last
	case is("FETCh?"):
		if v.last == "" {
			v.fault(`-230,"Data corrupt or stale"`)
		}
		return v.last
	default:
		v.fault(`-113,"Undefined header"`)
	}
	return ""
}

// measure takes a reading, a count up or down one time in four.
func (v *voltmeter) measure() {
	x := v.volts()
	if math.Abs(x) >= voltsFull {
		v.last = fmt.Sprintf("%+.8E", math.Copysign(9.9e37, x)) // SCPI's infinity
		return
	}
	counts := math.Round(x/voltsPerCount + v.noise.Float64() + v.noise.Float64() - 1)
	v.last = fmt.Sprintf("%+.2f", counts*voltsPerCount+0) // NR2: says its resolution; +0 so that no zero is negative
}

// fault queues an error; a full queue says so in its newest place.
func (v *voltmeter) fault(e string) {
	if len(v.errors) == maxErrors {
		v.errors[maxErrors-1] = `-350,"Queue overflow"`
		return
	}
	v.errors = append(v.errors, e)
}

// scpiHeader says whether a header is the given form, whose capitals are its
// short form: each word must be the short or the long one, in either case.
func scpiHeader(header, form string) bool {
	words, forms := strings.Split(strings.TrimPrefix(header, ":"), ":"), strings.Split(form, ":")
	if len(words) != len(forms) {
		return false
	}
	for i, f := range forms {
		short := strings.Map(func(r rune) rune {
			if 'a' <= r && r <= 'z' {
				return -1
			}
			return r
		}, f)
		if !strings.EqualFold(words[i], f) && !strings.EqualFold(words[i], short) {
			return false
		}
	}
	return true
}
