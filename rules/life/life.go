// Package life says how much of a board's life a dose has used: linear damage
// against the budget of its build. Budgets are judgement values: no source
// gives them.
package life

import (
	"fmt"
	"slices"
	"strings"
)

// Builds are the kinds of build that have a budget.
var Builds = []string{"uncoated", "coated", "coated-new-cover", "cracked-cover"}

// Budgets in equivalent hours at saturation.
const (
	// An uncoated indoor board fails within about half a year outdoors (common
	// practice, no source). Half a year of two coasts, air of the open taken as
	// the air at the board, gives 680 and 750.
	uncoated = 700
	// Coating slows water by decades of leakage; taken as a factor of twenty.
	// The cover's age, not this budget, tells coated builds apart.
	coated = 20 * uncoated
	// Behind a crack rain and salt come too; taken as half of that.
	crackedCover = coated / 2
)

// Budget returns how many equivalent hours at saturation a build takes. The
// error lists the builds that are known.
func Budget(build string) (float64, error) {
	switch i := slices.Index(Builds, build); i {
	case 0:
		return uncoated, nil
	case 1, 2:
		return coated, nil
	case 3:
		return crackedCover, nil
	}
	return 0, fmt.Errorf("build %q: known are %s", build, strings.Join(Builds, ", "))
}
