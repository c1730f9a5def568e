package web_test

import (
	"encoding/csv"
	"net/http"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The CSV of a chart holds the numbers of its drawing, whoever asks and however
// they read.
func TestTheChartAsCSV(t *testing.T) {
	s := sharedSite(t)
	stretch := "?from=2025-10-20T00:00:00Z&to=2025-10-22T00:00:00Z"
	drawn := getJSON[chartData](t, s, "/stations/lake-07/series"+stretch)
	w := s.do(t, call{method: "GET", path: "/stations/lake-07/series.csv" + stretch, cookies: []*http.Cookie{{Name: "dewpost-reads", Value: "degrees=f+numbers=comma"}}})
	require.Equal(t, http.StatusOK, w.Code)
	require.Equal(t, "text/csv; charset=utf-8; header=present", w.Header().Get("Content-Type"))
	require.Equal(t, `attachment; filename="lake-07.csv"`, w.Header().Get("Content-Disposition"))
	rows, err := csv.NewReader(w.Body).ReadAll()
	require.NoError(t, err)
	require.Equal(t, "time", rows[0][0])
	require.Len(t, rows, len(drawn.Time)+1)
	require.Len(t, rows[0], len(drawn.Values)+1)
	for i, row := range rows[1:] {
		at, err := time.Parse(time.RFC3339, row[0])
		require.NoError(t, err)
		require.InDelta(t, drawn.Time[i], float64(at.UnixNano())/1e9, 1e-3)
		for k, name := range rows[0][1:] {
			want := drawn.Values[name][i]
			if want == nil {
				require.Empty(t, row[k+1])
				continue
			}
			got, err := strconv.ParseFloat(row[k+1], 64)
			require.NoError(t, err)
			require.InDelta(t, *want, got, 0.005, name)
		}
	}
	require.Equal(t, http.StatusNotFound, s.get(t, "/stations/nobody/series.csv").Code)
	require.Equal(t, http.StatusBadRequest, s.get(t, "/stations/lake-07/series.csv?colour=red").Code)
}
