// Package breathing concludes from vapour inside and outside a box how open
// the box is, whether it has opened, whether liquid water feeds its air, and
// whether the air comes from the house.
//
// It follows one box in steps of ten minutes ([State.Step]) and keeps hourly
// means of 24 days. Whatever is concluded at a reading rests on earlier
// readings only. All of it works on vapour pressure, hPa, never on relative
// humidity, so that warming alone is no moisture.
//
// # Breathing time
//
// A box exchanges vapour with its surroundings by the first-order law of
// Tencer 1994 ("Moisture ingress into nonhermetic enclosures and packages",
// abstract seen). Beside the exchange the model knows five things that look
// like it, each linear in its unknown:
//
//	de/dt = (eout − e)/τ + b·es/τ + β·e·d(ln es)/dt + q/τ − k·dew + c·(w − e/es)
//
// b is the bias of the humidity sensors against each other (prior ±3 % of
// saturation), β what a buffer of plastic and cardboard that follows relative
// humidity gives back on warming (0.2 ± 0.2), q a steady source (±0.7 hPa),
// k the rate at which a cover that nobody measures takes dew by night and gives
// it back by day (±0.5/h), and c what thick plastic gives back that has soaked up
// the humidity w of the last 12 h (±1.5 hPa/h): as the sun comes and goes, such vapour
// rises and falls with the days as that of an open box does. For each of 40 values of
// τ from 0.5 to 500 h the response is computed from the measured vapour pressure at the start of every
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
// knows the box to be good. What plastic holds beside each part of vapour in the air is
// inversely proportional to saturation pressure, so a sound box seems several times as
// tight in winter as in summer: the buffer that the baseline's fit found, give or take a
// quarter, is carried over to the saturation of now. Where the fit finds that more than
// 0.8 hPa comes in steadily beside the air outdoors, as from a house in winter, which makes a
// box seem twice as tight, no seal is watched until a later fit finds less; and days that
// have more open none. Then at the end of each day the last 4, 5, 7, 10
// and 14 days are asked how much likelier they are of a box that breathes 2 to
// 25 times as fast than of one that breathes as in the baseline give or take
// 25 % (wind, season); noise is at least what the baseline's fit left, as a share of
// the vapour pressure: in summer there is more of everything. This is
// a generalised likelihood ratio over windows (Willsky and Jones 1976, from
// memory).
//
// They are asked in two views: by the hour, and by the means over 24 h. Over a
// whole day what plastic gives off to air that warms cancels, and so does dew that comes
// by night and goes by day, once the hours in which something is dewy are taken to hold
// what goes from before them to after; what is left is whether the air in the
// box follows the weather of days, or what plastic remembers of the last 36 h. The
// means tell little of a box that breathes
// in hours, of which the hours tell most; in a slow one the hours tell of dew and
// buffers. So the logarithms are added, that of the hours times 1/(1+u·(τ/24 h)²)
// of the baseline's τ, where u, from 0 to 1, is how much more its fit left than a sensor
// scatters, 1 for a fifth more: what fits so well has neither dew nor buffers; and where
// this is less than a half the hours alone open nothing. Days of which more than half may
// be dewy are not asked by their means: what dew keeps for days is no exchange.
//
// The seal is called open when the sum passes 3.3 at the ends of two days in a row or
// more, in windows that the model fits as well as it did (2.5 times what the baseline's
// fit left in each view, and 1.6 in the hours that open it, or 2 where the sums of the
// days make 25: an open box follows what is known best), and the breathing time is then
// half of the baseline's or less, and the two intervals are as far apart as a good box may
// wander. The last days by themselves must say so, too: the fit by the hour over five days,
// and that by daily means over seven, each beside what it usually was in the 40 days
// before. What makes days look open against the baseline, such as a season or dew, did so
// in these weeks as well, or shows in one of the two only: by the hour, the box must
// breathe faster by a seventh than it usually did, and by the means, which reach back
// longest, in no more than 1.65 times as long. Where the hours tell nothing of the weeks
// before, or the breathing time is not known within a factor of 2.5, the sums of the days
// in a row must make 10 together. Most openings are concluded within five days. It is called shut, by the same test,
// when the last seven days speak as clearly for the baseline at the ends of two days,
// and had no more vapour inside than outdoors. Days with water inside are asked
// neither way: what it gives off follows no weather. Independent noise would pass 5,
// as on either of two days, in one window of 150 (Wald's inequality); windows overlap
// and what is left is no noise. What really comes of it is counted in simulated boxes:
// TestTrials here, and rules/detect. The stated rate is three in a hundred
// station-years on plain physics. Hours tell nothing in the three after dew, unless
// the air is below 75 %RH, nor after frost until it is below 55 %RH: what dries is no
// exchange. In frost, and while dew never dries, nothing is concluded: not on days of
// which the mean is below -3 °C, and days below 0 °C in the mean make no baseline.
// Rain speaks for an opening if vapour jumps within a day of it.
// A box that breathed in less than 3 h already in its baseline is reported
// ([Usual]) and not watched.
//
// # What comes again
//
// What seems over is said to have ended, then, when it has not come back for ten days;
// water in a box whose seal is open, into which each rain brings more, for thirty. What
// comes back sooner goes on as the finding that it was. Where the box was known to be
// good in between it is new.
//
// # Water inside
//
// Water that comes makes the air damp within minutes; what comes with the exchange
// takes the breathing time. So slots are watched for a leap: humidity and vapour
// both rise within 45 min, by 2.5 % of saturation more than 1.3 times what exchange
// twice as fast as usual could bring, of outdoor air and of house air that makes up
// half of it. Two means of an RH sensor scatter by 0.2 %RH (a data sheet's
// repeatability, from memory), so noise alone makes none in a station's life; a door opened in
// damp air does. A leap is water when for 20 h or more, in at least eight hours in
// which 4 % of saturation or more would be wanting, nine in ten are damper by 2 %,
// seven tenths of what would be wanting are there, and it is damp in the coldest
// hours. What would be there is the most that exchange brings, as below (where all that
// had come with it was in the air, to what that held at the leap, or outdoor air); what came
// in with the leap and goes out with the exchange, what dew has kept, what the two
// sensors differed by in the two days before and nine tenths of those hours had.
// Air from the wall counts as far as it would not show (5 % of saturation), and where
// more than that shows, as much as may come from there. Where nothing is known of the
// air outdoors a leap is one by 7 % of saturation, against saturated air and a breathing
// time of 1 h, with 10 %RH more than in the day before, and what would be there is the
// humidity of the same hours of the three days before.
//
// Water need not be as warm as the air, which the board and the sun heat: over water
// that is 1.3 K colder it is 92 %RH damp. After a leap by 7 % of saturation, and where
// nothing was left that the sun could have dried or melted (after a day without dew and
// four without frost, which may form on a cover in air of up to 2 °C from 77 %RH on; or
// where all that had come with the exchange was in the air, of frost after a leap by
// 12 % only: that makes less within an hour when it melts), it is enough
// that three in four of twelve hours are damper, 4 % in the mean and a third of what was
// wanting, that the coldest are at 85 %RH, and that relative humidity scatters less than
// its excess over exchange does: over water the one is the same in any weather, of a
// sensor that shows too much the other. Where the air outdoors is known, the electronics
// may warm that of the box by 3 K and more, which leaves 82 %RH over water: then 72 %RH is
// enough in the coldest hours, and eleven hours of twenty, if 8 % of saturation are in excess
// in the mean. Where the sun heats the air far above the water humidity keeps no level at
// all; but after such a leap vapour then goes up and down with saturation by 45 % of what
// it would over water as damp, twice what it did in the four days before, none of whose
// hours was above 75 %RH, is above that outdoors by 4 % of saturation in the mean, and at
// 85 %RH in the coldest hours.
//
// A repair that nobody wrote down makes a box keep the vapour of warmer days for
// longer: what exchange in four times the breathing time brings, or 200 h, counts too.
//
// Dew comes in with the exchange and stays: vapour and dew together are what came in
// less what went out at the humidity that was measured, in up to one and a half
// times the breathing time, which isn't better known. It dries below 93 %RH in the
// warm half of the day, and below 78 %RH in the cold one: a cover may be 4 K colder than
// the air then, which is no damper for the dew on it. Dew makes leaps as well, when the sun
// gets to it. So it must be damper since a leap than in the day before, by 6 %RH, the excess
// must be no less than what a cold cover takes away, and the box must have been followed
// for four days: older dew is not known of. After a day with frost in the box no leap
// counts if in the three days before such frost melted into saturated air.
//
// Besides, every six hours the last 24 are asked. Exchange alone brings the largest of
// what it does at the box's breathing time, what it would at 12 h, and at 3 h, as
// if the box had opened. The deficit is what is wanting to saturation beyond it; a
// bias that the baseline showed is taken off. Where it is more than house air could
// make up (half of what enters, at the excess of the third humidity class of
// ISO 13788, from memory, or at 20 °C and 55 %RH where that is more) and more than
// sensors differ, an hour tells. House air
// comes in with the exchange only, so in a box whose wall gave nothing so far 36 h of
// it are counted. Water that came within the last two days is concluded when five
// hours tell, seven tenths of their deficit are made up, and four in five have 5 % of
// saturation more than all but one in twenty of the hours of the two weeks before; and the
// coldest are at 92 %RH, or at 85 % where the whole day has 12 % of saturation more than all
// that comes from outdoors and from the house.
//
// By night a cold cover takes what water gives off, and then few hours tell. So the whole
// day is asked, too: without frost in the last four, it is water that has in the mean 10 %
// of saturation more than exchange brought and dew has kept, 5 % in seven hours of ten, and
// 1.3 times what a house adds as far as it can have come in, at 85 %RH in the coldest
// hours, with a relative humidity that scatters less than four fifths as much as its
// excess; where the two weeks before had less than 3 % of it in all but one in twenty
// hours, and the day before the last two less than 2 %.
//
// A box that was dry may become damp without being near saturation: a board warms its
// air, cardboard soaks up what water gives off. So a surge is water, too: after four days
// below 75 %RH, in which nothing in it can have kept dew, the last 24 of at most 42 h are
// damper than exchange as fast as one likes makes them, by what was usual, by twice what
// houses add as far as it can have come in, and by 2 % of saturation and of relative
// humidity more in three hours of four, 5 and 8 % in the mean; that does not go again
// as air does that came in through an open door, and moves by more than a sensor that is
// stuck.
//
// Near freezing water gives no more than house air might bring, and makes no leap when it
// comes by drops. So what sets in is asked, too: for the last 20 or 36 h, after a gap of
// 6 h, the driest hour is at 84 %RH and damper than three quarters of the four days before;
// in the mean there is 10 %RH more than in these, and 8 % of saturation more beyond
// exchange than three quarters of them had, a tenth at most, or than none; relative humidity
// scatters less than six tenths as much as that excess (in 20 h by more than that of a
// sensor that is stuck, which is left to be told as one first); it is not below 0 °C in the
// mean, where what sets in is frost; and it is at least two thirds of
// what house air makes, the border between the second and the third humidity class of
// ISO 13788, as far as it can have come in since; on a post, behind which there is no
// house, any is enough: what comes up its conduit doesn't set in within a day.
//
// Else a buffer of plastic or cardboard keeps the humidity of the days before (a lag
// of 72 h, as it was three days ago), and gives no more than that to air that warms,
// the less the faster the box breathes; more than six tenths of the deficit beyond
// that must be made up, for three days, the excess must have risen above that of the
// weeks before, hold over the whole window, and it must be damp in the coldest hours.
// Of a box that is new, four days must say so: it may have been shut up in damp air.
//
// Once a day the last three are asked whether humidity keeps its level: at 85 %RH in the
// coldest hours of each, 4 % of saturation above all that comes with the exchange, air
// from the wall too, and 2 % above what a buffer gives back (8 % where air from the wall
// is known of, or may be coming in), while relative humidity scatters less than four
// fifths as much as its excess over exchange. Near saturation, 95 %RH in the mean, a tenth
// of saturation above exchange and air from the wall is enough, whatever a buffer holds, if
// humidity scatters less than 15 % as much: a buffer that feeds a box for days dries. Dew
// of air from the wall doesn't: not while that is known of, nor in the 90 days after.
//
// Over water that is colder than the air, which a board warms, it need not be damp in
// the coldest hours: 72 %RH is enough where a fifth of saturation is in excess then.
// Water is over when two days have little of the deficit made up or, where little is
// wanting, are below 80 %RH in their coldest hours; but not as long as these are at 85 %RH
// with 3 % of saturation more than exchange brings.
//
// Where nothing is known of the air outdoors the warmth of days must tell: a box that
// warms by 4.5 K, whose four warmest hours are at 95 %RH or more all the same with a
// seventh more vapour than the coldest have, on four days on end, holds what makes it
// so, if it was drier by 12 %RH in the warmest hours of four in five of the days of the
// two weeks before that warmed it, and of every second day of all. It is
// over when a day has 80 %RH or less in its coldest hours, or in the warmest of a day
// that warms. Near frost no leap counts there: it may be what melts. Sooner told is
// humidity that for a day and a half has kept its level, between 80 and 96.5 %RH, within
// 1.2 %RH or a twentieth of the logarithm by which saturation rose and fell (2.3 K each way
// at least: fog, which does the same in an open box, knows no afternoon), where it was
// drier by 6 %RH in the four days before and scattered three times as much, kept no such
// level in twelve days, and was as damp for twelve hours of sixteen days at most: at
// saturation a box may be full of dew. In 600 simulated years of boxes without an outdoor
// sensor it was said of none that was sound.
//
// A steady excess, a slow creep and what a hot day drives out of plastic fail
// all of these. Water that comes while the box is saturated anyway makes no leap and
// shows when the air outdoors dries. A sensor stuck at its end does not fail: it is
// "water or sensor" until a test of the sensor decides, or until humidity gives way
// when the box warms by 4 K, as it does over water and not in a sensor that is stuck,
// whose hours scatter by 0.35 %RH at most: what moves by twice that is none, nor is
// what falls as the box warms, by a correlation with the logarithm of saturation that
// scatter reaches once in a hundred times (Student's t).
//
// Dew may also be what air from the wall brought, half of all that enters, and kept: it
// counts like that of outdoor air. Where air from the wall is known
// of, or may be coming in (a week of 8 % of saturation beside outdoor air, or 5 % more
// than before), water that made no leap is called only if it gives far more, for three days; a small
// puddle hides in it.
//
// # Moist air from the wall
//
// From day to day the balance of vapour gives what entered beside outdoor air, q:
//
//	τ·de/dt + h·d(e/es)/dt = eout − e + q
//
// Plastic and cardboard follow relative humidity: what the box holds beside the vapour
// in its air, h, is the same in any season at the same humidity. The breathing time of
// the baseline, which is apparent, is split by the part β of the vapour that follows
// warmth, as its fit found it: τ(1−β) is of the air, and h is τ·β·es at the saturation
// pressure of the baseline. Were all of it taken for vapour in the air, each warm day
// would seem to let in what the plastic gives off. Without a baseline, or with the seal
// open, β is not known and counts as nothing. Over days dew cancels in q, and what is
// left is the same share of saturation in any weather, a bias of the sensors, until
// air from the wall begins. It is concluded when q of the last 14, 21, 28 or 35 days
// is above that of the days before, of which 14 must be known, by 0.5 hPa, 5.5 % of
// saturation, and five standard errors of a mean of days that have something in common
// with the week after them. What was usual is taken for a bias, which goes with saturation,
// or for none, whichever leaves less. The rise must be no more than a house can
// add, must not be over in the last three days, and must be there in a box that
// breathes in half, once, twice and four times the breathing time, for that may have
// changed unseen.
//
// In a damp winter what the house adds fills the box: each night dew takes what the air
// can't hold, and little is left of it in the vapour. So a day in the mean of which the
// air is at 92 %RH or more had at least what was measured: it speaks against what is too
// little, never against what is too much. What it is is told by the drier days. Three in
// five of them must have a good part of the rise, but for one where they are few. The same
// share of what a house adds, or the same amount in any weather, must explain the days
// better than a slope of saturation that begins on some day and lasts for some weeks, or
// for ever, to 20 % at most, as of a sensor that creeps; and, where a week of days or more
// is drier, explain these better, or nearly as well, than one humidity at all times, as
// over water. A box whose air is never below 97 %RH on more than every second day holds
// water; one that dries by day holds dew. What no day tells is called air from the wall:
// water that came into a box that was drier would have been told by its own rules, and
// sooner. In a box that stays damp for weeks, water that these have missed may be called
// so.
//
// Days on which the sensor is thought to have been wrong, before anybody knew, don't
// count. It is over when less than half of it enters, in weather in which it would show.
//
// Where nothing tells of a beginning: on 11 of the last 14 days or more, there was on
// average at least 1 hPa and 10 % of saturation more than exchange brings, on four
// days in five 4 %. Where the box is mounted flush, seven tenths of these are
// enough. Sensors that differ by less than 5 %RH can't reach it. The weeks before, as
// far as they are known, must allow it: then no more entered than half of the air with
// what a house adds, for what is left of water that dries is no house air; and where
// less than half as much entered as now, it has begun, by rain that a crack lets in as
// well as by house air, and is not called the latter if it follows saturation on the
// drier days. Nor is what a sensor that creeps explains as well in all these weeks, nor
// what is over. All are judgement values.
package breathing
