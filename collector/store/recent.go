package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Recent returns what the folds of stations begin with, by station, in a few
// queries for all of them. Those that are not known are left out. Who reads marks
// first misses nothing: what changes from then on has a mark of its own.
func (s *Store) Recent(ctx context.Context, stations []string) (map[string]*record.Recent, error) {
	all := make(map[string]*record.Recent, len(stations))
	read := func(query string, scan func(*sql.Rows) error) error {
		b := bulk{columns: 1, types: []string{"text"}, head: `with w (station) as (`, foot: `) ` + query}
		for _, station := range stations {
			b.add(station)
		}
		return b.read(reader{ctx, s}, scan)
	}
	err := read(recentRuns, func(rows *sql.Rows) error {
		var station string
		var first, last, upto, version sql.NullInt64
		var retired unit.Instant
		err := rows.Scan(&station, &first, &last, &upto, &version, &retired)
		all[station] = &record.Recent{
			Retired: retired,
			Heard:   first.Valid && last.Valid, First: unit.Instant(first.Int64), Last: unit.Instant(last.Int64),
			Box: record.BoxRun{Upto: unit.Instant(upto.Int64), Version: int(version.Int64)},
		}
		return err
	})
	// A station that was added since has a mark since.
	of := func(station string) *record.Recent { return cmp.Or(all[station], &record.Recent{}) }
	if err == nil {
		err = read(recentFacts, func(rows *sql.Rows) error {
			f := fact.Fact{Subject: fact.Subject{Kind: fact.KindStation}}
			err := rows.Scan(&f.Subject.ID, &f.Name, &f.From, &f.Value, &f.Author, &f.Recorded)
			r := of(f.Subject.ID)
			r.Facts = append(r.Facts, f)
			return err
		})
	}
	if err == nil {
		err = read(recentOccurrences, func(rows *sql.Rows) error {
			o, err := scanOccurrence(rows)
			r := of(o.Station)
			r.Occurrences = append(r.Occurrences, o)
			return err
		})
	}
	if err == nil {
		err = read(recentNights, func(rows *sql.Rows) error {
			var station string
			var st record.OutlookState
			err := rows.Scan(&station, &st.At, &st.Due, &st.Version)
			r := of(station)
			r.Nights = append(r.Nights, st)
			return err
		})
	}
	if err != nil {
		return nil, fmt.Errorf("read what folds of %d stations begin with: %w", len(stations), err)
	}
	return all, nil
}

// A cross join keeps SQLite from going through what there is of all stations.
const (
	recentRuns = `select s.name,
			coalesce((select z.first_ns from frozen z where z.station = s.id),
				(select min(b.t_min) from batch b where b.station = s.id and b.day = (select min(c.day) from batch c where c.station = s.id))),
			(select max(r.newest_ns) from run r where r.station = s.id), x.upto_ns, x.version, coalesce(s.retired_ns, 0)
		from w cross join station s left join box_run x on x.station = s.id where s.name = w.station order by s.name`
	recentFacts = `select f.subject, f.name, f.from_ns, f.value, f.author, f.recorded_ns
		from w cross join fact f where f.kind = 'station' and f.subject = w.station order by f.id`
	recentOccurrences = occurrenceColumns + `from w cross join station s join occurrence o on o.station = s.id
		where s.name = w.station order by s.name, o.kind, o.number`
	recentNights = `select s.name, o.at_ns, o.due_ns, o.version
		from w cross join station s join outlook_state o on o.station = s.id where s.name = w.station order by s.name, o.at_ns`
)
