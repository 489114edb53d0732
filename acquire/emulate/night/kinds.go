package night

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Kind is a kind of night: what happens in it.
type Kind string

// The kinds. The first ten raise no alarm of a tube; see Describe.
const (
	Quiet         Kind = "quiet"
	MainsWander   Kind = "mains-wander"
	MainsSteps    Kind = "mains-steps"
	MainsSags     Kind = "mains-sags"
	MainsDropouts Kind = "mains-dropouts"
	BrownOut      Kind = "brown-out"
	Standby       Kind = "standby"
	HeaterAging   Kind = "heater-aging"
	Creep         Kind = "creep"
	Adjusted      Kind = "adjusted"

	SlowWarmUp Kind = "slow-warm-up"

	RunawayGas   Kind = "runaway-gas"
	RunawayGrid  Kind = "runaway-grid"
	RunawayLeak  Kind = "runaway-leak"
	RunawayCold  Kind = "runaway-cold"
	RunawayMains Kind = "runaway-mains"

	DriftUp      Kind = "drift-up"
	DriftDown    Kind = "drift-down"
	Step         Kind = "step"
	Intermittent Kind = "intermittent"
	DeadTube     Kind = "dead-tube"
	DeadLifts    Kind = "dead-lifts"
	SenseOpen    Kind = "sense-open"
	SenseDrift   Kind = "sense-drift"
	PlateLead    Kind = "plate-lead"
	SupplyDead   Kind = "supply-dead"
	BiasLost     Kind = "bias-lost"
	Imbalance    Kind = "imbalance"

	MeterSilent  Kind = "meter-silent"
	MeterFrozen  Kind = "meter-frozen"
	MeterBattery Kind = "meter-battery"

	DriftAndRunaway Kind = "drift-and-runaway"
	DriftUnseen     Kind = "drift-unseen"
)

// Kinds are all kinds, always in the same order.
var Kinds = []Kind{
	Quiet, MainsWander, MainsSteps, MainsSags, MainsDropouts, BrownOut, Standby, HeaterAging, Creep, Adjusted, SlowWarmUp,
	RunawayGas, RunawayGrid, RunawayLeak, RunawayCold, RunawayMains,
	DriftUp, DriftDown, Step, Intermittent, DeadTube, DeadLifts, SenseOpen, SenseDrift, PlateLead, SupplyDead, BiasLost, Imbalance,
	MeterSilent, MeterFrozen, MeterBattery, DriftAndRunaway, DriftUnseen,
}

// Describe is what happens in a kind of night, in a line; empty for none of Kinds.
func Describe(k Kind) string { return stories[k].words }

// A story is one kind.
type story struct {
	words string
	fits  func(*class) bool // amplifiers that it can happen to; nil for any
	plate bool              // it needs a plate meter
	calm  bool              // the mains does nothing but what the story tells
	shape func(*class)      // what is particular about the amplifier; nil for nothing
	tell  func(*draft)
}

// Amplifiers.
func fixed(c *class) bool     { return !c.cathode }
func ownSense(c *class) bool  { return !c.shared }
func leaky(c *class) bool     { return c.cathode && !c.shared }
func fixedQuad(c *class) bool { return !c.cathode && c.sockets >= 4 }
func pushPull(c *class) bool  { return !c.shared && c.sockets >= 2 }
func softer(c *class)         { c.source = span{2 * c.source.lo, 2.5 * c.source.hi} }
func coolCathode(c *class)    { c.idle = span{0.66, 0.80} }

// stories are filled in by init: they are told through methods that look kinds up.
var stories map[Kind]story

