package record

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

const csvHeader = "t,meter,reading,unit,flags"

var csvColumns = strings.Split(csvHeader, ",")

// SyntaxError is an error in what a readings CSV or an acts file says.
type SyntaxError struct {
	File         string
	Line, Column int   // from 1, in bytes; 0 when not of one place
	Err          error // what is wrong, and how to mend it
}

// Error is "file:line:column: what is wrong".
func (e *SyntaxError) Error() string {
	s := e.File
	for _, n := range [...]int{e.Line, e.Column} {
		if n > 0 {
			s += ":" + strconv.Itoa(n)
		}
	}
	return s + ": " + e.Err.Error()
}

func (e *SyntaxError) Unwrap() error { return e.Err }

// ReadCSV yields the readings of a readings CSV: header
// "t,meter,reading,unit,flags", t in seconds of run time that never goes
// backwards, the reading as displayed ("OL" for overload), the unit with its
// prefix. name is the file's, for errors; meters gives a meter's index, or a
// negative number for one that is not known. It stops after the first error.
func ReadCSV(r io.Reader, name string, meters func(name string) int) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		c := csv.NewReader(r)
		c.FieldsPerRecord = -1 // told with a better text below
		c.ReuseRecord = true
		fail := func(column int, err error) {
			line, col := c.FieldPos(column)
			yield(alarms.Input{}, &SyntaxError{name, line, col, fmt.Errorf("column %s: %w", csvColumns[column], err)})
		}
		header := false
		var last time.Duration
		for {
			row, err := c.Read()
			if err == io.EOF && header {
				return
			}
			if err != nil {
				yield(alarms.Input{}, csvError(name, err))
				return
			}
			line, _ := c.FieldPos(0)
			if !header {
				header = true
				row[0] = strings.TrimPrefix(row[0], "\ufeff") // spreadsheets leave it there
				if !slices.Equal(row, csvColumns) {
					yield(alarms.Input{}, &SyntaxError{name, line, 0, fmt.Errorf("header is %q: it must be %q", strings.Join(row, ","), csvHeader)})
					return
				}
				continue
			}
			if len(row) != len(csvColumns) {
				yield(alarms.Input{}, &SyntaxError{name, line, 0, fmt.Errorf("%d columns, not the %d of %q", len(row), len(csvColumns), csvHeader)})
				return
			}
			var in alarms.Input
			if in.T, err = parseSeconds(row[0]); err == nil {
				err = inOrder(&last, in.T)
			}
			if err != nil {
				fail(0, err)
				return
			}
			if in.Meter = meters(row[1]); in.Meter < 0 {
				fail(1, fmt.Errorf("meter %q is not in the bench file", row[1]))
				return
			}
			if in.Reading, err = drivers.ParseReading(row[2], row[3], row[4]); err != nil {
				fail(blame(row), err)
				return
			}
			if !yield(in, nil) {
				return
			}
		}
	}
}

// csvError gives an error of the CSV syntax the file's name and place.
func csvError(name string, err error) error {
	if err == io.EOF {
		return &SyntaxError{name, 1, 0, fmt.Errorf("nothing here: the first line must be %q", csvHeader)}
	}
	if pe, ok := errors.AsType[*csv.ParseError](err); ok {
		return &SyntaxError{name, pe.Line, pe.Column, pe.Err}
	}
	return fmt.Errorf("%s: %w", name, err)
}

// blame is the column at fault in a row that is not a reading.
func blame(row []string) int {
	if _, err := drivers.ParseFlags(row[4]); err != nil {
		return 4
	}
	if _, _, err := drivers.ParseUnit(row[3]); err != nil {
		return 3
	}
	return 2
}

// parseSeconds reads a run time and rounds it to 1 ms.
func parseSeconds(s string) (time.Duration, error) {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || !(x >= 0 && x < 1e9) {
		return 0, fmt.Errorf("%q is not a run time: write seconds from 0, for example 613.200", s)
	}
	return ms(int64(math.Round(x * 1000))), nil
}

// inOrder fails when t lies before last, and else makes it the last.
func inOrder(last *time.Duration, t time.Duration) error {
	if t < *last {
		return fmt.Errorf("t = %.3f s comes after %.3f s: run time never goes backwards; sort the lines", t.Seconds(), last.Seconds())
	}
	*last = t
	return nil
}

