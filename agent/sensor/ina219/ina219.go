// Package ina219 reads the current and voltage monitor INA219 by I²C.
//
// As with the INA226, the current is computed from the shunt register (10 µV in
// each of its ranges), and each measurement is triggered and carries the whole
// configuration.
//
// Source: INA219 datasheet SBOS448F: configuration figure 19 and tables 4 to 6,
// bus voltage register figure 23, table 3, a worked example (10 A, 2 mΩ, 12 V).
// Figure numbers from memory.
package ina219

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

	// trigger: 32 V, ±320 mV, mean of 128 of either, once.
	trigger     = 0x3ffb
	powerOn     = 0x399f
	measureTime = 151 * time.Millisecond // 2 · 128 · 586 µs at most
	ready       = 0x0002                 // CNVR
	overflow    = 0x0001                 // OVF
	moreTries   = 3

	shuntLSB  = 10e-6 // V
	busLSB    = 4e-3  // V
	fullScale = 32000 // ±320 mV
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
	bus, err := c.await(ctx)
	if err != nil {
		return nil, err
	}
	raw, err := c.dev.Register(ctx, regShunt)
	if err != nil {
		return nil, err
	}
	values := sensor.Values{Voltage: float64(bus>>3) * busLSB}
	shunt := int16(raw)
	if shunt >= fullScale || shunt <= -fullScale {
		return values, fmt.Errorf("the voltage across the shunt is beyond ±320 mV: choose a shunt below %v Ω", c.shunt)
	}
	values[Current] = float64(shunt) * shuntLSB / c.shunt * 1000
	return values, nil
}

// await returns the bus register once it belongs to this measurement.
func (c *Chip) await(ctx context.Context) (uint16, error) {
	for range moreTries {
		if err := i2cbus.Wait(ctx, measureTime); err != nil {
			return 0, err
		}
		bus, err := c.dev.Register(ctx, regBus)
		if err != nil {
			return 0, err
		}
		if bus&overflow != 0 {
			return 0, errors.New("the chip reports an overflow of its arithmetic")
		}
		if bus&ready != 0 {
			return bus, nil
		}
	}
	return 0, errors.New("the measurement does not end")
}

// Identify returns an error when it is no INA219 as after power-on, or as
// Measure left it: the chip has no number of its own.
func (c *Chip) Identify(ctx context.Context) error {
	config, err := c.dev.Register(ctx, regConfig)
	if err != nil {
		return err
	}
	if config != powerOn && config != trigger {
		return fmt.Errorf("configuration 0x%04X: this is no INA219 that was switched on just now", config)
	}
	return nil
}
