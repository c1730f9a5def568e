package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// AddStation enrols a station, and records what is known of it: both or
// neither. An id is used once, for ever. See AddFacts for what can't be
// recorded.
func (s *Store) AddStation(ctx context.Context, st record.Station, author string, facts ...fact.Fact) error {
	if err := receipt.ValidStation(st.ID); err != nil {
		return err
	}
	if st.Secret.IsZero() {
		return fmt.Errorf("station %s: has no secret", st.ID)
	}
	facts, err := normal(facts)
	if err != nil {
		return err
	}
	err = s.inTx(ctx, func(t *tx) error {
		if err := addStation(t, st, author); err != nil {
			return err
		}
		return addFacts(t, facts)
	})
	if err != nil {
		return fmt.Errorf("add station %s: %w", st.ID, err)
	}
	return nil
}

func addStation(t *tx, st record.Station, author string) error {
	n, err := t.changed(`insert into station (name, secret, enrolled_ns, retired_ns) values (?, ?, ?, ?) on conflict do nothing`,
		st.ID, st.Secret.Hex(), st.Enrolled, orNull(st.Retired))
	if err != nil {
		return err
	}
	if n == 0 {
		return errors.New("it is enrolled already, or was once: choose another id")
	}
	return audit(t, st.Enrolled, author, "enrol", st.ID)
}

// Import enrols stations and records facts, all or none. With dry nothing stays
// of it: it is only found out whether it can be done.
func (s *Store) Import(ctx context.Context, stations []record.Station, facts []fact.Fact, author string, dry bool) error {
	facts, err := normal(facts)
	if err != nil {
		return err
	}
	err = s.inTx(ctx, func(t *tx) error {
		for _, st := range stations {
			if err := addStation(t, st, author); err != nil {
				return fmt.Errorf("station %s: %w", st.ID, err)
			}
		}
		if err := addFacts(t, facts); err != nil {
			return err
		}
		if dry {
			return errDry
		}
		return nil
	})
	if dry && errors.Is(err, errDry) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("import: %w", err)
	}
	return nil
}

// Retire takes a station out of service. What it sent stays; what it sends
// from now on goes to quarantine.
func (s *Store) Retire(ctx context.Context, id string, at unit.Instant, author string) error {
	return s.changeStation(ctx, id, at, author, "retire", func(t *tx) error { return markMates(t, id, at) },
		`update station set retired_ns = ? where name = ? and retired_ns is null`, at, id)
}

