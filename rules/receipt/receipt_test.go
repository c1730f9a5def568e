package receipt_test

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

func secret(t require.TestingT) receipt.Secret {
	s, err := receipt.ParseSecret("000102030405060708090a0b0c0d0e0f\n")
	require.NoError(t, err)
	return s
}

// hkdf is RFC 5869 by hand: extract with an empty salt, expand one block.
func hkdf(key []byte, info string) []byte {
	sum := func(key []byte, data ...byte) []byte {
		m := hmac.New(sha256.New, key)
		m.Write(data)
		return m.Sum(nil)
	}
	return sum(sum(make([]byte, sha256.Size), key...), append([]byte(info), 1)...)
}

func TestKeysAndMAC_RFC5869_RFC2104(t *testing.T) {
	key, err := hex.DecodeString(secret(t).Hex())
	require.NoError(t, err)
	require.Equal(t, hex.EncodeToString(hkdf(key, "dewpost/v1/password")), secret(t).Password())

	m := hmac.New(sha256.New, hkdf(key, "dewpost/v1/mac"))
	fmt.Fprint(m, "dewpost/v1/receipt\nlake-07\n9f31c2aa07de4410\n1234")
	want := fmt.Sprintf(`{"run":"9f31c2aa07de4410","upto":1234,"mac":"%x"}`, m.Sum(nil))
	require.Equal(t, want, string(secret(t).Receipt("lake-07", "9f31c2aa07de4410", 1234).JSON()))
}

func TestOnlyTheStationsOwnReceiptIsValid(t *testing.T) {
	r := secret(t).Receipt("lake-07", "9f31c2aa07de4410", 1234)
	got, err := secret(t).Verify("lake-07", r.JSON())
	require.NoError(t, err)
	require.Equal(t, r, got)

	other, err := receipt.NewSecret([]byte("sixteen bytes ok"))
	require.NoError(t, err)
	_, err = other.Verify("lake-07", r.JSON())
	require.ErrorIs(t, err, receipt.ErrForged)
	_, err = secret(t).Verify("lake-08", r.JSON())
	require.ErrorIs(t, err, receipt.ErrForged)
	for _, change := range [][2]string{{"1234", "1235"}, {"4410", "4411"}, {`"mac":"`, `"mac":"0`}} {
		_, err = secret(t).Verify("lake-07", []byte(strings.Replace(string(r.JSON()), change[0], change[1], 1)))
		require.ErrorIs(t, err, receipt.ErrForged)
	}
	for _, text := range []string{"", "{}", "null", "[]", `{"run":"9f31c2aa07de4410","upto":-1,"mac":""}`, `{"run":"x","upto":1}`} {
		_, err = secret(t).Verify("lake-07", []byte(text))
		require.Error(t, err, text)
	}
}

func TestSecrets(t *testing.T) {
	_, err := receipt.NewSecret(make([]byte, 15))
	require.ErrorContains(t, err, "15 bytes")
	_, err = receipt.ParseSecret("not hexadecimal, and secret")
	require.ErrorContains(t, err, "hexadecimal")
	require.NotContains(t, err.Error(), "and secret")
	require.NotContains(t, fmt.Sprintf("%s %v", secret(t), secret(t)), secret(t).Hex())
	require.True(t, receipt.Secret{}.IsZero())
}

func TestStationsAndTopics(t *testing.T) {
	for _, id := range []string{"a", "lake-07", "0", strings.Repeat("a", 32)} {
		require.NoError(t, receipt.ValidStation(id))
		for _, leaf := range []string{receipt.LeafReadings, receipt.LeafState, receipt.LeafReceipt, receipt.LeafOrder} {
			station, got, ok := receipt.ParseTopic(receipt.Topic(id, leaf))
			require.True(t, ok)
			require.Equal(t, id, station)
			require.Equal(t, leaf, got)
		}
	}
	for _, id := range []string{"", "-a", "a-", "A", "lake_07", "a/b", "+", "#", strings.Repeat("a", 33), "ä"} {
		require.Error(t, receipt.ValidStation(id), id)
		_, _, ok := receipt.ParseTopic("dewpost/v1/" + id + "/readings")
		require.False(t, ok, id)
	}
	for _, topic := range []string{"dewpost/v2/a/readings", "dewpost/v1/a", "dewpost/v1/a/readings/x", "$SYS/broker"} {
		_, _, ok := receipt.ParseTopic(topic)
		require.False(t, ok, topic)
	}
}
