package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// lineMates finds the stations that were ever on a line on which a station ever
// was, and that station.
const lineMates = `select distinct s.id from fact f join station s on s.name = f.subject
	where f.kind = 'station' and f.name = 'line' and f.value <> 'none' and f.value in (
		select g.value from fact g where g.kind = 'station' and g.name = 'line' and g.subject = ?)
	order by s.id`

// markMates marks the stations that were ever on a line with a station: what
// happens to the line is told once, and not by one that is gone.
func markMates(t *tx, station string, from unit.Instant) error {
	list, err := ids(t, lineMates, station)
	for _, id := range list {
		err = errors.Join(err, markFrom(t, id, from))
	}
	return err
}

// Line returns what is known of a line and of the stations that were ever on it.
func (s *Store) Line(ctx context.Context, id string) (line record.Line, err error) {
	line.ID = id
	err = s.snapshot(ctx, func(q query) (err error) {
		if line.Facts, err = factsAbout(q, fact.Subject{Kind: fact.KindLine, ID: id}); err != nil {
			return err
		}
		err = each(q, `select name, retired_ns from station where name in (
				select subject from fact where kind = 'station' and name = 'line' and value = ?) order by name`,
			[]any{id}, func(rows *sql.Rows) error {
				var m record.OnLine
				var retired sql.NullInt64
				err := rows.Scan(&m.Station, &retired)
				m.Retired = unit.Instant(retired.Int64)
				line.Stations = append(line.Stations, m)
				return err
			})
		for i := 0; err == nil && i < len(line.Stations); i++ {
			m := &line.Stations[i]
			m.Facts, err = factRows(q, fact.KindStation, factRow+` and subject = ? and name = ? order by id`, fact.KindStation, m.Station, fact.Line)
		}
		return err
	})
	if err != nil {
		return record.Line{}, fmt.Errorf("read what is on line %s: %w", id, err)
	}
	return line, nil
}
