// Package hwmon reads sensors that a kernel driver shows as Linux hardware
// monitoring, in /sys/class/hwmon.
//
// Source: Documentation/ABI/testing/sysfs-class-hwmon of the Linux kernel:
// tempN_input in m°C, humidityN_input in milli-percent, inN_input in mV,
// currN_input in mA. Whole milliamperes are too coarse for leakage: use the
// chip's own driver.
package hwmon

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
func Class(root string) string { return filepath.Join(root, "class/hwmon") }

// New returns the device of that name, or that folder name, with the channels
// in use, such as temp1, humidity1, in1, curr1.
func New(root, device string, uses []string) *Chip {
	return &Chip{sysfs.Device{Class: Class(root), Name: device, Uses: uses}}
}

var known = regexp.MustCompile(`^(temp|humidity|in|curr)[0-9]+$`)

// Valid returns an error that says how to write a channel, or nil.
func Valid(channel string) error {
	if !known.MatchString(channel) {
		return fmt.Errorf("%q: write a channel of the kernel's as temp1, humidity1, in1 or curr1", channel)
	}
	return nil
}

// Measure reads the channels in use: temperature in °C, humidity in %RH,
// voltage in V, current in mA.
func (c *Chip) Measure(context.Context) (sensor.Values, error) {
	return c.device.Measure(func(stem string) (float64, error) {
		v, _, err := sysfs.Number(stem + "_input")
		if !strings.HasPrefix(filepath.Base(stem), "curr") {
			v *= 1e-3
		}
		return v, err
	})
}
