package agent

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"dewpost/agent/sample"
	"dewpost/agent/sensor"
	"dewpost/agent/sensor/ads1115"
	"dewpost/agent/sensor/bme280"
	"dewpost/agent/sensor/hwmon"
	"dewpost/agent/sensor/i2cbus"
	"dewpost/agent/sensor/iio"
	"dewpost/agent/sensor/ina"
	"dewpost/agent/sensor/ina219"
	"dewpost/agent/sensor/ina226"
	"dewpost/agent/sensor/modbus"
	"dewpost/agent/sensor/sht3x"
	"dewpost/agent/sensor/sht4x"
	"dewpost/agent/sensor/signal"
	"dewpost/agent/sensor/w1"
	"dewpost/rules/reading"
)

// hardware is what sensors are built on. Stations may share a chip, such as the
// one outdoor sensor of a site, or a serial line.
type hardware struct {
	now   func() time.Time
	buses *i2cbus.Buses

	mu     sync.Mutex
	locks  map[string]*sync.Mutex // by what must be used by one at a time
	heated map[string]*sht4x.Chip // by place: their heaters have one limit
}

func newHardware(now func() time.Time) *hardware {
	return &hardware{now: now, buses: i2cbus.New(), locks: map[string]*sync.Mutex{}, heated: map[string]*sht4x.Chip{}}
}

// lock returns the one of that place.
func (h *hardware) lock(place string) *sync.Mutex {
	h.mu.Lock()
	defer h.mu.Unlock()
	l, ok := h.locks[place]
	if !ok {
		l = &sync.Mutex{}
		h.locks[place] = l
	}
	return l
}

// driver is one kind of real sensor.
type driver struct {
	name      string
	addresses []uint16 // by I²C, the default first; nil for others
	// gives is what it can measure, nil when that is up to the device, with the
	// channels that this becomes in a box when the configuration doesn't say.
	gives  []string
	inside map[string]string
	// valid looks at the name of a value, for drivers without gives.
	valid func(from string) error
	// build makes the chip. The problem's key counts from the sensor's table.
	build func(c Sensor, dev i2cbus.Device, hw *hardware) (sensor.Chip, *Problem)
}

// inTheBox is what a chip for humidity measures when nothing else is said.
func inTheBox(temp, rh string) map[string]string {
	return map[string]string{temp: reading.InsideTemp.Name(), rh: reading.InsideRH.Name()}
}

// onTheLine is the same for current and voltage.
func onTheLine(current, voltage string) map[string]string {
	return map[string]string{current: reading.LineCurrent.Name(), voltage: reading.LineVoltage.Name()}
}

var drivers = []driver{
	{
		name: "sht3x", addresses: sht3x.Addresses(), gives: []string{sht3x.Temp, sht3x.RH}, inside: inTheBox(sht3x.Temp, sht3x.RH),
		build: func(_ Sensor, dev i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) { return sht3x.New(dev), nil },
	},
	{
		name: "sht4x", addresses: sht4x.Addresses(), gives: []string{sht4x.Temp, sht4x.RH}, inside: inTheBox(sht4x.Temp, sht4x.RH),
		build: newSHT4x,
	},
	{
		name: "bme280", addresses: bme280.Addresses(), gives: []string{bme280.Temp, bme280.RH, bme280.Pressure}, inside: inTheBox(bme280.Temp, bme280.RH),
		build: func(_ Sensor, dev i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) { return bme280.New(dev), nil },
	},
	{
		name: "ina219", addresses: ina.Addresses(), gives: []string{ina.Current, ina.Voltage}, inside: onTheLine(ina.Current, ina.Voltage),
		build: func(c Sensor, dev i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) {
			return ina219.New(dev, c.ShuntOhm), checkShunt(c)
		},
	},
	{
		name: "ina226", addresses: ina.Addresses(), gives: []string{ina.Current, ina.Voltage}, inside: onTheLine(ina.Current, ina.Voltage),
		build: func(c Sensor, dev i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) {
			return ina226.New(dev, c.ShuntOhm), checkShunt(c)
		},
	},
	{name: "ads1115", addresses: ads1115.Addresses(), gives: ads1115.Inputs(), build: newADS1115},
	{
		name: "iio", valid: iio.Valid,
		build: func(c Sensor, _ i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) {
			return iio.New(c.Sysfs, c.Device, froms(c)), checkDevice(c, iio.Class(c.Sysfs))
		},
	},
	{
		name: "hwmon", valid: hwmon.Valid,
		build: func(c Sensor, _ i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) {
			return hwmon.New(c.Sysfs, c.Device, froms(c)), checkDevice(c, hwmon.Class(c.Sysfs))
		},
	},
	{
		name: "w1", gives: []string{w1.Temp}, inside: map[string]string{w1.Temp: reading.BoardTemp.Name()},
		build: func(c Sensor, _ i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) {
			if err := w1.Valid(c.Device); err != nil {
				return nil, &Problem{Key: "device", What: err.Error(), Fix: "look into " + w1.Class(c.Sysfs)}
			}
			return w1.New(c.Sysfs, c.Device), nil
		},
	},
	{name: "modbus", valid: func(string) error { return nil }, build: newModbus},
}

