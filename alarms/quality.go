package alarms

import (
	"cmp"
	"maps"
	"slices"
	"time"
)

// Benchmark is a published figure for how many alarms a person can manage, per
// operating position. All are from ISA-18.2-2016 / IEC 62682:2014 as quoted by
// others; the standards themselves were not at hand. They are meant for at
// least 30 days of a plant: of one night they say which way it leans.
type Benchmark struct {
	Name       string
	Target     float64
	Manageable float64 // at most; the target where none is given
	Source     string
}

// The benchmark figures. Counts are averages, shares are ratios.
var (
	PerTenMinutes   = Benchmark{"alarms in 10 min", 1, 2, "ISA-18.2 / IEC 62682, second-hand"}
	PerHour         = Benchmark{"alarms in an hour", 6, 12, "ISA-18.2 / IEC 62682, second-hand"}
	FloodShare      = Benchmark{"10-minute periods with more than 10 alarms", 0.01, 0.01, "ISA-18.2 / IEC 62682, second-hand"}
	ChatterFleeting = Benchmark{"chattering and fleeting alarms", 0, 0, "ISA-18.2 / IEC 62682, second-hand"}
	StaleADay       = Benchmark{"stale alarms on any day", 4, 4, "ISA-18.2 / IEC 62682, second-hand: under 5"}
	LowShare        = Benchmark{"share of low priority", 0.80, 0.80, "ISA-18.2 / IEC 62682, second-hand"}
	MediumShare     = Benchmark{"share of medium priority", 0.15, 0.15, "ISA-18.2 / IEC 62682, second-hand"}
	HighShare       = Benchmark{"share of high priority", 0.05, 0.05, "ISA-18.2 / IEC 62682, second-hand"}
)

// What makes an alarm a bad one.
const (
	// A flood is more than floodOver alarms in floodWindow; it is over when as
	// long has fewer than floodUnder (ISA-18.2 / IEC 62682, second-hand).
	floodOver, floodUnder = 10, 5
	// Chattering is told three times within a minute: a convention for finding
	// it, no limit of the standard (second-hand).
	chatterTimes  = 3
	chatterWithin = time.Minute
	// Fleeting is over before anyone could act: within the shortest class of
	// response, taken as a minute (estimate; the standard names no figure).
	fleetingWithin = time.Minute
	// Stale has stood for more than a day without a break (second-hand).
	staleAfter = 24 * time.Hour
)

// Quality is how well the alarms of a run would serve the one person who has to
// act on them. An alarm is told each time it becomes unacknowledged.
type Quality struct {
	Watched    time.Duration // run time without the gaps
	Told       int
	ByPriority map[Priority]int
	Grouped    int // raised, and told by a flood's alarm in place of their own

	PerHour       float64 // told, over the time watched; over 1 h if it was less
	PerTenMinutes float64 // likewise; over 10 min
	MostTen       int     // the most that were told in any 10 min
	MostTenAt     time.Duration
	MostHour      int // in any hour

	Periods         int // of 10 min since the run began, the last may be shorter
	PeriodsOver     int // of them with more than 10 told
	Floods          []Flood
	FloodsUngrouped []Flood  // what would have been, had each been told by itself
	Chattering      []string // ids, each once, in the order they were first told
	Fleeting        []string
	Stale           []string
}

// Flood is a stretch of run time with more alarms than a person can manage.
type Flood struct {
	From, To time.Duration
	Alarms   int
	First    string // id of the alarm that it began with
}

