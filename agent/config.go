package agent

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/BurntSushi/toml"
)

// Config is the agent's configuration file, in TOML. Unknown keys are
// refused. Paths that are not absolute count from the folder of the file. For
// ca_file and secret_file, credential:NAME is the credential of that name that
// systemd hands to the service (LoadCredential=).
type Config struct {
	// Broker is the MQTT broker's address: mqtts://HOST[:8883], or
	// mqtt://HOST[:1883] without encryption. Required, but for a logger.
	Broker string `toml:"broker"`
	// CAFile holds the certificates (PEM) that the broker's certificate must
	// come from. Empty: those of the system.
	CAFile string `toml:"ca_file"`
	// Plaintext allows mqtt:// to a broker that is not on this machine.
	// Anyone on the way can then read and change everything, and learn the
	// broker password. Default false.
	Plaintext bool `toml:"plaintext"`
	// SpoolDir is where readings wait for their receipts, in a folder per
	// station. Required. Deleting a station's folder deletes what was not
	// sent yet.
	SpoolDir string `toml:"spool_dir"`
	// SpoolMaxMB bounds a station's spool, in MiB. When it is full the oldest
	// readings go first, and are counted. Default 64: about half a year at
	// one minute.
	SpoolMaxMB int `toml:"spool_max_mb"`
	// SpoolMaxDays bounds the age of unsent readings since they were spooled.
	// Default 0: any age.
	SpoolMaxDays int `toml:"spool_max_days"`
	// Retry is how long a reading waits for its receipt before it is sent
	// again; up to ten times as long while nobody answers. After twenty times
	// as long without any receipt the agent connects anew. Attempts to connect
	// are spread over a third of it at first, and four times as long at last.
	// Default "30s".
	Retry Duration `toml:"retry"`
	// InFlight is how many batches of up to 64 KiB may be on their way.
	// Default 8.
	InFlight int `toml:"in_flight"`
	// StateEvery is how often the agent reports on itself. Default "10m".
	StateEvery Duration `toml:"state_every"`
	// ClockWait is how long after the machine's start readings wait for the
	// system to say that its clock is synchronised, before a clock that isn't
	// is believed: 1s to 24h. One that is also behind the newest reading is not
	// believed before it has passed that, or the agent has waited for a day.
	// Default "1h".
	ClockWait Duration `toml:"clock_wait"`
	// Lamp is the board's lamp that blinks when the collector asks which board it
	// is: its name in /sys/class/leds, which the agent's user must be able to
	// write. Left out: the answer says that there is none.
	Lamp string `toml:"lamp"`
	// Logger makes the agent a logger that has no network.
	Logger Logger `toml:"logger"`
	// Recovery is what to do for the link when no receipt comes.
	Recovery Recovery `toml:"recovery"`
	// Replay says how to treat stations that replay a file.
	Replay Replay `toml:"replay"`
	// Stations are the stations that this agent serves, each with a
	// connection of its own. At least one.
	Stations []Station `toml:"station"`
}

// Logger writes readings to files that a person carries to the collector.
type Logger struct {
	// Dir is the folder of the files, STATION-DAY.csv. With it the agent connects
	// to nobody: broker is left out, and secrets are not needed.
	Dir string `toml:"dir"`
	// Every is how long rows are gathered before they are written, to spare the
	// card; until then they are in the spool. Default "10m".
	Every Duration `toml:"every"`
}

// Recovery is what the agent does for its link when no receipt comes.
type Recovery struct {
	// InterfaceAfter is for how long no receipt has come, with readings waiting
	// for one, before InterfaceCommand is run, and again after as long. Default
	// "1h".
	InterfaceAfter Duration `toml:"interface_after"`
	// InterfaceCommand brings the network up anew: a program with its
	// arguments. Left out: nothing is done.
	InterfaceCommand []string `toml:"interface_command"`
	// RebootAfter is for how long no receipt has come before RebootCommand is
	// run, at least "1h". Default "24h".
	RebootAfter Duration `toml:"reboot_after"`
	// RebootCommand restarts the machine: a program with its arguments. Left
	// out: nothing is done.
	RebootCommand []string `toml:"reboot_command"`
}

