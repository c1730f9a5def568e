package view

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/breathing"
)

func TestBreathingPages(t *testing.T) {
	f := newFake()
	f.add("lake-07", nil)
	for _, day := range []string{"2025-03-01", "2025-03-02", "2025-03-04"} {
		f.breathing = append(f.breathing, breathing.Day{Day: day, TauH: 40})
	}
	v := New(f, nil)
	list, next, err := v.Breathing(t.Context(), "lake-07", "", "9999", 2)
	require.NoError(t, err)
	require.Equal(t, f.breathing[:2], list)
	require.Equal(t, "2025-03-04", next)
	list, next, err = v.Breathing(t.Context(), "lake-07", next, "9999", 2)
	require.NoError(t, err)
	require.Equal(t, f.breathing[2:], list)
	require.Empty(t, next)
	_, _, err = v.Breathing(t.Context(), "nobody", "", "9999", 2)
	require.ErrorIs(t, err, record.ErrNotFound)
	b, err := v.Breath(t.Context(), "lake-07")
	require.NoError(t, err)
	require.Equal(t, "2025-03-04", b.Now.Day)
	require.InDelta(t, 60, b.Usual.TauH, 0)
}
