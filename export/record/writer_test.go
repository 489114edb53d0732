package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/socket"
	"nightsoak/alarms"
)

// bound is only reached by a failing test.
const bound = 2 * time.Minute

func writer(t *testing.T, s *Store, id string, o Options) *Writer {
	t.Helper()
	w, err := s.Writer(id, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		w.Close(ctx)
	})
	return w
}

func flush(t *testing.T, w *Writer) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), bound)
	defer cancel()
	if err := w.Flush(ctx); err != nil {
		t.Fatal(err)
	}
}

func closeWriter(t *testing.T, w *Writer) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), bound)
	defer cancel()
	if err := w.Close(ctx); err != nil {
		t.Fatal(err)
	}
}

// receive waits for what a callback sends.
func receive[T any](t *testing.T, c <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(bound):
		t.Fatalf("no %s", what)
		panic("unreachable")
	}
}

func TestStopResumeEnd(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir)
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	step := func(seq int, at time.Duration) Step {
		return Step{Inputs: []alarms.Input{reading(at, 0, int64(seq))}, Events: []alarms.Event{note(seq, at, fmt.Sprint(seq))}, T: at}
	}
	w.Put(step(1, time.Second))
	w.Stop(2 * time.Second)
	closeWriter(t, w)
	w.Put(step(9, 9*time.Second)) // after Close: nothing
	flush(t, w)
	closeWriter(t, w)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	s = openStore(t, dir)
	if _, ok, err := s.Unfinished("R-1188"); ok || err != nil {
		t.Errorf("another ticket: %v %v", ok, err)
	}
	in, ok, err := s.Unfinished("R-1187")
	if err != nil || !ok || in.ID != run.ID || !in.Clean || in.Advanced != 2*time.Second || in.Ended != nil {
		t.Fatalf("after a clean stop: %+v %v %v", in, ok, err)
	}
	w = writer(t, s, in.ID, Options{OnFailing: func(err error) { t.Error(err) }})
	w.Put(Step{Events: step(1, time.Second).Events, T: time.Second}) // replayed
	w.Put(Step{Inputs: []alarms.Input{{T: 5 * time.Second, Gap: &alarms.Gap{From: alarms.Seconds(2 * time.Second)}}}, T: 5 * time.Second})
	w.Put(step(2, 6*time.Second))
	flush(t, w)
	if in, err := s.Find(run.ID); err != nil || in.Clean {
		t.Errorf("going on, the mark of a clean stop is %v (%v)", in.Clean, err)
	}
	w.End(7*time.Second, anchor.Add(7*time.Second))
	w.Host(anchor, "the panel's port is taken")
	closeWriter(t, w)

	in, err = s.Find(run.ID)
	if err != nil || in.Ended == nil || !in.Ended.Equal(anchor.Add(7*time.Second)) || in.EndedAt != 7*time.Second ||
		in.Advanced != 7*time.Second || in.Readings != 2 || in.Events != 2 || !in.Clean {
		t.Errorf("after the end: %+v %v", in, err)
	}
	if _, ok, err := s.Unfinished("R-1187"); ok || err != nil {
		t.Errorf("after the end: unfinished %v, %v", ok, err)
	}
	if _, err := s.Writer(run.ID, Options{}); !errors.Is(err, ErrEnded) {
		t.Errorf("Writer of an ended run: %v", err)
	}
	if got := dump(t, collect(t, s.Inputs(run.ID))); strings.Count(got, "\n") != 3 || !strings.Contains(got, `"from":2.000`) {
		t.Errorf("inputs are\n%s", got)
	}
	host, err := s.HostEvents(run.ID)
	if err != nil || len(host) != 1 || !host[0].Wall.Equal(anchor) || host[0].Text != "the panel's port is taken" {
		t.Errorf("host events: %v %v", host, err)
	}
}

