package detect

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// otherCase is one box of the other simulator for about a year, and what is done
// to it.
type otherCase struct {
	name     string
	hard     bool // biases, wind, and much that takes up vapour
	box      otherBox
	region   *region
	spells   []spell
	mishap   mishap
	from, to unit.Instant
	every    unit.Instant
	outages  [][2]unit.Instant
	seed     uint64
	event    *Event // what is to be found; nil in a sound box
}

func (c *otherCase) years() float64 { return float64(c.to-c.from) / (365.25 * float64(day)) }

// otherLog is what the sensors show, and the truth beside it.
type otherLog struct {
	shown  []reading.Reading
	excess []float64                // hPa above outdoors, means of whole days since the mishap
	liquid map[unit.Instant]float64 // mg, the most of each day
}

// seenMG is liquid water that a person sees who opens the box (judgement value).
const seenMG = 300

// wet is the most liquid water, mg, while a finding grew.
func (l *otherLog) wet(f finding.Finding) float64 {
	most := 0.0
	for d := f.From / day; d <= f.Concluded/day; d++ {
		most = max(most, l.liquid[d])
	}
	return most
}

// run simulates until an instant.
func (c *otherCase) run(until unit.Instant) otherLog {
	d := drawer{newRand(c.seed, 1)}
	s := newInside(&c.box, c.region, c.spells, c.mishap, c.from, d.Rand)
	log := otherLog{shown: make([]reading.Reading, 0, (until-c.from)/c.every), liquid: map[unit.Instant]float64{}}
	sum := 0.0
	for t := c.from; t < until; t += minute {
		out := s.step(t)
		log.liquid[t/day] = max(log.liquid[t/day], s.puddle+s.films[0]+s.films[1])
		if t >= c.mishap.at {
			sum += s.excess * float64(minute) / float64(day)
			if (t+minute-c.mishap.at)%day == 0 {
				log.excess, sum = append(log.excess, sum), 0
			}
		}
		if (t-c.from)%c.every != 0 {
			continue
		}
		r := s.show(t, out)
		off := slices.ContainsFunc(c.outages, func(o [2]unit.Instant) bool { return t >= o[0] && t < o[1] })
		if !d.chance(c.box.dropped) && !off {
			log.shown = append(log.shown, r)
		}
	}
	return log
}

