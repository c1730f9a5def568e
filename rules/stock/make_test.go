package stock_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/stock"
)

func piece(id int64, kind string, condition stock.Condition, quantity int64) stock.Lot {
	return stock.Lot{ID: id, Kind: kind, Condition: condition, Grade: "b", Quantity: quantity}
}

// An outdoor keypad is made up from an indoor one and a carrier, and a carrier
// from a broken keypad.
func keypads() []stock.Recipe {
	return []stock.Recipe{
		{
			ID: "keypad-from-indoor", Makes: "keypad-out", Quantity: 1, Grade: "c",
			Needs: []stock.Need{{Kind: "keypad-in", Quantity: 1, Condition: stock.Used}, {Kind: "carrier", Quantity: 1}},
		},
		{
			ID: "carrier-cut", Makes: "carrier", Quantity: 2, Grade: "b",
			Needs: []stock.Need{{Kind: "keypad-out", Quantity: 1, Condition: stock.Broken}},
		},
	}
}

func TestCycle(t *testing.T) {
	require.Nil(t, stock.Cycle(nil))
	makes := func(kind string, from ...string) stock.Recipe {
		r := stock.Recipe{Makes: kind}
		for _, k := range from {
			r.Needs = append(r.Needs, stock.Need{Kind: k, Quantity: 1})
		}
		return r
	}
	require.Nil(t, stock.Cycle([]stock.Recipe{makes("a", "b", "c"), makes("b", "c"), makes("d", "b")}))
	require.Equal(t, []string{"a", "a"}, stock.Cycle([]stock.Recipe{makes("a", "a")}))
	require.Equal(t, []string{"b", "c", "b"}, stock.Cycle([]stock.Recipe{makes("a", "b"), makes("c", "x", "b"), makes("b", "c")}))
	require.Nil(t, stock.Cycle(keypads()), "a broken one is never made")
}

func TestDraw(t *testing.T) {
	r := &stock.Recipe{Needs: []stock.Need{{Kind: "screw", Quantity: 4}, {Kind: "screw", Quantity: 1, Condition: stock.New}, {Kind: "seal", Quantity: 1}}}
	pool := []stock.Lot{piece(1, "screw", stock.New, 3), piece(2, "screw", stock.Used, 6), piece(3, "screw", stock.Broken, 9), piece(4, "seal", stock.New, 2)}
	taken, missing := stock.Draw(r, 1, pool)
	require.Empty(t, missing)
	require.Equal(t, map[int64]int64{1: 1, 2: 4, 4: 1}, taken, "new ones are left for the need that wants them")
	_, missing = stock.Draw(r, 2, pool)
	require.Equal(t, []stock.Missing{{stock.Need{Kind: "screw", Quantity: 4}, 8, 7}}, missing)
	_, missing = stock.Draw(r, 4, pool)
	require.Equal(t, []stock.Missing{
		{stock.Need{Kind: "screw", Quantity: 1, Condition: stock.New}, 4, 3},
		{stock.Need{Kind: "screw", Quantity: 4}, 16, 6},
		{stock.Need{Kind: "seal", Quantity: 1}, 4, 2},
	}, missing)
	require.Equal(t, int64(3), pool[0].Quantity, "the pool stays")
}

