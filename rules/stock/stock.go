// Package stock says what the workshop has for whom. It gives what lies on the
// shelf to those who reserved it, tells who waits, and what can be made up from
// what is free when the original can't be bought any more.
//
// Whose turn it is, which grade to take first, and that a customer's parts are
// for his own stations are common practice of the trade, no source.
package stock

import (
	"cmp"
	"slices"

	"dewpost/rules/unit"
)

// Condition is what became of a part so far.
type Condition string

// Conditions. What is broken is of use only to a recipe that wants it so.
const (
	New         Condition = "new"
	Used        Condition = "used"
	Refurbished Condition = "refurbished"
	MadeUp      Condition = "made-up"
	Broken      Condition = "broken"
)

// Conditions are all of them.
var Conditions = []Condition{New, Used, Refurbished, MadeUp, Broken}

// Grade says how good a part is: a is best, d is worst.
type Grade string

// Grades are all of them, the best first.
var Grades = []Grade{"a", "b", "c", "d"}

// Worst is the grade that every part has or betters.
const Worst Grade = "d"

// Units in which a kind is counted.
const (
	Piece      = "piece"
	Millilitre = "ml"
)

// Units are all of them.
var Units = []string{Piece, Millilitre}

// Kind is a kind of part.
type Kind struct {
	ID            string
	Name          string
	Class         string   // what it is: face, keypad, board …
	Fits          []string // systems and models that it fits
	Unit          string
	Irreplaceable bool  // it can't be bought any more
	LastOne       bool  // taking the last one takes somebody's word; only where it is irreplaceable
	Minimum       int64 // that the shop wants to have
}

// Lot is one part, or several that are alike and came together.
type Lot struct {
	ID        int64
	Kind      string
	Condition Condition
	Grade     Grade
	Owner     string // id of an owner in the books; "" is the shop
	Loan      bool   // Owner lent it to the shop
	Quantity  int64  // in the kind's unit
	Place     string // in the shop
	Origin    string // where it came from, such as the station that it was taken out of
	Note      string
	Make      int64 // number of the making that it came from; 0: none
}

// Usable tells whether the lot can go into a station.
func (l *Lot) Usable() bool { return l.Condition != Broken }

// For tells whether the lot may go into a station of that owner. Parts of a
// customer, given or lent, are for his own stations; the shop's are for all.
func (l *Lot) For(owner string) bool { return l.Owner == "" || l.Owner == owner }

// Reservation asks for parts for a station.
type Reservation struct {
	ID       int64
	Kind     string
	Lot      int64 // the particular lot; 0: any
	Quantity int64 // still to be taken
	Grade    Grade // or better; says nothing where Lot is given
	Station  string
	Owner    string // of the station's site; "" when nobody is recorded
	Visit    int64  // 0: none
	Order    string // of the customer, as the shop writes it
	Paid     bool   // the order is
	NeedBy   string // date, 2006-01-02; "": none
	Made     unit.Instant
}

// takes tells whether the lot will do.
func (r *Reservation) takes(l *Lot) bool {
	if l.Kind != r.Kind || !l.Usable() || !l.For(r.Owner) {
		return false
	}
	if r.Lot != 0 {
		return r.Lot == l.ID
	}
	return l.Grade <= r.Grade
}

// before is the order in which reservations are served: paid orders, then the
// earliest need, then the earliest made.
func before(a, b *Reservation) int {
	if a.Paid != b.Paid {
		if a.Paid {
			return -1
		}
		return 1
	}
	if (a.NeedBy == "") != (b.NeedBy == "") {
		if a.NeedBy != "" {
			return -1
		}
		return 1
	}
	return cmp.Or(cmp.Compare(a.NeedBy, b.NeedBy), cmp.Compare(a.Made, b.Made), cmp.Compare(a.ID, b.ID))
}

// Queue returns reservations in the order in which they are served.
func Queue(reservations []Reservation) []*Reservation {
	var queue []*Reservation
	for i := range reservations {
		queue = append(queue, &reservations[i])
	}
	slices.SortFunc(queue, before)
	return queue
}

// Share is a part of a lot that a reservation has.
type Share struct {
	Reservation, Lot int64
	Quantity         int64
}

// Allocation says who has what.
type Allocation struct {
	Shares []Share         // in the order in which reservations are served
	Held   map[int64]int64 // by reservation; less than it asks for: it waits
	Free   map[int64]int64 // by usable lot: what nobody has
}

// Allocate gives usable lots to reservations in the order of Queue. Each has
// its station's owner's own parts first, leaves lots that others asked for in
// particular to the last, and then takes the lowest grade that will do, so that
// better ones are left for who needs them; between equals the oldest lot.
func Allocate(lots []Lot, reservations []Reservation) Allocation {
	a := Allocation{Held: make(map[int64]int64), Free: make(map[int64]int64)}
	var shelf []*Lot
	for i := range lots {
		if lots[i].Usable() {
			a.Free[lots[i].ID] = lots[i].Quantity
			shelf = append(shelf, &lots[i])
		}
	}
	named := make(map[int64]bool)
	for i := range reservations {
		named[reservations[i].Lot] = true
	}
	slices.SortFunc(shelf, func(x, y *Lot) int {
		return cmp.Or(
			first(x.Owner != "", y.Owner != ""),
			first(!named[x.ID], !named[y.ID]),
			cmp.Compare(y.Grade, x.Grade),
			cmp.Compare(x.ID, y.ID))
	})
	for _, r := range Queue(reservations) {
		lacks := r.Quantity
		for _, l := range shelf {
			n := min(lacks, a.Free[l.ID])
			if n <= 0 || !r.takes(l) {
				continue
			}
			a.Shares = append(a.Shares, Share{r.ID, l.ID, n})
			a.Free[l.ID] -= n
			lacks -= n
		}
		a.Held[r.ID] = r.Quantity - lacks
	}
	return a
}

