package alarms

import "math"

// answer is how a socket's current answers to its plate volts, as it is learnt:
// the sensitivity n = d ln I / d ln V with its standard error. Before anything
// was seen it is the three-halves law (Child 1911, Langmuir 1913), which holds
// where every electrode follows the supply: a cathode resistor makes it less, a
// bias that is held makes it twice as much.
//
// It learns only from movements, how averages over 20 s, 80 s and 5 min differ
// from the ones before: a slow drift of the tube cannot pass for an answer. A
// plate meter has an unrest of its own (hum that beats with its pace, a coarse
// digit), and a slope fitted on it comes out too small. So the other sockets'
// currents, which feel the same mains, serve as instrument (instrumental
// variables: Reiersøl 1945, from memory): n = Σ z·dy / Σ z·dx.
type answer struct {
	n         float64
	precision float64 // 1/variance of n
	spans     [len(answerSpans)]span
}

// span is the averages over so many bins, and what was learnt from how they differ.
type span struct {
	y, x   float64 // sums of this average so far
	got    int     // bins in them
	from   int     // number of its first bin
	y0, x0 float64 // the average before
	has    bool

	dy, dx float64 // the last movement, log ratios
	moved  bool    // there was one at the last end, and the supply may explain it

	zy, zx, zz    float64 // sums of products, z being the instrument
	xx, xy, yy, m float64
}

const (
	priorAnswer   = 1.5
	priorAnswerSE = 1.0  // estimate: from 0.9, cathode bias, to 3.5, held bias
	answerFloor   = 0.10 // of the standard error: screen, bias and heater each follow at their own pace. Estimate
	answerLaw     = 0.15 // how far the answer to one movement may be from that to another, as a ratio. Estimate
	answerMoves   = 4    // how many movements must have been seen for their scatter to say anything
)

// answerSpans are the lengths of the averages (estimates). In a short one the
// heaters have not followed.
var answerSpans = [...]struct {
	bins  int
	noise float64 // how much currents differ from one to the next when nothing happens, as a ratio
	law   float64 // how far the answer may be from the lasting one, as a ratio
}{{4, 0.0020, 0.12}, {16, 0.0025, 0.06}, {64, 0.005, 0.05}}

func newAnswer() answer {
	return answer{n: priorAnswer, precision: 1 / (priorAnswerSE * priorAnswerSE)}
}

// se is the standard error of n.
func (a *answer) se() float64 { return math.Sqrt(1/a.precision + answerFloor*answerFloor) }

// follows is how far volts that moved by a log ratio dx take the current.
func (a *answer) follows(dx float64) float64 { return float64(a.n * dx) }

// interrupt drops what was half seen.
func (a *answer) interrupt() {
	for i := range a.spans {
		sp := &a.spans[i]
		sp.y, sp.x, sp.got, sp.has, sp.moved = 0, 0, 0, false, false
	}
}

// loosen takes what was learnt as worth a share of what it was: the circuit was changed.
func (a *answer) loosen(share float64) {
	for i := range a.spans {
		sp := &a.spans[i]
		for _, sum := range []*float64{&sp.zy, &sp.zx, &sp.zz, &sp.xx, &sp.xy, &sp.yy, &sp.m} {
			*sum *= share
		}
	}
	a.interrupt()
}

// learnAnswers takes the bins with number k of all sockets. Until a socket has
// settled only the shortest averages count: the longer ones see the warm-up.
func (e *Engine) learnAnswers(k int) {
	for i := range answerSpans {
		long := answerSpans[i].bins
		for _, s := range e.sockets {
			if b := s.binAt(k); b != nil && b.calm() && !math.IsNaN(b.x) {
				s.answer.spans[i].add(b, long)
			}
		}
		if (k+1)%long != 0 {
			continue
		}
		for _, s := range e.sockets {
			s.answer.end(i, k, s.settled)
		}
		for _, s := range e.sockets {
			if sp := &s.answer.spans[i]; sp.moved {
				sp.learn(e.instrument(s, i))
				s.answer.take()
			}
		}
	}
}

func (sp *span) add(b *bin, long int) {
	if from := b.k - b.k%long; sp.got > 0 && sp.from != from {
		sp.y, sp.x, sp.got, sp.has = 0, 0, 0, false
	}
	sp.from = b.k - b.k%long
	sp.y += b.y
	sp.x += b.x
	sp.got++
}

// end closes an average at bin k and sees how it differs from the one before.
func (a *answer) end(i, k int, settled bool) {
	sp, of := &a.spans[i], &answerSpans[i]
	sp.moved = false
	if sp.got <= of.bins/2 || sp.from != k+1-of.bins {
		sp.y, sp.x, sp.got, sp.has = 0, 0, 0, false
		return
	}
	y, x := sp.y/float64(sp.got), sp.x/float64(sp.got)
	if sp.has && (settled || i == 0) {
		sp.dy, sp.dx = y-sp.y0, x-sp.x0
		off := sp.dy - float64(a.n*sp.dx)
		law := answerLaw * a.n * sp.dx
		// What no supply does to a tube is the tube's own doing.
		variance := float64(of.noise*of.noise) + float64(law*law) + float64(sp.dx*sp.dx)/a.precision
		sp.moved = off*off < 16*variance
	}
	sp.y, sp.x, sp.got, sp.y0, sp.x0, sp.has = 0, 0, 0, y, x, true
}

// instrument is what the other sockets' currents did meanwhile or, where there is
// none, the volts themselves.
func (e *Engine) instrument(s *socketState, i int) float64 {
	sum, n := 0.0, 0.0
	for _, o := range e.sockets {
		// Sockets on one meter share its unrest.
		if sp := &o.answer.spans[i]; sp.moved && o.meter != s.meter {
			sum += sp.dy
			n++
		}
	}
	if n == 0 {
		return s.answer.spans[i].dx
	}
	return sum / n
}

func (sp *span) learn(z float64) {
	sp.zy += float64(z * sp.dy)
	sp.zx += float64(z * sp.dx)
	sp.zz += float64(z * z)
	sp.xx += float64(sp.dx * sp.dx)
	sp.xy += float64(sp.dx * sp.dy)
	sp.yy += float64(sp.dy * sp.dy)
	sp.m++
}

// take makes n of what the best of the spans has seen, and of the prior.
func (a *answer) take() {
	a.n, a.precision = priorAnswer, 1/(priorAnswerSE*priorAnswerSE)
	best := 0.0
	for i := range a.spans {
		sp, of := &a.spans[i], &answerSpans[i]
		if !(sp.zx > 0) || !(sp.zy > 0) || sp.m < 1 {
			continue
		}
		n := sp.zy / sp.zx
		// The scatter about it, or what currents do by themselves, whichever is more.
		scatter := float64(of.noise * of.noise)
		if sp.m >= answerMoves {
			scatter = max((sp.yy-float64(2*n*sp.xy)+float64(n*n*sp.xx))/sp.m, scatter/16)
		}
		law := of.law * n
		variance := scatter*sp.zz/(sp.zx*sp.zx) + float64(law*law)
		if w := 1 / variance; w > best {
			best = w
			p := 1 / (priorAnswerSE * priorAnswerSE)
			a.n, a.precision = (float64(priorAnswer*p)+float64(n*w))/(p+w), p+w
		}
	}
}
