package stock

import (
	"cmp"
	"maps"
	"slices"
)

// Need is one of the things that a recipe takes.
type Need struct {
	Kind      string
	Quantity  int64     // in the kind's unit, each time
	Condition Condition // wanted; "": any that is usable
}

func (n *Need) takes(l *Lot) bool {
	if l.Kind != n.Kind {
		return false
	}
	if n.Condition == "" {
		return l.Usable()
	}
	return l.Condition == n.Condition
}

// makeUp tells whether a part that was made up will do.
func (n *Need) makeUp() bool { return n.Condition == "" || n.Condition == MadeUp }

// Recipe says how a part is made up from others, as an outdoor keypad from an
// indoor one.
type Recipe struct {
	ID       string
	Makes    string // kind
	Quantity int64  // that one time gives, in the kind's unit
	Grade    Grade  // of what it gives, whose condition is MadeUp
	Hours    float64
	Needs    []Need
	Steps    []string
}

// Levels is how deep recipes are looked through: what a recipe needs may be
// made up first, but what that needs must be there.
const Levels = 2

// MakeableMost is where Makeable stops counting.
const MakeableMost = 99

// Cycle returns kinds that need each other to be made, each made from the next
// and the first once more at the end; nil where there are none. What is wanted
// broken, new, used or refurbished is never made up, so that a part may well be
// made from a broken one of its kind.
func Cycle(recipes []Recipe) []string {
	needs := make(map[string][]string)
	for i := range recipes {
		for _, n := range recipes[i].Needs {
			if n.makeUp() {
				needs[recipes[i].Makes] = append(needs[recipes[i].Makes], n.Kind)
			}
		}
	}
	done := make(map[string]bool)
	var path []string
	var visit func(kind string) []string
	visit = func(kind string) []string {
		if i := slices.Index(path, kind); i >= 0 {
			return append(slices.Clone(path[i:]), kind)
		}
		if done[kind] {
			return nil
		}
		path = append(path, kind)
		for _, next := range slices.Sorted(slices.Values(needs[kind])) {
			if found := visit(next); found != nil {
				return found
			}
		}
		path = path[:len(path)-1]
		done[kind] = true
		return nil
	}
	for _, kind := range slices.Sorted(maps.Keys(needs)) {
		if found := visit(kind); found != nil {
			return found
		}
	}
	return nil
}

// Pool returns what may be taken to make something, with quantities, in the
// order in which it is taken: what nobody reserved of the shop's and, for a
// station, of its owner's, and what is reserved for the station. With all, also
// what others reserved. A customer's own come first, then the lowest grade.
// Nobody has less for it, unless the station waits for what it takes besides a
// lot that it asked for in particular: Losses tells.
func Pool(lots []Lot, reservations []Reservation, station, owner string, all bool) []Lot {
	a := Allocate(lots, reservations)
	mine := make(map[int64]int64) // by lot: reserved for the station
	for _, s := range a.Shares {
		for i := range reservations {
			if r := &reservations[i]; r.ID == s.Reservation && r.Station == station {
				mine[s.Lot] += s.Quantity
			}
		}
	}
	var pool []Lot
	for _, l := range lots {
		if l.Usable() && !all {
			l.Quantity = a.Free[l.ID] + mine[l.ID]
		}
		if l.Quantity > 0 && l.For(owner) {
			pool = append(pool, l)
		}
	}
	slices.SortFunc(pool, func(x, y Lot) int {
		return cmp.Or(first(x.Owner != "", y.Owner != ""), cmp.Compare(y.Grade, x.Grade), cmp.Compare(x.ID, y.ID))
	})
	return pool
}

// Missing is what is not there for a recipe.
type Missing struct {
	Need
	Asked int64 // for all times
	There int64
}

