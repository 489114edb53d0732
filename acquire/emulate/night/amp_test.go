package night

import (
	"math"
	"testing"
)

// The tube laws against published operating points: plate, screen and grid
// volts, plate current and screen current of one tube. Sources stand beside;
// screen currents of 6L6GC, 6V6GT and EL84 push-pull are from memory of the
// same sheets.
func TestPublished(t *testing.T) {
	for _, c := range []struct {
		tube                string
		plate, screen, grid float64 // volt to cathode
		ia, ig2             float64 // milliampere
		within              float64
		source              string
	}{
		{"6L6GC", 450, 400, -37, 58, 2.8, 0.03, "Tung-Sol 6L6, 1960"},
		{"6L6GC", 360, 270, -22.5, 44, 2.5, 0.03, "Ei-RC 6L6GC"},
		{"6L6GC", 250, 250, -14, 72, 5, 0.03, "RCA 6L6-GC, 8-60"},
		{"6L6GC", 350, 250, -18, 54, 2.5, 0.03, "RCA 6L6-GC, 8-60"},
		{"6550-A", 450, 310, -29.5, 75, 4.5, 0.03, "GE 6550-A, 4-72"},
		{"6550-A", 600, 300, -32.5, 50, 2.5, 0.03, "GE 6550-A, 4-72"},
		{"6550-A", 450, 450, -48, 75, 6, 0.03, "GE 6550-A, 4-72"},
		{"6550-A", 400, 225, -16.5, 87, 4, 0.03, "GE 6550-A, 4-72"},
		{"6V6GT", 285, 285, -19, 35, 2, 0.03, "GE 6V6-GT ET-T914, Mar 1955"},
		{"6V6GT", 250, 250, -12.5, 45, 4.5, 0.03, "GE 6V6-GT ET-T914, Mar 1955"},
		{"6V6GT", 315, 225, -13, 34, 2.2, 0.03, "GE 6V6-GT ET-T914, Mar 1955"},
		// Pentodes: transcribed sheets disagree among themselves.
		{"EL34", 250, 250, -13.5, 100, 14.9, 0.30, "Mullard EL34"},
		{"EL34", 400, 393, -36, 30, 4.4, 0.30, "Mullard EL34, a transcribed sheet"},
		{"EL84", 300, 300, -10.4, 36, 4, 0.30, "Philips EL84, Jan 1969"},
		{"EL84", 300, 300, -14.7, 7.5, 0.8, 0.30, "Philips EL84, Jan 1969"},
		{"EL84", 250, 250, -7.3, 48, 5.5, 0.30, "Philips EL84, Jan 1969"},
	} {
		l := laws[c.tube]
		s := tubeSpec{law: l, x: 1.5}
		i, _, _ := s.space(c.grid + c.screen/l.mu2 + c.plate/l.mu1)
		if want := (c.ia + c.ig2) / 1000; math.Abs(i/want-1) > c.within {
			t.Errorf("%s at %g/%g/%g V: %.1f mA, %s says %.1f", c.tube, c.plate, c.screen, c.grid, 1000*i, c.source, 1000*want)
		}
	}
}

// What space says of its derivatives, by differences.
func TestSpace(t *testing.T) {
	s := tubeSpec{law: laws["6L6GC"], x: 1.45}
	const h = 1e-3
	for _, v := range []float64{-15, -5, -1, 0, 3, 12, 40, 120} {
		a, _, _ := s.space(v - h)
		b, slope, bend := s.space(v)
		c, _, _ := s.space(v + h)
		if d := (c - a) / (2 * h); math.Abs(d/slope-1) > 1e-4 {
			t.Errorf("%g V: slope %g, by differences %g", v, slope, d)
		}
		if d := (c - 2*b + a) / (h * h); math.Abs(d-bend) > 1e-3*math.Abs(bend)+1e-9 {
			t.Errorf("%g V: bend %g, by differences %g", v, bend, d)
		}
	}
}

