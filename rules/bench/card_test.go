package bench_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

func ptr[T any](v T) *T { return &v }

// goodCard is a card that passes for wantGood.
func goodCard() bench.Card {
	return bench.Card{
		Keys: bench.Row{There: ptr(3), Good: []int{3, 1, 2}}, Lamps: bench.Row{There: ptr(1), Good: []int{1}}, VolumeSteps: bench.Row{There: ptr(0)},
		TalkOut: bench.Good, TalkIn: bench.Good, Address: "7",
		SupplyV: ptr(24.0), StandbyMA: ptr(12.0), StandbyMostMA: ptr(12.0), TalkMA: ptr(80.5), TalkMostMA: ptr(120.0), LimitsFrom: "sheet of the model",
		CoatingParts: bench.Good, CoatingSolder: bench.Good,
		Masked:     bench.Masks{SwitchContacts: bench.Good, Microphone: bench.None, Connectors: bench.Good, AddressSwitch: bench.Good},
		InnerCover: bench.Good, CureHours: ptr(24.0), Closed: after(24 * time.Hour),
	}
}

var wantGood = bench.Wanted{Address: "7", Coated: true, CoatedAt: t0}

func TestGoodCard(t *testing.T) {
	c := goodCard()
	require.NoError(t, c.Check())
	r := bench.Judge(&c, wantGood)
	require.Equal(t, bench.Passed, r.Verdict)
	require.Empty(t, r.Reasons())
	require.Len(t, r.Lines, 16)
}

// One thing at a time is wrong, or lacks, and the card says which.
func TestJudge(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(*bench.Card, *bench.Wanted)
		verdict bench.Verdict
		reason  string
	}{
		"no count of keys":            {func(c *bench.Card, _ *bench.Wanted) { c.Keys = bench.Row{} }, bench.Incomplete, "keys: say how many there are"},
		"keys not tried":              {func(c *bench.Card, _ *bench.Wanted) { c.Keys.Good = []int{2} }, bench.Incomplete, "keys: try key 1, 3"},
		"a bad key":                   {func(c *bench.Card, _ *bench.Wanted) { c.Keys.Good, c.Keys.Bad = []int{1}, []int{3, 2} }, bench.Failed, "keys: key 2, 3"},
		"a bad lamp":                  {func(c *bench.Card, _ *bench.Wanted) { c.Lamps.Good, c.Lamps.Bad = nil, []int{1} }, bench.Failed, "lamps: lamp 1"},
		"a volume step":               {func(c *bench.Card, _ *bench.Wanted) { c.VolumeSteps.There = ptr(1) }, bench.Incomplete, "volume_steps: try volume step 1"},
		"no talk out":                 {func(c *bench.Card, _ *bench.Wanted) { c.TalkOut = bench.Bad }, bench.Failed, "talk_out: nothing, or too little, is heard inside"},
		"talk in is none":             {func(c *bench.Card, _ *bench.Wanted) { c.TalkIn = bench.None }, bench.Failed, "talk_in: every unit has this: none is no answer"},
		"address not read":            {func(c *bench.Card, _ *bench.Wanted) { c.Address = "" }, bench.Incomplete, "address: read it back from the unit; write none where it has no address"},
		"address not known":           {func(_ *bench.Card, w *bench.Wanted) { w.Address = "" }, bench.Incomplete, "address: record the station's address first, or none"},
		"another address":             {func(c *bench.Card, _ *bench.Wanted) { c.Address = "8" }, bench.Failed, `address: the unit says "8", the station's address is "7"`},
		"not measured":                {func(c *bench.Card, _ *bench.Wanted) { c.TalkMA = nil }, bench.Incomplete, "talk_current: measure it"},
		"no limit":                    {func(c *bench.Card, _ *bench.Wanted) { c.StandbyMostMA = nil }, bench.Incomplete, "standby_current: give the limit of the maker's sheet"},
		"too much":                    {func(c *bench.Card, _ *bench.Wanted) { *c.StandbyMA = 12.1 }, bench.Failed, "standby_current: 12.1 mA at 24 V is more than 12 mA"},
		"a side not looked at":        {func(c *bench.Card, _ *bench.Wanted) { c.CoatingSolder = "" }, bench.Incomplete, "coating_solder: look at it"},
		"a side with gaps":            {func(c *bench.Card, _ *bench.Wanted) { c.CoatingParts = bench.Bad }, bench.Failed, "coating_parts: the side with the parts shows gaps under UV"},
		"a side that is not there":    {func(c *bench.Card, _ *bench.Wanted) { c.CoatingParts = bench.None }, bench.Failed, "coating_parts: every unit has this: none is no answer"},
		"coated contacts":             {func(c *bench.Card, _ *bench.Wanted) { c.Masked.SwitchContacts = bench.Bad }, bench.Failed, "masked.switch_contacts: coating on switch contacts"},
		"a bare board with gaps":      {func(c *bench.Card, w *bench.Wanted) { w.Coated, c.CoatingParts = false, bench.Bad }, bench.Failed, "coating_parts: the side with the parts shows gaps under UV"},
		"inner cover off":             {func(c *bench.Card, _ *bench.Wanted) { c.InnerCover = bench.Bad }, bench.Failed, "inner_cover: the inner cover is not back on"},
		"not closed":                  {func(c *bench.Card, _ *bench.Wanted) { c.Closed = 0 }, bench.Incomplete, "cure: say when the unit was closed"},
		"coated nobody knows when":    {func(_ *bench.Card, w *bench.Wanted) { w.CoatedAt = 0 }, bench.Incomplete, "cure: record when the board was coated"},
		"hours of cure not known":     {func(c *bench.Card, _ *bench.Wanted) { c.CureHours = nil }, bench.Incomplete, "cure: give the hours of cure from the coating's sheet"},
		"closed a nanosecond early":   {func(c *bench.Card, _ *bench.Wanted) { c.Closed-- }, bench.Failed, "cure: closed at 2025-05-15T08:59:59.999999999Z, the cure ends at 2025-05-15T09:00:00Z"},
		"closed before it was coated": {func(c *bench.Card, _ *bench.Wanted) { c.Closed = t0 - 1 }, bench.Failed, "cure: closed at 2025-05-14T08:59:59.999999999Z, before it was coated at 2025-05-14T09:00:00Z"},
	} {
		card, want := goodCard(), wantGood
		c.change(&card, &want)
		require.NoError(t, card.Check(), name)
		r := bench.Judge(&card, want)
		require.Equal(t, c.verdict, r.Verdict, name)
		require.Equal(t, []string{c.reason}, r.Reasons(), name)
	}
	card := goodCard()
	card.SupplyV = nil
	r := bench.Judge(&card, wantGood)
	require.Equal(t, bench.Incomplete, r.Verdict)
	require.Len(t, r.Reasons(), 2, "both currents need the voltage")
	card.TalkOut = bench.Bad
	r = bench.Judge(&card, wantGood)
	require.Equal(t, bench.Failed, r.Verdict, "what lacks doesn't hide what failed")
	require.Len(t, r.Reasons(), 3)
}