func init() {
	stories = map[Kind]story{
		Quiet:       {words: "nothing happens", calm: true, tell: (*draft).quiet},
		MainsWander: {words: "the mains wanders by a few percent", calm: true, tell: (*draft).wander},
		MainsSteps: {words: "a tap changer steps the mains by 1.5 to 7 %", calm: true, tell: func(d *draft) {
			d.plan.mains.taps(d.dice, d.plan.htAt, d.plan.long)
			d.beside("supply", benchName, 0, forever)
			d.beside("watch", heaterWatch, 0, forever)
		}},
		MainsSags: {words: "dips of 10 to 30 % for up to 5 s, and a neighbour's motor", tell: func(d *draft) {
			d.plan.mains.sags(d.dice, d.plan.htAt, d.plan.long)
			d.beside("supply", benchName, 0, forever)
			d.beside("watch", heaterWatch, 0, forever)
		}},
		MainsDropouts: {words: "the mains drops out for 0.2 to 20 s, at times for minutes", tell: (*draft).dropouts},
		BrownOut:      {words: "the mains stands 13 to 18 % low for 5 to 40 min", plate: true, calm: true, tell: (*draft).brownOut},
		Standby:       {words: "the operator goes to standby and back", tell: (*draft).standby},
		HeaterAging: {words: "every tube loses 1 to 4 % over the night", tell: func(d *draft) {
			for i := range d.plan.circuit.tubes {
				d.fault(fault{how: emissionRamp, socket: i, long: d.plan.long, size: -d.in(agingLoss)})
			}
		}},
		Creep: {words: "one tube drifts by 4 to 6.5 %: no alarm", fits: ownSense, tell: func(d *draft) {
			d.drift(d.socket(), d.sign()*d.in(creepSize), d.in(driftLong))
		}},
		Adjusted:   {words: "the operator turns a trimmer", fits: fixed, calm: true, tell: (*draft).adjusted},
		SlowWarmUp: {words: "warm-up takes long; on half of the nights past settle_by", fits: ownSense, tell: (*draft).slowWarmUp},

		RunawayGas:  {words: "a gassy tube runs away", tell: func(d *draft) { d.runaway(gasLeak, d.onsetFor(d.growth()), d.drawn) }},
		RunawayGrid: {words: "a coated grid emits, and the tube runs away", tell: func(d *draft) { d.runaway(gridCoating, d.onsetFor(d.growth()), d.drawn) }},
		RunawayLeak: {words: "a coupling capacitor leaks into a cathode-biased tube", fits: leaky, shape: coolCathode,
			tell: func(d *draft) { d.runaway(capLeak, d.onsetFor(d.growth()), d.drawn) }},
		RunawayCold: {words: "a gassy tube runs away before it ever settled", tell: func(d *draft) {
			d.growth()
			from := d.plan.htAt + d.in(warmUpOnset)
			d.needs(from + 2*growthsToGo*d.drawn)
			l := d.runaway(gasLeak, from, d.drawn)
			d.besideAll("not-settled", l.socket, from, forever)
		}},
		RunawayMains: {words: "a gassy tube runs away, and the mains steps meanwhile", tell: func(d *draft) {
			from := d.onsetFor(d.growth())
			d.runaway(gasLeak, from, d.drawn)
			at := from + growthsToGo*d.drawn*d.in(span{0.3, 0.7})
			d.plan.mains.levels = append(d.plan.mains.levels, level{at, d.sign() * d.in(tapMeanwhile)})
			d.beside("supply", benchName, at, forever)
		}},

		DriftUp:      {words: "one tube drifts up by 13 to 25 %", fits: ownSense, tell: func(d *draft) { d.labelledDrift(d.socket(), d.in(driftSize), d.in(driftLong)) }},
		DriftDown:    {words: "one tube drifts down by 13 to 25 %", fits: ownSense, tell: func(d *draft) { d.labelledDrift(d.socket(), -d.in(driftSize), d.in(driftLong)) }},
		Step:         {words: "one tube steps by 14 to 22 %", fits: ownSense, tell: (*draft).stepped},
		Intermittent: {words: "a contact comes and goes, 0.2 to 5 s at a time", fits: ownSense, tell: (*draft).intermittent},
		DeadTube:     {words: "a tube dies: its heater, or its cathode all at once", tell: (*draft).dead},
		DeadLifts:    {words: "a tube dies, and on a soft supply its neighbours rise", fits: fixedQuad, shape: softer, tell: (*draft).dead},
		SenseOpen:    {words: "a sense resistor opens", fits: fixed, plate: true, tell: (*draft).senseOpen},
		SenseDrift: {words: "a sense resistor rises by 13 to 25 %", fits: fixed, tell: func(d *draft) {
			from, size := d.onset(0), d.in(driftSize)
			i, long := d.socket(), d.in(driftLong)
			d.needs(from + long)
			d.fault(fault{how: senseRamp, socket: i, from: from, long: long, size: size})
			d.driftLabel(i, from, size, long, "its sense resistor")
			d.beside("imbalance", benchName, from, forever)
		}},
		PlateLead:  {words: "the plate meter's clip comes off", plate: true, tell: (*draft).plateLead},
		SupplyDead: {words: "the HT fuse blows", tell: (*draft).supplyDead},
		BiasLost:   {words: "one half loses its bias, then the HT fuse blows", fits: func(c *class) bool { return fixed(c) && pushPull(c) }, plate: true, tell: (*draft).biasLost},
		Imbalance:  {words: "the halves move apart, no tube by more than 8 %", fits: pushPull, tell: (*draft).apart},

		MeterSilent:  {words: "a meter goes silent", tell: (*draft).meterSilent},
		MeterFrozen:  {words: "a meter's digits stand still", tell: (*draft).frozen},
		MeterBattery: {words: "a meter's battery runs low, its reading goes astray, then it is silent", tell: (*draft).battery},

		DriftAndRunaway: {words: "one tube drifts, later another runs away", fits: pushPull, tell: func(d *draft) {
			i := d.socket()
			j := (i + 1 + d.IntN(d.plan.circuit.sockets-1)) % d.plan.circuit.sockets
			long := d.in(span{hour, 2 * hour})
			from := d.labelledDrift(i, d.sign()*d.in(driftSize), long)
			from += long * d.in(span{0.8, 1.3})
			d.growth()
			d.needs(from + 2*growthsToGo*d.drawn)
			d.runawayOf(j, gasLeak, from, d.drawn)
		}},
		DriftUnseen: {words: "a meter is silent while its tube drifts", fits: ownSense, tell: (*draft).driftUnseen},
	}
}

