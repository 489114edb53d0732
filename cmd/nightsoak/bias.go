package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/socket"
	"nightsoak/acquire/tube"
	"nightsoak/drivers"
)

type biasCmd struct {
	Tube       string    `required:"" placeholder:"TYPE" help:"Tube type, see nightsoak tubes."`
	PlateVolts float64   `required:"" placeholder:"V" help:"Plate to cathode, volt."`
	SenseOhms  float64   `default:"1" placeholder:"R" help:"Cathode resistor, ohm."`
	Percent    []float64 `default:"60,65,70" help:"Shares of the plate dissipation limit."`
	JSON       bool      `help:"As JSON."`

	Budget        bool       `help:"How sure each target is, input by input."`
	Tolerance     percentage `default:"1%" help:"Of the cathode resistor, for the budget."`
	Accuracy      accuracy   `default:"0.5% + 3" help:"Of the meters: of reading + counts of the last digit."`
	PlateAccuracy accuracy   `placeholder:"A" help:"Of the plate meter, where it is another."`
	SenseDigit    digit      `default:"0.1 mV" help:"Last digit of the sense meter in the range in use."`
	PlateDigit    digit      `default:"1 V" help:"Last digit of the plate meter."`
}

// biasTarget is one line of the answer; amperes and volts.
type biasTarget struct {
	Percent float64        `json:"percent"`
	Current float64        `json:"current_a"`
	Sense   float64        `json:"sense_v"`
	Budget  *socket.Budget `json:"budget,omitempty"`
}

// Run works out the idle targets.
func (c *biasCmd) Run(a *app) error {
	t, err := tube.Find(c.Tube)
	if err != nil {
		return usage(err)
	}
	for _, x := range append([]float64{c.PlateVolts, c.SenseOhms}, c.Percent...) {
		if !(x > 0 && x < 1e5) {
			return usage(fmt.Errorf("bias: %g: plate volts, ohms and percent must be above 0", x))
		}
	}
	var targets []biasTarget
	for _, p := range c.Percent {
		i, v := socket.Target(t.PlateDissipation, c.PlateVolts, p/100, c.SenseOhms)
		x := biasTarget{Percent: p, Current: socket.Round(i), Sense: socket.Round(v)}
		if c.Budget {
			if x.Budget, err = c.budget(t, v); err != nil {
				return usage(err)
			}
		}
		targets = append(targets, x)
	}
	if c.JSON {
		return json.NewEncoder(a.out).Encode(struct {
			Tube       string       `json:"tube"`
			Limit      float64      `json:"limit_w"`
			PlateVolts float64      `json:"plate_volts"`
			SenseOhms  float64      `json:"sense_ohms"`
			Targets    []biasTarget `json:"targets"`
		}{t.Name, t.PlateDissipation, c.PlateVolts, c.SenseOhms, targets})
	}
	fmt.Fprintf(a.out, "%s: %g W at the plate (%s, %s; %s)\n", t.Name, t.PlateDissipation, t.System, t.Source, t.Mark)
	for _, x := range targets {
		fmt.Fprintf(a.out, "%5.1f %%  %6.1f mA  %7.1f mV across %g Ω at %g V plate to cathode\n", x.Percent, 1000*x.Current, 1000*x.Sense, c.SenseOhms, c.PlateVolts)
	}
	for _, x := range targets {
		if x.Budget != nil {
			printBudget(a.out, x.Budget)
		}
	}
	if t.Filament {
		return nil // no screen to speak of, and class AB is not its usual work
	}
	_, err = fmt.Fprintln(a.out, "A cathode resistor carries the screen current too: taken as plate current, the tube runs a little cooler than shown.\n"+
		"Idle at 60 to 70 % is common practice for fixed bias, not a rating.")
	return err
}

