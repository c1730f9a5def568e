package agent

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"dewpost/agent/sample"
	"dewpost/rules/reading"
	"dewpost/rules/salt"
)

// Calibration is a check of a humidity sensor over two saturated salt
// solutions.
type Calibration struct {
	Station string // may be left out when there is one
	Channel string // inside_rh_pct or outside_rh_pct
	Salts   []string
	Samples int           // at each salt
	Every   time.Duration // between two samples
	In      io.Reader     // answers
	Out     io.Writer     // questions, and the lines for the configuration
}

// Judgement values of the check; common practice, no source.
const (
	leastApart  = 20.0 // %RH between the two salts
	mostSpread  = 0.5  // %RH over the samples of a settled sensor
	mostCorrect = 5.0  // %RH; a sensor further off is worn or wet, not to be corrected
)

const calibrateIntro = `Check of %s at station %s by two salts, %s and %s.

Each salt stands as a wet slush, with crystals left in it, in a small closed jar
with the sensor above it. The solution must not touch the sensor. Keep jar and
sensor at one steady temperature, out of the sun. It takes hours to settle:
better overnight. Salts irritate eyes and skin: the maker's sheet says how to
handle them.
`

// Calibrate guides the check, and writes gain and offset as lines for the
// configuration. It changes no file.
func (a *Agent) Calibrate(ctx context.Context, c Calibration) error {
	st, sensorConfig, rh, err := a.checked(c)
	if err != nil {
		return err
	}
	temp := reading.InsideTemp
	if rh == reading.OutsideRH {
		temp = reading.OutsideTemp
	}
	sensor, problem := newSensor(uncorrected(sensorConfig, rh), a.hw)
	if problem != nil {
		return *problem
	}
	ask := &asking{in: bufio.NewScanner(c.In), out: c.Out}
	ask.say(calibrateIntro, rh.Name(), st.ID, c.Salts[0], c.Salts[1])
	var is, reads [2]float64
	for i, name := range c.Salts {
		if !ask.enter("\nPut the sensor over %s and close the jar. Press Enter when it has settled.\n", name) {
			return ask.end()
		}
		s := settled{channel: rh, temp: temp, sensor: sensor, every: c.Every, samples: c.Samples}
		at, err := s.measure(ctx, ask)
		if err != nil {
			return err
		}
		point, err := salt.Over(name, at.temp)
		if err != nil {
			return err
		}
		is[i], reads[i] = point.RH, at.rh
		ask.say("%s at %.2f °C: %.2f %%RH ± %.2f. The sensor reads %.2f: %+.2f.\n", name, at.temp, point.RH, point.Uncertainty, at.rh, at.rh-point.RH)
	}
	return ask.conclude(sensorConfig, rh, is, reads, a.clock.Now())
}

// checked finds the sensor.
func (a *Agent) checked(c Calibration) (st *plannedStation, _ Sensor, rh reading.Channel, err error) {
	rh, ok := reading.ChannelByName(c.Channel)
	if !ok || rh != reading.InsideRH && rh != reading.OutsideRH {
		return nil, Sensor{}, 0, fmt.Errorf("channel %q: write %s or %s", c.Channel, reading.InsideRH.Name(), reading.OutsideRH.Name())
	}
	if len(c.Salts) != 2 {
		return nil, Sensor{}, 0, fmt.Errorf("%d salts: name two, such as MgCl2 and NaCl", len(c.Salts))
	}
	const roomC = 20.0
	var at [2]salt.Point
	for i, name := range c.Salts {
		if at[i], err = salt.Over(name, roomC); err != nil {
			return nil, Sensor{}, 0, err
		}
	}
	if apart := math.Abs(at[0].RH - at[1].RH); apart < leastApart {
		return nil, Sensor{}, 0, fmt.Errorf("%s and %s are %.0f %%RH apart: choose two that are at least %.0f apart", c.Salts[0], c.Salts[1], apart, leastApart)
	}
	var ids []string
	for i := range a.plan.stations {
		ids = append(ids, a.plan.stations[i].ID)
		if a.plan.stations[i].ID == c.Station || c.Station == "" && len(a.plan.stations) == 1 {
			st = &a.plan.stations[i]
		}
	}
	if st == nil {
		return nil, Sensor{}, 0, fmt.Errorf("station %q: name one of %s", c.Station, strings.Join(ids, ", "))
	}
	for _, sc := range st.Sensors {
		sensor, problem := newSensor(sc, a.hw)
		if problem == nil && slices.Contains(sensor.Channels(), rh) {
			return st, sc, rh, nil
		}
	}
	return nil, Sensor{}, 0, fmt.Errorf("station %s has no sensor for %s", st.ID, rh.Name())
}

