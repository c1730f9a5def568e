package current_test

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/boxsim"
	"dewpost/rules/current"
	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

var t0 = unit.At(time.Date(2024, 9, 1, 0, 0, 0, 0, time.UTC))

// box is a line and a board in physics that are not those of the simulator:
// film conductivity is a power of RH, the supply is pulled back from a random
// walk, seasons are short of nothing between frost and heat, people call, talk
// for hours and leave the radio on, and a bad board leaks from a day on.
type box struct {
	level, noise      float64 // mA
	tempco            float64 // mA/K
	drift             float64 // share of the level, standard deviation
	calls, talks      float64 // a day: of minutes, of hours
	radio             float64 // mA, 2 h a day
	leak              float64 // mA at saturation, reached after 21 days
	leakFrom          int     // day; 0 never
	step              float64 // mA
	stepFrom, stepTo  time.Duration
	comb              float64 // µS at saturation; 0 none
	volts             float64 // 0: not measured
	regulated         bool    // the station takes the same current at any voltage
	days              int
	every             time.Duration
	damp              float64 // mean RH
	season, mean      float64 // °C
	rhBias, boardBias float64
	board             bool
	gaps, lost        float64 // a day: of a day or two; share of readings without a value
	sag               float64 // share of the voltage that is gone from sagFrom to sagTo
	sagFrom, sagTo    time.Duration
}

func (b box) readings(seed uint64) []reading.Reading {
	list, _ := b.simulate(seed)
	return list
}

// simulate also returns when the leakage is owed: 30 days after it began, or 7
// after it took more than 0.1 mA for 12 h in all, whichever is later; 0 never.
func (b box) simulate(seed uint64) ([]reading.Reading, time.Duration) {
	var due, took time.Duration
	rnd := rand.New(rand.NewPCG(seed, 7))
	var list []reading.Reading
	drift, weather, damp := 0.0, 0.0, 0.0
	var call, talk, gap time.Duration
	radioFrom := 7 + 12*rnd.Float64()
	h := b.every.Hours()
	film := func(rh, t float64) float64 {
		f := math.Pow(min(max(rh, 0), 100)/100, 14)
		if t < 0 {
			f *= 0.03
		}
		return f
	}
	for d := time.Duration(0); d < day(float64(b.days)); d += b.every {
		weather += -weather*h/60 + rnd.NormFloat64()*math.Sqrt(h/30)
		damp += -damp*h/40 + rnd.NormFloat64()*math.Sqrt(h/20)
		drift += -drift*h/48 + rnd.NormFloat64()*b.drift*math.Sqrt(h/24)
		sun := math.Sin(2 * math.Pi * (d.Hours() - 9) / 24)
		temp := b.mean - b.season*math.Cos(2*math.Pi*(d.Hours()/24-140)/365) + 5*sun + 3*weather
		rh := min(max(b.damp-14*sun+7*damp, 25), 101.5)
		surface := temp - 1 + 1.5*sun
		atBoard := rh * math.Exp(0.066*(temp-surface))
		leak := 0.0
		if b.leakFrom > 0 {
			leak = b.leak * min(max((d.Hours()/24-float64(b.leakFrom))/21, 0), 1)
		}
		supply := 1 + max(min(drift, 2*b.drift), -2*b.drift)
		if d >= b.sagFrom && d < b.sagTo {
			supply *= 1 - b.sag
		}
		leaks := leak * film(atBoard, surface)
		if leaks > 0.1 && took < 12*time.Hour {
			if took += b.every; took >= 12*time.Hour {
				due = max(day(float64(b.leakFrom+30)), d+day(7))
			}
		}
		i := b.level + b.tempco*(surface-20) + leaks
		if rnd.Float64() < b.calls*h/24 {
			// What is read is the median since the last reading.
			if long := time.Duration(1+rnd.IntN(20)) * time.Minute; long > b.every/2 {
				call = d + long
			}
		}
		if rnd.Float64() < b.talks*h/24 {
			talk = d + time.Duration(60+rnd.IntN(240))*time.Minute
		}
		if d < call {
			i += 40 * rnd.Float64()
		}
		if d < talk {
			i += 35
		}
		if of := math.Mod(d.Hours(), 24); of >= radioFrom && of < radioFrom+2 {
			i += b.radio
		}
		if !b.regulated {
			i *= supply
		}
		if d >= b.stepFrom && d < b.stepTo {
			i += b.step
		}
		i += b.noise * rnd.NormFloat64()
		if rnd.Float64() < b.gaps*h/24 {
			gap = d + time.Duration(24+rnd.IntN(48))*time.Hour
		}
		if d < gap {
			continue
		}
		r := reading.Reading{Time: t0.Add(d)}
		if rnd.Float64() >= b.lost {
			r.Set(reading.InsideTemp, temp)
			r.Set(reading.InsideRH, min(max(rh+b.rhBias, 1), 105))
		}
		if b.board {
			r.Set(reading.BoardTemp, surface+b.boardBias)
		}
		if rnd.Float64() >= b.lost {
			r.Set(reading.LineCurrent, max(i, -5))
		}
		if b.comb > 0 {
			r.Set(reading.Comb, max((b.comb+b.comb*20*leak)*film(atBoard, surface)*(1+0.05*rnd.NormFloat64()), 0))
		}
		if b.volts > 0 {
			r.Set(reading.LineVoltage, b.volts*supply+0.01*rnd.NormFloat64())
		}
		list = append(list, r)
	}
	return list, due
}

