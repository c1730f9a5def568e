package books_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/receipt"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// rounds is a shop that goes on rounds, at the lake.
type rounds struct {
	*shop
	*books.Planner
}

func newRounds(t *testing.T) *rounds {
	t.Helper()
	s := newShop(t)
	p := books.NewPlanner(s.store)
	t.Cleanup(p.Close)
	return &rounds{s, p}
}

// found records a finding that lasts.
func found(t *testing.T, st *store.Store, station string, kind finding.Kind, at unit.Instant) {
	t.Helper()
	f := finding.Finding{Kind: kind, From: at - 5*86400e9, Concluded: at, Confidence: 0.9}
	require.NoError(t, st.CommitFold(t.Context(), record.Folded{
		Mark:        record.Mark{Station: station},
		Occurrences: []alarm.Occurrence{{Station: station, Number: 1, Finding: f, State: alarm.Unacknowledged}},
	}))
}

func (r *rounds) site(id string, pairs ...string) {
	r.say(fact.Subject{Kind: fact.KindSite, ID: id}, pairs...)
}

func (r *rounds) station(id, site string) {
	r.t.Helper()
	secret, err := receipt.NewSecret([]byte(fmt.Sprintf("%-32s", id)))
	require.NoError(r.t, err)
	require.NoError(r.t, r.store.AddStation(r.t.Context(), record.Station{ID: id, Secret: secret, Enrolled: r.now - 1}, "test"))
	if site != "" {
		r.say(fact.Subject{Kind: fact.KindStation, ID: id}, fact.Site, site)
	}
}

func (r *rounds) settle(pairs ...string) error {
	change := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		change[pairs[i]] = pairs[i+1]
	}
	return r.Settle(r.t.Context(), change, r.now, "Will")
}

func (r *rounds) plan(asked books.RoundAsked) (*books.RoundPlan, error) {
	return r.Round(r.t.Context(), asked, r.now, nil)
}

func needOf(t *testing.T, list []books.StationNeed, id string) books.StationNeed {
	t.Helper()
	for _, n := range list {
		if n.Station == id {
			return n
		}
	}
	t.Fatalf("no need of %s", id)
	return books.StationNeed{}
}

func TestNeedsAreSumsThatSayWhy(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	shelf := books.NewParts(r.store)
	require.NoError(t, shelf.PutKind(ctx, stock.Kind{ID: "cover", Name: "Cover", Class: "cover", Unit: stock.Piece, Irreplaceable: true}, false, r.now, "Will"))
	require.NoError(t, shelf.PutKind(ctx, stock.Kind{ID: "board", Name: "Board", Class: "board", Unit: stock.Piece, Irreplaceable: true}, false, r.now, "Will"))
	_, err := shelf.Receive(ctx, stock.Lot{Kind: "cover", Condition: stock.Used, Grade: "b", Quantity: 1}, r.now, "Will")
	require.NoError(t, err)
	_, err = shelf.Reserve(ctx, stock.Reservation{Kind: "cover", Quantity: 1, Grade: "d", Station: "lake-07", Made: r.now}, "Will")
	require.NoError(t, err)
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	r.say(fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, fact.CoverCondition, "cracked", fact.BoardGrade, "a")
	r.record(`{"station":"lake-07","kind":"on-site","planned":"2025-05-22"}`)
	r.record(`{"station":"lake-07","symptoms":[{"kind":"ghost-calls"}]}`)
	found(t, r.store, "lake-07", finding.WaterInside, r.now)
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	require.NoError(t, r.Wish(ctx, "spare", "in", "", "look at it", r.now, "Will"))

	list, err := r.Needs(ctx, r.now)
	require.NoError(t, err)
	require.Len(t, list, 2)
	n := list[0]
	require.Equal(t, "lake-07", n.Station)
	sum := 0.0
	from := map[string]bool{}
	for _, term := range n.Terms {
		require.InDelta(t, term.Chance*term.CostH, term.LossH, 1e-12)
		require.NotEmpty(t, term.Why)
		sum += term.LossH
		from[term.From] = true
	}
	require.InDelta(t, sum, n.LossH, 1e-12)
	require.Less(t, n.LowH, n.LossH)
	require.Greater(t, n.HighH, n.LossH)
	require.Equal(t, map[string]bool{"water_inside": true, "ghost-calls": true, "cover_age": true, "unseen": true}, from)
	require.True(t, n.Dry)
	var cover books.PartToLoad
	for _, p := range n.Parts {
		if p.Class == "cover" {
			cover = p
		}
	}
	require.Equal(t, books.PartToLoad{Class: "cover", Kind: "cover", Name: "Cover", Unit: "piece", Irreplaceable: true, Needed: true, Held: 1}, cover)
	require.Equal(t, bench.OnSite, n.Suggest.Kind)
	require.NotNil(t, n.DriveMin)
	require.InDelta(t, 60*1.3*12.9/55, *n.DriveMin, 0.5)
	require.Len(t, n.Open, 1)

	spare := needOf(t, list, "spare")
	require.Equal(t, "in", spare.Wish)
	require.Contains(t, spare.Missing, fact.Site)
	again, err := r.Needs(ctx, r.now)
	require.NoError(t, err)
	require.Equal(t, list, again, "what is kept of clocks gives the same")

	r.site("lake", fact.Reach, "post")
	list, err = r.Needs(ctx, r.now)
	require.NoError(t, err)
	require.Equal(t, bench.SendIn, needOf(t, list, "lake-07").Suggest.Kind)
}

