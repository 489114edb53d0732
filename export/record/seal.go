package record

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"iter"
	"time"

	"nightsoak/alarms"
	"nightsoak/drivers"
)

const (
	// sealAt is how many readings make a stretch worth sealing. A block then
	// fills some pages; of the usual 45 readings a second it is 24 minutes.
	sealAt = 1 << 16
	// trimAt is how many sealed rows are deleted at one go, so that no commit
	// of readings waits for it long.
	trimAt = 1 << 13
)

// seal is a row of seals and its rows of blocks.
type seal struct {
	key, last int64 // key of the first number; seq
	readings  int
	crc       uint32
	arrival   []byte
	blocks    []block
}

// block is a row of blocks.
type block struct {
	key             int64
	meter, readings int
	first, last     int64 // ms
	lo, hi          int64 // digits
	crc             uint32
	data            []byte
}

// sum is the checksum of a row.
func sum(data []byte, columns ...int64) uint32 {
	var b []byte
	for _, c := range columns {
		b = binary.LittleEndian.AppendUint64(b, uint64(c))
	}
	return crc32.Update(crc32.Checksum(b, castagnoli), castagnoli, data)
}

func (s *seal) sum() uint32 { return sum(s.arrival, s.key, s.last, int64(s.readings)) }

func (b *block) sum() uint32 {
	return sum(b.data, b.key, int64(b.meter), int64(b.readings), b.first, b.last, b.lo, b.hi)
}

// extent works out the block's figures from its samples.
func (b *block) extent(in []Sample) {
	b.readings = len(in)
	for i := range in {
		t, d := in[i].T.Milliseconds(), in[i].Reading.Digits
		if i == 0 {
			b.first, b.last, b.lo, b.hi = t, t, d, d
		}
		b.first, b.last = min(b.first, t), max(b.last, t)
		b.lo, b.hi = min(b.lo, d), max(b.hi, d)
	}
}

// sealed makes the seal of run n over the numbers from first on; readings are
// at least one, sorted by number.
func sealed(n, first int64, readings []arrived) *seal {
	s := &seal{key: key(n, first), last: readings[len(readings)-1].seq, readings: len(readings)}
	o := orderOf(readings, first)
	s.arrival = o.encode()
	s.crc = s.sum()
	columns := map[int][]Sample{}
	var meters []int // in order of first appearance, which is that of the keys
	for i := range readings {
		r := &readings[i]
		if columns[r.meter] == nil {
			meters = append(meters, r.meter)
			s.blocks = append(s.blocks, block{key: key(n, r.seq), meter: r.meter})
		}
		columns[r.meter] = append(columns[r.meter], r.Sample)
	}
	for i, m := range meters {
		b := &s.blocks[i]
		b.extent(columns[m])
		b.data = encodeBlock(columns[m])
		b.crc = b.sum()
	}
	return s
}

// querier is a *sql.DB or a *sql.Tx.
type querier interface {
	Query(query string, args ...any) (*sql.Rows, error)
	QueryRow(query string, args ...any) *sql.Row
}

// sealedTo is the last number of run n that is sealed, 0 for none.
func (s *Store) sealedTo(q querier, n int64) (last int64, err error) {
	if s.version < 2 {
		return 0, nil
	}
	err = q.QueryRow("SELECT coalesce(max(last), 0) FROM seals WHERE key BETWEEN ? AND ?", key(n, 0), key(n+1, 0)-1).Scan(&last)
	return last, err
}