func slots(rs []reading.Reading) []means.Mean {
	var b means.Builder
	var list []means.Mean
	for i := range rs {
		if m, ok := b.Add(&rs[i]); ok {
			list = append(list, m)
		}
	}
	return list
}

func (b box) run(seed uint64) []means.Mean { return slots(b.readings(seed)) }

var place = &sun.Place{Lat: 61, Lon: 0}

func judge(list []means.Mean) []finding.Finding {
	var s current.State
	for i := range list {
		s.Add(current.Options{Place: place}, &list[i])
	}
	return s.Found
}

func day(n float64) time.Duration { return time.Duration(n * 24 * float64(time.Hour)) }

func healthy() box {
	return box{level: 12, noise: 0.06, tempco: 0.01, drift: 0.005, calls: 3, days: 120, every: 2 * time.Minute, damp: 84, mean: 12, season: 3, board: true}
}

func since(f finding.Finding, d time.Duration) float64 {
	return f.Concluded.Sub(t0.Add(d)).Hours() / 24
}

func TestHealthyLinesAreQuiet(t *testing.T) {
	years, false_ := 0.0, 0
	for seed := range uint64(24) {
		b := healthy()
		switch seed % 4 {
		case 1:
			b.level, b.noise, b.drift, b.calls = 200, 0.5, 0.02, 30
		case 2:
			b.drift, b.damp = 0.02, 95
		case 3:
			b.calls, b.damp = 40, 70
		}
		for _, f := range judge(b.run(seed)) {
			false_++
			t.Logf("seed %d: %s from day %.1f, concluded %.1f: %v", seed, f.Kind, f.From.Sub(t0).Hours()/24, since(f, 0), f.Evidence)
		}
		years += float64(b.days) / 365
	}
	t.Logf("%d findings in %.1f station-years", false_, years)
	require.LessOrEqual(t, float64(false_)/years, 0.3)
}

func TestLeakage(t *testing.T) {
	for _, leak := range []float64{0.3, 1, 3} {
		for seed := range uint64(6) {
			b := healthy()
			b.leak, b.leakFrom = leak, 45
			if seed%2 == 1 {
				b.level, b.noise, b.drift = 200, 0.3, 0.01
				b.leak *= 20
			}
			found := judge(b.run(seed))
			require.NotEmpty(t, found, "leak %g, seed %d", leak, seed)
			require.Equal(t, finding.LeakageRising, found[0].Kind)
			t.Logf("leak %g, seed %d: %.1f days, %d findings", b.leak, seed, since(found[0], day(45)), len(found))
			require.Less(t, since(found[0], day(45)), 30.0)
			require.LessOrEqual(t, len(found), 2)
		}
	}
}

func TestSteps(t *testing.T) {
	for _, step := range []float64{0.6, 5, -0.6, -4} {
		for seed := range uint64(6) {
			b := healthy()
			b.step, b.stepFrom, b.stepTo, b.drift = step, day(50.6), day(80.3), 0.002
			found := judge(b.run(seed))
			kind := finding.CurrentStepUp
			if step < 0 {
				kind = finding.CurrentStepDown
			}
			require.Len(t, found, 1, "step %g, seed %d: %v", step, seed, found)
			f := found[0]
			require.Equal(t, kind, f.Kind)
			require.Less(t, since(f, day(50.6)), 2.0)
			require.InDelta(t, 50.6, f.From.Sub(t0).Hours()/24, 0.1, "its time")
			require.InDelta(t, step, f.Evidence[0].Value, 0.2)
			require.NotZero(t, f.To)
		}
	}
	// A key that is held for some minutes.
	b := healthy()
	b.step, b.stepFrom, b.stepTo = 30, day(50.9), day(50.9)+40*time.Minute
	require.Empty(t, judge(b.run(1)))
}

// A radio that plays while the supply drifts makes no step of the drift, and hides
// none that comes with it.
func TestUseHidesWhatDrifts(t *testing.T) {
	const begins, radio = 20.0, 20.15
	line := func(step float64) (list []reading.Reading) {
		rnd := rand.New(rand.NewPCG(1, 7))
		for d := 0.0; d < 24; d += 1.0 / 144 {
			mA := 200 + 0.1*rnd.NormFloat64() - 0.4*math.Sin(2*math.Pi*d/3.7)
			if step == 0 {
				mA -= 4 * min(1, max(0, (d-begins)/0.6))
			} else if d >= radio {
				mA += step
			}
			if d >= radio && d < radio+4.5/24 {
				mA += 25
			}
			list = append(list, dryAt(d, mA))
		}
		return list
	}
	require.Empty(t, judge(slots(line(0))))
	found := judge(slots(line(-4)))
	require.Len(t, found, 1)
	require.Equal(t, finding.CurrentStepDown, found[0].Kind)
}

