package alarms

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"
)

// told is alarm events from a script: id, moment, state and priority.
type toldAt struct {
	at    time.Duration
	id    string
	state State
	p     Priority
}

func script(told ...toldAt) (ev []Event) {
	for _, x := range told {
		ev = append(ev, Event{T: Seconds(x.at), Event: EventAlarm, ID: x.id, Alarm: x.id, State: x.state, Priority: x.p, Active: x.state == Suppressed})
	}
	return ev
}

func every(n int, from, step time.Duration) (ev []Event) {
	for i := range n {
		ev = append(ev, script(toldAt{from + time.Duration(i)*step, fmt.Sprint("a", i), Unacknowledged, Medium})...)
	}
	return ev
}

// The definitions of ISA-18.2 / IEC 62682 at their edges: eleven in ten minutes
// are a flood and ten are none; three in a minute chatter and two do not; over
// within a minute is fleeting; more than a day is stale.
func TestQuality(t *testing.T) {
	const m = time.Minute
	for _, c := range []struct {
		name   string
		events []Event
		end    time.Duration
		check  func(q Quality) bool
	}{
		{"nothing", nil, time.Hour, func(q Quality) bool {
			return q.Told == 0 && q.PerHour == 0 && q.Share(High) == 0 && q.Periods == 6 && len(q.Floods) == 0
		}},
		{"ten in ten minutes", every(10, 0, m-time.Second), time.Hour, func(q Quality) bool {
			return len(q.Floods) == 0 && q.MostTen == 10 && q.PeriodsOver == 0 && q.PerHour == 10 && q.PerTenMinutes == 10./6
		}},
		{"eleven in ten minutes", every(11, 0, 59*time.Second), time.Hour, func(q Quality) bool {
			return len(q.Floods) == 1 && q.Floods[0] == Flood{0, Seconds(590 * time.Second), 11, "a0"} && q.MostTen == 11 && q.PeriodsOver == 1
		}},
		{"eleven in eleven minutes", every(11, 0, m), time.Hour, func(q Quality) bool { return len(q.Floods) == 0 && q.MostTen == 10 }},
		{"a flood goes on while there are five in ten minutes", append(every(11, 0, time.Second), every(10, 2*m, 2*m)...), time.Hour,
			func(q Quality) bool {
				return len(q.Floods) == 1 && q.Floods[0].Alarms == 21
			}},
		{"and is over when there are four", append(every(11, 0, time.Second), every(10, 5*m, 151*time.Second)...), time.Hour,
			func(q Quality) bool {
				return len(q.Floods) == 1 && q.Floods[0].Alarms == 14 && q.Floods[0].First == "a0"
			}},
		{"two floods", append(every(11, 0, time.Second), every(12, 2*time.Hour, time.Second)...), 3 * time.Hour, func(q Quality) bool {
			return len(q.Floods) == 2 && q.Floods[0].Alarms == 11 && q.Floods[1] == Flood{Seconds(2 * time.Hour), Seconds(2*time.Hour + 11*time.Second), 12, "a0"}
		}},
		{"grouped", append(every(9, 0, time.Second), script(toldAt{10 * time.Second, "b", Suppressed, High}, toldAt{11 * time.Second, "c", Suppressed, High})...), time.Hour,
			func(q Quality) bool {
				return q.Told == 9 && q.Grouped == 2 && len(q.Floods) == 0 && len(q.FloodsUngrouped) == 1 && q.FloodsUngrouped[0].Alarms == 11
			}},
		{"chattering", script(toldAt{0, "a", Unacknowledged, Low}, toldAt{20 * time.Second, "a", Returned, Low}, toldAt{30 * time.Second, "a", Unacknowledged, Low},
			toldAt{55 * time.Second, "a", Returned, Low}, toldAt{m, "a", Unacknowledged, Low}), time.Hour,
			func(q Quality) bool {
				return slices.Equal(q.Chattering, []string{"a"}) && slices.Equal(q.Fleeting, []string{"a"})
			}},
		{"not chattering", script(toldAt{0, "a", Unacknowledged, Low}, toldAt{30 * time.Second, "a", Unacknowledged, Low}, toldAt{m + 1e6, "a", Unacknowledged, Low}), time.Hour,
			func(q Quality) bool { return len(q.Chattering) == 0 && len(q.Fleeting) == 0 }},
		{"not fleeting", script(toldAt{0, "a", Unacknowledged, Low}, toldAt{m, "a", Returned, Low}), time.Hour, func(q Quality) bool { return len(q.Fleeting) == 0 }},
		{"ended by a cut", append(script(toldAt{0, "a", Unacknowledged, High}), append([]Event{{T: Seconds(time.Second), Event: EventAct, Act: "cut", ID: "a"}},
			script(toldAt{10 * time.Second, "a", Returned, High})...)...), time.Hour, func(q Quality) bool { return len(q.Fleeting) == 0 }},
		{"fleeting and latched", script(toldAt{0, "a", Unacknowledged, High}, toldAt{10 * time.Second, "a", Acknowledged, High}, toldAt{59 * time.Second, "a", Latched, High}), time.Hour,
			func(q Quality) bool { return slices.Equal(q.Fleeting, []string{"a"}) }},
		{"stale at the end", script(toldAt{0, "a", Unacknowledged, Low}, toldAt{m, "a", Acknowledged, Low}), 24*time.Hour + 1e6,
			func(q Quality) bool { return slices.Equal(q.Stale, []string{"a"}) }},
		{"stale for a time", script(toldAt{0, "a", Unacknowledged, Low}, toldAt{25 * time.Hour, "a", Returned, Low}), 48 * time.Hour,
			func(q Quality) bool { return slices.Equal(q.Stale, []string{"a"}) }},
		{"a day is not stale", script(toldAt{0, "a", Unacknowledged, Low}, toldAt{20 * time.Hour, "a", Returned, Low}, toldAt{21 * time.Hour, "a", Unacknowledged, Low}), 45 * time.Hour,
			func(q Quality) bool { return len(q.Stale) == 0 }},
		{"shares", script(toldAt{0, "a", Unacknowledged, Low}, toldAt{1e9, "b", Unacknowledged, Low}, toldAt{2e9, "c", Unacknowledged, Medium}, toldAt{3e9, "d", Unacknowledged, High}), time.Minute,
			func(q Quality) bool {
				return q.Share(Low) == 0.5 && q.Share(Medium) == 0.25 && q.Share(High) == 0.25 && q.PerHour == 4 && q.PerTenMinutes == 4 && q.Periods == 1
			}},
		{"gaps are not watched", []Event{{T: Seconds(2 * time.Hour), Event: EventGap, From: seconds(time.Hour)}, {T: Seconds(2 * time.Hour), Event: EventAlarm, ID: "a", State: Unacknowledged}}, 3 * time.Hour,
			func(q Quality) bool { return q.Watched == Seconds(2*time.Hour) && q.PerHour == 0.5 }},
	} {
		if q := MeasureQuality(c.events, c.end); !c.check(q) {
			t.Errorf("%s: %+v", c.name, q)
		}
	}
}

func TestBenchmarkMark(t *testing.T) {
	for _, c := range []struct {
		b    Benchmark
		x    float64
		want string
	}{{PerHour, 6, "within"}, {PerHour, 6.01, "manageable"}, {PerHour, 12, "manageable"}, {PerHour, 12.01, "over"}, {ChatterFleeting, 0, "within"}, {ChatterFleeting, 1, "over"}, {StaleADay, 4, "within"}, {StaleADay, 5, "over"}, {PerHour, math.Inf(1), "over"}} {
		if got := c.b.Mark(c.x); got != c.want {
			t.Errorf("%s %g: %s, want %s", c.b.Name, c.x, got, c.want)
		}
	}
}
