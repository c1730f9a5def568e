package words

import (
	"maps"
	"slices"
	"strings"

	"dewpost/rules/bench"
)

// Found says what was found at a visit.
func (l *Locale) Found(f *bench.Findings) (all []string) {
	if f.Moisture != "" {
		all = append(all, l.Code(string(f.Moisture)))
	}
	if f.WaterML != nil {
		all = append(all, l.Say("%d ml drained", *f.WaterML))
	}
	for _, place := range slices.Sorted(maps.Keys(f.Corrosion)) {
		all = append(all, l.Say("corrosion %s at %s", l.Code(string(f.Corrosion[place])), l.Code(place)))
	}
	for _, c := range []struct {
		what string
		is   bench.Condition
	}{{l.Say("cover"), f.Cover}, {l.Say("gasket"), f.Gasket}, {l.Say("coating"), f.Coating}} {
		if c.is != "" {
			all = append(all, c.what+" "+l.Code(string(c.is)))
		}
	}
	return all
}

// Done says what was done, the details behind it.
func (l *Locale) Done(w *bench.Work) []string {
	all := w.Words()
	for i := range all {
		if name, value, ok := strings.Cut(all[i], " "); ok && i > 0 {
			all[i] = l.Code(name) + " " + value
		} else {
			all[i] = l.Code(all[i])
		}
	}
	return all
}
