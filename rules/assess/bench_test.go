package assess_test

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

	"dewpost/rules/assess"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
)

// yearLog is a year at one minute, as a logger with two decimals writes it.
func yearLog() []byte {
	var b bytes.Buffer
	b.WriteString("time,inside_temp_c,inside_rh_pct,board_temp_c\n")
	at := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range 525_600 {
		day := math.Sin(float64(i) / 1440 * 2 * math.Pi)
		year := math.Sin(float64(i) / 525600 * 2 * math.Pi)
		fmt.Fprintf(&b, "%s,%.2f,%.2f,%.2f\n", at.Format(time.RFC3339), 9+8*year+5*day, 84-14*day, 8+8*year+6*day)
		at = at.Add(time.Minute)
	}
	return b.Bytes()
}

// BenchmarkYear gives the time of a whole assessment as a ratio to what
// encoding/csv needs just to read the same file.
func BenchmarkYear(b *testing.B) {
	log := yearLog()
	var floor time.Duration
	for b.Loop() {
		began := time.Now()
		r := csv.NewReader(bytes.NewReader(log))
		r.ReuseRecord = true
		for {
			if _, err := r.Read(); errors.Is(err, io.EOF) {
				break
			}
		}
		floor += time.Since(began)
		blocks := make(chan []reading.Reading, 4)
		go func() {
			defer close(blocks)
			_, err := logfile.Read(bytes.NewReader(log), logfile.Options{Name: "year.csv"}, func(b []reading.Reading) error {
				blocks <- b
				return nil
			})
			require.NoError(b, err)
		}()
		a := assess.Stream(func(yield func([]reading.Reading) bool) {
			for b := range blocks {
				if !yield(b) {
					return
				}
			}
		}, assess.Options{})
		require.Equal(b, 525_600, a.Readings)
	}
	whole := b.Elapsed() - floor
	b.ReportMetric(float64(whole)/float64(floor), "x_csv")
}