// forever is the end of what lasts to the end of the night, however long that
// will be.
var forever = math.Inf(1)

// draft is a night being written.
type draft struct {
	dice
	*Night
	drawn float64 // growth time of the runaway to come
}

// night draws a night, its labels not yet dated.
func (s story) night(kind Kind, seed, draw uint64) (*Night, error) {
	d := &draft{dice: roll(kind, seed, draw), Night: &Night{Kind: kind, Seed: seed, BenchName: benchName}}
	p := &plan{kind: kind, seed: seed, draw: draw, long: d.in(nightLong)}
	d.Night.plan = p
	fit := slices.DeleteFunc(slices.Clone(classes), func(c class) bool { return s.fits != nil && !s.fits(&c) })
	c := fit[d.IntN(len(fit))]
	if s.shape != nil {
		s.shape(&c)
	}
	var err error
	if p.circuit, err = newCircuit(d.dice, c); err != nil {
		return nil, err
	}
	p.htAt = heatersAt + d.in(preheat)
	if p.circuit.rectifier > 0 || d.chance(0.3) { // no standby switch
		p.htAt = heatersAt + d.in(span{1, 4})
	}
	p.mains = d.mains()
	p.swing, p.warms = d.in(roomSwing), d.in(benchWarms)
	p.acts = []Input{{Act: &Act{Act: "begin"}}}
	d.wire(s.plate)
	if !s.calm && d.chance(restless) {
		d.wander()
	}
	s.tell(d)
	n := d.Night
	n.Long = seconds(p.long).Round(time.Second)
	n.HTAt = seconds(p.htAt)
	n.Amplifier = fmt.Sprintf("%s, %d x %s", c.words, c.sockets, c.tube)
	n.Bench = p.benchText()
	if n.Job == "" {
		n.Job = p.jobText(0)
	}
	for i := range n.Labels {
		if l := &n.Labels[i]; l.Until == 0 {
			l.Until = n.Long
		}
	}
	for i := range n.Beside {
		n.Beside[i].Until = min(n.Beside[i].Until, n.Long)
	}
	return n, nil
}

// wire puts the meters on the bench: often all of a kind, and often a plate
// meter, always where there is nothing else by which to tell mains from tube.
func (d *draft) wire(plate bool) {
	c := d.plan.circuit
	some := func() *display { return &displays[d.IntN(len(displays))] }
	same, class := d.chance(0.5), some()
	for i := range c.tubes {
		if i > 0 && c.shared {
			break
		}
		if !same {
			class = some()
		}
		d.plan.meters = append(d.plan.meters, newMeter(d.dice, class, fmt.Sprintf("k%d", i+1), i))
	}
	if plate || c.shared || c.sockets == 1 || d.chance(0.85) {
		d.plan.meters = append(d.plan.meters, newMeter(d.dice, some(), "ht", plateVolts))
	}
	if d.chance(0.25) {
		d.plan.meters = append(d.plan.meters, newMeter(d.dice, some(), "h1", heaterMeter))
	}
}

