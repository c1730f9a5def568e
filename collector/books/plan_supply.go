package books

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewpost/rules/stock"
)

// supply is one way in which a visit comes by the parts that it can't do
// without, beyond those that are reserved for it.
type supply struct {
	parts map[string]int64 // that it takes of what is there, see there
	cost  float64
	made  []madePart
	loan  *KindStands // unit that hangs there meanwhile
}

// madePart is a part that is made up before the visit.
type madePart struct {
	class string
	kind  *KindStands
	how   stock.Made
}

// there counts what a round may take: of each kind what nobody has, and beside
// it those of a condition that a recipe can want.
func (b *roundBuild) there() map[string]int64 {
	parts := make(map[string]int64)
	for i := range b.shelf.Kinds {
		k := &b.shelf.Kinds[i]
		parts[k.Kind] = max(0, k.Free)
	}
	for i := range b.shop.pool {
		l := &b.shop.pool[i]
		parts[inCondition(l.Kind, l.Condition)] += l.Quantity
	}
	return parts
}

// inCondition names the parts of a kind that are in a condition; a kind's id has
// no blank.
func inCondition(kind string, c stock.Condition) string { return kind + " " + string(c) }

// supplies returns the ways to come by the parts of a visit: each from the shelf
// or, where a recipe goes, made up.
func (b *roundBuild) supplies(n *StationNeed) []supply {
	all := []supply{{parts: make(map[string]int64)}}
	for _, p := range n.Parts {
		if !p.Needed || p.Kind == "" || p.Held > 0 {
			continue
		}
		var next []supply
		for i := range all {
			s := all[i].clone()
			s.parts[p.Kind]++
			if p.Irreplaceable {
				s.cost += scarceCost / float64(max(1, p.Free))
			}
			next = append(next, s)
		}
		if m, ok := b.makeUp(p.Class, n.model); ok {
			for i := range all {
				s := all[i].clone()
				b.take(&s, m)
				next = append(next, s)
			}
		}
		all = next
	}
	return all
}

// makeUp returns how a part of a class is made up from what nobody has.
func (b *roundBuild) makeUp(class, model string) (madePart, bool) {
	key := [2]string{strings.ToLower(class), strings.ToLower(model)}
	m, ok := b.ways[key]
	if ok {
		return m, m.kind != nil
	}
	for _, k := range b.could(class, model) {
		if how, ok := stock.MakeUp(k.Kind, b.shop.Recipes, b.shop.pool); ok {
			m = madePart{class, k, how}
			break
		}
	}
	b.ways[key] = m
	return m, m.kind != nil
}

// take adds a part that is made up to a supply: its hours of work, and what the
// recipes take, scarce ones counted as if they went in themselves.
func (b *roundBuild) take(s *supply, m madePart) {
	s.made = append(s.made, m)
	s.cost += m.how.Hours
	for _, t := range m.how.Takes {
		if t.Condition != stock.Broken {
			s.parts[t.Kind] += t.Quantity
		}
		if t.Condition != "" {
			s.parts[inCondition(t.Kind, t.Condition)] += t.Quantity
		}
		if i := slices.IndexFunc(b.shelf.Kinds, func(k KindStands) bool { return k.Kind == t.Kind }); t.Condition != stock.Broken && i >= 0 && b.shelf.Kinds[i].Irreplaceable {
			s.cost += scarceCost / float64(max(1, b.shelf.Kinds[i].Free))
		}
	}
}

func (s *supply) clone() supply {
	return supply{parts: maps.Clone(s.parts), cost: s.cost, made: slices.Clone(s.made), loan: s.loan}
}

// makes tells how the part of a class is made up; nil: it is not.
func (s *supply) makes(class string) *madePart {
	for i := range s.made {
		if s.made[i].class == class {
			return &s.made[i]
		}
	}
	return nil
}

// says how a part is to be made up, in words.
func (m *madePart) says(b *roundBuild) string {
	var from []string
	for _, t := range m.how.Takes {
		text := fmt.Sprintf("%d %s", t.Quantity, b.partName(t.Kind))
		if t.Condition != "" {
			text += " (" + string(t.Condition) + ")"
		}
		from = append(from, text)
	}
	return fmt.Sprintf("make it up before: recipe %s, %s, from %s", strings.Join(m.how.Recipes, " with "), hours(m.how.Hours), strings.Join(from, ", "))
}

// partName is the name of a kind, or of a kind in a condition.
func (b *roundBuild) partName(key string) string {
	kind, condition, _ := strings.Cut(key, " ")
	if condition != "" {
		return condition + " " + b.partName(kind)
	}
	for i := range b.shelf.Kinds {
		if b.shelf.Kinds[i].Kind == kind {
			return cmp.Or(b.shelf.Kinds[i].Name, kind)
		}
	}
	return kind
}
