package topic_test

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/notify"
	"dewpost/collector/notify/topic"
	"dewpost/collector/record"
)

func TestSend(t *testing.T) {
	var to string
	var said []byte
	var wrong error
	way := topic.New(topic.Config{Source: "urn:dewpost:x", Publish: func(_ context.Context, topic string, payload []byte) error {
		to, said = topic, payload
		return wrong
	}})
	p := &notify.Parcel{Event: "letter:1:2025-11-05", Type: "letter", Person: "Ida"}
	require.NoError(t, way.Send(t.Context(), record.Channel{Address: "workshop/messages"}, p))
	require.Equal(t, "workshop/messages", to)
	require.Contains(t, string(said), `"id":"letter:1:2025-11-05","source":"urn:dewpost:x","type":"dewpost.letter","time"`)
	require.NotContains(t, string(said), "subject\":null")
	wrong = errors.New("not connected")
	require.ErrorIs(t, way.Send(t.Context(), record.Channel{Address: "x"}, p), wrong)
}
