package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

const markVersion = "mark_version" // name of the total that numbers marks

// nextVersion returns a version that no mark had before.
func nextVersion(t *tx) (int64, error) {
	var n int64
	err := t.row(`insert into total (name, n) values (?, 1)
		on conflict (name) do update set n = total.n + 1 returning n`, []any{markVersion}, &n)
	if err != nil {
		return 0, fmt.Errorf("number a mark: %w", err)
	}
	return n, nil
}

// markSlots is how many marks a station can have.
const markSlots = 64

// markRows collects marks: a station's readings in [from, to] changed.
type markRows struct{ bulk }

func newMarks() markRows {
	return markRows{bulk{
		columns: 5, types: slices.Repeat([]string{"bigint"}, 5), head: `insert into fold_mark (station, slot, from_ns, to_ns, version)`,
		foot: `on conflict (station, slot) do update set
			from_ns = case when excluded.from_ns < fold_mark.from_ns then excluded.from_ns else fold_mark.from_ns end,
			to_ns = case when excluded.to_ns > fold_mark.to_ns then excluded.to_ns else fold_mark.to_ns end,
			version = excluded.version`,
	}}
}

func (m *markRows) add(station int64, from, to unit.Instant, version int64) {
	m.bulk.add(station, version%markSlots, int64(from), int64(to), version)
}

