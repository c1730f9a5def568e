package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/boxsim"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Case is one box for about a year, and what is done to it.
type Case struct {
	Name     string
	Hard     bool // every flaw of real boxes and sensors, else plain physics
	Box      boxsim.Box
	Faults   []boxsim.Fault
	Events   []Event // those of the faults that should be found
	Weather  boxsim.Weather
	Place    sun.Place
	Seed     uint64
	From, To unit.Instant
	Every    unit.Instant
	Outages  [][2]unit.Instant // the agent was off
}

// Years returns the case's length in station-years.
func (c *Case) Years() float64 { return float64(c.To-c.From) / (365.25 * float64(day)) }

// Log is what the box's sensors show, in time order.
func (c *Case) Log() []reading.Reading {
	sim := boxsim.New(c.Weather, c.Box, c.Faults, c.Seed, c.From)
	rs := make([]reading.Reading, 0, (c.To-c.From)/c.Every)
	outages := c.Outages
	for t := c.From; t < c.To; t += c.Every {
		r := sim.Next(t)
		for len(outages) > 0 && t >= outages[0][1] {
			outages = outages[1:]
		}
		if len(outages) > 0 && t >= outages[0][0] {
			continue
		}
		rs = append(rs, r)
	}
	return rs
}

// weather is a place that boxes hang at.
type weather struct {
	name  string
	place sun.Place
	air   func(seed uint64) boxsim.Weather
}

func climate(name string, c boxsim.Climate) weather {
	return weather{name, sun.Place{Lat: c.Lat, Lon: c.Lon}, func(seed uint64) boxsim.Weather { return boxsim.NewWeather(c, seed) }}
}

// places are the weathers of a fleet. The generated ones reach from a dry
// inland with hot summers to a mild coast that is damp all year. Where the measured
// series are not there a generated one stands in, so that the others' boxes are the
// same on all machines.
func places(t *testing.T) []weather {
	all := []weather{
		climate("lakeside", boxsim.Lakeside()),
		climate("quayside", boxsim.Quayside()),
		climate("inland", boxsim.Climate{Lat: 47.5, Lon: 18, MeanC: 11, SeasonAmpC: 11.5, DiurnalAmpC: 6.5, SynopticC: 3.2, MeanRH: 72, Wetness: 0.07, Maritime: 0.1}),
		climate("damp coast", boxsim.Climate{Lat: 51.5, Lon: -9.5, MeanC: 11, SeasonAmpC: 5, DiurnalAmpC: 2.5, SynopticC: 2, MeanRH: 88, Wetness: 0.2, Maritime: 1}),
	}
	for i, m := range []struct {
		file  string
		place sun.Place
	}{
		{"coast_nl_2015.csv.gz", sun.Place{Lat: 52.93, Lon: 4.78}},
		{"coast_us_2023.csv.gz", sun.Place{Lat: 40.64, Lon: -73.78}},
	} {
		if s := measured(t, m.file, m.place); s != nil {
			all = append(all, weather{m.file[:8], m.place, func(uint64) boxsim.Weather { return s }})
		} else {
			t.Logf("%s is not there: its boxes hang in generated weather", m.file)
			all = append(all, all[i])
		}
	}
	return all
}

// fleet draws n boxes, every second one with plain physics, in each weather. Of every twenty, nine
// are sound throughout; each other has two troubles, one after the other: one
// of its vapour, which sets the breathing time that it has before, and one of
// its sensors or line, either of them first.
func fleet(all []weather, n int, seed uint64) []Case {
	cases := make([]Case, n)
	troubled := 0
	for i := range cases {
		d := drawer{newRand(seed, uint64(i))}
		c := &cases[i]
		*c = d.box(all[i/2%len(all)], i)
		if sound := i%20*9%20 < 9; sound {
			d.upkeep(c)
			d.nuisance(c)
			continue
		}
		two := [2]string{inTurn(ofVapour, troubled, seed), inTurn(ofReadings, troubled, seed)}
		if d.chance(0.5) {
			two[0], two[1] = two[1], two[0]
		}
		troubled++
		from := c.From + unit.Instant(d.between(45, 80)*float64(day))
		for _, what := range two {
			until := d.trouble(c, what, from) + afterwards
			from = until + unit.Instant(d.between(5, 25)*float64(day))
			if d.chance(0.2) {
				c.Outages = append(c.Outages, [2]unit.Instant{until, from - day})
			}
			c.To = max(c.To, until)
		}
		d.nuisance(c)
	}
	return cases
}