// readSpan reads rows of run n for sealing: from after a number, at most most
// of them.
func readSpan(q querier, n, after int64, most int) (readings []arrived, err error) {
	rows, err := q.Query("SELECT key, t_ms, meter, digits, exp, prefix, unit, flags FROM readings WHERE key BETWEEN ? AND ? ORDER BY key LIMIT ?",
		key(n, after+1), key(n+1, 0)-1, most)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var k, t int64
		var unit sql.RawBytes
		var a arrived
		r := &a.Reading
		err := rows.Scan(&k, &t, &a.meter, &r.Digits, &r.Exp, &r.Prefix, &unit, &r.Flags)
		if err == nil {
			r.Quantity, err = quantity(string(unit))
		}
		if err != nil {
			return nil, fmt.Errorf("%w: reading %d: %w", ErrDamaged, seqOf(k), err)
		}
		a.seq, a.T = seqOf(k), ms(t)
		readings = append(readings, a)
	}
	return readings, rows.Err()
}

// insert writes a seal and its blocks.
func (s *seal) insert(tx *sql.Tx) error {
	_, err := tx.Exec("INSERT INTO seals (key, last, readings, crc, arrival) VALUES (?, ?, ?, ?, ?)", s.key, s.last, s.readings, s.crc, s.arrival)
	for i := range s.blocks {
		if err != nil {
			return err
		}
		b := &s.blocks[i]
		_, err = tx.Exec("INSERT INTO blocks (key, meter, readings, first_ms, last_ms, lo, hi, crc, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
			b.key, b.meter, b.readings, b.first, b.last, b.lo, b.hi, b.crc, b.data)
	}
	return err
}

// trim deletes rows of run n that are sealed, at most trimAt; more says that there may be more.
func (s *Store) trim(n, sealedTo int64) (more bool, err error) {
	res, err := s.db.Exec("DELETE FROM readings WHERE key IN (SELECT key FROM readings WHERE key BETWEEN ? AND ? LIMIT ?)",
		key(n, 0), key(n, sealedTo), trimAt)
	if err != nil {
		return false, err
	}
	deleted, err := res.RowsAffected()
	return deleted == trimAt, err
}

