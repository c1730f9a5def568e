package view

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// clocked is a station of a week in wet air.
func clocked() *fake {
	f := newFake()
	f.set(fact.KindSite, "lake", map[string]string{fact.Sun: "full"})
	var rs []reading.Reading
	for at := now.Add(-7 * day); at <= now; at = at.Add(10 * time.Minute) {
		r := air(at, 10, 100)
		r.Set(reading.BoardTemp, 10)
		rs = append(rs, r)
	}
	f.add("lake-07", map[string]string{fact.Site: "lake", fact.CoverNew: "2015-10-26", fact.Build: "uncoated", fact.Board: "new", fact.BoardFitted: "2025-10-19"}, rs...)
	return f
}

func TestClocks(t *testing.T) {
	f := clocked()
	c, err := viewAt(f, now).Clocks(context.Background(), "lake-07")
	require.NoError(t, err)
	require.InDelta(t, 12.5, c.Cover.Age, 0.01)
	require.InDelta(t, 7*24.0/700, c.Board.Dose, 1e-6)
	require.True(t, c.Board.Known)

	wet := occurrence("lake-07", finding.WaterInside, now.Add(-2*day), 0, alarm.Unacknowledged)
	f.occurrences = []alarm.Occurrence{wet}
	weighed, err := viewAt(f, now).Clocks(context.Background(), "lake-07")
	require.NoError(t, err)
	require.InDelta(t, c.Board.Dose+48.0/700, weighed.Board.Dose, 2.0/700)
	f.occurrences[0].Revised = true
	withdrawn, err := viewAt(f, now).Clocks(context.Background(), "lake-07")
	require.NoError(t, err)
	require.Equal(t, c.Board.Dose, withdrawn.Board.Dose)

	stuck := occurrence("lake-07", finding.SensorSuspect, now.Add(-2*day), 0, alarm.Unacknowledged)
	stuck.Finding.Evidence = []finding.Evidence{{Name: "stuck_inside_rh_pct"}}
	f.occurrences = []alarm.Occurrence{stuck}
	doubted, err := viewAt(f, now).Clocks(context.Background(), "lake-07")
	require.NoError(t, err)
	require.InDelta(t, 5*24.0/700, doubted.Board.Dose, 1.1/700, "by whole hours")
	require.InDelta(t, c.Board.UnknownH+48, doubted.Board.UnknownH, 1.1)
	f.occurrences = nil

	f.stations[0].Retired = now.Add(-day)
	retired, err := viewAt(f, now).Clocks(context.Background(), "lake-07")
	require.NoError(t, err)
	require.InDelta(t, 6*24.0/700, retired.Board.Dose, 1e-6)
	require.Less(t, retired.Cover.Age, c.Cover.Age)
	_, err = viewAt(f, now).Clocks(context.Background(), "nobody")
	require.ErrorIs(t, err, record.ErrNotFound)
}

// failing is a store of which one kind of question fails.
type failing struct {
	*fake
	facts, hours, occurrences string // of the subject or station that fails
}

var errFailing = errors.New("the disk is gone")

func (f *failing) Facts(ctx context.Context, s fact.Subject) ([]fact.Fact, error) {
	if s.ID == f.facts {
		return nil, errFailing
	}
	return f.fake.Facts(ctx, s)
}

func (f *failing) Hours(ctx context.Context, id string, from, to unit.Instant) ([]exposure.Hour, error) {
	if id == f.hours {
		return nil, errFailing
	}
	return f.fake.Hours(ctx, id, from, to)
}

func (f *failing) Occurrences(ctx context.Context, id string) ([]alarm.Occurrence, error) {
	if id == f.occurrences {
		return nil, errFailing
	}
	return f.fake.Occurrences(ctx, id)
}

func TestClocksFailWithTheStore(t *testing.T) {
	for _, f := range []failing{{facts: "lake"}, {facts: "lake-07"}, {hours: "lake-07"}, {occurrences: "lake-07"}} {
		f.fake = clocked()
		_, err := New(&f, now.Time).Clocks(context.Background(), "lake-07")
		require.ErrorIs(t, err, errFailing)
	}
}

// Who finds a cover cracked has less time than who knows that it is old.
func TestACrackedCoverIsUrgent(t *testing.T) {
	due := func(evidence ...finding.Evidence) unit.Instant {
		o := occurrence("lake-07", finding.CoverDue, now.Add(-day), 0, alarm.Unacknowledged)
		o.Finding.Evidence = evidence
		n := needOf(o, nil)
		return n.By
	}
	old := due(finding.Evidence{Name: "crack_chance", Value: 12, Unit: "%"})
	require.Greater(t, old, due().Add(100*day))
}