func newRand(a, b uint64) *rand.Rand { return rand.New(rand.NewPCG(a, b)) }

// drawer draws what a case is like.
type drawer struct{ *rand.Rand }

func (d drawer) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }

func (d drawer) chance(p float64) bool { return d.Float64() < p }

func pick[T any](d drawer, from ...T) T { return from[d.IntN(len(from))] }

// box draws a box and where it hangs. Real ones have a cable hole and a weep
// hole: a breathing time of some hours is as usual as one of days.
func (d drawer) box(w weather, i int) Case {
	c := Case{
		Seed: d.Uint64(), Place: w.place, Hard: i%2 == 1, Every: pick[unit.Instant](d, 10, 10, 10, 5, 15, 20) * hour / 60,
		From: unit.At(time.Date(2022, 1, 1+d.IntN(365), d.IntN(24), d.IntN(60), d.IntN(60), 0, time.UTC)),
	}
	c.To = c.From + 365*day
	c.Weather = w.air(d.Uint64())
	c.Name = fmt.Sprintf("box %d, %s", i, w.name)
	if d.chance(0.06) {
		c.Every = hour / 60 // as agents do; the others save the proof's time
	}
	c.Box = boxsim.Box{
		TauH: pick(d, 6.0, 9, 12, 20, 30, 45, 60, 90), ThermalTauMin: d.between(12, 40),
		SkyCoolingK: d.between(2, 5), SelfHeatK: d.between(0.1, 1), SunGainK: d.between(2, 14),
		StandbyMA: pick(d, 8.0, 12, 12, 12, 30, 200), Noise: d.between(0.5, 1.5), Frost: true,
		HasBoard: d.chance(0.7), HasCover: d.chance(0.2), HasOutside: d.chance(0.85), HasLine: d.chance(0.8), HasComb: d.chance(0.2),
	}
	if d.chance(0.4) {
		c.Box.SupplyV = pick(d, 12.0, 24)
	}
	if c.Hard {
		d.flaws(&c)
	}
	return c
}

// flaws gives a box what real ones have: sensors that are off, walls that take
// up water, wind, and a line on which people talk.
func (d drawer) flaws(c *Case) {
	b := &c.Box
	b.RHBias, b.OutsideBias = 1.8*d.NormFloat64(), 1.2*d.NormFloat64()
	b.BoardBias, b.AirBias = 0.25*d.NormFloat64(), 0.1*d.NormFloat64()
	b.WindPerMS, b.Pumping = d.between(0.02, 0.12), true
	b.Skin = boxsim.Buffer{Share: d.between(0.1, 0.6), TauH: d.between(1, 6)}
	b.Bulk = boxsim.Buffer{Share: d.between(0, 0.8), TauH: d.between(24, 300)}
	b.SupplyDrift = 0.02
	b.WettingH = d.between(2, 12)
	b.FailShare = pick(d, 0, 0, 0.01)
	b.HeaterH = pick(d, 0.0, 0, 0, 24, 168)
	b.Use = boxsim.Use{Calls: d.between(0, 5), TalkMA: d.between(20, 60), LongCalls: d.between(0, 0.3)}
	if d.chance(0.3) {
		b.Use.RadioH, b.Use.RadioMA = d.between(0.5, 4), d.between(5, 40)
	}
	if d.chance(0.3) {
		b.SaltUS = d.between(0.1, 1)
	}
}

// nuisance adds what happens to every station now and then and is no trouble:
// keys held for minutes, and reads that fail for hours, though not while
// something is to be found.
func (d drawer) nuisance(c *Case) {
	for range 4 {
		at := c.From + unit.Instant(d.between(0, 365)*float64(day))
		c.fault(boxsim.CurrentStep, d.between(10, 60), at, at+unit.Instant(d.between(2, 25)*float64(hour)/60))
	}
	from := c.From + unit.Instant(d.between(0, 365)*float64(day))
	to := from + unit.Instant(d.between(2, 60)*float64(hour))
	if !slices.ContainsFunc(c.Events, func(e Event) bool { return from < e.By && to > e.From }) {
		c.fault(boxsim.Dropout, d.between(0.2, 1), from, to)
	}
}

