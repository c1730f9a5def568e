package view

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/outlook"
)

// Of a station with few nights the score of all stations is told, for which they are
// gone through once an hour, however often somebody looks.
func TestOutlookOfFewNights(t *testing.T) {
	now := at(2025, 11, 20, 9, 0)
	night := func(station string, i int, wet bool) record.Outlook {
		issued := now.Add(-time.Duration(i+1) * day)
		return record.Outlook{Station: station, Told: outlook.Told{
			Issue: outlook.Evening, Until: issued.Add(day / 2),
			Night: outlook.Night{Issued: issued, PCondensing: 0.75, ObservedCondensing: &wet},
		}}
	}
	f := &fake{}
	for i := range FewNights {
		f.outlooks = append(f.outlooks, night("old", i, i%3 == 0))
	}
	f.outlooks = append(f.outlooks, night("new", 0, true))
	v := New(f, func() time.Time { return now.Time() })
	for range 3 {
		o, err := v.Outlook(t.Context(), "new")
		require.NoError(t, err)
		require.Equal(t, 1, o.Condensing.Nights)
		require.Equal(t, FewNights+1, o.Others.Nights)
		require.Equal(t, 11, o.Others.Wet)
	}
	require.Equal(t, 1, f.scored)
	now = now.Add(time.Hour)
	f.outlooks = append(f.outlooks, night("new", 1, true))
	o, err := v.Outlook(t.Context(), "new")
	require.NoError(t, err)
	require.Equal(t, 12, o.Others.Wet)
	o, err = v.Outlook(t.Context(), "old")
	require.NoError(t, err)
	require.Nil(t, o.Others)
	require.Equal(t, FewNights, o.Condensing.Nights)
	require.Equal(t, 2, f.scored)
}
