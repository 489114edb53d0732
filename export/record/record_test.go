package record

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

var anchor = time.Date(2026, 11, 24, 22, 14, 53, 250e6, time.UTC)

func demoRun() Info {
	return Info{
		Ticket: "R-1187", Started: anchor, Amplifier: "four-tube bass head, 100 W", Bench: "north",
		Meters:    []string{"k1", "k2", "k3", "k4", "ht"},
		BenchText: []byte("name = \"north\"\r\n\xff"), JobText: []byte("ticket = \"R-1187\"\n"),
		Core: "1", Software: "0.1.0", GOARCH: "arm64",
	}
}

func openStore(t *testing.T, dir string) *Store {
	t.Helper()
	s, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func begin(t *testing.T, s *Store, in Info) Info {
	t.Helper()
	in, err := s.Begin(in)
	if err != nil {
		t.Fatal(err)
	}
	return in
}

// collect drains an iterator that must not fail.
func collect[T any](t *testing.T, seq iter.Seq2[T, error]) []T {
	t.Helper()
	var all []T
	for v, err := range seq {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, v)
	}
	return all
}

// reading is "digits" mV of a meter, as a 4000-count display shows it.
func reading(t time.Duration, meter int, digits int64) alarms.Input {
	return alarms.Input{T: t, Meter: meter, Reading: drivers.Reading{
		Digits: digits, Exp: -4, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Auto}}
}

func note(seq int, t time.Duration, text string) alarms.Event {
	return alarms.Event{Seq: seq, T: alarms.Seconds(t), Event: alarms.EventAct, Act: "note", Text: text}
}

func TestBeginKeepsEverything(t *testing.T) {
	s := openStore(t, t.TempDir())
	got := begin(t, s, demoRun())
	want := demoRun()
	want.ID, want.n, want.Rejected = "R-1187-20261124T221453Z", 1, make([]uint64, len(want.Meters))
	want.FilesHash = "99e0ac9002b12b9beb0b78cbe1c5458c5574492c852a71b4647ce18f449c7bb3" // of sha256sum(1)
	if g, w := fmt.Sprintf("%+v", got), fmt.Sprintf("%+v", want); g != w {
		t.Errorf("got  %s\nwant %s", g, w)
	}
	if again := begin(t, s, demoRun()); again.ID != "R-1187-20261124T221453Z-2" {
		t.Errorf("second run of the same second is %s", again.ID)
	}
	b, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	const line = `{"id":"R-1187-20261124T221453Z","ticket":"R-1187","started":"2026-11-24T22:14:53.25Z","ended":null,"readings":0,"events":0}`
	if string(b) != line {
		t.Errorf("JSON is %s\nwant %s", b, line)
	}
}

// What keeps a commit through a power cut cannot be tried here; that it is asked for can.
func TestCommitsAreSynced(t *testing.T) {
	s := openStore(t, t.TempDir())
	var mode string
	var synchronous int
	if err := s.db.QueryRow("SELECT * FROM pragma_journal_mode, pragma_synchronous").Scan(&mode, &synchronous); err != nil {
		t.Fatal(err)
	}
	if mode != "wal" || synchronous != 1 {
		t.Errorf("journal_mode %s, synchronous %d: want wal and 1 (NORMAL)", mode, synchronous)
	}
}

func TestFileSafe(t *testing.T) {
	for ticket, want := range map[string]string{
		"R-1187":                 "R-1187",
		"R 1187/b: ünder":        "R-1187-b---nder",
		"../../etc/passwd":       "etc-passwd",
		"--data":                 "data",
		"":                       "run",
		"...":                    "run",
		strings.Repeat("x", 200): strings.Repeat("x", 64),
	} {
		if got := fileSafe(ticket); got != want {
			t.Errorf("fileSafe(%q) = %q, want %q", ticket, got, want)
		}
	}
}

