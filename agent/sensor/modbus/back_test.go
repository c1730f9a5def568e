package modbus

import (
	"io"
	"net"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/signal"
	"dewpost/rules/reading"
)

// gateway answers each request for a register, and how its unit does.
type gateway struct {
	url  string
	mute atomic.Bool // the units behind it don't answer

	mu    sync.Mutex
	conns []net.Conn
}

func newGateway(t *testing.T) *gateway {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	g := &gateway{url: "tcp://" + l.Addr().String()}
	t.Cleanup(func() {
		require.NoError(t, l.Close())
		g.restart()
	})
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			g.mu.Lock()
			g.conns = append(g.conns, c)
			g.mu.Unlock()
			go g.answer(c)
		}
	}()
	return g
}

// answer gives ten times the unit's number, or exception 0B: the unit behind the
// gateway does not respond (MODBUS Application Protocol V1.1b3, 7).
func (g *gateway) answer(c net.Conn) {
	b := make([]byte, 12)
	for {
		if _, err := io.ReadFull(c, b); err != nil {
			return
		}
		reply := []byte{b[0], b[1], 0, 0, 0, 5, b[6], 3, 2, 0, 10 * b[6]}
		if g.mute.Load() {
			reply = []byte{b[0], b[1], 0, 0, 0, 3, b[6], 0x83, 0x0b}
		}
		if _, err := c.Write(reply); err != nil {
			return
		}
	}
}

// restart ends all connections.
func (g *gateway) restart() {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, c := range g.conns {
		_ = c.Close() // it may have ended
	}
	g.conns = nil
}

func (g *gateway) sensor(unit uint8, to reading.Channel) *sensor.Sensor {
	c := New(Config{URL: g.url, Unit: unit, Registers: []Register{{Name: "v", Kind: "int16"}}})
	return sensor.New("modbus", c, []sensor.Mapping{{From: "v", To: to, Signal: signal.Linear{Scale: 1}, Gain: 1}}, &sync.Mutex{})
}

// TestItComesBack: a transmitter that was dead for long, whose gateway then
// restarts, is read again without a restart of the agent.
func TestItComesBack(t *testing.T) {
	g := newGateway(t)
	s := g.sensor(1, reading.OutsideTemp)
	var r reading.Reading
	g.mute.Store(true)
	for range 10 {
		require.Error(t, s.Sense(t.Context(), &r))
	}
	g.restart()
	g.mute.Store(false)
	require.NoError(t, s.Sense(t.Context(), &r))
	v, _ := r.Get(reading.OutsideTemp)
	require.InDelta(t, 10, v, 0)
}

// TestTwoUnits: two transmitters behind one address are told apart.
func TestTwoUnits(t *testing.T) {
	g := newGateway(t)
	one, two := g.sensor(1, reading.OutsideTemp), g.sensor(2, reading.CoverTemp)
	for range 3 {
		var r reading.Reading
		require.NoError(t, one.Sense(t.Context(), &r))
		require.NoError(t, two.Sense(t.Context(), &r))
		a, _ := r.Get(reading.OutsideTemp)
		b, _ := r.Get(reading.CoverTemp)
		require.Equal(t, []float64{10, 20}, []float64{a, b})
	}
}
