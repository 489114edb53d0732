package record

import (
	"cmp"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"nightsoak/alarms"
)

// Info is one run: what it ran with and how far it came. Its JSON is the line
// of "runs --json".
type Info struct {
	ID       string     `json:"id"` // "R-1187-20261124T221453Z"; fit for a file name
	Ticket   string     `json:"ticket"`
	Started  time.Time  `json:"started"` // wall clock at run time 0, UTC, whole milliseconds
	Ended    *time.Time `json:"ended"`   // wall clock, UTC; nil while unfinished
	Readings int64      `json:"readings"`
	Events   int64      `json:"events"`

	EndedAt   time.Duration `json:"-"` // run time of the end
	Advanced  time.Duration `json:"-"` // run time up to which the run has been judged
	Clean     bool          `json:"-"` // the daemon stopped in good order, with nothing pending
	Amplifier string        `json:"-"`
	Bench     string        `json:"-"` // the bench's name
	Meters    []string      `json:"-"` // names, by the index that readings carry
	Rejected  []uint64      `json:"-"` // by meter, frames that were no readings; nil: begun under version 1, which did not count them
	BenchText []byte        `json:"-"` // the bench file as it was
	JobText   []byte        `json:"-"` // the job file as it was
	Core      string        `json:"-"` // version of the core that judged
	Software  string        `json:"-"` // version of the program
	GOARCH    string        `json:"-"` // architecture that judged
	Kept      bool          `json:"-"` // never pruned
	FilesHash string        `json:"-"` // SHA-256 of the two texts as the run began, hexadecimal; empty: begun under version 1

	n int64 // runs.n
}

// HostEvent is something the host had to say beside a run: never replayed.
type HostEvent struct {
	Wall time.Time // UTC, whole milliseconds
	Text string
}

const stampLayout = "2006-01-02T15:04:05.000Z"

func stamp(t time.Time) string { return t.UTC().Format(stampLayout) }

// seqBits is how much of a key counts: enough for 48 years of 45 readings a second.
const seqBits = 36

// key is the rowid of number seq of run n.
func key(n, seq int64) int64 { return n<<seqBits | seq }

func seqOf(key int64) int64 { return key & (1<<seqBits - 1) }

// Begin records a new run and returns it with its ID. From Info it takes
// Ticket, Started, Amplifier, Bench, Meters, the two texts and the three
// versions.
func (s *Store) Begin(in Info) (Info, error) {
	tx, err := s.db.Begin()
	if err != nil {
		return Info{}, s.wrap(err)
	}
	defer tx.Rollback()
	base := fileSafe(in.Ticket) + "-" + in.Started.UTC().Format("20060102T150405Z")
	id := base
	for i := 2; ; i++ {
		var taken bool
		if err := tx.QueryRow("SELECT EXISTS (SELECT 1 FROM runs WHERE id = ?)", id).Scan(&taken); err != nil {
			return Info{}, s.wrap(err)
		}
		if !taken {
			break
		}
		id = fmt.Sprintf("%s-%d", base, i)
	}
	res, err := tx.Exec(`INSERT INTO runs (id, ticket, amplifier, bench, anchor, bench_text, job_text, core, software, goarch, files_hash)
		VALUES (?, ?, ?, ?, ?, coalesce(?, x''), coalesce(?, x''), ?, ?, ?, ?)`,
		id, in.Ticket, in.Amplifier, in.Bench, stamp(in.Started), in.BenchText, in.JobText, in.Core, in.Software, in.GOARCH, filesHash(&in))
	if err != nil {
		return Info{}, s.wrap(err)
	}
	n, err := res.LastInsertId()
	if err != nil {
		return Info{}, s.wrap(err)
	}
	for i, name := range in.Meters {
		if _, err := tx.Exec("INSERT INTO meters (run, idx, name, rejected) VALUES (?, ?, ?, 0)", n, i, name); err != nil {
			return Info{}, s.wrap(err)
		}
	}
	if err := tx.Commit(); err != nil {
		return Info{}, s.wrap(err)
	}
	return s.Find(id)
}

// filesHash is the SHA-256 of the two texts of a run, one after the other.
func filesHash(in *Info) string {
	h := sha256.New()
	h.Write(in.BenchText)
	h.Write(in.JobText)
	return hex.EncodeToString(h.Sum(nil))
}