func TestDiskThatDoesNotTakeTheRecord(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := openStore(t, dir)
	run := begin(t, s, demoRun())
	words := make(chan error, 100) // nil for recovered
	w := writer(t, s, run.ID, Options{
		flushEvery: time.Millisecond, maxBatch: 7, keep: 100, failAfter: 200 * time.Millisecond,
		OnFailing: func(err error) { words <- err }, OnRecovered: func() { words <- nil },
	})
	put := func(from, to int) {
		for i := from; i <= to; i++ {
			at := time.Duration(i) * time.Second
			w.Put(Step{Inputs: []alarms.Input{reading(at, 0, int64(i))}, T: at})
		}
	}
	// A disk busy with other work may fail for a moment by itself: then, and
	// always, words of failing and of recovery take turns.
	settled := func() {
		t.Helper()
		for failing := false; len(words) > 0; {
			if err := <-words; (err != nil) == failing {
				t.Errorf("said twice, failing %v: %v", failing, err)
			}
			failing = !failing
			if len(words) == 0 && failing {
				t.Error("failing, and never recovered")
			}
		}
	}
	put(1, 10)
	flush(t, w)
	settled()

	db, err := sql.Open("sqlite", filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	hold, err := db.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer hold.Close()
	if _, err := hold.ExecContext(t.Context(), "BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	put(11, 110) // as much as is kept
	if err := receive(t, words, "word that the record fails"); err == nil {
		t.Error("recovered, it says, behind a lock")
	}
	put(111, 150) // too much
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := w.Flush(ctx); !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "are not on disk") || strings.Contains(err.Error(), "\n") {
		t.Errorf("Flush with the disk away: %v", err)
	}
	if in, err := s.Find(run.ID); err != nil || in.Readings != 10 {
		t.Errorf("while it fails: %d readings, %v", in.Readings, err)
	}
	if len(words) != 0 {
		t.Errorf("more words behind the lock: %v", <-words)
	}
	if _, err := hold.ExecContext(t.Context(), "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	if err := receive(t, words, "word that it works again"); err != nil {
		t.Errorf("failing, it says again: %v", err)
	}
	flush(t, w)
	put(151, 160)
	w.Put(Step{T: 161 * time.Second}) // time alone
	closeWriter(t, w)

	for i, in := range collect(t, s.Inputs(run.ID)) {
		want := int64(i + 1)
		if i >= 110 {
			want += 40
		}
		if in.Reading.Digits != want || in.T != time.Duration(want)*time.Second {
			t.Fatalf("input %d is reading %d at %v, want %d", i+1, in.Reading.Digits, in.T, want)
		}
	}
	var last int
	if err := s.db.QueryRow("SELECT max(seq) FROM readings").Scan(&last); err != nil || last != 160 {
		t.Errorf("the last reading has number %d (%v), want 160: the hole counts what is missing", last, err)
	}
	host, err := s.HostEvents(run.ID)
	if err != nil || len(host) != 1 || !strings.Contains(host[0].Text, "from t = 111.000 s to 150.000 s, 40 inputs (readings, acts) and 0 events were not recorded") {
		t.Errorf("host events: %v %v", host, err)
	}
	if in, err := s.Find(run.ID); err != nil || in.Readings != 120 || in.Advanced != 161*time.Second {
		t.Errorf("info: %+v %v", in, err)
	}
	settled()
}

// A full disk, as SQLite itself reports it.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	s := openStore(t, t.TempDir())
	run := begin(t, s, demoRun())
	s.db.SetMaxOpenConns(1) // so that the pragma, which is the connection's, holds for the Writer
	if _, err := s.db.Exec("PRAGMA max_page_count = 1"); err != nil {
		t.Fatal(err)
	}
	failing, recovered := make(chan error, 10), make(chan bool, 10)
	w := writer(t, s, run.ID, Options{flushEvery: time.Millisecond, failAfter: 500 * time.Millisecond,
		OnFailing: func(err error) { failing <- err }, OnRecovered: func() { recovered <- true }})
	const n = 500 // some pages
	inputs := make([]alarms.Input, n)
	for i := range inputs {
		inputs[i] = reading(ms(int64(i)), 0, int64(i))
	}
	w.Put(Step{Inputs: inputs, T: ms(n)})
	if err := receive(t, failing, "word that the disk is full"); !strings.Contains(err.Error(), "full") {
		t.Errorf("error is %v", err)
	}
	if in, err := s.Find(run.ID); err != nil || in.Readings != 0 || in.Advanced != 0 {
		t.Errorf("half a step was kept: %+v %v", in, err)
	}
	if _, err := s.db.Exec("PRAGMA max_page_count = 1000000"); err != nil {
		t.Fatal(err)
	}
	receive(t, recovered, "word that it works again")
	closeWriter(t, w)
	if got := len(collect(t, s.Inputs(run.ID))); got != n {
		t.Errorf("%d readings, want %d", got, n)
	}
}

