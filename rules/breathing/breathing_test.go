package breathing_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/breathing"
	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// climate makes weather up: a season, fronts of days, a daily course. It is
// there when the real years are not.
func climate(days int) year {
	y := year{name: "made up", lat: 52, rain: true, start: time.Date(2025, 4, 1, 0, 0, 0, 0, time.UTC)}
	rnd := rand.New(rand.NewPCG(9, 9))
	front, damp := 0.0, 0.0
	for i := range days * 24 {
		front += -front/40 + rnd.NormFloat64()
		damp += -damp/25 + 0.2*rnd.NormFloat64()
		day := float64(i) / 24
		h := hourly{wind: 4 + front/4, cloud: max(0, min(8, 4+front))}
		h.temp = 12 - 8*math.Cos(2*math.Pi*(day+70)/365) + front - (8-h.cloud)*0.35*math.Cos(2*math.Pi*(day-0.08))
		h.e = min(0.99, 0.75+0.08*damp) * magnus(h.temp-(8-h.cloud)*0.3)
		h.wind = max(0, h.wind)
		if i%130 < 3 {
			h.rain = 2
		}
		y.hours = append(y.hours, h)
	}
	return y
}

func kinds(s *breathing.State) (out []finding.Kind) {
	for _, f := range s.Findings() {
		out = append(out, f.Kind)
	}
	return out
}

func plain(tau float64) box {
	return box{tau: tau, sun: 5, self: 0.5, sky: 2, coreLag: 40, cover: true, rain: true}
}

func TestBreathingTimeIsFound(t *testing.T) {
	y := climate(80)
	for _, tau := range []float64{1.5, 3, 6, 12, 25, 60, 120} {
		s := judge(plain(tau).run(y, 0, 60, 1))
		require.Empty(t, s.Findings())
		days := s.Estimates()
		require.Greater(t, len(days), 50)
		inside := 0
		for _, d := range days {
			require.Equal(t, breathing.Own, d.Basis)
			require.LessOrEqual(t, d.LowH, d.TauH)
			require.Contains(t, []int{3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21}, d.WindowD)
			if d.HighH != nil {
				require.GreaterOrEqual(t, *d.HighH, d.TauH)
			}
			if d.LowH < tau*1.05 && (d.HighH == nil || *d.HighH > tau*0.95) {
				inside++
			}
		}
		require.Greater(t, float64(inside), 0.85*float64(len(days)), "tau %v: %v", tau, days[len(days)-1])
		require.Less(t, math.Abs(math.Log(s.Tight.TauH/tau)), 0.25, "tau %v: baseline %v", tau, s.Tight.TauH)
		require.Equal(t, "2025-04-04", days[0].Day[:8]+"04")
	}
}

func TestABufferLengthensIt(t *testing.T) {
	y := climate(60)
	b := plain(6)
	b.skin = 0.8
	got := judge(b.run(y, 0, 40, 1)).Tight.TauH / 6
	require.Greater(t, got, 1.1)
	require.Less(t, got, 2.0)
}

func TestSteadyAirSaysNothing(t *testing.T) {
	y := climate(30)
	for i := range y.hours {
		y.hours[i] = hourly{temp: 10, e: 9, wind: 4, cloud: 8}
	}
	b := plain(12)
	b.sun = 0
	s := judge(b.run(y, 0, 29, 1))
	bounded := 0
	for _, d := range s.Estimates() {
		if d.HighH != nil {
			bounded++
		}
	}
	require.NotEmpty(t, s.Estimates())
	require.LessOrEqual(t, bounded, len(s.Days)/4, "noise alone, with 90 %")
	require.False(t, s.Tight.Set)
	require.Empty(t, s.Findings())
}

