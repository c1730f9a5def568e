package feed

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"net/http"
	"strconv"
	"time"

	"dewpost/rules/reading"
)

const (
	answerMost = 4 << 10 // bytes of an answer that are read
	whyMost    = 300     // bytes of it that are told
)

// HTTP posts bodies to a URL.
type HTTP struct {
	URL    string
	Token  func() (string, error) // for the header Authorization: Bearer (RFC 6750); nil: none
	Gzip   bool
	Client *http.Client
	Now    func() time.Time
}

// Client makes a client that follows no redirect: what is sent on goes where the
// config says, or nowhere.
func Client() *http.Client {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.ResponseHeaderTimeout = 30 * time.Second
	return &http.Client{Transport: t, Timeout: time.Minute, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// Post sends a body. Any status 2xx says that it was taken.
func (h *HTTP) Post(ctx context.Context, body []byte) (err error) {
	request, err := h.request(ctx, body)
	if err != nil {
		return err
	}
	answer, err := h.Client.Do(request)
	if err != nil {
		return err
	}
	defer answer.Body.Close() //nolint:errcheck // nothing is written
	said, _ := io.ReadAll(io.LimitReader(answer.Body, answerMost))
	if answer.StatusCode/100 == 2 {
		return nil
	}
	why := "status " + answer.Status
	if text := reading.Printable(bytes.TrimSpace(said[:min(len(said), whyMost)])); text != "" {
		why += ": " + text
	}
	switch code := answer.StatusCode; {
	case code == http.StatusTooManyRequests, code == http.StatusServiceUnavailable:
		if after, ok := retryAfter(answer.Header.Get("Retry-After"), h.Now()); ok {
			return &Later{after, why}
		}
	case code/100 == 4 && !ofRequest[code]:
		return &Refused{why}
	}
	return errors.New(why)
}

// ofRequest are statuses 4xx that say nothing of the lines (RFC 9110): who asks,
// where, how, or when. A person may have to act, and then it goes on.
var ofRequest = map[int]bool{
	http.StatusUnauthorized: true, http.StatusPaymentRequired: true, http.StatusForbidden: true, http.StatusNotFound: true,
	http.StatusMethodNotAllowed: true, http.StatusProxyAuthRequired: true, http.StatusRequestTimeout: true,
	http.StatusUnsupportedMediaType: true, http.StatusMisdirectedRequest: true, http.StatusTooEarly: true,
	http.StatusUpgradeRequired: true, http.StatusTooManyRequests: true,
}

func (h *HTTP) request(ctx context.Context, body []byte) (*http.Request, error) {
	if h.Gzip {
		var packed bytes.Buffer
		w := gzip.NewWriter(&packed)
		w.Write(body) //nolint:errcheck // into memory
		w.Close()     //nolint:errcheck // as well
		body = packed.Bytes()
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, h.URL, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	r.Header.Set("Content-Type", "text/plain; charset=utf-8")
	if h.Gzip {
		r.Header.Set("Content-Encoding", "gzip")
	}
	if h.Token != nil {
		token, err := h.Token()
		if err != nil {
			return nil, err
		}
		r.Header.Set("Authorization", "Bearer "+token)
	}
	return r, nil
}

// retryAfter reads seconds or a date (RFC 9110, 10.2.3).
func retryAfter(text string, now time.Time) (time.Duration, bool) {
	if n, err := strconv.Atoi(text); err == nil && n >= 0 {
		return time.Duration(min(n, 1<<30)) * time.Second, true
	}
	at, err := http.ParseTime(text)
	return at.Sub(now), err == nil
}
