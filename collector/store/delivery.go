package store

import (
	"context"
	"database/sql"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/unit"
)

// Unrouted returns messages of which it isn't decided yet to whom they go,
// oldest first.
func (s *Store) Unrouted(ctx context.Context, limit int) ([]record.Message, error) {
	list, err := s.messages(ctx, selectMessage+`where o.routed_ns is null and o.sent_ns is null order by o.created_ns, o.event_id limit ?`, limit)
	if err != nil {
		return nil, fmt.Errorf("read the outbox: %w", err)
	}
	return list, nil
}

func (s *Store) messages(ctx context.Context, query string, args ...any) ([]record.Message, error) {
	var list []record.Message
	err := each(reader{ctx, s}, query, args, func(rows *sql.Rows) error {
		m, err := scanMessage(rows)
		list = append(list, m)
		return err
	})
	return list, err
}

// Route notes to whom a message goes: all of it, once. A message that is routed
// already stays as it is.
func (s *Store) Route(ctx context.Context, event string, at unit.Instant, to []record.Delivery) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`update outbox set routed_ns = ? where event_id = ? and routed_ns is null`, at, event)
		if err != nil || n == 0 {
			return err
		}
		return putDeliveries(t, to)
	})
	if err != nil {
		return fmt.Errorf("route message %s: %w", event, err)
	}
	return nil
}

// AddDeliveries adds deliveries of events that are there; one that is there
// already stays as it is.
func (s *Store) AddDeliveries(ctx context.Context, list []record.Delivery) error {
	if err := s.inTx(ctx, func(t *tx) error { return putDeliveries(t, list) }); err != nil {
		return fmt.Errorf("add deliveries: %w", err)
	}
	return nil
}

func putDeliveries(t *tx, list []record.Delivery) error {
	for i := range list {
		d := &list[i]
		if err := t.exec(`insert into delivery (event, person, channel, why, detail, urgent, created_ns, due_ns, tries, ended_why, error)
			values (?, ?, ?, ?, ?, ?, ?, ?, 0, '', '') on conflict do nothing`,
			d.Event, d.Person, d.Channel, string(d.Why), d.Detail, zeroOne(d.Urgent), d.Created, d.Due); err != nil {
			return fmt.Errorf("delivery of %s: %w", d.Event, err)
		}
	}
	return nil
}

// AddNotice adds something to tell that is about no station, and to whom it
// goes. One that is there already stays as it is.
func (s *Store) AddNotice(ctx context.Context, n record.Notice, to []record.Delivery) error {
	if err := s.inTx(ctx, func(t *tx) error { return putNotice(t, &n, to) }); err != nil {
		return fmt.Errorf("add notice %s: %w", n.Event, err)
	}
	return nil
}

func putNotice(t *tx, n *record.Notice, to []record.Delivery) error {
	added, err := t.changed(`insert into notice (event, kind, created_ns, subject, body) values (?, ?, ?, ?, ?) on conflict do nothing`,
		n.Event, string(n.Kind), n.Created, n.Subject, n.Body)
	if err != nil || added == 0 {
		return err
	}
	return putDeliveries(t, to)
}

// Notice returns a notice; record.ErrNotFound when there is none of that id.
func (s *Store) Notice(ctx context.Context, event string) (n record.Notice, err error) {
	err = each(reader{ctx, s}, `select event, kind, created_ns, subject, body from notice where event = ?`, []any{event}, func(rows *sql.Rows) error {
		return rows.Scan(&n.Event, &n.Kind, &n.Created, &n.Subject, &n.Body)
	})
	if err == nil && n.Event == "" {
		err = record.ErrNotFound
	}
	if err != nil {
		return n, fmt.Errorf("read notice %s: %w", event, err)
	}
	return n, nil
}

const deliveryColumns = `d.event, d.person, d.channel, d.why, d.detail, d.urgent, d.created_ns, d.due_ns, coalesce(d.first_ns, 0), d.tries,
	coalesce(d.taken_ns, 0), coalesce(d.ended_ns, 0), d.ended_why, d.error`

func deliveryDest(d *record.Delivery) []any {
	return []any{&d.Event, &d.Person, &d.Channel, &d.Why, &d.Detail, &d.Urgent, &d.Created, &d.Due, &d.First, &d.Tries, &d.Taken, &d.Ended, &d.EndedWhy, &d.Error}
}

