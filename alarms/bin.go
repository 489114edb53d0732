package alarms

import (
	"math"
	"slices"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms/trend"
)

const (
	// binLength is the stretch of readings that is one point of a trend: short
	// enough for a step to show in 15 s, long enough to be free of the last
	// digit's flicker.
	binLength = 5 * time.Second
	// keepBins is how much of the past the settle rule may look at: 12 min.
	keepBins = 144
	// calmBand is how far the plate volts may spread within a bin for current
	// and volts to be of one moment; calmDip is how deep a single reading of the
	// current may dip in it.
	calmBand = 0.04
	calmDip  = 0.85
)

// bin is one stretch of readings of a socket. All sockets' stretches begin and
// end together.
type bin struct {
	t       float64 // mean of the readings' run times, second
	k       int     // number of the stretch
	current float64 // ampere
	volts   float64 // plate volts; NaN when unknown
	ratio   float64 // dissipation ratio; NaN when unknown
	y, x    float64 // natural logarithms of current and volts
	low     float64 // the lowest reading of the current, as a ratio of current
	least   float64 // the lowest of the plate volts; NaN when unknown
	sagged  bool    // the plate volts spread
	ranged
	plateOnly bool // current is the plate's, the cathode's being unknown
}

// calm says whether current and volts are of one moment, and of no passing one.
func (b *bin) calm() bool { return !b.sagged && b.low > calmDip }

// pendingBin gathers readings until their stretch is over.
type pendingBin struct {
	currents, volts, ratios []float64
	tSum                    float64
	ranged
	plateOnly bool
}

func (p *pendingBin) reset() {
	p.currents, p.volts, p.ratios, p.tSum, p.plateOnly = p.currents[:0], p.volts[:0], p.ratios[:0], 0, false
}

// bin adds the sense reading just taken.
func (s *socketState) bin() {
	p := &s.pending
	i := s.current()
	if !i.Known || !s.e.dissipating() {
		return
	}
	r := ranged{s.meter.ranges.count.Exp, s.meter.doubt()}
	if len(p.currents) > 0 {
		r = r.with(p.ranged)
	}
	p.ranged = r
	p.plateOnly = p.plateOnly || !s.fig.CathodeCurrent.Known
	p.currents = append(p.currents, i.X)
	p.tSum += s.e.now.Seconds()
	if v := s.fig.PlateVolts; v.Known {
		p.volts = append(p.volts, v.X)
	}
	if r := s.fig.DissipationRatio; r.Known {
		p.ratios = append(p.ratios, r.X)
	}
}

// closeBins ends the stretch that the moment has left, in all sockets at once:
// whoever compares sockets compares the same seconds.
func (e *Engine) closeBins() {
	k := e.binNumber
	e.binNumber = int(e.now / binLength)
	e.binEnd = time.Duration(e.binNumber+1) * binLength
	closed := false
	for _, s := range e.sockets {
		closed = s.closeBin(k) || closed
	}
	if !closed {
		return
	}
	e.learnAnswers(k)
	e.findCommon()
	for _, s := range e.sockets {
		if n := len(s.bins); n > 0 && s.bins[n-1].k == k {
			s.follow()
		}
	}
	for _, s := range e.sockets {
		if n := len(s.bins); n > 0 && s.bins[n-1].k == k {
			e.judgeSocket(s, true)
		}
	}
}

// closeBin makes a bin of what was gathered; false when there was nothing.
func (s *socketState) closeBin(k int) bool {
	p := &s.pending
	n := len(p.currents)
	if n == 0 {
		return false
	}
	low, least := slices.Min(p.currents), math.NaN()
	if len(p.volts) > 0 {
		least = slices.Min(p.volts)
	}
	b := bin{k: k, t: p.tSum / float64(n), ranged: p.ranged, plateOnly: p.plateOnly, least: least}
	b.sagged = len(p.volts) > 0 && slices.Max(p.volts) > (1+calmBand)*least
	b.current, b.volts, b.ratio = midmean(p.currents), midmean(p.volts), midmean(p.ratios)
	b.y, b.x, b.low = trend.Log(max(b.current, 1e-9)), trend.Log(max(b.volts, 1e-9)), low/b.current
	if math.IsNaN(b.volts) {
		b.x = math.NaN()
	}
	p.reset()
	s.bins = slide(s.bins, b, keepBins)
	return true
}

