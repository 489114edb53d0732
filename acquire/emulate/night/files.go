package night

import (
	"fmt"
	"strings"
	"time"
)

const benchName = "night"

// benchText is the bench file.
func (p *plan) benchText() string {
	var b strings.Builder
	fmt.Fprintf(&b, "name = %q\n", benchName)
	for i := range p.meters {
		m := &p.meters[i]
		fmt.Fprintf(&b, "\n[[meter]]\nname = %q\nport = %q\nformat = %q\naccuracy = %q\nsilent_after = %q\n",
			m.name, fmt.Sprintf(m.port, i+1), m.format, m.accuracy, seconds(m.silentAfter))
		if m.asked {
			fmt.Fprintf(&b, "every = %q\n", seconds(m.every).Round(time.Millisecond))
		}
		if m.format == "scpi" {
			function := "VOLT:DC"
			if m.source == heaterMeter {
				function = "VOLT:AC"
			}
			fmt.Fprintf(&b, "function = %q\n", function)
		}
	}
	return b.String()
}

// jobText is the job file. target is the idle target as a ratio, 0 for none.
func (p *plan) jobText(target float64) string {
	c := p.circuit
	var b strings.Builder
	fmt.Fprintf(&b, "ticket = \"N-%s-%d\"\namplifier = %q\n", p.kind, p.seed, c.words)
	if c.cathode {
		b.WriteString("bias = \"cathode\"\n")
	}
	if target > 0 {
		fmt.Fprintf(&b, "idle_target = \"%.0f%%\"\n", 100*target)
	}
	for i := range c.tubes {
		t := &c.tubes[i]
		fmt.Fprintf(&b, "\n[[socket]]\nname = %q\ntube = %q\n", t.name, c.tube)
		if t.half != "" {
			fmt.Fprintf(&b, "half = %q\n", t.half)
		}
		meter, shared := p.senseMeter(i), ""
		if c.shared {
			shared = fmt.Sprintf(", shared_by = %d", c.sockets)
		}
		fmt.Fprintf(&b, "sense = { meter = %q, ohms = %.1f, tolerance = \"1%%\"%s }\n", p.meters[meter].name, c.nominal, shared)
		if k := p.meterOf(plateVolts); k >= 0 {
			fmt.Fprintf(&b, "plate = { meter = %q }\n", p.meters[k].name)
		}
	}
	if k := p.meterOf(heaterMeter); k >= 0 {
		// ±10 %, which is the general tolerance of receiving tubes (practice).
		fmt.Fprintf(&b, "\n[[watch]]\nname = %q\nmeter = %q\nunit = \"V\"\nlow = 5.67\nhigh = 6.93\n", heaterWatch, p.meters[k].name)
	}
	return b.String()
}

const heaterWatch = "heater"

// meterOf is the index of the meter that looks at a source, -1 for none.
func (p *plan) meterOf(source int) int {
	for i := range p.meters {
		if p.meters[i].source == source {
			return i
		}
	}
	return -1
}

// senseMeter is the index of the meter that senses a socket.
func (p *plan) senseMeter(socket int) int {
	if p.circuit.shared {
		socket = 0
	}
	return p.meterOf(socket)
}
