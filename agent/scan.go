package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/agent/sensor/ads1115"
	"dewpost/agent/sensor/bme280"
	"dewpost/agent/sensor/hwmon"
	"dewpost/agent/sensor/i2cbus"
	"dewpost/agent/sensor/iio"
	"dewpost/agent/sensor/ina"
	"dewpost/agent/sensor/ina219"
	"dewpost/agent/sensor/ina226"
	"dewpost/agent/sensor/sht3x"
	"dewpost/agent/sensor/sht4x"
	"dewpost/agent/sensor/sysfs"
	"dewpost/agent/sensor/w1"
	"dewpost/rules/reading"
)

// Scan looks for sensors on a machine.
type Scan struct {
	Sysfs string // where the kernel shows its devices
	Dev   string // the folder of its I²C buses

	open func(number int) (i2cbus.Conn, error) // instead, in tests
}

// found is one sensor, and what it can give.
type found struct {
	sensor Sensor
	where  string
	gives  []string
}

// Find asks each I²C address that a known chip can have, and looks through the
// kernel's devices. It reads each sensor once and writes a table to w, and a
// draft of the configuration's sensor tables to draft, unless that is nil. It
// writes to no register but those that a measurement needs.
func (s Scan) Find(ctx context.Context, w, draft io.Writer) error {
	buses := i2cbus.New()
	if s.open != nil {
		buses = i2cbus.With(s.open)
	}
	list, notes, err := s.look(ctx, buses)
	if err != nil {
		return errors.Join(err, buses.Close())
	}
	hw := newHardware(time.Now)
	hw.buses = buses
	table := [][]string{{"sensor", "where", "gives", "value", "unit", "range", "verdict"}}
	for _, f := range list {
		table = append(table, f.read(ctx, hw)...)
	}
	err = errors.Join(writeTable(w, table), buses.Close())
	for _, note := range notes {
		_, werr := fmt.Fprintln(w, note)
		err = errors.Join(err, werr)
	}
	if draft != nil {
		err = errors.Join(err, writeDraft(draft, list))
	}
	return err
}

// look finds the sensors; notes are about what could not be looked at.
func (s Scan) look(ctx context.Context, buses *i2cbus.Buses) (list []found, notes []string, err error) {
	numbers, err := s.busNumbers()
	if err != nil {
		return nil, nil, err
	}
	if len(numbers) == 0 {
		notes = append(notes, fmt.Sprintf("there is no I²C bus in %s: switch it on in the board's settings and load the module i2c-dev", s.Dev))
	}
	for _, n := range numbers {
		onBus, strange, err := s.scanBus(ctx, buses, n)
		list, notes = append(list, onBus...), append(notes, strange...)
		if err != nil {
			notes = append(notes, err.Error())
		}
	}
	ids, err := w1.List(s.Sysfs)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		notes = append(notes, err.Error())
	}
	for _, id := range ids {
		list = append(list, found{sensor: Sensor{Driver: "w1", Device: id, Sysfs: s.Sysfs}, where: id, gives: []string{w1.Temp}})
	}
	list = append(list, s.kernel("iio", iio.Class(s.Sysfs), iio.Valid)...)
	list = append(list, s.kernel("hwmon", hwmon.Class(s.Sysfs), hwmon.Valid)...)
	return list, notes, nil
}

func (s Scan) busNumbers() ([]int, error) {
	paths, err := filepath.Glob(filepath.Join(s.Dev, "i2c-*"))
	if err != nil {
		return nil, err
	}
	var numbers []int
	for _, path := range paths {
		if n, err := strconv.Atoi(strings.TrimPrefix(filepath.Base(path), "i2c-")); err == nil {
			numbers = append(numbers, n)
		}
	}
	slices.Sort(numbers)
	return numbers, nil
}

// scanBus asks each address. It ends when the bus itself does not work. notes are
// about what is there and is not listed.
func (s Scan) scanBus(ctx context.Context, buses *i2cbus.Buses, number int) (list []found, notes []string, err error) {
	var addresses []uint16
	for _, d := range drivers {
		addresses = append(addresses, d.addresses...)
	}
	slices.Sort(addresses)
	for _, addr := range slices.Compact(addresses) {
		if err := ctx.Err(); err != nil {
			return list, notes, err
		}
		where := fmt.Sprintf("bus %d, 0x%02X", number, addr)
		if by, err := os.Readlink(filepath.Join(s.Sysfs, "bus/i2c/devices", fmt.Sprintf("%d-%04x", number, addr), "driver")); err == nil {
			notes = append(notes, fmt.Sprintf("%s: the kernel's driver %s has it, so it is not asked: look for it among iio and hwmon", where, filepath.Base(by)))
			continue
		}
		dev := i2cbus.Device{Bus: buses.Bus(number), Addr: addr}
		name, serial, err := identify(ctx, dev)
		if errors.Is(err, i2cbus.ErrStuck) || errors.Is(err, os.ErrPermission) {
			return list, notes, err
		}
		if name == "" {
			if note := strange(ctx, dev, where, err); note != "" {
				notes = append(notes, note)
			}
			continue
		}
		d, _ := driverOf(name)
		c := Sensor{Driver: name, Bus: &number, Address: int(addr), Serial: serial}
		if name == "ina219" || name == "ina226" {
			c.ShuntOhm = 0.1 // as on most boards; the draft asks to look
		}
		list = append(list, found{sensor: c, where: where, gives: d.gives})
	}
	return list, notes, nil
}

