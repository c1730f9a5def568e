package collector

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"dewpost/collector/feed"
	"dewpost/collector/record"
)

// Export says what is sent on to another program as it comes, as line protocol
// by HTTP. Leave the whole section out to send nothing. Several collectors of one
// database have the same.
type Export struct {
	// URL that is posted to, with a query if it needs one. Nothing in it is secret.
	URL string `toml:"url"`
	// TokenFile holds what goes into the header Authorization: Bearer. It is read
	// for each request. Default none.
	TokenFile string `toml:"token_file"`
	// What is sent: hours, readings. Default hours.
	What []string `toml:"what"`
	// Every is the time between two looks for what changed. Default 1m.
	Every Duration `toml:"every"`
	// Lines are at most in one request. Default 5000.
	Lines int `toml:"lines"`
	// Gzip compresses the requests. Default true.
	Gzip bool `toml:"gzip"`
	// CAFile holds the certificates (PEM) that the receiver's is checked against.
	// Default: those of the system.
	CAFile string `toml:"ca_file"`
	// Plain allows http to another host: readings and the token cross the network
	// in the clear. Default false.
	Plain bool `toml:"plain"`
}

const (
	exportLinesMost = 100_000
	exportEveryMost = Duration(24 * time.Hour)
)

func (x Export) check() error {
	if x.URL == "" {
		if x.TokenFile != "" || x.CAFile != "" {
			return errors.New("export.url is missing: write where hours are sent, or leave [export] out")
		}
		return nil
	}
	u, err := url.Parse(x.URL)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.User != nil || u.Fragment != "" {
		return errors.New("export.url: write a URL without a password, as in https://receiver.example/lines")
	}
	port := u.Port()
	if port == "" {
		port = "0"
	}
	local, err := isLoopback("export.url", u.Hostname()+":"+port)
	if strings.Contains(u.Hostname(), ":") {
		local, err = isLoopback("export.url", "["+u.Hostname()+"]:"+port)
	}
	switch {
	case err != nil:
		return err
	case u.Scheme == "http" && !local && !x.Plain:
		return fmt.Errorf("export.url %q: use https, or set export.plain = true: readings and the token then cross the network in the clear", x.URL)
	case len(x.What) == 0:
		return errors.New("export.what is empty: write hours, readings or both, or leave [export] out")
	case x.Lines < 1 || x.Lines > exportLinesMost:
		return fmt.Errorf("export.lines %d: write 1 to %d", x.Lines, exportLinesMost)
	case x.Every < Duration(time.Second) || x.Every > exportEveryMost:
		return fmt.Errorf("export.every %q: write 1s to 24h", time.Duration(x.Every))
	}
	for i, what := range x.What {
		if what != record.FeedHours && what != record.FeedReadings || slices.Contains(x.What[:i], what) {
			return fmt.Errorf("export.what %q: write hours, readings or both, each once", what)
		}
	}
	return nil
}

// what is sent on; none without a URL.
func (x Export) what() []string {
	if x.URL == "" {
		return nil
	}
	return x.What
}

func (x Export) target() string {
	sum := sha256.Sum256([]byte(x.URL))
	return hex.EncodeToString(sum[:])
}

// client makes what posts.
func (x Export) client() (*http.Client, error) {
	c := feed.Client()
	if x.CAFile == "" {
		return c, nil
	}
	text, err := readFile("export.ca_file", x.CAFile)
	if err != nil {
		return nil, err
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("export.ca_file %s: no certificate in PEM form in it", x.CAFile)
	}
	c.Transport.(*http.Transport).TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots}
	return c, nil
}

func (x Export) token() (string, error) {
	text, err := readFile("export.token_file", x.TokenFile)
	return strings.TrimSpace(string(text)), err
}

// openFeed makes what sends on.
func (c *Collector) openFeed(ask <-chan struct{}) error {
	x := c.cfg.Export
	client, err := x.client()
	if err != nil {
		return err
	}
	post := &feed.HTTP{URL: x.URL, Gzip: x.Gzip, Client: client, Now: c.now}
	if x.TokenFile != "" {
		if _, err := x.token(); err != nil {
			return err
		}
		post.Token = x.token
	}
	c.feed = feed.New(feed.Config{
		Store: c.store, Post: post.Post, Target: x.target(), What: x.what(), Lines: x.Lines, Every: time.Duration(x.Every),
		Now: c.now, Log: c.log, OnDuty: c.store.OnDuty, Ask: ask,
	})
	return nil
}

// feeds sums up how sending on goes.
func (c *Collector) feeds(pick func(record.Feed) int64) func(context.Context) (float64, error) {
	return func(ctx context.Context) (float64, error) {
		list, err := c.store.Feeds(ctx)
		var n int64
		for _, f := range list {
			n += pick(f)
		}
		return float64(n), err
	}
}
