// Package sensing judges the sensors of a station: whether what they show can
// be true. A channel in doubt is handed to no estimator ([State.Trusted]).
//
// It works on ten-minute means, of which it keeps hours of three days, days of
// two months and nights of forty days. All limits are judgement values.
//
// # Stuck
//
// A box whose temperature swings has a humidity that moves: vapour that neither
// comes nor goes makes the relative humidity fall as saturation pressure rises,
// RH·Δ(ln es), and what plastic and cardboard give back takes away a part of it
// only. In a box full of paper it takes nearly all: where on a tenth of the last
// thirty days that tell less than two fifths of the swing came through, as much less is
// expected, and before ten such days only a sensor that has lost even its scatter is
// called stuck, nor while water is known to be inside. A channel is stuck if in 24, 36
// or 48 hours it moved less than a quarter of that, and what moved is scatter without
// memory: by von Neumann's ratio (1941, from memory) of the hourly means, and by what
// the steps within hours let expect of them. In overcast
// weather plastic can hold humidity to half a percent for days, but it drifts. If even
// scatter is gone a swing of 2 K is enough. Of a sensor that shows so few digits that
// it often stands still 20 %RH must have been due, in 36 hours if it didn't move at all.
// A thermometer is held against the others of the box that are not in doubt. A chip, or
// what reads it, may repeat itself, temperature and humidity, or both but for scatter:
// then the swing is that of another thermometer of the station, the one outdoors too. Of
// many digits it needs none if it repeats the last of them for two days and nights, as no
// air outdoors does, in a box that swung on ten days before: one in a cellar doesn't, and
// of few digits steady frost may do so. What is stuck moves again
// when it moves by 1.5 %RH, or 0.5 K, more than it did when that was found.
//
// Near saturation fog, ice and a puddle hold the air steady. Saturation alone
// never makes a suspect: there the sensor must stand lower than it has shown
// saturated air to be, in the third highest hour of a day, which counts 0.05 %RH less
// with each day since. One that is stuck at its end is "water or sensor", and
// that is for the watch for water to say.
//
// So does dew on the cover of a box that warms itself, at es(cover)/es(air), some 90 %:
// it stands still as long as both are as far apart. But the cover leads the air, by six
// minutes at least, and so within 15 %RH of saturation the temperature must also have
// risen and fallen so fast that this makes 1.5 %RH, and three times what moved; or it has
// stood still for six days.
//
// # Creep
//
// Over weeks as much vapour leaves a box as comes in: mean humidity is what
// outdoor air brings, whatever the breathing time. The package follows what
// boxes of eight breathing times would have, and takes the mix of them that left the
// least from day to day in the weeks before: one with a buffer follows outdoors at once
// and for days, and a mix leaves down to half of what the best of the eight leaves. It compares
// the rest by weeks of nine days, across an outage by
// the last 27 days that are known, within 40. It creeps
// when the rest is beyond 7 %RH, by 7 more than it was a month before and by twice the
// usual scatter, grew from week to week and stays so for four days. What grew by more
// than 10 %RH from one to the next is weather.
//
// Nothing but a drying agent makes a box drier than outdoors for weeks, and that
// works at once and weakens. A box that opens, or is mended, follows the weather
// otherwise than before: a sensor is too dry only if no breathing time explains it
// that the last weeks allow: one that leaves 2.5 times as much of them as another
// isn't the box's; and not in a box whose humidity rises as it warms, which is full of
// paper and remembers weeks. Then 5 %RH are enough, if they are three times the scatter and no frost in the box took them.
// But a house that is cooled is drier than a damp summer, down to 12 hPa, and half the air
// may come from there, in a box in its wall or one known to get air of it: where that
// could make it as dry a sensor is in doubt only if its slope over what exchange makes,
// which dry air would have changed by 0.15, has changed by a third of that at most.
// Excess is another matter: water and house air make it too. It is the sensor's if it
// shows more than air can hold and more than it ever did; or if the excess is the same
// share of saturation at any hour, long before or just before, in a box that is never
// near saturation, in frost over ice, and is more than air from the house could add, by
// the bound of [moistair.HouseExcess]. Water's grows with the deficit, that of
// house air is a share of what exchange brings: the slope of the excess over that must
// have changed by less than half of what such vapour would do, and a box whose buffers
// hold its humidity all day shows neither. Over ice air may be saturated over water, 5 to
// 10 % beyond, before frost forms: that proves nothing.
//
// Where it is damp or cold nearly any excess may be water or house air: 16 %RH are 1 hPa
// at 0 °C, and houses add more. There its course in time tells. Water, house air and a
// seal that opens come as a step, full within some breathing times, while a sensor that
// creeps grows for weeks. The package looks at dry hours, in which exchange would keep
// the box below 80 % of saturation and a sensor that ends at 100 still has room, on days
// that have six of them. It is the sensor's if the last week has 5 or 6 %RH more than was
// usual before, by how far those days scatter, half of that beyond what exchange makes,
// three tenths of it within two weeks, and half of it for any breathing
// time that the last weeks allow; if a ramp of two weeks or more that began 20 to 48 days
// ago leaves at most 85 % of what a step on any day leaves that fills the box within four of
// its breathing times, in dry hours or at any, and is twice the deviation
// that is left, in which a day off by more than 2 %RH counts less, as it may be dew that
// dries; and if the slope in dry hours has changed by less than 0.5 % for each %RH, where
// water makes about -3 and house air 1.4, in a box that follows half of what exchange
// makes within a day or more: one full of paper fills with house air for weeks, and must
// have half as much again as that could add, and one flush in a wall more than that, unless it
// breathes within half a day and a straight line through the last ten days or more leaves
// at most half of the squares that a growing share of that leaves: a house adds as much on
// no two days. That on
// three days, less those between on which it didn't look so, and not while house air is
// known to get in, which may do so more and more, nor in weeks with frost in the box, which
// keeps what came in and gives it back. Near saturation it isn't over before dry
// hours say so.
//
// Else it may be water, and is left to those watches. Without outdoor air from
// anywhere creep can't be told; a slow step of less than 7 %RH, or 5 to the dry side,
// isn't found, nor is a creep upwards in weeks without dry hours.
//
// # The rest
//
// An outdoor humidity sensor is held against weather that somebody else observed,
// day by day at equal vapour: it is in doubt when a week's mean is off by more than
// 15 %RH, or has moved by 7 and by four standard errors from what was usual
// between the two. Another sensor of the site decides nothing: of two that part
// either may be right.
//
// Words that chips send in place of a measurement; jumps that no air makes, six a day
// within ten minutes, or three slots a day that stand apart from the one before and
// the one after, as in a log of 10 or 15 minutes; either is over after a week without;
// more than half of a week's reads failed, and of those of four days; a thermometer that
// leaves the others by night, five nights on end; the sensor's own heater, which lowers the humidity
// at the chip by a known part. What a person finds with saturated salts or
// otherwise counts more than all of these, until he says otherwise.
//
// # What a sound sensor may be off
//
// ±2 %RH, which every count of hours carries as its range: see rules/exposure.
//
// # False findings
//
// On 420 simulated station-years of rules/boxsim, half of them with biased sensors,
// buffers and wind, most with other troubles, none was false, and of 52 creeping sensors 50
// were found in time. In damper weather fewer are: a creep of 8 %RH upwards hides in dew. A
// fast change of weather, or frost on a cover, can leave a box drier than exchange would,
// and without outdoor air no creep can be told.
package sensing
