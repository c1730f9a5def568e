package store

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"strconv"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// PlanBooks returns all that people said of rounds, of one instant.
func (s *Store) PlanBooks(ctx context.Context) (b record.PlanBooks, err error) {
	b.Settings = make(map[string]string)
	err = s.snapshot(ctx, func(q query) error {
		err := each(q, `select name, value from plan_setting order by name`, nil, func(rows *sql.Rows) error {
			var name, value string
			err := rows.Scan(&name, &value)
			b.Settings[name] = value
			return err
		})
		if err != nil {
			return err
		}
		err = each(q, `select station, wish, day, note, author, recorded_ns from plan_wish order by station`, nil, func(rows *sql.Rows) error {
			var w record.PlanWish
			err := rows.Scan(&w.Station, &w.Wish, &w.Day, &w.Note, &w.Author, &w.Recorded)
			b.Wishes = append(b.Wishes, w)
			return err
		})
		if err != nil {
			return err
		}
		err = each(q, `select id, day, from_min, to_min, person, site, note, author, recorded_ns from plan_booking order by day, from_min, id`, nil, func(rows *sql.Rows) error {
			var k record.Booking
			err := rows.Scan(&k.ID, &k.Day, &k.From, &k.To, &k.Person, &k.Site, &k.Note, &k.Author, &k.Recorded)
			b.Bookings = append(b.Bookings, k)
			return err
		})
		if err != nil {
			return err
		}
		return each(q, `select from_place, to_place, minutes, km from plan_leg order by from_place, to_place`, nil, func(rows *sql.Rows) error {
			var l record.Leg
			err := rows.Scan(&l.From, &l.To, &l.Minutes, &l.KM)
			b.Legs = append(b.Legs, l)
			return err
		})
	})
	return b, told(err, "read what was said of rounds")
}

// PutPlanSettings changes how the workshop goes on rounds; an empty value takes
// a setting back.
func (s *Store) PutPlanSettings(ctx context.Context, settings map[string]string, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		for _, name := range slices.Sorted(maps.Keys(settings)) {
			text, args := `delete from plan_setting where name = ?`, []any{name}
			if value := settings[name]; value != "" {
				text = `insert into plan_setting (name, value) values (?, ?) on conflict (name) do update set value = excluded.value`
				args = append(args, value)
			}
			if err := t.exec(text, args...); err != nil {
				return err
			}
			if err := audit(t, at, author, "set round", name+" "+settings[name]); err != nil {
				return err
			}
		}
		return nil
	})
	return told(err, "write how rounds are made")
}

// PutWish writes down what a person wants of a station; no wish takes it back.
func (s *Store) PutWish(ctx context.Context, w record.PlanWish) error {
	err := s.inTx(ctx, func(t *tx) error {
		if err := knownStation(t, w.Station); err != nil {
			return err
		}
		text, args, says := `delete from plan_wish where station = ?`, []any{w.Station}, "any day"
		if w.Wish != "" {
			text = `insert into plan_wish (station, wish, day, note, author, recorded_ns) values (?, ?, ?, ?, ?, ?)
				on conflict (station) do update set wish = excluded.wish, day = excluded.day, note = excluded.note, author = excluded.author, recorded_ns = excluded.recorded_ns`
			args, says = append(args, w.Wish, w.Day, w.Note, w.Author, w.Recorded), string(w.Wish)+" "+w.Day
		}
		if err := t.exec(text, args...); err != nil {
			return err
		}
		return audit(t, w.Recorded, w.Author, "wish round", w.Station+": "+says)
	})
	return told(err, "write a wish about %s", w.Station)
}

// AddBooking writes down time that is taken, and returns its number.
func (s *Store) AddBooking(ctx context.Context, k record.Booking) (id int64, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		var other int64
		err := t.row(`select coalesce(min(id), 0) from plan_booking where day = ? and person = ? and from_min < ? and to_min > ?`, []any{k.Day, k.Person, k.To, k.From}, &other)
		if err != nil {
			return err
		}
		if other > 0 {
			value := fmt.Sprintf("%s %02d:%02d", k.Day, k.From/60, k.From%60)
			return record.PartError{Field: "from", Value: value, Fix: fmt.Sprintf("that time is taken already, by booking %d: choose another, or take that one back first", other)}
		}
		err = t.row(`insert into plan_booking (day, from_min, to_min, person, site, note, author, recorded_ns) values (?, ?, ?, ?, ?, ?, ?, ?) returning id`,
			[]any{k.Day, k.From, k.To, k.Person, k.Site, k.Note, k.Author, k.Recorded}, &id)
		if err != nil {
			return err
		}
		return audit(t, k.Recorded, k.Author, "book time", k.Day)
	})
	return id, told(err, "book time on %s", k.Day)
}

// RemoveBooking takes a booking back.
func (s *Store) RemoveBooking(ctx context.Context, id int64, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		var day []string
		err := each(t, `delete from plan_booking where id = ? returning day`, []any{id}, func(rows *sql.Rows) error {
			var d string
			err := rows.Scan(&d)
			day = append(day, d)
			return err
		})
		if err != nil {
			return err
		}
		if len(day) == 0 {
			return record.PartError{Field: "booking", Value: strconv.FormatInt(id, 10), Fix: "there is no such booking: take its number from the list"}
		}
		return audit(t, at, author, "remove booking", day[0])
	})
	return told(err, "remove booking %d", id)
}

// PutLegs replaces all that was measured of driving.
func (s *Store) PutLegs(ctx context.Context, legs []record.Leg, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		if err := t.exec(`delete from plan_leg`); err != nil {
			return err
		}
		for i := range legs {
			l := &legs[i]
			if err := t.exec(`insert into plan_leg (from_place, to_place, minutes, km) values (?, ?, ?, ?)`, l.From, l.To, l.Minutes, l.KM); err != nil {
				return err
			}
		}
		return audit(t, at, author, "put legs", fmt.Sprint(len(legs)))
	})
	return told(err, "write driving between places")
}
