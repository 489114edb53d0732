package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"text/tabwriter"
	"time"

	"nightsoak/alarms"
	"nightsoak/export/record"
)

type runsCmd struct {
	Run_ string `arg:"" optional:"" name:"RUN" help:"How well this run's alarms served: its id, the beginning of one, or a ticket."`
	dataDir
	JSON bool `help:"As JSON."`
}

// listedRun is a run with how often its alarms asked for a person.
type listedRun struct {
	record.Info
	Alarms  int     `json:"alarms"`
	PerHour float64 `json:"alarms_per_hour"`
}

// Run lists the records, newest first, or says how well one run's alarms served.
func (c *runsCmd) Run(a *app) error {
	s, err := c.reader()
	if err != nil {
		return err
	}
	defer s.Close()
	if c.Run_ != "" {
		return c.quality(a, s)
	}
	runs, err := s.Runs()
	if err != nil {
		return err
	}
	list := make([]listedRun, len(runs))
	for i, r := range runs {
		q, err := qualityOf(s, r)
		if err != nil {
			return err
		}
		list[i] = listedRun{r, q.Told, q.PerHour}
	}
	if c.JSON {
		return json.NewEncoder(a.out).Encode(list)
	}
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "RUN\tTICKET\tSTARTED (UTC)\tLENGTH\tREADINGS\tEVENTS\tALARMS/H\t")
	for _, r := range list {
		state := ""
		switch {
		case r.Ended == nil:
			state = "unfinished"
		case r.Kept:
			state = "kept"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\t%d\t%.3g\t%s\n", r.ID, r.Ticket, r.Started.UTC().Format("2006-01-02 15:04"), clock(r.Advanced), r.Readings, r.Events, r.PerHour, state)
	}
	return w.Flush()
}

// quality prints one run's figures beside their benchmarks.
func (c *runsCmd) quality(a *app, s *record.Store) error {
	info, err := s.Find(c.Run_)
	if err != nil {
		return usage(err)
	}
	q, err := qualityOf(s, info)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(a.out).Encode(q)
	}
	fmt.Fprintf(a.out, "run %s, watched for %s; alarms that asked for a person: %d\n", info.ID, clock(time.Duration(q.Watched)), q.Told)
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "FIGURE\tTARGET\tMANAGEABLE\t\tTHIS RUN")
	for _, l := range q.Lines() {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", l.Name, l.Target, l.Manageable, l.Mark, l.Figure)
	}
	fmt.Fprintf(w, "targets: %s; of one run they say which way it leans\n", alarms.PerHour.Source)
	return w.Flush()
}

// qualityOf measures the recorded alarms of a run.
func qualityOf(s *record.Store, info record.Info) (alarms.Quality, error) {
	var events []alarms.Event
	for line, err := range s.Events(info.ID) {
		if err != nil {
			return alarms.Quality{}, err
		}
		if !bytes.Contains(line, []byte(`"event":"alarm"`)) && !bytes.Contains(line, []byte(`"event":"gap"`)) {
			continue
		}
		var ev alarms.Event
		if err := json.Unmarshal(line, &ev); err != nil {
			return alarms.Quality{}, fmt.Errorf("run %s: an event that this version cannot read: %w", info.ID, err)
		}
		events = append(events, ev)
	}
	return alarms.MeasureQuality(events, info.Advanced), nil
}
