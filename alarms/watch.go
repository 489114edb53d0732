package alarms

import (
	"fmt"
	"time"

	"nightsoak/acquire/bench"
)

// watchState is one watch of the job.
type watchState struct {
	*bench.Watch
	e     *Engine
	meter *meter
	cond  *cond
}

var watchRule = rule{name: "watch", priority: Medium, onDelay: delay(5 * time.Second), offDelay: 5 * time.Second,
	advice: "Look at what this watch measures; its limits stand in the job file."}

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
	return when(v.X < w.Low || v.X > w.High)
}

func (w *watchState) text() string {
	r := w.meter.last
	return fmt.Sprintf("%s reads %s %s, outside %.4g to %.4g %s", w.Name, r.Text(), r.Unit(), w.Low, w.High, w.Quantity.SIUnit())
}
