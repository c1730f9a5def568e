package agent

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
)

// jar is a kernel's device whose humidity is that of the jar it was put into:
// each line that is read from it stands for a person's Enter.
type jar struct {
	path    string
	rh      []float64 // in turn
	answers []string  // instead of Enter
}

func (j *jar) Read(b []byte) (int, error) {
	if len(j.answers) > 0 {
		line := j.answers[0]
		j.answers = j.answers[1:]
		return copy(b, line+"\n"), nil
	}
	if len(j.rh) == 0 {
		return 0, io.EOF
	}
	rh := j.rh[0]
	j.rh = j.rh[1:]
	if err := os.WriteFile(j.path, []byte(strconv.FormatFloat(1000*rh, 'f', 0, 64)), 0o600); err != nil {
		return 0, err
	}
	return copy(b, "\n"), nil
}

// hygrometerIn returns an agent with a sensor of the kernel's, and its jar.
func hygrometerIn(t *testing.T, files, channels string) (*Agent, *jar) {
	t.Helper()
	root := t.TempDir()
	dir := filepath.Join(root, "bus/iio/devices/iio:device0")
	require.NoError(t, os.MkdirAll(dir, 0o700))
	j := &jar{path: filepath.Join(dir, "in_humidityrelative_input")}
	for name, text := range map[string]string{"name": "hygrometer", "in_humidityrelative_input": "1000", "in_temp_input": files} {
		if text != "" {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
		}
	}
	a, err := New(sensorConfig(t, fmt.Sprintf("[[station.sensor]]\ndriver = \"iio\"\ndevice = \"hygrometer\"\nsysfs = %q\n%s", root, channels)))
	require.NoError(t, err)
	return a, j
}

const (
	humid = "[[station.sensor.channel]]\nname = \"inside_rh_pct\"\nfrom = \"in_humidityrelative\"\ngain = 2\noffset = 30\n"
	warm  = "[[station.sensor.channel]]\nname = \"inside_temp_c\"\nfrom = \"in_temp\"\n"
)

func check(j io.Reader, out io.Writer) Calibration {
	return Calibration{Channel: "inside_rh_pct", Salts: []string{"MgCl2", "NaCl"}, Samples: 3, Every: time.Microsecond, In: j, Out: out}
}

// TestCalibrate: over MgCl2 (32.79 at 25 °C) the sensor reads 34, over NaCl
// (75.30) it reads 75; the lines put both right, whatever stood there before.
func TestCalibrate(t *testing.T) {
	a, j := hygrometerIn(t, "25000", humid+warm)
	j.rh = []float64{34, 75}
	var out bytes.Buffer
	require.NoError(t, a.Calibrate(t.Context(), check(j, &out)))
	require.Contains(t, out.String(), "MgCl2 at 25.00 °C: 32.79 %RH ± 0.16. The sensor reads 34.00: +1.21.")
	require.Contains(t, out.String(), "must not touch the sensor")
	_, lines, ok := strings.Cut(out.String(), "has there.\n")
	require.True(t, ok)
	var c Config
	_, err := toml.Decode("[[station]]\n"+lines, &c)
	require.NoError(t, err, lines)
	require.NotEmpty(t, c.Stations[0].Sensors[0].Calibrated)
	require.Len(t, c.Stations[0].Sensors[0].Channels, 2)
	ch := c.Stations[0].Sensors[0].Channels[0]
	require.Equal(t, "in_humidityrelative", ch.From)
	require.Equal(t, Channel{Name: "inside_temp_c", From: "in_temp"}, c.Stations[0].Sensors[0].Channels[1], "the other one stays")
	require.InDelta(t, 32.79, ch.Gain*34+ch.Offset, 0.01)
	require.InDelta(t, 75.29, ch.Gain*75+ch.Offset, 0.02)
}

// TestCalibratedKeepsItsChannels: what a chip measures when nothing is said is
// still measured with what a check says of it.
func TestCalibratedKeepsItsChannels(t *testing.T) {
	var out bytes.Buffer
	ask := &asking{out: &out}
	require.NoError(t, ask.conclude(Sensor{Driver: "sht3x"}, reading.InsideRH, [2]float64{32.8, 75.3}, [2]float64{34, 75}, time.Now()))
	_, lines, ok := strings.Cut(out.String(), "has there.\n")
	require.True(t, ok)
	c := sensorConfig(t, strings.Replace(lines, "[[station.sensor]]", "[[station.sensor]]\ndriver = \"sht3x\"", 1))
	made, problem := newSensor(c.withDefaults().Stations[0].Sensors[0], newHardware(time.Now))
	require.Nil(t, problem)
	require.ElementsMatch(t, []reading.Channel{reading.InsideTemp, reading.InsideRH}, made.Channels())
	require.Empty(t, c.Check())
}

func TestCalibrateAsksForTheTemperature(t *testing.T) {
	a, j := hygrometerIn(t, "", humid)
	require.NoError(t, os.WriteFile(j.path, []byte("33070"), 0o600))
	j.answers = []string{"", "warm", "20,0", ""}
	j.rh = []float64{75.47}
	rest := io.MultiReader(j, strings.NewReader(""))
	var out bytes.Buffer
	err := a.Calibrate(t.Context(), check(rest, &out))
	require.ErrorIs(t, err, errStopped, "the second temperature is missing")
	require.Contains(t, out.String(), `"warm" is no temperature`)
	require.Contains(t, out.String(), "MgCl2 at 20.00 °C: 33.07 %RH")
}

func TestCalibrateRefuses(t *testing.T) {
	for name, test := range map[string]struct {
		rh     []float64
		change func(*Calibration)
		want   string
	}{
		"far off":   {[]float64{34, 90}, nil, "off by 14.7 %RH"},
		"stuck":     {[]float64{34, 34}, nil, "off by 41.3 %RH"},
		"stopped":   {[]float64{34}, nil, "nothing was changed"},
		"channel":   {nil, func(c *Calibration) { c.Channel = "comb_us" }, "write inside_rh_pct or outside_rh_pct"},
		"other one": {nil, func(c *Calibration) { c.Channel = "outside_rh_pct" }, "no sensor for outside_rh_pct"},
		"station":   {nil, func(c *Calibration) { c.Station = "lake-99" }, "name one of lake-07"},
		"one salt":  {nil, func(c *Calibration) { c.Salts = []string{"NaCl"} }, "name two"},
		"sugar":     {nil, func(c *Calibration) { c.Salts = []string{"NaCl", "sugar"} }, "choose one of"},
		"too close": {nil, func(c *Calibration) { c.Salts = []string{"NaCl", "KCl"} }, "at least 20 apart"},
	} {
		t.Run(name, func(t *testing.T) {
			a, j := hygrometerIn(t, "25000", humid+warm)
			j.rh = test.rh
			c := check(j, io.Discard)
			if test.change != nil {
				test.change(&c)
			}
			require.ErrorContains(t, a.Calibrate(t.Context(), c), test.want)
		})
	}
	a, j := hygrometerIn(t, "25000", humid+warm)
	require.NoError(t, os.Remove(j.path))
	j.answers = []string{""}
	require.ErrorContains(t, a.Calibrate(t.Context(), check(j, io.Discard)), "inside_rh_pct: no value")
	a, j = hygrometerIn(t, "70000", humid+warm)
	j.rh = []float64{34, 75}
	require.ErrorContains(t, a.Calibrate(t.Context(), check(j, io.Discard)), "the table goes from")
	j.rh = []float64{34, 75}
	require.ErrorIs(t, a.Calibrate(t.Context(), check(j, failing{})), errFull)
}

var errFull = errors.New("no room")

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errFull }
