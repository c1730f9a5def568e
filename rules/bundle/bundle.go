// Package bundle holds what a station's agent needs to reach its collector:
// the broker's address, the station's id and secret, and the authority by which
// the agent knows the broker. It gives the files of an enrolment, and a text
// that holds the same and fits into one QR code.
//
// # The text
//
// "dewpost1-", then in base64url without padding (RFC 4648 section 5): broker,
// station, secret and authority, each with its length before it in two bytes,
// big-endian; then the first four bytes of the SHA-256 of all that, "dewpost1-"
// included. The authority is a certificate in DER, or several one behind the
// other, or empty where the agent trusts those of its system. There is one way to write a bundle, and nothing
// else is read: a text that is accepted is written again byte for byte.
package bundle

import (
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"dewpost/rules/receipt"
)

const (
	kind      = "dewpost"
	prefix    = kind + "1-"
	checkSize = 4
	mostText  = 4 << 10 // characters; a QR code holds fewer
)

// Bundle is one station's.
type Bundle struct {
	Broker    string // mqtts://HOST:PORT, or mqtt:// without encryption
	Station   string
	Secret    receipt.Secret
	Authority []byte // certificates in DER; nil: those of the agent's system
}

var brokerURL = regexp.MustCompile(`^(mqtts?)://(\[[0-9a-f:.]+\]|[A-Za-z0-9.-]{1,253}):([0-9]{1,5})$`)

// Check says what of a bundle can't be used.
func (b *Bundle) Check() error {
	m := brokerURL.FindStringSubmatch(b.Broker)
	if m == nil {
		return fmt.Errorf("broker %q: write mqtts://HOST:PORT, or mqtt://HOST:PORT", b.Broker)
	}
	if port, err := strconv.Atoi(m[3]); err != nil || port < 1 || port > 65535 {
		return fmt.Errorf("broker %q: the port is none of 1 to 65535", b.Broker)
	}
	if err := receipt.ValidStation(b.Station); err != nil {
		return err
	}
	if b.Secret.IsZero() {
		return errors.New("the secret is missing")
	}
	if len(b.Authority) == 0 {
		return nil
	}
	if !b.encrypted() {
		return fmt.Errorf("broker %q: an authority has no use without encryption", b.Broker)
	}
	if _, err := x509.ParseCertificates(b.Authority); err != nil {
		return fmt.Errorf("the authority is no certificate: %w", err)
	}
	return nil
}

func (b *Bundle) encrypted() bool { return strings.HasPrefix(b.Broker, "mqtts://") }

// Local tells whether the address means the agent's own machine.
func (b *Bundle) Local() bool {
	host := brokerURL.FindStringSubmatch(b.Broker)[2]
	return host == "localhost" || host == "[::1]" || strings.HasPrefix(host, "127.")
}

// Text writes the bundle as one line.
func (b *Bundle) Text() (string, error) {
	if err := b.Check(); err != nil {
		return "", fmt.Errorf("bundle: %w", err)
	}
	secret, err := hex.DecodeString(b.Secret.Hex())
	if err != nil {
		return "", errors.New("bundle: the secret can't be written")
	}
	var body []byte
	for _, field := range [][]byte{[]byte(b.Broker), []byte(b.Station), secret, b.Authority} {
		body = binary.BigEndian.AppendUint16(body, uint16(len(field)))
		body = append(body, field...)
	}
	text := prefix + encoding.EncodeToString(append(body, check(body)...))
	if len(text) > mostText {
		return "", fmt.Errorf("bundle: %d characters are more than the %d that are read", len(text), mostText)
	}
	return text, nil
}

var encoding = base64.RawURLEncoding.Strict()

func check(body []byte) []byte {
	sum := sha256.Sum256(append([]byte(prefix), body...))
	return sum[:checkSize]
}

// IsText tells whether text is one that Text wrote, whole or not: it is secret.
func IsText(text string) bool { return strings.HasPrefix(strings.TrimSpace(text), prefix) }

