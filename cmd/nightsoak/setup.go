package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"path/filepath"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/port"
	"nightsoak/drivers"
	"nightsoak/drivers/catalogue"
	"nightsoak/export/panel"
)

type setupCmd struct {
	Dir    string `arg:"" optional:"" type:"path" default:"." help:"Folder of the two files."`
	Bench  string `placeholder:"FILE" help:"Bench file, when it is not bench.toml in there." type:"path"`
	Job    string `placeholder:"FILE" help:"Job file, when it is not job.toml in there." type:"path"`
	Listen string `placeholder:"ADDR" default:"127.0.0.1:8418" help:"Address of the page, on this machine."`
}

// Run serves the set-up page until interrupted.
func (c *setupCmd) Run(a *app) error {
	opt := panel.SetupOptions{Bench: c.Bench, Job: c.Job, Ports: port.List, Listen: findOut, Logger: a.log}
	if opt.Bench == "" {
		opt.Bench = filepath.Join(c.Dir, "bench.toml")
	}
	if opt.Job == "" {
		opt.Job = filepath.Join(c.Dir, "job.toml")
	}
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("set-up page: %w; choose another address with --listen", err)
	}
	defer l.Close()
	if at, err := netip.ParseAddrPort(l.Addr().String()); err != nil || !at.Addr().Unmap().IsLoopback() {
		return usage(fmt.Errorf("--listen=%s: the set-up page opens ports and writes files, so it is for this machine alone: give an address such as 127.0.0.1:8418", c.Listen))
	}
	srv := &http.Server{Handler: panel.NewSetup(opt), ReadHeaderTimeout: 10 * time.Second, BaseContext: func(net.Listener) context.Context { return a.ctx }}
	fmt.Fprintf(a.out, "set-up page: http://%s/\n", l.Addr())
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	select {
	case err := <-failed:
		return err
	case <-a.ctx.Done():
	}
	end, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	return srv.Shutdown(end)
}

// findOut recognises what is on a port, and waits for what its display shows.
func findOut(ctx context.Context, spec, cutoff string) (panel.Heard, error) {
	if spec == "" {
		return panel.Heard{}, errors.New("no port is given")
	}
	if cutoff != "" && device(cutoff) == device(spec) {
		return panel.Heard{}, fmt.Errorf("%s: this port drives the cut-off: opening it could drop the mains or hold them, so it is left alone", spec)
	}
	guesses, err := acquire.Recognise(ctx, spec, catalogue.All(), nil)
	if err != nil {
		return panel.Heard{}, err
	}
	g := guesses[0]
	if g.Format, err = catalogue.Find(g.Format.Name); err != nil {
		return panel.Heard{}, err
	}
	h := panel.Heard{Meter: draftOf("", spec, g), Sure: g.Confidence}
	ctx, cancel := context.WithTimeout(ctx, liveWait)
	defer cancel()
	// What was recognised stands, whether or not a reading comes in time.
	err = acquire.Listen(ctx, spec, g.Format, g.Line, g.Settings, func(_ time.Duration, r drivers.Reading) bool {
		h.Reading = r.Text() + " " + r.Unit()
		return false
	})
	if err != nil && h.Reading == "" {
		h.Reading = "nothing yet (" + err.Error() + ")"
	}
	return h, nil
}