// budget is the uncertainty budget of a target: of what the two meters show
// there, in the digits they have. The plate meter reads to chassis.
func (c *biasCmd) budget(t *tube.Type, senseVolts float64) (*socket.Budget, error) {
	s := bench.Socket{
		Tube: t, Limit: t.PlateDissipation, Sense: bench.Sense{Ohms: c.SenseOhms, Tolerance: float64(c.Tolerance)},
		CathodeMeter: -1, ScreenMeter: -1,
	}
	plate := c.PlateAccuracy
	if !plate.Given {
		plate = c.Accuracy
	}
	sense, supply := c.SenseDigit.reading(senseVolts), c.PlateDigit.reading(c.PlateVolts+senseVolts)
	if sense.Digits == 0 || supply.Digits == 0 {
		return nil, fmt.Errorf("bias: the last digits %s and %s show 0 at %.4g V and %.4g V: choose finer ones", drivers.Reading(c.SenseDigit), drivers.Reading(c.PlateDigit), senseVolts, c.PlateVolts)
	}
	b := socket.NewBudget(&s, socket.Measured{Sense: socket.Volts(sense, bench.Accuracy(c.Accuracy)), Plate: socket.Volts(supply, bench.Accuracy(plate))})
	return &b, nil
}

// printBudget shows a budget as a table; uncertainties to two digits (GUM 7.2.6).
func printBudget(out io.Writer, b *socket.Budget) {
	fmt.Fprintf(out, "\nUncertainty budget at %.2f %% of the limit, as the meters show it:\n", 100*b.Ratio)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "  INPUT\tESTIMATE\tSTANDARD UNCERTAINTY\tDISTRIBUTION\tSENSITIVITY\tCONTRIBUTION\tSHARE OF VARIANCE")
	for _, l := range b.Lines {
		fmt.Fprintf(w, "  %s\t%.6g %s\t%.2g %s\t%s\t%.4g %%/%s\t%.2g %%\t%.0f %%\n",
			l.Input, l.Estimate, l.Unit, l.Uncertainty, l.Unit, l.Distribution, 100*l.Sensitivity, l.Unit, 100*l.Contribution, 100*l.Share)
	}
	w.Flush()
	if b.Coverage == 0 {
		fmt.Fprintf(out, "  combined: not known; %s\n", b.Why)
		return
	}
	fmt.Fprintf(out, "  combined %.2g %%, expanded ±%.2g %% of the limit at 95 %%: %s\n", 100*b.U, 100*b.Expanded, b.Why)
}

// percentage is "1%", as a ratio.
type percentage float64

// UnmarshalText reads a percentage above 0.
func (p *percentage) UnmarshalText(text []byte) error {
	x, ok := percentOf(string(text))
	if !ok || x == 0 {
		return fmt.Errorf(`%q: must be a percentage above 0, such as "1%%"`, text)
	}
	*p = percentage(x)
	return nil
}

// percentOf reads a percentage from 0 to 100 as a ratio.
func percentOf(s string) (float64, bool) {
	figure, isPercent := strings.CutSuffix(strings.TrimSpace(s), "%")
	x, err := strconv.ParseFloat(strings.TrimSpace(figure), 64)
	return x / 100, isPercent && err == nil && x >= 0 && x <= 100
}

// accuracy is bench.Accuracy on the command line.
type accuracy bench.Accuracy

// UnmarshalText reads "0.5% + 3".
func (a *accuracy) UnmarshalText(text []byte) error {
	share, last, _ := strings.Cut(string(text), "+")
	ofReading, ok := percentOf(share)
	counts, err := strconv.ParseFloat(strings.TrimSpace(last), 64)
	if !ok || err != nil || !(counts >= 0 && counts <= 1e6) {
		return fmt.Errorf(`%q: must be percent of reading + counts of the last digit, such as "0.5%% + 3"`, text)
	}
	*a = accuracy{Given: true, OfReading: ofReading, Counts: counts}
	return nil
}

// digit is one count of a display, in volts: "0.1 mV".
type digit drivers.Reading

// UnmarshalText reads a power of ten and its unit.
func (d *digit) UnmarshalText(text []byte) error {
	figure := strings.TrimRight(string(text), "µumkV ")
	r, err := drivers.ParseReading(figure, strings.TrimSpace(string(text[len(figure):])), "")
	if err != nil || r.Quantity != drivers.Voltage || r.Digits != 1 {
		return fmt.Errorf(`%q: must be one count of the last digit in volts, such as "0.01 mV", "0.1 mV" or "1 V"`, text)
	}
	*d = digit(r)
	return nil
}

// reading is what a display of that last digit shows of volts.
func (d digit) reading(volts float64) drivers.Reading {
	r := drivers.Reading(d)
	r.Digits = int64(math.Round(volts / r.Resolution()))
	return r
}
