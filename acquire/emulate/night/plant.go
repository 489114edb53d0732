package night

import (
	"math"
	"slices"
	"time"
)

const (
	// stepLong is the plant's step: what the fastest display integrates over.
	stepLong = 100 * time.Millisecond
	dt       = 0.1 // the same, second
	// slowEvery is how many steps the slow parts of the noise stand still.
	slowEvery = 10

	heaterVolts = 6.3
	// Cathode: emission after Richardson and Dushman, T²·exp(-W/kT), W about
	// 1 eV (oxide cathode, textbook figure, from memory) at 1050 K.
	workOverKT = 11.05
	coldRatio  = 0.28        // room over working temperature
	bypassTau  = 0.23        // second: cathode resistor and its bypass capacitor. Estimate
	bleedTau   = 20.0        // second: bleeder and reservoir. Estimate
	biasRise   = 0.3         // second: bias rectifier charges. Estimate
	biasFall   = 3.0         // second: its filter empties. Estimate
	meterOhms  = 10e6        // what is left of an open sense resistor
	creepTau   = 30 * minute // the bias resistors warm. Estimate
	roomTau    = 40 * minute // so do the meters on the bench. Estimate
)

// Socket is one tube at one moment, as it truly is.
type Socket struct {
	Sense       float64 // volt across its sense resistor, all tubes on it together
	Current     float64 // cathode current, ampere
	Dissipation float64 // cathode current times plate-to-cathode volts, watt
	Ratio       float64 // of the tube's limit
	// Excess is what its fault alone does to the sense volts, ratio: the same
	// tube without the fault, at the same supply and with the same noise, would
	// show 1/(1+Excess) of them. It is 0 without a fault, and where that twin
	// does not conduct.
	Excess float64
}

// State is the amplifier at one moment, as it truly is.
type State struct {
	T       time.Duration // run time, a multiple of 100 ms
	Mains   float64       // ratio to nominal
	HT      float64       // plate supply to chassis, volt
	Heater  float64       // volt
	Sockets []Socket      // in the job's order; valid until the next State
}

// tubeState is what one tube remembers.
type tubeState struct {
	*tubeSpec
	faults      []*fault
	growth      growth
	cathode     float64 // temperature over working temperature
	emission    float64 // ampere
	emits       float64 // cathode, when emission was last computed
	quick, slow float64 // heat
	vk          float64 // cathode to chassis
	current     float64
	slope       float64 // of current over grid volts
	watts       float64
	tangent     tangent
	lags        [2]float64 // of quick and slow

	noise   [4]float64 // parts of the flicker noise
	popcorn float64
	twin    *tubeState // of a tube with faults
}

// plant integrates a plan.
type plant struct {
	*plan
	dice    dice
	step    int
	mains   mainsState
	screen  float64
	bias    float64 // over nominal
	charge  float64 // lag of the reservoir
	warm    float64 // of the rectifier
	tubes   []tubeState
	total   float64
	room    float64 // temperature of the meters, °C
	crept   float64 // how far the bias resistors have warmed
	state   State
	flicker [4]float64 // lags
}

var bypassLag = lag(bypassTau)

// Time constants of the noise's parts, second: together about 1/f.
var flickerTaus = [4]float64{1, 10, 100, 1000}

func newPlant(p *plan) *plant {
	a := &plant{plan: p, dice: roll(p.kind, p.seed, p.draw+1), charge: lag(p.circuit.ohms * p.circuit.cap)}
	a.mains = newMains(&p.mains)
	a.mains.wander = p.mains.sigma * a.dice.NormFloat64()
	for k, tau := range flickerTaus {
		if a.flicker[k] = lag(tau); k > 0 {
			a.flicker[k] = 1 - math.Exp(-slowEvery*dt/tau)
		}
	}
	a.tubes = make([]tubeState, len(p.circuit.tubes))
	for i := range a.tubes {
		t := &a.tubes[i]
		*t = tubeState{tubeSpec: &p.circuit.tubes[i], cathode: coldRatio}
		t.lags = [2]float64{lag(t.quickTau), lag(t.slowTau)}
		for k := range p.faults {
			if p.faults[k].socket == i {
				t.faults = append(t.faults, &p.faults[k])
			}
		}
		if t.faults != nil {
			twin := *t
			twin.faults, t.twin = nil, &twin
		}
	}
	a.state.Sockets = make([]Socket, len(a.tubes))
	return a
}