func (s *Store) changeStation(ctx context.Context, id string, at unit.Instant, author, action string, then func(*tx) error, query string, args ...any) error {
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
		if err := then(t); err != nil {
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
// they can alter for a fold from Fact.From on. What can't be recorded is a
// fact.Refused: it is written wrongly, refers to what isn't there, or says with
// all that is recorded already that one thing is in two places at once. A
// station that isn't enrolled is record.ErrNotFound.
func (s *Store) AddFacts(ctx context.Context, facts []fact.Fact) error {
	facts, err := normal(facts)
	if err != nil {
		return err
	}
	if err := s.inTx(ctx, func(t *tx) error { return addFacts(t, facts) }); err != nil {
		return fmt.Errorf("add facts: %w", err)
	}
	return nil
}

// normal returns facts as they are kept, when each of them by itself is right.
func normal(facts []fact.Fact) ([]fact.Fact, error) {
	kept := make([]fact.Fact, 0, len(facts))
	for _, f := range facts {
		f = fact.Normal(f)
		if err := fact.Validate(f); err != nil {
			return nil, err
		}
		if f.Name == fact.Zone {
			if _, err := time.LoadLocation(f.Value); err != nil {
				return nil, fact.Refused{Subject: f.Subject, Name: f.Name, Value: f.Value, Fix: "there is no such IANA time zone: write one such as Etc/UTC"}
			}
		}
		kept = append(kept, f)
	}
	return kept, nil
}

// addFacts records facts that are normal.
func addFacts(t *tx, facts []fact.Fact) error {
	if err := forgotten(t, facts); err != nil {
		return err
	}
	for _, f := range facts {
		if err := t.exec(`insert into fact (kind, subject, name, from_ns, value, author, recorded_ns) values (?, ?, ?, ?, ?, ?, ?)`,
			f.Subject.Kind, f.Subject.ID, f.Name, f.From, f.Value, f.Author, f.Recorded); err != nil {
			return fmt.Errorf("record fact %s of %s: %w", f.Name, f.Subject, err)
		}
	}
	// Only now, so that facts of one call may come in any order.
	if err := agree(t, facts); err != nil {
		return err
	}
	for _, f := range facts {
		if err := refold(t, f); err != nil {
			return err
		}
	}
	return nil
}

// refold marks the stations whose ledger a recorded fact can alter.
func refold(t *tx, f fact.Fact) error {
	list, from, err := altered(t, f)
	if err == nil {
		err = behind(t, f, list, from)
	}
	for i := 0; err == nil && i < len(list); i++ {
		err = markFrom(t, list[i], from)
	}
	return err
}

// altered returns the stations whose ledger a fact can alter, and from when on.
func altered(q query, f fact.Fact) (stations []int64, from unit.Instant, err error) {
	if !fact.ChangesLedger(f) {
		return nil, 0, nil
	}
	text := `select id from station where name = ?`
	switch {
	case f.Subject.Kind == fact.KindSite:
		text = `select distinct s.id from fact f join station s on s.name = f.subject
			where f.kind = 'station' and f.name = 'site' and f.value = ? order by s.id`
	case f.Subject.Kind == fact.KindLine:
		text = `select distinct s.id from fact f join station s on s.name = f.subject
			where f.kind = 'station' and f.name = 'line' and f.value = ? order by s.id`
	case f.Name == fact.Line:
		text = lineMates
	}
	if from, err = altersFrom(q, f); err != nil {
		return nil, 0, err
	}
	stations, err = ids(q, text, f.Subject.ID)
	return stations, from, err
}

// altersFrom returns from when on a recorded fact can alter what is told by
// readings: from when it holds, but a box is known to be good from the day on
// which it went on the wall, and not from the day that this fact corrects.
func altersFrom(q query, f fact.Fact) (unit.Instant, error) {
	if f.Name != fact.Installed {
		return f.From, nil
	}
	var first string
	if err := each(q, `select min(value) from fact where kind = ? and subject = ? and name = ? and from_ns = ?`,
		[]any{f.Subject.Kind, f.Subject.ID, f.Name, f.From}, func(rows *sql.Rows) error { return rows.Scan(&first) }); err != nil {
		return 0, err
	}
	day, err := time.Parse(time.DateOnly, first)
	return min(f.From, unit.At(day.AddDate(0, 0, -1))), err
}

// ids returns what a query for one whole number returns.
func ids(q query, text string, args ...any) (list []int64, err error) {
	err = each(q, text, args, func(rows *sql.Rows) error {
		var id int64
		err := rows.Scan(&id)
		list = append(list, id)
		return err
	})
	return list, err
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
		list, err := ids(t, `select id from station order by id`)
		for _, id := range list {
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
	return markSpan(t, station, from, math.MaxInt64)
}

// markSpan marks a station's readings from from up to to, if it has any.
func markSpan(t *tx, station int64, from, to unit.Instant) error {
	first, last, ok, err := extent(t, station)
	if err != nil || !ok || last < from || to < first {
		return err
	}
	version, err := nextVersion(t)
	if err != nil {
		return err
	}
	marks := newMarks()
	marks.add(station, max(from, first), min(to, last), version)
	if err := marks.write(t); err != nil {
		return fmt.Errorf("mark to fold: %w", err)
	}
	t.marked, t.toFold = true, true
	return nil
}

// Facts returns all facts about a subject in the order in which they were
// recorded.
func (s *Store) Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error) {
	list, err := factsAbout(reader{ctx, s}, subject)
	if err != nil {
		return nil, fmt.Errorf("read facts of %s: %w", subject, err)
	}
	return list, nil
}

const factRow = `select subject, name, from_ns, value, author, recorded_ns from fact where kind = ?`

func factsAbout(q query, subject fact.Subject) ([]fact.Fact, error) {
	return factRows(q, subject.Kind, factRow+` and subject = ? order by id`, subject.Kind, subject.ID)
}

func factRows(q query, kind, text string, args ...any) ([]fact.Fact, error) {
	var list []fact.Fact
	err := each(q, text, args, func(rows *sql.Rows) error {
		f := fact.Fact{Subject: fact.Subject{Kind: kind}}
		err := rows.Scan(&f.Subject.ID, &f.Name, &f.From, &f.Value, &f.Author, &f.Recorded)
		list = append(list, f)
		return err
	})
	return list, err
}

// FactsOf returns all facts about all subjects of a kind in the order in which
// they were recorded.
func (s *Store) FactsOf(ctx context.Context, kind string) ([]fact.Fact, error) {
	list, err := factRows(reader{ctx, s}, kind, factRow+` order by id`, kind)
	if err != nil {
		return nil, fmt.Errorf("read facts of every %s: %w", kind, err)
	}
	return list, nil
}

// Sites returns the ids of all sites.
func (s *Store) Sites(ctx context.Context) ([]string, error) {
	list, err := texts(reader{ctx, s}, `select distinct subject from fact where kind = 'site' order by subject`)
	if err != nil {
		return nil, fmt.Errorf("read sites: %w", err)
	}
	return list, nil
}

// texts reads a column of text.
func texts(q query, text string, args ...any) ([]string, error) {
	var list []string
	err := each(q, text, args, func(rows *sql.Rows) error {
		var s string
		err := rows.Scan(&s)
		list = append(list, s)
		return err
	})
	return list, err
}

// orNull stores the zero value as null.
func orNull[T comparable](v T) any {
	var zero T
	if v == zero {
		return nil
	}
	return v
}
