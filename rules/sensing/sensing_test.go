package sensing_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

func TestSoundSensors(t *testing.T) {
	var wrong []finding.Finding
	fleet(t, 24, func(t *testing.T, seed uint64, b *box) {
		s := b.judge(seed, 365)
		for _, f := range s.Findings() {
			t.Logf("seed %d, %+v: %v", seed, *b, f)
		}
		wrong = append(wrong, s.Findings()...)
		text, err := json.Marshal(s)
		require.NoError(t, err)
		require.Less(t, len(text), 30<<10)
	})
	require.LessOrEqual(t, len(wrong), 1, "of 24 station-years")
}

func TestStuck(t *testing.T) {
	const from = 61.3
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		noise := []float64{0, 0.2, 0.35}[seed%3]
		rnd, at := rand.New(rand.NewPCG(seed, 1)), math.NaN()
		b.scatter, b.rh = 0, func(d, rh float64) float64 {
			switch {
			case d < from:
				return rh + 0.15*rnd.NormFloat64()
			case math.IsNaN(at):
				at = min(rh, 88)
			case d > from+6:
				return rh + 0.15*rnd.NormFloat64()
			}
			return at + noise*rnd.NormFloat64()
		}
		s := b.judge(seed, 75)
		f, late := after(s, from)
		require.LessOrEqual(t, late, 2.0, "seed %d", seed)
		require.Equal(t, "stuck_inside_rh_pct", name(f))
		require.Less(t, math.Abs(float64(f.From-begin)/float64(day)-from), 0.5, "its onset")
		require.Greater(t, f.To, f.From, "it moves again")
		require.Less(t, float64(f.To-begin)/float64(day), from+6.5)
		require.Len(t, s.Findings(), 1)
	})
}

// In overcast weather the vapour of a box rises and falls with its warmth, outdoors
// and out of plastic, and its humidity hardly moves. It moves beyond its scatter:
// slowly, or by what a cloud does for an hour.
func TestHeldByBuffers(t *testing.T) {
	fleet(t, 16, func(t *testing.T, seed uint64, b *box) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		hour, cloud := 0.0, 0.0
		b.scatter, b.rh = 0, func(d, _ float64) float64 {
			if h := math.Floor(d * 24); h != hour {
				hour, cloud = h, 0.3*rnd.NormFloat64()
			}
			moves := 0.6 * math.Sin(2*math.Pi*d/1.7)
			if seed%4 >= 2 {
				moves = cloud
			}
			return 75 + moves + []float64{0.05, 0.1}[seed%2]*rnd.NormFloat64()
		}
		require.Empty(t, b.judge(seed, 40).Findings(), "seed %d", seed)
	})
}

// A box full of paper lets through a twentieth of what others do: on some days that is
// less than its sensor's scatter. So it may be from the first day on.
func TestABoxFullOfPaper(t *testing.T) {
	wrong := 0
	fleet(t, 16, func(t *testing.T, seed uint64, b *box) {
		rnd, held := rand.New(rand.NewPCG(seed, 1)), math.NaN()
		b.tau, b.buffer, b.scatter = 12, 0, 0
		b.rh = func(d, rh float64) float64 {
			if math.IsNaN(held) {
				held = 75
			}
			held += (0.3*rh + 0.7*75 - held) * step.Hours() / 400
			through := 0.03
			if d < 30 && seed%2 == 0 {
				through = 0.2
			}
			return held + through*(rh-held) + 0.15*rnd.NormFloat64()
		}
		for _, f := range b.judge(seed, 330).Findings() {
			t.Logf("seed %d: %v", seed, f)
			wrong++
		}
	})
	require.LessOrEqual(t, wrong, 1, "of 16")
}

// Water holds the air steady too: while it is known to be inside only a sensor that has
// lost even its scatter is stuck.
func TestWaterHoldsTheAirSteady(t *testing.T) {
	fleet(t, 4, func(t *testing.T, seed uint64, b *box) {
		for _, water := range []bool{false, true} {
			rnd, wet := rand.New(rand.NewPCG(seed, 2)), *b
			wet.scatter, wet.water = 0, water
			wet.rh = func(d, rh float64) float64 {
				if d > 30 {
					rh = 85 + 0.1*rnd.NormFloat64()
				}
				return rh
			}
			f, late := after(wet.judge(seed, 36), 30)
			require.Equal(t, water, math.IsInf(late, 1), "seed %d: %v", seed, f)
		}
	})
}

// In fog, dew on the cover of a box that warms itself holds the humidity still, whatever
// the temperature does; a sensor that sticks there is found when the sun comes out.
func TestDewOnACoverHoldsTheAirSteady(t *testing.T) {
	for _, digit := range []float64{0.01, 0.1} {
		fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
			const gap = 1.6 // K by which the cover is colder
			rnd := rand.New(rand.NewPCG(seed, 2))
			b.scatter, b.board, b.peer, b.sun = 0, false, false, 8
			b.edit = func(d float64, r *reading.Reading) {
				r.Clear(reading.OutsideTemp)
				r.Clear(reading.OutsideRH)
				temp, _ := r.Get(reading.InsideTemp)
				rh, _ := r.Get(reading.InsideRH)
				if d < 80 {
					temp = 4 + (temp-4)/4
				}
				if d >= 80 {
					rh = 100 * es(4-gap) / es(4)
				} else if d >= 20 && math.Mod(d, 30) < 2 {
					rh = 100 * es(temp-gap) / es(temp)
				}
				r.Set(reading.InsideTemp, temp)
				r.Set(reading.InsideRH, digit*math.Round((rh+0.25*rnd.NormFloat64())/digit))
			}
			s := b.judge(seed, 90)
			f, late := after(s, 80)
			require.LessOrEqual(t, late, 2.0, "seed %d", seed)
			require.Equal(t, "stuck_inside_rh_pct", name(f))
			require.Len(t, s.Findings(), 1)
		})
	}
}

