package night

import (
	"fmt"
	"testing"
	"time"
)

func TestJudge(t *testing.T) {
	const m = time.Minute
	n := &Night{
		Labels: []Label{
			{What: "drift", Subjects: []string{"V5"}, Onset: 60 * m, Met: 90 * m, Until: 300 * m},
			{What: "runaway", Subjects: []string{"V6", "V7"}, Also: []string{"drift", "over-dissipation"}, Onset: 100 * m, Met: 100 * m, Limit: 140 * m, Until: 300 * m},
			{What: "meter-hold", Subjects: []string{"k1"}, Also: []string{"meter-silent"}, Onset: 60 * m, Met: 60 * m, Due: 70 * m, Until: 300 * m},
			{What: "supply", Subjects: []string{"night"}, Onset: 200 * m, Met: 201 * m, Until: 210 * m},
		},
		Beside: []Beside{{"imbalance", "night", 60 * m, 300 * m}, {"watch", "", 0, 10 * m}},
	}
	for _, c := range []struct {
		name   string
		events []Event
		want   string // found/named, delay, lead, share of each label found; false alarms
	}{
		{"nothing", nil, "- - - - | 0 0 0"},
		{"found and named", []Event{{100 * m, "drift", "V5", "medium"}, {110 * m, "runaway", "V7", "low"}, {120 * m, "runaway", "V7", "high"}},
			"drift+10m0s runaway+10m0s,30m0s,0.25 - - | 0 0 0"},
		{"found by another name, then named", []Event{{110 * m, "drift", "V6", "medium"}, {130 * m, "runaway", "V6", "high"}, {141 * m, "over-dissipation", "V6", "high"}},
			"- runaway+10m0s,30m0s,0.75 - - | 0 0 0"},
		{"found after the limit, not named", []Event{{140*m + 4*time.Second, "over-dissipation", "V6", "high"}},
			"- (runaway)+40m4s,-4s - - | 0 0 0"},
		{"before its onset, and of another socket", []Event{{50 * m, "drift", "V5", "medium"}, {100 * m, "drift", "V8", "medium"}}, "- - - - | 0 2 0"},
		{"late", []Event{{71 * m, "meter-silent", "k1", "medium"}}, "- - (meter-hold)+11m0s late - | 0 0 0"},
		{"after it is over", []Event{{211 * m, "supply", "night", "medium"}}, "- - - - | 0 1 0"},
		{"allowed", []Event{{61 * m, "imbalance", "night", "low"}, {5 * m, "watch", "heater", "medium"}}, "- - - - | 0 0 0"},
		{"allowed too early, too late", []Event{{59 * m, "imbalance", "night", "low"}, {11 * m, "watch", "heater", "medium"}}, "- - - - | 1 1 0"},
		{"a false alarm that rises is one, one that comes again is two", []Event{
			{1 * m, "runaway", "V5", "low"}, {2 * m, "runaway", "V5", "medium"}, {3 * m, "runaway", "V5", "high"}, {9 * m, "runaway", "V5", "low"}}, "- - - - | 1 0 1"},
		{"again and again", []Event{{100 * m, "drift", "V5", "medium"}, {101 * m, "drift", "V5", "medium"}, {102 * m, "drift", "V5", "medium"}}, "drift+10m0s again 2 - - - | 0 0 0"},
	} {
		s := n.Judge(c.events)
		got := ""
		for _, v := range s.Verdicts {
			switch {
			case !v.Found:
				got += "- "
				continue
			case v.Named:
				got += v.Label.What
			default:
				got += "(" + v.Label.What + ")"
			}
			got += fmt.Sprintf("+%v", v.Delay())
			if v.Label.Limit > 0 {
				got += fmt.Sprintf(",%v", v.Lead())
				if v.Named {
					got += fmt.Sprintf(",%.2f", v.Share())
				}
			}
			if v.Late() {
				got += " late"
			}
			if v.Repeats > 0 {
				got += fmt.Sprintf(" again %d", v.Repeats)
			}
			got += " "
		}
		var tally Tally
		tally.Add(s)
		if got += fmt.Sprintf("| %d %d %d", tally.Low, tally.Medium, tally.High); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestTally(t *testing.T) {
	l := &Label{What: "runaway", Onset: 0, Limit: 100 * time.Minute}
	var tally Tally
	if _, ok := tally.Delay(0.5); ok {
		t.Error("a median of nothing")
	}
	for i := range 5 {
		at := time.Duration(10*(i+1)) * time.Minute
		tally.Add(Score{Verdicts: []Verdict{{Label: l, Found: true, First: at, Named: i < 4, NamedAt: at}}})
	}
	tally.Add(Score{Verdicts: []Verdict{{Label: l}}, False: []Event{{Priority: "low"}, {Priority: "odd"}}})
	delay, _ := tally.Delay(0.5)
	lead, _ := tally.Lead(0)
	share, _ := tally.Share(0.5)
	if got, want := fmt.Sprint(tally.Nights, tally.Labels, tally.Found, tally.Named, tally.Low, tally.High, delay, lead, share), "6 6 5 4 1 1 30m0s 50m0s 0.2"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// BenchmarkNight is a night of nine meters at 5 readings a second for 12 h, as
// the core must replay it in a second.
func BenchmarkNight(b *testing.B) {
	n, err := Yardstick()
	if err != nil {
		b.Fatal(err)
	}
	b.Run("date", func(b *testing.B) {
		for b.Loop() {
			if err := n.date(); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("inputs", func(b *testing.B) {
		readings := 0
		for b.Loop() {
			for range n.Inputs() {
				readings++
			}
		}
		b.ReportMetric(float64(readings)/float64(b.N), "readings/op")
	})
}
