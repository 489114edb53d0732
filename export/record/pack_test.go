package record

import (
	"archive/zip"
	"bufio"
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightsoak/alarms"
)

// filledRun is a store with a run of the script, sealed in part and ended.
func filledRun(t *testing.T, n int) (*Store, Info) {
	t.Helper()
	s := openStore(t, t.TempDir())
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{sealAt: 500, flushEvery: time.Millisecond})
	for i, step := range script(n) {
		w.Put(step)
		if i%200 == 0 {
			w.Rejected(1, 2)
			w.Rejected(0, 1)
			flush(t, w)
		}
	}
	w.Host(anchor, "the panel's port is taken")
	w.End(time.Hour, anchor.Add(time.Hour))
	closeWriter(t, w)
	run, err := s.Find(run.ID)
	if err != nil {
		t.Fatal(err)
	}
	return s, run
}

func pack(t *testing.T, s *Store, id string, more ...File) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := s.Pack(&b, id, more...); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func importRun(s *Store, b []byte) (Info, error) { return s.Import(bytes.NewReader(b), int64(len(b))) }

func TestPackAndImport(t *testing.T) {
	s, run := filledRun(t, 3000)
	packed := pack(t, s, run.ID, File{"report.html", []byte("<p>")})
	if again := pack(t, s, run.ID, File{"report.html", []byte("<p>")}); !bytes.Equal(packed, again) {
		t.Error("packed again, it is other bytes")
	}
	other := openStore(t, t.TempDir())
	begin(t, other, Info{Ticket: "R-1", Started: anchor}) // so that the run gets another number
	got, err := importRun(other, packed)
	if err != nil {
		t.Fatal(err)
	}
	want := run
	want.n = got.n
	if fmt.Sprint(run.Rejected[:2]) != "[15 30]" {
		t.Errorf("rejected frames are %v", run.Rejected)
	}
	if g, w := fmt.Sprintf("%+v", got), fmt.Sprintf("%+v", want); g != w {
		t.Errorf("imported is\n%s\nwant\n%s", g, w)
	}
	if g, w := dump(t, collect(t, other.Inputs(run.ID))), dump(t, collect(t, s.Inputs(run.ID))); g != w {
		t.Error("the inputs imported are others")
	}
	text := func(s *Store) string {
		var b strings.Builder
		for _, e := range collect(t, s.Events(run.ID)) {
			fmt.Fprintf(&b, "%s\n", e)
		}
		hosts, err := s.HostEvents(run.ID)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(&b, hosts)
		return b.String()
	}
	if g, w := text(other), text(s); g != w {
		t.Errorf("events and host events imported are\n%s\nwant\n%s", g, w)
	}
	if c, err := other.Check(run.ID); err != nil || len(c.Wrong) > 0 || c.Readings != run.Readings {
		t.Errorf("imported, it checks as %+v, %v", c, err)
	}
	if again := pack(t, other, run.ID, File{"report.html", []byte("<p>")}); !bytes.Equal(packed, again) {
		t.Error("packed there, it is other bytes")
	}
	if _, err := importRun(other, packed); !errors.Is(err, ErrHere) || !strings.Contains(err.Error(), run.ID) {
		t.Errorf("imported twice: %v", err)
	}

	// What is for people says the same: the CSV and the acts, read back.
	files := unzip(t, packed)
	index := func(name string) int {
		for i, m := range run.Meters {
			if m == name {
				return i
			}
		}
		return -1
	}
	var readings, acts []alarms.Input
	for _, in := range collect(t, s.Inputs(run.ID)) {
		if in.Act != nil {
			acts = append(acts, in)
		} else {
			readings = append(readings, in)
		}
	}
	if got := dump(t, collect(t, ReadCSV(bytes.NewReader(files[packCSV]), packCSV, index))); got != dump(t, readings) {
		t.Error("the CSV holds other readings")
	}
	if got := dump(t, collect(t, ReadActs(bytes.NewReader(files[packActs]), packActs))); got != dump(t, acts) {
		t.Errorf("the acts file holds\n%s", got)
	}
}

func unzip(t *testing.T, b []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if files[f.Name], err = io.ReadAll(r); err != nil {
			t.Fatal(err)
		}
		r.Close()
	}
	return files
}

