package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// PutPartKind adds a kind of part, or with replace changes one that is there.
func (s *Store) PutPartKind(ctx context.Context, k stock.Kind, replace bool, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error { return putPartKind(t, k, replace, at, author) })
	return told(err, "put part kind %s", k.ID)
}

// ImportParts adds kinds, and lots of them and others: all or, with dry,
// nothing.
func (s *Store) ImportParts(ctx context.Context, kinds []stock.Kind, lots []stock.Lot, at unit.Instant, author string, dry bool) error {
	err := s.inTx(ctx, func(t *tx) error {
		for _, k := range kinds {
			if err := putPartKind(t, k, false, at, author); err != nil {
				return err
			}
		}
		for _, l := range lots {
			if _, err := receivePart(t, l, at, author); err != nil {
				return err
			}
		}
		if dry {
			return errDry
		}
		return nil
	})
	if dry && errors.Is(err, errDry) {
		return nil
	}
	return told(err, "import parts")
}

func putPartKind(t *tx, k stock.Kind, replace bool, at unit.Instant, author string) error {
	list, err := partKinds(t, k.ID)
	if err != nil {
		return err
	}
	if err := mayPut("kind", k.ID, len(list) > 0, replace); err != nil {
		return err
	}
	if replace && list[0].Unit != k.Unit {
		return record.PartError{Field: "unit", Value: k.Unit, Fix: "leave it " + list[0].Unit + ": what is recorded of the kind is counted in it"}
	}
	err = t.exec(`insert into part_kind (id, name, class, unit, irreplaceable, last_one, minimum) values (?, ?, ?, ?, ?, ?, ?)
		on conflict (id) do update set name = excluded.name, class = excluded.class, irreplaceable = excluded.irreplaceable,
		last_one = excluded.last_one, minimum = excluded.minimum`,
		k.ID, k.Name, k.Class, k.Unit, oneIf(k.Irreplaceable), oneIf(k.LastOne), k.Minimum)
	if err != nil {
		return err
	}
	if err := t.exec(`delete from part_fit where kind = ?`, k.ID); err != nil {
		return err
	}
	for i, model := range k.Fits {
		if err := t.exec(`insert into part_fit (kind, n, model) values (?, ?, ?)`, k.ID, i, model); err != nil {
			return err
		}
	}
	return audit(t, at, author, addOrChange(replace)+" part kind", k.ID)
}

// mayPut refuses to add what is there, and to change what isn't.
func mayPut(field, id string, there, replace bool) error {
	switch {
	case there && !replace:
		return record.PartError{Field: field, Value: id, Fix: "choose another id: this one is there already; or say that it shall be replaced"}
	case !there && replace:
		return record.PartError{Field: field, Value: id, Fix: "there is none to replace: add it"}
	}
	return nil
}

func addOrChange(replace bool) string {
	if replace {
		return "change"
	}
	return "add"
}

func oneIf(b bool) int {
	if b {
		return 1
	}
	return 0
}

// told says what was tried when it failed; what a person asked wrongly says it
// by itself.
func told(err error, what string, args ...any) error {
	if err == nil || errors.As(err, new(record.PartError)) {
		return err
	}
	return fmt.Errorf(what+": %w", append(args, err)...)
}

// ReceivePart puts a new lot on the shelf and returns its number.
func (s *Store) ReceivePart(ctx context.Context, l stock.Lot, at unit.Instant, author string) (lot int64, err error) {
	err = s.inTx(ctx, func(t *tx) (err error) {
		lot, err = receivePart(t, l, at, author)
		return err
	})
	return lot, told(err, "receive part %s", l.Kind)
}

func receivePart(t *tx, l stock.Lot, at unit.Instant, author string) (lot int64, err error) {
	if _, err := onePartKind(t, l.Kind); err != nil {
		return 0, err
	}
	if err := knownOwner(t, "owner", l.Owner); err != nil {
		return 0, err
	}
	if err := atLeastOne(l.Quantity); err != nil {
		return 0, err
	}
	if lot, err = addLot(t, l); err != nil {
		return 0, err
	}
	m := record.PartMove{Lot: lot, Delta: l.Quantity, Reason: record.PartReceived, At: at, Author: author}
	if err := addMove(t, m); err != nil {
		return 0, err
	}
	return lot, audit(t, at, author, "receive part", partObject(l.Quantity, l.Kind, lot))
}

