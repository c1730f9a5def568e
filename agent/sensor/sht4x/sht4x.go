// Package sht4x reads the humidity and temperature sensors SHT40, SHT41, SHT43
// and SHT45 by I²C, and uses their heater within its limit.
//
// Source: SHT4x datasheet, version 6: times table 5, checksum 4.4, commands
// table 8 (4.5), conversion 4.6, serial number 4.7, reset 4.8, heater 4.9.
// Section numbers from memory.
package sht4x

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/crc8"
	"dewpost/agent/sensor/i2cbus"
)

// Temp and RH are what the chip measures, in °C and %RH over water. RH is not
// cropped to 0…100: what lies outside tells of a creeping sensor.
const (
	Temp = "temp"
	RH   = "rh"
)

// Addresses are those that the chip can have; the first is the most common.
func Addresses() []uint16 { return []uint16{0x44, 0x45, 0x46} }

const (
	cmdMeasure = 0xfd // high precision
	cmdSerial  = 0x89
	cmdReset   = 0x94
	cmdHeat    = 0x39 // 200 mW for one second, then one measurement

	measureTime = 9 * time.Millisecond    // 8.3 ms at most
	heatTime    = 1110 * time.Millisecond // 1.1 s at most, and the measurement
	serialTime  = time.Millisecond
	resetTime   = time.Millisecond

	// pulse is how long the heater is on, and every how long it may be: the
	// datasheet allows a tenth of the sensor's life (4.9).
	pulse = time.Second
	every = 10 * pulse

	// A reading is the median of its burst: so many pulses one after the other make
	// the most of one of two readings hot, which tells whether the sensor follows.
	pulses = 5
)

// HeatTime is how long a measurement takes that comes with a pulse, at most, and
// what comes with it on the bus: what has less time is measured without.
const HeatTime = heatTime + 90*time.Millisecond

// failedRaw is what both words show, with good checksums, when the chip could
// not measure (seen in the field and in makers' drivers; not in the datasheet).
const failedRaw = 0x8000

// Config says how the heater is used.
type Config struct {
	HeatEvery time.Duration // some pulses so often; 0: on demand only
	Blank     time.Duration // how long after a pulse values are flagged
	Now       func() time.Time
}

// Chip is one sensor.
type Chip struct {
	dev i2cbus.Device
	cfg Config

	mu     sync.Mutex
	wanted int       // pulses
	heated time.Time // when the last pulse began
	due    time.Time // of the next by HeatEvery
}

// New returns the chip; nothing is sent before the first measurement.
func New(dev i2cbus.Device, cfg Config) *Chip {
	c := &Chip{dev: dev, cfg: cfg}
	if cfg.HeatEvery > 0 {
		c.due = cfg.Now().Add(cfg.HeatEvery)
	}
	return c
}

// Measure reads temperature and humidity. When a pulse of the heater is due and
// its duty limit allows it, it comes with the measurement; values are then hot.
func (c *Chip) Measure(ctx context.Context) (sensor.Values, error) {
	if deadline, ok := ctx.Deadline(); (!ok || time.Until(deadline) > HeatTime) && c.mayHeat() {
		return c.command(ctx, cmdHeat, heatTime)
	}
	return c.command(ctx, cmdMeasure, measureTime)
}

// mayHeat takes one pulse of those wanted; it counts though the bus may fail.
func (c *Chip) mayHeat() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.cfg.Now()
	if !c.due.IsZero() && !now.Before(c.due) {
		c.wanted = max(c.wanted, pulses)
		c.due = now.Add(c.cfg.HeatEvery)
	}
	if c.wanted == 0 || !c.heated.IsZero() && now.Sub(c.heated) < every {
		return false
	}
	c.wanted--
	c.heated = now
	return true
}

// Heat asks for n pulses, at least ten seconds apart.
func (c *Chip) Heat(n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wanted = max(c.wanted, n)
}

// Disturbed tells whether the last pulse is not long enough ago.
func (c *Chip) Disturbed() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return !c.heated.IsZero() && c.cfg.Now().Sub(c.heated) < c.cfg.Blank
}

func (c *Chip) command(ctx context.Context, cmd byte, wait time.Duration) (sensor.Values, error) {
	words, err := c.ask(ctx, cmd, wait)
	if err != nil {
		return nil, err
	}
	if words[0] == failedRaw && words[1] == failedRaw {
		return nil, errors.New("the chip says that it could not measure (0x8000)")
	}
	return sensor.Values{Temp: celsius(words[0]), RH: humidity(words[1])}, nil
}

func (c *Chip) ask(ctx context.Context, cmd byte, wait time.Duration) ([]uint16, error) {
	if err := c.dev.Tx(ctx, []byte{cmd}, nil); err != nil {
		return nil, err
	}
	if err := i2cbus.Wait(ctx, wait); err != nil {
		return nil, err
	}
	var reply [6]byte
	if err := c.dev.Tx(ctx, nil, reply[:]); err != nil {
		return nil, err
	}
	return crc8.Words(reply[:])
}

// celsius is T = −45 + 175 · S/(2¹⁶−1), section 4.6.
func celsius(s uint16) float64 { return -45 + 175*float64(s)/65535 }

// humidity is RH = −6 + 125 · S/(2¹⁶−1), section 4.6. That of the SHT3x differs
// by up to 19 %RH, so the two must not be confused.
func humidity(s uint16) float64 { return -6 + 125*float64(s)/65535 }

// Serial reads the chip's serial number, eight hex digits. An SHT3x at the same
// address does not answer to it.
func (c *Chip) Serial(ctx context.Context) (string, error) {
	words, err := c.ask(ctx, cmdSerial, serialTime)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%04x%04x", words[0], words[1]), nil
}

// Recover resets the chip.
func (c *Chip) Recover(ctx context.Context) error {
	if err := c.dev.Tx(ctx, []byte{cmdReset}, nil); err != nil {
		return fmt.Errorf("reset: %w", err)
	}
	return i2cbus.Wait(ctx, resetTime)
}
