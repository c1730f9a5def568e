package stock_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

func lot(id int64, grade stock.Grade, owner string, quantity int64) stock.Lot {
	return stock.Lot{ID: id, Kind: "keypad", Condition: stock.Used, Grade: grade, Owner: owner, Quantity: quantity}
}

func wants(id int64, grade stock.Grade, quantity int64) stock.Reservation {
	return stock.Reservation{ID: id, Kind: "keypad", Grade: grade, Quantity: quantity, Station: "lake-07", Made: unit.Instant(id)}
}

func TestAllocate(t *testing.T) {
	broken := lot(9, "a", "", 5)
	broken.Condition = stock.Broken
	paid, soon, later := wants(3, "d", 1), wants(2, "d", 1), wants(1, "d", 1)
	paid.Paid, soon.NeedBy, later.NeedBy = true, "2026-05-01", "2026-06-01"
	ann, ben := wants(1, "d", 2), wants(2, "d", 2)
	ann.Owner, ben.Owner = "ann", "ben"
	second := wants(2, "a", 1)
	second.Lot = 2
	other := wants(1, "a", 1)
	other.Kind = "lamp"
	for name, tt := range map[string]struct {
		lots         []stock.Lot
		reservations []stock.Reservation
		want         []stock.Share
		free         map[int64]int64
	}{
		"nothing":             {nil, nil, nil, map[int64]int64{}},
		"broken is of no use": {[]stock.Lot{broken}, []stock.Reservation{wants(1, "d", 1)}, nil, map[int64]int64{}},
		"paid first, then the earliest need": {
			[]stock.Lot{lot(1, "b", "", 2)},
			[]stock.Reservation{later, soon, paid, wants(4, "d", 1)},
			[]stock.Share{{3, 1, 1}, {2, 1, 1}},
			map[int64]int64{1: 0},
		},
		"then the earliest made": {
			[]stock.Lot{lot(1, "b", "", 1)},
			[]stock.Reservation{wants(5, "d", 1), wants(4, "d", 1)},
			[]stock.Share{{4, 1, 1}},
			map[int64]int64{1: 0},
		},
		"the lowest grade that will do": {
			[]stock.Lot{lot(1, "a", "", 1), lot(2, "d", "", 1), lot(3, "c", "", 1)},
			[]stock.Reservation{wants(1, "c", 1), wants(2, "b", 1), wants(3, "b", 1)},
			[]stock.Share{{1, 3, 1}, {2, 1, 1}},
			map[int64]int64{1: 0, 2: 1, 3: 0},
		},
		"own parts first, and nobody else's": {
			[]stock.Lot{lot(1, "d", "", 2), lot(2, "a", "ann", 1), lot(3, "a", "cleo", 1)},
			[]stock.Reservation{ann, ben},
			[]stock.Share{{1, 2, 1}, {1, 1, 1}, {2, 1, 1}},
			map[int64]int64{1: 0, 2: 0, 3: 1},
		},
		"what another asked for in particular comes last": {
			[]stock.Lot{lot(1, "b", "", 1), lot(2, "d", "", 1)},
			[]stock.Reservation{wants(1, "d", 1), second},
			[]stock.Share{{1, 1, 1}, {2, 2, 1}},
			map[int64]int64{1: 0, 2: 0},
		},
		"some wait for a part of what they want": {
			[]stock.Lot{lot(1, "b", "", 3)},
			[]stock.Reservation{wants(1, "b", 2), wants(2, "b", 2)},
			[]stock.Share{{1, 1, 2}, {2, 1, 1}},
			map[int64]int64{1: 0},
		},
		"kinds are apart": {[]stock.Lot{lot(1, "b", "", 1)}, []stock.Reservation{other}, nil, map[int64]int64{1: 1}},
	} {
		a := stock.Allocate(tt.lots, tt.reservations)
		require.Equal(t, tt.want, a.Shares, name)
		require.Equal(t, tt.free, a.Free, name)
	}
}

