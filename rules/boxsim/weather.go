package boxsim

import (
	"math"

	"dewpost/rules/unit"
)

// Air is the outdoor air and sky at one instant. RH is over water at every
// temperature and never above 100 %.
type Air struct {
	Temp    unit.Celsius
	RH      unit.Percent
	WindMS  float64 // m/s at 10 m in the open
	Cloud01 float64 // share of the sky covered, 0…1
	RainMMh float64 // mm/h
	SunWm2  float64 // W/m² on a horizontal surface
}

// Weather gives the outdoor air at any instant. It must be a pure function of
// the instant.
type Weather interface{ At(t unit.Instant) Air }

// Climate describes the weather of a place in a few numbers.
type Climate struct {
	Lat, Lon    float64 // degrees, north and east positive; Lon sets the hour of the sun
	MeanC       float64 // yearly mean, °C
	SeasonAmpC  float64 // half the difference between warmest and coldest month, K
	DiurnalAmpC float64 // half the daily swing on a clear day in spring, K
	SynopticC   float64 // standard deviation from one air mass to the next, K
	MeanRH      float64 // typical RH at the daily mean temperature, %
	Wetness     float64 // share of hours with rain, 0…1
	Maritime    float64 // 0 deep inland … 1 open coast: wind, late seasons, small winter extremes
}

// Lakeside is a northern lake shore: cold winters, clear calm nights in
// spring and autumn with fog, mild humid summers.
func Lakeside() Climate {
	return Climate{
		Lat: 58.4, Lon: 14.6,
		MeanC: 6.5, SeasonAmpC: 10.5, DiurnalAmpC: 5.5, SynopticC: 3.2,
		MeanRH: 83, Wetness: 0.10, Maritime: 0.25,
	}
}

// Quayside is a windy harbour on a mild sea coast: small swings, humid all
// year, rain in many hours.
func Quayside() Climate {
	return Climate{
		Lat: 54.1, Lon: 8.2,
		MeanC: 10.3, SeasonAmpC: 7, DiurnalAmpC: 2.8, SynopticC: 2.3,
		MeanRH: 84, Wetness: 0.14, Maritime: 0.9,
	}
}

// Generated is weather made up from a climate and a seed. It holds no state:
// At may be called in any order and from many goroutines, and gives bit for
// bit the same on every call (on one architecture: compilers for others may
// fuse a product and a sum).
type Generated struct {
	c              Climate
	sinLat, cosLat float64
	coldest        float64 // day of the year of the coldest mean
	spread         float64 // K between temperature and dew point in ordinary air
	rainFrom       float64 // wetness index at which rain begins

	front, frontMid, frontQuick wave // lows and highs: cloud, rain, damp air
	mass, massMid               wave // warm and cold air masses
	dry                         wave // dew point spread beyond what fronts explain
	shower, drop                wave // showers inside a wet spell
	gust                        wave
}

// Weights of the waves in the front index; their squares add up to 0.98.
const frontSlow, frontMedium, frontFast = 0.8, 0.5, 0.3

// NewWeather makes the weather of a climate. Two with the same climate and
// seed are the same weather.
func NewWeather(c Climate, seed uint64) *Generated {
	g := &Generated{
		c:        c,
		coldest:  18 + 17*c.Maritime, // seas lag the sun by about a fortnight more than land
		spread:   c.MeanC - dewPoint(c.MeanC, min(max(c.MeanRH, 1), 100)),
		rainFrom: rainThreshold(c.Wetness),

		front: newWave(seed, 1, 62), frontMid: newWave(seed, 2, 27), frontQuick: newWave(seed, 3, 11),
		mass: newWave(seed, 4, 97), massMid: newWave(seed, 5, 41),
		dry:    newWave(seed, 6, 53),
		shower: newWave(seed, 7, 5), drop: newWave(seed, 8, 1.5),
		gust: newWave(seed, 9, 19),
	}
	g.sinLat, g.cosLat = math.Sincos(c.Lat * math.Pi / 180)
	return g
}

// Weights of showers in the wetness index beside the front index.
const showerWeight, dropWeight = 0.6, 0.4

// rainThreshold is the value of the wetness index that is exceeded in the
// given share of hours, the index taken as normal.
func rainThreshold(wetness float64) float64 {
	const sd = 1.225 // √(0.98 + 0.6² + 0.4²)
	return sd * math.Sqrt2 * math.Erfinv(1-2*min(max(wetness, 1e-6), 1-1e-6))
}

