package record

import "testing"

// The first records of version 2 counted no rejected frames: they are read as they
// are, and gone on with.
func TestVersion2WithoutCounts(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir)
	run := begin(t, s, demoRun())
	if _, err := s.db.Exec("ALTER TABLE meters DROP COLUMN rejected"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	if in, err := r.Find(run.ID); err != nil || in.Rejected != nil {
		t.Errorf("read as it is: %v, %v", in.Rejected, err)
	}
	r.Close()
	s = openStore(t, dir)
	w := writer(t, s, run.ID, Options{})
	w.Rejected(0, 3)
	closeWriter(t, w)
	if in, err := s.Find(run.ID); err != nil || in.Rejected != nil {
		t.Errorf("gone on with: %v, %v", in.Rejected, err)
	}
	if next := begin(t, s, demoRun()); len(next.Rejected) != len(next.Meters) {
		t.Errorf("a new run counts %v", next.Rejected)
	}
}
