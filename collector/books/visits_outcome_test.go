package books_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/finding"
)

// What was put right is seen and reset with the reason; what lasts is seen, and
// stays until the readings say otherwise; what is put aside stays so.
func TestAReasonClosesAFinding(t *testing.T) {
	s := newShop(t)
	ctx := t.Context()
	over := func(kind finding.Kind, number int64, state alarm.State) alarm.Occurrence {
		f := finding.Finding{Kind: kind, From: s.now - 5*86400e9, To: s.now - 3600e9, Concluded: s.now - 7200e9, Confidence: 0.9}
		if state == alarm.Unacknowledged || state == alarm.Shelved {
			f.To = 0
		}
		return alarm.Occurrence{Station: "lake-07", Number: number, Finding: f, State: state}
	}
	require.NoError(t, s.store.CommitFold(ctx, record.Folded{Mark: record.Mark{Station: "lake-07"}, Occurrences: []alarm.Occurrence{
		over(finding.WaterInside, 1, alarm.Latched), over(finding.WaterInside, 2, alarm.LatchedSeen), over(finding.BoardWet, 1, alarm.Returned),
		over(finding.BoardWet, 2, alarm.Unacknowledged), over(finding.DampWeek, 1, alarm.Shelved), over(finding.SealOpened, 1, alarm.Returned),
	}}))
	number := s.record(`{"station":"lake-07","kind":"on-site","outcomes":[
		{"kind":"water_inside","number":1,"outcome":"put-right","reason":"weep hole opened"},
		{"kind":"water_inside","number":2,"outcome":"put-right","reason":"weep hole opened"},
		{"kind":"board_wet","number":1,"outcome":"nothing-seen","reason":"dry and clean"},
		{"kind":"board_wet","number":2,"outcome":"put-right","reason":"dried"},
		{"kind":"damp_week","number":1,"outcome":"put-right","reason":"gasket"},
		{"kind":"seal_opened","number":1,"outcome":"still-to-do"}]}`)
	all, err := s.store.Occurrences(ctx, "lake-07")
	require.NoError(t, err)
	states := map[string]alarm.State{}
	for _, o := range all {
		states[o.ID()] = o.State
	}
	require.Equal(t, map[string]alarm.State{
		"lake-07:water_inside:1": alarm.Normal, "lake-07:water_inside:2": alarm.Normal, "lake-07:board_wet:1": alarm.Normal,
		"lake-07:board_wet:2": alarm.Acknowledged, "lake-07:damp_week:1": alarm.Shelved, "lake-07:seal_opened:1": alarm.Returned,
	}, states)
	_, events, err := books.Alarms{AlarmStore: s.store}.Show(ctx, "lake-07:water_inside:1", s.now)
	require.NoError(t, err)
	require.Len(t, events, 2, "seen, then reset")
	require.Equal(t, "Will", events[1].Who)
	require.Equal(t, "weep hole opened", events[1].Why)
	d, err := s.Visit(ctx, number)
	require.NoError(t, err)
	require.Len(t, d.Outcomes, 6)
	require.Equal(t, bench.PutRight, d.Outcomes[0].Outcome)
	shown := books.VisitOf(&d, true)
	require.True(t, shown.Outcomes[0].Closes)
	require.False(t, shown.Outcomes[5].Closes)
	// Said once more it changes nothing of the alarms.
	s.record(`{"visit":1,"outcomes":[{"kind":"water_inside","number":1,"outcome":"put-right","reason":"and a gasket"}]}`)
	again, err := s.store.Occurrences(ctx, "lake-07")
	require.NoError(t, err)
	require.Equal(t, all, again)
}