// upkeep is what can happen to a sound box in a year: days without power, a new
// cover that is better than the old, another sensor.
func (d drawer) upkeep(c *Case) {
	at := func(lo, hi float64) unit.Instant { return c.From + unit.Instant(d.between(lo, hi)*float64(day)) }
	if d.chance(0.4) {
		off := at(30, 330)
		c.Outages = append(c.Outages, [2]unit.Instant{off, off + unit.Instant(d.between(1, 25)*float64(day))})
	}
	if d.chance(0.2) {
		c.fault(boxsim.Repaired, c.Box.TauH*d.between(1, 4), at(80, 300), 0)
	}
	if d.chance(0.2) {
		bias := 0.0
		if c.Hard {
			bias = 1.8 * d.NormFloat64()
		}
		c.fault(boxsim.SensorSwapped, bias, at(80, 300), 0)
	}
}

func (c *Case) fault(k boxsim.FaultKind, size float64, from, to unit.Instant) {
	c.Faults = append(c.Faults, boxsim.Fault{Kind: k, Size: size, From: from, To: to})
}

// event records what should be found. It ends with until; what is concluded
// some days after belongs to it too.
func (c *Case) event(label string, size float64, from unit.Instant, owedDays float64, until unit.Instant, kinds, side []finding.Kind) {
	last := c.Faults[len(c.Faults)-1].Kind // what is to be found
	c.Events = append(c.Events, Event{
		Label: label, What: fmt.Sprintf("%s %.3g (breathing %.3g h)", last, size, c.Box.TauH), Kinds: kinds, Side: side,
		From: from, By: from + unit.Instant(owedDays*float64(day)), Until: until + afterwards,
	})
}

type kinds = []finding.Kind

// The troubles of a fleet. Their numbers have no common divisor, so that in
// time each of one list meets each of the other.
var (
	ofVapour   = []string{"seal 60 3", "water", "ageing", "crack", "seal 12 2", "wall", "seal 60 10", "water", "seal 6 1.5", "crack"}
	ofReadings = []string{"stuck", "step up", "leakage", "creep 18", "step down", "no current", "creep 8", "stuck noise", "voltage"}
)

func inTurn(list []string, n int, seed uint64) string {
	return list[(uint64(n)+seed)%uint64(len(list))]
}

