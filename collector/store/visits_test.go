package store

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

func init() {
	also("Visits", testVisits)
	also("VisitsGoOn", testVisitsGoOn)
	also("VisitQuery", testVisitQuery)
	also("VisitIsWhole", testVisitIsWhole)
	also("VisitsAtOnce", testVisitsAtOnce)
	also("VisitSymptoms", testVisitSymptoms)
	also("LastCard", testLastCard)
}

func ptr[T any](v T) *T { return &v }

// wrote is who wrote it down in these tests.
func wrote(at unit.Instant) record.Entry { return record.Entry{Author: "Ida", Recorded: at} }

// fullVisit is a new visit with something of everything, to a store of
// newWorkshop with a lot of keypads, and a finding board_wet 1 of lake-07.
func fullVisit() record.VisitEntry {
	e := wrote(t0.Add(3 * time.Hour))
	card := bench.Card{Keys: bench.Row{There: ptr(3), Good: []int{1, 2}, Bad: []int{3}}, Address: "7", StandbyMA: ptr(12.5), TalkOut: bench.Good, Closed: t0}
	return record.VisitEntry{
		Entry: e,
		Visit: record.Visit{Station: "lake-07", Kind: bench.SendIn, Who: "Ruth", Planned: "2025-11-20", WhyText: "dead key", Why: []record.Cause{{Kind: finding.BoardWet, Number: 1}}},
		Steps: []record.VisitStep{
			{Step: bench.Step{State: bench.Planned, At: t0}, Entry: e},
			{Step: bench.Step{State: bench.OnBench, At: t0.Add(time.Hour)}, Note: "parcel torn\nunit whole", WithoutCard: "why not", Entry: e},
		},
		Findings: []record.VisitFinding{
			{At: t0.Add(time.Hour), Findings: bench.Findings{Moisture: "water", WaterML: ptr(int64(0)), Cover: "cracked", Gasket: "hard", Coating: "whole", Note: "salt", Corrosion: map[string]bench.Corrosion{"board": "none", "keypad": "severe"}}, Entry: e},
			{At: t0.Add(2 * time.Hour), Findings: bench.Findings{Moisture: "dry"}, Entry: e},
		},
		Outcomes: []record.VisitOutcome{{Cause: record.Cause{Kind: finding.BoardWet, Number: 1}, Outcome: bench.PutRight, Reason: "gasket changed", At: t0.Add(2 * time.Hour), Entry: e}},
		Work: []record.VisitWork{
			{Work: bench.Work{Code: bench.Dried, At: t0.Add(time.Hour)}, Note: "40 °C", Entry: e},
			{Work: bench.Work{Code: bench.Recoated, At: t0.Add(2 * time.Hour), Details: map[string]string{"coating": "acrylic", "sides": "both"}}, Entry: e},
		},
		Parts:    []record.PartUse{{Lot: 1, Quantity: 2}, {Lot: 1, Quantity: 1}},
		Photos:   []record.VisitPhoto{{Caption: "as it came", Taken: t0, Type: "image/png", Width: 3, Height: 4, Body: []byte("\x89PNG"), Entry: e}, {Type: "image/jpeg", Width: 1, Height: 1, Body: []byte{0xff}, Entry: e}},
		Jars:     []record.VisitJar{{Begin: t0.Add(time.Hour), End: t0.Add(2 * time.Hour), Inside: "salt, 75 %", Entry: e}, {Begin: t0.Add(3 * time.Hour), Inside: "water", Entry: e}},
		Cards:    []record.VisitCard{{At: t0.Add(time.Hour), Card: card, Result: bench.Judge(&card, bench.Wanted{}), Entry: e}},
		Symptoms: []record.Symptom{{Station: "lake-07", Kind: "dead-key", Note: "the third", ReportedBy: "Ann", Since: "2025-11-01", Entry: e}},
		Facts:    []fact.Fact{stationFact("lake-07", fact.Coating, t0.Add(2*time.Hour), "acrylic")},
	}
}

// newBench is a workshop with keypads on the shelf and a wet board.
func newBench(t *testing.T, e engine) workshop {
	t.Helper()
	w := newWorkshop(t, e)
	stockUp(t, w.Store)
	return w
}