// 07 and 7 are one setting of an address switch.
func TestAddressAsItIsSet(t *testing.T) {
	card := goodCard()
	card.Address = "07"
	require.Equal(t, bench.Passed, bench.Judge(&card, wantGood).Verdict)
}

func TestBareBoardAndOldCoat(t *testing.T) {
	card := goodCard()
	card.CoatingParts, card.CoatingSolder, card.Masked, card.Closed, card.CureHours = "", bench.None, bench.Masks{}, 0, nil
	r := bench.Judge(&card, bench.Wanted{Address: "7"})
	require.Equal(t, bench.Passed, r.Verdict)
	skipped := 0
	for _, l := range r.Lines {
		if l.Verdict == bench.Skipped {
			skipped++
		}
	}
	require.Equal(t, 7, skipped)

	card = goodCard()
	card.CureHours, card.Closed = nil, after(30*day)
	require.Equal(t, bench.Passed, bench.Judge(&card, wantGood).Verdict, "every coating is cured by then")
}

func TestEmptyCardLacksEverything(t *testing.T) {
	var c bench.Card
	require.NoError(t, c.Check())
	r := bench.Judge(&c, wantGood)
	require.Equal(t, bench.Incomplete, r.Verdict)
	require.Len(t, r.Reasons(), len(r.Lines))
}

func TestCardCheck(t *testing.T) {
	for _, c := range []struct {
		change            func(*bench.Card)
		field, value, fix string
	}{
		{func(c *bench.Card) { c.Keys.There = nil }, "keys.there", "", "how many"},
		{func(c *bench.Card) { c.Keys.There = ptr(-1) }, "keys.there", "-1", "0 to 64"},
		{func(c *bench.Card) { c.Lamps.There = ptr(65) }, "lamps.there", "65", "0 to 64"},
		{func(c *bench.Card) { c.Keys.Bad = []int{4} }, "keys", "4", "from 1 to 3"},
		{func(c *bench.Card) { c.Keys.Good = []int{0} }, "keys", "0", "from 1 to 3"},
		{func(c *bench.Card) { c.Keys.Bad = []int{1} }, "keys", "1", "good or bad"},
		{func(c *bench.Card) { c.VolumeSteps.Good = []int{1} }, "volume_steps", "1", "which are there"},
		{func(c *bench.Card) { c.TalkIn = "loud" }, "talk_in", "loud", "good, bad, none"},
		{func(c *bench.Card) { c.Masked.Microphone = "yes" }, "masked.microphone", "yes", "good, bad, none"},
		{func(c *bench.Card) { c.SupplyV = ptr(60.5) }, "supply_v", "60.5", "volts"},
		{func(c *bench.Card) { c.TalkMA = ptr(-0.1) }, "talk_ma", "-0.1", "mA"},
		{func(c *bench.Card) { c.StandbyMostMA = ptr(math.NaN()) }, "standby_most_ma", "NaN", "mA"},
		{func(c *bench.Card) { c.CureHours = ptr(math.Inf(1)) }, "cure_hours", "+Inf", "hours"},
	} {
		card := goodCard()
		c.change(&card)
		requireWrong(t, card.Check(), c.field, c.value, c.fix)
	}
	require.Equal(t, unit.Instant(0), bench.Card{}.Closed)
}
