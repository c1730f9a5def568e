package current_test

import (
	"testing"

	"dewpost/rules/current"

	"github.com/stretchr/testify/require"
)

func TestStanding(t *testing.T) {
	require.Nil(t, new(current.State).Standing(), "nothing was seen")
	b := healthy()
	b.comb = 2
	s := new(current.State)
	for _, m := range b.run(3) {
		s.Add(current.Options{}, &m)
	}
	now := s.Standing()
	require.NotNil(t, now)
	require.InDelta(t, b.level, *now.Level, 0.02*b.level)
	require.NotNil(t, now.Leak)
	require.NotNil(t, now.Own)
	require.InDelta(t, *now.Own, *now.Leak, 0.1, "a healthy line leaks what it leaks")
	require.Positive(t, *now.Comb)

	b.leak, b.leakFrom = 2, 40
	s = new(current.State)
	for _, m := range b.run(3) {
		s.Add(current.Options{}, &m)
	}
	leaking := s.Standing()
	require.Greater(t, *leaking.Leak, *leaking.Own+0.5)
	require.Greater(t, *leaking.Error, 0.0)
}
