package breathing_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/breathing"
	"dewpost/rules/means"
	"dewpost/rules/reading"
)

// BenchmarkYear gives the time of a station-year at one minute as a ratio to
// what encoding/csv needs to read the same year.
func BenchmarkYear(b *testing.B) {
	slots := plain(12).run(climate(366), 0, 365, 1)
	rs := make([]reading.Reading, 0, len(slots)*10)
	var log bytes.Buffer
	for i := range slots {
		for k := range 10 {
			r := reading.Reading{Time: slots[i].m.Start.Add(time.Duration(k) * time.Minute)}
			log.WriteString(r.Time.String())
			for _, c := range []reading.Channel{reading.InsideTemp, reading.InsideRH, reading.CoverTemp, reading.OutsideTemp, reading.OutsideRH} {
				v := slots[i].m.Ch[c].Mean
				r.Set(c, v)
				fmt.Fprintf(&log, ",%.2f", v)
			}
			log.WriteByte('\n')
			rs = append(rs, r)
		}
	}
	var floor time.Duration
	for b.Loop() {
		began := time.Now()
		r := csv.NewReader(bytes.NewReader(log.Bytes()))
		r.ReuseRecord = true
		for {
			if _, err := r.Read(); errors.Is(err, io.EOF) {
				break
			}
		}
		floor += time.Since(began)
		var means means.Builder
		var s breathing.State
		for i := range rs {
			if m, ok := means.Add(&rs[i]); ok {
				s.Step(&m, breathing.Facts{})
			}
		}
		require.Greater(b, len(s.Days), 350)
	}
	whole := b.Elapsed() - floor
	b.ReportMetric(float64(whole)/float64(floor), "x_csv")
	b.ReportMetric(whole.Seconds()/float64(b.N), "s/year")
}
