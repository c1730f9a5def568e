package books_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

func TestSaltChecks(t *testing.T) {
	s := open(t, "lake-07")
	ctx := t.Context()
	read := func(salt string, reads float64, at unit.Instant) books.SaltChecked {
		t.Helper()
		c, err := sensing.NewSaltCheck(salt, 25, reads, 10*time.Hour)
		require.NoError(t, err)
		r, err := books.CheckSalt(ctx, s, "lake-07", c, at, now, "Will")
		require.NoError(t, err)
		return r
	}
	days := func(n int) unit.Instant { return now.Add(time.Duration(n) * 24 * time.Hour) }
	none, err := books.SaltChecks(ctx, s, "lake-07", now)
	require.NoError(t, err)
	require.Empty(t, none)

	first := read("NaCl", 79.3, days(-40))
	require.Equal(t, sensing.CorrectIt, first.Verdict)
	require.Equal(t, []any{"NaCl", 25.0, 10.0, 79.3, -4.0, "Will", true}, []any{first.Salt, first.TempC, first.SettledH, first.Reads, first.Offset, first.Author, first.Valid})
	require.InDelta(t, 4.0, first.Off, 1e-9)
	require.Equal(t, days(-40), *first.At)
	require.Nil(t, first.Two)
	require.Nil(t, read("MgCl2", 35, days(-20)).Two, "too long ago")

	salty := read("NaCl", 77.3, days(-19))
	require.Equal(t, "MgCl2", salty.Two.Other)
	require.InDelta(t, 75.3, salty.Two.Offset+salty.Two.Slope*77.3, 1e-9)
	require.Equal(t, "MgCl2", read("NaCl", 77.3, days(-18)).Two.Other, "of another salt")

	station := subject(fact.KindStation, "lake-07")
	require.NoError(t, books.Say(ctx, s, station, []books.Said{{Name: fact.RHCheck, Value: "none", From: days(-17)}}, now, "Will"))
	require.Nil(t, read("NaCl", 77.3, days(-16)).Two, "another sensor since")
	again := read("NaCl", 95, days(-16))
	require.Equal(t, sensing.InDoubt, again.Verdict, "a correction")

	all, err := books.SaltChecks(ctx, s, "lake-07", now)
	require.NoError(t, err)
	require.Len(t, all, 5)
	require.Equal(t, again, all[0])
	require.False(t, all[1].Valid)
	require.NoError(t, books.Say(ctx, s, station, []books.Said{{Name: fact.RHCheck, Value: "NaCl 25 C reads 75 after 8h", From: fact.Always}}, now, "Will"))
	all, err = books.SaltChecks(ctx, s, "lake-07", now)
	require.NoError(t, err)
	require.Nil(t, all[5].At)

	c, err := sensing.NewSaltCheck("KCl", 25, 84, 8*time.Hour)
	require.NoError(t, err)
	_, err = books.CheckSalt(ctx, s, "lake-07", c, now+1, now, "Will")
	require.Equal(t, books.Error{Field: "at", Value: (now + 1).String(), Fix: "it lies ahead: write when the sensor was read"}, err)
	_, err = books.CheckSalt(ctx, s, "lake-09", c, now, now, "Will")
	require.ErrorIs(t, err, record.ErrNotFound)
	_, err = books.SaltChecks(ctx, s, "lake-09", now)
	require.ErrorIs(t, err, record.ErrNotFound)
}
