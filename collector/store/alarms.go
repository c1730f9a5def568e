package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/unit"
)

// ChangeAlarms keeps what was decided about alarms, all of it or nothing.
// record.ErrChanged: an occurrence or a hold is not as it was when that was
// decided. Messages that are in the outbox already stay as they are; an event that
// is recorded already is an error, for then somebody else decided the same.
func (s *Store) ChangeAlarms(ctx context.Context, c record.AlarmChange) error {
	if err := s.inTx(ctx, func(t *tx) error { return putAlarms(t, &c, 0) }); err != nil {
		return fmt.Errorf("change alarms: %w", err)
	}
	return nil
}

// putAlarms writes a change; only is the number of the one station that it is
// about, 0 for any.
func putAlarms(t *tx, c *record.AlarmChange, only int64) error {
	p := alarmPutter{t: t, only: only, stations: map[string]int64{}}
	steps := make(map[string]int64) // by occurrence
	for i := range c.Events {
		steps[c.Events[i].Occurrence()]++
	}
	for i := range c.Occurrences {
		o := &c.Occurrences[i]
		id, err := p.station(o.Station)
		if err == nil {
			err = putOccurrence(t, id, o, steps[o.ID()])
		}
		if err != nil {
			return fmt.Errorf("occurrence %s: %w", o.ID(), err)
		}
	}
	for i := range c.Events {
		if err := p.event(&c.Events[i]); err != nil {
			return fmt.Errorf("event %s: %w", c.Events[i].ID, err)
		}
	}
	for i := range c.Causes {
		if err := putCause(t, &c.Causes[i]); err != nil {
			return fmt.Errorf("common cause %d: %w", c.Causes[i].Number, err)
		}
	}
	for i := range c.Outbox {
		if err := p.message(&c.Outbox[i]); err != nil {
			return fmt.Errorf("message %s: %w", c.Outbox[i].EventID, err)
		}
	}
	for i := range c.Holds {
		if err := p.hold(&c.Holds[i]); err != nil {
			return fmt.Errorf("hold of %s: %w", c.Holds[i].Station, err)
		}
	}
	for _, l := range c.Limits {
		if err := t.exec(`insert into alarm_limit (name, value, author, recorded_ns) values (?, ?, ?, ?)`, l.Name, l.Value, l.Author, l.Recorded); err != nil {
			return fmt.Errorf("limit %s: %w", l.Name, err)
		}
	}
	for _, d := range c.Deeds {
		if err := audit(t, d.At, d.Author, d.Action, d.Object); err != nil {
			return err
		}
	}
	return nil
}

type alarmPutter struct {
	t        *tx
	only     int64
	stations map[string]int64 // numbers, by id
}

func (p *alarmPutter) station(name string) (int64, error) {
	if p.only != 0 {
		return p.only, nil
	}
	if id, ok := p.stations[name]; ok {
		return id, nil
	}
	var id int64
	err := p.t.row(`select id from station where name = ?`, []any{name}, &id)
	if errors.Is(err, sql.ErrNoRows) {
		err = record.ErrNotFound
	}
	p.stations[name] = id
	return id, err
}

