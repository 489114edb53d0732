package acquire

import (
	"context"
	"time"

	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

// For the tests outside this package, which use emulated meters.

// RecogniseOver is Recognise with another way to open the port.
func RecogniseOver(ctx context.Context, spec string, formats []drivers.Format, tell func(string),
	open func(ctx context.Context, spec, line string) (port.Conn, error)) ([]Guess, error) {
	return newSeeker(spec, formats, open, tell).recognise(ctx)
}

// ListenOver is Listen with another way to open the port.
func ListenOver(ctx context.Context, spec string, f drivers.Format, line string, settings drivers.Settings,
	emit func(t time.Duration, r drivers.Reading) bool,
	open func(ctx context.Context, spec, line string) (port.Conn, error)) error {
	return listen(ctx, spec, f, line, settings, emit, open)
}

// The parts of weigh.
var (
	Weigh   = weigh
	Demands = demands
)
