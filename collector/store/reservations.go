package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"

	"dewpost/collector/record"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// ReservePart records that parts are wanted for a station, whether or not they
// are there, and returns the number of the reservation.
func (s *Store) ReservePart(ctx context.Context, r stock.Reservation, author string) (id int64, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		if err := mayReserve(t, &r); err != nil {
			return err
		}
		err := t.row(`insert into part_reservation (kind, lot, quantity, taken, grade, station, visit, purpose, paid, need_by, made_ns, author)
			values (?, ?, ?, 0, ?, ?, ?, ?, ?, ?, ?, ?) returning id`,
			[]any{r.Kind, orNull(r.Lot), r.Quantity, r.Grade, r.Station, orNull(r.Visit), r.Order, oneIf(r.Paid), r.NeedBy, r.Made, author}, &id)
		if err != nil {
			return err
		}
		return audit(t, r.Made, author, "reserve part", fmt.Sprintf("%d of %s for %s, reservation %d", r.Quantity, r.Kind, r.Station, id))
	})
	return id, told(err, "reserve part %s", r.Kind)
}

// mayReserve refuses what can never be served.
func mayReserve(t *tx, r *stock.Reservation) error {
	if r.Station == "" {
		return record.PartError{Field: "station", Fix: "say for which station the part is"}
	}
	if _, err := onePartKind(t, r.Kind); err != nil {
		return err
	}
	if err := errors.Join(atLeastOne(r.Quantity), knownStation(t, r.Station)); err != nil {
		return err
	}
	if r.Lot == 0 {
		return nil
	}
	lot, err := partLot(t, r.Lot)
	if err != nil {
		return err
	}
	owner, err := ownerOf(t, r.Station, r.Made)
	if err != nil {
		return err
	}
	bad := record.PartError{Field: "lot", Value: strconv.FormatInt(r.Lot, 10)}
	switch {
	case lot.Kind != r.Kind:
		bad.Fix = "it is of kind " + lot.Kind + ", not " + r.Kind
	case !lot.Usable():
		bad.Fix = "it is broken: choose another lot"
	case !lot.For(owner):
		return notTheirs(&lot, r.Station, owner)
	default:
		return nil
	}
	return bad
}

// ReleaseReservation ends a reservation that isn't wanted any more.
func (s *Store) ReleaseReservation(ctx context.Context, id int64, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		list, err := openReservations(t, at, ` and id = ?`, id)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			return record.PartError{Field: "reservation", Value: strconv.FormatInt(id, 10), Fix: "no such reservation is open: take its number from the list"}
		}
		if err := t.exec(`update part_reservation set ended_ns = ? where id = ?`, at, id); err != nil {
			return err
		}
		return audit(t, at, author, "release part", fmt.Sprintf("%d of %s for %s, reservation %d", list[0].Quantity, list[0].Kind, list[0].Station, id))
	})
	return told(err, "release reservation %d", id)
}

// serve records what reservations got; one that has all ends.
func serve(t *tx, shares []stock.Share, at unit.Instant) error {
	for _, s := range shares {
		if err := t.exec(`update part_reservation set taken = taken + ? where id = ?`, s.Quantity, s.Reservation); err != nil {
			return err
		}
		if err := t.exec(`update part_reservation set ended_ns = ? where id = ? and taken >= quantity`, at, s.Reservation); err != nil {
			return err
		}
	}
	return nil
}

// openReservations returns open reservations by number; more limits them.
func openReservations(q query, at unit.Instant, more string, args ...any) (list []stock.Reservation, err error) {
	err = each(q, `select id, kind, coalesce(lot, 0), quantity - taken, grade, station, coalesce(visit, 0), purpose, paid, need_by, made_ns
		from part_reservation where ended_ns is null`+more+` order by id`, args, func(rows *sql.Rows) error {
		var r stock.Reservation
		err := rows.Scan(&r.ID, &r.Kind, &r.Lot, &r.Quantity, &r.Grade, &r.Station, &r.Visit, &r.Order, &r.Paid, &r.NeedBy, &r.Made)
		list = append(list, r)
		return err
	})
	if err != nil {
		return nil, err
	}
	owners := make(map[string]string)
	for i := range list {
		r := &list[i]
		owner, ok := owners[r.Station]
		if !ok {
			if owner, err = ownerOf(q, r.Station, at); err != nil {
				return nil, err
			}
			owners[r.Station] = owner
		}
		r.Owner = owner
	}
	return list, nil
}
