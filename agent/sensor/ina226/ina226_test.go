package ina226

import (
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewpost/agent/sensor/i2cbus"
	"dewpost/agent/sensor/ina"
)

func chip(t *testing.T, shunt float64, ops ...i2ctest.IO) *ina.Chip {
	t.Helper()
	p := &i2ctest.Playback{Ops: ops, DontPanic: true}
	t.Cleanup(func() { require.NoError(t, p.Close()) })
	return New(i2cbus.Device{Bus: i2cbus.With(func(int) (i2cbus.Conn, error) { return p, nil }).Bus(1), Addr: 0x40}, shunt)
}

func tx(w []byte, r ...byte) i2ctest.IO { return i2ctest.IO{Addr: 0x40, W: w, R: r} }

var (
	start = tx([]byte{0x00, 0x47, 0x23})
	wait  = tx([]byte{0x06}, 0, 0)
	done  = tx([]byte{0x06}, 0, 0x08)
)

func shunt(v uint16) i2ctest.IO { return tx([]byte{0x01}, byte(v>>8), byte(v)) }
func supply(v uint16) i2ctest.IO {
	return tx([]byte{0x02}, byte(v>>8), byte(v))
}

// TestMeasure_SBOS547 is the datasheet's table 1: 10 A through 2 mΩ at 11.98 V.
func TestMeasure_SBOS547(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := chip(t, 0.002, start, wait, done, shunt(8000), supply(9584), start, done, shunt(0xffff), supply(0))
		v, err := c.Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 10_000, v[ina.Current], 1e-6)
		require.InDelta(t, 11.98, v[ina.Voltage], 1e-9)
		// The sheet's example goes on to power by the chip's own registers, which
		// round; here it is the product, and nobody asks the chip for it.
		require.InDelta(t, 119.8, v[ina.Current]/1000*v[ina.Voltage], 1e-6)
		v, err = c.Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, -1.25, v[ina.Current], 1e-9, "the other way")
	})
}

// TestMicroampere: one count through 2.5 Ω.
func TestMicroampere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v, err := chip(t, 2.5, start, done, shunt(1), supply(9584)).Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 0.001, v[ina.Current], 1e-12)
	})
}

func TestBeyondTheRange(t *testing.T) {
	for _, end := range []uint16{0x7fff, 0x8000} {
		synctest.Test(t, func(t *testing.T) {
			v, err := chip(t, 2.5, start, done, shunt(end), supply(9584)).Measure(t.Context())
			require.ErrorContains(t, err, "choose a shunt below 2.5")
			require.NotContains(t, v, ina.Current)
			require.InDelta(t, 11.98, v[ina.Voltage], 1e-9)
		})
	}
}

func TestFailures(t *testing.T) {
	for name, test := range map[string]struct {
		ops  []i2ctest.IO
		want string
	}{
		"nothing":         {nil, "address 0x40"},
		"after start":     {[]i2ctest.IO{start}, "address 0x40"},
		"before shunt":    {[]i2ctest.IO{start, done}, "address 0x40"},
		"before supply":   {[]i2ctest.IO{start, done, shunt(1)}, "address 0x40"},
		"never ends":      {[]i2ctest.IO{start, wait, wait, wait}, "does not end"},
		"arithmetic":      {[]i2ctest.IO{start, tx([]byte{0x06}, 0, 0x0c)}, "overflow"},
		"held low (0x00)": {[]i2ctest.IO{start, wait, wait, wait}, "does not end"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				v, err := chip(t, 0.1, test.ops...).Measure(t.Context())
				require.ErrorContains(t, err, test.want)
				require.Empty(t, v)
			})
		})
	}
}

func TestIdentify(t *testing.T) {
	maker, die := tx([]byte{0xfe}, 0x54, 0x49), tx([]byte{0xff}, 0x22, 0x60)
	require.NoError(t, chip(t, 1, maker, die).Identify(t.Context()))
	require.ErrorContains(t, chip(t, 1, maker, tx([]byte{0xff}, 0, 0)).Identify(t.Context()), "no INA226")
	require.Error(t, chip(t, 1, maker).Identify(t.Context()))
	require.Error(t, chip(t, 1).Identify(t.Context()))
	require.Len(t, ina.Addresses(), 16)
}