// A sensor that shows whole percents, or tenths, stands still for hours and works. Once
// it sticks it is found all the same, if later.
func TestFewDigits(t *testing.T) {
	for _, digit := range []float64{0.1, 1} {
		fleet(t, 8, func(t *testing.T, seed uint64, b *box) {
			b.tau, b.buffer, b.scatter = 60, 1, 0
			at := math.NaN()
			shown := func(rh float64) float64 { return digit * math.Round(rh/digit) }
			b.rh = func(d, rh float64) float64 {
				if d > 50 && math.IsNaN(at) {
					at = shown(min(rh, 88))
				}
				if d > 50 {
					return at
				}
				return shown(rh)
			}
			s := b.judge(seed, 60)
			_, late := after(s, 50)
			require.LessOrEqual(t, late, 6.0, "seed %d", seed)
			require.Len(t, s.Findings(), 1)
		})
	}
}

// A logger shows half percents once an hour. A sensor that sticks there with noise goes
// to and fro between a few of them, for months, and is told of once.
func TestStuckInALoggerOfFewDigits(t *testing.T) {
	const from = 61.3
	fleet(t, 8, func(t *testing.T, seed uint64, b *box) {
		rnd, at := rand.New(rand.NewPCG(seed, 1)), math.NaN()
		b.tau, b.scatter = 12, 0
		b.rh = func(d, rh float64) float64 {
			if d > from {
				if math.IsNaN(at) {
					at = min(rh, 85)
				}
				rh = at
			}
			return math.Round(2*(rh+0.3*rnd.NormFloat64())) / 2
		}
		var s sensing.State
		var m means.Builder
		b.run(seed, 160, func(r *reading.Reading, peer *sensing.Air) {
			if r.Time%unit.Instant(time.Hour) != 0 {
				return
			}
			if slot, ok := m.Add(r); ok {
				slot.Done = r.Time
				s.Step(&slot, sensing.Facts{Peer: peer})
			}
		})
		f, late := after(&s, from)
		require.LessOrEqual(t, late, 4.0, "seed %d", seed)
		require.Equal(t, "stuck_inside_rh_pct", name(f))
		require.Len(t, s.Findings(), 1)
	})
}

// A chip, or its driver, that repeats what it last said does so for temperature and
// humidity; the sensor outdoors, which is right, is not the one in doubt.
func TestAChipThatRepeatsItself(t *testing.T) {
	const from = 50.2
	fleet(t, 8, func(t *testing.T, seed uint64, b *box) {
		rnd, last := rand.New(rand.NewPCG(seed, 1)), reading.Reading{}
		b.rh = func(_, rh float64) float64 { return min(rh, 90) + 0.1*rnd.NormFloat64() }
		b.edit = func(d float64, r *reading.Reading) {
			for _, c := range []reading.Channel{reading.InsideTemp, reading.InsideRH} {
				if v, ok := last.Get(c); ok && d >= from {
					r.Set(c, v)
				} else if v, ok := r.Get(c); ok {
					last.Set(c, v)
				}
			}
		}
		found := b.judge(seed, 100).Findings()
		require.NotEmpty(t, found, "seed %d", seed)
		require.LessOrEqual(t, len(found), 2)
		for _, f := range found {
			require.Contains(t, []string{"stuck_inside_temp_c", "stuck_inside_rh_pct"}, name(f))
			require.Less(t, float64(f.Concluded-begin)/float64(day), from+2)
			require.Zero(t, f.To)
		}
	})
}

// A chip that is dead but for noise is found beside any other thermometer; one that
// repeats both to the last digit for two days without one.
func TestADeadChip(t *testing.T) {
	const from = 50.2
	for _, noisy := range []bool{true, false} {
		fleet(t, 8, func(t *testing.T, seed uint64, b *box) {
			rnd, last := rand.New(rand.NewPCG(seed, 1)), reading.Reading{}
			b.board, b.peer = false, noisy && b.peer
			b.rh = func(_, rh float64) float64 { return min(rh, 90) + 0.1*rnd.NormFloat64() }
			b.edit = func(d float64, r *reading.Reading) {
				for _, c := range []reading.Channel{reading.InsideTemp, reading.InsideRH} {
					v, _ := r.Get(c)
					if d < from {
						last.Set(c, v)
					} else if v, _ = last.Get(c); noisy {
						v += map[reading.Channel]float64{reading.InsideTemp: 0.04, reading.InsideRH: 0.2}[c] * rnd.NormFloat64()
					}
					r.Set(c, math.Round(10*v)/10)
				}
				if !noisy {
					r.Clear(reading.OutsideTemp)
					r.Clear(reading.OutsideRH)
				}
			}
			s := b.judge(seed, 60)
			f, late := after(s, from)
			require.LessOrEqual(t, late, 2.1, "seed %d", seed)
			require.Contains(t, []string{"stuck_inside_temp_c", "stuck_inside_rh_pct"}, name(f))
			require.Len(t, s.Findings(), 1)
			require.Zero(t, f.To)
		})
	}
}

