// Package ads1115 reads the four-input converter ADS1115 (and ADS1113, ADS1114,
// which have the first pair only) by I²C. What the volts stand for, a Hall
// sensor, a comb, a loop of 4 to 20 mA, is the mapping's business.
//
// Source: ADS111x datasheet SBAS444: registers 9.6 (8.6 in later revisions),
// full-scale ranges table 3. Section numbers from memory.
package ads1115

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/i2cbus"
)

// Addresses are those that the chip can have; the first is the most common.
func Addresses() []uint16 { return []uint16{0x48, 0x49, 0x4a, 0x4b} }

// Inputs are what the chip measures, in V: each input against ground, and the
// pairs that it can measure against each other.
func Inputs() []string { return slices.Clone(inputs) }

var inputs = []string{"in0-in1", "in0-in3", "in1-in3", "in2-in3", "in0", "in1", "in2", "in3"} // in the order of MUX

// Ranges are the full scales that can be chosen, in V.
func Ranges() []float64 { return slices.Clone(ranges) }

var ranges = []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256} // in the order of PGA

const (
	regConversion = 0x00
	regConfig     = 0x01

	start    = 0x8000 // OS: begin, or ready when read
	single   = 0x0100 // MODE
	lowByte  = 0x0083 // DR: 128 a second; no comparator; as after power-on (0x8583)
	muxShift = 12
	pgaShift = 9

	convertTime = 9 * time.Millisecond // 7.8 ms and the oscillator's 10 %
	moreTries   = 3
)

// Chip is one converter.
type Chip struct {
	dev   i2cbus.Device
	uses  []string
	scale float64
}

// New returns the chip with a full scale out of Ranges, of which uses are read.
func New(dev i2cbus.Device, fullScale float64, uses []string) *Chip {
	return &Chip{dev: dev, uses: uses, scale: fullScale}
}

// Measure converts each input in use. One at the end of the range is absent:
// how much is there can't be told.
func (c *Chip) Measure(ctx context.Context) (sensor.Values, error) {
	values := sensor.Values{}
	var errs []error
	for _, in := range c.uses {
		v, err := c.convert(ctx, in)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", in, err))
			continue
		}
		values[in] = v
	}
	return values, errors.Join(errs...)
}

func (c *Chip) convert(ctx context.Context, in string) (float64, error) {
	config := uint16(start | single | lowByte)
	config |= uint16(slices.Index(inputs, in)) << muxShift
	config |= uint16(slices.Index(ranges, c.scale)) << pgaShift
	if err := c.dev.SetRegister(ctx, regConfig, config); err != nil {
		return 0, err
	}
	if err := c.await(ctx, config); err != nil {
		return 0, err
	}
	raw, err := c.dev.Register(ctx, regConversion)
	if err != nil {
		return 0, err
	}
	n := int16(raw)
	if n == 0x7fff || n == -0x8000 {
		return 0, fmt.Errorf("beyond the range of ±%v V", c.scale)
	}
	return float64(n) / 0x8000 * c.scale, nil
}

// await waits for the end of the conversion, and checks that it is still ours:
// a chip that lost its supply meanwhile has its default configuration.
func (c *Chip) await(ctx context.Context, config uint16) error {
	for range moreTries {
		if err := i2cbus.Wait(ctx, convertTime); err != nil {
			return err
		}
		now, err := c.dev.Register(ctx, regConfig)
		if err != nil {
			return err
		}
		if now&^start != config&^start {
			return fmt.Errorf("the configuration is 0x%04X, not 0x%04X: the chip was reset, or it is another one", now, config)
		}
		if now&start != 0 {
			return nil
		}
	}
	return errors.New("the conversion does not end")
}

// Identify returns an error when it is no ADS1115 as after power-on, or as
// Measure left it: the chip has no number of its own.
func (c *Chip) Identify(ctx context.Context) error {
	config, err := c.dev.Register(ctx, regConfig)
	if err != nil {
		return err
	}
	if config&0x00ff != lowByte || config&single == 0 {
		return fmt.Errorf("configuration 0x%04X: this is no ADS1115 that was switched on just now", config)
	}
	return nil
}
