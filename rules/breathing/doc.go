// Package breathing concludes from vapour inside and outside a box how open
// the box is, whether it has opened, whether liquid water feeds its air, and
// whether the air comes from the house.
//
// It follows one box in steps of ten minutes ([State.Step]) and keeps hourly
// means of 22 days. Whatever is concluded at a reading rests on earlier
// readings only. All of it works on vapour pressure, hPa, never on relative
// humidity, so that warming alone is no moisture.
//
// # Breathing time
//
// A box exchanges vapour with its surroundings by the first-order law of
// Tencer 1994 ("Moisture ingress into nonhermetic enclosures and packages",
// abstract seen). Beside the exchange the model knows four things that look
// like it, each linear in its unknown:
//
//	de/dt = (eout − e)/τ + b·es/τ + β·e·d(ln es)/dt + q/τ − k·dew
//
// b is the bias of the humidity sensors against each other (prior ±3 % of
// saturation), β what a buffer of plastic and cardboard that follows relative
// humidity gives back on warming (0.2 ± 0.2), q a steady source (±0.7 hPa) and
// k the rate at which a cover that nobody measures takes dew by night and gives
// it back by day (±0.5/h). For each of 40 values of τ from 0.5 to 500 h the
// response is computed from the measured vapour pressure at the start of every
// run of hours of a UTC day in which nothing can be dewy, and the unknowns by
// least squares; quarters of days that fit badly count less. What the model
// misses is taken to be alike over three hours. The interval is that of the
// likelihood over all τ, 90 %, and unbounded where the data can't rule out the
// end of the scale. Of windows of 3, 7, 14 and 21 days the shortest counts
// whose interval is narrower than a factor of 2.2. All these are judgement
// values.
//
// τ is apparent: with a buffer it reads 1.1 to 1.8 times the exchange alone,
// and more in the cold. Compare it with the same box only. Below 1 h, hourly
// means tell nothing apart. Model figures for size (computed from Tencer's law,
// not measured): under 3 h a box is effectively open, 3 to 30 h is a small
// leak, above 100 h there are only walls.
//
// The outdoor signal is the station's own, else what the caller hands in.
// Without any, a guess within a factor of three comes from how restless the
// air inside is; nothing else is concluded from it.
//
// # Seal opened
//
// The baseline is the fit over 21 days whose breathing time is known within a
// factor of three, from the first reading or from a moment at which the caller
// knows the box to be good. Then at the end of each day the last 3, 4, 5, 7, 10
// and 14 days are asked how much likelier they are of a box that breathes 2 to
// 25 times as fast than of one that breathes as in the baseline give or take
// 25 % (wind, season); noise is at least what the baseline's fit left. This is
// a generalised likelihood ratio over windows (Willsky and Jones 1976, from
// memory). The seal is called open when the logarithm passes 10 in four days or
// more (seven, where the baseline is above 80 h), or 6 in three or more where a
// sensor on the cover tells dew from exchange; no single day of the stretch may
// speak for the baseline; the model must fit as well as it did, for what it
// doesn't know, such as dew or water, is no exchange; and the stretch fitted
// without the baseline must exclude two thirds of the baseline's τ and its own
// 95 % range. Independent noise would pass 10 in one of 22,000 windows (Wald's
// inequality), once in ten station-years; what is really seen, in which dew
// has the larger part, TestTrials prints: the stated rate is three in a hundred
// station-years on plain physics.
// Rain speaks for it if vapour jumps within a day of it.
// A box that breathed in less than 3 h already in its baseline is reported
// ([Usual]) and not watched.
//
// # Water inside
//
// Every six hours the last 24 are asked. In the hours in which exchange alone
// would leave the air far from saturated: are more than six tenths of that
// deficit made up, more than house air could make up (half of what enters, at
// the excess of the damper houses of ISO 13788, from memory) and more than
// sensors differ? Does it persist through the day and the coldest hours, and
// did it begin within days? Exchange alone is the largest of what the box would
// have brought in at its breathing time, what an opened box would, and what cold
// surfaces may have collected and kept; a bias that the baseline showed is taken
// off. Air that is all but saturated at every hour, through a swing of 2.5 K,
// is a sign of its own on a wall that never gave any vapour. Cold and overcast
// days have no such hours: then it takes until the sun tells, which can be
// weeks. A steady excess, a slow creep and what a hot day drives out of plastic
// fail one of these. A sensor stuck at its end does not: it is "water or sensor"
// until a test of the sensor decides, or until humidity gives way when the box
// warms by 4 K, as it does over water and not in a sensor that is stuck.
//
// Dew from wall air that has frozen or pooled in a box all winter is water, and
// may be called so. Where moist air from the wall is known of, water is called
// only if it gives far more, for three days; a small puddle hides in it.
//
// # Moist air from the wall
//
// On 11 of the last 14 days or more, there was on average at least 1 hPa and
// 10 % of saturation more than exchange brings, on four days in five 4 %, and it
// did not follow saturation as water does. Where the box is mounted flush, seven
// tenths of these are enough. Sensors that differ by less than 5 %RH can't
// reach it. All are judgement values.
package breathing
