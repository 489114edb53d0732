package alarms

import (
	"cmp"
	"math"
	"slices"

	"nightsoak/acquire/socket"
)

// amplifier is what the sockets come to together; k are their states of now.
//
// The HT current is the sum of what each draws from the HT. Across a cathode
// resistor that is the cathode current as sensed, plate and screen together,
// whether or not the screen's share is known. By transformer drop it is the
// plate current, and the screen's with it where that is known: without, the sum
// is at least. The power is what plates and screens dissipate. A screen current
// that is not known counts as plate current, so its power is in the plates'; of
// one that is known without screen volts the power is left out.
func (e *Engine) amplifier(k []SocketState) (a AmplifierState) {
	if len(k) == 0 {
		return a
	}
	drawn := make([]socket.Value, len(k))
	for i := range k {
		drawn[i] = cmp.Or(k[i].CathodeCurrent, k[i].PlateCurrent)
		// A current that runs backwards is sense leads the wrong way round.
		if !drawn[i].Known || drawn[i].X < -e.job.Limits.Conduction {
			return a
		}
	}
	a.HTCurrent = e.total(ones(k), drawn)
	if fuse := e.job.HTFuse; fuse > 0 {
		a.FuseRatio = socket.Value{X: a.HTCurrent.X / fuse, U: a.HTCurrent.U / fuse, Known: true}
	}
	a.Power = e.power(k)
	a.Imbalance = e.imbalanceOf(k)
	return a
}

// power is the dissipation of all plates and screens. The sockets have the
// plate meter and the screen supply's in common (GUM 5.2.2), so what the volts
// add to the uncertainty adds up linearly, over all sockets; what the currents
// add does so within a socket, and between sockets as total says.
func (e *Engine) power(k []SocketState) socket.Value {
	sum := socket.Value{Known: true}
	stated := true
	var common float64
	own := make([]socket.Value, len(k))
	for i := range k {
		f := &k[i].Figures
		if !f.PlateDissipation.Known {
			return socket.Value{}
		}
		sum.X += f.PlateDissipation.X + f.ScreenDissipation.X
		stated = stated && f.PlateDissipation.U > 0 && (f.ScreenDissipation.U > 0 || !f.ScreenDissipation.Known)
		own[i].U = float64(f.PlateVolts.X * f.PlateCurrent.U)
		common += float64(f.PlateCurrent.X * f.PlateVolts.U)
		if f.ScreenDissipation.Known {
			own[i].U += float64(f.ScreenVolts.X * f.ScreenCurrent.U)
			common += float64(f.ScreenCurrent.X * f.ScreenVolts.U)
		}
	}
	if stated {
		sum.U = hypot(e.total(ones(k), own).U, common)
	}
	return sum
}

// imbalanceOf is how far the plate current of half a is above that of half b,
// as a ratio of their mean. Where one resistor serves tubes of both halves
// there is no telling.
func (e *Engine) imbalanceOf(k []SocketState) socket.Value {
	var a, b float64
	for i := range k {
		switch p := k[i].PlateCurrent; {
		case k[i].Half == "":
		case !p.Known:
			return socket.Value{}
		case k[i].Half == "a":
			a += p.X
		default:
			b += p.X
		}
		for j := range i {
			if k[i].Half != k[j].Half && e.together(i, j) {
				return socket.Value{}
			}
		}
	}
	if !(a > 0 && b > 0) {
		return socket.Value{}
	}
	c, currents := make([]float64, len(k)), make([]socket.Value, len(k))
	for i := range k {
		currents[i] = k[i].PlateCurrent
		switch k[i].Half {
		case "a":
			c[i] = 4 * b / (a + b) / (a + b)
		case "b":
			c[i] = -4 * a / (a + b) / (a + b)
		}
	}
	return socket.Value{X: 2 * (a - b) / (a + b), U: e.total(c, currents).U, Known: true}
}

// neighbour is how far the plate current of socket i is from the mean of the
// others of its half, as a ratio of that. Those on one resistor with it say
// nothing: their current is the same figure.
func (e *Engine) neighbour(k []SocketState, i int) socket.Value {
	c, currents := make([]float64, len(k)), make([]socket.Value, len(k))
	var sum, n float64
	for j := range k {
		if k[j].Half != k[i].Half || j != i && e.together(i, j) {
			continue
		}
		if currents[j] = k[j].PlateCurrent; !currents[j].Known {
			return socket.Value{}
		}
		if j != i {
			c[j] = 1
			sum += currents[j].X
			n++
		}
	}
	mean := sum / n
	if !(mean > e.job.Limits.Conduction) {
		return socket.Value{}
	}
	x := currents[i].X
	for j := range c {
		c[j] *= -x / n / mean / mean
	}
	c[i] = 1 / mean
	return socket.Value{X: x/mean - 1, U: e.total(c, currents).U, Known: true}
}

func ones(k []SocketState) []float64 { return slices.Repeat([]float64{1}, len(k)) }

// together says whether two sockets are sensed across one resistor.
func (e *Engine) together(i, j int) bool { return e.sockets[i].meter == e.sockets[j].meter }

// total is the sum of the sockets' figures, each times its sensitivity c; c = 0
// leaves one out. Figures whose sense meters are independent combine by the
// GUM's eq. 10. Those of one instrument, and all that rest on windings, which
// warm together, are correlated (5.2.2): they add linearly, which is the most
// they can come to. U is 0, not stated, as soon as it is for one.
func (e *Engine) total(c []float64, v []socket.Value) socket.Value {
	sum := socket.Value{Known: true}
	stated := true
	var sources []string
	var parts []float64
	for i, s := range e.sockets {
		if c[i] == 0 {
			continue
		}
		sum.X += float64(c[i] * v[i].X)
		stated = stated && v[i].U > 0
		source := s.meter.Port
		if s.Sense.TransformerOhms > 0 {
			source = "windings"
		}
		at := slices.Index(sources, source)
		if at < 0 {
			at = len(sources)
			sources, parts = append(sources, source), append(parts, 0)
		}
		parts[at] += float64(math.Abs(c[i]) * v[i].U)
	}
	if stated {
		for _, p := range parts {
			sum.U = hypot(sum.U, p)
		}
	}
	return sum
}
