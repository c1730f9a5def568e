package collector_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/alarm"
	"dewpost/rules/assess"
	"dewpost/rules/boxsim"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// What a wet half-year does to a workshop's phone. Boxes of the simulation, sound
// and with seeded troubles, are judged as a log is; what was found goes through
// the rules that decide what people are told, hour by hour, with radios, routers
// and the collector away now and then. How often those are is a judgement value.
const (
	seasonDays    = 182 // from the beginning of October
	baselineDays  = 30  // before it
	troubledShare = 0.15
	siteOutages   = 2.0 // a season and site
	siteOutageH   = 3.0 // mean
	radioOutages  = 0.5 // a season and station
	radioOutageH  = 5.0
	shopOutages   = 3.0 // a season: broker, collector or internet
	shopOutageH   = 5.0
)

var seasonFrom = unit.At(time.Date(2023, 10, 1, 0, 0, 0, 0, time.UTC))

const hour, oneDay = time.Hour, 24 * time.Hour

// found judges a box of the quayside over the season.
func found(seed uint64, faults []boxsim.Fault) []finding.Finding {
	d := rand.New(rand.NewPCG(seed, 5))
	climate := boxsim.Quayside()
	box := boxsim.Box{
		TauH: 15 + 70*d.Float64(), SelfHeatK: 0.2 + d.Float64(), SkyCoolingK: 2 + 2*d.Float64(), SunGainK: 4 + 6*d.Float64(),
		StandbyMA: 10 + 5*d.Float64(), SupplyV: 12, HasBoard: d.IntN(3) == 0, HasOutside: true, HasLine: true, Noise: 1,
		RHBias: 1.8 * d.NormFloat64(), OutsideBias: 1.8 * d.NormFloat64(), WindPerMS: 0.03,
	}
	begin := seasonFrom.Add(-baselineDays * oneDay)
	sim := boxsim.New(boxsim.NewWeather(climate, 11), box, faults, seed, begin) // one weather over the county
	rs := make([]reading.Reading, 0, (seasonDays+baselineDays)*72)
	for at := begin; at < seasonFrom.Add(seasonDays*oneDay); at = at.Add(20 * time.Minute) {
		rs = append(rs, sim.Next(at))
	}
	a := assess.Run(rs, assess.Options{MaxGap: 45 * time.Minute, Place: &sun.Place{Lat: climate.Lat, Lon: climate.Lon}})
	var all []finding.Finding
	for i := range a.Findings {
		f := &a.Findings[i]
		x := finding.Finding{Kind: f.Kind, From: f.From, Concluded: f.Concluded, Confidence: f.Confidence, Evidence: f.Evidence}
		if f.To != nil {
			x.To = *f.To
		}
		all = append(all, x)
	}
	return all
}

// trouble draws one that begins in the season, and is seen to after some weeks.
func trouble(d *rand.Rand) []boxsim.Fault {
	kinds := []boxsim.Fault{
		{Kind: boxsim.WaterInside, Size: 40},
		{Kind: boxsim.OpenedSeal, Size: 4},
		{Kind: boxsim.CrackedCover, Size: 3},
		{Kind: boxsim.Leakage, Size: 60},
		{Kind: boxsim.CurrentStep, Size: 4},
		{Kind: boxsim.StuckSensor, Size: 0.1},
		{Kind: boxsim.Dropout},
		{Kind: boxsim.SupplyLow},
		{Kind: boxsim.SensorCreep, Size: 8},
	}
	f := kinds[d.IntN(len(kinds))]
	f.From = seasonFrom.Add(time.Duration(d.Float64() * 120 * float64(oneDay)))
	f.To = f.From.Add(time.Duration(20+d.IntN(30)) * oneDay)
	return []boxsim.Fault{f}
}

// outages draws times without readings, longer than half an hour.
func outages(d *rand.Rand, times, mean float64) (list []alarm.Gap) {
	for at := d.ExpFloat64() * seasonDays * 24 / times; at < seasonDays*24; at += d.ExpFloat64() * seasonDays * 24 / times {
		from := seasonFrom.Add(time.Duration(at * float64(hour)))
		if long := d.ExpFloat64() * mean; long > 0.5 {
			list = append(list, alarm.Gap{From: from, To: from.Add(time.Duration(long * float64(hour)))})
		}
	}
	return list
}

