// Package reading holds what a station reports at one instant, and its bytes
// on the wire (contract v1): line protocol, one line a reading.
package reading

import (
	"strings"

	"dewpost/rules/unit"
)

// Channel is one measured quantity.
type Channel uint8

// The channels of contract v1.
const (
	InsideTemp  Channel = iota // inside_temp_c, air in the box, °C
	InsideRH                   // inside_rh_pct, air in the box, %RH over water
	BoardTemp                  // board_temp_c, board surface, °C
	CoverTemp                  // cover_temp_c, inner side of the cover, °C
	OutsideTemp                // outside_temp_c, outdoor air, °C
	OutsideRH                  // outside_rh_pct, outdoor air, %RH over water
	LineCurrent                // line_current_ma, median over the interval, mA
	LineVoltage                // line_voltage_v, V
	Comb                       // comb_us, sacrificial comb, microsiemens
	NumChannels
)

type channelFacts struct {
	name, unit string
	lo, hi     float64 // values outside are refused
	places     int     // decimals that an agent rounds to
}

var channels = [NumChannels]channelFacts{
	InsideTemp:  {"inside_temp_c", "°C", -60, 95, 2},
	InsideRH:    {"inside_rh_pct", "%RH", -6, 119, 2},
	BoardTemp:   {"board_temp_c", "°C", -60, 95, 2},
	CoverTemp:   {"cover_temp_c", "°C", -60, 95, 2},
	OutsideTemp: {"outside_temp_c", "°C", -60, 95, 2},
	OutsideRH:   {"outside_rh_pct", "%RH", -6, 119, 2},
	LineCurrent: {"line_current_ma", "mA", -5, 2000, 3},
	LineVoltage: {"line_voltage_v", "V", -60, 60, 3},
	Comb:        {"comb_us", "µS", 0, 1e6, 3},
}

// Name returns the channel's field name on the wire.
func (c Channel) Name() string { return channels[c].name }

// Unit returns the symbol of the channel's unit.
func (c Channel) Unit() string { return channels[c].unit }

// Range returns the smallest and largest value that is accepted. The range of
// comb_us (0 to 1e6 µS) is our own: the contract names none.
func (c Channel) Range() (lo, hi float64) { return channels[c].lo, channels[c].hi }

// Places returns the number of decimals that an agent rounds the channel to.
func (c Channel) Places() int { return channels[c].places }

// ChannelByName finds the channel with the given field name.
func ChannelByName(name string) (Channel, bool) {
	for c := range NumChannels {
		if channels[c].name == name {
			return c, true
		}
	}
	return 0, false
}

// ChannelNames lists all field names in the order of the constants.
func ChannelNames() []string {
	names := make([]string, NumChannels)
	for c := range NumChannels {
		names[c] = channels[c].name
	}
	return names
}

// Flags of contract v1, in the comma-separated text Reading.Flags.
const (
	FlagHeater = "sensor_heater" // inside temperature and RH are disturbed
	FlagClock  = "clock"         // the agent doubts its clock
	FlagFailed = "failed:"       // followed by a channel's name: the read failed
)

// Reading is all channels of a station at one instant. The zero value has no
// channel. Values are as reported; nothing is clamped here.
type Reading struct {
	Time  unit.Instant
	Run   string // 16 hex digits, or "" from a station without a spool
	Seq   int64  // 1, 2, 3 … in Run; 0 without a spool
	Flags string // comma-separated, as received

	present uint16
	values  [NumChannels]float64
	hot     Hot
}

// Hot is what the inside sensor showed with its heater on. It tells of the
// sensor, and nothing of the air.
type Hot struct {
	There    bool
	Temp, RH float64 // °C, %RH
}

// Hot returns what the inside sensor showed with its heater on, of a merged
// reading: Merge takes it out of the channels.
func (r *Reading) Hot() Hot { return r.hot }

// Set gives channel c the value v; negative zero becomes zero, so that equal
// values have equal bits.
func (r *Reading) Set(c Channel, v float64) {
	r.present |= 1 << c
	r.values[c] = v + 0
}

// Clear makes channel c absent.
func (r *Reading) Clear(c Channel) {
	r.present &^= 1 << c
	r.values[c] = 0
}

// Get returns the value of channel c and whether it is present.
func (r *Reading) Get(c Channel) (float64, bool) {
	return r.values[c], r.present&(1<<c) != 0
}

// Has tells whether channel c is present.
func (r *Reading) Has(c Channel) bool { return r.present&(1<<c) != 0 }

// Present returns the set of present channels, bit c for channel c.
func (r *Reading) Present() uint16 { return r.present }

// Keyed tells whether the reading has a run and a sequence number.
func (r *Reading) Keyed() bool { return r.Run != "" && r.Seq > 0 }

// HasFlag tells whether flag stands in the comma-separated Flags.
func (r *Reading) HasFlag(flag string) bool {
	if r.Flags == "" {
		return false
	}
	for f := range strings.SplitSeq(r.Flags, ",") {
		if f == flag {
			return true
		}
	}
	return false
}

// SameContent tells whether two readings report the same thing at the same
// instant, whatever their keys.
func (r *Reading) SameContent(o *Reading) bool {
	return r.Time == o.Time && r.Flags == o.Flags && r.present == o.present && r.values == o.values
}
