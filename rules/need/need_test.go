package need

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/bench"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

var now = unit.At(time.Date(2025, 11, 5, 8, 0, 0, 0, time.UTC))

func lasting(kind finding.Kind) finding.Finding {
	return finding.Finding{Kind: kind, From: now.Add(-5 * 24 * time.Hour), Concluded: now, Confidence: 1}
}

func TestASoundStationThatIsHeardCostsNothing(t *testing.T) {
	n := Of(&Station{Now: now})
	require.Zero(t, n.LossH)
	require.NotNil(t, n.Terms)
	require.Empty(t, n.Terms)
}

// A finding's terms by hand: the table times the season, and the costs.
func TestWaterByHand(t *testing.T) {
	s := &Station{Now: now, Findings: []finding.Finding{lasting(finding.WaterInside)}, Season: 1.5, Grade: "b", BoardOut: Scarcity{Known: true, Irreplaceable: true, Free: 1}}
	n := Of(s)
	require.Len(t, n.Terms, 2)
	board := 6 + 0.9*(18-6) // 6 h × (1 + 4/2) = 18 h, of a board of grade b
	require.InDelta(t, 0.25*1.5*5+0.06*1.5*board, n.LossH, 1e-12)
	require.InDelta(t, (0.25*1.5*5+0.06*1.5*board)/2, n.LowH, 1e-12)
	require.InDelta(t, (0.25*1.5*5+0.06*1.5*board)*2, n.HighH, 1e-12)
	require.Equal(t, FaultWorsens, n.Terms[0].What, "the largest first")
	require.Equal(t, "There is water in the box, for 5 days (confidence 100 %). The coming weeks are 1.5 times as wet as the year.", n.Terms[0].Why)
	s.Findings[0].Confidence = 0
	require.InDelta(t, 0.3*n.LossH, Of(s).LossH, 1e-12, "what nobody is sure of counts less")
}

func TestTheFewerAreLeftTheMoreItCosts(t *testing.T) {
	loss := func(s Scarcity) float64 {
		return Of(&Station{Now: now, Findings: []finding.Finding{lasting(finding.LeakageRising)}, BoardOut: s}).LossH
	}
	bought := loss(Scarcity{Known: true})
	none, one, many := loss(Scarcity{Known: true, Irreplaceable: true}), loss(Scarcity{Known: true, Irreplaceable: true, Free: 1}), loss(Scarcity{Known: true, Irreplaceable: true, Free: 9})
	require.Greater(t, none, one)
	require.Greater(t, one, many)
	require.Greater(t, many, bought)
	require.Greater(t, loss(Scarcity{}), bought, "what nobody knows counts as scarce")
}

func TestABoardsLifeEndsAsTheLogNormalSays(t *testing.T) {
	// Budget log-normal about one, σ 0.5, half of it used: Φ(ln 0.5/0.5) = 0.08283 before,
	// Φ(ln 0.51/0.5) = 0.08904 after; tables of the normal distribution.
	require.InDelta(t, (0.08904-0.08283)/(1-0.08283), endsWithin(0.5, 0.01, 0.5), 2e-5)
	require.Zero(t, endsWithin(0, 0.01, 0.5))
	require.Equal(t, 0.2, endsWithin(40, 0.01, 0.5), "far beyond what boards last")
	s := &Station{Now: now, Board: life.Board{Known: true, Fraction: 0.9, Low: 0.6, High: 1.3}, BoardUse: 0.01}
	n := Of(s)
	require.Len(t, n.Terms, 1)
	term := n.Terms[0]
	require.Equal(t, "board_life", term.From)
	require.Less(t, term.Low, term.Chance)
	require.Greater(t, term.High, term.Chance)
	require.Equal(t, "About 90 % of the board's life is used (60 to 130 %), and a week takes 1.00 %.", term.Why)
	s.Board.Known = false
	require.Empty(t, Of(s).Terms)
}

func TestACoversChance(t *testing.T) {
	s := &Station{Now: now, Cover: life.Cover{Age: 11, Chance: 0.1, Ahead: 0.2, Week: 0.0045}}
	n := Of(s)
	require.Len(t, n.Terms, 1)
	require.InDelta(t, 0.0045*0.25, n.Terms[0].Chance, 1e-12)
	old := n.LossH
	s.Cover.Chance, s.Cover.Ahead = 1, 1
	require.Equal(t, n, Of(s), "however surely it should have cracked")
	s.Cover.Condition = "crazed"
	require.InDelta(t, 3*old, Of(s).LossH, 1e-9)
	s.Cover = life.Cover{Condition: "crazed", Missing: []string{"cover_new"}}
	require.NotEmpty(t, Of(s).Terms, "also where its age is not known")
	s.Cover = life.Cover{Missing: []string{"cover_new"}}
	require.Empty(t, Of(s).Terms)
	s.Cover = life.Cover{Cracked: true}
	require.Greater(t, Of(s).LossH, old)
}

