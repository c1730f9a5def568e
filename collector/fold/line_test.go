package fold_test

import (
	"context"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// wire puts stations on a line of a site.
func (b *bench) wire(t *testing.T, site, line string, stations ...string) {
	t.Helper()
	facts := []fact.Fact{{Subject: fact.Subject{Kind: fact.KindLine, ID: line}, Name: fact.Site, Value: site, From: fact.Always, Author: "test", Recorded: start}}
	for _, id := range stations {
		facts = append(facts, fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: id}, Name: fact.Line, Value: line, From: fact.Always, Author: "test", Recorded: start})
	}
	require.NoError(t, b.store.AddFacts(context.Background(), facts))
}

// drawing is a dry box whose line draws 12 mA, and more after some days.
func drawing(days int, stepAt time.Duration, more float64) []reading.Reading {
	return every(0, time.Duration(days)*day, 10*time.Minute, func(at time.Duration) reading.Reading {
		r := dry(at)
		r.Set(reading.LineCurrent, 12+0.01*float64(at/(10*time.Minute)%3))
		if at >= stepAt {
			r.Set(reading.LineCurrent, 12+more)
		}
		return r
	})
}

// steps are the unrevised steps of a station.
func (b *bench) steps(t *testing.T, id string) []alarm.Occurrence {
	t.Helper()
	all, err := b.store.Occurrences(context.Background(), id)
	require.NoError(t, err)
	return slices.DeleteFunc(all, func(o alarm.Occurrence) bool { return o.Revised || o.Finding.Kind != finding.CurrentStepUp })
}

type told struct {
	Station string       `json:"station"`
	Kind    finding.Kind `json:"kind"`
}

func (b *bench) told(t *testing.T) (list []told) {
	t.Helper()
	messages, err := b.store.Unsent(context.Background(), 100)
	require.NoError(t, err)
	for _, m := range messages {
		var one told
		require.NoError(t, json.Unmarshal([]byte(m.Body), &one))
		list = append(list, one)
	}
	return list
}

// cottages has three stations on one line, of which some read the current.
func cottages(t *testing.T, ids ...string) *bench {
	b := newBench(t, nil)
	b.now = start.Add(30 * day).Time()
	require.NoError(t, b.store.AddFacts(context.Background(), []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindSite, ID: "park"}, Name: fact.Zone, Value: "Etc/UTC", From: fact.Always, Author: "test", Recorded: start,
	}}))
	for _, id := range []string{"a", "b", "c"} {
		b.enrol(t, id, map[string]string{fact.Site: "park"})
	}
	b.wire(t, "park", "cottages", ids...)
	return b
}

// What happens to a line that several stations share is found once, whichever
// of them is folded first, lists all of them, and is told once.
func TestAnEventOfASharedLineIsOneFinding(t *testing.T) {
	ctx := context.Background()
	early, late := drawing(30, 25*day, 3), drawing(30, 25*day+30*time.Minute, 3.1)
	for _, order := range [][]string{{"a", "b"}, {"b", "a"}} {
		b := cottages(t, "a", "b", "c")
		for _, id := range order {
			rs := map[string][]reading.Reading{"a": early, "b": late}[id]
			b.take(t, id, rs...)
			require.NoError(t, b.folder.All(ctx))
		}
		b.take(t, "c", every(0, 30*day, time.Hour, dry)...)
		require.NoError(t, b.folder.All(ctx))
		require.Len(t, b.steps(t, "a"), 1, "%v: the first by name of those that conclude it at one reading", order)
		require.Empty(t, b.steps(t, "b"), "%v", order)
		require.Contains(t, b.steps(t, "a")[0].Finding.Evidence, finding.Evidence{Name: "stations_on_line", Value: 3, Unit: "stations"})
		require.True(t, b.steps(t, "a")[0].Told)
		require.Len(t, b.told(t), 1)
	}
}

// Stations on lines of their own each have their step; one that comes to a line
// that is shared, too, while nobody says that.
func TestFactsOfALineChangeWhatIsFound(t *testing.T) {
	ctx := context.Background()
	b := cottages(t)
	for _, id := range []string{"a", "b"} {
		b.take(t, id, drawing(30, 25*day, 3)...)
	}
	require.NoError(t, b.folder.All(ctx))
	require.Len(t, b.steps(t, "a"), 1)
	require.Len(t, b.steps(t, "b"), 1)
	require.Len(t, b.told(t), 2)

	b.wire(t, "park", "cottages", "a", "b")
	require.NoError(t, b.folder.All(ctx))
	require.Len(t, b.steps(t, "a"), 1)
	require.Empty(t, b.steps(t, "b"), "it is the line's")

	say := func(kind, id, name, value string, from unit.Instant) {
		require.NoError(t, b.store.AddFacts(ctx, []fact.Fact{{Subject: fact.Subject{Kind: kind, ID: id}, Name: name, Value: value, From: from, Author: "test", Recorded: start}}))
		require.NoError(t, b.folder.All(ctx))
	}
	say(fact.KindLine, "cottages", fact.CurrentSensor, "b", fact.Always)
	require.Empty(t, b.steps(t, "a"), "b reads it")
	require.Len(t, b.steps(t, "b"), 1)
	say(fact.KindLine, "cottages", fact.CurrentSensor, "c", fact.Always)
	require.Len(t, b.steps(t, "a"), 1, "c is not on it")
	require.Empty(t, b.steps(t, "b"))
	say(fact.KindStation, "b", fact.Line, fact.None, start.Add(20*day))
	require.Len(t, b.steps(t, "a"), 1)
	require.Len(t, b.steps(t, "b"), 1, "it has another line since")
	require.Len(t, b.told(t), 2, "nobody was told again")
}

// What a station's readings alone tell stays its own.
func TestAnotherStepOfASharedLineStays(t *testing.T) {
	ctx := context.Background()
	b := cottages(t, "a", "b")
	b.take(t, "a", drawing(30, 20*day, 3)...)
	b.take(t, "b", drawing(30, 25*day, 6)...)
	require.NoError(t, b.folder.All(ctx))
	require.Len(t, b.steps(t, "a"), 1)
	require.Len(t, b.steps(t, "b"), 1)
	require.Len(t, b.told(t), 2)
}