// Replay is about all stations with a replay table.
type Replay struct {
	// ExitWhenDone ends the agent, with success, once every station has
	// replayed its file to the end and everything is receipted. Needs a
	// replay table in every station. Default false: it stays connected.
	ExitWhenDone bool `toml:"exit_when_done"`
}

// Station is one station.
type Station struct {
	// ID is the station's id, as enrolled: a-z, 0-9 and -. Required.
	ID string `toml:"id"`
	// SecretFile holds the station's secret in hexadecimal, as enrolled.
	// Required, but for a logger. Nobody but the agent should be able to read it. It is read
	// again at each connection.
	SecretFile string `toml:"secret_file"`
	// Interval is the time between two readings: 1s to 24h. Default "1m".
	Interval Duration `toml:"interval"`
	// Burst is how many samples make a reading, which is their median. They
	// are spread evenly over the interval, which must divide by it. Default 5.
	Burst int `toml:"burst"`
	// Sensors are the station's sensors. Needed unless it replays a file.
	Sensors []Sensor `toml:"sensor"`
	// Replay sends the rows of a file instead.
	Replay *ReplayFile `toml:"replay"`
}

// Sensor is one sensor of a station.
type Sensor struct {
	// Driver says what it is: "sim"; by I²C "sht3x", "sht4x", "bme280",
	// "ina219", "ina226" or "ads1115"; through the kernel "iio", "hwmon" or "w1";
	// "modbus". Required.
	Driver string `toml:"driver"`
	// Bus is the number of its I²C bus, as in /dev/i2c-1. Default 1.
	Bus *int `toml:"bus"`
	// Address is its I²C address. Default: the chip's usual one.
	Address int `toml:"address"`
	// ShuntOhm is the resistance that an INA219 or INA226 measures across.
	ShuntOhm float64 `toml:"shunt_ohm"`
	// FullScaleV is the range of an ADS1115: 6.144, 4.096, 2.048, 1.024, 0.512
	// or 0.256. Default 4.096.
	FullScaleV float64 `toml:"full_scale_v"`
	// Device is the name, or the folder, of an iio or hwmon device; the id of
	// a w1 thermometer; where a modbus transmitter is.
	Device string `toml:"device"`
	// Sysfs is where the kernel shows its devices, for iio, hwmon and w1.
	// Default "/sys".
	Sysfs string `toml:"sysfs"`
	// Unit is the unit of a modbus transmitter, 1 to 247. Default 1.
	Unit int `toml:"unit"`
	// Baud is the speed of a serial modbus line. Default 19200.
	Baud int `toml:"baud"`
	// Parity is that of a serial modbus line: "none", "even" or "odd". Default
	// "even".
	Parity string `toml:"parity"`
	// HeaterEvery heats an SHT4x so often, at least "1m", by five pulses of a
	// second. Default "0s": on demand only.
	HeaterEvery Duration `toml:"heater_every"`
	// HeaterBlank is how long after heating its values in the box carry the flag
	// sensor_heater, and others are absent. Default "5m".
	HeaterBlank Duration `toml:"heater_blank"`
	// Serial is its serial number, for the record.
	Serial string `toml:"serial"`
	// Calibrated is the date of its calibration, for the record.
	Calibrated string `toml:"calibrated"`
	// Channels say which of its values are which channels. Left out: what the
	// chip measures in the box.
	Channels []Channel `toml:"channel"`
	// Sim describes the simulated box of driver "sim".
	Sim *Sim `toml:"sim"`
}