// owe settles until when the mishap is to be found, or that nobody could have told, as
// Case.owe does. For air from the wall the clock runs from the end of the first week in
// which the box is moister than outdoors by half a hectopascal in the mean.
func (c *otherCase) owe(log *otherLog) {
	e := c.event
	switch {
	case e == nil:
	case e.Label == "wall":
		e.By = 0
		for i := 7; i <= len(log.excess); i++ {
			if mean(log.excess[i-7:i]) > 0.5 {
				e.By = e.From + unit.Instant(i)*day + 45*day
				break
			}
		}
	default:
		twin := *c
		twin.mishap = mishap{}
		if shows, known := hoursShown(log.shown, twin.run(e.By).shown, e.From); shows < showsPart*known {
			e.By = 0
		}
	}
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

// otherTroubles are what is done to boxes, in turn: seals open, a crack lets rain in,
// covers age, there is water, air comes from the wall.
var otherTroubles = []string{
	"seal 60 3", "water", "wall", "crack", "seal 60 10", "water", "ageing", "seal 12 2", "wall", "water",
	"seal 6 1.5", "crack", "water", "seal 60 3", "wall", "ageing", "seal 12 2", "water", "seal 6 1.5", "wall",
}

// otherFleet draws n boxes, every second one with plain physics. Of every twenty nine
// are sound throughout, of which some are repaired or get another sensor; each other has
// one trouble, which stays.
func otherFleet(all []*region, n int, seed uint64) []otherCase {
	cases := make([]otherCase, n)
	sound, troubled := 0, 0
	for i := range cases {
		d := drawer{newRand(seed, 1<<32+uint64(i))}
		c := &cases[i]
		*c = d.other(all[i/2%len(all)], i)
		if i%20*9%20 < 9 {
			d.soundOther(c, sound)
			sound++
		} else {
			d.troubleOther(c, inTurn(otherTroubles, troubled, seed-1))
			troubled++
		}
		d.outagesOther(c)
	}
	return cases
}

// logBetween draws between bounds of which the middle is the geometric one.
func (d drawer) logBetween(lo, hi float64) float64 { return lo * math.Pow(hi/lo, d.Float64()) }

// some draws an instant, on a minute, so many days after another.
func (d drawer) some(after unit.Instant, lo, hi float64) unit.Instant {
	return (after + unit.Instant(d.between(lo, hi)*float64(day))).Floor(time.Minute)
}

// other draws a box and where it hangs. All ranges are judgement values.
func (d drawer) other(r *region, i int) otherCase {
	c := otherCase{
		name: fmt.Sprintf("other box %d, %s", i, r.name), hard: i%2 == 1, region: r, every: 5 * minute, seed: d.Uint64(),
		from: unit.At(time.Date(2022, 1, 1+d.IntN(365), 0, 0, 0, 0, time.UTC)),
	}
	if d.chance(0.15) {
		c.every = 10 * minute
	}
	c.to = c.from + 340*day
	c.box = otherBox{
		litres: d.logBetween(0.3, 1.5), tauH: d.logBetween(1.5, 80),
		paper: d.logBetween(0.2, 1), paperMin: d.between(15, 45), plastic: d.logBetween(0.4, 2), plastic20H: d.logBetween(20, 60),
		sun: d.between(0.05, 0.35), sky: d.between(0.1, 0.4), airK: d.between(0, 1), boardK: d.between(0, 0.5),
		coverMin: d.between(12, 30), wallH: d.between(4, 9), houseHeat: d.between(0, 0.04), houseHPa: d.between(4, 7),
		standby: d.between(6, 20), leakage: d.between(0, 0.05), tempCo: d.between(-4e-4, 4e-4),
		hasBoard: d.chance(0.8), hasLine: d.chance(0.5),
		rhNoise: d.between(0.05, 0.1), tempNoise: d.between(0.02, 0.05), dropped: 0.003,
	}
	if c.hard {
		d.hardOther(&c.box)
	}
	return c
}

// hardOther gives a box more of all, wind that opens it, and sensors that are off.
func (d drawer) hardOther(b *otherBox) {
	b.windShare = d.between(0.2, 0.8)
	b.paper, b.plastic, b.plastic20H = d.logBetween(0.3, 3), d.logBetween(0.5, 5), d.logBetween(20, 90)
	b.airK, b.boardK, b.sun, b.sky = d.between(0, 2), d.between(0, 0.8), d.between(0.05, 0.8), d.between(0.1, 0.6)
	b.houseHeat = d.between(0, 0.08)
	if d.chance(0.5) {
		b.wallShare = d.between(0, 0.12)
	}
	b.rhBias, b.tempBias, b.boardBias = 1.8*d.NormFloat64(), 0.15*d.NormFloat64(), 0.25*d.NormFloat64()
	b.outRHBias, b.outTempBias, b.shield = 1.8*d.NormFloat64(), 0.15*d.NormFloat64(), d.between(0.2, 1.5)
	b.dropped = d.between(0.002, 0.03)
}

// soundOther is what befalls sound boxes: some weather that the region seldom has, a
// repair, another sensor.
func (d drawer) soundOther(c *otherCase, n int) {
	at := d.some(c.from, 70, 190)
	switch {
	case n%12 == 3:
		c.box.tauH = pick(d, 12.0, 6, 3, 6)
		c.mishap = mishap{what: "repair", at: at, tauH: 60}
		return
	case n%8 == 1:
		off := 0.6
		if c.hard {
			off = 1.8
		}
		c.mishap = mishap{what: "swap", at: at, rhOff: off * d.NormFloat64(), tOff: c.box.tempBias + 0.1*d.NormFloat64()}
		return
	}
	season := map[string]float64{"fog": 305, "cold": 25, "rain": 160, "heat": 200} // day of the year
	for what := range strings.FieldsSeq(pick(d, "", "", "fog", "cold heat", "rain", "fog rain", "heat", "cold")) {
		s := spell{what, unit.At(time.Date(2022, 1, 1, 0, 0, 0, 0, time.UTC)), d.between(3, 7)}
		s.from += unit.Instant(season[what]+d.between(-25, 25)) * day
		for s.from < c.from+60*day {
			s.from += yearHours * hour
		}
		if s.from < c.to-20*day {
			c.spells = append(c.spells, s)
		}
	}
}

// troubleOther does something to the box after some months, and says what is to be
// found: seals and cracks within ten days, water within two, an ageing cover before it
// is four times as open, and air from the wall within 45 days from when it is felt.
func (d drawer) troubleOther(c *otherCase, what string) {
	c.mishap = mishap{what: what, at: d.some(c.from, 70, 190)}
	m := &c.mishap
	label, kinds, owed := what, []finding.Kind{sealOpened}, 10.0
	var side []finding.Kind
	switch what {
	default:
		label, m.what = "seal", "seal"
		_, _ = fmt.Sscanf(what, "seal %g %g", &c.box.tauH, &m.tauH)
	case "crack":
		c.box.tauH = pick(d, 60.0, 12, 6, 30)
		m.tauH, m.leak = c.box.tauH*d.logBetween(0.07, 0.25), d.between(0.03, 0.33)
		kinds = append(kinds, waterInside)
	case "ageing":
		c.box.tauH = pick(d, 60.0, 12, 30, 6)
		m.tauH, m.days = c.box.tauH/5, d.between(60, 200)
		c.to, owed = c.from+400*day, m.days*math.Log(4)/math.Log(5)
	case "water":
		c.box.tauH = pick(d, 60.0, 12, 6, 30, 3, 80, 1.5, 20)
		m.grams = d.logBetween(0.5, 10)
		kinds, owed = []finding.Kind{waterInside}, 2
	case "wall":
		c.box.tauH, c.box.wallShare = pick(d, 60.0, 12, 6, 30, 20), min(c.box.wallShare, 0.03)
		m.share = d.between(0.15, 0.5)
		winter := d.some(unit.At(time.Date(2022, 10, 15, 0, 0, 0, 0, time.UTC)), 0, 120)
		c.from += (winter - m.at).Floor(24 * time.Hour)
		c.to, m.at = c.from+340*day, winter
		kinds, side, owed = []finding.Kind{wallAir}, []finding.Kind{sealOpened}, 45
	}
	c.event = &Event{
		Label: label, What: fmt.Sprintf("%s (breathing %.3g h) %s", label, c.box.tauH, m), Kinds: kinds, Side: side,
		From: m.at, By: m.at + unit.Instant(owed*float64(day)), Until: c.to + day,
	}
}

// outagesOther leaves some of the log away, though not days in which something is to be
// found.
func (d drawer) outagesOther(c *otherCase) {
	n := 1 + d.IntN(2)
	if c.hard {
		n = 3 + d.IntN(4)
	}
	for i := range n {
		hours := 2 + d.ExpFloat64()*10
		if i == 0 && c.hard {
			hours = d.between(48, 168)
		}
		from := c.from + unit.Instant(d.Float64()*float64(c.to-c.from))
		to := from + unit.Instant(hours*float64(hour))
		if c.event != nil && to > c.event.From-day && from < c.event.From+14*day {
			continue
		}
		c.outages = append(c.outages, [2]unit.Instant{from, to})
	}
}

// otherTally adds up what came of the other boxes. A trouble stays to the end of the
// log. What is said after it began and is neither it nor what may be said beside it is
// misnamed; what is said where there is none is false.
type otherTally struct {
	mu               sync.Mutex
	sound            int
	years, soundYear float64 // station-years: all, and before a trouble
	wrong, misnamed  int
	wallCalledWater  int
	groups           map[string]*group
	notes            []string
}

func (s *otherTally) add(c *otherCase, log *otherLog, found []finding.Finding) {
	s.mu.Lock()
	defer s.mu.Unlock()
	note := func(format string, args ...any) { s.notes = append(s.notes, c.name+": "+fmt.Sprintf(format, args...)) }
	var events []Event
	ends := c.to
	if e := c.event; e != nil {
		events, ends = append(events, *e), e.From
		// House air, and that of cold nights, leaves water in a box.
		found = slices.DeleteFunc(slices.Clone(found), func(f finding.Finding) bool {
			return f.Kind == waterInside && e.Label != "water" && e.Label != "crack" && f.Concluded >= e.From && log.wet(f) > seenMG
		})
	} else {
		s.sound++
	}
	out := Score(events, found)
	s.years += c.years()
	s.soundYear += float64(ends-c.from) / (365.25 * float64(day))
	for _, f := range out.False {
		if f.Concluded < ends {
			s.wrong++
			note("false %s from %s, concluded %s; %s", f.Kind, f.From, f.Concluded, c.mishap.what)
			continue
		}
		s.misnamed++
		note("%s called %s from %s, concluded %s, %.0f mg liquid", c.event.What, f.Kind, f.From, f.Concluded, log.wet(f))
		if c.event.Label == "wall" && f.Kind == waterInside {
			s.wallCalledWater++
		}
	}
	for _, h := range out.Hits {
		g := s.groups[h.Label]
		if g == nil {
			g = &group{}
			s.groups[h.Label] = g
		}
		g.add(h)
		switch {
		case h.By == 0:
			note("unseen %s on %s", h.What, h.From)
		case math.IsNaN(h.Days):
			note("missed %s on %s, due %s, said %s", h.What, h.From, h.By, later(found, h.Event))
		}
	}
}

// later is when an event was called by its name at last.
func later(found []finding.Finding, e Event) string {
	for _, f := range found {
		if f.Concluded >= e.From && slices.Contains(e.Kinds, f.Kind) {
			return fmt.Sprintf("after %.1f days", float64(f.Concluded-e.From)/float64(day))
		}
	}
	return "never"
}

// line is what the proof prints.
func (s *otherTally) line(boxes int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "boxes=%d healthy=%d years=%.1f", boxes, s.sound, s.years)
	unseen := 0
	for _, l := range []string{"seal", "water", "wall", "crack", "ageing"} {
		g := cmp.Or(s.groups[l], &group{})
		fmt.Fprintf(&b, " found_%s=%d/%d", l, g.hit, g.hit+g.missed)
		unseen += g.unseen
	}
	fmt.Fprintf(&b, " unseen=%d false_per_station_year=%.3f misnamed=%d wall_called_water=%d median_days_water=%s",
		unseen, float64(s.wrong)/s.soundYear, s.misnamed, s.wallCalledWater, number(cmp.Or(s.groups["water"], &group{}).quantile(0.5), 1))
	return b.String()
}

