package record

import (
	"archive/zip"
	"bufio"
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"nightsoak/alarms"
)

// The files of a packed run: a zip in which sha256sum -c SHA256SUMS finds
// everything as it was. Only the first four are needed to import it; the others
// are for people and their programs.
const (
	packRun    = "run.json"
	packBench  = "bench.toml"
	packJob    = "job.toml"
	packBlocks = "run.blocks"
	packCSV    = "readings.csv"
	packActs   = "acts.jsonl"   // as replay --acts reads them
	packEvents = "events.jsonl" // as replay --json prints them
	packHost   = "host.txt"
	packSums   = "SHA256SUMS"
)

const packFormat = 1

// ErrPack is that a file is not a packed run, or not as it was packed.
var ErrPack = errors.New("not a packed run as it was written")

// ErrHere is that a run to be imported is in the record already.
var ErrHere = errors.New("the record has this run already")

// packed is run.json.
type packed struct {
	Format    int       `json:"format"`
	ID        string    `json:"id"`
	Ticket    string    `json:"ticket"`
	Amplifier string    `json:"amplifier"`
	Bench     string    `json:"bench"`
	Started   time.Time `json:"started"`

	Ended     *time.Time `json:"ended"`
	EndedMs   int64      `json:"ended_ms"`
	Advanced  int64      `json:"advanced_ms"`
	Clean     bool       `json:"clean"`
	Meters    []string   `json:"meters"`
	Rejected  []uint64   `json:"rejected,omitempty"` // frames, by meter
	Readings  int64      `json:"readings"`
	Events    int64      `json:"events"`
	Core      string     `json:"core"`
	Software  string     `json:"software"`
	GOARCH    string     `json:"goarch"`
	FilesHash string     `json:"files_sha256,omitempty"`
}

// File is a further file of a packed run.
type File struct {
	Name string // no folders
	Text []byte
}

// Pack writes a run as one zip: its readings as blocks and as CSV, its events,
// acts and files, whatever more is given, and checksums; id as in Find. The
// same run and files give the same bytes.
func (s *Store) Pack(w io.Writer, id string, more ...File) error {
	v, err := s.view(id)
	if err != nil {
		return err
	}
	defer v.close()
	z := zip.NewWriter(w)
	sums := map[string]hash.Hash{}
	add := func(name string, write func(io.Writer) error) {
		if err != nil {
			return
		}
		var f io.Writer
		if f, err = z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: v.Started}); err != nil {
			return
		}
		sums[name] = sha256.New()
		b := bufio.NewWriter(io.MultiWriter(f, sums[name]))
		if err = write(b); err == nil {
			err = b.Flush()
		}
	}
	text := func(name string, b []byte) {
		add(name, func(w io.Writer) error { _, err := w.Write(b); return err })
	}
	in, err := json.MarshalIndent(packed{packFormat, v.ID, v.Ticket, v.Amplifier, v.Bench, v.Started, v.Ended, v.EndedAt.Milliseconds(),
		v.Advanced.Milliseconds(), v.Clean, v.Meters, v.Rejected, v.Readings, v.Events, v.Core, v.Software, v.GOARCH, v.FilesHash}, "", "\t")
	text(packRun, append(in, '\n'))
	text(packBench, v.BenchText)
	text(packJob, v.JobText)
	add(packBlocks, v.writeBlocks)
	add(packCSV, func(w io.Writer) error { return WriteCSV(w, v.Meters, s.Inputs(v.ID)) })
	add(packActs, v.writeActs)
	add(packEvents, func(w io.Writer) error {
		return v.events(func(_, _ int64, json []byte) error { _, err := w.Write(append(json, '\n')); return err })
	})
	add(packHost, func(w io.Writer) error {
		return v.hosts(func(wall, text string) error { _, err := fmt.Fprintf(w, "%s %s\n", wall, text); return err })
	})
	for _, f := range more {
		text(f.Name, f.Text)
	}
	var list bytes.Buffer
	for _, name := range slices.Sorted(maps.Keys(sums)) {
		fmt.Fprintf(&list, "%x  %s\n", sums[name].Sum(nil), name)
	}
	text(packSums, list.Bytes())
	if err != nil {
		return err
	}
	return z.Close()
}