// Channel makes a channel of one of a sensor's values:
// gain × (scale × what the driver gives) + offset.
type Channel struct {
	// Name is the channel's name, such as inside_temp_c. Required.
	Name string `toml:"name"`
	// From is what the driver calls the value. Left out where the driver has
	// only one that fits.
	From string `toml:"from,omitempty"`
	// Scale makes the channel's unit of the driver's. Default 1.
	Scale float64 `toml:"scale,omitzero"`
	// Gain is the slope of the calibration. Default 1.
	Gain float64 `toml:"gain,omitzero"`
	// Offset is that of the calibration, in the channel's unit; it is added
	// last. Default 0.
	Offset float64 `toml:"offset,omitzero"`
	// Signal says what a voltage or a current stands for: "linear", "comb" or
	// "loop". Default "linear".
	Signal string `toml:"signal,omitempty"`
	// ExcitationV is the voltage that feeds a comb and its reference in series.
	ExcitationV float64 `toml:"excitation_v,omitzero"`
	// ReferenceOhm is the resistor across which a comb's signal is measured.
	ReferenceOhm float64 `toml:"reference_ohm,omitzero"`
	// BurdenOhm is the resistor that a loop's 4 to 20 mA flow through. Default
	// 0: the driver gives mA.
	BurdenOhm float64 `toml:"burden_ohm,omitzero"`
	// LoopLow is what 4 mA of a loop stand for.
	LoopLow float64 `toml:"loop_low,omitzero"`
	// LoopHigh is what 20 mA of a loop stand for.
	LoopHigh float64 `toml:"loop_high,omitzero"`
	// Register is the address of a modbus register, counted from 0.
	Register int `toml:"register,omitzero"`
	// Table is where a modbus register stands: "holding" or "input". Default
	// "holding".
	Table string `toml:"table,omitempty"`
	// Kind is how a modbus value is written: "int16", "uint16", "int32",
	// "uint32" or "float32". Default "int16".
	Kind string `toml:"kind,omitempty"`
	// Swapped means that of a modbus value's two words the low one comes first.
	Swapped bool `toml:"swapped,omitempty"`
}

// Sim is a simulated box in simulated weather.
type Sim struct {
	// Climate is "lakeside" or "quayside". Default "lakeside".
	Climate string `toml:"climate"`
	// Seed makes the weather and the box: same seed, same box. Default 0.
	Seed uint64 `toml:"seed"`
	// BreathingH is the time constant of vapour exchange with outdoors, in
	// hours. Default 24.
	BreathingH float64 `toml:"breathing_h"`
	// Board adds board_temp_c. Default false, as for those that follow.
	Board bool `toml:"board"`
	// Cover adds cover_temp_c.
	Cover bool `toml:"cover"`
	// Outside adds outside_temp_c and outside_rh_pct.
	Outside bool `toml:"outside"`
	// Line adds line_current_ma.
	Line bool `toml:"line"`
	// Comb adds comb_us.
	Comb bool `toml:"comb"`
	// Faults are what is wrong with the box.
	Faults []Fault `toml:"fault"`
}

// Fault is something wrong with a simulated box.
type Fault struct {
	// Kind is cracked_cover, water_inside, wall_air, leakage, current_step,
	// stuck_sensor, sensor_creep, dropout, opened_seal, ageing_cover,
	// supply_low, repaired or sensor_swapped.
	Kind string `toml:"kind"`
	// From is when it begins. Left out: it is there from the start.
	From time.Time `toml:"from"`
	// To is when it is repaired. Left out: never.
	To time.Time `toml:"to"`
	// Size is how bad it is, in a unit that depends on the kind: hours of
	// breathing time, grams of water, share of wall air, microsiemens,
	// milliamperes, %RH of scatter, %RH in 25 days, share of failed reads,
	// days in which the breathing time halves, share of the voltage that is
	// left, hours of breathing time, %RH of error.
	Size float64 `toml:"size"`
}

// ReplayFile is a log to be sent as if it were measured. After a restart the
// replay goes on where it stopped; for another file, use another spool_dir.
type ReplayFile struct {
	// File is a CSV file: a column time (RFC 3339), and columns with the
	// names of channels. Required.
	File string `toml:"file"`
	// Map renames columns, "column=channel", or ignores them, "column=".
	Map []string `toml:"map"`
	// Speed is how many seconds of the file pass in a real one. Default 1; 0
	// sends as fast as the collector takes it.
	Speed *float64 `toml:"speed"`
}

// Duration is a time span written as "1m30s".
type Duration time.Duration

