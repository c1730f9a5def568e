package link_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/link"
	"dewpost/rules/unit"
)

func TestToken(t *testing.T) {
	key, now := []byte("0123456789abcdef0123456789abcdef"), unit.At(time.Date(2025, 11, 5, 7, 0, 0, 0, time.UTC))
	said := link.Seen{Event: "lake-07:water_inside:3", Person: "Ida"}
	token, err := link.Token(key, said, now)
	require.NoError(t, err)
	require.Regexp(t, `^[A-Za-z0-9_.-]+$`, token, "it stands in a URL as it is")

	got, err := link.Read(key, token, now.Add(link.Life-time.Second))
	require.NoError(t, err)
	require.Equal(t, now.Add(link.Life), got.Expires)
	got.Expires, got.Until = 0, 0
	require.Equal(t, said, got)

	_, err = link.Read(key, token, now.Add(link.Life))
	require.ErrorIs(t, err, link.ErrExpired)
	_, err = link.Read([]byte("another"), token, now)
	require.ErrorIs(t, err, link.ErrForged)
	for i := range token {
		other := "A"
		if token[i] == 'A' {
			other = "B"
		}
		_, err := link.Read(key, token[:i]+other+token[i+1:], now)
		require.ErrorIs(t, err, link.ErrForged, "character %d", i)
	}
	for _, bad := range []string{"", ".", "x", token[:len(token)-1], token + "A", strings.ReplaceAll(token, ".", "")} {
		_, err := link.Read(key, bad, now)
		require.ErrorIs(t, err, link.ErrForged, bad)
	}
}
