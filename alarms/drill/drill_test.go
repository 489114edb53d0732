package drill

import (
	"errors"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
	_ "nightsoak/drivers/catalogue"
)

// copyOf is a core that was given the first hour of a quiet model night, or with
// until its first minutes.
func copyOf(t *testing.T, until time.Duration, change func(job string) string) (*alarms.Engine, *bench.Bench, *bench.Job) {
	t.Helper()
	n, err := night.Generate(night.Quiet, 1)
	if err != nil {
		t.Fatal(err)
	}
	b, err := bench.Parse("bench.toml", []byte(n.Bench))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte(change(n.Job)), b)
	if err != nil {
		t.Fatal(err)
	}
	e := alarms.New(b, j)
	e.Feed(alarms.Input{Act: &alarms.Act{Act: "begin"}})
	for in := range n.Inputs() {
		if in.T > until {
			break
		}
		if in.Act == nil {
			e.Feed(alarms.Input{T: in.T, Meter: in.Meter, Reading: in.Reading})
		}
	}
	return e, b, j
}

func same(s string) string { return s }

// Every fault raises the alarm that is meant for it, at the socket asked for.
func TestEveryFaultIsSeen(t *testing.T) {
	for _, fault := range Faults {
		t.Run(fault, func(t *testing.T) {
			t.Parallel()
			e, b, j := copyOf(t, time.Hour, same)
			k := &j.Sockets[1]
			o, err := Inject(e, b, j, Ask{Fault: fault, Socket: k.Name})
			if err != nil {
				t.Fatal(err)
			}
			subject, meter := k.Name, b.Meters[k.Sense.Meter].Name
			switch fault {
			case "silent":
				subject = meter
			case "plate-lead":
				subject, meter = b.Name, b.Meters[k.PlateMeter].Name
			}
			if o.Alarm.ID != raises[fault]+"/"+subject || o.Meter != meter || o.Alarm.State != alarms.Unacknowledged {
				t.Errorf("%+v", o)
			}
			about, _ := alarms.About(raises[fault])
			if o.Alarm.Priority != about.Priority {
				t.Errorf("at %s priority, it can be %s", o.Alarm.Priority, about.Priority)
			}
			if at := time.Duration(o.Alarm.T); at < o.Began || at > o.Until {
				t.Errorf("came at %v; false readings from %v to %v", at, o.Began, o.Until)
			}
			t.Logf("%s %v after the first false reading (%s %s), before it %v", o.Alarm.ID, time.Duration(o.Alarm.T)-o.Began, o.Meter, o.Reading, o.Others)
		})
	}
}

// What is out of service does not come, and that is what the drill finds.
func TestWhatIsOutDoesNotCome(t *testing.T) {
	e, b, j := copyOf(t, time.Hour, func(job string) string {
		return job + "\n[alarm.no-conduction]\nout_of_service = \"new tubes\"\n"
	})
	o, err := Inject(e, b, j, Ask{Fault: "dead"})
	if err != nil || o.Alarm.Event != "" || o.Until-o.Began < patience-step {
		t.Errorf("%v %+v", err, o)
	}
}

func TestRefused(t *testing.T) {
	for _, c := range []struct {
		until time.Duration
		ask   Ask
		want  string
	}{
		{time.Second, Ask{Fault: "fire"}, `no fault "fire"; faults are runaway, over-dissipation, open, dead, silent, plate-lead`},
		{time.Second, Ask{Fault: "dead", Socket: "V99"}, `no socket "V99" in this run`},
		{0, Ask{Fault: "dead"}, "no socket conducts now, so there is nothing to go wrong: bring HT up first"},
	} {
		e, b, j := copyOf(t, c.until, same)
		if _, err := Inject(e, b, j, c.ask); !errors.Is(err, ErrAsk) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v\nwant %s", err, c.want)
		}
	}
}
