// Package bench holds what happens to a station in somebody's hands: the words
// for visits and bench jobs, what work means for a station's facts, the test
// card that a repaired unit must pass, and when the baselines begin and end
// with which later openness is compared.
package bench

import (
	"fmt"
	"slices"
	"strings"
)

// Wrong says which field of what a person reported is wrong, what it holds and
// how to write it.
type Wrong struct{ Field, Value, Fix string }

func (w Wrong) Error() string { return fmt.Sprintf("%s %q: %s", w.Field, w.Value, w.Fix) }

// one returns an error unless value is among words.
func one[T ~string](field string, value T, words []T) error {
	if slices.Contains(words, value) {
		return nil
	}
	return Wrong{field, string(value), "use one of " + list(words)}
}

// perhaps is one for a field that may be left out.
func perhaps[T ~string](field string, value T, words []T) error {
	if value == "" {
		return nil
	}
	return one(field, value, words)
}

func list[T ~string](words []T) string {
	all := make([]string, len(words))
	for i, w := range words {
		all[i] = string(w)
	}
	return strings.Join(all, ", ")
}
