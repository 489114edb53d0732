package report

import (
	"time"

	"nightsoak/alarms"
	"nightsoak/export/report/chart"
)

// viewCheck is a departure check or a drill: the last of each.
type viewCheck struct {
	act                  string
	Title, Words, Source string
	Lines                []alarms.Finding
}

// checks are the last departure check and the last drill of the run.
func (f *facts) checks() (all []viewCheck) {
	for _, c := range []viewCheck{
		{act: "walkaway", Title: "Departure check", Source: "What was in place at that moment, on these meters and by these persons’ word. It gave no permission: whether a live amplifier may be left alone is for local rules and licensed practice."},
		{act: "drill", Title: "Drill", Source: "A fault given to a copy of the core. Nothing of it happened, and its readings are not among this run’s."},
	} {
		for i := range f.Events {
			if e := &f.Events[i]; e.Event == alarms.EventAct && e.Act == c.act {
				c.Words, c.Lines = "At "+chart.ClockSeconds(time.Duration(e.T))+" ("+f.wall(time.Duration(e.T))+")", e.Lines
				if e.By != "" {
					c.Words += ", by " + e.By
				}
				c.Words += ": " + e.Text + "."
			}
		}
		if c.Lines != nil {
			all = append(all, c)
		}
	}
	return all
}

// What is a finding in words, with why it was waived.
func (viewCheck) What(l alarms.Finding) string {
	if l.Why != "" {
		return l.Text + " (waived: " + l.Why + ")"
	}
	return l.Text
}
