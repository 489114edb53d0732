package acquire

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"nightsoak/drivers"
)

// The fake wire format: "<", four digits, ">": a count of 0.1 mV.
const fakeLen = 6

func fakeFrame(n int) []byte { return fmt.Appendf(nil, "<%04d>", n) }

type fakeDecoder struct {
	open, end byte
	frame     []byte
	rejects   drivers.Rejects
}

func (d *fakeDecoder) Feed(p []byte, emit func(drivers.Reading)) {
	for _, b := range p {
		switch {
		case b == d.open:
			if len(d.frame) > 0 {
				d.rejects[drivers.Short]++
			}
			d.frame = append(d.frame[:0], b)
		case len(d.frame) == 0:
			d.rejects[drivers.Noise]++
		case len(d.frame) == fakeLen-1:
			n, err := strconv.ParseUint(string(d.frame[1:]), 10, 16)
			if d.frame = d.frame[:0]; b == d.end && err == nil {
				emit(millivolts(int64(n)))
			} else {
				d.rejects[drivers.BadDigit]++
			}
		default:
			d.frame = append(d.frame, b)
		}
	}
}

func (d *fakeDecoder) Rejects() drivers.Rejects { return d.rejects }

func millivolts(n int64) drivers.Reading {
	return drivers.Reading{Digits: n, Exp: -4, Prefix: -3, Quantity: drivers.Voltage}
}

func fakeFormat(name, line string, open, end byte) drivers.Format {
	return drivers.Format{Name: name, Line: line, Source: "made up for the tests",
		NewDecoder: drivers.Unset(func() drivers.Decoder { return &fakeDecoder{open: open, end: end} })}
}

var angle = fakeFormat("angle", "2400 8N1", '<', '>')

// fakeAsker sends its channel and a newline; the answer is digits and a newline.
type fakeAsker struct {
	channel string
	timeout time.Duration
}

func (a fakeAsker) Ask(c drivers.Conn) (drivers.Reading, error) {
	if _, err := c.Write([]byte(a.channel + "\n")); err != nil {
		return drivers.Reading{}, err
	}
	if err := c.SetReadTimeout(a.timeout); err != nil {
		return drivers.Reading{}, err
	}
	var answer []byte
	buf := make([]byte, 64)
	for !bytes.HasSuffix(answer, []byte("\n")) {
		n, err := c.Read(buf)
		if err != nil {
			return drivers.Reading{}, err
		}
		if n == 0 {
			return drivers.Reading{}, &drivers.Reply{Reason: drivers.NoReply, Err: errors.New("no answer")}
		}
		answer = append(answer, buf[:n]...)
	}
	n, err := strconv.ParseInt(string(answer[:len(answer)-1]), 10, 64)
	if err != nil {
		return drivers.Reading{}, &drivers.Reply{Reason: drivers.BadReply, Err: fmt.Errorf("answer %q", answer)}
	}
	return millivolts(n), nil
}

// asking is a format that asks; made counts the askers that were made.
func asking(made *atomic.Int32) drivers.Format {
	return drivers.Format{Name: "asking", Line: "9600 8N1", Source: "made up for the tests",
		NewAsker: func(s drivers.Settings) (drivers.Asker, error) {
			made.Add(1)
			timeout, err := s.Timeout(time.Second)
			return fakeAsker{s["channel"], timeout}, err
		}}
}

// recorder is a Sink that keeps everything.
type recorder struct {
	mu       sync.Mutex
	changed  chan struct{} // closed and renewed at each change
	readings map[int][]drivers.Reading
	ports    map[int][]error
	rejects  map[int]drivers.Rejects
}

func newRecorder() *recorder {
	return &recorder{changed: make(chan struct{}), readings: map[int][]drivers.Reading{},
		ports: map[int][]error{}, rejects: map[int]drivers.Rejects{}}
}

func (r *recorder) change(f func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f()
	close(r.changed)
	r.changed = make(chan struct{})
}

func (r *recorder) Reading(m int, v drivers.Reading) {
	r.change(func() { r.readings[m] = append(r.readings[m], v) })
}

func (r *recorder) Port(m int, err error) {
	r.change(func() { r.ports[m] = append(r.ports[m], err) })
}

func (r *recorder) Rejected(m int, why drivers.Reason, n uint64) {
	r.change(func() {
		v := r.rejects[m]
		v[why] += n
		r.rejects[m] = v
	})
}

// wait blocks until cond, called with the recorder locked, is true.
func (r *recorder) wait(t *testing.T, what string, cond func() bool) {
	t.Helper()
	limit := time.After(10 * time.Second)
	for {
		r.mu.Lock()
		ok, changed := cond(), r.changed
		r.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-changed:
		case <-limit:
			r.mu.Lock()
			defer r.mu.Unlock()
			t.Fatalf("%s: not within 10 s; readings %v, ports %v, rejects %v", what, r.readings, r.ports, r.rejects)
		}
	}
}

// opened waits until meter m's port was told of n times, the last time as open.
func (r *recorder) opened(t *testing.T, m, n int) {
	t.Helper()
	r.wait(t, fmt.Sprintf("port of meter %d open", m), func() bool { return len(r.ports[m]) == n && r.ports[m][n-1] == nil })
}
