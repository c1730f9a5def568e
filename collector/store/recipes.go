package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"strconv"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// PutRecipe adds a recipe, or with replace changes one that is there.
func (s *Store) PutRecipe(ctx context.Context, r stock.Recipe, replace bool, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		list, err := partRecipes(t, r.ID)
		if err != nil {
			return err
		}
		if err := mayPut("recipe", r.ID, len(list) > 0, replace); err != nil {
			return err
		}
		if err := knownKinds(t, &r); err != nil {
			return err
		}
		if err := writeRecipe(t, &r); err != nil {
			return err
		}
		all, err := partRecipes(t, "")
		if err != nil {
			return err
		}
		if cycle := stock.Cycle(all); cycle != nil {
			return record.PartError{Field: "needs", Value: strings.Join(cycle, " from "), Fix: "let no part be made from itself, by whatever recipes"}
		}
		return audit(t, at, author, addOrChange(replace)+" recipe", r.ID)
	})
	return told(err, "put recipe %s", r.ID)
}

func knownKinds(t *tx, r *stock.Recipe) error {
	if _, err := onePartKind(t, r.Makes); err != nil {
		return err
	}
	for _, n := range r.Needs {
		if _, err := onePartKind(t, n.Kind); err != nil {
			return err
		}
	}
	return nil
}

func writeRecipe(t *tx, r *stock.Recipe) error {
	err := t.exec(`insert into part_recipe (id, makes, quantity, grade, hours) values (?, ?, ?, ?, ?)
		on conflict (id) do update set makes = excluded.makes, quantity = excluded.quantity, grade = excluded.grade, hours = excluded.hours`,
		r.ID, r.Makes, r.Quantity, r.Grade, r.Hours)
	if err != nil {
		return err
	}
	for _, table := range []string{"part_need", "part_step"} {
		if err := t.exec(`delete from `+table+` where recipe = ?`, r.ID); err != nil {
			return err
		}
	}
	for i, n := range r.Needs {
		err := t.exec(`insert into part_need (recipe, n, kind, quantity, condition) values (?, ?, ?, ?, ?)`, r.ID, i, n.Kind, n.Quantity, n.Condition)
		if err != nil {
			return err
		}
	}
	for i, step := range r.Steps {
		if err := t.exec(`insert into part_step (recipe, n, says) values (?, ?, ?)`, r.ID, i, step); err != nil {
			return err
		}
	}
	return nil
}

