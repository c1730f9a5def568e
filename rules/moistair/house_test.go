package moistair_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Classes of ISO 13788, from memory; and 55 % of saturation at 20 °C.
func TestHouseExcess(t *testing.T) {
	for _, c := range []struct{ outdoors, vapour, want float64 }{
		{-10, 2, 8.1},
		{0, 5.5, 8.1},
		{10, 11, 4.05},
		{18, 18, 0.81},
		{30, 25, 0.81},
		{10, 5, 7.9},
		{20, 8, 4.9},
		{5, 1, 8.1},
	} {
		got := moistair.HouseExcess(unit.Celsius(c.outdoors), unit.Hectopascal(c.vapour))
		require.InDelta(t, c.want, float64(got), 0.01, "%+v", c)
	}
	comfort := 0.55 * float64(moistair.SaturationWater(20))
	require.InDelta(t, comfort-8, float64(moistair.HouseExcess(20, 8)), 0.1, "rounded up")
}