// sealRun seals all that is left of run n, which nobody writes to any more, and
// gives the room back, until ctx is done.
func (s *Store) sealRun(ctx context.Context, n int64) error {
	s.sealing.Lock() // the end of a run, and Tidy
	defer s.sealing.Unlock()
	for more := true; more; {
		last, err := s.sealedTo(s.db, n)
		if err != nil {
			return err
		}
		for trim := true; trim; {
			if trim, err = s.trim(n, last); err != nil {
				return err
			}
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		readings, err := readSpan(s.db, n, last, sealAt)
		if err != nil {
			return err
		}
		if more = len(readings) > 0; !more {
			break
		}
		made := sealed(n, last+1, readings)
		tx, err := s.db.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		if err := made.insert(tx); err != nil {
			return errors.Join(err, tx.Rollback())
		}
		if err := tx.Commit(); err != nil {
			return err
		}
	}
	return s.giveBack(ctx)
}

// giveBack returns the database's free pages to the file system, some at a go.
// A record begun under version 1 keeps them, to be filled again.
func (s *Store) giveBack(ctx context.Context) error {
	for free := 0; ; {
		before := free
		if err := s.db.QueryRow("SELECT freelist_count FROM pragma_freelist_count").Scan(&free); err != nil {
			return err
		}
		if free == 0 || free == before || ctx.Err() != nil {
			return ctx.Err()
		}
		rows, err := s.db.QueryContext(ctx, "PRAGMA incremental_vacuum(1000)")
		if err != nil {
			return err
		}
		for rows.Next() { // each step frees a page
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			return err
		}
	}
}

// view is a run as of one moment, while a daemon may go on writing.
type view struct {
	s  *Store
	tx *sql.Tx
	Info
}

func (s *Store) view(id string) (*view, error) {
	in, err := s.Find(id)
	if err != nil {
		return nil, err
	}
	tx, err := s.db.BeginTx(context.Background(), &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, s.wrap(err)
	}
	return &view{s, tx, in}, nil
}

// close ends the view; nothing was written, so nothing can be lost.
func (v *view) close() { v.tx.Rollback() }

// seals lists the run's seals, without their blocks.
func (v *view) seals() (all []seal, err error) {
	if v.s.version < 2 {
		return nil, nil
	}
	rows, err := v.tx.Query("SELECT key, last, readings, crc, arrival FROM seals WHERE key BETWEEN ? AND ? ORDER BY key", key(v.n, 0), key(v.n+1, 0)-1)
	if err != nil {
		return nil, v.s.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var s seal
		if err := rows.Scan(&s.key, &s.last, &s.readings, &s.crc, &s.arrival); err != nil {
			return nil, v.damaged(fmt.Sprintf("seal %d", seqOf(s.key)), err)
		}
		all = append(all, s)
	}
	return all, v.s.wrap(rows.Err())
}

func (v *view) damaged(what string, err error) error { return v.s.damaged(v.ID, what, err) }

const blockColumns = "SELECT key, meter, readings, first_ms, last_ms, lo, hi, crc, data FROM blocks WHERE key BETWEEN ? AND ?"

// scanBlock reads a row of blockColumns; data stays SQLite's until the next row.
func scanBlock(rows *sql.Rows, b *block) error {
	return rows.Scan(&b.key, &b.meter, &b.readings, &b.first, &b.last, &b.lo, &b.hi, &b.crc, (*sql.RawBytes)(&b.data))
}

// open checks a block and decodes it; the samples stay the reader's.
func (v *view) open(r *blockReader, b *block) ([]Sample, error) {
	var in []Sample
	var err error
	if b.crc != b.sum() {
		err = fmt.Errorf("%w: its checksum differs", errBlock)
	} else if in, err = r.decode(b.data); err == nil {
		is := block{key: b.key, meter: b.meter, crc: b.crc, data: b.data}
		if is.extent(in); is.sum() != b.crc {
			err = fmt.Errorf("%w: its index differs from what it holds", errBlock)
		}
	}
	if err != nil {
		return nil, v.damaged(v.blockName(b), err)
	}
	return in, nil
}

// blockName is which readings a block holds, in words.
func (v *view) blockName(b *block) string {
	meter := fmt.Sprintf("number %d", b.meter)
	if b.meter >= 0 && b.meter < len(v.Meters) {
		meter = v.Meters[b.meter]
	}
	return fmt.Sprintf("the block of %d readings of meter %s from t = %.3f s to %.3f s", b.readings, meter, ms(b.first).Seconds(), ms(b.last).Seconds())
}

// blocks passes on the blocks of a seal; their data stay SQLite's.
func (v *view) blocks(s *seal, each func(*block) error) error {
	rows, err := v.tx.Query(blockColumns+" ORDER BY key", s.key, key(v.n, s.last))
	if err != nil {
		return v.s.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var b block
		if err := scanBlock(rows, &b); err != nil {
			return v.damaged("a row of blocks", err)
		}
		if err := each(&b); err != nil {
			return err
		}
	}
	return v.s.wrap(rows.Err())
}

// tracks reads the blocks of a seal. readers keep their memory for the next
// one. A block that is damaged is left out if missing takes it, else an error.
func (v *view) tracks(s *seal, readers *[]*blockReader, missing func(error)) (tracks []track, err error) {
	n := 0
	err = v.blocks(s, func(b *block) error {
		if len(tracks) == len(*readers) {
			*readers = append(*readers, new(blockReader))
		}
		in, err := v.open((*readers)[len(tracks)], b)
		if err != nil {
			if missing != nil {
				missing(err)
				err = nil
			}
			return err
		}
		tracks = append(tracks, track{b.meter, in})
		n += len(in)
		return nil
	})
	if err == nil && n != s.readings && missing == nil {
		err = v.damaged(v.sealName(s), fmt.Errorf("%w: its blocks hold %d readings, not %d", errBlock, n, s.readings))
	}
	return tracks, err
}

func (v *view) sealName(s *seal) string { return fmt.Sprintf("inputs %d to %d", seqOf(s.key), s.last) }

// order checks the seal's own row and reads its order.
func (v *view) order(s *seal) (o order, err error) {
	if s.crc != s.sum() {
		err = fmt.Errorf("%w: the checksum of its order differs", errBlock)
	} else if s.readings < 0 || s.readings > maxStretch {
		err = fmt.Errorf("%w: it says %d readings", errBlock, s.readings)
	} else {
		o, err = decodeOrder(s.arrival, s.readings)
	}
	if err != nil {
		return o, v.damaged(v.sealName(s), err)
	}
	return o, nil
}

// act is a row of acts.
type act struct {
	seq int64
	in  alarms.Input
}

// acts lists the acts of the run between two numbers.
func (v *view) acts(from, to int64) (all []act, err error) {
	rows, err := v.tx.Query("SELECT key, t_ms, kind, body FROM acts WHERE key BETWEEN ? AND ? ORDER BY key", key(v.n, from), key(v.n, to))
	if err != nil {
		return nil, v.s.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var k, t int64
		var kind string
		var body []byte
		var a act
		err := rows.Scan(&k, &t, &kind, &body)
		a.seq, a.in.T = seqOf(k), ms(t)
		if err == nil {
			err = decodeAct(kind, body, &a.in)
		}
		if err != nil {
			return nil, v.damaged(fmt.Sprintf("input %d", seqOf(k)), err)
		}
		all = append(all, a)
	}
	return all, v.s.wrap(rows.Err())
}

// errStop is that the reader has had enough.
var errStop = errors.New("stop")

// unseal yields the inputs of a sealed stretch, acts among them, with their numbers.
func (v *view) unseal(s *seal, readers *[]*blockReader, yield func(seq int64, in alarms.Input) bool) error {
	o, err := v.order(s)
	if err != nil {
		return err
	}
	tracks, err := v.tracks(s, readers, nil)
	if err != nil {
		return err
	}
	acts, err := v.acts(seqOf(s.key), s.last)
	if err != nil {
		return err
	}
	stopped := false
	err = o.replay(tracks, func(at int64, meter int, r *Sample) bool {
		seq := seqOf(s.key) + at
		for len(acts) > 0 && acts[0].seq <= seq {
			if stopped = !yield(acts[0].seq, acts[0].in); stopped {
				return false
			}
			acts = acts[1:]
		}
		stopped = !yield(seq, alarms.Input{T: r.T, Meter: meter, Reading: r.Reading})
		return !stopped
	})
	if err != nil {
		return v.damaged(v.sealName(s), err)
	}
	for _, a := range acts {
		stopped = stopped || !yield(a.seq, a.in)
	}
	if stopped {
		return errStop
	}
	return nil
}

// tail yields the inputs of the run after a number, with their numbers.
func (v *view) tail(after int64, yield func(seq int64, in alarms.Input) bool) error {
	rows, err := v.tx.Query(`SELECT key, t_ms, meter, digits, exp, prefix, unit, flags, '', '' FROM readings WHERE key BETWEEN ?1 AND ?2
		UNION ALL SELECT key, t_ms, 0, 0, 0, 0, '', 0, kind, body FROM acts WHERE key BETWEEN ?1 AND ?2 ORDER BY key`, key(v.n, after+1), key(v.n+1, 0)-1)
	if err != nil {
		return v.s.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var i alarms.Input
		var key, t int64
		var unit, kind string
		var body []byte
		r := &i.Reading
		err := rows.Scan(&key, &t, &i.Meter, &r.Digits, &r.Exp, &r.Prefix, &unit, &r.Flags, &kind, &body)
		i.T = ms(t)
		if err == nil && kind != "" {
			err = decodeAct(kind, body, &i)
		} else if err == nil {
			r.Quantity, err = quantity(unit)
		}
		if err != nil {
			return v.damaged(fmt.Sprintf("input %d", seqOf(key)), err)
		}
		if !yield(seqOf(key), i) {
			return errStop
		}
	}
	return v.s.wrap(rows.Err())
}

// inputs yields all inputs of the run with their numbers; errStop when yield ended it.
func (v *view) inputs(yield func(seq int64, in alarms.Input) bool) error {
	seals, err := v.seals()
	if err != nil {
		return err
	}
	var readers []*blockReader
	last := int64(0)
	for i := range seals {
		if seqOf(seals[i].key) != last+1 {
			return v.damaged(v.sealName(&seals[i]), fmt.Errorf("%w: the seal before it ends at %d", errBlock, last))
		}
		if err := v.unseal(&seals[i], &readers, yield); err != nil {
			return err
		}
		last = seals[i].last
	}
	return v.tail(last, yield)
}

// Inputs yields all that the core was told in a run, in the order it arrived;
// id as in Find. It stops after the first error.
func (s *Store) Inputs(id string) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		v, err := s.view(id)
		if err == nil {
			defer v.close()
			err = v.inputs(func(_ int64, in alarms.Input) bool { return yield(in, nil) })
		}
		if err != nil && err != errStop {
			yield(alarms.Input{}, err)
		}
	}
}

