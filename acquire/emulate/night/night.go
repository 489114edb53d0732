// Package night makes whole nights on the bench, and says what is true in them:
// the readings of every meter as its display would show them, what the operator
// did, the bench and job files, and the labels, which say what a perfect
// watcher would tell, of what and when. It is the measure of the alarms and
// knows nothing of them: an amplifier with its own physics, on a mains that
// misbehaves, watched by meters with their own errors.
//
// A night is one of Kinds and a seed; the same two give the same night, byte
// for byte on one architecture. (Go fuses multiply and add where the hardware
// can, so that on another a reading may differ by a count.) Nothing is held in
// memory: readings are made as they are asked for.
package night

import (
	"cmp"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"nightsoak/drivers"
)

// Input is one thing that happened: a reading, or an act.
type Input struct {
	T       time.Duration   // run time, whole milliseconds, never less than the one before
	Meter   int             // index into the bench's meters, of a Reading
	Reading drivers.Reading // as the display showed it
	Act     *Act            // set: an act, and Reading means nothing
}

// Act is what the operator did: "begin" once at the start, "adjusted" with the
// socket whose trimmer was turned.
type Act struct{ Act, Socket string }

// Label is one thing that truly went wrong.
type Label struct {
	// What is the alarm by which a perfect watcher names it. Beside the alarms
	// of the contract it is "meter-frozen" for digits that stand still without a
	// sign of it, and "intermittent" for a contact that comes and goes.
	What string
	// Subjects are the sockets, the meter or the bench that it is told of; more
	// than one where the meters cannot tell which, as with a shared resistor.
	Subjects []string
	// Also are other alarms on the same subject that tell it too, only not by
	// its best name. The phase "cool-down", told of the bench, is one.
	Also []string
	// Onset is when the cause begins, and Met when that which What says is first
	// true of the amplifier itself, be it seconds or hours later.
	Onset, Met time.Duration
	// Limit is when the tube's true dissipation passes its limit for more than
	// 3 s, of a runaway; else 0.
	Limit time.Duration
	// Due is when it must have been told at the latest; alarms later than this
	// still tell it. It is 0 where only the scorer's reader can say.
	Due time.Duration
	// Until is when it is over: a later alarm is about something else.
	Until time.Duration
	Size  string // in words

	met    func(*State) bool
	socket int // whose Limit it is; -1 for none
}

// Beside is an alarm that is not asked for, and no false alarm either.
type Beside struct {
	What        string
	Subject     string // empty for any
	From, Until time.Duration
}

// Night is one night of the corpus. Its streams may be read at the same time.
type Night struct {
	Kind      Kind
	Seed      uint64
	Amplifier string        // in words
	Long      time.Duration // run time at the end
	Bench     string        // the bench file
	Job       string        // the job file
	BenchName string        // the subject of alarms of the bench
	HTAt      time.Duration // HT comes up
	Labels    []Label       // in order of onset
	Beside    []Beside

	plan *plan
}

// plan is everything about a night that is drawn beforehand.
type plan struct {
	kind    Kind
	seed    uint64
	draw    uint64 // stream of the dice
	long    float64
	htAt    float64
	circuit *circuit
	mains   mainsSpec
	htOff   []stretch
	faults  []fault
	meters  []meterSpec
	acts    []Input
	swing   float64 // of the room's temperature, K
	warms   float64 // of the bench, K
}

// redraws is how often a night is drawn anew when its own physics did not bear
// its label out; after that Generate gives up. Streams of the dice lie this far
// apart.
const (
	redraws     = 12
	drawsStride = 64
)

// Generate draws the night of a kind with a seed, and runs its amplifier once,
// without meters, to date its labels: that takes up to half of the time that
// reading it will take. It fails on a kind that is none of Kinds.
func Generate(kind Kind, seed uint64) (*Night, error) {
	s, ok := stories[kind]
	if !ok {
		return nil, fmt.Errorf("night: kind %q is not known: choose one of %v", kind, Kinds)
	}
	var why error
	for draw := range uint64(redraws) {
		n, err := s.night(kind, seed, draw*drawsStride)
		if err != nil {
			return nil, err
		}
		if why = n.date(); why == nil {
			return n, nil
		}
	}
	return nil, fmt.Errorf("night %s/%d: in %d draws no night bore its label out: %w", kind, seed, redraws, why)
}