// wander makes the mains wander. What has moved by the whole range of it since
// it settled may pass the supply limit.
func (d *draft) wander() {
	d.plan.mains.sigma = d.in(wanderSigma)
	d.beside("supply", benchName, 0, forever)
}

// needs makes the night long enough for something that ends at a moment.
func (d *draft) needs(end float64) { d.plan.long = max(d.plan.long, end+latest) }

// onset is a moment for something that takes so long.
func (d *draft) onset(long float64) float64 {
	from := d.plan.htAt + earliest
	d.needs(from + long)
	return d.in(span{from, d.plan.long - latest - long})
}

// growth draws the growth time of a runaway.
func (d *draft) growth() float64 {
	d.drawn = d.inLog(growthTime)
	return d.drawn
}

// onsetFor is the onset of a runaway: it may take twice the time it is meant to.
func (d *draft) onsetFor(growth float64) float64 { return d.onset(2 * growthsToGo * growth) }

// socket draws a socket.
func (d *draft) socket() int { return d.IntN(d.plan.circuit.sockets) }

// fault adds one.
func (d *draft) fault(f fault) { d.plan.faults = append(d.plan.faults, f) }

// label adds a label; met says of a state whether what it tells is true there.
func (d *draft) label(what string, subjects []string, from float64, size string, met func(*State) bool, also ...string) *Label {
	d.Labels = append(d.Labels, Label{What: what, Subjects: subjects, Also: also, Onset: seconds(from), Size: size, met: met, socket: -1})
	return &d.Labels[len(d.Labels)-1]
}

func atOnce(*State) bool { return true }

// lasting and share put a duration in seconds and a ratio in words.
func lasting(s float64) string {
	return strings.TrimSuffix(seconds(s).Round(time.Minute).String(), "0s")
}
func share(x float64) string { return fmt.Sprintf("%+.1f %%", 100*x) }

func (d *draft) quiet() {
	if d.plan.circuit.cathode || !d.chance(0.4) {
		return
	}
	d.target()
}

// target gives the job an idle target that the amplifier is on: its mean share,
// to a whole percent, on a mains that does not wander far enough to leave it.
func (d *draft) target() float64 {
	c := d.plan.circuit
	d.plan.mains.off, d.plan.mains.diurnal = 0, 0
	d.plan.mains.sigma = min(d.plan.mains.sigma, 0.0015)
	mean := 0.0
	for i := range c.tubes {
		mean += c.tubes[i].watts / c.limit / float64(c.sockets)
	}
	mean = math.Round(100*mean) / 100
	d.Job = d.plan.jobText(mean)
	return mean
}

func (d *draft) dropouts() {
	p := d.plan
	end := 0.0
	for _, at := range d.moments(d.count(dropouts), p.htAt+10*minute, p.long-latest) {
		if at < end {
			continue
		}
		cut := stretch{at, at + d.inLog(dropoutLong)}
		if d.chance(0.25) {
			cut.to = at + d.inLog(cutLong)
			l := d.label("supply", []string{benchName}, at, "a power cut of "+lasting(cut.to-at),
				func(s *State) bool { return s.HT < p.circuit.volts/2 }, "cool-down")
			l.Until = seconds(cut.to)
		}
		p.mains.cuts = append(p.mains.cuts, cut)
		end = cut.to + 5*minute
		d.beside("supply", benchName, cut.from, end)
		d.beside("cool-down", benchName, cut.from, end)
		d.beside("watch", heaterWatch, cut.from, end)
	}
}

func (d *draft) brownOut() {
	p := d.plan
	for range 1 + d.IntN(2) {
		low, long := d.in(brownOut), d.in(brownLong)
		at := d.onset(long)
		if len(p.mains.levels) > 0 && math.Abs(at-p.mains.levels[0].at) < 2*hour {
			continue
		}
		// Rounded as the label is, a second after its onset: HT of before is the
		// first that met is shown.
		p.mains.levels = append(p.mains.levels, level{at + 1, -low}, level{at + long, low})
		before := 0.0
		l := d.label("supply", []string{benchName}, at, fmt.Sprintf("mains %s for %.0f min", share(-low), long/minute), func(s *State) bool {
			if before == 0 {
				before = s.HT
			}
			return s.HT < 0.9*before
		})
		l.Until = seconds(at + long + minute)
		d.beside("watch", heaterWatch, at, at+long+minute)
	}
	slices.SortFunc(p.mains.levels, func(a, b level) int { return cmp.Compare(a.at, b.at) })
}

