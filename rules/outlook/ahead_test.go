package outlook

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/exposure"
	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Three outlooks are issued for a night, in order; what it came to is told once, and
// the late one knows what the night had been so far.
func TestToldThroughTheNight(t *testing.T) {
	var s State
	s.take(made(40), quay)
	require.Len(t, s.Outcomes, len(s.Nights)-b2i(s.Open.Night != "" && s.Open.Asked[evening]))
	byNight := map[string][]Told{}
	for _, told := range s.Told {
		byNight[told.Night.Night] = append(byNight[told.Night.Night], told)
		require.Less(t, told.Issued, told.Until)
		require.LessOrEqual(t, told.Heard, told.Issued)
		require.Greater(t, told.Heard, told.Issued.Add(-2*time.Hour))
		require.False(t, told.Forecast)
	}
	whole := 0
	for night, all := range byNight {
		var issues []Issue
		for _, told := range all {
			issues = append(issues, told.Issue)
		}
		if len(all) == 3 {
			whole++
			require.Equal(t, Issues[:], issues)
		}
		i := slices.IndexFunc(s.Nights, func(n Night) bool { return n.Night == night })
		if i >= 0 {
			j := slices.IndexFunc(all, func(x Told) bool { return x.Issue == Evening })
			require.Equal(t, s.Nights[i].PCondensing, all[j].PCondensing)
		}
	}
	require.Greater(t, whole, 30)
}

// Whoever keeps the state between any two readings, and takes away what was told,
// comes to the same.
func TestGoesOnFromJSON(t *testing.T) {
	rows := made(60)
	var whole, part State
	whole.take(rows, quay)
	var told []Told
	var outcomes []Outcome
	for from := 0; from < len(rows); from += 41 {
		due := part.Due()
		before := len(part.Told) + len(part.Outcomes)
		stretch := rows[from:min(len(rows), from+41)]
		part.take(stretch, quay)
		if from > 0 && stretch[len(stretch)-1].at < due {
			require.Equal(t, before, len(part.Told)+len(part.Outcomes), "nothing before it is due")
		}
		told, outcomes = append(told, part.Told...), append(outcomes, part.Outcomes...)
		part.Told, part.Outcomes = nil, nil
		text, err := json.Marshal(&part)
		require.NoError(t, err)
		part = State{}
		require.NoError(t, json.Unmarshal(text, &part))
	}
	require.Equal(t, whole.Told, told)
	require.Equal(t, whole.Outcomes, outcomes)
	require.Equal(t, whole.Nights, part.Nights)
	require.Zero(t, new(State).Due())
}

// What others of the site learned is a better beginning than the climate: here on
// a place whose nights are wet at another margin than elsewhere.
func TestBorrowing(t *testing.T) {
	rows := made(130)
	var old State
	old.take(rows[:100*72], quay)
	require.GreaterOrEqual(t, old.Seen, ownNights)
	require.Equal(t, Own, old.basis())
	require.Nil(t, Lend(OfSite, nil))
	require.Nil(t, Lend(OfSite, []*State{{Seen: ownNights - 1}}))
	lent := Lend(OfSite, []*State{&old, &old, {}})
	require.InDelta(t, old.Fit[evening].W[0][1][2], lent.W[evening][0][1][2], 1e-4)

	var fresh, helped State
	helped.Borrowed = lent
	fresh.take(rows[100*72:], quay)
	helped.take(rows[100*72:], quay)
	require.Equal(t, Climate, fresh.Told[0].Basis)
	require.Equal(t, OfSite, helped.Told[0].Basis)
	brier := func(s *State) float64 {
		y := score(t, s.Nights, false)
		return y.brier(y.p, 0, len(s.Nights))
	}
	require.Less(t, brier(&helped), brier(&fresh))
}

// A forecast of the air, wrong by 1.5 K and 1 K, makes the outlook better on each
// coast, and nothing of it is used before it was issued.
func TestForecastImproves(t *testing.T) {
	for _, s := range realSeries(t)[:2] {
		r := rand.New(rand.NewPCG(1, 2))
		plain := s.run(true)
		var with State
		asked := 0
		with.Sky = func(issued, from, to unit.Instant) *Sky {
			least := math.Inf(1)
			offTemp, offDew := 1.5*r.NormFloat64(), r.NormFloat64()
			for _, a := range s.rows {
				if a.at >= from && a.at < to {
					temp := unit.Celsius(a.temp)
					least = min(least, a.temp+offTemp-float64(moistair.DewPoint(temp, unit.Percent(a.rh)))-offDew)
				}
			}
			if asked++; math.IsInf(least, 1) {
				return nil
			}
			require.LessOrEqual(t, issued, from)
			return &Sky{Least: max(0, least)}
		}
		half := s.rows[:len(s.rows)/2]
		for _, a := range half {
			temp, rh := unit.Celsius(a.temp), unit.Percent(a.rh)
			with.Add(a.at, temp, moistair.DewPoint(temp, rh), exposure.Margin(unit.Celsius(a.surface), temp, rh), s.place, 90*time.Minute)
		}
		require.Positive(t, asked)
		require.True(t, with.Told[len(with.Told)-1].Forecast)
		n := len(with.Nights)
		a, b := score(t, plain.Nights[:n], false), score(t, with.Nights, false)
		t.Logf("%s: Brier %.4f without, %.4f with a forecast", s.name, a.brier(a.p, 0, n), b.brier(b.p, 0, n))
		require.Less(t, b.brier(b.p, 0, n), a.brier(a.p, 0, n))
	}
}

// Before any night was seen a forecast counts half: of dry windy air it lowers the
// probability, of damp calm air it raises it.
func TestForecastOfANewStation(t *testing.T) {
	rows := made(3)
	tell := func(sky *Sky) float64 {
		var s State
		s.Sky = func(_, _, _ unit.Instant) *Sky { return sky }
		s.take(rows, quay)
		return s.Nights[0].PCondensing
	}
	one, gale := 1.0, 12.0
	none := tell(nil)
	require.Less(t, tell(&Sky{Least: 9, Cloud: &one, Wind: &gale}), none)
	require.Greater(t, tell(&Sky{Least: 0}), none)
}

func TestScore(t *testing.T) {
	s := NewScore()
	_, ok := s.Skill()
	require.False(t, ok)
	for i := range 10 {
		s.Add(0.7, i < 7)
		s.Add(0.1, i < 1)
	}
	s.Add(1, true)
	require.Equal(t, 21, s.Nights)
	require.Equal(t, 9, s.Wet)
	require.Equal(t, Band{Low: 0.7, High: 0.8, Nights: 10, Foretold: s.Bands[7].Foretold, Wet: 7}, s.Bands[7])
	require.InDelta(t, 0.7, s.Bands[7].Foretold, 1e-12)
	require.Equal(t, 1, s.Bands[9].Wet)
	require.InDelta(t, (10*0.21+10*0.09)/21, s.Brier, 1e-12)
	skill, ok := s.Skill()
	require.True(t, ok)
	require.InDelta(t, 1-s.Brier/(9.0/21*12/21), skill, 1e-12)
}
