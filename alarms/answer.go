package alarms

import "math"

// answer is how a socket's current answers to its plate volts, as it is learnt:
// the sensitivity n = d ln I / d ln V with its standard error. Before anything
// was seen it is the three-halves law (Child 1911, Langmuir 1913), which holds
// where every electrode follows the supply: a cathode resistor makes it less, a
// bias that is held makes it twice as much.
//
// It learns by recursive least squares from how neighbouring averages over 20 s,
// 80 s and 5 min differ, and only where the volts were seen to move: what moves
// by itself meanwhile is then noise, and a slow drift cannot pass for an answer.
type answer struct {
	n         float64
	precision float64 // 1/variance of n
	spans     [len(answerSpans)]span
}

// span is the averages over so many bins.
type span struct {
	y, x   float64 // sums of this average so far
	got    int     // bins in them
	from   int     // number of its first bin
	y0, x0 float64 // the average before
	has    bool
}

const (
	priorAnswer   = 1.5
	priorAnswerSE = 1.0    // estimate: from 0.9, cathode bias, to 3.5, held bias
	answerFloor   = 0.10   // of the standard error: screen, bias and heater each follow at their own pace. Estimate
	answerLaw     = 0.15   // how far one movement's answer may be from the law, of its size. Estimate
	seenMove      = 0.0008 // the least movement of the volts, log ratio, that is learnt from (estimate),
	seenCounts    = 2.0    // and in counts of the plate meter: less may be its rounding alone (estimate)
)

// answerSpans are the lengths of the averages in bins, and how much one differs
// from the next when nothing happens, as a ratio (estimate).
var answerSpans = [...]struct {
	bins  int
	noise float64
}{{4, 0.0020}, {16, 0.0025}, {64, 0.005}}

func newAnswer() answer {
	return answer{n: priorAnswer, precision: 1 / (priorAnswerSE * priorAnswerSE)}
}

// se is the standard error of n.
func (a *answer) se() float64 { return math.Sqrt(1/a.precision + answerFloor*answerFloor) }

// interrupt drops what was half seen.
func (a *answer) interrupt() { a.spans = [len(answerSpans)]span{} }

// loosen takes what was learnt as no better known than that: the circuit was changed.
func (a *answer) loosen(se float64) {
	a.precision = min(a.precision, 1/(se*se))
	a.interrupt()
}

// learn takes the next bin. Until the socket has settled only the shortest
// averages count: the longer ones see the warm-up.
// count is what a count of the plate meter is of its reading.
func (a *answer) learn(b *bin, settled bool, count float64) {
	if math.IsNaN(b.x) || !b.calm() {
		return
	}
	for i := range a.spans {
		sp, long := &a.spans[i], answerSpans[i].bins
		if sp.got > 0 && b.k >= sp.from+long {
			next := sp.from + long
			sp.end(a, i, settled, count)
			if b.k >= next+long {
				sp.has = false
			}
		}
		if sp.got == 0 {
			sp.from = b.k - b.k%long
		}
		sp.y += b.y
		sp.x += b.x
		sp.got++
	}
}

// end closes an average and learns from how it differs from the one before.
func (sp *span) end(a *answer, i int, settled bool, count float64) {
	y, x := sp.y/float64(sp.got), sp.x/float64(sp.got)
	whole := sp.got > answerSpans[i].bins/2
	if whole && sp.has && (settled || i == 0) {
		a.update(y-sp.y0, x-sp.x0, answerSpans[i].noise, max(seenMove, seenCounts*count/math.Sqrt(float64(sp.got))))
	}
	*sp = span{y0: y, x0: x, has: whole}
}

// update takes one movement.
func (a *answer) update(dy, dx, noise, seen float64) {
	if math.Abs(dx) < seen {
		return
	}
	law := answerLaw * dx
	variance := float64(noise*noise) + float64(law*law)
	off := dy - float64(a.n*dx)
	// What no supply does to a tube is the tube's own doing.
	if n := dy / dx; n < -0.5 || n > 5.5 || off*off > 16*(variance+dx*dx/a.precision) {
		return
	}
	w := dx * dx / variance
	a.precision += w
	a.n += w / a.precision * (off / dx)
}

// follows is how far volts that moved by a log ratio dx take the current.
func (a *answer) follows(dx float64) float64 { return a.n * dx }
