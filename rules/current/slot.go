package current

import (
	"math"
	"slices"
	"time"

	"dewpost/rules/means"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// slot is what one slot of means says, short when kept.
type slot [numFields]float32

// The fields of a slot; absent where unknown.
const (
	slotNumber  = iota // multiples of means.Step since the epoch
	slotCurrent        // mA at State.Volts
	slotTemp           // °C of the board, or of the air inside
	slotFilm           // share of the conductivity at saturation, 0 where frozen
	slotVolts
	slotComb // µS
	numFields

	absent = -1000
)

func (s *slot) has(field int) bool   { return s[field] != absent }
func (s *slot) at() unit.Instant     { return unit.Instant(s[slotNumber]) * unit.Instant(means.Step) }
func (s *slot) is(field int) float64 { return float64(s[field]) }
func (s *slot) thawed() bool         { return s[slotTemp] >= thawed }

// slotOf reads a mean. gone tells that it has a voltage of next to nothing, by
// which no conductance can be told.
func (s *State) slotOf(m *means.Mean) slot {
	value := func(c reading.Channel) float64 {
		if m.Ch[c].N == 0 {
			return math.NaN()
		}
		return m.Ch[c].Mean
	}
	x := slot{slotNumber: float32(int64(m.Start) / int64(means.Step))}
	put := func(field int, v float64) {
		x[field] = absent
		if !math.IsNaN(v) {
			x[field] = float32(v)
		}
	}
	current, volts := value(reading.LineCurrent), math.Abs(value(reading.LineVoltage))
	if s.Volts == 0 && volts >= leastVolts {
		s.Volts = volts
	}
	put(slotVolts, volts)
	if s.Volts != 0 {
		current *= s.Volts / volts
		if !(volts >= leastVoltsShare*s.Volts) {
			current = math.NaN()
		}
	}
	if ch := &m.Ch[reading.LineCurrent]; ch.Max-ch.Min > quietSpread+quietShare*math.Abs(ch.Mean) {
		current = math.NaN()
	}
	put(slotCurrent, current)
	air, rh, surface := value(reading.InsideTemp), value(reading.InsideRH), value(reading.BoardTemp)
	if s.Bare = math.IsNaN(surface); s.Bare {
		surface = air
	}
	put(slotTemp, surface)
	film := filmAt(float64(moistair.SurfaceRH(unit.Celsius(air), unit.Percent(rh), unit.Celsius(surface))))
	if surface < 0 {
		film = 0
	}
	put(slotFilm, film)
	put(slotComb, value(reading.Comb))
	return x
}

// filmAt is φ of the package comment.
func filmAt(rhs float64) float64 { return math.Exp(math.Ln10 / 15 * (rhs - 100)) }

const day = 24 * time.Hour

// blockLen is the length of the parts that a solar day has; the first of them,
// from 23 to 5 of mean solar time, is the night's quiet one.
const (
	blockLen   = 6 * time.Hour
	blocksADay = 4
	quietKind  = 0
)

// clock tells solar time.
type clock struct{ offset time.Duration }

func (o Options) clock() clock {
	if o.Place == nil {
		return clock{}
	}
	return clock{time.Duration(o.Place.Lon / 15 * float64(time.Hour))}
}

func (c clock) block(t unit.Instant) int32 {
	return int32(t.Add(c.offset+time.Hour).Floor(blockLen) / unit.Instant(blockLen))
}

func (c clock) start(block int32) unit.Instant {
	return (unit.Instant(block) * unit.Instant(blockLen)).Add(-c.offset - time.Hour)
}

func kindOf(block int32) int { return int((block%blocksADay + blocksADay) % blocksADay) }

// quantile of a list, which it sorts; NaN of none.
func quantile(list []float64, q float64) float64 {
	if len(list) == 0 {
		return math.NaN()
	}
	slices.Sort(list)
	at := q * float64(len(list)-1)
	i := int(at)
	if i+1 == len(list) {
		return list[i]
	}
	return list[i] + (at-float64(i))*(list[i+1]-list[i])
}

// scatter is the standard deviation of normal values around 0 with this median
// of absolute values. It uses list up.
func scatter(list []float64) float64 {
	for i, x := range list {
		list[i] = math.Abs(x)
	}
	return 1.4826 * quantile(list, 0.5)
}

// tails is scatter, or the standard deviation of normal values with these tails,
// if it is more: nights with calls are not so few that they can be left out. It
// uses list up.
func tails(list []float64) float64 {
	s := scatter(list)
	return max(s, quantile(list, 0.9)/1.645)
}
