package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"nightsoak/acquire"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
)

type listenCmd struct {
	Port   string `arg:"" name:"PORT" help:"As in the bench file: /dev/ttyUSB0, usb:VID:PID, tcp://host:port."`
	Format string `help:"Wire format; without it, found out."`
	Line   string `help:"Line settings, 2400 8N1; without it, the format's own."`
	Count  int    `placeholder:"N" help:"Stop after N readings."`
	JSON   bool   `help:"One line of JSON per reading."`

	Set map[string]string `placeholder:"KEY=VALUE" help:"A key of the format in the bench file: function=VOLT:DC, register=30001. May stand more than once."`
}

// silenceHint is how long a meter may say nothing before a hint is due.
const silenceHint = 3 * time.Second

func withTimeout(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, d)
}

// Run prints readings until interrupted.
func (c *listenCmd) Run(a *app) error {
	if c.Count < 0 {
		return usage(fmt.Errorf("--count=%d: choose how many readings, or leave it out", c.Count))
	}
	settings := drivers.Settings(c.Set)
	var f drivers.Format
	var err error
	if c.Format != "" {
		if f, err = catalogue.Find(c.Format); err != nil {
			return usage(err)
		}
	} else if f, err = c.recognise(a); err != nil {
		return err
	}
	for key := range settings {
		if !slices.Contains(f.Keys, key) {
			return usage(fmt.Errorf("--set %s: %s has no such key: it has %s", key, f.Name, cmp.Or(strings.Join(f.Keys, ", "), "none")))
		}
	}
	line := c.Line
	if line == "" {
		line = f.Line
	}
	n := 0
	var failed error
	hint := time.AfterFunc(silenceHint, func() {
		a.log.Warn().Msgf("%s: open, but no reading yet: are the meter and its data output on, and is %s with line %q right? Some optical heads need a modem line: --line %q", c.Port, f.Name, line, line+" dtr")
	})
	defer hint.Stop()
	err = acquire.Listen(a.ctx, c.Port, f, line, settings, func(t time.Duration, r drivers.Reading) bool {
		hint.Stop()
		n++
		failed = c.print(a, f.Name, t, r)
		return failed == nil && (c.Count == 0 || n < c.Count)
	})
	if errors.Is(err, acquire.ErrUnrecognised) {
		err = &status{exitNotSo, err}
	}
	return errors.Join(err, failed)
}

// recognise finds out the format and says how sure it is.
func (c *listenCmd) recognise(a *app) (drivers.Format, error) {
	guesses, err := acquire.Recognise(a.ctx, c.Port, catalogue.All())
	switch {
	case a.ctx.Err() != nil:
		return drivers.Format{}, &status{0, nil} // Ctrl-C
	case errors.Is(err, acquire.ErrUnrecognised):
		return drivers.Format{}, &status{exitNotSo, fmt.Errorf("%w (`nightsoak formats` lists what is known)", err)}
	case err != nil:
		return drivers.Format{}, err
	}
	g := guesses[0]
	if g.Confidence < 0.5 {
		return drivers.Format{}, &status{exitNotSo, fmt.Errorf("%s: not sure what this is: %s with line %q is the best guess, at %.0f %%; name it with --format and --line if it is right",
			c.Port, g.Format.Name, g.Line, 100*g.Confidence)}
	}
	if c.Line == "" {
		c.Line = g.Line
	}
	if c.JSON {
		return g.Format, json.NewEncoder(a.out).Encode(struct {
			Recognised string  `json:"recognised"`
			Line       string  `json:"line"`
			Confidence float64 `json:"confidence"`
		}{g.Format.Name, g.Line, g.Confidence})
	}
	_, err = fmt.Fprintf(a.out, "recognised: %s, line %q, %.0f %% sure\n", g.Format.Name, g.Line, 100*g.Confidence)
	return g.Format, err
}

func (c *listenCmd) print(a *app, format string, t time.Duration, r drivers.Reading) error {
	if !c.JSON {
		_, err := fmt.Fprintf(a.out, "%9.3f  %v\n", t.Seconds(), r)
		return err
	}
	v := struct {
		T       json.RawMessage `json:"t"`
		Reading string          `json:"reading"`
		Unit    string          `json:"unit"`
		Value   *float64        `json:"value"`
		SIUnit  string          `json:"si_unit"`
		Flags   []string        `json:"flags"`
		Format  string          `json:"format"`
	}{T: fmt.Appendf(nil, "%.3f", t.Seconds()), Reading: r.Text(), Unit: r.Unit(), SIUnit: r.Quantity.SIUnit(), Flags: slices.Sorted(slices.Values(r.Flags.Names())), Format: format}
	if r.HasValue() {
		x := r.Value()
		v.Value = &x
	}
	return json.NewEncoder(a.out).Encode(v)
}
