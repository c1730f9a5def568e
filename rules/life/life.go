// Package life holds a station's two clocks: how old its cover is, and how much
// of its board's life is used.
//
// The cover is the clock that warns before anything happens: outdoor covers
// crack after 10 to 15 years (common practice, no source), see CoverAt. The
// board's is linear damage: the dose of package exposure, collected hour by
// hour, against the budget of the build that was valid then, see BoardAt.
//
// All of it is judgement: no source gives a budget, a weight of sun, or what
// life is left in a used board. One figure is held against the world: an
// uncoated indoor board fails within about half a year outdoors (common
// practice, no source). Calibrate makes a budget of that and of logs of
// outdoor air, taken as the air at the board, as in a box without a cover. Two
// coasts gave, in equivalent hours at saturation for half a year, 747.3 (North
// Sea, 2015) and 682.2 (New York, 2023): 714.0 in the middle, so 700, which the
// one uses up in 171 days and the other in 187. The command dewpost life
// calibrate does it again, with these logs or others.
//
// Visits replace judgement by evidence: a cover that was seen sound begins its
// chances anew, a board that was changed its count.
package life

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewpost/rules/unit"
)

// Builds are the kinds of build that have a budget.
var Builds = []string{"uncoated", "coated", "coated-new-cover", crackedBuild}

const crackedBuild = "cracked-cover"

// Budgets in equivalent hours at saturation.
const (
	uncoated = 700.0 // see the package's text
	// Coating slows water by decades of leakage; taken as a factor of forty, so
	// that in the open it lasts for twenty years: longer than a cover, whose
	// age tells coated builds apart.
	coated = 40 * uncoated
	// Behind a crack rain and salt come too, which no dose shows; taken as a
	// quarter of that.
	cracked = coated / 4
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
		return cracked, nil
	}
	return 0, fmt.Errorf("build %q: known are %s", build, strings.Join(Builds, ", "))
}

const (
	day  = 24 * time.Hour
	year = 8766 * time.Hour // a mean year
)

func years(d time.Duration) float64 { return float64(d) / float64(year) }

// dateOf returns the beginning of a recorded date in UTC; the zone, less than a
// day, is nothing in years.
func dateOf(text string) (unit.Instant, bool) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return 0, false
	}
	return unit.At(t), true
}
