package agent

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/sample"
	"dewpost/agent/sensor"
	"dewpost/agent/sensor/i2cbus"
	"dewpost/agent/sensor/signal"
	"dewpost/agent/spool"
	"dewpost/rules/reading"
)

// sensorConfig is a configuration with these sensor tables.
func sensorConfig(t *testing.T, tables string) Config {
	t.Helper()
	c, err := Load(write(t, strings.ReplaceAll(good, "[[station.sensor]]\ndriver = \"sim\"\n", tables)))
	require.NoError(t, err)
	return c
}

// chips are on a bus, and answer 16-bit reads.
type chips map[uint16]func(w []byte) []byte

func (c chips) Tx(addr uint16, w, r []byte) error {
	answer, ok := c[addr]
	if !ok {
		return errors.New("no acknowledgement")
	}
	b := answer(w)
	if b == nil {
		return errors.New("no acknowledgement")
	}
	copy(r, b)
	return nil
}

func (c chips) buses() *i2cbus.Buses {
	return i2cbus.With(func(n int) (i2cbus.Conn, error) {
		if n != 1 {
			return nil, fmt.Errorf("bus %d is not there", n)
		}
		return c, nil
	})
}

// monitor is an INA226 that shows so many counts of its shunt, and 11.98 V.
func monitor(shunt uint16) func([]byte) []byte {
	return func(w []byte) []byte {
		v := map[byte]uint16{0x01: shunt, 0x02: 9584, 0x06: 0x0008, 0xfe: 0x5449, 0xff: 0x2260}[w[0]]
		return binary.BigEndian.AppendUint16(nil, v)
	}
}

// hygrometer is an SHT3x that has 25 °C and 40 %RH in its buffer; 0x89 is nothing that it knows.
func hygrometer(w []byte) []byte {
	if len(w) == 1 {
		return nil
	}
	return []byte{0x66, 0x66, 0x93, 0x66, 0x66, 0x93}
}

