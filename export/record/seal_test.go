package record

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

// script is inputs of five meters with acts among them, each with an event.
func script(n int) (steps []Step) {
	for i := range n {
		at := ms(int64(i) * 22)
		in := reading(at, i*7%5, int64(400+i%3))
		switch {
		case i%97 == 0:
			in = alarms.Input{T: at, Act: &alarms.Act{Act: "note", Text: fmt.Sprint(i)}}
		case i%50 == 3:
			in.Reading = drivers.Reading{Exp: -3, Prefix: -3, Quantity: drivers.Voltage, Flags: drivers.DC | drivers.Overload}
		}
		if i%11 == 5 { // two at one time, the higher meter first
			in.T -= ms(22)
		}
		steps = append(steps, Step{Inputs: []alarms.Input{in}, Events: []alarms.Event{note(i+1, at, fmt.Sprint(i))}, T: at})
	}
	return steps
}

// count is a number from the database.
func count(t *testing.T, s *Store, query string) (n int) {
	t.Helper()
	if err := s.db.QueryRow(query).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// await waits for a condition that the Writer's goroutines bring about.
func await(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(bound); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("no %s", what)
		}
	}
}

func TestSealing(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir)
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{sealAt: 500, flushEvery: time.Millisecond, OnFailing: func(err error) { t.Error(err) }})
	steps := script(3333)
	want := func(n int) string {
		var all []alarms.Input
		for _, s := range steps[:n] {
			all = append(all, s.Inputs...)
		}
		return dump(t, all)
	}
	for i, step := range steps[:3000] {
		w.Put(step)
		if i%300 == 299 {
			flush(t, w)
			if got := dump(t, collect(t, s.Inputs(run.ID))); got != want(i+1) {
				t.Fatalf("after %d inputs, with %d seals, they come back otherwise", i+1, count(t, s, "SELECT count(*) FROM seals"))
			}
		}
	}
	await(t, "seals", func() bool {
		w.Put(Step{T: steps[2999].T})
		return count(t, s, "SELECT count(*) FROM seals") >= 3 && count(t, s, "SELECT count(*) FROM readings") < 1500
	})
	w.Stop(steps[2999].T)
	closeWriter(t, w)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	s = openStore(t, dir) // the run goes on behind its seals
	w = writer(t, s, run.ID, Options{sealAt: 500})
	for _, step := range steps[3000:] {
		w.Put(step)
	}
	w.End(steps[3332].T, anchor.Add(time.Hour))
	closeWriter(t, w)
	if n := count(t, s, "SELECT count(*) FROM readings"); n != 0 {
		t.Errorf("the run has ended and %d readings are not sealed", n)
	}
	if n := count(t, s, "SELECT freelist_count FROM pragma_freelist_count"); n != 0 {
		t.Errorf("%d pages were not given back", n)
	}
	if got := dump(t, collect(t, s.Inputs(run.ID))); got != want(3333) {
		t.Error("sealed to the end, the inputs come back otherwise")
	}
	for i, e := range collect(t, s.Events(run.ID)) {
		if !strings.Contains(string(e), fmt.Sprintf(`"text":"%d"`, i)) {
			t.Fatalf("event %d is %s", i+1, e)
		}
	}
	if in, err := s.Find(run.ID); err != nil || in.Readings != int64(count(t, s, "SELECT sum(readings) FROM blocks")) || in.Events != 3333 {
		t.Errorf("the run says %+v (%v)", in, err)
	}
	next := 0
	for range s.Inputs(run.ID) { // breaking off leaves nothing open
		if next++; next > 600 {
			break
		}
	}
	if n := s.db.Stats().InUse; n != 0 {
		t.Errorf("%d connections still in use", n)
	}
}

func byTime(a, b alarms.Input) int { return cmp.Compare(a.T, b.T) }