func (d *draft) standby() {
	p := d.plan
	at := p.htAt
	for range 1 + d.IntN(3) {
		at += d.in(span{20 * minute, 90 * minute})
		off := stretch{at, at + d.in(standbyLong)}
		p.htOff = append(p.htOff, off)
		d.beside("supply", benchName, off.from, off.to+5*minute)
		d.beside("cool-down", benchName, off.from, off.to)
		at = off.to
	}
	d.needs(at + 30*minute)
}

// drift moves a tube's current by a share within so long, by its grid or by its
// emission, and says when it begins and what does it.
func (d *draft) drift(i int, size, long float64) (from float64, by string) {
	from = d.onset(long)
	if d.chance(0.6) {
		d.fault(fault{how: gridRamp, socket: i, from: from, long: long, size: d.plan.circuit.shiftFor(i, size)})
		return from, "its bias"
	}
	d.fault(fault{how: emissionRamp, socket: i, from: from, long: long, size: d.plan.circuit.emissionFor(i, size)})
	return from, "its emission"
}

func (d *draft) labelledDrift(i int, size, long float64) (from float64) {
	from, by := d.drift(i, size, long)
	d.driftLabel(i, from, size, long, by)
	return from
}

func (d *draft) driftLabel(i int, from, size, length float64, by string) *Label {
	return d.label("drift", d.subjects(i), from, fmt.Sprintf("%s in %s, by %s", share(size), lasting(length), by),
		func(s *State) bool { return math.Abs(s.Sockets[i].Excess) > 0.10 })
}

func (d *draft) stepped() {
	i, size, from := d.socket(), d.sign()*d.in(stepSize), d.onset(0)
	long := d.inLog(jumpLong)
	d.fault(fault{how: gridRamp, socket: i, from: from, long: long, size: d.plan.circuit.shiftFor(i, size)})
	d.label("step", d.subjects(i), from, share(size), func(s *State) bool { return math.Abs(s.Sockets[i].Excess) > 0.10 }, "drift")
}

func (d *draft) runaway(how mechanism, from, growth float64) *Label {
	return d.runawayOf(d.socket(), how, from, growth)
}

func (d *draft) runawayOf(i int, how mechanism, from, growth float64) *Label {
	f := fault{how: how, socket: i, from: from, long: growth, margin: d.in(gasMargin)}
	d.plan.circuit.grow(&f)
	d.fault(f)
	l := d.label("runaway", d.subjects(i), from, fmt.Sprintf("growth time %.0f min", growth/minute),
		atOnce, "drift", "step", "over-dissipation")
	l.socket = i
	return l
}

func (d *draft) adjusted() {
	p := d.plan
	c := p.circuit
	sockets := []int{d.socket()}
	all := d.chance(0.4)
	if all {
		sockets = sockets[:0]
		for i := range c.tubes {
			sockets = append(sockets, i)
		}
	}
	size := d.sign() * d.in(trimSize)
	at, turning := d.onset(hour), d.in(trimLong)
	told := at + turning + d.in(trimTold)
	target := 0.0
	if d.chance(0.5) {
		target = d.target()
		size = d.sign() * d.in(trimOff)
	}
	for _, i := range sockets {
		v := c.shiftFor(i, size)
		if target > 0 { // it begins off target and is put right
			d.fault(fault{how: gridRamp, socket: i, long: 1, size: v})
			if p.meterOf(plateVolts) >= 0 { // without plate volts nobody can tell
				l := d.label("idle-off-target", d.subjects(i), p.htAt, fmt.Sprintf("%s of its current", share(size)), func(s *State) bool {
					return s.T > seconds(p.htAt+15*minute) && math.Abs(s.Sockets[i].Ratio-target) > 0.055
				})
				l.Until = seconds(told)
			}
			v = -v
		}
		// A little too far, and back.
		d.fault(fault{how: gridRamp, socket: i, from: at, long: 0.6 * turning, size: 1.2 * v})
		d.fault(fault{how: gridRamp, socket: i, from: at + 0.7*turning, long: 0.3 * turning, size: -0.2 * v})
		for _, a := range []string{"step", "drift"} {
			d.beside(a, c.tubes[i].name, at, told+10)
		}
		if !all {
			p.acts = append(p.acts, Input{T: seconds(told), Act: &Act{"adjusted", c.tubes[i].name}})
		}
	}
	if all {
		p.acts = append(p.acts, Input{T: seconds(told), Act: &Act{"adjusted", "all"}})
	}
}

