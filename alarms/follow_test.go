package alarms_test

import (
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate/night"
	"nightsoak/acquire/socket"
	"nightsoak/alarms"
)

// TestFollower: on model nights, from wherever it begins, a follower gives the
// figures that the engine gave, reading by reading.
func TestFollower(t *testing.T) {
	for _, kind := range []night.Kind{night.RunawayGas, night.SenseOpen, night.PlateLead} {
		n, err := night.Generate(kind, 66)
		if err != nil {
			t.Fatal(err)
		}
		b, err := bench.Parse("bench.toml", []byte(n.Bench))
		if err != nil {
			t.Fatal(err)
		}
		j, err := bench.ParseJob("job.toml", []byte(n.Job), b)
		if err != nil {
			t.Fatal(err)
		}
		type told struct {
			socket int
			t      time.Duration
			known  [4]bool
			x      [4]float64
		}
		of := func(i int, t time.Duration, v ...socket.Value) told {
			k := told{socket: i, t: t}
			for n, v := range v {
				if k.known[n] = v.Known; v.Known {
					k.x[n] = v.X
				}
			}
			return k
		}
		const span = 20 * time.Minute
		from := n.Labels[0].Onset - span/2
		var want, got []told
		e := alarms.New(b, j)
		e.OnFigures = func(i int, t time.Duration, f socket.Figures) {
			if t >= from && t <= from+span {
				want = append(want, of(i, t, f.CathodeCurrent, f.PlateCurrent, f.PlateVolts, f.DissipationRatio))
			}
		}
		wanted := make([]bool, len(j.Sockets))
		for i := range wanted {
			wanted[i] = true
		}
		var follow *alarms.Follower
		settled := 0.0
		for in := range n.Inputs() {
			if in.T > from+span {
				break
			}
			x := alarms.Input{T: in.T, Meter: in.Meter, Reading: in.Reading}
			if in.Act != nil {
				x.Act = &alarms.Act{Act: in.Act.Act, Socket: in.Act.Socket}
			}
			e.Feed(x)
			if in.T < from-time.Minute && x.Act == nil {
				if settled == 0 && in.T > from-2*time.Minute {
					settled = e.Snapshot().HT.Settled.X
				}
				continue
			}
			if follow == nil {
				follow = alarms.NewFollower(b, j, settled, wanted, func(i int, t time.Duration, f socket.Estimates) {
					if t >= from {
						got = append(got, of(i, t, f.CathodeCurrent, f.PlateCurrent, f.PlateVolts, f.DissipationRatio))
					}
				})
			}
			follow.Feed(x)
		}
		if len(want) != len(got) || len(want) == 0 {
			t.Errorf("%s from %v: %d figures, want %d", kind, from, len(got), len(want))
			continue
		}
		wrong := 0
		for i := range want {
			if want[i] != got[i] {
				if wrong++; wrong == 1 {
					t.Errorf("%s: %+v, want %+v", kind, got[i], want[i])
				}
			}
		}
		if wrong > 0 {
			t.Errorf("%s from %v: %d of %d figures differ", kind, from, wrong, len(want))
		}
	}
}
