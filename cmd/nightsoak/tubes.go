package main

import (
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"

	"nightsoak/acquire/tube"
)

type tubesCmd struct {
	Type string `arg:"" optional:"" name:"TYPE" help:"One type; all without."`
	JSON bool   `help:"As JSON."`
}

// Run shows handbook ratings.
func (c *tubesCmd) Run(a *app) error {
	types := tube.All()
	if c.Type != "" {
		t, err := tube.Find(c.Type)
		if err != nil {
			return usage(err)
		}
		types = []tube.Type{*t}
	}
	switch {
	case c.JSON:
		return json.NewEncoder(a.out).Encode(types)
	case c.Type != "":
		return printTube(a.out, &types[0])
	}
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "TYPE\tPLATE\tRATING\tBASE\tCHECKED\tSOURCE")
	for _, t := range types {
		fmt.Fprintf(w, "%s\t%g W\t%s\t%s\t%s\t%s\n", t.Name, t.PlateDissipation, t.System, t.Base, t.Mark, t.Source)
	}
	return w.Flush()
}

func printTube(out io.Writer, t *tube.Type) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	row := func(what, format string, args ...any) {
		fmt.Fprintf(w, "  %s\t"+format+"\n", append([]any{what}, args...)...)
	}
	fmt.Fprintln(w, t.Name)
	rating := func(r *tube.Rating) {
		row("plate dissipation", "%g W, %s", r.PlateDissipation, r.System)
		for _, x := range []struct {
			what, unit string
			v          float64
		}{{"screen dissipation", "W", r.ScreenDissipation}, {"plate volts", "V", r.PlateVolts}, {"screen volts", "V", r.ScreenVolts}, {"cathode current", "mA", 1000 * r.CathodeCurrent}} {
			if x.v > 0 {
				row(x.what, "%g %s at most", x.v, x.unit)
			}
		}
		row("source", "%s (%s)", r.Source, r.Mark)
	}
	rating(&t.Rating)
	if t.HeaterVolts > 0 {
		row("heater", "%g V", t.HeaterVolts)
	}
	row("base", "%s: plate %s, cathode %s, screen %s, grid %s", dash(t.Base), dash(t.PlatePin), dash(t.CathodePin), dash(t.ScreenPin), dash(t.GridPin))
	if t.PinNote != "" {
		row("at the socket", "%s", t.PinNote)
	}
	if t.ScreenShareHigh > 0 {
		row("screen current", "%.3g to %.3g %% of the cathode current at idle, by published sheets; shown, never applied", 100*t.ScreenShareLow, 100*t.ScreenShareHigh)
	}
	for i := range t.Also {
		fmt.Fprintln(w, "also published, not used unless the job says so:")
		rating(&t.Also[i])
	}
	return w.Flush()
}

func dash(s string) string {
	if s == "" {
		return "not known"
	}
	return s
}