// A window is those of all inputs that it should be, sealed or not.
func TestWindow(t *testing.T) {
	s := openStore(t, t.TempDir())
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{sealAt: 700, flushEvery: time.Millisecond})
	for i, step := range script(3000) {
		w.Put(step)
		if i%500 == 0 {
			flush(t, w)
		}
	}
	await(t, "seals", func() bool {
		w.Put(Step{T: ms(66000)})
		return count(t, s, "SELECT count(*) FROM seals") >= 2
	})
	flush(t, w)
	all := collect(t, s.Inputs(run.ID))
	for _, c := range [][2]time.Duration{{0, time.Hour}, {10 * time.Second, 20 * time.Second}, {ms(22 * 1234), ms(22 * 1234)}, {time.Hour, 2 * time.Hour}, {59 * time.Second, 66 * time.Second}} {
		for i, name := range run.Meters {
			var want []Sample
			for _, in := range all {
				if in.Act == nil && in.Meter == i && in.T >= c[0] && in.T <= c[1] {
					want = append(want, Sample{in.T, in.Reading})
				}
			}
			if got := collect(t, s.Window(run.ID, name, c[0], c[1])); !slices.Equal(got, want) {
				t.Errorf("%s from %v to %v: %d readings, want %d", name, c[0], c[1], len(got), len(want))
			}
		}
		var want []alarms.Input
		for _, in := range all {
			if in.T <= c[1] && (in.Act != nil || in.T >= c[0] && in.Meter != 1) {
				want = append(want, in)
			}
		}
		got := collect(t, s.Stretch(run.ID, func(m int) bool { return m != 1 }, c[0], c[1]))
		if !slices.IsSortedFunc(got, byTime) {
			t.Errorf("the stretch from %v to %v is not in order of time", c[0], c[1])
		}
		order := func(a, b alarms.Input) int { // of one millisecond, acts come first
			rank := func(in alarms.Input) int {
				if in.Act != nil {
					return -1
				}
				return in.Meter
			}
			return cmp.Or(byTime(a, b), cmp.Compare(rank(a), rank(b)))
		}
		slices.SortStableFunc(want, order)
		slices.SortStableFunc(got, order)
		if d := gocmp.Diff(want, got); d != "" {
			t.Errorf("the stretch from %v to %v (-want +got):\n%s", c[0], c[1], d)
		}
	}
	for _, err := range s.Window(run.ID, "k9", 0, time.Hour) {
		if err == nil || !strings.Contains(err.Error(), `"k9"`) || !strings.Contains(err.Error(), "k4") {
			t.Errorf("a meter that is none: %v", err)
		}
	}
	closeWriter(t, w) // which uses connections of its own
	for range s.Window(run.ID, "k1", 0, time.Hour) {
		break
	}
	if n := s.db.Stats().InUse; n != 0 {
		t.Errorf("%d connections still in use", n)
	}
}

// golden copies the record of version 1 into a directory of its own.
func golden(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("testdata/v1/nightsoak.db")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, fileName), b, 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

