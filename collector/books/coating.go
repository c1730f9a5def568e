package books

import (
	"context"
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/coating"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// coatingFresh is the age up to which a reading tells what the air is now.
const coatingFresh = time.Hour

// CoatingStore is what coating a board reads. Station returns
// record.ErrNotFound for an id that was never enrolled; Readings returns those
// with from <= time < to, by time.
type CoatingStore interface {
	Station(ctx context.Context, id string) (record.Station, error)
	Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error)
}

// Coating says whether a board may be coated now where a station's sensor is:
// that of the air outdoors, or the one inside of its box, which may lie open on a
// bench. A coating.Refused tells that the sensor doesn't say what the air is.
func Coating(ctx context.Context, store CoatingStore, station, sensor string, l *coating.Limits, now unit.Instant) (coating.Day, error) {
	if err := l.Check(); err != nil {
		return coating.Day{}, err
	}
	s, err := store.Station(ctx, station)
	if err != nil {
		return coating.Day{}, err
	}
	rs, err := store.Readings(ctx, s.ID, now.Add(-coating.History(l)-time.Hour), now+1)
	if err != nil {
		return coating.Day{}, err
	}
	air, past := airOf(reading.Merge(rs), sensor)
	if air == nil {
		return coating.Day{}, &coating.Refused{Field: "station", Value: station, Fix: fmt.Sprintf("its %s sensor told no temperature and humidity lately: take another, or measure and give the values", sensor)}
	}
	if now.Sub(air.At) > coatingFresh {
		return coating.Day{}, &coating.Refused{Field: "station", Value: station, Fix: fmt.Sprintf("its %s sensor was last heard at %s: measure now and give the values", sensor, air.At)}
	}
	d, err := coating.Tell(*air, past, l)
	d.Station, d.Sensor = s.ID, sensor
	return d, err
}

// CoatingSensors are the sensors that can tell the air of a board to be coated.
var CoatingSensors = []string{"outside", "inside"}

// airOf returns the newest air that a sensor told, and the means of the hours up
// to it.
func airOf(merged []reading.Reading, sensor string) (newest *coating.Air, hours []coating.Air) {
	n := 0.0
	for i := range merged {
		r := &merged[i]
		a, ok := airIn(r, sensor)
		if !ok {
			continue
		}
		newest = &a
		if at := r.Time.Floor(time.Hour).Add(30 * time.Minute); len(hours) == 0 || hours[len(hours)-1].At != at {
			hours, n = append(hours, coating.Air{At: at}), 0
		}
		h := &hours[len(hours)-1]
		n++
		h.Temp += (a.Temp - h.Temp) / unit.Celsius(n)
		h.RH += (a.RH - h.RH) / unit.Percent(n)
	}
	return newest, hours
}

// airIn reads the air that a sensor told in one reading.
func airIn(r *reading.Reading, sensor string) (a coating.Air, ok bool) {
	temp, rh := reading.OutsideTemp, reading.OutsideRH
	if sensor == "inside" {
		temp, rh = reading.InsideTemp, reading.InsideRH
		if r.HasFlag(reading.FlagHeater) {
			return a, false
		}
		if t, has := r.Get(reading.BoardTemp); has {
			board := unit.Celsius(t)
			a.Board = &board
		}
	}
	t, okT := r.Get(temp)
	h, okH := r.Get(rh)
	a.At, a.Temp, a.RH = r.Time, unit.Celsius(t), unit.Percent(min(h, 100))
	return a, okT && okH && h > 0
}
