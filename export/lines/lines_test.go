package lines

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

var (
	north  = Run{Bench: "north", Ticket: "R-1187"}
	moment = time.Date(2026, 1, 14, 20, 12, 0, 200_000_000, time.UTC)
)

func is(x float64) socket.Value { return socket.Value{X: x, Known: true} }

func reading(text, unit string) drivers.Reading {
	r, err := drivers.ParseReading(text, unit, "dc")
	if err != nil {
		panic(err)
	}
	return r
}

func encodeSocket(e *encoder, run Run, at time.Time, s *alarms.SocketState) {
	encodeSample(e, at, ofSocket(run, s))
}

func encodeMeter(e *encoder, run Run, at time.Time, meter string, r drivers.Reading) {
	encodeSample(e, at, ofMeter(run, meter, r))
}

func encoded(do func(*encoder)) (string, error) {
	e := newEncoder(lineprotocol.Nanosecond)
	do(e)
	return string(e.Bytes()), e.Err()
}

// point is a line as the reference decoder reads it.
type point struct {
	Measurement  string
	Tags, Fields map[string]string
	At           time.Time
}

// read has the reference decoder (line-protocol v2) read lines back.
func read(t *testing.T, s string) (points []point) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%v in %q", err, s)
		}
	}
	d := lineprotocol.NewDecoderWithBytes([]byte(s))
	for d.Next() {
		name, err := d.Measurement()
		must(err)
		p := point{Measurement: string(name), Tags: map[string]string{}, Fields: map[string]string{}}
		for {
			k, v, err := d.NextTag()
			must(err)
			if k == nil {
				break
			}
			p.Tags[string(k)] = string(v)
		}
		for {
			k, v, err := d.NextField()
			must(err)
			if k == nil {
				break
			}
			p.Fields[string(k)] = fmt.Sprint(v.Interface())
		}
		p.At, err = d.Time(lineprotocol.Nanosecond, time.Time{})
		must(err)
		points = append(points, p)
	}
	must(d.Err())
	return points
}

func TestLines(t *testing.T) {
	v7 := alarms.SocketState{Name: "V7", Tube: "6L6GC", Figures: socket.Figures{
		CathodeCurrent: is(0.0413), PlateCurrent: is(0.0413), PlateVolts: is(462), PlateDissipation: is(19.0806), DissipationRatio: is(0.63602)}}
	noPlate := v7
	noPlate.PlateVolts, noPlate.PlateDissipation, noPlate.DissipationRatio = socket.Value{}, socket.Value{}, is(math.NaN())
	current, ratio := is(0.0351), is(0.64)
	open := false
	for _, c := range []struct {
		name string
		do   func(*encoder)
		want string
	}{
		{"socket", func(e *encoder) { encodeSocket(e, north, moment, &v7) },
			"nightsoak_socket,bench=north,socket=V7,ticket=R-1187,tube=6L6GC cathode_current_a=0.0413,plate_current_a=0.0413,plate_volts=462,plate_dissipation_w=19.0806,dissipation_ratio=0.63602 1768421520200000000\n"},
		{"socket, part unknown", func(e *encoder) { encodeSocket(e, north, moment, &noPlate) },
			"nightsoak_socket,bench=north,socket=V7,ticket=R-1187,tube=6L6GC cathode_current_a=0.0413,plate_current_a=0.0413 1768421520200000000\n"},
		{"socket, nothing known", func(e *encoder) {
			encodeSocket(e, north, moment, &alarms.SocketState{Name: "V7"})
		}, ""},
		{"meter", func(e *encoder) { encodeMeter(e, north, moment, "k3", reading("41.3", "mV")) },
			"nightsoak_meter,bench=north,meter=k3,ticket=R-1187,unit=V value=0.0413 1768421520200000000\n"},
		{"meter, overload", func(e *encoder) { encodeMeter(e, north, moment, "k3", reading("OL", "mV")) }, ""},
		{"meter, no run", func(e *encoder) {
			encodeMeter(e, Run{Bench: "north"}, moment, "k3", reading("-0.5", "V"))
		}, "nightsoak_meter,bench=north,meter=k3,unit=V value=-0.5 1768421520200000000\n"},
		{"phase", func(e *encoder) {
			encodeEvent(e, north, moment, &alarms.Event{Event: "phase", Phase: alarms.WarmUp})
		}, `nightsoak_event,bench=north,event=phase,ticket=R-1187 text="warm-up" 1768421520200000000` + "\n"},
		{"settled", func(e *encoder) {
			encodeEvent(e, north, moment, &alarms.Event{Event: "settled", Socket: "V5", CathodeCurrent: &current, DissipationRatio: &ratio})
		}, `nightsoak_event,bench=north,event=settled,subject=V5,ticket=R-1187 text="V5 settled at 35.1 mA, 64 % of the limit" 1768421520200000000` + "\n"},
		{"alarm", func(e *encoder) {
			encodeEvent(e, north, moment, &alarms.Event{Event: "alarm", ID: "runaway/V7", Alarm: "runaway", Subject: "V7", Priority: alarms.High, State: alarms.Unacknowledged, Text: "V7 runs away"})
		}, `nightsoak_event,alarm=runaway,bench=north,event=alarm,priority=high,subject=V7,ticket=R-1187 text="V7 runs away",state="unacknowledged" 1768421520200000000` + "\n"},
		{"act", func(e *encoder) {
			encodeEvent(e, north, moment, &alarms.Event{Event: "act", Act: "shelve", ID: "drift/V6", For: "30m"})
		}, `nightsoak_event,bench=north,event=act,subject=drift/V6,ticket=R-1187 text="shelve drift/V6 30m" 1768421520200000000` + "\n"},
		{"port", func(e *encoder) {
			encodeEvent(e, north, moment, &alarms.Event{Event: "port", Meter: "k3", Open: &open, Text: "gone"})
		}, `nightsoak_event,bench=north,event=port,subject=k3,ticket=R-1187 text="gone" 1768421520200000000` + "\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := encoded(c.do)
			if err != nil || got != c.want {
				t.Errorf("%v\ngot  %swant %s", err, got, c.want)
			}
			if n := len(read(t, got)); n != strings.Count(c.want, "\n") {
				t.Errorf("the reference decoder reads %d lines", n)
			}
		})
	}
}

