package view

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

func zoneOf(t testing.TB, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	require.NoError(t, err)
	return zone
}

func TestNightsAcrossClockChanges(t *testing.T) {
	cet := zoneOf(t, "CET")
	autumn := lastNights(at(2025, 10, 26, 6, 10), cet, 30)
	require.Len(t, autumn, 30)
	last := autumn[29]
	require.Equal(t, at(2025, 10, 25, 10, 0), last.From, "noon in summer time")
	require.Equal(t, at(2025, 10, 26, 11, 0), last.To, "noon in winter time")
	require.Equal(t, 25*time.Hour, last.To.Sub(last.From))

	spring := lastNights(at(2025, 3, 30, 6, 0), cet, 2)
	require.Equal(t, 23*time.Hour, spring[1].To.Sub(spring[1].From))

	justAfterNoon := lastNights(at(2025, 7, 1, 10, 0), cet, 1)
	require.Equal(t, at(2025, 7, 1, 10, 0), justAfterNoon[0].From, "noon begins a night")
}

// Nights join without gap or overlap, the first holds from and the last to.
func TestNightsJoin(t *testing.T) {
	zones := []*time.Location{time.UTC, zoneOf(t, "CET"), zoneOf(t, "EST5EDT"), zoneOf(t, "Etc/GMT-14")}
	rapid.Check(t, func(t *rapid.T) {
		zone := rapid.SampledFrom(zones).Draw(t, "zone")
		from := unit.Instant(rapid.Int64Range(0, 2e18).Draw(t, "from"))
		to := from + unit.Instant(rapid.Int64Range(0, int64(40*day)).Draw(t, "length"))
		nights := nightsUntil(from, to, zone)
		require.LessOrEqual(t, nights[0].From, from)
		require.Greater(t, nights[0].To, from)
		last := nights[len(nights)-1]
		require.LessOrEqual(t, last.From, to)
		require.Greater(t, last.To, to)
		for i := 1; i < len(nights); i++ {
			require.Equal(t, nights[i-1].To, nights[i].From)
		}
	})
}

// No time is lost between ledger and nights: what is known, unknown and not
// heard of a night is all that has elapsed of it since the first reading.
func TestNightsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		first := at(2025, 10, 1, 5, 0)
		count := rapid.IntRange(0, 24*9).Draw(t, "hours")
		var hours []exposure.Hour
		for i := range count {
			known := rapid.Int64Range(0, int64(time.Hour)).Draw(t, "known")
			hours = append(hours, exposure.Hour{
				Start: first.Add(time.Duration(i) * time.Hour), Known: known, Unknown: int64(time.Hour) - known,
			})
		}
		now := first.Add(time.Duration(count)*time.Hour + time.Duration(rapid.IntRange(0, 48*60).Draw(t, "quiet"))*time.Minute)
		nights := lastNights(now, time.UTC, 12)
		fill(nights, hours, first, now)
		var total time.Duration
		for i := range nights {
			n := &nights[i]
			spent := time.Duration(n.Sum.Known) + n.Dark()
			if !n.Installed {
				require.Zero(t, spent)
				continue
			}
			require.Equal(t, min(n.To, now).Sub(max(n.From, first)), spent)
			total += spent
		}
		require.Equal(t, now.Sub(max(first, nights[0].From)), total)
	})
}

func TestMiddleOfANight(t *testing.T) {
	n := Night{From: 100, To: 200}
	middle, ok := n.Middle([]Interval{{0, 50}, {90, 120}, {150, 160}, {199, 300}})
	require.True(t, ok)
	require.Equal(t, unit.Instant(115), middle, "15 of 31 in")
	_, ok = n.Middle([]Interval{{0, 100}, {200, 300}})
	require.False(t, ok)
	_, ok = n.Middle(nil)
	require.False(t, ok)
}
