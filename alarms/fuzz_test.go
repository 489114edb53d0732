package alarms_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

const fuzzBench = `
name = "north"
[[meter]]
name = "k1"
port = "/dev/ttyUSB0"
format = "fs9721"
accuracy = "0.5% + 3"
[[meter]]
name = "k2"
port = "/dev/ttyUSB1"
format = "es51922"
[[meter]]
name = "ht"
port = "/dev/ttyUSB2"
format = "fs9922"
scale = 10
accuracy = "0.5% + 3"
`

// k2 roves over two sockets; k1 is watched besides.
const fuzzJob = `
ticket = "R-1187"
amplifier = "four-tube bass head, 100 W"
idle_target = "65%"
soak_for = "1h"
[[socket]]
name = "V5"
tube = "6L6GC"
half = "a"
sense = { meter = "k1", ohms = 1.0, tolerance = "1%" }
plate = { meter = "ht" }
screen_share = "6%"
[[socket]]
name = "V6"
tube = "6L6GC"
half = "b"
sense = { meter = "k2", ohms = 10.0, roving = true }
plate = { meter = "ht" }
[[socket]]
name = "V7"
tube = "6L6GC"
half = "b"
sense = { meter = "k2", ohms = 10.0, roving = true }
[[watch]]
name = "cathode"
meter = "k1"
unit = "mV"
high = 60
[first_power]
plate_volts = "460V"
mains = { watch = "cathode", volts = 0.05 }
heaters = { watch = "cathode", volts = 0.04 }
[limits]
settle_by = "20m"
`

// fuzzAct is what an act byte stands for.
func fuzzAct(b byte) alarms.Act {
	sockets := []string{"V5", "V6", "V7", "all"}
	ids := []string{"drift/V5", "step/V5", "runaway/V5", "no-conduction/V5", "over-dissipation/V5", "intermittent/V5", "meter-silent/k1", "supply/north", "plate-lead/north", "sense-open/V6", "settled", "alarm-flood/north"}
	n := int(b >> 3)
	switch b % 8 {
	case 0:
		return alarms.Act{Act: []string{"out-of-service", "in-service", "reset"}[n%3], ID: ids[n%len(ids)], By: "A. Keeper", Text: "as I say"}
	case 1:
		return alarms.Act{Act: "adjusted", Socket: sockets[n%len(sockets)]}
	case 2:
		return alarms.Act{Act: "move", Meter: "k2", Socket: sockets[n%len(sockets)]}
	case 3:
		return alarms.Act{Act: "acknowledge", ID: ids[n%len(ids)]}
	case 4:
		return alarms.Act{Act: "shelve", ID: ids[n%len(ids)], For: "5m"}
	case 5:
		return alarms.Act{Act: "unshelve", ID: ids[n%len(ids)]}
	case 6:
		return alarms.Act{Act: "mark", Watch: "cathode", Text: "before"}
	}
	if n == 31 {
		return alarms.Act{Act: "end"}
	}
	return alarms.Act{Act: "begin", FirstPower: n%2 == 1}
}

// fuzzMost is how many inputs a stream makes at most.
const fuzzMost = 3000

// fuzzInputs is the stream that bytes stand for: most of them are stretches in
// which three meters show what they should, so that what comes in between meets
// a bench in every phase.
func fuzzInputs(b []byte) (in []alarms.Input) {
	next := func() byte {
		if len(b) == 0 {
			return 0
		}
		x := b[0]
		b = b[1:]
		return x
	}
	signed := func() int64 { return int64(int8(next())) }
	rng := rand.New(rand.NewPCG(1, 1))
	now := time.Duration(0)
	i1, i2, volts, slope := 0.041, 0.041, 462.0, 0.0
	in = append(in, alarms.Input{Act: &alarms.Act{Act: "begin"}})
	for len(b) > 0 && len(in) < fuzzMost {
		switch op := next(); op % 12 {
		case 0, 1, 2, 3: // a stretch at what was set
			for n := 2 * int(next()); n > 0 && len(in) < fuzzMost; n-- {
				now += 2 * time.Second
				i1 = min(i1*math.Exp(slope), 10)
				s := 1 + 0.001*rng.NormFloat64()
				ht := shown(volts*s, -1)
				in = append(in,
					alarms.Input{T: now, Meter: 0, Reading: shown(i1*s, -4)},
					alarms.Input{T: now + 300*time.Millisecond, Meter: 1, Reading: shown(10*i2*s, -4)},
					alarms.Input{T: now + 700*time.Millisecond, Meter: 2, Reading: ht})
			}
		case 4: // what a tube passes
			i1 = math.Abs(0.001 * float64(signed()))
		case 5:
			i2 = 0.001 * float64(signed())
		case 6:
			volts = 5 * float64(signed())
		case 7: // it grows
			slope = 0.0001 * float64(signed())
		case 8: // any reading at all
			r := drivers.Reading{Digits: signed(), Exp: int8(next()), Prefix: int8(next()), Quantity: drivers.Quantity(next() % 14), Flags: drivers.Flags(next())<<8 | drivers.Flags(next())}
			switch next() % 4 {
			case 0:
				r.Digits *= 7_777_777_777_777_777
			case 1: // of the right quantity
				r.Quantity = drivers.Voltage
				r.Flags &= drivers.Overload | drivers.Auto | drivers.LowBattery
			}
			now += time.Duration(next()) * time.Millisecond
			in = append(in, alarms.Input{T: now, Meter: int(op/12)%5 - 1, Reading: r})
		case 9: // time passes, or goes back
			step := signed()
			now = max(0, now+time.Duration(step*step*step)*time.Millisecond)
		case 10:
			a := fuzzAct(next())
			in = append(in, alarms.Input{T: now, Act: &a})
		case 11:
			if x := next(); x%2 == 0 {
				in = append(in, alarms.Input{T: now, Port: &alarms.PortChange{Meter: []string{"k1", "k2", "ht", "k9"}[x/2%4], Open: x > 127, Text: "gone"}})
			} else {
				from := now
				now += time.Duration(x) * 3 * time.Second
				in = append(in, alarms.Input{T: now, Gap: &alarms.Gap{From: alarms.Seconds(from), Text: "the daemon was stopped"}})
			}
		}
	}
	return in
}