func stockUp(t *testing.T, s *Store) {
	t.Helper()
	_, err := s.ReceivePart(t.Context(), stock.Lot{Kind: "keypad", Condition: stock.Used, Grade: "b", Quantity: 5}, t0, "Ida")
	require.NoError(t, err)
	commit(t, s, seqs("lake-07", runA, 1))
	require.NoError(t, s.CommitFold(t.Context(), fullFold(marks(t, s)[0])))
}

func testVisits(t *testing.T, e engine) {
	ctx := t.Context()
	s := newBench(t, e)
	entry := fullVisit()
	number, err := s.RecordVisit(ctx, entry)
	require.NoError(t, err)
	require.Equal(t, int64(1), number)

	want := record.VisitDetails{
		Visit: entry.Visit, Steps: entry.Steps, Findings: entry.Findings, Outcomes: entry.Outcomes, Work: entry.Work, Photos: entry.Photos,
		Jars: entry.Jars, Cards: entry.Cards, Symptoms: entry.Symptoms,
		Parts: []record.VisitPart{{Lot: 1, Quantity: 2, Kind: "keypad", Entry: entry.Entry}, {Lot: 1, Quantity: 1, Kind: "keypad", Entry: entry.Entry}},
	}
	want.Number, want.State, want.Made, want.Author, want.Version = 1, bench.OnBench, entry.Recorded, "Ida", 1
	want.Began = t0.Add(time.Hour)
	want.Symptoms[0].ID, want.Symptoms[0].Visit = 1, 1
	photos := slices.Clone(entry.Photos)
	for i := range want.Photos {
		p := &want.Photos[i]
		p.ID, p.Size, p.Body = int64(i+1), int64(len(p.Body)), nil
	}
	want.Photos, entry.Photos = slices.Clone(want.Photos), photos
	got, err := s.Visit(ctx, 1)
	require.NoError(t, err)
	require.Equal(t, want, got)
	all, err := s.VisitsOf(ctx, "lake-07")
	require.NoError(t, err)
	require.Equal(t, []record.VisitDetails{want}, all)
	require.Equal(t, map[record.Cause]record.Came{{Kind: finding.BoardWet, Number: 1}: {Visit: 1, VisitOutcome: entry.Outcomes[0]}}, record.OutcomesOf(all))
	list, err := s.Visits(ctx, record.VisitQuery{})
	require.NoError(t, err)
	require.Equal(t, []record.Visit{want.Visit}, list)

	for i, body := range []string{"\x89PNG", "\xff"} {
		p, err := s.VisitPhoto(ctx, 1, int64(i+1))
		require.NoError(t, err)
		want.Photos[i].Body = []byte(body)
		require.Equal(t, want.Photos[i], p)
	}
	for _, no := range [][2]int64{{1, 3}, {2, 1}} {
		_, err = s.VisitPhoto(ctx, no[0], no[1])
		require.ErrorIs(t, err, record.ErrNotFound)
	}
	_, err = s.Visit(ctx, 2)
	require.ErrorIs(t, err, record.ErrNotFound)

	moves, err := s.PartMoves(ctx, "keypad", 0, 9)
	require.NoError(t, err)
	require.Len(t, moves, 3)
	for _, m := range moves[:2] {
		require.Equal(t, int64(1), m.Visit)
		require.Equal(t, "lake-07", m.Station)
	}
	facts, err := s.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: "lake-07"})
	require.NoError(t, err)
	require.Equal(t, fact.Coating, facts[len(facts)-1].Name)
	trail := deeds(t, s)
	require.Contains(t, trail, "Ida: add visit: 1, station lake-07, send-in")
	require.Contains(t, trail, "Ida: record symptom: dead-key of station lake-07")
}

