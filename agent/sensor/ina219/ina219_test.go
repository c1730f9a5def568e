package ina219

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

var start = tx([]byte{0x00, 0x3f, 0xfb})

func shunt(v uint16) i2ctest.IO  { return tx([]byte{0x01}, byte(v>>8), byte(v)) }
func supply(v uint16) i2ctest.IO { return tx([]byte{0x02}, byte(v>>8), byte(v)) }

// TestMeasure_SBOS448F is the datasheet's table 3: 10 A through 2 mΩ, and a bus
// register of 0x5D98, which is 2995 counts and 11.98 V. Its ready bit is added.
func TestMeasure_SBOS448F(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := chip(t, 0.002, start, supply(0x5d98), supply(0x5d98|sheet.Ready), shunt(2000), start, supply(sheet.Ready), shunt(0xffff))
		v, err := c.Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 10_000, v[ina.Current], 1e-6)
		require.InDelta(t, 11.98, v[ina.Voltage], 1e-9)
		// The sheet's example goes on to power by the chip's own registers, which
		// round; here it is the product, and nobody asks the chip for it.
		require.InDelta(t, 119.8, v[ina.Current]/1000*v[ina.Voltage], 1e-6)
		v, err = c.Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, -5, v[ina.Current], 1e-9)
	})
}

func TestBeyondTheRange(t *testing.T) {
	for _, end := range []uint16{32000, 0x8300} {
		synctest.Test(t, func(t *testing.T) {
			v, err := chip(t, 10, start, supply(0x5d98|sheet.Ready), shunt(end)).Measure(t.Context())
			require.ErrorContains(t, err, "choose a shunt below 10")
			require.NotContains(t, v, ina.Current)
			require.Contains(t, v, ina.Voltage)
		})
	}
}

func TestFailures(t *testing.T) {
	wait := supply(0x5d98)
	for name, test := range map[string]struct {
		ops  []i2ctest.IO
		want string
	}{
		"nothing":      {nil, "address 0x40"},
		"after start":  {[]i2ctest.IO{start}, "address 0x40"},
		"before shunt": {[]i2ctest.IO{start, supply(sheet.Ready)}, "address 0x40"},
		"never ends":   {[]i2ctest.IO{start, wait, wait, wait}, "does not end"},
		"arithmetic":   {[]i2ctest.IO{start, supply(sheet.Ready | sheet.Overflow)}, "overflow"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				v, err := chip(t, 0.1, test.ops...).Measure(t.Context())
				require.ErrorContains(t, err, test.want)
				require.Empty(t, v)
			})
		})
	}
	require.Len(t, ina.Addresses(), 16)
}

func TestIdentify(t *testing.T) {
	require.NoError(t, chip(t, 1, tx([]byte{0x00}, 0x39, 0x9f)).Identify(t.Context()))
	require.NoError(t, chip(t, 1, tx([]byte{0x00}, 0x3f, 0xfb)).Identify(t.Context()))
	require.ErrorContains(t, chip(t, 1, tx([]byte{0x00}, 0xff, 0xff)).Identify(t.Context()), "no INA219")
	require.Error(t, chip(t, 1).Identify(t.Context()))
}
