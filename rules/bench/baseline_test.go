package bench_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

func at(what bench.What, d time.Duration) bench.Event { return bench.Event{What: what, At: after(d)} }

func TestBaselines(t *testing.T) {
	coat := bench.Event{What: bench.Coating, At: t0, Cured: after(2 * day)}
	into := bench.Event{What: bench.JarBegins, At: after(3 * day), Note: "salt, 75 %"}
	for name, c := range map[string]struct {
		events []bench.Event
		now    time.Duration
		want   []bench.Baseline
	}{
		"nothing": {nil, 90 * day, nil},
		"coated, jar, hung": {
			[]bench.Event{at(bench.OnWall, 8*day), into, at(bench.JarEnds, 5*day), coat},
			90 * day,
			[]bench.Baseline{
				{Kind: "jar", From: after(3 * day), To: after(5 * day), Valid: true, Note: "salt, 75 %"},
				{Kind: "wall", From: after(8 * day), To: after(29 * day), Valid: true},
			},
		},
		"the next repair ends both": {
			[]bench.Event{coat, into, at(bench.JarEnds, 5*day), at(bench.OnWall, 8*day), at(bench.Opened, 60*day)},
			90 * day,
			[]bench.Baseline{
				{Kind: "jar", From: after(3 * day), To: after(5 * day), Valid: true, Until: after(60 * day), Note: "salt, 75 %"},
				{Kind: "wall", From: after(8 * day), To: after(29 * day), Valid: true, Until: after(60 * day)},
			},
		},
		"but not before it comes": {
			[]bench.Event{at(bench.OnWall, 0), at(bench.Opened, 60*day)},
			59 * day,
			[]bench.Baseline{{Kind: "wall", From: t0, To: after(21 * day), Valid: true}},
		},
		"hung before the cure ended": {
			[]bench.Event{coat, at(bench.OnWall, day)},
			90 * day,
			[]bench.Baseline{{Kind: "wall", From: after(2 * day), To: after(23 * day), Valid: true}},
		},
		"and opened before it did": {
			[]bench.Event{coat, at(bench.OnWall, day), at(bench.Opened, day+time.Hour)},
			90 * day,
			[]bench.Baseline{{Kind: "wall", From: after(2 * day), To: after(2 * day), Until: after(day + time.Hour), Why: "the cure had not ended until it was opened or taken down"}},
		},
		"opened after 15 days": {
			[]bench.Event{at(bench.OnWall, 0), at(bench.Opened, 15*day)},
			90 * day,
			[]bench.Baseline{{Kind: "wall", From: t0, To: after(15 * day), Valid: true, Until: after(15 * day)}},
		},
		"opened after 9 days": {
			[]bench.Event{at(bench.OnWall, 0), at(bench.Opened, 9*day)},
			90 * day,
			[]bench.Baseline{{Kind: "wall", From: t0, To: after(9 * day), Until: after(9 * day), Why: "9.0 days of at least 14.0 days, until it was opened or taken down"}},
		},
		"taken down after 16 days": {
			[]bench.Event{at(bench.OnWall, 0), at(bench.OffWall, 16*day)},
			90 * day,
			[]bench.Baseline{{Kind: "wall", From: t0, To: after(16 * day), Valid: true}},
		},
		"10 days so far": {
			[]bench.Event{at(bench.OnWall, 0)},
			10 * day,
			[]bench.Baseline{{Kind: "wall", From: t0, To: after(10 * day), Why: "10.0 days of at least 14.0 days, so far"}},
		},
		"14 days so far": {
			[]bench.Event{at(bench.OnWall, 0)},
			14 * day,
			[]bench.Baseline{{Kind: "wall", From: t0, To: after(14 * day), Valid: true}},
		},
		"opened and closed at one instant": {
			[]bench.Event{at(bench.OnWall, 0), at(bench.Opened, 0)},
			30 * day,
			[]bench.Baseline{{Kind: "wall", From: t0, To: after(21 * day), Valid: true}},
		},
		"still in the jar": {
			[]bench.Event{at(bench.JarBegins, 0)},
			2 * day,
			[]bench.Baseline{{Kind: "jar", From: t0, To: after(2 * day), Why: "it has not ended"}},
		},
		"too short in the jar": {
			[]bench.Event{at(bench.JarBegins, 0), at(bench.JarEnds, 23*time.Hour)},
			2 * day,
			[]bench.Baseline{{Kind: "jar", From: t0, To: after(23 * time.Hour), Why: "it lasted 23 h of at least 24 h"}},
		},
		"forgotten in the jar": {
			[]bench.Event{at(bench.JarBegins, 0), at(bench.JarEnds, 22*day)},
			90 * day,
			[]bench.Baseline{{Kind: "jar", From: t0, To: after(22 * day), Why: "it lasted longer than 504 h: was its end forgotten?"}},
		},
		"opened in the jar": {
			[]bench.Event{at(bench.JarBegins, 0), at(bench.Opened, day), at(bench.JarEnds, 2*day)},
			90 * day,
			[]bench.Baseline{{Kind: "jar", From: t0, To: after(2 * day), Until: after(day), Why: "the box was opened in the jar"}},
		},
		"what is still to come": {[]bench.Event{at(bench.OnWall, day)}, 0, nil},
	} {
		require.Equal(t, c.want, bench.Baselines(c.events, after(c.now)), name)
	}
}

// What holds of baselines, whatever happens in whatever order it is told.
func TestBaselinesAnyEvents(t *testing.T) {
	whats := []bench.What{bench.JarBegins, bench.JarEnds, bench.Opened, bench.Coating, bench.OnWall, bench.OffWall}
	rapid.Check(t, func(t *rapid.T) {
		var events []bench.Event
		for range rapid.IntRange(0, 12).Draw(t, "events") {
			e := at(rapid.SampledFrom(whats).Draw(t, "what"), time.Duration(rapid.IntRange(0, 80).Draw(t, "day"))*day)
			if e.What == bench.Coating {
				e.Cured = e.At.Add(time.Duration(rapid.IntRange(0, 6).Draw(t, "cure")) * day)
			}
			events = append(events, e)
		}
		now := after(time.Duration(rapid.IntRange(0, 110).Draw(t, "now")) * day)
		got := bench.Baselines(events, now)
		past := slices.DeleteFunc(slices.Clone(events), func(e bench.Event) bool { return e.At > now })
		require.Equal(t, got, bench.Baselines(past, now), "what is to come says nothing")
		for _, b := range got {
			require.LessOrEqual(t, b.From, b.To)
			require.Equal(t, b.Why == "", b.Valid)
			if !b.Valid {
				continue
			}
			require.LessOrEqual(t, b.To, now)
			length := b.To.Sub(b.From)
			least, most := bench.JarLeast, bench.JarMost
			if b.Kind == "wall" {
				least, most = bench.WallLeast, bench.WallMost
			}
			require.True(t, least <= length && length <= most, length)
			until := unit.Instant(0)
			for _, e := range past {
				opens := e.What == bench.Opened || e.What == bench.Coating
				require.False(t, opens && e.At > b.From && e.At < b.To, "%v in %v", e, b)
				require.False(t, b.Kind == "wall" && e.What == bench.OffWall && e.At > b.From && e.At < b.To)
				require.False(t, b.Kind == "wall" && e.What == bench.Coating && e.At < b.From && b.From < e.Cured, "%v is not cured in %v", e, b)
				if opens && e.At > b.From && (until == 0 || e.At < until) {
					until = e.At
				}
			}
			if b.Until != 0 || until != 0 {
				require.Equal(t, until, b.Until)
			}
		}
	})
}
