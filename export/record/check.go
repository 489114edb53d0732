package record

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"

	"nightsoak/alarms"
)

// Checked is what Check found of a run.
type Checked struct {
	Blocks   int      // sealed blocks read
	Readings int64    // that could be read, sealed or not
	Lost     int64    // numbers in the order of arrival that hold nothing, and of which the record says so
	Wrong    []string // what is not as it should be, in words; what it costs is part of it
}

// Check reads all of a run and compares it with its checksums and counts; id as
// in Find. Damage is told in Checked, also that of the database file itself;
// the error is that nothing could be checked.
func (s *Store) Check(id string) (c Checked, err error) {
	v, err := s.view(id)
	if err != nil {
		return c, err
	}
	defer v.close()
	wrong := func(format string, args ...any) { c.Wrong = append(c.Wrong, fmt.Sprintf(format, args...)) }
	damage := func(err error) {
		if err != nil {
			wrong("%v", err)
		}
	}
	damage(v.integrity())
	if got := filesHash(&v.Info); v.FilesHash != "" && got != v.FilesHash {
		wrong("the bench and job files of the run are not those that it began with: SHA-256 %s, it was %s", got, v.FilesHash)
	}

	acts, err := v.acts(0, 1<<seqBits-1)
	damage(err)
	seals, err := v.seals()
	damage(err)
	var readers []*blockReader
	last, missing := int64(0), int64(0)
	for i := range seals {
		seal := &seals[i]
		if from := seqOf(seal.key); from != last+1 {
			wrong("%s are sealed, those from %d on are not there", v.sealName(seal), last+1)
		}
		missing += seal.last - seqOf(seal.key) + 1 - int64(seal.readings)
		last = seal.last
		before := len(c.Wrong)
		o, err := v.order(seal)
		damage(err)
		n := 0
		tracks, err := v.tracks(seal, &readers, func(err error) { n++; damage(err) })
		damage(err)
		c.Blocks += n + len(tracks)
		for _, t := range tracks {
			c.Readings += int64(len(t.rest))
		}
		if len(c.Wrong) == before {
			if err := o.replay(tracks, func(int64, int, *Sample) bool { return true }); err != nil {
				damage(v.damaged(v.sealName(seal), err))
			}
		}
	}
	damage(v.tail(last, func(seq int64, in alarms.Input) bool {
		missing += seq - last
		last = seq
		if in.Act == nil && in.Port == nil && in.Gap == nil {
			c.Readings++
			missing--
		}
		return true
	}))
	missing -= int64(len(acts))

	stated := false
	err = v.hosts(func(_, text string) error {
		stated = stated || strings.HasPrefix(text, gapWords)
		return nil
	})
	damage(err)
	switch {
	case c.Readings != v.Readings:
		wrong("%d readings can be read, %d were recorded", c.Readings, v.Readings)
	case missing > 0 && !stated:
		wrong("%d inputs are missing, and the record does not say why", missing)
	case missing > 0:
		c.Lost = missing
	}
	events := int64(0)
	err = v.events(func(seq, _ int64, b []byte) error {
		if events++; !json.Valid(b) {
			wrong("event %d is not JSON", seq)
		}
		return nil
	})
	damage(err)
	if events != v.Events {
		wrong("%d events can be read, %d were recorded", events, v.Events)
	}
	return c, nil
}

// integrity is what SQLite itself finds wrong with its file.
func (v *view) integrity() error {
	rows, err := v.tx.Query("PRAGMA quick_check(5)")
	if err != nil {
		return v.s.wrap(err)
	}
	defer rows.Close()
	var all []string
	for rows.Next() {
		var text string
		if err := rows.Scan(&text); err != nil {
			return v.s.wrap(err)
		}
		if text != "ok" {
			all = append(all, strings.ReplaceAll(text, "\n", " "))
		}
	}
	if len(all) > 0 {
		return fmt.Errorf("%s: %w: %s", v.s.path, ErrDamaged, strings.Join(all, "; "))
	}
	return v.s.wrap(rows.Err())
}

// Salvage yields what can still be read of a damaged run: the whole blocks, in
// the order of their times, and the acts. missing is told of each block that is
// left out. Replaying it does not lead to the recorded events. It stops after
// the first error that nothing can be read past.
func (s *Store) Salvage(id string, missing func(error)) iter.Seq2[alarms.Input, error] {
	return func(yield func(alarms.Input, error) bool) {
		v, err := s.view(id)
		if err == nil {
			defer v.close()
			err = v.salvage(missing, func(in alarms.Input) bool { return yield(in, nil) })
		}
		if err != nil && err != errStop {
			yield(alarms.Input{}, err)
		}
	}
}

func (v *view) salvage(missing func(error), yield func(alarms.Input) bool) error {
	seals, err := v.seals()
	if err != nil {
		return err
	}
	var readers []*blockReader
	last := int64(0)
	for i := range seals {
		s := &seals[i]
		tracks, err := v.tracks(s, &readers, missing)
		if err != nil {
			return err
		}
		acts, err := v.acts(last+1, s.last)
		if err != nil {
			return err
		}
		last = s.last
		var all []alarms.Input
		for _, a := range acts {
			all = append(all, a.in)
		}
		for _, t := range tracks {
			for _, r := range t.rest {
				all = append(all, alarms.Input{T: r.T, Meter: t.meter, Reading: r.Reading})
			}
		}
		slices.SortStableFunc(all, func(a, b alarms.Input) int { return cmp.Compare(a.T, b.T) })
		for _, in := range all {
			if !yield(in) {
				return errStop
			}
		}
	}
	err = v.tail(last, func(_ int64, in alarms.Input) bool { return yield(in) })
	if errors.Is(err, ErrDamaged) {
		missing(err)
		err = nil
	}
	return err
}
