// Package ina226 is the current and voltage monitor INA226: what its sheet says.
//
// Source: INA226 datasheet SBOS547: registers 7.6 and table 1, a worked example
// (10 A, 2 mΩ, 12 V).
package ina226

import (
	"context"
	"fmt"
	"math"
	"time"

	"dewpost/agent/sensor/i2cbus"
	"dewpost/agent/sensor/ina"
)

const (
	regMask  = 0x06
	regMaker = 0xfe
	regDie   = 0xff

	makerID = 0x5449
	dieID   = 0x2260
)

var sheet = ina.Sheet{
	Trigger:  0x4723,                 // mean of 64, 1.1 ms each, shunt and bus, once
	Time:     156 * time.Millisecond, // 64 · 2 · 1.21 ms at most
	Status:   regMask,
	Ready:    0x0008, // CVRF
	Overflow: 0x0004, // OVF
	ShuntLSB: 2.5e-6, BusLSB: 1.25e-3,
	Low: math.MinInt16, High: math.MaxInt16, Beyond: "±81.9 mV",
	Identify: identify,
}

// New returns the chip with a shunt of so many ohms.
func New(dev i2cbus.Device, shuntOhm float64) *ina.Chip { return ina.New(sheet, dev, shuntOhm) }

// identify returns an error when it is no INA226.
func identify(ctx context.Context, dev i2cbus.Device) error {
	maker, err := dev.Register(ctx, regMaker)
	if err != nil {
		return err
	}
	die, err := dev.Register(ctx, regDie)
	if err != nil {
		return err
	}
	if maker != makerID || die&0xfff0 != dieID {
		return fmt.Errorf("maker 0x%04X, die 0x%04X: this is no INA226", maker, die)
	}
	return nil
}
