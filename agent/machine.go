package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"dewpost/agent/sensor/hwmon"
	"dewpost/agent/sensor/iio"
	"dewpost/agent/sensor/sysfs"
	"dewpost/agent/sensor/w1"
)

// CheckMachine looks whether the buses and devices of the sensors are there and
// may be used by this user; dev is the folder of the buses. An agent starts
// without them, too: a device may appear later.
func (c Config) CheckMachine(dev string) (problems []Problem) {
	for i, st := range c.withDefaults().Stations {
		for j, sc := range st.Sensors {
			if key, err := lookFor(sc, dev); err != nil {
				problems = append(problems, Problem{
					Key:  fmt.Sprintf("station[%d].sensor[%d].%s", i+1, j+1, key),
					What: err.Error(), Fix: fixFor(sc, err),
				})
			}
		}
	}
	return problems
}

// lookFor returns the key that names what can't be used, and why.
func lookFor(c Sensor, dev string) (key string, err error) {
	d, known := driverOf(c.Driver)
	switch {
	case !known:
		return "", nil
	case d.addresses != nil:
		return "bus", usable(filepath.Join(dev, fmt.Sprintf("i2c-%d", *c.Bus)))
	case c.Driver == "iio":
		_, err = sysfs.Find(iio.Class(c.Sysfs), c.Device)
	case c.Driver == "hwmon":
		_, err = sysfs.Find(hwmon.Class(c.Sysfs), c.Device)
	case c.Driver == "w1":
		_, err = os.Stat(filepath.Join(w1.Class(c.Sysfs), c.Device))
	default:
		if path, serial := strings.CutPrefix(c.Device, "rtu://"); serial {
			err = usable(path)
		}
	}
	return "device", err
}

// usable opens a device as its driver will.
func usable(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return f.Close()
}

func fixFor(c Sensor, err error) string {
	d, _ := driverOf(c.Driver)
	switch {
	case errors.Is(err, fs.ErrPermission) && d.addresses != nil:
		return "let the agent's user use it: make it a member of the group i2c"
	case errors.Is(err, fs.ErrPermission):
		return "let the agent's user use it: for a serial line make it a member of the group dialout"
	case d.addresses != nil:
		return "switch the bus on in the board's settings and load the module i2c-dev; dewpost-agent probe shows what there is"
	case c.Driver == "w1":
		return "load the modules w1-gpio and w1-therm, and look at the wire; dewpost-agent probe shows what there is"
	}
	return "load the device's driver, or correct its name; dewpost-agent probe shows what there is"
}
