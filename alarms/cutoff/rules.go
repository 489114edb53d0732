package cutoff

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// Rules are which alarms drop the mains, and how long they must have stood.
type Rules struct {
	When  []string      // alarm names
	After time.Duration // run time at high priority
}

// RulesOf is what the bench says, but for what the job says instead.
func RulesOf(c *bench.Cutoff, j *bench.Job) Rules {
	r := Rules{c.When, c.After}
	if j.Cutoff.When != nil {
		r.When = j.Cutoff.When
	}
	if len(j.Sockets) > 0 && j.Cutoff.After >= 0 {
		r.After = j.Cutoff.After
	}
	return r
}

// has says whether an alarm of that name drops: a first power-up's does whatever
// the files say, for its limits hold for minutes and there is nothing to wait for.
func (r Rules) has(alarm string) bool {
	return alarm == alarms.FirstPowerName || slices.Contains(r.When, alarm)
}

// after is how long an alarm of that name must have stood.
func (r Rules) after(alarm string) time.Duration {
	if alarm == alarms.FirstPowerName {
		return 0
	}
	return r.After
}

// Names says whether an alarm is one that drops, as it stands now. That it is
// shelved or acknowledged makes no difference: that is for the ear.
func (r Rules) Names(a *alarms.AlarmState) bool {
	return a.Active && a.Priority == alarms.High && a.State != alarms.OutOfService && r.has(a.Alarm)
}

// Cuts says whether it is to drop the mains at run time t.
func (r Rules) Cuts(a *alarms.AlarmState, t time.Duration) bool {
	return r.Names(a) && t-a.Since >= r.after(a.Alarm)
}

// AtOnce says whether an event is such an alarm that needs no time: it need not
// wait for a look at the state.
func (r Rules) AtOnce(e *alarms.Event) bool {
	return r.after(e.Alarm) == 0 && e.Stands() && e.State != alarms.OutOfService && e.Priority == alarms.High && r.has(e.Alarm)
}

// CauseOf is an alarm as a cause, with the last reading of the meter that it is
// about: of a socket its sense meter, of the bench the plate meter. last is
// Engine.Last: a whole snapshot would hold the drop up. of is the meter that the
// alarm itself names; empty for none.
func CauseOf(id, subject, of, text string, b *bench.Bench, j *bench.Job, last func(meter int) (drivers.Reading, time.Duration, bool)) Cause {
	c := Cause{ID: id, Text: cmp.Or(text, id)}
	meter := b.MeterIndex(subject)
	for i := range j.Sockets {
		k := &j.Sockets[i]
		if k.Name == subject {
			meter = k.Sense.Meter
		} else if subject == b.Name && meter < 0 {
			meter = k.PlateMeter
		}
	}
	for i := range j.Watches {
		if j.Watches[i].Name == subject {
			meter = j.Watches[i].Meter
		}
	}
	if of != "" {
		meter = b.MeterIndex(of)
	}
	if r, at, ok := last(meter); ok {
		t := alarms.Seconds(at)
		c.Meter, c.ReadT, c.Reading = b.Meters[meter].Name, &t, r.Text()+" "+r.Unit()
	}
	return c
}

// act is the cause as the act that the record has.
func (c *Cause) act() alarms.Act {
	text := c.Text
	if c.Meter != "" {
		text += fmt.Sprintf("; %s showed %s", c.Meter, c.Reading)
	}
	return alarms.Act{Act: "cut", ID: c.ID, Text: text, Meter: c.Meter, Reading: c.Reading, ReadT: c.ReadT}
}