// partObject is what a deed was about.
func partObject(n int64, kind string, lot int64) string {
	return fmt.Sprintf("%d of %s, lot %d", n, kind, lot)
}

func atLeastOne(quantity int64) error {
	if quantity < 1 {
		return record.PartError{Field: "quantity", Value: strconv.FormatInt(quantity, 10), Fix: "write a whole number from 1 on"}
	}
	return nil
}

// knownOwner refuses an owner that the books don't have; "" is the shop.
func knownOwner(t *tx, field, id string) error {
	if id == "" {
		return nil
	}
	var n int
	if err := t.row(`select count(*) from fact where kind = ? and subject = ?`, []any{fact.KindOwner, id}, &n); err != nil {
		return err
	}
	if n == 0 {
		return record.PartError{Field: field, Value: id, Fix: "the books have no such owner: add it with dewpost owner add"}
	}
	return nil
}

func knownStation(t *tx, id string) error {
	if id == "" {
		return nil
	}
	var n int
	if err := t.row(`select count(*) from station where name = ?`, []any{id}, &n); err != nil {
		return err
	}
	if n == 0 {
		return record.PartError{Field: "station", Value: id, Fix: "there is no such station: take an id from the list of stations"}
	}
	return nil
}

func addLot(t *tx, l stock.Lot) (lot int64, err error) {
	err = t.row(`insert into part_lot (kind, condition, grade, owner, loan, place, origin, note, make) values (?, ?, ?, ?, ?, ?, ?, ?, ?) returning id`,
		[]any{l.Kind, l.Condition, l.Grade, l.Owner, oneIf(l.Loan), l.Place, l.Origin, l.Note, orNull(l.Make)}, &lot)
	return lot, err
}

