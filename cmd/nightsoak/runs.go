package main

import (
	"encoding/json"
	"fmt"
	"text/tabwriter"
)

type runsCmd struct {
	dataDir
	JSON bool `help:"As JSON."`
}

// Run lists the records, newest first.
func (c *runsCmd) Run(a *app) error {
	s, err := c.reader()
	if err != nil {
		return err
	}
	defer s.Close()
	runs, err := s.Runs()
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(a.out).Encode(runs)
	}
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "RUN\tTICKET\tSTARTED (UTC)\tLENGTH\tREADINGS\tEVENTS\t")
	for _, r := range runs {
		state := ""
		switch {
		case r.Ended == nil:
			state = "unfinished"
		case r.Kept:
			state = "kept"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\t%d\t%s\n", r.ID, r.Ticket, r.Started.UTC().Format("2006-01-02 15:04"), clock(r.Advanced), r.Readings, r.Events, state)
	}
	return w.Flush()
}