// A level that stays is told whatever was said on the line just before it, or just
// after; and talk of hours, with pauses or without, is no step.
func TestAStepBesideTalk(t *testing.T) {
	const comes, ends = 30.0, 36.0
	line := func(step, talk, from, to, pauses float64) (list []reading.Reading) {
		rnd := rand.New(rand.NewPCG(5, 7))
		for d := 0.0; d < ends; d += 1.0 / 144 {
			mA := 13.5 + 0.06*rnd.NormFloat64() + 0.1*math.Sin(2*math.Pi*d)
			if d >= comes+0.69 {
				mA += step
			}
			if d >= comes+from && d < comes+to && rnd.Float64() >= pauses {
				mA += talk
			}
			list = append(list, dryAt(d, mA))
		}
		return list
	}
	for _, talk := range []float64{20, 30, 67, 110} {
		for _, of := range [][2]float64{{0.5, 0.69}, {0.3, 0.69}, {0.63, 0.75}, {0.69, 0.9}, {0.69, 1.2}} {
			for _, pauses := range []float64{0, 0.12} {
				require.Empty(t, judge(slots(line(0, talk, of[0], of[1], pauses))), "%g mA of talk, %v, pauses %g", talk, of, pauses)
				for _, step := range []float64{42, 3, -4} {
					found := judge(slots(line(step, talk, of[0], of[1], pauses)))
					require.Len(t, found, 1, "%+g mA beside %g mA of talk, %v, pauses %g", step, talk, of, pauses)
					require.Equal(t, step > 0, found[0].Kind == finding.CurrentStepUp)
					require.InDelta(t, step, found[0].Evidence[0].Value, 0.3)
					require.Less(t, since(found[0], day(comes+0.69)), 2.0, "%+g mA beside %g mA of talk, %v, pauses %g", step, talk, of, pauses)
				}
			}
		}
	}
}

// dryAt is a reading of a dry box.
func dryAt(d, mA float64) reading.Reading {
	r := reading.Reading{Time: t0.Add(day(d))}
	r.Set(reading.LineCurrent, mA)
	r.Set(reading.InsideTemp, 15)
	r.Set(reading.InsideRH, 55)
	return r
}

// line is a line of 200 mA whose supply drifts by ±1.5 % within a week, with more from
// some hours on, and none heard in others.
type line struct {
	step           float64 // mA
	from, to       float64 // days
	radio          float64 // mA, for some hours about when the step comes
	lostAt, lostTo float64
}

func (l line) readings() (list []reading.Reading) {
	rnd := rand.New(rand.NewPCG(3, 7))
	for d := 0.0; d < 40; d += 1.0 / 144 {
		if d >= l.lostAt && d < l.lostTo {
			continue
		}
		mA := 200 + 0.1*rnd.NormFloat64() + 3*math.Sin(2*math.Pi*d/7)
		if d >= l.from && d < l.to {
			mA += l.step
		}
		if d >= l.from-0.15 && d < l.from+0.2 {
			mA += l.radio
		}
		list = append(list, dryAt(d, mA))
	}
	return list
}

// A step that is less than what the supply drifts in a day is told by that it came
// at once, and is over when it went back at once, and not when a drift hides it.
func TestAStepOutOfADrift(t *testing.T) {
	for _, size := range []float64{9, -9} {
		for _, l := range []line{
			{step: size, from: 20.3, to: 35},
			{step: size, from: 22, to: 35},
			{step: size, from: 24.6, to: 35},
			{step: size, from: 22.4, to: 35, radio: 25},
			{step: size, from: 22, to: 35, lostAt: 22.3, lostTo: 22.5},
		} {
			found := judge(slots(l.readings()))
			require.Len(t, found, 1, "%+v: %v", l, found)
			require.Equal(t, size > 0, found[0].Kind == finding.CurrentStepUp, "%+v: %v", l, found)
			require.Less(t, since(found[0], day(l.from)), 2.0)
			if l.radio == 0 {
				require.InDelta(t, l.from, found[0].From.Sub(t0).Hours()/24, 0.05, "its time")
			}
			require.InDelta(t, size, found[0].Evidence[0].Value, 0.6)
			require.InDelta(t, 35, found[0].To.Sub(t0).Hours()/24, 0.05, "its end")
		}
	}
	// What comes at once goes again with the radio, whatever the supply does.
	for _, radio := range []float64{4, 8, 25} {
		for from := 18.0; from < 32; from += 0.9 {
			require.Empty(t, judge(slots(line{from: from, radio: radio}.readings())), "radio of %g mA on day %g", radio, from)
		}
	}
}

