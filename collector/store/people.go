package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// People returns all who are told, in the order in which messages are passed
// on.
func (s *Store) People(ctx context.Context) ([]record.Person, error) {
	var list []record.Person
	err := s.snapshot(ctx, func(q query) error {
		var err error
		list, err = readPeople(q)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read people: %w", err)
	}
	return list, nil
}

func readPeople(q query) ([]record.Person, error) {
	var list []record.Person
	at := make(map[int64]int)
	err := each(q, `select id, name, place, zone, rest_from, rest_to, letter, least, pass_on_s, made_ns from person order by place, id`, nil, func(rows *sql.Rows) error {
		var p record.Person
		var passOn int64
		err := rows.Scan(&p.ID, &p.Name, &p.Place, &p.Zone, &p.RestFrom, &p.RestTo, &p.Letter, &p.Least, &passOn, &p.Made)
		p.PassOn = time.Duration(passOn) * time.Second
		at[p.ID] = len(list)
		list = append(list, p)
		return err
	})
	if err != nil {
		return nil, err
	}
	err = each(q, `select person, kind, address, secret from person_channel order by person, place`, nil, func(rows *sql.Rows) error {
		var id int64
		var c record.Channel
		err := rows.Scan(&id, &c.Kind, &c.Address, &c.Secret)
		if i, ok := at[id]; ok {
			list[i].Channels = append(list[i].Channels, c)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("channels: %w", err)
	}
	err = each(q, `select person, what, value from person_choice order by person, what, value`, nil, func(rows *sql.Rows) error {
		var id int64
		var what, value string
		err := rows.Scan(&id, &what, &value)
		switch i, ok := at[id]; {
		case !ok:
		case what == choiceSite:
			list[i].Sites = append(list[i].Sites, value)
		default:
			list[i].Kinds = append(list[i].Kinds, finding.Kind(value))
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("choices: %w", err)
	}
	return list, nil
}

const (
	choiceSite = "site"
	choiceKind = "kind"
)

// PutPerson adds a person, or, with an ID, changes that one; record.ErrTaken
// when somebody else has the name. A new person is the last to whom messages
// are passed on. It returns the id.
func (s *Store) PutPerson(ctx context.Context, p record.Person, at unit.Instant, author string) (int64, error) {
	err := s.inTx(ctx, func(t *tx) error {
		var other int64
		err := t.row(`select id from person where key = ? and id <> ?`, []any{record.NameKey(p.Name), p.ID}, &other)
		if err == nil {
			return record.ErrTaken
		}
		if !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		action := "change person"
		if p.ID == 0 {
			action = "add person"
			err = addPerson(t, &p, at)
		} else {
			err = changePerson(t, &p)
		}
		if err != nil {
			return err
		}
		for i, c := range p.Channels {
			if err := t.exec(`insert into person_channel (person, place, kind, address, secret) values (?, ?, ?, ?, ?)`, p.ID, i, string(c.Kind), c.Address, c.Secret); err != nil {
				return fmt.Errorf("channel: %w", err)
			}
		}
		for _, site := range p.Sites {
			if err := t.exec(insertChoice, p.ID, choiceSite, site); err != nil {
				return fmt.Errorf("choice: %w", err)
			}
		}
		for _, kind := range p.Kinds {
			if err := t.exec(insertChoice, p.ID, choiceKind, string(kind)); err != nil {
				return fmt.Errorf("choice: %w", err)
			}
		}
		return audit(t, at, author, action, p.Name)
	})
	if err != nil {
		return 0, fmt.Errorf("put person %s: %w", p.Name, err)
	}
	return p.ID, nil
}

const insertChoice = `insert into person_choice (person, what, value) values (?, ?, ?) on conflict do nothing`

func addPerson(t *tx, p *record.Person, at unit.Instant) error {
	return t.row(`insert into person (name, key, place, zone, rest_from, rest_to, letter, least, pass_on_s, made_ns)
		values (?, ?, (select coalesce(max(place), 0) + 1 from person), ?, ?, ?, ?, ?, ?, ?) returning id`,
		[]any{p.Name, record.NameKey(p.Name), p.Zone, p.RestFrom, p.RestTo, p.Letter, string(p.Least), int64(p.PassOn / time.Second), at}, &p.ID)
}

func changePerson(t *tx, p *record.Person) error {
	n, err := t.changed(`update person set name = ?, key = ?, place = ?, zone = ?, rest_from = ?, rest_to = ?, letter = ?, least = ?, pass_on_s = ? where id = ?`,
		p.Name, record.NameKey(p.Name), p.Place, p.Zone, p.RestFrom, p.RestTo, p.Letter, string(p.Least), int64(p.PassOn/time.Second), p.ID)
	if err == nil && n == 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return err
	}
	if err := t.exec(`delete from person_channel where person = ?`, p.ID); err != nil {
		return err
	}
	return t.exec(`delete from person_choice where person = ?`, p.ID)
}

// RemovePerson removes a person, and what was on its way to them.
func (s *Store) RemovePerson(ctx context.Context, id int64, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		var name string
		err := t.row(`select name from person where id = ?`, []any{id}, &name)
		if errors.Is(err, sql.ErrNoRows) {
			return record.ErrNotFound
		}
		if err != nil {
			return err
		}
		for _, query := range []string{
			`delete from delivery where person = ?`, `delete from person_channel where person = ?`,
			`delete from person_choice where person = ?`, `delete from person where id = ?`,
		} {
			if err := t.exec(query, id); err != nil {
				return err
			}
		}
		return audit(t, at, author, "remove person", name)
	})
	if err != nil {
		return fmt.Errorf("remove person: %w", err)
	}
	return nil
}
