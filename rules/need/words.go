package need

import (
	"fmt"
	"math"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

var findingWords = map[finding.Kind]string{
	finding.WaterInside:      "There is water in the box",
	finding.BoardWet:         "The board stays wet when it should have dried",
	finding.LeakageRising:    "Leakage rises: a late sign",
	finding.CurrentStepUp:    "The standby current rose at once: a stuck key, or a short",
	finding.CurrentStepDown:  "The standby current fell: a part of it is open",
	finding.NoCurrent:        "There is no standby current: nobody can call",
	finding.SealOpened:       "The box is more open than it was",
	finding.MoistAirFromWall: "Moist air comes out of the wall",
	finding.DampWeek:         "It was damp for more hours than usual here",
	finding.LineVoltageLow:   "The line's voltage is low",
	finding.SensorSuspect:    "A sensor is in doubt, so less is known than it seems",
}

func findingWhy(f *finding.Finding, now unit.Instant) string {
	text, ok := findingWords[f.Kind]
	if !ok {
		text = "It was found: " + string(f.Kind)
	}
	return fmt.Sprintf("%s, for %s (confidence %.0f %%).", text, days(now.Sub(f.From)), 100*f.Confidence)
}

func symptomWhy(s *Symptom) string {
	return fmt.Sprintf("Somebody reported %s on %s.", s.Kind, s.Since.Time().Format("2 January 2006"))
}

func days(d time.Duration) string {
	n := math.Round(d.Hours() / 24)
	switch {
	case n < 1:
		return "less than a day"
	case n < 2:
		return "a day"
	case n < 60:
		return fmt.Sprintf("%.0f days", n)
	}
	return fmt.Sprintf("%.0f months", math.Round(n/30.4))
}

// seasonWords say what a season does to a chance.
func seasonWords(season float64) string {
	switch {
	case season >= 1.1:
		return fmt.Sprintf(" The coming weeks are %.1f times as wet as the year.", season)
	case season <= 0.9:
		return fmt.Sprintf(" The coming weeks are %.1f times as wet as the year, so it counts less.", season)
	}
	return ""
}

func coverWhy(c *life.Cover, week float64) string {
	if c.Condition == "crazed" {
		return fmt.Sprintf("The cover is crazed; with a chance of %.1f %% a crack begins within the week.", 100*week)
	}
	return fmt.Sprintf("The cover is %.1f years old, weighted by sun: with a chance of %.2f %% it cracks within the week, and a crack that nobody sees costs the board in one of four.", c.Age, 100*week)
}

func boardWhy(b *life.Board, week float64) string {
	return fmt.Sprintf("About %.0f %% of the board's life is used (%.0f to %.0f %%), and a week takes %.2f %%.", 100*b.Fraction, 100*b.Low, 100*b.High, 100*week)
}

func blindWhy(silent time.Duration) string {
	if silent < 0 {
		return "It has no sensor that tells: a fault would be seen by nobody."
	}
	return "Nothing was heard for " + days(silent) + ": a fault would be seen by nobody."
}