func (p *alarmPutter) event(e *alarm.Event) error {
	id, err := p.station(e.Station)
	if err != nil {
		return err
	}
	return p.t.exec(`insert into event (id, station, kind, number, from_state, to_state, at_ns, recorded_ns, who, why) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		e.ID, id, string(e.Kind), e.Number, string(e.From), string(e.To), e.At, e.Recorded, e.Who, e.Why)
}

func (p *alarmPutter) message(m *record.Message) error {
	id, err := p.station(m.Station)
	if err != nil {
		return err
	}
	return p.t.exec(`insert into outbox (event_id, station, kind, number, created_ns, body, priority, class, cause, by_ns)
		values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) on conflict do nothing`,
		m.EventID, id, string(m.Kind), m.Number, m.Created, m.Body, string(m.Priority), string(m.Class), m.Cause, m.By)
}

// hold writes a new hold, or the end of one that is in force.
func (p *alarmPutter) hold(h *alarm.Hold) error {
	if h.Number == 0 {
		id, err := p.station(h.Station)
		if err != nil {
			return err
		}
		return p.t.exec(`insert into alarm_hold (station, kind, state, from_ns, until_ns, who, why, ended_ns, ended_by, ended_why)
			values (?, ?, ?, ?, ?, ?, ?, 0, '', '')`, id, string(h.Kind), string(h.State), h.From, h.Until, h.Who, h.Why)
	}
	n, err := p.t.changed(`update alarm_hold set ended_ns = ?, ended_by = ?, ended_why = ? where number = ? and ended_ns = 0`,
		h.Ended, h.EndedBy, h.EndedWhy, h.Number)
	if err == nil && n == 0 {
		err = record.ErrChanged
	}
	return err
}

func putCause(t *tx, c *alarm.Cause) error {
	return t.exec(`insert into alarm_cause (number, scope, subject, kind, from_ns, to_ns, settled) values (?, ?, ?, ?, ?, ?, ?)
		on conflict (number) do update set to_ns = excluded.to_ns, settled = excluded.settled`,
		c.Number, string(c.Scope), c.Subject, string(c.Kind), c.From, c.To, zeroOne(c.Settled))
}

// AlarmHolds returns the holds that are in force, or ended after an instant, in
// the order in which they were made.
func (s *Store) AlarmHolds(ctx context.Context, endedAfter unit.Instant) ([]alarm.Hold, error) {
	var list []alarm.Hold
	err := each(reader{ctx, s}, `select h.number, s.name, h.kind, h.state, h.from_ns, h.until_ns, h.who, h.why, h.ended_ns, h.ended_by, h.ended_why
		from alarm_hold h join station s on s.id = h.station where h.ended_ns = 0 or h.ended_ns > ? order by h.number`, []any{endedAfter}, func(rows *sql.Rows) error {
		var h alarm.Hold
		err := rows.Scan(&h.Number, &h.Station, &h.Kind, &h.State, &h.From, &h.Until, &h.Who, &h.Why, &h.Ended, &h.EndedBy, &h.EndedWhy)
		list = append(list, h)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what is put aside: %w", err)
	}
	return list, nil
}

// AlarmCauses returns the common causes that are not settled, by number, and the
// number of the next new one.
func (s *Store) AlarmCauses(ctx context.Context) (list []alarm.Cause, next int64, err error) {
	q := reader{ctx, s}
	err = each(q, `select number, scope, subject, kind, from_ns, to_ns, settled from alarm_cause where settled = 0 order by number`, nil, func(rows *sql.Rows) error {
		var c alarm.Cause
		err := rows.Scan(&c.Number, &c.Scope, &c.Subject, &c.Kind, &c.From, &c.To, &c.Settled)
		list = append(list, c)
		return err
	})
	if err == nil {
		err = each(q, `select coalesce(max(number), 0) + 1 from alarm_cause`, nil, func(rows *sql.Rows) error { return rows.Scan(&next) })
	}
	if err != nil {
		return nil, 0, fmt.Errorf("read common causes: %w", err)
	}
	return list, next, nil
}

// AlarmLimits returns the limits that the workshop set, in the order of
// recording: of one name the last counts.
func (s *Store) AlarmLimits(ctx context.Context) (list []record.AlarmLimit, err error) {
	err = each(reader{ctx, s}, `select number, name, value, author, recorded_ns from alarm_limit order by number`, nil, func(rows *sql.Rows) error {
		var l record.AlarmLimit
		err := rows.Scan(&l.Number, &l.Name, &l.Value, &l.Author, &l.Recorded)
		list = append(list, l)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read limits of alarms: %w", err)
	}
	return list, nil
}

// AlarmEvents returns the transitions of all stations that were recorded in
// [from, to), in the order of recording.
func (s *Store) AlarmEvents(ctx context.Context, from, to unit.Instant) (list []alarm.Event, err error) {
	err = each(reader{ctx, s}, `select e.id, s.name, e.kind, e.number, e.from_state, e.to_state, e.at_ns, e.recorded_ns, e.who, e.why
		from event e join station s on s.id = e.station where e.recorded_ns >= ? and e.recorded_ns < ? order by e.n`, []any{from, to}, func(rows *sql.Rows) error {
		var e alarm.Event
		err := rows.Scan(&e.ID, &e.Station, &e.Kind, &e.Number, &e.From, &e.To, &e.At, &e.Recorded, &e.Who, &e.Why)
		list = append(list, e)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	return list, nil
}

// OccurrencesIn returns the occurrences of all stations that hold at some time of
// [from, to), by onset, revised ones too.
func (s *Store) OccurrencesIn(ctx context.Context, from, to unit.Instant) ([]alarm.Occurrence, error) {
	list, err := s.occurrences(ctx, selectOccurrence+`where o.from_ns < ? and (o.to_ns = 0 or o.to_ns >= ?)
		order by o.from_ns, s.name, o.kind, o.number`, to, from)
	if err != nil {
		return nil, fmt.Errorf("read occurrences: %w", err)
	}
	return list, nil
}

const selectMessage = `select o.event_id, s.name, o.kind, o.number, o.created_ns, o.body, o.priority, o.class, o.cause, o.by_ns
	from outbox o join station s on s.id = o.station `

func scanMessage(rows *sql.Rows) (m record.Message, err error) {
	err = rows.Scan(&m.EventID, &m.Station, &m.Kind, &m.Number, &m.Created, &m.Body, &m.Priority, &m.Class, &m.Cause, &m.By)
	return m, err
}

// MessagesIn returns the messages that were written in [from, to), sent or not, by
// that time.
func (s *Store) MessagesIn(ctx context.Context, from, to unit.Instant) (list []record.Message, err error) {
	err = each(reader{ctx, s}, selectMessage+`where o.created_ns >= ? and o.created_ns < ? order by o.created_ns, o.event_id`, []any{from, to}, func(rows *sql.Rows) error {
		m, err := scanMessage(rows)
		list = append(list, m)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read messages: %w", err)
	}
	return list, nil
}