// fileSafe is the ticket with everything but letters, digits, '.', '_' and '-'
// made '-', at most 64 bytes, and nothing at its start that hides a file or
// looks like a flag.
func fileSafe(ticket string) string {
	safe := strings.Map(func(r rune) rune {
		if r < 0x80 && (r == '.' || r == '_' || '0' <= r && r <= '9' || 'A' <= r && r <= 'Z' || 'a' <= r && r <= 'z') {
			return r
		}
		return '-'
	}, ticket)
	safe = strings.TrimLeft(safe, ".-")
	return cmp.Or(safe[:min(len(safe), 64)], "run")
}

// Runs lists all runs, the one begun last first. That is by order of beginning:
// the wall clock may have been wrong.
func (s *Store) Runs() ([]Info, error) { return s.runs("") }

func (s *Store) runs(where string, args ...any) (runs []Info, err error) {
	since2 := "kept, coalesce(files_hash, ''), (SELECT json_group_array(rejected ORDER BY idx) FILTER (WHERE rejected IS NOT NULL) FROM meters WHERE run = n)"
	switch {
	case s.version < 2:
		since2 = "0, '', '[]'"
	case !s.counts:
		since2 = "kept, coalesce(files_hash, ''), '[]'"
	}
	rows, err := s.db.Query(`SELECT n, id, ticket, amplifier, bench, anchor, bench_text, job_text, core, software, goarch,
		advanced_ms, ended_ms, ended, clean, readings, events, `+since2+`,
		(SELECT json_group_array(name ORDER BY idx) FROM meters WHERE run = n)
		FROM runs `+where+` ORDER BY n DESC`, args...)
	if err != nil {
		return nil, s.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var in Info
		var anchor, meters, rejected string
		var advanced int64
		var endedMs sql.NullInt64
		var ended sql.NullString
		err := rows.Scan(&in.n, &in.ID, &in.Ticket, &in.Amplifier, &in.Bench, &anchor, &in.BenchText, &in.JobText, &in.Core,
			&in.Software, &in.GOARCH, &advanced, &endedMs, &ended, &in.Clean, &in.Readings, &in.Events, &in.Kept, &in.FilesHash, &rejected, &meters)
		if err != nil {
			return nil, s.damaged(cmp.Or(in.ID, "?"), "its row in runs", err)
		}
		in.Advanced, in.EndedAt = ms(advanced), ms(endedMs.Int64)
		in.Started, err = time.Parse(stampLayout, anchor)
		if ended.Valid {
			t, endErr := time.Parse(stampLayout, ended.String)
			in.Ended, err = &t, errors.Join(err, endErr)
		}
		if err = errors.Join(err, json.Unmarshal([]byte(meters), &in.Meters), json.Unmarshal([]byte(rejected), &in.Rejected)); err != nil {
			return nil, s.damaged(in.ID, "its row in runs", err)
		}
		if len(in.Rejected) == 0 {
			in.Rejected = nil
		}
		runs = append(runs, in)
	}
	return runs, s.wrap(rows.Err())
}

func ms(n int64) time.Duration { return time.Duration(n) * time.Millisecond }

func (s *Store) damaged(id, what string, err error) error {
	return fmt.Errorf("%s: %w: run %s, %s: %w", s.path, ErrDamaged, id, what, err)
}

// Find is the run with that id, or the newest run of that ticket, or the only
// run whose id begins so. Otherwise it fails with ErrUnknownRun and names the
// runs that come near.
func (s *Store) Find(id string) (Info, error) {
	if exact, err := s.runs("WHERE id = ?", id); err != nil || len(exact) > 0 {
		return append(exact, Info{})[0], err
	}
	runs, err := s.Runs()
	if err != nil {
		return Info{}, err
	}
	if i := slices.IndexFunc(runs, func(in Info) bool { return in.Ticket == id }); i >= 0 {
		return runs[i], nil
	}
	if len(runs) == 0 {
		return Info{}, fmt.Errorf("%w: %q: %s holds no runs yet", ErrUnknownRun, id, s.path)
	}
	slices.SortStableFunc(runs, func(a, b Info) int { return cmp.Compare(common(b.ID, id), common(a.ID, id)) })
	if id != "" && common(runs[0].ID, id) == len(id) && (len(runs) == 1 || common(runs[1].ID, id) < len(id)) {
		return runs[0], nil
	}
	var near []string
	for _, in := range runs[:min(len(runs), 5)] {
		near = append(near, in.ID)
	}
	if id != "" && common(runs[0].ID, id) == len(id) {
		return Info{}, fmt.Errorf("%w: several begin with %q; name one of %s", ErrUnknownRun, id, strings.Join(near, ", "))
	}
	return Info{}, fmt.Errorf("%w: none begins with %q; nearest: %s", ErrUnknownRun, id, strings.Join(near, ", "))
}