// strange says that something answers at an address that no driver knows, "" when
// nothing does; why is what the last driver saw.
func strange(ctx context.Context, dev i2cbus.Device, where string, why error) string {
	if err := dev.Tx(ctx, nil, make([]byte, 1)); err != nil {
		return ""
	}
	note := where + ": something answers that no driver here knows"
	if slices.Contains(bme280.Addresses(), dev.Addr) && why != nil {
		note += ": " + why.Error()
	}
	return note
}

// identify tells which chip answers at an address, "" for none that is known, and
// its serial number where it tells one.
// It begins with those that can be told by reading alone.
func identify(ctx context.Context, dev i2cbus.Device) (name, serial string, _ error) {
	var last error
	try := func(addresses []uint16, ask func() error) bool {
		if !slices.Contains(addresses, dev.Addr) {
			return false
		}
		err := ask()
		if err != nil {
			last = err
		}
		return err == nil
	}
	switch {
	case try(bme280.Addresses(), func() error { return bme280.New(dev).Identify(ctx) }):
		return "bme280", "", nil
	case try(ina.Addresses(), func() error { return ina226.New(dev, 1).Identify(ctx) }):
		return "ina226", "", nil
	case try(ina.Addresses(), func() error { return ina219.New(dev, 1).Identify(ctx) }):
		return "ina219", "", nil
	case try(ads1115.Addresses(), func() error { return ads1115.New(dev, 1, nil).Identify(ctx) }):
		return "ads1115", "", nil
	case try(sht4x.Addresses(), func() (err error) {
		serial, err = sht4x.New(dev, sht4x.Config{Now: time.Now}).Serial(ctx)
		return err
	}):
		return "sht4x", serial, nil
	case try(sht3x.Addresses(), func() error {
		_, err := sht3x.New(dev).Measure(ctx)
		return err
	}):
		return "sht3x", "", nil
	}
	return "", "", last
}

// kernel lists the devices of a class with the values that they show. A device is
// called by its name, where only one has it: the number of its folder may be
// another after the next start.
func (s Scan) kernel(driver, class string, valid func(string) error) (list []found) {
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil // this machine has none
	}
	for _, e := range entries {
		dir := filepath.Join(class, e.Name())
		files, err := os.ReadDir(dir)
		if err != nil {
			continue
		}
		gives := map[string]bool{}
		for _, f := range files {
			stem := f.Name()
			stem = strings.TrimSuffix(strings.TrimSuffix(stem, "_input"), "_raw")
			if stem != f.Name() && valid(stem) == nil {
				gives[stem] = true
			}
		}
		if len(gives) == 0 {
			continue
		}
		device, where := e.Name(), e.Name()
		if name, err := sysfs.Text(filepath.Join(dir, "name")); err == nil {
			where += ", " + name
			if one, err := sysfs.Find(class, name); err == nil && one == dir {
				device = name
			}
		}
		list = append(list, found{
			sensor: Sensor{Driver: driver, Device: device, Sysfs: s.Sysfs}, where: where, gives: slices.Sorted(maps.Keys(gives)),
		})
	}
	return list
}