// coreutils' sha256sum agrees with the list that goes with a packed run.
func TestChecksumsByAnother(t *testing.T) {
	tool, err := exec.LookPath("sha256sum")
	if err != nil {
		t.Fatalf("sha256sum of coreutils is needed: %v", err)
	}
	s, run := filledRun(t, 300)
	dir := t.TempDir()
	for name, b := range unzip(t, pack(t, s, run.ID)) {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(tool, "--check", "--strict", packSums)
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil || strings.Count(string(out), ": OK\n") != 8 {
		t.Errorf("%v\n%s", err, out)
	}
}

// An unfinished run is packed as it stands, its loose rows too, and not taken
// in: a daemon there would go on with it.
func TestPackUnfinished(t *testing.T) {
	s := openStore(t, t.TempDir())
	run := begin(t, s, demoRun())
	w := writer(t, s, run.ID, Options{})
	for _, step := range script(500) {
		w.Put(step)
	}
	flush(t, w)
	b := pack(t, s, run.ID)
	if _, err := importRun(openStore(t, t.TempDir()), b); !errors.Is(err, ErrPack) || !strings.Contains(err.Error(), "unfinished") {
		t.Errorf("imported: %v", err)
	}
	p := parcel{Info: run}
	if err := p.readBlocks(bufio.NewReader(bytes.NewReader(unzip(t, b)[packBlocks]))); err != nil {
		t.Fatal(err)
	}
	if n := p.seals[0].readings; n != 494 {
		t.Errorf("it packs %d of 494 readings", n)
	}
}

// rezip packs files, in order, with a list of checksums that is right.
func rezip(t *testing.T, files map[string][]byte, extra ...*zip.FileHeader) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range files {
		w, err := z.Create(name)
		if err == nil {
			_, err = w.Write(text)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, h := range extra {
		if _, err := z.CreateHeader(h); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A packed run that is not as it was is refused in words, and nothing of it is kept.
func TestHostileZip(t *testing.T) {
	s, run := filledRun(t, 1200)
	whole := pack(t, s, run.ID)
	other := openStore(t, t.TempDir())
	edit := func(name string, change func([]byte) []byte) []byte {
		files := unzip(t, whole)
		files[name] = change(files[name])
		list := ""
		for n, b := range files {
			if n != packSums {
				list += fmt.Sprintf("%x  %s\n", sha(b), n)
			}
		}
		files[packSums] = []byte(list)
		return rezip(t, files)
	}
	replace := func(from, to string) func([]byte) []byte {
		return func(b []byte) []byte { return bytes.Replace(b, []byte(from), []byte(to), 1) }
	}
	unlisted := unzip(t, whole)
	unlisted["more.txt"] = []byte("more")
	changed := unzip(t, whole)
	changed[packCSV] = append(changed[packCSV], '\n')
	link := &zip.FileHeader{Name: "link"}
	link.SetMode(os.ModeSymlink | 0o777)
	for name, c := range map[string]struct {
		zip  []byte
		says string
	}{
		"not a zip":         {[]byte("t,meter,reading\n"), "zip"},
		"cut off":           {whole[:len(whole)/2], "zip"},
		"out of the folder": {rezip(t, unzip(t, whole), &zip.FileHeader{Name: "../../etc/cron.d/x"}), `"../../etc/cron.d/x"`},
		"absolute":          {rezip(t, unzip(t, whole), &zip.FileHeader{Name: "/etc/passwd"}), `"/etc/passwd"`},
		"backslash":         {rezip(t, unzip(t, whole), &zip.FileHeader{Name: `..\x`}), `"..\\x"`},
		"folder":            {rezip(t, unzip(t, whole), &zip.FileHeader{Name: "a/"}), `"a/"`},
		"twice":             {rezip(t, unzip(t, whole), &zip.FileHeader{Name: packRun}), packRun},
		"a link":            {rezip(t, unzip(t, whole), link), `"link"`},
		"not in the list":   {rezip(t, unlisted), "more.txt is not in SHA256SUMS"},
		"changed":           {rezip(t, changed), "readings.csv: its SHA-256"},
		"a bomb":            {edit(packJob, func([]byte) []byte { return make([]byte, maxText+1) }), "above"},
		"no JSON":           {edit(packRun, func([]byte) []byte { return []byte("{") }), packRun},
		"newer":             {edit(packRun, replace(`"format": 1`, `"format": 2`)), "newer"},
		"id with a path":    {edit(packRun, replace(`"id": "R`, `"id": "../R`)), packRun},
		"other count":       {edit(packRun, replace(`"readings": 1`, `"readings": 2`)), "readings"},
		"fewer meters":      {edit(packRun, replace(`"ht"`, `"k5", "k6"`)), ""},
		"no meters":         {edit(packRun, replace("\"k1\",\n\t\t\"k2\",", "")), "meter"},
		"block damaged":     {edit(packBlocks, func(b []byte) []byte { b[len(b)/3] ^= 4; return b }), "checksum differs"},
		"blocks cut off":    {edit(packBlocks, func(b []byte) []byte { return b[:len(b)/3] }), "cut off"},
		"a part promised":   {edit(packBlocks, func(b []byte) []byte { return append(b, 'B', 0xff, 0xff, 0x03) }), "cut off"},
		"a part too long":   {edit(packBlocks, func(b []byte) []byte { return append(b, 'B', 0xff, 0xff, 0xff, 0xff, 0x0f) }), "no length"},
		"unknown part":      {edit(packBlocks, func(b []byte) []byte { var w bytes.Buffer; writePart(&w, 'Z', nil); return append(b, w.Bytes()...) }), "newer"},
	} {
		_, err := importRun(other, c.zip)
		if name == "fewer meters" { // one more than there was: no harm
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if !errors.Is(err, ErrPack) || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line that says %q", name, err, c.says)
		}
	}
	if runs, err := other.Runs(); err != nil || len(runs) != 1 {
		t.Errorf("kept is %v (%v)", runs, err)
	}
}

// Whatever a zip holds, importing it fails or makes a run that checks.
func FuzzImport(f *testing.F) {
	s, err := Open(f.TempDir())
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { s.Close() })
	run, err := s.Begin(demoRun())
	if err != nil {
		f.Fatal(err)
	}
	w, err := s.Writer(run.ID, Options{})
	if err != nil {
		f.Fatal(err)
	}
	for _, step := range script(60) {
		w.Put(step)
	}
	w.End(time.Hour, anchor)
	if err := w.Close(f.Context()); err != nil {
		f.Fatal(err)
	}
	var b bytes.Buffer
	if err := s.Pack(&b, run.ID); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := unpack(bytes.NewReader(b), int64(len(b)))
		if err == nil && p.ID == "" {
			t.Error("a run without an id")
		}
	})
}

// Whatever run.blocks holds, reading it fails or gives a run that can be packed
// and read again.
func FuzzBlocksFile(f *testing.F) {
	s, err := Open(f.TempDir())
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { s.Close() })
	run, err := s.Begin(demoRun())
	if err != nil {
		f.Fatal(err)
	}
	w, err := s.Writer(run.ID, Options{})
	if err != nil {
		f.Fatal(err)
	}
	for _, step := range script(60) {
		w.Put(step)
	}
	if err := w.Close(f.Context()); err != nil {
		f.Fatal(err)
	}
	v, err := s.view(run.ID)
	if err != nil {
		f.Fatal(err)
	}
	defer v.close()
	var b bytes.Buffer
	if err := v.writeBlocks(&b); err != nil {
		f.Fatal(err)
	}
	// Parts without their checksums, which a fuzzer does not find: a letter and
	// a length each.
	var parts []byte
	r := bytes.NewReader(b.Bytes()[len(blocksMagic):])
	for r.Len() > 0 {
		kind, _ := r.ReadByte()
		n, c := 0, byte(0)
		for shift := 0; ; shift += 7 {
			c, _ = r.ReadByte()
			if n |= int(c&0x7f) << shift; c < 0x80 {
				break
			}
		}
		body := make([]byte, n+4)
		io.ReadFull(r, body)
		if n < 256 {
			parts = append(append(parts, kind, byte(n)), body[:n]...)
		}
	}
	f.Add(parts)
	f.Fuzz(func(t *testing.T, parts []byte) {
		p := parcel{Info: demoRun()}
		for len(parts) >= 2 {
			n := min(int(parts[1]), len(parts)-2)
			if err := p.part(parts[0], column{b: parts[2 : 2+n]}); err != nil {
				return
			}
			parts = parts[2+n:]
		}
		p.Events = int64(len(p.events))
		for _, s := range p.seals {
			p.Readings += int64(s.readings)
		}
		p.check()
	})
}

func sha(b []byte) []byte { s := sha256.Sum256(b); return s[:] }
