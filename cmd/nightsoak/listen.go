package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/bench"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
)

type listenCmd struct {
	Port   string `arg:"" name:"PORT" help:"As in the bench file: /dev/ttyUSB0, usb:VID:PID, tcp://host:port."`
	Format string `help:"Wire format; without it, found out."`
	Line   string `help:"Line settings, 2400 8N1; without it, the format's own."`
	Bench  string `type:"path" placeholder:"FILE" help:"Bench file: the port that it gives to the cut-off is not opened."`
	Count  int    `placeholder:"N" help:"Stop after N readings."`
	JSON   bool   `help:"One line of JSON per reading."`

	Set map[string]string `placeholder:"KEY=VALUE" help:"A key of the format in the bench file: function=VOLT:DC, register=107. May stand more than once."`
}

// silenceHint is how long a meter may say nothing before a hint is due.
const silenceHint = 3 * time.Second

// Run prints readings until interrupted.
func (c *listenCmd) Run(a *app) error {
	if c.Count < 0 {
		return usage(fmt.Errorf("--count=%d: choose how many readings, or leave it out", c.Count))
	}
	name, err := c.benchName()
	if err != nil {
		return usage(err)
	}
	settings := drivers.Settings{}
	var f drivers.Format
	if c.Format != "" {
		if f, err = catalogue.Find(c.Format); err != nil {
			return usage(err)
		}
	} else {
		g, err := c.recognise(a, name)
		if err != nil {
			return err
		}
		f, c.Line = g.Format, g.Line
		maps.Copy(settings, g.Settings)
	}
	maps.Copy(settings, c.Set)
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
		text := fmt.Sprintf("%s: open, but no reading yet from %s%s. If nothing arrives at all: are the meter and its data output on?", c.Port, f.Name, port.AtLine(c.Port, line))
		if l, err := port.ParseLine(line); err == nil && port.HasLine(c.Port) && !l.DTR {
			text += fmt.Sprintf(" Some optical heads need a modem line: --line %q", line+" dtr")
		}
		a.log.Warn().Msg(text)
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

// benchName is a name for the meter that the bench file, if one is given, has
// not. It fails where the port is the cut-off's.
func (c *listenCmd) benchName() (string, error) {
	if c.Bench == "" {
		return "k1", nil
	}
	b, err := bench.Load(c.Bench)
	if err != nil {
		return "", err
	}
	if b.Cutoff != nil && device(b.Cutoff.Port) == device(c.Port) {
		return "", fmt.Errorf("%s: this port drives the cut-off of %s: opening it could drop the mains or hold them, so it is left alone", c.Port, c.Bench)
	}
	for n := 1; ; n++ {
		if name := "k" + strconv.Itoa(n); b.MeterIndex(name) < 0 {
			return name, nil
		}
	}
}

// device is what a port specification comes down to, the same for all names of
// one device.
func device(spec string) string {
	if id, is := strings.CutPrefix(spec, "usb:"); is {
		ports, _ := port.List() // without it the specification stands for itself
		for _, p := range ports {
			name := p.VID + ":" + p.PID
			if strings.EqualFold(id, name) || strings.EqualFold(id, name+":"+p.Serial) {
				return p.Port
			}
		}
	}
	if _, address, is := strings.Cut(spec, "://"); is {
		return address // over TCP or RFC 2217
	}
	if real, err := filepath.EvalSymlinks(strings.TrimPrefix(spec, "usbtmc:")); err == nil {
		if real, err = filepath.Abs(real); err == nil {
			return real
		}
	}
	return spec
}

// recognise finds out what is on the port, says how sure it is, and what to
// write into the bench file.
func (c *listenCmd) recognise(a *app, name string) (acquire.Guess, error) {
	formats := catalogue.All()
	if c.Line != "" { // the only one that is right
		for i := range formats {
			formats[i].Line, formats[i].Lines = c.Line, nil
		}
	}
	begun := time.Now()
	guesses, err := acquire.Recognise(a.ctx, c.Port, formats, func(step string) { a.log.Info().Msgf("%s: %s", c.Port, step) })
	took := time.Since(begun).Seconds()
	switch {
	case a.ctx.Err() != nil:
		return acquire.Guess{}, &status{0, nil} // Ctrl-C
	case errors.Is(err, acquire.ErrUnrecognised):
		return acquire.Guess{}, &status{exitNotSo, err}
	case err != nil:
		return acquire.Guess{}, err
	}
	g := guesses[0]
	if g.Format, err = catalogue.Find(g.Format.Name); err != nil {
		return g, err
	}
	if g.Confidence < 0.5 {
		var all []string
		for _, g := range guesses {
			all = append(all, fmt.Sprintf("%s%s (%.0f %%)", g.Format.Name, port.AtLine(c.Port, g.Line), 100*g.Confidence))
		}
		return g, &status{exitNotSo, fmt.Errorf("%s: not sure what this is: best guess %s; name it with --format and --line if you know it",
			c.Port, strings.Join(all, ", or "))}
	}
	paste := meterTOML(name, c.Port, g)
	if c.JSON {
		return g, json.NewEncoder(a.out).Encode(struct {
			Recognised string           `json:"recognised"`
			Line       string           `json:"line"`
			Confidence float64          `json:"confidence"`
			Seconds    json.RawMessage  `json:"seconds"`
			Settings   drivers.Settings `json:"settings,omitempty"`
			Meter      string           `json:"meter"`
		}{g.Format.Name, g.Line, g.Confidence, fmt.Appendf(nil, "%.1f", took), g.Settings, paste})
	}
	sure := fmt.Sprintf("%.0f %% sure", 100*g.Confidence)
	if g.Confidence > 0.99 {
		sure = "over 99 % sure"
	}
	_, err = fmt.Fprintf(a.out, "recognised in %.1f s: %s%s, %s. For the bench file:\n\n%s\n", took, g.Format.Name, port.AtLine(c.Port, g.Line), sure, paste)
	return g, err
}

// draftOf is a guess as a [[meter]] with fields.
func draftOf(name, spec string, g acquire.Guess) bench.MeterDraft {
	m := bench.MeterDraft{Name: name, Port: stableName(spec), Format: g.Format.Name}
	if g.Line != g.Format.Line {
		m.Line = g.Line
	}
	for _, key := range slices.Sorted(maps.Keys(g.Settings)) {
		m.Keys += fmt.Sprintf("%s = %s\n", key, g.Settings[key])
	}
	return m
}

// meterTOML is a guess as the [[meter]] of a bench file.
func meterTOML(name, spec string, g acquire.Guess) string {
	m := draftOf(name, spec, g)
	b := m.Text()
	if g.Format.NewAsker != nil {
		if _, err := g.Format.NewAsker(g.Settings); err != nil {
			b += "# still missing, and not to be found out by asking: " + err.Error() + "\n"
		}
	}
	return b
}

// stableName is the port as a bench file takes it; by its link in
// /dev/serial/by-id if it has one, which stays when the adaptor is plugged in
// elsewhere.
func stableName(spec string) string {
	if strings.Contains(spec, ":") || strings.HasPrefix(spec, "/dev/serial/") {
		return spec
	}
	ports, _ := port.List() // without it the port is as given
	for _, p := range ports {
		if p.ByID != "" && p.Port == device(spec) {
			return p.ByID
		}
	}
	if path, err := filepath.Abs(spec); err == nil && strings.ContainsRune(spec, filepath.Separator) {
		return path
	}
	return spec
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
