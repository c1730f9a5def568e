package web_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	rules "dewpost/rules/box"
	"dewpost/rules/breathing"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/sensing"
)

// What is known of a box, at a phone's and a desk's width, in both themes: its
// line, openness, clocks, what visits and the sensor's heater said, and the form
// for a salt check, open.
func TestWhatIsKnownOfABoxInABrowser(t *testing.T) {
	s := newSite(t, siteBoxes()[:2])
	about := func(kind, id string) fact.Subject { return fact.Subject{Kind: kind, ID: id} }
	said := func(subject fact.Subject, name, value string) fact.Fact {
		return fact.Fact{Subject: subject, Name: name, Value: value, From: siteNow.Add(-day), Author: "Ida", Recorded: siteNow}
	}
	require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{
		said(about(fact.KindLine, "gate"), fact.Site, "lake"), said(about(fact.KindLine, "gate"), fact.Name, "Gatehouse and boat house line"),
		said(about(fact.KindLine, "gate"), fact.CurrentSensor, "lake-07"),
		said(about(fact.KindStation, "lake-02"), fact.Line, "gate"), said(about(fact.KindStation, "lake-07"), fact.Line, "gate"),
		said(about(fact.KindStation, "lake-07"), fact.RHCheck, "NaCl 21.5 C reads 79.9 after 8h"),
	}))
	v := books.Visits{VisitStore: s.store}
	_, err := v.Record(t.Context(), &books.VisitFile{Visit: 1, States: []books.StateFile{{State: bench.Done, At: "2025-10-23T10:00:00Z", WithoutCard: "it talks"}}}, siteNow, "Will", false)
	require.NoError(t, err)
	back, high := -1.2, 70.0
	b := &record.Box{Since: math.MinInt64, Upto: siteNow, Version: rules.Version, Heater: &sensing.Burst{
		At: siteNow.Add(-5 * day), Result: sensing.HeaterPassed, Fell: 48, Due: 55, WarmedK: 21.4, Back: &back,
	}, Usual: &breathing.Usual{Day: "2025-06-04", TauH: 38, LowH: 30, HighH: &high}}
	for d := 90; d > 0; d-- {
		tau := 38.0
		if d < 30 {
			tau = 9
		}
		top := tau * 1.4
		b.Days = append(b.Days, breathing.Day{Day: siteNow.Add(-time.Duration(d) * day).Time().UTC().Format("2006-01-02"), TauH: tau, LowH: tau * 0.7, HighH: &top, WindowD: 7, Basis: breathing.Weather})
	}
	step := finding.Finding{Kind: finding.CurrentStepUp, From: siteNow.Add(-day), Concluded: siteNow.Add(-day / 2), Confidence: 0.9, Evidence: []finding.Evidence{
		{Name: "step", Value: 3.2, Unit: "mA"}, {Name: "level_before", Value: 12.1, Unit: "mA"}, {Name: "stations_on_line", Value: 2, Unit: "stations"},
	}}
	require.NoError(t, s.store.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "lake-07"}, Box: b, Occurrences: []alarm.Occurrence{
		{Station: "lake-07", Number: 9, Finding: step, State: alarm.Unacknowledged},
	}}))
	require.NoError(t, s.door.AddAccount(t.Context(), "Ruth", record.Run, runners, ""))
	require.NoError(t, s.door.AddAccount(t.Context(), "Will", record.Work, workers, "Ruth"))
	br := newBrowser(t, s)
	br.open("/sign-in", 390, "light")
	br.fill("main button", "#name", "Will", "#password", workers)
	br.until("location.pathname === '/'")
	br.everyLook("box", "/stations/lake-07", phoneAndDesk, drawn, func() {
		eval[bool](br, "(document.querySelectorAll('details').forEach((d) => d.open = true), true)")
		for _, id := range []string{"clocks-t", "breath-t", "salt-t", "salt-reads", "repair"} {
			require.True(t, eval[bool](br, "document.getElementById('"+id+"').getBoundingClientRect().height > 0"), id)
		}
		require.True(t, eval[bool](br, "document.querySelector('.breath svg').getBoundingClientRect().height > 100"), "with scripts, too")
		br.shot(fmt.Sprintf("box-open-%d", eval[int64](br, "window.innerWidth")))
		require.LessOrEqual(t, eval[int64](br, "document.documentElement.scrollWidth"), eval[int64](br, "window.innerWidth"))
		br.fields()
	})
	br.everyLook("coating", "/coating?temp_c=21&rh_pct=48", phoneAndDesk, "document.querySelector('main h2')", func() { br.fields() })
}
