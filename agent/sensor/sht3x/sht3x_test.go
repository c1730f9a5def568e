package sht3x

import (
	"errors"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/crc8"
	"dewpost/agent/sensor/i2cbus"
)

// bus plays transactions; all must happen.
func bus(t *testing.T, ops ...i2ctest.IO) i2cbus.Device {
	t.Helper()
	p := &i2ctest.Playback{Ops: ops, DontPanic: true}
	t.Cleanup(func() { require.NoError(t, p.Close()) })
	return i2cbus.Device{Bus: i2cbus.With(func(int) (i2cbus.Conn, error) { return p, nil }).Bus(1), Addr: 0x44}
}

var (
	heaterOff = i2ctest.IO{Addr: 0x44, W: []byte{0x30, 0x66}}
	measure   = i2ctest.IO{Addr: 0x44, W: []byte{0x24, 0x00}}
	reset     = i2ctest.IO{Addr: 0x44, W: []byte{0x30, 0xa2}}
)

func reply(temp, rh uint16) i2ctest.IO {
	t, h := []byte{byte(temp >> 8), byte(temp)}, []byte{byte(rh >> 8), byte(rh)}
	return i2ctest.IO{Addr: 0x44, R: []byte{t[0], t[1], crc8.Sum(t), h[0], h[1], crc8.Sum(h)}}
}

// TestConversion_SHT3x has values computed from the formulas of section 4.13.
func TestConversion_SHT3x(t *testing.T) {
	for s, want := range map[uint16]sensor.Values{
		0:     {Temp: -45, RH: 0},
		26214: {Temp: 25, RH: 40},
		32768: {Temp: 42.50134, RH: 50.00076},
		65535: {Temp: 130, RH: 100},
	} {
		require.InDelta(t, want[Temp], celsius(s), 1e-4)
		require.InDelta(t, want[RH], humidity(s), 1e-4)
	}
}

func TestMeasure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(bus(t, heaterOff, measure, reply(26214, 26214), measure, reply(0xbeef, 0x6666)))
		v, err := c.Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 25, v[Temp], 1e-4)
		require.InDelta(t, 40, v[RH], 1e-4)
		v, err = c.Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 85.5230, v[Temp], 1e-4)
	})
}

func TestDisturbedReplies(t *testing.T) {
	wrong := reply(26214, 26214)
	wrong.R[5] ^= 1
	cut := reply(26214, 26214)
	cut.R[3], cut.R[4], cut.R[5] = 0xff, 0xff, 0xff // nobody drove the line any more
	for name, test := range map[string]struct {
		reply i2ctest.IO
		want  string
	}{
		"checksum":        {wrong, "checksum of word 2"},
		"cut off":         {cut, "checksum of word 2"},
		"could not":       {reply(0x8000, 0x8000), "0x8000"},
		"nothing answers": {i2ctest.IO{Addr: 0x44, R: []byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff}}, "checksum of word 1"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c := New(bus(t, heaterOff, measure, test.reply, reset, heaterOff, measure, reply(0x8000, 26214)))
				v, err := c.Measure(t.Context())
				require.ErrorContains(t, err, test.want)
				require.Empty(t, v)
				require.NoError(t, c.Recover(t.Context()))
				_, err = c.Measure(t.Context())
				require.NoError(t, err, "42.5 °C alone is a temperature")
			})
		})
	}
}

// nack is a bus on which the chip stops acknowledging at the n-th transaction.
type nack struct{ left int }

func (b *nack) Tx(uint16, []byte, []byte) error {
	if b.left == 0 {
		return errors.New("no acknowledgement")
	}
	b.left--
	return nil
}

func TestNoAcknowledgement(t *testing.T) {
	for n := range 3 {
		synctest.Test(t, func(t *testing.T) {
			b := &nack{n}
			c := New(i2cbus.Device{Bus: i2cbus.With(func(int) (i2cbus.Conn, error) { return b, nil }).Bus(1), Addr: 0x44})
			_, err := c.Measure(t.Context())
			require.ErrorContains(t, err, "no acknowledgement")
			require.ErrorContains(t, c.Recover(t.Context()), "reset")
		})
	}
}

func TestAddresses(t *testing.T) { require.Equal(t, []uint16{0x44, 0x45}, Addresses()) }