// Draw takes from the pool what a recipe needs to be made so many times, by
// lot, or says what is missing. The pool is left as it is.
func Draw(r *Recipe, times int64, pool []Lot) (taken map[int64]int64, missing []Missing) {
	taken = make(map[int64]int64)
	left := slices.Clone(pool)
	needs := strictFirst(r.Needs)
	for _, n := range needs {
		asked := n.Quantity * times
		lacks := take(left, needs, &n, asked, func(l *Lot, got int64) { taken[l.ID] += got })
		if lacks > 0 {
			missing = append(missing, Missing{Need: n, Asked: asked, There: asked - lacks})
		}
	}
	return taken, missing
}

// take takes from the pool what one of the needs wants and returns how much
// lacks. What another need wants in that condition is left to the last.
func take(pool []Lot, needs []Need, n *Need, asked int64, note func(*Lot, int64)) (lacks int64) {
	for _, particular := range []bool{false, true} {
		for i := range pool {
			l := &pool[i]
			got := min(asked, l.Quantity)
			if got <= 0 || !n.takes(l) || wantsSo(needs, l) != particular {
				continue
			}
			l.Quantity -= got
			asked -= got
			note(l, got)
		}
	}
	return asked
}

// wantsSo tells whether one of the needs wants the lot in its condition.
func wantsSo(needs []Need, l *Lot) bool {
	return slices.ContainsFunc(needs, func(n Need) bool { return n.Condition != "" && n.takes(l) })
}

// strictFirst puts needs of a condition before those that take any, so that
// these don't take the only one that will do.
func strictFirst(needs []Need) []Need {
	needs = slices.Clone(needs)
	slices.SortStableFunc(needs, func(a, b Need) int { return first(a.Condition != "", b.Condition != "") })
	return needs
}

// Makeable returns how many of a kind can be made from the pool, up to
// MakeableMost. Recipes are tried in the order of their ids, each as often as it
// goes; what one takes is gone for the next. Another order might give more: it
// is what surely can be made, not the most.
func Makeable(kind string, recipes []Recipe, pool []Lot) int64 {
	return countMade(Making(kind, recipes), recipes, pool, Levels)
}

// Making returns the recipes that make a kind, by id.
func Making(kind string, recipes []Recipe) []Recipe {
	var list []Recipe
	for _, r := range recipes {
		if r.Makes == kind {
			list = append(list, r)
		}
	}
	slices.SortFunc(list, func(a, b Recipe) int { return cmp.Compare(a.ID, b.ID) })
	return list
}

func countMade(some, recipes []Recipe, pool []Lot, levels int) int64 {
	kinds := make(map[string]bool)
	takes(some, recipes, levels, kinds)
	var few []Lot // of the pool: it is copied often
	for i := range pool {
		if kinds[pool[i].Kind] {
			few = append(few, pool[i])
		}
	}
	var n int64
	for i := range some {
		for n < MakeableMost {
			after, ok := makeOnce(&some[i], recipes, few, levels, nil)
			if !ok {
				break
			}
			few, n = after, n+some[i].Quantity
		}
	}
	return min(n, MakeableMost)
}

// takes collects the kinds that recipes can take, so many levels deep.
func takes(some, recipes []Recipe, levels int, kinds map[string]bool) {
	for _, r := range some {
		for _, n := range r.Needs {
			kinds[n.Kind] = true
			if levels > 1 {
				takes(Making(n.Kind, recipes), recipes, levels-1, kinds)
			}
		}
	}
}

// makeOnce returns the pool without what making a recipe once takes. What is
// there is taken first, then what lacks is made, as far as levels goes. Unless
// it is nil, made is told of each step; of use where it goes only.
func makeOnce(r *Recipe, recipes []Recipe, pool []Lot, levels int, made *Made) ([]Lot, bool) {
	pool = slices.Clone(pool)
	needs := strictFirst(r.Needs)
	made.recipe(r)
	for i := range needs {
		n := &needs[i]
		n.Quantity = take(pool, needs, n, n.Quantity, made.took(n))
		if n.Quantity > 0 && (levels <= 1 || !n.makeUp()) {
			return nil, false
		}
	}
	for i := range needs {
		n := &needs[i]
		for n.Quantity > 0 {
			var ok bool
			if pool, ok = makeMore(n.Kind, recipes, pool, levels-1, made); !ok {
				return nil, false
			}
			n.Quantity = take(pool, needs, n, n.Quantity, made.took(n))
		}
	}
	return pool, true
}

