package receipt_test

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

func TestOrderMAC_RFC2104(t *testing.T) {
	expiry := time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC)
	o, err := secret(t).NewOrder("lake-07", "o-1", expiry, receipt.Body{Interval: "5m"})
	require.NoError(t, err)
	m := hmac.New(sha256.New, hkdf([]byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}, "dewpost/v1/mac"))
	fmt.Fprint(m, "dewpost/v1/order\nlake-07\no-1\n2026-05-01T10:00:00Z\n"+`{"interval":"5m"}`)
	require.Equal(t, receipt.Order{ID: "o-1", Expiry: "2026-05-01T10:00:00Z", Body: `{"interval":"5m"}`, MAC: fmt.Sprintf("%x", m.Sum(nil))}, o)
	text, err := json.Marshal(o)
	require.NoError(t, err)
	got, at, body, err := secret(t).VerifyOrder("lake-07", text)
	require.NoError(t, err)
	require.Equal(t, o, got)
	require.Equal(t, expiry, at)
	require.Equal(t, receipt.Body{Interval: "5m"}, body)
}

func TestOnlyTheStationsOwnOrderIsValid(t *testing.T) {
	o, err := secret(t).NewOrder("lake-07", "o-1", time.Now(), receipt.Body{Heat: 3})
	require.NoError(t, err)
	for name, change := range map[string]func(*receipt.Order){
		"id": func(o *receipt.Order) { o.ID = "o-2" }, "expiry": func(o *receipt.Order) { o.Expiry = "2036-05-01T10:00:00Z" },
		"body": func(o *receipt.Order) { o.Body = `{"heat":30}` }, "mac": func(o *receipt.Order) { o.MAC = "" },
	} {
		forged := o
		change(&forged)
		text, err := json.Marshal(forged)
		require.NoError(t, err)
		_, _, _, err = secret(t).VerifyOrder("lake-07", text)
		require.ErrorIs(t, err, receipt.ErrForged, name)
	}
	text, err := json.Marshal(o)
	require.NoError(t, err)
	_, _, _, err = secret(t).VerifyOrder("lake-08", text)
	require.ErrorIs(t, err, receipt.ErrForged)
	for _, text := range []string{"", "{}", "[]", `{"id":"Ö","expiry":"","body":"","mac":""}`} {
		_, _, _, err = secret(t).VerifyOrder("lake-07", []byte(text))
		require.Error(t, err, text)
	}
	_, err = secret(t).NewOrder("lake-07", "", time.Now(), receipt.Body{})
	require.ErrorContains(t, err, "order id")
}
