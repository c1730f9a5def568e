package ads1115

import (
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewpost/agent/sensor/i2cbus"
)

func chip(t *testing.T, scale float64, uses []string, ops ...i2ctest.IO) *Chip {
	t.Helper()
	p := &i2ctest.Playback{Ops: ops, DontPanic: true}
	t.Cleanup(func() { require.NoError(t, p.Close()) })
	return New(i2cbus.Device{Bus: i2cbus.With(func(int) (i2cbus.Conn, error) { return p, nil }).Bus(1), Addr: 0x48}, scale, uses)
}

func tx(w []byte, r ...byte) i2ctest.IO { return i2ctest.IO{Addr: 0x48, W: w, R: r} }

// conversion is one, with the configuration's high byte while it runs and the
// result.
func conversion(high byte, raw uint16) []i2ctest.IO {
	return []i2ctest.IO{
		tx([]byte{0x01, high | 0x80, 0x83}),
		tx([]byte{0x01}, high&^0x80, 0x83),
		tx([]byte{0x01}, high|0x80, 0x83),
		tx([]byte{0x00}, byte(raw>>8), byte(raw)),
	}
}

// TestMeasure_SBAS444: in0 against ground at ±4.096 V is MUX 100, PGA 001, so
// the configuration is 0xC383; a count is 125 µV. in0 against in1 at ±0.256 V is
// MUX 000, PGA 101; a count is 7.8125 µV (table 3).
func TestMeasure_SBAS444(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ops := append(conversion(0xc3, 13200), conversion(0xf3, 0xfffe)...) // in0, in3
		v, err := chip(t, 4.096, []string{"in0", "in3"}, ops...).Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 1.65, v["in0"], 1e-12)
		require.InDelta(t, -0.00025, v["in3"], 1e-12)
		v, err = chip(t, 0.256, []string{"in0-in1"}, conversion(0x8b, 1000)...).Measure(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 0.0078125, v["in0-in1"], 1e-12)
	})
}

// TestOneInputFails leaves the other.
func TestOneInputFails(t *testing.T) {
	for _, end := range []uint16{0x7fff, 0x8000} {
		synctest.Test(t, func(t *testing.T) {
			ops := append(conversion(0xc3, end), conversion(0xd3, 8)...)
			v, err := chip(t, 4.096, []string{"in0", "in1"}, ops...).Measure(t.Context())
			require.ErrorContains(t, err, "in0: beyond the range of ±4.096 V")
			require.NotContains(t, v, "in0")
			require.InDelta(t, 0.001, v["in1"], 1e-12)
		})
	}
}

func TestFailures(t *testing.T) {
	start, busy := tx([]byte{0x01, 0xc3, 0x83}), tx([]byte{0x01}, 0x43, 0x83)
	for name, test := range map[string]struct {
		ops  []i2ctest.IO
		want string
	}{
		"nothing":       {nil, "address 0x48"},
		"after start":   {[]i2ctest.IO{start}, "address 0x48"},
		"before result": {[]i2ctest.IO{start, tx([]byte{0x01}, 0xc3, 0x83)}, "address 0x48"},
		"never ends":    {[]i2ctest.IO{start, busy, busy, busy}, "does not end"},
		"reset":         {[]i2ctest.IO{start, tx([]byte{0x01}, 0x85, 0x83)}, "the chip was reset"},
		"lines high":    {[]i2ctest.IO{start, tx([]byte{0x01}, 0xff, 0xff)}, "another one"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				v, err := chip(t, 4.096, []string{"in0"}, test.ops...).Measure(t.Context())
				require.ErrorContains(t, err, test.want)
				require.Empty(t, v)
			})
		})
	}
	require.Equal(t, uint16(0x48), Addresses()[0])
	require.Contains(t, Inputs(), "in0-in1")
	require.Contains(t, Ranges(), 4.096)
}

func TestIdentify(t *testing.T) {
	require.NoError(t, chip(t, 1, nil, tx([]byte{0x01}, 0x85, 0x83)).Identify(t.Context()))
	require.NoError(t, chip(t, 1, nil, tx([]byte{0x01}, 0xc3, 0x83)).Identify(t.Context()))
	require.ErrorContains(t, chip(t, 1, nil, tx([]byte{0x01}, 0xff, 0xff)).Identify(t.Context()), "no ADS1115")
	require.Error(t, chip(t, 1, nil).Identify(t.Context()))
}