func TestFind(t *testing.T) {
	s := openStore(t, t.TempDir())
	if _, err := s.Find("R-1187"); !errors.Is(err, ErrUnknownRun) || !strings.Contains(err.Error(), "no runs yet") {
		t.Errorf("empty record: %v", err)
	}
	for i, ticket := range []string{"R-1187", "R-1188", "R-1187"} {
		in := demoRun()
		in.Ticket, in.Started = ticket, anchor.Add(time.Duration(-i)*time.Hour) // a wall clock that goes backwards
		begin(t, s, in)
	}
	for id, want := range map[string]string{
		"R-1187-20261124T221453Z": "R-1187-20261124T221453Z", // exact
		"R-1187":                  "R-1187-20261124T201453Z", // a ticket: begun last, whatever its stamp says
		"R-1188":                  "R-1188-20261124T211453Z",
		"R-1188-2026":             "R-1188-20261124T211453Z", // the only one that begins so
	} {
		if got, err := s.Find(id); err != nil || got.ID != want {
			t.Errorf("Find(%q) = %s, %v; want %s", id, got.ID, err, want)
		}
	}
	for id, near := range map[string]string{
		"R-1187-2026": "R-1187-20261124T201453Z, R-1187-20261124T221453Z",
		"R-1189":      "R-1188-20261124T211453Z",
		"":            "R-1187-20261124T201453Z",
	} {
		if _, err := s.Find(id); !errors.Is(err, ErrUnknownRun) || !strings.Contains(err.Error(), near) {
			t.Errorf("Find(%q): %v, want it to name %s", id, err, near)
		}
	}
	runs, err := s.Runs()
	if err != nil || len(runs) != 3 || runs[0].Ticket != "R-1187" || runs[1].Ticket != "R-1188" {
		t.Errorf("Runs: %v %v", runs, err)
	}
}

// everyInput is one input of each kind, with the extremes a reading can hold.
func everyInput() []alarms.Input {
	in := []alarms.Input{
		reading(0, 0, 382),
		{T: 0, Act: &alarms.Act{Act: "begin", FirstPower: true}},
		{T: time.Millisecond, Act: &alarms.Act{Act: "note", Text: "V7 glows <blue> & hums \u2028 \"ok\""}},
		{T: time.Second, Port: &alarms.PortChange{Meter: "k1", Text: "/dev/ttyUSB0: no such file"}},
		{T: time.Second, Port: &alarms.PortChange{Meter: "k1", Open: true}},
		{T: 40 * time.Hour, Gap: &alarms.Gap{From: alarms.Seconds(39*time.Hour + time.Millisecond), Text: "not there"}},
		{T: 40 * time.Hour, Meter: 4, Reading: drivers.Reading{Flags: drivers.Overload, Quantity: drivers.Resistance, Exp: 3, Prefix: 3}},
		{T: 40 * time.Hour, Reading: drivers.Reading{Digits: -1 << 63, Exp: -128, Prefix: 127, Flags: 1<<16 - 1}},
	}
	for q := range drivers.Gain + 1 {
		in = append(in, alarms.Input{T: 41 * time.Hour, Reading: drivers.Reading{Digits: 1<<63 - 1, Exp: int8(q), Quantity: q}})
	}
	return in
}

func TestInputsComeBackExactly(t *testing.T) {
	s := openStore(t, t.TempDir())
	other := begin(t, s, demoRun())
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	wo := writer(t, s, other.ID, Options{})
	want := everyInput()
	var events []string
	for i, in := range want {
		e := note(i+1, in.T, in.Reading.String())
		if in.Act != nil {
			e.Text = in.Act.Text
		}
		b, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		events = append(events, string(b))
		w.Put(Step{Inputs: []alarms.Input{in}, Events: []alarms.Event{e}, T: in.T})
		wo.Put(Step{Inputs: []alarms.Input{reading(in.T, 1, int64(i))}, T: in.T}) // a neighbour's readings stay the neighbour's
	}
	w.Put(Step{T: 42 * time.Hour})
	closeWriter(t, w)
	closeWriter(t, wo)
	got := collect(t, s.Inputs(run.ID))
	if g, x := dump(t, got), dump(t, want); g != x {
		t.Errorf("got\n%s\nwant\n%s", g, x)
	}
	var back []string
	for _, e := range collect(t, s.Events(run.ID)) {
		back = append(back, string(e))
	}
	if !slices.Equal(back, events) {
		t.Errorf("events are %q\nwant %q", back, events)
	}
	in, err := s.Find(run.ID)
	if err != nil || in.Readings != int64(len(want)-5) || in.Events != int64(len(want)) || in.Advanced != 42*time.Hour {
		t.Errorf("info: %+v %v", in, err)
	}
	for i := range s.Inputs(run.ID) { // breaking off leaves nothing open
		if i.T == 0 {
			break
		}
	}
	if n := s.db.Stats().InUse; n != 0 {
		t.Errorf("%d connections still in use", n)
	}
}

