package fold_test

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	visit "dewpost/rules/bench"
	"dewpost/rules/boxsim"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
)

// seaside is a box near the sea: wet till noon on humid days, as it always was; on
// two dry days, and for a damp fortnight, it is wet without the weather saying so.
func seaside(days int) (rs []reading.Reading, weather []record.Weather) {
	for h := range days * 24 {
		at := time.Duration(h) * time.Hour
		d := h / 24
		humid := d%3 == 0
		r, rh := inside(at, 10, 60+float64(h%5), 10), 55+float64(h%7)
		if humid {
			rh = 92 + float64(h%5)
		}
		switch {
		case humid && h%24 < 13+d%2, (d == 61 || d == 64) && h%24 < 14:
			r = wet(at)
		case d >= 75 && d < 90:
			r = inside(at, 10, 90, 10)
		}
		rs = append(rs, r)
		weather = append(weather, record.Weather{Time: start.Add(at), Temp: record.Some(9), RH: record.Some(rh)})
	}
	return rs, weather
}

func onTheShore(t *testing.T, now time.Duration) *bench {
	b := newBench(t, nil)
	b.now = start.Add(now).Time()
	ctx := context.Background()
	require.NoError(t, b.store.AddFacts(ctx, []fact.Fact{{Subject: fact.Subject{Kind: fact.KindSite, ID: "quay"}, Name: fact.Zone, Value: "Etc/UTC", From: fact.Always, Author: "test", Recorded: start}}))
	b.enrol(t, "quay-01", map[string]string{fact.Site: "quay", fact.MaxGap: "2h"})
	require.NoError(t, b.store.BeginWeather(ctx, "quay", record.WeatherSource{Name: "pier"}, start, "test"))
	return b
}

// A healthy box that is wet as it always was in such weather needs nobody; what is
// found is the same in whatever order readings and weather come in.
func TestWetnessIsHeldAgainstTheWeather(t *testing.T) {
	ctx := context.Background()
	rs, weather := seaside(100)
	whole := onTheShore(t, 101*day)
	_, err := whole.store.AddWeather(ctx, "quay", "pier", weather, false)
	require.NoError(t, err)
	whole.take(t, "quay-01", rs...)
	require.NoError(t, whole.folder.All(ctx))
	want := wetness(t, whole)
	late := slices.DeleteFunc(slices.Clone(want), func(f finding.Finding) bool { return f.From < start.Add(60*day) })
	require.Len(t, late, 3, "%v", late)
	require.Equal(t, finding.BoardWet, late[0].Kind)
	require.Equal(t, start.Add(61*day), late[0].From.Add(2*time.Hour).Floor(day))
	require.Equal(t, start.Add(64*day), late[1].From.Add(2*time.Hour).Floor(day))
	require.Equal(t, finding.DampWeek, late[2].Kind)

	rnd := rand.New(rand.NewPCG(4, 4))
	for range 2 {
		b := onTheShore(t, 101*day)
		type part struct {
			rs      []reading.Reading
			weather []record.Weather
		}
		var parts []part
		for chunk := range slices.Chunk(slices.Clone(rs), 150) {
			parts = append(parts, part{rs: chunk})
		}
		for chunk := range slices.Chunk(slices.Clone(weather), 333) {
			parts = append(parts, part{weather: chunk})
		}
		rnd.Shuffle(len(parts), func(i, j int) { parts[i], parts[j] = parts[j], parts[i] })
		for _, p := range parts {
			if p.weather != nil {
				_, err := b.store.AddWeather(ctx, "quay", "pier", p.weather, false)
				require.NoError(t, err)
			} else {
				b.take(t, "quay-01", p.rs...)
			}
			require.NoError(t, b.folder.All(ctx))
		}
		require.Equal(t, want, wetness(t, b))
	}
}

// What comes reading by reading is found as it comes, and after a repair every
// wet board is.
func TestWetnessAsItGoes(t *testing.T) {
	ctx := context.Background()
	rs, weather := seaside(66)
	b := onTheShore(t, 0)
	_, err := b.store.AddWeather(ctx, "quay", "pier", weather, false)
	require.NoError(t, err)
	b.now = rs[58*24].Time.Time()
	b.take(t, "quay-01", rs[:58*24]...)
	require.NoError(t, b.folder.All(ctx))
	for _, r := range rs[58*24:] {
		b.now = r.Time.Add(time.Minute).Time()
		b.take(t, "quay-01", r)
		require.NoError(t, b.folder.All(ctx))
	}
	whole := onTheShore(t, 67*day)
	_, err = whole.store.AddWeather(ctx, "quay", "pier", weather, false)
	require.NoError(t, err)
	whole.take(t, "quay-01", rs...)
	require.NoError(t, whole.folder.All(ctx))
	want := wetness(t, whole)
	require.Equal(t, want, wetness(t, b))

	entry := record.Entry{Author: "test", Recorded: start.Add(67 * day)}
	at := start.Add(50*day + 10*time.Hour)
	_, err = b.store.RecordVisit(ctx, record.VisitEntry{
		Entry: entry, Visit: record.Visit{Station: "quay-01", Kind: visit.OnSite},
		Steps: []record.VisitStep{{Step: visit.Step{State: visit.Done, At: at.Add(time.Hour)}, Entry: entry}},
		Work:  []record.VisitWork{{Work: visit.Work{Code: visit.GasketChanged, At: at}, Entry: entry}},
	})
	require.NoError(t, err)
	require.NoError(t, b.folder.All(ctx))
	require.Greater(t, len(wetness(t, b)), len(want)+2)
}