// hold fails where the rules have become worse at boxes that they were not made with.
func (s *otherTally) hold(t *testing.T) {
	require.LessOrEqual(t, float64(s.wrong)/s.soundYear, 0.15, "false findings a station-year")
	require.Zero(t, s.wallCalledWater, "air from the wall called water")
	for l, part := range map[string]int{"seal": 2, "water": 3} {
		g := s.groups[l]
		require.GreaterOrEqual(t, part*g.hit, g.hit+g.missed, "%s found in time", l)
	}
}

// TestOtherFleet holds what the proof promises of its boxes: enough of them sound, each
// trouble in plain ones and in hard ones, a baseline before it, and as a twin the same
// box until then.
func TestOtherFleet(t *testing.T) {
	all := regions(t)
	for seed := range uint64(3) {
		cases := otherFleet(all, 110, seed)
		what := map[string]int{}
		for i := range cases {
			c := &cases[i]
			what[c.mishap.what]++
			if c.event == nil {
				what["sound"]++
				continue
			}
			what[fmt.Sprintf("%s %t", c.event.Label, c.hard)]++
			require.GreaterOrEqual(t, c.event.From, c.from+60*day, c.name)
			require.Greater(t, c.event.By, c.event.From, c.name)
			require.Less(t, c.event.By, c.to, c.name)
		}
		require.GreaterOrEqual(t, what["sound"], 44)
		for _, w := range []string{"repair", "swap", "seal true", "seal false", "crack true", "crack false", "ageing true", "ageing false", "water true", "water false", "wall true", "wall false"} {
			require.Positive(t, what[w], "%s, seed %d", w, seed)
		}
	}
	c := otherFleet(all, 2, 1)[1]
	require.NotNil(t, c.event)
	c.mishap.at = c.from + 3*day
	with := c.run(c.from + 6*day).shown
	c.mishap = mishap{}
	without := c.run(c.from + 6*day).shown
	require.Len(t, without, len(with))
	n, _ := slices.BinarySearchFunc(with, c.from+3*day, func(r reading.Reading, t unit.Instant) int { return cmp.Compare(r.Time, t) })
	require.Equal(t, with[:n], without[:n])
	require.NotEqual(t, with[n:], without[n:])
}