// The hours of a site are by its own clock, a round's by the workshop's.
func TestRoundsKeepASitesClock(t *testing.T) {
	r := newRounds(t)
	require.NoError(t, r.settle("lat", "61.4", "lon", "23.7", "zone", "Europe/Berlin"))
	r.site("lake", fact.Lat, "61.5", fact.Lon, "23.8", fact.Zone, "Europe/Helsinki", fact.LetIn, "mo-fr 13:00-16:00")
	found(t, r.store, "lake-07", finding.WaterInside, r.now)
	plan, err := r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 1, Seed: 1})
	require.NoError(t, err)
	require.Len(t, plan.Days, 1)
	require.Len(t, plan.Days[0].Visits, 1)
	require.Equal(t, "12:00", plan.Days[0].Visits[0].Begin, "13:00 in Helsinki")

	// As long as nobody says where the workshop's clock is, it is where the sites are.
	require.NoError(t, r.settle("zone", ""))
	plan, err = r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 1, Seed: 1})
	require.NoError(t, err)
	require.Equal(t, "13:00", plan.Days[0].Visits[0].Begin)
	said, err := r.Said(t.Context())
	require.NoError(t, err)
	require.Equal(t, books.SettingShown{Name: "zone", Value: "Europe/Helsinki", Usual: true, Says: said.Settings[2].Says}, said.Settings[2])
}

func TestRoundsArePlannedAroundWishes(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	_, err := r.plan(books.RoundAsked{})
	wrongPart(t, err, "lat", "")
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0", "zone", "CET"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1", fact.LetIn, "mo-we 10:00-13:00")
	r.site("quay", fact.Lat, "54.25", fact.Lon, "10.15")
	r.site("far", fact.Lat, "48", fact.Lon, "10")
	r.site("nowhere", fact.Name, "Nowhere")
	for id, site := range map[string]string{"lake-08": "lake", "quay-01": "quay", "far-01": "far", "lost-01": "nowhere"} {
		r.station(id, site)
	}
	for _, id := range []string{"lake-07", "lake-08", "quay-01"} {
		found(t, r.store, id, finding.WaterInside, r.now)
	}
	asked := books.RoundAsked{First: "2025-05-21", Weeks: 1, Seed: 1}
	plan, err := r.plan(asked)
	require.NoError(t, err)
	require.True(t, plan.Exact)
	require.Len(t, plan.Days, 1, "three that lie near one another are one day")
	d := plan.Days[0]
	require.Equal(t, "2025-05-21", d.Day, "as waiting costs")
	require.Len(t, d.Visits, 3)
	require.Less(t, d.Leave, d.Visits[0].Begin)
	for _, v := range d.Visits {
		if v.Site == "lake" {
			require.GreaterOrEqual(t, v.Begin, "10:00")
			require.LessOrEqual(t, v.End, "13:10")
		}
		require.Contains(t, v.Why, "Waiting costs")
	}
	left := map[string]books.RoundLeft{}
	for _, l := range plan.Left {
		left[l.Station] = l
		require.NotEmpty(t, l.Why)
	}
	require.Equal(t, "range", left["far-01"].Because)
	require.Equal(t, "no place", left["lost-01"].Because)
	require.Equal(t, "no site", left["spare"].Because)

	// A person pins, drops and moves.
	require.NoError(t, r.Wish(ctx, "quay-01", "on", "2025-05-26", "", r.now, "Will"))
	require.NoError(t, r.Wish(ctx, "lake-08", "out", "", "they are away", r.now, "Will"))
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Len(t, plan.Days, 2, "%v", plan.Left)
	require.Equal(t, "quay-01", plan.Days[1].Visits[0].Station)
	require.Equal(t, "2025-05-26", plan.Days[1].Day)
	require.Contains(t, plan.Days[1].Visits[0].Why, "A person wants it on this day.")
	require.NoError(t, r.Wish(ctx, "quay-01", "on", "2025-05-25", "", r.now, "Will"))
	_, err = r.plan(asked)
	wrongPart(t, err, "day", "2025-05-25") // a Sunday
	require.NoError(t, r.Wish(ctx, "quay-01", "", "", "", r.now, "Will"))
	require.NoError(t, r.Wish(ctx, "lost-01", "in", "", "", r.now, "Will"))
	_, err = r.plan(asked)
	wrongPart(t, err, "station", "lost-01")
	require.NoError(t, r.Wish(ctx, "lost-01", "", "", "", r.now, "Will"))

	// What is booked stays, and what can't be kept is said.
	_, err = r.Book(ctx, books.BookingSaid{Day: "2025-05-21", From: "08:00", To: "16:30", Site: "quay", Note: "meter"}, r.now, "Will")
	require.NoError(t, err)
	_, err = r.plan(asked)
	wrongPart(t, err, "booking 1", "2025-05-21 08:00") // nobody can be there at eight
}

