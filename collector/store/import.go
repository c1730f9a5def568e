package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// BeginImport notes that somebody puts a log into a station's record. The
// station must be in service: record.ErrNotFound for one that nobody enrolled,
// record.ErrRetired for one that was retired.
func (s *Store) BeginImport(ctx context.Context, station string, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		var retired sql.NullInt64
		err := t.row(`select retired_ns from station where name = ?`, []any{station}, &retired)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return record.ErrNotFound
		case err != nil:
			return err
		case retired.Valid:
			return record.ErrRetired
		}
		return audit(t, at, author, "import readings", station)
	})
	if err != nil {
		return fmt.Errorf("begin an import for station %s: %w", station, err)
	}
	return nil
}

// AwaitsTime tells whether a line without run and seq waits in quarantine for
// its time, which lies ahead.
func (s *Store) AwaitsTime(ctx context.Context, station string, due unit.Instant, raw []byte) (bool, error) {
	waits, err := awaitsTime(reader{ctx, s}, station, due, raw)
	if err != nil {
		return false, fmt.Errorf("reading of %s at %s: %w", station, due, err)
	}
	return waits, nil
}

// awaitsTime is for a line that can't be told by a number: a log that is
// imported twice, or a device without a spool that sends again.
func awaitsTime(q query, station string, due unit.Instant, raw []byte) (waits bool, err error) {
	err = each(q, `select id from quarantine where due_ns = ? and released_ns is null and station = ? and run is null and raw = ?
		order by id limit 1`, []any{due, station, raw}, func(*sql.Rows) error {
		waits = true
		return nil
	})
	if err != nil {
		return false, fmt.Errorf("look into quarantine: %w", err)
	}
	return waits, nil
}