// A step is told too where the current scatters from a slot to the next by a third
// of it: what some hours say before and after it doesn't. What comes within hours is
// the supply's.
func TestASmallStepOutOfADrift(t *testing.T) {
	line := func(step, at, within, goes, swing, period float64) (list []reading.Reading) {
		rnd := rand.New(rand.NewPCG(9, 7))
		for d := 0.0; d < 36; d += 1.0 / 144 {
			mA := 12 + 0.06*rnd.NormFloat64() + swing*math.Sin(2*math.Pi*d/period)
			if d >= at && d < goes {
				mA += step * min(1, (d-at)/within)
			}
			if h := math.Mod(d, 1) * 24; h > 18 && h < 18.5 {
				mA += 25
			}
			list = append(list, dryAt(d, mA))
		}
		return list
	}
	const once, stays = 1e-9, 99
	for at := 20.0; at < 28; at += 1.3 {
		for _, step := range []float64{0.5, -0.5, 0.6} {
			found := judge(slots(line(step, at, once, stays, 0.12, 6)))
			require.Len(t, found, 1, "%+g mA on day %g", step, at)
			require.Equal(t, step > 0, found[0].Kind == finding.CurrentStepUp)
			require.Less(t, since(found[0], day(at)), 2.0, "%+g mA on day %g", step, at)
			require.InDelta(t, at, found[0].From.Sub(t0).Hours()/24, 0.05, "its time")
			require.InDelta(t, step, found[0].Evidence[0].Value, 0.15)
		}
		require.Empty(t, judge(slots(line(0.5, at, 0.4, stays, 0.12, 6))), "within ten hours from day %g", at)
	}
	found := judge(slots(line(0.8, 26, once, stays, 0.6, 8)))
	require.Len(t, found, 1, "as the drift is highest")
	require.Zero(t, found[0].To, "it is not over as the drift goes down by as much")
	found = judge(slots(line(0.8, 26, once, 31, 0.6, 8)))
	require.Len(t, found, 1)
	require.InDelta(t, 31, found[0].To.Sub(t0).Hours()/24, 0.05, "it is when it goes")
}

// While somebody talks for hours a supply that drifts looks like a step after them; a
// step has to be more than that.
func TestADriftUnderALongCall(t *testing.T) {
	line := func(drift, long, step float64) (list []reading.Reading) {
		rnd := rand.New(rand.NewPCG(9, 8))
		for d := 0.0; d < 32; d += 1.0 / 144 {
			mA := 196 + 0.4*rnd.NormFloat64() + drift*max(0, min(1, (d-24.3)/long))
			if d > 25.2 {
				mA += step
			}
			if d > 25.1 && d < 25.35 {
				mA += 50
			}
			list = append(list, dryAt(d, mA))
		}
		return list
	}
	require.Empty(t, judge(slots(line(-4, 1.5, 0))))
	require.Empty(t, judge(slots(line(-5, 2, 0))))
	for _, step := range []float64{4, -4} {
		found := judge(slots(line(0, 1, step)))
		require.Len(t, found, 1, "%+g mA", step)
		require.Less(t, since(found[0], day(25.2)), 2.0)
	}
}

// The day after a step is one with readings: a station that wasn't heard just then
// has it found when it is heard again.
func TestAStepBeforeAnOutage(t *testing.T) {
	b := healthy()
	b.days, b.step, b.stepFrom, b.stepTo, b.drift = 70, 8, day(50.6), day(80), 0.002
	for _, outage := range []float64{0.7, 1.2, 1.9} {
		for seed := range uint64(3) {
			rs := slices.DeleteFunc(b.readings(seed), func(r reading.Reading) bool {
				since := r.Time.Sub(t0.Add(b.stepFrom))
				return since > 5*time.Hour && since < 5*time.Hour+day(outage)
			})
			found := judge(slots(rs))
			require.Len(t, found, 1, "%g days, seed %d: %v", outage, seed, found)
			require.Equal(t, finding.CurrentStepUp, found[0].Kind)
			require.Less(t, since(found[0], b.stepFrom), 1.3+outage)
			require.InDelta(t, 50.6, found[0].From.Sub(t0).Hours()/24, 0.05, "its time")
		}
	}
}

// A film that freezes leaks no more from one slot to the next, on a board that is
// cooler than what is known of its air: no step out of a drift.
func TestAFilmThatFreezes(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 7))
	var list []reading.Reading
	for d := 0.0; d < 40; d += 1.0 / 144 {
		mA, temp, rh := 12+0.01*rnd.NormFloat64()+0.4*math.Sin(2*math.Pi*d/7), 2.0, 97.0
		if d >= 30.1 {
			temp = 1
		} else {
			mA += 0.8 * min(1, d/10)
		}
		r := reading.Reading{Time: t0.Add(day(d))}
		r.Set(reading.LineCurrent, mA)
		r.Set(reading.InsideTemp, temp)
		r.Set(reading.InsideRH, rh)
		list = append(list, r)
	}
	require.Empty(t, judge(slots(list)))
}