// joined puts gaps in order, those that touch as one.
func joined(all ...[]alarm.Gap) (list []alarm.Gap) {
	gaps := slices.Concat(all...)
	slices.SortFunc(gaps, func(a, b alarm.Gap) int { return int(a.From/1e9) - int(b.From/1e9) })
	for _, g := range gaps {
		if n := len(list) - 1; n >= 0 && g.From <= list[n].To {
			list[n].To = max(list[n].To, g.To)
			continue
		}
		list = append(list, g)
	}
	return list
}

// fleet draws stations, five on a site, in counties of twenty sites.
func fleet(d *rand.Rand, n int, sound, troubled [][]finding.Finding) []alarm.Past {
	shop := outages(d, shopOutages, shopOutageH)
	var site []alarm.Gap
	past := make([]alarm.Past, n)
	for i := range past {
		if i%5 == 0 {
			site = outages(d, siteOutages, siteOutageH)
		}
		lat, lon := 52+float64(i/100), 4.5+0.01*float64(i%100)
		p := &past[i]
		p.Standing = alarm.Standing{Station: fmt.Sprintf("s-%04d", i), Site: fmt.Sprintf("site-%03d", i/5), Lat: &lat, Lon: &lon, Fresh: 3 * hour, Step: 20 * time.Minute}
		p.First, p.Last = seasonFrom.Add(-baselineDays*oneDay), seasonFrom.Add(seasonDays*oneDay)
		p.Gaps = joined(shop, site, outages(d, radioOutages, radioOutageH))
		p.Findings = sound[d.IntN(len(sound))]
		if len(troubled) > 0 && d.Float64() < troubledShare {
			p.Findings = troubled[d.IntN(len(troubled))]
		}
	}
	return past
}

// TestAlarmsOfASeason counts the messages that a person has: at most six a day with
// a thousand stations, and two a week with thirty sound ones. What waits for the
// morning letter is not among them.
func TestAlarmsOfASeason(t *testing.T) {
	if os.Getenv("PROOF_SCALE") == "" {
		t.Skip("a proof: bash deploy/prove.sh alarms")
	}
	seed, pool, stations := uint64(1), 30, 1000
	if text := os.Getenv("PROOF_SEED"); text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		require.NoError(t, err)
		seed = n
	}
	if os.Getenv("PROOF_SCALE") == "quick" {
		pool = 4
	}
	t.Logf("seed %d", seed)
	d := rand.New(rand.NewPCG(seed, 1))
	var sound, troubled [][]finding.Finding
	begun := time.Now()
	for i := range pool {
		sound = append(sound, found(seed*1000+uint64(i), nil))
		troubled = append(troubled, found(seed*1000+500+uint64(i), trouble(d)))
	}
	t.Logf("simulated and judged in %s", time.Since(begun).Round(time.Second))
	count := func(n int, troubled [][]finding.Finding) (atOnce, letter int) {
		told := alarm.Rehearse(fleet(d, n, sound, troubled), nil, seasonFrom, seasonFrom.Add(seasonDays*oneDay))
		kinds := map[string]int{}
		for _, m := range told {
			kinds[string(m.Class)+" "+string(m.Kind)+" "+string(m.Scope)]++
			if m.Class == alarm.Letter {
				letter++
			} else {
				atOnce++
			}
		}
		t.Logf("%d stations: %v, after %s", n, kinds, time.Since(begun).Round(time.Second))
		return atOnce, letter
	}
	many, letters := count(stations, troubled)
	few, _ := count(30, nil)
	perDay, perWeek := float64(many)/seasonDays, float64(few)/(seasonDays/7.0)
	fmt.Printf("alarms: messages_per_person_day_at_1000_stations=%.2f letter_lines_per_day=%.2f messages_per_week_at_30_healthy=%.2f\n",
		perDay, float64(letters)/seasonDays, perWeek)
	require.LessOrEqual(t, perDay, 6.0)
	require.LessOrEqual(t, perWeek, 2.0)
}