// TestHardNames: whatever people write comes back as they wrote it, but for
// what the protocol cannot carry.
func TestHardNames(t *testing.T) {
	for in, want := range map[string]string{
		"plain":            "plain",
		"R 1187, again=":   "R 1187, again=",
		`a "quoted" one`:   `a "quoted" one`,
		"#north":           "#north",
		"Röhre µ 管":        "Röhre µ 管",
		`ends in \`:        "ends in",
		`back\slash`:       `back\slash`,
		"two\nlines\there": "two lines here",
		"bad \xff byte":    "bad \uFFFD byte",
		"\x7f":             "",
		"":                 "",
	} {
		got, err := encoded(func(e *encoder) {
			encodeEvent(e, Run{Bench: in, Ticket: in}, moment, &alarms.Event{Event: "alarm", Subject: in, Priority: alarms.Low, Text: "x " + in})
			encodeMeter(e, Run{Bench: in, Ticket: in}, moment, in, reading("1", "V"))
		})
		if err != nil {
			t.Errorf("%q: %v", in, err)
			continue
		}
		tags := map[string]string{"event": "alarm", "priority": "low"}
		meter := map[string]string{"unit": "V"}
		if want != "" {
			tags["bench"], tags["ticket"], tags["subject"] = want, want, want
			meter["bench"], meter["ticket"], meter["meter"] = want, want, want
		}
		text := "x " + strings.NewReplacer("\n", " ", "\xff", "\uFFFD").Replace(in)
		if diff := cmp.Diff([]point{
			{"nightsoak_event", tags, map[string]string{"text": text}, moment},
			{"nightsoak_meter", meter, map[string]string{"value": "1"}, moment},
		}, read(t, got)); diff != "" {
			t.Errorf("%q: %s", in, diff)
		}
	}
}

func FuzzLines(f *testing.F) {
	f.Add("north", "R-1187", "V7 runs away", 0.0413)
	f.Add(`a\`, "x,y= z", "two\nlines \"quoted\" \\", math.Inf(1))
	f.Add("", "\x00\xff", "", math.NaN())
	f.Fuzz(func(t *testing.T, name, ticket, words string, x float64) {
		run := Run{Bench: name, Ticket: ticket}
		got, err := encoded(func(e *encoder) {
			encodeSocket(e, run, moment, &alarms.SocketState{Name: name, Figures: socket.Figures{CathodeCurrent: is(x)}})
			encodeEvent(e, run, moment, &alarms.Event{Event: "act", Act: "note", Text: words})
		})
		if err != nil {
			t.Fatal(err)
		}
		want := 1
		if !math.IsNaN(x) && !math.IsInf(x, 0) {
			want = 2
		}
		if n := len(read(t, got)); n != want {
			t.Errorf("%d lines, want %d: %q", n, want, got)
		}
	})
}
