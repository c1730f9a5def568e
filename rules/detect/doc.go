// Package detect is the proof that troubles of a box are found in time, each
// under its own name, and that sound boxes are left alone. All of it is test
// code: fleets of simulated boxes with faults on known days, in made-up and in
// measured weather, are assessed as a person's log would be, and what was
// concluded is held against what was done to the box. Run it with
//
//	bash deploy/prove.sh detection [--quick] [--seed N] [--n BOXES]
//
// The last line counts events that were found in time (hit), those that were not
// (missed), and those that nobody could have told from what the sensors show
// (unseen): beside a twin of the box without the trouble, the air in it hardly
// differed by what a sensor is accurate to, or no leakage flowed. What the rules
// say has no part in that. A run fails when it has more false findings than the
// limits set out, more than two findings of an event, a finding by hindsight, air
// from the wall that is called water, or of any trouble fewer hits than the rules
// reached before; in each but for chance, as far as a run is short.
//
// A finding counts on the day it was concluded, not on the onset that it
// claims. Findings that say how wet a board is (board_wet, damp_week) follow
// from weather as well as from faults; they are counted apart and are never
// false.
//
// So that the rules know boxes and not one simulator, a second one (TestOtherBoxes),
// which has nothing in common with boxsim, is tried as well. Its box is solved by the
// minute, implicitly in its vapour pressure: exchange with outdoors that goes with the
// wind, and what cooling draws in; air from the house, with the daily wave of people;
// two stores of water, one of minutes by the GAB isotherm of paper, one of days by
// Henry's law, which warmth quickens; films of dew and frost on cover and wall, which
// cover them in part; and a puddle with a temperature of its own, which lags the air's,
// undercools and freezes. Saturation is by Buck (1996). Its parameters are judgement
// values, and so are the climates that it makes up. In its line false findings are those
// of time without trouble, a year of it; what is called by another name later is
// misnamed. Water of 0.3 g and more, which house air or a night leaves, is water. At
// full scale it fails when it gets worse than it is: more than 0.15 false findings come in
// a year, air from the wall is called water, or fewer than half of the seals within ten
// days or a sixth of the waters within two are found. The goals are those of boxsim's
// boxes, and not reached: water that lies in a box which warms itself is damp air for
// weeks before it is told.
package detect
