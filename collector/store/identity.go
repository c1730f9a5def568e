package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// Identity returns what is kept under a name of the installation's identity, in
// PEM form, or record.ErrNotFound.
func (s *Store) Identity(ctx context.Context, name string) (string, error) {
	pem, found := "", false
	err := each(reader{ctx, s}, `select pem from identity where name = ?`, []any{name}, func(rows *sql.Rows) error {
		found = true
		return rows.Scan(&pem)
	})
	if err == nil && !found {
		err = record.ErrNotFound
	}
	if err != nil {
		return "", fmt.Errorf("read identity %s: %w", name, err)
	}
	return pem, nil
}

// AddIdentity keeps pem under a name, unless something is kept under it
// already: of several who add, the first decides for all.
func (s *Store) AddIdentity(ctx context.Context, name, pem string, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`insert into identity (name, pem, made_ns) values (?, ?, ?) on conflict do nothing`, name, pem, at)
		if err != nil || n == 0 {
			return err
		}
		return audit(t, at, author, "make identity", name)
	})
	if err != nil {
		return fmt.Errorf("add identity %s: %w", name, err)
	}
	return nil
}

// errNoChange is returned for a secret that is not being changed.
var errNoChange = errors.New("its secret is not being changed: dewpost station rotate begins it")

// BeginSecret gives a station in service the secret that is to follow; until
// FinishSecret or AbandonSecret both are good. One that stands there already
// stays.
func (s *Store) BeginSecret(ctx context.Context, st record.Station, at unit.Instant, author string) error {
	if st.Next.IsZero() {
		return fmt.Errorf("station %s: the new secret is empty", st.ID)
	}
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`update station set next_secret = ? where name = ? and retired_ns is null and next_secret is null`, st.Next.Hex(), st.ID)
		if err != nil {
			return err
		}
		if n == 0 {
			var retired bool
			err := t.row(`select retired_ns is not null from station where name = ?`, []any{st.ID}, &retired)
			switch {
			case errors.Is(err, sql.ErrNoRows):
				return record.ErrNotFound
			case err != nil:
				return err
			case retired:
				return errors.New("it is retired")
			}
			return nil
		}
		if err := noteChange(t, st.ID); err != nil {
			return err
		}
		return audit(t, at, author, "begin a new secret", st.ID)
	})
	if err != nil {
		return fmt.Errorf("begin a new secret of station %s: %w", st.ID, err)
	}
	return nil
}

// FinishSecret makes st.Next the station's secret; the one before is worthless
// from then on. Where that is so already it does nothing.
func (s *Store) FinishSecret(ctx context.Context, st record.Station, at unit.Instant, author string) error {
	if st.Next.IsZero() {
		return fmt.Errorf("station %s: %w", st.ID, errNoChange)
	}
	err := s.inTx(ctx, func(t *tx) error {
		next := st.Next.Hex()
		n, err := t.changed(`update station set secret = next_secret, next_secret = null where name = ? and next_secret = ?`, st.ID, next)
		if err != nil {
			return err
		}
		if n == 0 {
			err := t.row(`select 1 from station where name = ? and secret = ?`, []any{st.ID, next}, new(int))
			if errors.Is(err, sql.ErrNoRows) {
				return errNoChange
			}
			return err
		}
		if err := noteChange(t, st.ID); err != nil {
			return err
		}
		return audit(t, at, author, "finish the new secret", st.ID)
	})
	if err != nil {
		return fmt.Errorf("finish the new secret of station %s: %w", st.ID, err)
	}
	return nil
}

// AbandonSecret takes back a secret that was to follow.
func (s *Store) AbandonSecret(ctx context.Context, id string, at unit.Instant, author string) error {
	err := s.changeStation(ctx, id, at, author, "abandon the new secret", func(*tx) error { return nil },
		`update station set next_secret = null where name = ? and next_secret is not null`, id)
	if errors.Is(err, record.ErrNotFound) {
		return fmt.Errorf("station %s: %w", id, errNoChange)
	}
	return err
}

// noteChange says that a station's passwords changed.
func noteChange(t *tx, id string) error {
	return t.exec(`update station set changed = (select max(changed) from station) + 1 where name = ?`, id)
}

// ChangedStations returns the stations whose passwords changed after a version,
// and the newest version; ErrMoved or ErrOutdated when nothing can be written any more. It
// looks at those rows only: it may be asked often.
func (s *Store) ChangedStations(ctx context.Context, after int64) ([]record.Station, int64, error) {
	var list []record.Station
	newest := after
	if err := s.here().ask(reader{ctx, s}); err != nil {
		return nil, after, err
	}
	err := each(reader{ctx, s}, `select changed from station where changed > ? order by changed desc limit 1`, []any{after},
		func(rows *sql.Rows) error { return rows.Scan(&newest) })
	if err == nil && newest > after {
		list, err = s.stations(ctx, stationRow+` where changed > ? order by changed`, after)
	}
	if err != nil {
		return nil, after, fmt.Errorf("read changed stations: %w", err)
	}
	return list, newest, nil
}

// StationsVersion is the version to begin with in ChangedStations.
func (s *Store) StationsVersion(ctx context.Context) (int64, error) {
	version := int64(0)
	err := each(reader{ctx, s}, `select coalesce(max(changed), 0) from station`, nil, func(rows *sql.Rows) error { return rows.Scan(&version) })
	if err != nil {
		return 0, fmt.Errorf("read the version of stations: %w", err)
	}
	return version, nil
}