// WriteCSV writes the readings among inputs as a readings CSV; meters are the
// names by index. ReadCSV gives the same readings again, digit for digit; only
// a reading whose last digit lies above its unit's point (462 kV shown in mV)
// is written with the next prefix that shows it exactly.
func WriteCSV(w io.Writer, meters []string, inputs iter.Seq2[alarms.Input, error]) error {
	c := csv.NewWriter(w)
	row := slices.Clone(csvColumns)
	c.Write(row) // errors stay in c until Flush
	for in, err := range inputs {
		if err != nil {
			return err
		}
		if in.Act != nil || in.Port != nil || in.Gap != nil {
			continue
		}
		if in.Meter < 0 || in.Meter >= len(meters) {
			return fmt.Errorf("reading at t = %.3f s is of meter number %d: the run has %d", in.T.Seconds(), in.Meter, len(meters))
		}
		r, err := writable(in.Reading)
		if err != nil {
			return fmt.Errorf("reading at t = %.3f s of meter %s: %w", in.T.Seconds(), meters[in.Meter], err)
		}
		row[0] = strconv.FormatFloat(in.T.Seconds(), 'f', 3, 64)
		row[1], row[2], row[3], row[4] = meters[in.Meter], r.Text(), r.Unit(), r.Flags.String()
		c.Write(row)
	}
	c.Flush()
	return c.Error()
}

// writable is r with the nearest prefix under which text and unit say it all.
func writable(r drivers.Reading) (drivers.Reading, error) {
	for _, step := range [...]int8{0, 3, -3, 6, -6, 9, -9, 12, -12} {
		q := r
		q.Prefix = r.Prefix + step
		if !r.HasValue() {
			q.Digits, q.Exp = 0, q.Prefix // of no meaning
		}
		if back, err := drivers.ParseReading(q.Text(), q.Unit(), q.Flags.String()); err == nil && back == q {
			return q, nil
		}
	}
	return r, fmt.Errorf("%d × 10^%d %s cannot be written as a decimal with a unit", r.Digits, r.Exp, r.Quantity.SIUnit())
}

// ReadActs yields the acts of an acts file: one JSON event a line, as "replay
// --json" prints them, of kind act, port or gap, t never going backwards.
// Anything else in it is an error: the core works out the other kinds itself.
// name is the file's, for errors. It stops after the first error.
func ReadActs(r io.Reader, name string) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		lines := bufio.NewScanner(r)
		lines.Buffer(nil, 1<<20)
		var last time.Duration
		line := 0
		for lines.Scan() {
			line++
			b := bytes.TrimSpace(lines.Bytes())
			if len(b) == 0 {
				continue
			}
			in, err := parseAct(b)
			if err == nil {
				err = inOrder(&last, in.T)
			}
			if err != nil {
				e := &SyntaxError{File: name, Line: line, Err: err}
				if se, ok := errors.AsType[*json.SyntaxError](err); ok {
					e.Column = int(se.Offset)
				}
				yield(alarms.Input{}, e)
				return
			}
			if !yield(in, nil) {
				return
			}
		}
		if err := lines.Err(); err != nil {
			yield(alarms.Input{}, fmt.Errorf("%s:%d: %w", name, line+1, err))
		}
	}
}

// parseAct reads one line of an acts file.
func parseAct(line []byte) (in alarms.Input, err error) {
	var head struct {
		T     *alarms.Seconds `json:"t"`
		Event string          `json:"event"`
	}
	if err := json.Unmarshal(line, &head); err != nil {
		return in, err // kept as it is: it knows the column
	}
	if head.T == nil || *head.T < 0 {
		return in, errors.New(`"t" is missing or negative: write the run time in seconds, for example "t":613.2`)
	}
	in.T = time.Duration(*head.T)
	type common struct {
		T     json.RawMessage `json:"t"`
		Event json.RawMessage `json:"event"`
	}
	strict := func(to any) error {
		d := json.NewDecoder(bytes.NewReader(line))
		d.DisallowUnknownFields()
		if err := d.Decode(to); err != nil {
			return fmt.Errorf("event %q: %w", head.Event, err)
		}
		return nil
	}
	switch head.Event {
	case alarms.EventAct:
		var e struct {
			common
			alarms.Act
		}
		if err = strict(&e); err == nil && e.Act.Act == "" {
			err = errors.New(`event "act" without "act": say which, for example "act":"note"`)
		}
		in.Act = &e.Act
	case alarms.EventPort:
		var e struct {
			common
			alarms.PortChange
		}
		if err = strict(&e); err == nil && e.Meter == "" {
			err = errors.New(`event "port" without "meter": say whose port`)
		}
		in.Port = &e.PortChange
	case alarms.EventGap:
		var e struct {
			common
			alarms.Gap
		}
		err = strict(&e)
		in.Gap = &e.Gap
	default:
		err = fmt.Errorf("event %q: only act, port and gap belong here, the core works out the rest; leave the line out", head.Event)
	}
	return in, err
}

// Merge yields acts and readings, each in order of time already, as one stream
// in order of time; at the same time acts come first. It stops after the first
// error of either.
func Merge(acts, readings iter.Seq2[alarms.Input, error]) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		next, stop := iter.Pull2(acts)
		defer stop()
		act, actErr, more := next()
		for in, err := range readings {
			for more && (actErr != nil || act.T <= in.T) {
				if !yield(act, actErr) || actErr != nil {
					return
				}
				act, actErr, more = next()
			}
			if !yield(in, err) || err != nil {
				return
			}
		}
		for more {
			if !yield(act, actErr) || actErr != nil {
				return
			}
			act, actErr, more = next()
		}
	}
}