// writeActs writes the acts file.
func (v *view) writeActs(w io.Writer) error {
	acts, err := v.acts(0, 1<<seqBits-1)
	if err != nil {
		return err
	}
	for _, a := range acts {
		t := alarms.Seconds(a.in.T)
		var line []byte
		switch {
		case a.in.Act != nil:
			line, err = json.Marshal(struct {
				T     alarms.Seconds `json:"t"`
				Event string         `json:"event"`
				*alarms.Act
			}{t, alarms.EventAct, a.in.Act})
		case a.in.Port != nil:
			line, err = json.Marshal(struct {
				T     alarms.Seconds `json:"t"`
				Event string         `json:"event"`
				*alarms.PortChange
			}{t, alarms.EventPort, a.in.Port})
		default:
			line, err = json.Marshal(struct {
				T     alarms.Seconds `json:"t"`
				Event string         `json:"event"`
				*alarms.Gap
			}{t, alarms.EventGap, a.in.Gap})
		}
		if err == nil {
			_, err = w.Write(append(line, '\n'))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// events passes on the run's events with their numbers and times.
func (v *view) events(event func(seq, t int64, json []byte) error) error {
	rows, err := v.tx.Query("SELECT key, t_ms, json FROM events WHERE key BETWEEN ? AND ? ORDER BY key", key(v.n, 0), key(v.n+1, 0)-1)
	if err != nil {
		return v.s.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var k, t int64
		var b []byte
		if err := rows.Scan(&k, &t, &b); err != nil {
			return v.damaged("an event", err)
		}
		if err := event(seqOf(k), t, b); err != nil {
			return err
		}
	}
	return v.s.wrap(rows.Err())
}

// hosts passes on what the host had to say.
func (v *view) hosts(host func(wall, text string) error) error {
	rows, err := v.tx.Query("SELECT wall, text FROM host_events WHERE run = ? ORDER BY id", v.n)
	if err != nil {
		return v.s.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var wall, text string
		if err := rows.Scan(&wall, &text); err != nil {
			return v.damaged("a host event", err)
		}
		if err := host(wall, text); err != nil {
			return err
		}
	}
	return v.s.wrap(rows.Err())
}

// run.blocks is blocksMagic and then parts: a letter, uvarint bytes, the bytes,
// and CRC-32C of letter and bytes, 4 bytes little-endian. Numbers in them are
// varints; what comes last takes the rest.
//
//	S  number, last, readings, arrival: a seal; its blocks follow
//	B  number, meter, readings, first ms, last ms, lo, hi, data
//	A  number, ms, length of the kind, kind, body: an act
//	E  number, ms, JSON: an event
//	H  length of the wall clock, the wall clock, text: a host event
const blocksMagic = "nightsoak run 1\n"

// maxPart is how many bytes a part may have.
const maxPart = 1 << 24

func writePart(w io.Writer, kind byte, rest []byte, numbers ...int64) error {
	b := make([]byte, 0, len(rest)+64)
	for _, n := range numbers {
		b = binary.AppendVarint(b, n)
	}
	b = append(b, rest...)
	head := binary.AppendUvarint([]byte{kind}, uint64(len(b)))
	_, err := w.Write(append(head, binary.LittleEndian.AppendUint32(b, sum(b, int64(kind)))...))
	return err
}

// named is a short text before a longer one.
func named(short string, rest []byte) []byte {
	return append(append(binary.AppendVarint(nil, int64(len(short))), short...), rest...)
}

// writeBlocks writes run.blocks; what is not sealed yet is sealed in it.
func (v *view) writeBlocks(w io.Writer) error {
	if _, err := io.WriteString(w, blocksMagic); err != nil {
		return err
	}
	write := func(s *seal) error {
		err := writePart(w, 'S', s.arrival, seqOf(s.key), s.last, int64(s.readings))
		for i := range s.blocks {
			b := &s.blocks[i]
			err = errors.Join(err, writePart(w, 'B', b.data, seqOf(b.key), int64(b.meter), int64(b.readings), b.first, b.last, b.lo, b.hi))
		}
		return err
	}
	seals, err := v.seals()
	if err != nil {
		return err
	}
	last := int64(0)
	for i := range seals {
		s := &seals[i]
		last = s.last
		err := v.blocks(s, func(b *block) error {
			c := *b
			c.data = bytes.Clone(b.data)
			s.blocks = append(s.blocks, c)
			return nil
		})
		if err == nil {
			err = write(s)
		}
		if err != nil {
			return err
		}
		s.blocks = nil
	}
	for {
		readings, err := readSpan(v.tx, v.n, last, sealAt)
		if err != nil {
			return v.s.wrap(err)
		}
		if len(readings) == 0 {
			break
		}
		s := sealed(v.n, last+1, readings)
		if err := write(s); err != nil {
			return err
		}
		last = s.last
	}
	acts, err := v.acts(0, 1<<seqBits-1)
	for i := range acts {
		kind, body, encodeErr := encodeAct(&acts[i].in)
		if err = errors.Join(err, encodeErr); err != nil {
			break
		}
		err = writePart(w, 'A', named(kind, body), acts[i].seq, acts[i].in.T.Milliseconds())
	}
	if err != nil {
		return err
	}
	if err := v.events(func(seq, t int64, json []byte) error { return writePart(w, 'E', json, seq, t) }); err != nil {
		return err
	}
	return v.hosts(func(wall, text string) error { return writePart(w, 'H', named(wall, []byte(text))) })
}

// parcel is a run as read from a packed one, checked.
type parcel struct {
	Info
	seals  []*seal
	acts   []act
	events []event
	hosts  [][2]string // wall, text
}

// event is a row of events.
type event struct {
	seq, t int64
	json   []byte
}

// readBlocks reads run.blocks into p, whose Meters are set already.
func (p *parcel) readBlocks(r *bufio.Reader) error {
	magic := make([]byte, len(blocksMagic))
	if _, err := io.ReadFull(r, magic); err != nil || string(magic) != blocksMagic {
		return fmt.Errorf("%w: %s does not begin with %q", ErrPack, packBlocks, blocksMagic)
	}
	for n := 1; ; n++ {
		kind, err := r.ReadByte()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		size, err := binary.ReadUvarint(r)
		if err != nil || size > maxPart {
			return fmt.Errorf("%w: %s, part %d: no length, or above %d bytes", ErrPack, packBlocks, n, maxPart)
		}
		var b bytes.Buffer // grows with what comes, not with what is promised
		if got, err := io.CopyN(&b, r, int64(size)+4); err != nil {
			return fmt.Errorf("%w: %s, part %d: cut off after %d of %d bytes", ErrPack, packBlocks, n, got, size+4)
		}
		body, crc := b.Bytes()[:size], binary.LittleEndian.Uint32(b.Bytes()[size:])
		if sum(body, int64(kind)) != crc {
			return fmt.Errorf("%w: %s, part %d: its checksum differs", ErrPack, packBlocks, n)
		}
		if err := p.part(kind, column{b: body}); err != nil {
			return fmt.Errorf("%w: %s, part %d (%c): %w", ErrPack, packBlocks, n, kind, err)
		}
	}
}

var errPart = errors.New("it does not fit the run")

// part takes one part.
func (p *parcel) part(kind byte, c column) error {
	number := func() int64 {
		n := c.varint()
		c.bad = c.bad || n < 0 || n >= 1<<seqBits
		return n
	}
	short := func() string {
		n := c.varint()
		if c.bad || n < 0 || n > int64(len(c.b)) {
			c.bad = true
			return ""
		}
		s := string(c.b[:n])
		c.b = c.b[n:]
		return s
	}
	switch kind {
	case 'S':
		s := &seal{key: number(), last: number(), readings: int(number())}
		s.arrival = c.b
		if after := p.sealedTo(); c.bad || s.key != after+1 || s.last < s.key || s.readings > maxStretch {
			return fmt.Errorf("%w: a seal from %d to %d after one to %d", errPart, s.key, s.last, after)
		}
		p.seals = append(p.seals, s)
	case 'B':
		b := block{key: number(), meter: int(number()), readings: int(number()), first: c.varint(), last: c.varint(), lo: c.varint(), hi: c.varint()}
		b.data = c.b
		n := len(p.seals)
		if c.bad || n == 0 || b.key < p.seals[n-1].key || b.key > p.seals[n-1].last || b.meter >= len(p.Meters) {
			return fmt.Errorf("%w: a block of meter %d from number %d on", errPart, b.meter, b.key)
		}
		p.seals[n-1].blocks = append(p.seals[n-1].blocks, b)
	case 'A':
		a := act{seq: number()}
		a.in.T = ms(c.varint())
		kind := short()
		if c.bad || len(p.acts) > 0 && a.seq <= p.acts[len(p.acts)-1].seq {
			return fmt.Errorf("%w: an act with number %d", errPart, a.seq)
		}
		if err := decodeAct(kind, c.b, &a.in); err != nil {
			return err
		}
		p.acts = append(p.acts, a)
	case 'E':
		e := event{seq: number(), t: c.varint(), json: c.b}
		if c.bad || len(p.events) > 0 && e.seq <= p.events[len(p.events)-1].seq || !json.Valid(e.json) {
			return fmt.Errorf("%w: event %d", errPart, e.seq)
		}
		p.events = append(p.events, e)
	case 'H':
		wall := short()
		if _, err := time.Parse(stampLayout, wall); err != nil || c.bad {
			return fmt.Errorf("%w: a host event at %q", errPart, wall)
		}
		p.hosts = append(p.hosts, [2]string{wall, string(c.b)})
	default:
		return errors.New("this program does not know that kind: use a newer one")
	}
	return nil
}

func (p *parcel) sealedTo() int64 {
	if n := len(p.seals); n > 0 {
		return p.seals[n-1].last
	}
	return 0
}

// check decodes everything, so that what is imported can be read.
func (p *parcel) check() error {
	var readings int64
	var r []*blockReader
	for _, s := range p.seals {
		o, err := decodeOrder(s.arrival, s.readings)
		if err != nil {
			return err
		}
		var tracks []track
		n := 0
		for i := range s.blocks {
			b := &s.blocks[i]
			if len(r) == i {
				r = append(r, new(blockReader))
			}
			in, err := r[i].decode(b.data)
			if err != nil {
				return err
			}
			is := *b
			if is.extent(in); is.sum() != b.sum() {
				return fmt.Errorf("%w: a block's index differs from what it holds", errBlock)
			}
			if find(tracks, b.meter) != nil {
				return fmt.Errorf("%w: two blocks of meter %d in one seal", errBlock, b.meter)
			}
			tracks = append(tracks, track{b.meter, in})
			slices.SortFunc(tracks, func(a, b track) int { return a.meter - b.meter })
			if n += len(in); n > s.readings {
				break
			}
		}
		if n != s.readings {
			return fmt.Errorf("%w: the seal from %d holds %d readings, not %d", errBlock, s.key, n, s.readings)
		}
		ends := int64(-1)
		seen := map[int]bool{}
		err = o.replay(tracks, func(at int64, meter int, _ *Sample) bool {
			ends = s.key + at
			if !seen[meter] {
				seen[meter] = true
				if !slices.ContainsFunc(s.blocks, func(b block) bool { return b.meter == meter && b.key == ends }) {
					n = -1 // a block that does not say where it begins
				}
			}
			return ends <= s.last
		})
		if err != nil || n != s.readings || ends != s.last {
			return errors.Join(fmt.Errorf("%w: the numbers of the seal from %d to %d are not those of its readings", errBlock, s.key, s.last), err)
		}
		readings += int64(n)
	}
	if readings != p.Readings || int64(len(p.events)) != p.Events {
		return fmt.Errorf("it holds %d readings and %d events, %s says %d and %d", readings, len(p.events), packRun, p.Readings, p.Events)
	}
	return nil
}

// limits of what is read from a zip: what is larger is refused, however small
// it is packed.
const (
	maxPacked  = 1 << 34 // bytes of all files unpacked
	maxFiles   = 100
	maxText    = 1 << 20 // run.json, bench.toml, job.toml, SHA256SUMS
	maxBlocks  = 1 << 29 // run.blocks
	maxMeters  = 4096
	maxRunText = 1 << 10 // id, ticket and the like
)

// unpack reads and checks a packed run. Nothing is written anywhere: names in
// the zip are compared, never opened.
func unpack(r io.ReaderAt, size int64) (*parcel, error) {
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrPack, err)
	}
	if len(z.File) > maxFiles {
		return nil, fmt.Errorf("%w: %d files, a packed run has at most %d", ErrPack, len(z.File), maxFiles)
	}
	files := map[string]*zip.File{}
	for _, f := range z.File {
		if !fs.ValidPath(f.Name) || strings.ContainsAny(f.Name, "/\\:\x00\n") || f.Name == "." || files[f.Name] != nil || !f.Mode().IsRegular() {
			return nil, fmt.Errorf("%w: it holds %q: every file has a plain name of its own", ErrPack, f.Name)
		}
		files[f.Name] = f
	}
	texts := map[string][]byte{}
	for _, name := range []string{packSums, packRun, packBench, packJob} {
		if texts[name], err = readText(files[name], name); err != nil {
			return nil, err
		}
	}
	if err := checkSums(files, texts[packSums]); err != nil {
		return nil, err
	}
	var in packed
	d := json.NewDecoder(bytes.NewReader(texts[packRun]))
	d.DisallowUnknownFields()
	if err := d.Decode(&in); err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrPack, packRun, err)
	}
	if in.Format != packFormat {
		return nil, fmt.Errorf("%w: its format is %d, this program knows %d: use a newer one", ErrPack, in.Format, packFormat)
	}
	if in.Ended == nil {
		return nil, fmt.Errorf("%w: run %s was unfinished when it was packed: end it, then pack it again", ErrPack, in.ID)
	}
	if in.ID != fileSafe(in.ID) || len(in.ID) > 100 || in.ID == "" || len(in.Meters) > maxMeters || len(in.Ticket)+len(in.Amplifier)+len(in.Bench)+len(in.Software) > maxRunText ||
		in.Advanced < 0 || in.EndedMs < 0 || in.Advanced > int64(math.MaxInt64/time.Millisecond) || in.EndedMs > int64(math.MaxInt64/time.Millisecond) || in.Started.Year() > 9999 || in.Started.Year() < 0 || in.Ended.Year() > 9999 || in.Ended.Year() < 0 ||
		slices.ContainsFunc(in.Rejected, func(n uint64) bool { return n > math.MaxInt64 }) {
		return nil, fmt.Errorf("%w: %s: a text is too long or a number out of range", ErrPack, packRun)
	}
	p := &parcel{Info: Info{ID: in.ID, Ticket: in.Ticket, Started: in.Started, Ended: in.Ended, Readings: in.Readings, Events: in.Events,
		EndedAt: ms(in.EndedMs), Advanced: ms(in.Advanced), Clean: in.Clean, Amplifier: in.Amplifier, Bench: in.Bench, Meters: in.Meters, Rejected: in.Rejected,
		BenchText: texts[packBench], JobText: texts[packJob], Core: in.Core, Software: in.Software, GOARCH: in.GOARCH, FilesHash: in.FilesHash}}
	if len(p.Rejected) != len(p.Meters) {
		p.Rejected = nil
	}
	f, err := entry(files[packBlocks], packBlocks)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if err := p.readBlocks(bufio.NewReader(io.LimitReader(f, maxBlocks))); err != nil {
		return nil, err
	}
	if err := p.check(); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrPack, err)
	}
	return p, nil
}

