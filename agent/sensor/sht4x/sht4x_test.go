package sht4x

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/crc8"
	"dewpost/agent/sensor/i2cbus"
)

func bus(t *testing.T, ops ...i2ctest.IO) i2cbus.Device {
	t.Helper()
	p := &i2ctest.Playback{Ops: ops, DontPanic: true}
	t.Cleanup(func() { require.NoError(t, p.Close()) })
	return i2cbus.Device{Bus: i2cbus.With(func(int) (i2cbus.Conn, error) { return p, nil }).Bus(1), Addr: 0x44}
}

var (
	measure = i2ctest.IO{Addr: 0x44, W: []byte{0xfd}}
	heat    = i2ctest.IO{Addr: 0x44, W: []byte{0x39}}
	reset   = i2ctest.IO{Addr: 0x44, W: []byte{0x94}}
	serial  = i2ctest.IO{Addr: 0x44, W: []byte{0x89}}
)

func reply(temp, rh uint16) i2ctest.IO {
	t, h := []byte{byte(temp >> 8), byte(temp)}, []byte{byte(rh >> 8), byte(rh)}
	return i2ctest.IO{Addr: 0x44, R: []byte{t[0], t[1], crc8.Sum(t), h[0], h[1], crc8.Sum(h)}}
}

// TestConversion_SHT4x has values computed from the datasheet's formulas, not
// cropped.
func TestConversion_SHT4x(t *testing.T) {
	for s, want := range map[uint16]sensor.Values{
		0:     {Temp: -45, RH: -6},
		26214: {Temp: 25, RH: 44},
		32768: {Temp: 42.50134, RH: 56.50095},
		65535: {Temp: 130, RH: 119},
	} {
		require.InDelta(t, want[Temp], celsius(s), 1e-4)
		require.InDelta(t, want[RH], humidity(s), 1e-4)
	}
}

func config() Config { return Config{Blank: time.Minute, Now: time.Now} }

func TestMeasure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		wrong := reply(26214, 26214)
		wrong.R[2] ^= 0x80
		c := New(bus(t, serial, reply(0x0bad, 0xcafe), measure, reply(26214, 26214), measure, wrong, reset, measure, reply(0x8000, 0x8000)), config())
		id, err := c.Serial(t.Context())
		require.NoError(t, err)
		require.Equal(t, "0badcafe", id)
		v, err := c.Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 44, v[RH], 1e-4)
		require.False(t, c.Disturbed())
		_, err = c.Measure(t.Context())
		require.ErrorContains(t, err, "checksum of word 1")
		require.NoError(t, c.Recover(t.Context()))
		v, err = c.Measure(t.Context())
		require.ErrorContains(t, err, "0x8000")
		require.Empty(t, v)
	})
}

// TestHeaterKeepsItsLimit: three pulses are asked for at once, and come ten
// seconds apart; values are flagged until a minute after the last.
func TestHeaterKeepsItsLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var ops []i2ctest.IO
		for i := range 30 {
			op := measure
			if i == 0 || i == 10 || i == 20 {
				op = heat
			}
			ops = append(ops, op, reply(26214, 26214))
		}
		c := New(bus(t, ops...), config())
		c.Heat(3)
		began := time.Now()
		for i := range 30 {
			time.Sleep(time.Until(began.Add(time.Duration(i) * time.Second * 11 / 10)))
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
			_, err := c.Measure(ctx)
			cancel()
			require.NoError(t, err)
			require.True(t, c.Disturbed())
		}
		time.Sleep(time.Minute)
		require.False(t, c.Disturbed())
	})
}

// TestHeaterByTheClock heats when its time has come, but never when the pulse
// would outlast the time for a sample.
func TestHeaterByTheClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := config()
		cfg.HeatEvery = time.Hour
		c := New(bus(t, measure, reply(1, 1), heat, reply(2, 2), measure, reply(3, 3), measure, reply(4, 4)), cfg)
		_, err := c.Measure(t.Context())
		require.NoError(t, err)
		time.Sleep(time.Hour)
		_, err = c.Measure(t.Context())
		require.NoError(t, err)
		_, err = c.Measure(t.Context())
		require.NoError(t, err)
		time.Sleep(time.Hour)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err = c.Measure(ctx)
		require.NoError(t, err)
	})
}

// TestHeaterShowsInAMedian: what the clock asks for makes most samples of a burst
// hot, and the pulse for which there was no time is not lost.
func TestHeaterShowsInAMedian(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := config()
		cfg.HeatEvery = time.Hour
		c := New(bus(t, measure, reply(1, 1), heat, reply(2, 2), heat, reply(2, 2), heat, reply(2, 2), heat, reply(2, 2), heat, reply(2, 2), measure, reply(1, 1)), cfg)
		time.Sleep(time.Hour)
		short, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := c.Measure(short)
		require.NoError(t, err)
		for range 6 {
			time.Sleep(12 * time.Second)
			_, err := c.Measure(t.Context())
			require.NoError(t, err)
		}
	})
}

type nack struct{ left int }

func (b *nack) Tx(uint16, []byte, []byte) error {
	if b.left == 0 {
		return errors.New("no acknowledgement")
	}
	b.left--
	return nil
}

func TestNoAcknowledgement(t *testing.T) {
	for n := range 2 {
		synctest.Test(t, func(t *testing.T) {
			b := &nack{n}
			c := New(i2cbus.Device{Bus: i2cbus.With(func(int) (i2cbus.Conn, error) { return b, nil }).Bus(1), Addr: 0x44}, config())
			_, err := c.Measure(t.Context())
			require.ErrorContains(t, err, "no acknowledgement")
			_, err = c.Serial(t.Context())
			require.Error(t, err)
			require.ErrorContains(t, c.Recover(t.Context()), "reset")
		})
	}
}

func TestAddresses(t *testing.T) { require.Equal(t, uint16(0x44), Addresses()[0]) }
