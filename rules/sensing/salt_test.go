package sensing_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/sensing"
)

func check(t *testing.T, salt string, temp, reads float64) sensing.SaltCheck {
	t.Helper()
	c, err := sensing.NewSaltCheck(salt, temp, reads, 8*time.Hour)
	require.NoError(t, err)
	return c
}

// Values printed in Greenspan 1977, Table 2, that were seen.
func TestReference_Greenspan1977(t *testing.T) {
	for _, p := range []struct {
		salt     string
		temp, rh float64
	}{
		{"NaCl", 0, 75.51},
		{"NaCl", 25, 75.29},
		{"NaCl", 50, 74.43},
		{"KCl", 0, 88.61},
		{"KCl", 25, 84.34},
		{"KCl", 50, 81.20},
		{"K2SO4", 25, 97.30},
		{"K2SO4", 50, 95.82},
		{"LiCl", 25, 11.30},
		{"MgCl2", 0, 33.66},
		{"Mg(NO3)2", 50, 45.44},
	} {
		require.InDelta(t, p.rh, float64(check(t, p.salt, p.temp, 50).Judge().Reference), 0.011, "%s at %g °C", p.salt, p.temp)
	}
	require.InDelta(t, (75.48+75.30)/2, float64(check(t, "nacl", 22.5, 50).Judge().Reference), 1e-9, "in proportion between rows")
}

func TestVerdict(t *testing.T) {
	sound := check(t, "NaCl", 25, 76.9).Judge()
	require.Equal(t, sensing.WithinBounds, sound.Verdict)
	require.Zero(t, sound.Offset)
	require.InDelta(t, 1.6, sound.Off, 1e-9)
	require.InDelta(t, 0.9, sound.PlaceUnsure, 0.05, "75 %RH over 0.2 K: 6 % of it a kelvin")
	require.InDelta(t, math.Sqrt(0.12*0.12+sound.PlaceUnsure*sound.PlaceUnsure+4), sound.Combined, 1e-9)

	off := check(t, "NaCl", 25, 71.9).Judge()
	require.Equal(t, sensing.CorrectIt, off.Verdict)
	require.Equal(t, 3.4, off.Offset, "to be added")
	bad := check(t, "NaCl", 25, 83.1).Judge()
	require.Equal(t, sensing.InDoubt, bad.Verdict)
	require.Equal(t, -7.8, bad.Offset)
	require.Equal(t, 3.0, check(t, "K2SO4", 25, 97).Judge().SensorGiven, "sensors are worse near saturation")
	require.Equal(t, 1.0, check(t, "CH3COOK", 25, 22).Judge().SaltUnsure, "not known")
}

func TestTwoSalts(t *testing.T) {
	line, ok := sensing.Through(check(t, "NaCl", 25, 78.30), check(t, "MgCl2", 25, 33.78))
	require.True(t, ok)
	low, high := float64(check(t, "MgCl2", 25, 30).Judge().Reference), 75.30
	require.InDelta(t, high, line.Offset+line.Slope*78.30, 1e-9)
	require.InDelta(t, low, line.Offset+line.Slope*33.78, 1e-9)
	_, ok = sensing.Through(check(t, "NaCl", 25, 78), check(t, "KCl", 25, 87))
	require.False(t, ok, "too near each other")
	_, ok = sensing.Through(check(t, "NaCl", 25, 78), check(t, "MgCl2", 25, 77))
	require.False(t, ok, "it doesn't follow at all")
}

func TestWhatIsNoCheck(t *testing.T) {
	for _, p := range []struct {
		salt        string
		temp, reads float64
		settled     time.Duration
		field       string
	}{
		{"NaBr", 20, 50, 8 * time.Hour, "salt"},
		{"NaCl", -0.1, 50, 8 * time.Hour, "temp"},
		{"CH3COOK", 31, 50, 8 * time.Hour, "temp"},
		{"NaCl", math.NaN(), 50, 8 * time.Hour, "temp"},
		{"NaCl", 20, 0, 8 * time.Hour, "reads"},
		{"NaCl", 20, 119.1, 8 * time.Hour, "reads"},
		{"NaCl", 20, math.NaN(), 8 * time.Hour, "reads"},
		{"NaCl", 20, 75, time.Hour, "settled"},
		{"NaCl", 20, 75, 2000 * time.Hour, "settled"},
	} {
		_, err := sensing.NewSaltCheck(p.salt, p.temp, p.reads, p.settled)
		var wrong sensing.Wrong
		require.ErrorAs(t, err, &wrong)
		require.Equal(t, p.field, wrong.Field)
		require.ErrorContains(t, err, wrong.Fix)
	}
	for _, text := range []string{"", "fine", "NaCl 20 C reads 75", "NaCl 20.. C reads 75 after 8h", "NaCl 20 C reads 7.5.1 after 8h", "NaCl 20 C reads 75 after night"} {
		_, err := sensing.ReadCheck(text, 1)
		require.ErrorContains(t, err, "write it as in")
	}
	_, err := sensing.ReadCheck("NaCl 90 C reads 75 after 8h", 1)
	require.ErrorContains(t, err, "0 to 50 °C")
}

func TestAFactIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, err := sensing.NewSaltCheck(
			rapid.SampledFrom(sensing.Salts()).Draw(t, "salt"), rapid.Float64Range(0, 30).Draw(t, "temp"),
			rapid.Float64Range(0.1, 119).Draw(t, "reads"), time.Duration(rapid.IntRange(120, 9999).Draw(t, "minutes"))*time.Minute,
		)
		require.NoError(t, err)
		back, err := sensing.ParseSaltCheck(c.String())
		require.NoError(t, err)
		require.Equal(t, c, back)
	})
	require.Equal(t, "NaCl 21.5 C reads 77.1 after 8h", check(t, "nacl", 21.5, 77.1).String())
}

func TestWhatAPersonSays(t *testing.T) {
	none, err := sensing.ReadCheck(sensing.SaysNone, 5)
	require.NoError(t, err)
	require.Nil(t, none)
	sound, err := sensing.ReadCheck(sensing.SaysSound, 5)
	require.NoError(t, err)
	require.Equal(t, &sensing.Check{At: 5, Sound: true}, sound)
	suspect, err := sensing.ReadCheck("NaCl 25 C reads 85.3 after 8h", 5)
	require.NoError(t, err)
	require.False(t, suspect.Sound)
	require.InDelta(t, 10, suspect.Off, 1e-9)
}
