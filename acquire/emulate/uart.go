package emulate

import (
	"context"
	"errors"
	"fmt"
	"math/bits"
	"os"
	"slices"
	"sync"
	"time"

	"nightsoak/acquire/port"
)

// Level is a stretch of a serial line's course: mark (idle, a one) or space.
type Level struct {
	Mark bool
	For  time.Duration
}

// Transmit is the course of the line when p is sent at l, one character after
// the other without a pause: start bit, data bits, lowest first, parity bit and
// stop bits.
func Transmit(p []byte, l port.Line) []Level {
	var levels []Level
	bit := bitTime(l)
	sent := 0.0 // bits
	add := func(mark bool, n float64) {
		// From the beginning, so that what is rounded off does not add up.
		d := time.Duration((sent+n)*bit) - time.Duration(sent*bit)
		sent += n
		if last := len(levels) - 1; last >= 0 && levels[last].Mark == mark {
			levels[last].For += d
			return
		}
		levels = append(levels, Level{mark, d})
	}
	for _, c := range p {
		c &= 1<<l.DataBits - 1
		add(false, 1)
		for i := range l.DataBits {
			add(c>>i&1 == 1, 1)
		}
		if l.Parity != 'N' {
			add(parity(c, l.Parity), 1)
		}
		add(true, l.StopBits)
	}
	return levels
}

// Receive is what a program reads that listens at l to a line of that course,
// idle before and after it, as a UART of the 16550's kind and the Linux terminal
// driver make it:
//
//   - A falling edge begins a character if the line is still low half a bit
//     later; a shorter pulse is a glitch. Every bit is sampled in its middle.
//   - A stop bit that is low is a framing error, and is taken for the next
//     character's start bit. If all bits before it are low too it is a break:
//     one NUL, and the next character begins with the first falling edge once
//     the line is at mark again. Only the first stop bit is looked at.
//   - Without parity a character with a framing error is passed on as it is. With
//     parity the port has input checking on (INPCK, and neither IGNPAR nor
//     PARMRK), and a character with a parity or framing error is read as NUL.
//
// The receiver's behaviour is from memory of the PC16550D data sheet (line status
// register, bits 2 to 4), the driver's from termios(3).
func Receive(levels []Level, l port.Line) []byte {
	var edges []float64 // where the level changes, ns; space begins with the even ones
	now := 0.0
	mark := true
	for _, v := range levels {
		if v.Mark != mark {
			edges = append(edges, now)
			mark = v.Mark
		}
		now += float64(v.For)
	}
	if !mark {
		edges = append(edges, now)
	}
	// at is the level at t; next is the first edge of the even or odd ones at or after t.
	at := func(t float64) bool {
		i, found := slices.BinarySearch(edges, t)
		if found {
			i++
		}
		return i%2 == 0
	}
	next := func(t float64, odd int) (float64, bool) {
		i, _ := slices.BinarySearch(edges, t)
		if i%2 != odd {
			i++
		}
		if i >= len(edges) {
			return 0, false
		}
		return edges[i], true
	}
	bit := bitTime(l)
	var read []byte
	for begin, more := next(0, 0); more; {
		if at(begin + bit/2) {
			begin, more = next(begin+1, 0)
			continue
		}
		sample := begin + bit/2
		var c byte
		for i := range l.DataBits {
			if sample += bit; at(sample) {
				c |= 1 << i
			}
		}
		low, wrong := c == 0, false
		if l.Parity != 'N' {
			sample += bit
			p := at(sample)
			low = low && !p
			wrong = p != parity(c, l.Parity)
		}
		sample += bit
		stop := at(sample)
		if l.Parity != 'N' && (wrong || !stop) {
			c = 0
		}
		read = append(read, c)
		switch {
		case stop:
			begin, more = next(sample, 0)
		case low:
			if begin, more = next(sample, 1); more {
				begin, more = next(begin, 0)
			}
		default:
			begin = sample - bit/2
		}
	}
	return read
}

// bitTime is the length of a bit in ns.
func bitTime(l port.Line) float64 { return float64(time.Second) / float64(l.Baud) }

// parity is the parity bit of c.
func parity(c byte, kind byte) bool {
	odd := bits.OnesCount8(c)%2 == 1
	switch kind {
	case 'E':
		return odd
	case 'O':
		return !odd
	}
	return kind == 'M'
}

// Talker is a meter on a pseudo-terminal that says the same over and over. The
// terminal knows of its line setting only the speed; at another speed than the
// meter's own what is read is garbled, as by [Transmit] and [Receive] at 8N1.
type Talker struct {
	terminal *terminal
	cancel   context.CancelFunc
	talking  sync.WaitGroup
	hearing  sync.WaitGroup
	link     string

	mu  sync.Mutex
	got []byte
}

// Talk links a pseudo-terminal as link and sends one of the frames each period
// of wall time, one after the other, at the line setting; without frames it is
// silent. It fails where the system has no pseudo-terminals or cannot link.
func Talk(link string, line port.Line, every time.Duration, frames ...[]byte) (*Talker, error) {
	terminal, err := openTerminal()
	if err != nil {
		return nil, err
	}
	if err := os.Symlink(terminal.name, link); err != nil {
		return nil, errors.Join(fmt.Errorf("emulated meter: %w", err), terminal.close())
	}
	t := &Talker{terminal: terminal, link: link}
	ctx, cancel := context.WithCancel(context.Background())
	t.cancel = cancel
	t.hearing.Go(func() {
		var buf [256]byte
		for {
			n, err := terminal.read(buf[:])
			if err != nil {
				return // closed
			}
			t.mu.Lock()
			t.got = append(t.got, buf[:n]...)
			t.mu.Unlock()
		}
	})
	if len(frames) > 0 {
		t.talking.Go(func() { t.talk(ctx, line, every, frames) })
	}
	return t, nil
}

func (t *Talker) talk(ctx context.Context, line port.Line, every time.Duration, frames [][]byte) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	sent := port.Line{Baud: line.Baud, DataBits: 8, Parity: 'N', StopBits: 1}
	heard := sent
	for i := 0; ; i = (i + 1) % len(frames) {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		frame := frames[i]
		if speed, err := t.terminal.speed(); err == nil && speed != sent.Baud {
			heard.Baud = speed
			frame = Receive(Transmit(frame, sent), heard)
		}
		t.terminal.discardOver(0) // unread since the last frame: nobody listens
		t.terminal.write(frame)
	}
}

// Got is what was sent to the meter so far.
func (t *Talker) Got() []byte {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.Clone(t.got)
}

// Close stops the meter and removes its port.
func (t *Talker) Close() error {
	t.cancel()
	t.talking.Wait()
	err := errors.Join(os.Remove(t.link), t.terminal.close())
	t.hearing.Wait()
	return err
}