func TestAnOpenedSealIsFoundOnceAndEnds(t *testing.T) {
	y := climate(200)
	b := plain(40)
	b.openTau, b.openDay = 3, 50
	slots := b.run(y, 0, 100, 1)
	back := plain(40).run(y, 0, 160, 1)[100*144:]
	s := judge(append(slots, back...))
	require.Equal(t, []finding.Kind{finding.SealOpened}, kinds(s))
	f := s.Findings()[0]
	begun := unit.At(y.start).Add(50 * 24 * time.Hour)
	require.Greater(t, f.Concluded, begun)
	require.Less(t, f.Concluded.Sub(begun), 10*24*time.Hour)
	require.LessOrEqual(t, f.From, f.Concluded)
	require.Less(t, f.From.Sub(begun).Abs(), 4*24*time.Hour)
	require.NotZero(t, f.To, "it is as tight as before again")
	require.Greater(t, f.To, begun.Add(50*24*time.Hour))
	require.Less(t, f.Evidence[0].Value, 8.0)
	require.InDelta(t, 40, f.Evidence[2].Value, 10)
}

func TestRainSpeaksForAnOpenedSeal(t *testing.T) {
	y := climate(100)
	b := plain(40)
	b.openTau, b.openDay = 4, 50
	dry := judge(b.run(y, 0, 90, 1)).Findings()
	for i := range y.hours {
		y.hours[i].rain = 0
	}
	for i := range 3 {
		y.hours[51*24+i].rain = 2
	}
	b.rainIn = 5
	wet := judge(b.run(y, 0, 90, 1)).Findings()
	require.Equal(t, finding.SealOpened, dry[0].Kind)
	i := slices.IndexFunc(wet, func(f finding.Finding) bool { return f.Kind == finding.SealOpened })
	require.GreaterOrEqual(t, i, 0)
	seal := wet[i]
	require.Greater(t, seal.Confidence, 0.9, "%v", wet)
	require.Equal(t, "vapour_jumps_after_rain", seal.Evidence[5].Name)
	require.GreaterOrEqual(t, seal.Evidence[5].Value, 1.0)
	require.Less(t, dry[0].Confidence, 0.9)
}

func TestNeverTightIsReportedAndNotAlarmed(t *testing.T) {
	y := climate(120)
	b := plain(1.5)
	b.openTau, b.openDay = 0.6, 60
	s := judge(b.run(y, 0, 100, 1))
	require.Empty(t, s.Findings())
	u, ok := s.Usual()
	require.True(t, ok)
	require.True(t, u.NeverTight)
	require.Less(t, *u.HighH, 3.0)
	require.NotEmpty(t, u.Day)
	u, ok = judge(plain(12).run(y, 0, 40, 1)).Usual()
	require.True(t, ok)
	require.False(t, u.NeverTight)
	require.Less(t, u.LowH, u.TauH)
	_, ok = judge(plain(12).run(y, 0, 10, 1)).Usual()
	require.False(t, ok)
}

func puddle() box {
	b := plain(12)
	b.waterG, b.waterRate, b.waterDay = 4000, 1, 40
	return b
}

func TestWaterInside(t *testing.T) {
	y := climate(100)
	wet := puddle().run(y, 0, 60, 1)
	s := judge(append(wet, plain(12).run(y, 0, 90, 1)[60*144:]...))
	require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s))
	f := s.Findings()[0]
	poured := unit.At(y.start).Add(40 * 24 * time.Hour)
	require.Less(t, f.Concluded.Sub(poured), 48*time.Hour)
	require.Greater(t, f.Concluded, poured)
	require.Less(t, f.From.Sub(poured).Abs(), 12*time.Hour)
	require.NotZero(t, f.To)
	require.Greater(t, f.To, poured.Add(20*24*time.Hour))
	require.Less(t, f.To, poured.Add(30*24*time.Hour))
}

