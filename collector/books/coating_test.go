package books_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/coating"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

var coatingNow = unit.At(time.Date(2025, 6, 1, 9, 12, 0, 0, time.UTC))

// benchAir is a station whose readings are given.
type benchAir struct {
	readings []reading.Reading
	err      error
}

func (b *benchAir) Station(_ context.Context, id string) (record.Station, error) {
	if id != "bench-01" {
		return record.Station{}, record.ErrNotFound
	}
	return record.Station{ID: id}, nil
}

func (b *benchAir) Readings(_ context.Context, _ string, from, to unit.Instant) (list []reading.Reading, err error) {
	for i := range b.readings {
		if r := b.readings[i]; r.Time >= from && r.Time < to {
			list = append(list, r)
		}
	}
	return list, b.err
}

func (b *benchAir) put(ago time.Duration, flags string, set map[reading.Channel]float64) {
	r := reading.Reading{Time: coatingNow.Add(-ago), Flags: flags}
	for c, v := range set {
		r.Set(c, v)
	}
	b.readings = append(b.readings, r)
}

func TestCoatingByASensor(t *testing.T) {
	b := &benchAir{}
	for ago := 20 * 24 * time.Hour; ago >= 20*time.Minute; ago -= 20 * time.Minute {
		b.put(ago, "", map[reading.Channel]float64{reading.InsideTemp: 21, reading.InsideRH: 45, reading.OutsideTemp: 12, reading.OutsideRH: 103, reading.BoardTemp: 20.5})
	}
	b.put(time.Minute, reading.FlagHeater, map[reading.Channel]float64{reading.InsideTemp: 40, reading.InsideRH: 20})
	b.put(0, "", map[reading.Channel]float64{reading.LineCurrent: 12})
	limits := coating.Usual()
	tell := func(station, sensor string) (coating.Day, error) {
		return books.Coating(context.Background(), b, station, sensor, &limits, coatingNow)
	}

	d, err := tell("bench-01", "inside")
	require.NoError(t, err)
	require.Equal(t, unit.Celsius(21), d.Temp, "not while its heater ran")
	require.Equal(t, coatingNow.Add(-20*time.Minute), d.At)
	require.True(t, d.Now.Good)
	require.Equal(t, unit.Celsius(20.5), d.Now.Surface)
	require.Len(t, d.Ahead, 37)
	require.Equal(t, "inside", d.Sensor)

	d, err = tell("bench-01", "outside")
	require.NoError(t, err)
	require.Equal(t, unit.Percent(100), d.RH)
	require.Equal(t, coating.NearDewPoint, d.Now.Reasons[0].What)
	require.Nil(t, d.Board, "the board is inside")

	_, err = tell("nobody", "outside")
	require.ErrorIs(t, err, record.ErrNotFound)
	limits.MostRH = 0
	_, err = tell("bench-01", "outside")
	require.ErrorContains(t, err, "rh_max_pct")
	limits = coating.Usual()
	b.err = errors.New("no disk")
	_, err = tell("bench-01", "inside")
	require.ErrorContains(t, err, "no disk")

	b = &benchAir{}
	_, err = tell("bench-01", "inside")
	require.ErrorContains(t, err, "told no temperature and humidity lately")
	b.put(2*time.Hour, "", map[reading.Channel]float64{reading.InsideTemp: 21, reading.InsideRH: 45})
	_, err = tell("bench-01", "inside")
	require.ErrorContains(t, err, "its inside sensor was last heard at 2025-06-01T07:12:00Z: measure now")
}
