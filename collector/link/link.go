// Package link makes and reads what a message carries so that its reader can
// say that they have seen it: a token for one message and one person, that
// expires and that nobody else can make. Following the link changes nothing;
// the page behind it has a button.
package link

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"dewpost/rules/unit"
)

// Life is how long a token is good for: what nobody saw for so long stands in
// every morning letter, which has a link of its own.
const Life = 14 * 24 * time.Hour

// Errors of tokens.
var (
	ErrForged  = errors.New("the link is not one of ours, or was cut short: use the one in the message, whole")
	ErrExpired = errors.New("the link has expired: sign in to say that you have seen it")
)

// Seen is what a token says.
type Seen struct {
	Event   string       `json:"m"` // of the message
	Person  string       `json:"p"`
	Expires unit.Instant `json:"-"`
	Until   int64        `json:"e"` // Expires, in seconds since 1970
}

// Token makes the token of what was seen, good for Life from now.
func Token(key []byte, s Seen, now unit.Instant) (string, error) {
	s.Until = now.Add(Life).Time().Unix()
	body, err := json.Marshal(s)
	if err != nil {
		return "", err
	}
	enc := base64.RawURLEncoding
	return enc.EncodeToString(body) + "." + enc.EncodeToString(mac(key, body)), nil
}

// Read reads a token.
func Read(key []byte, token string, now unit.Instant) (Seen, error) {
	enc := base64.RawURLEncoding.Strict()
	first, second, ok := strings.Cut(token, ".")
	body, err := enc.DecodeString(first)
	sum, err2 := enc.DecodeString(second)
	if !ok || err != nil || err2 != nil || !hmac.Equal(sum, mac(key, body)) {
		return Seen{}, ErrForged
	}
	var s Seen
	if err := json.Unmarshal(body, &s); err != nil {
		return Seen{}, ErrForged
	}
	if s.Expires = unit.At(time.Unix(s.Until, 0)); s.Expires <= now {
		return Seen{}, ErrExpired
	}
	return s, nil
}

func mac(key, body []byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write([]byte("dewpost/v1/seen\n")) // no other use of the key makes a token
	h.Write(body)
	return h.Sum(nil)
}
