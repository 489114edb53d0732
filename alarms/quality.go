package alarms

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
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
	Watched    Seconds          `json:"watched_s"` // run time without the gaps
	Told       int              `json:"told"`
	ByPriority map[Priority]int `json:"by_priority"`
	Grouped    int              `json:"grouped"` // raised, and told by a flood's alarm in place of their own

	PerHour       float64 `json:"per_hour"`       // told, over the time watched; over 1 h if it was less
	PerTenMinutes float64 `json:"per_10_min"`     // likewise; over 10 min
	MostTen       int     `json:"most_in_10_min"` // in any 10 min
	MostTenAt     Seconds `json:"most_in_10_min_t"`
	MostHour      int     `json:"most_in_1_h"`

	Periods     int     `json:"periods_of_10_min"` // since the run began, the last may be shorter
	PeriodsOver int     `json:"periods_over_10"`   // of them with more than 10 told
	Floods      []Flood `json:"floods"`
	// FloodsUngrouped are what there had been, had each been told by itself.
	FloodsUngrouped []Flood  `json:"floods_ungrouped"`
	Chattering      []string `json:"chattering"` // ids, each once, in the order they were first told
	Fleeting        []string `json:"fleeting"`
	Stale           []string `json:"stale"`
}

// Flood is a stretch of run time with more alarms than a person can manage.
type Flood struct {
	From   Seconds `json:"from"`
	To     Seconds `json:"to"`
	Alarms int     `json:"alarms"`
	First  string  `json:"first"` // id of the alarm that it began with
}

// MeasureQuality measures the events of a run that lasted until end, in order of time.
func MeasureQuality(events []Event, end time.Duration) Quality {
	q := Quality{Watched: Seconds(end), ByPriority: map[Priority]int{Low: 0, Medium: 0, High: 0}, Chattering: []string{}, Fleeting: []string{}, Stale: []string{}}
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
	cut := time.Duration(-1)
	stale := func(id string, a *alarm, now time.Duration) {
		if a.from >= 0 && now-a.from > staleAfter && !slices.Contains(q.Stale, id) {
			q.Stale = append(q.Stale, id)
		}
	}
	for i := range events {
		ev := &events[i]
		at := time.Duration(ev.T)
		if ev.Event == EventGap && ev.From != nil {
			q.Watched -= max(0, ev.T-*ev.From)
		}
		if ev.Event == EventAct && ev.Act == "cut" {
			cut = at
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
		active := ev.Stands()
		switch ev.State {
		case Unacknowledged:
			told = append(told, moment{at, ev.ID})
			a.told, a.toldAt = append(a.told, at), at
			q.ByPriority[ev.Priority]++
			if ev.Alarm != floodRule.name {
				raised = append(raised, moment{at, ev.ID})
			}
		case Suppressed:
			if active && !(a.state == Suppressed && a.active) {
				q.Grouped++
				raised = append(raised, moment{at, ev.ID})
			}
		}
		if !active && a.toldAt >= 0 {
			// What ended because the mains were dropped was answered in time.
			if at-a.toldAt < fleetingWithin && cut < a.toldAt && !slices.Contains(q.Fleeting, ev.ID) {
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
	q.PerHour = float64(q.Told) / max(time.Duration(q.Watched), time.Hour).Hours()
	q.PerTenMinutes = float64(q.Told) / (float64(max(time.Duration(q.Watched), floodWindow)) / float64(floodWindow))
	var from time.Duration
	q.MostTen, from = most(told, floodWindow)
	q.MostTenAt = Seconds(from)
	q.MostHour, _ = most(told, time.Hour)
	q.Periods = int((end + floodWindow - 1) / floodWindow)
	in := map[time.Duration]int{}
	for _, m := range told {
		in[m.at/floodWindow]++
	}
	for _, n := range in {
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
func floods(told []moment) []Flood {
	all := []Flood{}
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
		all = append(all, Flood{From: Seconds(told[i].at), To: Seconds(told[last].at), Alarms: last - i + 1, First: told[i].id})
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

// QualityLine is one figure of a Quality beside its benchmark, in words.
type QualityLine struct {
	Name, Figure       string
	Target, Manageable string // empty without a benchmark
	Mark               string // as Benchmark.Mark; empty without one
}

// Lines are the figures beside their benchmarks, as people read them.
func (q *Quality) Lines() []QualityLine {
	var all []QualityLine
	number := func(x float64) string { return fmt.Sprintf("%.3g", x) }
	share := func(x float64) string { return fmt.Sprintf("%.0f %%", 100*x) }
	upTo := func(x float64, words func(float64) string) string {
		if x == 0 {
			return "none"
		}
		return "up to " + words(x)
	}
	add := func(b Benchmark, x float64, words func(float64) string, beside string) {
		all = append(all, QualityLine{Name: b.Name, Figure: words(x) + beside, Target: upTo(b.Target, words), Manageable: upTo(b.Manageable, words), Mark: b.Mark(x)})
	}
	names := func(ids []string) string {
		if len(ids) == 0 {
			return ""
		}
		return ": " + strings.Join(ids, ", ")
	}
	most := ""
	if q.MostTen > 0 {
		most = fmt.Sprintf("; most %d, from %s", q.MostTen, q.MostTenAt.clock())
	}
	add(PerTenMinutes, q.PerTenMinutes, number, most)
	add(PerHour, q.PerHour, number, fmt.Sprintf("; most %d", q.MostHour))
	over := 0.0
	if q.Periods > 0 {
		over = float64(q.PeriodsOver) / float64(q.Periods)
	}
	add(FloodShare, over, share, fmt.Sprintf("; floods: %d", len(q.Floods)))
	bad := slices.Clone(q.Chattering)
	for _, id := range q.Fleeting {
		if !slices.Contains(bad, id) {
			bad = append(bad, id)
		}
	}
	add(ChatterFleeting, float64(len(bad)), number, names(bad))
	add(StaleADay, float64(len(q.Stale)), number, names(q.Stale))
	for _, p := range []struct {
		b Benchmark
		p Priority
	}{{LowShare, Low}, {MediumShare, Medium}, {HighShare, High}} {
		all = append(all, QualityLine{Name: p.b.Name, Figure: fmt.Sprintf("%s (%d)", share(q.Share(p.p)), q.ByPriority[p.p]), Target: "about " + share(p.b.Target)})
	}
	if q.Grouped > 0 {
		words := fmt.Sprintf("%d", q.Grouped)
		for _, f := range q.FloodsUngrouped {
			words += fmt.Sprintf("; one by one there had been a flood of %d from %s, first %s", f.Alarms, f.From.clock(), f.First)
		}
		all = append(all, QualityLine{Name: "told together by " + FloodName, Figure: words})
	}
	return all
}
