package night

import (
	"math"
	"time"

	"nightsoak/drivers"
)

// A display is a class of meter by what it can show. Its accuracy and pace are
// practice for the class; the formats are those that such a display usually
// talks, chosen so that the bench file is valid.
type display struct {
	counts   int  // full scale: from here on a range overflows
	milli    int8 // power of ten of a count in the lowest DC range, volt
	ranges   int  // decades, lowest first
	format   string
	port     string
	asked    bool    // it answers, and has no symbols to show
	gain     float64 // accuracy, of reading
	offset   float64 // accuracy, counts
	noise    float64 // standard deviation, counts
	every    span    // second between readings
	accuracy string  // gain and offset as the bench file says them
}

var displays = []display{
	{counts: 2000, milli: -4, ranges: 5, format: "ascii14", port: "/dev/ttyUSB%d", asked: true, gain: 0.008, offset: 2, noise: 0.25, every: span{0.45, 1.2}, accuracy: "0.8% + 2"},
	{counts: 6000, milli: -4, ranges: 4, format: "dtm0660", port: "/dev/ttyUSB%d", gain: 0.005, offset: 3, noise: 0.4, every: span{0.33, 0.5}, accuracy: "0.5% + 3"},
	{counts: 22000, milli: -5, ranges: 5, format: "es51922", port: "/dev/ttyUSB%d", gain: 0.001, offset: 5, noise: 0.9, every: span{0.4, 0.55}, accuracy: "0.1% + 5"},
	{counts: 60000, milli: -5, ranges: 5, format: "scpi", port: "tcp://192.0.2.%d:5025", asked: true, gain: 0.0005, offset: 3, noise: 1.6, every: span{0.1, 0.25}, accuracy: "0.05% + 3"},
	{counts: 60000, milli: -5, ranges: 5, format: "scpi", port: "tcp://192.0.2.%d:5025", asked: true, gain: 0.0005, offset: 3, noise: 0.7, every: span{0.8, 2}, accuracy: "0.05% + 3"},
}

// What a meter looks at, beside the sockets' sense resistors (0, 1, 2 ...).
const (
	plateVolts  = -1
	heaterMeter = -2
)

// meterSpec is one meter of the bench, with its own errors.
type meterSpec struct {
	*display
	name        string
	source      int // socket, plateVolts or heaterMeter
	every       float64
	silentAfter float64 // second
	phase       float64 // second
	jitter      float64 // second, standard deviation
	gains       [5]float64
	offset      float64 // counts
	tempco      float64 // of reading, for each K from 23 °C
	hum         float64 // of reading
	humBeat     float64 // Hz
	loss        float64 // share of readings
	gaps        float64 // an hour

	off     []stretch // nothing comes
	freeze  float64   // the digits stand still from here; 0 for never
	hold    bool      // and the display says so
	battery stretch   // low
	sag     float64   // of reading at the end of battery
	lead    []stretch // the lead has no contact: next to nothing to be seen
}

// newMeter draws a meter of a class.
func newMeter(d dice, class *display, name string, source int) meterSpec {
	m := meterSpec{
		display: class, name: name, source: source,
		every: math.Round(1000*d.in(class.every)) / 1000, silentAfter: 5,
		jitter: d.inLog(span{0.001, 0.02}),
		offset: class.offset * max(-0.8, min(0.8, d.NormFloat64()/3)),
		tempco: class.gain * tempcoShare * (2*d.Float64() - 1),
		gaps:   d.in(gapsAnHour),
	}
	if m.every > 0.7 {
		m.silentAfter = 12
	}
	m.phase = d.in(span{0, m.every})
	for k := range m.gains {
		m.gains[k] = class.gain * max(-0.9, min(0.9, d.NormFloat64()/3))
	}
	if d.chance(0.3) {
		m.hum, m.humBeat = d.inLog(humShare), d.inLog(span{0.003, 0.4})
	}
	if d.chance(0.5) {
		m.loss = d.in(lossShare)
	}
	return m
}

// meterState is one meter between two readings.
type meterState struct {
	*meterSpec
	dice  dice
	n     int           // readings so far
	next  time.Duration // of the coming reading
	rng   int           // range, lowest first, where a cold amplifier leaves it
	last  drivers.Reading
	phase float64 // of the hum, radian
	gap   stretch // the port is away
	sum   float64 // of the node's volts since the last reading
	steps int
	volts float64 // of the last reading, for one that comes within the same step
}

