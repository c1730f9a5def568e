package fold_test

import (
	"context"
	"log/slog"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/assess"
	"dewpost/rules/fact"
	"dewpost/rules/outlook"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// weathered is a made-up log of days: every other week humid nights come.
func weathered(days float64) (rs []reading.Reading) {
	return every(0, time.Duration(days*24)*time.Hour, 30*time.Minute, func(at time.Duration) reading.Reading {
		h := at.Hours()
		temp := 11 + 5*math.Sin(2*math.Pi*(h-9)/24)
		dew := 6 + 3*math.Sin(2*math.Pi*h/24/14) + 0.3*math.Sin(h)
		r := inside(at, temp, 0, temp-2)
		r.Set(reading.InsideRH, min(100, 100*math.Exp(17.62*dew/(243.12+dew)-17.62*temp/(243.12+temp))))
		return r
	})
}

// shore is a bench with the site lake, on which stations hang.
func shore(t *testing.T, ids ...string) *bench {
	b := newBench(t, nil)
	for name, value := range map[string]string{fact.Lat: "52.5", fact.Lon: "5.5", fact.Zone: "Europe/Amsterdam"} {
		require.NoError(t, b.store.AddFacts(t.Context(), []fact.Fact{{
			Subject: fact.Subject{Kind: fact.KindSite, ID: "lake"}, Name: name, Value: value, From: fact.Always, Author: "test", Recorded: start,
		}}))
	}
	for _, id := range ids {
		b.enrol(t, id, map[string]string{fact.Site: "lake", fact.MaxGap: "1h", fact.Build: "coated"})
	}
	return b
}

func (b *bench) fold(t *testing.T, id string, rs []reading.Reading) {
	if len(rs) == 0 {
		return
	}
	b.now = rs[len(rs)-1].Time.Time()
	b.take(t, id, rs...)
	require.NoError(t, b.folder.All(context.Background()))
}

func (b *bench) outlooks(t *testing.T, id string) []record.Outlook {
	all, err := b.store.Outlooks(t.Context(), id, math.MinInt64, math.MaxInt64, 10000)
	require.NoError(t, err)
	return all
}

func assessed(rs []reading.Reading) []outlook.Night {
	return assess.Run(slices.Clone(rs), assess.Options{MaxGap: time.Hour, Place: &sun.Place{Lat: 52.5, Lon: 5.5}}).Outlook
}

// What is issued in the evening is what an offline assessment of the same readings
// says, whatever pieces they came in; and what the night came to is filled in.
func TestOutlooksAreThoseOfAnAssessment(t *testing.T) {
	b := shore(t, "lake-07")
	all := weathered(60)
	for rest, n := all, 1; len(rest) > 0; n = n%29 + 7 {
		k := min(len(rest), n)
		b.fold(t, "lake-07", rest[:k])
		rest = rest[k:]
	}
	requireAssessed(t, assessed(all), b.outlooks(t, "lake-07"))
	recent, err := b.store.Recent(t.Context(), []string{"lake-07"})
	require.NoError(t, err)
	states := recent["lake-07"].Nights
	require.LessOrEqual(t, len(states), 6)
	require.Greater(t, states[len(states)-1].Due, all[len(all)-1].Time.Add(-12*time.Hour))
}

func requireAssessed(t *testing.T, want []outlook.Night, got []record.Outlook) {
	t.Helper()
	evening := slices.DeleteFunc(slices.Clone(got), func(o record.Outlook) bool { return o.Issue != outlook.Evening })
	require.Len(t, evening, len(want))
	require.Greater(t, len(want), 10)
	for i := range want {
		require.Equal(t, want[i], evening[i].Night)
		require.LessOrEqual(t, evening[i].Issued, evening[i].Made)
	}
}

// What comes late changes what is learned and what a night came to, not what was
// told.
func TestLateReadingsDontChangeWhatWasTold(t *testing.T) {
	b := shore(t, "lake-07")
	all := weathered(30)
	cut := 15 * 48 // the readings of a day from there on come late
	b.fold(t, "lake-07", all[:cut])
	for i := cut + 48; i < len(all); i += 24 {
		b.fold(t, "lake-07", all[i:min(len(all), i+24)])
	}
	before := b.outlooks(t, "lake-07")
	late := all[cut : cut+48]
	b.take(t, "lake-07", late...)
	require.NoError(t, b.folder.All(context.Background()))
	after := b.outlooks(t, "lake-07")
	told := map[unit.Instant]outlook.Told{}
	for _, o := range after {
		told[o.Issued] = o.Told
	}
	for _, o := range before {
		is := told[o.Issued]
		require.Equal(t, o.PCondensing, is.PCondensing)
		require.Equal(t, o.Heard, is.Heard)
	}
	require.Greater(t, len(after), len(before), "of nights of which nothing was heard it is told afterwards")
	whole := assessed(all)
	got := slices.DeleteFunc(after, func(o record.Outlook) bool { return o.Issue != outlook.Evening })
	require.Len(t, got, len(whole))
	for i := range whole {
		require.Equal(t, whole[i].ObservedCondensing, got[i].ObservedCondensing, whole[i].Night)
	}
}

// A new station begins with what another one of its site had learned.
func TestANewStationBorrows(t *testing.T) {
	b := shore(t, "lake-07", "lake-08", "quay-01")
	require.NoError(t, b.store.AddFacts(t.Context(), []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindStation, ID: "quay-01"}, Name: fact.Site, Value: "none", From: fact.Always, Author: "test", Recorded: start,
	}}))
	all := weathered(75)
	b.fold(t, "lake-07", all[:60*48])
	b.fold(t, "lake-08", all[65*48:])
	got := b.outlooks(t, "lake-08")
	require.NotEmpty(t, got)
	for _, o := range got {
		require.Equal(t, outlook.OfSite, o.Basis)
	}
	own := b.outlooks(t, "lake-07")
	require.Equal(t, outlook.Climate, own[0].Basis)
	require.Equal(t, outlook.Own, own[len(own)-1].Basis)
	b.fold(t, "quay-01", all[65*48:])
	require.Empty(t, b.outlooks(t, "quay-01"), "no place, no night")

	// On another site, of the same build.
	for name, value := range map[string]string{fact.Lat: "52", fact.Lon: "5", fact.Zone: "Europe/Amsterdam"} {
		require.NoError(t, b.store.AddFacts(t.Context(), []fact.Fact{{
			Subject: fact.Subject{Kind: fact.KindSite, ID: "quay"}, Name: name, Value: value, From: fact.Always, Author: "test", Recorded: start,
		}}))
	}
	b.enrol(t, "quay-02", map[string]string{fact.Site: "quay", fact.MaxGap: "1h", fact.Build: "coated"})
	b.fold(t, "quay-02", all[65*48:])
	require.Equal(t, outlook.OfBuild, b.outlooks(t, "quay-02")[0].Basis)
}

