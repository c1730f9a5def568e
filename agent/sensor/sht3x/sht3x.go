// Package sht3x reads the humidity and temperature sensors SHT30, SHT31 and
// SHT35 (SHT3x-DIS) by I²C.
//
// Source: SHT3x-DIS datasheet, version 5, May 2018: single shot 4.3, heater
// 4.10, status 4.11, checksum 4.12, conversion 4.13, times table 4.
package sht3x

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/crc8"
	"dewpost/agent/sensor/i2cbus"
)

// Temp and RH are what the chip measures, in °C and %RH over water.
const (
	Temp = "temp"
	RH   = "rh"
)

// Addresses are those that the chip can have; the first is its default.
func Addresses() []uint16 { return []uint16{0x44, 0x45} }

var (
	cmdMeasure   = []byte{0x24, 0x00} // single shot, high repeatability, no clock stretching
	cmdReset     = []byte{0x30, 0xa2}
	cmdHeaterOff = []byte{0x30, 0x66}
)

const (
	measureTime = 16 * time.Millisecond // 15.5 ms at most, 4.2
	resetTime   = 2 * time.Millisecond  // 1.5 ms at most
)

// failedRaw is what both words show, with good checksums, when the chip could
// not measure (seen in the field and in makers' drivers; not in the datasheet).
const failedRaw = 0x8000

// Chip is one sensor.
type Chip struct {
	dev   i2cbus.Device
	ready bool
}

// New returns the chip; nothing is sent before the first measurement.
func New(dev i2cbus.Device) *Chip { return &Chip{dev: dev} }

// Measure reads temperature and humidity.
func (c *Chip) Measure(ctx context.Context) (sensor.Values, error) {
	if !c.ready {
		// A program before this one may have left the heater on.
		if err := c.dev.Tx(ctx, cmdHeaterOff, nil); err != nil {
			return nil, err
		}
		c.ready = true
	}
	if err := c.dev.Tx(ctx, cmdMeasure, nil); err != nil {
		return nil, err
	}
	if err := i2cbus.Wait(ctx, measureTime); err != nil {
		return nil, err
	}
	var reply [6]byte
	if err := c.dev.Tx(ctx, nil, reply[:]); err != nil {
		return nil, err
	}
	words, err := crc8.Words(reply[:])
	if err != nil {
		return nil, err
	}
	if words[0] == failedRaw && words[1] == failedRaw {
		return nil, errors.New("the chip says that it could not measure (0x8000)")
	}
	return sensor.Values{Temp: celsius(words[0]), RH: humidity(words[1])}, nil
}

// celsius is T = −45 + 175 · S/(2¹⁶−1), section 4.13.
func celsius(s uint16) float64 { return -45 + 175*float64(s)/65535 }

// humidity is RH = 100 · S/(2¹⁶−1), section 4.13. That of the SHT4x differs.
func humidity(s uint16) float64 { return 100 * float64(s) / 65535 }

// Recover resets the chip.
func (c *Chip) Recover(ctx context.Context) error {
	c.ready = false
	if err := c.dev.Tx(ctx, cmdReset, nil); err != nil {
		return fmt.Errorf("reset: %w", err)
	}
	return i2cbus.Wait(ctx, resetTime)
}