func driverNames() []string {
	names := []string{"sim"}
	for _, d := range drivers {
		names = append(names, d.name)
	}
	return names
}

func driverOf(name string) (driver, bool) {
	i := slices.IndexFunc(drivers, func(d driver) bool { return d.name == name })
	if i < 0 {
		return driver{}, false
	}
	return drivers[i], true
}

// newSensor builds a sensor, and touches no bus yet. The problem's key counts
// from the sensor's table.
func newSensor(c Sensor, hw *hardware) (sample.Sensor, *Problem) {
	if c.Driver == "sim" {
		return newSim(c.Sim, hw.now)
	}
	d, ok := driverOf(c.Driver)
	if !ok {
		return nil, &Problem{Key: "driver", What: fmt.Sprintf("%q is not known", c.Driver), Fix: fmt.Sprintf("choose one of %q", driverNames())}
	}
	if c.Calibrated != "" {
		if _, err := time.Parse(time.DateOnly, c.Calibrated); err != nil {
			return nil, &Problem{Key: "calibrated", What: fmt.Sprintf("%q is no date", c.Calibrated), Fix: "write it as 2026-03-01"}
		}
	}
	if len(c.Channels) == 0 {
		c.Channels = d.defaults()
	}
	maps, problem := d.mappings(c)
	if problem != nil {
		return nil, problem
	}
	dev, problem := d.device(c, hw)
	if problem != nil {
		return nil, problem
	}
	chip, problem := d.build(c, dev, hw)
	if problem != nil {
		return nil, problem
	}
	place := d.title(c)
	return sensor.New(place, chip, maps, hw.lock(place)), nil
}

// title says which sensor it is, in errors and tables.
func (d driver) title(c Sensor) string {
	if d.addresses != nil {
		return fmt.Sprintf("%s at 0x%02X on bus %d", d.name, d.address(c), *c.Bus)
	}
	return d.name + " " + c.Device
}

func (d driver) address(c Sensor) uint16 {
	if c.Address == 0 {
		return d.addresses[0]
	}
	return uint16(c.Address)
}

func (d driver) device(c Sensor, hw *hardware) (dev i2cbus.Device, _ *Problem) {
	if d.addresses == nil {
		return dev, nil
	}
	if *c.Bus < 0 || *c.Bus > 255 {
		return dev, &Problem{Key: "bus", What: fmt.Sprintf("%d is out of range", *c.Bus), Fix: "write the number of /dev/i2c-NUMBER"}
	}
	if c.Address < 0 || c.Address > 0x7f || !slices.Contains(d.addresses, d.address(c)) {
		var all []string
		for _, a := range d.addresses {
			all = append(all, fmt.Sprintf("0x%02X", a))
		}
		return dev, &Problem{Key: "address", What: fmt.Sprintf("0x%02X is none that a %s can have", c.Address, d.name), Fix: "write one of " + strings.Join(all, ", ")}
	}
	return i2cbus.Device{Bus: hw.buses.Bus(*c.Bus), Addr: d.address(c)}, nil
}

// defaults are the channels of a sensor in a box.
func (d driver) defaults() (list []Channel) {
	for _, from := range d.gives {
		if to, ok := d.inside[from]; ok {
			list = append(list, Channel{Name: to, From: from, Scale: 1, Gain: 1, Signal: "linear"})
		}
	}
	return list
}

// froms lists the values that a sensor's channels come from, each once.
func froms(c Sensor) []string {
	var list []string
	for _, ch := range c.Channels {
		if !slices.Contains(list, ch.From) {
			list = append(list, ch.From)
		}
	}
	return list
}