// What is written down later is added behind, and a step in the jar ends.
func testVisitsGoOn(t *testing.T, e engine) {
	ctx := t.Context()
	s := newBench(t, e)
	first := fullVisit()
	_, err := s.RecordVisit(ctx, first)
	require.NoError(t, err)
	had, err := s.Visit(ctx, 1)
	require.NoError(t, err)
	later := record.VisitEntry{
		Entry: record.Entry{Author: "Will", Recorded: t0.Add(9 * time.Hour)}, Visit: had.Visit,
		Steps:    []record.VisitStep{{Step: bench.Step{State: bench.SentBack, At: t0.Add(8 * time.Hour)}}, {Step: bench.Step{State: bench.Done, At: t0.Add(9 * time.Hour)}}},
		Findings: []record.VisitFinding{{At: t0, Findings: bench.Findings{Corrosion: map[string]bench.Corrosion{"lamp": "trace"}}}},
		Work:     []record.VisitWork{{Work: bench.Work{Code: bench.MadeUp, At: t0, Details: map[string]string{"what": "keypad"}}}},
		Jars:     []record.VisitJar{{Begin: t0.Add(3 * time.Hour), End: t0.Add(4 * time.Hour), Inside: "water"}},
	}
	later.Visit.Who, later.Visit.Planned = "Will", ""
	number, err := s.RecordVisit(ctx, later)
	require.NoError(t, err)
	require.Equal(t, int64(1), number)
	got, err := s.Visit(ctx, 1)
	require.NoError(t, err)
	require.Equal(t, []string{"Will", "", "Ida"}, []string{got.Who, got.Planned, got.Author})
	require.Equal(t, bench.Done, got.State)
	require.Equal(t, [2]unit.Instant{t0.Add(time.Hour), t0.Add(9 * time.Hour)}, [2]unit.Instant{got.Began, got.Ended})
	require.Equal(t, int64(2), got.Version)
	require.Len(t, got.Steps, 4)
	require.Equal(t, "Will", got.Steps[3].Author)
	require.Equal(t, map[string]bench.Corrosion{"lamp": "trace"}, got.Findings[2].Corrosion)
	require.Equal(t, had.Findings, got.Findings[:2])
	require.Equal(t, map[string]string{"what": "keypad"}, got.Work[2].Details)
	require.Len(t, got.Jars, 2)
	require.Equal(t, t0.Add(4*time.Hour), got.Jars[1].End)
	require.Contains(t, deeds(t, s), "Will: record visit: 1, station lake-07")

	// One that was planned is called off: it never began.
	planned := record.VisitEntry{Entry: wrote(t0), Visit: record.Visit{Station: "lake-07", Kind: bench.OnSite}, Steps: first.Steps[:1]}
	number, err = s.RecordVisit(ctx, planned)
	require.NoError(t, err)
	require.Equal(t, int64(2), number)
	got, err = s.Visit(ctx, 2)
	require.NoError(t, err)
	require.Zero(t, got.Began)
	require.Zero(t, got.Ended)
	require.Equal(t, bench.Planned, got.State)
}

