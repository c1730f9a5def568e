//go:build !race

package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

var powerStations = []string{"a", "b", "c"}

// powerCall is something that a collector asks of its store: all or nothing of
// it is done.
type powerCall struct {
	name     string
	do       func(context.Context, *Store) error
	arrivals []record.Arrival // that it commits
	stop     bool             // the store is closed and opened
}

// powerState is what a store holds: all of it, and what is packed.
type powerState struct {
	all         string
	readings    string // of each station
	spans       string
	hours       string
	quarantined int
}

// look reads what a store holds.
func look(ctx context.Context, s *Store) (st powerState, err error) {
	q := reader{ctx, s}
	var all strings.Builder
	var tables []string
	err = each(q, `select name from sqlite_master where type = 'table' and name not like 'sqlite_%' and name not like 'goose_%' order by name`, nil,
		func(rows *sql.Rows) error {
			tables = append(tables, "")
			return rows.Scan(&tables[len(tables)-1])
		})
	for _, table := range tables {
		err = errors.Join(err, lookTable(ctx, s, &all, table, &st.quarantined))
	}
	st.all = all.String()
	for _, station := range powerStations {
		list, e := s.Readings(ctx, station, always, never)
		hours, f := s.Hours(ctx, station, always, never)
		err = errors.Join(err, e, f)
		st.readings += fmt.Sprintln(station, list)
		st.hours += fmt.Sprintf("%s %+v\n", station, hours)
	}
	e := each(q, `select s.name, r.run, r.seen from run r join station s on s.id = r.station order by 1, 2`, nil, func(rows *sql.Rows) error {
		var station, run string
		var seen []byte
		if err := rows.Scan(&station, &run, &seen); err != nil {
			return err
		}
		set, err := decodeSpans(seen)
		st.spans += fmt.Sprintln(station, run, set)
		return err
	})
	return st, errors.Join(err, e)
}

func lookTable(ctx context.Context, s *Store, all *strings.Builder, table string, quarantined *int) (err error) {
	rows, err := s.read.QueryContext(ctx, `select * from `+table)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	columns, err := rows.Columns()
	if err != nil {
		return err
	}
	values := make([]any, len(columns))
	ptrs := make([]any, len(columns))
	for i := range values {
		ptrs[i] = &values[i]
	}
	for rows.Next() {
		if err := rows.Scan(ptrs...); err != nil {
			return err
		}
		if table == "quarantine" {
			*quarantined++
		}
		fmt.Fprintf(all, "%s %v\n", table, values)
	}
	return rows.Err()
}

// powerCalls make a workload: arrivals of several stations and runs, of all
// kinds, folds, messages, states, and stops.
func powerCalls(n int, rng *rand.Rand) []powerCall {
	var calls []powerCall
	for i, id := range powerStations {
		secret, err := receipt.NewSecret([]byte("0123456789abcdef" + id))
		if err != nil {
			panic(err)
		}
		calls = append(calls, powerCall{name: "add station", do: func(ctx context.Context, s *Store) error {
			err := s.AddStation(ctx, record.Station{ID: id, Secret: secret, Enrolled: unit.Instant(i + 1)}, "test")
			if err != nil && strings.Contains(err.Error(), "enrolled already") {
				return nil
			}
			return err
		}})
	}
	calls = append(calls, powerCall{name: "add facts", do: func(ctx context.Context, s *Store) error {
		return s.AddFacts(ctx, []fact.Fact{siteFact("lake", fact.Zone, fact.Always, "CET"), stationFact("a", fact.Site, fact.Always, "lake")})
	}})
	next := map[string]int64{}
	for i := range n {
		switch k := rng.IntN(13); {
		case k < 6 || i < 2:
			calls = append(calls, powerCommit(rng, next))
		case k < 8:
			calls = append(calls, powerCall{name: "fold", do: powerFold})
		case k == 8:
			calls = append(calls, powerCall{name: "mark sent", do: func(ctx context.Context, s *Store) error {
				list, err := s.Unsent(ctx, 1)
				if err != nil || len(list) == 0 {
					return err
				}
				return s.MarkSent(ctx, list[0].EventID, t0.Add(time.Duration(i)))
			}})
		case k == 9:
			st := said(powerStations[rng.IntN(3)], runA, int64(i+1), 1, t0.Add(time.Duration(i)))
			calls = append(calls, powerCall{name: "keep state", do: func(ctx context.Context, s *Store) error {
				_, err := s.KeepStates(ctx, []record.State{st})
				return err
			}})
		case k == 10:
			calls = append(calls, powerCall{name: "release", do: func(ctx context.Context, s *Store) error {
				_, err := s.ReleaseDue(ctx, t0.Add(3*day))
				return err
			}})
		case k == 11:
			calls = append(calls, powerCall{name: "pack days", do: func(ctx context.Context, s *Store) error {
				_, _, err := s.PackDays(ctx, t0.Add(7*day), "", 9)
				return err
			}})
		default:
			calls = append(calls, powerCall{name: "stop", stop: true})
		}
	}
	return append(calls, powerCommit(rng, next), powerCall{name: "fold", do: powerFold}, powerCommit(rng, next))
}