// trouble does something to the box at about from and mends it; it returns
// when it is over. For air from the wall no time is set: a heating month is
// taken.
func (d drawer) trouble(c *Case, what string, from unit.Instant) unit.Instant {
	days := func(n float64) unit.Instant { return from + unit.Instant(n*float64(day)) }
	b := &c.Box
	switch what {
	case "seal 60 3", "seal 60 10", "seal 12 2", "seal 6 1.5":
		var before, after float64
		_, _ = fmt.Sscanf(what, "seal %g %g", &before, &after)
		b.HasOutside, b.TauH = true, before
		until := days(30)
		c.fault(boxsim.OpenedSeal, after, from, until)
		c.event("seal", after, from, 10, until, kinds{sealOpened}, nil)
		return until
	case "crack":
		// Rain gets in, and a few drops last for weeks: a box that breathes in
		// three hours gives off some milligrams a day for each hPa. Either name
		// sends a person to the cover.
		b.HasOutside = true
		after, until := b.TauH*d.between(0.05, 0.25), days(30)
		c.fault(boxsim.CrackedCover, after, from, 0)
		c.event("crack", after, from, 10, until, kinds{sealOpened, waterInside}, nil)
		c.fault(boxsim.Repaired, 0, until, 0)
		return until
	case "ageing":
		b.HasOutside = true
		half := d.between(25, 45)
		until := days(2.2 * half)
		c.fault(boxsim.AgeingCover, half, from, until)
		c.event("ageing", half, from, 2*half, until, kinds{sealOpened}, nil)
		return until
	case "water":
		until, grams := days(d.between(6, 15)), d.between(3, 40)
		c.fault(boxsim.WaterInside, grams, from, until)
		c.event("water", grams, from, 2, until, kinds{waterInside}, nil)
		return until
	case "step up", "step down":
		b.HasLine = true
		size := b.StandbyMA * pick(d, 0.1, 0.2, 1, 2)
		found := kinds{stepUp}
		if what == "step down" {
			size, found = -b.StandbyMA*pick(d, 0.1, 0.2, 0.5), kinds{stepDown}
		}
		until := days(d.between(5, 20))
		c.fault(boxsim.CurrentStep, size, from, until)
		c.event("step", size, from, 2, until, found, kinds{stepUp, stepDown}) // and back
		return until
	case "no current", "voltage":
		b.HasLine = true
		left, found := 0.0, kinds{noCurrent, stepDown}
		if what == "voltage" {
			b.SupplyV, left, found = 24, d.between(0.5, 0.8), kinds{voltageLow, stepDown}
		}
		until := days(d.between(5, 15))
		c.fault(boxsim.SupplyLow, left, from, until)
		c.event("step", left, from, 2, until, found, kinds{stepUp, stepDown, noCurrent, voltageLow})
		return until
	case "leakage":
		b.HasLine = true
		size, until := d.between(15, 60), days(75)
		c.fault(boxsim.Leakage, size, from, until)
		c.event("leakage", size, from, 30, until, kinds{leakage}, nil)
		return until
	case "stuck", "stuck noise":
		size, until := 0.0, days(d.between(4, 12))
		if what == "stuck noise" {
			size = d.between(0.05, 0.4)
		}
		c.fault(boxsim.StuckSensor, size, from, until)
		c.event("stuck", size, from, 2, until, kinds{sensorDoubt}, kinds{waterInside}) // at saturation it may as well be water
		return until
	case "creep 18", "creep 8":
		size, owed := 18.0, 30.0
		if what == "creep 8" {
			size, owed = 8, 45
		}
		size *= pick(d, -1.0, 1)
		until := days(owed + d.between(2, 15))
		c.fault(boxsim.SensorCreep, size, from, until)
		c.event(fmt.Sprintf("creep%d", int(max(size, -size))), size, from, owed, until, kinds{sensorDoubt}, nil)
		return until
	case "wall":
		b.HasOutside = true
		from = c.heating(from)
		share, until := d.between(0.15, 0.5), days(45)
		c.fault(boxsim.WallAir, share, from, until)
		c.event("wall", share, from, 30, until, kinds{wallAir}, kinds{sealOpened})
		return until
	}
	panic("unknown trouble " + what)
}

// heating returns the first instant from t on after which thirty days are cold
// enough for houses to be heated: below 8 °C in the mean.
func (c *Case) heating(t unit.Instant) unit.Instant {
	for ; t < c.To-60*day; t += 2 * day {
		sum := 0.0
		for h := range unit.Instant(120) {
			sum += float64(c.Weather.At(t + h*6*hour).Temp)
		}
		if sum/120 < 8 {
			return t
		}
	}
	return t
}

// What sensors can tell apart.
const (
	tellsRH    = 2.0  // %RH: what makers of humidity sensors state as their accuracy
	tellsShare = 5e-4 // of the current: the scatter of a reading of the line meter …
	tellsMA    = 0.1  // mA … and the least leakage that is to be found
	showsPart  = 0.1  // of the hours until it is due, in which a trouble of the box's air shows
)

// owe settles until when each event is to be found, and which could not be, from
// what the sensors show, log, and what they would show of a twin of the box
// without the trouble. It knows nothing of what any rule says. What nobody could
// have told is counted as unseen, beside what was found and what was missed:
//
//   - Leakage is due thirty days after it began, or seven after it has taken more
//     than 0.1 mA, and more than twice what readings scatter, for twelve hours in
//     all, whichever is later.
//   - A stuck sensor is due two days after it began, or one and a half after it was
//     off by more than 3 %RH for six hours in all: what sticks at what is true
//     anyway can't be told. What sticks at saturation is "water or sensor", for
//     saturation alone must never silence water.
//   - Of all others the air in the box must differ by more than a humidity sensor is
//     accurate to, in the mean of an hour, in a tenth of the hours until they are
//     due. In air that is saturated inside and out they don't.
//
// What is mended before it is due is unseen, too.
func (c *Case) owe(log []reading.Reading) {
	for i := range c.Events {
		e := &c.Events[i]
		switch e.Label {
		case "step":
		case "leakage":
			c.oweAfter(e, log, reading.LineCurrent, max(tellsMA, 2*tellsShare*c.Box.StandbyMA), 12*hour, 7*day)
		case "stuck":
			c.oweAfter(e, log, reading.InsideRH, 3, 6*hour, 36*hour)
			if shownAt(log, e.From, reading.InsideRH) > 97.5 {
				e.By = 0
			}
		default:
			if shows, known := c.shows(e, log); shows < showsPart*known {
				e.By = 0
			}
		}
	}
}