func newMeterState(p *plan, i int) meterState {
	m := meterState{meterSpec: &p.meters[i], dice: roll(p.kind, p.seed, p.draw+2+uint64(i))}
	m.gap = m.nextGap(0)
	m.schedule()
	return m
}

// nextGap draws when the port goes away next, and for how long.
func (m *meterState) nextGap(after float64) stretch {
	if m.gaps == 0 {
		return stretch{math.Inf(1), math.Inf(1)}
	}
	from := after + m.dice.ExpFloat64()*hour/m.gaps
	// Short of silent_after by two readings, so that it never counts as silent.
	return stretch{from, from + m.dice.in(span{0.5, max(0.6, 0.8*m.silentAfter-2*m.every)})}
}

// schedule sets the moment of the next reading.
func (m *meterState) schedule() {
	m.n++
	late := m.jitter * max(-3, min(3, m.dice.NormFloat64()))
	if m.asked && m.dice.chance(0.01) { // a busy line
		late += m.dice.Float64() * m.every / 2
	}
	at := m.meterSpec.phase + float64(m.n)*m.every + late
	m.next = max(m.next+time.Millisecond, time.Duration(math.Round(at*1000))*time.Millisecond)
}

// integrate adds a step of the plant to what the converter integrates.
func (m *meterState) integrate(s *State) {
	v := m.node(s)
	if m.every > 0.7 { // it looks only when asked
		m.sum, m.steps = v, 1
		return
	}
	m.sum += v
	m.steps++
}

// node is the voltage at the probe's tip.
func (m *meterState) node(s *State) float64 {
	switch m.source {
	case plateVolts:
		return s.HT
	case heaterMeter:
		return s.Heater
	}
	return s.Sockets[m.source].Sense
}

// read is the reading that is due; ok is false when it never arrives. It
// schedules the next one. Each display changes at most one range a reading: on
// the way up each range that overflows shows OL once.
func (m *meterState) read(room float64) (r drivers.Reading, ok bool) {
	t := m.next.Seconds()
	if m.steps > 0 {
		m.volts = m.sum / float64(m.steps)
		m.sum, m.steps = 0, 0
	}
	volts := m.volts
	noise := m.dice.NormFloat64()
	lost := m.dice.chance(m.loss)
	if m.hum > 0 {
		m.phase += 2*math.Pi*m.humBeat*m.every + 0.05*m.dice.NormFloat64()
		volts *= 1 + m.hum*math.Sin(m.phase)
	}
	m.schedule()
	if t >= m.gap.to {
		m.gap = m.nextGap(t)
	}
	for _, s := range m.lead {
		if s.has(t) {
			volts = 1e-4 * noise // what the open leads pick up
		}
	}
	for _, s := range m.off {
		lost = lost || s.has(t)
	}
	if m.freeze > 0 && t >= m.freeze {
		if r = m.last; m.hold {
			r.Flags |= drivers.Hold
		}
		return r, !lost && !m.gap.has(t)
	}
	m.last = m.show(volts, noise, room, t)
	return m.last, !lost && !m.gap.has(t)
}

// show is what the display makes of so many volts.
func (m *meterState) show(volts, noise, room, t float64) drivers.Reading {
	flags := drivers.DC
	if m.source == heaterMeter {
		flags = drivers.AC
	}
	if !m.asked {
		flags |= drivers.Auto
	}
	volts *= 1 + m.gains[m.rng] + m.tempco*(room-23)
	if m.battery.has(t) {
		flags |= drivers.LowBattery
		volts *= 1 + m.sag*(t-m.battery.from)/(m.battery.to-m.battery.from)
	}
	exp := m.milli + int8(m.rng)
	r := drivers.Reading{Exp: exp, Quantity: drivers.Voltage, Flags: flags}
	if m.rng == 0 {
		r.Prefix = -3
	}
	n := int64(math.Round(volts*math.Pow10(-int(exp)) + m.offset + m.noiseCounts(noise)))
	size := max(n, -n)
	if size >= int64(m.counts) {
		r.Flags |= drivers.Overload
		r.Exp = r.Prefix
		m.rng = min(m.rng+1, m.ranges-1)
		return r
	}
	r.Digits = n
	if size < int64(m.counts)*9/100 { // hysteresis: it goes down only well under the lower range's full scale
		m.rng = max(m.rng-1, 0)
	}
	return r
}

// noiseCounts is the display's own noise.
func (m *meterState) noiseCounts(normal float64) float64 { return m.display.noise * normal }