// Saturation alone never makes a suspect; nor does a sensor at the end of its
// scale.
func TestSaturated(t *testing.T) {
	for _, cropped := range []bool{false, true} {
		fleet(t, 6, func(t *testing.T, seed uint64, b *box) {
			rnd := rand.New(rand.NewPCG(seed, 1))
			b.scatter, b.rh = 0, func(d, rh float64) float64 {
				if d < 40 {
					return rh
				}
				if cropped {
					return 100
				}
				return 100 + b.biasIn + 0.1*rnd.NormFloat64()
			}
			s := b.judge(seed, 60)
			require.Empty(t, s.Findings(), "seed %d", seed)
		})
	}
}

// A sensor that has shown 97 % or more and stands at 93 is stuck, whether anybody knows
// the air outdoors or not.
func TestStuckNearSaturation(t *testing.T) {
	for seed := range uint64(6) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		b := draw(seed, false)
		b.peer, b.scatter, b.damp, b.tau, b.sun, b.mean = false, 0, 88, 3, 8, 12
		b.edit = func(_ float64, r *reading.Reading) {
			r.Clear(reading.OutsideTemp)
			r.Clear(reading.OutsideRH)
		}
		b.rh = func(d, rh float64) float64 {
			if d > 60 {
				rh = 93
			}
			return rh + 0.1*rnd.NormFloat64()
		}
		f, late := after(b.judge(seed, 70), 60)
		require.LessOrEqual(t, late, 3.0, "seed %d", seed)
		require.Equal(t, "stuck_inside_rh_pct", name(f))
	}
}

func TestCreep(t *testing.T) {
	const from = 70.0
	missed, wrong, days := 0, 0, []float64{}
	for _, p := range []struct{ size, owed float64 }{{18, 30}, {-18, 30}, {8, 45}, {-8, 45}} {
		fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
			b.rh = func(d, rh float64) float64 {
				if d < from || d > from+p.owed+5 {
					return rh
				}
				return rh + p.size*(d-from)/25
			}
			s := b.judge(seed+100, int(from+p.owed)+30)
			f, late := after(s, from)
			if late > p.owed {
				t.Logf("seed %d, %+.0f: missed", seed, p.size)
				missed++
				return
			}
			require.Equal(t, "drift_inside_rh_pct", name(f))
			require.Equal(t, p.size > 0, f.Evidence[0].Value > 0)
			require.Positive(t, f.To, "it is over")
			days = append(days, late)
			wrong += len(s.Findings()) - 1
		})
	}
	slices.Sort(days)
	t.Logf("found %d, missed %d, median after %.0f days", len(days), missed, days[len(days)/2])
	require.LessOrEqual(t, missed, 3, "of 48: sensors biased the other way")
	require.Zero(t, wrong)
}

// A week and a half without power leaves enough of what was before to tell a creep by.
func TestCreepAcrossAnOutage(t *testing.T) {
	const from = 70.0
	found := 0
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		b.rh = func(d, rh float64) float64 { return rh - 18*min(1, max(0, d-from)/25) }
		b.edit = func(d float64, r *reading.Reading) {
			if d >= 66 && d < 76 {
				for _, c := range sensing.Channels {
					r.Clear(c)
				}
			}
		}
		b.peer = false
		if f, late := after(b.judge(seed+100, 100), from); late <= 28 {
			found++
			require.Equal(t, "drift_inside_rh_pct", name(f))
		}
	})
	require.GreaterOrEqual(t, found, 9, "of 12")
}

// A sensor that creeps by 8 %RH in 45 days and stays so is too dry for any breathing
// time that its box may have, whatever a slower one would bring in changing weather.
func TestASlowCreepToTheDrySide(t *testing.T) {
	const from, owed = 70.0, 45.0
	found := 0
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		b.rh = func(d, rh float64) float64 { return rh - 8*min(1, max(0, d-from)/owed) }
		f, late := after(b.judge(seed+200, from+owed+5), from)
		if late <= owed {
			found++
			require.Equal(t, "drift_inside_rh_pct", name(f))
			require.Negative(t, f.Evidence[0].Value)
		}
	})
	require.GreaterOrEqual(t, found, 7, "of 12")
}

// So is one that creeps upwards where a house would add less: no box of one breathing time
// explains what a buffer makes of the weather as well as a mix of them does.
func TestASlowCreepUpwards(t *testing.T) {
	const from, owed = 70.0, 45.0
	found := 0
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		b.damp, b.mean = 66, 13
		b.rh = func(d, rh float64) float64 { return rh + 8*min(1, max(0, d-from)/owed) }
		f, late := after(b.judge(seed+800, from+owed+5), from)
		if late <= owed {
			found++
			require.Equal(t, "drift_inside_rh_pct", name(f))
			require.Positive(t, f.Evidence[0].Value)
		}
	})
	require.GreaterOrEqual(t, found, 9, "of 12")
}

