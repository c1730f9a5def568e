package sun_test

import "math"

// The sun's position, written out once more in degrees and apart from the
// package, from its source; it also gives the altitude, which the package
// doesn't need.

func sind(x float64) float64 { return math.Sin(x * math.Pi / 180) }
func cosd(x float64) float64 { return math.Cos(x * math.Pi / 180) }
func tand(x float64) float64 { return math.Tan(x * math.Pi / 180) }

// solar returns the declination, degrees, and the equation of time, minutes, at
// t centuries after 2000-01-01 12:00.
func solar(t float64) (declination, equationOfTime float64) {
	meanLongitude := 280.46646 + 36000.76983*t + 0.0003032*t*t
	meanAnomaly := 357.52911 + 35999.05029*t - 0.0001537*t*t
	eccentricity := 0.016708634 - 0.000042037*t - 0.0000001267*t*t
	equationOfCentre := (1.914602-0.004817*t-0.000014*t*t)*sind(meanAnomaly) +
		(0.019993-0.000101*t)*sind(2*meanAnomaly) + 0.000289*sind(3*meanAnomaly)
	node := 125.04 - 1934.136*t
	apparentLongitude := meanLongitude + equationOfCentre - 0.00569 - 0.00478*sind(node)
	meanObliquity := 23 + 26./60 + 21.448/3600 - (46.815*t+0.00059*t*t-0.001813*t*t*t)/3600
	obliquity := meanObliquity + 0.00256*cosd(node)

	declination = math.Asin(sind(obliquity)*sind(apparentLongitude)) * 180 / math.Pi
	y := tand(obliquity/2) * tand(obliquity/2)
	radians := y*sind(2*meanLongitude) - 2*eccentricity*sind(meanAnomaly) +
		4*eccentricity*y*sind(meanAnomaly)*cosd(2*meanLongitude) -
		0.5*y*y*sind(4*meanLongitude) - 1.25*eccentricity*eccentricity*sind(2*meanAnomaly)
	return declination, 4 * radians * 180 / math.Pi
}

// altitude returns the geometric altitude of the sun's centre, degrees, in
// seconds since 1970.
func altitude(lat, lon, seconds float64) float64 {
	dec, eot := solar((seconds/86400 + 2440587.5 - 2451545) / 36525)
	hourAngle := (seconds-43200+eot*60)/240 + lon
	return math.Asin(sind(lat)*sind(dec)+cosd(lat)*cosd(dec)*cosd(hourAngle)) * 180 / math.Pi
}
