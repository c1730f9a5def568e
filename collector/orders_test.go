package collector

import (
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// What another process orders reaches a station that is connected, one that
// comes later, and one that comes after the collector began anew; signed with
// the secret that the station has by then.
func TestOrdersReachStations(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	col, err := open(t, cfg)
	require.NoError(t, err)
	defer func() { require.NoError(t, col.Close()) }()
	other, err := store.Open(t.Context(), cfg.Store.Path) // as another process has it
	require.NoError(t, err)
	defer func() { require.NoError(t, other.Close()) }()
	ctx := t.Context()
	require.NoError(t, Enrol(ctx, other, lake, nil, time.Now(), "test"))
	station := func() record.Station {
		st, err := other.Station(ctx, lake)
		require.NoError(t, err)
		return st
	}
	order := func(body receipt.Body, valid time.Duration) string {
		o, err := books.GiveOrder(ctx, other, lake, body, valid, time.Now(), "Ruth")
		require.NoError(t, err)
		return o.ID
	}
	// connect returns what comes on the topic of orders, as the station reads it.
	connect := func(s receipt.Secret) (mqtt.Client, chan receipt.Order) {
		heard := make(chan receipt.Order, 9)
		client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + col.StationsAddr()).SetClientID("device").
			SetUsername(lake).SetPassword(s.Password()).SetProtocolVersion(4).SetAutoReconnect(false))
		settle := func(token mqtt.Token) {
			require.True(t, token.WaitTimeout(patience))
			require.NoError(t, token.Error())
		}
		settle(client.Connect())
		settle(client.Subscribe(receipt.Topic(lake, receipt.LeafOrder), 1, func(_ mqtt.Client, m mqtt.Message) {
			o, _, _, err := s.VerifyOrder(lake, m.Payload())
			if err != nil {
				o.ID = err.Error()
			}
			heard <- o
		}))
		return client, heard
	}
	next := func(heard chan receipt.Order) receipt.Order {
		t.Helper()
		select {
		case o := <-heard:
			return o
		case <-time.After(patience):
			require.Fail(t, "no order")
			return receipt.Order{}
		}
	}
	first := station().Secret
	client, heard := connect(first)
	one := order(receipt.Body{Interval: "5m"}, time.Hour)
	got := next(heard)
	require.Equal(t, []string{one, `{"interval":"5m"}`}, []string{got.ID, got.Body})
	two := order(receipt.Body{Heat: 3}, time.Hour)
	require.Equal(t, two, next(heard).ID)
	client.Disconnect(100)

	client, heard = connect(first)
	require.Equal(t, two, next(heard).ID, "it is kept for who comes later")
	client.Disconnect(100)

	require.NoError(t, col.Close())
	col, err = open(t, cfg)
	require.NoError(t, err)
	client, heard = connect(first)
	require.Equal(t, two, next(heard).ID, "and over a restart")
	client.Disconnect(100)

	require.NoError(t, BeginSecret(ctx, other, lake, time.Now(), "test"))
	client, heard = connect(station().Next)
	for o := next(heard); o.ID != two; o = next(heard) {
		require.Equal(t, receipt.ErrForged.Error(), o.ID, "until its new secret is in force")
	}
	client.Disconnect(100)

	// One that holds no longer is not passed on any more.
	require.NoError(t, other.GiveOrder(ctx, record.Order{ID: "late", Station: lake, At: unit.At(time.Now()), Until: unit.At(time.Now()), Body: receipt.Body{Heat: 1}}))
	require.NoError(t, col.Close())
	col, err = open(t, cfg)
	require.NoError(t, err)
	client, heard = connect(station().Secret)
	three := order(receipt.Body{Identify: 5}, time.Hour)
	require.Equal(t, three, next(heard).ID)
	client.Disconnect(100)
}
