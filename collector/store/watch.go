package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// roundsFor is how long readings of the artificial station are kept: the
// morning letter counts a day.
const roundsFor = 25 * time.Hour

// round takes in what the artificial station sent: within commit (a), as any
// other reading, but it is neither counted nor folded.
func (c *intake) round(a *record.Arrival) error {
	for i := range a.Batch.Readings {
		r := &a.Batch.Readings[i]
		temp, _ := r.Get(reading.InsideTemp)
		rh, _ := r.Get(reading.InsideRH)
		err := c.t.exec(`insert into watch_round (run, seq, sent_ns, stored_ns, temp_c, rh_pct) values (?, ?, ?, ?, ?, ?) on conflict do nothing`,
			r.Run, r.Seq, r.Time, a.At, temp, rh)
		if err != nil {
			return fmt.Errorf("round: %w", err)
		}
	}
	c.t.toFold = true
	return c.t.exec(`delete from watch_round where sent_ns < ?`, a.At.Add(-roundsFor))
}

// Unjudged returns the artificial station's readings that no rule has judged,
// oldest first.
func (s *Store) Unjudged(ctx context.Context) ([]record.Round, error) {
	list, err := s.rounds(ctx, `where judged_ns is null order by sent_ns, run, seq`)
	if err != nil {
		return nil, fmt.Errorf("read the watch's readings: %w", err)
	}
	return list, nil
}

func (s *Store) rounds(ctx context.Context, where string, args ...any) ([]record.Round, error) {
	var list []record.Round
	err := each(reader{ctx, s}, `select run, seq, sent_ns, stored_ns, temp_c, rh_pct, coalesce(judged_ns, 0), coalesce(told_ns, 0) from watch_round `+where, args, func(rows *sql.Rows) error {
		var r record.Round
		err := rows.Scan(&r.Run, &r.Seq, &r.Sent, &r.Stored, &r.TempC, &r.RHPct, &r.Judged, &r.Told)
		list = append(list, r)
		return err
	})
	return list, err
}

// JudgeRounds notes that the rules said of rounds what they must.
func (s *Store) JudgeRounds(ctx context.Context, list []record.Round, at unit.Instant) error {
	return s.noteRounds(ctx, `update watch_round set judged_ns = ? where run = ? and seq = ?`, list, at)
}

// Untold returns the rounds of a run that were judged and that the outbox still
// holds, oldest first.
func (s *Store) Untold(ctx context.Context, run string) ([]record.Round, error) {
	list, err := s.rounds(ctx, `where run = ? and judged_ns is not null and told_ns is null order by seq`, run)
	if err != nil {
		return nil, fmt.Errorf("read the watch's rounds: %w", err)
	}
	return list, nil
}

// RoundsTold notes that the outbox has given rounds to the watch.
func (s *Store) RoundsTold(ctx context.Context, list []record.Round, at unit.Instant) error {
	return s.noteRounds(ctx, `update watch_round set told_ns = ? where run = ? and seq = ?`, list, at)
}

func (s *Store) noteRounds(ctx context.Context, query string, list []record.Round, at unit.Instant) error {
	err := s.inTx(ctx, func(t *tx) error {
		for i := range list {
			if err := t.exec(query, at, list[i].Run, list[i].Seq); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("note rounds of the watch: %w", err)
	}
	return nil
}

// RoundsSince counts the rounds that made the whole way since an instant.
func (s *Store) RoundsSince(ctx context.Context, since unit.Instant) (int64, error) {
	var n int64
	err := each(reader{ctx, s}, `select count(*) from watch_round where sent_ns >= ? and told_ns is not null`, []any{since}, func(rows *sql.Rows) error { return rows.Scan(&n) })
	if err != nil {
		return 0, fmt.Errorf("count rounds of the watch: %w", err)
	}
	return n, nil
}

// WatchedPeers returns the installations that are watched, by name.
func (s *Store) WatchedPeers(ctx context.Context) ([]record.WatchedPeer, error) {
	var list []record.WatchedPeer
	err := each(reader{ctx, s}, `select name, every_s, made_ns, coalesce(heard_ns, 0), coalesce(silent_ns, 0), times from watched order by name`, nil, func(rows *sql.Rows) error {
		var p record.WatchedPeer
		var every int64
		err := rows.Scan(&p.Name, &every, &p.Made, &p.Heard, &p.Silent, &p.Times)
		p.Every = time.Duration(every) * time.Second
		list = append(list, p)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read watched installations: %w", err)
	}
	return list, nil
}

// AddWatched adds an installation to watch; record.ErrTaken when there is one of
// that name. hash is that of the key by which it calls.
func (s *Store) AddWatched(ctx context.Context, p record.WatchedPeer, hash []byte, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`insert into watched (name, key_hash, every_s, made_ns, times) values (?, ?, ?, ?, 0) on conflict do nothing`,
			p.Name, hash, int64(p.Every/time.Second), p.Made)
		if err == nil && n == 0 {
			err = record.ErrTaken
		}
		if err != nil {
			return err
		}
		return audit(t, p.Made, author, "watch installation", p.Name)
	})
	if err != nil {
		return fmt.Errorf("watch %s: %w", p.Name, err)
	}
	return nil
}

// RemoveWatched stops watching an installation.
func (s *Store) RemoveWatched(ctx context.Context, name string, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`delete from watched where name = ?`, name)
		if err == nil && n == 0 {
			err = record.ErrNotFound
		}
		if err != nil {
			return err
		}
		return audit(t, at, author, "stop watching installation", name)
	})
	if err != nil {
		return fmt.Errorf("stop watching %s: %w", name, err)
	}
	return nil
}

// PeerCalled notes that the installation with a key called, and returns its
// name; record.ErrNotFound when none has it.
func (s *Store) PeerCalled(ctx context.Context, hash []byte, at unit.Instant) (name string, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		err := t.row(`update watched set heard_ns = ? where key_hash = ? returning name`, []any{at, hash}, &name)
		if errors.Is(err, sql.ErrNoRows) {
			return record.ErrNotFound
		}
		return err
	})
	if err != nil {
		return "", fmt.Errorf("note a call: %w", err)
	}
	return name, nil
}

// PeerSilent notes that a watched installation is silent, or with at 0 that it
// is heard again, with what people are told of it, unless that was done.
func (s *Store) PeerSilent(ctx context.Context, p record.WatchedPeer, at unit.Instant, n record.Notice, to []record.Delivery) error {
	query, args := `update watched set silent_ns = ?, times = times + 1 where name = ? and silent_ns is null and times = ?`, []any{at, p.Name, p.Times}
	if at == 0 {
		query, args = `update watched set silent_ns = null where name = ? and silent_ns is not null and times = ?`, []any{p.Name, p.Times}
	}
	err := s.inTx(ctx, func(t *tx) error {
		changed, err := t.changed(query, args...)
		if err != nil || changed == 0 {
			return err
		}
		return putNotice(t, &n, to)
	})
	if err != nil {
		return fmt.Errorf("note how %s does: %w", p.Name, err)
	}
	return nil
}
