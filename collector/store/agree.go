package store

import (
	"database/sql"
	"errors"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// agree checks facts that were just recorded in t against all that is recorded:
// what they refer to is there, and nothing is in two places at once.
func agree(t *tx, facts []fact.Fact) error {
	b := recorded{t: t, facts: make(map[fact.Subject][]fact.Fact), ends: make(map[string]unit.Instant)}
	for _, f := range facts {
		if err := b.either(b.refers(f)); err != nil {
			return err
		}
		if err := b.either(fact.Seated(f, b.about(f.Subject))); err != nil {
			return err
		}
	}
	done := make(map[fact.Subject]bool)
	for _, f := range facts {
		if done[f.Subject] {
			continue
		}
		done[f.Subject] = true
		if err := b.either(fact.Check(b.about(f.Subject))); err != nil {
			return err
		}
		if err := b.either(b.places(f.Subject)); err != nil {
			return err
		}
	}
	return nil
}

// recorded reads what is recorded, each thing once. Once something couldn't be
// read, it finds nothing more: see either.
type recorded struct {
	t     *tx
	facts map[fact.Subject][]fact.Fact
	ends  map[string]unit.Instant // of stations
	err   error
}

// either returns why something couldn't be read, else what was concluded from
// what was.
func (b *recorded) either(concluded error) error {
	if b.err != nil {
		return b.err
	}
	return concluded
}

func (b *recorded) about(subject fact.Subject) []fact.Fact {
	if list, ok := b.facts[subject]; ok || b.err != nil {
		return list
	}
	b.facts[subject], b.err = factsAbout(b.t, subject)
	return b.facts[subject]
}

// naming returns the subjects of a kind of which the fact of that name has
// ever had that value.
func (b *recorded) naming(kind, name, value string) []fact.Subject {
	if b.err != nil {
		return nil
	}
	ids, err := texts(b.t, `select distinct subject from fact where name = ? and value = ? and kind = ? order by subject`, name, value, kind)
	b.err = err
	var list []fact.Subject
	for _, id := range ids {
		list = append(list, fact.Subject{Kind: kind, ID: id})
	}
	return list
}

// end returns when a station's facts end, which is when it is retired.
func (b *recorded) end(station string) unit.Instant {
	if at, ok := b.ends[station]; ok || b.err != nil {
		return at
	}
	var at sql.NullInt64
	err := b.t.row(`select retired_ns from station where name = ?`, []any{station}, &at)
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("station %s: %w: enrol it first", station, record.ErrNotFound)
	}
	b.ends[station], b.err = fact.Forever, err
	if at.Valid {
		b.ends[station] = unit.Instant(at.Int64)
	}
	return b.ends[station]
}

// refers checks that whom a fact is about, and what it refers to, is there.
func (b *recorded) refers(f fact.Fact) error {
	if f.Subject.Kind == fact.KindStation {
		b.end(f.Subject.ID)
	}
	to, ok := fact.Refers(f)
	if !ok || b.err != nil {
		return nil
	}
	query, fix := `select count(*) from fact where kind = ? and subject = ?`, "add it first"
	if to.Kind == fact.KindStation {
		query, fix = `select count(*) from station where ? = 'station' and name = ?`, "enrol it first"
	}
	var n int
	if b.err = b.t.row(query, []any{to.Kind, to.ID}, &n); n == 0 {
		return fact.Refused{Subject: f.Subject, Name: f.Name, Value: f.Value, Fix: "there is no such " + to.Kind + ": " + fix}
	}
	return nil
}

// places checks the places that a subject's facts give to it and to others.
func (b *recorded) places(subject fact.Subject) error {
	switch subject.Kind {
	case fact.KindStation:
		if err := b.onSite(subject); err != nil {
			return err
		}
		return b.address(subject)
	case fact.KindLine:
		for _, station := range b.naming(fact.KindStation, fact.Line, subject.ID) {
			if err := b.onSite(station); err != nil {
				return err
			}
		}
	case fact.KindSensor:
		return b.measured(subject)
	}
	return nil
}

// onSite checks that a station's line is always where the station is.
func (b *recorded) onSite(station fact.Subject) error {
	return fact.OnSite(b.about(station), b.end(station.ID), func(line string) []fact.Fact {
		return b.about(fact.Subject{Kind: fact.KindLine, ID: line})
	})
}

// address checks that no other station ever has the same address on the same
// line at once.
func (b *recorded) address(station fact.Subject) error {
	claims := func(s fact.Subject) []fact.Claim { return fact.Addresses(b.about(s), b.end(s.ID)) }
	other, both, found := b.clash(station, fact.Line, claims)
	if !found {
		return nil
	}
	return fact.Refused{Subject: station, Name: fact.Address, Value: both.Place, Fix: fmt.Sprintf(
		"station %s has it too on line %s, both %s: choose another, let the address of %s be none from then on, or retire it",
		other.ID, both.On, fact.Since(both.From), other.ID)}
}

// measured checks that no other sensor ever gives the same channel of the same
// station at once.
func (b *recorded) measured(sensor fact.Subject) error {
	claims := func(s fact.Subject) []fact.Claim { return fact.Measured(b.about(s), b.end) }
	other, both, found := b.clash(sensor, fact.Station, claims)
	if !found {
		return nil
	}
	return fact.Refused{Subject: sensor, Name: fact.Station, Value: both.On, Fix: fmt.Sprintf(
		"sensor %s gives %s of it too, both %s: let the station of one of them be none from then on, or correct its channels",
		other.ID, both.Place, fact.Since(both.From))}
}

// clash returns the first of the other subjects of its kind that claims the
// same as subject at once. What a claim is on is the value of the fact of that
// name.
func (b *recorded) clash(subject fact.Subject, name string, claims func(fact.Subject) []fact.Claim) (other fact.Subject, both fact.Claim, found bool) {
	own := claims(subject)
	asked := make(map[string]bool)
	for _, claim := range own {
		if asked[claim.On] {
			continue
		}
		asked[claim.On] = true
		for _, other := range b.naming(subject.Kind, name, claim.On) {
			if other == subject {
				continue
			}
			if both, found := fact.Clash(own, claims(other)); found {
				return other, both, true
			}
		}
	}
	return other, both, false
}
