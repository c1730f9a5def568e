// Package ina reads current and voltage monitors of the INA family by I²C: what
// its members have in common. Their packages have what their sheets say.
//
// The current is computed here from the shunt register, which has all of the
// chip's resolution, not read from its current register, which is cut to a least
// bit that must be chosen before: nothing needs calibration registers that a
// brown-out would clear. Each measurement is triggered, and carries the whole
// configuration.
package ina

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/i2cbus"
)

// Current and Voltage are what a chip measures, in mA and V.
const (
	Current = "current"
	Voltage = "voltage"
)

// Addresses are those that a chip can have; the first is the most common.
func Addresses() []uint16 {
	return []uint16{0x40, 0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47, 0x48, 0x49, 0x4a, 0x4b, 0x4c, 0x4d, 0x4e, 0x4f}
}

// The registers that all have at the same place.
const (
	RegConfig = 0x00
	regShunt  = 0x01
	RegBus    = 0x02
)

const moreTries = 3

// Sheet is what a member's sheet says.
type Sheet struct {
	Trigger         uint16        // configuration that measures shunt and bus once
	Time            time.Duration // that takes, at most
	Status          byte          // register with the flags; the bus register may have them, too
	Ready, Overflow uint16
	ShuntLSB        float64 // V
	BusLSB          float64 // V
	BusShift        uint    // of the voltage in the bus register
	Low, High       int16   // of the shunt register: from these on it is beyond
	Beyond          string  // what
	Identify        func(context.Context, i2cbus.Device) error
}

// Chip is one monitor.
type Chip struct {
	sheet Sheet
	dev   i2cbus.Device
	shunt float64
}

// New returns the chip with a shunt of so many ohms.
func New(sheet Sheet, dev i2cbus.Device, shuntOhm float64) *Chip {
	return &Chip{sheet: sheet, dev: dev, shunt: shuntOhm}
}

// Measure triggers a measurement and reads it.
func (c *Chip) Measure(ctx context.Context) (sensor.Values, error) {
	if err := c.dev.SetRegister(ctx, RegConfig, c.sheet.Trigger); err != nil {
		return nil, err
	}
	bus, err := c.await(ctx)
	if err != nil {
		return nil, err
	}
	raw, err := c.dev.Register(ctx, regShunt)
	if err != nil {
		return nil, err
	}
	if c.sheet.Status != RegBus {
		if bus, err = c.dev.Register(ctx, RegBus); err != nil {
			return nil, err
		}
	}
	values := sensor.Values{Voltage: float64(bus>>c.sheet.BusShift) * c.sheet.BusLSB}
	shunt := int16(raw)
	if shunt >= c.sheet.High || shunt <= c.sheet.Low {
		return values, fmt.Errorf("the voltage across the shunt is beyond %s: choose a shunt below %v Ω", c.sheet.Beyond, c.shunt)
	}
	values[Current] = float64(shunt) * c.sheet.ShuntLSB / c.shunt * 1000
	return values, nil
}

// await returns the status once it says that the measurement is done.
func (c *Chip) await(ctx context.Context) (uint16, error) {
	for range moreTries {
		if err := i2cbus.Wait(ctx, c.sheet.Time); err != nil {
			return 0, err
		}
		status, err := c.dev.Register(ctx, c.sheet.Status)
		if err != nil {
			return 0, err
		}
		if status&c.sheet.Overflow != 0 {
			return 0, errors.New("the chip reports an overflow of its arithmetic")
		}
		if status&c.sheet.Ready != 0 {
			return status, nil
		}
	}
	return 0, errors.New("the measurement does not end")
}

// Identify returns an error when it is another chip.
func (c *Chip) Identify(ctx context.Context) error { return c.sheet.Identify(ctx, c.dev) }