// A sensor stuck at its end looks like water, and is called either.
func TestWaterOrSensor(t *testing.T) {
	y := climate(60)
	slots := plain(12).run(y, 0, 50, 1)
	for i := range slots {
		if ch := &slots[i].m.Ch[reading.InsideRH]; i > 40*144 && ch.N > 0 {
			*ch = means.Channel{N: 10, Mean: 99.9, Min: 99.9, Max: 99.9}
		}
	}
	f := judge(slots).Findings()
	require.Len(t, f, 1)
	require.Equal(t, finding.WaterInside, f[0].Kind)
	require.Equal(t, finding.Evidence{Name: "water_or_sensor", Value: 1}, f[0].Evidence[3])
	require.Less(t, f[0].Confidence, 0.7)

	for i := range slots {
		slots[i].now.Sensor = breathing.Sound
	}
	f = judge(slots).Findings()
	require.Equal(t, 0.0, f[0].Evidence[3].Value, "the heater test has decided")

	for i := range slots {
		slots[i].now.Sensor = breathing.Suspect
	}
	require.Empty(t, judge(slots).Findings())

	for i := range slots {
		slots[i].now.Sensor = breathing.Untested
		if i > 48*144 {
			slots[i].now.Sensor = breathing.Suspect
		}
	}
	f = judge(slots).Findings()
	require.Len(t, f, 1)
	require.NotZero(t, f[0].To, "ends with the sensor's word")
}

// A sensor that sticks and scatters doesn't give way to warmth, as water does.
func TestScatterDecidesNothing(t *testing.T) {
	y := climate(60)
	slots := plain(12).run(y, 0, 50, 1)
	rnd := rand.New(rand.NewPCG(1, 2))
	for i := range slots {
		if ch := &slots[i].m.Ch[reading.InsideRH]; i > 40*144 && ch.N > 0 {
			*ch = means.Channel{N: 10, Mean: 97 + 0.6*rnd.NormFloat64(), Min: 95, Max: 99}
		}
	}
	f := judge(slots).Findings()
	require.Equal(t, finding.WaterInside, f[0].Kind)
	require.Equal(t, finding.Evidence{Name: "water_or_sensor", Value: 1}, f[0].Evidence[3])

	f = judge(puddle().run(y, 0, 50, 1)).Findings()
	require.Equal(t, finding.WaterInside, f[0].Kind)
	require.Equal(t, finding.Evidence{Name: "water_or_sensor", Value: 0}, f[0].Evidence[3], "it gave way")
}

func TestMoistAirFromTheWall(t *testing.T) {
	y := climate(400)
	b := plain(8)
	b.wallShare, b.flush = 0.3, true
	s := judge(b.run(y, 180*24, 200, 1)) // from autumn to spring
	require.Contains(t, kinds(s), finding.MoistAirFromWall)
	require.NotContains(t, kinds(s), finding.WaterInside)
	require.NotContains(t, kinds(s), finding.SealOpened)
	f := s.Findings()[0]
	require.InDelta(t, 14*24, f.Concluded.Sub(f.From).Hours(), 3*24)
	require.Equal(t, 0.8, f.Confidence)
	b.wallShare = 0
	require.Empty(t, judge(b.run(y, 180*24, 200, 1)).Findings())
}

// What is concluded up to an instant is the same for the data cut there.
func TestCausal(t *testing.T) {
	y := climate(130)
	b := puddle()
	b.tau, b.openTau, b.openDay, b.waterDay, b.dropout = 30, 2, 60, 35, 0.1
	slots := append(b.run(y, 0, 45, 1), func() []slot { b.waterG = 0; return b.run(y, 0, 110, 1)[45*144:] }()...)
	rs := readings(slots)
	full := judgeReadings(rs)
	require.GreaterOrEqual(t, len(full.Found), 2)
	rnd := rand.New(rand.NewPCG(3, 3))
	cuts := []int{1, len(rs) / 2}
	for _, f := range full.Findings() {
		for i := range rs {
			if rs[i].Time == f.Concluded {
				cuts = append(cuts, i, i+1, i+2)
			}
		}
	}
	for range 5 {
		cuts = append(cuts, rnd.IntN(len(rs)))
	}
	require.Greater(t, len(cuts), 10, "a finding is concluded at a reading")
	for _, n := range cuts {
		cut := judgeReadings(rs[:n])
		want := []finding.Finding{}
		for _, f := range full.Findings() {
			if n == 0 || f.Concluded > rs[n-1].Time {
				continue
			}
			want = append(want, f)
		}
		got := cut.Findings()
		require.Len(t, got, len(want), "cut after %d", n)
		for i := range got {
			if got[i].To == 0 { // that it is over may become known later than it was
				want[i].To = 0
			}
		}
		require.Equal(t, want, got, "cut after %d", n)
		require.Equal(t, full.Estimates()[:len(cut.Days)], cut.Estimates())
	}
}

