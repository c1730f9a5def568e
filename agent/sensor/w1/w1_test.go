package w1

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

const (
	lines = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n" // of the kernel's document
	minus = "6e ff 4b 46 7f ff 02 10 71 : crc=71 YES\n6e ff 4b 46 7f ff 02 10 71 t=-9125\n"
)

func TestMeasure(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(Class(root), "28-0316a2794bff")
	require.NoError(t, os.MkdirAll(dir, 0o700))
	require.NoError(t, os.MkdirAll(filepath.Join(Class(root), "w1_bus_master1"), 0o700))
	list, err := List(root)
	require.NoError(t, err)
	require.Equal(t, []string{"28-0316a2794bff"}, list)
	c := New(root, "28-0316a2794bff")
	_, err = c.Measure(t.Context())
	require.ErrorIs(t, err, os.ErrNotExist)
	for text, want := range map[string]float64{lines: 23.125, minus: -9.125} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "w1_slave"), []byte(text), 0o600))
		v, err := c.Measure(t.Context())
		require.NoError(t, err)
		require.Equal(t, want, v[Temp])
	}
	_, err = List(filepath.Join(root, "none"))
	require.Error(t, err)
}

func TestWhatIsNoTemperature(t *testing.T) {
	for text, want := range map[string]string{
		"72 01 4b 46 7f ff 0e 10 57 : crc=12 NO\n72 01 4b 46 7f ff 0e 10 57 t=23125\n":  "checksum",
		"50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n": "power-on",
		"00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n":     "short-circuited",
		"72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=\n":      "no number",
		"72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n":                                     "two lines",
		"": "two lines",
	} {
		_, err := parse(text)
		require.ErrorContains(t, err, want, text)
	}
	require.NoError(t, Valid("28-0316a2794bff"))
	for _, bad := range []string{"", "28-xyz", "../28-0316a2794bff", "w1_bus_master1"} {
		require.Error(t, Valid(bad), bad)
	}
}

// FuzzParse: what is no answer of a thermometer is an error, never a number out
// of nowhere.
func FuzzParse(f *testing.F) {
	f.Add(lines)
	f.Add(minus)
	f.Add("72 : crc=57 YES\n t=85000\n")
	f.Fuzz(func(t *testing.T, text string) {
		v, err := parse(text)
		if err == nil {
			require.Contains(t, text, "YES")
			require.NotEqual(t, powerOn, v)
			return
		}
		require.Zero(t, v)
	})
}