func TestNoCurrent(t *testing.T) {
	b := healthy()
	b.step, b.stepFrom, b.stepTo, b.calls = -12, day(40.5), day(43), 0
	found := judge(b.run(3))
	require.Len(t, found, 1, "%v", found)
	require.Equal(t, finding.NoCurrent, found[0].Kind)
	require.Less(t, since(found[0], day(40.5)), 0.2)
	require.InDelta(t, 43, found[0].To.Sub(t0).Hours()/24, 0.05)

	b.level, b.noise, b.step, b.every = 200, 0.5, -200, 10*time.Minute // the meter of a large current scatters about nothing
	found = judge(b.run(3))
	require.Equal(t, finding.NoCurrent, found[0].Kind)
	require.Less(t, since(found[0], day(40.5)), 0.2)
	require.InDelta(t, 43, found[0].To.Sub(t0).Hours()/24, 0.05)
}

func TestVoltage(t *testing.T) {
	b := healthy()
	b.volts, b.calls = 24, 0
	require.Empty(t, judge(b.run(4)))
	for _, regulated := range []bool{false, true} {
		b.sag, b.sagFrom, b.sagTo, b.regulated = 0.2, day(60.2), day(70), regulated
		found := judge(b.run(4))
		require.Len(t, found, 1, "%v", found)
		require.Equal(t, finding.LineVoltageLow, found[0].Kind)
		require.Less(t, since(found[0], day(60.2)), 2.0)
		require.InDelta(t, 70, found[0].To.Sub(t0).Hours()/24, 0.6)
	}
	b.sagTo = day(60.6)
	require.Empty(t, judge(b.run(4)), "some hours are an outage")

	b.sag, b.sagTo, b.regulated = 1, day(63), false
	found := judge(b.run(4))
	require.Len(t, found, 1, "%v", found)
	require.Equal(t, finding.NoCurrent, found[0].Kind, "no supply is no current")
}

// Where the voltage is measured a supply that wanders drops out.
func TestConductance(t *testing.T) {
	b := healthy()
	b.drift, b.noise, b.leak, b.leakFrom, b.volts = 0.02, 0.02, 0.15, 45, 24
	found := judge(b.run(3))
	require.NotEmpty(t, found)
	require.Equal(t, finding.LeakageRising, found[0].Kind)
	require.Less(t, since(found[0], day(45)), 30.0)
	b.volts = 0
	for _, f := range judge(b.run(3)) {
		require.Greater(t, f.Concluded, found[0].Concluded, "later, if at all, by the current alone")
	}

	// The meter of the voltage is taken away.
	b.volts, b.leak = 24, 0
	rs := b.readings(3)
	for i := range rs {
		if rs[i].Time > t0.Add(day(60)) {
			bare := reading.Reading{Time: rs[i].Time}
			for c := range reading.NumChannels {
				if v, ok := rs[i].Get(c); ok && c != reading.LineVoltage {
					bare.Set(c, v)
				}
			}
			rs[i] = bare
		}
	}
	require.Empty(t, judge(slots(rs)))
}

func TestSharedLine(t *testing.T) {
	b := healthy()
	b.step, b.stepFrom, b.stepTo = 5, day(50.6), day(80.3)
	var s current.State
	for _, m := range b.run(1) {
		s.Add(current.Options{Place: place, Shared: 4}, &m)
	}
	require.Len(t, s.Found, 1)
	e := s.Found[0].Evidence
	require.Equal(t, finding.Evidence{Name: "stations_on_line", Value: 4, Unit: "stations"}, e[len(e)-1])
}

// What is found of a line that several stations share is found where its current
// is read, and nowhere else.
func TestALineIsReadElsewhere(t *testing.T) {
	b := healthy()
	b.step, b.stepFrom, b.stepTo, b.comb, b.leak, b.leakFrom, b.damp = 5, day(50.6), day(200), 2, 0.1, 60, 92
	list := b.run(5)
	var s current.State
	for i := range list {
		s.Add(current.Options{Place: place, Shared: 2, Elsewhere: true}, &list[i])
	}
	require.Len(t, s.Found, 1, "the comb is its own: %v", s.Found)
	require.Equal(t, "comb_conductance_at_saturation", s.Found[0].Evidence[0].Name)
	require.Zero(t, s.Found[0].To)

	// From some day on another station reads it.
	s = current.State{}
	moved := t0.Add(day(57))
	for i := range list {
		s.Add(current.Options{Place: place, Shared: 2, Elsewhere: list[i].Start >= moved}, &list[i])
	}
	require.Len(t, s.Found, 2, "%v", s.Found)
	require.Equal(t, finding.CurrentStepUp, s.Found[0].Kind)
	require.Equal(t, moved, s.Found[0].To)
	require.Zero(t, s.Found[1].To)
}

