package bench

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"dewpost/rules/unit"
)

// What happens to a box, as far as baselines care.
type What string

// Whats.
const (
	JarBegins What = "jar-begins" // it is put into the humid jar
	JarEnds   What = "jar-ends"
	Opened    What = "opened" // somebody opens it, or changes how tight it is
	Coating   What = "coating"
	OnWall    What = "on-wall" // it is hung, or closed again where it hangs
	OffWall   What = "off-wall"
)

// order is that of what is written down for one instant.
var order = []What{JarEnds, OffWall, Opened, Coating, JarBegins, OnWall}

// Event is something that happened to a station's box.
type Event struct {
	What  What
	At    unit.Instant
	Cured unit.Instant // end of the cure, of Coating only; 0: not known
	Note  string       // what was inside, of JarBegins only
}

// Baseline is a time whose breathing is what later times are compared with.
type Baseline struct {
	Kind  string // "jar" or "wall"
	From  unit.Instant
	To    unit.Instant // [From, To)
	Valid bool         // it is long enough and was not disturbed
	Why   string       // it is not valid; ""
	Until unit.Instant // from when on it says nothing any more, since the box was opened; 0: still good
	Note  string       // what was inside the jar
}

// Lengths of baselines. The wall's are the contract's; the jar's are judgement
// values: long against the hours in which a tight box breathes.
const (
	WallLeast = 14 * 24 * time.Hour
	WallMost  = 21 * 24 * time.Hour
	JarLeast  = 24 * time.Hour
	JarMost   = 21 * 24 * time.Hour
)

// Baselines returns the baselines that a station's events, in any order, make
// by now, in order of time. A step in the humid jar is one from its begin to
// its end. On the wall it is the first three weeks after the unit was hung, or
// closed again there, and its cure has ended; two weeks are enough if it is
// then opened. The next opening ends what either says.
func Baselines(events []Event, now unit.Instant) []Baseline {
	events = slices.Clone(events)
	slices.SortStableFunc(events, func(a, b Event) int {
		return cmp.Or(cmp.Compare(a.At, b.At), slices.Index(order, a.What)-slices.Index(order, b.What))
	})
	var all []Baseline
	var cured unit.Instant
	for i, e := range events {
		if e.At > now {
			break
		}
		rest := events[i+1:]
		switch e.What {
		case Coating:
			cured = max(cured, e.At, e.Cured)
		case JarBegins:
			all = append(all, jar(e, rest, now))
		case OnWall:
			all = append(all, wall(max(e.At, cured), e.At, rest, now))
		}
	}
	return all
}

// first returns when the first event of one of the kinds comes, up to now; 0
// when none does.
func first(events []Event, now unit.Instant, kinds ...What) unit.Instant {
	for _, e := range events {
		if e.At <= now && slices.Contains(kinds, e.What) {
			return e.At
		}
	}
	return 0
}

func jar(begin Event, rest []Event, now unit.Instant) Baseline {
	b := Baseline{
		Kind: "jar", From: begin.At, To: first(rest, now, JarEnds, JarBegins), Note: begin.Note,
		Until: first(rest, now, Opened, Coating),
	}
	switch {
	case b.To == 0:
		b.To = now
		b.Why = "it has not ended"
	case b.Until != 0 && b.Until < b.To:
		b.Why = "the box was opened in the jar"
	case b.To.Sub(b.From) < JarLeast:
		b.Why = fmt.Sprintf("it lasted %s of at least %s", inHours(b.To.Sub(b.From)), inHours(JarLeast))
	case b.To.Sub(b.From) > JarMost:
		b.Why = fmt.Sprintf("it lasted longer than %s: was its end forgotten?", inHours(JarMost))
	}
	b.Valid = b.Why == ""
	return b
}

func wall(from, hung unit.Instant, rest []Event, now unit.Instant) Baseline {
	b := Baseline{Kind: "wall", From: from, To: from.Add(WallMost), Until: first(rest, now, Opened, Coating)}
	end, why := now, "so far"
	if t := first(rest, now, Opened, Coating, OffWall, OnWall); t != 0 {
		end, why = t, "until it was opened or taken down"
	}
	b.To = max(min(b.To, end), from)
	if had := b.To.Sub(from); had < WallLeast {
		b.Why = fmt.Sprintf("%s of at least %s, %s", inDays(had), inDays(WallLeast), why)
		if hung < from && end <= from {
			b.Why = "the cure had not ended " + why
		}
	}
	b.Valid = b.Why == ""
	return b
}

func inHours(d time.Duration) string { return fmt.Sprintf("%.0f h", d.Hours()) }

func inDays(d time.Duration) string { return fmt.Sprintf("%.1f days", d.Hours()/24) }
