package salt

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestOver_Greenspan1977 has all values of the paper's table 2 that were seen in
// print; those of the polynomials lie within 0.02 of them.
func TestOver_Greenspan1977(t *testing.T) {
	for _, test := range []struct {
		salt     string
		temp, rh float64
	}{
		{"LiCl", 0, 11.23},
		{"LiCl", 25, 11.30},
		{"LiCl", 50, 11.10},
		{"MgCl2", 0, 33.66},
		{"MgCl2", 25, 32.78},
		{"MgCl2", 50, 30.54},
		{"Mg(NO3)2", 0, 60.35},
		{"Mg(NO3)2", 25, 52.89},
		{"Mg(NO3)2", 50, 45.44},
		{"NaCl", 0, 75.51},
		{"nacl", 25, 75.29},
		{"NaCl", 50, 74.43},
		{"KCl", 0, 88.61},
		{"KCl", 25, 84.34},
		{"KCl", 50, 81.20},
		{"K2SO4", 0, 98.77},
		{"K2SO4", 25, 97.30},
		{"K2SO4", 50, 95.82},
	} {
		p, err := Over(test.salt, test.temp)
		require.NoError(t, err)
		require.InDelta(t, test.rh, p.RH, 0.02, "%s at %v", test.salt, test.temp)
		require.Positive(t, p.Uncertainty)
	}
	p, err := Over("MgCl2", 22.5)
	require.NoError(t, err)
	require.InDelta(t, 32.93, p.RH, 1e-9, "half-way")
}

func TestNotInTheTable(t *testing.T) {
	_, err := Over("sugar", 20)
	require.ErrorContains(t, err, "choose one of LiCl, CH3COOK, MgCl2, K2CO3, Mg(NO3)2, NaCl, KCl, KNO3, K2SO4")
	for _, temp := range []float64{-1, 51} {
		_, err = Over("NaCl", temp)
		require.ErrorContains(t, err, "0 to 5")
	}
}

func TestReach(t *testing.T) {
	low, high := Reach("nacl")
	require.Equal(t, []float64{0, 50}, []float64{low, high})
	low, high = Reach("CH3COOK")
	require.Equal(t, []float64{0, 30}, []float64{low, high})
	low, high = Reach("sugar")
	require.Equal(t, []float64{0, 0}, []float64{low, high})
	p, err := Over("CH3COOK", 20)
	require.NoError(t, err)
	require.Equal(t, unknown, p.Uncertainty, "the table doesn't tell")
	require.Len(t, Names(), 9)
}
