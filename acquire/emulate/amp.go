// Package emulate is a bench that is not there: an amplifier with its own
// physics, and meters that write the real formats' bytes to real
// pseudo-terminals at a display's pace. It serves the demo, drills and tests;
// whoever opens its ports by path sees what a bench would show.
package emulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// Fault is what goes wrong with the emulated bench.
type Fault string

// The faults, each on the socket or meter of the demo scenario.
const (
	None    Fault = "none"
	Runaway Fault = "runaway" // V7: grid current through the grid leak, hotter and hotter
	Drift   Fault = "drift"   // V6: rises at a constant rate, 14 % in 36 min, then stays
	Open    Fault = "open"    // V8: the sense resistor opens and the cathode floats
	Dead    Fault = "dead"    // V6: the cathode's weld lets go
	Silent  Fault = "silent"  // k4: the meter switches itself off
)

// Faults are all faults, None last.
var Faults = []Fault{Runaway, Drift, Open, Dead, Silent, None}

// Config is what an Amp is built from. The zero Config is the demo's amplifier
// without a fault.
type Config struct {
	Seed    uint64        // same seed, same night
	HTAt    time.Duration // HT comes up so long after the heaters, run time; 0 for 3 s
	Fault   Fault         // empty for None
	FaultAt time.Duration // so long after HT up, run time; 0 for 20 min
}

// The sockets of the amplifier, in the order of Sample.Sockets.
const (
	V5 = iota
	V6
	V7
	V8
	numSockets
)

// Sample is the amplifier at one moment.
type Sample struct {
	T       time.Duration // run time of this state, a multiple of 50 ms
	Mains   float64       // ratio to nominal
	HT      float64       // plate supply to chassis, volt
	Sockets [numSockets]Socket
}

// Socket is one tube at one moment.
type Socket struct {
	Sense   float64 // cathode to chassis, across the sense resistor, volt
	Current float64 // cathode current, ampere
	// Dissipation is the cathode current times plate-to-cathode volts, watt.
	// Screen current is not told apart: it counts as plate current, as it does
	// wherever it is neither measured nor set.
	Dissipation float64
}

// The amplifier. Figures without a source are estimates of an ordinary 100 W
// fixed-bias head, chosen so that it idles near 41 mA at 462 V.
const (
	step = 50 * time.Millisecond
	dt   = 0.05 // step, second

	// Mains: an Ornstein-Uhlenbeck process, ±1 % at three sigma. Estimates.
	mainsSigma = 0.0033
	mainsTau   = 3600.0 // second

	htNoLoad    = 475.5  // volt at nominal mains; estimate
	htOhms      = 80.0   // transformer, rectifier and choke; estimate
	htFarads    = 470e-6 // reservoir; estimate
	screenVolts = 401.6  // no-load, from a tap of its own; estimate
	screenOhms  = 10.0   // the part of the transformer that plate and screen supply share; estimate
	biasVolts   = -40.83 // at nominal mains; rectified from a winding, so it moves with the mains
	gridOhms    = 220e3  // grid leak: usual practice, above the handbook's 0.1 MΩ for fixed bias
	senseOhms   = 1.0
	// Switched off, heaters cool, the bias lasts longer than the screens, and what
	// the tubes leave in the reservoir drains through the bleeder. Estimates.
	bleederOhms  = 100e3
	biasTau      = 8.0 // second
	screenFarads = 47e-6
	screenShare  = 0.06 // of the cathode current
	meterOhms    = 10e6 // what is left of the sense resistor once it is open: the meter's input

	// Tube law Ik = K·(Vg1 + Vg2/mu2 + Va/mu1)^1.5, the textbook's form of
	// Child's law. K, mu2 and mu1 are fitted by least squares to four published
	// operating points of the 6L6GC (push-pull 450/400/-37 V and 360/270/-22.5 V,
	// single-ended 250/250/-14 V and 350/250/-18 V) and meet each within 0.3 %.
	perveance = 9.07e-4 // K, A/V^1.5
	mu2       = 7.72    // grid 1 over screen
	mu1       = 264.0   // grid 1 over plate
	// Unevenly pitched grid wires leave a tail near cut-off, of so many volts. Estimate.
	tailVolts = 2.5

	// Cathode: emission after Richardson and Dushman, T²·exp(-W/kT), with W
	// about 1 eV (oxide cathode, textbook figure, from memory) at 1050 K.
	workOverKT = 11.05
	heaterTau  = 6.0  // radiating cathode about its working temperature, second; gives first current at about 10 s, 90 % at about 20 s
	coldRatio  = 0.28 // room over working temperature
	// Saturated emission of a hot cathode, ampere. An estimate on the low side:
	// it stands in for the limit that fuse and transformer set on a runaway.
	saturation = 0.17

	flickerSigma = 0.0005 // slow noise of the emission, ratio; estimate
	flickerTau   = 10.0   // second; estimate

	idleWatts = 18.9 // dissipation at which a tube's heat is 1
)

