package i2cbus

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// bench is a bus whose transactions do as told.
type bench struct {
	err    error
	takes  time.Duration
	done   int
	closed int
}

func (b *bench) Tx(_ uint16, _, r []byte) error {
	b.done++
	time.Sleep(b.takes) // virtual
	for i := range r {
		r[i] = byte(0x12 + 0x22*i)
	}
	return b.err
}

func (b *bench) Close() error {
	b.closed++
	return nil
}

func TestOpenedWhenNeededAndAnewAfterFailures(t *testing.T) {
	conn := &bench{err: errors.New("no acknowledgement")}
	opened := 0
	buses := With(func(n int) (Conn, error) {
		require.Equal(t, 1, n)
		opened++
		return conn, nil
	})
	require.Same(t, buses.Bus(1), buses.Bus(1), "drivers share it")
	require.Zero(t, opened)
	d := Device{Bus: buses.Bus(1), Addr: 0x44}
	for range 2 * reopen {
		require.ErrorContains(t, d.Tx(t.Context(), []byte{1}, nil), "I²C bus 1, address 0x44: no acknowledgement")
	}
	require.Equal(t, 2, opened)
	require.Equal(t, 2, conn.closed)
	conn.err = nil
	v, err := d.Register(t.Context(), 2)
	require.NoError(t, err)
	require.Equal(t, uint16(0x1234), v)
	require.NoError(t, d.SetRegister(t.Context(), 2, 7))
	require.NoError(t, buses.Close())
	require.Equal(t, 3, conn.closed)
}

func TestABusThatIsNotThere(t *testing.T) {
	buses := With(func(int) (Conn, error) { return nil, errors.New("/dev/i2c-7: no such file") })
	err := buses.Bus(7).Tx(t.Context(), 1, nil, nil)
	require.ErrorContains(t, err, "I²C bus 7: /dev/i2c-7")
	require.NoError(t, buses.Close())
}

// TestAStuckBusIsLeftAlone: a line held low costs the time of one transaction,
// and then nobody's until the bus had its rest.
func TestAStuckBusIsLeftAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		conn := &bench{err: errors.New("timed out"), takes: time.Second}
		bus := With(func(int) (Conn, error) { return conn, nil }).Bus(1)
		require.ErrorContains(t, bus.Tx(t.Context(), 0x44, nil, nil), "timed out")
		began := time.Now()
		for range 10 {
			require.ErrorIs(t, bus.Tx(t.Context(), 0x45, nil, nil), ErrStuck)
		}
		require.Zero(t, time.Since(began))
		require.Equal(t, 1, conn.done)
		conn.err, conn.takes = nil, 0
		time.Sleep(rest)
		require.NoError(t, bus.Tx(t.Context(), 0x45, nil, nil))
	})
}

func TestNoTransactionWithoutTime(t *testing.T) {
	conn := &bench{}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, With(func(int) (Conn, error) { return conn, nil }).Bus(1).Tx(ctx, 1, nil, nil), context.Canceled)
	require.Zero(t, conn.done)
	require.ErrorIs(t, Wait(ctx, time.Hour), context.Canceled)
}

func TestThisMachinesBuses(t *testing.T) {
	require.Error(t, New().Bus(254).Tx(t.Context(), 1, []byte{1}, nil), "there are not so many")
}