func TestWhatIsBookedIsKeptOrSaid(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0", "people", "Ida, Will"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	book := func(said books.BookingSaid) error { _, err := r.Book(ctx, said, r.now, "Will"); return err }
	wrongPart(t, book(books.BookingSaid{Day: "soon", From: "08:00", To: "09:00"}), "day", "soon")
	wrongPart(t, book(books.BookingSaid{Day: "2025-05-21", From: "8", To: "09:00"}), "from", "8")
	wrongPart(t, book(books.BookingSaid{Day: "2025-05-21", From: "10:00", To: "09:00"}), "to", "09:00")
	wrongPart(t, book(books.BookingSaid{Day: "2025-05-21", From: "10:00", To: "11:00", Site: "moon"}), "site", "moon")
	wrongPart(t, book(books.BookingSaid{Day: "2025-05-21", From: "10:00", To: "11:00", Person: "Eve"}), "person", "Eve")
	wrongPart(t, book(books.BookingSaid{Day: "2025-05-21", From: "10:00", To: "11:00", Note: "\x00"}), "note", "\x00")
	require.NoError(t, book(books.BookingSaid{Day: "2025-05-21", From: "10:00", To: "11:00", Person: "Ida"}))
	wrongPart(t, book(books.BookingSaid{Day: "2025-05-21", From: "10:30", To: "11:30"}), "from", "2025-05-21 10:30")
	require.NoError(t, book(books.BookingSaid{Day: "2025-05-21", From: "10:30", To: "11:30", Person: "Will", Site: "lake"}))
	asked := books.RoundAsked{First: "2025-05-21", Weeks: 1}
	plan, err := r.plan(asked)
	require.NoError(t, err)
	require.Len(t, plan.Days, 2)
	require.Equal(t, []string{"Ida", "Will"}, []string{plan.Days[0].Who, plan.Days[1].Who})
	require.Equal(t, "10:30", plan.Days[1].Visits[0].Begin)

	require.NoError(t, book(books.BookingSaid{Day: "2025-05-21", From: "11:31", To: "12:00", Person: "Will"}))
	_, err = r.plan(asked)
	var said books.Error
	require.ErrorAs(t, err, &said)
	require.Contains(t, []string{"booking 2", "booking 3"}, said.Field)
	wrongPart(t, r.Unbook(ctx, 99, r.now, "Will"), "booking", "99")
	require.NoError(t, r.Unbook(ctx, 3, r.now, "Will"))
	require.NoError(t, book(books.BookingSaid{Day: "2025-05-22", From: "05:00", To: "06:00"}))
	_, err = r.plan(asked)
	wrongPart(t, err, "booking 3", "2025-05-22 05:00-06:00")
	require.NoError(t, r.Unbook(ctx, 3, r.now, "Will"))
	require.NoError(t, book(books.BookingSaid{Day: "2025-05-22", From: "09:00", To: "10:00", Site: "lake"}))
	r.site("lake2", fact.Name, "x")
	require.NoError(t, book(books.BookingSaid{Day: "2025-05-22", From: "13:00", To: "14:00", Site: "lake2"}))
	_, err = r.plan(asked)
	wrongPart(t, err, "booking 4", "lake2")
	require.NoError(t, r.Unbook(ctx, 4, r.now, "Will"))

	for _, c := range []struct {
		asked        books.RoundAsked
		field, value string
	}{
		{books.RoundAsked{First: "May"}, "first", "May"},
		{books.RoundAsked{First: "2025-05-19"}, "first", "2025-05-19"},
		{books.RoundAsked{First: "2029-05-19"}, "first", "2029-05-19"},
		{books.RoundAsked{Weeks: 9}, "weeks", "9"},
		{books.RoundAsked{Weeks: -1}, "weeks", "-1"},
	} {
		_, err := r.plan(c.asked)
		wrongPart(t, err, c.field, c.value)
	}
	require.NoError(t, r.settle("people", ""))
	all, err := r.Said(ctx)
	require.NoError(t, err)
	require.Len(t, all.Bookings, 3)
	require.Equal(t, "10:00", all.Bookings[0].From)
}

