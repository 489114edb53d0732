package main

import (
	"encoding/json"
	"fmt"

	"nightsoak/acquire/socket"
	"nightsoak/acquire/tube"
)

type biasCmd struct {
	Tube       string    `required:"" placeholder:"TYPE" help:"Tube type, see nightsoak tubes."`
	PlateVolts float64   `required:"" placeholder:"V" help:"Plate to cathode, volt."`
	SenseOhms  float64   `default:"1" placeholder:"R" help:"Cathode resistor, ohm."`
	Percent    []float64 `default:"60,65,70" help:"Shares of the plate dissipation limit."`
	JSON       bool      `help:"As JSON."`
}

// biasTarget is one line of the answer; amperes and volts.
type biasTarget struct {
	Percent float64 `json:"percent"`
	Current float64 `json:"current_a"`
	Sense   float64 `json:"sense_v"`
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
		targets = append(targets, biasTarget{p, socket.Round(i), socket.Round(v)})
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
	if t.Filament {
		return nil // no screen to speak of, and class AB is not its usual work
	}
	_, err = fmt.Fprintln(a.out, "A cathode resistor carries the screen current too: taken as plate current, the tube runs a little cooler than shown.\n"+
		"Idle at 60 to 70 % is common practice for fixed bias, not a rating.")
	return err
}