// In a box flush in a wall the house may add as much and more, but never as evenly.
func TestASlowCreepInAFlushBox(t *testing.T) {
	const from, owed = 70.0, 45.0
	found := 0
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		b.damp, b.mean, b.tau, b.flush = 68, 9, 4, true
		house := *b
		b.rh = func(d, rh float64) float64 { return rh + 8*min(1, max(0, d-from)/owed) }
		if f, late := after(b.judge(seed+800, from+owed+5), from); late <= owed {
			found++
			require.Equal(t, "drift_inside_rh_pct", name(f))
		}
		for _, share := range []float64{0.15, 0.3, 0.5} {
			house.wall, house.grows = share, 50
			require.Empty(t, house.judge(seed+800, 160).Findings(), "seed %d, share %g", seed, share)
		}
	})
	require.GreaterOrEqual(t, found, 7, "of 12")
}

// A box that follows the weather less in another season, as its plastics take up more,
// has its sensor held against what it did just before, too.
func TestCreepInAnotherSeason(t *testing.T) {
	const from = 70.0
	missed := 0
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		b.damp, b.tau, b.mean = 68, 6, 13 // houses add little
		mean := 70.0
		b.rh = func(d, rh float64) float64 {
			mean += (rh - mean) * step.Hours() / 36
			follows := 1 - 0.45*min(1, max(0, (d-45)/15))
			return mean + (rh-mean)*follows + 18*min(1, max(0, d-from)/25)
		}
		if _, late := after(b.judge(seed+400, from+35), from); late > 30 {
			missed++
		}
	})
	require.LessOrEqual(t, missed, 2, "of 12")
}

// A box whose humidity rises as it warms is full of paper. It remembers more weeks than
// are asked: that it is drier than exchange would make it is no creep of its sensor.
func TestPaperRemembersWeeks(t *testing.T) {
	const from = 70.0
	for _, c := range []struct{ follows, least, most float64 }{{-0.3, 0, 0}, {0.3, 4, 6}} {
		found := 0.0
		fleet(t, 6, func(t *testing.T, seed uint64, b *box) {
			b.damp, b.tau, b.mean = 70, 6, 13
			b.rh = func(d, rh float64) float64 {
				return 70 + c.follows*(rh-70) - 18*min(1, max(0, d-from)/25)
			}
			if _, late := after(b.judge(seed+700, from+40), from); late <= 40 {
				found++
			}
		})
		require.GreaterOrEqual(t, found, c.least, "of 6, %g", c.follows)
		require.LessOrEqual(t, found, c.most, "of 6, %g", c.follows)
	}
}

// Where outdoor air is damp and cool nearly any excess may be water or house air. What
// grows for weeks, at noon as at night, is the sensor's, and it isn't over as saturated
// air leaves no room for what it shows too much.
func TestACreepInDampWeather(t *testing.T) {
	for _, p := range []struct{ size, owed, least float64 }{{18, 30, 8}, {8, 45, 5}} {
		const from = 70.0
		found := 0.0
		fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
			b.mean, b.damp = 5, 84
			b.rh = func(d, rh float64) float64 { return min(100, rh+p.size*min(1, max(0, d-from)/25)) }
			known := *b
			known.house = true
			require.Empty(t, known.judge(seed+500, int(from+p.owed)+30).Findings(), "house air may come slowly")
			s := b.judge(seed+500, int(from+p.owed)+30)
			if f, late := after(s, from); late <= p.owed {
				found++
				require.Equal(t, "drift_inside_rh_pct", name(f))
				require.Positive(t, f.Evidence[0].Value)
				require.Zero(t, f.To, "seed %d: it stays", seed)
			}
		})
		require.GreaterOrEqual(t, found, p.least, "of 12, %g %%RH", p.size)
	}
}

// A box full of paper fills for weeks with what a house adds, as if its sensor crept; what
// grows beyond all that a house can add in the warmth of summer is the sensor's.
func TestACreepInABoxFullOfPaper(t *testing.T) {
	for mean, bounds := range map[float64][2]int{18: {11, 12}, 4: {0, 1}} {
		found := 0
		fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
			rnd, held := rand.New(rand.NewPCG(seed, 3)), 60.0
			b.mean, b.season, b.damp, b.tau, b.buffer, b.scatter = mean, 0, 70, 12, 0, 0
			b.rh = func(d, rh float64) float64 {
				held += (0.3*rh + 0.7*60 - held) * step.Hours() / 400
				return held + 0.3*(rh-held) + 18*min(1, max(0, d-70)/25) + 0.15*rnd.NormFloat64()
			}
			if f, late := after(b.judge(seed+700, 110), 70); late <= 30 {
				require.Equal(t, "drift_inside_rh_pct", name(f))
				found++
			}
		})
		t.Logf("%.0f °C: found %d", mean, found)
		require.GreaterOrEqual(t, found, bounds[0], "%.0f °C", mean)
		require.LessOrEqual(t, found, bounds[1], "%.0f °C", mean)
	}
}

