package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestCheckMachine(t *testing.T) {
	s := machine(t)
	serial := filepath.Join(s.Dev, "ttyUSB0")
	require.NoError(t, os.WriteFile(serial, nil, 0o600))
	const channel = "[[station.sensor.channel]]\nname = %q\nfrom = %q\n"
	tables := func(bus int, device, id, line string) string {
		return fmt.Sprintf("[[station.sensor]]\ndriver = \"sht3x\"\nbus = %d\n", bus) +
			fmt.Sprintf("[[station.sensor]]\ndriver = \"iio\"\nsysfs = %q\ndevice = %q\n"+channel, s.Sysfs, device, "outside_temp_c", "in_temp") +
			fmt.Sprintf("[[station.sensor]]\ndriver = \"hwmon\"\nsysfs = %q\ndevice = \"processor\"\n"+channel, s.Sysfs, "cover_temp_c", "temp1") +
			fmt.Sprintf("[[station.sensor]]\ndriver = \"w1\"\nsysfs = %q\ndevice = %q\n", s.Sysfs, id) +
			fmt.Sprintf("[[station.sensor]]\ndriver = \"modbus\"\ndevice = %q\n"+channel, line, "outside_rh_pct", "") +
			"[[station.sensor]]\ndriver = \"sim\"\n"
	}
	c := sensorConfig(t, tables(1, "hygrometer", "28-0316a2794bff", "rtu://"+serial))
	require.Empty(t, c.CheckMachine(s.Dev, s.Sysfs))
	c = sensorConfig(t, tables(3, "barometer", "28-0316a2794b00", "rtu://"+serial+"1"))
	var got []string
	for _, p := range c.CheckMachine(s.Dev, s.Sysfs) {
		require.Contains(t, p.Fix, "probe shows")
		got = append(got, p.Key)
	}
	require.Equal(t, []string{"station[1].sensor[1].bus", "station[1].sensor[2].device", "station[1].sensor[4].device", "station[1].sensor[5].device"}, got)
	forbidden := fmt.Errorf("open: %w", fs.ErrPermission)
	require.Contains(t, fixFor(Sensor{Driver: "sht3x"}, forbidden), "group i2c")
	require.Contains(t, fixFor(Sensor{Driver: "modbus"}, forbidden), "group dialout")
	require.Contains(t, fixFor(Sensor{Driver: "hwmon"}, errors.New("none")), "load the device's driver")

	// Folders, the lamp, and what is of no use.
	file := filepath.Join(s.Dev, "i2c-1")
	require.NoError(t, os.MkdirAll(filepath.Join(s.Sysfs, "class/leds/ACT"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(s.Sysfs, "class/leds/ACT/trigger"), nil, 0o600))
	c = sensorConfig(t, "[[station.sensor]]\ndriver = \"sht3x\"\n[[station.sensor.channel]]\nname = \"inside_rh_pct\"\n")
	c.SpoolDir, c.Lamp = filepath.Join(t.TempDir(), "not", "made", "yet"), "ACT"
	problems := c.CheckMachine(s.Dev, s.Sysfs)
	require.Len(t, problems, 1)
	require.Equal(t, "station[1].sensor: inside_rh_pct comes without inside_temp_c, so there is no dew point; add a [[station.sensor.channel]] with the name inside_temp_c", problems[0].Error())
	require.NoDirExists(t, filepath.Dir(c.SpoolDir), "nothing is made")
	c.SpoolDir, c.Logger.Dir, c.Lamp = file, "/proc/carry", "PWR"
	got = nil
	for _, p := range c.CheckMachine(s.Dev, s.Sysfs) {
		got = append(got, p.Key)
	}
	require.Equal(t, []string{"spool_dir", "logger.dir", "lamp", "station[1].sensor"}, got)
}
