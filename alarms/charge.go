package alarms

import "time"

// chargedAbove is the DC voltage above which a supply counts as still charged:
// the caution threshold of 60 V DC that meters after IEC 61010-1 carry (from a
// meter maker's manual), the same as the ES1 limit of IEC 62368-1 (from memory).
const chargedAbove = 60

// chargedFor is how long, run time, the probe must have read no more than that
// without a break: a supply that is loaded for a moment recovers, and a clip
// that is being moved reads nothing for a while (estimate).
const chargedFor = 10 * time.Second

// charge is what the plate meters say of whether the supply is still charged.
type charge struct {
	low  bool          // it has read no more than chargedAbove since from
	from time.Duration // run time
	at   time.Duration // of the last reading that said so
	// lost says that the plate lead came off and HT has not been seen since: what
	// it reads then proves nothing, also when no tube conducts any more.
	lost bool
}

// followCharge takes the plate meters as they stand now, also after the run's end.
func (e *Engine) followCharge() {
	c := &e.charge
	high := false
	for _, s := range e.sockets {
		v := e.valueOf(s.plate)
		high = high || v.Known && v.X > chargedAbove
	}
	switch p := &e.supply; {
	case high:
		*c = charge{}
	case e.standing("plate-lead"):
		*c = charge{lost: true}
	case !p.volts.Known:
		c.low = false
	case !c.low || p.meter.lastAt-c.at >= p.meter.SilentAfter:
		c.low, c.from, c.at = true, p.meter.lastAt, p.meter.lastAt
	default:
		c.at = p.meter.lastAt
	}
}

// charged is nil when there is no telling, which people must read as charged.
func (e *Engine) charged() *bool {
	c := &e.charge
	if !e.valueOf(e.supply.meter).Known || e.supply.leadOff || c.lost {
		return nil
	}
	charged := !c.low || e.now-c.from < chargedFor
	return &charged
}