func (d driver) mappings(c Sensor) ([]sensor.Mapping, *Problem) {
	if len(c.Channels) == 0 {
		return nil, &Problem{Key: "channel", What: "there is none", Fix: fmt.Sprintf("add a [[station.sensor.channel]] table: a %s does not say what it is used for", d.name)}
	}
	var maps []sensor.Mapping
	for i := range c.Channels {
		m, problem := d.mapping(&c.Channels[i])
		if problem != nil {
			problem.Key = fmt.Sprintf("channel[%d].%s", i+1, problem.Key)
			return nil, problem
		}
		if slices.ContainsFunc(maps, func(o sensor.Mapping) bool { return o.To == m.To }) {
			return nil, &Problem{Key: fmt.Sprintf("channel[%d].name", i+1), What: fmt.Sprintf("%s stands there twice", m.To.Name()), Fix: "keep one"}
		}
		maps = append(maps, m)
	}
	return maps, nil
}

func (d driver) mapping(c *Channel) (m sensor.Mapping, _ *Problem) {
	to, ok := reading.ChannelByName(c.Name)
	if !ok {
		return m, &Problem{Key: "name", What: fmt.Sprintf("%q is no channel", c.Name), Fix: "write one of " + strings.Join(reading.ChannelNames(), ", ")}
	}
	if problem := d.from(c, to); problem != nil {
		return m, problem
	}
	sig, problem := newSignal(*c)
	if problem != nil {
		return m, problem
	}
	if !finite(c.Gain) || c.Gain == 0 {
		return m, &Problem{Key: "gain", What: fmt.Sprintf("%v", c.Gain), Fix: "write a factor near 1"}
	}
	if !finite(c.Offset) {
		return m, &Problem{Key: "offset", What: fmt.Sprintf("%v", c.Offset), Fix: "write what is to be added, in " + to.Unit()}
	}
	return sensor.Mapping{From: c.From, To: to, Signal: sig, Gain: c.Gain, Offset: c.Offset}, nil
}

// from checks which value of the driver it is, or fills it in.
func (d driver) from(c *Channel, to reading.Channel) *Problem {
	if d.name == "modbus" { // the register is the value; see newModbus
		c.From = c.Name
		return nil
	}
	if d.valid != nil {
		if err := d.valid(c.From); err != nil {
			return &Problem{Key: "from", What: err.Error(), Fix: "look at the device's files"}
		}
		return nil
	}
	if c.From == "" {
		c.From = d.fitting(to)
	}
	if !slices.Contains(d.gives, c.From) {
		return &Problem{Key: "from", What: fmt.Sprintf("%q is nothing that a %s measures", c.From, d.name), Fix: "write one of " + strings.Join(d.gives, ", ")}
	}
	return nil
}