func testVisitQuery(t *testing.T, e engine) {
	ctx := t.Context()
	s := newBench(t, e)
	seed := rand.Uint64()
	t.Log("seed", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	type made struct {
		station string
		state   bench.State
		when    unit.Instant
	}
	model := []made{{}}
	for range 40 {
		m := made{station: []string{"lake-07", "quay-03"}[rng.IntN(2)], state: []bench.State{bench.Planned, bench.Agreed, bench.UnderWay, bench.Done, bench.CalledOff}[rng.IntN(5)], when: t0}
		v := record.Visit{Station: m.station, Kind: bench.OnSite}
		if rng.IntN(2) == 0 {
			at := time.Date(2025, 12, 1+rng.IntN(9), 0, 0, 0, 0, time.UTC)
			v.Planned, m.when = at.Format(time.DateOnly), unit.At(at)
		}
		began := t0.Add(time.Duration(rng.IntN(9)) * day)
		if m.state == bench.UnderWay || m.state == bench.Done {
			m.when = began
		}
		_, err := s.RecordVisit(ctx, record.VisitEntry{Entry: wrote(t0), Visit: v, Steps: []record.VisitStep{{Step: bench.Step{State: m.state, At: began}}}})
		require.NoError(t, err)
		model = append(model, m)
	}
	for range 60 {
		want := record.VisitQuery{Limit: rng.IntN(9)}
		if rng.IntN(2) == 0 {
			want.Station = "quay-03"
		}
		if rng.IntN(3) == 0 {
			want.State = bench.Done
		}
		want.Open = rng.IntN(3) == 0
		if rng.IntN(2) == 0 {
			want.From, want.To = t0.Add(time.Duration(rng.IntN(9))*day), t0.Add(time.Duration(10+rng.IntN(20))*day)
		}
		if rng.IntN(3) == 0 {
			want.Before = 1 + rng.Int64N(40)
		}
		var numbers []int64
		for n := int64(len(model)) - 1; n > 0; n-- {
			m := model[n]
			if (want.Station == "" || m.station == want.Station) && (want.State == "" || m.state == want.State) && (!want.Open || m.state.Open()) &&
				(want.From == 0 || m.when >= want.From && m.when < want.To) && (want.Before == 0 || n < want.Before) && (want.Limit == 0 || len(numbers) < want.Limit) {
				numbers = append(numbers, n)
			}
		}
		list, err := s.Visits(ctx, want)
		require.NoError(t, err)
		var got []int64
		for _, v := range list {
			got = append(got, v.Number)
		}
		require.Equal(t, numbers, got, "%+v", want)
	}
}

// Whatever can't be written down, the rest isn't either: neither visit nor
// facts nor stock nor trail.
func testVisitIsWhole(t *testing.T, e engine) {
	ctx := t.Context()
	s := newBench(t, e)
	_, err := s.RecordVisit(ctx, fullVisit())
	require.NoError(t, err)
	had, err := s.Visit(ctx, 1)
	require.NoError(t, err)
	before := visitState(t, s)
	for name, c := range map[string]struct {
		change func(*record.VisitEntry)
		want   string
		is     error
	}{
		"too many parts":   {func(v *record.VisitEntry) { v.Parts = []record.PartUse{{Lot: 1, Quantity: 1}, {Lot: 1, Quantity: 2}} }, "parts[1].quantity", nil},
		"the last one":     {func(v *record.VisitEntry) { v.Parts = []record.PartUse{{Lot: 1, Quantity: 2}} }, "parts[0].last_one_confirmed", nil},
		"a lot that isn't": {func(v *record.VisitEntry) { v.Parts[0].Lot = 77 }, "parts[0].lot", nil},
		"a fact that can't": {func(v *record.VisitEntry) {
			v.Facts = append(v.Facts, stationFact("lake-07", fact.Line, t0, "nowhere"))
		}, "nowhere", nil},
		"another's station": {func(v *record.VisitEntry) { v.Visit.Station = "quay-03"; v.Visit.Number = 1 }, "visit 1", record.ErrChanged},
		"no such station":   {func(v *record.VisitEntry) { v.Visit.Station = "nobody" }, "nobody", record.ErrNotFound},
		"changed meanwhile": {func(v *record.VisitEntry) { v.Visit.Number, v.Visit.Version = 1, 0 }, "visit 1", record.ErrChanged},
		"a cause that isn't": {func(v *record.VisitEntry) {
			v.Visit.Why = []record.Cause{{Kind: finding.DampWeek, Number: 9}, {Kind: finding.BoardWet, Number: 1}}
		}, "damp_week/9", nil},
		"an alarm that changed": {func(v *record.VisitEntry) {
			v.Alarms.Occurrences = []alarm.Occurrence{{Station: "lake-07", Number: 1, Finding: finding.Finding{Kind: finding.BoardWet}, State: alarm.Normal, Steps: 99}}
		}, "board_wet", record.ErrChanged},
		"an outcome of nothing": {func(v *record.VisitEntry) { v.Outcomes[0].Number = 9 }, "outcomes \"board_wet/9\"", nil},
		"only tried":            {func(v *record.VisitEntry) { v.Try = true }, "only tried", record.ErrOnlyTried},
		"only tried, go on":     {func(v *record.VisitEntry) { v.Try, v.Visit.Number, v.Visit.Version = true, 1, had.Version }, "only tried", record.ErrOnlyTried},
		"a symptom of no one":   {func(v *record.VisitEntry) { v.Visit.Kind, v.Visit.Station = "", "nobody" }, "nobody", record.ErrNotFound},
	} {
		entry := fullVisit()
		entry.Visit.Why = nil
		entry.Parts = []record.PartUse{{Lot: 1, Quantity: 1}}
		c.change(&entry)
		_, err := s.RecordVisit(ctx, entry)
		require.ErrorContains(t, err, c.want, name)
		if c.is != nil {
			require.ErrorIs(t, err, c.is, name)
		}
		require.Equal(t, before, visitState(t, s), name)
	}
	db := e.raw(t, s.where)
	for _, table := range []string{"visit_photo", "visit_outcome", "visit_card", "fact", "symptom", "audit", "part_move"} {
		exec(t, db, fmt.Sprintf(e.breakInserts, table))
		entry := fullVisit()
		entry.Parts = []record.PartUse{{Lot: 1, Quantity: 1}}
		_, err := s.RecordVisit(ctx, entry)
		require.Error(t, err, table)
		exec(t, db, e.repair)
		require.Equal(t, before, visitState(t, s), table)
	}
}

// visitState is all that a visit can change, as text.
func visitState(t *testing.T, s workshop) string {
	t.Helper()
	ctx := t.Context()
	visits, err := s.VisitsOf(ctx, "lake-07")
	require.NoError(t, err)
	facts, err := s.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: "lake-07"})
	require.NoError(t, err)
	moves, err := s.PartMoves(ctx, "keypad", 0, 99)
	require.NoError(t, err)
	symptoms, err := s.Symptoms(ctx, "lake-07")
	require.NoError(t, err)
	text, err := json.Marshal([]any{visits, facts, moves, symptoms, deeds(t, s)})
	require.NoError(t, err)
	return string(text)
}

