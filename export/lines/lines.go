// Package lines sends readings, figures and events out as Influx line
// protocol: over HTTP, TCP, UDP or a Unix socket, to a file or to stdout. An
// outlet never holds anybody up: what nobody takes waits in memory and, where a
// spool is given, on the disk; past the stated size the oldest goes and that is
// said.
package lines

import (
	"cmp"
	"fmt"
	"strings"
	"time"
	"unicode"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
	"nightsoak/export"
)

// Run is what every line of a run is tagged with.
type Run struct {
	Bench  string
	Ticket string // empty when no run is on
	ID     string // empty when no run is on; no tag
	Past   bool   // what comes is judged again from the record: only what the spool has not seen goes out
}

// tag and field are one of a line; a tag with an empty value and a field that
// is not known are left out.
type (
	tag   struct{ key, value string }
	field struct {
		key   string
		value lineprotocol.Value
		known bool
	}
)

// encoder makes lines. Within a series no two lines get the same stamp, since a
// database would keep only the later: what comes at one moment is put one unit
// of the precision apart, in its order, which a run judged again repeats.
type encoder struct {
	lineprotocol.Encoder
	unit time.Duration    // of the precision
	last map[string]int64 // stamp of the last line of each series, in units; nil: stamps are left as they are
}

func newEncoder(p lineprotocol.Precision) *encoder {
	e := &encoder{unit: p.Duration(), last: map[string]int64{}}
	e.SetPrecision(p)
	return e
}

// encode appends one line. Tags are in lexical order of their keys, which
// stores prefer and the encoder insists on. A line without a known field is no
// line: nothing is appended.
func encode(e *encoder, measurement string, at time.Time, tags []tag, fields []field) {
	begun := false
	for _, f := range fields {
		if !f.known {
			continue
		}
		if !begun {
			begun = true
			from := len(e.Bytes())
			e.StartLine(measurement)
			for _, t := range tags {
				if v := clean(t.value); v != "" {
					e.AddTag(t.key, v)
				}
			}
			if e.last != nil {
				at = e.apart(e.Bytes()[from:], at)
			}
		}
		e.AddField(f.key, f.value)
	}
	if begun {
		e.EndLine(at)
	}
}

// apart is at, or the first moment after the last line of the series.
func (e *encoder) apart(series []byte, at time.Time) time.Time {
	n := at.UnixNano() / int64(e.unit)
	if last, ok := e.last[string(series)]; ok && n <= last {
		n = last + 1
		at = time.Unix(0, n*int64(e.unit))
	}
	e.last[string(series)] = n
	return at
}

// clean makes a tag's value one that the protocol can carry: UTF-8, no control
// characters, no backslash at the end.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	return strings.TrimRight(s, `\ `)
}

func number(key string, v socket.Value) field {
	x, ok := lineprotocol.FloatValue(v.X)
	return field{key, x, v.Known && ok}
}

func text(key, s string) field {
	v, ok := lineprotocol.StringValue(strings.ToValidUTF8(strings.ReplaceAll(s, "\n", " "), "\uFFFD"))
	return field{key, v, ok && s != ""}
}

// sample is what a line of figures or of a reading is made of.
type sample struct {
	measurement string
	tags        [4]tag
	keys        []string
	values      [5]socket.Value // as many as keys
}

var socketKeys = []string{"cathode_current_a", "plate_current_a", "plate_volts", "plate_dissipation_w", "dissipation_ratio"}
var meterKeys = []string{"value"}

// ofSocket is measurement nightsoak_socket: what is known of one socket, SI units.
func ofSocket(run Run, s *alarms.SocketState) sample {
	return sample{"nightsoak_socket",
		[4]tag{{"bench", run.Bench}, {"socket", s.Name}, {"ticket", run.Ticket}, {"tube", s.Tube}},
		socketKeys,
		[5]socket.Value{s.CathodeCurrent, s.PlateCurrent, s.PlateVolts, s.PlateDissipation, s.DissipationRatio}}
}

// ofMeter is measurement nightsoak_meter: one reading, SI unit. An overload has
// no value and makes no line.
func ofMeter(run Run, meter string, r drivers.Reading) sample {
	return sample{"nightsoak_meter",
		[4]tag{{"bench", run.Bench}, {"meter", meter}, {"ticket", run.Ticket}, {"unit", r.Quantity.SIUnit()}},
		meterKeys, [5]socket.Value{{X: r.Value(), Known: r.HasValue()}}}
}

// encodeSample is one line: each field as it is.
func encodeSample(e *encoder, at time.Time, s sample) {
	var fields [len(s.values)]field
	for i, key := range s.keys {
		fields[i] = number(key, s.values[i])
	}
	encode(e, s.measurement, at, s.tags[:], fields[:len(s.keys)])
}

// encodeEvent is measurement nightsoak_event: what happened, in words.
func encodeEvent(e *encoder, run Run, at time.Time, v *alarms.Event) {
	encode(e, "nightsoak_event", at,
		[]tag{
			{"alarm", v.Alarm}, {"bench", run.Bench}, {"event", v.Event}, {"priority", string(v.Priority)},
			{"subject", cmp.Or(v.Subject, v.ID, v.Socket, v.Meter)}, {"ticket", run.Ticket},
		},
		[]field{text("text", words(v)), text("state", string(v.State))})
}

// words says an event in a line where it carries no text of its own.
func words(v *alarms.Event) string {
	switch v.Event {
	case alarms.EventPhase:
		return string(v.Phase)
	case alarms.EventSettled:
		s := v.Socket + " settled"
		if v.CathodeCurrent != nil && v.CathodeCurrent.Known {
			s += fmt.Sprintf(" at %.1f mA", 1000*v.CathodeCurrent.X)
		}
		if v.DissipationRatio != nil && v.DissipationRatio.Known {
			s += fmt.Sprintf(", %.0f %% of the limit", 100*v.DissipationRatio.X)
		}
		return s
	case alarms.EventAct:
		return strings.TrimSpace(v.Act + " " + export.ActWords(v))
	}
	return cmp.Or(v.Text, v.Event)
}
