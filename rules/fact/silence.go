package fact

import (
	"time"

	"dewpost/rules/unit"
)

// Judgement values: a router that is restarted rings nobody.
const (
	defaultSilence = 3 * time.Hour
	silenceSteps   = 6 // of the station's own interval
)

// UsualSilence returns how old a station's newest reading may be, by its
// interval alone, and still speak for now.
func UsualSilence(facts []Fact, t unit.Instant) time.Duration {
	if d, ok := DurationAt(facts, Interval, t); ok {
		return max(defaultSilence, silenceSteps*d)
	}
	return defaultSilence
}

// SilenceSince is what is allowed now of a station that was heard last at an instant:
// by what holds now, or held then, for neither can tell it before.
func SilenceSince(facts []Fact, last, now unit.Instant) time.Duration {
	return max(Silence(facts, last), Silence(facts, now))
}

// Silence is UsualSilence, unless a person has allowed another.
func Silence(facts []Fact, t unit.Instant) time.Duration {
	if d, ok := DurationAt(facts, AllowedSilence, t); ok {
		return d
	}
	return UsualSilence(facts, t)
}