func TestWhatNobodySees(t *testing.T) {
	loss := func(silent time.Duration) Need { return Of(&Station{Now: now, Silent: silent}) }
	require.Empty(t, loss(13*24*time.Hour).Terms)
	require.Contains(t, loss(90 * 24 * time.Hour).Terms[0].Why, "Nothing was heard for 3 months")
	require.Contains(t, loss(-1).Terms[0].Why, "no sensor")
}

// A need is the sum of its terms, is never negative, has its range about it, and
// grows with each trouble and with a wetter season.
func TestNeedsAreSums(t *testing.T) {
	kinds := []finding.Kind{"new_kind", finding.CoverDue}
	for kind := range ofFinding {
		kinds = append(kinds, kind)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := &Station{Now: now, Season: rapid.Float64Range(0.5, 2).Draw(t, "season"), Silent: time.Duration(rapid.IntRange(-1, 1).Draw(t, "silent")) * 30 * 24 * time.Hour}
		for range rapid.IntRange(0, 4).Draw(t, "findings") {
			s.Findings = append(s.Findings, lasting(rapid.SampledFrom(kinds).Draw(t, "kind")))
		}
		for range rapid.IntRange(0, 3).Draw(t, "symptoms") {
			s.Symptoms = append(s.Symptoms, Symptom{Kind: rapid.SampledFrom(bench.Symptoms).Draw(t, "symptom"), Since: now})
		}
		s.Cover = life.Cover{Age: 8, Week: rapid.Float64Range(0, 1).Draw(t, "week"), Cracked: rapid.Bool().Draw(t, "cracked")}
		fraction := rapid.Float64Range(0, 5).Draw(t, "fraction")
		s.Board, s.BoardUse = life.Board{Known: true, Fraction: fraction, Low: fraction / 2, High: 2 * fraction}, rapid.Float64Range(0, 0.2).Draw(t, "use")
		n := Of(s)
		sum := 0.0
		for i, term := range n.Terms {
			sum += term.LossH
			if term.Chance < 0 || term.Chance > 1 || term.Low > term.Chance+1e-12 || term.High < term.Chance-1e-12 || term.Why == "" || i > 0 && term.LossH > n.Terms[i-1].LossH {
				t.Fatalf("term %+v", term)
			}
		}
		if math.Abs(sum-n.LossH) > 1e-9 || n.LowH > n.LossH+1e-9 || n.HighH < n.LossH-1e-9 || math.IsNaN(sum) {
			t.Fatalf("%g of %+v", sum, n)
		}
		more := *s
		more.Findings = append([]finding.Finding{lasting(finding.WaterInside)}, s.Findings...)
		if Of(&more).LossH <= n.LossH {
			t.Fatal("water costs nothing")
		}
		more = *s
		more.Season *= 1.5
		if Of(&more).LossH < n.LossH-1e-9 {
			t.Fatal("a wetter season costs less")
		}
	})
}

func TestSeasonByTheMonthsOfThePast(t *testing.T) {
	var months [12]Month
	at := time.Date(2025, 11, 1, 0, 0, 0, 0, time.UTC)
	require.Equal(t, 1.0, Season(&months, at), "nothing is known")
	for m := range months {
		months[m] = Month{Dose: 72, KnownH: 720}
	}
	require.InDelta(t, 1, Season(&months, at), 1e-12)
	months[10].Dose = 144 // November
	require.InDelta(t, 0.2/(1.3/12), Season(&months, at), 1e-12)
	require.Equal(t, 2.0, Season(&[12]Month{10: {720, 720}, 0: {1, 720}, 1: {1, 720}, 2: {1, 720}}, at), "not more than twice")
	months[10].KnownH = 71
	require.Equal(t, 1.0, Season(&months, at), "too little of November is known")
}

