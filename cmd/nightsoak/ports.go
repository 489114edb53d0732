package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"text/tabwriter"

	"nightsoak/acquire/port"
	"nightsoak/drivers/catalogue"
)

type portsCmd struct {
	JSON bool `help:"As JSON."`
}

// Run lists the serial ports found.
func (c *portsCmd) Run(a *app) error {
	ports, err := port.List()
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(a.out).Encode(ports)
	}
	if len(ports) == 0 {
		_, err := fmt.Fprintln(a.out, "no serial ports found: is the adaptor plugged in?")
		return err
	}
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "PORT\tUSB\tADAPTOR\tIN USE BY\tSTABLE NAME")
	for _, p := range ports {
		usb := "-"
		if p.VID != "" {
			usb = p.VID + ":" + p.PID
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", p.Port, usb, cmp.Or(p.Product, "-"), cmp.Or(p.InUseBy, "-"), cmp.Or(p.ByID, "-"))
	}
	return w.Flush()
}

type formatsCmd struct {
	JSON bool `help:"As JSON."`
}

// Run lists the wire formats.
func (c *formatsCmd) Run(a *app) error {
	type row struct {
		Name   string `json:"name"`
		Line   string `json:"line"`
		Kind   string `json:"kind"`
		Source string `json:"source"`
	}
	var rows []row
	for _, f := range catalogue.All() {
		rows = append(rows, row{f.Name, f.Line, f.Kind(), f.Source})
	}
	if c.JSON {
		return json.NewEncoder(a.out).Encode(rows)
	}
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "FORMAT\tLINE\tMETER\tLAYOUT FROM")
	for _, r := range rows {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", r.Name, cmp.Or(r.Line, "-"), r.Kind, r.Source)
	}
	return w.Flush()
}
