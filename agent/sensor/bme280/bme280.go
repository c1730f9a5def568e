// Package bme280 reads the humidity, temperature and pressure sensor BME280 by
// I²C, in forced mode: one measurement at a time, asleep in between.
//
// Source: BME280 datasheet, revision 1.6: calibration table 16 (4.2.2),
// compensation 4.2.3 and 8.1 (double precision), registers 5.4.
package bme280

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/i2cbus"
)

// Temp, RH and Pressure are what the chip measures, in °C, %RH and hPa.
const (
	Temp     = "temp"
	RH       = "rh"
	Pressure = "pressure"
)

// Addresses are those that the chip can have; the first is the most common.
func Addresses() []uint16 { return []uint16{0x76, 0x77} }

const (
	regID       = 0xd0
	regReset    = 0xe0
	regCalib    = 0x88 // 26 bytes, of which 0xA0 is not used
	regCalibH   = 0xe1 // 7 bytes
	regCtrlHum  = 0xf2
	regStatus   = 0xf3
	regCtrlMeas = 0xf4
	regData     = 0xf7 // pressure, temperature, humidity: 8 bytes

	chipID      = 0x60
	otherBMP280 = 0x58
	resetWord   = 0xb6

	humOnce    = 0x01 // oversampling × 1
	forcedOnce = 0x25 // temperature × 1, pressure × 1, forced mode

	measureTime = 10 * time.Millisecond // 9.3 ms at most with all × 1, appendix B
	resetTime   = 3 * time.Millisecond  // 2 ms at most
	moreTries   = 3
	busy        = 0x08 // of the status, 5.4.4
)

// skipped is what the raw values show when nothing was measured (table 27 and
// following).
const (
	skipped20 = 0x80000
	skipped16 = 0x8000
)

// Chip is one sensor.
type Chip struct {
	dev   i2cbus.Device
	calib *calibration // nil until read
}

// New returns the chip; nothing is sent before the first measurement.
func New(dev i2cbus.Device) *Chip { return &Chip{dev: dev} }

// Measure reads all three.
func (c *Chip) Measure(ctx context.Context) (sensor.Values, error) {
	if c.calib == nil {
		if err := c.Identify(ctx); err != nil {
			return nil, err
		}
		calib, err := c.readCalibration(ctx)
		if err != nil {
			return nil, err
		}
		c.calib = calib
	}
	for _, set := range [][]byte{{regCtrlHum, humOnce}, {regCtrlMeas, forcedOnce}} {
		if err := c.dev.Tx(ctx, set, nil); err != nil {
			return nil, err
		}
	}
	if err := c.await(ctx); err != nil {
		return nil, err
	}
	var d [8]byte
	if err := c.dev.Tx(ctx, []byte{regData}, d[:]); err != nil {
		return nil, err
	}
	rawP := int32(d[0])<<12 | int32(d[1])<<4 | int32(d[2])>>4
	rawT := int32(d[3])<<12 | int32(d[4])<<4 | int32(d[5])>>4
	rawH := int32(d[6])<<8 | int32(d[7])
	if rawT == skipped20 || rawP == skipped20 || rawH == skipped16 {
		return nil, errors.New("the chip did not measure")
	}
	fine := c.calib.fine(rawT)
	return sensor.Values{Temp: fine / 5120, RH: c.calib.humidity(rawH, fine), Pressure: c.calib.pressure(rawP, fine) / 100}, nil
}

// await waits until the measurement is done.
func (c *Chip) await(ctx context.Context) error {
	for range moreTries {
		if err := i2cbus.Wait(ctx, measureTime); err != nil {
			return err
		}
		var status [1]byte
		if err := c.dev.Tx(ctx, []byte{regStatus}, status[:]); err != nil {
			return err
		}
		if status[0]&busy == 0 {
			return nil
		}
	}
	return errors.New("the measurement does not end")
}