// Marks returns stations to fold: in turn the one with the shortest changed
// stretch and the one that waits longest, so that neither those that send live
// readings wait behind a hundred weeks of backlog nor the backlogs for ever.
func (s *Store) Marks(ctx context.Context, limit int) ([]record.Mark, error) {
	var list []record.Mark
	err := each(reader{ctx, s}, `select name, from_ns, to_ns, version, before_ns from (
			select name, from_ns, to_ns, version, before_ns, 2 * row_number() over (order by to_ns - from_ns, oldest, name) as short,
				2 * row_number() over (order by oldest, name) + 1 as old
			from (select s.name as name, min(m.from_ns) as from_ns, max(m.to_ns) as to_ns, max(m.version) as version, min(m.version) as oldest,
					coalesce(max(z.before_ns), 0) as before_ns
				from fold_mark m join station s on s.id = m.station left join frozen z on z.station = s.id group by s.name) a
		) b order by case when short < old then short else old end limit ?`, []any{limit}, func(rows *sql.Rows) error {
		var m record.Mark
		err := rows.Scan(&m.Station, &m.From, &m.To, &m.Version, &m.Frozen)
		list = append(list, m)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read marks: %w", err)
	}
	return list, nil
}

// CommitFold writes what folds decided, each of another station, all of it or
// nothing: commit (b). What of a station's mark is newer than the version that was
// folded stays; where neither that version or an older one is left, nor a newer one that
// begins as early, somebody else has folded the station meanwhile, and hours are not
// replaced: record.ErrChanged. Nor are hours that are frozen: ErrFrozen. Messages that
// are in the outbox already stay as they are; an event that is recorded already is an
// error, for then, too, somebody else folded the station.
func (s *Store) CommitFold(ctx context.Context, folds ...record.Folded) error {
	for i := range folds {
		f := &folds[i]
		for j := range f.Hours {
			if h := f.Hours[j].Start; h < f.ReplaceFrom || h >= f.ReplaceTo {
				return fmt.Errorf("commit fold of %s: hour %s lies outside of what is replaced, %s to %s", f.Mark.Station, h, f.ReplaceFrom, f.ReplaceTo)
			}
		}
	}
	err := s.inTx(ctx, func(t *tx) error {
		for i := range folds {
			if err := commitFold(t, &folds[i]); err != nil {
				return fmt.Errorf("of %s: %w", folds[i].Mark.Station, err)
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("commit fold: %w", err)
	}
	return nil
}

func commitFold(t *tx, f *record.Folded) error {
	var id int64
	var frozen unit.Instant
	var left int64 // marks by which the station is still to be folded as it was, or will be again
	err := t.row(`select s.id, coalesce(z.before_ns, 0), (select count(*) from fold_mark m where m.station = s.id and (m.version <= ? or m.from_ns <= ?))
		from station s left join frozen z on z.station = s.id where s.name = ?`, []any{f.Mark.Version, int64(f.Mark.From), f.Mark.Station}, &id, &frozen, &left)
	if errors.Is(err, sql.ErrNoRows) {
		return record.ErrNotFound
	}
	if err != nil {
		return err
	}
	if f.ReplaceFrom < f.ReplaceTo && f.ReplaceFrom < frozen {
		return fmt.Errorf("hours from %s on: %w", f.ReplaceFrom, ErrFrozen)
	}
	if f.ReplaceFrom < f.ReplaceTo && f.Mark.Version != 0 && left == 0 {
		return fmt.Errorf("hours from %s on: %w", f.ReplaceFrom, record.ErrChanged)
	}
	if err := replaceHours(t, id, f); err != nil {
		return fmt.Errorf("hours: %w", err)
	}
	if err := feedHours(t, id, f.Hours, f.Mark.Version); err != nil {
		return fmt.Errorf("hours to be sent on: %w", err)
	}
	if f.Box != nil {
		if err := putBox(t, id, f.Box); err != nil {
			return fmt.Errorf("box: %w", err)
		}
	}
	if f.Nights != nil {
		if err := putNights(t, id, f.Nights); err != nil {
			return fmt.Errorf("nights: %w", err)
		}
	}
	if err := putAlarms(t, &record.AlarmChange{Occurrences: f.Occurrences, Events: f.Events, Outbox: f.Outbox}, id); err != nil {
		return err
	}
	if err := t.exec(`delete from fold_mark where station = ? and version <= ?`, id, f.Mark.Version); err != nil {
		return fmt.Errorf("clear mark: %w", err)
	}
	for _, a := range f.Again {
		list, err := ids(t, `select id from station where name = ?`, a.Station)
		for _, id := range list {
			err = errors.Join(err, markSpan(t, id, a.From, a.From))
		}
		if err != nil {
			return fmt.Errorf("judge %s again: %w", a.Station, err)
		}
	}
	return nil
}

// replaceHours puts f.Hours in the place of what lies in [ReplaceFrom,
// ReplaceTo), day by day: hours of the first and last day outside stay.
func replaceHours(t *tx, station int64, f *record.Folded) error {
	if f.ReplaceFrom >= f.ReplaceTo {
		return nil
	}
	byDay := make(map[int64][]exposure.Hour)
	first, last := dayOf(f.ReplaceFrom), dayOf(f.ReplaceTo-1)
	for _, edge := range []int64{first, last} {
		if _, done := byDay[edge]; done {
			continue
		}
		kept, err := readDays(t, station, edge, edge)
		if err != nil {
			return err
		}
		byDay[edge] = slices.DeleteFunc(kept, func(h exposure.Hour) bool { return h.Start >= f.ReplaceFrom && h.Start < f.ReplaceTo })
	}
	for i := range f.Hours {
		d := dayOf(f.Hours[i].Start)
		byDay[d] = append(byDay[d], f.Hours[i])
	}
	if err := t.exec(`delete from ledger_day where station = ? and day >= ? and day <= ?`, station, first, last); err != nil {
		return err
	}
	rows := bulk{columns: 3, types: []string{"bigint", "bigint", "blob"}, head: `insert into ledger_day (station, day, body)`}
	for d, hours := range byDay {
		if len(hours) > 0 {
			slices.SortFunc(hours, func(a, b exposure.Hour) int { return cmp.Compare(a.Start, b.Start) })
			for i := 1; i < len(hours); i++ {
				if hours[i].Start == hours[i-1].Start {
					return fmt.Errorf("hour %s twice", hours[i].Start)
				}
			}
			rows.add(station, d, packHours(hours))
		}
	}
	return rows.write(t)
}

// readDays returns the ledger hours of the days first to last, in order.
func readDays(q query, station, first, last int64) ([]exposure.Hour, error) {
	return readHours(q, `station = ?`, station, first, last)
}

func readHours(q query, of string, station any, first, last int64) ([]exposure.Hour, error) {
	var list []exposure.Hour
	err := each(q, `select day, body from ledger_day where `+of+` and day >= ? and day <= ? order by day`,
		[]any{station, first, last}, func(rows *sql.Rows) error {
			var d int64
			var body sql.RawBytes
			if err := rows.Scan(&d, &body); err != nil {
				return err
			}
			var err error
			list, err = unpackHours(list, unit.Instant(d*int64(day)), body)
			return err
		})
	return list, err
}

// zeroOne stores a truth value in a way that all engines share.
func zeroOne(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// Hours returns the station's ledger hours with from <= Start < to, in order.
func (s *Store) Hours(ctx context.Context, station string, from, to unit.Instant) ([]exposure.Hour, error) {
	if from >= to {
		return nil, nil
	}
	list, err := readHours(reader{ctx, s}, ofStation, station, dayOf(from), dayOf(to-1))
	if err != nil {
		return nil, fmt.Errorf("read ledger of %s: %w", station, err)
	}
	begin, _ := slices.BinarySearchFunc(list, from, byStart)
	end, _ := slices.BinarySearchFunc(list, to, byStart)
	return list[begin:end], nil
}

func byStart(h exposure.Hour, t unit.Instant) int { return cmp.Compare(h.Start, t) }

// putOccurrence writes an occurrence that made so many steps since it was read.
func putOccurrence(t *tx, station int64, o *alarm.Occurrence, steps int64) error {
	f := &o.Finding
	evidence, err := json.Marshal(f.Evidence)
	if err != nil {
		return fmt.Errorf("evidence: %w", err)
	}
	n, err := t.changed(`insert into occurrence (station, kind, number, from_ns, to_ns, concluded_ns, confidence, evidence, state, revised, told, steps, rings, cause)
		values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		on conflict (station, kind, number) do update set
			from_ns = excluded.from_ns, to_ns = excluded.to_ns, concluded_ns = excluded.concluded_ns,
			confidence = excluded.confidence, evidence = excluded.evidence, state = excluded.state,
			revised = excluded.revised, told = excluded.told, steps = excluded.steps, rings = excluded.rings, cause = excluded.cause
		where occurrence.steps = ?`,
		station, string(f.Kind), o.Number, f.From, f.To, f.Concluded, f.Confidence, string(evidence), string(o.State),
		zeroOne(o.Revised), zeroOne(o.Told), o.Steps, o.Rings, o.Cause, o.Steps-steps)
	if err == nil && n == 0 {
		err = record.ErrChanged
	}
	return err
}

const (
	occurrenceColumns = `select s.name, o.kind, o.number, o.from_ns, o.to_ns, o.concluded_ns, o.confidence, o.evidence,
	o.state, o.revised, o.told, o.steps, o.rings, o.cause `
	selectOccurrence = occurrenceColumns + `from occurrence o join station s on s.id = o.station `
)

// Occurrences returns all occurrences of a station by kind and number.
func (s *Store) Occurrences(ctx context.Context, station string) ([]alarm.Occurrence, error) {
	list, err := s.occurrences(ctx, selectOccurrence+`where s.name = ? order by o.kind, o.number`, station)
	if err != nil {
		return nil, fmt.Errorf("read occurrences of %s: %w", station, err)
	}
	return list, nil
}

// OpenOccurrences returns the occurrences of all stations that last or that
// nobody has seen yet, by onset. Revised ones are not among them.
func (s *Store) OpenOccurrences(ctx context.Context) ([]alarm.Occurrence, error) {
	list, err := s.occurrences(ctx, selectOccurrence+`where o.state <> 'normal' and o.revised = 0 order by o.from_ns, s.name, o.kind, o.number`)
	if err != nil {
		return nil, fmt.Errorf("read open occurrences: %w", err)
	}
	return list, nil
}

func (s *Store) occurrences(ctx context.Context, query string, args ...any) ([]alarm.Occurrence, error) {
	var list []alarm.Occurrence
	err := each(reader{ctx, s}, query, args, func(rows *sql.Rows) error {
		o, err := scanOccurrence(rows)
		list = append(list, o)
		return err
	})
	return list, err
}

func scanOccurrence(rows *sql.Rows) (o alarm.Occurrence, err error) {
	var evidence sql.RawBytes
	f := &o.Finding
	if err := rows.Scan(&o.Station, &f.Kind, &o.Number, &f.From, &f.To, &f.Concluded, &f.Confidence, &evidence,
		&o.State, &o.Revised, &o.Told, &o.Steps, &o.Rings, &o.Cause); err != nil {
		return o, err
	}
	if err := json.Unmarshal(evidence, &f.Evidence); err != nil {
		return o, fmt.Errorf("evidence of %s: %w", o.ID(), err)
	}
	return o, nil
}

// Events returns the transitions of an occurrence in the order in which they
// were recorded.
func (s *Store) Events(ctx context.Context, station string, kind finding.Kind, number int64) ([]alarm.Event, error) {
	var list []alarm.Event
	err := each(reader{ctx, s}, `select e.id, e.from_state, e.to_state, e.at_ns, e.recorded_ns, e.who, e.why from event e
		where e.station = (select id from station where name = ?) and e.kind = ? and e.number = ? order by e.n`,
		[]any{station, string(kind), number}, func(rows *sql.Rows) error {
			e := alarm.Event{Station: station, Kind: kind, Number: number}
			err := rows.Scan(&e.ID, &e.From, &e.To, &e.At, &e.Recorded, &e.Who, &e.Why)
			list = append(list, e)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("read events of %s %s %d: %w", station, kind, number, err)
	}
	return list, nil
}

// Unsent returns messages that were not sent, oldest first.
func (s *Store) Unsent(ctx context.Context, limit int) ([]record.Message, error) {
	var list []record.Message
	err := each(reader{ctx, s}, selectMessage+`where o.sent_ns is null order by o.created_ns, o.event_id limit ?`, []any{limit}, func(rows *sql.Rows) error {
		m, err := scanMessage(rows)
		list = append(list, m)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read outbox: %w", err)
	}
	return list, nil
}

// MarkSent notes that a message was sent.
func (s *Store) MarkSent(ctx context.Context, eventID string, at unit.Instant) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`update outbox set sent_ns = ? where event_id = ?`, at, eventID)
		if err == nil && n == 0 {
			err = record.ErrNotFound
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("mark message %s sent: %w", eventID, err)
	}
	return nil
}
