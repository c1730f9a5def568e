package books_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// BenchmarkNeeds says how long the need list takes at thousands of stations, each
// with a site of its own, a reserved part, a symptom and a planned visit. The
// floor is a hundred stations: what one costs must not grow with their number.
func BenchmarkNeeds(b *testing.B) {
	few, many := needy(b, 100), needy(b, 2000)
	each := func(p *books.Planner, n int) float64 {
		begun := time.Now()
		list, err := p.Needs(b.Context(), benchNow)
		require.NoError(b, err)
		require.Len(b, list, n)
		return float64(time.Since(begun).Microseconds()) / float64(n)
	}
	each(few, 100) // clocks of the day
	each(many, 2000)
	for b.Loop() {
		floor := 0.0
		for range 5 {
			floor += each(few, 100) / 5
		}
		of := each(many, 2000)
		b.ReportMetric(of, "µs/station")
		b.ReportMetric(of/floor, "x_floor")
	}
}

var benchNow = unit.At(time.Date(2025, 11, 5, 8, 0, 0, 0, time.UTC))

func needy(b *testing.B, n int) *books.Planner {
	b.Helper()
	ctx := b.Context()
	st, err := store.Open(ctx, filepath.Join(b.TempDir(), "store.db"))
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, st.Close()) })
	shelf := books.NewParts(st)
	for k := range 40 {
		id := fmt.Sprintf("gasket-%d", k)
		require.NoError(b, shelf.PutKind(ctx, stock.Kind{ID: id, Name: id, Class: "gasket", Unit: stock.Piece}, false, benchNow, "Will"))
		_, err := shelf.Receive(ctx, stock.Lot{Kind: id, Condition: stock.New, Grade: "a", Quantity: int64(n)}, benchNow, "Will")
		require.NoError(b, err)
	}
	visits := books.Visits{VisitStore: st}
	for i := range n {
		id, site := fmt.Sprintf("lake-%d", i), fmt.Sprintf("site-%d", i)
		secret, err := receipt.NewSecret([]byte(fmt.Sprintf("%-32s", id)))
		require.NoError(b, err)
		require.NoError(b, st.AddStation(ctx, record.Station{ID: id, Secret: secret, Enrolled: benchNow - 1}, "x"))
		f := func(kind, id, name, value string) fact.Fact {
			return fact.Fact{Subject: fact.Subject{Kind: kind, ID: id}, Name: name, From: fact.Always, Value: value, Author: "x"}
		}
		require.NoError(b, st.AddFacts(ctx, []fact.Fact{
			f(fact.KindSite, site, fact.Lat, "54.2"), f(fact.KindSite, site, fact.Lon, "10.1"), f(fact.KindStation, id, fact.Site, site), f(fact.KindStation, id, fact.Model, "door-4"),
		}))
		day := "2025-11-20"
		_, err = visits.Record(ctx, &books.VisitFile{Station: id, Kind: "on-site", Planned: &day, Reports: []books.SymptomFile{{Kind: "ghost-calls"}}}, benchNow, "Will", false)
		require.NoError(b, err)
		_, err = shelf.Reserve(ctx, stock.Reservation{Kind: fmt.Sprintf("gasket-%d", i%40), Quantity: 1, Grade: "d", Station: id, Made: benchNow}, "Will")
		require.NoError(b, err)
	}
	return books.NewPlanner(st)
}