func TestMakeable(t *testing.T) {
	recipes := keypads()
	for name, tt := range map[string]struct {
		pool []stock.Lot
		want int64
	}{
		"nothing":                    {nil, 0},
		"from stock":                 {[]stock.Lot{piece(1, "keypad-in", stock.Used, 3), piece(2, "carrier", stock.New, 2)}, 2},
		"two levels":                 {[]stock.Lot{piece(1, "keypad-in", stock.Used, 9), piece(2, "keypad-out", stock.Broken, 2)}, 4},
		"both ways":                  {[]stock.Lot{piece(1, "keypad-in", stock.Used, 9), piece(2, "keypad-out", stock.Broken, 1), piece(3, "carrier", stock.Used, 1)}, 3},
		"new ones are not wanted":    {[]stock.Lot{piece(1, "keypad-in", stock.New, 3), piece(2, "carrier", stock.New, 2)}, 0},
		"a broken carrier is no use": {[]stock.Lot{piece(1, "keypad-in", stock.Used, 3), piece(2, "carrier", stock.Broken, 2)}, 0},
		"it stops counting":          {[]stock.Lot{piece(1, "keypad-in", stock.Used, 1000), piece(2, "carrier", stock.New, 1000)}, stock.MakeableMost},
	} {
		require.Equal(t, tt.want, stock.Makeable("keypad-out", recipes, tt.pool), name)
	}
	// What is needed besides is not used up to make what lacks.
	recipes = []stock.Recipe{
		{ID: "r", Makes: "a", Quantity: 1, Needs: []stock.Need{{Kind: "b", Quantity: 1}, {Kind: "x", Quantity: 1}}},
		{ID: "s1", Makes: "b", Quantity: 1, Needs: []stock.Need{{Kind: "x", Quantity: 1}}},
		{ID: "s2", Makes: "b", Quantity: 1, Needs: []stock.Need{{Kind: "y", Quantity: 1}}},
	}
	require.Equal(t, int64(1), stock.Makeable("a", recipes, []stock.Lot{piece(1, "x", stock.New, 1), piece(2, "y", stock.New, 1)}))
	// What takes any leaves the new one for what wants it new, next time too.
	recipes = []stock.Recipe{{ID: "r", Makes: "a", Quantity: 1, Needs: []stock.Need{{Kind: "c", Quantity: 1}, {Kind: "c", Condition: stock.New, Quantity: 1}}}}
	require.Equal(t, int64(2), stock.Makeable("a", recipes, []stock.Lot{piece(1, "c", stock.New, 2), piece(2, "c", stock.Used, 2)}))
	// Three levels deep is too deep.
	deep := []stock.Recipe{
		{ID: "1", Makes: "a", Quantity: 1, Needs: []stock.Need{{Kind: "b", Quantity: 1}}},
		{ID: "2", Makes: "b", Quantity: 1, Needs: []stock.Need{{Kind: "c", Quantity: 1}}},
		{ID: "3", Makes: "c", Quantity: 1, Needs: []stock.Need{{Kind: "d", Quantity: 1}}},
	}
	pool := []stock.Lot{piece(1, "d", stock.New, 1)}
	require.Zero(t, stock.Makeable("a", deep, pool))
	require.Equal(t, int64(1), stock.Makeable("b", deep, pool))
}

// Making what is said to be makeable, one by one and by hand, works, and not
// once more.
func TestMakeableCanBeMade(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom([]string{"b", "c", "d"})
		condition := rapid.SampledFrom([]stock.Condition{"", "", stock.New, stock.Broken})
		var r stock.Recipe
		r.ID, r.Makes, r.Quantity = "r", "a", rapid.Int64Range(1, 3).Draw(t, "gives")
		seen := map[stock.Need]bool{}
		for range rapid.IntRange(1, 3).Draw(t, "needs") {
			n := stock.Need{Kind: kind.Draw(t, "kind"), Condition: condition.Draw(t, "condition")}
			if seen[n] {
				continue
			}
			seen[n] = true
			n.Quantity = rapid.Int64Range(1, 3).Draw(t, "quantity")
			r.Needs = append(r.Needs, n)
		}
		var pool []stock.Lot
		for i := range rapid.IntRange(0, 6).Draw(t, "lots") {
			pool = append(pool, piece(int64(i+1), kind.Draw(t, "of"), rapid.SampledFrom(stock.Conditions).Draw(t, "is"), rapid.Int64Range(1, 6).Draw(t, "n")))
		}
		n := stock.Makeable("a", []stock.Recipe{r}, pool)
		require.Zero(t, n%r.Quantity)
		taken, missing := stock.Draw(&r, n/r.Quantity, pool)
		require.Empty(t, missing)
		for _, l := range pool {
			require.LessOrEqual(t, taken[l.ID], l.Quantity)
		}
		var took, asked int64
		for _, got := range taken {
			took += got
		}
		for _, need := range r.Needs {
			asked += need.Quantity * n / r.Quantity
		}
		require.Equal(t, asked, took)
		_, missing = stock.Draw(&r, n/r.Quantity+1, pool)
		require.NotEmpty(t, missing)
		for _, m := range missing {
			require.Less(t, m.There, m.Asked)
		}
	})
}

