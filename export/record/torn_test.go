package record

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"nightsoak/alarms"
)

var torn = flag.Int("torn", 40, "how many images TestPowerCut tears; NIGHTSOAK_LONG=1 is 500")

// sector is what a disk writes whole or not at all.
const sector = 512

// image is the database's two files at one moment, and how many inputs the
// disk had promised to keep by then.
type image struct {
	db, wal []byte
	synced  int
	restart bool // the log began anew since the image before
}

// tear is what a power cut may leave of a file between two images: of what was
// written in between, all up to some byte, or any of its sectors, whatever
// their order; the file as long as it was, or as it was to be.
func tear(dice *rand.Rand, before, after []byte) []byte {
	mix := bytes.Clone(before)
	if len(after) > len(mix) && dice.IntN(2) == 0 {
		mix = append(mix, make([]byte, len(after)-len(mix))...)
	}
	if dice.IntN(3) == 0 {
		from := 0 // the first byte that differs: a cut before it tears nothing
		for from < min(len(before), len(after)) && before[from] == after[from] {
			from++
		}
		cut := from + dice.IntN(len(after)-from+1)
		return append(bytes.Clone(after[:cut]), mix[min(cut, len(mix)):]...)
	}
	for from := 0; from < min(len(mix), len(after)); from += sector {
		if dice.IntN(2) == 0 {
			copy(mix[from:], after[from:min(from+sector, len(after))])
		}
	}
	return mix
}

// session records known inputs, sealing among them, and takes an image after
// every commit and between the steps of a checkpoint.
func session(t *testing.T, n int) (images []image) {
	t.Helper()
	dir := t.TempDir()
	s := openStore(t, dir)
	s.db.SetMaxOpenConns(1) // so that the pragma, which is the connection's, holds for the Writer
	if _, err := s.db.Exec("PRAGMA wal_autocheckpoint = 0"); err != nil {
		t.Fatal(err)
	}
	run := begin(t, s, demoRun())
	if err := s.checkpoint(); err != nil {
		t.Fatal(err)
	}
	w := writer(t, s, run.ID, Options{sealAt: 300, flushEvery: time.Millisecond})
	put := 0
	take := func(restart bool) {
		t.Helper()
		if err := s.syncLog(); err != nil {
			t.Fatal(err)
		}
		i := image{synced: put, restart: restart}
		var err error
		if i.db, err = os.ReadFile(filepath.Join(dir, fileName)); err == nil {
			i.wal, err = os.ReadFile(filepath.Join(dir, fileName+"-wal"))
		}
		if err != nil {
			t.Fatal(err)
		}
		images = append(images, i)
	}
	take(true)
	restart := false
	for put < n {
		for range 1 + rand.N(40) {
			put++
			w.Put(known(put))
		}
		flush(t, w)
		take(restart)
		if restart = rand.N(6) == 0; restart {
			if err := s.checkpoint(); err != nil {
				t.Fatal(err)
			}
			take(false)
		}
	}
	closeWriter(t, w)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return images
}

// checkpoint copies the log into the database, as SQLite does by itself now and then.
func (s *Store) checkpoint() error {
	var busy, log, done int
	return s.db.QueryRow("PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &log, &done)
}

// A power cut tears what was being written at any place. What had been synced
// is all there afterwards, in order, with every event; of what came after, some
// whole steps; never half of one, and never a database that is not whole. (The
// disk is taken at its word that a sync is one; no disk can be unplugged here.)
func TestPowerCut(t *testing.T) {
	images := *torn
	if os.Getenv("NIGHTSOAK_LONG") != "" {
		images = max(images, 500)
	}
	dice := rand.New(rand.NewPCG(1187, uint64(images)))
	of := map[string]int{}
	lost, sealed, made := 0, 0, 0
	for made < images {
		taken := session(t, 1500)
		for range min(100, images-made) {
			k := 1 + dice.IntN(len(taken)-1)
			before, after := taken[k-1], taken[k]
			img := image{db: before.db, wal: before.wal}
			kind := ""
			switch {
			case !bytes.Equal(before.db, after.db): // a checkpoint: the log stands, the database is written over
				kind = "checkpoint"
				img.db = tear(dice, before.db, after.db)
			default: // new frames, behind those that count or over older ones
				kind = "log"
				if after.restart { // over those of the log that the checkpoint has emptied
					kind = "log begun anew"
				}
				img.wal = tear(dice, before.wal, after.wal)
			}
			of[kind]++
			made++
			kept, n := boot(t, img, fmt.Sprintf("image %d (%s)", made, kind))
			if kept < before.synced || kept > after.synced {
				t.Errorf("image %d (%s): %d inputs kept, %d were synced and %d put", made, kind, kept, before.synced, after.synced)
			}
			lost = max(lost, after.synced-kept)
			sealed = max(sealed, n)
			if t.Failed() {
				t.FailNow()
			}
		}
	}
	if len(of) != 3 || sealed < 3 {
		t.Errorf("images were only %v, with at most %d seals", of, sealed)
	}
	t.Logf("%d images %v: none corrupt, all that was synced there; at most %d inputs of the commit that was torn lost; up to %d seals", made, of, lost, sealed)
}

// boot opens an image as the daemon would, checks that it is whole, and says
// how many inputs and seals it holds.
func boot(t *testing.T, img image, name string) (kept, seals int) {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	for file, b := range map[string][]byte{fileName: img.db, fileName + "-wal": img.wal} {
		if err := os.WriteFile(filepath.Join(dir, file), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	s, err := Open(dir)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	defer s.Close()
	kept, _ = whole(t, s, name)
	return kept, count(t, s, "SELECT count(*) FROM seals")
}

// whole checks that what is recorded of known inputs is a beginning of them,
// exactly, with their events and no others, and says how much it is. gaps are
// the gaps stated among them.
func whole(t *testing.T, s *Store, name string) (kept, gaps int) {
	t.Helper()
	var ok string
	if err := s.db.QueryRow("PRAGMA integrity_check").Scan(&ok); err != nil || ok != "ok" {
		t.Fatalf("%s: integrity_check: %s %v", name, ok, err)
	}
	readings := 0
	var want []alarms.Event
	for in, err := range s.Inputs("R-1187") {
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		kept++
		if in.Gap != nil {
			gaps++
			if in.Gap.From != alarms.Seconds(ms(int64(kept-1))) || in.T != ms(int64(kept)) {
				t.Fatalf("%s: input %d is a gap from %v to %v", name, kept, time.Duration(in.Gap.From), in.T)
			}
			continue
		}
		readings++
		step := known(kept)
		if in != step.Inputs[0] {
			t.Fatalf("%s: input %d is %+v, want %+v", name, kept, in, step.Inputs[0])
		}
		want = append(want, step.Events...)
	}
	events := 0
	for raw, err := range s.Events("R-1187") {
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if events == len(want) {
			t.Fatalf("%s: event %s has no cause", name, raw)
		}
		b, err := json.Marshal(want[events])
		if err != nil {
			t.Fatal(err)
		}
		if string(raw) != string(b) {
			t.Fatalf("%s: event %d is %s, want %s", name, events+1, raw, b)
		}
		events++
	}
	if events != len(want) {
		t.Fatalf("%s: %d events, the inputs make %d", name, events, len(want))
	}
	if in, err := s.Find("R-1187"); err != nil || in.Advanced != ms(int64(kept)) || in.Readings != int64(readings) || in.Events != int64(events) || in.Clean {
		t.Errorf("%s: the run says %+v (%v) beside %d inputs, %d events", name, in, err, kept, events)
	}
	return kept, gaps
}