func TestComb(t *testing.T) {
	b := healthy()
	b.comb, b.leak, b.leakFrom, b.damp = 2, 0.1, 60, 92 // too little for the current
	found := judge(b.run(5))
	require.NotEmpty(t, found)
	require.Equal(t, finding.LeakageRising, found[0].Kind)
	require.Equal(t, "comb_conductance_at_saturation", found[0].Evidence[0].Name)
}

// eventful has a finding of each kind.
func eventful() box {
	b := healthy()
	b.leak, b.leakFrom, b.step, b.stepFrom, b.stepTo, b.volts, b.comb = 2, 40, 8, day(75.3), day(84), 24, 2
	b.sag, b.sagFrom, b.sagTo, b.days = 0.3, day(95), day(99), 130
	return b
}

// What is concluded up to an instant is the same for the data cut there, in the
// middle of a slot too.
func TestCausal(t *testing.T) {
	rs := eventful().readings(9)
	whole := judge(slots(rs))
	kinds := map[finding.Kind]bool{}
	cuts := []int{1, len(rs) / 2, len(rs) - 1}
	for _, f := range whole {
		kinds[f.Kind] = true
		at, _ := slices.BinarySearchFunc(rs, f.Concluded, func(r reading.Reading, t unit.Instant) int { return cmp.Compare(r.Time, t) })
		require.Equal(t, f.Concluded, rs[at].Time, "a reading concludes")
		cuts = append(cuts, at-1, at, at+1, at+7)
	}
	require.Len(t, kinds, 3, "%v", whole)
	for cut := 211; cut < len(rs); cut += 9973 {
		cuts = append(cuts, cut)
	}
	for _, cut := range cuts {
		last := rs[cut].Time
		part := judge(slots(rs[:cut+1]))
		var then []finding.Finding
		for _, f := range whole {
			if f.Concluded <= last {
				then = append(then, f)
			}
		}
		require.Len(t, part, len(then), "cut at %d", cut)
		for i := range part {
			if part[i].To == 0 {
				then[i].To = 0
			}
			require.Equal(t, then[i], part[i], "cut at %d", cut)
		}
	}
}

// A state that was kept as JSON goes on as it would have, and is short.
func TestStateIsKept(t *testing.T) {
	b := eventful()
	b.every = 10 * time.Minute
	list := b.run(9)
	o := current.Options{Place: place}
	var whole, kept current.State
	largest := 0
	for i := range list {
		whole.Add(o, &list[i])
		kept.Add(o, &list[i])
		if i%97 != 0 && i < len(list)-300 {
			continue
		}
		text, err := json.Marshal(&kept)
		require.NoError(t, err)
		largest = max(largest, len(text))
		kept = current.State{}
		require.NoError(t, json.Unmarshal(text, &kept))
		require.Equal(t, whole.Found, kept.Found)
	}
	text, err := json.Marshal(&whole)
	require.NoError(t, err)
	again, err := json.Marshal(&kept)
	require.NoError(t, err)
	require.Equal(t, string(text), string(again))
	t.Logf("at most %d bytes", largest)
	require.LessOrEqual(t, largest, 20_000)

	// Findings that are over may be taken out.
	part := current.State{}
	for i := range list {
		part.Add(o, &list[i])
		part.Found = slices.DeleteFunc(part.Found, func(f finding.Finding) bool { return f.To != 0 })
	}
	require.Equal(t, slices.DeleteFunc(whole.Found, func(f finding.Finding) bool { return f.To != 0 }), part.Found)
}

// A state that is no state says so.
func TestStateThatIsNone(t *testing.T) {
	for _, text := range []string{`{"Recent":"@"}`, `{"Recent":"AAAA"}`, `{"Nights":"AAAA"}`} {
		require.ErrorContains(t, json.Unmarshal([]byte(text), &current.State{}), "state of a line's current", text)
	}
}

// A day has one night, also where it ends within a slot, before that slot's
// first reading.
func TestNightsAreJudgedOnce(t *testing.T) {
	b := healthy()
	b.days, b.every = 10, 10*time.Minute
	rs := b.readings(1)
	for i := range rs {
		rs[i].Time = rs[i].Time.Add(7 * time.Minute)
	}
	for _, lon := range []float64{0, 1.25, 2, 7.4, -1.25, 179, -179} {
		var s current.State
		list := slots(rs)
		for i := range list {
			// As they come once an hour, done with what began the next.
			for j := i; j < len(list) && list[j].Start.Floor(time.Hour) == list[i].Start.Floor(time.Hour); j++ {
				list[i].Done = list[j].Done
			}
			s.Add(current.Options{Place: &sun.Place{Lat: 61, Lon: lon}}, &list[i])
		}
		require.InDelta(t, 10, s.NightsSeen, 1, "at longitude %g", lon)
		require.LessOrEqual(t, len(s.Blocks), 41)
	}
}