func (d *draft) slowWarmUp() {
	p := d.plan
	c := p.circuit
	if d.chance(0.5) { // all of it within settle_by
		for i := range c.tubes {
			t := &c.tubes[i]
			for {
				t.slowShare, t.slowTau = d.sign()*d.in(slowUpShare), d.in(slowUpTau)
				if d.settles(t) < slowSettled {
					break
				}
			}
		}
		return
	}
	// One tube goes on and on.
	i := d.socket()
	length := slowTooLong + d.in(span{10 * minute, 40 * minute})
	size := d.sign() * d.in(unsettled) * length / (5 * minute)
	d.fault(fault{how: gridRamp, socket: i, from: p.htAt, long: length, size: c.shiftFor(i, size)})
	d.label("not-settled", d.subjects(i), p.htAt, fmt.Sprintf("%s in %s", share(size), lasting(length)),
		func(s *State) bool { return s.T >= seconds(p.htAt+45*minute) })
}

// settles is when a tube keeps the settle rate of 1 % in 5 min for 5 min, seen
// over a window of 5 min, seconds from first conduction: what is left of an
// exponential after the feedback of its own heat.
func (d *draft) settles(t *tubeSpec) float64 {
	tau := t.slowTau / (1 - t.slowShare)
	left := math.Abs(t.slowShare) * 5 * minute / (0.01 * tau)
	return tau*math.Log(max(left, 1)) + 7.5*minute
}

func (d *draft) intermittent() {
	p := d.plan
	i := d.socket()
	from := d.onset(hour)
	var off []stretch
	every := d.in(contactEvery)
	for at := from; at < p.long; at += 10 + d.ExpFloat64()*every {
		off = append(off, stretch{at, at + d.inLog(contactLong)})
	}
	where := "in its cathode circuit"
	if d.chance(0.5) {
		d.fault(fault{how: contactOut, socket: i, from: from, off: off})
	} else {
		where = "in its sense lead"
		p.meters[p.senseMeter(i)].lead = off
	}
	l := d.label("intermittent", d.subjects(i), from, fmt.Sprintf("%d drop-outs %s", len(off), where), atOnce, "step", "no-conduction")
	l.Due = l.Onset + contactDue
}

func (d *draft) dead() {
	p := d.plan
	i, from := d.socket(), d.onset(0)
	how, size := heaterOut, "its heater fails"
	if d.chance(0.4) {
		how, size = contactOut, "its cathode comes off"
	}
	d.fault(fault{how: how, socket: i, from: from, off: []stretch{{from, forever}}})
	if p.circuit.shared {
		// The other still conducts through the one resistor: it shows as a step.
		d.label("step", d.subjects(i), from, size, func(s *State) bool { return s.Sockets[i].Current < p.circuit.tubes[i].idle/2 }, "drift", "no-conduction")
		return
	}
	d.label("no-conduction", d.subjects(i), from, size, func(s *State) bool { return s.Sockets[i].Current < 0.002 }, "step", "drift")
}

func (d *draft) senseOpen() {
	c := d.plan.circuit
	i, from := d.socket(), d.onset(0)
	d.fault(fault{how: senseOut, socket: i, from: from})
	d.label("sense-open", d.subjects(i), from, "all at once", func(s *State) bool { return s.Sockets[i].Sense > 5*c.limit/c.volts*c.nominal })
}

func (d *draft) plateLead() {
	p := d.plan
	from := d.onset(0)
	off := stretch{from, p.long}
	if d.chance(0.5) {
		off.to = from + d.in(span{5 * minute, hour})
	}
	p.meters[p.meterOf(plateVolts)].lead = []stretch{off}
	l := d.label("plate-lead", []string{benchName}, from, "all at once", atOnce)
	l.Until = min(seconds(off.to), seconds(p.long).Round(time.Second))
}

func (d *draft) supplyDead() {
	p := d.plan
	from := d.onset(0)
	p.htOff = append(p.htOff, stretch{from, forever})
	d.label("supply", []string{benchName}, from, "HT gone for good", func(s *State) bool { return s.HT < p.circuit.volts/2 }, "cool-down")
}

