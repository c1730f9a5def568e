package record

import (
	"fmt"

	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// PartError says why parts can't be kept, moved or reserved as somebody asked.
// It has the form of the errors of all that people say.
type PartError struct {
	Field, Value string
	Fix          string
}

func (e PartError) Error() string { return fmt.Sprintf("%s %q: %s", e.Field, e.Value, e.Fix) }

// PartReason says why a stock changed.
type PartReason string

// Reasons of moves.
const (
	PartReceived   PartReason = "received"
	PartMade       PartReason = "made"
	PartReturned   PartReason = "returned"    // back on the shelf, from a visit or a loan
	PartUsed       PartReason = "used"        // for a station
	PartIntoRecipe PartReason = "into-recipe" // made into another
	PartLent       PartReason = "lent"        // to one who brings it back
	PartGivenBack  PartReason = "given-back"  // to the customer or lender whose it is
	PartScrapped   PartReason = "scrapped"
	PartCounted    PartReason = "counted" // what lay there was not what the record said
)

// PartUse takes parts from a lot for a station.
type PartUse struct {
	Lot                            int64
	Quantity                       int64
	Station                        string
	Visit                          int64 // 0: none
	LastOneConfirmed, TakeReserved bool
}

// PartTaking takes parts from a lot: used, lent, given back or scrapped.
type PartTaking struct {
	PartUse
	Reason PartReason
	Party  string // id of the owner in the books who gets what is lent
	For    string // an order or another purpose, as the shop writes it
}

// PartReturn puts parts back into the lot that they were taken from.
type PartReturn struct {
	Lot, Quantity int64
	Station       string // that they didn't go into; "" for others
	Visit         int64  // 0: none
	For           string
}

// PartMaking makes parts up by a recipe.
type PartMaking struct {
	Recipe                         string
	Times                          int64
	Station                        string // for which: what it reserved and its owner's parts may be taken; "": none
	Place                          string // in the shop, where what is made lies
	LastOneConfirmed, TakeReserved bool
}

// PartMove is one change of a stock. Moves are only ever added.
type PartMove struct {
	ID           int64
	Lot          int64
	Kind         string
	Delta        int64
	Reason       PartReason
	Station      string // "": none
	Visit        int64  // 0: none
	Make         int64  // the making that it belongs to; 0: none
	Party        string
	For          string
	LastOne      bool // the last one was taken, on the author's word
	TookReserved bool // others waited for it, and the author knew
	At           unit.Instant
	Author       string
}

// Parts is all of the shelf at one instant: kinds, lots that are not empty,
// reservations that are open, recipes.
type Parts struct {
	Kinds        []stock.Kind
	Lots         []stock.Lot
	Reservations []stock.Reservation
	Recipes      []stock.Recipe
}
