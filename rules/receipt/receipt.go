// Package receipt holds the topics of contract v1 and the receipts by which a
// collector tells an agent that readings are safe: their JSON form, and the
// keys that make them unforgeable.
//
// A station's secret S never travels. The broker password and the MAC key are
// derived from it by HKDF-SHA-256 (RFC 5869) with an empty salt; a receipt
// carries an HMAC-SHA-256 (RFC 2104).
package receipt

import (
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// The last level of a station's topics.
const (
	LeafReadings = "readings" // station → collector, line protocol, not retained
	LeafState    = "state"    // station → collector, JSON, retained
	LeafReceipt  = "receipt"  // collector → station, JSON, retained
	LeafOrder    = "order"    // collector → station, JSON
)

const topicRoot = "dewpost/v1/"

// MaxBatch is the largest readings payload, in bytes.
const MaxBatch = 64 << 10

// Topic returns dewpost/v1/<station>/<leaf>.
func Topic(station, leaf string) string { return topicRoot + station + "/" + leaf }

// ParseTopic takes a topic of contract v1 apart; ok is false for any other.
func ParseTopic(topic string) (station, leaf string, ok bool) {
	rest, found := strings.CutPrefix(topic, topicRoot)
	if !found {
		return "", "", false
	}
	station, leaf, ok = strings.Cut(rest, "/")
	if !ok || ValidStation(station) != nil || strings.Contains(leaf, "/") {
		return "", "", false
	}
	return station, leaf, true
}

var stationID = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$`)

// ValidStation returns an error that says how to write a station id, or nil.
func ValidStation(id string) error {
	if !stationID.MatchString(id) {
		return fmt.Errorf("station id %q: use 1 to 32 of a-z, 0-9 and -, beginning and ending with a letter or digit", id)
	}
	return nil
}

var runID = regexp.MustCompile(`^[0-9a-f]{16}$`)

// ValidRun tells whether run is 16 hex digits in lower case.
func ValidRun(run string) bool { return runID.MatchString(run) }

// Secret is what a station and its collector share: at least 128 bits.
type Secret struct{ key string }

// NewSecret makes a secret of random bytes; at least 16.
func NewSecret(random []byte) (Secret, error) {
	if len(random) < 16 {
		return Secret{}, fmt.Errorf("station secret of %d bytes: 16 or more are needed", len(random))
	}
	return Secret{key: string(random)}, nil
}

// ParseSecret reads a secret written by Hex; surrounding space is ignored.
func ParseSecret(text string) (Secret, error) {
	raw, err := hex.DecodeString(strings.TrimSpace(text))
	if err != nil {
		// The text itself is secret and stays out of the error.
		return Secret{}, errors.New("station secret: not hexadecimal; copy it anew from the enrolment")
	}
	return NewSecret(raw)
}

// Hex returns the secret as it stands in a secret file.
func (s Secret) Hex() string { return hex.EncodeToString([]byte(s.key)) }

// IsZero tells whether there is no secret.
func (s Secret) IsZero() bool { return s.key == "" }

// String keeps secrets out of logs.
func (s Secret) String() string { return "secret" }

// Password returns the station's broker password, 64 hex digits.
func (s Secret) Password() string { return hex.EncodeToString(s.derive("dewpost/v1/password")) }

func (s Secret) derive(info string) []byte {
	// Key fails only for lengths beyond 255 hashes.
	key, err := hkdf.Key(sha256.New, []byte(s.key), nil, info, 32)
	if err != nil {
		panic("receipt: hkdf of 32 bytes: " + err.Error())
	}
	return key
}

func (s Secret) mac(lines ...string) string {
	m := hmac.New(sha256.New, s.derive("dewpost/v1/mac"))
	m.Write([]byte(strings.Join(lines, "\n")))
	return hex.EncodeToString(m.Sum(nil))
}

// Receipt says that every seq up to Upto of Run is settled.
type Receipt struct {
	Run  string `json:"run"`
	Upto int64  `json:"upto"`
	MAC  string `json:"mac"`
}

// Receipt signs a receipt for a station's run.
func (s Secret) Receipt(station, run string, upto int64) Receipt {
	return Receipt{Run: run, Upto: upto, MAC: s.receiptMAC(station, run, upto)}
}

func (s Secret) receiptMAC(station, run string, upto int64) string {
	return s.mac("dewpost/v1/receipt", station, run, strconv.FormatInt(upto, 10))
}

// JSON returns the receipt as published.
func (r Receipt) JSON() []byte {
	b, err := json.Marshal(r)
	if err != nil {
		panic("receipt: two strings and a number: " + err.Error())
	}
	return b
}

// ErrForged is returned for a receipt whose MAC is not the station's.
var ErrForged = errors.New("receipt: wrong MAC")

// Verify reads a published receipt for station. It returns ErrForged when the
// MAC is wrong, and another error when the payload is no receipt.
func (s Secret) Verify(station string, payload []byte) (Receipt, error) {
	var r Receipt
	if err := json.Unmarshal(payload, &r); err != nil {
		return Receipt{}, fmt.Errorf("receipt: not JSON: %w", err)
	}
	if !ValidRun(r.Run) || r.Upto < 0 {
		return Receipt{}, fmt.Errorf("receipt: run %q upto %d: not a run or a negative number", r.Run, r.Upto)
	}
	if !hmac.Equal([]byte(r.MAC), []byte(s.receiptMAC(station, r.Run, r.Upto))) {
		return Receipt{}, ErrForged
	}
	return r, nil
}