// While a person doubts the sensor its readings say neither that the board is wet
// nor that the week was damp, whenever he says so, and nothing is foretold from
// them; a wet board that was found before is over then.
func TestASensorInDoubtTellsNothingOfWetness(t *testing.T) {
	ctx := context.Background()
	rs, weather := seaside(100)
	say := func(b *bench, value string, at time.Duration) {
		require.NoError(t, b.store.AddFacts(ctx, []fact.Fact{{
			Subject: fact.Subject{Kind: fact.KindStation, ID: "quay-01"}, Name: fact.RHCheck, Value: value,
			From: start.Add(at), Author: "Will", Recorded: start.Add(101 * day),
		}}))
	}
	doubt := func(b *bench) {
		say(b, "suspect", 60*day)
		say(b, "sound", 62*day)
		say(b, "suspect", 64*day+12*time.Hour) // the board is wet till past one
		say(b, "sound", 65*day)
		say(b, "NaCl 20 C reads 91 after 8h", 76*day)
	}
	begin := func() *bench {
		b := onTheShore(t, 101*day)
		_, err := b.store.AddWeather(ctx, "quay", "pier", weather, false)
		require.NoError(t, err)
		return b
	}
	late := func(b *bench) []finding.Finding {
		return slices.DeleteFunc(wetness(t, b), func(f finding.Finding) bool { return f.From < start.Add(60*day) })
	}
	whole := begin()
	whole.take(t, "quay-01", rs...)
	require.NoError(t, whole.folder.All(ctx))
	require.Len(t, late(whole), 3, "control")
	doubt(whole)
	require.NoError(t, whole.folder.All(ctx))
	want := late(whole)
	require.Len(t, want, 1, "%v", want)
	require.Equal(t, finding.BoardWet, want[0].Kind)
	require.Equal(t, start.Add(64*day), want[0].From.Add(2*time.Hour).Floor(day))
	require.Equal(t, start.Add(64*day+13*time.Hour), want[0].To, "with the reading that completes the hour")

	before := begin()
	doubt(before)
	before.take(t, "quay-01", rs...)
	require.NoError(t, before.folder.All(ctx))
	require.Equal(t, want, late(before))

	live := begin()
	doubt(live)
	live.take(t, "quay-01", rs[:59*24]...)
	require.NoError(t, live.folder.All(ctx))
	for _, r := range rs[59*24 : 66*24] {
		live.now = r.Time.Add(time.Minute).Time()
		live.take(t, "quay-01", r)
		require.NoError(t, live.folder.All(ctx))
	}
	live.take(t, "quay-01", rs[66*24:]...)
	require.NoError(t, live.folder.All(ctx))
	require.Equal(t, want, late(live))
}

// While water is known to be in the box a wet board is no news, whichever comes first;
// once it is drained it is again.
func TestAWetBoardBesideWater(t *testing.T) {
	ctx := context.Background()
	summer := start.Add(-120 * day)
	water := boxsim.Fault{Kind: boxsim.WaterInside, From: summer.Add(40 * day), To: summer.Add(52 * day), Size: 30}
	sim := boxsim.New(boxsim.NewWeather(boxsim.Quayside(), 7), boxsim.Box{TauH: 12, HasOutside: true, Noise: 1}, []boxsim.Fault{water}, 7, summer)
	var rs []reading.Reading
	for at := time.Duration(0); at < 62*day; at += 20 * time.Minute {
		r := sim.Next(summer.Add(at))
		r.Time = start.Add(at)
		if at > 45*day && at < 45*day+20*time.Hour || at > 57*day && at < 57*day+20*time.Hour {
			r.Set(reading.InsideRH, 100)
		}
		rs = append(rs, r)
	}
	begin := func() *bench {
		b := newBench(t, nil)
		b.now = start.Add(62 * day).Time()
		b.enrol(t, "quay-01", nil)
		return b
	}
	whole := begin()
	whole.take(t, "quay-01", rs...)
	require.NoError(t, whole.folder.All(ctx))
	_, ofBox := found(t, whole)
	i := slices.IndexFunc(ofBox, func(f finding.Finding) bool { return f.Kind == finding.WaterInside })
	require.GreaterOrEqual(t, i, 0, "%v", ofBox)
	told, late := ofBox[i], 0
	want := wetness(t, whole)
	for _, f := range want {
		if f.Kind == finding.BoardWet && f.Concluded > told.From {
			require.True(t, f.Concluded < told.Concluded || told.To != 0 && f.Concluded >= told.To, "%v beside %v", f, told)
			late++
		}
	}
	require.Positive(t, late, "%v beside %v", want, told)

	live := begin()
	live.take(t, "quay-01", rs[:39*72]...)
	for part := range slices.Chunk(rs[39*72:], 18) {
		live.now = part[len(part)-1].Time.Add(time.Minute).Time()
		live.take(t, "quay-01", part...)
		require.NoError(t, live.folder.All(ctx))
	}
	require.Equal(t, want, wetness(t, live))
}
