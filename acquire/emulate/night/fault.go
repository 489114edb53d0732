package night

import "math"

// mechanism is how something goes wrong in a tube or its socket.
type mechanism int

const (
	gridRamp     mechanism = iota // grid volts move by size within long, and stay
	emissionRamp                  // emission changes by size, ratio, within long
	senseRamp                     // so does the sense resistor
	gasLeak                       // ions to the grid: size ampere for each unit of heat over the threshold
	gridCoating                   // a coated grid emits: size ampere after one growth time at the heat of onset
	capLeak                       // the coupling capacitor: size siemens, growing e-fold in long
	biasLost                      // grid volts go to zero, time constant long
	heaterOut                     // the heater fails
	contactOut                    // the cathode circuit is open while off says so
	senseOut                      // the sense resistor is open
)

// fault is one thing that goes wrong in one socket.
type fault struct {
	how    mechanism
	socket int
	from   float64 // second
	long   float64 // second: see how
	size   float64 // see how
	margin float64 // gasLeak: threshold under the heat of onset
	off    []stretch
}

// driverVolts stands across a coupling capacitor: the driver's plate and the
// bias. Estimate.
const driverVolts = 250.0

// ramp goes from 0 to size.
func (f *fault) ramp(t float64) float64 {
	return f.size * min(max((t-f.from)/f.long, 0), 1)
}

// growth is the inner state of a runaway: how much gas is out, or how much
// coating has come over.
type growth struct {
	level float64
	heat0 float64 // at the onset
	begun bool
}

// shift advances a runaway by so many seconds and says by how many volts it
// lifts the grid. heat is the electrodes'.
func (f *fault) shift(g *growth, gridOhms, heat, t, seconds float64) float64 {
	if !g.begun {
		g.begun, g.heat0 = true, heat
	}
	switch f.how {
	case gasLeak:
		drive := max(0, heat-g.heat0+f.margin)
		g.level += (1 - math.Exp(-seconds/f.long)) * (drive - g.level)
		return gridOhms * f.size * g.level
	case gridCoating:
		g.level += seconds / f.long * max(0, 1+coatingSteep*(heat/g.heat0-1))
		// Grid temperature as the fourth root of the heat: it radiates.
		return gridOhms * f.size * g.level * math.Exp(gridSteep*(1-1/math.Sqrt(math.Sqrt(heat/g.heat0))))
	}
	leak := gridOhms * f.size * math.Expm1(min((t-f.from)/f.long, 30))
	return driverVolts * leak / (1 + leak)
}

// reaches is how many seconds a runaway takes to the dissipation limit in still
// air at nominal mains, +Inf for not within twice the time it is meant to.
func (c *circuit) reaches(f *fault) float64 {
	t := &c.tubes[f.socket]
	step := f.long / 25
	var g growth
	quick, slow := 1.0, 1.0
	for now := 0.0; now < 2*growthsToGo*f.long; now += step {
		shift := f.shift(&g, t.gridOhms, quick, f.from+now, step)
		_, watts := c.steady(f.socket, shift, 1, quick, slow)
		if watts > c.limit {
			return now
		}
		quick += (1 - math.Exp(-step/t.quickTau)) * (watts/t.watts - quick)
		slow += (1 - math.Exp(-step/t.slowTau)) * (watts/t.watts - slow)
	}
	return math.Inf(1)
}

// grow sets the size of a runaway so that it takes growthsToGo growth times.
func (c *circuit) grow(f *fault) {
	// Far from both ends of what a grid circuit can bear: an ampere, a siemens
	// at one end, a picoampere at the other.
	f.size = math.Exp(bisect(math.Log(1e-13), 0, func(ln float64) bool {
		f.size = math.Exp(ln)
		return c.reaches(f) > growthsToGo*f.long
	}))
}

// shiftFor is the grid shift in volts that changes a tube's settled current by
// a ratio.
func (c *circuit) shiftFor(i int, change float64) float64 {
	want := c.settled(i, 0, 1) * (1 + change)
	return bisect(-40, 40, func(v float64) bool { return c.settled(i, v, 1) < want })
}

// emissionFor is the change of emission, as a ratio, that does the same.
func (c *circuit) emissionFor(i int, change float64) float64 {
	want := c.settled(i, 0, 1) * (1 + change)
	return bisect(-0.95, 5, func(e float64) bool { return c.settled(i, 0, 1+e) < want })
}

// settled is steady once all heat has followed.
func (c *circuit) settled(i int, shift, mult float64) float64 {
	a, _ := c.steady(i, shift, mult, math.NaN(), math.NaN())
	return a
}
