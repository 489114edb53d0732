package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/gob"
	"encoding/hex"
	"io"
	"os"
	"path/filepath"
	"sync"

	"nightsoak/alarms"
	"nightsoak/export/record"
	"nightsoak/export/report"
)

// keeper keeps what judging an ended run again gave, so that its reports need
// not judge it anew: 1.9 million readings take seconds. What it keeps can be
// thrown away at any time, and is never read by another build of the program
// or when the record has changed.
type keeper struct {
	dir     string // of the files; empty keeps nothing
	program string // that may read them
	mu      sync.Mutex
}

// keeperFor keeps beside the records in dir.
func keeperFor(dir string) *keeper {
	if p := program(); p != "" {
		return &keeper{dir: filepath.Join(dir, "judged"), program: p}
	}
	return &keeper{}
}

// program is the SHA-256 of the program that runs: a version does not always
// tell one build from another. It is empty where the program cannot be read.
var program = sync.OnceValue(func() string {
	path, err := os.Executable()
	if err != nil {
		return ""
	}
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return ""
	}
	return hex.EncodeToString(h.Sum(nil))
})

// kept is a report's data as it lies in the file. Of a pointer to a zero, gob
// keeps nothing: what such pointers said stands beside.
type kept struct {
	Program              string
	Info                 record.Info
	Data                 report.Data
	Opened, From, ReadT  []bool // per event: Open, From, ReadT is there
	Charged, ChargedIdle bool
}

// get is the data of a run: those kept, or those that gather gives. They lack
// the bench and the job, and what is known of the run beside its events. That
// nothing can be kept, as on a disk that is only read, is no failure.
func (k *keeper) get(info record.Info, gather func() (*report.Data, error)) (*report.Data, error) {
	if k.dir == "" || info.Ended == nil {
		return gather()
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	path := filepath.Join(k.dir, info.ID+".gob")
	if d := k.load(path, info); d != nil {
		return d, nil
	}
	d, err := gather()
	if err == nil {
		k.save(path, info, d)
	}
	return d, err
}

// kept is the data of a run if they are kept.
func (k *keeper) kept(info record.Info) (*report.Data, bool) {
	if k.dir == "" || info.Ended == nil {
		return nil, false
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	d := k.load(filepath.Join(k.dir, info.ID+".gob"), info)
	return d, d != nil
}

// load is nil when the file is not there, or not of this run, or damaged.
func (k *keeper) load(path string, info record.Info) *report.Data {
	b, err := os.ReadFile(path)
	if err != nil || len(b) < sha256.Size {
		return nil
	}
	sum := sha256.Sum256(b[sha256.Size:])
	if !bytes.Equal(sum[:], b[:sha256.Size]) {
		return nil
	}
	var x kept
	if gob.NewDecoder(bytes.NewReader(b[sha256.Size:])).Decode(&x) != nil || x.Program != k.program || !same(x.Info, info) ||
		len(x.Opened) != len(x.Data.Events) || len(x.From) != len(x.Data.Events) || len(x.ReadT) != len(x.Data.Events) {
		return nil
	}
	d := &x.Data
	for i := range d.Events {
		e := &d.Events[i]
		if x.Opened[i] && e.Open == nil {
			e.Open = new(bool)
		}
		if x.From[i] && e.From == nil {
			e.From = new(alarms.Seconds)
		}
		if x.ReadT[i] && e.ReadT == nil {
			e.ReadT = new(alarms.Seconds)
		}
	}
	for _, c := range [...]struct {
		there bool
		at    **bool
	}{{x.Charged, &d.Final.HT.Charged}, {x.ChargedIdle, &d.Idle.HT.Charged}} {
		if c.there && *c.at == nil {
			*c.at = new(bool)
		}
	}
	return d
}

// same says whether two views of a run are of the same record.
func same(a, b record.Info) bool {
	return a.ID == b.ID && a.Started.Equal(b.Started) && a.Readings == b.Readings && a.Events == b.Events &&
		a.Advanced == b.Advanced && bytes.Equal(a.BenchText, b.BenchText) && bytes.Equal(a.JobText, b.JobText)
}

func (k *keeper) save(path string, info record.Info, d *report.Data) {
	x := kept{Program: k.program, Info: info, Data: *d, Charged: d.Final.HT.Charged != nil, ChargedIdle: d.Idle.HT.Charged != nil}
	x.Data.Bench, x.Data.Job = nil, nil // read from the record
	for i := range d.Events {
		e := &d.Events[i]
		x.Opened, x.From, x.ReadT = append(x.Opened, e.Open != nil), append(x.From, e.From != nil), append(x.ReadT, e.ReadT != nil)
	}
	var b bytes.Buffer
	if gob.NewEncoder(&b).Encode(&x) != nil || os.MkdirAll(k.dir, 0o755) != nil {
		return
	}
	sum := sha256.Sum256(b.Bytes())
	_ = writeFile(path, append(sum[:], b.Bytes()...)) // kept or not, the report is right
}
