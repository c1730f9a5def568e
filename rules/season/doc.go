// Package season says what dose is to come in the months ahead, and what a change
// to a box would have made of the same weather.
//
// # Months ahead
//
// A month's dose is the mean dose rate of the same calendar month in the station's
// past years. With three years or more the range is that of the years; with fewer
// it is wider by judgement. A month that the station has not lived through is taken
// from the climate, which is what others of the site or the outdoor air observed
// for it had, times how much wetter or drier the station is than those in the
// months that both know. Nothing is made up for a month of which neither knows.
//
// # What if
//
// The same hours of weather are run twice through the first-order law of exchange
// of package breathing, without its buffer, once with the box as it is and once
// changed; water that condenses stays in the box until the air takes it up again.
// Only the ratio of both doses is used. What warms the board is put on the
// measured air instead, for which no outdoor air is needed. Every change has one
// number that nobody has measured: it stands beside the result, with a range, and
// the result's range is what that range makes of it. They are judgement values.
//
// What is not in it: rain that enters, salt, what a change does to sensors, and
// that people do the work well.
package season
