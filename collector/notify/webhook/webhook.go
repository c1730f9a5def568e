// Package webhook brings messages by HTTP POST: a CloudEvents 1.0 body, signed
// as Standard Webhooks has it. It goes where a person's URL says and nowhere
// else: redirects are not followed, and by default no address inside of a
// network, whatever name led to it.
package webhook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"syscall"
	"time"

	"dewpost/collector/notify"
	"dewpost/collector/record"
)

const (
	secretPrefix = "whsec_"
	answerMost   = 64 << 10 // bytes of an answer that are read, so that a connection ends in order
	laterMost    = 24 * time.Hour
)

// Config says where webhooks may go.
type Config struct {
	Source  string         // names the installation in CloudEvents
	Private []netip.Prefix // networks that are not public and may be reached all the same
	Now     func() time.Time
	Client  *http.Client // nil: one that keeps to Private; others are for tests
}

// Webhook is the way by HTTP.
type Webhook struct {
	cfg    Config
	client *http.Client
}

// New makes the way.
func New(cfg Config) *Webhook {
	w := &Webhook{cfg: cfg, client: cfg.Client}
	if w.client == nil {
		w.client = Client(cfg.Private)
	}
	return w
}

// Client makes a client that follows no redirect, asks no proxy, and connects
// to public addresses and to those of private only. It checks the address that
// it is about to connect to: a name can lead anywhere, and elsewhere the next
// time.
func Client(private []netip.Prefix) *http.Client {
	dialer := net.Dialer{Timeout: 10 * time.Second, Control: func(_, address string, _ syscall.RawConn) error { return Allowed(address, private) }}
	return &http.Client{
		Transport:     &http.Transport{DialContext: dialer.DialContext, DisableKeepAlives: true, TLSHandshakeTimeout: 10 * time.Second, ForceAttemptHTTP2: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// shared are networks that are not public, beside those that netip knows.
// Source: RFC 6890 and its registries, from memory.
var shared = []netip.Prefix{
	netip.MustParsePrefix("0.0.0.0/8"), netip.MustParsePrefix("100.64.0.0/10"), netip.MustParsePrefix("192.0.0.0/24"),
	netip.MustParsePrefix("192.0.2.0/24"), netip.MustParsePrefix("198.18.0.0/15"), netip.MustParsePrefix("198.51.100.0/24"),
	netip.MustParsePrefix("203.0.113.0/24"), netip.MustParsePrefix("240.0.0.0/4"), netip.MustParsePrefix("64:ff9b::/96"),
	netip.MustParsePrefix("64:ff9b:1::/48"), netip.MustParsePrefix("100::/64"), netip.MustParsePrefix("2001::/23"),
	netip.MustParsePrefix("2001:db8::/32"), netip.MustParsePrefix("2002::/16"),
}

// Allowed says why an address (host:port) may not be connected to.
func Allowed(address string, private []netip.Prefix) error {
	ap, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("address %q: it is none", address)
	}
	ip := ap.Addr().Unmap().WithZone("")
	for _, p := range private {
		if p.Contains(ip) {
			return nil
		}
	}
	public := ip.IsGlobalUnicast() && !ip.IsPrivate()
	for _, p := range shared {
		public = public && !p.Contains(ip)
	}
	if !public {
		return fmt.Errorf("address %s: it is not public: if messages may go there, write it into messages.private of the config", ip)
	}
	return nil
}

// Send posts one message. nil means that the receiver answered 2xx.
// Source: Standard Webhooks 1.0 (headers, what is signed), CloudEvents 1.0.2
// HTTP binding (structured mode), RFC 9110 10.2.3 (Retry-After); the first two
// from memory.
func (w *Webhook) Send(ctx context.Context, to record.Channel, p *notify.Parcel) error {
	body, err := p.CloudEvent(w.cfg.Source)
	if err != nil {
		return fmt.Errorf("write a message: %w", err)
	}
	key, err := Key(to.Secret)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, to.Address, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("webhook %q: %w", to.Address, err)
	}
	id, stamp := "msg_"+p.ID(p.Event), strconv.FormatInt(w.cfg.Now().Unix(), 10)
	req.Header.Set("Content-Type", "application/cloudevents+json; charset=utf-8")
	req.Header.Set("User-Agent", "dewpost")
	req.Header.Set("Webhook-Id", id)
	req.Header.Set("Webhook-Timestamp", stamp)
	req.Header.Set("Webhook-Signature", Sign(key, id, stamp, body))
	resp, err := w.client.Do(req)
	if err != nil {
		return fmt.Errorf("webhook: %w", err)
	}
	_, readErr := io.Copy(io.Discard, io.LimitReader(resp.Body, answerMost))
	if err := errors.Join(readErr, resp.Body.Close()); err != nil && resp.StatusCode/100 != 2 {
		return fmt.Errorf("webhook: %w", err)
	}
	if resp.StatusCode/100 == 2 {
		return nil
	}
	why := fmt.Sprintf("webhook: the receiver answered %s", resp.Status)
	if resp.StatusCode/100 == 3 {
		why += ": redirects are not followed, write the URL where it ends"
	}
	if d := later(resp.Header.Get("Retry-After"), w.cfg.Now()); d > 0 {
		return notify.Later{After: d, Why: why}
	}
	return errors.New(why)
}

// later reads a Retry-After: seconds, or a date.
func later(text string, now time.Time) time.Duration {
	d := time.Duration(0)
	if n, err := strconv.ParseUint(text, 10, 31); err == nil {
		d = time.Duration(n) * time.Second
	} else if t, err := http.ParseTime(text); err == nil {
		d = t.Sub(now)
	}
	return min(max(d, 0), laterMost)
}

// Sign signs a message.
func Sign(key []byte, id, stamp string, body []byte) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(id + "." + stamp + "."))
	h.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(h.Sum(nil))
}

// Key reads the key out of a secret: whsec_ and 24 to 64 bytes in base64.
func Key(secret string) ([]byte, error) {
	text, ok := strings.CutPrefix(secret, secretPrefix)
	key, err := base64.StdEncoding.DecodeString(text)
	if !ok || err != nil || len(key) < 24 || len(key) > 64 {
		return nil, errors.New("webhook: its secret is none: write whsec_ and 24 to 64 bytes in base64, or leave it out to have one made")
	}
	return key, nil
}
