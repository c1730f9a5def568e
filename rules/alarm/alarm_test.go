package alarm_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

const hour = unit.Instant(time.Hour)

func wet(from, to, concluded unit.Instant) finding.Finding {
	return finding.Finding{Kind: finding.BoardWet, From: from * hour, To: to * hour, Concluded: concluded * hour}
}

// book keeps occurrences as a store would.
type book struct {
	t      require.TestingT
	kept   []alarm.Occurrence
	events []alarm.Event
	limits alarm.Table
	holds  []alarm.Hold
}

func (b *book) judge(newest, now unit.Instant, fs ...finding.Finding) {
	b.apply(alarm.Reconcile(alarm.Judgement{
		Station: "lake-07", Kinds: []finding.Kind{finding.BoardWet}, Findings: fs, Since: math.MinInt64, Until: math.MaxInt64,
		Newest: newest * hour, Now: now * hour, Limits: b.limits, Holds: b.holds,
	}, b.kept))
}

func (b *book) apply(c alarm.Changes) {
	for _, o := range c.Occurrences {
		found := false
		for i := range b.kept {
			if b.kept[i].ID() == o.ID() {
				b.kept[i], found = o, true
			}
		}
		if !found {
			b.kept = append(b.kept, o)
		}
	}
	b.events = append(b.events, c.Events...)
}

func (b *book) settle(newest, now unit.Instant) {
	b.apply(alarm.Settle(b.kept, b.holds, b.limits, newest*hour, now*hour))
}

func (b *book) see(i int) {
	c, err := alarm.Seen(b.kept[i], alarm.See, b.kept[i].Finding.Concluded, "Ida", "")
	require.NoError(b.t, err)
	b.apply(c)
}

// The transitions of ISA-18.2 that rules cause: A→B, B→D, C→A, D→B.
func TestStatesOfIEC62682(t *testing.T) {
	b := &book{t: t}
	b.judge(12, 12)
	require.Empty(t, b.kept)
	b.judge(13, 13, wet(1, 0, 13))
	require.Equal(t, alarm.Unacknowledged, b.kept[0].State)
	b.judge(15, 15, wet(1, 14, 13))
	require.Equal(t, alarm.Returned, b.kept[0].State)
	b.judge(16, 16, wet(1, 0, 13))
	require.Equal(t, alarm.Unacknowledged, b.kept[0].State, "later data: it had not ended")
	b.see(0)
	b.judge(18, 18, wet(1, 17, 13))
	require.Equal(t, alarm.Normal, b.kept[0].State)
	require.Len(t, b.events, 7)
	require.Equal(t, "lake-07:board_wet:1:7", b.events[6].ID)
	require.Equal(t, alarm.OverWhy, b.events[5].Why)

	b.judge(40, 40, wet(1, 17, 13), wet(25, 0, 38))
	require.Len(t, b.kept, 2)
	require.Equal(t, int64(2), b.kept[1].Number)
}

func TestLateDataMoveEndsNotIdentity(t *testing.T) {
	b := &book{t: t}
	b.judge(13, 13, wet(1, 0, 13))
	b.judge(14, 14, wet(0, 0, 12)) // it began earlier than was thought
	require.Len(t, b.kept, 1)
	require.Equal(t, unit.Instant(0), b.kept[0].Finding.From)
	b.judge(15, 15) // and it was none at all
	require.True(t, b.kept[0].Revised)
	require.False(t, b.kept[0].Lasting())
	require.Equal(t, alarm.Returned, b.kept[0].State)
	b.judge(16, 16, wet(0, 0, 12))
	require.Len(t, b.kept, 2, "a withdrawn occurrence stays withdrawn")
}

func TestEvidenceFollowsLateData(t *testing.T) {
	b := &book{t: t}
	f := wet(1, 0, 13)
	f.Evidence = []finding.Evidence{{Name: "x", Value: 1, Unit: "h"}}
	b.judge(13, 13, f)
	f.Evidence = []finding.Evidence{{Name: "x", Value: 2, Unit: "h"}}
	b.judge(14, 14, f)
	require.Equal(t, f, b.kept[0].Finding)
}

// Findings that grow as data come in never give up or double an occurrence.
func TestOccurrencesFollowFindings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all []finding.Finding
		at := unit.Instant(0)
		for range rapid.IntRange(1, 6).Draw(t, "n") {
			at += unit.Instant(rapid.IntRange(2, 30).Draw(t, "pause"))
			from := at
			at += unit.Instant(rapid.IntRange(13, 40).Draw(t, "length"))
			all = append(all, wet(from, at, from+12))
		}
		b := &book{t: t}
		for now := unit.Instant(0); now <= at+1; now += unit.Instant(rapid.IntRange(1, 20).Draw(t, "step")) {
			b.judge(now, now, cut(all, now)...)
		}
		b.judge(at+1, at+1, all...)
		require.Len(t, b.kept, len(all))
		for i, o := range b.kept {
			require.Equal(t, all[i], o.Finding)
			require.Equal(t, int64(i+1), o.Number)
			require.False(t, o.Revised)
		}
	})
}

// cut returns the findings as they look at the hour now.
func cut(all []finding.Finding, now unit.Instant) (out []finding.Finding) {
	for _, f := range all {
		if f.Concluded > now*hour {
			continue
		}
		if f.To > now*hour {
			f.To = 0
		}
		out = append(out, f)
	}
	return out
}