// Window yields the readings of one meter from run time from to run time to,
// both included, in the order they arrived; id as in Find, meter as in
// Info.Meters. Only blocks that reach into the window are read. It stops after
// the first error.
func (s *Store) Window(id, meter string, from, to time.Duration) iter.Seq2[Sample, error] {
	return func(yield func(Sample, error) bool) {
		v, err := s.view(id)
		if err == nil {
			defer v.close()
			err = v.window(meter, from, to, func(in Sample) bool { return yield(in, nil) })
		}
		if err != nil && err != errStop {
			yield(Sample{}, err)
		}
	}
}

func (v *view) window(meter string, from, to time.Duration, yield func(Sample) bool) error {
	idx, err := v.meter(meter)
	if err != nil {
		return err
	}
	return v.windows(func(m int) bool { return m == idx }, from, to, func(_ int, in Sample) bool { return yield(in) })
}

// windows yields the readings of some meters between two run times: each
// meter's in the order they arrived, the meters' in none.
func (v *view) windows(use func(meter int) bool, from, to time.Duration, yield func(meter int, in Sample) bool) error {
	last, err := v.s.sealedTo(v.tx, v.n)
	if err != nil {
		return v.s.wrap(err)
	}
	if v.s.version >= 2 {
		if err := v.sealedWindows(use, from, to, yield); err != nil {
			return err
		}
	}
	first, err := v.rowAt(last+1, from)
	if err != nil {
		return v.s.wrap(err)
	}
	rows, err := v.tx.Query("SELECT t_ms, meter, digits, exp, prefix, unit, flags FROM readings WHERE key BETWEEN ? AND ? ORDER BY key", first, key(v.n+1, 0)-1)
	if err != nil {
		return v.s.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var in Sample
		var t int64
		var meter int
		var unit sql.RawBytes
		r := &in.Reading
		err := rows.Scan(&t, &meter, &r.Digits, &r.Exp, &r.Prefix, &unit, &r.Flags)
		if err == nil {
			r.Quantity, err = quantity(string(unit))
		}
		if err != nil {
			return v.damaged("a reading of the last minutes", err)
		}
		if in.T = ms(t); in.T > to {
			break
		}
		if in.T >= from && use(meter) && !yield(meter, in) {
			return errStop
		}
	}
	return v.s.wrap(rows.Err())
}

