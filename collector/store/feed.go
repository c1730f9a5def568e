package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

// What is sent on is told by marks, as what is to be folded: the commit that
// changes something marks it, and what was sent of a mark is cleared only if the
// mark is still the one that was read. A mark is a stretch, so they don't grow
// however long nobody takes anything.

// longChange is how long a stretch is that has a slot for itself.
const longChange = 48 * time.Hour

const (
	slotAll = iota
	slotShort
	slotLong
)

func newFeedMarks() bulk {
	return bulk{
		columns: 6, types: append([]string{"text"}, slices.Repeat([]string{"bigint"}, 5)...), head: `insert into feed_mark (what, station, slot, from_ns, to_ns, version)`,
		foot: `on conflict (what, station, slot) do update set
			from_ns = case when excluded.from_ns < feed_mark.from_ns then excluded.from_ns else feed_mark.from_ns end,
			to_ns = case when excluded.to_ns > feed_mark.to_ns then excluded.to_ns else feed_mark.to_ns end,
			version = excluded.version`,
	}
}

func addFeedMark(b *bulk, what string, station int64, from, to unit.Instant, version int64) {
	slot := slotShort
	if to.Sub(from) > longChange {
		slot = slotLong
	}
	b.add(what, station, int64(slot), int64(from), int64(to), version)
}

// feedHours marks hours that a fold replaced, if they are sent on.
func feedHours(t *tx, station int64, hours []exposure.Hour, version int64) error {
	if len(hours) == 0 {
		return nil
	}
	from, to := hours[0].Start, hours[0].Start
	for i := range hours {
		from, to = min(from, hours[i].Start), max(to, hours[i].Start)
	}
	feeds, err := ids(t, `select count(*) from feed where what = ?`, record.FeedHours)
	if err != nil || feeds[0] == 0 {
		return err
	}
	marks := newFeedMarks()
	addFeedMark(&marks, record.FeedHours, station, from, to, version)
	return marks.write(t)
}

// feedReadings marks readings that are said otherwise than before, if they are
// sent on.
func feedReadings(t *tx, station int64, from, to unit.Instant) error {
	feeds, err := ids(t, `select count(*) from feed where what = ?`, record.FeedReadings)
	if err != nil || feeds[0] == 0 {
		return err
	}
	version, err := nextVersion(t)
	if err != nil {
		return err
	}
	marks := newFeedMarks()
	addFeedMark(&marks, record.FeedReadings, station, from, to, version)
	return marks.write(t)
}