// advance integrates one step.
func (a *plant) advance() {
	c := a.circuit
	a.step++
	now := float64(a.step) * dt
	m := a.mains.at(now, a.dice)
	if a.step%slowEvery == 1 {
		a.room = 21 + a.swing*math.Sin(2*math.Pi*now/(24*hour)+a.plan.mains.phase) + a.warms*(1-math.Exp(-now/roomTau))
		a.crept = 1 - math.Exp(-now/creepTau)
	}

	// Bias: part of it follows the mains, part is held.
	target := c.follow*m + (1-c.follow)*min(1, m/0.6)
	if now < heatersAt {
		target = 0
	}
	tau := biasFall
	if target > a.bias {
		tau = biasRise
	}
	a.bias += dt / tau * (target - a.bias)

	// Plate supply: the rectifier charges, the tubes and a bleeder empty.
	open := 0.0
	if now >= a.htAt && !a.htIsOff(now) {
		a.warm += (1 - a.warm) * rectifierLag(c.rectifier)
		open = m * c.noLoad * a.warm
	}
	ht := a.state.HT
	if loaded := open - c.ohms*a.total; loaded > ht {
		ht += a.charge * (loaded - ht)
	} else {
		ht = max(ht-dt*(a.total/c.cap+ht/bleedTau), loaded, 0)
	}
	a.screen += dt / (c.screenTau + dt) * (c.screen*ht - a.screen)

	heater := m
	if now < heatersAt {
		heater = 0
	}
	total := 0.0
	for i := range a.tubes {
		t := &a.tubes[i]
		noise := t.flickers(a)
		t.advance(a, now, heater, ht, noise)
		total += t.current
		if t.twin != nil {
			t.twin.advance(a, now, heater, ht, noise)
		}
	}
	if c.shared {
		a.shareCathode()
	}
	a.total = total
	a.state.T = time.Duration(a.step) * stepLong
	a.state.Mains, a.state.HT, a.state.Heater = m, ht, heaterVolts*heater
	for i := range a.tubes {
		t := &a.tubes[i]
		s := Socket{Sense: t.vk, Current: t.current, Dissipation: t.watts, Ratio: t.watts / c.limit}
		if t.twin != nil && t.twin.current > 1e-3 {
			s.Excess = t.vk/t.twin.vk - 1
		}
		a.state.Sockets[i] = s
	}
}

func rectifierLag(tau float64) float64 {
	if tau == 0 {
		return 1
	}
	return dt / tau
}

// htIsOff says whether the HT alone is off: standby, or a blown fuse.
func (p *plan) htIsOff(t float64) bool {
	return slices.ContainsFunc(p.htOff, func(s stretch) bool { return s.has(t) })
}

// shareCathode moves the cathodes that stand on one resistor, those of twins on
// a resistor of their own.
func (a *plant) shareCathode() {
	var of, ofTwins onResistor
	for i := range a.tubes {
		t := &a.tubes[i]
		of.add(t)
		if t.twin != nil {
			t = t.twin
		}
		ofTwins.add(t)
	}
	for i := range a.tubes {
		t := &a.tubes[i]
		t.vk = of.next(t)
		if t.twin != nil {
			t.twin.vk = ofTwins.next(t.twin)
		}
	}
}

// onResistor is what one or several tubes pass through a cathode resistor.
type onResistor struct{ current, slope float64 }

func (r *onResistor) add(t *tubeState) {
	r.current += t.current
	r.slope += t.slope
}

// next is the cathode volts after one step, linearly implicit, so that no
// steepness of a tube makes them swing.
func (r *onResistor) next(t *tubeState) float64 {
	return t.vk + bypassLag*(r.current*t.ohms-t.vk)/(1+bypassLag*r.slope*t.ohms)
}