// makeMore returns the pool after the first recipe of a kind that goes.
func makeMore(kind string, recipes []Recipe, pool []Lot, levels int, made *Made) ([]Lot, bool) {
	for _, r := range Making(kind, recipes) {
		before := made.clone()
		if after, ok := makeOnce(&r, recipes, pool, levels, made); ok {
			return append(after, Lot{Kind: r.Makes, Condition: MadeUp, Grade: r.Grade, Quantity: r.Quantity}), true
		}
		made.back(before)
	}
	return nil, false
}

// Made says how a part is made up, and what that takes of the shelf.
type Made struct {
	Recipes []string // that are followed; the first makes the part
	Hours   float64  // of work, of all of them
	Takes   []Need   // from the shelf: what was made on the way is not among it
}

// MakeUp returns how a kind is made up once, by the first of its recipes that
// goes; false where none does.
func MakeUp(kind string, recipes []Recipe, pool []Lot) (Made, bool) {
	for _, r := range Making(kind, recipes) {
		made := Made{}
		if _, ok := makeOnce(&r, recipes, pool, Levels, &made); ok {
			return made, true
		}
	}
	return Made{}, false
}

func (m *Made) recipe(r *Recipe) {
	if m != nil {
		m.Recipes, m.Hours = append(m.Recipes, r.ID), m.Hours+r.Hours
	}
}

// took returns what take is to tell of a need.
func (m *Made) took(n *Need) func(*Lot, int64) {
	return func(l *Lot, got int64) {
		if m == nil || l.ID == 0 { // made on the way
			return
		}
		i := slices.IndexFunc(m.Takes, func(t Need) bool { return t.Kind == n.Kind && t.Condition == n.Condition })
		if i < 0 {
			m.Takes = append(m.Takes, Need{Kind: n.Kind, Condition: n.Condition})
			i = len(m.Takes) - 1
		}
		m.Takes[i].Quantity += got
	}
}

func (m *Made) clone() Made {
	if m == nil {
		return Made{}
	}
	return Made{slices.Clone(m.Recipes), m.Hours, slices.Clone(m.Takes)}
}

func (m *Made) back(to Made) {
	if m != nil {
		*m = to
	}
}

// Way is one recipe of a kind and what stands in its way.
type Way struct {
	Recipe   Recipe
	Makeable int64 // of the kind, by this recipe alone, up to MakeableMost
	Needs    []NeedStands
}

// NeedStands is what is there for a need.
type NeedStands struct {
	Need
	There    int64 // that nobody has and that will do
	Makeable int64 // that could be made besides; 0 where what was made up won't do
	Lacks    int64 // to make the recipe once
	Ways     []Way // to make what lacks
}

// Ways explains how a kind can be made from the pool, Levels deep.
func Ways(kind string, recipes []Recipe, pool []Lot) []Way { return ways(kind, recipes, pool, Levels) }

func ways(kind string, recipes []Recipe, pool []Lot, levels int) []Way {
	var list []Way
	for _, r := range Making(kind, recipes) {
		w := Way{Recipe: r, Makeable: countMade([]Recipe{r}, recipes, pool, levels)}
		for _, n := range r.Needs {
			s := NeedStands{Need: n}
			for i := range pool {
				if n.takes(&pool[i]) {
					s.There += pool[i].Quantity
				}
			}
			if levels > 1 && n.makeUp() {
				s.Makeable = countMade(Making(n.Kind, recipes), recipes, pool, levels-1)
				s.Ways = ways(n.Kind, recipes, pool, levels-1)
			}
			s.Lacks = max(0, n.Quantity-s.There-s.Makeable)
			w.Needs = append(w.Needs, s)
		}
		list = append(list, w)
	}
	return list
}
