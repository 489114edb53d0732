package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
	"nightsoak/export/lines"
)

type exportCmd struct {
	Run_      string        `arg:"" name:"RUN" help:"The run: its id, the beginning of one, or a ticket."`
	To        string        `required:"" placeholder:"URL" help:"Where, as 'to' of [[lines]] in a bench file. If the run's own bench file has that address, its settings hold here too."`
	TokenFile string        `placeholder:"FILE" help:"File with the token, for http and https."`
	Precision string        `placeholder:"P" help:"Of the stamps: ns, us, ms or s."`
	Every     time.Duration `placeholder:"D" help:"Mean, min and max over so long in place of every reading."`
	dataDir
}

// Run judges a recorded run again and sends its lines, the same that the daemon
// sent or would have sent while it was on. A database that goes by series and
// stamp may have some of them already.
func (c *exportCmd) Run(a *app) (err error) {
	s, err := c.reader()
	if err != nil {
		return err
	}
	defer s.Close()
	info, err := s.Find(c.Run_)
	if err != nil {
		return usage(err)
	}
	b, j, err := filesOf(info)
	if err != nil {
		return err
	}
	set := bench.Lines{To: c.To, Batch: 5000}
	if i := slices.IndexFunc(b.Lines, func(l bench.Lines) bool { return l.To == c.To }); i >= 0 {
		set = b.Lines[i]
	}
	if c.TokenFile != "" {
		set.TokenFile = c.TokenFile
	}
	if c.Precision != "" {
		set.Precision = c.Precision
	}
	if c.Every != 0 {
		set.Every = c.Every
	}
	if c.Every < 0 || set.Precision == "s" && set.Every < time.Second {
		return usage(errors.New("--every must be above 0, and with --precision s at least 1s, or readings share a stamp"))
	}
	set.Spool = 0 // the record is there: nothing needs to be kept beside it
	opts := linesOptions(set, "", a.log)
	opts.Strict = true
	o, err := lines.Open(opts)
	if err != nil {
		return usage(err)
	}
	defer context.AfterFunc(a.ctx, func() { o.Abort(a.ctx.Err()) })()
	run := lines.Run{Bench: info.Bench, Ticket: info.Ticket, ID: info.ID}
	at := func(t time.Duration) time.Time { return info.Started.Add(t) }
	e := alarms.New(b, j)
	e.OnFigures = func(i int, t time.Duration, f socket.Figures) {
		o.Socket(run, at(t), &alarms.SocketState{Name: j.Sockets[i].Name, Tube: j.Sockets[i].Tube.Name, Figures: f})
	}
	readings, events := 0, 0
	err = judge(e, func(yield func(alarms.Input, error) bool) {
		for in, err := range s.Inputs(info.ID) {
			if err == nil {
				err = errors.Join(a.ctx.Err(), o.Err())
			}
			if !yield(in, err) {
				return
			}
			if in.Act == nil && in.Port == nil && in.Gap == nil && in.Reading.HasValue() {
				o.Meter(run, at(in.T), b.Meters[in.Meter].Name, in.Reading)
				readings++
			}
		}
	}, info.Advanced, func(ev alarms.Event) error {
		o.Event(run, at(time.Duration(ev.T)), &ev)
		events++
		return nil
	})
	drain, cancel := context.WithTimeout(a.ctx, time.Minute)
	defer cancel()
	if closed := o.Close(drain); err == nil { // else what is left is left because of it
		err = closed
	}
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.out, "run %s: %d readings and %d events sent, with the figures of each socket\n", info.ID, readings, events)
	return err
}