// readings gives every slot two readings with its values.
func readings(slots []slot) (out []reading.Reading) {
	for i := range slots {
		for _, d := range []time.Duration{time.Minute, 7 * time.Minute} {
			r := reading.Reading{Time: slots[i].m.Start.Add(d)}
			for c := range reading.NumChannels {
				if ch := &slots[i].m.Ch[c]; ch.N > 0 {
					r.Set(c, ch.Mean)
				}
			}
			out = append(out, r)
		}
	}
	return out
}

func judgeReadings(rs []reading.Reading) *breathing.State {
	var s breathing.State
	var b means.Builder
	for i := range rs {
		if m, ok := b.Add(&rs[i]); ok {
			s.Step(&m, breathing.Facts{})
		}
	}
	return &s
}

func TestStateGoesOnAfterItWasKept(t *testing.T) {
	y := climate(100)
	b := puddle()
	b.openTau, b.openDay = 1, 70
	slots := b.run(y, 0, 95, 1)
	want := judge(slots)
	require.NotEmpty(t, want.Found)
	var s breathing.State
	size := 0
	for i := range slots {
		s.Step(&slots[i].m, slots[i].now)
		if i%1009 == 0 {
			text, err := json.Marshal(&s)
			require.NoError(t, err)
			size = max(size, len(text))
			s = breathing.State{}
			require.NoError(t, json.Unmarshal(text, &s))
		}
	}
	require.Equal(t, want.Findings(), s.Findings())
	require.Equal(t, want.Estimates(), s.Estimates())
	require.Less(t, size, 100_000, "bytes")
}

// A caller may cut off what is output, and nothing that follows changes.
func TestOutputMayBeCut(t *testing.T) {
	y := climate(200)
	b := plain(40)
	b.openTau, b.openDay = 3, 50
	slots := append(b.run(y, 0, 80, 1), plain(40).run(y, 0, 120, 1)[80*144:]...)
	wet := puddle()
	wet.tau, wet.waterDay = 40, 120
	slots = append(slots, wet.run(y, 0, 140, 1)[120*144:]...)
	want := judge(slots)
	require.GreaterOrEqual(t, len(want.Found), 2, "one that ended, one after it: %v", want.Findings())
	require.NotZero(t, want.Found[0].To)
	var s, kept breathing.State
	for i := range slots {
		s.Step(&slots[i].m, slots[i].now)
		if i%701 != 0 {
			continue
		}
		kept.Days, s.Days = append(kept.Days, s.Days...), nil
		s.Found = slices.DeleteFunc(s.Found, func(f breathing.Found) bool {
			if f.To != 0 {
				kept.Found = append(kept.Found, f)
			}
			return f.To != 0
		})
	}
	require.Len(t, kept.Found, 1)
	require.Equal(t, want.Findings(), append(kept.Findings(), s.Findings()...))
	require.Equal(t, want.Estimates(), append(kept.Estimates(), s.Estimates()...))
}

