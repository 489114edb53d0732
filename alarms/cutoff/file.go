package cutoff

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// holding is the third state in the file: armed, and the hold has been sent. A
// daemon that finds it has not seen how the last one ended.
const holding = "holding"

// kept is what outlives the daemon.
type kept struct {
	State     string     `json:"state"` // Armed, holding or Cut
	Since     *time.Time `json:"since"`
	Why       string     `json:"why"`
	Proof     string     `json:"proof"`
	ProvedAt  *time.Time `json:"proved_at"`
	ProvedRun string     `json:"proved_run"`
}

// fileName is its name in the data directory.
const fileName = "cutoff.json"

// fileSize is that of the file, always: it is written over where it stands, so
// that a full disk cannot keep a drop from being remembered.
const fileSize = 2048

// file is the memory of the cut-off: a line of JSON, its CRC-32 on a second one,
// and blanks. What is torn, cut short or changed counts as Cut.
type file struct {
	mu sync.Mutex
	f  *os.File
}

// openFile opens the file in dir and reads it. Where there is none, nothing was
// ever dropped here: armed.
func openFile(dir string) (*file, kept, error) {
	path := filepath.Join(dir, fileName)
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if errors.Is(err, fs.ErrNotExist) {
		now := time.Now().UTC().Round(time.Millisecond)
		k := kept{State: Armed, Since: &now}
		if err = create(path, k); err == nil {
			f, err = os.OpenFile(path, os.O_RDWR, 0)
		}
	}
	if err != nil {
		return nil, kept{}, err
	}
	text, err := io.ReadAll(io.LimitReader(f, fileSize+1))
	if err != nil {
		return nil, kept{}, errors.Join(err, f.Close())
	}
	return &file{f: f}, decode(text), nil
}

// create writes the file aside, brings it to the disk and puts it in its place.
func create(path string, k kept) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".cutoff-*")
	if err != nil {
		return err
	}
	_, err = f.Write(encode(k))
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	if d, err := os.Open(filepath.Dir(path)); err == nil { // a system that cannot sync a folder has no need
		_ = d.Sync()
		_ = d.Close()
	}
	return nil
}

// write writes k over what stands there and waits for the disk. Whoever calls it
// has locked f.
func (f *file) write(k kept) error {
	_, err := f.f.WriteAt(encode(k), 0)
	if err == nil {
		err = f.f.Sync()
	}
	return err
}

func (f *file) close() error { return f.f.Close() }

// encode is k as the file holds it.
func encode(k kept) []byte {
	for _, text := range []*string{&k.Why, &k.ProvedRun} {
		if len(*text) > 300 {
			*text = (*text)[:300]
		}
	}
	line, err := json.Marshal(k)
	if err != nil {
		panic(err) // of texts and times there is nothing that JSON cannot say
	}
	b := fmt.Appendf(make([]byte, 0, fileSize), "%s\n%08x\n", line, crc32.ChecksumIEEE(line))
	return append(b, bytes.Repeat([]byte(" "), max(0, fileSize-len(b)))...)
}

// decode reads the file. What it cannot have written is Cut.
func decode(text []byte) kept {
	k := kept{State: Cut, Why: fileName + " in the data directory is damaged: whether the mains were dropped is not known"}
	line, rest, _ := bytes.Cut(text, []byte("\n"))
	var read kept
	if string(bytes.TrimSpace(rest)) == fmt.Sprintf("%08x", crc32.ChecksumIEEE(line)) && json.Unmarshal(line, &read) == nil &&
		(read.State == Armed || read.State == holding || read.State == Cut) {
		return read
	}
	return k
}
