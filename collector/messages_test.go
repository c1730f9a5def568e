package collector

import (
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// A message goes through a real broker, over the collector's own connection and
// with the rights of the sample access list, to the program that has its name.
func TestMessageByMQTT(t *testing.T) {
	s := newShop(t)
	b := s.bundle(false)
	heard := make(chan []byte, 10)
	ca, err := s.cfg.Broker.intakeConfig()
	require.NoError(t, err)
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(s.cfg.Broker.URL).SetTLSConfig(ca.TLS).
		SetClientID(lake).SetUsername(lake).SetPassword(b.Secret.Password()).SetProtocolVersion(4).SetAutoReconnect(false))
	done := func(token mqtt.Token) {
		t.Helper()
		require.True(t, token.WaitTimeout(patience))
		require.NoError(t, token.Error())
	}
	done(client.Connect())
	defer client.Disconnect(250)
	done(client.Subscribe("dewpost/messages/"+lake, 1, func(_ mqtt.Client, m mqtt.Message) { heard <- m.Payload() }))

	p := books.NewPerson("Wall", "Etc/UTC")
	p.Letter = ""
	p.Channels = []record.Channel{{Kind: record.MQTT, Address: "dewpost/messages/" + lake}}
	p, err = books.NewPeople(s.store).Put(t.Context(), p, unit.At(s.now()), "test")
	require.NoError(t, err)
	require.NoError(t, s.col.messages().Try(t.Context(), p, "x", unit.At(s.now())))
	select {
	case payload := <-heard:
		var event map[string]any
		require.NoError(t, json.Unmarshal(payload, &event))
		require.Equal(t, "dewpost.trial", event["type"])
		require.Equal(t, "1.0", event["specversion"])
	case <-time.After(patience):
		require.Fail(t, "nothing came")
	}
	require.Eventually(t, func() bool {
		told, err := s.store.Told(t.Context(), 1)
		require.NoError(t, err)
		return told[0].Taken != 0
	}, patience, 10*time.Millisecond)
}

// With nothing set up but what is by default, the watch goes round: a reading of
// the artificial station comes through the embedded broker to the outbox, and is
// in no list and no count.
func TestWatchGoesRound(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	c, err := Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.Close()) })
	require.Eventually(t, func() bool { return c.watch.Stats().Arrived > 0 }, patience, 5*time.Millisecond)
	list, err := c.store.Stations(t.Context())
	require.NoError(t, err)
	require.Empty(t, list)
	counts, err := c.store.Counts(t.Context())
	require.NoError(t, err)
	require.Zero(t, counts.Received)
	require.Zero(t, c.intake.Stats().Messages)
	by, ok := c.authenticate(t.Context(), record.WatchStation, []byte("guessed"))
	require.False(t, ok)
	require.NotContains(t, by, c.rounds.secret.Password())
}

func TestMessageConfigErrorsNameTheKey(t *testing.T) {
	for want, change := range map[string]func(*Config){
		"mail.server is missing":        func(c *Config) { c.Mail.From = "a@b.example" },
		"mail.from is missing":          func(c *Config) { c.Mail.Server = "x:25" },
		"mail.password_file is missing": func(c *Config) { c.Mail = Mail{Server: "x:25", From: "a@b.example", User: "u"} },
		"mail.server \"x\"":             func(c *Config) { c.Mail = Mail{Server: "x", From: "a@b.example"} },
		"messages.pages":                func(c *Config) { c.Messages.Pages = "watch.example" },
		"messages.pages \"https":        func(c *Config) { c.Messages.Pages = "https://watch.example/x" },
		"messages.private":              func(c *Config) { c.Messages.Private = []string{"lan"} },
		"watch.every":                   func(c *Config) { c.Watch.Every = Duration(2 * time.Hour) },
		"watch.call: write a URL":       func(c *Config) { c.Watch.Call = "there" },
		"watch.call: nothing":           func(c *Config) { c.Watch = Watch{Call: "https://x.example/"} },
	} {
		cfg := DefaultConfig()
		change(&cfg)
		require.ErrorContains(t, cfg.check(), want)
	}
	for file, change := range map[string]func(*Config, string){
		"mail.password_file": func(c *Config, path string) { c.Mail = Mail{Server: "x:25", From: "a@b.example", PasswordFile: path} },
		"mail.ca_file":       func(c *Config, path string) { c.Mail = Mail{Server: "x:25", From: "a@b.example", CAFile: path} },
	} {
		cfg := DefaultConfig()
		change(&cfg, "/nowhere/file")
		_, err := cfg.Ways()
		require.ErrorContains(t, err, file)
	}
	require.ErrorContains(t, new(Duration).UnmarshalText([]byte("soon")), "write a time span")
}

// Where people are sent to, and by what name an installation is known.
func TestAddresses(t *testing.T) {
	cfg := DefaultConfig()
	require.Equal(t, "http://watch:k@127.0.0.1:8480/api/v1/watched", cfg.WatchedURL("k"))
	require.Equal(t, "urn:dewpost:workshop", cfg.source())
	cfg.Pages.Listen, cfg.TLS.Names = "0.0.0.0:8480", []string{"watch.lan"}
	require.Equal(t, "https://watch:k@watch.lan:8480/api/v1/watched", cfg.WatchedURL("k"))
	require.Equal(t, "urn:dewpost:watch.lan", cfg.source())
	cfg.Messages.Pages = "https://watch.example/"
	require.Equal(t, "https://watch:k@watch.example/api/v1/watched", cfg.WatchedURL("k"))
	require.Equal(t, "https://watch.example", cfg.source())
	require.False(t, strings.HasSuffix(cfg.source(), "/"))
}
