// Corpus judges the model nights of acquire/emulate/night with the core and
// prints how it did on each kind: what was found, missed and falsely raised,
// how late, and how long before the limit. Beside it stand the textbook
// detectors on the same nights.
//
//	go run ./alarms/corpus                 # every night, a third of an hour on two cores
//	go run ./alarms/corpus -seeds 6 -v     # six seeds of each kind, each miss and false alarm named
//	go run ./alarms/corpus -first 50       # fifty nights of each kind that nobody has looked at
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
)

func main() {
	var c choice
	flag.StringVar(&c.kinds, "kinds", "", "kinds of night, separated by commas; all when empty")
	flag.IntVar(&c.seeds, "seeds", night.Seeds, "how many seeds of each kind")
	flag.Uint64Var(&c.first, "first", 0, "the first seed; from 50 on nobody has looked at any")
	flag.StringVar(&c.third, "third", "all", "which seeds: all, seen (looked at while building) or unseen")
	verbose := flag.Bool("v", false, "name each miss and each false alarm")
	flag.Parse()
	nights, err := c.nights()
	if err != nil {
		fmt.Fprintln(os.Stderr, "corpus:", err)
		os.Exit(2)
	}
	results := make([]result, len(nights))
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				results[i] = judge(nights[i])
			}
		})
	}
	for i := range nights {
		next <- i
	}
	close(next)
	wg.Wait()
	for i := range results {
		if results[i].err != nil {
			fmt.Fprintln(os.Stderr, "corpus:", results[i].err)
			os.Exit(1)
		}
		if *verbose {
			results[i].tell(os.Stdout)
		}
	}
	print(os.Stdout, results)
}

// choice is which nights are judged.
type choice struct {
	kinds, third string
	seeds        int
	first        uint64
}

// id is one night.
type id struct {
	kind night.Kind
	seed uint64
}

func (c choice) nights() ([]id, error) {
	kinds := night.Kinds
	if c.kinds != "" {
		kinds = nil
		for _, k := range strings.Split(c.kinds, ",") {
			if !slices.Contains(night.Kinds, night.Kind(k)) {
				return nil, fmt.Errorf("-kinds: no kind %q; known are %v", k, night.Kinds)
			}
			kinds = append(kinds, night.Kind(k))
		}
	}
	if !slices.Contains([]string{"all", "seen", "unseen"}, c.third) {
		return nil, fmt.Errorf("-third %q: say all, seen or unseen", c.third)
	}
	var ids []id
	for _, k := range kinds {
		for seed := c.first; seed < c.first+uint64(c.seeds); seed++ {
			if c.third == "all" || night.Unseen(seed) == (c.third == "unseen") {
				ids = append(ids, id{k, seed})
			}
		}
	}
	return ids, nil
}

// result is one night, judged.
type result struct {
	id
	night  *night.Night
	scores []night.Score // of the core, then of the yardsticks
	settling
	err error
}

// judge runs a night through the core and the yardsticks.
func judge(of id) (r result) {
	r = result{id: of}
	n, err := night.Generate(of.kind, of.seed)
	if err != nil {
		r.err = err
		return r
	}
	r.night = n
	b, err := bench.Parse("bench.toml", []byte(n.Bench))
	if err != nil {
		r.err = err
		return r
	}
	j, err := bench.ParseJob("job.toml", []byte(n.Job), b)
	if err != nil {
		r.err = err
		return r
	}
	e := alarms.New(b, j)
	y := newYardsticks(b, j)
	var told []night.Event
	w := newSettleWatch(n)
	collect := func(events []alarms.Event) {
		for _, ev := range events {
			w.event(ev)
			switch {
			case ev.Alarm != alarms.FloodName && (ev.State == alarms.Unacknowledged || ev.State == alarms.Suppressed && ev.Active):
				told = append(told, night.Event{T: time.Duration(ev.T), Alarm: ev.Alarm, Subject: ev.Subject, Priority: string(ev.Priority)})
			case ev.Event == alarms.EventPhase && ev.Phase == alarms.CoolDown:
				told = append(told, night.Event{T: time.Duration(ev.T), Alarm: string(alarms.CoolDown), Subject: n.BenchName, Priority: string(alarms.Low)})
			}
		}
	}
	for in := range n.Inputs() {
		x := alarms.Input{T: in.T, Meter: in.Meter, Reading: in.Reading}
		if in.Act != nil {
			x.Act = &alarms.Act{Act: in.Act.Act, Socket: in.Act.Socket}
		}
		collect(e.Feed(x))
		w.look(e)
		y.feed(in)
	}
	collect(e.Advance(n.Long))
	r.settling = w.settling
	r.scores = append(r.scores, n.Judge(told))
	for k := range y.events {
		r.scores = append(r.scores, n.Judge(y.events[k]))
	}
	return r
}

