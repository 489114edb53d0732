package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/prometheus/exporter-toolkit/web"

	"nightsoak/acquire"
	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
)

type checkCmd struct {
	files
	Live bool `help:"Also open every port and wait for a reading from each meter."`
}

// Run validates and prints the wiring sheet.
func (c *checkCmd) Run(a *app) error {
	b, j, err := c.load()
	if err != nil {
		return err
	}
	if f := b.Panel.WebConfig; f != "" {
		if err := web.Validate(bench.SecretPath(f)); err != nil {
			return usage(fmt.Errorf("web_config %s: %w", f, err))
		}
	}
	if j == nil {
		fmt.Fprintf(a.out, "%s: bench %q, meters: %s. No mistakes found. Name a job with --job to see its wiring sheet.\n", c.Bench, b.Name, strings.Join(meterNames(b), ", "))
	} else if err := bench.Wiring(a.out, b, j); err != nil {
		return err
	}
	if c.Live {
		return c.live(a, b)
	}
	return nil
}

// liveWait is how long a meter has to say something; a slow display takes 2 s.
const liveWait = 5 * time.Second

// live opens every meter in turn and prints its first reading.
func (c *checkCmd) live(a *app, b *bench.Bench) error {
	absent := 0
	fmt.Fprintln(a.out, "\nMETERS NOW")
	for i := range b.Meters {
		m := &b.Meters[i]
		got, err := firstReading(a, m)
		if err != nil {
			if a.ctx.Err() != nil {
				return errors.New("interrupted")
			}
			absent++
			fmt.Fprintf(a.out, "  %-10s not read: %v\n", m.Name, err)
			continue
		}
		fmt.Fprintf(a.out, "  %-10s %v\n", m.Name, got)
	}
	if absent > 0 {
		return &status{exitNotSo, fmt.Errorf("%d of %d meters cannot be read", absent, len(b.Meters))}
	}
	return nil
}

func firstReading(a *app, m *bench.Meter) (got drivers.Reading, err error) {
	ctx, cancel := context.WithTimeout(a.ctx, liveWait)
	defer cancel()
	found := false
	err = acquire.Listen(ctx, m.Port, m.Format, m.Line, m.Settings, func(_ time.Duration, r drivers.Reading) bool {
		got, found = r, true
		return false
	})
	if err == nil && !found {
		err = &port.Error{Spec: m.Port, Text: fmt.Sprintf("open, but no reading within %s: is the meter on and sending?", liveWait)}
	}
	return got, err
}
