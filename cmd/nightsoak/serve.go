package main

import (
	"errors"
	"fmt"
	"io"

	"nightsoak/acquire/bench"
	"nightsoak/alarms/notify"
)

// files are the two files a bench runs by.
type files struct {
	Bench string `required:"" placeholder:"FILE" help:"Bench file: which meters, where."`
	Job   string `placeholder:"FILE" help:"Job file: which amplifier, which sockets."`
}

// load reads both; the job is nil when none is named.
func (f *files) load() (*bench.Bench, *bench.Job, error) {
	b, err := bench.Load(f.Bench)
	if err != nil {
		return nil, nil, usage(err)
	}
	for _, c := range b.Notify {
		err = errors.Join(err, notify.Check(c))
	}
	if err != nil {
		return nil, nil, usage(err)
	}
	if f.Job == "" {
		return b, nil, nil
	}
	j, err := bench.LoadJob(f.Job, b)
	return b, j, usage(err)
}

type serveCmd struct {
	files
	Events bool `help:"Print what happens as lines of JSON on standard output, as replay --json does."`
}

// Run is the daemon: until SIGINT or SIGTERM.
func (c *serveCmd) Run(a *app) error {
	b, j, err := c.load()
	if err != nil {
		return err
	}
	d, err := newDaemon(b, 1, a.log)
	if err != nil {
		return err
	}
	var lines io.Writer
	if c.Events {
		lines = a.out
	}
	d.events = newEventLog(lines, a.log)
	err = d.serve(a.ctx, j, func(url string) {
		fmt.Fprintf(a.out, "panel: %s\nrecord: %s\n", url, b.DataDir)
		if j == nil {
			a.log.Info().Msg("watching the meters; `nightsoak begin --job FILE` begins a run")
		}
	})
	if err == nil {
		a.log.Info().Msg("stopped")
	}
	return errors.Join(err, d.close())
}
