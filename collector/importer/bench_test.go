package importer_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/importer"
	"dewpost/rules/logfile"
)

// BenchmarkYear puts a year at one minute into a store, new and again, and gives
// the time as a ratio to what encoding/csv needs just to read the same file.
func BenchmarkYear(b *testing.B) {
	var log bytes.Buffer
	log.WriteString("time,inside_temp_c,inside_rh_pct,board_temp_c\n")
	at := begin
	for i := range 525_600 {
		day := math.Sin(float64(i) / 1440 * 2 * math.Pi)
		fmt.Fprintf(&log, "%s,%.2f,%.2f,%.2f\n", at.Format(time.RFC3339), 9+5*day, 84-14*day, 8+6*day)
		at = at.Add(time.Minute)
	}
	began := time.Now()
	r := csv.NewReader(bytes.NewReader(log.Bytes()))
	r.ReuseRecord = true
	for {
		if _, err := r.Read(); errors.Is(err, io.EOF) {
			break
		}
	}
	floor := time.Since(began)
	var first, again time.Duration
	for b.Loop() {
		s := newShop(b)
		for _, took := range []*time.Duration{&first, &again} {
			began := time.Now()
			_, err := importer.ImportReadings(b.Context(), s, lake, importer.Log{
				From: bytes.NewReader(log.Bytes()), Options: logfile.Options{Name: "year.csv"}, At: now, Author: "Ida",
			})
			require.NoError(b, err)
			*took += time.Since(began)
		}
	}
	n := float64(b.N) * float64(floor)
	b.ReportMetric(float64(first)/n, "x_csv_new")
	b.ReportMetric(float64(again)/n, "x_csv_again")
}
