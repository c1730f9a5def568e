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
// was, the daily range of temperature, the season. Five logistic regressions on
// some of them are averaged by their logits. One of them learns from more than
// each night's yes or no: whether the night's least margin fell below other
// limits near the asked one, too, with the margin counted from those. Inputs such
// as evening temperature and dew point are those of the two-step regression of
// FAO (Snyder and de Melo-Abreu 2005); regressing on the margin proved better
// than first foretelling the least temperature.
//
// Each regression has a Gaussian prior, and is fitted anew every week to the
// station's nights so far (500 at most), by Newton's method. The prior's means
// were fitted to nights of three places ([prior.csv]): a station of which nothing
// is known yet is taken for a mixture of those, and becomes itself within some
// weeks. Nothing after the time of issue is used.
//
// # What was seen
//
// Without a sensor of wind or cloud the outlook can't know what they will do. On
// the North Sea coast, knowing today's wind too would add 0.02 to a skill of
// 0.30. All scales and limits are judgement values.
package outlook