// Identify returns an error that says what it is when it is no BME280.
func (c *Chip) Identify(ctx context.Context) error {
	var id [1]byte
	if err := c.dev.Tx(ctx, []byte{regID}, id[:]); err != nil {
		return err
	}
	switch id[0] {
	case chipID:
		return nil
	case otherBMP280:
		return errors.New("this is a BMP280, which measures no humidity")
	}
	return fmt.Errorf("chip id is 0x%02X, not 0x%02X: this is no BME280", id[0], chipID)
}

// Recover resets the chip.
func (c *Chip) Recover(ctx context.Context) error {
	c.calib = nil
	if err := c.dev.Tx(ctx, []byte{regReset, resetWord}, nil); err != nil {
		return fmt.Errorf("reset: %w", err)
	}
	return i2cbus.Wait(ctx, resetTime)
}

// calibration is what the maker measured, table 16.
type calibration struct {
	t [3]float64 // T1…T3
	p [9]float64 // P1…P9
	h [6]float64 // H1…H6
}

func (c *Chip) readCalibration(ctx context.Context) (*calibration, error) {
	var b [26]byte
	if err := c.dev.Tx(ctx, []byte{regCalib}, b[:]); err != nil {
		return nil, fmt.Errorf("calibration: %w", err)
	}
	var h [7]byte
	if err := c.dev.Tx(ctx, []byte{regCalibH}, h[:]); err != nil {
		return nil, fmt.Errorf("calibration: %w", err)
	}
	k := parseCalibration(b, h)
	if k.t[0] == 0 || k.p[0] == 0 {
		return nil, errors.New("calibration: the chip gives zeros; is its supply good?")
	}
	return k, nil
}

func parseCalibration(b [26]byte, h [7]byte) *calibration {
	word := func(i int) uint16 { return uint16(b[i]) | uint16(b[i+1])<<8 }
	short := func(i int) float64 { return float64(int16(word(i))) }
	k := &calibration{}
	k.t = [3]float64{float64(word(0)), short(2), short(4)}
	k.p[0] = float64(word(6))
	for i := 1; i < len(k.p); i++ {
		k.p[i] = short(6 + 2*i)
	}
	// H4 and H5 are 12-bit and share a byte.
	h4 := int16(int8(h[3]))<<4 | int16(h[4]&0x0f)
	h5 := int16(int8(h[5]))<<4 | int16(h[4]>>4)
	k.h = [6]float64{
		float64(b[25]), float64(int16(uint16(h[0]) | uint16(h[1])<<8)), float64(h[2]),
		float64(h4), float64(h5), float64(int8(h[6])),
	}
	return k
}

// fine is t_fine of section 8.1; °C = fine/5120.
func (k *calibration) fine(raw int32) float64 {
	a := (float64(raw)/16384 - k.t[0]/1024) * k.t[1]
	b := float64(raw)/131072 - k.t[0]/8192
	return a + b*b*k.t[2]
}

// pressure is in Pa, section 8.1.
func (k *calibration) pressure(raw int32, fine float64) float64 {
	p := k.p
	a := fine/2 - 64000
	b := a * a * p[5] / 32768
	b += a * p[4] * 2
	b = b/4 + p[3]*65536
	a = (p[2]*a*a/524288 + p[1]*a) / 524288
	a = (1 + a/32768) * p[0]
	if a == 0 {
		return 0
	}
	x := (1048576 - float64(raw) - b/4096) * 6250 / a
	return x + (p[8]*x*x/2147483648+x*p[7]/32768+p[6])/16
}

// humidity is in %RH, section 8.1, without its limits of 0 and 100.
func (k *calibration) humidity(raw int32, fine float64) float64 {
	h := k.h
	x := fine - 76800
	x = (float64(raw) - (h[3]*64 + h[4]/16384*x)) *
		(h[1] / 65536 * (1 + h[5]/67108864*x*(1+h[2]/67108864*x)))
	return x * (1 - h[0]*x/524288)
}
