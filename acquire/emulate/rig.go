package emulate

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"time"

	"nightsoak/acquire"
)

// A meter is one emulated meter on one pseudo-terminal.
type meter struct {
	name     string
	format   string
	accuracy string
	path     string // symbolic link to the terminal
	every    time.Duration
	volts    func(Sample) float64
	chip     chip // of a meter that talks by itself

	mu   sync.Mutex
	port *terminal // nil while dropped
}

// Rig is the emulated bench: the amplifier and five meters, each on a
// pseudo-terminal. Meters k1 to k4 show the sense volts of V5 to V8, meter ht
// the plate supply. All methods are safe for concurrent use.
type Rig struct {
	clock  *acquire.Clock
	amp    *Amp
	meters []*meter
	ctx    context.Context // done once closed
	cancel context.CancelFunc
	wg     sync.WaitGroup
	once   sync.Once
	closed error
}

// Display pace of the two chips, run time between readings. From memory of
// their data sheets: about 2.5 and 2 readings a second.
const (
	fs9721Every  = 400 * time.Millisecond
	es51922Every = 500 * time.Millisecond
)

// Start opens the pseudo-terminals, links each as dir/NAME and lets the meters
// run on the clock until ctx is done or Close. It fails where the system has
// no pseudo-terminals or dir cannot be written.
func Start(ctx context.Context, clock *acquire.Clock, amp *Amp, dir string) (*Rig, error) {
	r := &Rig{clock: clock, amp: amp}
	r.ctx, r.cancel = context.WithCancel(ctx)
	sense := func(socket int) func(Sample) float64 {
		return func(s Sample) float64 { return s.Sockets[socket].Sense }
	}
	r.meters = []*meter{
		{name: "k1", format: "fs9721", accuracy: "0.5% + 3", every: fs9721Every, chip: fs9721, volts: sense(V5)},
		{name: "k2", format: "fs9721", accuracy: "0.5% + 3", every: fs9721Every, chip: fs9721, volts: sense(V6)},
		{name: "k3", format: "es51922", accuracy: "0.1% + 5", every: es51922Every, chip: es51922, volts: sense(V7)},
		{name: "k4", format: "es51922", accuracy: "0.1% + 5", every: es51922Every, chip: es51922, volts: sense(V8)},
		{name: "ht", format: "scpi", accuracy: "0.02% + 3", volts: func(s Sample) float64 { return s.HT }},
	}
	for _, m := range r.meters {
		m.path = filepath.Join(dir, m.name)
		if err := r.plug(m); err != nil {
			return nil, errors.Join(err, r.Close())
		}
	}
	for i, m := range r.meters {
		if m.every > 0 {
			r.wg.Go(func() { r.display(m, i) })
		}
	}
	context.AfterFunc(r.ctx, func() { _ = r.Close() }) // its error waits for the next Close
	return r, nil
}

// plug opens a meter's terminal, links it and answers or discards what comes in.
func (r *Rig) plug(m *meter) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case r.ctx.Err() != nil:
		return fmt.Errorf("meter %s: the emulated bench is closed: start another", m.name)
	case m.port != nil:
		return fmt.Errorf("meter %s: is on its port already: drop it first", m.name)
	}
	port, err := openTerminal()
	if err != nil {
		return fmt.Errorf("meter %s: %w", m.name, err)
	}
	// Linked aside and renamed: whoever looks finds the old port or the new one.
	aside := m.path + ".new"
	err = os.Symlink(port.name, aside)
	if err == nil {
		err = os.Rename(aside, m.path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("meter %s: link its port: %w", m.name, err), port.close())
	}
	m.port = port
	answer := func([]byte) []byte { return nil } // a meter that only talks
	if m.format == "scpi" {
		v := &voltmeter{
			volts: func() float64 { return m.volts(r.amp.At(r.clock.Now())) },
			noise: rand.New(rand.NewPCG(r.amp.cfg.Seed, 0)),
		}
		answer = v.feed
	}
	r.wg.Go(func() {
		var buf [256]byte
		for {
			n, err := port.read(buf[:])
			if err != nil {
				return // closed
			}
			if a := answer(buf[:n]); len(a) > 0 {
				port.write(a)
			}
		}
	})
	return nil
}