func TestWays(t *testing.T) {
	pool := []stock.Lot{piece(1, "keypad-in", stock.Used, 3), piece(2, "keypad-out", stock.Broken, 1), piece(3, "keypad-in", stock.New, 7)}
	ways := stock.Ways("keypad-out", keypads(), pool)
	require.Len(t, ways, 1)
	require.Equal(t, int64(2), ways[0].Makeable)
	in, carrier := ways[0].Needs[0], ways[0].Needs[1]
	require.Equal(t, []int64{3, 0, 0}, []int64{in.There, in.Makeable, in.Lacks})
	require.Empty(t, in.Ways, "a made-up one would not do")
	require.Equal(t, []int64{0, 2, 0}, []int64{carrier.There, carrier.Makeable, carrier.Lacks})
	require.Equal(t, "carrier-cut", carrier.Ways[0].Recipe.ID)
	require.Equal(t, int64(1), carrier.Ways[0].Needs[0].There)
	require.Empty(t, carrier.Ways[0].Needs[0].Ways)

	ways = stock.Ways("keypad-out", keypads(), nil)
	require.Zero(t, ways[0].Makeable)
	require.Equal(t, int64(1), ways[0].Needs[0].Lacks)
	require.Equal(t, int64(1), ways[0].Needs[1].Lacks)
	require.Empty(t, stock.Ways("lamp", keypads(), pool))
}

func TestPool(t *testing.T) {
	mine, other := wants(1, "d", 1), wants(2, "d", 1)
	mine.Owner = "ann"
	other.Station, other.NeedBy = "quay-03", "2026-05-01"
	broken := lot(4, "a", "", 2)
	broken.Condition = stock.Broken
	anns := lot(3, "a", "ann", 1)
	lots := []stock.Lot{lot(1, "b", "", 1), lot(2, "c", "", 2), anns, broken, lot(5, "a", "ben", 1)}
	ids := func(pool []stock.Lot) map[int64]int64 {
		all := map[int64]int64{}
		for _, l := range pool {
			all[l.ID] = l.Quantity
		}
		return all
	}
	reservations := []stock.Reservation{mine, other}
	require.Equal(t, map[int64]int64{1: 1, 2: 1, 4: 2}, ids(stock.Pool(lots, reservations, "", "", false)))
	pool := stock.Pool(lots, reservations, "lake-07", "ann", false)
	require.Equal(t, map[int64]int64{1: 1, 2: 1, 3: 1, 4: 2}, ids(pool))
	require.Equal(t, int64(3), pool[0].ID, "hers first")
	require.Equal(t, int64(2), pool[1].ID, "then the lowest grade")
	require.Equal(t, map[int64]int64{1: 1, 2: 2, 3: 1, 4: 2}, ids(stock.Pool(lots, reservations, "lake-07", "ann", true)))
}

// What making one up takes of the shelf, down to what carriers are cut from; a
// recipe that is begun and doesn't go leaves no trace.
func TestMakeUp(t *testing.T) {
	recipes := keypads()
	recipes[0].Hours, recipes[1].Hours = 2.5, 0.5
	there := []stock.Lot{piece(1, "keypad-in", stock.Used, 3), piece(2, "carrier", stock.New, 2)}
	made, ok := stock.MakeUp("keypad-out", recipes, there)
	require.True(t, ok)
	require.Equal(t, stock.Made{Recipes: []string{"keypad-from-indoor"}, Hours: 2.5, Takes: []stock.Need{
		{Kind: "keypad-in", Quantity: 1, Condition: stock.Used}, {Kind: "carrier", Quantity: 1},
	}}, made)
	made, ok = stock.MakeUp("keypad-out", recipes, []stock.Lot{piece(1, "keypad-in", stock.Used, 9), piece(2, "keypad-out", stock.Broken, 2)})
	require.True(t, ok)
	require.Equal(t, stock.Made{Recipes: []string{"keypad-from-indoor", "carrier-cut"}, Hours: 3, Takes: []stock.Need{
		{Kind: "keypad-in", Quantity: 1, Condition: stock.Used}, {Kind: "keypad-out", Quantity: 1, Condition: stock.Broken},
	}}, made, "a carrier that was made on the way is not of the shelf")
	_, ok = stock.MakeUp("keypad-out", recipes, there[1:])
	require.False(t, ok)
	_, ok = stock.MakeUp("lamp", recipes, there)
	require.False(t, ok)

	// The first way to a carrier wants a sheet and a frame, and no frame is there.
	recipes = append(recipes, stock.Recipe{ID: "carrier-built", Makes: "carrier", Quantity: 1, Grade: "c", Hours: 9, Needs: []stock.Need{
		{Kind: "sheet", Quantity: 1}, {Kind: "frame", Quantity: 1},
	}})
	made, ok = stock.MakeUp("keypad-out", recipes, []stock.Lot{piece(1, "keypad-in", stock.Used, 9), piece(2, "keypad-out", stock.Broken, 2), piece(3, "sheet", stock.New, 1)})
	require.True(t, ok)
	require.InDelta(t, 3, made.Hours, 1e-12)
	require.Len(t, made.Takes, 2)
}