func entry(f *zip.File, name string) (io.ReadCloser, error) {
	if f == nil {
		return nil, fmt.Errorf("%w: it holds no %s", ErrPack, name)
	}
	r, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrPack, name, err)
	}
	return r, nil
}

func readText(f *zip.File, name string) ([]byte, error) {
	r, err := entry(f, name)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	b, err := io.ReadAll(io.LimitReader(r, maxText+1))
	if err == nil && len(b) > maxText {
		err = fmt.Errorf("above %d bytes", maxText)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrPack, name, err)
	}
	return b, nil
}

// checkSums compares every file with SHA256SUMS, which must name them all.
func checkSums(files map[string]*zip.File, list []byte) error {
	want := map[string]string{}
	for line := range strings.Lines(string(list)) {
		sum, name, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		if _, twice := want[name]; !ok || twice || files[name] == nil {
			return fmt.Errorf("%w: %s: line %q", ErrPack, packSums, line)
		}
		want[name] = sum
	}
	left := int64(maxPacked)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if name == packSums {
			continue
		}
		if want[name] == "" {
			return fmt.Errorf("%w: %s is not in %s", ErrPack, name, packSums)
		}
		r, err := entry(files[name], name)
		if err != nil {
			return err
		}
		h := sha256.New()
		n, err := io.Copy(h, io.LimitReader(r, left+1))
		r.Close()
		if left -= n; err == nil && left < 0 {
			err = fmt.Errorf("unpacked it is above %d bytes with those before", int64(maxPacked))
		}
		if err == nil && hex.EncodeToString(h.Sum(nil)) != want[name] {
			err = errors.New("its SHA-256 is not the one it was packed with")
		}
		if err != nil {
			return fmt.Errorf("%w: %s: %w", ErrPack, name, err)
		}
	}
	return nil
}