// The simulator of boxes, which shares no formula with the rules but the film's.
func TestSimulatedBoxes(t *testing.T) {
	for i, c := range []boxsim.Climate{boxsim.Lakeside(), boxsim.Quayside()} {
		for _, f := range []boxsim.Fault{{}, {Kind: boxsim.Leakage, From: t0.Add(day(60)), Size: 100}, {Kind: boxsim.CurrentStep, From: t0.Add(day(60)), Size: 3}} {
			var m means.Builder
			var list []means.Mean
			sim := boxsim.New(boxsim.NewWeather(c, uint64(i)), boxsim.Box{
				TauH: 20, SkyCoolingK: 3, SelfHeatK: 0.5, SunGainK: 10, StandbyMA: 12, Noise: 1, HasBoard: true, HasLine: true,
			}, []boxsim.Fault{f}, 3, t0)
			for d := time.Duration(0); d < day(120); d += 10 * time.Minute {
				r := sim.Next(t0.Add(d))
				if done, ok := m.Add(&r); ok {
					list = append(list, done)
				}
			}
			found := judge(list)
			what := fmt.Sprintf("climate %d, %q: %v", i, f.Kind, found)
			switch f.Kind {
			case "":
				require.Empty(t, found, what)
			case boxsim.Leakage:
				require.NotEmpty(t, found, what)
				require.Equal(t, finding.LeakageRising, found[0].Kind, what)
				require.Less(t, since(found[0], day(60)), 30.0, what)
			default:
				require.Len(t, found, 1, what)
				require.Equal(t, finding.CurrentStepUp, found[0].Kind, what)
				require.Less(t, since(found[0], day(60)), 2.0, what)
			}
		}
	}
}

// Healthy boxes through all seasons, frost and thaw among them.
func TestSimulatedYears(t *testing.T) {
	years, found := 0.0, 0
	for i, c := range []boxsim.Climate{boxsim.Lakeside(), boxsim.Quayside(), boxsim.Lakeside(), boxsim.Quayside()} {
		sim := boxsim.New(boxsim.NewWeather(c, uint64(5+i)), boxsim.Box{
			TauH: 40, SkyCoolingK: 3, SelfHeatK: 0.5, SunGainK: 6, StandbyMA: 12, Noise: 1, FailShare: 0.002, HasBoard: i < 3, HasLine: true,
		}, nil, uint64(i), t0)
		var s current.State
		var o current.Options
		if i >= 2 {
			o.Place = place
		}
		var m means.Builder
		for d := time.Duration(0); d < day(540); d += 20 * time.Minute {
			r := sim.Next(t0.Add(d))
			if done, ok := m.Add(&r); ok {
				s.Add(o, &done)
			}
		}
		for _, f := range s.Found {
			found++
			t.Logf("climate %d: %v", i, f)
		}
		years += 540.0 / 365
	}
	require.Zero(t, found, "in %.1f station-years", years)
}

// proofBox draws a box of the proof: plain for even numbers, hard for odd ones.
func proofBox(i int) (b box, hard int) {
	rnd := rand.New(rand.NewPCG(uint64(i), 99))
	pick := func(of ...float64) float64 { return of[rnd.IntN(len(of))] }
	b = box{
		level: pick(12, 12, 30, 200), tempco: 0, calls: pick(0, 3), days: 400, damp: pick(70, 80, 86, 92), board: rnd.IntN(2) == 0,
		mean: pick(4, 9, 14), season: pick(4, 8, 12), every: time.Duration(pick(10, 10, 10, 20, 30, 60)) * time.Minute, volts: pick(0, 0, 12, 24),
	}
	b.noise, b.tempco = max(0.02, b.level*5e-4), b.level*pick(-0.001, 0, 0.002)
	hard = i % 2
	if hard == 1 {
		b.drift, b.calls, b.talks, b.radio, b.rhBias, b.boardBias = 0.01, 10, pick(0, 0.3, 1), pick(0, 15), 1.8*rnd.NormFloat64(), 0.25*rnd.NormFloat64()
		b.noise, b.gaps, b.lost = max(0.06, b.level*1e-3), pick(0, 0.02), pick(0, 0.02, 0.1)
	}
	b.leakFrom = 1000
	if i%3 != 0 {
		b.leakFrom, b.leak = 60+rnd.IntN(250), max(b.level*0.01*float64(1+hard), 0.2)*pick(1.5, 3, 6)
		stepFrom := day(float64(60 + rnd.IntN(250)))
		if off := float64(b.leakFrom) - stepFrom.Hours()/24; math.Abs(off) < 40 {
			stepFrom = day(float64(b.leakFrom + 45))
		}
		b.step = b.level * pick(0.15, 0.5, 2, -0.15, -0.4) * float64(1+hard)
		b.stepFrom, b.stepTo = stepFrom+time.Duration(rnd.IntN(24))*time.Hour, stepFrom+day(pick(5, 12))
	}
	return b, hard
}