// tell names what the core missed or raised falsely.
func (r *result) tell(w io.Writer) {
	s := r.scores[0]
	for i := range s.Verdicts {
		v := &s.Verdicts[i]
		l := v.Label
		switch {
		case !v.Found:
			fmt.Fprintf(w, "%s/%d MISSED %s of %v (%s), from %v, true at %v, limit %v, until %v\n", r.kind, r.seed, l.What, l.Subjects, l.Size, l.Onset, l.Met, l.Limit, l.Until)
		case v.Late():
			fmt.Fprintf(w, "%s/%d late %s of %v: %v after it was true\n", r.kind, r.seed, l.What, l.Subjects, v.Delay())
		case !v.Named:
			fmt.Fprintf(w, "%s/%d not named %s of %v (%s), told %v after it was true\n", r.kind, r.seed, l.What, l.Subjects, l.Size, v.Delay())
		}
	}
	for _, e := range s.False {
		fmt.Fprintf(w, "%s/%d FALSE %s of %s, %s, at %v (%s, %v long)\n", r.kind, r.seed, e.Alarm, e.Subject, e.Priority, e.T, r.night.Amplifier, r.night.Long)
	}
	for _, l := range r.left {
		fmt.Fprintf(w, "%s/%d LEFT the settle rate: %s\n", r.kind, r.seed, l)
	}
}

// print is the table: a line for each kind, and the same nights in sum for the
// core and for each yardstick.
func print(out io.Writer, results []result) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	line := func(name string, t *night.Tally) {
		dur := func(d time.Duration, ok bool) string {
			if !ok {
				return "-"
			}
			return d.Round(time.Second).String()
		}
		ratio := func(x float64, ok bool) string {
			if !ok {
				return "-"
			}
			return fmt.Sprintf("%.2f", x)
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%s\t%s\t%s\t%s\t%s\t\n", name, t.Nights, t.Labels, t.Found, t.Named, t.Labels-t.Found, t.Late,
			t.Repeats, t.Low, t.Medium, t.High, dur(t.Delay(0.5)), dur(t.Delay(0.95)), dur(t.Lead(0)), dur(t.Lead(0.5)), ratio(t.Share(0.5)))
	}
	head := "nights\tfaults\tfound\tnamed\tmissed\tlate\trepeats\tfalse: low\tmedium\thigh\tdelay: median\t95 %\tlead: least\tmedian\tshare\t"
	fmt.Fprintf(w, "kind\t%s\n", head)
	var sums [1 + len(yardstickNames)]night.Tally
	for _, k := range night.Kinds {
		var t night.Tally
		for i := range results {
			if r := &results[i]; r.kind == k {
				t.Add(r.scores[0])
				for d := range sums {
					sums[d].Add(r.scores[d])
				}
			}
		}
		if t.Nights > 0 {
			line(string(k), &t)
		}
	}
	fmt.Fprintf(w, "detector\t%s\n", head)
	for d := range sums {
		name := "nightsoak"
		if d > 0 {
			name = yardstickNames[d-1]
		}
		line(name, &sums[d])
	}
	w.Flush()
	var all settling
	for i := range results {
		all.add(results[i].settling)
	}
	all.print(out)
}
