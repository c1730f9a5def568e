package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// AddStation enrols a station, and records what is known of it: both or
// neither. An id is used once, for ever.
func (s *Store) AddStation(ctx context.Context, st record.Station, author string, facts ...fact.Fact) error {
	if err := receipt.ValidStation(st.ID); err != nil {
		return err
	}
	if st.Secret.IsZero() {
		return fmt.Errorf("station %s: has no secret", st.ID)
	}
	if err := checkFacts(facts); err != nil {
		return err
	}
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`insert into station (name, secret, enrolled_ns, retired_ns) values (?, ?, ?, ?) on conflict do nothing`,
			st.ID, st.Secret.Hex(), st.Enrolled, orNull(st.Retired))
		if err != nil {
			return err
		}
		if n == 0 {
			return errors.New("it is enrolled already, or was once: choose another id")
		}
		if err := addFacts(t, facts); err != nil {
			return err
		}
		return audit(t, st.Enrolled, author, "enrol", st.ID)
	})
	if err != nil {
		return fmt.Errorf("add station %s: %w", st.ID, err)
	}
	return nil
}

// Retire takes a station out of service. What it sent stays; what it sends
// from now on goes to quarantine.
func (s *Store) Retire(ctx context.Context, id string, at unit.Instant, author string) error {
	return s.changeStation(ctx, id, at, author, "retire",
		`update station set retired_ns = ? where name = ? and retired_ns is null`, at, id)
}

func (s *Store) changeStation(ctx context.Context, id string, at unit.Instant, author, action, query string, args ...any) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(query, args...)
		if err != nil {
			return err
		}
		if n == 0 {
			return record.ErrNotFound
		}
		if err := noteChange(t, id); err != nil {
			return err
		}
		return audit(t, at, author, action, id)
	})
	if err != nil {
		return fmt.Errorf("%s of station %s: %w", action, id, err)
	}
	return nil
}

func audit(t *tx, at unit.Instant, author, action, object string) error {
	return t.exec(`insert into audit (at_ns, author, action, object) values (?, ?, ?, ?)`, at, author, action, object)
}

// Stations returns all stations by id, retired ones included.
func (s *Store) Stations(ctx context.Context) ([]record.Station, error) {
	list, err := s.stations(ctx, stationRow+` order by name`)
	if err != nil {
		return nil, fmt.Errorf("read stations: %w", err)
	}
	return list, nil
}

// Station returns the station with the given id, or record.ErrNotFound.
func (s *Store) Station(ctx context.Context, id string) (record.Station, error) {
	list, err := s.stations(ctx, stationRow+` where name = ?`, id)
	if err == nil && len(list) == 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return record.Station{}, fmt.Errorf("read station %s: %w", id, err)
	}
	return list[0], nil
}

const stationRow = `select name, secret, coalesce(next_secret, ''), enrolled_ns, retired_ns from station`

func (s *Store) stations(ctx context.Context, query string, args ...any) ([]record.Station, error) {
	var list []record.Station
	err := each(reader{ctx, s}, query, args, func(rows *sql.Rows) error {
		var st record.Station
		var secret, next string
		var retired sql.NullInt64
		if err := rows.Scan(&st.ID, &secret, &next, &st.Enrolled, &retired); err != nil {
			return err
		}
		st.Retired = unit.Instant(retired.Int64)
		var err error
		if st.Secret, err = receipt.ParseSecret(secret); err != nil {
			return fmt.Errorf("station %s: %w", st.ID, err)
		}
		if next != "" {
			if st.Next, err = receipt.ParseSecret(next); err != nil {
				return fmt.Errorf("station %s: next secret: %w", st.ID, err)
			}
		}
		list = append(list, st)
		return nil
	})
	return list, err
}

// AddFacts records facts, all or none, and marks the stations whose ledger
// they can alter for a fold from Fact.From on.
func (s *Store) AddFacts(ctx context.Context, facts []fact.Fact) error {
	if err := checkFacts(facts); err != nil {
		return err
	}
	if err := s.inTx(ctx, func(t *tx) error { return addFacts(t, facts) }); err != nil {
		return fmt.Errorf("add facts: %w", err)
	}
	return nil
}

func checkFacts(facts []fact.Fact) error {
	for _, f := range facts {
		if err := fact.Validate(f); err != nil {
			return err
		}
		if f.Name != fact.Zone {
			continue
		}
		if _, err := time.LoadLocation(f.Value); err != nil {
			return fmt.Errorf("site %s: zone %q: no such IANA time zone; write one such as Etc/UTC", f.Subject.ID, f.Value)
		}
	}
	return nil
}