// display writes a meter's frames at its pace. A wake-up that comes late shows
// the moment it comes at, and frames that were due meanwhile are left out.
func (r *Rig) display(m *meter, index int) {
	d := display{chip: m.chip, noise: rand.New(rand.NewPCG(r.amp.cfg.Seed, uint64(index)+1))}
	perSecond := r.clock.Speed() / m.every.Seconds() // frames, wall time
	due := r.clock.Now() + m.every*time.Duration(index)/time.Duration(len(r.meters))
	var frame []byte
	for r.clock.Sleep(r.ctx, due-r.clock.Now()) {
		now := r.clock.Now()
		due += max(1, (now-due)/m.every+1) * m.every
		if m.name == "k4" && r.amp.faulty(Silent, now) {
			continue
		}
		frame = d.frame(frame[:0], m.volts(r.amp.At(now)))
		m.mu.Lock()
		if m.port != nil {
			// Half a second unread, or four frames of a slow display: nobody
			// listens. An open line keeps nothing either.
			m.port.discardOver(min(max(4, int(perSecond/2))*len(frame), 2048))
			m.port.write(frame)
		}
		m.mu.Unlock()
	}
}

// find is the meter with that name.
func (r *Rig) find(name string) (*meter, error) {
	for _, m := range r.meters {
		if m.name == name {
			return m, nil
		}
	}
	return nil, fmt.Errorf("emulated bench: no meter %q: there are k1, k2, k3, k4 and ht", name)
}

// Port is the path under which a meter's port is found, also after it has
// been dropped and restored; empty for a meter that is not there.
func (r *Rig) Port(meter string) string {
	m, err := r.find(meter)
	if err != nil {
		return ""
	}
	return m.path
}

// Drop pulls a meter's plug: its port is gone, and so is the path.
func (r *Rig) Drop(meter string) error {
	m, err := r.find(meter)
	if err != nil {
		return err
	}
	return m.unplug()
}

func (m *meter) unplug() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.port == nil {
		return nil
	}
	err := errors.Join(os.Remove(m.path), m.port.close())
	m.port = nil
	if err != nil {
		return fmt.Errorf("meter %s: drop its port: %w", m.name, err)
	}
	return nil
}

// Restore plugs a dropped meter in again, under the same path.
func (r *Rig) Restore(meter string) error {
	m, err := r.find(meter)
	if err != nil {
		return err
	}
	return r.plug(m)
}

// Write sends bytes as if the meter had: noise, or half a frame. It fails on a
// dropped meter and when the port's buffer is full.
func (r *Rig) Write(meter string, p []byte) error {
	m, err := r.find(meter)
	if err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.port == nil {
		return fmt.Errorf("meter %s: not plugged in: restore it first", meter)
	}
	if n := m.port.write(p); n < len(p) {
		return fmt.Errorf("meter %s: %d of %d bytes went out: nobody reads its port", meter, n, len(p))
	}
	return nil
}

// Close stops the meters, closes their ports and removes their paths.
func (r *Rig) Close() error {
	r.once.Do(func() {
		r.cancel()
		var errs []error
		for _, m := range r.meters {
			errs = append(errs, m.unplug())
		}
		r.wg.Wait()
		r.closed = errors.Join(errs...)
	})
	return r.closed
}

// BenchTOML is the demo's bench file. dataDir and listen are its data_dir and
// the panel's host:port.
func (r *Rig) BenchTOML(dataDir, listen string) string {
	// Five seconds of run time may be less wall time than a scheduler's hiccup.
	silent := max(5*time.Second, time.Duration(float64(500*time.Millisecond)*r.clock.Speed()))
	s := fmt.Sprintf("name = \"north\"\ndata_dir = %s\n", quote(dataDir))
	for _, m := range r.meters {
		s += fmt.Sprintf("\n[[meter]]\nname = %s\nport = %s\nformat = %s\naccuracy = %s\nsilent_after = %s\n",
			quote(m.name), quote(m.path), quote(m.format), quote(m.accuracy), quote(silent.String()))
		if m.format == "scpi" {
			s += "function = \"VOLT:DC\"\nrange = \"1000\"\nask = \"READ?\"\nevery = \"500ms\"\n"
		}
	}
	return s + fmt.Sprintf("\n[panel]\nlisten = %s\n", quote(listen))
}

// quote is a TOML basic string; JSON's escapes are a subset of TOML's.
func quote(s string) string {
	b, _ := json.Marshal(s) // a string always marshals
	return string(b)
}

// JobTOML is the demo's job file.
func JobTOML() string {
	s := `ticket = "R-1187"
amplifier = "four-tube bass head, 100 W"
bias = "fixed"
idle_target = "65%"
soak_for = "10h"
`
	for i, half := range []string{"a", "a", "b", "b"} {
		s += fmt.Sprintf(`
[[socket]]
name = "V%d"
tube = "6L6GC"
half = "%s"
sense = { meter = "k%d", ohms = 1.0, tolerance = "1%%" }
plate = { meter = "ht" }
`, i+5, half, i+1)
	}
	return s
}
