package night

import (
	"slices"
	"time"
)

// Event is an alarm that a detector raised, or raised to a higher priority.
type Event struct {
	T                        time.Duration // run time
	Alarm, Subject, Priority string        // priority: low, medium or high
}

// Verdict is how a detector did on one label.
type Verdict struct {
	Label   *Label
	Found   bool          // told by What or one of Also
	First   time.Duration // when first, if Found
	Named   bool          // told by What
	NamedAt time.Duration // when first, if Named
	Repeats int           // times that it was told again by the same alarm, at no higher priority
}

// Delay is how long after it was first true a label was told, negative when
// before; it means nothing unless Found.
func (v *Verdict) Delay() time.Duration { return v.First - v.Label.Met }

// Lead is how long before the limit it was told, for a label with a Limit;
// negative when after it. It means nothing unless Found.
func (v *Verdict) Lead() time.Duration { return v.Label.Limit - v.First }

// Share is the part of the time from onset to the limit that had passed when a
// label with a Limit was named. It means nothing unless Named.
func (v *Verdict) Share() float64 {
	return float64(v.NamedAt-v.Label.Onset) / float64(v.Label.Limit-v.Label.Onset)
}

// Late says that it was found past its Due.
func (v *Verdict) Late() bool { return v.Found && v.Label.Due > 0 && v.First > v.Label.Due }

// Score is how a detector did on one night.
type Score struct {
	Verdicts []Verdict // in the order of the night's labels
	False    []Event   // neither of a label nor allowed, at the highest priority they came to
}

// Judge scores what a detector raised on a night. Events must be in order of
// time. An event belongs to the first label that it tells by its best name, else
// to the first that it tells by another; it is a false alarm when there is none
// and Beside does not allow it. A false alarm that is raised again counts again,
// unless it only rose in priority.
func (n *Night) Judge(events []Event) Score {
	s := Score{Verdicts: make([]Verdict, len(n.Labels))}
	for i := range s.Verdicts {
		s.Verdicts[i].Label = &n.Labels[i]
	}
	type id struct{ alarm, subject string }
	ranks := map[id]int{}  // of the latest event
	falses := map[id]int{} // index into s.False of the latest
	for _, e := range events {
		key := id{e.Alarm, e.Subject}
		before := ranks[key] > 0
		higher := before && rank(e.Priority) > ranks[key]
		ranks[key] = rank(e.Priority)
		if v := n.told(s.Verdicts, e); v != nil {
			switch {
			case !v.Found:
				v.Found, v.First = true, e.T
			case before && !higher:
				v.Repeats++
			}
			if !v.Named && e.Alarm == v.Label.What {
				v.Named, v.NamedAt = true, e.T
			}
			continue
		}
		if slices.ContainsFunc(n.Beside, func(b Beside) bool {
			return b.What == e.Alarm && (b.Subject == "" || b.Subject == e.Subject) && e.T >= b.From && e.T <= b.Until
		}) {
			continue
		}
		if i, ok := falses[key]; ok && higher {
			s.False[i].Priority = e.Priority
			continue
		}
		falses[key] = len(s.False)
		s.False = append(s.False, e)
	}
	return s
}

// told is the verdict on the label that an event tells of, nil for none.
func (n *Night) told(verdicts []Verdict, e Event) *Verdict {
	about := func(l *Label) bool {
		return e.T >= l.Onset && e.T < l.Until && slices.Contains(l.Subjects, e.Subject)
	}
	for i := range verdicts {
		if l := verdicts[i].Label; about(l) && l.What == e.Alarm {
			return &verdicts[i]
		}
	}
	for i := range verdicts {
		if l := verdicts[i].Label; about(l) && slices.Contains(l.Also, e.Alarm) {
			return &verdicts[i]
		}
	}
	return nil
}

// rank orders priorities; 0 for none.
func rank(priority string) int {
	return 1 + slices.Index([]string{"low", "medium", "high"}, priority)
}

// Tally adds scores up.
type Tally struct {
	Nights, Labels, Found, Named, Late, Repeats int
	Low, Medium, High                           int // false alarms by priority; an unknown priority counts as high

	delays []time.Duration
	leads  []time.Duration
	shares []float64
}

// Add adds the score of one night.
func (t *Tally) Add(s Score) {
	t.Nights++
	for i := range s.Verdicts {
		v := &s.Verdicts[i]
		t.Labels++
		t.Repeats += v.Repeats
		if v.Late() {
			t.Late++
		}
		if v.Found {
			t.Found++
			t.delays = append(t.delays, v.Delay())
			if v.Label.Limit > 0 {
				t.leads = append(t.leads, v.Lead())
			}
		}
		if v.Named {
			t.Named++
			if v.Label.Limit > 0 {
				t.shares = append(t.shares, v.Share())
			}
		}
	}
	for _, e := range s.False {
		switch e.Priority {
		case "low":
			t.Low++
		case "medium":
			t.Medium++
		default:
			t.High++
		}
	}
}

// Delay is the delay that a share q of the labels found had at most (0.5: the
// median); ok is false when none was found.
func (t *Tally) Delay(q float64) (d time.Duration, ok bool) { return quantile(t.delays, q) }

// Lead is the same of the leads before the limit.
func (t *Tally) Lead(q float64) (d time.Duration, ok bool) { return quantile(t.leads, q) }

// Share is the same of the parts of the time from onset to limit that had
// passed when a label with a limit was named.
func (t *Tally) Share(q float64) (share float64, ok bool) { return quantile(t.shares, q) }

// quantile is the smallest of x that at least a share q of x does not exceed.
func quantile[T time.Duration | float64](x []T, q float64) (v T, ok bool) {
	if len(x) == 0 {
		return 0, false
	}
	x = slices.Sorted(slices.Values(x))
	return x[min(max(int(q*float64(len(x))+0.999999)-1, 0), len(x)-1)], true
}
