package collector

import (
	"log/slog"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/assess"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

const boxLog = `time,inside_temp_c,inside_rh_pct
2025-11-05T00:00:00Z,5,95
2025-11-05T01:00:00Z,4,99
2025-11-05T02:00:00Z,3,100
`

const laterLog = `time,inside_temp_c,inside_rh_pct
2025-11-05T03:00:00Z,2,100
2025-11-05T04:00:00Z,4,85
`

// A log that another process imported while no collector ran is in the ledger
// once one is started; a log that comes by the pages while it runs is, too.
// The ledger is that of both logs together.
func TestImportsReachTheLedger(t *testing.T) {
	ctx := t.Context()
	cfg := DefaultConfig()
	cfg.Store.Path = blank.Store(t)
	cfg.Stations.Listen, cfg.Pages.Listen, cfg.Everybody = "127.0.0.1:0", "127.0.0.1:0", record.Work
	s, err := store.Open(ctx, cfg.Store.Path)
	require.NoError(t, err)
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(t, err)
	require.NoError(t, s.AddStation(ctx, record.Station{ID: "box-1", Secret: secret, Enrolled: 1}, "test"))
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{{Subject: fact.Subject{Kind: fact.KindSite, ID: "lake"}, Name: fact.Salt, Value: "none", From: fact.Always, Author: "test", Recorded: 1}}))
	_, err = importer.ImportReadings(ctx, s, "box-1", importer.Log{From: strings.NewReader(boxLog), At: unit.At(time.Now()), Author: "test"})
	require.NoError(t, err)
	require.NoError(t, s.Close())

	var rs []reading.Reading
	folded := func(c *Collector, log string) func() bool {
		_, err := logfile.Read(strings.NewReader(log), logfile.Options{}, func(b []reading.Reading) error {
			rs = append(rs, b...)
			return nil
		})
		require.NoError(t, err)
		want := assess.Run(append([]reading.Reading(nil), rs...), assess.Options{}).Ledger
		return func() bool {
			got, err := c.store.Hours(ctx, "box-1", math.MinInt64, math.MaxInt64)
			return err == nil && table(got) == table(want)
		}
	}
	c, err := Open(ctx, cfg, time.Now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close()) }()
	require.Eventually(t, folded(c, boxLog), patience, 10*time.Millisecond)

	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	post := func(path, body string) {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.PagesURL()+path, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "text/csv")
		req.Header.Set("Sec-Fetch-Site", "same-origin")
		answer, err := client.Do(req)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		require.Equal(t, http.StatusOK, answer.StatusCode)
	}
	post("/api/v1/stations/box-1/readings?dry_run=true", laterLog)
	post("/api/v1/stations/box-1/readings", laterLog)
	require.Eventually(t, folded(c, laterLog), patience, 10*time.Millisecond)
	post("/api/v1/sites/lake/weather?source=ridge", "time,temp_c\n2025-11-05T00:00:00Z,5\n")
	weather, err := c.store.Weather(ctx, "lake", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	require.Len(t, weather, 1)
}

func table(hours []exposure.Hour) string {
	var b []byte
	for i := range hours {
		b = exposure.AppendHourly(b, &hours[i])
	}
	return string(b)
}
