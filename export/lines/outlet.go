package lines

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"github.com/rs/zerolog"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

const (
	maxQueued  = 50_000           // lines kept while nobody takes them: about 15 min of a large bench, under 10 MB
	maxBatch   = 5_000            // lines in one delivery
	maxAge     = time.Second      // how long a line waits for company
	maxPacket  = 1400             // bytes in one UDP datagram: fits an Ethernet frame
	patience   = 10 * time.Second // for one delivery
	firstPause = time.Second      // before the first retry; doubles up to
	longPause  = 30 * time.Second
	quiet      = time.Minute // between two log lines about the same trouble
)

// ErrTarget is wrapped by every error of Open that the bench file is to blame for.
var ErrTarget = errors.New("not a place for line protocol")

// Outlet sends lines to one place. Its methods may be called from any
// goroutine and never wait for that place.
type Outlet struct {
	name    string // for the log: no user, password or query
	log     zerolog.Logger
	deliver func(ctx context.Context, batch []byte) error
	shut    func() error

	mu      sync.Mutex
	enc     lineprotocol.Encoder
	queue   [][]byte // whole lines, oldest first
	first   uint64   // number of queue[0], counted from the start
	dropped uint64   // since the log last said so

	wake   chan struct{}   // the queue is no longer empty
	full   chan struct{}   // a batch is full
	ctx    context.Context // of deliveries; cancelled when Close runs out of time
	cancel context.CancelFunc
	closed chan struct{} // closed by Close: no more pauses
	done   chan struct{} // the sender has returned
}

// lost is an error that trying again cannot mend.
type lost struct{ error }

func (l lost) Unwrap() error { return l.error }

// Open starts an outlet. to is "file:PATH" (appended to), "http://" or
// "https://" with the path and query of a write end point
// ("/write?db=NAME", "/api/v2/write?org=O&bucket=B"), or "udp://host:port".
// Nothing is contacted yet, but a file is opened. Errors about to itself wrap
// ErrTarget.
func Open(to string, log zerolog.Logger) (*Outlet, error) {
	o := &Outlet{name: to, shut: func() error { return nil }}
	if path, ok := strings.CutPrefix(to, "file:"); ok {
		f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
		if err != nil {
			return nil, fmt.Errorf("lines to %q: %w", to, err)
		}
		o.deliver, o.shut = toFile(f), f.Close
		return o.start(log), nil
	}
	u, err := url.Parse(to)
	switch {
	case err != nil:
		return nil, fmt.Errorf("lines to %q: %w: %w", to, ErrTarget, errors.Unwrap(err))
	case u.Scheme == "udp" && u.Port() != "":
		conn, err := net.Dial("udp", u.Host)
		if err != nil {
			return nil, fmt.Errorf("lines to %q: %w", to, err)
		}
		o.deliver, o.shut = toUDP(conn), conn.Close
	case (u.Scheme == "http" || u.Scheme == "https") && u.Host != "" && strings.Trim(u.Path, "/") != "":
		o.deliver = toHTTP(to)
	default:
		return nil, fmt.Errorf("lines to %q: %w: write file:PATH, udp://host:port or for example http://host:8086/write?db=NAME", to, ErrTarget)
	}
	o.name = u.Scheme + "://" + u.Host + u.Path
	return o.start(log), nil
}

func (o *Outlet) start(log zerolog.Logger) *Outlet {
	o.log = log.With().Str("lines", o.name).Logger()
	o.wake, o.full = make(chan struct{}, 1), make(chan struct{}, 1)
	o.closed, o.done = make(chan struct{}), make(chan struct{})
	o.ctx, o.cancel = context.WithCancel(context.Background())
	go o.send()
	return o
}

// Socket queues what is known of one socket at the wall-clock moment at.
func (o *Outlet) Socket(run Run, at time.Time, s *alarms.SocketState) {
	o.add(func(e *lineprotocol.Encoder) { encodeSocket(e, run, at, s) })
}

// Meter queues one reading of a meter at the wall-clock moment at.
func (o *Outlet) Meter(run Run, at time.Time, meter string, r drivers.Reading) {
	o.add(func(e *lineprotocol.Encoder) { encodeMeter(e, run, at, meter, r) })
}

// Event queues an event at the wall-clock moment at.
func (o *Outlet) Event(run Run, at time.Time, e *alarms.Event) {
	o.add(func(enc *lineprotocol.Encoder) { encodeEvent(enc, run, at, e) })
}

// add queues the line that encode makes, if it makes one.
func (o *Outlet) add(encode func(*lineprotocol.Encoder)) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.enc.Reset()
	encode(&o.enc)
	if o.enc.Err() != nil { // only a moment outside 1677 to 2262 gets here
		o.dropped++
		return
	}
	line := bytes.Clone(o.enc.Bytes())
	if len(line) == 0 {
		return
	}
	if len(o.queue) == 0 {
		signal(o.wake)
	}
	if len(o.queue) == maxQueued {
		o.queue[0] = nil
		o.queue, o.first = o.queue[1:], o.first+1
		o.dropped++
	}
	o.queue = append(o.queue, line)
	if len(o.queue) == maxBatch {
		signal(o.full)
	}
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// batch is the oldest lines, at most a delivery's worth, and the number of the
// line after them. They stay queued until taken.
func (o *Outlet) batch() (b []byte, n int, next uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	n = min(len(o.queue), maxBatch)
	return bytes.Join(o.queue[:n], nil), n, o.first + uint64(n)
}