// read reads a sensor once and makes its rows.
func (f found) read(ctx context.Context, hw *hardware) (rows [][]string) {
	d, _ := driverOf(f.sensor.Driver)
	c := f.sensor
	for _, from := range f.gives {
		c.Channels = append(c.Channels, Channel{From: from})
	}
	c.withDefaults()
	dev, problem := d.device(c, hw)
	if problem != nil {
		return [][]string{{c.Driver, f.where, "", "-", "", "", problem.Error()}}
	}
	chip, problem := d.build(c, dev, hw)
	if problem != nil {
		return [][]string{{c.Driver, f.where, "", "-", "", "", problem.Error()}}
	}
	ctx, cancel := context.WithTimeout(ctx, probeTimeout)
	defer cancel()
	values, err := chip.Measure(ctx)
	for _, from := range f.gives {
		value, unit, limits, verdict := "-", "", "", "no value"
		if err != nil {
			verdict = strings.ReplaceAll(err.Error(), "\n", "; ")
		}
		ch, known := kindOf(from)
		if known {
			lo, hi := ch.Range()
			unit, limits = ch.Unit(), fmt.Sprintf("%v to %v", lo, hi)
		}
		if v, ok := values[from]; ok {
			value, verdict = strconv.FormatFloat(v, 'f', 3, 64), "ok"
			if known && !reading.InRange(ch, v) {
				verdict = "out of range"
			}
		}
		rows = append(rows, []string{c.Driver, f.where, from, value, unit, limits, verdict})
	}
	return rows
}

// kindOf tells by a driver's name for a value which channel shares its unit.
func kindOf(from string) (reading.Channel, bool) {
	name := strings.TrimPrefix(from, "in_")
	for _, k := range []struct {
		prefix  string
		channel reading.Channel
	}{
		{"temp", reading.InsideTemp},
		{"rh", reading.InsideRH},
		{"humidity", reading.InsideRH},
		{"curr", reading.LineCurrent},
		{"voltage", reading.LineVoltage},
		{"in", reading.LineVoltage},
	} {
		if strings.HasPrefix(name, k.prefix) {
			return k.channel, true
		}
	}
	return 0, false
}

const draftHead = `# What dewpost-agent probe found, for the station's table in agent.toml. Which
# sensor sits where it can't know: look at each channel's name. Everything that
# has no use yet is behind a #.
`

// writeDraft writes the sensor tables. Each channel goes to the first sensor
// that can measure it.
func writeDraft(w io.Writer, list []found) error {
	var b strings.Builder
	b.WriteString(draftHead)
	taken := map[reading.Channel]bool{}
	for _, f := range list {
		f.draft(&b, taken)
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write the draft: %w", err)
	}
	return nil
}

// places are the channels that values of a kind can be, the likeliest first.
func places(kind reading.Channel) []reading.Channel {
	switch kind {
	case reading.InsideTemp:
		return []reading.Channel{reading.InsideTemp, reading.OutsideTemp, reading.BoardTemp, reading.CoverTemp}
	case reading.InsideRH:
		return []reading.Channel{reading.InsideRH, reading.OutsideRH}
	}
	return []reading.Channel{kind}
}

// draft writes one sensor.
func (f found) draft(b *strings.Builder, taken map[reading.Channel]bool) {
	type use struct {
		from string
		to   reading.Channel
	}
	var uses []use
	humid := slices.ContainsFunc(f.gives, func(from string) bool { k, ok := kindOf(from); return ok && k == reading.InsideRH })
	for _, from := range f.gives {
		kind, ok := kindOf(from)
		if !ok || f.sensor.Driver == "ads1115" || f.sensor.Driver == "hwmon" && !humid {
			continue // volts of anything; temperatures of the board's own chips
		}
		may := places(kind)
		if !humid && kind == reading.InsideTemp {
			may = []reading.Channel{reading.BoardTemp, reading.CoverTemp}
		}
		i := slices.IndexFunc(may, func(c reading.Channel) bool { return !taken[c] })
		if i < 0 {
			continue
		}
		taken[may[i]] = true
		uses = append(uses, use{from, may[i]})
	}
	mark := ""
	if len(uses) == 0 {
		mark = "# "
	}
	line := func(format string, args ...any) { fmt.Fprintf(b, mark+format+"\n", args...) }
	c := f.sensor
	fmt.Fprintf(b, "\n# %s, %s: %s\n", c.Driver, f.where, strings.Join(f.gives, ", "))
	line("[[station.sensor]]")
	line("driver = %q", c.Driver)
	if c.Bus != nil {
		line("bus = %d", *c.Bus)
		line("address = 0x%02x", c.Address)
	}
	if c.Device != "" {
		line("device = %q", c.Device)
	}
	if c.Sysfs != "" && c.Sysfs != "/sys" {
		line("sysfs = %q", c.Sysfs)
	}
	if c.ShuntOhm != 0 {
		line("shunt_ohm = %v # as on most boards: look at yours", c.ShuntOhm)
	}
	if c.Serial != "" {
		line("serial = %q", c.Serial)
	}
	for _, u := range uses {
		line("[[station.sensor.channel]]")
		line("name = %q", u.to.Name())
		line("from = %q", u.from)
	}
	if len(uses) == 0 {
		line("[[station.sensor.channel]]")
		line("name = \"\"")
		line("from = %q", f.gives[0])
	}
}