// flickers is the tube's noise of this step, as a factor.
func (t *tubeState) flickers(a *plant) float64 {
	t.noise[0] = ou(t.noise[0], t.tubeSpec.flicker[0], a.flicker[0], a.dice)
	if a.step%slowEvery == 0 {
		for k := 1; k < len(t.noise); k++ {
			t.noise[k] = ou(t.noise[k], t.tubeSpec.flicker[k], a.flicker[k], a.dice)
		}
		if t.tubeSpec.popcorn > 0 && a.dice.chance(slowEvery*dt/180) { // it dwells for minutes
			t.popcorn = t.tubeSpec.popcorn - t.popcorn
		}
	}
	return 1 + t.noise[0] + t.noise[1] + t.noise[2] + t.noise[3] + t.popcorn
}

// tangent is a tube's law about a point.
type tangent struct{ at, current, slope, bend float64 }

// near is space and its slope, by the parabola about a point not far off, which
// is within 0.1 % near cut-off and 1e-6 elsewhere: the law itself is most of the
// work of a night.
func (t *tubeState) near(v float64) (i, slope float64) {
	d := v - t.tangent.at
	if !(math.Abs(d) < 0.1*t.tailVolts) || t.tangent.current == 0 {
		i, slope, bend := t.space(v)
		t.tangent = tangent{v, i, slope, bend}
		return i, slope
	}
	return t.tangent.current + d*(t.tangent.slope+d/2*t.tangent.bend), t.tangent.slope + d*t.tangent.bend
}

// advance integrates one tube over one step.
func (t *tubeState) advance(a *plant, now, heater, ht, noise float64) {
	c := a.circuit
	heat := t.watts / t.tubeSpec.watts
	t.quick += t.lags[0] * (heat - t.quick)
	t.slow += t.lags[1] * (heat - t.slow)

	shift, mult, ohms, closed, resistor := 0.0, noise, t.ohms, true, true
	for _, f := range t.faults {
		if now < f.from {
			continue
		}
		switch f.how {
		case gridRamp:
			shift += f.ramp(now)
		case emissionRamp:
			mult *= 1 + f.ramp(now)
		case senseRamp:
			ohms *= 1 + f.ramp(now)
		case gasLeak, gridCoating, capLeak:
			shift += f.shift(&t.growth, t.gridOhms, t.quick, now, dt)
		case biasLost:
			shift += c.bias * a.bias * (1 - math.Exp((f.from-now)/f.long))
		case heaterOut:
			heater = 0
		case contactOut:
			for _, s := range f.off {
				closed = closed && !s.has(now)
			}
		case senseOut:
			resistor = false
		}
	}
	// Heater power goes with the square of the volts, radiation with the fourth
	// power of temperature.
	if d := dt / (4 * t.heaterTau) * (heater*heater - t.cathode*t.cathode*t.cathode*t.cathode); d > 1e-9 || d < -1e-9 {
		t.cathode = max(t.cathode+d, coldRatio)
		if math.Abs(t.cathode-t.emits) > 1e-5 {
			t.emits = t.cathode
			t.emission = t.saturation * t.cathode * t.cathode * math.Exp(-workOverKT*(1/t.cathode-1))
		}
	}
	mult *= 1 + t.quickShare*(t.quick-1) + t.slowShare*(t.slow-1)
	grid := -c.bias*a.bias*(1+t.biasCreep*a.crept) + shift + t.contact*(t.cathode-1)
	drive := a.screen/t.mu2 + ht/t.mu1
	current := func(vk float64) (i, slope float64) {
		i, slope = t.near(min(grid-vk, 0) - vk/t.mu2 - vk/t.mu1 + drive)
		return limited(i*mult, t.emission), slope * mult
	}
	switch {
	case !closed, t.emission < 1e-7, ht < 1:
		t.current, t.slope = 0, 0
	case !resistor:
		// The cathode floats to where the tube passes only what the meter draws.
		t.vk = bisect(0, ht, func(vk float64) bool { i, _ := current(vk); return i*meterOhms > vk })
		t.current, _ = current(t.vk)
	default:
		t.current, t.slope = current(t.vk)
	}
	t.watts = t.current * (ht - t.vk)
	switch {
	case c.shared, !resistor:
	case c.cathode:
		t.vk = (&onResistor{t.current, t.slope}).next(t)
	default:
		t.vk = t.current * ohms
	}
}