// TestProof judges boxes of 400 days by physics of their own. Half of them are
// plain, half have what real ones have; a third is sound, the others leak and
// have a step. PROOF_SCALE=full is for a hundred station-years and more.
func TestProof(t *testing.T) {
	n := 12
	if os.Getenv("PROOF_SCALE") == "full" {
		n = 240
	}
	seed, _ := strconv.Atoi(os.Getenv("PROOF_SEED"))
	type sum struct {
		years                                    float64
		wrong, leaks, leaksFound, steps, found   int
		chatter, unowed                          int
		leakDays, stepDays, stepHours, stepError []float64
	}
	var sums [2]sum
	for i := range n {
		i += 1000 * seed
		b, hard := proofBox(i)
		rs, due := b.simulate(uint64(i))
		o := current.Options{Place: place}
		if i%5 == 4 {
			o.Place = nil
		}
		var st current.State
		for _, m := range slots(rs) {
			st.Add(o, &m)
		}
		s := &sums[hard]
		s.years += float64(b.days) / 365
		counts := map[string]int{}
		leakDays, stepDays := math.Inf(1), math.Inf(1)
		for _, f := range st.Found {
			at := f.Concluded.Sub(t0)
			switch step := f.Kind == finding.CurrentStepUp || f.Kind == finding.CurrentStepDown; {
			case f.Kind == finding.LeakageRising && at > day(float64(b.leakFrom)):
				counts["leakage"]++
				leakDays = min(leakDays, since(f, day(float64(b.leakFrom))))
			case step && at > b.stepFrom && at < b.stepTo+day(14):
				if counts["step"]++; counts["step"] == 1 && (f.Kind == finding.CurrentStepUp) == (b.step > 0) {
					stepDays = since(f, b.stepFrom)
					s.stepHours = append(s.stepHours, math.Abs(f.From.Sub(t0.Add(b.stepFrom)).Hours()))
					s.stepError = append(s.stepError, math.Abs(f.Evidence[0].Value/b.step-1))
				}
			default:
				s.wrong++
				t.Logf("box %d %+v: false %s from day %.1f, concluded %.1f: %v", i, b, f.Kind, f.From.Sub(t0).Hours()/24, since(f, 0), f.Evidence)
			}
		}
		if max(counts["leakage"], counts["step"]) > 2 {
			s.chatter++
			t.Logf("box %d %+v: %v", i, b, counts)
		}
		if b.leakFrom > 400 {
			continue
		}
		if end := day(400); due == 0 || due > end {
			s.unowed++
		} else if s.leaks++; leakDays <= (due-day(float64(b.leakFrom))).Hours()/24 {
			s.leaksFound++
			s.leakDays = append(s.leakDays, leakDays)
		} else {
			t.Logf("box %d %+v: leakage not found by day %.1f: after %.1f days", i, b, due.Hours()/24, leakDays)
		}
		if s.steps++; stepDays <= 2 {
			s.found++
			s.stepDays = append(s.stepDays, stepDays)
		} else {
			t.Logf("box %d %+v: step found after %.1f days", i, b, stepDays)
		}
	}
	median := func(list []float64) float64 {
		if len(list) == 0 {
			return math.NaN()
		}
		slices.Sort(list)
		return list[len(list)/2]
	}
	for hard, s := range sums {
		fmt.Printf("line: hard=%d years=%.1f false_per_station_year=%.3f leakage=%d/%d unowed=%d median_days=%.1f step=%d/%d median_days=%.1f median_hours_off=%.2f median_size_off=%.3f more_than_two_of_an_event=%d\n",
			hard, s.years, float64(s.wrong)/s.years, s.leaksFound, s.leaks, s.unowed, median(s.leakDays), s.found, s.steps, median(s.stepDays), median(s.stepHours), median(s.stepError), s.chatter)
		require.LessOrEqual(t, s.wrong, max(1, int(s.years*[]float64{0.03, 0.1}[hard])))
		require.LessOrEqual(t, s.chatter, (s.leaks+s.steps)/50)
		// Of the hard ones some leak less than their line drifts; in frost none does.
		require.GreaterOrEqual(t, s.leaksFound, s.leaks*[]int{85, 68}[hard]/100-1)
		require.GreaterOrEqual(t, s.found, s.steps*96/100-1)
	}
}

// BenchmarkYear gives the time that a station-year of readings every ten minutes
// takes, beside that of the means that it is told.
func BenchmarkYear(b *testing.B) {
	x := healthy()
	x.days, x.every, x.volts, x.comb, x.leak, x.leakFrom = 365, 10*time.Minute, 24, 2, 1, 200
	rs := x.readings(1)
	var floor time.Duration
	for b.Loop() {
		began := time.Now()
		list := slots(rs)
		floor += time.Since(began)
		judge(list)
	}
	b.ReportMetric(float64(b.Elapsed()-floor)/float64(floor), "x_means")
}