func addMove(t *tx, m record.PartMove) error {
	return t.exec(`insert into part_move (lot, delta, reason, station, visit, make, party, purpose, last_one, took_reserved, at_ns, author)
		values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		m.Lot, m.Delta, m.Reason, m.Station, orNull(m.Visit), orNull(m.Make), m.Party, m.For, oneIf(m.LastOne), oneIf(m.TookReserved), m.At, m.Author)
}

// usePart takes parts for a station in the transaction of whoever records what
// was done there. What can't be taken is a record.PartError, and then the
// transaction must end.
func usePart(t *tx, u record.PartUse, at unit.Instant, author string) error {
	if u.Station == "" {
		return record.PartError{Field: "station", Fix: "say for which station the part is used"}
	}
	return takePart(t, record.PartTaking{PartUse: u, Reason: record.PartUsed}, at, author)
}

// TakePart takes parts from the shelf.
func (s *Store) TakePart(ctx context.Context, p record.PartTaking, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error { return takePart(t, p, at, author) })
	return told(err, "take from lot %d", p.Lot)
}

// takeRules say what is asked before parts are taken, and what the deed is
// called.
var takeRules = map[record.PartReason]struct {
	deed         string
	last, others bool // mind the last one; mind those who wait
}{
	record.PartUsed:      {"use part", true, true},
	record.PartLent:      {"lend part", true, true},
	record.PartGivenBack: {"give part back", false, true},
	record.PartScrapped:  {"scrap part", true, false}, // it is broken whoever waits
}

func takePart(t *tx, p record.PartTaking, at unit.Instant, author string) error {
	rule, ok := takeRules[p.Reason]
	if !ok {
		return record.PartError{Field: "reason", Value: string(p.Reason), Fix: "write used, lent, given-back or scrapped"}
	}
	lot, err := partLot(t, p.Lot)
	if err != nil {
		return err
	}
	if err := errors.Join(knownStation(t, p.Station), knownOwner(t, "party", p.Party)); err != nil {
		return err
	}
	owner, err := ownerOf(t, p.Station, at)
	if err != nil {
		return err
	}
	if err := mayTake(&p, &lot, owner); err != nil {
		return err
	}
	sh, err := shelfOf(t, lot.Kind, at)
	if err != nil {
		return err
	}
	taken := map[int64]int64{lot.ID: p.Quantity}
	var served []stock.Share
	if p.Reason == record.PartUsed {
		served = stock.Fulfil(sh.lots, sh.reservations, taken, p.Station, p.Visit)
	}
	last, reserved, err := sh.minds(taken, served, p.PartUse, rule.last, rule.others)
	if err != nil {
		return err
	}
	if err := serve(t, served, at); err != nil {
		return err
	}
	err = addMove(t, record.PartMove{
		Lot: lot.ID, Delta: -p.Quantity, Reason: p.Reason, Station: p.Station, Visit: p.Visit, Party: p.Party, For: p.For,
		LastOne: last, TookReserved: reserved, At: at, Author: author,
	})
	if err != nil {
		return err
	}
	return audit(t, at, author, rule.deed, partObject(p.Quantity, lot.Kind, lot.ID)+forWhom(p.Station, p.Party))
}

func forWhom(station, party string) string {
	switch {
	case station != "":
		return ", for " + station
	case party != "":
		return ", to " + party
	}
	return ""
}

// mayTake refuses what the lot itself forbids.
func mayTake(p *record.PartTaking, l *stock.Lot, owner string) error {
	if err := atLeastOne(p.Quantity); err != nil {
		return err
	}
	whose := "the shop"
	if l.Owner != "" {
		whose = "owner " + l.Owner
	}
	switch {
	case p.Quantity > l.Quantity:
		return tooFew(l, p.Quantity)
	case p.Reason == record.PartUsed && !l.Usable():
		return record.PartError{Field: "lot", Value: strconv.FormatInt(l.ID, 10), Fix: "it is broken: choose another lot, or make it up by a recipe"}
	case p.Reason == record.PartUsed && !l.For(owner):
		return notTheirs(l, p.Station, owner)
	case p.Reason == record.PartLent && l.Owner != "":
		return record.PartError{Field: "lot", Value: strconv.FormatInt(l.ID, 10), Fix: "it is not the shop's to lend: it belongs to " + whose}
	case p.Reason == record.PartLent && p.Party == "":
		return record.PartError{Field: "party", Fix: "say to which owner of the books it is lent"}
	case p.Reason == record.PartGivenBack && l.Owner == "":
		return record.PartError{Field: "lot", Value: strconv.FormatInt(l.ID, 10), Fix: "it is the shop's own: there is nobody to give it back to"}
	}
	return nil
}

func tooFew(l *stock.Lot, asked int64) error {
	return record.PartError{
		Field: "quantity", Value: strconv.FormatInt(asked, 10),
		Fix: fmt.Sprintf("of %s, lot %d, there are %d and %d were asked for: take fewer, or count the lot", l.Kind, l.ID, l.Quantity, asked),
	}
}

func notTheirs(l *stock.Lot, station, owner string) error {
	fix := "the part belongs to owner " + l.Owner + " and is for that owner's stations: "
	switch {
	case station == "":
		fix += "say for which station it is used"
	case owner == "":
		fix += "of " + station + "'s site no owner is recorded"
	default:
		fix += station + "'s site belongs to " + owner
	}
	return record.PartError{Field: "lot", Value: strconv.FormatInt(l.ID, 10), Fix: fix}
}

// shelf is what there is of one kind.
type shelf struct {
	kind         stock.Kind
	lots         []stock.Lot
	reservations []stock.Reservation
}

func shelfOf(t *tx, kind string, at unit.Instant) (shelf, error) {
	k, err := onePartKind(t, kind)
	if err != nil {
		return shelf{}, err
	}
	lots, err := partLots(t, ` where l.kind = ?`, kind)
	if err != nil {
		return shelf{}, err
	}
	reservations, err := openReservations(t, at, ` and kind = ?`, kind)
	return shelf{k, lots, reservations}, err
}

// minds refuses to take the last one, or what others reserved, unless somebody
// said that it shall be so; it tells whether that was needed.
func (sh *shelf) minds(taken map[int64]int64, served []stock.Share, u record.PartUse, minLast, minOthers bool) (last, reserved bool, err error) {
	if last = minLast && stock.IsLast(&sh.kind, sh.lots, taken); last && !u.LastOneConfirmed {
		return false, false, record.PartError{
			Field: "last_one_confirmed", Value: "false",
			Fix: fmt.Sprintf("%s can't be bought any more and this is the last one: confirm that it may go", sh.kind.ID),
		}
	}
	if !minOthers {
		return last, false, nil
	}
	losses := stock.Losses(sh.lots, sh.reservations, taken, served, u.Station)
	if len(losses) > 0 && !u.TakeReserved {
		var who []string
		for _, l := range losses {
			who = append(who, fmt.Sprintf("%d for %s (reservation %d)", l.Quantity, l.Reservation.Station, l.Reservation.ID))
		}
		return false, false, record.PartError{
			Field: "take_reserved", Value: "false",
			Fix: fmt.Sprintf("%s is reserved: %s: take another lot, or confirm that they shall wait", sh.kind.ID, strings.Join(who, ", ")),
		}
	}
	return last, len(losses) > 0, nil
}

// ReturnPart puts back what was taken from a lot and not needed, or was lent. A
// reservation that it had served stays served.
func (s *Store) ReturnPart(ctx context.Context, r record.PartReturn, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		lot, err := partLot(t, r.Lot)
		if err != nil {
			return err
		}
		if err := errors.Join(atLeastOne(r.Quantity), knownStation(t, r.Station)); err != nil {
			return err
		}
		var out int64
		err = t.row(`select cast(coalesce(-sum(delta), 0) as bigint) from part_move where lot = ? and reason in ('used', 'lent', 'returned')`, []any{r.Lot}, &out)
		if err != nil {
			return err
		}
		if r.Quantity > out {
			return record.PartError{
				Field: "quantity", Value: strconv.FormatInt(r.Quantity, 10),
				Fix: fmt.Sprintf("of %s, lot %d, only %d were used or lent: what came from elsewhere is received as a new lot", lot.Kind, lot.ID, out),
			}
		}
		m := record.PartMove{
			Lot: r.Lot, Delta: r.Quantity, Reason: record.PartReturned, Station: r.Station, Visit: r.Visit, For: r.For, At: at, Author: author,
		}
		if err := addMove(t, m); err != nil {
			return err
		}
		return audit(t, at, author, "return part", partObject(r.Quantity, lot.Kind, lot.ID))
	})
	return told(err, "return to lot %d", r.Lot)
}

// CountPart records how many there really are in a lot, and returns by how many
// that differs from what was recorded.
func (s *Store) CountPart(ctx context.Context, id, there int64, why string, at unit.Instant, author string) (delta int64, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		lot, err := partLot(t, id)
		if err != nil {
			return err
		}
		if there < 0 {
			return record.PartError{Field: "quantity", Value: strconv.FormatInt(there, 10), Fix: "write a whole number from 0 on"}
		}
		delta = there - lot.Quantity
		if err := addMove(t, record.PartMove{Lot: id, Delta: delta, Reason: record.PartCounted, For: why, At: at, Author: author}); err != nil {
			return err
		}
		return audit(t, at, author, "count part", partObject(there, lot.Kind, id))
	})
	return delta, told(err, "count lot %d", id)
}

// Parts returns all of the shelf. Whose stations are is taken as recorded for
// the instant.
func (s *Store) Parts(ctx context.Context, at unit.Instant) (p record.Parts, err error) {
	err = s.snapshot(ctx, func(q query) error {
		if p.Kinds, err = partKinds(q, ""); err != nil {
			return err
		}
		if p.Lots, err = partLots(q, ``); err != nil {
			return err
		}
		if p.Reservations, err = openReservations(q, at, ``); err != nil {
			return err
		}
		p.Recipes, err = partRecipes(q, "")
		return err
	})
	return p, told(err, "read parts")
}

// partKinds returns kinds by id; with an id only that one, if it is there.
func partKinds(q query, id string) (list []stock.Kind, err error) {
	err = each(q, `select id, name, class, unit, irreplaceable, last_one, minimum from part_kind where id = ? or ? = '' order by id`, []any{id, id},
		func(rows *sql.Rows) error {
			var k stock.Kind
			err := rows.Scan(&k.ID, &k.Name, &k.Class, &k.Unit, &k.Irreplaceable, &k.LastOne, &k.Minimum)
			list = append(list, k)
			return err
		})
	if err != nil {
		return nil, err
	}
	at := make(map[string]int)
	for i := range list {
		at[list[i].ID] = i
	}
	err = each(q, `select kind, model from part_fit where kind = ? or ? = '' order by kind, n`, []any{id, id}, func(rows *sql.Rows) error {
		var kind, model string
		err := rows.Scan(&kind, &model)
		if i, ok := at[kind]; ok {
			list[i].Fits = append(list[i].Fits, model)
		}
		return err
	})
	return list, err
}

func onePartKind(q query, id string) (stock.Kind, error) {
	list, err := partKinds(q, id)
	if err != nil {
		return stock.Kind{}, err
	}
	if id == "" || len(list) == 0 {
		return stock.Kind{}, record.PartError{Field: "kind", Value: id, Fix: "there is no such kind of part: take an id from the list, or add it first"}
	}
	return list[0], nil
}

// partLots returns lots by number that aren't empty; more limits them.
func partLots(q query, more string, args ...any) ([]stock.Lot, error) {
	return scanLots(q, more+` group by l.id, l.kind, l.condition, l.grade, l.owner, l.loan, l.place, l.origin, l.note, l.make having sum(m.delta) > 0`, args...)
}

// partLot returns a lot, which may be empty.
func partLot(q query, id int64) (stock.Lot, error) {
	list, err := scanLots(q, ` where l.id = ? group by l.id, l.kind, l.condition, l.grade, l.owner, l.loan, l.place, l.origin, l.note, l.make`, id)
	if err == nil && len(list) == 0 {
		err = record.PartError{Field: "lot", Value: strconv.FormatInt(id, 10), Fix: "there is no such lot: take its number from the list of parts"}
	}
	if err != nil {
		return stock.Lot{}, err
	}
	return list[0], nil
}

func scanLots(q query, more string, args ...any) (list []stock.Lot, err error) {
	err = each(q, `select l.id, l.kind, l.condition, l.grade, l.owner, l.loan, l.place, l.origin, l.note, coalesce(l.make, 0), cast(sum(m.delta) as bigint)
		from part_lot l join part_move m on m.lot = l.id`+more+` order by l.id`, args, func(rows *sql.Rows) error {
		var l stock.Lot
		err := rows.Scan(&l.ID, &l.Kind, &l.Condition, &l.Grade, &l.Owner, &l.Loan, &l.Place, &l.Origin, &l.Note, &l.Make, &l.Quantity)
		list = append(list, l)
		return err
	})
	return list, err
}

// ownerOf returns who owns the site on which a station hangs at an instant; ""
// where that isn't recorded.
func ownerOf(q query, station string, at unit.Instant) (string, error) {
	site, err := factAt(q, fact.KindStation, station, fact.Site, at)
	if err != nil || site == "" {
		return "", err
	}
	return factAt(q, fact.KindSite, site, fact.Owner, at)
}

// factAt returns what a fact says at an instant, by the rule of fact.At; "" for
// nothing.
func factAt(q query, kind, subject, name string, at unit.Instant) (value string, err error) {
	err = each(q, `select value from fact where kind = ? and subject = ? and name = ? and from_ns <= ?
		order by from_ns desc, recorded_ns desc, id desc limit 1`, []any{kind, subject, name, at}, func(rows *sql.Rows) error { return rows.Scan(&value) })
	if value == fact.None {
		value = ""
	}
	return value, err
}
