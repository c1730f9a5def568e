package collector_test

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector"
	"dewpost/collector/record"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// What an agent said, and how far its run is settled, is known again after a
// restart: the receipt comes to who asks for nothing.
func TestStatesAndReceiptsAfterARestart(t *testing.T) {
	cfg := collector.DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	secret, err := receipt.NewSecret(make([]byte, 32))
	require.NoError(t, err)
	open := func() *collector.Collector {
		col, err := collector.Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
		require.NoError(t, err)
		return col
	}
	connect := func(col *collector.Collector) *wire {
		w, err := dial(col.StationsAddr(), "a", secret)
		require.NoError(t, err)
		return w
	}
	col := open()
	require.NoError(t, col.Store().AddStation(t.Context(), record.Station{ID: "a", Secret: secret, Enrolled: 1}, "test"))
	w := connect(col)
	at := unit.At(time.Now().Add(-time.Hour))
	batch, _ := lines(t, "a", backlogRun(0), 1, func(seq int64) unit.Instant { return at.Add(time.Duration(seq) * time.Minute) }, 3)
	state := fmt.Appendf(nil, `{"run":%q,"conn":7,"uptime_s":5,"clock":{"now":%q,"set":true},"spool":{"last":3,"upto":3},
		"readings":{"sampled":5,"receipted":3,"queued":0,"waiting":1,"discarded":{"size":1}}}`, backlogRun(0), time.Now().Add(-time.Minute).UTC().Format(time.RFC3339Nano))
	require.NoError(t, w.publish(receipt.LeafState, []byte("not a state")))
	require.NoError(t, w.publish(receipt.LeafState, state))
	require.NoError(t, w.publish(receipt.LeafReadings, batch)) // after the state, on one connection
	r, err := w.receipt()
	require.NoError(t, err)
	require.Equal(t, int64(3), r.Upto)
	require.Contains(t, fetch(t, col, "/metrics"), "dewpost_states_refused_total 1")
	require.NoError(t, w.conn.Close())
	require.NoError(t, col.Close())

	col = open()
	defer func() { require.NoError(t, col.Close()) }()
	w = connect(col)
	defer w.conn.Close()
	r, err = w.receipt()
	require.NoError(t, err)
	require.Equal(t, receipt.Receipt{Run: backlogRun(0), Upto: 3, MAC: r.MAC}, r)
	page := fetch(t, col, "/readings-kept")
	require.Contains(t, page, "All 3 readings that came in are accounted for.")
	require.Contains(t, page, "One agent tells what was taken, and everything that they count as safe is here.")
	require.Contains(t, page, "The clock of a is 1 min behind.")
	metrics := fetch(t, col, "/metrics")
	for _, line := range []string{
		`dewpost_agent_readings{part="sampled"} 5`, `dewpost_agent_readings{part="receipted"} 3`,
		"dewpost_readings_lost 0", "dewpost_stations_uneven 0", "dewpost_readings_unaccounted 0",
	} {
		require.Contains(t, metrics, line)
	}
}

func fetch(t *testing.T, col *collector.Collector, path string) string {
	t.Helper()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, col.PagesURL()+path, nil)
	require.NoError(t, err)
	resp, err := client.Do(req)
	require.NoError(t, err)
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, http.StatusOK, resp.StatusCode, path)
	return string(body)
}