// A forecast that was issued by then is used, a later one is not.
func TestForecastsAreUsedOnceTheyAreIssued(t *testing.T) {
	plain, with := shore(t, "lake-07"), shore(t, "lake-07")
	all := weathered(20)
	var hours []record.ForecastHour
	for h := 15 * 24; h < 20*24; h++ {
		hours = append(hours, record.ForecastHour{Time: start.Add(time.Duration(h) * time.Hour), Temp: 9, DewPoint: 8.5, Cloud: record.Some(10), Wind: record.Some(1)})
	}
	issued := start.Add(17 * 24 * time.Hour)
	_, err := with.store.AddForecast(t.Context(), record.Forecast{Site: "lake", Issued: issued, Hours: hours}, start, "test")
	require.NoError(t, err)
	plain.fold(t, "lake-07", all)
	with.fold(t, "lake-07", all)
	a, b := plain.outlooks(t, "lake-07"), with.outlooks(t, "lake-07")
	require.Len(t, b, len(a))
	used := 0
	for i := range a {
		require.Equal(t, a[i].Issued >= issued, b[i].Forecast, a[i].Issued.String())
		if !b[i].Forecast {
			require.Equal(t, a[i].PCondensing, b[i].PCondensing)
			continue
		}
		used++
	}
	require.Positive(t, used)
}

