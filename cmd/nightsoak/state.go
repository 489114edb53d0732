package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"
	"time"
)

type stateCmd struct {
	JSON bool `help:"As JSON, as /api/state gives it."`
	remote
}

// Run shows what the running daemon sees.
func (c *stateCmd) Run(a *app) error {
	b, err := c.call(a.ctx, "/api/state", nil)
	if err != nil {
		return err
	}
	if c.JSON {
		_, err := a.out.Write(append(bytes.TrimSpace(b), '\n'))
		return err
	}
	var s remoteState
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("%s does not answer like this version's daemon: %w", c.At, err)
	}
	return s.print(a.out)
}

// remoteState is what a person wants of /api/state; nil is unknown.
type remoteState struct {
	Bench string
	Run   *struct {
		ID, Ticket, Phase string
		T                 float64
	}
	HT struct {
		Volts   *float64
		Charged *bool
	}
	Amplifier struct {
		Current   *float64 `json:"ht_current_a"`
		Watts     *float64 `json:"power_w"`
		Fuse      *float64 `json:"fuse_ratio"`
		Imbalance *float64
	}
	Sockets []struct {
		Name, Tube string
		Current    *float64 `json:"cathode_current_a"`
		Plate      *float64 `json:"plate_current_a"`
		Watts      *float64 `json:"plate_dissipation_w"`
		Ratio      *float64 `json:"dissipation_ratio"`
		Settled    bool
		AsFound    *remoteIdle `json:"as_found"`
		AsLeft     *remoteIdle `json:"as_left"`
	}
	Meters []struct {
		Name, State, Reading, Unit string
		Age                        *float64 `json:"age_s"`
	}
	Alarms []remoteAlarm
	Cutoff struct{ State, Why, Proof string }
	First  *struct {
		Mains *float64 `json:"mains_volts"`
		Limit *float64 `json:"ht_at_most_volts"`
	} `json:"first_power"`
}

// remoteAlarm is one alarm that is not normal.
type remoteAlarm struct{ ID, Priority, State, Text, Advice, Cause, Consequence, Within string }

// remoteIdle is what a socket idled at, once.
type remoteIdle struct {
	T       float64
	Current *float64 `json:"cathode_current_a"`
	Plate   *float64 `json:"plate_current_a"`
	Volts   *float64 `json:"plate_volts"`
	Ratio   *float64 `json:"dissipation_ratio"`
}

func (i *remoteIdle) print(w io.Writer, socket, as string) {
	if i != nil {
		fmt.Fprintf(w, "%s\tas %s\t%s\t%s\t%s\tat %s\n", socket, as, figure(cmp.Or(i.Current, i.Plate), 1000, "mA"), figure(i.Volts, 1, "V"),
			share(i.Ratio, "its limit"), clock(time.Duration(i.T*float64(time.Second))))
	}
}

// htWords say what the probe reads, and that it proves no other place dead.
func (s *remoteState) htWords() string {
	volts := "HT at this probe " + figure(s.HT.Volts, 1, "V")
	switch up := s.Run != nil && (s.Run.Phase == "warm-up" || s.Run.Phase == "soak"); {
	case s.HT.Volts == nil:
		return "HT unknown, treat as charged"
	case s.HT.Charged == nil:
		return volts + ": this reading proves nothing, treat as charged"
	case !*s.HT.Charged:
		return volts + ": prove every capacitor dead before touching"
	case up:
		return volts
	}
	return volts + ": still charged"
}

func (s *remoteState) print(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if s.Run == nil {
		fmt.Fprintf(w, "bench %s: no run is on\n", s.Bench)
	} else {
		fmt.Fprintf(w, "bench %s, run %s: %s, %s since it began\n", s.Bench, s.Run.ID, s.Run.Phase, clock(time.Duration(s.Run.T*float64(time.Second))))
	}
	fmt.Fprintln(w, s.htWords())
	if f := s.First; f != nil {
		limit, mains := "no HT expected", ""
		if f.Limit != nil {
			limit = "HT at most " + figure(f.Limit, 1, "V")
		}
		if f.Mains != nil {
			mains = ", mains " + figure(f.Mains, 1, "V")
		}
		fmt.Fprintf(w, "first power-up: %s%s\n", limit, mains)
	}
	if c := s.Cutoff; c.State != "absent" {
		fmt.Fprintf(w, "cut-off %s%s%s\n", c.State, in(" (", c.Proof, ")"), in(": ", c.Why, ""))
	}
	for _, x := range s.Sockets {
		settled := "not settled"
		if x.Settled {
			settled = "settled"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", x.Name, x.Tube, figure(cmp.Or(x.Current, x.Plate), 1000, "mA"), figure(x.Watts, 1, "W"), share(x.Ratio, "its limit"), settled)
	}
	if a := s.Amplifier; len(s.Sockets) > 0 {
		fuse, halves := "", ""
		if a.Fuse != nil {
			fuse = share(a.Fuse, "the HT fuse")
		}
		if a.Imbalance != nil {
			halves = fmt.Sprintf("half a %+.1f %% from b", 100**a.Imbalance)
		}
		fmt.Fprintf(w, "all\toutput tubes\t%s\t%s\t%s\t%s\n", figure(a.Current, 1000, "mA"), figure(a.Watts, 1, "W"), fuse, halves)
	}
	for _, x := range s.Sockets {
		x.AsFound.print(w, x.Name, "found")
		x.AsLeft.print(w, x.Name, "left")
	}
	for _, m := range s.Meters {
		if m.State == "port" {
			m.State = "port lost"
		}
		fmt.Fprintf(w, "%s\t%s\t%s %s\n", m.Name, m.State, m.Reading, m.Unit)
	}
	for _, x := range s.Alarms {
		fmt.Fprintf(w, "%s, %s, %s: %s\n    %s\n", x.ID, x.Priority, x.State, x.Text, x.Advice)
		if x.Cause != "" {
			fmt.Fprintf(w, "    Act %s. Likely cause: %s If nobody does: %s\n", x.Within, x.Cause, x.Consequence)
		}
	}
	return w.Flush()
}

// in is a text between two others; nothing where it is empty.
func in(before, text, after string) string {
	if text == "" {
		return ""
	}
	return before + text + after
}

func share(ratio *float64, of string) string {
	if ratio == nil {
		return "share unknown"
	}
	return fmt.Sprintf("%.1f %% of %s", 100**ratio, of)
}

func figure(v *float64, scale float64, unit string) string {
	if v == nil {
		return "unknown"
	}
	return fmt.Sprintf("%.1f %s", *v*scale, unit)
}
