package alarms

import (
	"fmt"
	"math"
	"time"

	"nightsoak/acquire/bench"
)

// watchState is one watch of the job.
type watchState struct {
	*bench.Watch
	e     *Engine
	meter *meter
	cond  *cond
	marks []Mark
}

var watchRule = rule{name: "watch", priority: Medium, onDelay: delay(5 * time.Second), offDelay: 5 * time.Second, deadband: 0.005,
	advice:      "Look at what this watch measures; its limits stand in the job file.",
	cause:       "Whatever this watch measures has left the band that the job allows.",
	consequence: "What the job says of it: heaters too low poison cathodes, too high burn out.",
	within:      TenMinutes}

func (e *Engine) newWatch(i int) *watchState {
	w := &watchState{Watch: &e.job.Watches[i], e: e}
	w.meter = e.meterAt(w.Watch.Meter)
	w.meter.use(w.Quantity, false)
	w.meter.watches = append(w.meter.watches, w)
	w.cond = e.newCond(&watchRule, w.Name, w.text)
	return w
}

func (w *watchState) judge() verdict {
	v := w.e.valueOf(w.meter)
	if !v.Known {
		return unknown
	}
	band := w.cond.band()
	return when(v.X < w.Low+float64(band*math.Abs(w.Low)) || v.X > w.High-float64(band*math.Abs(w.High)))
}

func (w *watchState) text() string {
	r := w.meter.last
	limit, side := w.Low, "under"
	if v := r.Value(); v > w.High || math.IsInf(w.Low, 0) {
		limit, side = w.High, "over"
	}
	return fmt.Sprintf("%s reads %s %s, %s %.4g %s", w.Name, r.Text(), r.Unit(), side, limit, w.Quantity.SIUnit())
}