func TestTheBetterOutdoorSignalCounts(t *testing.T) {
	y := climate(40)
	slots := plain(12).run(y, 0, 30, 1)
	want := judge(slots).Estimates()
	move := func(basis breathing.Basis, keep bool) []breathing.Day {
		moved := append([]slot(nil), slots...)
		for i := range moved {
			m := &moved[i].m
			if m.Ch[reading.OutsideTemp].N == 0 {
				continue
			}
			moved[i].now.Outdoor = &breathing.Outdoor{
				Temp: unit.Celsius(m.Ch[reading.OutsideTemp].Mean), RH: unit.Percent(m.Ch[reading.OutsideRH].Mean), Basis: basis,
			}
			if !keep || i%6 > 1 {
				m.Ch[reading.OutsideTemp], m.Ch[reading.OutsideRH] = means.Channel{}, means.Channel{}
			}
		}
		return judge(moved).Estimates()
	}
	for _, b := range []breathing.Basis{breathing.Site, breathing.Weather} {
		got := move(b, false)
		require.Len(t, got, len(want))
		for i := range got {
			require.Equal(t, b, got[i].Basis)
			require.Equal(t, want[i].TauH, got[i].TauH)
		}
	}
	for _, d := range move(breathing.Weather, true) {
		require.Equal(t, breathing.Own, d.Basis, "one own slot makes an own hour")
	}
}

func TestWithoutOutdoorsTheInsideSaysALittle(t *testing.T) {
	y := climate(60)
	inside := func(tau float64) breathing.Day {
		slots := plain(tau).run(y, 0, 50, 1)
		for i := range slots {
			slots[i].m.Ch[reading.OutsideTemp], slots[i].m.Ch[reading.OutsideRH] = means.Channel{}, means.Channel{}
		}
		s := judge(slots)
		require.Empty(t, s.Findings())
		require.False(t, s.Tight.Set)
		days := s.Estimates()
		require.NotEmpty(t, days)
		return days[len(days)-1]
	}
	open, tight := inside(2), inside(50)
	for tau, d := range map[float64]breathing.Day{2: open, 50: tight} {
		require.Equal(t, breathing.Inside, d.Basis)
		require.Less(t, d.LowH, tau)
		require.Greater(t, *d.HighH, tau)
	}
	require.Greater(t, tight.TauH, 4*open.TauH)
}

func TestANewBaselineBeginsAnew(t *testing.T) {
	y := climate(150)
	b := plain(40)
	b.openTau, b.openDay = 4, 40
	slots := b.run(y, 0, 120, 1)
	repaired := unit.At(y.start).Add(60*24*time.Hour + 10*time.Hour)
	for i := range slots {
		slots[i].now.Baseline = []breathing.Span{{From: 1, To: 2}}
		if slots[i].m.Start >= repaired {
			slots[i].now.Baseline = append(slots[i].now.Baseline, breathing.Span{From: repaired, To: repaired.Add(21 * 24 * time.Hour)})
		}
	}
	s := judge(slots)
	require.Equal(t, []finding.Kind{finding.SealOpened}, kinds(s), "what the baseline holds is no finding: %v", s.Findings())
	f := s.Findings()[0]
	require.NotZero(t, f.To)
	require.InDelta(t, 0, f.To.Sub(repaired).Hours(), 2)
	require.True(t, s.Tight.Set)
	require.Less(t, s.Tight.TauH, 6.0)
	for _, d := range s.Estimates() {
		if d.Day > "2025-06-05" {
			require.Less(t, d.TauH, 8.0, "%+v: windows don't reach back over it", d)
		}
	}
}

func TestGapsAndHoles(t *testing.T) {
	y := climate(120)
	slots := plain(12).run(y, 0, 110, 1)
	var holed []slot
	rnd := rand.New(rand.NewPCG(5, 5))
	for i := range slots {
		switch d := i / 144; {
		case d >= 50 && d < 80, d%10 == 3, rnd.IntN(3) == 0:
		default:
			holed = append(holed, slots[i])
		}
	}
	s := judge(holed)
	require.Empty(t, s.Findings())
	require.True(t, s.Tight.Set)
	require.Less(t, math.Abs(math.Log(s.Tight.TauH/12)), 0.25)
	for _, d := range s.Estimates() {
		require.False(t, d.Day > "2025-05-21" && d.Day < "2025-06-20", "%+v", d)
	}
	var empty breathing.State
	require.Empty(t, empty.Estimates())
	require.Empty(t, empty.Findings())
	for i := range slots[:1000] {
		slots[i].m.Ch = [reading.NumChannels]means.Channel{}
		empty.Step(&slots[i].m, breathing.Facts{})
	}
	require.Empty(t, empty.Hours)
}