func TestABoardToBeCoatedTakesTwoVisitsOrASwap(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	found(t, r.store, "lake-07", finding.LeakageRising, r.now)
	asked := books.RoundAsked{First: "2025-05-21", Weeks: 2}
	plan, err := r.plan(asked)
	require.NoError(t, err)
	require.Len(t, plan.Days, 2)
	require.Equal(t, []string{"2025-05-21", "2025-05-23"}, []string{plan.Days[0].Day, plan.Days[1].Day})
	require.Contains(t, plan.Days[0].Visits[0].What, "take the board")
	require.Contains(t, plan.Days[1].Visits[0].Why, "coated and cured")

	// A day that will be wet opens no box.
	require.NoError(t, r.settle("wet_days", "2025-05-21, 2025-05-23"))
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Equal(t, []string{"2025-05-26", "2025-05-28"}, []string{plan.Days[0].Day, plan.Days[1].Day})

	// Taken over these are two visits, and after another plan the same two.
	first, err := r.Take(ctx, plan, r.now, "Will")
	require.NoError(t, err)
	require.Len(t, first, 2)
	require.NoError(t, r.settle("wet_days", ""))
	plan, err = r.plan(asked)
	require.NoError(t, err)
	second, err := r.Take(ctx, plan, r.now, "Will")
	require.NoError(t, err)
	require.Equal(t, first, second)
	for _, n := range second {
		r.record(fmt.Sprintf(`{"visit":%d,"states":[{"state":"called-off"}]}`, n))
	}
	require.NoError(t, r.settle("wet_days", "2025-05-21, 2025-05-23"))

	shelf := books.NewParts(r.store)
	require.NoError(t, shelf.PutKind(ctx, stock.Kind{ID: "loan", Name: "Loan unit", Class: "loan unit", Unit: stock.Piece}, false, r.now, "Will"))
	_, err = shelf.Receive(ctx, stock.Lot{Kind: "loan", Condition: stock.Used, Grade: "b", Quantity: 1}, r.now, "Will")
	require.NoError(t, err)
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Len(t, plan.Days, 1)
	require.Contains(t, plan.Days[0].Visits[0].What, "swap")
	require.Equal(t, "loan unit", plan.Days[0].Load[0].Class)

	// Taken over it is a visit; taken over again it is the same one.
	visits, err := r.Take(ctx, plan, r.now, "Will")
	require.NoError(t, err)
	require.Equal(t, []int64{3}, visits)
	v, err := r.Visit(ctx, 3)
	require.NoError(t, err)
	require.Equal(t, "2025-05-22", v.Planned)
	require.Equal(t, "workshop", v.Who)
	require.Equal(t, []record.Cause{{Kind: finding.LeakageRising, Number: 1}}, v.Why)
	again, err := r.Take(ctx, plan, r.now, "Will")
	require.NoError(t, err)
	require.Equal(t, visits, again)
	// Once agreed, its day stays; planned anew before, it moves.
	require.NoError(t, r.settle("wet_days", "2025-05-22"))
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Equal(t, "2025-05-21", plan.Days[0].Day)
	moved, err := r.Take(ctx, plan, r.now, "Will")
	require.NoError(t, err)
	require.Equal(t, visits, moved)
	r.record(`{"visit":3,"states":[{"state":"agreed"}]}`)
	require.NoError(t, r.settle("wet_days", ""))
	plan, err = r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 2})
	require.NoError(t, err)
	require.Equal(t, "2025-05-21", plan.Days[0].Day)
	require.Contains(t, plan.Days[0].Visits[0].Why, "agreed for this day")
	r.record(`{"visit":3,"states":[{"state":"under-way"}]}`)
	plan, err = r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 2})
	require.NoError(t, err)
	require.Empty(t, plan.Days)
	require.Contains(t, plan.Says[0], "Nobody need go out")
}