// partRecipes returns recipes by id; with an id only that one, if it is there.
func partRecipes(q query, id string) (list []stock.Recipe, err error) {
	at := make(map[string]int)
	err = each(q, `select id, makes, quantity, grade, hours from part_recipe where id = ? or ? = '' order by id`, []any{id, id}, func(rows *sql.Rows) error {
		var r stock.Recipe
		err := rows.Scan(&r.ID, &r.Makes, &r.Quantity, &r.Grade, &r.Hours)
		at[r.ID] = len(list)
		list = append(list, r)
		return err
	})
	if err != nil {
		return nil, err
	}
	err = each(q, `select recipe, kind, quantity, condition from part_need where recipe = ? or ? = '' order by recipe, n`, []any{id, id}, func(rows *sql.Rows) error {
		var recipe string
		var n stock.Need
		err := rows.Scan(&recipe, &n.Kind, &n.Quantity, &n.Condition)
		if i, ok := at[recipe]; ok {
			list[i].Needs = append(list[i].Needs, n)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	err = each(q, `select recipe, says from part_step where recipe = ? or ? = '' order by recipe, n`, []any{id, id}, func(rows *sql.Rows) error {
		var recipe, step string
		err := rows.Scan(&recipe, &step)
		if i, ok := at[recipe]; ok {
			list[i].Steps = append(list[i].Steps, step)
		}
		return err
	})
	return list, err
}

// MakePart takes what a recipe needs and puts on the shelf what it gives; it
// returns the number of that lot.
func (s *Store) MakePart(ctx context.Context, p record.PartMaking, at unit.Instant, author string) (lot int64, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		list, err := partRecipes(t, p.Recipe)
		if err != nil {
			return err
		}
		if p.Recipe == "" || len(list) == 0 {
			return record.PartError{Field: "recipe", Value: p.Recipe, Fix: "there is no such recipe: take an id from the list, or add it first"}
		}
		if err := knownStation(t, p.Station); err != nil {
			return err
		}
		if p.Times < 1 || p.Times > timesMost {
			return record.PartError{Field: "times", Value: strconv.FormatInt(p.Times, 10), Fix: fmt.Sprintf("write a whole number from 1 to %d", timesMost)}
		}
		lot, err = makePart(t, &list[0], &p, at, author)
		return err
	})
	return lot, told(err, "make by recipe %s", p.Recipe)
}

// timesMost keeps products in int64: quantities are at most a million.
const timesMost = 1000

func makePart(t *tx, r *stock.Recipe, p *record.PartMaking, at unit.Instant, author string) (int64, error) {
	shelves, pool, err := poolFor(t, r, p, at)
	if err != nil {
		return 0, err
	}
	taken, missing := stock.Draw(r, p.Times, pool)
	if len(missing) > 0 {
		return 0, lacking(r, missing, shelves)
	}
	var id int64
	err = t.row(`insert into part_make (recipe, times, station, at_ns, author) values (?, ?, ?, ?, ?) returning id`,
		[]any{r.ID, p.Times, p.Station, at, author}, &id)
	if err != nil {
		return 0, err
	}
	made := stock.Lot{
		Kind: r.Makes, Condition: stock.MadeUp, Grade: r.Grade, Quantity: r.Quantity * p.Times,
		Place: p.Place, Origin: "recipe " + r.ID, Make: id,
	}
	for i := range shelves {
		owner, loan, err := shelves[i].drawn(t, id, taken, p, at, author)
		if err != nil {
			return 0, err
		}
		if owner != "" { // what a customer's part went into is his
			made.Owner, made.Loan = owner, loan || made.Loan
		}
	}
	lot, err := addLot(t, made)
	if err != nil {
		return 0, err
	}
	if err := addMove(t, record.PartMove{Lot: lot, Delta: made.Quantity, Reason: record.PartMade, Station: p.Station, Make: id, At: at, Author: author}); err != nil {
		return 0, err
	}
	return lot, audit(t, at, author, "make part", partObject(made.Quantity, r.Makes, lot)+", by recipe "+r.ID)
}

// poolFor returns what there is of each kind that a recipe needs, and what may
// be taken.
func poolFor(t *tx, r *stock.Recipe, p *record.PartMaking, at unit.Instant) (shelves []shelf, pool []stock.Lot, err error) {
	owner, err := ownerOf(t, p.Station, at)
	if err != nil {
		return nil, nil, err
	}
	seen := make(map[string]bool)
	for _, n := range r.Needs {
		if seen[n.Kind] {
			continue
		}
		seen[n.Kind] = true
		sh, err := shelfOf(t, n.Kind, at)
		if err != nil {
			return nil, nil, err
		}
		shelves = append(shelves, sh)
		pool = append(pool, stock.Pool(sh.lots, sh.reservations, p.Station, owner, p.TakeReserved)...)
	}
	return shelves, pool, nil
}

// lacking lists all that is missing.
func lacking(r *stock.Recipe, missing []stock.Missing, shelves []shelf) error {
	var list []string
	for _, m := range missing {
		text := fmt.Sprintf("%d %s of %d", m.Asked-m.There, strings.TrimSpace(string(m.Condition)+" "+m.Kind), m.Asked)
		for i := range shelves {
			if n := shelves[i].others(&m); n > 0 {
				text += fmt.Sprintf(" (%d more are reserved or belong to others)", n)
			}
		}
		list = append(list, text)
	}
	return record.PartError{Field: "recipe", Value: r.ID, Fix: "get or make first what is missing: " + strings.Join(list, "; ")}
}

// others returns how much there is that would do beyond what may be taken.
func (sh *shelf) others(m *stock.Missing) int64 {
	if sh.kind.ID != m.Kind {
		return 0
	}
	one := stock.Recipe{Needs: []stock.Need{{Kind: m.Kind, Quantity: math.MaxInt64, Condition: m.Condition}}}
	_, all := stock.Draw(&one, 1, sh.lots)
	return all[0].There - m.There
}

// drawn takes from a shelf what a making takes of it, and tells whose that is.
func (sh *shelf) drawn(t *tx, id int64, all map[int64]int64, p *record.PartMaking, at unit.Instant, author string) (owner string, loan bool, err error) {
	taken := make(map[int64]int64)
	for i := range sh.lots {
		l := &sh.lots[i]
		if all[l.ID] == 0 {
			continue
		}
		taken[l.ID] = all[l.ID]
		if l.Owner != "" {
			owner, loan = l.Owner, loan || l.Loan
		}
	}
	served := stock.Fulfil(sh.lots, sh.reservations, taken, p.Station, 0)
	u := record.PartUse{Station: p.Station, LastOneConfirmed: p.LastOneConfirmed, TakeReserved: p.TakeReserved}
	last, reserved, err := sh.minds(taken, served, u, true, true)
	if err != nil {
		return "", false, err
	}
	for i := range sh.lots {
		l := &sh.lots[i]
		if taken[l.ID] == 0 {
			continue
		}
		err := addMove(t, record.PartMove{
			Lot: l.ID, Delta: -taken[l.ID], Reason: record.PartIntoRecipe, Station: p.Station, Make: id,
			LastOne: last, TookReserved: reserved, At: at, Author: author,
		})
		if err != nil {
			return "", false, err
		}
	}
	return owner, loan, serve(t, served, at)
}

// PartMoves returns moves of a kind, newest first, with numbers below before
// where that isn't 0.
func (s *Store) PartMoves(ctx context.Context, kind string, before int64, limit int) ([]record.PartMove, error) {
	if before == 0 {
		before = math.MaxInt64
	}
	list, err := s.partMoves(ctx, ` where l.kind = ? and m.id < ? order by m.id desc limit ?`, kind, before, limit)
	return list, told(err, "read moves of %s", kind)
}

// MadeFrom returns the moves of a making, what went in and what came out.
func (s *Store) MadeFrom(ctx context.Context, id int64) ([]record.PartMove, error) {
	list, err := s.partMoves(ctx, ` where m.make = ? order by m.id`, id)
	return list, told(err, "read moves of making %d", id)
}

func (s *Store) partMoves(ctx context.Context, more string, args ...any) (list []record.PartMove, err error) {
	err = each(reader{ctx, s}, `select m.id, m.lot, l.kind, m.delta, m.reason, m.station, coalesce(m.visit, 0), coalesce(m.make, 0), m.party, m.purpose,
		m.last_one, m.took_reserved, m.at_ns, m.author from part_move m join part_lot l on l.id = m.lot`+more, args, func(rows *sql.Rows) error {
		var m record.PartMove
		err := rows.Scan(&m.ID, &m.Lot, &m.Kind, &m.Delta, &m.Reason, &m.Station, &m.Visit, &m.Make, &m.Party, &m.For,
			&m.LastOne, &m.TookReserved, &m.At, &m.Author)
		list = append(list, m)
		return err
	})
	return list, err
}
