package record

import (
	"cmp"
	"context"
	"slices"
	"time"
)

// Retention is how long ended runs stay. Runs that are unfinished or kept
// always do.
type Retention struct {
	For   time.Duration // since the run ended; 0 for ever
	Under int64         // bytes that the database may take; 0 for any number
}

// Tidy seals what ended runs have left as rows (an end cut short, a record of
// version 1), and deletes runs by r, the oldest first. It works beside a
// Writer in small steps, until ctx is done.
//
// A run's age is counted to the beginning of the newest run, or to now if that
// is earlier: a clock that is wrong by years at boot deletes nothing by itself.
func (s *Store) Tidy(ctx context.Context, r Retention) error {
	runs, err := s.Runs()
	if err != nil {
		return err
	}
	for _, in := range runs {
		if in.Ended == nil {
			continue
		}
		var loose bool
		if err := s.db.QueryRow("SELECT EXISTS (SELECT 1 FROM readings WHERE key BETWEEN ? AND ?)", key(in.n, 0), key(in.n+1, 0)-1).Scan(&loose); err != nil {
			return s.wrap(err)
		}
		if !loose {
			continue
		}
		if err := s.sealRun(ctx, in.n); err != nil {
			return s.wrap(err)
		}
	}
	return s.prune(ctx, r, time.Now())
}

// prune deletes runs by r.
func (s *Store) prune(ctx context.Context, r Retention, now time.Time) error {
	runs, err := s.Runs()
	if err != nil || len(runs) == 0 {
		return err
	}
	if newest := slices.MaxFunc(runs, func(a, b Info) int { return a.Started.Compare(b.Started) }).Started; newest.Before(now) {
		now = newest
	}
	slices.SortFunc(runs, func(a, b Info) int { return cmp.Compare(a.n, b.n) })
	for _, in := range runs {
		if in.Ended == nil || in.Kept {
			continue
		}
		old := r.For > 0 && now.Sub(*in.Ended) > r.For
		if !old && r.Under > 0 {
			var size int64
			if err := s.db.QueryRow("SELECT (page_count - freelist_count) * page_size FROM pragma_page_count, pragma_freelist_count, pragma_page_size").Scan(&size); err != nil {
				return s.wrap(err)
			}
			old = size > r.Under
		}
		if !old {
			continue
		}
		if err := s.remove(ctx, in.n); err != nil {
			return s.wrap(err)
		}
	}
	return s.wrap(s.giveBack(ctx))
}

// remove deletes a run, its own row last: what is cut short is gone on with
// the next time.
func (s *Store) remove(ctx context.Context, n int64) error {
	for _, table := range []string{"readings", "blocks", "seals", "acts", "events"} {
		for more := true; more; {
			res, err := s.db.ExecContext(ctx, "DELETE FROM "+table+" WHERE key IN (SELECT key FROM "+table+" WHERE key BETWEEN ? AND ? LIMIT ?)",
				key(n, 0), key(n+1, 0)-1, trimAt)
			if err != nil {
				return err
			}
			deleted, err := res.RowsAffected()
			if err != nil {
				return err
			}
			more = deleted == trimAt
		}
	}
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, rest := range []string{"DELETE FROM host_events WHERE run = ?", "DELETE FROM meters WHERE run = ?", "DELETE FROM runs WHERE n = ?"} {
		if _, err := tx.Exec(rest, n); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// Keep marks a run as never to be pruned, or takes the mark away; id as in
// Find.
func (s *Store) Keep(id string, kept bool) (Info, error) {
	in, err := s.Find(id)
	if err != nil {
		return Info{}, err
	}
	_, err = s.db.Exec("UPDATE runs SET kept = ? WHERE n = ?", kept, in.n)
	in.Kept = kept
	return in, s.wrap(err)
}