// Of two who write at once on what they saw before, one is told.
func testVisitsAtOnce(t *testing.T, e engine) {
	ctx := t.Context()
	s := newBench(t, e)
	_, err := s.RecordVisit(ctx, fullVisit())
	require.NoError(t, err)
	had, err := s.Visit(ctx, 1)
	require.NoError(t, err)
	other := e.openAt(t, s.where).(*Store)
	errs := make(chan error, 2)
	for _, st := range []*Store{s.Store, other} {
		go func() {
			_, err := st.RecordVisit(ctx, record.VisitEntry{Entry: wrote(t0), Visit: had.Visit, Steps: []record.VisitStep{{Step: bench.Step{State: bench.SentBack, At: t0}}}})
			errs <- err
		}()
	}
	a, b := <-errs, <-errs
	if a == nil {
		a, b = b, a
	}
	require.NoError(t, b)
	require.ErrorIs(t, a, record.ErrChanged)
	got, err := s.Visit(ctx, 1)
	require.NoError(t, err)
	require.Len(t, got.Steps, len(had.Steps)+1)
}

func testVisitSymptoms(t *testing.T, e engine) {
	ctx := t.Context()
	s := newBench(t, e)
	for i, kind := range []bench.Symptom{"hum", "no-ring"} {
		number, err := s.RecordVisit(ctx, record.VisitEntry{
			Entry: wrote(t0.Add(time.Duration(i))), Visit: record.Visit{Station: "lake-07"},
			Symptoms: []record.Symptom{{Station: "lake-07", Kind: kind}},
		})
		require.NoError(t, err)
		require.Zero(t, number)
	}
	got, err := s.Symptoms(ctx, "lake-07")
	require.NoError(t, err)
	require.Equal(t, []record.Symptom{
		{ID: 2, Station: "lake-07", Kind: "no-ring", Entry: wrote(t0 + 1)}, {ID: 1, Station: "lake-07", Kind: "hum", Entry: wrote(t0)},
	}, got)
	got, err = s.Symptoms(ctx, "quay-03")
	require.NoError(t, err)
	require.Empty(t, got)
	list, err := s.Visits(ctx, record.VisitQuery{})
	require.NoError(t, err)
	require.Empty(t, list)
}

func testLastCard(t *testing.T, e engine) {
	ctx := t.Context()
	s := newBench(t, e)
	keys := func(station, model string) int {
		c, err := s.LastCard(ctx, station, model)
		require.NoError(t, err)
		if c == nil {
			return 0
		}
		return *c.Card.Keys.There
	}
	require.Zero(t, keys("lake-07", "L8"))
	for n, station := range []string{"lake-07", "lake-07", "quay-03"} {
		_, err := s.RecordVisit(ctx, record.VisitEntry{
			Entry: wrote(t0.Add(time.Duration(n))), Visit: record.Visit{Station: station, Kind: bench.SendIn},
			Cards: []record.VisitCard{{At: t0, Card: bench.Card{Keys: bench.Row{There: ptr(n + 1)}}}},
		})
		require.NoError(t, err)
	}
	require.Equal(t, 2, keys("lake-07", ""))
	require.Equal(t, 3, keys("quay-03", ""))
	require.Zero(t, keys("spare", ""))
	require.Zero(t, keys("spare", "L8"), "nothing is called so")
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{stationFact("lake-07", fact.Model, t0, "L8")}))
	require.Equal(t, 2, keys("spare", "L8"), "as the model has")
	require.Equal(t, 3, keys("quay-03", "L8"), "its own comes first")
}

