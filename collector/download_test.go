package collector

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/collector/door"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// Downloads over slow lines hold up nothing else: stations that send have their
// readings on disk, and the loop of intake answers.
func TestSlowDownloadsHoldUpNobody(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	asks := map[string]chan struct{}{}
	cfg.Ask = func(loop string) <-chan struct{} {
		asks[loop] = make(chan struct{})
		return asks[loop]
	}
	ctx := t.Context()
	st, err := store.Open(ctx, cfg.Store.Path)
	require.NoError(t, err)
	require.NoError(t, Enrol(ctx, st, lake, nil, time.Now(), "test"))
	is, err := st.Station(ctx, lake)
	require.NoError(t, err)
	// 20 MB of lines that a station with a bad encoder sent.
	bad := bytes.Repeat([]byte("x"), 60_000)
	for i := range 20 {
		var list []record.Arrival
		for j := range 16 {
			line := append(fmt.Appendf(nil, "reading,station=%s bad%d=", lake, 100*i+j), bad...)
			list = append(list, record.Arrival{Station: lake, At: unit.At(time.Now()), Batch: reading.Decode(lake, line, unit.At(time.Now()))})
		}
		_, err := st.Commit(ctx, list)
		require.NoError(t, err)
	}
	desk := door.New(st, time.Now)
	require.NoError(t, desk.AddAccount(ctx, "Ann", record.Run, annsPassword, "test"))
	token, err := desk.AddToken(ctx, "copies", record.Run, time.Hour, "Ann")
	require.NoError(t, err)
	require.NoError(t, st.Close())

	col, err := open(t, cfg)
	require.NoError(t, err)
	defer func() { require.NoError(t, col.Close()) }()
	for i := range 6 {
		conn, err := new(net.Dialer).DialContext(ctx, "tcp", strings.TrimPrefix(col.PagesURL(), "http://"))
		require.NoError(t, err)
		defer conn.Close()
		require.NoError(t, conn.(*net.TCPConn).SetReadBuffer(16<<10))
		_, err = fmt.Fprintf(conn, "GET /api/v1/export/quarantine?format=csv HTTP/1.1\r\nHost: %s\r\nAuthorization: Bearer %s\r\n\r\n", conn.RemoteAddr(), token)
		require.NoError(t, err)
		if i >= 2 {
			continue // these may have to wait
		}
		b := make([]byte, 4096)
		n, err := conn.Read(b)
		require.NoError(t, err)
		require.Contains(t, string(b[:n]), "200 OK")
	}
	time.Sleep(time.Second) // what is on the way fills the line

	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + col.StationsAddr()).SetClientID("device").
		SetUsername(lake).SetPassword(is.Secret.Password()).SetProtocolVersion(4).SetAutoReconnect(false).SetConnectRetry(false))
	within := func(what string, token mqtt.Token) {
		t.Helper()
		require.True(t, token.WaitTimeout(10*time.Second), "%s: no answer in ten seconds", what)
		require.NoError(t, token.Error(), what)
	}
	within("login", client.Connect())
	line := fmt.Sprintf("reading,station=%s,run=9f31c2aa07de4410 seq=1i,oldest=1i,inside_temp_c=11 %d\n", lake, time.Now().UnixNano())
	within("a reading", client.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, line))
	short, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	select {
	case asks["intake"] <- struct{}{}:
	case <-short.Done():
		require.Fail(t, "intake hangs: the service manager would end the collector")
	}
	client.Disconnect(100)
}