// rowAt is the key of the first row, from number first on, that is of run time
// from or later. Rows stand in order of time, so none need be read for it but
// those on the way.
func (v *view) rowAt(first int64, from time.Duration) (int64, error) {
	low := key(v.n, first)
	var high int64
	if err := v.tx.QueryRow("SELECT coalesce(max(key) + 1, ?1) FROM readings WHERE key BETWEEN ?1 AND ?2", low, key(v.n+1, 0)-1).Scan(&high); err != nil {
		return 0, err
	}
	for low < high {
		middle := low + (high-low)/2
		var k, t int64
		if err := v.tx.QueryRow("SELECT key, t_ms FROM readings WHERE key >= ? ORDER BY key LIMIT 1", middle).Scan(&k, &t); err != nil {
			return 0, err
		}
		if ms(t) < from {
			low = k + 1
		} else {
			high = middle
		}
	}
	return low, nil
}

// sealedWindows is the part of windows that is in blocks.
func (v *view) sealedWindows(use func(meter int) bool, from, to time.Duration, yield func(meter int, in Sample) bool) error {
	rows, err := v.tx.Query(blockColumns+" AND first_ms <= ? AND last_ms >= ? ORDER BY key",
		key(v.n, 0), key(v.n+1, 0)-1, to.Milliseconds(), from.Milliseconds())
	if err != nil {
		return v.s.wrap(err)
	}
	defer rows.Close()
	var r blockReader
	for rows.Next() {
		var b block
		if err := scanBlock(rows, &b); err != nil {
			return v.damaged("a row of blocks", err)
		}
		if !use(b.meter) {
			continue
		}
		samples, err := v.open(&r, &b)
		if err != nil {
			return err
		}
		for i := range samples {
			if t := samples[i].T; t >= from && t <= to && !yield(b.meter, samples[i]) {
				return errStop
			}
		}
	}
	return v.s.wrap(rows.Err())
}

