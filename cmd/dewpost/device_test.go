package main

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/collector"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// wirePage is deploy/WIRE.md with what it holds that can be checked.
type wirePage struct {
	text             string
	secret           receipt.Secret
	macKey           string
	keyless, keyed   string
	receipt, ordered string
	state            string
}

func readWirePage(t *testing.T) wirePage {
	t.Helper()
	b, err := os.ReadFile("../../deploy/WIRE.md")
	require.NoError(t, err)
	p := wirePage{text: string(b)}
	one := func(pattern string) string {
		found := regexp.MustCompile(pattern).FindAllStringSubmatch(p.text, -1)
		require.Len(t, found, 1, pattern)
		return found[0][1]
	}
	p.secret, err = receipt.ParseSecret(one("The secret `([0-9a-f]+)`"))
	require.NoError(t, err)
	require.Equal(t, p.secret.Password(), one("has the password\n`([0-9a-f]+)`"))
	p.macKey = one("and the MAC key\n`([0-9a-f]+)`")
	p.keyless = one("(?m)^(reading,station=lake-07 .*\n)")
	p.keyed = one("(?m)^(reading,station=lake-07,run=.*\n)")
	p.receipt = one(`(?m)^(\{"run":.*\})$`)
	p.state = one(`(?m)^(\{"conn":.*\})$`)
	p.ordered = one(`(?m)^(\{"id":.*\})$`)
	return p
}

// TestWirePage checks the page's keys, MACs, names and limits.
func TestWirePage(t *testing.T) {
	p := readWirePage(t)
	r, err := p.secret.Verify("lake-07", []byte(p.receipt))
	require.NoError(t, err)
	require.Equal(t, int64(1), r.Upto)
	key, err := hex.DecodeString(p.macKey)
	require.NoError(t, err)
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte("dewpost/v1/receipt\nlake-07\n" + r.Run + "\n1"))
	require.Equal(t, r.MAC, hex.EncodeToString(mac.Sum(nil)), "as the page tells it, with the page's key")
	o, expiry, body, err := p.secret.VerifyOrder("lake-07", []byte(p.ordered))
	require.NoError(t, err)
	require.Equal(t, receipt.Body{Interval: "5m"}, body)
	again, err := p.secret.NewOrder("lake-07", o.ID, expiry, body)
	require.NoError(t, err)
	text, err := json.Marshal(again)
	require.NoError(t, err)
	require.Equal(t, p.ordered, string(text))
	for c := range reading.NumChannels {
		require.Contains(t, p.text, "`"+c.Name()+"`")
	}
	for _, limits := range []string{"| °C | −60 to 95 |", "| −6 to 119 |", "| −5 to 2000 |", "| V | −60 to 60 |", "| µS | 0 to 1000000 |"} {
		require.Contains(t, p.text, limits)
	}
	b := reading.Decode("lake-07", []byte(p.keyless+p.keyed), unit.At(time.Now()))
	require.Empty(t, b.Refused)
	require.Zero(t, b.UnknownFields)
	require.Len(t, b.Readings, 2)
	require.Equal(t, map[string]int64{"9f31c2aa07de4410": 1}, b.Oldest)
}

// TestWirePageState looks that all of the page's state is understood.
func TestWirePageState(t *testing.T) {
	st := record.State{Body: []byte(readWirePage(t).state)}
	require.NoError(t, json.Unmarshal(st.Body, &st.Report))
	d := st.Details()
	require.Empty(t, d.Unread)
	require.Equal(t, 31.5, *d.Board.TempC)
	require.Equal(t, 60.0, *d.Interval)
	require.Equal(t, "A12345", d.Sensors[0].Serial)
	require.Equal(t, int64(3), d.Link.Connections)
	require.True(t, st.Report.Clock.Set)
}

// TestDeviceWithoutAgent publishes the page's payloads by a bare MQTT client to
// a collector with its own broker and store.
func TestDeviceWithoutAgent(t *testing.T) {
	p := readWirePage(t)
	cfg := collector.DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = filepath.Join(t.TempDir(), "dewpost.db")
	col, err := collector.Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	defer func() { require.NoError(t, col.Close()) }()
	require.NoError(t, col.Store().AddStation(t.Context(), record.Station{ID: "lake-07", Secret: p.secret, Enrolled: 1}, "test"))

	device := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + col.StationsAddr()).
		SetClientID("a microcontroller").SetUsername("lake-07").SetPassword(p.secret.Password()).
		SetProtocolVersion(4).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false))
	done := func(tk mqtt.Token) {
		t.Helper()
		require.True(t, tk.WaitTimeout(10*time.Second))
		require.NoError(t, tk.Error())
	}
	done(device.Connect())
	defer device.Disconnect(100)
	receipts := make(chan []byte, 10)
	done(device.Subscribe("dewpost/v1/lake-07/receipt", 1, func(_ mqtt.Client, m mqtt.Message) { receipts <- m.Payload() }))
	publish := func(lines ...string) {
		t.Helper()
		done(device.Publish("dewpost/v1/lake-07/readings", 1, false, strings.Join(lines, "")))
	}
	done(device.Publish("dewpost/v1/lake-07/state", 1, true, p.state))
	publish(p.keyless)
	publish(p.keyless) // nobody told it that it had arrived
	publish(p.keyed)
	for { // receipts follow each commit
		text := <-receipts
		r, err := p.secret.Verify("lake-07", text)
		require.NoError(t, err)
		if r.Run == "9f31c2aa07de4410" {
			require.JSONEq(t, p.receipt, string(text))
			break
		}
	}
	at := unit.At(time.Date(2024, 5, 1, 6, 0, 0, 0, time.UTC))
	kept, err := col.Store().Readings(t.Context(), "lake-07", at, at.Add(time.Hour))
	require.NoError(t, err)
	require.Len(t, kept, 2, "the repeated one is one")
	v, ok := kept[0].Get(reading.BoardTemp)
	require.True(t, ok)
	require.Equal(t, 10.9, v)
	require.False(t, kept[1].Has(reading.BoardTemp))
	require.True(t, kept[1].HasFlag("failed:board_temp_c"))
	require.True(t, kept[1].Keyed())
	custody, err := col.Store().Custody(t.Context())
	require.NoError(t, err)
	require.Equal(t, int64(1), custody[0].Repeated)
	require.Zero(t, custody[0].Refused)
	require.NoError(t, col.Close()) // states are written now and then, and at the end
	again, err := store.Open(t.Context(), cfg.Store.Path)
	require.NoError(t, err)
	defer func() { require.NoError(t, again.Close()) }()
	st, err := again.State(t.Context(), "lake-07")
	require.NoError(t, err)
	require.Equal(t, p.state, string(st.Body))
}
