package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"nightsoak/acquire"
	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate"
	"nightsoak/alarms"
	"nightsoak/export/record"
)

type demoCmd struct {
	Speed  float64       `default:"60" help:"Emulated seconds per second."`
	Listen string        `default:"127.0.0.1:8417" placeholder:"ADDR" help:"Where the panel listens: ${default}."`
	Dir    string        `placeholder:"DIR" help:"Where files and record go (default: a new temporary folder)."`
	For    time.Duration `placeholder:"D" help:"End after this much wall time (default: on Ctrl-C)."`
	Fault  emulate.Fault `default:"runaway" enum:"runaway,drift,open,dead,silent,none" help:"What goes wrong, 20 emulated minutes after HT comes up: ${enum}."`
}

// maxSpeed is where the emulated displays would have to write faster than the
// scheduler keeps apart.
const maxSpeed = 240

// toldFile is the file in the demo's folder that every message is added to, a line of
// JSON each.
const toldFile = "told.jsonl"

func toldTOML(path string) string {
	return fmt.Sprintf(`
# Whom to tell: a program that adds each message to a file.
[[notify]]
name = "told"
command = ["tee", "-a", %s]
at_least = "low"
resolved = true
`, strconv.Quote(path))
}

// demoLimits let the emulated runaway be told at low priority long before it is
// high: two minutes after it begins its limit may be one minute away, or half an
// hour, and three minutes before it gets there none is sure.
const demoLimits = `
[limits]
runaway_within = "18s"
`

// Run emulates amplifier and meters and lets the ordinary daemon watch them.
// Only this command knows that it is a demo: the daemon gets two files and
// the paths of five terminals.
func (c *demoCmd) Run(a *app) error {
	if !(c.Speed > 0 && c.Speed <= maxSpeed) {
		return usage(fmt.Errorf("demo: --speed=%g: choose above 0 and up to %d", c.Speed, maxSpeed))
	}
	if c.For < 0 {
		return usage(fmt.Errorf("demo: --for=%s: choose how long, or leave it out", c.For))
	}
	if _, _, err := net.SplitHostPort(c.Listen); err != nil {
		return usage(fmt.Errorf("demo: --listen=%s: write host:port, for example 127.0.0.1:8417", c.Listen))
	}
	dir, err := c.dir()
	if err != nil {
		return err
	}
	// Before anything is written: another demo may be using this folder.
	store, err := record.Open(dir)
	if err == nil {
		err = store.Close()
	}
	if err != nil {
		return err
	}
	amp, err := emulate.NewAmp(emulate.Config{Seed: 1187, Fault: c.Fault})
	if err != nil {
		return usage(err)
	}
	ports := filepath.Join(dir, "ports")
	if err := os.MkdirAll(ports, 0o755); err != nil {
		return err
	}
	rigCtx, stopRig := context.WithCancel(context.Background())
	defer stopRig()
	rig, err := emulate.Start(rigCtx, acquire.NewClock(0, c.Speed), amp, ports)
	if err != nil {
		return err
	}
	defer rig.Close()
	// This contactor is a new one, started by hand: what the last demo in this folder
	// dropped is not this one's.
	if err := os.Remove(filepath.Join(dir, "cutoff.json")); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	relay, err := emulate.NewRelay(amp, filepath.Join(ports, "relay"))
	if err != nil {
		return err
	}
	defer relay.Close()

	f := files{Bench: filepath.Join(dir, "bench.toml"), Job: filepath.Join(dir, "job.toml")}
	text := rig.BenchTOML(dir, c.Listen) + toldTOML(filepath.Join(dir, toldFile)) + relay.CutoffTOML()
	if err := errors.Join(writeFile(f.Bench, []byte(text)), writeFile(f.Job, []byte(emulate.JobTOML()+demoLimits))); err != nil {
		return err
	}
	b, j, err := f.load()
	if err != nil {
		return err
	}
	d, err := newDaemon(b, c.Speed, a.log)
	if err != nil {
		return err
	}
	report, err := c.watch(a, d, j)
	if err := errors.Join(err, d.close()); err != nil {
		return err
	}
	_, err = fmt.Fprintln(a.out, "report:", report)
	return err
}

func (c *demoCmd) dir() (string, error) {
	if c.Dir == "" {
		return os.MkdirTemp("", "nightsoak-demo-")
	}
	dir, err := filepath.Abs(c.Dir)
	if err != nil {
		return "", err
	}
	return dir, os.MkdirAll(dir, 0o755)
}

// watch runs the daemon until it is time, ends the run and writes its report.
func (c *demoCmd) watch(a *app, d *daemon, j *bench.Job) (report string, err error) {
	until := a.ctx
	if c.For > 0 {
		var cancel context.CancelFunc
		until, cancel = context.WithTimeout(a.ctx, c.For)
		defer cancel()
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	served := make(chan error, 1)
	go func() {
		served <- d.serve(ctx, j, func(url string) {
			fmt.Fprintf(a.out, "panel: %s\nrecord: %s\nrun: %s\n", url, d.bench.DataDir, d.run.info.ID)
			if c.Fault != emulate.None {
				a.log.Info().Msgf("emulated: %g times as fast as life; the fault (%s) begins 20 min of run time after HT comes up, in about %.0f s; Ctrl-C ends the run and writes its report",
					c.Speed, c.Fault, 1200/c.Speed)
			}
		})
	}()
	select {
	case err := <-served:
		return "", err
	case <-until.Done():
	}
	ending, cancel := context.WithTimeout(context.Background(), flushWait)
	defer cancel()
	if err := d.Act(ending, alarms.Act{Act: "end"}); err != nil && !errors.Is(err, alarms.ErrRefused) {
		return "", err // refused: somebody ended it in the panel already
	}
	id := d.State().RunID
	stop()
	if err := <-served; err != nil {
		return "", err
	}
	var page bytes.Buffer
	if err := d.Report(ending, &page, id, "", ".html"); err != nil {
		return "", err
	}
	report = filepath.Join(d.bench.DataDir, id+".html")
	return report, writeFile(report, page.Bytes())
}