func TestSettingsOfRounds(t *testing.T) {
	r := newRounds(t)
	for _, c := range [][3]string{
		{"speed", "3", "setting"},
		{"open", "8", "open"},
		{"close", "07:00", "close"},
		{"overtime_min", "481", "overtime_min"},
		{"close", "23:30", "overtime_min"},
		{"days", "weekend", "days"},
		{"zone", "Lake", "zone"},
		{"zone", "Local", "zone"},
		{"people", "a,,b", "people"},
		{"people", "a,b,c,d", "people"},
		{"range_min", "0", "range_min"},
		{"speed_kmh", "NaN", "speed_kmh"},
		{"lat", "91", "lat"},
		{"lat", "54", "lat"},
		{"wet_days", "tomorrow", "wet_days"},
	} {
		var said books.Error
		require.ErrorAs(t, r.settle(c[0], c[1]), &said, "%v", c)
		require.Equal(t, c[2], said.Field, "%v", c)
		require.NotEmpty(t, said.Fix)
	}
	require.NoError(t, r.settle("open", "07:30"))
	said, err := r.Said(t.Context())
	require.NoError(t, err)
	for _, s := range said.Settings {
		require.NotEmpty(t, s.Says)
		require.Equal(t, s.Name != "open", s.Usual)
	}
	wrongPart(t, r.Wish(t.Context(), "lake-07", "maybe", "", "", r.now, "Will"), "wish", "maybe")
	wrongPart(t, r.Wish(t.Context(), "lake-07", "in", "2025-05-21", "", r.now, "Will"), "day", "2025-05-21")
	wrongPart(t, r.Wish(t.Context(), "lake-07", "on", "", "", r.now, "Will"), "day", "")
	wrongPart(t, r.Wish(t.Context(), "nobody", "in", "", "", r.now, "Will"), "station", "nobody")
	wrongPart(t, r.Wish(t.Context(), "lake-07", "in", "", "\x00", r.now, "Will"), "note", "\x00")
}

func TestMeasuredDrivingCountsBeforeTheStraightLine(t *testing.T) {
	r := newRounds(t)
	put := func(text string) (int, error) {
		return r.ImportLegs(t.Context(), strings.NewReader(text), r.now, "Will")
	}
	for text, field := range map[string]string{
		"":                                      "table",
		"from,to,miles\n":                       "column",
		"from,to\n":                             "column",
		"from,to,minutes\nworkshop,moon,3\n":    "line 2, to",
		"from,to,minutes\nmoon,workshop,3\n":    "line 2, from",
		"from,to,minutes\nworkshop,lake,-3\n":   "line 2, minutes",
		"from,to,minutes\nworkshop,lake\n":      "line 2",
		"from,to,minutes\nlake,lake,1\n":        "line 2",
		"from,to,minutes,km\nworkshop,lake,1,x": "line 2, km",

		"from,to,minutes\nworkshop,lake,1\nworkshop,lake,2\n": "line 3",
	} {
		_, err := put(text)
		var said books.Error
		require.ErrorAs(t, err, &said, text)
		require.Equal(t, field, said.Field, text)
	}
	n, err := put("\ufefffrom,to,minutes,km\nworkshop,lake,17,\n")
	require.NoError(t, err)
	require.Equal(t, 2, n, "the way back too")
	list, err := r.Needs(t.Context(), r.now)
	require.NoError(t, err)
	require.InDelta(t, 17, *needOf(t, list, "lake-07").DriveMin, 1e-9)
	found(t, r.store, "lake-07", finding.WaterInside, r.now)
	plan, err := r.plan(books.RoundAsked{First: "2025-05-21"})
	require.NoError(t, err, "no place is needed where driving was measured")
	require.InDelta(t, 34, plan.Days[0].DriveMin, 0.1)
}