// Import takes a packed run into the record, once all of it has been checked.
// It fails with ErrPack when it is not as it was packed, with ErrHere when the
// record has that run; then nothing is changed.
func (s *Store) Import(r io.ReaderAt, size int64) (Info, error) {
	p, err := unpack(r, size)
	if err != nil {
		return Info{}, err
	}
	tx, err := s.db.Begin()
	if err != nil {
		return Info{}, s.wrap(err)
	}
	defer tx.Rollback()
	if err = p.insert(tx); err == nil {
		err = tx.Commit()
	}
	if err != nil {
		return Info{}, s.wrap(err)
	}
	return s.Find(p.ID)
}

func (p *parcel) insert(tx *sql.Tx) error {
	var here bool
	if err := tx.QueryRow("SELECT EXISTS (SELECT 1 FROM runs WHERE id = ?)", p.ID).Scan(&here); err != nil {
		return err
	}
	if here {
		return fmt.Errorf("%w: %s", ErrHere, p.ID)
	}
	res, err := tx.Exec(`INSERT INTO runs (id, ticket, amplifier, bench, anchor, bench_text, job_text, core, software, goarch, advanced_ms, ended_ms, ended, clean, readings, events, files_hash)
		VALUES (?, ?, ?, ?, ?, coalesce(?, x''), coalesce(?, x''), ?, ?, ?, ?, ?, ?, ?, ?, ?, nullif(?, ''))`,
		p.ID, p.Ticket, p.Amplifier, p.Bench, stamp(p.Started), p.BenchText, p.JobText, p.Core, p.Software, p.GOARCH,
		p.Advanced.Milliseconds(), p.EndedAt.Milliseconds(), stamp(*p.Ended), p.Clean, p.Readings, p.Events, p.FilesHash)
	if err != nil {
		return err
	}
	n, err := res.LastInsertId()
	exec := func(query string, args ...any) {
		if err == nil {
			_, err = tx.Exec(query, args...)
		}
	}
	for i, name := range p.Meters {
		var rejected any
		if p.Rejected != nil {
			rejected = p.Rejected[i]
		}
		exec("INSERT INTO meters (run, idx, name, rejected) VALUES (?, ?, ?, ?)", n, i, name, rejected)
	}
	for _, s := range p.seals {
		s.key = key(n, s.key)
		s.crc = s.sum()
		for i := range s.blocks {
			b := &s.blocks[i]
			b.key = key(n, b.key)
			b.crc = b.sum()
		}
		if err == nil {
			err = s.insert(tx)
		}
	}
	for i := range p.acts {
		kind, body, encodeErr := encodeAct(&p.acts[i].in)
		err = errors.Join(err, encodeErr)
		exec("INSERT INTO acts (key, t_ms, kind, body) VALUES (?, ?, ?, ?)", key(n, p.acts[i].seq), p.acts[i].in.T.Milliseconds(), kind, string(body))
	}
	for _, e := range p.events {
		exec("INSERT INTO events (key, t_ms, json) VALUES (?, ?, ?)", key(n, e.seq), e.t, string(e.json))
	}
	for _, h := range p.hosts {
		exec("INSERT INTO host_events (run, wall, text) VALUES (?, ?, ?)", n, h[0], h[1])
	}
	return err
}
