package store

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Claim keeps everybody from opening the store at path, there or not, until it
// is closed or the process ends. It returns ErrInUse while the store is open.
func Claim(path string) (io.Closer, error) {
	held, err := lock(path, true)
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", path, err)
	}
	return held, nil
}

// NoteRestore records that the store was put back from a backup, and how far
// every run was then. It ends all sessions: those that have ended since the
// backup must not come back with it.
func (s *Store) NoteRestore(ctx context.Context, r record.Restore) error {
	err := s.inTx(ctx, func(t *tx) error {
		if err := t.exec(`insert into restore (at_ns, backup_ns, aside) values (?, ?, ?)`, r.At, r.Made, r.Aside); err != nil {
			return err
		}
		if err := t.exec(`delete from session`); err != nil {
			return err
		}
		return t.exec(`insert into restore_run (restore, run, oldest, seen) select ?, id, oldest, seen from run where run <> ''`, r.At)
	})
	if err != nil {
		return fmt.Errorf("note a restore: %w", err)
	}
	return nil
}

// Restores returns when the store was put back from backups, oldest first.
func (s *Store) Restores(ctx context.Context) ([]record.Restore, error) {
	list, err := restores(reader{ctx, s})
	if err != nil {
		return nil, fmt.Errorf("read restores: %w", err)
	}
	return list, nil
}

func restores(q query) (list []record.Restore, err error) {
	err = each(q, `select at_ns, backup_ns, aside from restore order by at_ns`, nil, func(rows *sql.Rows) error {
		var r record.Restore
		err := rows.Scan(&r.At, &r.Made, &r.Aside)
		list = append(list, r)
		return err
	})
	return list, err
}