// What the heater or a dead sensor leaves out is no dryness and no finding.
func TestSensorsThatAreSilent(t *testing.T) {
	y := climate(90)
	slots := puddle().run(y, 0, 80, 1)
	for i := range slots {
		if i > 45*144 {
			slots[i].m.Ch[reading.InsideRH] = means.Channel{}
		}
	}
	s := judge(slots)
	require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s))
	require.Zero(t, s.Findings()[0].To, "nothing speaks against it")
}

// Air that never moves, as of a sensor that is stuck, sets no bound, and no
// number that can't be written.
func TestAirThatNeverMovesSetsNoBound(t *testing.T) {
	var rs []reading.Reading
	for at := range 20 * 24 {
		r := reading.Reading{Time: unit.At(time.Date(2025, 10, 1, at, 0, 0, 0, time.UTC))}
		r.Set(reading.InsideTemp, 10)
		r.Set(reading.InsideRH, 50)
		rs = append(rs, r)
	}
	days := judgeReadings(rs).Estimates()
	require.NotEmpty(t, days)
	for _, d := range days {
		require.Nil(t, d.HighH)
		require.Less(t, d.TauH, 1000.0)
	}
	_, err := json.Marshal(days)
	require.NoError(t, err)
}

// An opened seal is one against the weeks before as well, in both views: where these were
// alike, it is the baseline that is odd. Where nothing is known of them it takes longer.
func TestTheWeeksBeforeSaySoToo(t *testing.T) {
	y := climate(100)
	b := plain(12)
	b.openTau, b.openDay = 2, 60
	slots := b.run(y, 0, 80, 1)
	opened := unit.At(y.start).Add(60 * 24 * time.Hour)
	found := func(weeks func(past []breathing.Lately) []breathing.Lately) (days float64) {
		var s breathing.State
		for i := range slots {
			if i == 58*144 {
				require.Greater(t, len(s.Past), 30)
				s.Past = weeks(s.Past)
			}
			s.Step(&slots[i].m, slots[i].now)
		}
		for _, f := range s.Findings() {
			require.Equal(t, finding.SealOpened, f.Kind)
			return f.Concluded.Sub(opened).Hours() / 24
		}
		return math.Inf(1)
	}
	usual := func(hours, means float64) func(past []breathing.Lately) []breathing.Lately {
		return func(past []breathing.Lately) []breathing.Lately {
			for i := range past {
				past[i].Tau = [2]float64{hours, means}
			}
			return past
		}
	}
	known := found(func(past []breathing.Lately) []breathing.Lately { return past })
	require.Less(t, known, 6.0)
	require.InDelta(t, known, found(usual(12, 12)), 0.5)
	require.Greater(t, found(usual(1.9, 12)), 10.0, "by hours it breathed as fast for weeks")
	require.Greater(t, found(usual(12, 0.5)), 10.0, "by the means of days it breathes slower")
	unknown := found(func([]breathing.Lately) []breathing.Lately { return nil })
	require.Less(t, unknown, 12.0)
	require.GreaterOrEqual(t, unknown, known)

	var s breathing.State
	for i := range slots[:55*144] {
		if doubted := i > 30*144 && i < 40*144; doubted {
			slots[i].now.Sensor = breathing.Suspect
		}
		s.Step(&slots[i].m, slots[i].now)
	}
	doubted := 0
	for _, l := range s.Past {
		if day := l.Day - int64(opened)/(24*3600e9) + 60; day > 30 && day < 39 {
			doubted++
		}
	}
	require.Zero(t, doubted, "what a sensor in doubt shows is no week to compare with")
	require.Greater(t, len(s.Past), 20)
}