// taken forgets the lines before number next.
func (o *Outlet) taken(next uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if next > o.first { // fewer are left when the queue overflowed meanwhile
		n := next - o.first
		clear(o.queue[:n])
		o.queue, o.first = o.queue[n:], next
	}
}

// waiting is how many lines are queued.
func (o *Outlet) waiting() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.queue)
}

// send is the outlet's goroutine: it delivers batch after batch, keeping one
// that cannot be delivered until it can, or until the queue overflows. It
// alone writes to the log, which may be slow too.
func (o *Outlet) send() {
	defer close(o.done)
	var failing bool
	var told, toldDrops time.Time
	pause := firstPause
	for {
		n := o.waiting()
		if n == 0 {
			select {
			case <-o.wake:
			case <-o.closed:
				if o.waiting() == 0 {
					return
				}
			}
		}
		if n < maxBatch {
			o.wait(maxAge, o.full)
		}
		b, n, next := o.batch()
		if n == 0 {
			continue
		}
		ctx, cancel := context.WithTimeout(o.ctx, patience)
		err := o.deliver(ctx, b)
		cancel()
		now := time.Now()
		_, refused := errors.AsType[lost](err)
		switch {
		case err == nil:
			if failing {
				o.log.Info().Msg("lines are taken again")
			}
			failing, pause = false, firstPause
			o.taken(next)
		case refused:
			if now.Sub(told) >= quiet {
				o.log.Error().Err(err).Int("dropped", n).Msg("lines refused")
				told = now
			}
			o.taken(next)
		default:
			if !failing || now.Sub(told) >= quiet {
				o.log.Warn().Err(err).Msg("lines not taken: trying again")
				told = now
			}
			failing = true
			select {
			case <-o.closed:
				return
			default:
			}
			o.wait(pause, nil)
			pause = min(2*pause, longPause)
		}
		if now.Sub(toldDrops) >= quiet {
			o.mu.Lock()
			dropped := o.dropped
			o.dropped = 0
			o.mu.Unlock()
			if dropped > 0 {
				o.log.Warn().Uint64("dropped", dropped).Msg("the queue was full: the oldest lines are dropped")
				toldDrops = now
			}
		}
	}
}

// wait pauses for d, or until early or Close.
func (o *Outlet) wait(d time.Duration, early <-chan struct{}) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-early:
	case <-o.closed:
	}
}

// Close delivers what is queued, trying each batch once, and ends the outlet;
// ctx bounds how long that may take. Lines that are left are an error that
// says how many. Lines added after Close are lost. It is called once.
func (o *Outlet) Close(ctx context.Context) error {
	close(o.closed)
	stop := context.AfterFunc(ctx, o.cancel)
	<-o.done
	stop()
	o.cancel()
	err := o.shut()
	if n := o.waiting(); n > 0 {
		err = errors.Join(err, fmt.Errorf("lines to %s: %d lines were not delivered", o.name, n))
	}
	return err
}

// toFile appends whole batches: after a failed write the file is cut back to
// where it was, so that no half line stays.
func toFile(f *os.File) func(context.Context, []byte) error {
	return func(_ context.Context, batch []byte) error {
		before, statErr := f.Stat()
		_, err := f.Write(batch)
		if err != nil && statErr == nil && before.Mode().IsRegular() {
			err = errors.Join(err, f.Truncate(before.Size()))
		}
		return err
	}
}

// toUDP sends datagrams of whole lines. What is sent may be lost without a
// word; that is UDP.
func toUDP(conn net.Conn) func(context.Context, []byte) error {
	return func(_ context.Context, batch []byte) error {
		var failed error
		for len(batch) > 0 {
			n := packet(batch)
			if _, err := conn.Write(batch[:n]); err != nil {
				failed = lost{err}
			}
			batch = batch[n:]
		}
		return failed
	}
}

// packet is how much of a batch goes into one datagram: as many whole lines as
// fit, at least one.
func packet(batch []byte) int {
	if len(batch) <= maxPacket {
		return len(batch)
	}
	if n := bytes.LastIndexByte(batch[:maxPacket], '\n'); n >= 0 {
		return n + 1
	}
	return bytes.IndexByte(batch, '\n') + 1
}

// toHTTP posts batches to a write end point. Refusals (4xx) are lost, with the
// server's own words; 408, 429, 5xx and errors on the way are tried again.
func toHTTP(to string) func(context.Context, []byte) error {
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return func(ctx context.Context, batch []byte) error {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, to, bytes.NewReader(batch))
		if err != nil {
			return lost{err}
		}
		req.Header.Set("Content-Type", "text/plain; charset=utf-8")
		resp, err := client.Do(req)
		if err != nil {
			if u, ok := errors.AsType[*url.Error](err); ok {
				err = u.Err // without the URL, which may hold a password
			}
			return err
		}
		defer resp.Body.Close()
		body, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<10))
		if resp.StatusCode/100 == 2 {
			return nil
		}
		err = fmt.Errorf("%s: %s", resp.Status, strings.Join(strings.Fields(string(body)), " "))
		switch {
		case resp.StatusCode >= 500, resp.StatusCode == http.StatusRequestTimeout, resp.StatusCode == http.StatusTooManyRequests:
			return err
		}
		return lost{err}
	}
}
