package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

// desk is where orders arrive, with a record of what was done.
type desk struct {
	*orders
	at    time.Time
	know  bool
	did   []receipt.Body
	fails error
}

func openDesk(t *testing.T, path string) *desk {
	t.Helper()
	d := &desk{at: time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC), know: true}
	o, err := openOrders(&orders{
		station: "lake-07", path: path, now: func() time.Time { return d.at }, known: func() bool { return d.know },
		do: func(b receipt.Body) error {
			if d.fails == nil {
				d.did = append(d.did, b)
			}
			return d.fails
		},
		log: slog.New(slog.DiscardHandler),
	})
	require.NoError(t, err)
	d.orders = o
	return d
}

// order is a signed one that expires after so long.
func order(t testing.TB, id string, expiry time.Time, b receipt.Body) []byte {
	t.Helper()
	o, err := testSecret(t).NewOrder("lake-07", id, expiry, b)
	require.NoError(t, err)
	text, err := json.Marshal(o)
	require.NoError(t, err)
	return text
}

func TestAnOrderIsCarriedOutOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lake-07.orders")
	d := openDesk(t, path)
	s := testSecret(t)
	first := order(t, "o-1", d.at.Add(time.Hour), receipt.Body{Interval: "5m"})
	require.True(t, d.handle(s, first))
	require.False(t, d.handle(s, first), "the broker keeps it: it comes again")
	require.Equal(t, []receipt.Body{{Interval: "5m"}}, d.did)
	require.Equal(t, 5*time.Minute, d.interval())
	answers, refused := d.state()
	require.Equal(t, []orderAnswer{{ID: "o-1", At: d.at}}, answers)
	require.Zero(t, refused)

	after := openDesk(t, path) // a restart
	require.False(t, after.handle(s, first))
	require.Empty(t, after.did)
	require.Equal(t, 5*time.Minute, after.interval(), "the interval stays")
	require.True(t, after.handle(s, order(t, "o-2", d.at.Add(time.Hour), receipt.Body{Interval: "0s"})))
	require.Zero(t, after.interval())

	// An expired id may be forgotten: its order is refused by its time.
	after.at = after.at.Add(2 * time.Hour)
	require.True(t, after.handle(s, order(t, "o-3", after.at.Add(time.Hour), receipt.Body{Heat: 1})))
	require.Len(t, after.file.Done, 1)
	last := openDesk(t, path)
	last.at = after.at
	answers, _ = last.state()
	require.Len(t, answers, 3, "what was answered is told after a restart, too")
	require.False(t, last.handle(s, first), "it is answered")
	last.file.Answers = nil // as when ten more have come
	require.True(t, last.handle(s, first))
	require.Empty(t, last.did)
	answers, _ = last.state()
	require.Contains(t, answers[0].Error, "it expired at 2026-05-01T11:00:00Z")
}

func TestOrdersThatAreNotCarriedOut(t *testing.T) {
	s := testSecret(t)
	d := openDesk(t, filepath.Join(t.TempDir(), "lake-07.orders"))
	soon := d.at.Add(time.Hour)
	other, err := receipt.NewSecret([]byte("another of sixteen or more"))
	require.NoError(t, err)
	require.False(t, d.handle(other, order(t, "o-1", soon, receipt.Body{Heat: 1})))
	require.False(t, d.handle(s, []byte("{}")))
	require.False(t, d.handle(s, nil), "a retained order that was removed")
	_, refused := d.state()
	require.Equal(t, int64(2), refused)

	d.know = false
	waits := order(t, "o-2", soon, receipt.Body{Heat: 1})
	require.False(t, d.handle(s, waits))
	d.know = true
	require.True(t, d.handle(s, waits), "when the time is known")

	for id, test := range map[string]struct {
		expiry time.Time
		body   receipt.Body
		fails  error
		want   string
	}{
		"far":      {d.at.Add(32 * 24 * time.Hour), receipt.Body{Heat: 1}, nil, "not more than 31 days ahead"},
		"no-span":  {soon, receipt.Body{Interval: "soon"}, nil, "interval"},
		"no-lamp":  {soon, receipt.Body{Identify: 5}, errors.New("there is no lamp"), "there is no lamp"},
		"too-fast": {soon, receipt.Body{Interval: "1ms"}, errors.New("interval: too short"), "too short"},
	} {
		d.fails = test.fails
		require.True(t, d.handle(s, order(t, id, test.expiry, test.body)))
		answers, _ := d.state()
		require.Contains(t, answers[len(answers)-1].Error, test.want)
		require.Zero(t, d.interval())
	}
	d.fails = nil
	for i := range 2 * mostAnswers {
		require.True(t, d.handle(s, order(t, fmt.Sprint("n-", i), soon, receipt.Body{Heat: 1})))
	}
	answers, _ := d.state()
	require.Len(t, answers, mostAnswers)
	for i := range mostOrders {
		d.file.Done[fmt.Sprint("many-", i)] = soon
	}
	require.True(t, d.handle(s, order(t, "too-many", soon, receipt.Body{Heat: 1})))
	answers, _ = d.state()
	require.Contains(t, answers[mostAnswers-1].Error, "no more")
}