func TestWhatIsToBeDone(t *testing.T) {
	j := JobOf(&Station{})
	require.Equal(t, Job{Minutes: 20}, j)
	j = JobOf(&Station{Findings: []finding.Finding{lasting(finding.LeakageRising)}, Symptoms: []Symptom{{Kind: "ghost-calls"}, {Kind: "other"}}})
	require.True(t, j.Opens && j.Coats)
	require.Equal(t, []string{"coating", "board", "keypad", "gasket"}, j.Classes)
	require.Greater(t, j.Minutes, 60)
	j = JobOf(&Station{Cover: life.Cover{Cracked: true}, Findings: []finding.Finding{lasting(finding.BudgetLow)}})
	require.Equal(t, []string{"cover", "board"}, j.Needed)
	for kind := range ofFinding {
		_, ok := workOf[string(kind)]
		require.True(t, ok, kind)
	}
	for kind := range ofSymptom {
		_, ok := workOf[string(kind)]
		require.True(t, ok, kind)
	}
}

func TestHowToReachIt(t *testing.T) {
	with := func(kinds ...finding.Kind) *Station {
		s := &Station{}
		for _, k := range kinds {
			s.Findings = append(s.Findings, lasting(k))
		}
		return s
	}
	said := func(kinds ...bench.Symptom) *Station {
		s := &Station{}
		for _, k := range kinds {
			s.Symptoms = append(s.Symptoms, Symptom{Kind: k})
		}
		return s
	}
	photographed := func(s *Station, ago time.Duration) *Station {
		s.Now, s.Photos = now, now.Add(-ago)
		return s
	}
	near, far := Reach{Place: true, OneWay: 20 * time.Minute}, Reach{Post: true}
	loan := func(r Reach) Reach { r.Loan = true; return r }
	for _, c := range []struct {
		s    *Station
		r    Reach
		kind bench.Kind
		loan bool
		says string
	}{
		{with(), far, bench.Photos, false, "nothing is known to be broken"},
		{with(finding.CoverDue), far, bench.Photos, false, "photos of cover"},
		{with(finding.Silent), near, bench.Photos, false, "Only its readings are missing"},
		{said("other"), far, bench.Photos, false, "nobody said what exactly"},
		{said("other"), near, bench.OnSite, false, "20 minutes"},
		{said("dark-lamp"), far, bench.LocalInstaller, false, "parts by post"},
		{said("dark-lamp", "hum"), far, bench.SendIn, false, "the bench"},
		{photographed(with(finding.CoverDue), 26*time.Hour), far, bench.Photos, false, "Photos came a day ago: look at them"},
		{photographed(with(), time.Hour), far, bench.Photos, false, "Photos came today"},
		{photographed(with(finding.CoverDue), 61*24*time.Hour), far, bench.Photos, false, "photos of cover"},
		{with(finding.LeakageRising), far, bench.SendIn, false, "no loan unit is free"},
		{with(finding.LeakageRising), loan(far), bench.SendIn, true, "hangs there meanwhile"},
		{with(finding.WaterInside), Reach{Place: true, OneWay: 3 * time.Hour, Farther: true}, bench.SendIn, false, "the bench"},
		{with(finding.SealOpened), far, bench.LocalInstaller, false, "parts by post"},
		{with(finding.LeakageRising), near, bench.OnSite, false, "two visits"},
		{with(finding.LeakageRising), loan(near), bench.OnSite, true, "in one visit"},
		{with(finding.SealOpened), near, bench.OnSite, false, "20 minutes away"},
		{with(finding.SealOpened), Reach{}, bench.OnSite, false, "Nobody recorded where its site lies"},
		{with(finding.SealOpened), Reach{Place: true, NoStart: true}, bench.OnSite, false, "where the workshop is; put it into the settings lat and lon"},
		{with(finding.SealOpened), Reach{Place: true}, bench.OnSite, false, "within driving range"},
	} {
		v := Suggest(c.s, JobOf(c.s), c.r)
		require.Equal(t, c.kind, v.Kind, "%+v", v)
		require.Equal(t, c.loan, v.Loan, "%+v", v)
		require.Contains(t, v.Why, c.says)
	}
}

func TestHowLongIsSaidInWords(t *testing.T) {
	for d, want := range map[time.Duration]string{time.Hour: "less than a day", 26 * time.Hour: "a day", 5 * 24 * time.Hour: "5 days", 100 * 24 * time.Hour: "3 months"} {
		require.Equal(t, want, days(d))
	}
	require.Contains(t, seasonWords(0.6), "so it counts less")
	require.Equal(t, "It was found: new_kind, for 5 days (confidence 100 %).", findingWhy(&finding.Finding{Kind: "new_kind", From: now.Add(-5 * 24 * time.Hour), Confidence: 1}, now))
	require.Equal(t, "Somebody reported hum on 5 November 2025.", symptomWhy(&Symptom{Kind: "hum", Since: now}))
}