// What comes as a step and stays isn't the sensor's, and neither is what grows in the
// damp hours of the night.
func TestWhatIsNoCreepUpwards(t *testing.T) {
	wrong := 0
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		b.mean = 5
		step, night := *b, *b
		step.rh = func(d, rh float64) float64 {
			if d >= 70 {
				rh = min(100, rh+15)
			}
			return rh
		}
		night.rh = func(d, rh float64) float64 { return rh + 0.6*min(1, max(0, d-70)/25)*max(0, 100-rh) }
		for _, b := range []*box{&step, &night} {
			for _, f := range b.judge(seed+600, 130).Findings() {
				t.Logf("seed %d: %v", seed, f)
				wrong++
			}
		}
	})
	require.LessOrEqual(t, wrong, 1, "of 24 boxes")
}

// Air of a house that is cooled makes a box in its wall drier and drier as a damp summer
// comes. What is more than that is the sensor's.
func TestACooledHouseIsNoCreep(t *testing.T) {
	const from, owed = 130.0, 45.0
	wrong, found := 0, 0
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		b.mean, b.season, b.damp, b.cooled, b.tau = 18, 9, 80, 0.2+0.02*float64(seed), []float64{6, 12, 25}[seed%3]
		for _, f := range b.judge(seed, 180).Findings() {
			t.Logf("seed %d: %v", seed, f)
			wrong++
		}
		b.cooled, b.rh = 0.01, func(d, rh float64) float64 { return rh - 18*min(1, max(0, d-from)/25) }
		if f, late := after(b.judge(seed, from+owed+5), from); late <= owed {
			found++
			require.Equal(t, "drift_inside_rh_pct", name(f))
		}
	})
	t.Logf("found %d, wrong %d", found, wrong)
	require.LessOrEqual(t, wrong, 1, "of 12")
	require.GreaterOrEqual(t, found, 9, "of 12")
}

// What is drier by much within a week, and for some weeks, is weather or a box that
// was dried: no sensor creeps as fast.
func TestWhatComesAtOnceIsNoCreep(t *testing.T) {
	fleet(t, 12, func(t *testing.T, seed uint64, b *box) {
		b.rh = func(d, rh float64) float64 {
			if d >= 74 && d < 95 {
				return rh - 18
			}
			return rh
		}
		require.Empty(t, b.judge(seed+300, 130).Findings(), "seed %d", seed)
	})
}

// Water and house air are not the sensor's doing.
func TestMoistureIsNoFault(t *testing.T) {
	wrong := 0
	fleet(t, 10, func(t *testing.T, seed uint64, b *box) {
		water, walled := *b, *b
		water.puddle, walled.wall = 400, 0.35
		wrong += len(water.judge(seed, 160).Findings()) + len(walled.judge(seed, 160).Findings())
	})
	require.LessOrEqual(t, wrong, 1, "of 20 boxes")
}

// While water is known of what the sensor shows is no offset that it usually has: when the
// water is gone, it hasn't crept.
func TestWaterThatIsGoneIsNoCreep(t *testing.T) {
	for seed := range uint64(12) {
		b := draw(seed, false)
		b.tau, b.biasIn, b.puddle, b.water, b.known = 6, -6, 300, true, [2]float64{61, 90}
		require.Empty(t, b.judge(seed, 140).Findings(), "seed %d", seed)
	}
}

// Where plastic or paper holds a box's humidity, air from the house is the same share
// of saturation at any hour, and in the cold a tenth of a hectopascal is much of it.
func TestHouseAirInABoxThatBuffers(t *testing.T) {
	for seed := range uint64(6) {
		for _, tau := range []float64{12, 40} {
			b := draw(seed, true)
			b.wall, b.buffer, b.tau, b.mean, b.damp = 0.4, 3, tau, 7, 66
			require.Empty(t, b.judge(seed, 330).Findings(), "seed %d, %g h", seed, tau)
		}
	}
}

// Frost keeps for weeks what comes from the house, and gives it back in spring, more and
// more, as if the sensor crept.
func TestFrostGivesBackForWeeks(t *testing.T) {
	for seed := range uint64(10) {
		for _, tau := range []float64{40, 90} {
			b := draw(seed, true)
			b.wall, b.tau, b.mean, b.damp = 0.15, tau, -1, 88
			require.Empty(t, b.judge(seed, 150).Findings(), "seed %d, %g h", seed, tau)
		}
	}
}

func TestThermometers(t *testing.T) {
	b := draw(4, false)
	b.board = true
	shift := func(c reading.Channel, by float64) func(float64, *reading.Reading) {
		return func(d float64, r *reading.Reading) {
			if v, ok := r.Get(c); ok && d >= 40 && d < 60 {
				r.Set(c, v+by)
			}
		}
	}
	b.edit = shift(reading.BoardTemp, 6)
	f, late := after(b.judge(1, 75), 40)
	require.LessOrEqual(t, late, 8.0)
	require.Equal(t, "disagrees_board_temp_c", name(f))
	require.InDelta(t, 6, f.Evidence[0].Value, 1)
	require.Positive(t, f.To)
	require.Equal(t, 0.8, f.Confidence, "two others agree")

	b.edit = shift(reading.InsideTemp, 6)
	s := b.judge(1, 75)
	f, late = after(s, 40)
	require.LessOrEqual(t, late, 8.0)
	require.Equal(t, "disagrees_inside_temp_c", name(f), "both others left it")
	require.Positive(t, f.To)
	require.Len(t, s.Findings(), 1)

	b.edit = func(d float64, r *reading.Reading) {
		if d >= 40 {
			r.Set(reading.BoardTemp, 11.5)
		}
	}
	f, late = after(b.judge(1, 60), 40)
	require.LessOrEqual(t, late, 3.0)
	require.Equal(t, "stuck_board_temp_c", name(f))
}