// dump is inputs as text, pointers followed.
func dump(t *testing.T, inputs []alarms.Input) string {
	t.Helper()
	var b strings.Builder
	for _, in := range inputs {
		kind, body, err := encodeAct(&in)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%v %d %+v %s %s\n", in.T, in.Meter, in.Reading, kind, body)
	}
	return b.String()
}

// The record keeps flags as a number, so their bits are part of its format.
func TestFlagBitsAreTheRecords(t *testing.T) {
	for f, bit := range map[drivers.Flags]uint{
		drivers.DC: 1, drivers.AC: 2, drivers.Auto: 4, drivers.Hold: 8, drivers.Overload: 16, drivers.Relative: 32,
		drivers.MinMax: 64, drivers.LowBattery: 128, drivers.AutoPowerOff: 256, drivers.Diode: 512,
		drivers.Continuity: 1024, drivers.NotANumber: 2048,
	} {
		if uint(f) != bit {
			t.Errorf("%s is %d, recorded databases have %d: raise schemaVersion and convert them", f, f, bit)
		}
	}
}

func TestOneDaemonADirectory(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "data")
	s := openStore(t, dir)
	_, err := Open(dir)
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Errorf("second daemon: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	openStore(t, dir)
}

func TestReaderBesideWriter(t *testing.T) {
	dir := t.TempDir()
	if _, err := OpenReader(dir); !errors.Is(err, ErrNoRecord) {
		t.Errorf("without a record: %v", err)
	}
	s := openStore(t, dir)
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	put := func(i int) {
		w.Put(Step{Inputs: []alarms.Input{reading(ms(int64(i)), 0, int64(i))}, T: ms(int64(i))})
		flush(t, w)
	}
	put(1)
	put(2)
	r, err := OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n := 0
	for _, err := range r.Inputs(run.ID) { // the writer commits while this query is open
		if err != nil {
			t.Fatal(err)
		}
		n++
		put(2 + n)
	}
	if n != 2 {
		t.Errorf("the open query saw %d readings, want the 2 of its beginning", n)
	}
	if got := len(collect(t, r.Inputs(run.ID))); got != 4 {
		t.Errorf("a new query sees %d readings, want 4", got)
	}
	if _, err := r.Begin(demoRun()); err == nil {
		t.Error("a reader could begin a run")
	}
	closeWriter(t, w)
	if err := errors.Join(r.Close(), s.Close()); err != nil {
		t.Fatal(err)
	}
	for _, side := range []string{"-wal", "-shm"} { // a reader who may not write needs them
		if _, err := os.Stat(filepath.Join(dir, fileName+side)); err != nil {
			t.Error(err)
		}
	}
	alone, err := OpenReader(dir) // no daemon any more
	if err != nil {
		t.Fatal(err)
	}
	defer alone.Close()
	if got := len(collect(t, alone.Inputs(run.ID))); got != 4 {
		t.Errorf("without a daemon: %d readings, want 4", got)
	}
}

