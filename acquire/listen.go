package acquire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
)

// ErrUnrecognised says that nothing on the port was understood.
var ErrUnrecognised = errors.New("acquire: nothing recognised")

// unrecognised is an error that wraps ErrUnrecognised, and the last answer's
// error if there was one, without showing either.
type unrecognised struct {
	text string
	last error
}

func (e *unrecognised) Error() string   { return e.text }
func (e *unrecognised) Unwrap() []error { return []error{ErrUnrecognised, e.last} }

const (
	hintAfter   = 2 * time.Second        // wall, of bytes without a frame: four figures of a slow display
	longPause   = 500 * time.Millisecond // wall; what a pause between bytes counts for at most: of one line in 5 s the first may be cut
	listenEvery = 500 * time.Millisecond // wall, between questions
)

// Listen reads one meter on the port spec and hands every reading to emit with
// the time since the port was opened, wall time rounded to 1 ms, until emit
// returns false or ctx is done; then it returns nil. An empty line is the
// format's own. It fails when the port does, and with an error that wraps
// [ErrUnrecognised] when bytes came for 2 s, long pauses aside, and made no
// frame, or when the first five questions got no proper answer. In the first case
// it listens on, at other line settings and for other formats, and the error
// names the best guess.
// Silence alone is waited out: the meter may be switched on yet.
func Listen(ctx context.Context, spec string, f drivers.Format, line string, settings drivers.Settings,
	emit func(t time.Duration, r drivers.Reading) bool) error {
	return listen(ctx, spec, f, line, settings, emit, port.Open)
}

func listen(ctx context.Context, spec string, f drivers.Format, line string, settings drivers.Settings,
	emit func(t time.Duration, r drivers.Reading) bool, open opener) error {
	if line == "" {
		line = f.Line
	}
	c, err := open(ctx, spec, line)
	if err != nil {
		return err
	}
	l := &listener{spec: spec, format: f.Name, line: line, opened: time.Now(), emit: emit}
	s := station{spec: spec, sink: l, progress: l.progress,
		taps: []*tap{{format: f, settings: settings, scale: newScaling(1), every: listenEvery}}}
	err = s.session(ctx, c)
	if ctx.Err() != nil || errors.Is(err, errEnough) {
		return nil
	}
	if misfit, is := errors.AsType[*unrecognised](err); is && l.bytes > 0 {
		guess, failed := l.guess(ctx, f, settings, open)
		if failed != nil && errors.Is(ctx.Err(), context.Canceled) {
			return nil
		}
		misfit.text += guess
	}
	return err
}

// guess looks for what fits the bytes better than format and line, and says so
// in the rest of a sentence. Its error is the port's or that of ctx.
func (l *listener) guess(ctx context.Context, f drivers.Format, settings drivers.Settings, open opener) (string, error) {
	given := f
	given.NewDecoder = func(drivers.Settings) (drivers.Decoder, error) { return f.NewDecoder(settings) }
	given.Lines = append(slices.Clip(f.Lines), l.line)
	formats := []drivers.Format{given}
	for _, other := range catalogue.All() {
		if other.NewDecoder != nil && other.Name != f.Name {
			formats = append(formats, other)
		}
	}
	s := newSeeker(l.spec, formats, open, nil)
	if line, err := port.ParseLine(l.line); err == nil {
		s.dtr, s.rts = line.DTR, line.RTS
	}
	guesses, err := s.listen(ctx)
	if err != nil {
		return "", err
	}
	best := heard{guesses: guesses}.best()
	switch wrong := l.rejects[drivers.BadDigit] + l.rejects[drivers.BadStatus]; {
	case best.Confidence >= 0.5 && best.Format.Name == f.Name:
		return fmt.Sprintf(", best guess %s", best.Line), nil
	case best.Confidence >= 0.5:
		return fmt.Sprintf(", best guess %s%s", best.Format.Name, port.AtLine(l.spec, best.Line)), nil
	case 2*wrong > l.rejects.Total():
		return fmt.Sprintf("; whole frames come, but say what %s has no word for: is the meter's knob at another function?", f.Name), nil
	}
	return "; " + s.looks(), nil
}

// errEnough ends a session that has all it wants.
var errEnough = errors.New("enough")

// listener is the sink of Listen.
type listener struct {
	spec, format, line string
	opened             time.Time
	emit               func(time.Duration, drivers.Reading) bool

	readings   int
	enough     bool
	bytes      int
	lastByte   time.Time
	talked     time.Duration // so long bytes came, longPause at most from one to the next
	unanswered int
	rejects    drivers.Rejects
}

func (l *listener) Reading(_ int, r drivers.Reading) {
	l.readings++
	if !l.enough {
		l.enough = !l.emit(time.Since(l.opened).Round(time.Millisecond), r)
	}
}

func (*listener) Port(int, error) {}

func (l *listener) Rejected(_ int, why drivers.Reason, n uint64) { l.rejects[why] += n }

func (l *listener) progress(n int, reply error) error {
	if n > 0 {
		now := time.Now()
		if l.bytes > 0 {
			l.talked += min(now.Sub(l.lastByte), longPause)
		}
		l.bytes, l.lastByte = l.bytes+n, now
	}
	if reply != nil {
		l.unanswered++
	}
	switch {
	case l.enough:
		return errEnough
	case l.readings > 0:
		return nil
	case l.unanswered >= renewAfter:
		return &unrecognised{text: fmt.Sprintf("%s: %d questions in format %s, no proper answer (%s); the last: %v",
			l.spec, l.unanswered, l.format, rejected(l.rejects), reply), last: reply}
	case l.talked >= hintAfter:
		return &unrecognised{text: fmt.Sprintf("%s: bytes arrive but no frame fits %s%s: seen %d bytes (%s)",
			l.spec, l.format, port.AtLine(l.spec, l.line), l.bytes, rejected(l.rejects))}
	}
	return nil
}

// rejected is counts by reason as a person reads them: "12 noise, 3 short".
func rejected(r drivers.Rejects) string {
	var parts []string
	for why, n := range r {
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %v", n, drivers.Reason(why)))
		}
	}
	if parts == nil {
		return "none rejected"
	}
	return "rejected: " + strings.Join(parts, ", ")
}