// A thermometer in doubt says nothing of the others.
func TestSteadyBesideOneInDoubt(t *testing.T) {
	s := sensing.State{}
	for i := range 6 * 24 * 10 {
		at := begin.Add(time.Duration(i) * means.Step)
		m := means.Mean{Start: at, Last: at, Done: at.Add(means.Step), N: 1}
		air, board := 10+0.2*math.Sin(float64(i)/23), 10.0
		if i%7 == 0 {
			board = 85
		}
		m.Ch[reading.InsideTemp] = means.Channel{N: 1, Mean: air, Min: air, Max: air}
		m.Ch[reading.BoardTemp] = means.Channel{N: 1, Mean: board, Min: board, Max: board}
		s.Step(&m, sensing.Facts{})
	}
	require.True(t, s.Suspect(reading.BoardTemp))
	require.False(t, s.Suspect(reading.InsideTemp))
}

func TestWordsThatAreNoMeasurement(t *testing.T) {
	for _, rh := range []float64{50, 56.5} {
		b := draw(2, false)
		b.edit = func(d float64, r *reading.Reading) {
			if n := int(d * 120); d >= 30 && d < 32 && n%5 == 0 {
				r.Set(reading.InsideTemp, 42.5)
				r.Set(reading.InsideRH, rh)
			}
		}
		s := b.judge(1, 45)
		f, late := after(s, 30)
		require.LessOrEqual(t, late, 0.3)
		require.Equal(t, "impossible_inside_temp_c", name(f))
		require.Len(t, s.Findings(), 2, "temperature and humidity")
		require.Positive(t, f.To)
		require.InDelta(t, 39, float64(f.To-begin)/float64(day), 0.2, "a week without any")
	}
	for _, v := range []struct {
		c     reading.Channel
		value float64
	}{{reading.BoardTemp, 85}, {reading.OutsideTemp, -45}} {
		b := draw(2, false)
		b.board, b.peer = true, false
		b.edit = func(d float64, r *reading.Reading) {
			if n := int(d * 120); d >= 30 && n%5 == 0 {
				r.Set(v.c, v.value)
			}
		}
		f, _ := after(b.judge(1, 33), 30)
		require.Equal(t, "impossible_"+v.c.Name(), name(f))
	}
}

func TestJumps(t *testing.T) {
	s := sensing.State{}
	at := begin
	slot := func(low, high float64) {
		m := means.Mean{Start: at, Last: at, Done: at.Add(means.Step), N: 2, RawRH: low}
		m.Ch[reading.InsideTemp] = means.Channel{N: 2, Mean: 10, Min: 10, Max: 10}
		m.Ch[reading.InsideRH] = means.Channel{N: 2, Mean: low, Min: low, Max: high}
		s.Step(&m, sensing.Facts{})
		at = at.Add(means.Step)
	}
	for i := range 40 {
		slot(40, 40+50*float64(i%8/7))
	}
	require.Empty(t, s.Findings(), "a box that is opened now and then")
	for range 6 {
		slot(40, 90)
	}
	require.Equal(t, "jumps_inside_rh_pct", name(s.Findings()[0]))
	require.True(t, s.Suspect(reading.InsideRH))
	m := means.Mean{}
	m.Ch[reading.InsideRH].N, m.Ch[reading.InsideTemp].N = 3, 3
	trusted := s.Trusted(&m)
	require.Zero(t, trusted.Ch[reading.InsideRH].N)
	require.Equal(t, 3, trusted.Ch[reading.InsideTemp].N)
	for range 6 * 24 * 6 {
		slot(40, 40)
	}
	require.True(t, s.Suspect(reading.InsideRH), "a loose contact comes back")
	for range 6 * 24 * 2 {
		slot(40, 40)
	}
	require.False(t, s.Suspect(reading.InsideRH))
}