// Where the workshop's own place is missing nobody is sent to record the site's.
func TestTheWorkshopsPlaceMayBeMissing(t *testing.T) {
	r := newRounds(t)
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	r.site("quay", fact.TravelMin, "20")
	r.site("nowhere", fact.Name, "Nowhere")
	for id, site := range map[string]string{"quay-01": "quay", "lost-01": "nowhere"} {
		r.station(id, site)
	}
	for _, id := range []string{"lake-07", "quay-01", "lost-01"} {
		found(t, r.store, id, finding.WaterInside, r.now)
	}
	list, err := r.Needs(t.Context(), r.now)
	require.NoError(t, err)
	places := func(station string) (names []string) {
		for _, name := range needOf(t, list, station).Missing {
			if strings.HasSuffix(name, " lat") || strings.HasSuffix(name, " lon") {
				names = append(names, name)
			}
		}
		return names
	}
	require.Equal(t, []string{"plan lat", "plan lon"}, places("lake-07"))
	require.Equal(t, "Nobody said where the workshop is; put it into the settings lat and lon of rounds, so that a round can be planned.", needOf(t, list, "lake-07").Suggest.Why)
	require.Empty(t, places("quay-01"))
	require.Equal(t, []string{"site lat", "site lon"}, places("lost-01"))

	plan, err := r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 1})
	require.NoError(t, err)
	require.Equal(t, "quay-01", plan.Days[0].Visits[0].Station)
	why := map[string]string{}
	for _, l := range plan.Left {
		why[l.Station] = l.Why
	}
	require.Equal(t, "Nobody said where the workshop is (the settings lat and lon of rounds), nor how far the driving to its site lake is.", why["lake-07"])
	require.Equal(t, "Nobody recorded where its site nowhere lies (lat, lon), nor how far the driving is.", why["lost-01"])
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	list, err = r.Needs(t.Context(), r.now)
	require.NoError(t, err)
	require.Empty(t, places("lake-07"))
}

func TestAPlanIsMadeInTheBackground(t *testing.T) {
	r := newRounds(t)
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	for i := range 14 {
		id := fmt.Sprintf("lake-1%d", i)
		r.station(id, "lake")
		found(t, r.store, id, finding.WaterInside, r.now)
	}
	require.Nil(t, r.State().Plan)
	require.True(t, r.Start(books.RoundAsked{First: "2025-05-21", Weeks: 4, Steps: 1 << 40}, r.now))
	require.False(t, r.Start(books.RoundAsked{}, r.now), "one at a time")
	r.Stop()
	r.Close()
	state := r.State()
	require.NoError(t, state.Err)
	require.False(t, state.Running)
	require.False(t, state.Plan.Complete)
	require.NotEmpty(t, state.Plan.Days)
	require.False(t, r.Start(books.RoundAsked{}, r.now), "closed")
}

func TestEachOmissionIsASentence(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0", "range_min", "400"))
	shelf := books.NewParts(r.store)
	for _, id := range []string{"cover", "board"} {
		require.NoError(t, shelf.PutKind(ctx, stock.Kind{ID: id, Name: strings.ToUpper(id[:1]) + id[1:], Class: id, Unit: stock.Piece, Irreplaceable: true}, false, r.now, "Will"))
	}
	_, err := shelf.Receive(ctx, stock.Lot{Kind: "cover", Condition: stock.Used, Grade: "b", Quantity: 1}, r.now, "Will")
	require.NoError(t, err)
	at := func(site string, pairs ...string) {
		r.site(site, append([]string{fact.Lat, "54.2", fact.Lon, "10.1"}, pairs...)...)
		r.station(site+"-1", site)
	}
	at("cracked-a")
	at("cracked-b")
	at("board")
	at("shut", fact.LetIn, "su 09:00-12:00")
	at("sound")
	r.site("remote", fact.Lat, "55.9", fact.Lon, "10.1")
	r.station("remote-1", "remote")
	for _, id := range []string{"cracked-a-1", "cracked-b-1"} {
		r.say(fact.Subject{Kind: fact.KindStation, ID: id}, fact.CoverCondition, "cracked")
	}
	found(t, r.store, "cracked-b-1", finding.WaterInside, r.now)
	found(t, r.store, "board-1", finding.BudgetLow, r.now)
	found(t, r.store, "shut-1", finding.WaterInside, r.now)
	found(t, r.store, "remote-1", finding.SensorSuspect, r.now)
	// The record of a visit that a person planned without a day counts too.
	r.record(`{"station":"sound-1","kind":"on-site"}`)
	plan, err := r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 1})
	require.NoError(t, err)
	why := map[string]string{}
	for _, l := range plan.Left {
		why[l.Station] = l.Why
	}
	require.Equal(t, "The last Cover goes where waiting costs more.", why["cracked-a-1"])
	require.Equal(t, "There is no Board on the shelf that nobody else has, and nothing to make one up from: reserve or find one first.", why["board-1"])
	require.Equal(t, "On no day of this round does it fit, even alone: 60 minutes of work, the driving, working hours, the hours at which its site lets people in and dry weather don't come together.", why["shut-1"])
	require.Equal(t, "Nothing is known to be done there, and a look alone takes more than it saves.", why["sound-1"])
	require.Regexp(t, `^Going there, best on 2025-05-\d\d, would cost .* more than it saves: waiting costs .* a week only.$`, why["remote-1"])

	// Wanted, but there is no room.
	require.NoError(t, r.settle("close", "09:30", "overtime_min", "0"))
	require.NoError(t, r.Wish(ctx, "cracked-b-1", "on", "2025-05-21", "", r.now, "Will"))
	require.NoError(t, r.Wish(ctx, "sound-1", "on", "2025-05-21", "", r.now, "Will"))
	plan, err = r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 1})
	require.NoError(t, err)
	wanted := ""
	for _, l := range plan.Left {
		if l.Station == "cracked-b-1" || l.Station == "sound-1" {
			wanted += l.Why
		}
	}
	require.Contains(t, wanted, "A person wants it, but ")
	r.Wait(ctx) // no plan is being made
}