// Whatever meters and operators do, nothing panics, no event holds what is no
// number, and neither looking nor advancing time makes a difference to the events.
func FuzzStream(f *testing.F) {
	b, err := bench.Parse("bench.toml", []byte(fuzzBench))
	if err != nil {
		f.Fatal(err)
	}
	job, err := bench.ParseJob("job.toml", []byte(fuzzJob), b)
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte{})
	settled := []byte{0, 180, 0, 30}
	for _, then := range [][]byte{
		{7, 8, 0, 200, 0, 100},                // runs away
		{4, 48, 0, 20, 10, 1, 0, 180},         // steps, is adjusted, settles
		{4, 1, 0, 20, 10, 27, 10, 28, 0, 100}, // dies, is acknowledged and shelved
		{4, 0, 0, 1, 4, 41, 0, 20, 4, 0, 0, 1, 4, 41, 0, 20, 4, 0, 0, 1, 4, 41, 0, 20}, // comes and goes
		{6, 0, 0, 20, 6, 92, 0, 200},                   // standby
		{6, 0, 0, 2, 4, 60, 0, 20},                     // the plate lead is off
		{6, 80, 0, 100},                                // the supply is low
		{11, 251, 0, 20, 11, 11, 0, 180},               // gaps
		{11, 0, 9, 25, 11, 128, 0, 20},                 // a port is lost
		{9, 100, 0, 5, 9, 156, 0, 5, 9, 127, 0, 180},   // time leaps, and goes back
		{10, 18, 0, 180, 10, 10, 0, 100, 10, 2, 0, 20}, // the probe roves
		{8, 127, 127, 0, 1, 0, 1, 1, 0, 0, 200},        // 10^129 V
		{8, 129, 127, 0, 1, 0, 1, 0, 0, 0, 200},        // less than -10^144 V
		{20, 1, 128, 3, 1, 0, 1, 1, 0, 0, 200},         // 10^-128 V
		{20, 0, 0, 0, 1, 0, 4, 1, 9, 20, 0, 0, 0, 1, 0, 4, 1, 9, 20, 0, 0, 0, 1, 0, 4, 1, 9, 0, 9},
		{4, 80, 0, 20, 10, 35, 4, 41, 0, 30, 10, 208, 0, 5}, // too hot, is acknowledged, cools, latches, is reset
		{10, 120, 4, 80, 0, 20, 10, 32, 0, 5},               // out of service, too hot meanwhile, back in service
		{10, 255, 0, 20, 10, 7},                             // ends, and begins again
	} {
		f.Add(slices.Concat(settled, then))
	}
	f.Add([]byte{6, 0, 0, 5, 4, 0, 0, 5, 6, 92, 4, 41, 7, 254, 0, 200, 7, 0, 0, 200}) // from standby, and a warm-up
	f.Fuzz(func(t *testing.T, data []byte) {
		in := fuzzInputs(data)
		end := time.Duration(0)
		for i := range in {
			end = max(end, in[i].T)
		}
		end += 10 * time.Minute
		told := feed(alarms.New(b, job), in, end)
		want := lines(t, told)
		if why := alarms.Audit(told, end); why != "" {
			t.Errorf("%s\n%s", why, want)
		}

		e := alarms.New(b, job)
		rng := rand.New(rand.NewPCG(uint64(len(data)), 2))
		var ev []alarms.Event
		for i, x := range in {
			to := x.T
			if x.Gap != nil {
				to = time.Duration(x.Gap.From)
			}
			for to > e.Now() && rng.IntN(3) == 0 {
				ev = append(ev, e.Advance(e.Now()+time.Duration(rng.Int64N(int64(to-e.Now()))))...)
			}
			ev = append(ev, e.Feed(x)...)
			if i%97 == 0 || x.Act != nil || i == len(in)-1 {
				if _, err := json.Marshal(e.Snapshot()); err != nil {
					t.Fatalf("at %v: snapshot: %v", e.Now(), err)
				}
				for _, name := range []string{"V5", "V6", "V7"} {
					x := explain(t, e, name)
					if _, err := json.Marshal(x); err != nil {
						t.Fatalf("at %v: %s: %v", e.Now(), name, err)
					}
					_ = x.String()
				}
			}
		}
		if got := lines(t, append(ev, e.Advance(end)...)); got != want {
			t.Errorf("looked at, with Advance called at random:\n%s\nwithout:\n%s", got, want)
		}
	})
}
