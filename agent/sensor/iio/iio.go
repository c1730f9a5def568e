// Package iio reads sensors that a kernel driver shows as Linux industrial I/O,
// in /sys/bus/iio/devices.
//
// Source: Documentation/ABI/testing/sysfs-bus-iio of the Linux kernel: a
// channel has in_X_input in its unit, or in_X_raw, to be taken as
// (raw + offset) · scale; the offset is added first, and without a file it is 0
// and the scale 1.
package iio

import (
	"context"
	"fmt"
	"path/filepath"
	"regexp"
	"strings"

	"dewpost/agent/sensor"
	"dewpost/agent/sensor/sysfs"
)

// Chip is one device.
type Chip struct{ device sysfs.Device }

// Class is the folder of the devices under a sysfs root.
func Class(root string) string { return filepath.Join(root, "bus/iio/devices") }

// New returns the device of that name, or that folder name, with the channels
// in use, such as in_temp, in_humidityrelative, in_voltage0.
func New(root, device string, uses []string) *Chip {
	return &Chip{sysfs.Device{Class: Class(root), Name: device, Uses: uses}}
}

var known = regexp.MustCompile(`^in_(temp|humidityrelative|current|voltage|pressure)[0-9]*$`)

// Valid returns an error that says how to write a channel, or nil.
func Valid(channel string) error {
	if !known.MatchString(channel) {
		return fmt.Errorf("%q: write a channel of the kernel's as in_temp, in_humidityrelative, in_current0 or in_voltage0", channel)
	}
	return nil
}

// Measure reads the channels in use: temperature in °C, humidity in %RH,
// current in mA, voltage in V, pressure in hPa.
func (c *Chip) Measure(context.Context) (sensor.Values, error) { return c.device.Measure(read) }

// factor makes our unit of the ABI's.
func factor(channel string) float64 {
	switch {
	case strings.HasPrefix(channel, "in_current"): // mA
		return 1
	case strings.HasPrefix(channel, "in_pressure"): // kPa
		return 10
	}
	return 1e-3 // m°C, m%, mV
}

func read(stem string) (float64, error) {
	channel := filepath.Base(stem)
	v, text, err := sysfs.Number(stem + "_input")
	if err == nil {
		if percent(channel, v, text) {
			return v, nil
		}
		return v * factor(channel), nil
	}
	if !sysfs.Missing(err) {
		return 0, err
	}
	raw, _, err := sysfs.Number(stem + "_raw")
	if err != nil {
		return 0, err
	}
	offset, err := optional(stem, "offset", 0)
	if err != nil {
		return 0, err
	}
	scale, err := optional(stem, "scale", 1)
	if err != nil {
		return 0, err
	}
	return (raw + offset) * scale * factor(channel), nil
}

// percent tells whether a driver shows humidity in percent where the ABI says
// milli-percent, as the one of the BME680 does ("41.074000000"): a decimal point
// and 100 at most. Less than 0.1 % can't be told apart, and no box is so dry.
func percent(channel string, v float64, text string) bool {
	return strings.HasPrefix(channel, "in_humidityrelative") && strings.Contains(text, ".") && v <= 100
}

// optional reads a file of the channel, or of its kind ("in_voltage_scale" for
// in_voltage0).
func optional(stem, what string, without float64) (float64, error) {
	kind := strings.TrimRight(stem, "0123456789")
	for _, path := range []string{stem + "_" + what, kind + "_" + what} {
		v, _, err := sysfs.Number(path)
		if err == nil || !sysfs.Missing(err) {
			return v, err
		}
	}
	return without, nil
}
