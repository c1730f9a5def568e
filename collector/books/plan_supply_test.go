package books_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// kind puts a kind of part on the shelf, with lots of it.
func (r *rounds) kind(id, class string, irreplaceable bool, lots ...stock.Lot) {
	r.t.Helper()
	shelf := books.NewParts(r.store)
	k := stock.Kind{ID: id, Name: "outdoor " + id, Class: class, Unit: stock.Piece, Irreplaceable: irreplaceable}
	require.NoError(r.t, shelf.PutKind(r.t.Context(), k, false, r.now, "Will"))
	for _, l := range lots {
		l.Kind = id
		_, err := shelf.Receive(r.t.Context(), l, r.now, "Will")
		require.NoError(r.t, err)
	}
}

func lot(c stock.Condition, n int64) stock.Lot {
	return stock.Lot{Condition: c, Grade: "b", Quantity: n}
}

// Covers can't be bought any more, but made up from an indoor one and the frame
// of a broken one: as many rounds' stations get one as there are frames.
func TestPlansTakeWhatCanBeMadeUp(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	for _, id := range []string{"lake-01", "lake-02"} {
		r.station(id, "lake")
		r.say(fact.Subject{Kind: fact.KindStation, ID: id}, fact.CoverCondition, "cracked")
	}
	found(t, r.store, "lake-01", finding.WaterInside, r.now)
	r.kind("cover", "cover", true, lot(stock.Broken, 1))
	r.kind("cover-in", "indoor cover", false, lot(stock.Used, 5))
	asked := books.RoundAsked{First: "2025-05-21", Weeks: 1}

	left := func() map[string]string {
		plan, err := r.plan(asked)
		require.NoError(t, err)
		why := map[string]string{}
		for _, l := range plan.Left {
			why[l.Station] = l.Why
		}
		return why
	}
	require.Equal(t, "There is no outdoor cover on the shelf that nobody else has, and nothing to make one up from: reserve or find one first.", left()["lake-01"])

	shelf := books.NewParts(r.store)
	recipe := stock.Recipe{ID: "cover-up", Makes: "cover", Quantity: 1, Grade: "c", Hours: 0.5, Needs: []stock.Need{
		{Kind: "cover", Quantity: 1, Condition: stock.Broken}, {Kind: "cover-in", Quantity: 1, Condition: stock.Used},
	}}
	require.NoError(t, shelf.PutRecipe(ctx, recipe, false, r.now, "Will"))
	list, err := r.Needs(ctx, r.now)
	require.NoError(t, err)
	part := needOf(t, list, "lake-01").Parts[1]
	require.Equal(t, books.PartToLoad{Class: "cover", Kind: "cover", Name: "outdoor cover", Unit: "piece", Irreplaceable: true, Needed: true, Makeable: 1}, part)

	plan, err := r.plan(asked)
	require.NoError(t, err)
	require.Len(t, plan.Days, 1)
	v := plan.Days[0].Visits[0]
	require.Equal(t, "lake-01", v.Station, "with water in it, it waits least")
	require.Contains(t, v.Why, "make it up before: recipe cover-up, 30 min of work, from 1 outdoor cover (broken), 1 outdoor cover-in (used).")
	made := 0
	for _, l := range plan.Days[0].Load {
		if l.Make != "" {
			made++
			require.Equal(t, "cover", l.Kind)
			require.Equal(t, []string{"lake-01"}, l.Stations)
		}
	}
	require.Equal(t, 1, made)
	require.Equal(t, "The last broken outdoor cover goes where waiting costs more.", left()["lake-02"])

	// With one on the shelf too, both are visited.
	_, err = shelf.Receive(ctx, stock.Lot{Kind: "cover", Condition: stock.Used, Grade: "b", Quantity: 1}, r.now, "Will")
	require.NoError(t, err)
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Len(t, plan.Days, 1)
	require.Len(t, plan.Days[0].Visits, 2)
}

func TestALoanUnitMustFit(t *testing.T) {
	r := newRounds(t)
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	r.station("lake-01", "lake")
	r.say(fact.Subject{Kind: fact.KindStation, ID: "lake-01"}, fact.Model, "door-6")
	found(t, r.store, "lake-01", finding.LeakageRising, r.now)
	shelf := books.NewParts(r.store)
	unitOf := stock.Kind{ID: "loan-4", Name: "Loan unit, 4 keys", Class: "loan unit", Unit: stock.Piece, Fits: []string{"door-4"}}
	require.NoError(t, shelf.PutKind(t.Context(), unitOf, false, r.now, "Will"))
	_, err := shelf.Receive(t.Context(), stock.Lot{Kind: "loan-4", Condition: stock.Used, Grade: "b", Quantity: 1}, r.now, "Will")
	require.NoError(t, err)
	loan := func() bool {
		list, err := r.Needs(t.Context(), r.now)
		require.NoError(t, err)
		n := needOf(t, list, "lake-01")
		last := n.Parts[len(n.Parts)-1]
		require.Equal(t, n.Suggest.Loan, last.Class == "loan unit" && last.Kind == "loan-4" && last.Free == 1, "it is among the parts to reserve")
		return n.Suggest.Loan
	}
	require.False(t, loan())
	unitOf.Fits = []string{"door-4", "Door-6"}
	require.NoError(t, shelf.PutKind(t.Context(), unitOf, true, r.now, "Will"))
	require.True(t, loan())
}

