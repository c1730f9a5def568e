// Package ina219 is the current and voltage monitor INA219: what its sheet says.
//
// Source: INA219 datasheet SBOS448F: configuration figure 19 and tables 4 to 6,
// bus voltage register figure 23, table 3, a worked example (10 A, 2 mΩ, 12 V).
// Figure numbers from memory.
package ina219

import (
	"context"
	"fmt"
	"time"

	"dewpost/agent/sensor/i2cbus"
	"dewpost/agent/sensor/ina"
)

const (
	// trigger: 32 V, ±320 mV, mean of 128 of either, once.
	trigger   = 0x3ffb
	powerOn   = 0x399f
	fullScale = 32000 // ±320 mV
)

var sheet = ina.Sheet{
	Trigger:  trigger,
	Time:     151 * time.Millisecond, // 2 · 128 · 586 µs at most
	Status:   ina.RegBus,
	Ready:    0x0002, // CNVR
	Overflow: 0x0001, // OVF
	ShuntLSB: 10e-6, BusLSB: 4e-3, BusShift: 3,
	Low: -fullScale, High: fullScale, Beyond: "±320 mV",
	Identify: identify,
}

// New returns the chip with a shunt of so many ohms.
func New(dev i2cbus.Device, shuntOhm float64) *ina.Chip { return ina.New(sheet, dev, shuntOhm) }

// identify returns an error when it is no INA219 as after power-on, or as a
// measurement left it: the chip has no number of its own.
func identify(ctx context.Context, dev i2cbus.Device) error {
	config, err := dev.Register(ctx, ina.RegConfig)
	if err != nil {
		return err
	}
	if config != powerOn && config != trigger {
		return fmt.Errorf("configuration 0x%04X: this is no INA219 that was switched on just now", config)
	}
	return nil
}
