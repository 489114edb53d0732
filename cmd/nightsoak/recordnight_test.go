package main

import (
	"context"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/acquire/emulate/night"
	"nightsoak/alarms"
	"nightsoak/export/record"
)

// recordNight judges a model night as the daemon does and records it in dir.
func recordNight(t testing.TB, dir string, kind night.Kind, seed uint64) record.Info {
	t.Helper()
	return recordNightWith(t, dir, kind, seed, nil)
}

// recordNightWith is recordNight with inputs changed on their way, where change is not nil.
func recordNightWith(t testing.TB, dir string, kind night.Kind, seed uint64, change func(*night.Night, *alarms.Input)) record.Info {
	t.Helper()
	n, err := night.Generate(kind, seed)
	if err != nil {
		t.Fatal(err)
	}
	return recordThe(t, dir, n, change)
}

// recordThe is recordNightWith of a night that is there.
func recordThe(t testing.TB, dir string, n *night.Night, change func(*night.Night, *alarms.Input)) record.Info {
	t.Helper()
	b, err := bench.Parse("bench.toml", []byte(n.Bench))
	if err != nil {
		t.Fatal(err)
	}
	j, err := bench.ParseJob("job.toml", []byte(n.Job), b)
	if err != nil {
		t.Fatal(err)
	}
	s, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	started := time.Date(2026, 11, 24, 21, 4, 0, 0, time.UTC)
	info, err := s.Begin(record.Info{Ticket: j.Ticket, Amplifier: j.Amplifier, Bench: b.Name, Started: started,
		Meters: meterNames(b), BenchText: b.Text, JobText: j.Text, Core: alarms.Core, Software: version()})
	if err != nil {
		t.Fatal(err)
	}
	w, err := s.Writer(info.ID, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	e := alarms.New(b, j)
	put := func(in alarms.Input) {
		w.Put(record.Step{Inputs: []alarms.Input{in}, Events: e.Feed(in), T: in.T})
	}
	count := 0
	for in := range n.Inputs() {
		x := alarms.Input{T: in.T, Meter: in.Meter, Reading: in.Reading}
		if in.Act != nil {
			x.Act = &alarms.Act{Act: in.Act.Act, Socket: in.Act.Socket}
		}
		if change != nil {
			change(n, &x)
		}
		put(x)
		if count++; count%20000 == 0 { // the writer holds so much in memory
			if err := w.Flush(context.Background()); err != nil {
				t.Fatal(err)
			}
		}
	}
	put(alarms.Input{T: n.Long, Act: &alarms.Act{Act: "end"}})
	w.End(n.Long, started.Add(n.Long))
	if err := w.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	info, err = s.Find(info.ID)
	if err != nil {
		t.Fatal(err)
	}
	return info
}