// shownAt is what the first reading from an instant on shows that has the
// channel.
func shownAt(log []reading.Reading, t unit.Instant, ch reading.Channel) float64 {
	for i := range log {
		if v, ok := log[i].Get(ch); ok && log[i].Time >= t {
			return v
		}
	}
	return math.NaN()
}

// twin is what the sensors would show until an instant, were the trouble not
// there.
func (c *Case) twin(e *Event, until unit.Instant) []reading.Reading {
	twin := *c
	twin.Faults = slices.DeleteFunc(slices.Clone(c.Faults), func(f boxsim.Fault) bool { return f.From == e.From })
	twin.To = until
	return twin.Log()
}

func (c *Case) oweAfter(e *Event, log []reading.Reading, ch reading.Channel, off float64, total, grace unit.Instant) {
	ends := min(c.To, e.Until-afterwards)
	without := c.twin(e, ends)
	shown, due := unit.Instant(0), unit.Instant(0)
	for j := range without {
		a, _ := log[j].Get(ch)
		b, _ := without[j].Get(ch)
		if log[j].Time < e.From || math.Abs(a-b) <= off {
			continue
		}
		if shown += c.Every; shown >= total {
			due = max(e.By, log[j].Time+grace)
			break
		}
	}
	if due >= ends {
		due = 0
	}
	e.By = due
}

// shows returns the hours until an event is due in which the air in the box shows
// it, and all that are known.
func (c *Case) shows(e *Event, log []reading.Reading) (shows, known float64) {
	return hoursShown(log, c.twin(e, e.By), e.From)
}

// hoursShown holds a log from an instant on against what would have been shown
// without the trouble, as long as that is known, and returns the hours in which the air
// differs, and all.
func hoursShown(log, without []reading.Reading, from unit.Instant) (shows, known float64) {
	var off, n float64
	end := func() {
		if n > 0 {
			known++
			if math.Abs(off/n) > tellsRH {
				shows++
			}
		}
		off, n = 0, 0
	}
	for j := range without {
		r := &log[j]
		if r.Time < from {
			continue
		}
		if j > 0 && r.Time/hour != log[j-1].Time/hour {
			end()
		}
		a, there := r.Get(reading.InsideRH)
		b, too := without[j].Get(reading.InsideRH)
		if there && too {
			off, n = off+min(a, 100)-min(b, 100), n+1
		}
	}
	end()
	return shows, known
}

// TestFleet holds what the proof promises of its boxes.
func TestFleet(t *testing.T) {
	all := places(t)
	for seed := range uint64(5) {
		cases := fleet(all, 100, seed)
		sound, labels, flaws := 0, map[string]int{}, map[sun.Place][2]int{}
		for i := range cases {
			c := &cases[i]
			n := flaws[c.Place]
			n[i%2]++
			flaws[c.Place] = n
			require.Equal(t, i%2 == 1, c.Hard)
			if len(c.Events) == 0 {
				sound++
				continue
			}
			for j, e := range c.Events {
				labels[e.Label]++
				require.Less(t, e.From, e.Until)
				require.GreaterOrEqual(t, e.From, c.From+45*day, "the baseline comes first")
				require.LessOrEqual(t, e.By, c.To, "%s: %s", c.Name, e.What)
				if j > 0 {
					require.GreaterOrEqual(t, e.From, c.Events[j-1].Until, "one trouble after the other")
				}
				for _, o := range c.Outages {
					require.False(t, o[0] < e.Until && o[1] > e.From, "nothing is owed that was not heard")
				}
			}
		}
		require.Equal(t, 45, sound)
		for place, n := range flaws {
			require.Equal(t, n[0], n[1], "%v: as many plain boxes as others", place)
		}
		require.Len(t, labels, 10, "%v", labels)
	}
}

