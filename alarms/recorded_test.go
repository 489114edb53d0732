package alarms_test

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"nightsoak/acquire/emulate"
	"nightsoak/alarms"
	"nightsoak/drivers"
)

var update = flag.Bool("update", false, "write the recorded night anew")

const (
	recordedFile = "testdata/runaway.csv.gz"
	recordedLong = 50 * time.Minute
)

// The demo's five meters with a runaway, recorded once, lead to the same bytes
// on every machine: the events, and every minute what is known of the sockets,
// of which not even a last bit differs. (To emulate the night would not do: the
// emulator's own bits do.) The sums change when alarms.Core does.
func TestSameBytesEverywhere(t *testing.T) {
	const (
		wantEvents = "0b4550d152a5f39860293b388f95ee8c89b5193c5cba003dbe8740e7b5005687"
		wantShown  = "18ff970c60f12b8ec606a8be599464a14a262b17e202743324c9578893bd43c6"
	)
	if *update {
		record(t, inputs(t, emulate.Config{Seed: 3, Fault: emulate.Runaway}, recordedLong))
	}
	e := alarms.New(files(t))
	events, shown := sha256.New(), sha256.New()
	tell := func(ev alarms.Event) {
		line, err := json.Marshal(ev)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(events, "%s\n", line)
	}
	high, next := false, time.Duration(0)
	for _, in := range recorded(t) {
		for _, ev := range e.Feed(in) {
			tell(ev)
			high = high || ev.ID == "runaway/V7" && ev.Priority == alarms.High
		}
		if in.T >= next {
			next += time.Minute
			fmt.Fprintf(shown, "%+v\n", e.Snapshot().Sockets) // to the last bit
		}
	}
	for _, ev := range e.Advance(recordedLong) {
		tell(ev)
	}
	if !high {
		t.Error("no runaway was told: the night is not the one recorded")
	}
	if got := fmt.Sprintf("%x", events.Sum(nil)); got != wantEvents {
		t.Errorf("the events sum to %s, want %s", got, wantEvents)
	}
	if got := fmt.Sprintf("%x", shown.Sum(nil)); got != wantShown {
		t.Errorf("what is shown sums to %s, want %s", got, wantShown)
	}
}

// recorded is the night of recordedFile, a readings CSV, and its beginning.
func recorded(t *testing.T) []alarms.Input {
	t.Helper()
	f, err := os.Open(recordedFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(z).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	b, _ := files(t)
	in := []alarms.Input{{Act: &alarms.Act{Act: "begin"}}}
	for _, row := range rows[1:] {
		at, err := strconv.ParseFloat(row[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		r, err := drivers.ParseReading(row[2], row[3], row[4])
		if err != nil {
			t.Fatal(err)
		}
		in = append(in, alarms.Input{T: time.Duration(math.Round(1000*at)) * time.Millisecond, Meter: b.MeterIndex(row[1]), Reading: r})
	}
	return in
}

// record writes the readings among inputs to recordedFile.
func record(t *testing.T, in []alarms.Input) {
	t.Helper()
	b, _ := files(t)
	var file bytes.Buffer
	z, err := gzip.NewWriterLevel(&file, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintln(z, "t,meter,reading,unit,flags")
	for _, x := range in {
		if r := x.Reading; x.Act == nil {
			fmt.Fprintf(z, "%.3f,%s,%s,%s,%s\n", x.T.Seconds(), b.Meters[x.Meter].Name, r.Text(), r.Unit(), r.Flags)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(recordedFile, file.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
