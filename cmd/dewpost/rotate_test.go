package main

import (
	"context"
	"log/slog"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent"
	"dewpost/agent/sample"
	"dewpost/collector/record"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// A station's secret changes while its readings flow: none is lost and none is
// doubled. Then it is retired, and at once it is cut off and stays so. What the
// programs say holds neither a secret nor a password.
func TestRotateAndRetire(t *testing.T) {
	const id = "lake-07"
	w := newTLSShop(t)
	w.dewpost(t, "station", "add", id, "-c", w.config, "--out", w.path("bundle"))
	serve := w.serve(t)
	kept := w.store(t)
	now := func() record.Station {
		t.Helper()
		st, err := kept.Station(t.Context(), id)
		require.NoError(t, err)
		return st
	}
	secretFile := w.path("bundle", id+".secret")
	first := readSecret(t, secretFile)

	cfg, err := agent.Load(w.path("bundle", "agent.toml"))
	require.NoError(t, err)
	cfg.StateEvery = agent.Duration(time.Second) // what would take ten minutes takes no longer than this
	st := &cfg.Stations[0]
	st.Interval, st.Burst, st.Sensors = agent.Duration(time.Second), 1, []agent.Sensor{{Driver: "sim"}}
	began := time.Now()
	fast := sample.Clock{Speed: 20, Now: func() time.Time { return began.Add(-time.Hour + 20*time.Since(began)) }}
	a, err := agent.New(cfg, agent.WithClock(fast), agent.WithLog(slog.New(slog.NewTextHandler(&w.said, nil))))
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	stopAgent := sync.OnceValue(func() error { stop(); return <-ended })
	defer func() { require.NoError(t, stopAgent()) }()

	flows := func(why string) {
		t.Helper()
		before := w.metric("dewpost_readings_stored_total")
		w.until(t, why, func() bool { return w.metric("dewpost_readings_stored_total") >= before+20 })
	}
	flows("with the first secret")
	w.dewpost(t, "station", "rotate", id, "-c", w.config, "--out", w.path("next"))
	flows("while both are good")
	second := readSecret(t, w.path("next", id+".secret"))
	require.NotEqual(t, first, second)
	require.Equal(t, first, now().Secret)

	// All that a technician does.
	require.NoError(t, os.Rename(w.path("next", id+".secret"), secretFile))
	w.until(t, "the change finishes", func() bool {
		st, err := kept.Station(t.Context(), id)
		return err == nil && st.Next.IsZero()
	})
	require.Equal(t, second, now().Secret)
	flows("with the second secret")
	require.Error(t, w.login(t, id, first))
	require.NoError(t, w.login(t, id, second), "control")

	// Retired by another process.
	cut := w.metric("dewpost_broker_cut_total")
	w.dewpost(t, "station", "retire", id, "-c", w.config)
	retired := time.Now()
	w.until(t, "it is cut", func() bool { return w.metric("dewpost_broker_connections") == 0 })
	t.Logf("cut %d ms after it was retired", time.Since(retired).Milliseconds())
	require.Greater(t, w.metric("dewpost_broker_cut_total"), cut)
	require.Error(t, w.login(t, id, second))
	require.Zero(t, w.metric("dewpost_broker_connections"))

	require.NoError(t, stopAgent())
	serve.end(t)
	readings, err := kept.Readings(t.Context(), id, 0, unit.At(time.Now().Add(time.Hour)))
	require.NoError(t, err)
	require.Greater(t, len(readings), 60)
	for i := range readings {
		require.EqualValues(t, i+1, readings[i].Seq, "none is lost, none is doubled")
	}
	said := w.said.String()
	require.NotEmpty(t, said)
	for _, s := range []receipt.Secret{first, second} {
		require.NotContains(t, said, s.Hex())
		require.NotContains(t, said, s.Password())
	}
	require.Contains(t, said, "its new secret", "the log is that of the collector")
	require.Contains(t, said, "conn=", "and of the agent")
}