// DueDeliveries returns what is to be tried at an instant: urgent ones first,
// then by when they were due.
func (s *Store) DueDeliveries(ctx context.Context, at unit.Instant, limit int) ([]record.Due, error) {
	var list []record.Due
	err := each(reader{ctx, s}, `select `+deliveryColumns+`,
			coalesce(o.event_id, ''), coalesce(s.name, ''), coalesce(o.kind, ''), coalesce(o.number, 0), coalesce(o.created_ns, 0), coalesce(o.body, ''),
			coalesce(o.priority, ''), coalesce(o.class, ''), coalesce(o.cause, 0), coalesce(o.by_ns, 0),
			coalesce(n.event, ''), coalesce(n.kind, ''), coalesce(n.created_ns, 0), coalesce(n.subject, ''), coalesce(n.body, '')
		from delivery d left join outbox o on o.event_id = d.event left join station s on s.id = o.station left join notice n on n.event = d.event
		where d.taken_ns is null and d.ended_ns is null and d.due_ns <= ? order by d.urgent desc, d.due_ns, d.event, d.person, d.channel limit ?`,
		[]any{at, limit}, func(rows *sql.Rows) error {
			var d record.Due
			m, n := &d.Message, &d.Notice
			err := rows.Scan(append(deliveryDest(&d.Delivery), &m.EventID, &m.Station, &m.Kind, &m.Number, &m.Created, &m.Body, &m.Priority, &m.Class, &m.Cause, &m.By,
				&n.Event, &n.Kind, &n.Created, &n.Subject, &n.Body)...)
			list = append(list, d)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("read due deliveries: %w", err)
	}
	return list, nil
}

// Waiting returns deliveries that are neither taken nor ended and should have been
// made by an instant, by when they should have, the newest first: those were first
// tried by then, or were due and could not be tried.
func (s *Store) Waiting(ctx context.Context, by unit.Instant, limit int) ([]record.Delivery, error) {
	var list []record.Delivery
	err := each(reader{ctx, s}, `select `+deliveryColumns+` from delivery d where d.taken_ns is null and d.ended_ns is null
		and coalesce(d.first_ns, d.due_ns) <= ? order by coalesce(d.first_ns, d.due_ns) desc, d.event, d.person, d.channel limit ?`, []any{by, limit}, func(rows *sql.Rows) error {
		var d record.Delivery
		err := rows.Scan(deliveryDest(&d)...)
		list = append(list, d)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read waiting deliveries: %w", err)
	}
	return list, nil
}

// NextDue returns when the next delivery is due; false when none waits.
func (s *Store) NextDue(ctx context.Context) (unit.Instant, bool, error) {
	var due sql.NullInt64
	err := each(reader{ctx, s}, `select min(due_ns) from delivery where taken_ns is null and ended_ns is null`, nil, func(rows *sql.Rows) error { return rows.Scan(&due) })
	if err != nil {
		return 0, false, fmt.Errorf("read when a delivery is due: %w", err)
	}
	return unit.Instant(due.Int64), due.Valid, nil
}

const thisDelivery = ` where event = ? and person = ? and channel = ? and taken_ns is null and ended_ns is null`

// BeginTry notes, before it is made, that a delivery is attempted, and when it
// would be next; false when somebody else has it, or it is over.
func (s *Store) BeginTry(ctx context.Context, d record.Delivery, at, next unit.Instant) (mine bool, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`update delivery set tries = tries + 1, first_ns = coalesce(first_ns, ?), due_ns = ?`+thisDelivery+` and due_ns = ?`,
			at, next, d.Event, d.Person, d.Channel, d.Due)
		mine = n > 0
		return err
	})
	if err != nil {
		return false, fmt.Errorf("begin delivery of %s: %w", d.Event, err)
	}
	return mine, nil
}

// EndTry notes that an attempt failed, and when the next one is.
func (s *Store) EndTry(ctx context.Context, d record.Delivery, next unit.Instant, why string) error {
	err := s.inTx(ctx, func(t *tx) error {
		return t.exec(`update delivery set due_ns = ?, error = ?`+thisDelivery, next, why, d.Event, d.Person, d.Channel)
	})
	if err != nil {
		return fmt.Errorf("note a failed delivery of %s: %w", d.Event, err)
	}
	return nil
}

// EndDelivery gives a delivery up.
func (s *Store) EndDelivery(ctx context.Context, d record.Delivery, at unit.Instant, why string) error {
	err := s.inTx(ctx, func(t *tx) error {
		return t.exec(`update delivery set ended_ns = ?, ended_why = ?`+thisDelivery, at, why, d.Event, d.Person, d.Channel)
	})
	if err != nil {
		return fmt.Errorf("give up a delivery of %s: %w", d.Event, err)
	}
	return nil
}

// TakenElsewhere is why a delivery ended that another of the person's channels
// made needless.
const TakenElsewhere = "another channel took it"

// DeliveryTaken notes that a channel has taken a message. What other channels
// had to bring the person of the same message is no longer needed.
func (s *Store) DeliveryTaken(ctx context.Context, d record.Delivery, at unit.Instant) error {
	err := s.inTx(ctx, func(t *tx) error {
		if err := t.exec(`update delivery set taken_ns = ?, error = ''`+thisDelivery, at, d.Event, d.Person, d.Channel); err != nil {
			return err
		}
		if err := t.exec(`update delivery set ended_ns = ?, ended_why = ? where event = ? and person = ? and taken_ns is null and ended_ns is null`,
			at, TakenElsewhere, d.Event, d.Person); err != nil {
			return err
		}
		return t.exec(`update outbox set sent_ns = coalesce(sent_ns, ?) where event_id = ?`, at, d.Event)
	})
	if err != nil {
		return fmt.Errorf("note that %s was delivered: %w", d.Event, err)
	}
	return nil
}

