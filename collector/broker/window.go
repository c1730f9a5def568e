package broker

import (
	"context"
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// mostUnanswered is how many messages of a connection are under way at once: an
// agent sends as many before it waits. What a station sends together is then
// committed together, and no station takes more of the room than that.
const mostUnanswered = 8

// window is what a connection has handed over and is not yet acknowledged: in the
// order in which it came (MQTT 3.1.1, 4.6), whatever is safe first. The zero value
// is ready.
type window struct {
	room chan struct{} // holds one for each; made with the first

	mu      sync.Mutex
	list    []*message
	writing bool
}

// message is one that was handed over.
type message struct {
	id   uint16
	done bool
	err  error
}

// enter waits for room for one more. Only the connection's reader calls it.
func (w *window) enter(ctx context.Context, id uint16) (*message, error) {
	if w.room == nil {
		w.room = make(chan struct{}, mostUnanswered)
	}
	select {
	case w.room <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	m := &message{id: id}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.list = append(w.list, m)
	return m, nil
}

// answer notes what became of a message; it doesn't block.
func (w *window) answer(cl *mqtt.Client, m *message, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	m.done, m.err = true, err
	if !w.writing && w.list[0].done {
		w.writing = true
		go w.write(cl)
	}
}

// write sends the answers that are due. After one that failed there are none: the
// connection ends, so that its messages are sent again.
func (w *window) write(cl *mqtt.Client) {
	for {
		w.mu.Lock()
		if len(w.list) == 0 || !w.list[0].done {
			w.writing = false
			w.mu.Unlock()
			return
		}
		m := w.list[0]
		w.list = w.list[1:]
		w.mu.Unlock()
		if m.err != nil {
			cl.Stop(packets.ErrServerUnavailable)
		} else if err := cl.WritePacket(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: m.id}); err != nil {
			cl.Stop(err)
		}
		<-w.room
	}
}

// settle waits until all is answered, or nothing is waited for any more. Only the
// reader calls it, as the last it does.
func (w *window) settle(gone <-chan struct{}) {
	for range cap(w.room) {
		select {
		case w.room <- struct{}{}:
		case <-gone:
			return
		}
	}
}
