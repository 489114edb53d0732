package emulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
)

// A voltmeter is a SCPI voltmeter of five ranges, or a scanner before one
// (SCPI-99 command forms, IEEE 488.2 common commands): just enough of one to be
// set up, asked and found fault with.
type voltmeter struct {
	volts    func() float64         // at its input now
	channels map[int]func() float64 // of a scanner, which has no input beside them
	noise    *rand.Rand

	ac      bool    // measures what is alternating, which is nothing
	full    float64 // volts, of the range it is set to; 0 for automatic
	nplc    float64 // power line cycles of a conversion
	channel int     // that the scanner closes; 0 for none
	remote  bool    // its front panel is locked

	last   string // the last reading, for FETCh?
	errors []string
	line   []byte
}

const (
	countsFull = 100000
	usualNPLC  = 1
	maxLine    = 256 // bytes; longer input is thrown away with error -363
	maxErrors  = 10
)

// voltRanges are full scale; over range begins there.
var voltRanges = [...]float64{0.1, 1, 10, 100, 1000}

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
	header, parameters, _ := strings.Cut(command, " ")
	is := func(form string) bool { return scpiHeader(header, form) }
	switch {
	case command == "":
	case is("*RST"):
		v.ac, v.full, v.nplc, v.channel, v.last = false, 0, usualNPLC, 0, ""
	case is("CONFigure:VOLTage:DC"), is("CONFigure:VOLTage"):
		v.configure(false, parameters)
	case is("CONFigure:VOLTage:AC"):
		v.configure(true, parameters)
	case is("SENSe:VOLTage:DC:RANGe"), is("VOLTage:DC:RANGe"):
		v.setRange(parameters)
	case is("SENSe:VOLTage:DC:NPLC"), is("VOLTage:DC:NPLC"):
		cycles, at, _ := strings.Cut(parameters, ",")
		switch n, err := strconv.ParseFloat(cycles, 64); {
		case err != nil:
			v.fault(`-104,"Data type error"`)
		case !(n >= 0.02 && n <= 100):
			v.fault(`-222,"Data out of range"`)
		case at == "" || v.route(at):
			v.nplc = n
		}
	case is("SYSTem:REMote"):
		v.remote = true
	case is("SYSTem:LOCal"):
		v.remote = false
	case is("*CLS"):
		v.errors = nil
	case is("*IDN?"):
		if v.channels != nil {
			return "nightsoak,emulated scanner,0,1"
		}
		return "nightsoak,emulated voltmeter,0,1"
	case is("*OPC?"):
		return "1"
	case is("CONFigure?"), is("FUNCtion?"), is("SENSe:FUNCtion?"):
		if v.ac {
			return `"VOLT:AC"`
		}
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
	case is("READ?"):
		v.measure()
		return v.last
	case is("MEASure:VOLTage:DC?"), is("MEASure:VOLTage?"):
		if v.configure(false, parameters) {
			v.measure()
		}
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

// configure takes range and channel. The reading it had is then no longer one.
func (v *voltmeter) configure(ac bool, parameters string) bool {
	v.last = ""
	volts, at := parameters, ""
	if i := strings.Index(parameters, "(@"); i >= 0 {
		volts, at = strings.TrimSuffix(strings.TrimSpace(parameters[:i]), ","), parameters[i:]
	}
	if at == "" && v.channels != nil {
		v.fault(`-109,"Missing parameter"`)
		return false
	}
	if at != "" && !v.route(at) || !v.setRange(volts) {
		return false
	}
	v.ac, v.nplc = ac, usualNPLC
	return true
}

// route closes a channel, given as (@101).
func (v *voltmeter) route(at string) bool {
	n, err := strconv.Atoi(strings.TrimSuffix(strings.TrimPrefix(at, "(@"), ")"))
	switch {
	case v.channels == nil:
		v.fault(`-108,"Parameter not allowed"`)
		return false
	case err != nil || v.channels[n] == nil:
		v.fault(`-224,"Illegal parameter value"`)
		return false
	}
	v.channel = n
	return true
}

// setRange takes the largest value expected, or a word.
func (v *voltmeter) setRange(volts string) bool {
	switch strings.ToUpper(volts) {
	case "", "AUTO", "DEF":
		v.full = 0
		return true
	case "MIN":
		v.full = voltRanges[0]
		return true
	case "MAX":
		v.full = voltRanges[len(voltRanges)-1]
		return true
	}
	x, err := strconv.ParseFloat(volts, 64)
	if err != nil {
		v.fault(`-104,"Data type error"`)
		return false
	}
	for _, full := range voltRanges {
		if math.Abs(x) <= full {
			v.full = full
			return true
		}
	}
	v.fault(`-222,"Data out of range"`)
	return false
}

// measure takes a reading, a count up or down one time in four.
func (v *voltmeter) measure() {
	input := v.volts
	if v.channels != nil {
		if input = v.channels[v.channel]; input == nil {
			v.last = "+9.91000000E+37" // not-a-number: nothing is connected
			return
		}
	}
	x := input()
	if v.ac {
		x = 0
	}
	full := v.full
	for i := 0; full == 0; i++ {
		if i == len(voltRanges)-1 || math.Abs(x) < voltRanges[i] {
			full = voltRanges[i]
		}
	}
	if math.Abs(x) >= full {
		v.last = fmt.Sprintf("%+.8E", math.Copysign(9.9e37, x)) // SCPI's infinity
		return
	}
	count := full / countsFull
	counts := math.Round(x/count + v.noise.Float64() + v.noise.Float64() - 1)
	// NR2: says its resolution; +0 so that no zero is negative.
	v.last = fmt.Sprintf("%+.*f", int(math.Round(-math.Log10(count))), counts*count+0)
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