// UnseenMessages returns the urgent messages since an instant that a channel
// took, of what lasts and nobody has seen, by when they were taken. One of a
// common cause is unseen while one of what it tells is.
func (s *Store) UnseenMessages(ctx context.Context, since unit.Instant) ([]record.Unseen, error) {
	var list []record.Unseen
	err := each(reader{ctx, s}, `select o.event_id, s.name, o.kind, o.number, o.created_ns, o.body, o.priority, o.class, o.cause, o.by_ns, d.person, d.why, d.taken_ns
		from delivery d join outbox o on o.event_id = d.event join station s on s.id = o.station
		where d.urgent = 1 and d.taken_ns is not null and d.created_ns >= ? and exists (select 1 from occurrence c
			where c.state = ? and c.state <> 'normal' and c.to_ns = 0 and c.revised = 0
			and (o.cause = 0 and c.station = o.station and c.kind = o.kind and c.number = o.number or o.cause <> 0 and c.cause = o.cause))
		order by d.taken_ns, d.event, d.person, d.channel`, []any{since, string(alarm.Unacknowledged)}, func(rows *sql.Rows) error {
		var u record.Unseen
		err := rows.Scan(&u.EventID, &u.Station, &u.Kind, &u.Number, &u.Created, &u.Body, &u.Priority, &u.Class, &u.Cause, &u.By, &u.Person, &u.Why, &u.Taken)
		list = append(list, u)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read unseen messages: %w", err)
	}
	return list, nil
}

// Message returns what was, or is to be, told under an id; record.ErrNotFound
// when there is nothing.
func (s *Store) Message(ctx context.Context, event string) (record.Message, error) {
	list, err := s.messages(ctx, selectMessage+`where o.event_id = ?`, event)
	if err == nil && len(list) == 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return record.Message{}, fmt.Errorf("read message %s: %w", event, err)
	}
	return list[0], nil
}

// Told returns what was told, or is on its way, newest first.
func (s *Store) Told(ctx context.Context, limit int) ([]record.Told, error) {
	var list []record.Told
	err := each(reader{ctx, s}, `select `+deliveryColumns+`, p.name, coalesce(c.kind, ''), coalesce(s.name, ''), coalesce(o.kind, n.kind, ''), coalesce(k.scope, '')
		from delivery d join person p on p.id = d.person left join person_channel c on c.person = d.person and c.place = d.channel
		left join outbox o on o.event_id = d.event left join station s on s.id = o.station left join notice n on n.event = d.event
		left join alarm_cause k on k.number = o.cause
		order by d.created_ns desc, d.event, p.place, d.person, d.channel limit ?`, []any{limit}, func(rows *sql.Rows) error {
		var t record.Told
		err := rows.Scan(append(deliveryDest(&t.Delivery), &t.Name, &t.Way, &t.Station, &t.Kind, &t.Scope)...)
		list = append(list, t)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what was told: %w", err)
	}
	return list, nil
}

// NoticeCounts says how deliveries stand. Stuck are urgent events whose first
// attempt lies before an instant and that no channel has taken.
func (s *Store) NoticeCounts(ctx context.Context, before unit.Instant) (record.NoticeCounts, error) {
	var c record.NoticeCounts
	err := each(reader{ctx, s}, `select
			(select count(*) from delivery where taken_ns is null and ended_ns is null),
			(select count(*) from (select event from delivery where taken_ns is null and ended_ns is null and urgent = 1 and first_ns < ?
				and not exists (select 1 from delivery x where x.event = delivery.event and x.taken_ns is not null) group by event) a),
			(select count(*) from delivery where ended_ns is not null and ended_why <> ?),
			(select coalesce(min(created_ns), 0) from delivery where taken_ns is null and ended_ns is null)`,
		[]any{before, TakenElsewhere}, func(rows *sql.Rows) error { return rows.Scan(&c.Waiting, &c.Stuck, &c.GivenUp, &c.Oldest) })
	if err != nil {
		return c, fmt.Errorf("count deliveries: %w", err)
	}
	return c, nil
}

// OccurrencesEnded returns what is over and of which that became known from one
// instant until before another, by the collector's clock; by its end, which may lie
// long before. Revised ones are not among them.
func (s *Store) OccurrencesEnded(ctx context.Context, from, to unit.Instant) ([]alarm.Occurrence, error) {
	list, err := s.occurrences(ctx, occurrenceColumns+`from (select distinct station, kind, number from event where recorded_ns >= ? and recorded_ns < ? and why = ?) e
		cross join occurrence o join station s on s.id = o.station
		where o.station = e.station and o.kind = e.kind and o.number = e.number and o.to_ns <> 0 and o.revised = 0 order by o.to_ns, s.name, o.kind, o.number`, from, to, alarm.OverWhy)
	if err != nil {
		return nil, fmt.Errorf("read what ended: %w", err)
	}
	return list, nil
}