// common is how many leading bytes a and b share.
func common(a, b string) int {
	n := min(len(a), len(b))
	for i := range n {
		if a[i] != b[i] {
			return i
		}
	}
	return n
}

// Unfinished is the newest run of a ticket that has not ended; ok is false when there is none.
func (s *Store) Unfinished(ticket string) (in Info, ok bool, err error) {
	runs, err := s.runs("WHERE ticket = ? AND ended IS NULL", ticket)
	if err != nil || len(runs) == 0 {
		return Info{}, false, err
	}
	return runs[0], true, nil
}

// rows queries the rows of one run by their keys.
func (s *Store) rows(id, query string) (Info, *sql.Rows, error) {
	in, err := s.Find(id)
	if err != nil {
		return Info{}, nil, err
	}
	rows, err := s.db.Query(query, key(in.n, 0), key(in.n+1, 0)-1)
	return in, rows, s.wrap(err)
}

// encodeAct is the kind and JSON body of an input that is not a reading; kind is empty for a reading.
func encodeAct(i *alarms.Input) (kind string, body []byte, err error) {
	switch {
	case i.Act != nil:
		body, err = json.Marshal(i.Act)
		return alarms.EventAct, body, err
	case i.Port != nil:
		body, err = json.Marshal(i.Port)
		return alarms.EventPort, body, err
	case i.Gap != nil:
		body, err = json.Marshal(i.Gap)
		return alarms.EventGap, body, err
	}
	return "", nil, nil
}

func decodeAct(kind string, body []byte, i *alarms.Input) error {
	switch kind {
	case alarms.EventAct:
		i.Act = new(alarms.Act)
		return json.Unmarshal(body, i.Act)
	case alarms.EventPort:
		i.Port = new(alarms.PortChange)
		return json.Unmarshal(body, i.Port)
	case alarms.EventGap:
		i.Gap = new(alarms.Gap)
		return json.Unmarshal(body, i.Gap)
	}
	return fmt.Errorf("unknown kind %q", kind)
}

// Events yields the recorded events of a run in order, each exactly as it was
// marshalled; id as in Find. It stops after the first error.
func (s *Store) Events(id string) iter.Seq2[json.RawMessage, error] {
	return func(yield func(json.RawMessage, error) bool) {
		in, rows, err := s.rows(id, "SELECT json FROM events WHERE key BETWEEN ? AND ? ORDER BY key")
		if err != nil {
			yield(nil, err)
			return
		}
		defer rows.Close()
		for rows.Next() {
			var b json.RawMessage
			if err := rows.Scan((*[]byte)(&b)); err != nil {
				yield(nil, s.damaged(in.ID, "an event", err))
				return
			}
			if !yield(b, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(nil, s.wrap(err))
		}
	}
}

// HostEvents lists what the host had to say beside a run, in the order it was
// recorded; id as in Find.
func (s *Store) HostEvents(id string) ([]HostEvent, error) {
	in, err := s.Find(id)
	if err != nil {
		return nil, err
	}
	rows, err := s.db.Query("SELECT wall, text FROM host_events WHERE run = ? ORDER BY id", in.n)
	if err != nil {
		return nil, s.wrap(err)
	}
	defer rows.Close()
	var all []HostEvent
	for rows.Next() {
		var h HostEvent
		var wall string
		if err = rows.Scan(&wall, &h.Text); err == nil {
			h.Wall, err = time.Parse(stampLayout, wall)
		}
		if err != nil {
			return nil, s.damaged(in.ID, "a host event", err)
		}
		all = append(all, h)
	}
	return all, s.wrap(rows.Err())
}