// Holes returns what agents had no more when they first spoke to a restored
// store. An agent sends its oldest reading first, so all below the first number
// that came beyond those of the backup was gone; what is skipped later the
// agent gave up on its own.
func (s *Store) Holes(ctx context.Context) ([]record.Hole, error) {
	var list []record.Hole
	err := s.snapshot(ctx, func(q query) (err error) {
		list, err = holes(q)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what restores left missing: %w", err)
	}
	return list, nil
}

// Spoken is what had come to a restored store at some time.
type Spoken map[spokenRun]spoken

type spokenRun struct {
	restore unit.Instant
	run     int64
}

// spoken is what had come of a run: next is the first number beyond those of
// the backup, largest int64 before there is one; seen are those below.
type spoken struct {
	next int64
	seen spans
}

func spokenOf(r *heldRun, next int64) spoken {
	return spoken{next, r.seen.without(spans{{next, math.MaxInt64}})}
}

// Spoken returns what has come since each restore.
func (s *Store) Spoken(ctx context.Context) (Spoken, error) {
	all := make(Spoken)
	err := s.snapshot(ctx, func(q query) error {
		return sinceRestores(q, func(at record.Restore, r *heldRun, then *run) error {
			next, ok := r.seen.after(then.last())
			if !ok {
				next = math.MaxInt64
			}
			all[spokenRun{at.At, r.id}] = spokenOf(r, next)
			return nil
		})
	})
	if err != nil {
		return nil, fmt.Errorf("read what came since restores: %w", err)
	}
	return all, nil
}

// NoteSalvage records that what was taken over from a lost store is as if the
// backup had held it, so that what is still missing beside it stays told.
// before is what had come until then.
func (s *Store) NoteSalvage(ctx context.Context, before Spoken) error {
	err := s.inTx(ctx, func(t *tx) error {
		return sinceRestores(t, func(at record.Restore, r *heldRun, _ *run) error {
			was, ok := before[spokenRun{at.At, r.id}]
			if !ok {
				was.next = math.MaxInt64
			}
			is := spokenOf(r, was.next)
			if slices.Equal(is.seen, was.seen) {
				return nil // nothing of it was taken over
			}
			return t.exec(`insert into restore_run (restore, run, oldest, seen) values (?, ?, 0, ?)
				on conflict (restore, run) do update set seen = excluded.seen`, at.At, r.id, is.seen.encode())
		})
	})
	if err != nil {
		return fmt.Errorf("note what was taken over: %w", err)
	}
	return nil
}

// heldRun is a run and whose it is.
type heldRun struct {
	run
	station     int64
	stationName string
}

func holes(q query) (list []record.Hole, err error) {
	told := make(map[record.Hole]bool) // once, though the store was restored again
	err = sinceRestores(q, func(at record.Restore, r *heldRun, then *run) error {
		for _, gap := range r.goneSince(then) {
			h := record.Hole{Station: r.stationName, Run: r.name, From: gap.lo, To: gap.hi}
			if told[h] {
				continue
			}
			told[h] = true
			if h.Before, h.After, err = sides(q, r, gap); err != nil {
				return err
			}
			if then == nil && h.After > at.At.Add(newRunWithin) {
				continue
			}
			h.Restore = at
			list = append(list, h)
		}
		return nil
	})
	return list, err
}

// sinceRestores calls f for each restore, oldest first, and each run with a
// name that the store has: how it is, and how it was then, nil for one that was
// not there.
func sinceRestores(q query, f func(at record.Restore, r *heldRun, then *run) error) error {
	all, err := restores(q)
	if err != nil || len(all) == 0 {
		return err
	}
	runs, err := heldRuns(q)
	if err != nil {
		return err
	}
	for _, at := range all {
		then, err := runsThen(q, at)
		if err != nil {
			return err
		}
		for i := range runs {
			if err := f(at, &runs[i], then[runs[i].id]); err != nil {
				return err
			}
		}
	}
	return nil
}

func heldRuns(q query) (list []heldRun, err error) {
	err = each(q, `select r.id, r.run, r.oldest, r.seen, s.id, s.name from run r join station s on s.id = r.station
		where r.run <> '' order by s.name, r.id`, nil, func(rows *sql.Rows) error {
		var r heldRun
		var seen sql.RawBytes
		err := rows.Scan(&r.id, &r.name, &r.oldest, &seen, &r.station, &r.stationName)
		if err == nil {
			r.seen, err = decodeSpans(seen)
		}
		list = append(list, r)
		return err
	})
	return list, err
}

// last is the largest number seen; 0 before the first, and of a run that is not
// there.
func (r *run) last() int64 {
	if r == nil || len(r.seen) == 0 {
		return 0
	}
	return r.seen[len(r.seen)-1].hi
}

// newRunWithin is how long after a restore the first reading may be that came
// of a run which the backup doesn't know, for what is missing before it to be
// put down to the restore: an interval between readings is a day at most.
const newRunWithin = 24 * time.Hour

func runsThen(q query, at record.Restore) (map[int64]*run, error) {
	then := make(map[int64]*run)
	err := each(q, `select run, oldest, seen from restore_run where restore = ?`, []any{at.At}, func(rows *sql.Rows) error {
		var r run
		var seen sql.RawBytes
		err := rows.Scan(&r.id, &r.oldest, &seen)
		if err == nil {
			r.seen, err = decodeSpans(seen)
		}
		then[r.id] = &r
		return err
	})
	return then, err
}

// goneSince returns the numbers of a run that its agent had no more when it
// first sent something beyond what the store had then.
func (r *heldRun) goneSince(then *run) []span {
	next, ok := r.seen.after(then.last())
	if !ok {
		return nil // nothing came yet
	}
	first := int64(1)
	if then != nil {
		first = max(then.oldest, 1)
	}
	return r.seen.gaps(first, min(next, r.oldest)-1)
}

// sides returns the times of the stored readings next to a stretch of numbers.
func sides(q query, r *heldRun, gap span) (before, after unit.Instant, err error) {
	_, at, err := nextStored(q, r, gap.hi, true)
	if err != nil {
		return 0, 0, err
	}
	below, earlier, err := nextStored(q, r, gap.lo, false)
	if err != nil || below != 0 {
		return earlier, at, err
	}
	err = each(q, `select coalesce(max(newest_ns), 0) from run where station = ? and id < ?`, []any{r.station, r.id},
		func(rows *sql.Rows) error { return rows.Scan(&earlier) })
	return earlier, at, err
}

// nextStored returns key and time of the run's stored reading that is next to
// n, above it or below; 0 when there is none.
func nextStored(q query, r *heldRun, n int64, above bool) (key int64, at unit.Instant, err error) {
	text := `select id, key_max from batch where station = ? and run = ? and key_min < ? order by key_max desc`
	if above {
		text = `select id, key_min from batch where station = ? and run = ? and key_max > ? order by key_min`
	}
	type row struct{ id, best int64 } // the best key that it can have
	var list []row
	err = each(q, text, []any{r.station, r.id, n}, func(rows *sql.Rows) error {
		var b row
		err := rows.Scan(&b.id, &b.best)
		list = append(list, b)
		return err
	})
	for _, b := range list {
		if err != nil || key != 0 && (above && b.best >= key || !above && b.best <= key) {
			break
		}
		err = each(q, `select body from batch where id = ?`, []any{b.id}, func(rows *sql.Rows) error {
			var body sql.RawBytes
			if err := rows.Scan(&body); err != nil {
				return err
			}
			rs, err := unpack(nil, r.name, body)
			for i := range rs {
				switch x := &rs[i]; {
				case above && x.Seq > n && (key == 0 || x.Seq < key), !above && x.Seq < n && x.Seq > key:
					key, at = x.Seq, x.Time
				}
			}
			return err
		})
	}
	return key, at, err
}

// Beyond hands all that the store old holds of its stations' readings and
// refusals, and the store s has not, to take as arrivals, and returns what that
// was. take may be nil. Batches of readings that can't be read are counted and
// passed over. What take stores in s is seen by what follows.
func (s *Store) Beyond(ctx context.Context, old *Store, take func(record.Arrival) error) ([]record.Beyond, error) {
	list, err := old.stationIDs(ctx)
	var found []record.Beyond
	for _, st := range list {
		if err != nil {
			break
		}
		b := beyond{s: s, old: old, ctx: ctx, station: st, take: take}
		b.found.Station = st.name
		if err = b.all(); err != nil {
			err = fmt.Errorf("station %s: %w", st.name, err)
			break
		}
		if n := b.found; n.Readings > 0 || n.Refused > 0 || n.Damaged > 0 {
			found = append(found, n)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("compare store %s with %s: %w", old.path, s.path, err)
	}
	return found, nil
}

func (s *Store) stationIDs(ctx context.Context) ([]station, error) {
	v := verifier{q: reader{ctx, s}}
	return v.stations()
}

type beyond struct {
	s, old  *Store
	ctx     context.Context
	station station // of old
	take    func(record.Arrival) error
	found   record.Beyond
}

func (b *beyond) all() error {
	theirs, err := seenRuns(reader{b.ctx, b.old}, b.station.id)
	if err != nil {
		return err
	}
	own, err := b.ownRuns()
	if err != nil {
		return err
	}
	more := make(map[int64]spans, len(theirs))
	for id, r := range theirs {
		more[id] = r.seen.without(own[r.name].seen)
	}
	if err := b.readings(theirs, more); err != nil {
		return err
	}
	if err := b.refusals(); err != nil || b.take == nil {
		return err
	}
	for _, r := range theirs {
		if r.name == "" || r.oldest <= own[r.name].oldest {
			continue
		}
		if err := b.take(record.Arrival{Station: b.station.name, Batch: reading.Batch{Oldest: map[string]int64{r.name: r.oldest}}}); err != nil {
			return err
		}
	}
	return nil
}

// ownRuns returns what s knows of the station's runs, by name.
func (b *beyond) ownRuns() (map[string]run, error) {
	var id int64
	err := each(reader{b.ctx, b.s}, `select id from station where name = ?`, []any{b.station.name}, func(rows *sql.Rows) error { return rows.Scan(&id) })
	if err != nil {
		return nil, err
	}
	runs, err := seenRuns(reader{b.ctx, b.s}, id)
	own := make(map[string]run, len(runs))
	for _, r := range runs {
		own[r.name] = *r
	}
	return own, err
}

func (b *beyond) readings(runs map[int64]*run, more map[int64]spans) error {
	return each(reader{b.ctx, b.old}, `select run, key_min, key_max, t_min, t_max, body from batch where station = ? order by day, id`,
		[]any{b.station.id}, func(rows *sql.Rows) error {
			var of int64
			var lo, hi int64
			var first, last unit.Instant
			var body sql.RawBytes
			if err := rows.Scan(&of, &lo, &hi, &first, &last, &body); err != nil {
				return err
			}
			r := runs[of]
			if r == nil || r.name != "" && !more[of].touches(lo, hi) {
				return nil
			}
			list, err := unpack(nil, r.name, body)
			if err != nil {
				b.found.Damaged++
				return nil
			}
			if r.name == "" {
				list, err = b.unkeyed(list, first, last)
			} else {
				list = slices.DeleteFunc(list, func(x reading.Reading) bool { return !more[of].has(x.Seq) })
			}
			if err != nil || len(list) == 0 {
				return err
			}
			return b.hand(list)
		})
}

// unkeyed leaves out the readings without run and seq that s has.
func (b *beyond) unkeyed(list []reading.Reading, first, last unit.Instant) ([]reading.Reading, error) {
	held, err := b.s.readings(reader{b.ctx, b.s}, b.station.name, first, last+1)
	if err != nil {
		return nil, err
	}
	there := make(map[reading.Reading]bool, len(held))
	for _, x := range held {
		there[x] = true
	}
	return slices.DeleteFunc(list, func(x reading.Reading) bool { return there[x] }), nil
}

func (b *beyond) hand(list []reading.Reading) error {
	f := &b.found
	for i := range list {
		t := list[i].Time
		if f.Readings == 0 {
			f.First, f.Last = t, t
		}
		f.First, f.Last = min(f.First, t), max(f.Last, t)
		f.Readings++
	}
	if b.take == nil {
		return nil
	}
	return b.take(record.Arrival{Station: b.station.name, Batch: reading.Batch{Readings: list}})
}

// refusals hands over what is in quarantine of old, was not stored after all,
// and did not arrive at that instant at s too.
func (b *beyond) refusals() error {
	there := make(map[unit.Instant][][]byte) // lines at s, by arrival
	err := each(reader{b.ctx, b.s}, `select arrived_ns, raw from quarantine where station = ?`, []any{b.station.name}, func(rows *sql.Rows) error {
		var at unit.Instant
		var raw []byte
		err := rows.Scan(&at, &raw)
		there[at] = append(there[at], raw)
		return err
	})
	if err != nil {
		return err
	}
	return each(reader{b.ctx, b.old}, selectQuarantined+`where station = ? and released_ns is null order by id`, []any{b.station.name}, func(rows *sql.Rows) error {
		q, err := scanQuarantined(rows)
		if err != nil || slices.ContainsFunc(there[q.At], func(raw []byte) bool { return bytes.Equal(raw, q.Raw) }) {
			return err
		}
		b.found.Refused++
		if b.take == nil {
			return nil
		}
		return b.take(record.Arrival{Station: q.Station, At: q.At, Batch: reading.Batch{Refused: []reading.Refusal{{
			Reason: q.Reason, Detail: q.Detail, Raw: q.Raw, Run: q.Run, Seq: q.Seq, Reading: q.Reading,
		}}}})
	})
}