// UnmarshalText reads a time span with its unit.
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	if err != nil {
		return fmt.Errorf("%q is no time span: write a number with its unit, as \"30s\", \"10m\" or \"1h30m\"", text)
	}
	*d = Duration(v)
	return nil
}

// MarshalText writes the span as it is read.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// String writes the span as it is read.
func (d Duration) String() string { return time.Duration(d).String() }

// Load reads a configuration file. What stands in it is looked into by Check.
func Load(path string) (Config, error) {
	var c Config
	meta, err := toml.DecodeFile(path, &c)
	var syntax toml.ParseError
	if errors.As(err, &syntax) {
		// The library's own drawing of the place panics on some files.
		return Config{}, fmt.Errorf("%s: line %d: %s", path, syntax.Position.Line, syntax.Message)
	}
	if err != nil {
		return Config{}, fmt.Errorf("%s: %w", path, err)
	}
	if unknown := meta.Undecoded(); len(unknown) > 0 {
		names := make([]string, len(unknown))
		for i, key := range unknown {
			names[i] = key.String()
		}
		return Config{}, fmt.Errorf("%s: unknown keys %s: correct or remove them; the sample configuration lists all keys", path, strings.Join(names, ", "))
	}
	c.resolve(filepath.Dir(path))
	return c, nil
}

// resolve makes the paths count from dir.
func (c *Config) resolve(dir string) {
	for _, p := range c.paths() {
		if *p != "" && !filepath.IsAbs(*p) && !strings.HasPrefix(*p, credential) {
			*p = filepath.Join(dir, *p)
		}
	}
}

func (c *Config) paths() []*string {
	list := []*string{&c.CAFile, &c.SpoolDir, &c.Logger.Dir}
	for i := range c.Stations {
		st := &c.Stations[i]
		list = append(list, &st.SecretFile)
		if st.Replay != nil {
			list = append(list, &st.Replay.File)
		}
		for j := range st.Sensors {
			list = append(list, &st.Sensors[j].Sysfs)
		}
	}
	return list
}

// withDefaults fills in what was left out.
func (c Config) withDefaults() Config {
	set(&c.SpoolMaxMB, 64)
	set(&c.Retry, Duration(30*time.Second))
	set(&c.InFlight, 8)
	set(&c.StateEvery, Duration(10*time.Minute))
	set(&c.ClockWait, Duration(time.Hour))
	set(&c.Logger.Every, Duration(10*time.Minute))
	set(&c.Recovery.InterfaceAfter, Duration(time.Hour))
	set(&c.Recovery.RebootAfter, Duration(24*time.Hour))
	stations := make([]Station, len(c.Stations))
	for i, st := range c.Stations {
		set(&st.Interval, Duration(time.Minute))
		set(&st.Burst, 5)
		st.Sensors = slices.Clone(st.Sensors)
		for j := range st.Sensors {
			st.Sensors[j].withDefaults()
		}
		stations[i] = st
	}
	c.Stations = stations
	return c
}

func (s *Sensor) withDefaults() {
	if s.Bus == nil {
		one := 1
		s.Bus = &one
	}
	set(&s.FullScaleV, 4.096)
	set(&s.Sysfs, "/sys")
	set(&s.Unit, 1)
	set(&s.Baud, 19200)
	set(&s.Parity, "even")
	set(&s.HeaterBlank, Duration(5*time.Minute))
	s.Channels = slices.Clone(s.Channels)
	for i := range s.Channels {
		c := &s.Channels[i]
		set(&c.Scale, 1)
		set(&c.Gain, 1)
		set(&c.Signal, "linear")
		set(&c.Table, "holding")
		set(&c.Kind, "int16")
	}
}

// plain is the channel without what it has by default.
func (c Channel) plain() Channel {
	unset(&c.Scale, 1)
	unset(&c.Gain, 1)
	unset(&c.Signal, "linear")
	unset(&c.Table, "holding")
	unset(&c.Kind, "int16")
	return c
}

func unset[T comparable](v *T, is T) {
	if *v == is {
		var zero T
		*v = zero
	}
}

func set[T comparable](v *T, to T) {
	var zero T
	if *v == zero {
		*v = to
	}
}
