package lines

import (
	"bytes"
	"fmt"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

// stream makes a run's lines. What it makes depends on nothing but what it is
// told, in order, so a run judged again gives the same lines.
type stream struct {
	enc   *encoder
	every time.Duration // 0: each reading is a line; else mean, min and max over windows of this length
	emit  func(line []byte, at cursor, event bool)

	run  Run
	seen cursor // counted so far

	began   int64 // of the open windows, ns since 1970; a multiple of every
	open    map[string]*window
	windows []*window // by their first sample
	key     []byte
}

// window gathers the samples of one series.
type window struct {
	sample sample
	sum    []float64
	min    []float64
	max    []float64
	n      []int
}

func newStream(p lineprotocol.Precision, every time.Duration, emit func([]byte, cursor, bool)) *stream {
	return &stream{enc: newEncoder(p), every: every, emit: emit, open: map[string]*window{}}
}

// enter notices that another run is on.
func (s *stream) enter(run Run) {
	if run.ID != s.run.ID {
		s.flush()
		clear(s.enc.last)
		s.seen = cursor{run: run.ID}
	}
	s.run = run
}

func (s *stream) socket(run Run, at time.Time, k *alarms.SocketState) {
	s.enter(run)
	s.take(at, ofSocket(run, k))
}

func (s *stream) meter(run Run, at time.Time, meter string, r drivers.Reading) {
	s.enter(run)
	s.take(at, ofMeter(run, meter, r))
}

func (s *stream) event(run Run, at time.Time, v *alarms.Event) {
	s.enter(run)
	if v.Event == alarms.EventPhase && v.Phase == alarms.Ended {
		s.flush()
	}
	s.enc.Reset()
	encodeEvent(s.enc, run, at, v)
	s.made(true)
}

// made passes on what was encoded, if it is a line, and counts it.
func (s *stream) made(event bool) {
	if s.enc.Err() == nil && len(s.enc.Bytes()) == 0 {
		return
	}
	if event {
		s.seen.events++
	} else {
		s.seen.samples++
	}
	var line []byte
	if s.enc.Err() == nil { // else a moment outside 1677 to 2262: a line of no bytes, which is counted as lost
		line = bytes.Clone(s.enc.Bytes())
	}
	s.emit(line, s.seen, event)
}

func (s *stream) take(at time.Time, p sample) {
	if s.every == 0 {
		s.enc.Reset()
		encodeSample(s.enc, at, p)
		s.made(false)
		return
	}
	ns := at.UnixNano()
	start := ns - ((ns%int64(s.every))+int64(s.every))%int64(s.every)
	if start != s.began {
		s.flush()
		s.began = start
	}
	s.key = append(s.key[:0], p.measurement...)
	for _, t := range p.tags {
		s.key = append(append(s.key, 0), t.value...)
	}
	w := s.open[string(s.key)]
	if w == nil {
		n := len(p.keys)
		w = &window{p, make([]float64, n), make([]float64, n), make([]float64, n), make([]int, n)}
		s.open[string(s.key)] = w
		s.windows = append(s.windows, w)
	}
	for i := range p.keys {
		v := p.values[i]
		if !v.Known || v.X-v.X != 0 {
			continue
		}
		if w.n[i] == 0 {
			w.min[i], w.max[i] = v.X, v.X
		}
		w.sum[i], w.min[i], w.max[i] = w.sum[i]+v.X, min(w.min[i], v.X), max(w.max[i], v.X)
		w.n[i]++
	}
}

// flush closes the open windows: a line each, stamped with the window's
// beginning, which has the mean under the field's own name, NAME_min and
// NAME_max. Windows are closed by the first sample after them, by the end of
// the run or by another run, never by the clock.
func (s *stream) flush() {
	for _, w := range s.windows {
		var fields []field
		for i, key := range w.sample.keys {
			known := w.n[i] > 0
			fields = append(fields,
				number(key, socket.Value{X: w.sum[i] / float64(max(1, w.n[i])), Known: known}),
				number(key+"_min", socket.Value{X: w.min[i], Known: known}),
				number(key+"_max", socket.Value{X: w.max[i], Known: known}))
		}
		s.enc.Reset()
		encode(s.enc, w.sample.measurement, time.Unix(0, s.began), w.sample.tags[:], fields)
		s.made(false)
	}
	clear(s.open)
	s.windows = s.windows[:0]
}

// precisions are the names of the precisions that stamps may have.
var precisions = map[string]lineprotocol.Precision{
	"ns": lineprotocol.Nanosecond, "us": lineprotocol.Microsecond, "ms": lineprotocol.Millisecond, "s": lineprotocol.Second,
}

func precision(name string) (lineprotocol.Precision, error) {
	p, ok := precisions[name]
	if !ok && name != "" {
		return p, fmt.Errorf("precision %q: write ns, us, ms or s", name)
	}
	if name == "" {
		p = lineprotocol.Nanosecond
	}
	return p, nil
}