func (d *draft) biasLost() {
	p := d.plan
	from, tau, half := d.onset(0), d.inLog(biasLostTau), []string{"a", "b"}[d.IntN(2)]
	for i := range p.circuit.tubes {
		if t := &p.circuit.tubes[i]; t.half == half {
			d.fault(fault{how: biasLost, socket: i, from: from, long: tau})
			d.label("over-dissipation", d.subjects(i), from, "half "+half+" without bias", func(s *State) bool { return s.Sockets[i].Ratio > 1 }, "runaway", "step", "drift")
		}
	}
	p.htOff = append(p.htOff, stretch{from + 2*tau + d.in(fuseAfter), forever})
	d.beside("supply", benchName, from, forever)
	d.beside("cool-down", benchName, from, forever)
}

func (d *draft) apart() {
	p := d.plan
	c := p.circuit
	var a, b float64
	for i := range c.tubes {
		if c.tubes[i].half == "a" {
			a += c.tubes[i].idle
		} else {
			b += c.tubes[i].idle
		}
	}
	size, length := d.in(halfShift), d.in(driftLong)
	from := d.onset(length)
	for i := range c.tubes {
		up := size
		if (c.tubes[i].half == "a") != (a > b) {
			up = -size
		}
		d.fault(fault{how: gridRamp, socket: i, from: from, long: length, size: c.shiftFor(i, up)})
	}
	d.label("imbalance", []string{benchName}, from, fmt.Sprintf("±%.1f %% in %s", 100*size, lasting(length)),
		func(s *State) bool { return imbalanceOf(c, s) > 0.105 })
}

// silence stops a meter's readings and labels it; a silence that ends leaves
// the meter as it was.
func (d *draft) silence(k int, off stretch) {
	m := &d.plan.meters[k]
	m.off = append(m.off, off)
	d.needs(off.from)
	met := seconds(off.from + m.silentAfter)
	l := d.label("meter-silent", []string{m.name}, off.from, "for "+lasting(min(off.to, d.plan.long)-off.from), func(s *State) bool { return s.T >= met })
	if off.to < d.plan.long {
		l.Until = seconds(off.to)
	}
}

func (d *draft) meterSilent() {
	from := d.onset(0)
	to := forever
	if d.chance(0.6) {
		to = from + d.in(silentLong)
	}
	d.silence(d.IntN(len(d.plan.meters)), stretch{from, to})
}

// instead puts a meter of another class in a meter's place.
func (d *draft) instead(k int, fits func(*display) bool) *meterSpec {
	var fit []*display
	for i := range displays {
		if fits(&displays[i]) {
			fit = append(fit, &displays[i])
		}
	}
	m := &d.plan.meters[k]
	*m = newMeter(d.dice, fit[d.IntN(len(fit))], m.name, m.source)
	return m
}

func (d *draft) frozen() {
	from := d.onset(0)
	hold := d.chance(0.5)
	m := d.instead(d.IntN(len(d.plan.meters)), func(c *display) bool {
		return c.counts > frozenCounts && c.every.hi < 0.7 && !(hold && c.asked)
	})
	m.freeze, m.hold = from, hold
	what, also, size := "meter-frozen", "meter-hold", "no sign of it on the display"
	if hold {
		what, also, size = also, what, "HOLD on the display"
	}
	l := d.label(what, []string{m.name}, from, size, atOnce, also, "meter-silent")
	l.Due = l.Onset + freezeDue
}

func (d *draft) battery() {
	long := d.in(batteryLong)
	from := d.onset(long)
	k := d.IntN(len(d.plan.meters))
	m := d.instead(k, func(c *display) bool { return !c.asked })
	m.battery, m.sag = stretch{from, from + long}, d.in(batteryGain)
	l := d.label("meter-low-battery", []string{m.name}, from, "reading "+share(m.sag)+" at the end", atOnce)
	l.Until = seconds(from + long)
	d.silence(k, stretch{from + long, forever})
}

func (d *draft) driftUnseen() {
	i, length := d.socket(), d.in(span{hour, 2.5 * hour})
	size := d.sign() * d.in(driftSize)
	from, by := d.drift(i, size, length)
	off := stretch{from + length*d.in(span{0, 0.3}), from + length*d.in(span{0.9, 1.15})}
	d.needs(off.to + 10*minute)
	l := d.driftLabel(i, from, size, length, by+", unseen")
	seen := l.met
	l.met = func(s *State) bool { return !off.has(s.T.Seconds()) && seen(s) }
	d.silence(d.plan.senseMeter(i), off)
}
