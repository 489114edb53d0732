// Package lines sends readings, figures and events out as Influx line
// protocol: to a file, over HTTP or over UDP. An outlet never holds anybody
// up: it queues a bounded number of lines in memory and, when nobody takes
// them, drops the oldest and says so.
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

// encode appends one line. Tags are in lexical order of their keys, which
// stores prefer and the encoder insists on. A line without a known field is no
// line: nothing is appended.
func encode(e *lineprotocol.Encoder, measurement string, at time.Time, tags []tag, fields []field) {
	begun := false
	for _, f := range fields {
		if !f.known {
			continue
		}
		if !begun {
			begun = true
			e.StartLine(measurement)
			for _, t := range tags {
				if v := clean(t.value); v != "" {
					e.AddTag(t.key, v)
				}
			}
		}
		e.AddField(f.key, f.value)
	}
	if begun {
		e.EndLine(at)
	}
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

// encodeSocket is measurement nightsoak_socket: what is known of one socket, SI units.
func encodeSocket(e *lineprotocol.Encoder, run Run, at time.Time, s *alarms.SocketState) {
	encode(e, "nightsoak_socket", at,
		[]tag{{"bench", run.Bench}, {"socket", s.Name}, {"ticket", run.Ticket}, {"tube", s.Tube}},
		[]field{
			number("cathode_current_a", s.CathodeCurrent),
			number("plate_current_a", s.PlateCurrent),
			number("plate_volts", s.PlateVolts),
			number("plate_dissipation_w", s.PlateDissipation),
			number("dissipation_ratio", s.DissipationRatio),
		})
}

// encodeMeter is measurement nightsoak_meter: one reading, SI unit. An
// overload has no value and makes no line.
func encodeMeter(e *lineprotocol.Encoder, run Run, at time.Time, meter string, r drivers.Reading) {
	encode(e, "nightsoak_meter", at,
		[]tag{{"bench", run.Bench}, {"meter", meter}, {"ticket", run.Ticket}, {"unit", r.Quantity.SIUnit()}},
		[]field{number("value", socket.Value{X: r.Value(), Known: r.HasValue()})})
}

// encodeEvent is measurement nightsoak_event: what happened, in words.
func encodeEvent(e *lineprotocol.Encoder, run Run, at time.Time, v *alarms.Event) {
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
