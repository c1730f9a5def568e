package replay

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/rules/reading"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func logFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "log.csv")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// all reads a file to its end or its first error.
func all(t *testing.T, text string, rename ...string) ([]reading.Reading, error) {
	t.Helper()
	f, err := Open(logFile(t, text), rename)
	if err != nil {
		return nil, err
	}
	defer func() { require.NoError(t, f.Close()) }()
	var list []reading.Reading
	for {
		r, err := f.Next()
		if errors.Is(err, io.EOF) {
			return list, nil
		}
		if err != nil {
			return list, err
		}
		list = append(list, r)
	}
}

func TestRows(t *testing.T) {
	rs, err := all(t, `time,inside_temp_c,inside_rh_pct,surface_temp_c,surface_rh_pct
2010-11-14T22:00:00Z,2.33,98,1.25,100
2010-11-15T00:00:00+01:00,2.567891234,98.63,,100
2010-11-15T00:00:00.5Z,NaN,---, -1e-3 ,
`, "surface_temp_c=board_temp_c", "surface_rh_pct=")
	require.NoError(t, err)
	require.Len(t, rs, 3)
	require.Equal(t, "2010-11-14T22:00:00Z", rs[0].Time.String())
	require.Equal(t, "2010-11-14T23:00:00Z", rs[1].Time.String())
	require.Equal(t, "2010-11-15T00:00:00.5Z", rs[2].Time.String())
	v, _ := rs[1].Get(reading.InsideTemp)
	require.Equal(t, 2.567891234, v, "not rounded")
	v, _ = rs[0].Get(reading.BoardTemp)
	require.Equal(t, 1.25, v)
	require.False(t, rs[1].Has(reading.BoardTemp))
	require.Empty(t, rs[0].Flags)
	require.Equal(t, "failed:board_temp_c", rs[1].Flags)
	require.Equal(t, "failed:inside_temp_c,failed:inside_rh_pct", rs[2].Flags)
	v, _ = rs[2].Get(reading.BoardTemp)
	require.Equal(t, -0.001, v)
	for _, r := range rs {
		require.False(t, r.Has(reading.OutsideRH))
	}
}

func TestForms(t *testing.T) {
	for name, text := range map[string]string{
		"commas":          "time,inside_temp_c\n2024-05-01T06:00:00Z,1.5\n",
		"semicolons":      "time;inside_temp_c\n2024-05-01T06:00:00Z;1.5\n",
		"decimal comma":   "time;inside_temp_c\n2024-05-01T06:00:00Z;1,5\n",
		"byte order mark": "\ufefftime,inside_temp_c\n2024-05-01T06:00:00Z,1.5\n",
		"CRLF":            "time,inside_temp_c\r\n2024-05-01T06:00:00Z,1.5\r\n",
		"no last newline": "time,inside_temp_c\n2024-05-01T06:00:00Z,1.5",
		"blank lines":     "time,inside_temp_c\n\n2024-05-01T06:00:00Z,1.5\n\n",
		"quoted":          "\"time\",\"inside_temp_c\"\n\"2024-05-01T06:00:00Z\",\"1.5\"\n",
		"column order":    "inside_temp_c,time\n1.5,2024-05-01T06:00:00Z\n",
	} {
		t.Run(name, func(t *testing.T) {
			rs, err := all(t, text)
			require.NoError(t, err)
			require.Len(t, rs, 1)
			v, _ := rs[0].Get(reading.InsideTemp)
			require.Equal(t, 1.5, v)
		})
	}
	rs, err := all(t, "time,inside_temp_c\n")
	require.NoError(t, err)
	require.Empty(t, rs)
}

func TestBadFiles(t *testing.T) {
	head := "time,inside_temp_c\n"
	for _, test := range []struct {
		name, text string
		rename     []string
		want       []string
	}{
		{"empty", "", nil, []string{"log.csv: empty"}},
		{"no time", "inside_temp_c\n1\n", nil, []string{"no column time", "inside_temp_c"}},
		{"no channel", "time\n", nil, []string{"no channel", "comb_us"}},
		{"unknown column", "time,Temp\n", nil, []string{`unknown column "Temp"`, "inside_rh_pct", `map = ["Temp="]`}},
		{"channel twice", "time,inside_temp_c,Temp\n", []string{"Temp=inside_temp_c"}, []string{`column "Temp" is the second one for inside_temp_c`}},
		{"time twice", "time,time,inside_temp_c\n", nil, []string{"second one for time"}},
		{"map of nothing", head, []string{"Temp=inside_temp_c"}, []string{`map names column "Temp"`}},
		{"map to nothing known", head, []string{"time=date"}, []string{`no channel "date"`}},
		{"map without =", head, []string{"Temp"}, []string{`map "Temp"`}},
		{"map twice", head, []string{"time=", "time="}, []string{"twice"}},
		{"no number", head + "2024-05-01T06:00:00Z,1.5\n2024-05-01T06:01:00Z,warm\n", nil, []string{"line 3, column inside_temp_c", `"warm"`}},
		{"hexadecimal", head + "2024-05-01T06:00:00Z,0x10\n", nil, []string{`"0x10"`}},
		{"infinite", head + "2024-05-01T06:00:00Z,1e999\n", nil, []string{`"1e999"`}},
		{"decimal comma", head + "2024-05-01T06:00:00Z,\"1,5\"\n", nil, []string{`"1,5"`}},
		{"time without offset", head + "2024-05-01T06:00:00,1.5\n", nil, []string{"line 2, column time", "2024-05-01T06:00:00", "RFC 3339"}},
		{"far away", head + "9999-05-01T06:00:00Z,1.5\n", nil, []string{"between 1678 and 2262"}},
		{"short row", head + "2024-05-01T06:00:00Z\n", nil, []string{"log.csv", "line 2"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := all(t, test.text, test.rename...)
			for _, part := range test.want {
				require.ErrorContains(t, err, part)
			}
		})
	}
	_, err := Open(filepath.Join(t.TempDir(), "none.csv"), nil)
	require.ErrorIs(t, err, os.ErrNotExist)
}