// TestDriversBecomeChannels reads a station with sensors of several kinds, of
// which one is not there.
func TestDriversBecomeChannels(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(root, "bus/iio/devices/iio:device0")
	require.NoError(t, os.MkdirAll(dir, 0o700))
	for name, text := range map[string]string{"name": "outdoor", "in_temp_input": "3120", "in_humidityrelative_input": "91000"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	c := sensorConfig(t, fmt.Sprintf(`
[[station.sensor]]
driver = "sht3x"
serial = "A1"
calibrated = "2026-03-01"
[[station.sensor.channel]]
name = "inside_temp_c"
offset = -0.5
[[station.sensor.channel]]
name = "inside_rh_pct"
gain = 1.1
[[station.sensor]]
driver = "ina226"
shunt_ohm = 0.1
[[station.sensor]]
driver = "iio"
device = "outdoor"
sysfs = %q
[[station.sensor.channel]]
name = "outside_temp_c"
from = "in_temp"
[[station.sensor.channel]]
name = "outside_rh_pct"
from = "in_humidityrelative"
[[station.sensor]]
driver = "w1"
device = "28-0316a2794bff"
sysfs = %q
`, root, root))
	synctest.Test(t, func(t *testing.T) {
		require.Empty(t, c.Check())
		a, err := New(c)
		require.NoError(t, err)
		a.hw.buses = chips{0x44: hygrometer, 0x40: monitor(400)}.buses()
		var out bytes.Buffer
		require.ErrorIs(t, a.Probe(t.Context(), &out), errProbe)
		table := out.String()
		for _, want := range []string{"inside_temp_c    24.50", "inside_rh_pct    44.00", "line_current_ma  10.000", "line_voltage_v   11.980", "outside_temp_c   3.12", "outside_rh_pct   91.00", "board_temp_c     -"} {
			require.Contains(t, table, want)
		}
		require.Contains(t, table, "w1 28-0316a2794bff")
	})
}

// TestSensorProblems: each names key, value and fix.
func TestSensorProblems(t *testing.T) {
	const channel = "[[station.sensor.channel]]\nname = \"outside_temp_c\"\n"
	for name, test := range map[string]struct{ table, want string }{
		"driver":         {"driver = \"sht9\"", `sensor[1].driver: "sht9" is not known; choose one of ["sim" "sht3x"`},
		"date":           {"driver = \"sht3x\"\ncalibrated = \"March\"", `calibrated: "March" is no date`},
		"bus":            {"driver = \"sht3x\"\nbus = -1", "bus: -1 is out of range"},
		"address":        {"driver = \"sht3x\"\naddress = 0x76", "address: 0x76 is none that a sht3x can have; write one of 0x44, 0x45"},
		"address beyond": {"driver = \"sht3x\"\naddress = 65604", "address: 0x10044"},
		"no shunt":       {"driver = \"ina226\"", "shunt_ohm: 0 is out of range"},
		"shunt":          {"driver = \"ina219\"\nshunt_ohm = -1", "shunt_ohm: -1"},
		"range":          {"driver = \"ads1115\"\nfull_scale_v = 5\n" + channel + "from = \"in0\"", "full_scale_v: 5 is no range"},
		"no channel":     {"driver = \"ads1115\"", "channel: there is none; add a [[station.sensor.channel]]"},
		"channel":        {"driver = \"sht3x\"\n[[station.sensor.channel]]\nname = \"roof\"", `channel[1].name: "roof" is no channel`},
		"twice":          {"driver = \"sht3x\"\n" + channel + channel, "channel[2].name: outside_temp_c stands there twice"},
		"from":           {"driver = \"sht3x\"\n" + channel + "from = \"pressure\"", `channel[1].from: "pressure" is nothing that a sht3x measures; write one of temp, rh`},
		"nothing fits":   {"driver = \"sht3x\"\n[[station.sensor.channel]]\nname = \"comb_us\"", `from: "" is nothing`},
		"from of iio":    {"driver = \"iio\"\ndevice = \"x\"\n" + channel + "from = \"temp\"", "channel[1].from"},
		"from of hwmon":  {"driver = \"hwmon\"\ndevice = \"x\"\n" + channel + "from = \"temp\"", "channel[1].from"},
		"device":         {"driver = \"iio\"\ndevice = \"../x\"\n" + channel + "from = \"in_temp\"", `device: "../x" is no device`},
		"thermometer":    {"driver = \"w1\"\ndevice = \"28\"", `device: "28"`},
		"gain":           {"driver = \"sht3x\"\n" + channel + "gain = inf", "channel[1].gain: +Inf"},
		"offset":         {"driver = \"sht3x\"\n" + channel + "offset = nan", "channel[1].offset: NaN"},
		"scale":          {"driver = \"sht3x\"\n" + channel + "scale = inf", "channel[1].scale: +Inf"},
		"signal":         {"driver = \"sht3x\"\n" + channel + "signal = \"morse\"", `channel[1].signal: "morse" is not known`},
		"excitation":     {"driver = \"ads1115\"\n" + channel + "from = \"in0\"\nsignal = \"comb\"", "channel[1].excitation_v"},
		"reference":      {"driver = \"ads1115\"\n" + channel + "from = \"in0\"\nsignal = \"comb\"\nexcitation_v = 3.3", "channel[1].reference_ohm"},
		"burden":         {"driver = \"ads1115\"\n" + channel + "from = \"in0\"\nsignal = \"loop\"\nburden_ohm = -1", "channel[1].burden_ohm"},
		"loop":           {"driver = \"ads1115\"\n" + channel + "from = \"in0\"\nsignal = \"loop\"", "channel[1].loop_high"},
		"heater":         {"driver = \"sht4x\"\nheater_every = \"5s\"", "heater_every: \"5s\" is too short"},
		"blanking":       {"driver = \"sht4x\"\nheater_blank = \"1s\"", "heater_blank"},
		"modbus":         {"driver = \"modbus\"\ndevice = \"plc\"\n" + channel, `device: "plc"`},
		"unit":           {"driver = \"modbus\"\ndevice = \"tcp://plc:502\"\nunit = 248\n" + channel, "unit: 248"},
		"baud":           {"driver = \"modbus\"\ndevice = \"rtu:///dev/ttyUSB0\"\nbaud = 7\n" + channel, "baud: 7"},
		"parity":         {"driver = \"modbus\"\ndevice = \"rtu:///dev/ttyUSB0\"\nparity = \"mark\"\n" + channel, "parity"},
		"register":       {"driver = \"modbus\"\ndevice = \"tcp://plc:502\"\n" + channel + "register = 65536", "channel[1].register: 65536"},
		"table":          {"driver = \"modbus\"\ndevice = \"tcp://plc:502\"\n" + channel + "table = \"coil\"", "channel[1].table"},
		"kind":           {"driver = \"modbus\"\ndevice = \"tcp://plc:502\"\n" + channel + "kind = \"bcd\"", "channel[1].kind"},
	} {
		t.Run(name, func(t *testing.T) {
			problems := sensorConfig(t, "[[station.sensor]]\n"+test.table+"\n").Check()
			require.Len(t, problems, 1)
			require.Contains(t, problems[0].Error(), "station[1].sensor[1].")
			require.Contains(t, problems[0].Error(), test.want)
		})
	}
}

func TestGoodSensors(t *testing.T) {
	const channel = "[[station.sensor.channel]]\nname = "
	for name, table := range map[string]string{
		"defaults":  "driver = \"bme280\"\n[[station.sensor]]\ndriver = \"ina219\"\nshunt_ohm = 10\n[[station.sensor]]\ndriver = \"w1\"\ndevice = \"28-0316a2794bff\"",
		"bus 0":     "driver = \"sht4x\"\nbus = 0\nheater_every = \"24h\"",
		"converter": "driver = \"ads1115\"\n" + channel + "\"comb_us\"\nfrom = \"in0\"\nsignal = \"comb\"\nexcitation_v = 3.3\nreference_ohm = 1e5\n" + channel + "\"outside_temp_c\"\nfrom = \"in1\"\nsignal = \"loop\"\nburden_ohm = 150\nloop_low = -40\nloop_high = 60",
		"hwmon":     "driver = \"hwmon\"\ndevice = \"sht3x\"\n" + channel + "\"cover_temp_c\"\nfrom = \"temp1\"",
		"modbus":    "driver = \"modbus\"\ndevice = \"tcp://plc:502\"\n" + channel + "\"outside_temp_c\"\nregister = 1\nscale = 0.1\n" + channel + "\"outside_rh_pct\"\ntable = \"input\"\nkind = \"float32\"",
	} {
		t.Run(name, func(t *testing.T) {
			require.Empty(t, sensorConfig(t, "[[station.sensor]]\n"+table+"\n").Check())
		})
	}
	_, ok := driverOf("sim")
	require.False(t, ok, "it has a way of its own")
	require.Equal(t, reading.BoardTemp.Name(), drivers[8].inside["temp"])
}

// TestTwoChipsAtOnePlace: two kinds of chip can't answer at one address; two
// tables of one chip may share it.
func TestTwoChipsAtOnePlace(t *testing.T) {
	const outside = "[[station.sensor.channel]]\nname = \"outside_temp_c\"\n"
	tables := "[[station.sensor]]\ndriver = \"sht3x\"\n[[station.sensor]]\ndriver = %q\n" + outside
	problems := sensorConfig(t, fmt.Sprintf(tables, "sht4x")).Check()
	require.Len(t, problems, 1)
	require.Contains(t, problems[0].Error(), "station[1].sensor[2].address: 0x44 on bus 1 is where sensor[1] has a sht3x; correct one of them")
	require.Empty(t, sensorConfig(t, fmt.Sprintf(tables, "sht3x")).Check())
	require.Empty(t, sensorConfig(t, strings.Replace(fmt.Sprintf(tables, "sht4x"), "sht4x\"", "sht4x\"\naddress = 0x45", 1)).Check())
}

// TestASharedChip: two stations have the site's outdoor sensor; it has one heater
// and is used by one of them at a time.
func TestASharedChip(t *testing.T) {
	hw := newHardware(time.Now)
	hw.buses = chips{}.buses()
	shared := func(channel string) *sensor.Sensor {
		c := Sensor{Driver: "sht4x", Channels: []Channel{{Name: channel, From: "rh"}}}
		c.withDefaults()
		s, problem := newSensor(c, hw)
		require.Nil(t, problem)
		return s.(*sensor.Sensor)
	}
	one, other := shared("outside_rh_pct"), shared("inside_rh_pct")
	require.Len(t, hw.heated, 1)
	require.Len(t, hw.locks, 1)
	require.True(t, one.Heatable())
	require.Implements(t, (*sample.Withholder)(nil), one, "or a heated one would count as failed")
	hw.lock("sht4x at 0x44 on bus 1").Lock()
	done := goSense(t, other)
	select {
	case <-done:
		t.Fatal("it did not wait")
	default:
	}
	hw.lock("sht4x at 0x44 on bus 1").Unlock()
	require.ErrorContains(t, <-done, "no acknowledgement")
}

// TestHeatTakesTime: a pulse that no sample has the time for would never come.
func TestHeatTakesTime(t *testing.T) {
	hw := newHardware(time.Now)
	hw.buses = chips{}.buses()
	c := Sensor{Driver: "sht4x"}
	c.withDefaults()
	made, problem := newSensor(c, hw)
	require.Nil(t, problem)
	r := &running{src: &source{
		health:  []*sensor.Sensor{nil, made.(*sensor.Sensor)},
		sampler: sample.NewSampler(nil, sample.Plan{Interval: 5 * time.Second, Burst: 5}, &sample.Timekeeper{}, nil, nil),
	}}
	require.ErrorContains(t, heat(r, 5), "a sample every 1s leaves no time for a pulse of 1.2s: order a longer interval first")
	r.src.sampler.SetPlan(sample.Plan{Interval: time.Minute, Burst: 5})
	require.NoError(t, heat(r, 5))
	require.ErrorContains(t, heat(r, 0), "1 to 30")

	cfg := sensorConfig(t, "[[station.sensor]]\ndriver = \"sht4x\"\nheater_every = \"1h\"\n")
	require.Empty(t, cfg.Check())
	cfg.Stations[0].Interval = Duration(5 * time.Second)
	problems := cfg.Check()
	require.Len(t, problems, 1)
	require.Contains(t, problems[0].Error(), "station[1].sensor[1].heater_every: a sample every 1s leaves no time for a pulse of 1.2s")
}

func goSense(t *testing.T, s *sensor.Sensor) <-chan error {
	t.Helper()
	done := make(chan error, 1)
	go func() {
		var r reading.Reading
		done <- s.Sense(t.Context(), &r)
	}()
	return done
}

// deadGateway is a transmitter behind a gateway that is switched off: connecting
// takes the five seconds of modbus.
type deadGateway struct{}

func (deadGateway) Measure(context.Context) (sensor.Values, error) {
	time.Sleep(5 * time.Second)
	return nil, errors.New("connect: no route to host")
}
func (deadGateway) Recover(context.Context) error { return nil }

// localChip answers within its time, if it has any.
type localChip struct{}

func (localChip) Measure(ctx context.Context) (sensor.Values, error) {
	if err := i2cbus.Wait(ctx, 9*time.Millisecond); err != nil {
		return nil, err
	}
	return sensor.Values{"temp": 11.25, "rh": 88}, nil
}

// TestDeadSensorsDontTakeTheTimeOfOthers: three transmitters behind a gateway that is
// gone, and a chip on the board that is well, as the configuration lists them.
func TestDeadSensorsDontTakeTheTimeOfOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp, err := spool.Open(t.TempDir(), spool.Options{})
		require.NoError(t, err)
		gateway := new(sync.Mutex)
		var list []sample.Sensor
		for _, c := range []reading.Channel{reading.OutsideTemp, reading.LineCurrent, reading.BoardTemp} {
			list = append(list, sensor.New("modbus", deadGateway{}, []sensor.Mapping{{From: "x", To: c, Signal: signal.Linear{Scale: 1}, Gain: 1}}, gateway))
		}
		list = append(list, sensor.New("sht4x", localChip{}, []sensor.Mapping{
			{From: "temp", To: reading.InsideTemp, Signal: signal.Linear{Scale: 1}, Gain: 1},
			{From: "rh", To: reading.InsideRH, Signal: signal.Linear{Scale: 1}, Gain: 1},
		}, new(sync.Mutex)))
		quiet := slog.New(slog.DiscardHandler)
		k := sample.NewTimekeeper(sample.Clock{Now: time.Now}, time.Second, time.Time{}, quiet)
		s := sample.NewSampler(list, sample.Plan{Interval: time.Minute, Burst: 5}, k, sample.NewRecorder("lake-07", sp), quiet)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(time.Hour)
		stop()
		require.NoError(t, <-done)
		all, with := 0, 0
		require.NoError(t, sp.Each(10, func(_ int64, line []byte) bool {
			all++
			if strings.Contains(string(line), "inside_rh_pct=88") {
				with++
			}
			return true
		}))
		require.NoError(t, sp.Close())
		require.InDelta(t, 50, all, 3)
		require.Equal(t, all, with, "readings with what the chip on the board measured")
	})
}
