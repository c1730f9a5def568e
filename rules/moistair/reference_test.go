package moistair_test

import "math"

// Formulas that the package's own are compared with. They are the yardstick of
// the tests, so they are written out from their sources and share nothing with
// the package. Temperatures in K unless said, pressures in Pa.

// murphyKoopWater is equation 10 of Murphy and Koop 2005 (Q. J. R. Meteorol.
// Soc. 131, 1539), 123..332 K.
func murphyKoopWater(t float64) float64 {
	return math.Exp(54.842763 - 6763.22/t - 4.210*math.Log(t) + 0.000367*t +
		math.Tanh(0.0415*(t-218.8))*(53.878-1331.22/t-9.44523*math.Log(t)+0.014025*t))
}

// murphyKoopIce is equation 7 of the same, above 110 K.
func murphyKoopIce(t float64) float64 {
	return math.Exp(9.550426 - 5723.265/t + 3.53068*math.Log(t) - 0.00728332*t)
}

// hylandWexlerWater is the formula of Hyland and Wexler 1983 as ASHRAE
// Fundamentals 2017, chapter 1, equation 6 has it, 0..200 °C; equation 5 below.
func hylandWexlerWater(t float64) float64 {
	return math.Exp(-5.8002206e3/t + 1.3914993 - 4.8640239e-2*t + 4.1764768e-5*t*t -
		1.4452093e-8*t*t*t + 6.5459673*math.Log(t))
}

func hylandWexlerIce(t float64) float64 {
	return math.Exp(-5.6745359e3/t + 6.3925247 - 9.677843e-3*t + 6.2215701e-7*t*t +
		2.0747825e-9*t*t*t - 9.484024e-13*t*t*t*t + 4.1635019*math.Log(t))
}

// sonntagWater is the formula of Sonntag 1990 (Z. Meteorol. 70, 340).
func sonntagWater(t float64) float64 {
	return 100 * math.Exp(-6096.9385/t+16.635794-2.711193e-2*t+1.673952e-5*t*t+2.433502*math.Log(t))
}

// if97 is region 4 of IAPWS R7-97, equation 30, 273.15..647.096 K.
func if97(t float64) float64 {
	n := [...]float64{
		0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
		0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
	}
	th := t + n[8]/(t-n[9])
	a := th*th + n[0]*th + n[1]
	b := n[2]*th*th + n[3]*th + n[4]
	c := n[5]*th*th + n[6]*th + n[7]
	return 1e6 * math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4)
}

// iapwsIce is the sublimation pressure of IAPWS R14-08, equation 6, 50..273.16 K.
func iapwsIce(t float64) float64 {
	a := [...]float64{-0.212144006e2, 0.273203819e2, -0.610598130e1}
	b := [...]float64{0.333333333e-2, 0.120666667e1, 0.170333333e1}
	th, sum := t/273.16, 0.0
	for i := range a {
		sum += a[i] * math.Pow(th, b[i])
	}
	return 611.657 * math.Exp(sum/th)
}

// wagnerPruss is the auxiliary equation for the saturation pressure of IAPWS-95
// (Wagner and Pruß 2002, J. Phys. Chem. Ref. Data 31, 387, equation 2.5).
func wagnerPruss(t float64) float64 {
	a := [...]float64{-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502}
	b := [...]float64{1, 1.5, 3, 3.5, 4, 7.5}
	tau, sum := 1-t/647.096, 0.0
	for i := range a {
		sum += a[i] * math.Pow(tau, b[i])
	}
	return 22.064e6 * math.Exp(sum*647.096/t)
}

// stull is the wet bulb temperature, °C, of air of t °C and rh % (Stull 2011,
// J. Appl. Meteor. Climatol. 50, 2267, equation 1).
func stull(t, rh float64) float64 {
	return t*math.Atan(0.151977*math.Sqrt(rh+8.313659)) + math.Atan(t+rh) - math.Atan(rh-1.676331) +
		0.00391838*math.Pow(rh, 1.5)*math.Atan(0.023101*rh) - 4.686035
}

// humidityRatio is that of vapour of e in air of pressure p, kg/kg (ASHRAE
// Fundamentals 2017, chapter 1, equation 20).
func humidityRatio(e, p float64) float64 { return 0.621945 * e / (p - e) }

// vapourOf inverts humidityRatio.
func vapourOf(w, p float64) float64 { return p * w / (0.621945 + w) }

// wetBulbRatio is the humidity ratio of air of t °C with a wet bulb of tw °C,
// iced below 0 °C (the same, equations 33 and 35).
func wetBulbRatio(t, tw, p float64) float64 {
	if tw < 0 {
		ws := humidityRatio(hylandWexlerIce(tw+273.15), p)
		return ((2830-0.24*tw)*ws - 1.006*(t-tw)) / (2830 + 1.86*t - 2.1*tw)
	}
	ws := humidityRatio(hylandWexlerWater(tw+273.15), p)
	return ((2501-2.326*tw)*ws - 1.006*(t-tw)) / (2501 + 1.86*t - 4.186*tw)
}

// psychrometer is the vapour pressure over a water bulb, hPa, by the formula of
// WMO-No. 8, Annex 4.B, es being the saturation pressure at tw; all °C and hPa.
func psychrometer(t, tw, es, p float64) float64 {
	return es - 6.53e-4*(1+9.44e-4*tw)*p*(t-tw)
}

// lawrence is the rule of thumb for a dew point, °C, above 50 %, and for the
// height, m, of the condensation level over a place (Lawrence 2005, Bull. Amer.
// Meteor. Soc. 86, 225).
func lawrence(t, rh float64) (dew, height float64) {
	return t - (100-rh)/5, (20 + t/5) * (100 - rh)
}

// solve finds where a rising f is zero between lo and hi.
func solve(lo, hi float64, f func(float64) float64) float64 {
	for range 80 {
		if mid := (lo + hi) / 2; f(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// exactDewPoint and exactFrostPoint invert Murphy and Koop; t °C, rh % over
// water, result °C.
func exactDewPoint(t, rh float64) float64 {
	e := rh / 100 * murphyKoopWater(t+273.15)
	return solve(123, 332, func(k float64) float64 { return murphyKoopWater(k) - e }) - 273.15
}

func exactFrostPoint(t, rh float64) float64 {
	e := rh / 100 * murphyKoopWater(t+273.15)
	return solve(123, 332, func(k float64) float64 { return murphyKoopIce(k) - e }) - 273.15
}
