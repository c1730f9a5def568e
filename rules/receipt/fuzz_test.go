package receipt_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

// A topic that is taken apart can be put together again, byte for byte.
func FuzzParseTopic(f *testing.F) {
	f.Add("dewpost/v1/lake-07/readings")
	f.Add("dewpost/v1/lake-07/readings/")
	f.Add("dewpost/v1/-/+")
	f.Fuzz(func(t *testing.T, topic string) {
		station, leaf, ok := receipt.ParseTopic(topic)
		if !ok {
			require.Empty(t, station+leaf)
			return
		}
		require.Equal(t, topic, receipt.Topic(station, leaf))
		require.NoError(t, receipt.ValidStation(station))
	})
}

// What is taken for a receipt was signed for just what it says.
func FuzzVerify(f *testing.F) {
	good := secret(f).Receipt("lake-07", "9f31c2aa07de4410", 1234).JSON()
	f.Add(good)
	f.Add([]byte(strings.Replace(string(good), "1234", "1235", 1)))
	f.Add([]byte(`{"run":"9f31c2aa07de4410","upto":-1,"mac":""}`))
	f.Add([]byte("null"))
	f.Fuzz(func(t *testing.T, payload []byte) {
		r, err := secret(t).Verify("lake-07", payload)
		if err != nil {
			require.Zero(t, r)
			return
		}
		require.Equal(t, r, secret(t).Receipt("lake-07", r.Run, r.Upto))
		_, err = secret(t).Verify("lake-08", payload)
		require.ErrorIs(t, err, receipt.ErrForged)
	})
}

func FuzzParseSecret(f *testing.F) {
	f.Add(" 000102030405060708090a0b0c0d0e0f\n")
	f.Add("00")
	f.Add("zz")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := receipt.ParseSecret(text)
		if err != nil {
			if secret := strings.TrimSpace(text); len(secret) >= 16 {
				require.NotContains(t, err.Error(), secret, "secrets stay out of errors")
			}
			return
		}
		again, err := receipt.ParseSecret(s.Hex())
		require.NoError(t, err)
		require.Equal(t, s, again)
		require.Len(t, s.Password(), 64)
	})
}

// What is taken for an order was signed for just what it says.
func FuzzVerifyOrder(f *testing.F) {
	o, err := secret(f).NewOrder("lake-07", "o-1", time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC), receipt.Body{Heat: 3})
	require.NoError(f, err)
	good, err := json.Marshal(o)
	require.NoError(f, err)
	f.Add(good)
	f.Add([]byte(strings.Replace(string(good), "2026", "2036", 1)))
	f.Add([]byte("null"))
	f.Fuzz(func(t *testing.T, payload []byte) {
		got, expiry, body, err := secret(t).VerifyOrder("lake-07", payload)
		if err != nil {
			require.Zero(t, got)
			require.True(t, expiry.IsZero())
			require.Zero(t, body)
			return
		}
		again, err := secret(t).NewOrder("lake-07", got.ID, expiry, body)
		require.NoError(t, err)
		require.Equal(t, again, got)
	})
}