// Amplifiers idle where they are trimmed to, answer to the mains by themselves
// and not by the three-halves law, and each tube a little differently.
func TestCircuits(t *testing.T) {
	below, above := 0, 0
	for k, class := range classes {
		for seed := range uint64(20) {
			c, err := newCircuit(roll(Quiet, seed, uint64(k)), class)
			if err != nil {
				t.Fatal(err)
			}
			var least, most float64
			for i := range c.tubes {
				s := &c.tubes[i]
				if a := c.settled(i, 0, 1); math.Abs(a/s.idle-1) > 0.005 {
					t.Errorf("%s, seed %d, %s: comes to rest at %.2f mA, idles at %.2f", class.words, seed, s.name, 1000*a, 1000*s.idle)
				}
				if share := s.watts / c.limit; share < class.idle.lo*(1-2*match)-0.06 || share > class.idle.hi*(1+2*match) {
					t.Errorf("%s, seed %d, %s: idles at %.2f of its limit", class.words, seed, s.name, share)
				}
				n := c.answer(i)
				if least == 0 {
					least, most = n, n
				}
				least, most = min(least, n), max(most, n)
			}
			if class.cathode {
				// Rk takes most of it back.
				if least < 0.7 || most > 1.6 {
					t.Errorf("%s, seed %d: answers %.2f to %.2f", class.words, seed, least, most)
				}
				continue
			}
			if least < answer.lo-0.4 || most > answer.hi+0.8 {
				t.Errorf("%s, seed %d: answers %.2f to %.2f", class.words, seed, least, most)
			}
			if most < 1.8 {
				below++
			}
			if least > 2.5 {
				above++
			}
		}
	}
	if below < 10 || above < 10 {
		t.Errorf("%d fixed-bias amplifiers answer by less than 1.8, %d by more than 2.5", below, above)
	}
}

// answer is d ln I over d ln mains of one tube, its heat as it is, by the law.
func (c *circuit) answer(i int) float64 {
	s := &c.tubes[i]
	at := func(mains float64) float64 {
		return bisect(0, 1, func(a float64) bool {
			vk := a * s.ohms
			if c.shared { // all answer alike
				vk *= (c.volts - c.noLoad) / -c.ohms / s.idle
			}
			grid := -c.bias*(c.follow*mains+1-c.follow) - vk
			space, _, _ := s.space(grid - vk/s.mu2 - vk/s.mu1 + mains*c.drive(s, c.volts))
			return a < limited(space, s.saturation)
		})
	}
	const h = 0.01
	return math.Log(at(1+h)/at(1-h)) / math.Log((1+h)/(1-h))
}

// The supply has a source resistance: when a tube dies HT rises, its neighbours
// with it, and a runaway pulls both down.
func TestSag(t *testing.T) {
	for k, up := range map[Kind]bool{DeadLifts: true, RunawayGas: false} {
		n := cheap(t, k)
		l := n.Labels[0]
		at := [2]float64{(l.Onset).Seconds() - 1, l.Met.Seconds() + 60}
		if l.Limit > 0 {
			at[1] = l.Limit.Seconds()
		}
		var ht, others [2]float64
		for s := range n.Truth() {
			for j := range at {
				if math.Abs(s.T.Seconds()-at[j]) < dt/2 {
					ht[j] = s.HT / s.Mains
					for i := range s.Sockets {
						if n.plan.circuit.tubes[i].name != l.Subjects[0] {
							others[j] += s.Sockets[i].Current / s.Mains
						}
					}
				}
			}
		}
		if (ht[1] > ht[0]) != up || n.plan.circuit.sockets > 1 && (others[1] > others[0]) != up {
			t.Errorf("%s/%d: HT from %.1f to %.1f V, the others from %.4f to %.4f A", k, n.Seed, ht[0], ht[1], others[0], others[1])
		}
	}
}