// slide appends to a window that keeps the last n, without allocating once it
// has grown: it moves them down only when its room is used up.
func slide[T any](w []T, x T, n int) []T {
	if cap(w) == 0 {
		w = make([]T, 0, 4*n)
	}
	if len(w) == cap(w) {
		w = w[:copy(w, w[len(w)-n+1:])]
	}
	return append(w, x)
}

// midmean is the mean of the middle half of v, which it reorders: as free of
// strays as the median, and finer than the last digit. NaN when v is empty.
func midmean(v []float64) float64 {
	n := len(v)
	if n == 0 {
		return math.NaN()
	}
	// By insertion: for two dozen in half the time of slices.Sort.
	for i, x := range v {
		at := i
		for ; at > 0 && v[at-1] > x; at-- {
			v[at] = v[at-1]
		}
		v[at] = x
	}
	cut := 0
	if n > 2 {
		cut = (n + 3) / 4
	}
	sum := 0.0
	for _, x := range v[cut : n-cut] {
		sum += x
	}
	return sum / float64(n-2*cut)
}

// binAt is the bin with that number, nil for none.
func (s *socketState) binAt(k int) *bin {
	return numbered(s.bins, k, func(b *bin) int { return b.k })
}

// numbered finds the entry with number k in a window, whose numbers rise; nil for none.
func numbered[T any](w []T, k int, number func(*T) int) *T {
	n := len(w)
	if n == 0 {
		return nil
	}
	i := n - 1 - (number(&w[n-1]) - k) // where it is if none is missing, and else not after
	for i = min(max(i, 0), n-1); i < n-1 && number(&w[i]) < k; i++ {
	}
	if number(&w[i]) != k {
		return nil
	}
	return &w[i]
}

// last is the bins of the last d, oldest first.
func (s *socketState) last(d time.Duration) []bin {
	from := s.e.now.Seconds() - d.Seconds()
	i := len(s.bins)
	for i > 0 && s.bins[i-1].t >= from && len(s.bins)-i < keepBins {
		i--
	}
	return s.bins[i:]
}

// recent is the last 10 s.
func (s *socketState) recent() bin { return middle(s.bins[max(0, len(s.bins)-2):]) }

// middle of several bins is one bin: the medians of their figures.
func middle(b []bin) bin {
	var buf [keepBins]float64
	of := func(f func(*bin) float64) float64 {
		v := buf[:0]
		for i := range b {
			if y := f(&b[i]); !math.IsNaN(y) {
				v = append(v, y)
			}
		}
		return trend.Median(v)
	}
	m := bin{
		k: b[len(b)-1].k, ranged: b[0].ranged,
		t:       of(func(b *bin) float64 { return b.t }),
		current: of(func(b *bin) float64 { return b.current }),
		volts:   of(func(b *bin) float64 { return b.volts }),
		ratio:   of(func(b *bin) float64 { return b.ratio }),
		y:       of(func(b *bin) float64 { return b.y }),
		x:       of(func(b *bin) float64 { return b.x }),
	}
	for i := range b {
		m.ranged = m.ranged.with(b[i].ranged)
		m.plateOnly = m.plateOnly || b[i].plateOnly
	}
	return m
}

// idle is a bin as what a socket idled at.
func (b bin) idle(at time.Duration) *Idle {
	i := &Idle{T: at, CathodeCurrent: known(b.current), PlateVolts: known(b.volts), DissipationRatio: known(b.ratio)}
	if b.plateOnly {
		i.CathodeCurrent, i.PlateCurrent = socket.Value{}, i.CathodeCurrent
	}
	return i
}
