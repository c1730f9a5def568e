package detect

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// overWater and overIce are the vapour pressures of saturated air at °C, hPa (Buck
// Research CR-1A manual 1996, from memory).
func overWater(t float64) float64 {
	return 6.1121 * math.Exp((18.678-t/234.5)*(t/(257.14+t)))
}

func overIce(t float64) float64 {
	return 6.1115 * math.Exp((23.036-t/333.7)*(t/(279.82+t)))
}

// sky is the weather of an instant.
type sky struct {
	temp   float64 // °C
	vapour float64 // hPa
	wind   float64 // m/s
	cloud  float64 // 0 to 1
	rain   float64 // mm/h
}

func (s *sky) rh() float64 { return min(1, s.vapour/overWater(s.temp)) }

// region is a place with the weather of a year's hours, which begins anew each
// year.
type region struct {
	name  string
	place sun.Place
	start unit.Instant // of the first hour
	hours []sky
}

// yearHours is a region's length: seasons shift by a day each leap year.
const yearHours = 365 * 24

// at is the weather of an instant, straight between the hours, but for rain, which
// falls evenly in each.
func (r *region) at(t unit.Instant) sky {
	span := yearHours * hour
	into := ((t-r.start)%span + span) % span
	i, x := int(into/hour), float64(into%hour)/float64(hour)
	a, b := &r.hours[i], &r.hours[(i+1)%yearHours]
	mix := func(a, b float64) float64 { return a + (b-a)*x }
	return sky{mix(a.temp, b.temp), mix(a.vapour, b.vapour), mix(a.wind, b.wind), mix(a.cloud, b.cloud), a.rain}
}

// closeSeam leads the last hours of the year to the first.
func (r *region) closeSeam() {
	const seam = 18
	first := r.hours[0]
	for i := range seam {
		h := &r.hours[yearHours-seam+i]
		x := float64(i+1) / seam
		rh := h.rh() + x*(first.rh()-h.rh())
		h.temp += x * (first.temp - h.temp)
		h.vapour = rh * overWater(h.temp)
	}
}

// invention is what a year is made up from. All of it is judgement value.
type invention struct {
	name                       string
	place                      sun.Place
	mean, season               float64 // °C: of the year, and how far summer is above it
	daily, passing, passingH   float64 // K: range of clear days, scatter of the weather that passes, and in how many hours
	dryWinter, drySummer, dryK float64 // K: from the day's mean to the dew point, and its scatter
	cloudWinter, cloudSummer   float64 // 0 to 1
	rainShare, rainMM, wind    float64 // of the hours that may be wet, mm/h, m/s
}

// invent makes up a year: what passes is first-order autoregressive noise, and what
// clouds leave of the sun makes the day's wave. Air that cools to its dew point is
// fog.
func invent(v invention, seed uint64) *region {
	d := drawer{newRand(seed, 0)}
	r := &region{v.name, v.place, unit.At(time.Date(2021, 1, 1, 0, 0, 0, 0, time.UTC)), make([]sky, yearHours)}
	air, dry, cover, breeze := d.red(v.passingH), d.red(30), d.red(14), d.red(10)
	wave := 0.0
	for i := -500; i < yearHours; i++ {
		turn := -math.Cos(2 * math.Pi * (float64(i)/24 - 18) / 365)
		summer := (turn + 1) / 2
		front, dryness, clouds, gale := air(), dry(), cover(), breeze()
		mostly := v.cloudWinter + (v.cloudSummer-v.cloudWinter)*summer
		cloud := logistic(2.5 * (clouds - 0.7*dryness + math.Log(mostly/(1-mostly))/1.5))
		wave += 0.15 * (v.daily*(1-0.75*cloud)*(0.6+0.5*summer) - wave)
		clock := 2 * math.Pi / 24 * (float64(i) + v.place.Lon/15)
		base := v.mean + v.season*turn + v.passing*(1.2-0.5*summer)*front
		temp := base + wave/2*math.Cos(clock-2*math.Pi*15/24) + 0.12*wave*math.Cos(2*clock-4*math.Pi*14/24)
		depression := max(0.2, v.dryWinter+(v.drySummer-v.dryWinter)*summer+v.dryK*dryness)
		dew := base - depression + 0.25*d.NormFloat64() + 0.06*wave*math.Cos(clock-2*math.Pi*18/24)
		dew = min(dew, temp-0.02)
		rain := 0.0
		if cloud > 0.72 && depression < v.dryWinter+1 && d.chance(v.rainShare) {
			rain = d.ExpFloat64() * v.rainMM
			dew += 0.4 * (temp - dew)
		}
		if i >= 0 {
			r.hours[i] = sky{temp, overWater(dew), v.wind * math.Exp(0.55*gale), cloud, rain}
		}
	}
	r.closeSeam()
	return r
}

