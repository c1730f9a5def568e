package moistair_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// The ranges that sensors report.
var (
	anyTemp = rapid.Float64Range(-60, 85)
	anyRH   = rapid.Float64Range(0.1, 100)
)

func drawAir(t *rapid.T) (unit.Celsius, unit.Percent) {
	return unit.Celsius(anyTemp.Draw(t, "t")), unit.Percent(anyRH.Draw(t, "rh"))
}

func TestDewPointRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rh := drawAir(t)
		dew, e := moistair.DewPoint(c, rh), moistair.VapourPressure(c, rh)
		require.InEpsilon(t, float64(e), float64(moistair.SaturationWater(dew)), 1e-12)
		require.InEpsilon(t, float64(rh), float64(moistair.RelativeHumidity(moistair.SaturationWater(dew), c)), 1e-12)
		require.InDelta(t, float64(dew), float64(moistair.DewPointOf(e)), 1e-10)
		require.InDelta(t, float64(c), float64(moistair.DewPointOf(moistair.SaturationWater(c))), 1e-10)
	})
}

func TestFrostPointRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rh := drawAir(t)
		frost, e := moistair.FrostPoint(c, rh), moistair.VapourPressure(c, rh)
		require.InEpsilon(t, float64(e), float64(moistair.SaturationIce(frost)), 1e-12)
		require.InDelta(t, float64(frost), float64(moistair.FrostPointOf(e)), 1e-10)
		require.InDelta(t, float64(c), float64(moistair.FrostPointOf(moistair.SaturationIce(c))), 1e-10)
	})
}

func TestSaturatedAirIsAtItsDewPoint(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := unit.Celsius(anyTemp.Draw(t, "t"))
		require.InDelta(t, float64(c), float64(moistair.DewPoint(c, 100)), 1e-12)
		require.Equal(t, moistair.SaturationWater(c), moistair.VapourPressure(c, 100))
	})
}

func TestWarmerOrMoisterAirHasHigherPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rh := drawAir(t)
		dc := unit.Celsius(rapid.Float64Range(1e-6, 5).Draw(t, "warmer"))
		drh := unit.Percent(rapid.Float64Range(1e-6, 5).Draw(t, "moister"))
		for _, point := range []func(unit.Celsius, unit.Percent) unit.Celsius{moistair.DewPoint, moistair.FrostPoint} {
			require.Less(t, point(c, rh), point(c+dc, rh))
			require.Less(t, point(c, rh), point(c, rh+drh))
		}
		require.Less(t, moistair.SaturationWater(c), moistair.SaturationWater(c+dc))
		require.Less(t, moistair.SaturationIce(c), moistair.SaturationIce(c+dc))
		require.Less(t, moistair.VapourPressure(c, rh), moistair.VapourPressure(c, rh+drh))
	})
}

func TestDewPointIsNeverAboveTheAir(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rh := drawAir(t)
		require.LessOrEqual(t, float64(moistair.DewPoint(c, rh)), float64(c)+1e-12)
	})
}

func TestFrostFormsAboveTheDewPoint(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rh := drawAir(t)
		dew, frost := moistair.DewPoint(c, rh), moistair.FrostPoint(c, rh)
		require.Equal(t, dew < 0, frost < 0)
		if dew < 0 {
			require.GreaterOrEqual(t, frost, dew)
		}
	})
}

func TestSurfaceRH(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rh := drawAir(t)
		surface := unit.Celsius(anyTemp.Draw(t, "surface"))
		want := min(100, 100*float64(moistair.VapourPressure(c, rh)/moistair.SaturationWater(surface)))
		got := moistair.SurfaceRH(c, rh, surface)
		require.InDelta(t, want, float64(got), 1e-11)
		require.Equal(t, rh, moistair.SurfaceRH(c, rh, c), "a surface as warm as the air")
		require.InDelta(t, 100, float64(moistair.SurfaceRH(c, rh, moistair.DewPoint(c, rh))), 1e-9)
	})
}

func TestNoHumidityHasNoPoint(t *testing.T) {
	for _, rh := range []unit.Percent{0, -1, unit.Percent(math.NaN())} {
		require.True(t, math.IsNaN(float64(moistair.DewPoint(10, rh))))
		require.True(t, math.IsNaN(float64(moistair.FrostPoint(10, rh))))
		require.True(t, math.IsNaN(float64(moistair.DewPointOf(unit.Hectopascal(rh)))))
		require.True(t, math.IsNaN(float64(moistair.FrostPointOf(unit.Hectopascal(rh)))))
	}
	require.True(t, math.IsNaN(float64(moistair.SurfaceRH(10, unit.Percent(math.NaN()), 5))), "unknown isn't 100 %")
}

func TestAbsoluteHumidity_HUMCONV_2013(t *testing.T) {
	// C = 2.16679 g K/J: as many hPa as kelvins give 100 C.
	require.InDelta(t, 216.679, float64(moistair.AbsoluteHumidity(273.15, 0)), 1e-9)
	require.InDelta(t, 216.679, float64(moistair.AbsoluteHumidity(323.15, 50)), 1e-9)
	// The molar mass of water over the gas constant (CODATA 2018).
	require.InEpsilon(t, 100*18.01528/8.314462618, float64(moistair.AbsoluteHumidity(273.15, 0)), 5e-5)
}