// One wish for another time is no reason to plan nothing.
func TestAWishForAnotherTimeStopsNoPlan(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0", "zone", "Pacific/Auckland"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	found(t, r.store, "lake-07", finding.WaterInside, r.now)
	wish := func(day string) error { return r.Wish(ctx, "lake-07", "on", day, "", r.now, "Will") }
	wrongPart(t, wish("2020-01-01"), "day", "2020-01-01")
	r.now = r.now.Add(5 * time.Hour) // the next day begins at the workshop
	wrongPart(t, wish("2025-05-20"), "day", "2025-05-20")

	// A day after the round waits for it, unless a visit was agreed meanwhile.
	require.NoError(t, wish("2025-06-03"))
	asked := books.RoundAsked{First: "2025-05-22", Weeks: 1}
	plan, err := r.plan(asked)
	require.NoError(t, err)
	require.Empty(t, plan.Days)
	require.Equal(t, "wish", plan.Left[0].Because)
	require.Equal(t, "A person wants it on 2025-06-03, which is not in this round.", plan.Left[0].Why)
	r.record(`{"station":"lake-07","kind":"on-site","planned":"2025-05-23","states":[{"state":"agreed"}]}`)
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Equal(t, "2025-05-23", plan.Days[0].Day)
	r.record(`{"visit":1,"states":[{"state":"called-off"}]}`)

	// Once its day is past, a wish is none.
	require.NoError(t, wish("2025-05-21"))
	list, err := r.Needs(ctx, r.now)
	require.NoError(t, err)
	require.Equal(t, "on", needOf(t, list, "lake-07").Wish)
	r.now = r.now.Add(24 * time.Hour)
	list, err = r.Needs(ctx, r.now)
	require.NoError(t, err)
	require.Empty(t, needOf(t, list, "lake-07").Wish)
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Equal(t, "2025-05-22", plan.Days[0].Day)
}

// Of several loan units that fit one is taken, whatever bounds the hours: those of
// the site, a day that a person wants, or damp air.
func TestSeveralKindsOfLoanUnitFit(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	found(t, r.store, "lake-07", finding.LeakageRising, r.now)
	for _, id := range []string{"loan-a", "loan-b", "loan-c"} {
		r.kind(id, "loan unit", false, lot(stock.Used, 1))
	}
	swapped := func(day string) {
		t.Helper()
		plan, err := r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 1})
		require.NoError(t, err)
		require.Len(t, plan.Days, 1)
		require.Equal(t, day, plan.Days[0].Day)
		require.Contains(t, plan.Days[0].Visits[0].What, "swap")
	}
	require.NoError(t, r.Wish(ctx, "lake-07", "on", "2025-05-26", "", r.now, "Will"))
	swapped("2025-05-26")
	require.NoError(t, r.Wish(ctx, "lake-07", "", "", "", r.now, "Will"))
	var damp []record.ForecastHour
	for h := range unit.Instant(12) {
		damp = append(damp, record.ForecastHour{Time: r.now + h*3*3600e9, Temp: 12, DewPoint: 12})
	}
	_, err := r.store.AddForecast(ctx, record.Forecast{Site: "lake", Issued: r.now, Hours: damp}, r.now, "Will")
	require.NoError(t, err)
	swapped("2025-05-22")
	r.site("lake", fact.LetIn, "fr 08:00-17:00")
	swapped("2025-05-23")
}

