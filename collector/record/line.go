package record

import (
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Line is a wire and supply, with the stations that were ever on it.
type Line struct {
	ID       string
	Facts    []fact.Fact // about the line
	Stations []OnLine    // by id
}

// OnLine is a station that was on a line at some time.
type OnLine struct {
	Station string
	Retired unit.Instant // 0 while in service
	Facts   []fact.Fact  // that say which line it is on
}

// At returns the stations that the line feeds at an instant, by id, and the one
// of them whose readings are said to hold its current; "" when none is.
func (l *Line) At(t unit.Instant) (stations []string, meter string) {
	said, _ := fact.At(l.Facts, fact.CurrentSensor, t)
	for i := range l.Stations {
		m := &l.Stations[i]
		if id, _ := fact.At(m.Facts, fact.Line, t); id != l.ID || m.Retired != 0 && m.Retired <= t {
			continue
		}
		stations = append(stations, m.Station)
		if m.Station == said {
			meter = said
		}
	}
	return stations, meter
}
