package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"

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
		columns: 5, head: `insert into fold_mark (station, slot, from_ns, to_ns, version)`,
		foot: `on conflict (station, slot) do update set
			from_ns = case when excluded.from_ns < fold_mark.from_ns then excluded.from_ns else fold_mark.from_ns end,
			to_ns = case when excluded.to_ns > fold_mark.to_ns then excluded.to_ns else fold_mark.to_ns end,
			version = excluded.version`,
	}}
}

func (m *markRows) add(station int64, from, to unit.Instant, version int64) {
	m.bulk.add(station, version%markSlots, int64(from), int64(to), version)
}

// Marks returns stations to fold, those that wait longest first.
func (s *Store) Marks(ctx context.Context, limit int) ([]record.Mark, error) {
	var list []record.Mark
	err := each(reader{ctx, s}, `select s.name, min(m.from_ns), max(m.to_ns), max(m.version) from fold_mark m join station s on s.id = m.station
		group by s.name order by min(m.version), s.name limit ?`, []any{limit}, func(rows *sql.Rows) error {
		var m record.Mark
		err := rows.Scan(&m.Station, &m.From, &m.To, &m.Version)
		list = append(list, m)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read marks: %w", err)
	}
	return list, nil
}

// CommitFold writes what a fold decided, all or nothing: commit (b). What
// of the station's mark is newer than the version that was folded stays.
// Messages that are in the outbox already stay as they are; an event that is
// recorded already is an error, for then somebody else folded the station.
func (s *Store) CommitFold(ctx context.Context, f record.Folded) error {
	for i := range f.Hours {
		if h := f.Hours[i].Start; h < f.ReplaceFrom || h >= f.ReplaceTo {
			return fmt.Errorf("commit fold of %s: hour %s lies outside of what is replaced, %s to %s", f.Mark.Station, h, f.ReplaceFrom, f.ReplaceTo)
		}
	}
	if err := s.inTx(ctx, func(t *tx) error { return commitFold(t, &f) }); err != nil {
		return fmt.Errorf("commit fold of %s: %w", f.Mark.Station, err)
	}
	return nil
}

func commitFold(t *tx, f *record.Folded) error {
	var id int64
	err := t.row(`select id from station where name = ?`, []any{f.Mark.Station}, &id)
	if errors.Is(err, sql.ErrNoRows) {
		return record.ErrNotFound
	}
	if err != nil {
		return err
	}
	if err := replaceHours(t, id, f); err != nil {
		return fmt.Errorf("hours: %w", err)
	}
	for i := range f.Occurrences {
		if err := putOccurrence(t, id, &f.Occurrences[i]); err != nil {
			return fmt.Errorf("occurrence %s: %w", f.Occurrences[i].ID(), err)
		}
	}
	for _, e := range f.Events {
		if err := t.exec(`insert into event (id, station, kind, number, from_state, to_state, at_ns, recorded_ns, who, why) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			e.ID, id, string(e.Kind), e.Number, string(e.From), string(e.To), e.At, e.Recorded, e.Who, e.Why); err != nil {
			return fmt.Errorf("event %s: %w", e.ID, err)
		}
	}
	for _, m := range f.Outbox {
		if err := t.exec(`insert into outbox (event_id, station, kind, number, created_ns, body) values (?, ?, ?, ?, ?, ?) on conflict do nothing`,
			m.EventID, id, string(m.Kind), m.Number, m.Created, m.Body); err != nil {
			return fmt.Errorf("message %s: %w", m.EventID, err)
		}
	}
	if err := t.exec(`delete from fold_mark where station = ? and version <= ?`, id, f.Mark.Version); err != nil {
		return fmt.Errorf("clear mark: %w", err)
	}
	return nil
}

const hourColumns = `start_ns, known_ns, unknown_ns, condensing_ns, condensing_low_ns, condensing_high_ns,
	at_risk_ns, at_risk_low_ns, at_risk_high_ns, tow_ns, frost_ns, thaw_ns, cover_wet_ns, salt_wet_ns, dose, basis,
	inside_temp_c_mean, inside_rh_pct_mean, margin_k_min, until_ns,
	frost_open, thaw_used_ns, wet_since_ns, wet_left_ns, wet_concluded_ns, facts_hash, rules`

func replaceHours(t *tx, station int64, f *record.Folded) error {
	if err := t.exec(`delete from hour where station = ? and start_ns >= ? and start_ns < ?`, station, f.ReplaceFrom, f.ReplaceTo); err != nil {
		return err
	}
	rows := bulk{columns: 28, head: `insert into hour (station, ` + hourColumns + `)`}
	for i := range f.Hours {
		h := &f.Hours[i]
		var cover, salt any
		if h.HasCover {
			cover = h.CoverWet
		}
		if h.HasSalt {
			salt = h.SaltWet
		}
		rows.add(station, int64(h.Start), h.Known, h.Unknown, h.Condensing, h.CondensingLow, h.CondensingHigh,
			h.AtRisk, h.AtRiskLow, h.AtRiskHigh, h.Tow, h.Frost, h.Thaw, cover, salt, h.Dose, int64(h.Basis),
			numberOrNull(h.InsideTempMean), numberOrNull(h.InsideRHMean), numberOrNull(h.MarginMin), int64(h.Until),
			zeroOne(h.End.FrostOpen), h.End.ThawUsed, int64(h.End.WetSince), int64(h.End.WetLeft), int64(h.End.WetConcluded),
			h.FactsHash, int64(h.Rules))
	}
	return rows.write(t)
}

// zeroOne stores a truth value in a way that all engines share.
func zeroOne(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// numberOrNull stores not-a-number as null.
func numberOrNull(x float64) any {
	if math.IsNaN(x) {
		return nil
	}
	return x
}

func nullIsNaN(x sql.NullFloat64) float64 {
	if !x.Valid {
		return math.NaN()
	}
	return x.Float64
}

// Hours returns the station's ledger hours with from <= Start < to, in order.
func (s *Store) Hours(ctx context.Context, station string, from, to unit.Instant) ([]exposure.Hour, error) {
	var list []exposure.Hour
	err := each(reader{ctx, s}, `select `+hourColumns+` from hour
		where station = (select id from station where name = ?) and start_ns >= ? and start_ns < ? order by start_ns`,
		[]any{station, from, to}, func(rows *sql.Rows) error {
			h, err := scanHour(rows)
			list = append(list, h)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("read ledger of %s: %w", station, err)
	}
	return list, nil
}

func scanHour(rows *sql.Rows) (exposure.Hour, error) {
	var h exposure.Hour
	var cover, salt sql.NullInt64
	var temp, rh, margin sql.NullFloat64
	err := rows.Scan((*int64)(&h.Start), &h.Known, &h.Unknown, &h.Condensing, &h.CondensingLow, &h.CondensingHigh,
		&h.AtRisk, &h.AtRiskLow, &h.AtRiskHigh, &h.Tow, &h.Frost, &h.Thaw, &cover, &salt, &h.Dose, &h.Basis,
		&temp, &rh, &margin, (*int64)(&h.Until),
		&h.End.FrostOpen, &h.End.ThawUsed, (*int64)(&h.End.WetSince), (*int64)(&h.End.WetLeft), (*int64)(&h.End.WetConcluded),
		&h.FactsHash, &h.Rules)
	h.CoverWet, h.HasCover = cover.Int64, cover.Valid
	h.SaltWet, h.HasSalt = salt.Int64, salt.Valid
	h.InsideTempMean, h.InsideRHMean, h.MarginMin = nullIsNaN(temp), nullIsNaN(rh), nullIsNaN(margin)
	return h, err
}

func putOccurrence(t *tx, station int64, o *alarm.Occurrence) error {
	f := &o.Finding
	evidence, err := json.Marshal(f.Evidence)
	if err != nil {
		return fmt.Errorf("evidence: %w", err)
	}
	return t.exec(`insert into occurrence (station, kind, number, from_ns, to_ns, concluded_ns, confidence, evidence, state, revised, told, steps)
		values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		on conflict (station, kind, number) do update set
			from_ns = excluded.from_ns, to_ns = excluded.to_ns, concluded_ns = excluded.concluded_ns,
			confidence = excluded.confidence, evidence = excluded.evidence, state = excluded.state,
			revised = excluded.revised, told = excluded.told, steps = excluded.steps`,
		station, string(f.Kind), o.Number, f.From, f.To, f.Concluded, f.Confidence, string(evidence), string(o.State),
		zeroOne(o.Revised), zeroOne(o.Told), o.Steps)
}

const selectOccurrence = `select s.name, o.kind, o.number, o.from_ns, o.to_ns, o.concluded_ns, o.confidence, o.evidence,
	o.state, o.revised, o.told, o.steps from occurrence o join station s on s.id = o.station `

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
		var o alarm.Occurrence
		var evidence sql.RawBytes
		f := &o.Finding
		if err := rows.Scan(&o.Station, &f.Kind, &o.Number, &f.From, &f.To, &f.Concluded, &f.Confidence, &evidence,
			&o.State, &o.Revised, &o.Told, &o.Steps); err != nil {
			return err
		}
		if err := json.Unmarshal(evidence, &f.Evidence); err != nil {
			return fmt.Errorf("evidence of %s: %w", o.ID(), err)
		}
		list = append(list, o)
		return nil
	})
	return list, err
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
	err := each(reader{ctx, s}, `select o.event_id, s.name, o.kind, o.number, o.created_ns, o.body from outbox o join station s on s.id = o.station
		where o.sent_ns is null order by o.created_ns, o.event_id limit ?`, []any{limit}, func(rows *sql.Rows) error {
		var m record.Message
		err := rows.Scan(&m.EventID, &m.Station, &m.Kind, &m.Number, &m.Created, &m.Body)
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
