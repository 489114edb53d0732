package alarms_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// hum is an engine whose job also watches hum across the dummy load.
func hum(t *testing.T) *alarms.Engine {
	t.Helper()
	b, err := bench.Parse("bench.toml", []byte(benchText+"[[meter]]\nname = \"h1\"\nport = \"/dev/ttyUSB9\"\nformat = \"fs9922\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte(emulate.JobTOML()+"[[watch]]\nname = \"hum\"\nmeter = \"h1\"\nunit = \"mV\"\nhigh = 5\n"), b)
	if err != nil {
		t.Fatal(err)
	}
	return alarms.New(b, j)
}

// The operator keeps the figure of a watch before and after, as displayed.
func TestMark(t *testing.T) {
	inputs := []alarms.Input{{Act: &alarms.Act{Act: "begin"}}}
	reads := func(now time.Duration, digits int64) {
		inputs = append(inputs, alarms.Input{T: now, Meter: 5, Reading: drivers.Reading{Digits: digits, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.AC}})
	}
	mark := func(now time.Duration, text string) {
		inputs = append(inputs, alarms.Input{T: now, Act: &alarms.Act{Act: "mark", Watch: "hum", Text: text}})
	}
	reads(time.Second, 32)
	mark(2*time.Second, "before")
	reads(time.Minute, 9)
	mark(61*time.Second, "after")
	for range 2 { // and again from the record
		e := hum(t)
		var events []alarms.Event
		for _, in := range inputs {
			events = append(events, e.Feed(in)...)
		}
		w := e.Snapshot().Watches[0]
		var got []string
		for _, m := range w.Marks {
			got = append(got, m.T.String()+" "+m.Label+" "+m.Reading.String())
		}
		if want := []string{"2s before 3.2 mV [ac]", "1m1s after 0.9 mV [ac]"}; !slices.Equal(got, want) {
			t.Errorf("marks %q, want %q", got, want)
		}
		if i := slices.IndexFunc(events, func(e alarms.Event) bool { return e.Act == "mark" && e.Watch == "hum" && e.Text == "before" }); i < 0 {
			t.Errorf("the mark is no event: %v", events)
		}
	}
}

func TestMarkRefused(t *testing.T) {
	e := hum(t)
	e.Feed(alarms.Input{Act: &alarms.Act{Act: "begin"}})
	refused := func(a alarms.Act, says string) {
		t.Helper()
		if err := e.Check(a); !errors.Is(err, alarms.ErrRefused) || !strings.Contains(err.Error(), says) {
			t.Errorf("%+v: %v, want it to say %q", a, err, says)
		}
	}
	refused(alarms.Act{Act: "mark", Watch: "heater", Text: "before"}, `no watch "heater"; known are hum`)
	refused(alarms.Act{Act: "mark", Watch: "hum", Text: " "}, "before")
	refused(alarms.Act{Act: "mark", Watch: "hum", Text: "before"}, "no figure now")
	e.Feed(alarms.Input{T: time.Second, Meter: 5, Reading: drivers.Reading{Digits: 32, Exp: -4, Prefix: -3, Quantity: drivers.Voltage}})
	if err := e.Check(alarms.Act{Act: "mark", Watch: "hum", Text: "before"}); err != nil {
		t.Error(err)
	}
	e.Advance(time.Minute)
	refused(alarms.Act{Act: "mark", Watch: "hum", Text: "after"}, "no figure now") // what it showed is old
}
