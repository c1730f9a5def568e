package replay

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
)

// FuzzFile reads any file with any map: each row is a reading of finite values
// and failed flags, or an error that names file and place.
func FuzzFile(f *testing.F) {
	f.Add("time,inside_temp_c,inside_rh_pct\n2024-05-01T06:00:00Z,11.4,\n2024-05-01T06:01:00+02:00,---,NaN\n", "")
	f.Add("time;Temp;rh\n2024-05-01T06:00:00Z;11,4;88,3\n", "Temp=inside_temp_c rh=")
	f.Add("\ufefftime,comb_us\nyesterday,1\n2024-05-01T06:00:00Z,1e999\n2024-05-01T06:00:00Z,0x1p4\n", "")
	f.Add("time,comb_us\n\"2024-05-01T06:00:00Z,1\n", "=x")
	path := filepath.Join(f.TempDir(), "log.csv")
	f.Fuzz(func(t *testing.T, text, rename string) {
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		file, err := Open(path, strings.Fields(rename))
		if err != nil {
			return
		}
		defer func() { require.NoError(t, file.Close()) }()
		channels := file.Channels()
		require.NotEmpty(t, channels)
		for {
			r, err := file.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				require.ErrorContains(t, err, path)
				return
			}
			for _, c := range channels {
				v, ok := r.Get(c)
				require.NotEqual(t, ok, r.HasFlag(reading.FlagFailed+c.Name()))
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
			}
		}
	})
}
