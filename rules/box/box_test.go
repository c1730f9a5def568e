package box_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/box"
	"dewpost/rules/boxsim"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

var start = unit.At(time.Date(2025, 3, 1, 0, 7, 0, 0, time.UTC))

const day = 24 * time.Hour

func hung(unit.Instant) box.Facts { return box.Facts{Place: &sun.Place{Lat: 52, Lon: 5}} }

// season is a box whose seal opens and whose line steps up, with a pause.
func season() (rs []reading.Reading) {
	sim := boxsim.New(boxsim.NewWeather(boxsim.Quayside(), 3), boxsim.Box{
		TauH: 40, HasBoard: true, HasOutside: true, HasLine: true, StandbyMA: 12, Noise: 1,
	}, []boxsim.Fault{
		{Kind: boxsim.OpenedSeal, From: start.Add(40 * day), Size: 2},
		{Kind: boxsim.CurrentStep, From: start.Add(30 * day), Size: 3},
	}, 3, start)
	for at := time.Duration(0); at < 70*day; at += 7 * time.Minute {
		if at > 20*day && at < 20*day+9*time.Hour {
			continue
		}
		rs = append(rs, sim.Next(start.Add(at)))
	}
	return rs
}

func follow(rs []reading.Reading) *box.Stream {
	s := box.New(hung)
	for i := range rs {
		s.Add(&rs[i])
	}
	return s
}

// A state that is kept at any hour and taken up again goes on as if it had not
// been; so does one whose breathing days were taken away.
func TestAStateGoesOn(t *testing.T) {
	rs := season()
	whole := follow(rs)
	kinds := map[finding.Kind]bool{}
	for _, f := range whole.State.Findings() {
		kinds[f.Kind] = true
	}
	require.True(t, kinds[finding.SealOpened] && kinds[finding.CurrentStepUp], "%v", kinds)
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.IntRange(1, len(rs)-1).Draw(t, "at")
		s := box.New(hung)
		complete := false
		for i := range at {
			complete = s.Add(&rs[i])
		}
		for !complete && at < len(rs) {
			complete = s.Add(&rs[at])
			at++
		}
		days := s.State.Breathing.Estimates()
		s.State.Breathing.Days = nil
		kept, err := s.State.Encode()
		require.NoError(t, err)
		on, err := box.Resume(kept, hung)
		require.NoError(t, err)
		hour := rs[at-1].Time.Floor(time.Hour)
		for i := range rs {
			if rs[i].Time >= hour {
				on.Add(&rs[i])
			}
		}
		require.Equal(t, whole.State.Findings(), on.State.Findings())
		require.Equal(t, whole.State.Breathing.Estimates(), append(days, on.State.Breathing.Estimates()...))
		require.Equal(t, whole.Outdoors, append(s.Outdoors, on.Outdoors...))
	})
}

// Nothing is concluded later than the reading that it is concluded from.
func TestNothingIsConcludedAhead(t *testing.T) {
	rs := season()
	s := box.New(hung)
	for i := range rs {
		s.Add(&rs[i])
		for _, f := range s.State.Findings() {
			require.LessOrEqual(t, f.Concluded, rs[i].Time)
			require.LessOrEqual(t, f.From, f.Concluded)
		}
	}
}

func TestDamagedState(t *testing.T) {
	for _, kept := range [][]byte{nil, []byte("{}"), {31, 139, 8}} {
		_, err := box.Resume(kept, hung)
		require.ErrorContains(t, err, "state of a box")
	}
}

func ptr[T any](v T) *T { return &v }

func row(h float64, temp unit.Celsius, rh unit.Percent, rain float64) box.Weather {
	return box.Weather{Time: start.Floor(time.Hour).Add(time.Duration(h * float64(time.Hour))), Temp: &temp, RH: &rh, Rain: &rain}
}

func TestSky(t *testing.T) {
	hour := start.Floor(time.Hour)
	gone := row(3, 0, 0, 0)
	gone.Temp, gone.RH, gone.Rain = nil, nil, nil
	sky := box.NewSky(
		[]equal.Air{{Hour: hour.Add(time.Hour), Temp: 7, RH: 70}, {Hour: hour.Add(time.Hour), Temp: 9, RH: 9}},
		[]box.Weather{row(2, 12, 60, 3), row(0, 10, 80, 0), gone, row(4, 14, 50, 0.5), row(9, 1, 99, 0)},
	)
	at := func(d time.Duration) (*breathing.Outdoor, *float64) { return sky.At(hour.Add(d)) }

	air, rain := at(25 * time.Minute) // the slot's middle is half an hour behind the hour
	require.Equal(t, breathing.Weather, air.Basis)
	require.InDelta(t, 10.5, float64(air.Temp), 1e-9)
	require.InDelta(t, 75, float64(air.RH), 1e-9)
	require.Equal(t, ptr(1.5), rain, "3 mm in two hours")

	air, _ = at(80 * time.Minute)
	require.Equal(t, &breathing.Outdoor{Temp: 7, RH: 70, Basis: breathing.Site}, air, "the site's sensor is nearer")

	air, rain = at(2*time.Hour + 55*time.Minute) // between the rows on both sides of one that says nothing
	require.InDelta(t, 13, float64(air.Temp), 1e-9)
	require.Nil(t, rain)

	air, _ = at(4*time.Hour + 50*time.Minute)
	require.InDelta(t, 14, float64(air.Temp), 0, "an hour behind a row it still holds")
	air, rain = at(6 * time.Hour)
	require.Nil(t, air)
	require.Nil(t, rain)
	air, rain = at(8*time.Hour + 10*time.Minute)
	require.InDelta(t, 1, float64(air.Temp), 0)
	require.Equal(t, ptr(0.0), rain)
	air, rain = at(-3 * time.Hour)
	require.Nil(t, air)
	require.Nil(t, rain)
}

// What a sensor in doubt shows is handed to nothing: not to the watches of the
// box, nor to its neighbours.
func TestASensorInDoubtFeedsNothing(t *testing.T) {
	rs := season()
	for i := range rs {
		if rs[i].Time > start.Add(25*day) {
			rs[i].Set(reading.OutsideRH, 61.5)
			rs[i].Set(reading.InsideRH, 58.2)
		}
	}
	s := follow(rs)
	first := unit.Instant(0)
	kinds := map[finding.Kind]int{}
	for _, f := range s.State.Findings() {
		if kinds[f.Kind]++; f.Kind == finding.SensorSuspect {
			first = max(first, f.Concluded)
		}
	}
	require.Equal(t, 2, kinds[finding.SensorSuspect], "%v", kinds)
	require.Less(t, first, start.Add(28*day))
	require.Zero(t, kinds[finding.SealOpened], "it opened unseen")
	require.Equal(t, 1, kinds[finding.CurrentStepUp], "current needs no humidity")
	require.Less(t, s.Outdoors[len(s.Outdoors)-1].Hour, first)
}

// A person's check counts: a sensor that is off says nothing of water.
func TestACheckedSensor(t *testing.T) {
	rs := season()
	checked := func(at unit.Instant) box.Facts {
		f := hung(at)
		if at > start.Add(10*day) {
			f.Check = &sensing.Check{At: start.Add(10 * day), Off: 12}
		}
		return f
	}
	s := box.New(checked)
	for i := range rs {
		s.Add(&rs[i])
	}
	require.True(t, s.State.Sensing.Suspect(reading.InsideRH))
	for _, f := range s.State.Findings() {
		require.NotEqual(t, finding.SealOpened, f.Kind)
	}
}