// shelves draws lots and reservations of one kind.
func shelves(t *rapid.T) ([]stock.Lot, []stock.Reservation) {
	owner := rapid.SampledFrom([]string{"", "", "ann", "ben"})
	grade := rapid.SampledFrom(stock.Grades)
	var lots []stock.Lot
	for i := range rapid.IntRange(0, 6).Draw(t, "lots") {
		lots = append(lots, stock.Lot{
			ID: int64(i + 1), Kind: "keypad", Condition: rapid.SampledFrom(stock.Conditions).Draw(t, "condition"),
			Grade: grade.Draw(t, "grade"), Owner: owner.Draw(t, "owner"), Quantity: rapid.Int64Range(0, 3).Draw(t, "quantity"),
		})
	}
	var reservations []stock.Reservation
	for i := range rapid.IntRange(0, 6).Draw(t, "reservations") {
		station := rapid.SampledFrom([]string{"lake-07", "lake-12", "quay-03"}).Draw(t, "station")
		reservations = append(reservations, stock.Reservation{
			ID: int64(i + 1), Kind: "keypad", Lot: max(0, rapid.Int64Range(-6, 6).Draw(t, "lot")),
			Quantity: rapid.Int64Range(1, 3).Draw(t, "wanted"), Grade: grade.Draw(t, "grade"),
			Station: station, Owner: map[string]string{"lake-07": "ann", "lake-12": "ben"}[station],
			Paid: rapid.Bool().Draw(t, "paid"), NeedBy: rapid.SampledFrom([]string{"", "2026-05-01", "2026-06-01"}).Draw(t, "need"),
			Made: unit.Instant(rapid.IntRange(0, 3).Draw(t, "made")),
		})
	}
	return lots, reservations
}

// naive gives pieces one by one, each time to the first in the queue who can
// have any, by comparing everything with everything.
func naive(lots []stock.Lot, reservations []stock.Reservation) (held map[int64]int64, left map[int64]int64) {
	held, left = map[int64]int64{}, map[int64]int64{}
	named := map[int64]bool{}
	for _, l := range lots {
		if l.Condition != stock.Broken {
			left[l.ID] = l.Quantity
		}
	}
	for _, r := range reservations {
		held[r.ID] = 0
		named[r.Lot] = true
	}
	rank := func(r stock.Reservation) string {
		key := map[bool]string{true: "0", false: "1"}[r.Paid]
		if r.NeedBy == "" {
			key += "9"
		}
		return key + r.NeedBy + "|" + string(rune('0'+r.Made)) + string(rune('0'+r.ID))
	}
	worth := func(l stock.Lot) string { // the greater, the sooner it is taken
		key := "0"
		if l.Owner != "" {
			key = "1"
		}
		if named[l.ID] {
			key += "0"
		} else {
			key += "1"
		}
		return key + string(l.Grade) + string(rune('9'-l.ID))
	}
	for range 100 {
		var who *stock.Reservation
		var what *stock.Lot
		for i := range reservations {
			r := &reservations[i]
			if held[r.ID] == r.Quantity || who != nil && rank(*who) < rank(*r) {
				continue
			}
			var best *stock.Lot
			for j := range lots {
				l := &lots[j]
				fits := left[l.ID] > 0 && (l.Owner == "" || l.Owner == r.Owner) && (r.Lot == l.ID || r.Lot == 0 && l.Grade <= r.Grade)
				if fits && (best == nil || worth(*l) > worth(*best)) {
					best = l
				}
			}
			if best != nil {
				who, what = r, best
			}
		}
		if who == nil {
			break
		}
		held[who.ID]++
		left[what.ID]--
	}
	return held, left
}