// tell is all that can be read back of a record, as the program of version 1
// printed it when it made the golden.
func tell(t *testing.T, s *Store) string {
	t.Helper()
	runs, err := s.Runs()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, in := range runs {
		fmt.Fprintf(&b, "run %s ticket=%s started=%s ended=%v endedAt=%v advanced=%v clean=%v amplifier=%q bench=%q meters=%v core=%s software=%q goarch=%q readings=%d events=%d\n",
			in.ID, in.Ticket, stamp(in.Started), in.Ended, in.EndedAt, in.Advanced, in.Clean, in.Amplifier, in.Bench, in.Meters, in.Core, in.Software, in.GOARCH, in.Readings, in.Events)
		fmt.Fprintf(&b, "bench %q\njob %q\n", in.BenchText, in.JobText)
		b.WriteString(dump(t, collect(t, s.Inputs(in.ID))))
		for _, e := range collect(t, s.Events(in.ID)) {
			fmt.Fprintf(&b, "event %s\n", e)
		}
		hosts, err := s.HostEvents(in.ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range hosts {
			fmt.Fprintf(&b, "host %s\n", h.Text)
		}
	}
	return b.String()
}

func TestVersion1(t *testing.T) {
	text, err := os.ReadFile("testdata/v1/v1.txt")
	if err != nil {
		t.Fatal(err)
	}
	same := func(what string, s *Store) {
		t.Helper()
		if got := tell(t, s); got != string(text) {
			t.Errorf("%s, it reads otherwise:\n%s", what, got)
		}
	}
	dir := golden(t)
	r, err := OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	same("read as it is", r)
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	s := openStore(t, dir)
	same("brought to version 2", s)
	if v := count(t, s, "SELECT user_version FROM pragma_user_version"); v != schemaVersion {
		t.Errorf("its version is %d", v)
	}
	if err := s.Tidy(context.Background(), Retention{}); err != nil {
		t.Fatal(err)
	}
	same("sealed", s)
	if open, ended := count(t, s, "SELECT count(*) FROM readings WHERE run = 2"), count(t, s, "SELECT count(*) FROM readings WHERE run = 1"); open != 15 || ended != 0 {
		t.Errorf("%d rows of the unfinished run and %d of the ended one are left, want 15 and 0", open, ended)
	}
	fresh := openStore(t, t.TempDir())
	schemaOf := func(s *Store) (all []string) {
		rows, err := s.db.Query("SELECT t.name || ': ' || group_concat(c.name || ' ' || c.type, ', ') FROM sqlite_schema t, pragma_table_xinfo(t.name) c WHERE t.type = 'table' GROUP BY t.name ORDER BY t.name")
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var line string
			if err := rows.Scan(&line); err != nil {
				t.Fatal(err)
			}
			all = append(all, line)
		}
		return all
	}
	if got, want := schemaOf(s), schemaOf(fresh); !slices.Equal(got, want) {
		t.Errorf("its tables are\n%s\nwant those of a new one\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	w := writer(t, s, "R-1188", Options{}) // what was begun under version 1 goes on
	w.Rejected(0, 3)                       // and still nobody knows how many there were before
	w.Put(Step{Inputs: []alarms.Input{reading(44*time.Hour, 1, 7)}, T: 44 * time.Hour})
	w.End(44*time.Hour, anchor)
	closeWriter(t, w)
	if in, err := s.Find("R-1188"); err != nil || in.Rejected != nil {
		t.Errorf("gone on with, it says %v rejected, %v", in.Rejected, err)
	}
	if got := collect(t, s.Inputs("R-1188")); len(got) != 21 || got[20].Reading.Digits != 7 {
		t.Errorf("gone on with, it has %d inputs, the last of them %+v", len(got), got[len(got)-1])
	}
}

// Damage is found, named by meter and time, and costs no other block.
func TestDamagedBlock(t *testing.T) {
	s := openStore(t, t.TempDir())
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	for _, step := range script(3000) {
		w.Put(step)
	}
	w.End(time.Hour, anchor)
	closeWriter(t, w)
	tx, err := s.db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ damage, says string }{
		{"UPDATE blocks SET data = CAST(substr(data, 1, 40) || x'00' || substr(data, 42) AS BLOB) WHERE meter = 2", "meter k3 from t = 0.022 s to 65.912 s"},
		{"UPDATE blocks SET hi = 7 WHERE meter = 4", "meter ht from t = 0.0"},
		{"UPDATE blocks SET meter = 3 WHERE meter = 1", "meter k4"},
		{"DELETE FROM blocks WHERE meter = 1", "hold"},
		{"UPDATE seals SET arrival = x'01'", "order differs"},
		{"DELETE FROM blocks", "hold 0 readings"},
	} {
		if err := tx.Rollback(); err != nil {
			t.Fatal(err)
		}
		if tx, err = s.db.Begin(); err != nil {
			t.Fatal(err)
		}
		if _, err := tx.Exec(c.damage); err != nil {
			t.Fatal(err)
		}
		v := &view{s, tx, run}
		err := v.inputs(func(int64, alarms.Input) bool { return true })
		if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want it to say %q", c.damage, err, c.says)
		}
		n := 0
		err = v.window("k1", 0, time.Hour, func(Sample) bool { n++; return true })
		if others := c.damage != "DELETE FROM blocks"; err != nil || (n > 0) != others {
			t.Errorf("%s: k1's readings: %d, %v", c.damage, n, err)
		}
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}

	all := collect(t, s.Inputs(run.ID))
	if c, err := s.Check(run.ID); err != nil || len(c.Wrong) > 0 || c.Blocks != 5 || c.Lost != 0 {
		t.Errorf("whole, it checks as %+v, %v", c, err)
	}
	if _, err := s.db.Exec("UPDATE blocks SET hi = 7 WHERE meter IN (2, 4)"); err != nil {
		t.Fatal(err)
	}
	c, err := s.Check(run.ID)
	if err != nil || len(c.Wrong) != 3 || !strings.Contains(c.Wrong[0]+c.Wrong[1], "meter k3") || !strings.Contains(c.Wrong[0]+c.Wrong[1], "meter ht") || !strings.Contains(c.Wrong[2], "can be read") || c.Blocks != 5 {
		t.Errorf("with two blocks damaged, it checks as %+v, %v", c, err)
	}
	var missing []error
	got := dump(t, collect(t, s.Salvage(run.ID, func(err error) { missing = append(missing, err) })))
	want := slices.DeleteFunc(all, func(in alarms.Input) bool { return in.Act == nil && (in.Meter == 2 || in.Meter == 4) })
	slices.SortStableFunc(want, func(a, b alarms.Input) int { // at one time: acts, then meters as their blocks come
		return cmp.Or(cmp.Compare(a.T, b.T), cmp.Compare(rank(a), rank(b)))
	})
	if w := dump(t, want); got != w || len(missing) != 2 {
		t.Errorf("salvaged is\n%s\nwithout %v\nwant\n%s", got, missing, w)
	}
	if _, err := s.db.Exec("UPDATE runs SET bench_text = x'00'"); err != nil {
		t.Fatal(err)
	}
	if c, err := s.Check(run.ID); err != nil || !strings.Contains(c.Wrong[0], "SHA-256") {
		t.Errorf("with another bench file, it checks as %+v, %v", c, err)
	}
}