// UseFeeds says what is sent on, and where to: what is new there, all of every
// station is to be sent, and of what isn't sent on any more nothing is remembered.
func (s *Store) UseFeeds(ctx context.Context, target string, what ...string) error {
	err := s.inTx(ctx, func(t *tx) error {
		list, args := strings.Repeat(", ?", len(what)), make([]any, len(what))
		for i, w := range what {
			args[i] = w
		}
		for _, table := range []string{"feed_mark", "feed"} {
			if err := t.exec(`delete from `+table+` where what not in (''`+list+`)`, args...); err != nil {
				return err
			}
		}
		for _, w := range what {
			n, err := t.changed(`insert into feed (what, target, sent, refused, refused_station, refused_line_ns, refused_ns, refused_why, failing_ns, failure)
				values (?, ?, 0, 0, '', 0, 0, '', 0, '') on conflict (what) do update set target = excluded.target, sent = 0, refused = 0,
					refused_station = '', refused_line_ns = 0, refused_ns = 0, refused_why = '', failing_ns = 0, failure = ''
				where feed.target <> excluded.target`, w, target)
			if err == nil && n > 0 {
				err = feedAll(t, w)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("say what is sent on: %w", err)
	}
	return nil
}

// FeedAgain lets all be sent once more of what is sent on.
func (s *Store) FeedAgain(ctx context.Context, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		var list []string
		err := each(t, `select what from feed order by what`, nil, func(rows *sql.Rows) error {
			var what string
			err := rows.Scan(&what)
			list = append(list, what)
			return err
		})
		if err == nil && len(list) == 0 {
			err = fmt.Errorf("what is sent on: %w", record.ErrNotFound)
		}
		for i := 0; err == nil && i < len(list); i++ {
			err = feedAll(t, list[i])
		}
		if err != nil {
			return err
		}
		return audit(t, at, author, "send on again", strings.Join(list, " and "))
	})
	if err != nil {
		return fmt.Errorf("send on again: %w", err)
	}
	return nil
}

// feedAll marks all of every station.
func feedAll(t *tx, what string) error {
	version, err := nextVersion(t)
	if err != nil {
		return err
	}
	list, err := ids(t, `select id from station order by id`)
	if err != nil {
		return err
	}
	marks := newFeedMarks()
	for _, id := range list {
		marks.add(what, id, int64(slotAll), int64(math.MinInt64), int64(math.MaxInt64), version)
	}
	return marks.write(t)
}

// Feeds tells how sending on goes, by what is sent.
func (s *Store) Feeds(ctx context.Context) (list []record.Feed, err error) {
	err = each(reader{ctx, s}, `select f.what, f.sent, f.refused, f.refused_station, f.refused_line_ns, f.refused_ns, f.refused_why, f.failing_ns, f.failure,
			(select count(distinct m.station) from feed_mark m where m.what = f.what)
		from feed f order by f.what`, nil, func(rows *sql.Rows) error {
		var f record.Feed
		l := &f.Last
		err := rows.Scan(&f.What, &f.Sent, &f.Refused, &l.Station, &l.Time, &l.At, &l.Why, &f.Failing, &f.Failure, &f.Waiting)
		list = append(list, f)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read how sending on goes: %w", err)
	}
	return list, nil
}

// FeedVersion returns the version of the newest mark of what is sent on.
func (s *Store) FeedVersion(ctx context.Context, what string) (int64, error) {
	newest, err := instant(reader{ctx, s}, `select max(version) from feed_mark where what = ?`, what)
	if err != nil {
		return 0, fmt.Errorf("read what is to be sent on: %w", err)
	}
	return newest.Int64, nil
}

// FeedMarks returns what is to be sent on, by version, up to one.
func (s *Store) FeedMarks(ctx context.Context, what string, upto int64, limit int) (list []record.FeedMark, err error) {
	err = each(reader{ctx, s}, `select s.name, m.slot, m.from_ns, m.to_ns, m.version from feed_mark m join station s on s.id = m.station
		where m.what = ? and m.version <= ? order by m.version, s.name, m.slot limit ?`, []any{what, upto, limit}, func(rows *sql.Rows) error {
		m := record.FeedMark{What: what}
		err := rows.Scan(&m.Station, &m.Slot, &m.From, &m.To, &m.Version)
		list = append(list, m)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what is to be sent on: %w", err)
	}
	return list, nil
}

// FeedSent notes that lines were sent, and how far the marks are that they came
// from. What changed meanwhile stays marked. A mark that is not there any more
// was sent by another collector, and what was sent here may have come after it:
// the stretch is marked again.
func (s *Store) FeedSent(ctx context.Context, what string, steps []record.FeedStep, sent int64, refused []record.FeedRefusal) error {
	err := s.inTx(ctx, func(t *tx) error {
		for i := range steps {
			if err := feedSent(t, &steps[i]); err != nil {
				return fmt.Errorf("of %s: %w", steps[i].Mark.Station, err)
			}
		}
		if err := t.exec(`update feed set sent = sent + ?, refused = refused + ?, failing_ns = 0, failure = '' where what = ?`, sent, int64(len(refused)), what); err != nil {
			return err
		}
		if len(refused) == 0 {
			return nil
		}
		r := &refused[len(refused)-1]
		return t.exec(`update feed set refused_station = ?, refused_line_ns = ?, refused_ns = ?, refused_why = ? where what = ?`, r.Station, r.Time, r.At, r.Why, what)
	})
	if err != nil {
		return fmt.Errorf("note that %s were sent on: %w", what, err)
	}
	return nil
}

func feedSent(t *tx, step *record.FeedStep) error {
	m := &step.Mark
	text, args := `update feed_mark set from_ns = ? where what = ? and slot = ? and version = ? and station = (select id from station where name = ?)`, []any{int64(step.Upto)}
	if step.Done {
		text, args = `delete from feed_mark where what = ? and slot = ? and version = ? and station = (select id from station where name = ?)`, nil
	}
	n, err := t.changed(text, append(args, m.What, int64(m.Slot), m.Version, m.Station)...)
	if err != nil || n > 0 {
		return err
	}
	list, err := ids(t, `select s.id from station s join feed f on f.what = ? where s.name = ?
		and not exists (select 1 from feed_mark m where m.what = f.what and m.station = s.id and m.slot = ?)`, m.What, m.Station, int64(m.Slot))
	if err != nil || len(list) == 0 {
		return err // it changed meanwhile, or nobody sends it on any more
	}
	version, err := nextVersion(t)
	if err != nil {
		return err
	}
	marks := newFeedMarks()
	marks.add(m.What, list[0], int64(m.Slot), int64(m.From), int64(m.To), version)
	return marks.write(t)
}

// FeedFailed notes that nothing was taken, and why.
func (s *Store) FeedFailed(ctx context.Context, what string, at unit.Instant, why string) error {
	err := s.inTx(ctx, func(t *tx) error {
		return t.exec(`update feed set failing_ns = case when failing_ns = 0 then ? else failing_ns end, failure = ? where what = ?`, at, why, what)
	})
	if err != nil {
		return fmt.Errorf("note that %s were not sent on: %w", what, err)
	}
	return nil
}
