package books

import (
	"cmp"
	"context"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// What is shown of parts has one form for programs, in the API as in the
// commands: the names of its fields are a contract. Quantities are in the
// kind's unit, pieces or ml.

// KindStands is a kind of part and how it stands.
type KindStands struct {
	Kind          string   `json:"kind"`
	Name          string   `json:"name"`
	Class         string   `json:"class"`
	Fits          []string `json:"fits"`
	Unit          string   `json:"unit"`
	Irreplaceable bool     `json:"irreplaceable"`
	LastOneRule   bool     `json:"last_one_rule"`
	Minimum       int64    `json:"minimum"`

	Stock     int64                 `json:"stock"`     // usable, whoever's
	Theirs    int64                 `json:"theirs"`    // of stock: customers', given or lent
	Broken    int64                 `json:"broken"`    // beside stock
	Reserved  int64                 `json:"reserved"`  // wanted and not taken yet
	Held      int64                 `json:"held"`      // of reserved: there
	Waiting   int64                 `json:"waiting"`   // of reserved: not there
	Free      int64                 `json:"free"`      // the shop's that nobody has
	Makeable  int64                 `json:"makeable"`  // from what is free, up to 99
	Available int64                 `json:"available"` // free and makeable
	Grades    map[stock.Grade]int64 `json:"grades"`    // stock by grade

	LastOne      bool `json:"last_one"`      // the shop has one, and can't buy another
	BelowMinimum bool `json:"below_minimum"` // the shop has less than it wants to have
}

// LotStands is a lot and how much of it somebody has reserved.
type LotStands struct {
	Lot       int64           `json:"lot"`
	Kind      string          `json:"kind"`
	Condition stock.Condition `json:"condition"`
	Grade     stock.Grade     `json:"grade"`
	Owner     *string         `json:"owner"` // null: the shop
	Loan      bool            `json:"loan"`
	Quantity  int64           `json:"quantity"`
	Held      int64           `json:"held"`
	Place     string          `json:"place"`
	Origin    string          `json:"origin"`
	Note      string          `json:"note"`
	MadeFrom  []WentIn        `json:"made_from"` // empty: it wasn't made here
}

// WentIn is a part that another was made from.
type WentIn struct {
	Lot      int64  `json:"lot"`
	Kind     string `json:"kind"`
	Quantity int64  `json:"quantity"`
}

// ReservationStands is an open reservation and what it has.
type ReservationStands struct {
	Reservation int64        `json:"reservation"`
	Kind        string       `json:"kind"`
	Lot         *int64       `json:"lot"` // null: any
	Quantity    int64        `json:"quantity"`
	Held        int64        `json:"held"`
	Waiting     int64        `json:"waiting"`
	Grade       stock.Grade  `json:"grade"` // or better
	Station     string       `json:"station"`
	Visit       *int64       `json:"visit"`
	Order       string       `json:"order"`
	Paid        bool         `json:"paid"`
	NeedBy      *string      `json:"need_by"`
	Made        unit.Instant `json:"made"`
}

// MoveShown is a move as it is shown.
type MoveShown struct {
	Move         int64             `json:"move"`
	Lot          int64             `json:"lot"`
	Kind         string            `json:"kind"`
	Delta        int64             `json:"delta"`
	Reason       record.PartReason `json:"reason"`
	Station      *string           `json:"station"`
	Visit        *int64            `json:"visit"`
	Party        *string           `json:"party"`
	For          string            `json:"for"`
	LastOne      bool              `json:"last_one"`      // it was the last one, and the author knew
	TookReserved bool              `json:"took_reserved"` // others waited for it, and the author knew
	At           unit.Instant      `json:"at"`
	Author       string            `json:"author"`
}

// KindCard is all of a kind.
type KindCard struct {
	KindStands
	Lots         []LotStands         `json:"lots"`
	Reservations []ReservationStands `json:"reservations"`
	Moves        []MoveShown         `json:"moves"` // newest first
	Before       int64               `json:"-"`     // where older moves go on; 0: there are none
}

// RecipeShown is a recipe and how often it goes.
type RecipeShown struct {
	Recipe   string      `json:"recipe"`
	Makes    string      `json:"makes"`
	Quantity int64       `json:"quantity"`
	Grade    stock.Grade `json:"grade"`
	Hours    float64     `json:"hours"`
	Needs    []NeedShown `json:"needs"`
	Steps    []string    `json:"steps"`
	Makeable int64       `json:"makeable"` // from what is free, by this recipe alone, up to 99
}

// NeedShown is what a recipe takes and what is there for it.
type NeedShown struct {
	Kind      string           `json:"kind"`
	Quantity  int64            `json:"quantity"`
	Condition *stock.Condition `json:"condition"` // null: any that is usable
	There     int64            `json:"there"`
	Makeable  int64            `json:"makeable"`
	Lacks     int64            `json:"lacks"` // to make the recipe once
	Recipes   []RecipeShown    `json:"recipes"`
}

// CanMake explains how many of a kind there could be.
type CanMake struct {
	Kind      string        `json:"kind"`
	Free      int64         `json:"free"`
	Makeable  int64         `json:"makeable"`
	Available int64         `json:"available"`
	Recipes   []RecipeShown `json:"recipes"`
}

// shop is the shelf at an instant, kind by kind.
type shop struct {
	record.Parts
	lots         map[string][]stock.Lot
	reservations map[string][]stock.Reservation
	pool         []stock.Lot // what is free of the shop's
}

func (p *Parts) shop(ctx context.Context, at unit.Instant) (*shop, error) {
	all, err := p.store.Parts(ctx, at)
	if err != nil {
		return nil, err
	}
	s := &shop{Parts: all, lots: make(map[string][]stock.Lot), reservations: make(map[string][]stock.Reservation)}
	for _, l := range all.Lots {
		s.lots[l.Kind] = append(s.lots[l.Kind], l)
	}
	for _, r := range all.Reservations {
		s.reservations[r.Kind] = append(s.reservations[r.Kind], r)
	}
	for _, k := range all.Kinds {
		s.pool = append(s.pool, stock.Pool(s.lots[k.ID], s.reservations[k.ID], "", "", false)...)
	}
	return s, nil
}

// Shelf is all of the shelf at one instant.
type Shelf struct {
	Kinds        []KindStands        // by id
	Lots         []LotStands         // that aren't empty, by kind and number; what they were made from is not told
	Reservations []ReservationStands // open ones by kind, in the order in which they are served
	Recipes      []RecipeShown       // by id
}

// Shelf returns all of the shelf.
func (p *Parts) Shelf(ctx context.Context, at unit.Instant) (*Shelf, error) {
	s, err := p.shop(ctx, at)
	if err != nil {
		return nil, err
	}
	return s.shelf(), nil
}

func (s *shop) shelf() *Shelf {
	out := &Shelf{Kinds: []KindStands{}, Lots: []LotStands{}, Reservations: []ReservationStands{}, Recipes: []RecipeShown{}}
	for i := range s.Kinds {
		k := &s.Kinds[i]
		out.Kinds = append(out.Kinds, s.stands(k))
		out.Lots = append(out.Lots, s.lotsOf(k.ID)...)
		out.Reservations = append(out.Reservations, s.queue(k.ID)...)
		out.Recipes = append(out.Recipes, recipesShown(stock.Ways(k.ID, s.Recipes, s.pool))...)
	}
	slices.SortFunc(out.Recipes, func(a, b RecipeShown) int { return cmp.Compare(a.Recipe, b.Recipe) })
	return out
}

func (s *shop) stands(k *stock.Kind) KindStands {
	st := stock.StatusOf(s.lots[k.ID], s.reservations[k.ID])
	makeable := stock.Makeable(k.ID, s.Recipes, s.pool)
	return KindStands{
		Kind: k.ID, Name: k.Name, Class: k.Class, Fits: orEmpty(k.Fits), Unit: k.Unit,
		Irreplaceable: k.Irreplaceable, LastOneRule: k.LastOne, Minimum: k.Minimum,
		Stock: st.Stock, Theirs: st.Theirs, Broken: st.Broken, Reserved: st.Reserved, Held: st.Held, Waiting: st.Waiting,
		Free: st.Free, Makeable: makeable, Available: st.Free + makeable, Grades: st.Grades,
		LastOne: k.Irreplaceable && k.Unit == stock.Piece && st.Shop() == 1, BelowMinimum: st.Shop() < k.Minimum,
	}
}

func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func orNil[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

func (s *shop) kind(id string) (*stock.Kind, error) {
	for i := range s.Kinds {
		if s.Kinds[i].ID == id {
			return &s.Kinds[i], nil
		}
	}
	return nil, record.ErrNotFound
}

// Kind returns all of a kind, with at most limit moves below the number before
// where that isn't 0; record.ErrNotFound where there is no such kind.
func (p *Parts) Kind(ctx context.Context, id string, at unit.Instant, before int64, limit int) (*KindCard, error) {
	s, err := p.shop(ctx, at)
	if err != nil {
		return nil, err
	}
	k, err := s.kind(id)
	if err != nil {
		return nil, err
	}
	card := &KindCard{KindStands: s.stands(k), Reservations: s.queue(id), Moves: []MoveShown{}}
	card.Lots = s.lotsOf(id)
	for i := range card.Lots {
		if card.Lots[i].MadeFrom, err = p.madeFrom(ctx, s.lots[id][i].Make); err != nil {
			return nil, err
		}
	}
	moves, err := p.store.PartMoves(ctx, id, before, limit+1)
	if err != nil {
		return nil, err
	}
	if len(moves) > limit {
		moves = moves[:limit]
		card.Before = moves[limit-1].ID
	}
	for i := range moves {
		card.Moves = append(card.Moves, moveShown(&moves[i]))
	}
	return card, nil
}

// lotsOf returns the lots of a kind that aren't empty, by number.
func (s *shop) lotsOf(kind string) []LotStands {
	held := make(map[int64]int64)
	for _, share := range stock.Allocate(s.lots[kind], s.reservations[kind]).Shares {
		held[share.Lot] += share.Quantity
	}
	list := []LotStands{}
	for _, l := range s.lots[kind] {
		list = append(list, LotStands{
			Lot: l.ID, Kind: l.Kind, Condition: l.Condition, Grade: l.Grade, Owner: orNil(l.Owner), Loan: l.Loan, Quantity: l.Quantity,
			Held: held[l.ID], Place: l.Place, Origin: l.Origin, Note: l.Note, MadeFrom: []WentIn{},
		})
	}
	return list
}

// madeFrom returns what went into a making; 0 is none.
func (p *Parts) madeFrom(ctx context.Context, id int64) ([]WentIn, error) {
	list := []WentIn{}
	if id == 0 {
		return list, nil
	}
	moves, err := p.store.MadeFrom(ctx, id)
	for _, m := range moves {
		if m.Delta < 0 {
			list = append(list, WentIn{m.Lot, m.Kind, -m.Delta})
		}
	}
	return list, err
}

func moveShown(m *record.PartMove) MoveShown {
	return MoveShown{
		Move: m.ID, Lot: m.Lot, Kind: m.Kind, Delta: m.Delta, Reason: m.Reason, Station: orNil(m.Station), Visit: orNil(m.Visit), Party: orNil(m.Party),
		For: m.For, LastOne: m.LastOne, TookReserved: m.TookReserved, At: m.At, Author: m.Author,
	}
}

// queue returns the open reservations of a kind in the order in which they are
// served.
func (s *shop) queue(kind string) []ReservationStands {
	a := stock.Allocate(s.lots[kind], s.reservations[kind])
	list := []ReservationStands{}
	for _, r := range stock.Queue(s.reservations[kind]) {
		list = append(list, ReservationStands{
			Reservation: r.ID, Kind: r.Kind, Lot: orNil(r.Lot), Quantity: r.Quantity, Held: a.Held[r.ID], Waiting: r.Quantity - a.Held[r.ID],
			Grade: r.Grade, Station: r.Station, Visit: orNil(r.Visit), Order: r.Order, Paid: r.Paid, NeedBy: orNil(r.NeedBy), Made: r.Made,
		})
	}
	return list
}

// Recipe returns a recipe, or record.ErrNotFound.
func (p *Parts) Recipe(ctx context.Context, id string, at unit.Instant) (RecipeShown, error) {
	shelf, err := p.Shelf(ctx, at)
	if err != nil {
		return RecipeShown{}, err
	}
	for _, r := range shelf.Recipes {
		if r.Recipe == id {
			return r, nil
		}
	}
	return RecipeShown{}, record.ErrNotFound
}

// CanMake explains how a kind can be made from what is free, and what lacks;
// record.ErrNotFound where there is no such kind.
func (p *Parts) CanMake(ctx context.Context, id string, at unit.Instant) (CanMake, error) {
	s, err := p.shop(ctx, at)
	if err != nil {
		return CanMake{}, err
	}
	k, err := s.kind(id)
	if err != nil {
		return CanMake{}, err
	}
	st := s.stands(k)
	return CanMake{
		Kind: id, Free: st.Free, Makeable: st.Makeable, Available: st.Available,
		Recipes: recipesShown(stock.Ways(id, s.Recipes, s.pool)),
	}, nil
}

func recipesShown(ways []stock.Way) []RecipeShown {
	list := []RecipeShown{}
	for i := range ways {
		w := &ways[i]
		r := RecipeShown{
			Recipe: w.Recipe.ID, Makes: w.Recipe.Makes, Quantity: w.Recipe.Quantity, Grade: w.Recipe.Grade, Hours: w.Recipe.Hours,
			Needs: []NeedShown{}, Steps: orEmpty(w.Recipe.Steps), Makeable: w.Makeable,
		}
		for _, n := range w.Needs {
			r.Needs = append(r.Needs, NeedShown{
				Kind: n.Kind, Quantity: n.Quantity, Condition: orNil(n.Condition), There: n.There, Makeable: n.Makeable, Lacks: n.Lacks,
				Recipes: recipesShown(n.Ways),
			})
		}
		list = append(list, r)
	}
	return list
}
