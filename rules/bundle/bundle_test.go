package bundle

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

func secret(t testing.TB) receipt.Secret {
	s, err := receipt.NewSecret([]byte("thirty-two bytes of a test, yes!"))
	require.NoError(t, err)
	return s
}

func authority(t testing.TB) []byte {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), nil)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Unix(1<<32, 0), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(nil, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	return der
}

func TestTextAndBack(t *testing.T) {
	for _, b := range []Bundle{
		{Broker: "mqtts://collector.example:8883", Station: "lake-07", Secret: secret(t), Authority: authority(t)},
		{Broker: "mqtts://[2001:db8::1]:8883", Station: "a", Secret: secret(t)},
		{Broker: "mqtt://192.0.2.7:1883", Station: "quay-02", Secret: secret(t)},
	} {
		text, err := b.Text()
		require.NoError(t, err)
		require.Regexp(t, `^dewpost1-[A-Za-z0-9_-]+$`, text)
		got, err := Parse(" \t" + text + "\r\n")
		require.NoError(t, err)
		require.Equal(t, b, got)
	}
}

// Any single character changed, left out or doubled is noticed.
func TestParse_Damage(t *testing.T) {
	b := Bundle{Broker: "mqtts://collector.example:8883", Station: "lake-07", Secret: secret(t), Authority: authority(t)}
	text, err := b.Text()
	require.NoError(t, err)
	for i := range text {
		other := byte('A')
		if text[i] == other {
			other = 'B'
		}
		for _, damaged := range []string{
			text[:i] + string(other) + text[i+1:], text[:i] + text[i+1:], text[:i], text[:i] + text[i:i+1] + text[i:], text[:i] + "\n" + text[i:],
		} {
			if strings.TrimSpace(damaged) == text {
				continue
			}
			got, err := Parse(damaged)
			require.Error(t, err, "position %d", i)
			require.Zero(t, got)
			require.NotContains(t, err.Error(), b.Secret.Hex())
		}
	}
}

func TestParse_SaysWhatIsWrong(t *testing.T) {
	coded := func(fields ...string) string {
		var body []byte
		for _, f := range fields {
			body = append(append(body, byte(len(f)>>8), byte(len(f))), f...)
		}
		return prefix + encoding.EncodeToString(append(body, check(body)...))
	}
	const url, id, key = "mqtts://h:1", "a", "0123456789abcdef"
	_, err := Parse(coded(url, id, key, ""))
	require.NoError(t, err, "control")
	for text, want := range map[string]string{
		"":                                  "does not begin with",
		"https://example.org":               "does not begin with",
		"dewpost2-AAAA":                     "another version",
		prefix:                              "damaged or not complete",
		prefix + "AA==":                     "characters",
		prefix + "A\nA":                     "line break",
		prefix + strings.Repeat("A", 5000):  "longer than",
		coded(url, id, key):                 "fields are missing",
		coded(url, id, key, "", ""):         "behind the last",
		coded(url, id, key, "x"):            "no certificate",
		coded(url, id, "short", ""):         "16 or more",
		coded(url, "Lake 7", key, ""):       `"Lake 7"`,
		coded("mqtts://h", id, key, ""):     "write mqtts://HOST:PORT",
		coded("mqtts://h:0", id, key, ""):   "port",
		coded("mqtts://u@h:1", id, key, ""): "write mqtts",
		coded("mqtt://h:1", id, key, string(authority(t))): "no use",
	} {
		got, err := Parse(text)
		require.ErrorContains(t, err, want, text)
		require.Zero(t, got)
	}
}

func TestFiles(t *testing.T) {
	b := Bundle{Broker: "mqtts://collector.example:8883", Station: "lake-07", Secret: secret(t), Authority: authority(t)}
	text := map[string]string{}
	for _, f := range b.Files() {
		text[f.Name] = f.Text
	}
	require.Len(t, text, 3)
	require.Equal(t, b.Secret.Hex()+"\n", text["lake-07.secret"])
	block, rest := pem.Decode([]byte(text[AuthorityFile]))
	require.Empty(t, rest)
	require.True(t, bytes.Equal(b.Authority, block.Bytes))
	require.Contains(t, text["agent.toml"], "broker = \"mqtts://collector.example:8883\"\nca_file = \"collector-ca.pem\"\nspool_dir")

	b.Authority = append(b.Authority, authority(t)...)
	require.NoError(t, b.Check())
	require.Equal(t, 2, strings.Count(b.Files()[1].Text, "BEGIN CERTIFICATE"))

	toml := func(broker string) string {
		b := Bundle{Broker: broker, Station: "a", Secret: secret(t)}
		files := b.Files()
		require.Len(t, files, 2)
		return files[1].Text
	}
	require.Contains(t, toml("mqtt://127.0.0.1:1883"), "own machine only")
	require.NotContains(t, toml("mqtt://127.0.0.1:1883"), "plaintext")
	require.Contains(t, toml("mqtt://192.0.2.7:1883"), "plaintext = true")
	require.NotContains(t, toml("mqtts://collector.example:8883"), "ca_file")
}

// What is accepted is written again byte for byte; what is refused gives
// nothing.
func FuzzParse(f *testing.F) {
	for _, b := range []Bundle{
		{Broker: "mqtts://collector.example:8883", Station: "lake-07", Secret: secret(f), Authority: authority(f)},
		{Broker: "mqtt://192.0.2.7:1883", Station: "a", Secret: secret(f)},
	} {
		text, err := b.Text()
		require.NoError(f, err)
		f.Add(text)
	}
	f.Add(prefix + "AAAA")
	f.Fuzz(func(t *testing.T, text string) {
		// The checksum is right, so that the fuzzer comes behind it.
		for _, text := range []string{text, resummed(text)} {
			b, err := Parse(text)
			if err != nil {
				require.Zero(t, b)
				continue
			}
			again, err := b.Text()
			require.NoError(t, err)
			require.Equal(t, strings.TrimSpace(text), again)
			b.Files()
		}
	})
}

func resummed(text string) string {
	raw, err := encoding.DecodeString(strings.TrimPrefix(text, prefix))
	if err != nil || len(raw) < checkSize {
		return text
	}
	body := raw[:len(raw)-checkSize]
	return prefix + encoding.EncodeToString(append(body, check(body)...))
}
