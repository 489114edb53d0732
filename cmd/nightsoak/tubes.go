package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"strings"
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

// printTube shows a type in full; a figure that stands on a weaker mark than its
// rating's says so itself.
func printTube(out io.Writer, t *tube.Type) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	row := func(what, format string, args ...any) {
		fmt.Fprintf(w, "  %s\t"+format+"\n", append([]any{what}, args...)...)
	}
	fmt.Fprintln(w, strings.Join(append([]string{t.Name}, t.Aliases...), ", "))
	rating := func(r *tube.Rating) {
		row("plate dissipation", "%g W, %s%s", r.PlateDissipation, r.System, marked(r, "rating_system"))
		for _, x := range []struct {
			what, name, unit string
			v                float64
		}{
			{"screen dissipation", "screen_dissipation_w", "W", r.ScreenDissipation},
			{"plate volts", "plate_volts_max", "V", r.PlateVolts},
			{"screen volts", "screen_volts_max", "V", r.ScreenVolts},
			{"cathode current", "cathode_current_max_a", "mA", 1000 * r.CathodeCurrent},
			{"grid circuit, fixed bias", "grid_ohms_fixed_max", "kΩ", r.GridOhmsFixed / 1000},
			{"grid circuit, cathode bias", "grid_ohms_cathode_max", "kΩ", r.GridOhmsCathode / 1000},
		} {
			if x.v > 0 {
				row(x.what, "%g %s at most%s", x.v, x.unit, marked(r, x.name))
			}
		}
		if r.GridNote != "" {
			row("", "%s", r.GridNote)
		}
		row("source", "%s (%s)", r.Source, r.Mark)
	}
	rating(&t.Rating)
	if t.HeaterVolts > 0 {
		row("heater", "%g V%s, %g A%s", t.HeaterVolts, marked(&t.Rating, "heater_volts"), t.HeaterAmperes, marked(&t.Rating, "heater_amperes"))
	}
	pins := "pins not known"
	if t.PlatePin != "" {
		pins = fmt.Sprintf("plate %s, cathode %s, screen %s, grid %s%s", t.PlatePin, t.CathodePin, cmp.Or(t.ScreenPin, "none"), t.GridPin, marked(&t.Rating, "pins"))
	}
	row("base", "%s: %s", cmp.Or(t.Base, "not known"), pins)
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

// marked is the weaker mark of a figure, named as in JSON, in brackets; empty
// where it stands on the rating's own.
func marked(r *tube.Rating, name string) string {
	if m := r.Weaker[name]; m != "" {
		return " (" + string(m) + ")"
	}
	return ""
}
