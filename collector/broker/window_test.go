package broker

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

// taken is what was taken of a message, and how to answer it.
type taken struct {
	payload string
	done    func(error)
}

func startTaking(t *testing.T) (*Front, *rawClient, chan taken) {
	t.Helper()
	came := make(chan taken, 100)
	cfg := config(func(context.Context, string, string, []byte) error { return nil })
	cfg.Take = func(_ context.Context, _ string, payload []byte, done func(error)) error {
		came <- taken{string(payload), done}
		return nil
	}
	f, err := listen(cfg, limitsOfTests())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, f.Close()) })
	return f, login(t, f, owner, "x"), came
}

// send publishes without waiting, with ids from 1 on.
func (c *rawClient) send(payloads ...string) {
	for i, payload := range payloads {
		p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		p.TopicName, p.Qos, p.MessageID, p.Payload = topic(owner, receipt.LeafReadings), 1, uint16(i+1), []byte(payload)
		c.write(p)
	}
}

// Several messages of a connection are under way at once, and no more than so many;
// they are acknowledged in their order, whatever is safe first.
func TestSeveralAreUnderWay(t *testing.T) {
	_, c, came := startTaking(t)
	c.send("1", "2", "3", "4", "5", "6", "7", "8", "9", "10")
	var list []taken
	for range mostUnanswered {
		list = append(list, <-came)
	}
	require.Equal(t, "1", list[0].payload)
	require.Equal(t, "8", list[7].payload)
	list[1].done(nil)
	list[2].done(nil)
	require.NoError(t, c.conn.SetReadDeadline(time.Now().Add(20*time.Millisecond)))
	_, err := packets.ReadPacket(c.conn)
	require.ErrorContains(t, err, "timeout", "the first is not safe yet")
	require.Empty(t, came, "there is no room for the ninth")
	require.NoError(t, c.conn.SetReadDeadline(time.Now().Add(soon)))
	list[0].done(nil)
	for id := range uint16(3) {
		require.Equal(t, id+1, c.read().(*packets.PubackPacket).MessageID)
	}
	require.Equal(t, "9", (<-came).payload)
	require.Equal(t, "10", (<-came).payload)
	for _, x := range list[3:] {
		x.done(nil)
	}
	require.Equal(t, uint16(4), c.read().(*packets.PubackPacket).MessageID)
}

// What comes behind a message that could not be made safe is not acknowledged
// either: all of it is sent again.
func TestAFailedOneEndsTheConnection(t *testing.T) {
	f, c, came := startTaking(t)
	c.send("1", "2", "3")
	first, second, third := <-came, <-came, <-came
	third.done(nil)
	second.done(errors.New("disk full"))
	first.done(nil)
	require.Equal(t, uint16(1), c.read().(*packets.PubackPacket).MessageID)
	require.Nil(t, c.read())
	require.EqualValues(t, 1, f.Stats().Failed)
	require.EqualValues(t, 3, f.Stats().Messages)
}

// What is under way when a station is gone, or the front closes, is answered to
// nobody, and holds up nobody.
func TestAnswersToNobody(t *testing.T) {
	f, c, came := startTaking(t)
	c.send("1", "2")
	first, second := <-came, <-came
	require.NoError(t, c.conn.Close())
	first.done(nil)
	second.done(nil)
	require.Eventually(t, func() bool { return f.Stats().Connected == 0 }, soon, time.Millisecond)

	c = login(t, f, owner, "x")
	c.send("3")
	third := <-came
	closed := make(chan error, 1)
	go func() { closed <- f.Close() }()
	select {
	case err := <-closed:
		require.Fail(t, "closed", "while a message is under way: %v", err)
	case <-time.After(20 * time.Millisecond): // as long as nothing happens
	}
	third.done(nil)
	require.NoError(t, <-closed)
	require.Equal(t, uint16(1), c.read().(*packets.PubackPacket).MessageID)
}
