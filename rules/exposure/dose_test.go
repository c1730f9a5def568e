package exposure_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/exposure"
)

// Two per cent of humidity are a factor of 1.36 in a dose that grows tenfold in
// fifteen; without a sensor on the surface it may be twice as high.
func TestDoseRange(t *testing.T) {
	for basis, want := range map[exposure.Basis]float64{exposure.BasisBoard: 136, exposure.BasisAir: 200, exposure.BasisMixed: 200} {
		low, high := exposure.DoseRange(100, basis)
		require.InDelta(t, 73.6, low, 0.1)
		require.InDelta(t, want, high, 0.1, "%s", basis)
	}
	low, high := exposure.DoseRange(0, exposure.BasisNone)
	require.Zero(t, low+high)
}