// first compares so that what is true comes first.
func first(x, y bool) int {
	switch {
	case x == y:
		return 0
	case x:
		return -1
	}
	return 1
}

// Status says how a kind stands.
// At any time Stock = Held + Free + what of Theirs nobody reserved.
type Status struct {
	Stock    int64 // usable, whoever's
	Theirs   int64 // of Stock: customers', given or lent
	Broken   int64
	Reserved int64           // asked for and not taken yet
	Held     int64           // of Reserved: there
	Waiting  int64           // of Reserved: not there
	Free     int64           // of the shop's: nobody has it
	Grades   map[Grade]int64 // Stock by grade
}

// Shop is what of the stock is the shop's.
func (s *Status) Shop() int64 { return s.Stock - s.Theirs }

// StatusOf returns how a kind stands, given its lots and open reservations.
func StatusOf(lots []Lot, reservations []Reservation) Status {
	a := Allocate(lots, reservations)
	s := Status{Grades: make(map[Grade]int64)}
	for _, g := range Grades {
		s.Grades[g] = 0
	}
	for i := range lots {
		l := &lots[i]
		if !l.Usable() {
			s.Broken += l.Quantity
			continue
		}
		s.Stock += l.Quantity
		s.Grades[l.Grade] += l.Quantity
		if l.Owner == "" {
			s.Free += a.Free[l.ID]
		} else {
			s.Theirs += l.Quantity
		}
	}
	for i := range reservations {
		s.Reserved += reservations[i].Quantity
		s.Held += a.Held[reservations[i].ID]
	}
	s.Waiting = s.Reserved - s.Held
	return s
}

// Fulfil returns which reservations are served by taking parts, by lot, for a
// station: those of this visit first; those of the very lot, which no other can
// serve; those that have the very parts, for else they would take others in
// their place; then, in their order, those that they are good enough for and
// those that they are not.
func Fulfil(lots []Lot, reservations []Reservation, taken map[int64]int64, station string, visit int64) []Share {
	had := make(map[Share]int64) // Quantity is 0 in the keys
	for _, s := range Allocate(lots, reservations).Shares {
		had[Share{Reservation: s.Reservation, Lot: s.Lot}] = s.Quantity
	}
	lacks := make(map[int64]int64)
	for i := range reservations {
		lacks[reservations[i].ID] = reservations[i].Quantity
	}
	var shares []Share
	for i := range lots {
		l := &lots[i]
		left := taken[l.ID]
		if left <= 0 {
			continue
		}
		var queue []*Reservation
		for i := range reservations {
			r := &reservations[i]
			if r.Station == station && r.Kind == l.Kind && (r.Lot == 0 || r.Lot == l.ID) {
				queue = append(queue, r)
			}
		}
		slices.SortFunc(queue, func(a, b *Reservation) int {
			return cmp.Or(first(a.takes(l), b.takes(l)), before(a, b))
		})
		got := make(map[int64]int64)
		for _, most := range []func(*Reservation) int64{
			func(r *Reservation) int64 {
				if visit != 0 && r.Visit == visit {
					return left
				}
				return 0
			},
			func(r *Reservation) int64 {
				if r.Lot != 0 {
					return left
				}
				return 0
			},
			func(r *Reservation) int64 { return had[Share{Reservation: r.ID, Lot: l.ID}] - got[r.ID] },
			func(*Reservation) int64 { return left },
		} {
			for _, r := range queue {
				n := max(0, min(left, lacks[r.ID], most(r)))
				got[r.ID] += n
				lacks[r.ID] -= n
				left -= n
			}
		}
		for _, r := range queue {
			if got[r.ID] > 0 {
				shares = append(shares, Share{r.ID, l.ID, got[r.ID]})
			}
		}
	}
	return shares
}

// Without returns lots and reservations after those were taken, with the
// reservations that they served.
func Without(lots []Lot, reservations []Reservation, taken map[int64]int64, served []Share) ([]Lot, []Reservation) {
	lots, reservations = slices.Clone(lots), slices.Clone(reservations)
	for i := range lots {
		lots[i].Quantity -= taken[lots[i].ID]
	}
	for _, s := range served {
		for i := range reservations {
			if reservations[i].ID == s.Reservation {
				reservations[i].Quantity -= s.Quantity
			}
		}
	}
	return lots, reservations
}

// Loss is what a reservation has less than before.
type Loss struct {
	Reservation Reservation
	Quantity    int64
}

// Losses returns which reservations of other stations have less if parts are
// taken and serve those reservations.
func Losses(lots []Lot, reservations []Reservation, taken map[int64]int64, served []Share, station string) []Loss {
	had := Allocate(lots, reservations).Held
	has := Allocate(Without(lots, reservations, taken, served)).Held
	var losses []Loss
	for _, r := range reservations {
		if n := had[r.ID] - has[r.ID]; n > 0 && r.Station != station {
			losses = append(losses, Loss{r, n})
		}
	}
	return losses
}

// IsLast tells whether taking that much, by lot, leaves no usable part of an
// irreplaceable kind where somebody's word is needed for it: none of the
// shop's, or where a customer's is taken none for that customer.
func IsLast(k *Kind, lots []Lot, taken map[int64]int64) bool {
	if !k.Irreplaceable || !k.LastOne {
		return false
	}
	for i := range lots {
		l := &lots[i]
		if taken[l.ID] <= 0 || !l.Usable() {
			continue
		}
		var left int64
		for j := range lots {
			if lots[j].Usable() && lots[j].For(l.Owner) {
				left += lots[j].Quantity - taken[lots[j].ID]
			}
		}
		if left == 0 {
			return true
		}
	}
	return false
}