// What is damaged is an error and not another visit.
func TestDamagedVisits(t *testing.T) {
	ctx := t.Context()
	s := newBench(t, sqliteEngine)
	_, err := s.RecordVisit(ctx, fullVisit())
	require.NoError(t, err)
	db := sqliteEngine.raw(t, s.where)
	exec(t, db, `update visit_card set body = '{'`)
	_, err = s.Visit(ctx, 1)
	require.ErrorContains(t, err, "test card")
	_, err = s.LastCard(ctx, "lake-07", "")
	require.ErrorContains(t, err, "test card")
	exec(t, db, `delete from visit_card`)
	exec(t, db, `update visit_detail set n = 3`)
	_, err = s.VisitsOf(ctx, "lake-07")
	require.ErrorContains(t, err, "belongs to no work")
	exec(t, db, `update visit_detail set n = 2`)
	_, err = s.Visit(ctx, 1)
	require.NoError(t, err)
	exec(t, db, `update visit_corrosion set n = 0`)
	_, err = s.Visit(ctx, 1)
	require.ErrorContains(t, err, "belongs to no finding")
}

// TestEveryStepOfVisitsFails does with visits what TestEveryStepFails does
// with the rest.
func TestEveryStepOfVisitsFails(t *testing.T) {
	from := filepath.Join(t.TempDir(), "template.db")
	ctx := t.Context()
	s, err := Open(ctx, from)
	require.NoError(t, err)
	for _, id := range []string{"lake-07", "quay-03", "spare"} {
		enrol(t, s, id)
	}
	furnish(t, s)
	require.NoError(t, s.PutPartKind(ctx, stock.Kind{ID: "keypad", Unit: stock.Piece, Fits: []string{}}, false, t0, "Ida"))
	stockUp(t, s)
	_, err = s.RecordVisit(ctx, fullVisit())
	require.NoError(t, err)
	had, err := s.Visit(ctx, 1)
	require.NoError(t, err)
	require.NoError(t, s.AddCalendarLink(ctx, record.CalendarLink{Name: "Phone", Author: "ann", Made: t0}, []byte("h1")))
	require.NoError(t, s.Close())
	withFaults(t)
	more := fullVisit()
	more.Form = aForm
	more.Parts = more.Parts[1:]
	again := record.VisitEntry{Entry: wrote(t0), Visit: had.Visit, Jars: []record.VisitJar{{Begin: had.Jars[1].Begin, End: t0.Add(5 * time.Hour)}}}
	methods := map[string]func(*Store) error{
		"RecordVisit":       func(s *Store) error { _, err := s.RecordVisit(ctx, more); return err },
		"RecordVisit again": func(s *Store) error { _, err := s.RecordVisit(ctx, again); return err },
		"Visit":             func(s *Store) error { _, err := s.Visit(ctx, 1); return err },
		"Visits":            func(s *Store) error { _, err := s.Visits(ctx, record.VisitQuery{}); return err },
		"VisitsOf":          func(s *Store) error { _, err := s.VisitsOf(ctx, "lake-07"); return err },
		"VisitPhoto":        func(s *Store) error { _, err := s.VisitPhoto(ctx, 1, 1); return err },
		"LastCard":          func(s *Store) error { _, err := s.LastCard(ctx, "quay-03", "L8"); return err },
		"Symptoms":          func(s *Store) error { _, err := s.Symptoms(ctx, "lake-07"); return err },
		"FormVisit":         func(s *Store) error { _, err := s.FormVisit(ctx, aForm); return err },
	}
	maps.Copy(methods, calendarSteps(ctx))
	for name, method := range methods {
		t.Run(name, func(t *testing.T) {
			s, err := Open(ctx, copyStore(t, from))
			require.NoError(t, err)
			defer func() { require.NoError(t, s.Close()) }()
			before := dump(t, s)
			require.NoError(t, method(s))
			after := dump(t, s)
			plan.column = -1
			for _, how := range []manner{refuses, lies, dies, garbles} {
				everyStepFails(t, from, how, before, after, method)
			}
		})
	}
}