func TestAllocateAgreesWithNaive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lots, reservations := shelves(t)
		a := stock.Allocate(lots, reservations)
		held, left := naive(lots, reservations)
		require.Equal(t, held, a.Held)
		require.Equal(t, left, a.Free)

		s := stock.StatusOf(lots, reservations)
		var theirsFree, byGrade int64
		for _, l := range lots {
			if l.Owner != "" {
				theirsFree += a.Free[l.ID]
			}
		}
		for _, n := range s.Grades {
			byGrade += n
		}
		require.Equal(t, s.Stock, s.Held+s.Free+theirsFree)
		require.Equal(t, s.Stock, byGrade)
		require.Equal(t, s.Reserved, s.Held+s.Waiting)
		require.Equal(t, s.Stock-s.Theirs, s.Shop())
	})
}

// Order of input says nothing.
func TestAllocateIsDeterministic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lots, reservations := shelves(t)
		want := stock.Allocate(lots, reservations)
		lots = rapid.Permutation(lots).Draw(t, "lots")
		reservations = rapid.Permutation(reservations).Draw(t, "reservations")
		require.Equal(t, want, stock.Allocate(lots, reservations))
	})
}

// What is free, or reserved for a station, can be taken for it, and nobody
// else has less, unless it asked for a lot in particular and for any besides.
func TestPoolTakesFromNobody(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lots, reservations := shelves(t)
		station := rapid.SampledFrom([]string{"", "lake-07", "lake-12", "quay-03"}).Draw(t, "for")
		owner := map[string]string{"lake-07": "ann", "lake-12": "ben"}[station]
		asks := map[bool]bool{} // for a lot in particular, for any
		for _, r := range reservations {
			asks[r.Lot != 0] = asks[r.Lot != 0] || r.Station == station
		}
		if asks[true] && asks[false] {
			t.Skip("it may have another's turn")
		}
		taken := map[int64]int64{}
		for _, l := range stock.Pool(lots, reservations, station, owner, false) {
			require.True(t, l.For(owner))
			n := rapid.Int64Range(0, l.Quantity).Draw(t, "take")
			taken[l.ID] = n
		}
		served := stock.Fulfil(lots, reservations, taken, station, 0)
		for _, loss := range stock.Losses(lots, reservations, taken, served, station) {
			t.Fatalf("%+v", loss)
		}
	})
}

func TestFulfil(t *testing.T) {
	mine, other := wants(1, "a", 2), wants(2, "a", 2)
	mine.Visit, mine.NeedBy, other.NeedBy = 7, "2026-06-01", "2026-05-01"
	elsewhere, particular, another := wants(3, "d", 2), wants(4, "d", 1), wants(5, "d", 1)
	elsewhere.Station = "quay-03"
	particular.Lot, another.Lot = 1, 2
	all := []stock.Reservation{mine, other, elsewhere, particular, another}
	take := func(n int64, station string, visit int64) []stock.Share {
		return stock.Fulfil([]stock.Lot{lot(1, "b", "", 9)}, all, map[int64]int64{1: n}, station, visit)
	}
	require.Equal(t, []stock.Share{{4, 1, 1}, {2, 1, 1}, {1, 1, 2}}, take(4, "lake-07", 7), "of a visit first, then who has it")
	require.Equal(t, []stock.Share{{1, 1, 2}}, take(2, "lake-07", 7))
	require.Equal(t, []stock.Share{{4, 1, 1}, {2, 1, 2}, {1, 1, 1}}, take(4, "lake-07", 0), "else by their turn")
	require.Equal(t, []stock.Share{{4, 1, 1}, {2, 1, 2}, {1, 1, 2}}, take(9, "lake-07", 0), "no more than they want")
	require.Empty(t, take(9, "quay-20", 0))
	// Who waits for a better one goes on waiting: it is not served in place of
	// who will have this one, or would take another's besides.
	better, will := wants(1, "a", 1), wants(2, "b", 1)
	require.Equal(t, []stock.Share{{2, 1, 1}}, stock.Fulfil([]stock.Lot{lot(1, "b", "", 9)}, []stock.Reservation{better, will}, map[int64]int64{1: 1}, "lake-07", 0))
	// What asked for this one in particular gets it, whoever has it: there is no
	// other. What else the station asked for has its turn at the others then.
	soon := wants(2, "a", 1)
	soon.NeedBy, particular.Owner, soon.Owner = "2026-05-01", "ann", "ann"
	theirs := wants(3, "a", 1)
	theirs.Station = "quay-03"
	lots := []stock.Lot{lot(1, "a", "ann", 1), lot(2, "a", "", 1)}
	all = []stock.Reservation{soon, theirs, particular}
	served := stock.Fulfil(lots, all, map[int64]int64{1: 1}, "lake-07", 0)
	require.Equal(t, []stock.Share{{4, 1, 1}}, served)
	require.Equal(t, []stock.Loss{{theirs, 1}}, stock.Losses(lots, all, map[int64]int64{1: 1}, served, "lake-07"))
}

