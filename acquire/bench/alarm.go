package bench

import (
	"errors"
	"maps"
	"slices"
	"time"
)

// Alarm is one [alarm.NAME] table: what a file sets in the place of the alarm's
// own. The keys are the terms of ISA-18.2 / IEC 62682 and OPC 10000-9.
type Alarm struct {
	Priority     string         // low, medium or high; empty for its own. Of one that grows by itself, the highest it may take
	OnDelay      *time.Duration // run time, at most 1 h; nil for its own
	OffDelay     *time.Duration // likewise
	Deadband     *float64       // ratio of the limit, at most 0.5; nil for its own
	Latch        *bool          // stays, once over, until it is reset; nil for its own
	ReAlarm      *time.Duration // run time, 1 min to 24 h; 0 for never; nil for its own
	OutOfService string         // why it is not to be raised; empty for in service
}

// hostAlarms are raised by the daemon about itself, outside the core.
var hostAlarms = []string{"cutoff-failed", "record-failing", "outlet-losing", "clock-jumped"}

// deadbandAlarms are those that compare a figure with a limit both ways.
var deadbandAlarms = []string{"over-dissipation", "drift", "supply", "watch", "imbalance", "idle-off-target", "first-power"}

// notOf says why a key is not one of an alarm.
func notOf(alarm, key string) string {
	switch alarm + "." + key {
	case "over-dissipation.on_delay":
		return "is dissipation_for of [limits]"
	case "not-settled.on_delay":
		return "is settle_by of [limits]"
	case "meter-silent.on_delay":
		return "is silent_after of the [[meter]]"
	case "meter-silent.off_delay":
		return "has no meaning: a meter is silent until it is heard again for its silent_after"
	case "step.on_delay":
		return "would lose it: a step is told at its moment or not at all"
	}
	if key == "deadband" && !slices.Contains(deadbandAlarms, alarm) {
		return "has no meaning: this alarm compares no figure with a limit"
	}
	return ""
}

// alarmTables reads [alarm.NAME] tables; what they leave out stays as it is in base.
func alarmTables(top *table, base map[string]Alarm) map[string]Alarm {
	all := maps.Clone(base)
	tables, given := top.sub("alarm")
	if !given {
		return all
	}
	if all == nil {
		all = map[string]Alarm{}
	}
	settable := slices.DeleteFunc(slices.Clone(alarmNames), func(n string) bool { return slices.Contains(hostAlarms, n) })
	for _, name := range slices.Sorted(maps.Keys(tables.values)) {
		switch {
		case slices.Contains(hostAlarms, name):
			tables.fail(name, "is the daemon's own alarm about itself: no file changes it")
		case !slices.Contains(settable, name):
			tables.fail(name, "no such alarm; %s", known(name, settable))
		default:
			if t, isTable := tables.sub(name); isTable {
				all[name] = alarmTable(t, name, all[name])
			}
		}
	}
	return all
}

func alarmTable(t *table, name string, a Alarm) Alarm {
	for _, key := range []string{"on_delay", "off_delay", "deadband"} {
		if why := notOf(name, key); why != "" && t.has(key) {
			t.fail(key, "%s", why)
			t.asked = append(t.asked, key)
			delete(t.values, key)
		}
	}
	a.Priority = get(t, "priority", a.Priority, oneOf("low", "medium", "high"))
	a.OnDelay = get(t, "on_delay", a.OnDelay, alarmDelay)
	a.OffDelay = get(t, "off_delay", a.OffDelay, alarmDelay)
	a.Deadband = get(t, "deadband", a.Deadband, func(v any) (*float64, error) {
		x, err := percent(0.5)(v)
		return &x, err
	})
	a.Latch = get(t, "latch", a.Latch, func(v any) (*bool, error) {
		b, err := truth(v)
		return &b, err
	})
	a.ReAlarm = get(t, "re_alarm", a.ReAlarm, reAlarm)
	a.OutOfService = get(t, "out_of_service", a.OutOfService, reason)
	t.done()
	return a
}

func alarmDelay(v any) (*time.Duration, error) {
	s, ok := v.(string)
	d, err := time.ParseDuration(s)
	if !ok || err != nil || d < 0 || d > time.Hour {
		return nil, errors.New(`must be a Go duration from "0s" to "1h" in quotes, such as "20s"`)
	}
	d = d.Round(time.Millisecond)
	return &d, nil
}

func reAlarm(v any) (*time.Duration, error) {
	s, ok := v.(string)
	if s == "never" {
		return new(time.Duration), nil
	}
	d, err := time.ParseDuration(s)
	if !ok || err != nil || d < time.Minute || d > 24*time.Hour {
		return nil, errors.New(`must be "never" or a Go duration from "1m" to "24h" in quotes, such as "30m"`)
	}
	d = d.Round(time.Millisecond)
	return &d, nil
}

// reason is why an alarm is out of service: true alone is no reason.
func reason(v any) (string, error) {
	s, err := printable(v)
	if _, isText := v.(string); !isText {
		err = errors.New(`must be the reason, in quotes: who reads the record must know why nothing was raised`)
	}
	return s, err
}