func TestCloseGivesUp(t *testing.T) {
	t.Parallel() // waits for SQLite's own busy timeout
	dir := t.TempDir()
	s := openStore(t, dir)
	run := begin(t, s, demoRun())
	hold, err := s.db.Begin() // takes the write lock
	if err != nil {
		t.Fatal(err)
	}
	defer hold.Rollback()
	w := writer(t, s, run.ID, Options{})
	w.Put(Step{Inputs: []alarms.Input{reading(0, 0, 1), reading(0, 1, 1)}})
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	for range 2 {
		if err := w.Close(ctx); !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "2 inputs") {
			t.Errorf("Close: %v", err)
		}
	}
	receive(t, w.stopped, "end of the writer")
	if err := w.Close(context.Background()); !errors.Is(err, errAborted) {
		t.Errorf("Close after giving up: %v", err)
	}
	if err := w.Flush(context.Background()); !errors.Is(err, errAborted) {
		t.Errorf("Flush after giving up: %v", err)
	}
}

func TestEventThatDiffers(t *testing.T) {
	s := openStore(t, t.TempDir())
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	w.Put(Step{Events: []alarms.Event{note(1, time.Second, "as it was"), note(2, time.Second, "same")}, T: time.Second})
	closeWriter(t, w)

	failing := make(chan error, 10)
	w = writer(t, s, run.ID, Options{OnFailing: func(err error) { failing <- err }, OnRecovered: func() { t.Error("called recovered") }})
	w.Put(Step{Events: []alarms.Event{note(1, time.Second, "as it is now"), note(2, time.Second, "same"), note(3, time.Second, "new")}, T: time.Second})
	nan := note(4, time.Second, "")
	nan.CathodeCurrent = &socket.Value{X: math.NaN(), Known: true}
	w.Put(Step{Events: []alarms.Event{nan}, T: time.Second})
	flush(t, w)
	err := receive(t, failing, "word of the difference")
	if !errors.Is(err, ErrDiffers) || !strings.Contains(err.Error(), "event 1 ") {
		t.Errorf("error is %v", err)
	}
	closeWriter(t, w)
	if len(failing) != 0 {
		t.Errorf("said again: %v", <-failing)
	}
	var texts []string
	for _, e := range collect(t, s.Events(run.ID)) {
		texts = append(texts, string(e))
	}
	if got := strings.Join(texts, "\n"); len(texts) != 4 || !strings.Contains(texts[0], "as it was") || !strings.Contains(texts[2], "new") || !strings.Contains(texts[3], `"cathode_current_a":null`) { // what is no number is unknown, and the event is kept
		t.Errorf("events are\n%s", got)
	}
	host, err := s.HostEvents(run.ID)
	if err != nil || len(host) != 1 || !strings.Contains(host[0].Text, "as it is now") {
		t.Errorf("host events: %v %v", host, err)
	}
}

// The caller may use its slices again at once.
func TestPutCopies(t *testing.T) {
	s := openStore(t, t.TempDir())
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	inputs, events := make([]alarms.Input, 1), make([]alarms.Event, 1)
	for i := range 100 {
		at := ms(int64(i))
		inputs[0], events[0] = reading(at, 0, int64(i)), note(i+1, at, fmt.Sprint(i))
		w.Put(Step{Inputs: inputs, Events: events, T: at})
	}
	closeWriter(t, w)
	for i, in := range collect(t, s.Inputs(run.ID)) {
		if in.Reading.Digits != int64(i) {
			t.Fatalf("reading %d is %d", i, in.Reading.Digits)
		}
	}
	for i, e := range collect(t, s.Events(run.ID)) {
		if !strings.Contains(string(e), fmt.Sprintf(`"text":"%d"`, i)) {
			t.Fatalf("event %d is %s", i+1, e)
		}
	}
}
