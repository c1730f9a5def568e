package books

import (
	"context"
	"errors"
	"io"
	"strconv"

	"dewpost/collector/record"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// PartStore is where parts are kept. What can't be done as it was asked is a
// record.PartError.
type PartStore interface {
	PartImportStore
	PutPartKind(ctx context.Context, k stock.Kind, replace bool, at unit.Instant, author string) error
	ReceivePart(ctx context.Context, l stock.Lot, at unit.Instant, author string) (lot int64, err error)
	TakePart(ctx context.Context, p record.PartTaking, at unit.Instant, author string) error
	ReturnPart(ctx context.Context, r record.PartReturn, at unit.Instant, author string) error
	CountPart(ctx context.Context, lot, there int64, why string, at unit.Instant, author string) (delta int64, err error)
	ReservePart(ctx context.Context, r stock.Reservation, author string) (id int64, err error)
	ReleaseReservation(ctx context.Context, id int64, at unit.Instant, author string) error
	PutRecipe(ctx context.Context, r stock.Recipe, replace bool, at unit.Instant, author string) error
	MakePart(ctx context.Context, p record.PartMaking, at unit.Instant, author string) (lot int64, err error)
	PartMoves(ctx context.Context, kind string, before int64, limit int) ([]record.PartMove, error)
	MadeFrom(ctx context.Context, id int64) ([]record.PartMove, error)
	Visit(ctx context.Context, number int64) (record.VisitDetails, error) // record.ErrNotFound
}

// Parts is the shop's shelf: what is there, for whom, what went where. Its
// methods return an Error where something that was said is wrong or can't be
// done; then nothing has changed.
type Parts struct{ store PartStore }

// NewParts returns the shelf that is kept in store.
func NewParts(store PartStore) *Parts { return &Parts{store} }

// partSaid is err, as an Error where somebody can put it right.
func partSaid(err error) error {
	var wrong record.PartError
	if errors.As(err, &wrong) {
		return Error(wrong)
	}
	return err
}

// PutKind adds a kind of part, or with replace changes one.
func (p *Parts) PutKind(ctx context.Context, k stock.Kind, replace bool, at unit.Instant, author string) error {
	if err := checkKind(&k); err != nil {
		return err
	}
	return partSaid(p.store.PutPartKind(ctx, k, replace, at, author))
}

// Receive puts parts on the shelf as a lot of their own, and returns its number.
func (p *Parts) Receive(ctx context.Context, l stock.Lot, at unit.Instant, author string) (lot int64, err error) {
	if err := checkLot(&l); err != nil {
		return 0, err
	}
	lot, err = p.store.ReceivePart(ctx, l, at, author)
	return lot, partSaid(err)
}

// Import puts on the shelf what a table says.
func (p *Parts) Import(ctx context.Context, im PartImport, r io.Reader, at unit.Instant, author string) (PartsImported, error) {
	return im.Read(ctx, p.store, r, at, author)
}

// ofVisit refuses a visit that there is none of, or that is another station's: it
// would be told of a visit to come, or of the wrong one.
func (p *Parts) ofVisit(ctx context.Context, visit int64, station string) error {
	if visit == 0 {
		return nil
	}
	v, err := p.store.Visit(ctx, visit)
	switch value := strconv.FormatInt(visit, 10); {
	case errors.Is(err, record.ErrNotFound):
		return Error{"visit", value, "there is no such visit: take a number from the list of visits"}
	case err == nil && station != "" && v.Station != station:
		return Error{"visit", value, "it is a visit of " + v.Station + ": take one of " + station + ", or leave it out"}
	}
	return err
}

// Take uses, lends, gives back or scraps parts.
func (p *Parts) Take(ctx context.Context, t record.PartTaking, at unit.Instant, author string) error {
	if err := firstWrong(partLine("for", t.For), partNumber("visit", t.Visit, 0)); err != nil {
		return err
	}
	if err := p.ofVisit(ctx, t.Visit, t.Station); err != nil {
		return err
	}
	return partSaid(p.store.TakePart(ctx, t, at, author))
}

// Return puts back what was taken and not needed, or what was lent.
func (p *Parts) Return(ctx context.Context, r record.PartReturn, at unit.Instant, author string) error {
	if err := firstWrong(partLine("for", r.For), partNumber("visit", r.Visit, 0)); err != nil {
		return err
	}
	if err := p.ofVisit(ctx, r.Visit, r.Station); err != nil {
		return err
	}
	return partSaid(p.store.ReturnPart(ctx, r, at, author))
}

// Count records how many there are in a lot, and returns by how many that
// differs from what was recorded.
func (p *Parts) Count(ctx context.Context, lot, there int64, why string, at unit.Instant, author string) (delta int64, err error) {
	if err := firstWrong(partLine("for", why), partNumber("quantity", there, 0)); err != nil {
		return 0, err
	}
	delta, err = p.store.CountPart(ctx, lot, there, why, at, author)
	return delta, partSaid(err)
}

// Reserve asks for parts for a station, whether or not they are there. Made says
// when.
func (p *Parts) Reserve(ctx context.Context, r stock.Reservation, author string) (id int64, err error) {
	if err := checkReservation(&r); err != nil {
		return 0, err
	}
	if err := p.ofVisit(ctx, r.Visit, r.Station); err != nil {
		return 0, err
	}
	id, err = p.store.ReservePart(ctx, r, author)
	return id, partSaid(err)
}

// Release ends a reservation.
func (p *Parts) Release(ctx context.Context, reservation int64, at unit.Instant, author string) error {
	return partSaid(p.store.ReleaseReservation(ctx, reservation, at, author))
}

// PutRecipe adds a recipe, or with replace changes one.
func (p *Parts) PutRecipe(ctx context.Context, r stock.Recipe, replace bool, at unit.Instant, author string) error {
	if err := checkRecipe(&r); err != nil {
		return err
	}
	return partSaid(p.store.PutRecipe(ctx, r, replace, at, author))
}

// Make makes parts up by a recipe, and returns the number of their lot.
func (p *Parts) Make(ctx context.Context, m record.PartMaking, at unit.Instant, author string) (lot int64, err error) {
	if err := partLine("place", m.Place); err != nil {
		return 0, err
	}
	lot, err = p.store.MakePart(ctx, m, at, author)
	return lot, partSaid(err)
}