// TestOrderThatCantBeRemembered is not carried out: it would be again.
func TestOrderThatCantBeRemembered(t *testing.T) {
	dir := t.TempDir()
	d := openDesk(t, filepath.Join(dir, "lake-07.orders"))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "lake-07.orders.new"), 0o700))
	require.True(t, d.handle(testSecret(t), order(t, "o-1", d.at.Add(time.Hour), receipt.Body{Heat: 1})))
	require.Empty(t, d.did)
	answers, _ := d.state()
	require.NotEmpty(t, answers[0].Error)

	path := filepath.Join(dir, "torn")
	require.NoError(t, os.WriteFile(path, []byte("{"), 0o600))
	_, err := openOrders(&orders{station: "lake-07", path: path})
	require.ErrorContains(t, err, "remove the file")
}

// TestOrdersOverARealBroker: an order changes the interval, is answered in the
// state, and holds after a restart; others say why they can't be carried out.
func TestOrdersOverARealBroker(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	cfg := Config{
		Broker: "mqtt://" + m.plain, SpoolDir: t.TempDir(), ClockWait: Duration(time.Second),
		Stations: []Station{{ID: "lake-07", Interval: Duration(time.Hour), Burst: 1, Sensors: []Sensor{{Driver: "sim"}}}},
	}
	answers := func(run func(answered func(id string) map[string]any)) {
		a, err := New(cfg, WithSecret("lake-07", testSecret(t)))
		require.NoError(t, err)
		ctx, stop := withCancel(t)
		done := make(chan error, 1)
		go func() { done <- a.Run(ctx) }()
		run(func(id string) (found map[string]any) {
			eventually(t, "an answer to "+id, func() bool {
				state := c.lastState()
				list, _ := state["orders"].(map[string]any)
				all, _ := list["answers"].([]any)
				for _, one := range all {
					if one.(map[string]any)["id"] == id {
						found = state
						return true
					}
				}
				return false
			})
			return found
		})
		stop()
		require.NoError(t, <-done)
	}
	send := func(id string, b receipt.Body) {
		tk := c.client.Publish(receipt.Topic("lake-07", receipt.LeafOrder), 1, true, order(t, id, time.Now().Add(time.Hour), b))
		<-tk.Done()
		require.NoError(t, tk.Error())
	}
	said := func(state map[string]any) string {
		all := state["orders"].(map[string]any)["answers"].([]any)
		text, _ := all[len(all)-1].(map[string]any)["error"].(string)
		return text
	}
	answers(func(answered func(string) map[string]any) {
		send("o-1", receipt.Body{Interval: "1s"})
		state := answered("o-1")
		require.Empty(t, said(state))
		require.Equal(t, 1.0, state["interval_s"])
		require.Positive(t, state["board"].(map[string]any)["disk_bytes"])
		require.Equal(t, 1.0, state["link"].(map[string]any)["connections"])
		eventually(t, "readings", func() bool { return c.stored() >= 2 })
		for id, test := range map[string]struct {
			body receipt.Body
			want string
		}{
			"o-2": {receipt.Body{Heat: 3}, "no sensor of this station has a heater"},
			"o-3": {receipt.Body{Heat: 31}, "1 to 30"},
			"o-4": {receipt.Body{Identify: 5}, "names no lamp"},
			"o-5": {receipt.Body{Identify: 5000}, "1 to 600 seconds"},
			"o-6": {receipt.Body{Interval: "25h"}, "write 1s to 24h"},
			"o-8": {receipt.Body{Heat: 1, Identify: 1}, "more than one thing"},
			"o-7": {receipt.Body{}, "knows nothing that it says"},
		} {
			send(id, test.body)
			require.Contains(t, said(answered(id)), test.want)
		}
	})
	before := c.stored()
	answers(func(func(string) map[string]any) {
		eventually(t, "readings at the ordered interval", func() bool { return c.stored() >= before+2 })
	})
}