// Faults; estimates throughout.
const (
	// A runaway tube gives off gas in proportion to its heat above a threshold
	// a little under the heat it has when the fault begins; the gas takes
	// minutes to come out, and its ions flow through the grid leak. Loop gain
	// is about 1.5·gridSlope·gridOhms over the 12.6 V of drive at idle, 2: well
	// above 1, so the current runs away, slowly at first.
	gasMargin = 0.035
	gasTau    = 300.0 // second
	gridSlope = 79e-6 // ampere per unit of heat

	driftRate = 0.14 / (36 * 60) // per second
	driftMax  = 0.14
	deadTau   = 1.0 // second
)

// tube is what one tube remembers.
type tube struct {
	k          float64 // perveance over the bogey tube's
	settle     float64 // share of the perveance that comes with heat, ratio
	heatLag    float64 // of electrodes and bulb
	heaterTau  float64 // second
	cathode    float64 // temperature over working temperature
	heat       float64 // dissipation, lagged, over idleWatts
	flicker    float64 // slow noise of the emission, ratio
	cathodeV   float64 // cathode to chassis, volt
	gas        float64 // of a runaway, in units of the heat that drives it out
	gasFrom    float64 // heat above which a runaway gives off gas; 0 before its onset
	dissipated float64 // watt
}

// Amp is an amplifier with four 6L6GC on soak, switched on at run time 0. It
// integrates its physics in fixed steps, so what it shows at a moment depends
// on its Config and that moment only, whoever asks and however often. It is
// safe for concurrent use.
type Amp struct {
	cfg Config

	mu      sync.Mutex
	rng     *rand.Rand
	steps   int
	mains   float64 // less nominal, ratio
	off     bool    // the mains have been dropped
	bias    float64 // volt
	ht      float64 // volt
	screens float64 // volt
	total   float64 // current of all four, ampere
	tubes   [numSockets]tube
	// The latest samples, so that meters that ask in any order get the same answer.
	past [1024]Sample
}

// NewAmp builds an amplifier that has been cold for long. It fails on a fault
// that is none of Faults and on negative times.
func NewAmp(cfg Config) (*Amp, error) {
	if cfg.Fault == "" {
		cfg.Fault = None
	}
	if !slices.Contains(Faults, cfg.Fault) {
		return nil, fmt.Errorf("emulated amplifier: fault %q is not known: choose one of %v", cfg.Fault, Faults)
	}
	if cfg.HTAt < 0 || cfg.FaultAt < 0 {
		return nil, fmt.Errorf("emulated amplifier: HT at %v, fault at %v: neither can be before switching on", cfg.HTAt, cfg.FaultAt)
	}
	if cfg.HTAt == 0 {
		cfg.HTAt = 3 * time.Second
	}
	if cfg.FaultAt == 0 {
		cfg.FaultAt = 20 * time.Minute
	}
	a := &Amp{cfg: cfg, rng: rand.New(rand.NewPCG(cfg.Seed, 0x6c6c))}
	a.mains = mainsSigma * a.rng.NormFloat64()
	for i, k := range [numSockets]float64{V5: 1.022, V6: 0.984, V7: 1.008, V8: 0.986} {
		spread := func(of float64) float64 { return of * (2*a.rng.Float64() - 1) }
		a.tubes[i] = tube{
			k:         k + spread(0.004),
			settle:    0.022 + spread(0.004),
			heatLag:   lag(95 + spread(5)), // 1.5 to 1.7 min
			heaterTau: heaterTau * (1 + spread(0.1)),
			cathode:   coldRatio,
		}
	}
	a.past[0] = Sample{Mains: 1 + a.mains}
	return a, nil
}

// Off drops the mains of the amplifier now: from the step after the latest that
// anybody has asked for. Nothing switches it on again.
func (a *Amp) Off() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.off = true
}

// FaultAt is the run time at which the fault begins, if there is one.
func (a *Amp) FaultAt() time.Duration { return a.cfg.HTAt + a.cfg.FaultAt }

// At is the amplifier at run time t, to the step of 50 ms before it. Moments
// more than 50 s before the latest one asked for are forgotten: the oldest
// that is known is given instead.
func (a *Amp) At(t time.Duration) Sample {
	n := int(max(t, 0) / step)
	a.mu.Lock()
	defer a.mu.Unlock()
	for a.steps < n {
		a.advance()
	}
	return a.past[max(n, a.steps-len(a.past)+1)%len(a.past)]
}

// faulty says whether a fault has begun at run time t.
func (a *Amp) faulty(f Fault, t time.Duration) bool {
	return a.cfg.Fault == f && t >= a.FaultAt()
}

