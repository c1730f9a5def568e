package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"dewpost/agent/board"
	"dewpost/agent/sensor/hwmon"
	"dewpost/agent/sensor/iio"
	"dewpost/agent/sensor/sysfs"
	"dewpost/agent/sensor/w1"
	"dewpost/rules/reading"
)

// CheckMachine looks whether what the configuration names is there and may be
// used by this user: the buses and devices of the sensors, folders, the lamp; dev
// is the folder of the buses, root where the kernel shows its devices. An agent
// starts without them, too: a device may appear later. It also tells what of a
// station is of no use.
func (c Config) CheckMachine(dev, root string) (problems []Problem) {
	c = c.withDefaults()
	folders := []struct{ key, path string }{{"spool_dir", c.SpoolDir}, {"logger.dir", c.Logger.Dir}}
	for _, f := range folders {
		if err := writable(f.path); err != nil {
			problems = append(problems, Problem{Key: f.key, What: err.Error(), Fix: "let the agent's user write there, or name another folder; a service also wants ReadWritePaths= for a folder that is not its own"})
		}
	}
	if c.Lamp != "" {
		if err := opens(board.Trigger(root, c.Lamp)); err != nil {
			problems = append(problems, Problem{Key: "lamp", What: err.Error(), Fix: "write the name of a folder in /sys/class/leds, such as ACT, and let the agent's user write its trigger"})
		}
	}
	for i, st := range c.Stations {
		problems = append(problems, noDewPoint(i, st)...)
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

// writable tries whether a folder can be written, or made; "" is none.
func writable(path string) error {
	if path == "" {
		return nil
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) && filepath.Dir(path) != path {
		return writable(filepath.Dir(path))
	}
	f, err := os.CreateTemp(path, ".dewpost-check-*")
	if err != nil {
		return err
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// opens opens a file to be written, and writes nothing.
func opens(path string) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	return f.Close()
}

// noDewPoint tells of humidity that comes without the temperature of its place.
func noDewPoint(i int, st Station) (problems []Problem) {
	measured := map[reading.Channel]bool{}
	for _, sc := range st.Sensors {
		if made, problem := newSensor(sc, newHardware(time.Now)); problem == nil {
			for _, c := range made.Channels() {
				measured[c] = true
			}
		}
	}
	for _, air := range []struct{ rh, temp reading.Channel }{{reading.InsideRH, reading.InsideTemp}, {reading.OutsideRH, reading.OutsideTemp}} {
		if measured[air.rh] && !measured[air.temp] {
			problems = append(problems, Problem{
				Key:  fmt.Sprintf("station[%d].sensor", i+1),
				What: fmt.Sprintf("%s comes without %s, so there is no dew point", air.rh.Name(), air.temp.Name()),
				Fix:  "add a [[station.sensor.channel]] with the name " + air.temp.Name(),
			})
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
