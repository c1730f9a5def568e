package view

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// changedRow makes a station of nights that condensed for so many hours; -1 is a night
// of which nothing is known.
func changedRow(now unit.Instant, hours ...int64) Row {
	nights := lastNights(now, time.UTC, len(hours))
	for i, h := range hours {
		if h >= 0 {
			nights[i].Sum = Sum{Known: 24 * int64(time.Hour), Condensing: h * int64(time.Hour), CondensingLow: h * int64(time.Minute), CondensingHigh: (h + 1) * int64(time.Hour)}
		}
	}
	return Row{Nights: PackNights(nights)}
}

func TestChangesOfTheNight(t *testing.T) {
	now := at(2025, 11, 5, 7, 0)
	patchy := changedRow(now, 3, 3, 3, 0)
	nights := patchy.Nights.List()
	nights[3].NotHeard = 2 * time.Hour
	patchy.Nights = PackNights(nights)
	look := Today{At: now, Rows: []Row{
		changedRow(now, 0, 2, 3, 4, 0), // dry after three
		changedRow(now, 0, 0, 2, 3, 0), // dry after two: not told
		changedRow(now, 3, 3, -1, 3, 0),
		changedRow(now, 1, 1, 1, 1, 5),
		changedRow(now, 1, 1, 1, -1, 5), // the night before is not known
		changedRow(now, 1, 1, 1, 1, -1),
		patchy,
	}}
	c := look.Changes()
	require.Equal(t, 5, c.Compared)
	require.Equal(t, NightTotals{Dewy: 1, Condensing: 5 * int64(time.Hour), Low: 5 * int64(time.Minute), High: 10 * int64(time.Hour)}, c.Last, "boxes that may have been wet count for the high end")
	require.Equal(t, NightTotals{Dewy: 5, Condensing: 14 * int64(time.Hour), Low: 14 * int64(time.Minute), High: 19 * int64(time.Hour)}, c.Before)
	require.Len(t, c.Dry, 1)
	require.Same(t, &look.Rows[0], c.Dry[0].Row)
	require.Equal(t, 3, c.Dry[0].Wet)
}

// A night that has only begun is not set against a whole one.
func TestChangesWaitForTheMorning(t *testing.T) {
	for now, compared := range map[unit.Instant]int{
		at(2025, 11, 5, 1, 0):   0,
		at(2025, 11, 5, 5, 59):  0,
		at(2025, 11, 5, 6, 0):   1,
		at(2025, 11, 5, 12, 30): 1,
		at(2025, 11, 5, 23, 0):  1,
	} {
		look := Today{At: now, Rows: []Row{changedRow(now, 1, 1, 1, 1)}}
		require.Equal(t, compared, look.Changes().Compared, now.Time())
	}
	require.Zero(t, (&Today{}).Changes())
}

func TestChangesTellWhatIsNew(t *testing.T) {
	now := at(2025, 11, 5, 7, 0)
	look := Today{At: now, Rows: []Row{changedRow(now, 0, 0), changedRow(now, 0, 0), changedRow(now, 0, 0)}}
	look.Rows[0].Needs = make([]Need, 1)
	look.Rows[0].Needs[0].Finding.Concluded = now.Add(-day)
	look.Rows[1].Needs = make([]Need, 1)
	look.Rows[1].Needs[0].Finding.Concluded = now.Add(-day + 1)
	// What is new is told of a box, too, about which something else waits since long.
	look.Rows[2].Needs = make([]Need, 2)
	look.Rows[2].Needs[0].Finding.Concluded = now.Add(-30 * day)
	look.Rows[2].Needs[1].Finding.Concluded = now.Add(-time.Hour)
	require.Equal(t, []Fresh{{&look.Rows[1], &look.Rows[1].Needs[0]}, {&look.Rows[2], &look.Rows[2].Needs[1]}}, look.Changes().New)
}

// Water in a box is what is said of it first, though a calm finding should have been
// acted on before.
func TestUrgentIsFirst(t *testing.T) {
	now := at(2025, 11, 5, 7, 0)
	open := []alarm.Occurrence{
		{Station: "quay-3", Number: 1, State: alarm.Unacknowledged, Finding: finding.Finding{Kind: finding.SealOpened, From: now.Add(-20 * day), Concluded: now.Add(-16 * day)}},
		{Station: "quay-3", Number: 1, State: alarm.Unacknowledged, Finding: finding.Finding{Kind: finding.WaterInside, From: now.Add(-day), Concluded: now.Add(-time.Hour)}},
	}
	needs := needsOf(open, nil)
	require.Less(t, needs[1].By, needs[0].By)
	require.Equal(t, finding.WaterInside, needs[0].Finding.Kind)
}
