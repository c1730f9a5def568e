package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// AddCalendarLink adds an address of the calendar by the hash of its secret, or
// returns record.ErrTaken.
func (s *Store) AddCalendarLink(ctx context.Context, l record.CalendarLink, hash []byte) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`insert into calendar_link (name, key, hash, author, made_ns) values (?, ?, ?, ?, ?) on conflict do nothing`,
			l.Name, record.NameKey(l.Name), hash, l.Author, l.Made)
		if err != nil {
			return err
		}
		if n == 0 {
			return record.ErrTaken
		}
		return audit(t, l.Made, l.Author, "add calendar", l.Name)
	})
	if err != nil {
		return fmt.Errorf("add calendar address %s: %w", l.Name, err)
	}
	return nil
}

// CalendarLinks returns all addresses of the calendar by name.
func (s *Store) CalendarLinks(ctx context.Context) ([]record.CalendarLink, error) {
	return s.calendarLinks(ctx, `select name, author, made_ns from calendar_link order by key`)
}

// CalendarLink returns the address with a hash, or record.ErrNotFound.
func (s *Store) CalendarLink(ctx context.Context, hash []byte) (record.CalendarLink, error) {
	list, err := s.calendarLinks(ctx, `select name, author, made_ns from calendar_link where hash = ?`, hash)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("calendar address: %w", record.ErrNotFound)
	}
	if err != nil {
		return record.CalendarLink{}, err
	}
	return list[0], nil
}

func (s *Store) calendarLinks(ctx context.Context, query string, args ...any) (list []record.CalendarLink, err error) {
	err = each(reader{ctx, s}, query, args, func(rows *sql.Rows) error {
		var l record.CalendarLink
		err := rows.Scan(&l.Name, &l.Author, &l.Made)
		list = append(list, l)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read calendar addresses: %w", err)
	}
	return list, nil
}

// RemoveCalendarLink makes an address of the calendar worthless.
func (s *Store) RemoveCalendarLink(ctx context.Context, name string, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		err := t.row(`select name from calendar_link where key = ?`, []any{record.NameKey(name)}, &name)
		if errors.Is(err, sql.ErrNoRows) {
			return record.ErrNotFound
		}
		if err != nil {
			return err
		}
		if err := t.exec(`delete from calendar_link where key = ?`, record.NameKey(name)); err != nil {
			return err
		}
		return audit(t, at, author, "revoke calendar", name)
	})
	if err != nil {
		return fmt.Errorf("revoke calendar address %s: %w", name, err)
	}
	return nil
}