// A log with a reading every quarter of an hour has one in a slot: its jumps are from
// slot to slot.
func TestJumpsOfALogWithFewReadings(t *testing.T) {
	const temp, rh = reading.InsideTemp, reading.InsideRH
	for what, c := range map[string]struct {
		every time.Duration
		shown func(i int) (temp, rh float64)
		want  string
	}{
		"spikes":                   {15 * time.Minute, func(i int) (float64, float64) { return 10, 40 + 50*float64(b2i(i%20 == 9)) }, "jumps_inside_rh_pct"},
		"spikes of temperature":    {10 * time.Minute, func(i int) (float64, float64) { return 10 - 30*float64(b2i(i%20 == 9)), 40 }, "jumps_inside_temp_c"},
		"two a day":                {15 * time.Minute, func(i int) (float64, float64) { return 10, 40 + 50*float64(b2i(i%48 == 9)) }, ""},
		"opened for half an hour":  {15 * time.Minute, func(i int) (float64, float64) { return 10, 40 + 50*float64(b2i(i%20 < 2)) }, ""},
		"warmed as it falls":       {15 * time.Minute, func(i int) (float64, float64) { w := float64(b2i(i%20 == 9)); return 10 + 8*w, 90 - 45*w }, ""},
		"a reading in half a hour": {30 * time.Minute, func(i int) (float64, float64) { return 10, 40 + 50*float64(b2i(i%10 == 9)) }, ""},
	} {
		var s sensing.State
		for i := range 300 {
			at := begin.Add(time.Duration(i) * c.every).Floor(means.Step)
			m := means.Mean{Start: at, Last: at, Done: at.Add(c.every), N: 1}
			v, w := c.shown(i)
			m.Ch[temp] = means.Channel{N: 1, Mean: v, Min: v, Max: v}
			m.Ch[rh] = means.Channel{N: 1, Mean: w, Min: w, Max: w}
			s.Step(&m, sensing.Facts{})
		}
		if c.want == "" {
			require.Empty(t, s.Findings(), what)
			continue
		}
		require.Equal(t, c.want, name(s.Findings()[0]), what)
		require.Len(t, s.Findings(), 1, what)
	}
}

// A box that opens in autumn and is mended a month later follows the weather
// otherwise than before, twice.
func TestABoxThatOpensIsNoFault(t *testing.T) {
	for seed := range uint64(16) {
		b := draw(seed, false)
		b.tau, b.peer, b.open, b.shut, b.mean, b.season = 60, false, 210, 240, 10, 11
		for _, f := range b.judge(seed, 330).Findings() {
			require.Fail(t, "sensor in doubt", "seed %d: %v", seed, f)
		}
	}
}

// Reads that fail for two days, beside an agent that is off for the rest of the
// week, are no week of failed reads.
func TestFewReadsFailed(t *testing.T) {
	b := draw(2, false)
	b.edit = func(d float64, r *reading.Reading) {
		switch {
		case d >= 20 && d < 25:
			for _, c := range sensing.Channels {
				r.Clear(c)
			}
		case d >= 25 && d < 27.5:
			r.Clear(reading.InsideRH)
			r.Flags = reading.FlagFailed + reading.InsideRH.Name()
		}
	}
	require.Empty(t, b.judge(1, 60).Findings())
}

func TestFailedReads(t *testing.T) {
	for share, want := range map[int]bool{3: true, 1: false} {
		b := draw(2, false)
		b.edit = func(d float64, r *reading.Reading) {
			if n := int(d * 120); d >= 20 && d < 40 && n%4 < share {
				r.Clear(reading.InsideRH)
				r.Flags = reading.FlagFailed + reading.InsideRH.Name()
			}
		}
		f, late := after(b.judge(1, 60), 20)
		if !want {
			require.Equal(t, math.Inf(1), late)
			continue
		}
		require.Less(t, late, 7.0)
		require.Equal(t, "failed_reads_inside_rh_pct", name(f))
		require.Positive(t, f.To)
	}
}

// heated makes the reading before noon one with the heater on.
func heated(dead func(d float64) bool, lag float64) func(float64, *reading.Reading) {
	was := 0.0
	return func(d float64, r *reading.Reading) {
		rh, _ := r.Get(reading.InsideRH)
		temp, _ := r.Get(reading.InsideTemp)
		switch n := int(math.Round(d*120)) % 120; {
		case d < 10:
		case n == 60:
			r.Flags, was = reading.FlagHeater, rh
			r.Set(reading.InsideTemp, temp+5)
			if !dead(d) {
				r.Set(reading.InsideRH, rh*es(temp)/es(temp+5))
			}
		case n > 60 && n < 65:
			r.Set(reading.InsideRH, rh+lag+0*was)
		}
	}
}

func TestHeater(t *testing.T) {
	b := draw(2, false)
	b.edit = heated(func(d float64) bool { return d > 30 && d < 34 }, 0)
	s := b.judge(1, 30)
	require.Empty(t, s.Findings())
	require.True(t, s.Passed(begin.Add(30*day)))
	last := s.Burst()
	require.Equal(t, sensing.HeaterPassed, last.Result)
	require.InDelta(t, last.Due, last.Fell, 1)
	require.InDelta(t, 5, last.WarmedK, 0.3)
	require.InDelta(t, 0, *last.Back, 5)
	require.False(t, s.Passed(begin.Add(33*day)), "too long ago")
	s = b.judge(1, 40)
	f, late := after(s, 30)
	require.Equal(t, "heater_test_inside_rh_pct", name(f))
	require.Less(t, late, 2.6, "two bursts")
	require.Positive(t, f.To, "and one that it followed")
	half := b.judge(1, 33)
	require.Equal(t, sensing.HeaterFailed, half.Burst().Result)
	require.Nil(t, half.Burst().Back)
	none := sensing.State{}
	require.Nil(t, none.Burst())

	b.edit = heated(func(float64) bool { return false }, -9)
	s = b.judge(1, 30)
	require.Empty(t, s.Findings(), "one that was wet is no fault")
	require.False(t, s.Passed(begin.Add(30*day)), "nor does it say that it is right")
	require.Equal(t, sensing.HeaterDried, s.Burst().Result)
}

