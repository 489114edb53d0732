package record

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"nightsoak/drivers"
)

// columns are readings of one meter, each list a case by itself.
func columns() map[string][]Sample {
	volts := drivers.Reading{Digits: 382, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}
	dice := rand.New(rand.NewPCG(1187, 7))
	all := map[string][]Sample{"one": {{613 * time.Second, volts}}}
	add := func(name string, n int, next func(i int, s *Sample)) {
		s := Sample{Reading: volts}
		for i := range n {
			next(i, &s)
			all[name] = append(all[name], s)
		}
	}
	add("steady", 5000, func(i int, s *Sample) {
		s.T = ms(200*int64(i) + int64(2*dice.NormFloat64()))
		s.Reading.Digits = 382 + int64(dice.NormFloat64())
	})
	add("all at once", 100, func(i int, s *Sample) { s.Reading.Digits = int64(i) })
	add("gaps", 5000, func(i int, s *Sample) {
		s.T += 333 * time.Millisecond
		if dice.IntN(50) == 0 {
			s.T += time.Duration(dice.ExpFloat64()*float64(time.Hour)) / 1e6 * 1e6
		}
	})
	add("back in time", 100, func(i int, s *Sample) { s.T = ms(dice.Int64N(1000) - 500) })
	add("ranges", 3000, func(i int, s *Sample) {
		s.T += ms(400 + dice.Int64N(20))
		s.Reading = volts
		switch dice.IntN(20) {
		case 0:
			s.Reading = drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.Overload}
		case 1:
			s.Reading.Exp, s.Reading.Flags = -3, drivers.DC|drivers.LowBattery
		}
	})
	add("extremes", 3000, func(i int, s *Sample) {
		s.T = ms(int64(dice.Uint64()) / 1e6)
		s.Reading = drivers.Reading{Digits: int64(dice.Uint64()), Exp: int8(dice.Uint32()), Prefix: int8(dice.Uint32()),
			Quantity: drivers.Quantity(dice.IntN(int(drivers.Gain) + 1)), Flags: drivers.Flags(dice.Uint32())}
		switch dice.IntN(3) {
		case 0:
			s.Reading.Digits = math.MinInt64
		case 1:
			s.Reading.Digits = math.MaxInt64
		}
	})
	return all
}

func TestBlocksAreExact(t *testing.T) {
	var r blockReader
	for name, in := range columns() {
		b := encodeBlock(in)
		out, err := r.decode(b)
		if err != nil || !slices.Equal(in, out) {
			t.Errorf("%s: %v; %d readings came back as %d others", name, err, len(in), len(out))
		}
		t.Logf("%s: %.3f B a reading", name, float64(len(b))/float64(len(in)))
		for _, n := range []int{0, 1, len(b) / 2, len(b) - 1} {
			if _, err := r.decode(b[:n]); err == nil {
				t.Errorf("%s: was read from its first %d bytes of %d", name, n, len(b))
			}
		}
	}
}

// Whatever a block holds, decoding fails or gives samples that encode and
// decode to the same again.
func FuzzBlock(f *testing.F) {
	for _, in := range columns() {
		f.Add(encodeBlock(in[:min(len(in), 40)]))
	}
	f.Add([]byte{blockFormat, 0xff, 0xff, 0xff, 0xff, 0x0f})
	f.Fuzz(func(t *testing.T, b []byte) {
		var r blockReader
		in, err := r.decode(b)
		if err != nil {
			return
		}
		in = slices.Clone(in)
		out, err := r.decode(encodeBlock(in))
		if err != nil || !slices.Equal(in, out) {
			t.Errorf("%d readings do not come back: %v", len(in), err)
		}
	})
}

// mixed is readings of some meters as they arrived: times that coincide, holes
// in their numbers, and with jumps times that go backwards.
func mixed(dice *rand.Rand, n, meters int, jumps bool) (all []arrived) {
	seq, at := int64(1), int64(0)
	for range n {
		at += dice.Int64N(3)
		if jumps && dice.IntN(10) == 0 {
			at -= 5
		}
		if dice.IntN(30) == 0 {
			seq += dice.Int64N(4)
		}
		all = append(all, arrived{seq, dice.IntN(meters), Sample{T: ms(at), Reading: drivers.Reading{Digits: dice.Int64N(9)}}})
		seq++
	}
	return all
}

func tracksOf(in []arrived) (tracks []track) {
	for i := range in {
		k := slices.IndexFunc(tracks, func(t track) bool { return t.meter == in[i].meter })
		if k < 0 {
			k = len(tracks)
			tracks = append(tracks, track{meter: in[i].meter})
		}
		tracks[k].rest = append(tracks[k].rest, in[i].Sample)
	}
	return tracks
}

func TestOrderIsExact(t *testing.T) {
	dice := rand.New(rand.NewPCG(1187, 8))
	for i := range 300 {
		in := mixed(dice, 1+dice.IntN(300), 1+dice.IntN(12), i%3 == 0)
		const first = 1
		made := orderOf(in, first)
		o, err := decodeOrder(made.encode(), len(in))
		if err != nil {
			t.Fatal(err)
		}
		var out []arrived
		err = o.replay(tracksOf(in), func(at int64, meter int, s *Sample) bool {
			out = append(out, arrived{first + at, meter, *s})
			return true
		})
		if err != nil || !slices.Equal(in, out) {
			t.Fatalf("case %d: %v\ngot  %v\nwant %v", i, err, out, in)
		}
	}
}

func FuzzOrder(f *testing.F) {
	dice := rand.New(rand.NewPCG(1187, 9))
	for i := range 4 {
		in := mixed(dice, 30, 3, i == 0)
		o := orderOf(in, 1)
		f.Add(o.encode(), 30)
	}
	f.Fuzz(func(t *testing.T, b []byte, n int) {
		if n < 0 || n > 1000 {
			return
		}
		o, err := decodeOrder(b, n)
		if err != nil {
			return
		}
		in := tracksOf(mixed(rand.New(rand.NewPCG(1, 1)), n, 3, false))
		seen, last := 0, int64(-1)
		err = o.replay(in, func(at int64, _ int, _ *Sample) bool {
			if at <= last {
				t.Fatalf("number %d after %d", at, last)
			}
			last = at
			seen++
			return true
		})
		if err == nil && seen != n {
			t.Errorf("%d of %d readings, and no error", seen, n)
		}
	})
}
