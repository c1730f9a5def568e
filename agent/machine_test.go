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
	require.Empty(t, c.CheckMachine(s.Dev))
	c = sensorConfig(t, tables(3, "barometer", "28-0316a2794b00", "rtu://"+serial+"1"))
	var got []string
	for _, p := range c.CheckMachine(s.Dev) {
		require.Contains(t, p.Fix, "probe shows")
		got = append(got, p.Key)
	}
	require.Equal(t, []string{"station[1].sensor[1].bus", "station[1].sensor[2].device", "station[1].sensor[4].device", "station[1].sensor[5].device"}, got)
	forbidden := fmt.Errorf("open: %w", fs.ErrPermission)
	require.Contains(t, fixFor(Sensor{Driver: "sht3x"}, forbidden), "group i2c")
	require.Contains(t, fixFor(Sensor{Driver: "modbus"}, forbidden), "group dialout")
	require.Contains(t, fixFor(Sensor{Driver: "hwmon"}, errors.New("none")), "load the device's driver")
}
