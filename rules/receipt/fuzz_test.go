package receipt_test

import (
	"strings"
	"testing"

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