// TestWaterUnderTheSun: in the tropics the sun heats the air of a box far above the
// water in its shade, and the warm days before left as much vapour in it. Humidity is at
// 93 % by night and 55 % by day, but vapour comes and goes with the warmth.
func TestWaterUnderTheSun(t *testing.T) {
	c := &otherFleet(regions(t), 110, 1)[17]
	require.Equal(t, "other box 17, delta", c.name)
	require.Equal(t, "water", c.event.Label)
	log := c.run(c.event.By + day)
	out := Score([]Event{*c.event}, judge(log.shown, c.region.place))
	require.Empty(t, out.False)
	require.Less(t, out.Hits[0].Days, 2.0, "never: not a number")
}

// TestOtherBoxes: what the rules find in boxes of a simulator that they were not made
// with. Few boxes only show that it runs.
func TestOtherBoxes(t *testing.T) {
	boxes, ok := map[string]int{"": 2, "quick": 8, "full": 110}[os.Getenv("PROOF_SCALE")]
	require.True(t, ok, "PROOF_SCALE: known are quick and full")
	if text := os.Getenv("PROOF_N"); text != "" {
		n, err := strconv.Atoi(text)
		require.NoError(t, err, "PROOF_N")
		boxes = min(boxes, n)
	}
	seed, err := strconv.ParseUint(cmp.Or(os.Getenv("PROOF_SEED"), "1"), 10, 64)
	require.NoError(t, err, "PROOF_SEED")

	began := time.Now()
	cases := otherFleet(regions(t), boxes, seed)
	tally := otherTally{groups: map[string]*group{}}
	next := make(chan *otherCase)
	var wait sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wait.Go(func() {
			for c := range next {
				log := c.run(c.to)
				c.owe(&log)
				tally.add(c, &log, judge(log.shown, c.region.place))
			}
		})
	}
	for i := range cases {
		next <- &cases[i]
	}
	close(next)
	wait.Wait()

	slices.Sort(tally.notes)
	for _, n := range tally.notes {
		t.Log(n)
	}
	t.Logf("%d boxes in %s", boxes, time.Since(began))
	fmt.Printf("detection(other): %s\n", tally.line(boxes))
	if boxes >= 100 {
		tally.hold(t)
	}
}