// filled is a directory with a record of some pages, closed.
func filled(t *testing.T) (dir string, run Info) {
	t.Helper()
	dir = t.TempDir()
	s := openStore(t, dir)
	run = begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	for i := range 5000 {
		w.Put(Step{Inputs: []alarms.Input{reading(ms(int64(i)), i%5, int64(i))},
			Events: []alarms.Event{note(i+1, ms(int64(i)), "n")}, T: ms(int64(i))})
	}
	closeWriter(t, w)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, run
}

func TestDatabasesThatCannotBeGoneOnWith(t *testing.T) {
	dir, run := filled(t)
	whole, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	spoilt := slices.Clone(whole)
	for i := 4096; i < len(spoilt); i += 4096 {
		copy(spoilt[i:], "\xde\xad\xbe\xef not a page")
	}
	sqlDB := func(statements string) func(string) {
		return func(path string) {
			if err := os.WriteFile(path, whole, 0o644); err != nil {
				t.Fatal(err)
			}
			db, err := sql.Open("sqlite", path)
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			if _, err := db.Exec(statements); err != nil {
				t.Fatal(err)
			}
		}
	}
	bytes := func(b []byte) func(string) {
		return func(path string) {
			if err := os.WriteFile(path, b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, c := range map[string]struct {
		make  func(path string)
		want  error
		reads bool // opening may succeed: the damage lies deeper
	}{
		"foreign":        {sqlDB("PRAGMA application_id = 7"), ErrForeign, false},
		"foreign tables": {sqlDB("PRAGMA application_id = 0; PRAGMA user_version = 0"), ErrForeign, false},
		"text":           {bytes([]byte(strings.Repeat("t,meter,reading,unit,flags\n", 500))), ErrForeign, false},
		"newer":          {sqlDB(fmt.Sprintf("PRAGMA user_version = %d", schemaVersion+1)), ErrNewer, false},
		"truncated":      {bytes(whole[:4096*3]), ErrDamaged, false},
		"torn header":    {bytes(whole[:50]), ErrDamaged, false},
		"spoilt":         {bytes(spoilt), ErrDamaged, true},
		"half gone":      {bytes(append(slices.Clone(whole[:len(whole)/2]), make([]byte, len(whole)-len(whole)/2)...)), ErrDamaged, true},
		"no such kind":   {sqlDB("INSERT INTO acts SELECT key+1, t_ms, 'dance', '' FROM readings ORDER BY key DESC LIMIT 1"), ErrDamaged, true},
		"bad body":       {sqlDB("INSERT INTO acts SELECT key+1, t_ms, 'act', '{' FROM readings ORDER BY key DESC LIMIT 1"), ErrDamaged, true},
		"bad unit":       {sqlDB("UPDATE readings SET unit = 'furlong'"), ErrDamaged, true},
		"bad anchor":     {sqlDB("UPDATE runs SET anchor = 'yesterday'"), ErrDamaged, true},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, fileName)
			c.make(path)
			before, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			for _, open := range []func(string) (*Store, error){Open, OpenReader} {
				s, err := open(dir)
				if err == nil {
					for _, e := range s.Inputs(run.ID) {
						err = errors.Join(err, e)
					}
					err = errors.Join(err, s.Close())
					if !c.reads {
						t.Error("was opened")
					}
				}
				if !errors.Is(err, c.want) || !strings.Contains(err.Error(), path) || strings.Contains(err.Error(), "\n") {
					t.Errorf("error is %v\nwant one line, of %v, that names the file", err, c.want)
				}
			}
			after, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(before, after) {
				t.Error("the file was changed")
			}
		})
	}
	t.Run("reader of an empty file", func(t *testing.T) {
		dir := t.TempDir()
		bytes(nil)(filepath.Join(dir, fileName))
		if _, err := OpenReader(dir); !errors.Is(err, ErrNoRecord) {
			t.Errorf("error is %v", err)
		}
	})
}

func TestDirectoryThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(file); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("error is %v", err)
	}
	odd := filepath.Join(dir, "with space?and#marks%41")
	s := openStore(t, odd)
	begin(t, s, demoRun())
	if _, err := os.Stat(filepath.Join(odd, fileName)); err != nil {
		t.Error(err)
	}
}