// powerCommit commits what some stations sent.
func powerCommit(rng *rand.Rand, next map[string]int64) powerCall {
	var list []record.Arrival
	for range 1 + rng.IntN(3) {
		station := powerStations[rng.IntN(3)]
		run := []string{runA, runB}[rng.IntN(2)]
		a := arrival(station)
		a.At = t0.Add(day)
		key := station + run
		for range 1 + rng.IntN(20) {
			switch k := rng.IntN(20); {
			case k == 0: // a gap
				next[key] += 1 + rng.Int64N(3)
			case k == 1 && next[key] > 0: // repeated
				a.Batch.Readings = append(a.Batch.Readings, keyed(run, 1+rng.Int64N(next[key])))
			case k == 2 && next[key] > 0: // conflict
				x := keyed(run, 1+rng.Int64N(next[key]))
				x.Set(reading.InsideTemp, -5)
				a.Batch.Readings = append(a.Batch.Readings, x)
			case k == 3:
				a.Batch.Readings = append(a.Batch.Readings, unkeyed(rng.Int64N(90), float64(rng.IntN(4))))
			case k == 4:
				next[key]++
				a.Batch.Refused = append(a.Batch.Refused, refused(reading.ReasonMalformed, fmt.Sprint("bad ", next[key]), run, next[key]))
			case k == 5:
				next[key]++
				x := keyed(run, next[key])
				x.Time = t0.Add(2 * day)
				a.Batch.Refused = append(a.Batch.Refused, early(a.At, x))
			default:
				next[key]++
				a.Batch.Readings = append(a.Batch.Readings, keyed(run, next[key]))
			}
		}
		if rng.IntN(3) == 0 && next[key] > 1 {
			a = withOldest(a, run, 1+rng.Int64N(next[key]))
		}
		list = append(list, a)
	}
	return powerCall{name: "commit", arrivals: list, do: func(ctx context.Context, s *Store) error {
		_, err := s.Commit(ctx, list)
		return err
	}}
}

// powerFold folds the station that is marked first.
func powerFold(ctx context.Context, s *Store) error {
	marks, err := s.Marks(ctx, 1)
	if err != nil || len(marks) == 0 {
		return err
	}
	m := marks[0]
	o := occurrence(m.Station, finding.BoardWet, m.Version)
	h := []exposure.Hour{ledgerHour(0), ledgerHour(1), emptyHour(2)}
	h[0].Known = m.Version
	return s.CommitFold(ctx, record.Folded{
		Mark: m, ReplaceFrom: t0, ReplaceTo: t0.Add(3 * time.Hour), Hours: h,
		Occurrences: []alarm.Occurrence{o},
		Events:      []alarm.Event{event(o, 1, alarm.Normal, alarm.Unacknowledged)},
		Outbox:      []record.Message{note(o)},
	})
}

// powerStep is one call, between two places of the disk's log.
type powerStep struct {
	name          string
	from, to      int
	before, after *powerState // nil before the store was made
	sent          []record.Arrival
}

// powerSession is a collector at work.
type powerSession struct {
	disk  *powerDisk
	start *powerCut
	s     *Store
	now   *powerState
	sent  []record.Arrival // receipted
	steps []powerStep
}

func (x *powerSession) open(ctx context.Context) error {
	s, err := openPath(ctx, x.disk.path(), nil)
	if err != nil {
		return err
	}
	s.lock = io.NopCloser(nil)
	x.s = s
	return nil
}

func (x *powerSession) close() error {
	if x.s == nil {
		return nil
	}
	s := x.s
	x.s = nil
	return s.Close()
}

// step does one thing, and notes where in the log it was done.
func (x *powerSession) step(ctx context.Context, name string, sent []record.Arrival, do func() error) error {
	st := powerStep{name: name, from: len(x.disk.log), before: x.now}
	if err := do(); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	st.to = len(x.disk.log)
	if x.s != nil {
		now, err := look(ctx, x.s)
		if err != nil {
			return fmt.Errorf("after %s: %w", name, err)
		}
		x.now = &now
	}
	x.sent = append(slices.Clip(x.sent), sent...)
	st.after, st.sent = x.now, x.sent
	x.steps = append(x.steps, st)
	return nil
}

// work makes all calls.
func (x *powerSession) work(ctx context.Context, calls []powerCall) error {
	if x.s == nil {
		if err := x.step(ctx, "open", nil, func() error { return x.open(ctx) }); err != nil {
			return err
		}
	}
	for _, c := range calls {
		var err error
		if c.stop {
			err = errors.Join(x.step(ctx, "close", nil, x.close), x.step(ctx, "open", nil, func() error { return x.open(ctx) }))
		} else {
			err = x.step(ctx, c.name, c.arrivals, func() error { return c.do(ctx, x.s) })
		}
		if err != nil {
			return err
		}
	}
	return x.step(ctx, "close", nil, x.close)
}