// red draws steps of noise with a deviation of 1 whose memory fades in so many steps.
func (d drawer) red(memory float64) func() float64 {
	keep, now := math.Exp(-1/memory), 0.0
	return func() float64 {
		now = keep*now + math.Sqrt(1-keep*keep)*d.NormFloat64()
		return now
	}
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// record reads a year of measured weather; nil where the file is not there. Wind,
// cloud and rain that it doesn't tell are made up. Humidities are whole numbers:
// they are unrounded by noise.
func record(t *testing.T, file, temp, rh string, place sun.Place, seed uint64) *region {
	t.Helper()
	path := dataFile(file)
	if path == "" {
		return nil
	}
	at, columns := table(t, path)
	d := drawer{newRand(seed, 0)}
	grid := func(name string) []float64 {
		values := make([]float64, yearHours)
		for i := range values {
			values[i] = math.NaN()
		}
		for i, v := range columns[name] {
			if h := int((at[i] - at[0]) / hour); h < yearHours {
				values[h] = v
			}
		}
		return values
	}
	temps, rhs, winds, clouds, rains := bridged(grid(temp)), bridged(grid(rh)), grid("wind_ms"), grid("cloud"), grid("rain_mm")
	r := &region{file, place, at[0], make([]sky, yearHours)}
	breeze, cover := d.red(14), d.red(20)
	for i := range r.hours {
		humid := min(1, (rhs[i]+0.3*d.NormFloat64())/100)
		known := func(v, otherwise float64) float64 {
			if math.IsNaN(v) {
				return otherwise
			}
			return v
		}
		cloud := min(1, known(clouds[i]/8, logistic(2.2*(cover()+3*(humid-0.75)))))
		shower := 0.0
		if humid > 0.9 && cloud > 0.75 && d.chance(0.4) {
			shower = d.ExpFloat64() * 1.2
		}
		r.hours[i] = sky{
			temps[i], humid * overWater(temps[i]), known(winds[i], 2.5*math.Exp(0.6*breeze())), cloud, max(0, known(rains[i], shower)),
		}
	}
	r.closeSeam()
	return r
}

// bridged fills in values straight from the last known to the next.
func bridged(values []float64) []float64 {
	last := -1
	for i, v := range values {
		if math.IsNaN(v) {
			continue
		}
		for j := last + 1; j < i; j++ {
			from, x := v, 1.0
			if last >= 0 {
				from, x = values[last], float64(j-last)/float64(i-last)
			}
			values[j] = from + x*(v-from)
		}
		last = i
	}
	for j := last + 1; last >= 0 && j < len(values); j++ {
		values[j] = values[last]
	}
	return values
}

// regions are where the other boxes hang: a valley of the mountains, a moor, a
// subtropical delta, and measured ones, in whose place one of the former stands
// where the series are not there.
func regions(t *testing.T) []*region {
	all := []*region{
		invent(invention{"valley", sun.Place{Lat: 47.3, Lon: 11.4}, 8, 10.5, 12, 4, 70, 2.8, 5, 2.2, 0.55, 0.5, 0.25, 1, 1.8}, 11),
		invent(invention{"moor", sun.Place{Lat: 53.5, Lon: -8}, 9.5, 5, 6, 2.6, 60, 1.2, 2.2, 1.4, 0.75, 0.65, 0.3, 0.8, 5}, 12),
		invent(invention{"delta", sun.Place{Lat: 23.1, Lon: 113.3}, 22, 7, 8, 2.8, 60, 4.5, 3.6, 2.4, 0.5, 0.6, 0.25, 3, 2.2}, 13),
	}
	for i, r := range []*region{
		record(t, "coast_nl_2015.csv.gz", "temp_c", "rh_pct", sun.Place{Lat: 52.93, Lon: 4.78}, 1),
		record(t, "coast_us_2023.csv.gz", "temp_c", "rh_pct", sun.Place{Lat: 40.64, Lon: -73.78}, 2),
		record(t, "paired_attic_fi_2010_2012.csv.gz", "outside_temp_c", "outside_rh_pct", sun.Place{Lat: 61.5, Lon: 23.8}, 3),
	} {
		if r == nil {
			t.Logf("a measured series is not there: its boxes hang in the %s", all[i].name)
			r = all[i]
		}
		all = append(all, r)
	}
	return all
}

// spell is a stretch of weather laid over a region's.
type spell struct {
	what string // fog, cold, rain, heat
	from unit.Instant
	days float64
}

// over lays the spell over the weather of an instant, with ramps of 14 h.
func (s spell) over(r *region, t unit.Instant, w sky) sky {
	days := float64(t-s.from) / float64(day)
	if days < 0 || days > s.days {
		return w
	}
	x := min(1, days/0.6, (s.days-days)/0.6)
	rh := w.rh()
	switch s.what {
	case "fog": // hardly a daily wave
		mean := 0.0
		for q := unit.Instant(-12); q <= 12; q += 3 {
			mean += r.at(t+q*hour).temp / 9
		}
		w.temp += x * 0.85 * (mean - w.temp)
		rh += x * (0.997 - rh)
		w.cloud += x * (1 - w.cloud)
		w.wind *= 1 - 0.6*x
	case "cold":
		w.temp -= 13 * x
	case "rain":
		rh += x * (0.93 - rh) * 0.9
		w.cloud += x * (0.98 - w.cloud)
		if math.Mod(days*24, 9) < 5 {
			w.rain = 1.5
		}
	case "heat":
		w.temp += 7 * x
		rh *= 1 - 0.25*x
		w.cloud *= 1 - x
		w.rain *= 1 - x
	}
	w.vapour = rh * overWater(w.temp)
	return w
}

// sunOn is the sun's power on an upright box, W/m²: what a power of the air mass
// leaves of it (the form is Meinel and Meinel's of 1976, from memory; its numbers, and
// those for diffuse light and walls, are judgement values) and cloud (Kasten and
// Czeplak 1980, from memory).
func sunOn(p sun.Place, t unit.Instant, cloud float64) float64 {
	days := float64(t) / float64(day)
	sinD, cosD := math.Sincos(23.44 * math.Pi / 180 * math.Sin(2*math.Pi*(math.Mod(days, 365.2425)-80)/365.2425))
	sinL, cosL := math.Sincos(p.Lat * math.Pi / 180)
	noon := days + p.Lon/360
	height := sinL*sinD - cosL*cosD*math.Cos(2*math.Pi*(noon-math.Floor(noon)))
	if height <= 0 {
		return 0
	}
	mass := 1 / max(height, 0.05)
	level := 1200 * height * math.Pow(0.75, math.Pow(mass, 0.6)) * (1 - 0.75*math.Pow(cloud, 3.4))
	return level * (0.6 + 0.5*math.Sqrt(1-height*height)) // low sun shines on a wall
}

// TestRegions: air is never more than saturated, years begin where they end, and
// those that are made up are as wet and as cold as such places.
func TestRegions(t *testing.T) {
	require.InDelta(t, 23.39, overWater(20), 0.02, "IAPWS-95")
	require.InDelta(t, 2.599, overIce(-10), 0.003, "WMO 8, table of ice")
	means := map[string]float64{"valley": 8, "moor": 9.5, "delta": 22}
	for _, r := range regions(t) {
		temp := 0.0
		for i := range r.hours {
			h := &r.hours[i]
			require.LessOrEqual(t, h.vapour, overWater(h.temp)*1.0001, "%s, hour %d", r.name, i)
			require.True(t, h.vapour > 0 && h.wind >= 0 && h.cloud >= 0 && h.cloud <= 1 && h.rain >= 0, "%s, hour %d: %+v", r.name, i, *h)
			temp += h.temp / yearHours
		}
		require.InDelta(t, r.hours[yearHours-1].temp, r.hours[0].temp, 1e-9, r.name)
		require.Equal(t, r.at(r.start+5*hour), r.at(r.start+(5-3*yearHours)*hour), r.name)
		if want, ok := means[r.name]; ok {
			require.InDelta(t, want, temp, 1.5, r.name)
		}
	}
	fog := spell{"fog", 5 * day, 4}
	r := regions(t)[0]
	w := r.at(7 * day)
	require.Equal(t, w, fog.over(r, 10*day, w), "it is over")
	w = fog.over(r, 7*day, w)
	require.InDelta(t, 0.997, w.rh(), 1e-9)
	require.Equal(t, 1.0, w.cloud)
	require.Zero(t, sunOn(sun.Place{}, 0, 0), "midnight at Greenwich")
	require.Greater(t, sunOn(sun.Place{}, 12*hour, 0), 3*sunOn(sun.Place{}, 12*hour, 1))
}
