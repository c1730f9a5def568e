package collector_test

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/require"

	"dewpost/collector"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// However many stations there are, and whatever came of them, there are few
// series, none is of a station, and others can read them.
func TestSeriesOfManyStations(t *testing.T) {
	const stations, most = 5000, 300
	cfg := collector.DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	cfg.Export.URL = "http://127.0.0.1:1/nobody"
	cfg.Watch.Every = collector.Duration(time.Minute)
	s, err := store.Open(t.Context(), cfg.Store.Path)
	require.NoError(t, err)
	secret, err := receipt.NewSecret([]byte("0123456789abcdef"))
	require.NoError(t, err)
	reasons := []reading.Reason{
		reading.ReasonMalformed, reading.ReasonStation, reading.ReasonTime, reading.ReasonConflict, reading.ReasonUnknown,
		reading.ReasonOversize, reading.ReasonGaps, reading.ReasonRuns, reading.ReasonTooLate,
	}
	var list []record.Station
	var arrivals []record.Arrival
	var states []record.State
	now := unit.At(time.Now())
	for i := range stations {
		id := fmt.Sprintf("st-%04d", i)
		list = append(list, record.Station{ID: id, Secret: secret, Enrolled: 1})
		r := reading.Reading{Time: now.Add(-time.Minute), Run: fmt.Sprintf("%016x", i+1), Seq: 1}
		r.Set(reading.InsideTemp, 5)
		b := reading.Batch{UnknownFields: 1}
		if i < 50 { // of all, they would be folded meanwhile
			b.Readings = []reading.Reading{r}
		}
		b.RefusedValues[i%int(reading.NumChannels)] = 1
		b.Refused = []reading.Refusal{{Reason: reasons[i%len(reasons)], Raw: []byte(id)}}
		arrivals = append(arrivals, record.Arrival{Station: id, At: now, Batch: b})
		states = append(states, record.State{
			Station: id, At: now, Report: record.Report{Run: r.Run, Conn: 1, Readings: &record.Tally{Sampled: 1, Queued: 1}},
			Body: fmt.Appendf(nil, `{"run":%q,"conn":1,"readings":{"sampled":1,"queued":1}}`, r.Run),
		})
	}
	require.NoError(t, s.Import(t.Context(), list, nil, "test", false))
	_, err = s.Commit(t.Context(), arrivals)
	require.NoError(t, err)
	_, err = s.KeepStates(t.Context(), states)
	require.NoError(t, err)
	require.NoError(t, s.Close())

	col, err := collector.Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	defer func() { require.NoError(t, col.Close()) }()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	var body []byte
	for status := 0; status != http.StatusOK; { // a busy machine may take longer than a page may
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, col.PagesURL()+"/metrics", nil)
		require.NoError(t, err)
		resp, err := client.Do(req)
		require.NoError(t, err)
		body, err = io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		status = resp.StatusCode
	}

	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(body))
	require.NoError(t, err)
	for _, reason := range reasons {
		require.Contains(t, string(body), fmt.Sprintf(`reason="%s"`, reason))
	}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			for _, l := range m.GetLabel() {
				require.False(t, strings.HasPrefix(l.GetValue(), "st-") || l.GetName() == "station", "%s %s", f.GetName(), l)
			}
		}
	}
	series := 0
	for line := range strings.Lines(string(body)) {
		if !strings.HasPrefix(line, "#") {
			series++
		}
	}
	t.Logf("series %d of %d stations", series, stations)
	require.LessOrEqual(t, series, most)
	problems, err := promlint.New(bytes.NewReader(body)).Lint()
	require.NoError(t, err)
	require.Empty(t, problems)
}