// What was agreed with somebody is kept, or left to those who agreed on it.
func TestWhatWasAgreedIsNeverMoved(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	asked := books.RoundAsked{First: "2025-05-21", Weeks: 2}
	agreed := func(station, visit string) int64 {
		return r.record(fmt.Sprintf(`{"station":%q,"who":"Ann",%s,"states":[{"state":"agreed"}]}`, station, visit))
	}
	why := map[string]string{}
	for _, c := range []struct{ station, visit, why string }{
		{"saturday", `"kind":"on-site","planned":"2025-05-24"`, "Visit 1 is agreed for 2025-05-24, which is no working day of this round: it stays as it is."},
		{"later", `"kind":"on-site","planned":"2025-06-10"`, "Visit 2 is agreed for 2025-06-10, which is no working day of this round: it stays as it is."},
		{"some-day", `"kind":"on-site"`, "Visit 3 is agreed, but nobody wrote down for which day."},
		{"neighbour", `"kind":"local-installer","planned":"2025-05-22"`, "Visit 4 is agreed: an installer who lives near goes there."},
	} {
		r.station(c.station, "lake")
		found(t, r.store, c.station, finding.WaterInside, r.now)
		agreed(c.station, c.visit)
		why[c.station] = c.why
	}
	// The board comes back as agreed, so it is taken before; of two agreed days both
	// are kept.
	r.station("back", "lake")
	found(t, r.store, "back", finding.LeakageRising, r.now)
	take := r.record(`{"station":"back","kind":"on-site","planned":"2025-05-21"}`)
	bring := agreed("back", `"kind":"on-site","planned":"2025-05-30"`)
	r.station("both", "lake")
	found(t, r.store, "both", finding.LeakageRising, r.now)
	one, two := agreed("both", `"kind":"on-site","planned":"2025-05-23"`), agreed("both", `"kind":"on-site","planned":"2025-05-28"`)
	before, err := books.Visits{VisitStore: r.store}.All(ctx, record.VisitQuery{})
	require.NoError(t, err)

	plan, err := r.plan(asked)
	require.NoError(t, err)
	for _, l := range plan.Left {
		if want, ok := why[l.Station]; ok {
			require.Equal(t, want, l.Why)
			require.Equal(t, "visit", l.Because)
			delete(why, l.Station)
		}
	}
	require.Empty(t, why)
	days := map[int64]string{}
	for _, d := range plan.Days {
		for _, v := range d.Visits {
			days[*v.Planned] = d.Day
		}
	}
	require.LessOrEqual(t, days[take], "2025-05-28", "time to cure")
	delete(days, take)
	require.Equal(t, map[int64]string{bring: "2025-05-30", one: "2025-05-23", two: "2025-05-28"}, days)
	_, err = r.Take(ctx, plan, r.now, "Will")
	require.NoError(t, err)
	after, err := books.Visits{VisitStore: r.store}.All(ctx, record.VisitQuery{})
	require.NoError(t, err)
	require.Len(t, after, len(before), "none was added")
	for i := range after {
		if after[i].Number != take {
			require.Equal(t, before[i], after[i])
		}
	}

	// It goes before what a person wished.
	require.NoError(t, r.Wish(ctx, "saturday", "in", "", "", r.now, "Will"))
	require.NoError(t, r.Wish(ctx, "both", "on", "2025-05-26", "", r.now, "Will"))
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Equal(t, "2025-05-23", plan.Days[0].Day)
	require.Equal(t, "both", plan.Days[0].Visits[0].Station)
	require.Contains(t, plan.Days[0].Visits[0].Why, "The visit was agreed for this day.")

	// Agreed between the plan and its taking.
	r.record(fmt.Sprintf(`{"visit":%d,"planned":"2025-05-22","states":[{"state":"agreed"}]}`, take))
	_, err = r.Take(ctx, plan, r.now, "Will")
	wrongPart(t, err, "visit", fmt.Sprint(take))
	v, err := r.Visit(ctx, take)
	require.NoError(t, err)
	require.Equal(t, "2025-05-22", v.Planned)
}

// What visits find elsewhere counts here, as it does on a card: from then on, and
// for a station whose need was asked before.
func TestNeedsGoByWhatVisitsTaught(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	r.say(fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, fact.CoverNew, "2017-05-01")
	cracks := func() float64 {
		list, err := r.Needs(ctx, r.now)
		require.NoError(t, err)
		for _, term := range needOf(t, list, "lake-07").Terms {
			if term.From == "cover_age" {
				return term.Chance
			}
		}
		return 0
	}
	before := cracks()
	require.Positive(t, before)
	var looks []life.Look
	for range 30 { // covers that crack after some seven years
		looks = append(looks, life.Look{Group: life.CoverGroup, Low: 6 / math.Sqrt(150), High: 8 / math.Sqrt(150)})
	}
	require.NoError(t, r.store.PutLooks(ctx, "spare", looks))
	require.Greater(t, cracks(), 5*before)
	require.NoError(t, r.store.PutLooks(ctx, "spare", nil))
	require.Equal(t, before, cracks())
}
