package breathing_test

import (
	"fmt"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/breathing"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// attic reads the paired attic series: a ventilated cavity, which is a box
// without faults.
func attic(t testing.TB) (out []slot) {
	rows := sharedRows(t, "paired_attic_fi_2010_2012.csv.gz")
	channels := map[int]reading.Channel{1: reading.InsideTemp, 2: reading.InsideRH, 3: reading.BoardTemp, 5: reading.OutsideTemp, 6: reading.OutsideRH}
	require.Equal(t, []string{"time", "inside_temp_c", "inside_rh_pct", "surface_temp_c", "surface_rh_pct", "outside_temp_c", "outside_rh_pct"}, rows[0])
	for _, row := range rows[1:] {
		at, err := time.Parse(time.RFC3339, row[0])
		require.NoError(t, err)
		r := reading.Reading{Time: unit.At(at)}
		for i, c := range channels {
			if row[i] == "" {
				continue
			}
			v, err := strconv.ParseFloat(row[i], 64)
			require.NoError(t, err)
			r.Set(c, v)
		}
		var b means.Builder
		b.Add(&r)
		m, _ := b.Flush()
		out = append(out, slot{m: m})
	}
	return out
}

func TestTheAtticHasNoFault(t *testing.T) {
	var s breathing.State
	for _, sl := range attic(t) {
		s.Step(&sl.m, sl.now)
	}
	if os.Getenv("EXPLORE") != "" {
		for i, d := range s.Days {
			if i%20 == 0 {
				h := -1.0
				if d.HighH != nil {
					h = *d.HighH
				}
				fmt.Println(d.Day, d.TauH, d.LowH, h, d.WindowD)
			}
		}
	}
	require.Empty(t, s.Findings())
}
