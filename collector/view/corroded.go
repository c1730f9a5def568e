package view

import (
	"cmp"
	"maps"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

// Corroded is what somebody saw of corrosion at a visit: evidence beside what the
// board's clock reckons.
type Corroded struct {
	Visit  int64
	At     unit.Instant
	Places []CorrodedPlace // by name
}

// CorrodedPlace is how far a part is eaten.
type CorrodedPlace struct {
	Place string
	Grade bench.Corrosion
}

// corroded lists what was seen, the newest first.
func corroded(visits []record.VisitDetails) (list []Corroded) {
	for i := range visits {
		for j := range visits[i].Findings {
			f := &visits[i].Findings[j]
			if len(f.Corrosion) == 0 {
				continue
			}
			c := Corroded{Visit: visits[i].Number, At: f.At}
			for _, place := range slices.Sorted(maps.Keys(f.Corrosion)) {
				c.Places = append(c.Places, CorrodedPlace{place, f.Corrosion[place]})
			}
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, func(a, b Corroded) int { return cmp.Compare(b.At, a.At) })
	return list
}
