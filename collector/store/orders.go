package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// orderDeed is the action under which orders stand in the audit trail. They
// stand nowhere else: an order is a deed, and what it said is part of it.
const orderDeed = "order"

// GiveOrder notes that a station was given an order; whoever holds connections
// hears of it by ChangedStations.
func (s *Store) GiveOrder(ctx context.Context, o record.Order) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`update station set changed = (select max(changed) from station) + 1 where name = ? and retired_ns is null`, o.Station)
		if err != nil {
			return err
		}
		if n == 0 {
			return record.ErrNotFound
		}
		return audit(t, o.At, o.Author, orderDeed, orderObject(&o))
	})
	if err != nil {
		return fmt.Errorf("order to station %s: %w", o.Station, err)
	}
	return nil
}

// Orders returns the orders that were given from an instant on, the oldest
// first.
func (s *Store) Orders(ctx context.Context, from unit.Instant) (list []record.Order, err error) {
	err = each(reader{ctx, s}, `select at_ns, author, object from audit where at_ns >= ? and action = ? order by at_ns, id`, []any{from, orderDeed},
		func(rows *sql.Rows) error {
			var at unit.Instant
			var author, object string
			err := rows.Scan(&at, &author, &object)
			if o, ok := parseOrder(object); ok { // else an erasure has changed the text
				o.At, o.Author = at, author
				list = append(list, o)
			}
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("read orders: %w", err)
	}
	return list, nil
}

// State returns what a station's agent last said of itself, nil when nothing
// was heard.
func (s *Store) State(ctx context.Context, station string) (st *record.State, err error) {
	err = each(reader{ctx, s}, selectState+`where s.name = ?`, []any{station}, func(rows *sql.Rows) error {
		found, err := scanState(rows)
		if st = &found; errors.Is(err, errState) {
			st, err = nil, nil // in a damaged file: the next one is better
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read the state of station %s: %w", station, err)
	}
	return st, nil
}

// orderObject writes an order as a person reads it in the audit trail, as in
// "lake-07: interval 5m, until 2026-05-01T10:00:00Z, number k3t".
func orderObject(o *record.Order) string {
	what := "interval " + o.Body.Interval
	switch {
	case o.Body.Heat != 0:
		what = "heat " + strconv.Itoa(o.Body.Heat)
	case o.Body.Identify != 0:
		what = "identify " + strconv.Itoa(o.Body.Identify)
	}
	return fmt.Sprintf("%s: %s, until %s, number %s", o.Station, what, o.Until.Time().UTC().Format(time.RFC3339), o.ID)
}

// parseOrder reads what orderObject wrote.
func parseOrder(object string) (o record.Order, ok bool) {
	station, rest, ok := strings.Cut(object, ": ")
	parts := strings.Split(rest, ", ")
	if !ok || len(parts) != 3 {
		return o, false
	}
	verb, value, _ := strings.Cut(parts[0], " ")
	n, err := strconv.Atoi(value)
	switch {
	case verb == "interval":
		o.Body = receipt.Body{Interval: value}
	case err != nil:
		return o, false
	case verb == "heat":
		o.Body = receipt.Body{Heat: n}
	case verb == "identify":
		o.Body = receipt.Body{Identify: n}
	default:
		return o, false
	}
	until, untilOK := strings.CutPrefix(parts[1], "until ")
	id, idOK := strings.CutPrefix(parts[2], "number ")
	at, err := time.Parse(time.RFC3339, until)
	if !untilOK || !idOK || err != nil {
		return o, false
	}
	o.Station, o.ID, o.Until = station, id, unit.At(at)
	return o, true
}
