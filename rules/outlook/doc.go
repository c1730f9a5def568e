// Package outlook says how probable it is that a box will be wet in the coming
// night, from the station's own readings only.
//
// # Night, events
//
// A night is here the time from two hours after sunset to the next sunrise (NOAA
// equations, package sun). It is condensing when any reading in it has a margin
// of 0 K or less, and at risk at 3 K or less. Of a night of which more than a
// quarter was not heard only what was seen counts: it may have been wet, never
// dry. An outlook is issued for it two hours after sunset, and an early one three
// hours before sunset.
//
// # Method
//
// What the last two days say is put into numbers ([features]): the margin now and
// how it fell, the length of the night, how the dew point moved and how rough it
// was, the daily range of temperature, the season. Four logistic regressions on
// some of them are averaged by their logits. One of them holds to its prior, which
// serves where nights differ little from those elsewhere; one learns from more than
// each night's yes or no: whether the night's least margin fell below other
// limits near the asked one, too, with the margin counted from those. Inputs such
// as evening temperature and dew point are those of the two-step regression of
// FAO (Snyder and de Melo-Abreu 2005); regressing on the margin proved better
// than first foretelling the least temperature.
//
// Each regression has a Gaussian prior, and is fitted anew every week to the
// station's nights so far (500 at most), by Newton's method. The prior's means
// were fitted to nights of places in several climates (prior.go): a station of
// which nothing is known yet is taken for a mixture of those, and becomes itself
// within some weeks. Nothing after the time of issue is used.
//
// # What was seen
//
// Without a sensor of wind or cloud the outlook can't know what they will do. On
// the North Sea coast it has a skill against climatology of 0.30 (one year: the
// standard error of that is 0.05). There, knowing wind and cloud of the hours before
// added 0.007, and knowing both for the whole night to come 0.02; boosted trees on a
// hundred inputs, fitted to fifty climates, beside these regressions added 0.01. The
// averages of regressions came out nearly alike, whatever they were fitted to and
// how often, and what helped was more places in the prior. All scales and limits
// are judgement values.
package outlook