// rank is 0 for an act, else that of the meter in the order of script.
func rank(in alarms.Input) int {
	if in.Act != nil {
		return 0
	}
	return 1 + slices.Index([]int{2, 4, 1, 3, 0}, in.Meter)
}

// A page of the file that is spoilt is found, and salvage goes around it.
func TestSpoiltPage(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir)
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	for _, step := range script(20_000) {
		w.Put(step)
	}
	w.End(time.Hour, anchor)
	closeWriter(t, w)
	if err := s.Tidy(t.Context(), Retention{}); err != nil { // were this machine so busy that Close gave up sealing
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, fileName)
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	found, salvaged := 0, 0
	const pages = 20
	for i := range pages {
		b := slices.Clone(file)
		at := (1 + i*(len(b)/4096-2)/pages) * 4096
		for k := at + 100; k < at+3000; k += 97 {
			b[k] ^= 0x55
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		r, err := OpenReader(dir)
		if err != nil {
			found++
			continue
		}
		c, err := r.Check(run.ID)
		if err != nil || len(c.Wrong) > 0 {
			found++
		}
		n := 0
		for _, err := range r.Salvage(run.ID, func(error) {}) {
			if err == nil {
				n++
			}
		}
		if n > 0 {
			salvaged++
		}
		r.Close()
	}
	t.Logf("of %d spoilt pages %d were found; something was salvaged beside %d", pages, found, salvaged)
	if found < pages*3/4 || salvaged < pages/2 { // what is spoilt may be room not in use, or the inside of an event
		t.Errorf("of %d spoilt pages only %d were found, and something was salvaged beside %d", pages, found, salvaged)
	}
}

func TestRetention(t *testing.T) {
	s := openStore(t, t.TempDir())
	day := 24 * time.Hour
	add := func(ticket string, started time.Time, ended bool) {
		t.Helper()
		in := demoRun()
		in.Ticket, in.Started = ticket, started
		in = begin(t, s, in)
		w := writer(t, s, in.ID, Options{})
		for _, step := range script(2000) {
			w.Put(step)
		}
		if ended {
			w.End(time.Hour, started.Add(time.Hour))
		}
		closeWriter(t, w)
	}
	left := func() string {
		t.Helper()
		runs, err := s.Runs()
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, in := range runs {
			names = append(names, in.Ticket)
			if n := len(collect(t, s.Inputs(in.ID))); n != 2000 {
				t.Errorf("%s has %d inputs left", in.ID, n)
			}
		}
		return strings.Join(names, " ")
	}
	tidy := func(r Retention, now time.Time) {
		t.Helper()
		if err := s.prune(t.Context(), r, now); err != nil {
			t.Fatal(err)
		}
	}
	add("old", anchor, true)
	add("kept", anchor.Add(day), true)
	add("unfinished", anchor.Add(2*day), false)
	add("newer", anchor.Add(90*day), true)
	add("newest", anchor.Add(100*day), true)
	if _, err := s.Keep("kept", true); err != nil {
		t.Fatal(err)
	}
	tidy(Retention{}, anchor.Add(1000*day))
	if got := left(); got != "newest newer unfinished kept old" {
		t.Errorf("with no limit, left are %s", got)
	}
	tidy(Retention{For: 30 * day}, anchor.Add(-1000*day)) // a clock without battery
	if got := left(); got != "newest newer unfinished kept old" {
		t.Errorf("in the past, left are %s", got)
	}
	tidy(Retention{For: 30 * day}, anchor.Add(10_000*day)) // a clock gone wild
	if got := left(); got != "newest newer unfinished kept" {
		t.Errorf("after 30 days, left are %s", got)
	}
	if n := count(t, s, "SELECT count(*) FROM events WHERE run = 1") + count(t, s, "SELECT count(*) FROM meters WHERE run = 1"); n != 0 {
		t.Errorf("%d rows of the deleted run are left", n)
	}
	size := int64(count(t, s, "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size"))
	tidy(Retention{Under: size - 1}, anchor.Add(100*day))
	if got := left(); got != "newest unfinished kept" {
		t.Errorf("a byte too large, left are %s", got)
	}
	if now := int64(count(t, s, "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size")); now >= size {
		t.Errorf("the file is still of %d bytes, it was of %d", now, size)
	}
	tidy(Retention{For: 1, Under: 1}, anchor.Add(1000*day))
	if got := left(); got != "unfinished kept" {
		t.Errorf("with nothing allowed, left are %s", got)
	}
	if in, err := s.Keep("kept", false); err != nil || in.Kept {
		t.Error(err)
	}
	tidy(Retention{Under: 1}, anchor)
	if got := left(); got != "unfinished" {
		t.Errorf("kept no more, left are %s", got)
	}
}
