// Package ina226 reads the current and voltage monitor INA226 by I²C.
//
// The current is computed here from the shunt register, which has all of the
// chip's resolution (2.5 µV), not read from its current register, which is cut
// to a least bit that must be chosen before: nothing needs calibration
// registers that a brown-out would clear. Each measurement is triggered, and
// carries the whole configuration.
//
// Source: INA226 datasheet SBOS547: registers 7.6 and table 1, a worked example
// (10 A, 2 mΩ, 12 V).
package ina226

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/i2cbus"
)

// Current and Voltage are what the chip measures, in mA and V.
const (
	Current = "current"
	Voltage = "voltage"
)

// Addresses are those that the chip can have; the first is the most common.
func Addresses() []uint16 {
	return []uint16{0x40, 0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47, 0x48, 0x49, 0x4a, 0x4b, 0x4c, 0x4d, 0x4e, 0x4f}
}

const (
	regConfig = 0x00
	regShunt  = 0x01
	regBus    = 0x02
	regMask   = 0x06
	regMaker  = 0xfe
	regDie    = 0xff

	makerID = 0x5449
	dieID   = 0x2260

	// trigger: mean of 64, 1.1 ms each, shunt and bus, once.
	trigger     = 0x4723
	measureTime = 156 * time.Millisecond // 64 · 2 · 1.21 ms at most
	ready       = 0x0008                 // CVRF
	overflow    = 0x0004                 // OVF
	moreTries   = 3

	shuntLSB  = 2.5e-6  // V
	busLSB    = 1.25e-3 // V
	fullScale = 0x7fff
)

// Chip is one monitor.
type Chip struct {
	dev   i2cbus.Device
	shunt float64
}

// New returns the chip with a shunt of so many ohms.
func New(dev i2cbus.Device, shuntOhm float64) *Chip { return &Chip{dev: dev, shunt: shuntOhm} }

// Measure triggers a measurement and reads it.
func (c *Chip) Measure(ctx context.Context) (sensor.Values, error) {
	if err := c.dev.SetRegister(ctx, regConfig, trigger); err != nil {
		return nil, err
	}
	if err := c.await(ctx); err != nil {
		return nil, err
	}
	shunt, err := c.dev.Register(ctx, regShunt)
	if err != nil {
		return nil, err
	}
	bus, err := c.dev.Register(ctx, regBus)
	if err != nil {
		return nil, err
	}
	values := sensor.Values{Voltage: float64(bus) * busLSB}
	if s := int16(shunt); s == fullScale || s == -fullScale-1 {
		return values, fmt.Errorf("the voltage across the shunt is beyond ±81.9 mV: choose a shunt below %v Ω", c.shunt)
	}
	values[Current] = float64(int16(shunt)) * shuntLSB / c.shunt * 1000
	return values, nil
}

func (c *Chip) await(ctx context.Context) error {
	for range moreTries {
		if err := i2cbus.Wait(ctx, measureTime); err != nil {
			return err
		}
		mask, err := c.dev.Register(ctx, regMask)
		if err != nil {
			return err
		}
		if mask&overflow != 0 {
			return errors.New("the chip reports an overflow of its arithmetic")
		}
		if mask&ready != 0 {
			return nil
		}
	}
	return errors.New("the measurement does not end")
}

// Identify returns an error when it is no INA226.
func (c *Chip) Identify(ctx context.Context) error {
	maker, err := c.dev.Register(ctx, regMaker)
	if err != nil {
		return err
	}
	die, err := c.dev.Register(ctx, regDie)
	if err != nil {
		return err
	}
	if maker != makerID || die&0xfff0 != dieID {
		return fmt.Errorf("maker 0x%04X, die 0x%04X: this is no INA226", maker, die)
	}
	return nil
}
