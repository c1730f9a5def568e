package webhook_test

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/notify"
	"dewpost/collector/notify/webhook"
	"dewpost/collector/record"
	"dewpost/rules/unit"
)

var (
	now    = time.Date(2025, 11, 5, 7, 0, 0, 0, time.UTC)
	secret = "whsec_" + base64.StdEncoding.EncodeToString([]byte("twenty-four bytes or more"))
)

func parcel() *notify.Parcel {
	return &notify.Parcel{
		Event: "lake-07:water_inside:1", Type: "finding", Person: "Ida", Station: "lake-07", Urgent: true, Created: unit.At(now.Add(-time.Hour)),
		Text: notify.Text{Subject: "Water inside"}, Data: json.RawMessage(`{"number":1}`),
	}
}

func way(private ...string) *webhook.Webhook {
	var list []netip.Prefix
	for _, p := range private {
		list = append(list, netip.MustParsePrefix(p))
	}
	return webhook.New(webhook.Config{Source: "https://watch.example", Private: list, Now: func() time.Time { return now }})
}

// The signature's bytes are those of the example in the Standard Webhooks
// specification (from memory): id msg_p5jXN8AQM9LWM0D4loKWxJek, timestamp
// 1614265330, body {"test": 2432232314}.
func TestSignature_StandardWebhooks(t *testing.T) {
	key, err := webhook.Key("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	require.NoError(t, err)
	require.Equal(t, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
		webhook.Sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`)))
}

func TestKey(t *testing.T) {
	for _, bad := range []string{"", "whsec_", "whsec_%", "whsec_AAAA", strings.TrimPrefix(secret, "whsec_"), "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 65))} {
		_, err := webhook.Key(bad)
		require.Error(t, err, bad)
	}
}

// What is posted is a CloudEvent that a receiver can check, the same each time.
func TestSend(t *testing.T) {
	var ids []string
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			panic(err)
		}
		key, err := webhook.Key(secret)
		if err != nil {
			panic(err)
		}
		h := r.Header
		ids = append(ids, h.Get("webhook-id"))
		if webhook.Sign(key, h.Get("webhook-id"), h.Get("webhook-timestamp"), body) != h.Get("webhook-signature") || h.Get("webhook-timestamp") != "1762326000" ||
			h.Get("Content-Type") != "application/cloudevents+json; charset=utf-8" {
			panic("signature")
		}
		var event map[string]any
		if err := json.Unmarshal(body, &event); err != nil {
			panic(err)
		}
		for name, want := range map[string]any{
			"specversion": "1.0", "id": "lake-07:water_inside:1", "source": "https://watch.example", "type": "dewpost.finding", "subject": "lake-07",
			"time": "2025-11-05T06:00:00Z", "datacontenttype": "application/json",
		} {
			if event[name] != want {
				panic(name)
			}
		}
		if event["data"].(map[string]any)["message"].(map[string]any)["number"] != 1.0 {
			panic("data")
		}
	}))
	defer s.Close()
	for range 2 {
		require.NoError(t, way("127.0.0.0/8").Send(t.Context(), record.Channel{Address: s.URL, Secret: secret}, parcel()))
	}
	require.Equal(t, ids[0], ids[1])
	require.ErrorContains(t, way("127.0.0.0/8").Send(t.Context(), record.Channel{Address: s.URL}, parcel()), "secret")
	require.ErrorContains(t, way("127.0.0.0/8").Send(t.Context(), record.Channel{Address: ":", Secret: secret}, parcel()), "webhook")
}

// Only 2xx is taken; a redirect isn't followed; Retry-After is passed on.
func TestAnswers(t *testing.T) {
	followed := false
	mux := http.NewServeMux()
	mux.HandleFunc("/followed", func(http.ResponseWriter, *http.Request) { followed = true })
	mux.HandleFunc("/redirect", func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "/followed", http.StatusTemporaryRedirect)
	})
	answer := func(path string, status int, retry string) {
		mux.HandleFunc(path, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", retry)
			w.WriteHeader(status)
		})
	}
	answer("/seconds", 429, "120")
	answer("/date", 503, now.Add(time.Hour).Format(http.TimeFormat))
	answer("/past", 503, now.Add(-time.Hour).Format(http.TimeFormat))
	answer("/far", 503, "99999999")
	answer("/nonsense", 500, "soon")
	answer("/accepted", 202, "")
	mux.HandleFunc("/cut", func(w http.ResponseWriter, _ *http.Request) {
		conn, _, err := http.NewResponseController(w).Hijack()
		if err == nil {
			_ = conn.Close()
		}
	})
	mux.HandleFunc("/hangs", func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // else nobody sees that the client goes
		<-r.Context().Done()
	})
	s := httptest.NewServer(mux)
	defer s.Close()
	ask := func(path string) error {
		ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
		defer cancel()
		return way("127.0.0.1/32").Send(ctx, record.Channel{Address: s.URL + path, Secret: secret}, parcel())
	}
	for path, want := range map[string]time.Duration{"/seconds": 2 * time.Minute, "/date": time.Hour, "/far": 24 * time.Hour} {
		var later notify.Later
		require.ErrorAs(t, ask(path), &later, path)
		require.Equal(t, want, later.After, path)
	}
	for _, path := range []string{"/past", "/nonsense", "/redirect", "/cut", "/hangs", "/nowhere"} {
		err := ask(path)
		require.Error(t, err, path)
		require.False(t, errors.As(err, new(notify.Later)), path)
	}
	require.ErrorContains(t, ask("/redirect"), "redirects are not followed")
	require.False(t, followed)
	require.NoError(t, ask("/accepted"))
}

// What counts is the address that is dialled, whatever name led there.
func TestPrivateAddresses(t *testing.T) {
	reached := false
	s := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached = true }))
	defer s.Close()
	for _, url := range []string{s.URL, strings.Replace(s.URL, "127.0.0.1", "localhost", 1), strings.Replace(s.URL, "127.0.0.1", "[::ffff:127.0.0.1]", 1)} {
		err := way("10.0.0.0/8").Send(t.Context(), record.Channel{Address: url, Secret: secret}, parcel())
		require.Error(t, err, url)
		require.False(t, reached, url)
	}
	private := []netip.Prefix{netip.MustParsePrefix("192.168.1.20/32")}
	for _, bad := range []string{
		"127.0.0.1:80", "10.1.2.3:80", "172.16.0.1:80", "192.168.1.21:80", "169.254.169.254:80", "0.0.0.0:80", "100.64.0.1:80", "224.0.0.1:80", "255.255.255.255:80",
		"[::1]:80", "[::]:80", "[fe80::1%eth0]:80", "[fc00::1]:80", "[ff02::1]:80", "[::ffff:10.0.0.1]:80", "[64:ff9b::a00:1]:80", "[2002:a00:1::]:80", "[2001:db8::1]:80", "192.0.2.1:80", "name:80",
	} {
		require.Error(t, webhook.Allowed(bad, private), bad)
	}
	for _, good := range []string{"192.168.1.20:80", "[::ffff:192.168.1.20]:80", "9.9.9.9:443", "[2620:fe::fe]:443"} {
		require.NoError(t, webhook.Allowed(good, private), good)
	}
}