// fitting finds the value of the driver that has the channel's unit.
func (d driver) fitting(to reading.Channel) string {
	for _, from := range d.gives {
		if ch, ok := reading.ChannelByName(d.inside[from]); ok && ch.Unit() == to.Unit() {
			return from
		}
	}
	return ""
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func newSignal(c Channel) (signal.Signal, *Problem) {
	switch c.Signal {
	case "linear":
		if !finite(c.Scale) || c.Scale == 0 {
			return nil, &Problem{Key: "scale", What: fmt.Sprintf("%v", c.Scale), Fix: "write what one unit of the driver is in the channel's unit"}
		}
		return signal.Linear{Scale: c.Scale}, nil
	case "comb":
		if !(c.ExcitationV > 0) || !finite(c.ExcitationV) {
			return nil, &Problem{Key: "excitation_v", What: fmt.Sprintf("%v", c.ExcitationV), Fix: "write the volts that feed the comb and its reference"}
		}
		if !(c.ReferenceOhm > 0) || !finite(c.ReferenceOhm) {
			return nil, &Problem{Key: "reference_ohm", What: fmt.Sprintf("%v", c.ReferenceOhm), Fix: "write the ohms of the resistor in series with the comb"}
		}
		return signal.Comb{ExcitationV: c.ExcitationV, ReferenceOhm: c.ReferenceOhm}, nil
	case "loop":
		if !(c.BurdenOhm >= 0) || !finite(c.BurdenOhm) {
			return nil, &Problem{Key: "burden_ohm", What: fmt.Sprintf("%v", c.BurdenOhm), Fix: "write the ohms that the loop's current flows through, or leave it out when the driver gives mA"}
		}
		if !finite(c.LoopLow) || !finite(c.LoopHigh) || c.LoopLow == c.LoopHigh {
			return nil, &Problem{Key: "loop_high", What: fmt.Sprintf("4 mA stand for %v and 20 mA for %v", c.LoopLow, c.LoopHigh), Fix: "write loop_low and loop_high from the transmitter's sheet"}
		}
		return signal.Loop{BurdenOhm: c.BurdenOhm, At4: c.LoopLow, At20: c.LoopHigh}, nil
	}
	return nil, &Problem{Key: "signal", What: fmt.Sprintf("%q is not known", c.Signal), Fix: "write linear, comb or loop"}
}

func newSHT4x(c Sensor, dev i2cbus.Device, hw *hardware) (sensor.Chip, *Problem) {
	if c.HeaterEvery != 0 && c.HeaterEvery < Duration(time.Minute) {
		return nil, &Problem{Key: "heater_every", What: fmt.Sprintf("%q is too short", c.HeaterEvery), Fix: "write 1m or more, or leave it out"}
	}
	if c.HeaterBlank < Duration(10*time.Second) {
		return nil, &Problem{Key: "heater_blank", What: fmt.Sprintf("%q is too short for the sensor to cool", c.HeaterBlank), Fix: "write 10s or more"}
	}
	hw.mu.Lock()
	defer hw.mu.Unlock()
	place := fmt.Sprint(*c.Bus, dev.Addr)
	if chip, ok := hw.heated[place]; ok {
		return chip, nil // the first table says how it is heated
	}
	chip := sht4x.New(dev, sht4x.Config{HeatEvery: time.Duration(c.HeaterEvery), Blank: time.Duration(c.HeaterBlank), Now: hw.now})
	hw.heated[place] = chip
	return chip, nil
}

func newADS1115(c Sensor, dev i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) {
	if !slices.Contains(ads1115.Ranges(), c.FullScaleV) {
		return nil, &Problem{Key: "full_scale_v", What: fmt.Sprintf("%v is no range of the chip", c.FullScaleV), Fix: fmt.Sprintf("write one of %v", ads1115.Ranges())}
	}
	return ads1115.New(dev, c.FullScaleV, froms(c)), nil
}

func checkShunt(c Sensor) *Problem {
	if c.ShuntOhm > 0 && c.ShuntOhm <= 1000 {
		return nil
	}
	return &Problem{Key: "shunt_ohm", What: fmt.Sprintf("%v is out of range", c.ShuntOhm), Fix: "write the resistance of the shunt in ohms, such as 0.1"}
}

func checkDevice(c Sensor, class string) *Problem {
	if c.Device != "" && !strings.ContainsAny(c.Device, "/\x00") {
		return nil
	}
	return &Problem{Key: "device", What: fmt.Sprintf("%q is no device", c.Device), Fix: "write the name of one, or its folder in " + class}
}

func newModbus(c Sensor, _ i2cbus.Device, _ *hardware) (sensor.Chip, *Problem) {
	if err := modbus.ValidURL(c.Device); err != nil {
		return nil, &Problem{Key: "device", What: err.Error(), Fix: "write where the transmitter is"}
	}
	if c.Unit < 1 || c.Unit > 247 {
		return nil, &Problem{Key: "unit", What: fmt.Sprintf("%d is out of range", c.Unit), Fix: "write 1 to 247"}
	}
	if c.Baud < 300 || c.Baud > 1_000_000 {
		return nil, &Problem{Key: "baud", What: fmt.Sprintf("%d is out of range", c.Baud), Fix: "write the speed of the line, such as 9600 or 19200"}
	}
	if !slices.Contains(modbus.Parities(), c.Parity) {
		return nil, &Problem{Key: "parity", What: fmt.Sprintf("%q is not known", c.Parity), Fix: "write one of " + strings.Join(modbus.Parities(), ", ")}
	}
	cfg := modbus.Config{URL: c.Device, Unit: uint8(c.Unit), Baud: uint(c.Baud), Parity: c.Parity}
	for i, ch := range c.Channels {
		key := fmt.Sprintf("channel[%d].", i+1)
		switch {
		case ch.Register < 0 || ch.Register > 0xffff:
			return nil, &Problem{Key: key + "register", What: fmt.Sprintf("%d is out of range", ch.Register), Fix: "write the address on the wire, 0 to 65535: a sheet that calls the first one 40001 or 30001 means 0"}
		case ch.Table != "holding" && ch.Table != "input":
			return nil, &Problem{Key: key + "table", What: fmt.Sprintf("%q is not known", ch.Table), Fix: "write holding or input"}
		case !slices.Contains(modbus.Kinds(), ch.Kind):
			return nil, &Problem{Key: key + "kind", What: fmt.Sprintf("%q is not known", ch.Kind), Fix: "write one of " + strings.Join(modbus.Kinds(), ", ")}
		}
		cfg.Registers = append(cfg.Registers, modbus.Register{
			Name: ch.Name, Address: uint16(ch.Register), Input: ch.Table == "input", Kind: ch.Kind, Swapped: ch.Swapped,
		})
	}
	return modbus.New(cfg), nil
}
