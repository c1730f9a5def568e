package round

import (
	"context"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// lineOf makes a problem of places on a line, so many minutes from the workshop,
// and days from eight to ten, with an hour of overtime.
func lineOf(days int, minutes ...int64) *Problem {
	p := &Problem{Overtime: 2}
	for d := range days {
		p.Days = append(p.Days, Day{Date: d, Open: 8 * 3600, Close: 10 * 3600, Latest: 11 * 3600, Name: "day"})
	}
	at := append([]int64{0}, minutes...)
	for _, a := range at {
		var seconds []int64
		var cost []float64
		for _, b := range at {
			seconds = append(seconds, 60*max(a-b, b-a))
			cost = append(cost, float64(max(a-b, b-a))/60)
		}
		p.Seconds, p.Cost = append(p.Seconds, seconds), append(p.Cost, cost)
	}
	for i := range minutes {
		j := Job{ID: string(rune('a' + i)), Place: i + 1, Left: 10, Ways: []Way{{Stops: []Stop{{Service: 1200}}}}}
		for d := range days {
			j.Wait = append(j.Wait, float64(d))
		}
		p.Jobs = append(p.Jobs, j)
	}
	return p
}

func search(t *testing.T, p *Problem, o Options) *Plan {
	t.Helper()
	plan, err := Search(context.Background(), p, o)
	require.NoError(t, err)
	feasible(t, p, plan)
	return plan
}

func TestADayIsOrderedAndTimed(t *testing.T) {
	p := lineOf(1, 20, 10)
	plan := search(t, p, Options{})
	require.True(t, plan.Exact)
	require.Len(t, plan.Tours, 1)
	tour := plan.Tours[0]
	require.EqualValues(t, 40*60, tour.Drive)
	require.EqualValues(t, 8*3600+80*60, tour.Back)
	require.Zero(t, tour.Overtime)
	require.InDelta(t, 40.0/60, plan.Cost, 1e-9)
	require.Zero(t, plan.Gap())
}

func TestNobodyWaitsAtTheFirstDoor(t *testing.T) {
	p := lineOf(1, 10)
	p.Jobs[0].Ways[0].Stops[0].Hours = [][]Window{{{9 * 3600, 9 * 3600}}}
	tour := search(t, p, Options{}).Tours[0]
	require.EqualValues(t, 9*3600-600, tour.Leave)
	require.EqualValues(t, 9*3600, tour.Visits[0].Arrive)
}

func TestOvertimeIsPaidWhereItIsWorthIt(t *testing.T) {
	p := lineOf(1, 20)
	p.Jobs[0].Ways[0].Stops[0].Service = 100 * 60
	plan := search(t, p, Options{})
	require.EqualValues(t, 20*60, plan.Tours[0].Overtime)
	require.InDelta(t, 2*20.0/60, plan.Overtime, 1e-9)
	p.Jobs[0].Left = 0.5
	plan = search(t, p, Options{})
	require.Len(t, plan.Left, 1)
	require.Equal(t, NotWorth, plan.Left[0].Because)
	require.InDelta(t, 40.0/60*2-0.5, plan.Left[0].More, 1e-9)
}

func TestWhySomethingIsLeftOut(t *testing.T) {
	p := lineOf(1, 10, 10, 10, 10, 10, 90)
	p.Parts = map[string]int64{"cover": 1}
	p.Jobs[0].Ways = nil
	p.Jobs[1].Ways[0].Parts = map[string]int64{"face": 1}
	p.Jobs[2].Ways[0].Stops[0].Hours = [][]Window{{}}
	p.Jobs[3].Ways[0].Parts = map[string]int64{"cover": 1}
	p.Jobs[3].Left = 20
	p.Jobs[4].Ways[0].Parts = map[string]int64{"cover": 1}
	because := map[string]Left{}
	for _, noExact := range []bool{false, true} {
		plan := search(t, p, Options{NoExact: noExact, Steps: 500})
		for _, l := range plan.Left {
			because[p.Jobs[l.Job].ID] = l
		}
		require.Len(t, plan.Left, 5)
		require.Equal(t, NoWay, because["a"].Because)
		require.Equal(t, NoPart, because["b"].Because)
		require.Equal(t, "face", because["b"].Part)
		require.Equal(t, NoDay, because["c"].Because)
		require.Equal(t, PartTaken, because["e"].Because)
		require.Equal(t, "cover", because["e"].Part)
		require.Equal(t, NoDay, because["f"].Because, "too far for a day")
	}
	p = lineOf(1, 10, 10)
	p.Jobs[0].Ways[0].Stops[0].Service = 90 * 60
	p.Jobs[1].Ways[0].Stops[0].Service = 90 * 60
	p.Jobs[0].Must = true
	plan := search(t, p, Options{})
	require.Len(t, plan.Left, 1)
	require.Equal(t, DaysFull, plan.Left[0].Because)
	require.Equal(t, 1, plan.Left[0].Job)
}

func TestWhySomethingIsOnItsDay(t *testing.T) {
	p := lineOf(2, 20, 22)
	plan := search(t, p, Options{})
	require.Len(t, plan.Reason, 2)
	r := plan.Reason[1]
	require.Equal(t, 1, r.Job)
	require.InDelta(t, 10-4.0/60, r.Saves, 1e-9)
	require.InDelta(t, 4.0/60, r.Detour, 1e-9)
	require.Equal(t, 1, r.OtherDay)
	require.InDelta(t, 1+44.0/60-4.0/60, r.OtherBy, 1e-9)
	require.False(t, r.Alone)
}

func TestTwoVisitsOrASwap(t *testing.T) {
	p := lineOf(4, 10)
	p.Jobs[0].Ways = []Way{
		{Name: "two", Gap: 2, Away: 0.1, Stops: []Stop{{Service: 600, Dry: true}, {Service: 600}}},
		{Name: "swap", Cost: 5, Parts: map[string]int64{"loan": 1}, Stops: []Stop{{Service: 600}}},
	}
	for _, noExact := range []bool{false, true} {
		o := Options{NoExact: noExact, Steps: 200}
		p.Parts = nil
		p.Days[0].Wet = true
		plan := search(t, p, o)
		require.Len(t, plan.Tours, 2)
		require.Equal(t, []int{1, 3}, []int{plan.Tours[0].Day, plan.Tours[1].Day})
		p.Parts = map[string]int64{"loan": 1}
		p.Jobs[0].Ways[1].Cost = 0.1
		plan = search(t, p, o)
		require.Equal(t, []int{1}, plan.Way)
		p.Jobs[0].Ways[1].Cost = 5
	}
}

func TestTheSameSeedGivesTheSamePlanAndABrokenOffSearchAFittingOne(t *testing.T) {
	p := invented(rand.New(rand.NewPCG(7, 7)), 40, 8)
	var told int
	one := search(t, p, Options{Seed: 3, Steps: 1500, Progress: func(step, of int, cost float64) {
		told++
		require.Equal(t, 1500, of)
		require.LessOrEqual(t, step, of)
	}})
	require.Equal(t, one, search(t, p, Options{Seed: 3, Steps: 1500}))
	require.True(t, one.Ended)
	require.Equal(t, 4, told)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	early, err := Search(ctx, p, Options{Seed: 3, Steps: 1500})
	require.NoError(t, err)
	require.False(t, early.Ended)
	feasible(t, p, early)
	require.LessOrEqual(t, one.Cost, early.Cost)
	small, err := Search(ctx, lineOf(2, 10), Options{})
	require.NoError(t, err)
	require.False(t, small.Exact)
}

func TestWhatCantBePlannedIsSaid(t *testing.T) {
	for name, c := range map[string]struct {
		change func(p *Problem)
		field  string
	}{
		"no day":          {func(p *Problem) { p.Days = nil }, "days"},
		"hours":           {func(p *Problem) { p.Days[0].Close = p.Days[0].Open }, "hours"},
		"overtime":        {func(p *Problem) { p.Days[0].Latest = p.Days[0].Open }, "hours"},
		"order":           {func(p *Problem) { p.Days[0].Date = 3 }, "days"},
		"no legs":         {func(p *Problem) { p.Seconds = nil }, "legs"},
		"few legs":        {func(p *Problem) { p.Seconds[1] = nil }, "legs"},
		"negative leg":    {func(p *Problem) { p.Seconds[1][0] = -1 }, "legs"},
		"place":           {func(p *Problem) { p.Jobs[0].Place = 9 }, "place"},
		"losses":          {func(p *Problem) { p.Jobs[0].Wait = nil }, "loss"},
		"negative loss":   {func(p *Problem) { p.Jobs[0].Wait[1] = -1 }, "loss"},
		"no stop":         {func(p *Problem) { p.Jobs[0].Ways[0].Stops = nil }, "way"},
		"no gap":          {func(p *Problem) { w := &p.Jobs[0].Ways[0]; w.Stops = append(w.Stops, w.Stops[0]) }, "way"},
		"service":         {func(p *Problem) { p.Jobs[0].Ways[0].Stops[0].Service = -1 }, "service"},
		"impossible hour": {func(p *Problem) { p.Jobs[0].Ways[0].Stops[0].Hours = [][]Window{{{2, 1}}, nil} }, "hours"},
		"overlap":         {func(p *Problem) { p.Jobs[0].Ways[0].Stops[0].Hours = [][]Window{{{1, 5}, {4, 9}}, nil} }, "hours"},
	} {
		p := lineOf(2, 10)
		c.change(p)
		_, err := Search(context.Background(), p, Options{})
		var wrong Error
		require.ErrorAs(t, err, &wrong, name)
		require.Equal(t, c.field, wrong.Field, name)
		require.NotEmpty(t, wrong.Fix)
		require.Contains(t, err.Error(), c.field)
	}
}