func TestWhatAPersonSaysCounts(t *testing.T) {
	b := draw(2, false)
	b.rh = func(d, rh float64) float64 {
		if d > 20 {
			return 61.3
		}
		return rh
	}
	var s sensing.State
	var m means.Builder
	var check *sensing.Check
	open := map[int]bool{}
	b.run(1, 30, func(r *reading.Reading, peer *sensing.Air) {
		d := float64(r.Time-begin) / float64(day)
		switch {
		case d > 27:
			check = nil
		case d > 23:
			check = &sensing.Check{At: begin.Add(23 * day), Sound: true}
		case d > 12:
			check = &sensing.Check{At: math.MinInt64, Off: 9}
		}
		if slot, ok := m.Add(r); ok {
			slot.Done = r.Time
			s.Step(&slot, sensing.Facts{Peer: peer, Check: check})
			open[int(d)] = s.Suspect(reading.InsideRH)
		}
	})
	fs := s.Findings()
	require.Equal(t, "salt_check_inside_rh_pct", name(fs[0]))
	require.Equal(t, 9.0, fs[0].Evidence[0].Value)
	require.Equal(t, begin.Add(23*day), unit.Instant(fs[0].To).Floor(day))
	require.Equal(t, fs[0].Concluded.Add(-30*day), fs[0].From, "always is a month")
	require.True(t, open[22])
	require.Equal(t, "stuck_inside_rh_pct", name(fs[1]), "it is judged on")
	require.Len(t, fs, 2)

	s = sensing.State{}
	slot := means.Mean{Start: begin, Done: begin.Add(time.Hour)}
	s.Step(&slot, sensing.Facts{Check: &sensing.Check{At: 5}})
	require.True(t, s.Suspect(reading.InsideRH))
	slot.Start = slot.Start.Add(time.Hour)
	s.Step(&slot, sensing.Facts{})
	require.False(t, s.Suspect(reading.InsideRH), "nothing is known any more")
}

// A state that is written and read at any slot goes on as if it had not been,
// without findings that are over.
func TestAStateGoesOn(t *testing.T) {
	b := draw(3, true)
	b.edit = heated(func(float64) bool { return false }, 0)
	b.rh = func(d, rh float64) float64 {
		if d > 30 && d < 33 {
			return 70
		}
		if d > 50 {
			return rh - 18*(d-50)/25
		}
		return rh
	}
	var slots []means.Mean
	var m means.Builder
	b.peer = false
	b.run(1, 90, func(r *reading.Reading, _ *sensing.Air) {
		if slot, ok := m.Add(r); ok {
			slot.Done = r.Time
			slots = append(slots, slot)
		}
	})
	var whole sensing.State
	for i := range slots {
		whole.Step(&slots[i], sensing.Facts{})
	}
	require.Len(t, whole.Findings(), 2)
	rapid.Check(t, func(t *rapid.T) {
		cut := rapid.IntRange(0, len(slots)).Draw(t, "cut")
		var s sensing.State
		for i := range slots[:cut] {
			s.Step(&slots[i], sensing.Facts{})
		}
		over := s.Findings()
		over = slices.DeleteFunc(over, func(f finding.Finding) bool { return f.To == 0 })
		s.Found = slices.DeleteFunc(s.Found, func(f sensing.Found) bool { return f.To != 0 })
		text, err := json.Marshal(&s)
		require.NoError(t, err)
		var on sensing.State
		require.NoError(t, json.Unmarshal(text, &on))
		for i := range slots[cut:] {
			on.Step(&slots[cut+i], sensing.Facts{})
		}
		require.Equal(t, whole.Findings(), append(over, on.Findings()...))
		for _, f := range on.Findings() {
			require.LessOrEqual(t, f.From, f.Concluded)
		}
	})
}

func BenchmarkStationYear(b *testing.B) {
	var slots []means.Mean
	var m means.Builder
	draw(3, true).run(1, 365, func(r *reading.Reading, _ *sensing.Air) {
		if slot, ok := m.Add(r); ok {
			slot.Done = r.Time
			slots = append(slots, slot)
		}
	})
	for b.Loop() {
		var s sensing.State
		for i := range slots {
			s.Step(&slots[i], sensing.Facts{})
		}
	}
}

// A sensor that sticks at what dew may hold the air at is found, too, in days: no fog is
// as still for so long.
func TestStuckWhereDewMayBe(t *testing.T) {
	fleet(t, 8, func(t *testing.T, seed uint64, b *box) {
		rnd := rand.New(rand.NewPCG(seed, 3))
		b.scatter, b.board, b.peer, b.sun = 0, false, false, 1
		b.edit = func(d float64, r *reading.Reading) {
			r.Clear(reading.OutsideTemp)
			r.Clear(reading.OutsideRH)
			temp, _ := r.Get(reading.InsideTemp)
			rh, _ := r.Get(reading.InsideRH)
			if d >= 40 { // mild and overcast
				rh, temp = 88, 6+(temp-6)/2.5
			}
			r.Set(reading.InsideTemp, temp)
			r.Set(reading.InsideRH, math.Round(100*(rh+0.2*rnd.NormFloat64()))/100)
		}
		f, late := after(b.judge(seed, 110), 40)
		require.LessOrEqual(t, late, 12.0, "seed %d", seed)
		require.Equal(t, "stuck_inside_rh_pct", name(f))
	})
}