// lag is how far something with time constant tau, in seconds, gets in one
// step towards a steady input: the exact solution, so nothing overshoots.
func lag(tau float64) float64 { return 1 - math.Exp(-dt/tau) }

var (
	mainsLag   = lag(mainsTau)
	htLag      = lag(htOhms * htFarads)
	flickerLag = lag(flickerTau)
	gasLag     = lag(gasTau)
	biasLag    = lag(biasTau)
)

// wander advances an Ornstein-Uhlenbeck process about 0 by one step.
func (a *Amp) wander(x, sigma, lag float64) float64 {
	return x*(1-lag) + sigma*math.Sqrt(lag*(2-lag))*a.rng.NormFloat64()
}

// advance integrates one step.
func (a *Amp) advance() {
	a.steps++
	now := time.Duration(a.steps) * step
	a.mains = a.wander(a.mains, mainsSigma, mainsLag)
	mains := 1 + a.mains
	switch {
	case a.off:
		mains = 0
		a.bias -= biasLag * a.bias
		a.ht = max(0, a.ht-dt/htFarads*(a.total+a.ht/bleederOhms))
		a.screens = max(0, a.screens-dt/screenFarads*(screenShare*a.total+a.screens/bleederOhms))
	case now >= a.cfg.HTAt:
		a.ht += htLag * (mains*htNoLoad - htOhms*a.total - a.ht)
		a.screens += htLag * (mains*screenVolts - screenOhms*a.total - a.screens)
		fallthrough
	default:
		a.bias = biasVolts * mains
	}
	out := Sample{T: now, Mains: mains, HT: a.ht}
	a.total = 0
	for i := range a.tubes {
		s := a.tubes[i].advance(a, i, now, mains)
		out.Sockets[i] = s
		a.total += s.Current
	}
	a.past[a.steps%len(a.past)] = out
}

// advance integrates one tube over one step and says what it passes.
func (t *tube) advance(a *Amp, socket int, now time.Duration, mains float64) Socket {
	t.heat += t.heatLag * (t.dissipated/idleWatts - t.heat)
	// Heater power goes with the square of the mains, radiation with the fourth
	// power of temperature.
	t.cathode += dt / (4 * t.heaterTau) * (mains*mains - t.cathode*t.cathode*t.cathode*t.cathode)
	t.flicker = a.wander(t.flicker, flickerSigma, flickerLag)

	k := perveance * t.k * (1 + t.settle*(t.heat-1)) * (1 + t.flicker)
	since := (now - a.FaultAt()).Seconds()
	if socket == V6 && a.faulty(Drift, now) {
		k *= 1 + min(driftRate*since, driftMax)
	}
	if socket == V6 && a.faulty(Dead, now) {
		k *= math.Exp(-since / deadTau)
	}
	grid := a.bias
	if socket == V7 && a.faulty(Runaway, now) {
		if t.gasFrom == 0 {
			t.gasFrom = t.heat - gasMargin
		}
		t.gas += gasLag * (max(0, t.heat-t.gasFrom) - t.gas)
		// Positive, it would draw electrons and hold itself near the cathode.
		grid = min(grid+gridOhms*gridSlope*t.gas, 0)
	}
	emission := saturation * t.cathode * t.cathode * math.Exp(-workOverKT*(1/t.cathode-1))
	current := func(cathodeV float64) float64 {
		return limited(k*law(grid-cathodeV, a.screens-cathodeV, a.ht-cathodeV), emission)
	}
	if socket == V8 && a.faulty(Open, now) {
		// The cathode floats to where the tube passes only what the meter draws.
		low, high := 0.0, a.ht
		for range 50 {
			if t.cathodeV = (low + high) / 2; current(t.cathodeV)*meterOhms > t.cathodeV {
				low = t.cathodeV
			} else {
				high = t.cathodeV
			}
		}
	}
	i := current(t.cathodeV)
	if socket != V8 || !a.faulty(Open, now) {
		t.cathodeV = i * senseOhms
	}
	t.dissipated = i * (a.ht - t.cathodeV)
	return Socket{Sense: t.cathodeV, Current: i, Dissipation: t.dissipated}
}

// law is the tube law for a perveance of 1: V^1.5 of the equivalent diode's
// volts, with the tail near cut-off rounded by a soft maximum of 0 and V.
func law(vg1, vg2, va float64) float64 {
	v := vg1 + vg2/mu2 + va/mu1
	if x := v / tailVolts; x < 40 {
		v = tailVolts * math.Log1p(math.Exp(x))
	}
	return math.Sqrt(v) * v
}

// limited is the smaller of space-charge current and emission, smoothly: at a
// quarter of the emission it takes 0.1 %.
func limited(space, emission float64) float64 {
	if space <= 0 || emission <= 0 {
		return 0
	}
	r := space / emission
	return space / math.Sqrt(math.Sqrt(1+r*r*r*r))
}