// uncorrected is the sensor without the present calibration of the channel.
func uncorrected(c Sensor, rh reading.Channel) Sensor {
	c.Channels = slices.Clone(c.Channels)
	for i := range c.Channels {
		if c.Channels[i].Name == rh.Name() {
			c.Channels[i].Gain, c.Channels[i].Offset = 1, 0
		}
	}
	return c
}

// asking talks with a person.
type asking struct {
	in  *bufio.Scanner
	out io.Writer
	err error // of the output
}

func (a *asking) say(format string, args ...any) {
	if a.err == nil {
		_, a.err = fmt.Fprintf(a.out, format, args...)
	}
}

// enter asks and waits for a line; false at the end of the input.
func (a *asking) enter(format string, args ...any) bool {
	a.say(format, args...)
	return a.err == nil && a.in.Scan()
}

// errStopped is returned when the answers end before the check does.
var errStopped = errors.New("stopped: nothing was changed")

func (a *asking) end() error {
	return errors.Join(errStopped, a.err, a.in.Err())
}

// settled reads a sensor that should have come to rest.
type settled struct {
	channel, temp reading.Channel
	sensor        sample.Sensor
	every         time.Duration
	samples       int
}

type mean struct{ rh, temp float64 }

// measure takes the samples, again while they still move, and asks for the
// temperature when the sensor has none.
func (s settled) measure(ctx context.Context, ask *asking) (m mean, err error) {
	for {
		rhs, temps, err := s.take(ctx)
		if err != nil {
			return m, err
		}
		m = mean{average(rhs), average(temps)}
		if len(temps) == 0 {
			if m.temp, err = ask.temperature(); err != nil {
				return m, err
			}
		}
		spread := slices.Max(rhs) - slices.Min(rhs)
		if spread <= mostSpread {
			return m, nil
		}
		if !ask.enter("It still moves: %.2f %%RH within the samples. Press Enter when it has settled.\n", spread) {
			return m, ask.end()
		}
	}
}

func (s settled) take(ctx context.Context) (rhs, temps []float64, err error) {
	for i := range s.samples {
		if i > 0 {
			select {
			case <-ctx.Done():
				return nil, nil, ctx.Err()
			case <-time.After(s.every):
			}
		}
		var r reading.Reading
		one, cancel := context.WithTimeout(ctx, probeTimeout)
		err := s.sensor.Sense(one, &r)
		cancel()
		rh, ok := r.Get(s.channel)
		if !ok {
			return nil, nil, errors.Join(fmt.Errorf("%s: no value", s.channel.Name()), err)
		}
		rhs = append(rhs, rh)
		if t, ok := r.Get(s.temp); ok {
			temps = append(temps, t)
		}
	}
	return rhs, temps, nil
}

func average(xs []float64) (mean float64) {
	for i, x := range xs {
		mean += (x - mean) / float64(i+1)
	}
	return mean
}

func (a *asking) temperature() (float64, error) {
	for a.enter("This sensor has no temperature of its own. Temperature in the jar, in °C: ") {
		t, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(a.in.Text()), ",", ".", 1), 64)
		if err == nil && t > -60 && t < 95 {
			return t, nil
		}
		a.say("%q is no temperature in °C.\n", a.in.Text())
	}
	return 0, a.end()
}

// conclude says what the check found: is are the salts' humidities, reads the
// sensor's. It writes every channel of the sensor: with one table of its own a
// sensor no longer has those that it has by default.
func (a *asking) conclude(c Sensor, rh reading.Channel, is, reads [2]float64, now time.Time) error {
	worst := max(math.Abs(reads[0]-is[0]), math.Abs(reads[1]-is[1]))
	if worst > mostCorrect || reads[0] == reads[1] {
		a.say("\nThe sensor is off by up to %.1f %%RH. That is more than a calibration should put right: dry it (SHT4x: its heater), check again, or replace it.\n", worst)
		return errors.Join(fmt.Errorf("%s is off by %.1f %%RH", rh.Name(), worst), a.err)
	}
	gain := (is[1] - is[0]) / (reads[1] - reads[0])
	offset := is[0] - gain*reads[0]
	a.say("\nThese lines belong into the configuration: the date into the sensor's table, and\nthe channels in the place of those that it has there.\n\n")
	a.say("[[station.sensor]]\ncalibrated = %q\n", now.UTC().Format(time.DateOnly))
	channels := c.Channels
	if d, ok := driverOf(c.Driver); ok && len(channels) == 0 {
		channels = d.defaults()
	}
	for _, ch := range channels {
		if ch.Name == rh.Name() {
			ch.Gain, ch.Offset = math.Round(gain*1e5)/1e5, math.Round(offset*1e3)/1e3
		}
		a.say("[[station.sensor.channel]]\n")
		if a.err == nil {
			a.err = toml.NewEncoder(a.out).Encode(ch.plain())
		}
	}
	return a.err
}