// thumbed counts the readings that are read, and whose facts are.
type thumbed struct {
	*store.Store
	readings int
	facts    []string
}

func (s *thumbed) Readings(ctx context.Context, id string, from, to unit.Instant) ([]reading.Reading, error) {
	rs, err := s.Store.Readings(ctx, id, from, to)
	s.readings += len(rs)
	return rs, err
}

func (s *thumbed) Facts(ctx context.Context, of fact.Subject) ([]fact.Fact, error) {
	s.facts = append(s.facts, of.ID)
	return s.Store.Facts(ctx, of)
}

// A station without humidity, from the beginning or from some day on, is not gone
// through whole with each reading; and when its sensor is swapped its nights are
// foretold as if all had come at once.
func TestNightsWithoutHumidity(t *testing.T) {
	b := shore(t, "lake-07", "lake-08", "lake-09")
	s := &thumbed{Store: b.store}
	b.folder = fold.New(fold.Config{Store: s, Now: func() time.Time { return b.now }, Log: slog.New(slog.DiscardHandler)})
	all := weathered(70)
	dead := func(from int) []reading.Reading {
		rs := slices.Clone(all)
		for i := from; i < 55*48; i++ {
			rs[i].Clear(reading.InsideRH)
		}
		return rs
	}
	for id, rs := range map[string][]reading.Reading{"lake-07": dead(0), "lake-08": dead(20 * 48)} {
		for i := 0; i < 50*48; i += 2 * 48 {
			b.fold(t, id, rs[i:i+2*48])
		}
		s.readings, s.facts = 0, nil
		for i := 50 * 48; i < 51*48; i++ {
			b.fold(t, id, rs[i:i+1])
		}
		require.Less(t, s.readings, 48*48, id)
		for _, other := range []string{"lake-07", "lake-08"} {
			require.False(t, other != id && slices.Contains(s.facts, other), id)
		}
		for i := 51 * 48; i < len(rs); i++ {
			b.fold(t, id, rs[i:i+1])
		}
	}
	b.fold(t, "lake-09", dead(20*48))
	got, want := b.outlooks(t, "lake-08"), b.outlooks(t, "lake-09")
	require.Len(t, got, len(want))
	for i := range want {
		want[i].Station, want[i].Made = got[i].Station, got[i].Made
	}
	require.Equal(t, want, got)
	require.NotEmpty(t, b.outlooks(t, "lake-07"))
	last := want[len(want)-1]
	require.Greater(t, last.Issued, all[69*48].Time)
	recent, err := b.store.Recent(t.Context(), []string{"lake-08"})
	require.NoError(t, err)
	require.LessOrEqual(t, len(recent["lake-08"].Nights), 6)
}

// A damaged memory of nights is told, and nothing is written.
func TestDamagedNights(t *testing.T) {
	b := shore(t, "lake-07", "lake-08")
	all := weathered(5)
	b.fold(t, "lake-07", all[:3*48])
	recent, err := b.store.Recent(t.Context(), []string{"lake-07"})
	require.NoError(t, err)
	states := recent["lake-07"].Nights
	last := states[len(states)-1]
	for _, body := range [][]byte{{1, 2, 3}, {}} {
		last.Body = body
		require.NoError(t, b.store.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "lake-07"}, Nights: &record.Foretold{State: &last}}))
		b.take(t, "lake-07", all[3*48:]...)
		b.folder.TryAgain()
		require.ErrorContains(t, b.folder.All(t.Context()), "remembered of its nights")
		b.take(t, "lake-08", all[4*48:]...)
		b.folder.TryAgain()
		require.ErrorContains(t, b.folder.All(t.Context()), "lake-07 remembers of its nights")
	}
}