// Yardstick is the night by which speed and size are measured: eight sockets
// and plate volts on nine meters of 60,000 counts at 5 readings a second each,
// for 12 h.
func Yardstick() (*Night, error) {
	for seed := uint64(0); ; seed++ {
		n, err := Generate(Quiet, seed)
		if err != nil {
			return nil, err
		}
		if n.plan.circuit.sockets != 8 || len(n.plan.meters) != 9 {
			continue
		}
		for k := range n.plan.meters {
			m := &n.plan.meters[k]
			*m = newMeter(roll(Quiet, uint64(k), 0), &displays[3], m.name, m.source)
			m.every = 0.2
		}
		n.plan.long, n.Long = 12*hour, 12*time.Hour
		return n, nil
	}
}

// Truth is the amplifier itself, step by step of 100 ms. The State is used
// again for the next step.
func (n *Night) Truth() iter.Seq[*State] {
	return func(yield func(*State) bool) {
		for a := newPlant(n.plan); a.state.T+stepLong <= n.Long; {
			if a.advance(); !yield(&a.state) {
				return
			}
		}
	}
}

// Inputs are what the core would be fed, in order: begin, then readings and
// acts until the end of the night.
func (n *Night) Inputs() iter.Seq[Input] {
	return func(yield func(Input) bool) {
		a := newPlant(n.plan)
		meters := make([]meterState, len(n.plan.meters))
		for i := range meters {
			meters[i] = newMeterState(n.plan, i)
		}
		acts := n.plan.acts
		for {
			i := 0
			for k := range meters {
				if meters[k].next < meters[i].next {
					i = k
				}
			}
			t := meters[i].next
			for len(acts) > 0 && acts[0].T <= t {
				if !yield(acts[0]) {
					return
				}
				acts = acts[1:]
			}
			if t >= n.Long {
				return
			}
			for a.state.T+stepLong <= t {
				a.advance()
				for k := range meters {
					meters[k].integrate(&a.state)
				}
			}
			if r, ok := meters[i].read(a.room); ok && !yield(Input{T: t, Meter: i, Reading: r}) {
				return
			}
		}
	}
}

const (
	limitFor = 3.0 // second that a dissipation must stand above the limit
	// From these shares of the limits on, what a meter's errors make of the
	// figure may pass them: neither is asked for nor is it false.
	nearLimit     = 0.96
	nearImbalance = 0.085
	imbalanceTau  = 30.0 // second, of the figure judged
	overFor       = 10.0 // second above nearly over that is an over-dissipation to be told
	clearlyOver   = 1.04
)

// overrun follows one tube past its limit; moments in seconds, -1 for not now.
type overrun struct {
	near stretch // since when, and when last, a meter may show it above
	over float64 // since when it truly is
	hot  float64 // since when clearly, as the meters see it
}

// date runs the amplifier once and dates the labels by it. It fails when a
// label is not true of what came out.
func (n *Night) date() error {
	c := n.plan.circuit
	overruns := make([]overrun, len(c.tubes))
	for i := range overruns {
		overruns[i] = overrun{stretch{-1, -1}, -1, -1}
	}
	apart, apartFrom := 0.0, -1.0
	for a := newPlant(n.plan); a.state.T+stepLong < n.Long; {
		a.advance()
		s := &a.state
		now := s.T.Seconds()
		for k := range n.Labels {
			if l := &n.Labels[k]; l.Met == 0 && s.T >= l.Onset && s.T < l.Until && l.met(s) {
				l.Met = s.T
			}
		}
		for i := range overruns {
			if err := n.follow(&overruns[i], s, i); err != nil {
				return err
			}
		}
		apart += dt / imbalanceTau * (imbalanceOf(c, s) - apart)
		switch {
		case apart > nearImbalance && apartFrom < 0:
			apartFrom = now
		case apart <= nearImbalance && apartFrom >= 0:
			n.beside("imbalance", n.BenchName, apartFrom, now+2*minute)
			apartFrom = -1
		}
	}
	for i := range overruns {
		if from := overruns[i].near.from; from >= 0 {
			n.besideAll("over-dissipation", i, from, n.plan.long)
		}
	}
	if apartFrom >= 0 {
		n.beside("imbalance", n.BenchName, apartFrom, n.plan.long)
	}
	for _, l := range n.Labels {
		if l.Met == 0 {
			return fmt.Errorf("%s of %v was never true", l.What, l.Subjects)
		}
		if l.socket >= 0 && l.Limit == 0 {
			return fmt.Errorf("%s of %v did not reach the limit", l.What, l.Subjects)
		}
	}
	slices.SortStableFunc(n.Labels, func(a, b Label) int { return cmp.Compare(a.Onset, b.Onset) })
	return nil
}