// A box is opened when its site's forecast has the air dry.
func TestBoxesStayClosedInDampAir(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0", "zone", "Europe/Berlin"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1", fact.Name, "The lake")
	r.station("lake-01", "lake")
	found(t, r.store, "lake-01", finding.WaterInside, r.now)
	asked := books.RoundAsked{First: "2025-05-21", Weeks: 1}
	plan, err := r.plan(asked)
	require.NoError(t, err)
	require.Equal(t, "2025-05-21", plan.Days[0].Day)

	// Near saturation all of the 21st, and on the 22nd until 11 h at Berlin's time.
	f := record.Forecast{Site: "lake", Issued: r.now}
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	for h := 0; h < 72; h += 3 {
		at := time.Date(2025, 5, 21, h, 0, 0, 0, zone)
		spread := 0.4
		if h >= 24+11 {
			spread = 6
		}
		f.Hours = append(f.Hours, record.ForecastHour{Time: unit.At(at), Temp: 12, DewPoint: 12 - spread})
	}
	_, err = r.store.AddForecast(ctx, f, r.now, "Will")
	require.NoError(t, err)
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Equal(t, "2025-05-22", plan.Days[0].Day)
	require.GreaterOrEqual(t, plan.Days[0].Visits[0].Begin, "12:00", "the step of 9 h holds until 12 h")
	require.Contains(t, plan.Says, "By the forecast of The lake the air is too damp to open a box on 2025-05-21, 2025-05-22 but for 12:00 to 17:00.")

	require.NoError(t, r.settle("damp_k", "0"))
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Equal(t, "2025-05-21", plan.Days[0].Day, "nobody asks the forecast")

	// Damp from the first day to the last: it fits on none.
	require.NoError(t, r.settle("damp_k", "19"))
	plan, err = r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 1})
	require.NoError(t, err)
	require.Equal(t, "2025-05-24", f.Hours[len(f.Hours)-1].Time.Time().In(zone).AddDate(0, 0, 1).Format(time.DateOnly))
	require.Equal(t, "2025-05-26", plan.Days[0].Day, "of which no forecast speaks")
}

// A part is given away once, first to those for whom it is reserved and those whose
// visit is for nothing without it, on whatever day; what is missing is said.
func TestALoadListSaysWhatIsMissing(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	for _, id := range []string{"lake-01", "lake-02", "lake-03", "lake-04"} {
		r.station(id, "lake")
	}
	for _, id := range []string{"lake-01", "lake-02", "lake-03"} {
		found(t, r.store, id, finding.WaterInside, r.now) // which wants a gasket and perhaps a cover
	}
	r.say(fact.Subject{Kind: fact.KindStation, ID: "lake-04"}, fact.CoverCondition, "cracked")
	require.NoError(t, r.Wish(ctx, "lake-04", "on", "2025-05-26", "", r.now, "Will"))
	r.kind("gasket", "gasket", true, lot(stock.Used, 2))
	r.kind("cover", "cover", true, lot(stock.Used, 1))
	_, err := books.NewParts(r.store).Reserve(ctx, stock.Reservation{Kind: "gasket", Quantity: 1, Grade: "d", Station: "lake-03", Made: r.now}, "Will")
	require.NoError(t, err)

	plan, err := r.plan(books.RoundAsked{First: "2025-05-21", Weeks: 1})
	require.NoError(t, err)
	require.Len(t, plan.Days, 2)
	load := func(day int) map[string][2]int64 { // how many, and of these missing
		all := map[string][2]int64{}
		for _, l := range plan.Days[day].Load {
			all[l.Kind] = [2]int64{l.Quantity, l.Missing}
		}
		return all
	}
	require.Equal(t, map[string][2]int64{"gasket": {3, 1}, "cover": {3, 3}}, load(0), "the cover is for lake-04")
	require.Equal(t, map[string][2]int64{"gasket": {1, 1}, "cover": {1, 0}}, load(1))
}