func addFacts(t *tx, facts []fact.Fact) error {
	for _, f := range facts {
		if err := t.exec(`insert into fact (kind, subject, name, from_ns, value, author, recorded_ns) values (?, ?, ?, ?, ?, ?, ?)`,
			f.Subject.Kind, f.Subject.ID, f.Name, f.From, f.Value, f.Author, f.Recorded); err != nil {
			return fmt.Errorf("record fact %s of %s %s: %w", f.Name, f.Subject.Kind, f.Subject.ID, err)
		}
	}
	// Only now, so that a site and its stations may come in any order.
	for _, f := range facts {
		if err := refold(t, f); err != nil {
			return err
		}
	}
	return nil
}

// refold checks whom a recorded fact is about, and marks the stations that it
// concerns.
func refold(t *tx, f fact.Fact) error {
	if f.Subject.Kind == fact.KindSite {
		if !fact.ChangesLedger(f) {
			return nil
		}
		var ids []int64
		err := each(t, `select distinct s.id from fact f join station s on s.name = f.subject
			where f.kind = 'station' and f.name = 'site' and f.value = ? order by s.id`, []any{f.Subject.ID},
			func(rows *sql.Rows) error {
				var id int64
				err := rows.Scan(&id)
				ids = append(ids, id)
				return err
			})
		for _, id := range ids {
			err = errors.Join(err, markFrom(t, id, f.From))
		}
		return err
	}
	var id int64
	err := t.row(`select id from station where name = ?`, []any{f.Subject.ID}, &id)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("station %s: %w: enrol it first", f.Subject.ID, record.ErrNotFound)
	}
	if err != nil {
		return err
	}
	if f.Name == fact.Site {
		var n int
		if err := t.row(`select count(*) from fact where kind = 'site' and subject = ?`, []any{f.Value}, &n); err != nil {
			return err
		}
		if n == 0 {
			return fmt.Errorf("station %s: site %q: %w: add the site first", f.Subject.ID, f.Value, record.ErrNotFound)
		}
	}
	if !fact.ChangesLedger(f) {
		return nil
	}
	return markFrom(t, id, f.From)
}

const rulesVersion = "rules_version" // name of the total that says by which rules the ledger was made

// UseRules marks every station to be folded again from its first reading when
// its ledger was made by another version of the rules.
func (s *Store) UseRules(ctx context.Context, version int) error {
	err := s.inTx(ctx, func(t *tx) error {
		changed, err := t.changed(`insert into total (name, n) values (?, ?)
			on conflict (name) do update set n = excluded.n where total.n <> excluded.n`, rulesVersion, version)
		if err != nil || changed == 0 {
			return err
		}
		var ids []int64
		err = each(t, `select id from station order by id`, nil, func(rows *sql.Rows) error {
			var id int64
			err := rows.Scan(&id)
			ids = append(ids, id)
			return err
		})
		for _, id := range ids {
			err = errors.Join(err, markFrom(t, id, fact.Always))
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("fold by version %d of the rules: %w", version, err)
	}
	return nil
}

// markFrom marks a station's readings from from on, if it has any.
func markFrom(t *tx, station int64, from unit.Instant) error {
	first, last, ok, err := extent(t, station)
	if err != nil || !ok || last < from {
		return err
	}
	version, err := nextVersion(t)
	if err != nil {
		return err
	}
	marks := newMarks()
	marks.add(station, max(from, first), last, version)
	if err := marks.write(t); err != nil {
		return fmt.Errorf("mark to fold: %w", err)
	}
	return nil
}

// Facts returns all facts about a subject in the order in which they were
// recorded.
func (s *Store) Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error) {
	var list []fact.Fact
	err := each(reader{ctx, s}, `select name, from_ns, value, author, recorded_ns from fact where kind = ? and subject = ? order by id`,
		[]any{subject.Kind, subject.ID}, func(rows *sql.Rows) error {
			f := fact.Fact{Subject: subject}
			err := rows.Scan(&f.Name, &f.From, &f.Value, &f.Author, &f.Recorded)
			list = append(list, f)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("read facts of %s %s: %w", subject.Kind, subject.ID, err)
	}
	return list, nil
}

// Sites returns the ids of all sites.
func (s *Store) Sites(ctx context.Context) ([]string, error) {
	var list []string
	err := each(reader{ctx, s}, `select distinct subject from fact where kind = 'site' order by subject`, nil, func(rows *sql.Rows) error {
		var id string
		err := rows.Scan(&id)
		list = append(list, id)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read sites: %w", err)
	}
	return list, nil
}

// orNull stores the zero value as null.
func orNull[T comparable](v T) any {
	var zero T
	if v == zero {
		return nil
	}
	return v
}
