package paper

import (
	"strings"

	"dewpost/rules/finding"
)

// guide is what somebody does about a finding, in order. It is common
// practice of the trade, no source; where it touches a live line, a ladder or
// solvents, the cautions of package bench stand above it on the card.
type guide struct {
	name  string // as owners read it
	steps []string
}

var guides = map[finding.Kind]guide{
	finding.BoardWet: {"The board does not dry", []string{
		"Look at cover, gasket and cable entry before anything is moved; take a photo.",
		"Open the unit, say how wet it is, and look where the water came from.",
		"Dry it, look at board and contacts for corrosion, and see whether the coat is whole.",
		"Put right what let the water in; without that it comes again.",
	}},
	finding.DampWeek: {"Damper than usual", []string{
		"Press round the gasket, look for hard or torn places and for cracks round the keys.",
		"See whether the weep hole is open and points down.",
		"Change the gasket if it no longer springs back.",
	}},
	finding.SealOpened: {"The box has opened", []string{
		"Look over cover, keys and screws: a crack is easiest seen with a light from behind.",
		"See whether the cover sits flat and all screws hold.",
		"Change cover or gasket, and seal the cable entry anew if it was moved.",
	}},
	finding.WaterInside: {"Water inside", []string{
		"Open it with the face down over a cup, and measure what runs out, in ml.",
		"If no water is found, check the sensor over salt: it may be what is wrong.",
		"Open the weep hole; find and close the way in.",
		"Dry the board, clean it, and coat it again at the bench if the coat is broken.",
	}},
	finding.MoistAirFromWall: {"Moist air from the wall", []string{
		"Feel at the cable entry for a draught, and look for dew on the back plate.",
		"Seal the cable entry on the wall's side; leave the weep hole open.",
	}},
	finding.LeakageRising: {"Leakage grows", []string{
		"Measure the standby current, closed and as found.",
		"Look for green or white between tracks, on contacts and at the connector.",
		"Clean the board, let it dry, coat it again on both sides; that is bench work.",
	}},
	finding.CurrentStepUp: {"Standby current stepped up", []string{
		"Measure the standby current; press and release each key once.",
		"Look for a key that sticks and for a short at the terminals.",
	}},
	finding.CurrentStepDown: {"Standby current stepped down", []string{
		"Look for a lamp that is dark and for a loose wire at the terminals.",
		"Measure the standby current before and after.",
	}},
	finding.NoCurrent: {"No current", []string{
		"Measure the voltage at the terminals; none there: ask about supply and fuse first.",
		"Voltage but no current: look at connector and board.",
	}},
	finding.LineVoltageLow: {"Line voltage low", []string{
		"Measure at the supply and at the last station of the line, and write both down.",
		"Look at terminals and joints in between.",
	}},
	finding.CoverDue: {"Cover due", []string{
		"Look at the cover against the light for crazing and cracks; take a photo.",
		"Change it for the one that is reserved, with its gasket.",
	}},
	finding.BudgetLow: {"Little of the board's life left", []string{
		"Look at tracks, contacts and joints with a glass; grade the corrosion.",
		"What is seen decides: a board that is clean stays, else it goes to the bench.",
	}},
	finding.SensorSuspect: {"A sensor in doubt", []string{
		"Look at its plug and wire, then check it over salt, or swap it.",
		"Write down the number of the sensor that came out and of the one that went in.",
	}},
	finding.Silent: {"Not heard", []string{
		"Ask about router, password and power first: it may need no visit.",
		"Look at the agent's lamp, its supply and its card; carry the kept readings over if it has some.",
	}},
}

// guideOf is what is known of a kind; a newer one is named by its own word.
func guideOf(kind finding.Kind) guide {
	if g, ok := guides[kind]; ok {
		return g
	}
	return guide{strings.ReplaceAll(string(kind), "_", " "), []string{"Read the evidence, look at the unit, and write down what is found."}}
}
