package bme280

import (
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewpost/agent/sensor/i2cbus"
)

// calib are the registers of the datasheet's worked example, and humidity
// constants of a public reference vector: H1…H6 = 75, 362, 0, 333, 0, 30.
var (
	calib = [26]byte{
		0x70, 0x6b, 0x43, 0x67, 0x18, 0xfc, // T 27504, 26435, −1000
		0x7d, 0x8e, 0x43, 0xd6, 0xd0, 0x0b, 0x27, 0x0b, 0x8c, 0x00, 0xf9, 0xff, 0x8c, 0x3c, 0xf8, 0xc6, 0x70, 0x17,
		0x00, 75,
	}
	calibH = [7]byte{0x6a, 0x01, 0x00, 0x14, 0x0d, 0x00, 30}
)

// TestCalibration compares with the constants as the datasheet prints them.
func TestCalibration(t *testing.T) {
	k := parseCalibration(calib, calibH)
	require.Equal(t, [3]float64{27504, 26435, -1000}, k.t)
	require.Equal(t, [9]float64{36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000}, k.p)
	require.Equal(t, [6]float64{75, 362, 0, 333, 0, 30}, k.h)
	// H4 and H5 are signed and share 0xE5.
	k = parseCalibration(calib, [7]byte{0, 0, 0, 0xff, 0x8e, 0x80, 0xe2})
	require.Equal(t, [3]float64{-2, -2040, -30}, [3]float64(k.h[3:]))
}

// TestCompensation_BME280 has the datasheet's worked example: t_fine 128422,
// 25.08 °C, 100653.27 Pa; and humidity from both formulas of the datasheet,
// computed elsewhere.
func TestCompensation_BME280(t *testing.T) {
	k := parseCalibration(calib, calibH)
	fine := k.fine(519888)
	require.InDelta(t, 128422, fine, 1)
	require.InDelta(t, 25.08, fine/5120, 0.005)
	require.InDelta(t, 100653.27, k.pressure(415148, fine), 0.01)
	for raw, want := range map[int32]float64{25000: 20.7793, 28656: 41.2557, 30000: 48.7524} {
		require.InDelta(t, want, k.humidity(raw, 128422), 1e-3)
	}
	// Arithmetic here is the sheet's in floating point. Its integer forms give the
	// same but for their own rounding (rows 026 to 029 of the check values).
	require.InDelta(t, 25767233.0/256, k.pressure(415148, 128422), 0.05)
	for raw, want := range map[int32]float64{25000: 21277, 28656: 42245, 30000: 49922} {
		require.InDelta(t, want/1024, k.humidity(raw, 128422), 1.1e-3)
	}
	require.Zero(t, (&calibration{}).pressure(1, 1))
}

func tx(w []byte, r ...byte) i2ctest.IO { return i2ctest.IO{Addr: 0x76, W: w, R: r} }

var (
	identify = tx([]byte{0xd0}, 0x60)
	first    = tx([]byte{0x88}, calib[:]...)
	second   = tx([]byte{0xe1}, calibH[:]...)
	humidity = tx([]byte{0xf2, 0x01})
	force    = tx([]byte{0xf4, 0x25})
	busyYet  = tx([]byte{0xf3}, 0x08)
	done     = tx([]byte{0xf3}, 0x00)
	// 415148 = 0x655AC, 519888 = 0x7EED0, 28656 = 0x6FF0
	data = tx([]byte{0xf7}, 0x65, 0x5a, 0xc0, 0x7e, 0xed, 0x00, 0x6f, 0xf0)
)

func chip(t *testing.T, ops ...i2ctest.IO) *Chip {
	t.Helper()
	p := &i2ctest.Playback{Ops: ops, DontPanic: true}
	t.Cleanup(func() { require.NoError(t, p.Close()) })
	return New(i2cbus.Device{Bus: i2cbus.With(func(int) (i2cbus.Conn, error) { return p, nil }).Bus(1), Addr: 0x76})
}

func TestMeasure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := chip(t, identify, first, second, humidity, force, busyYet, done, data, humidity, force, done, data)
		for range 2 { // the calibration is read once
			v, err := c.Measure(t.Context())
			require.NoError(t, err)
			require.InDelta(t, 25.08, v[Temp], 0.005)
			require.InDelta(t, 41.2557, v[RH], 0.01)
			require.InDelta(t, 1006.5327, v[Pressure], 1e-3)
		}
	})
}

func TestWhatIsNoMeasurement(t *testing.T) {
	zeros := tx([]byte{0x88}, make([]byte, 26)...)
	skip := tx([]byte{0xf7}, 0x80, 0, 0, 0x80, 0, 0, 0x80, 0)
	for name, test := range map[string]struct {
		ops  []i2ctest.IO
		want string
	}{
		"a BMP280":       {[]i2ctest.IO{tx([]byte{0xd0}, 0x58)}, "no humidity"},
		"another chip":   {[]i2ctest.IO{tx([]byte{0xd0}, 0xff)}, "no BME280"},
		"no calibration": {[]i2ctest.IO{identify, zeros, second}, "zeros"},
		"never ends":     {[]i2ctest.IO{identify, first, second, humidity, force, busyYet, busyYet, busyYet}, "does not end"},
		"skipped":        {[]i2ctest.IO{identify, first, second, humidity, force, done, skip}, "did not measure"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c := chip(t, append(test.ops, tx([]byte{0xe0, 0xb6}), identify, first, second, humidity, force, done, data)...)
				v, err := c.Measure(t.Context())
				require.ErrorContains(t, err, test.want)
				require.Empty(t, v)
				require.NoError(t, c.Recover(t.Context()))
				_, err = c.Measure(t.Context())
				require.NoError(t, err)
			})
		})
	}
}

// TestNoAcknowledgement stops the bus after each transaction in turn.
func TestNoAcknowledgement(t *testing.T) {
	all := []i2ctest.IO{identify, first, second, humidity, force, done, data}
	for n := range all {
		synctest.Test(t, func(t *testing.T) {
			c := chip(t, all[:n]...)
			v, err := c.Measure(t.Context())
			require.Error(t, err)
			require.Empty(t, v)
			require.ErrorContains(t, c.Recover(t.Context()), "reset")
		})
	}
	require.Equal(t, uint16(0x76), Addresses()[0])
}