func TestLosses(t *testing.T) {
	mine, theirs := wants(1, "d", 1), wants(2, "b", 1)
	theirs.Station = "quay-03"
	lots := []stock.Lot{lot(1, "b", "", 1), lot(2, "d", "", 1)}
	reservations := []stock.Reservation{mine, theirs}
	served := func(l int) []stock.Share {
		return stock.Fulfil(lots, reservations, map[int64]int64{lots[l].ID: 1}, "lake-07", 0)
	}
	require.Equal(t, []stock.Loss{{theirs, 1}}, stock.Losses(lots, reservations, map[int64]int64{1: 1}, served(0), "lake-07"), "the better one is theirs")
	require.Empty(t, stock.Losses(lots, reservations, map[int64]int64{2: 1}, served(1), "lake-07"))
	require.Equal(t, []stock.Loss{{theirs, 1}}, stock.Losses(lots, reservations, map[int64]int64{2: 1}, nil, ""), "whose turn is later")
}

func TestIsLast(t *testing.T) {
	kind := &stock.Kind{ID: "keypad", Irreplaceable: true, LastOne: true}
	broken := lot(3, "a", "", 4)
	broken.Condition = stock.Broken
	lots := []stock.Lot{lot(1, "b", "", 2), lot(2, "b", "ann", 1), broken}
	for name, tt := range map[string]struct {
		kind  *stock.Kind
		taken map[int64]int64
		want  bool
	}{
		"one is left":                       {kind, map[int64]int64{1: 1}, false},
		"the shop's last, whatever ann has": {kind, map[int64]int64{1: 2}, true},
		"ann may have the shop's":           {kind, map[int64]int64{2: 1}, false},
		"ann's last and the shop's":         {kind, map[int64]int64{1: 2, 2: 1}, true},
		"broken ones are none":              {kind, map[int64]int64{3: 4}, false},
		"the rule is off":                   {&stock.Kind{Irreplaceable: true}, map[int64]int64{1: 2}, false},
		"it can be bought":                  {&stock.Kind{LastOne: true}, map[int64]int64{1: 2}, false},
		"nothing":                           {kind, nil, false},
	} {
		require.Equal(t, tt.want, stock.IsLast(tt.kind, lots, tt.taken), name)
	}
	require.False(t, stock.IsLast(kind, []stock.Lot{broken}, map[int64]int64{3: 4}), "none was usable before")
}

func TestQueueIsOfAll(t *testing.T) {
	list := []stock.Reservation{wants(2, "a", 1), wants(1, "a", 1)}
	var ids []int64
	for _, r := range stock.Queue(list) {
		ids = append(ids, r.ID)
	}
	require.Equal(t, []int64{1, 2}, ids)
	require.True(t, slices.IsSortedFunc([]stock.Grade{"a", stock.Worst}, func(a, b stock.Grade) int {
		return slices.Index(stock.Grades, a) - slices.Index(stock.Grades, b)
	}))
}