// Parse reads what Text writes; space around it is ignored. Errors never hold
// what was read: it is secret.
func Parse(text string) (Bundle, error) {
	text = strings.TrimSpace(text)
	coded, ok := strings.CutPrefix(text, prefix)
	switch {
	case !ok && strings.HasPrefix(text, kind):
		return Bundle{}, errors.New("bundle: it was written for another version of dewpost: enrol the station anew with the one in use")
	case !ok:
		return Bundle{}, fmt.Errorf("bundle: it does not begin with %q: this is not what dewpost station add --qr shows", prefix)
	case len(text) > mostText:
		return Bundle{}, fmt.Errorf("bundle: it is longer than %d characters: there is something else behind it", mostText)
	case strings.ContainsAny(coded, "\r\n"): // the decoder would pass over them
		return Bundle{}, errors.New("bundle: there is a line break in it: put it on one line")
	}
	raw, err := encoding.DecodeString(coded)
	if err != nil {
		return Bundle{}, errors.New("bundle: there are characters in it that don't belong there: scan or copy it again")
	}
	if len(raw) < checkSize {
		return Bundle{}, errDamaged
	}
	body, sum := raw[:len(raw)-checkSize], raw[len(raw)-checkSize:]
	if string(sum) != string(check(body)) {
		return Bundle{}, errDamaged
	}
	b, err := decode(body)
	if err == nil {
		err = b.Check()
	}
	if err != nil {
		return Bundle{}, fmt.Errorf("bundle: %w", err)
	}
	return b, nil
}

var errDamaged = errors.New("bundle: it is damaged or not complete: scan or copy it again")

func decode(body []byte) (Bundle, error) {
	var fields [4][]byte
	for i := range fields {
		if len(body) < 2 {
			return Bundle{}, errors.New("fields are missing")
		}
		n := int(binary.BigEndian.Uint16(body))
		if body = body[2:]; len(body) < n {
			return Bundle{}, errors.New("a field is longer than the text")
		}
		fields[i], body = body[:n], body[n:]
	}
	if len(body) > 0 {
		return Bundle{}, errors.New("there is something behind the last field")
	}
	secret, err := receipt.NewSecret(fields[2])
	b := Bundle{Broker: string(fields[0]), Station: string(fields[1]), Secret: secret}
	if len(fields[3]) > 0 {
		b.Authority = fields[3]
	}
	return b, err
}

// File is one file of an enrolment. Its owner alone should be able to read it.
type File struct{ Name, Text string }

// AuthorityFile is the name of the file with the authority.
const AuthorityFile = "collector-ca.pem"

// Files returns the files of a bundle that Check has nothing against: the
// secret, the authority if there is one, and a config to complete.
func (b *Bundle) Files() []File {
	var note, ca, plain string
	if b.Local() {
		note = "# This address reaches the broker from the collector's own machine only.\n"
	}
	files := []File{{b.Station + ".secret", b.Secret.Hex() + "\n"}}
	if len(b.Authority) > 0 {
		ca = fmt.Sprintf("ca_file = %q\n", AuthorityFile)
		files = append(files, File{AuthorityFile, inPEM(b.Authority)})
	}
	if !b.encrypted() && !b.Local() {
		plain = "plaintext = true # anyone on the way can read and change everything, and learn the password\n"
	}
	return append(files, File{"agent.toml", fmt.Sprintf(agentConfig, note, b.Broker, ca, plain, b.Station, b.Station)})
}

func inPEM(der []byte) string {
	list, err := x509.ParseCertificates(der)
	if err != nil {
		panic("bundle: Check was not asked: " + err.Error())
	}
	var text []byte
	for _, cert := range list {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert.Raw})...)
	}
	return string(text)
}

// agentConfig is a beginning; deploy/agent.toml documents every key.
const agentConfig = `%sbroker = %q
%s%sspool_dir = "spool"

[[station]]
id = %q
secret_file = "%s.secret"
interval = "10m"

# Name what the station measures with here; the sample config documents every
# driver and key, and dewpost-agent check says what is missing.
`
