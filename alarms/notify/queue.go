package notify

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"nightsoak/alarms"
)

// kind is what an item is about.
type kind string

const (
	raised   kind = "raised"    // an alarm asks for a person
	over     kind = "over"      // an alarm that was told is over
	gap      kind = "gap"       // nothing was watched for a while
	soakOver kind = "soak-over" // soak_for has passed
	alive    kind = "alive"     // the sign of life
	test     kind = "test"      // somebody tries the channel
	drill    kind = "drill"     // an alarm of a drill
)

// item is one thing to tell on one channel.
type item struct {
	Kind   kind         `json:"kind"`
	Run    string       `json:"run,omitempty"`
	Ticket string       `json:"ticket,omitempty"`
	Seq    int          `json:"seq,omitempty"`  // of Event in its run; 0 for the daemon's own
	At     time.Time    `json:"at"`             // when it came, wall clock
	Due    time.Time    `json:"due"`            // not before
	Wait   bool         `json:"wait,omitempty"` // told only if nobody acknowledges
	Event  alarms.Event `json:"event"`
	Over   time.Time    `json:"over,omitzero"`   // raised: when it was over, before it was told
	Ended  bool         `json:"ended,omitempty"` // over while it was being told
}

// rank is the item's priority as a number.
func (it *item) rank() int { return it.Event.Priority.Rank() }

// is says whether an item is the raising of an alarm.
func (it *item) is(run, id string) bool {
	return it.Kind == raised && it.Event.ID == id && (it.Run == run || it.Seq == 0)
}

// outgoing is the message being tried: its items no longer change, so that every
// try says the same under the same id.
type outgoing struct {
	ID      string    `json:"id"`
	Items   []item    `json:"items"`             // most important first
	Tries   int       `json:"tries"`             // begun
	Maybe   bool      `json:"maybe"`             // one of them may have arrived
	Next    time.Time `json:"next"`              // not before
	Dropped int       `json:"dropped,omitempty"` // items that found no room before it
}

// state is what a channel keeps on disk. Run and Seq say how far the events of a
// run were seen, so that a resumed run tells what the daemon died over.
type state struct {
	Version      int       `json:"version"` // of this layout: 1
	Run          string    `json:"run,omitempty"`
	Seq          int       `json:"seq,omitempty"`
	Queue        []item    `json:"queue,omitempty"` // in the order they came
	Out          *outgoing `json:"out,omitempty"`
	Told         []string  `json:"told,omitempty"` // alarms told and not yet over: "RUN ID"
	Dropped      int       `json:"dropped,omitempty"`
	AliveOn      string    `json:"alive_on,omitempty"` // day of the last sign of life, 2006-01-02
	FailingSince time.Time `json:"failing_since,omitzero"`
	DeadTold     bool      `json:"dead_told,omitempty"` // the other channels were told
	Trial        *Trial    `json:"trial,omitempty"`
}

const stateVersion = 1

// maxState is more than a full queue takes on disk.
const maxState = 16 << 20

// errState is wrapped by the errors of parseState.
var errState = errors.New("not a queue of this version")

// parseState reads what marshal wrote.
func parseState(b []byte) (state, error) {
	var s state
	if err := json.Unmarshal(b, &s); err != nil {
		return state{}, fmt.Errorf("%w: %w", errState, err)
	}
	if s.Version != stateVersion {
		return state{}, fmt.Errorf("%w: version %d", errState, s.Version)
	}
	if len(s.Queue) > maxQueued {
		return state{}, fmt.Errorf("%w: %d items, at most %d are ever kept", errState, len(s.Queue), maxQueued)
	}
	if o := s.Out; o != nil && (o.ID == "" || len(o.Items) == 0 || o.Tries < 0 || o.Tries > 1<<30) {
		return state{}, fmt.Errorf("%w: a message without id, content or a count of tries that can be", errState)
	}
	return s, nil
}

func (s *state) marshal() ([]byte, error) {
	s.Version = stateVersion
	return json.Marshal(s)
}

// clone shares nothing with s that changes.
func (s *state) clone() state {
	c := *s
	c.Queue, c.Told = slices.Clone(s.Queue), slices.Clone(s.Told)
	if s.Out != nil {
		o := *s.Out
		o.Items = slices.Clone(o.Items)
		c.Out = &o
	}
	if s.Trial != nil {
		t := *s.Trial
		c.Trial = &t
	}
	return c
}

// load reads the state at path: empty when there is none. One that cannot be
// read is moved aside, never overwritten, and said in err.
func load(path string) (state, error) {
	info, err := os.Stat(path)
	if err == nil && info.Size() > maxState {
		err = fmt.Errorf("%w: %d bytes", errState, info.Size())
	}
	var s state
	if err == nil {
		var b []byte
		if b, err = os.ReadFile(path); err == nil {
			s, err = parseState(b)
		}
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return state{}, nil
	case errors.Is(err, errState):
		aside := path + ".damaged"
		if moved := os.Rename(path, aside); moved != nil {
			return state{}, errors.Join(err, moved)
		}
		return state{}, fmt.Errorf("%s: %w; it is kept as %s, and what waited in it is not sent", path, err, filepath.Base(aside))
	}
	return s, err
}

// disk writes a channel's state: always the whole of it, aside, synced and
// renamed, so that a crash leaves the old or the new. It has a goroutine of its
// own, since a stalled disk must not keep a message back.
type disk struct {
	path string
	work chan write // at most one, the newest
	done chan struct{}

	mu     sync.Mutex
	asked  uint64        // number of the last write asked for
	kept   uint64        // number of the last one done
	err    error         // of that
	change chan struct{} // closed and made anew when kept moves
}

type write struct {
	number uint64
	bytes  []byte
}

// diskPatience is how long a try waits for the disk before it goes ahead without.
const diskPatience = time.Second

func newDisk(path string) *disk {
	d := &disk{path: path, work: make(chan write, 1), done: make(chan struct{}), change: make(chan struct{})}
	go d.run()
	return d
}

func (d *disk) run() {
	defer close(d.done)
	for w := range d.work {
		err := writeAside(d.path, w.bytes)
		d.mu.Lock()
		d.kept, d.err = w.number, err
		close(d.change)
		d.change = make(chan struct{})
		d.mu.Unlock()
	}
}

// keep brings b to disk and waits for it, but not for long. The error is that of
// the writing, or says that the disk does not answer. One goroutine calls it.
func (d *disk) keep(b []byte) error {
	d.mu.Lock()
	select {
	case <-d.work: // overtaken
	default:
	}
	d.asked++
	want := d.asked
	d.work <- write{want, b}
	d.mu.Unlock()
	t := time.NewTimer(diskPatience)
	defer t.Stop()
	for {
		d.mu.Lock()
		kept, err, change := d.kept, d.err, d.change
		d.mu.Unlock()
		if kept >= want {
			return err
		}
		select {
		case <-change:
		case <-t.C:
			return fmt.Errorf("%s: the disk has not answered for %v", d.path, diskPatience)
		}
	}
}

func (d *disk) close() {
	close(d.work)
	t := time.NewTimer(diskPatience)
	defer t.Stop()
	select {
	case <-d.done:
	case <-t.C:
	}
}

// writeAside replaces the file at path by b.
func writeAside(path string, b []byte) error {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	f, err := os.OpenFile(path+".new", os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return err
	}
	return syncDir(dir)
}
