package cutoff

import (
	"fmt"
	"strings"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
)

// figures are what must fall when the mains drop.
type figures struct {
	run      string
	t        time.Duration // run time
	ht       socket.Value  // volt, to chassis
	sockets  []string
	currents []socket.Value // ampere, of each socket
	read     []time.Duration
}

// Of what stood below these before the drop, nothing can be seen to fall: the
// job's defaults of ht_up and conduction.
const leastVolts, leastAmperes = 60, 0.002

// watching follows HT and currents after a drop.
type watching struct {
	last  *figures // of the last look while armed
	from  *figures // as they stood at the drop; nil when nobody had looked
	begun bool
	t     time.Duration // run time of the drop, as of the first look after it
	proof string
	text  string // what has not fallen, or is not known
}

// begin takes what was last seen as what must fall.
func (w *watching) begin() { *w = watching{last: w.last, from: w.last, proof: Waiting} }

// Look shows the hand what the meters say now, in the run with that id (empty:
// none). It is called all the time; what was seen last before a drop is what
// must fall by half within ProveWithin of run time. A clip that fell off reads
// 0 V and proves nothing: without currents seen to fall nothing is proved, nor
// without HT.
func (h *Hand) Look(run string, s *alarms.Snapshot) {
	now := &figures{run: run, t: s.T, ht: s.HT.Volts}
	for i := range s.Sockets {
		k := &s.Sockets[i]
		v := k.CathodeCurrent
		if !v.Known {
			v = k.PlateCurrent
		}
		now.sockets, now.currents = append(now.sockets, k.Name), append(now.currents, v)
		now.read = append(now.read, s.T-time.Duration(k.Age.X*float64(time.Second)))
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	w := &h.watching
	if h.kept.State != Cut {
		w.last = now
		return
	}
	if w.proof == Proved || w.proof == "" {
		return
	}
	before := w.proof
	if !w.begun {
		w.begun, w.t = true, now.t
	}
	w.judge(now, h.conf.ProveWithin)
	if w.proof == before {
		return
	}
	h.kept.Proof = w.proof
	if w.proof == Proved {
		at := time.Now().UTC().Round(time.Millisecond)
		h.kept.ProvedAt, h.kept.ProvedRun = &at, run
	}
	h.behind = true // written down in the hand's own time
	h.nudge()
	h.log.Warn().Str("proof", w.proof).Msg(strings.TrimSpace("cut-off: " + w.text))
}

// judge compares now with what stood at the drop.
func (w *watching) judge(now *figures, within time.Duration) {
	var standing, unknown []string
	fell := 0
	if w.from == nil || w.from.run != now.run || len(w.from.currents) != len(now.currents) {
		if w.proof == NotFallen {
			return // as the run ended
		}
		w.proof, w.text = NotProved, "not proved: nothing was being watched when the mains were dropped"
		return
	}
	switch was := w.from.ht; {
	case !was.Known || was.X < leastVolts || !now.ht.Known:
		unknown = append(unknown, "HT")
	case now.ht.X > was.X/2:
		standing = append(standing, fmt.Sprintf("HT still at %.0f V, it was %.0f V", now.ht.X, was.X))
	}
	for i, was := range w.from.currents {
		switch is := now.currents[i]; {
		case !was.Known || was.X < leastAmperes: // it did not conduct, or nobody knew
		case !is.Known || now.read[i] < w.t:
			unknown = append(unknown, "the current of "+now.sockets[i])
		case is.X > was.X/2:
			standing = append(standing, fmt.Sprintf("%s still at %.1f mA, it was %.1f mA", now.sockets[i], 1000*is.X, 1000*was.X))
		default:
			fell++
		}
	}
	if fell == 0 && len(standing) == 0 {
		unknown = append(unknown, "any current")
	}
	switch late := now.t-w.t >= within; {
	case len(standing) == 0 && len(unknown) == 0:
		w.proof, w.text = Proved, fmt.Sprintf("proved: HT and %d currents were seen to fall by half", fell)
	case !late:
		// Waiting, or what was said at the first limit until it is proved after all.
	case len(standing) > 0:
		w.proof, w.text = NotFallen, "they have not fallen: "+strings.Join(standing, "; ")
	default:
		w.proof, w.text = NotProved, "not proved: not known to have fallen: "+strings.Join(unknown, ", ")
	}
}