// At returns the weather at t.
func (g *Generated) At(t unit.Instant) Air {
	day := float64(t) / (24 * hour) // since 1970-01-01 UTC
	year := day / 365.2425
	year -= math.Floor(year)
	doy := year * 365.2425
	sky := g.sun(day, doy)

	slow := frontSlow*g.front.at(t) + frontMedium*g.frontMid.at(t)
	front := slow + frontFast*g.frontQuick.at(t)
	cloud := cover(front)
	gloom := cover(slow) // cloud without its quick part, for what needs hours to act
	shower := showerWeight*g.shower.at(t) + dropWeight*g.drop.at(t)
	rain := 1.4 * max(0, front+shower-g.rainFrom)

	season := -math.Cos(2 * math.Pi * (doy - g.coldest) / 365.2425)
	base := g.c.MeanC + g.c.SeasonAmpC*season +
		g.c.SynopticC*(0.8*g.mass.at(t)+0.6*g.massMid.at(t)) -
		0.8*season*front - // lows are cool in summer, mild in winter
		(1-g.c.Maritime)*6*max(0, 0.55-sky.strength)*(0.5-gloom) // clear winter cold
	swing := 2 * g.c.DiurnalAmpC * sky.strength * (1.15 - 0.95*gloom) * (sky.shape - sky.shapeMean)

	spread := g.spread * (1 + 0.8*(1-0.5*g.c.Maritime)*(sky.noon-0.5)) * // dry spring and summer days
		max(0.2, 1-0.3*front+0.35*g.dry.at(t)) / (1 + 0.6*rain)
	dew := base - spread + 0.12*swing
	temp, dew := wetLimit(base+swing, dew)

	wind := (1.3 + 3.6*g.c.Maritime) * math.Exp(0.45*g.gust.at(t)+0.3*front) *
		max(0.25, 1+0.8*(1-g.c.Maritime)*(sky.shape-sky.shapeMean))
	return Air{
		Temp:    unit.Celsius(temp),
		RH:      unit.Percent(min(100, 100*satWater(dew)/satWater(temp))),
		WindMS:  wind,
		Cloud01: cloud,
		RainMMh: rain,
		SunWm2:  sky.clearWm2 * (1 - 0.75*cloud*cloud*cloud*math.Sqrt(cloud)), // Kasten and Czeplak 1980, with 3.5 for their exponent 3.4
	}
}

// cover turns a front index into a cloud share, 0.58 in the mean.
func cover(front float64) float64 {
	x := 0.35 + 1.1*front
	return 0.5 + 0.5*x/math.Sqrt(1+x*x)
}

// wetLimit keeps the temperature above the dew point. Air that would cool
// below its dew point gives off water as dew and fog: heat set free brakes
// the cooling, and the dew point falls with the temperature. Below 0 °C
// the air loses water to frost before it is saturated over water.
func wetLimit(temp, dew float64) (float64, float64) {
	const brake, bend = 0.55, 0.35 // judgement values; bend in K
	frost := 0.09 * max(0, -temp)  // K between temperature and dew point at saturation over ice, a little less
	x := temp - dew - frost
	left := (x + math.Sqrt(x*x+bend*bend)) / 2
	temp += brake * (left - x)
	return temp, temp - left - frost
}

// daylight is what the sun does at one instant.
type daylight struct {
	clearWm2  float64 // on a horizontal surface under a clear sky
	noon      float64 // sine of the sun's height at noon
	strength  float64 // of the daily swing, about 1 at the equinoxes
	shape     float64 // place in the daily swing, 0 at sunrise … 1 early afternoon
	shapeMean float64 // mean of shape over the day
}

func (g *Generated) sun(day, doy float64) daylight {
	sinDecl := -0.39779 * math.Cos(2*math.Pi*(doy+10)/365.2425) // tilt 23.44°
	cosDecl := math.Sqrt(1 - sinDecl*sinDecl)
	noon := g.sinLat*sinDecl + g.cosLat*cosDecl // sine of the sun's height at noon

	solar := day + g.c.Lon/360
	h := 24 * (solar - math.Floor(solar)) // local solar time, h
	elevation := g.sinLat*sinDecl - g.cosLat*cosDecl*math.Cos(math.Pi/12*h)

	d := daylight{noon: noon, strength: 0.25 + max(0, noon)}
	if elevation > 0.01 {
		d.clearWm2 = 1098 * elevation * math.Exp(-0.059/elevation) // Haurwitz 1945
	}
	length := dayLength(g.sinLat*sinDecl, g.cosLat*cosDecl)
	d.shape, d.shapeMean = dailyCourse(h-12+length/2, length)
	return d
}

// dayLength returns the hours from sunrise to sunset, kept between 2 and 22 so
// that polar days have a night to cool in.
func dayLength(sinProduct, cosProduct float64) float64 {
	x := max(-1, min(1, -sinProduct/cosProduct))
	return max(2, min(22, 24/math.Pi*math.Acos(x)))
}

// dailyCourse is the temperature's course between 0 and 1, given the hours
// since sunrise and the length of the day: a sine by day with its peak 1.86 h
// after noon, an exponential fall by night with coefficient 2.2 (Parton and
// Logan 1981), here scaled to reach 0 at sunrise. The second result is its
// mean over the day.
func dailyCourse(sinceRise, length float64) (at, mean float64) {
	const lag, fall = 1.86, 2.2
	const rest = 0.11080315836233387 // exp(−fall)
	const nightMean = 1/fall - rest/(1-rest)
	if sinceRise < 0 {
		sinceRise += 24
	}
	span := length + 2*lag
	sunset := math.Sin(math.Pi * length / span)
	mean = (span/math.Pi*(1-math.Cos(math.Pi*length/span)) + sunset*(24-length)*nightMean) / 24
	if sinceRise < length {
		return math.Sin(math.Pi * sinceRise / span), mean
	}
	x := (sinceRise - length) / (24 - length)
	return sunset * (math.Exp(-fall*x) - rest) / (1 - rest), mean
}