// MeasureQuality measures the events of a run that lasted until end, in order of time.
func MeasureQuality(events []Event, end time.Duration) Quality {
	q := Quality{Watched: end, ByPriority: map[Priority]int{}}
	type alarm struct {
		told   []time.Duration
		toldAt time.Duration // -1: not waiting for its end
		from   time.Duration // has stood since; -1: does not
		state  State
		active bool
	}
	all := map[string]*alarm{}
	var order []string
	var told, raised []moment
	stale := func(id string, a *alarm, now time.Duration) {
		if a.from >= 0 && now-a.from > staleAfter && !slices.Contains(q.Stale, id) {
			q.Stale = append(q.Stale, id)
		}
	}
	for i := range events {
		ev := &events[i]
		at := time.Duration(ev.T)
		if ev.Event == EventGap && ev.From != nil {
			q.Watched -= max(0, at-time.Duration(*ev.From))
		}
		if ev.Event != EventAlarm {
			continue
		}
		a := all[ev.ID]
		if a == nil {
			a = &alarm{toldAt: -1, from: -1, state: Normal}
			all[ev.ID] = a
			order = append(order, ev.ID)
		}
		active := ev.Active
		switch ev.State {
		case Unacknowledged:
			active = true
			told = append(told, moment{at, ev.ID})
			a.told, a.toldAt = append(a.told, at), at
			q.ByPriority[ev.Priority]++
			if ev.Alarm != floodRule.name {
				raised = append(raised, moment{at, ev.ID})
			}
		case Acknowledged:
			active = true
		case Suppressed:
			if active && !(a.state == Suppressed && a.active) {
				q.Grouped++
				raised = append(raised, moment{at, ev.ID})
			}
		}
		if !active && a.toldAt >= 0 {
			if at-a.toldAt < fleetingWithin && !slices.Contains(q.Fleeting, ev.ID) {
				q.Fleeting = append(q.Fleeting, ev.ID)
			}
			a.toldAt = -1
		}
		switch {
		case active && a.from < 0:
			a.from = at
		case !active:
			stale(ev.ID, a, at)
			a.from = -1
		}
		a.state, a.active = ev.State, active
	}
	for _, id := range order {
		a := all[id]
		stale(id, a, end)
		for i := chatterTimes - 1; i < len(a.told); i++ {
			if a.told[i]-a.told[i-chatterTimes+1] <= chatterWithin {
				q.Chattering = append(q.Chattering, id)
				break
			}
		}
	}
	q.Told = len(told)
	q.PerHour = float64(q.Told) / max(q.Watched, time.Hour).Hours()
	q.PerTenMinutes = float64(q.Told) / (float64(max(q.Watched, floodWindow)) / float64(floodWindow))
	q.MostTen, q.MostTenAt = most(told, floodWindow)
	q.MostHour, _ = most(told, time.Hour)
	q.Periods = int((end + floodWindow - 1) / floodWindow)
	in := map[time.Duration]int{}
	for _, m := range told {
		in[m.at/floodWindow]++
	}
	for n := range maps.Values(in) {
		if n > floodOver {
			q.PeriodsOver++
		}
	}
	q.Floods, q.FloodsUngrouped = floods(told), floods(raised)
	return q
}

// moment is an alarm told.
type moment struct {
	at time.Duration
	id string
}

// most is the largest number told within any stretch of that length, and when the first such began.
func most(told []moment, long time.Duration) (n int, at time.Duration) {
	for i, j := 0, 0; j < len(told); j++ {
		for told[j].at-told[i].at >= long {
			i++
		}
		if j-i+1 > n {
			n, at = j-i+1, told[i].at
		}
	}
	return n, at
}

// floods finds the stretches that begin with more than floodOver within the
// window and end when a window has fewer than floodUnder.
func floods(told []moment) (all []Flood) {
	for i := 0; i+floodOver < len(told); i++ {
		if told[i+floodOver].at-told[i].at >= floodWindow {
			continue
		}
		// Over when the window that begins at j has fewer than floodUnder.
		j := i
		for j+floodUnder-1 < len(told) && told[j+floodUnder-1].at-told[j].at < floodWindow {
			j++
		}
		last := min(j+floodUnder-2, len(told)-1)
		for last > i && told[last].at-told[last-1].at >= floodWindow {
			last--
		}
		all = append(all, Flood{From: told[i].at, To: told[last].at, Alarms: last - i + 1, First: told[i].id})
		i = last
	}
	return all
}

// Share is the share of a priority among what was told; 0 of nothing.
func (q *Quality) Share(p Priority) float64 {
	return float64(q.ByPriority[p]) / float64(cmp.Or(q.Told, 1))
}

// Mark is how a figure stands to its benchmark: "within", "manageable" or "over".
func (b Benchmark) Mark(x float64) string {
	switch {
	case x <= b.Target:
		return "within"
	case x <= b.Manageable:
		return "manageable"
	}
	return "over"
}
