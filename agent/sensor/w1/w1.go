// Package w1 reads DS18B20 thermometers through the kernel's 1-Wire driver, in
// /sys/bus/w1/devices.
//
// Source: Documentation/w1/slaves/w1_therm of the Linux kernel; DS18B20
// datasheet: scratchpad figure 9 and table 1, where 85 °C is the value after
// power-on.
package w1

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"dewpost/agent/sensor"
)

// Temp is what the thermometer measures, in °C.
const Temp = "temp"

// Class is the folder of the devices under a sysfs root.
func Class(root string) string { return filepath.Join(root, "bus/w1/devices") }

var id = regexp.MustCompile(`^(10|22|28|3b|42)-[0-9a-f]{12}$`)

// Valid returns an error that says how to write a device, or nil.
func Valid(device string) error {
	if !id.MatchString(device) {
		return fmt.Errorf("%q: write the device as the kernel shows it, such as 28-0316a2794bff", device)
	}
	return nil
}

// List returns the thermometers that the kernel has found.
func List(root string) ([]string, error) {
	entries, err := os.ReadDir(Class(root))
	if err != nil {
		return nil, err
	}
	var list []string
	for _, e := range entries {
		if id.MatchString(e.Name()) {
			list = append(list, e.Name())
		}
	}
	return list, nil
}

// Chip is one thermometer.
type Chip struct{ path string }

// New returns the thermometer of that id.
func New(root, device string) *Chip {
	return &Chip{path: filepath.Join(Class(root), device, "w1_slave")}
}

// powerOn is what the thermometer shows until it has measured.
const powerOn = 85.0

// Measure reads the temperature; the kernel takes up to 0.8 s for it.
func (c *Chip) Measure(context.Context) (sensor.Values, error) {
	text, err := os.ReadFile(c.path)
	if err != nil {
		return nil, err
	}
	v, err := parse(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.path, err)
	}
	return sensor.Values{Temp: v}, nil
}

// parse reads the two lines of w1_slave: the nine bytes of the scratchpad with
// the kernel's verdict on their checksum, and the temperature in m°C.
func parse(text string) (float64, error) {
	first, second, ok := strings.Cut(strings.TrimSpace(text), "\n")
	pad, verdict, colon := strings.Cut(first, " : ")
	_, number, temp := strings.Cut(second, "t=")
	if !ok || !colon || !temp {
		return 0, fmt.Errorf("%.80q: two lines were expected, with crc= and t=", text)
	}
	if !strings.HasSuffix(strings.TrimSpace(verdict), "YES") {
		return 0, errors.New("the checksum is wrong: look at the wire, its length and the pull-up")
	}
	if strings.Trim(pad, "0 ") == "" {
		// The checksum of zeros is right, too.
		return 0, errors.New("all bytes are zero: the wire is short-circuited")
	}
	milli, err := strconv.Atoi(strings.TrimSpace(number))
	if err != nil {
		return 0, fmt.Errorf("t=%.20q is no number", number)
	}
	v := float64(milli) / 1000
	if v == powerOn {
		return 0, errors.New("85 °C is what it shows after power-on, before it has measured: is its supply good?")
	}
	return v, nil
}