// follow takes the next state of a tube. One that is clearly past its limit,
// with no label that says so, gets one: a drift may take it there, or the mains.
func (n *Night) follow(o *overrun, s *State, i int) error {
	c := n.plan.circuit
	now, ratio := s.T.Seconds(), s.Sockets[i].Ratio
	switch {
	case ratio <= 1:
		o.over = -1
	case o.over < 0:
		o.over = now
	case now-o.over > limitFor:
		if err := n.passed(i, o.over, now, s.Sockets[i].Excess); err != nil {
			return err
		}
	}
	if c.shared { // what the meters see is the mean
		ratio = 0
		for k := range s.Sockets {
			ratio += s.Sockets[k].Ratio / float64(len(s.Sockets))
		}
	}
	switch {
	case ratio > nearLimit && o.near.from < 0:
		o.near = stretch{now, now}
	case ratio > nearLimit:
		o.near.to = now
	case o.near.from >= 0 && now > o.near.to+30:
		n.besideAll("over-dissipation", i, o.near.from, now)
		o.near.from = -1
	}
	switch {
	case ratio <= clearlyOver:
		o.hot = -1
	case o.hot < 0:
		o.hot = now
	case now-o.hot > overFor && !n.tells(i, s.T):
		n.Labels = append(n.Labels, Label{What: "over-dissipation", Subjects: n.subjects(i),
			Onset: seconds(o.near.from), Met: seconds(o.hot), Until: n.Long, Size: "past its limit, without running away", socket: -1})
	}
	return nil
}

// passed takes a tube past its limit: a runaway's label gets its Limit, and
// somebody or something switches off a little later.
func (n *Night) passed(socket int, at, now, excess float64) error {
	for k := range n.Labels {
		l := &n.Labels[k]
		if l.socket != socket || l.Limit != 0 || seconds(at) < l.Onset {
			continue
		}
		if excess < ownDoing {
			return fmt.Errorf("%s of %v: the mains took it past the limit, not its own growth", l.What, l.Subjects)
		}
		l.Limit = seconds(at)
		d := roll(n.Kind, n.Seed, n.plan.draw+drawsStride-1)
		off := stretch{now + d.in(offAfter), math.Inf(1)}
		if d.chance(0.5) { // the HT fuse
			n.plan.htOff = append(n.plan.htOff, off)
		} else {
			n.plan.mains.cuts = append(n.plan.mains.cuts, off)
		}
		n.beside("supply", n.BenchName, at, n.plan.long)
		n.beside("cool-down", n.BenchName, at, n.plan.long)
		n.beside("watch", heaterWatch, off.from, n.plan.long)
	}
	return nil
}

// tells says whether a label already tells of a socket at a moment.
func (n *Night) tells(socket int, at time.Duration) bool {
	name := n.plan.circuit.tubes[socket].name
	return slices.ContainsFunc(n.Labels, func(l Label) bool {
		return slices.Contains(l.Subjects, name) && at >= l.Onset && at < l.Until && (l.What == "over-dissipation" || slices.Contains(l.Also, "over-dissipation"))
	})
}

// imbalanceOf is |a-b| over the mean of the halves, 0 without halves or current.
func imbalanceOf(c *circuit, s *State) float64 {
	var a, b float64
	for i := range c.tubes {
		switch c.tubes[i].half {
		case "a":
			a += s.Sockets[i].Current
		case "b":
			b += s.Sockets[i].Current
		}
	}
	if a+b < 0.005 || c.shared {
		return 0
	}
	return 2 * math.Abs(a-b) / (a + b)
}

// subjects are the names by which the meters can tell a socket.
func (n *Night) subjects(i int) []string {
	c := n.plan.circuit
	if !c.shared {
		return []string{c.tubes[i].name}
	}
	var all []string
	for k := range c.tubes {
		all = append(all, c.tubes[k].name)
	}
	return all
}

// besideAll allows an alarm of a socket under each of its subjects.
func (n *Night) besideAll(what string, socket int, from, until float64) {
	for _, s := range n.subjects(socket) {
		n.beside(what, s, from, until)
	}
}

// beside allows an alarm between two moments, in seconds.
func (n *Night) beside(what, subject string, from, until float64) {
	n.Beside = append(n.Beside, Beside{what, subject, seconds(from), seconds(until)})
}

// seconds is a run time, rounded to 1 ms.
func seconds(s float64) time.Duration {
	if s > 1e6 {
		s = 1e6
	}
	return time.Duration(math.Round(s*1000)) * time.Millisecond
}