// TestEveryTroubleShows: each differs, in the time in which it is owed, from a
// twin without it.
func TestEveryTroubleShows(t *testing.T) {
	seen := map[string]bool{}
	cases := fleet(places(t), 100, 2)
	for i := range cases {
		c := &cases[i]
		if len(c.Events) == 0 || seen[c.Events[0].Label] && seen[c.Events[1].Label] {
			continue
		}
		c.Every, c.Box.Noise = hour/6, 0
		c.From = c.Events[0].From - 20*day
		log := c.Log()
		c.owe(log)
		for _, e := range c.Events {
			if e.By == 0 {
				continue
			}
			seen[e.Label] = true
			without := c.twin(&e, c.To)
			n, squares, current := 0.0, 0.0, 0.0
			for j := range log {
				if log[j].Time < e.From || log[j].Time > e.By {
					continue
				}
				n++
				a, _ := log[j].Get(reading.InsideRH)
				b, _ := without[j].Get(reading.InsideRH)
				squares += (a - b) * (a - b)
				a, _ = log[j].Get(reading.LineCurrent)
				b, _ = without[j].Get(reading.LineCurrent)
				current = max(current, math.Abs(a-b))
			}
			require.True(t, math.Sqrt(squares/n) > 0.5 || current > 0.1, "%s: %s: %.2f %%RH, %.3f mA", c.Name, e.What, math.Sqrt(squares/n), current)
		}
	}
	require.Len(t, seen, 10, "%v", seen)
}

// TestLeakageIsOwedOnceItFlows: 60 µS at 24 V are 1.4 mA in saturated air.
func TestLeakageIsOwedOnceItFlows(t *testing.T) {
	all := places(t)
	d := drawer{newRand(1, 2)}
	damp := d.box(all[3], 0)
	from := damp.From + 50*day
	damp.Box.TauH = 6
	d.trouble(&damp, "leakage", from)
	dry := damp
	dry.Weather = constant{Temp: 15, RH: 40, Cloud01: 1, WindMS: 5}
	dry.Events = []Event{damp.Events[0]}

	damp.owe(damp.Log())
	require.GreaterOrEqual(t, damp.Events[0].By, from+30*day)
	dry.owe(dry.Log())
	require.Zero(t, dry.Events[0].By)
}

// TestWhatShowsIsOwed: water and an open seal in a dry box are never unseen, nor is
// air from the wall, nor a sensor that creeps; in fog nobody can tell any but the
// sensor.
func TestWhatShowsIsOwed(t *testing.T) {
	dry := &swinging{constant{Temp: 8, RH: 60, Cloud01: 1, WindMS: 3}, 25}
	fog := &swinging{constant{Temp: 8, RH: 100, Cloud01: 1, WindMS: 3}, 0}
	for _, what := range []string{"water", "seal 60 3", "seal 60 10", "crack", "ageing", "wall", "creep 8", "creep 18"} {
		for seed := range uint64(8) {
			d := drawer{newRand(seed, 7)}
			c := d.box(weather{"made up", sun.Place{Lat: 50}, func(uint64) boxsim.Weather { return dry }}, int(seed))
			c.Box.TauH, c.Box.SelfHeatK, c.Box.SunGainK = 60, 0.1, 0
			from := c.From + 60*day
			d.trouble(&c, what, from)
			c.To = c.Events[0].By + day
			due := c.Events[0].By
			c.owe(c.Log())
			require.Equal(t, due, c.Events[0].By, "%s in dry air, %d", c.Events[0].What, seed)

			c.Weather, c.Seed, c.Every = fog, seed, hour/6
			c.owe(c.Log())
			if what != "creep 8" && what != "creep 18" {
				require.Zero(t, c.Events[0].By, "%s in fog, %d", c.Events[0].What, seed)
			}
		}
	}
}

// swinging is air whose humidity follows a wave of three days.
type swinging struct {
	constant
	swing float64 // %RH
}

func (s *swinging) At(t unit.Instant) boxsim.Air {
	air := s.constant.At(t)
	air.RH += unit.Percent(s.swing * math.Sin(2*math.Pi*float64(t)/float64(3*day)))
	return air
}

// constant is the same air for ever.
type constant boxsim.Air

func (c constant) At(unit.Instant) boxsim.Air { return boxsim.Air(c) }