// Stretch yields what a Follower needs for the figures between two run times, in
// order of time: acts and gaps of the run from its beginning on, and the
// readings from from to to of the meters that use names by their index; of one
// millisecond acts come first, then meters in their order. id is as in Find. It
// stops after the first error.
func (s *Store) Stretch(id string, use func(meter int) bool, from, to time.Duration) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		if err := s.stretch(id, use, from, to, yield); err != nil && err != errStop {
			yield(alarms.Input{}, err)
		}
	}
}

func (s *Store) stretch(id string, use func(meter int) bool, from, to time.Duration, yield func(alarms.Input, error) bool) error {
	v, err := s.view(id)
	if err != nil {
		return err
	}
	defer v.close()
	acts, err := v.acts(0, 1<<seqBits-1)
	if err != nil {
		return err
	}
	tracks := make([][]Sample, len(v.Meters))
	if err := v.windows(use, from, to, func(m int, in Sample) bool {
		if m < len(tracks) {
			tracks[m] = append(tracks[m], in)
		}
		return true
	}); err != nil {
		return err
	}
	for {
		next := -1
		for m, t := range tracks {
			if len(t) > 0 && (next < 0 || t[0].T < tracks[next][0].T) {
				next = m
			}
		}
		for len(acts) > 0 && acts[0].in.T <= to && (next < 0 || acts[0].in.T <= tracks[next][0].T) {
			if !yield(acts[0].in, nil) {
				return errStop
			}
			acts = acts[1:]
		}
		if next < 0 {
			return nil
		}
		in := &tracks[next][0]
		if !yield(alarms.Input{T: in.T, Meter: next, Reading: in.Reading}, nil) {
			return errStop
		}
		tracks[next] = tracks[next][1:]
	}
}

// meter is the index of a meter of the run.
func (v *view) meter(name string) (int, error) {
	for i, m := range v.Meters {
		if m == name {
			return i, nil
		}
	}
	return 0, fmt.Errorf("run %s has no meter %q: it has %v", v.ID, name, v.Meters)
}

// quantity is the one with that SI unit.
func quantity(unit string) (drivers.Quantity, error) {
	if unit == "V" { // nearly always
		return drivers.Voltage, nil
	}
	q, prefix, err := drivers.ParseUnit(unit)
	if err == nil && prefix != 0 {
		err = fmt.Errorf("unit %q has a prefix", unit)
	}
	return q, err
}
