package alarm_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

func past(station, site string, days float64, gaps ...alarm.Gap) alarm.Past {
	return alarm.Past{
		Standing: alarm.Standing{Station: station, Site: site, Fresh: 3 * time.Hour, Step: 10 * time.Minute},
		First:    at(0.5), Last: at(24 * days), Gaps: gaps,
	}
}

func gap(from, to float64) alarm.Gap { return alarm.Gap{From: at(from), To: at(to)} }

func TestRehearse(t *testing.T) {
	const day = 24
	wall := past("a", "lake", 100)
	wall.Findings = []finding.Finding{
		{Kind: finding.WaterInside, From: at(41 * day), Concluded: at(42 * day), Confidence: 0.9},
		{Kind: finding.LineVoltageLow, From: at(50 * day), To: at(50*day + 5), Concluded: at(50*day + 1), Confidence: 0.6},
		{Kind: finding.LineVoltageLow, From: at(50*day + 8), To: at(51 * day), Concluded: at(50*day + 9), Confidence: 0.6},
		{Kind: finding.SealOpened, From: at(20 * day), Concluded: at(25 * day), Confidence: 0.9}, // before the beginning
	}
	stations := []alarm.Past{
		wall,
		past("b", "lake", 100, gap(60*day, 60*day+4), gap(70*day, 70*day+30)),
		past("c", "quay", 100, gap(70*day, 70*day+30)),
		past("d", "quay", 100, gap(70*day, 70*day+30)),
		past("e", "park", 100, gap(70*day, 70*day+30)),
		{Standing: alarm.Standing{Station: "f", Fresh: 3 * time.Hour}}, // never heard
	}
	rehearse := func(set map[string]string) (told []string) {
		limits := alarm.Table{}
		for name, value := range set {
			require.NoError(t, limits.Set(name, value))
		}
		for _, m := range alarm.Rehearse(stations, limits, at(40*day), at(99*day)) {
			told = append(told, m.At.Sub(0).String()+" "+m.ID)
			require.NotEmpty(t, m.Stations)
		}
		return told
	}
	hours := func(h float64) string { return time.Duration(h * float64(time.Hour)).String() }
	require.Equal(t, []string{
		hours(42*day) + " a:water_inside:1",
		hours(50*day+1) + " a:line_voltage_low:1", // the second time is the same: its off-delay is 12 h
		hours(60*day+3.0+1.0/6) + " b:silent:1",
		hours(70*day+3.0+1.0/6) + " cause:workshop:b:silent:2:" + "6059400",
	}, rehearse(nil))
	require.Equal(t, []string{
		hours(42*day) + " a:water_inside:1",
		hours(70*day+4) + " cause:workshop:b:silent:2:6062400",
	}, rehearse(map[string]string{"silent.on_delay": "4h", "line_voltage_low.confidence": "0.7"})[:2])
	require.Contains(t, rehearse(map[string]string{"line_voltage_low.off_delay": "0s"}), hours(50*day+9)+" a:line_voltage_low:2")
	require.Contains(t, rehearse(map[string]string{"water_inside.on_delay": "24h"}), hours(43*day)+" a:water_inside:1")
}

func event(id string, station string, kind finding.Kind, number int64, from, to alarm.State, recorded float64, who, why string) alarm.Event {
	return alarm.Event{ID: id, Station: station, Kind: kind, Number: number, From: from, To: to, At: at(recorded), Recorded: at(recorded), Who: who, Why: why}
}

func TestQuality(t *testing.T) {
	q := alarm.Measure(at(0), at(240), nil, nil, nil, nil)
	require.Nil(t, q.SeenHalf)
	require.Zero(t, q.TopShare)
	var events []alarm.Event
	for i := range 4 {
		h := float64(i) * 20
		events = append(events, event("", "a", finding.Silent, int64(i+1), alarm.Normal, alarm.Unacknowledged, h, alarm.Rules, "concluded"),
			event("", "a", finding.Silent, int64(i+1), alarm.Unacknowledged, alarm.Unacknowledged, h+0.1, alarm.Rules, alarm.TellWhy),
			event("", "a", finding.Silent, int64(i+1), alarm.Unacknowledged, alarm.Acknowledged, h+float64(i)+1, "Ida", ""))
	}
	events = append(events,
		event("", "b", finding.WaterInside, 1, alarm.Normal, alarm.Unacknowledged, 100, alarm.Rules, "concluded"),
		event("", "b", finding.DampWeek, 1, alarm.Normal, alarm.Unacknowledged, 100, alarm.Rules, "concluded"),
		event("", "b", finding.DampWeek, 1, alarm.Unacknowledged, alarm.Unacknowledged, 110, alarm.Rules, alarm.BackSoon),
		event("", "b", finding.DampWeek, 1, alarm.Unacknowledged, alarm.Shelved, 120, "Ida", "later"))
	var sent []alarm.Sent
	for i := range 12 {
		sent = append(sent, alarm.Sent{At: 10*hour + unit.Instant(i)*minute/2, Class: alarm.AtOnce})
	}
	sent = append(sent, alarm.Sent{At: 50 * hour, Class: alarm.AtOnce}, alarm.Sent{At: 51 * hour, Class: alarm.Letter})
	open := []alarm.Occurrence{
		{Station: "b", Number: 1, State: alarm.Unacknowledged, Finding: finding.Finding{Kind: finding.WaterInside, From: at(90), Concluded: at(100)}},
		{Station: "b", Number: 1, State: alarm.Shelved, Finding: finding.Finding{Kind: finding.Silent, From: at(90), Concluded: at(100)}},
		{Station: "c", Number: 1, State: alarm.Unacknowledged, Finding: finding.Finding{Kind: finding.Silent, From: at(230), Concluded: at(230)}},
	}
	q = alarm.Measure(at(0), at(240), events, open, sent, nil)
	require.Equal(t, 6, q.Alarms)
	require.Equal(t, map[alarm.Priority]int{alarm.Urgent: 1, alarm.Soon: 4, alarm.Calm: 1}, q.Priorities)
	require.Equal(t, 13, q.Messages)
	require.Equal(t, 1, q.Letter)
	require.InDelta(t, 1.3, q.PerDay, 1e-9)
	require.Equal(t, 12, q.Most)
	require.Equal(t, 1, q.Floods)
	require.Equal(t, []alarm.Source{{Station: "a", Kind: finding.Silent, Times: 4}, {Station: "b", Kind: finding.DampWeek, Times: 2}, {Station: "b", Kind: finding.WaterInside, Times: 1}}, q.Top)
	require.Equal(t, 1.0, q.TopShare)
	require.Equal(t, []alarm.Source{{Station: "a", Kind: finding.Silent, Times: 4}}, q.Chattering)
	require.Equal(t, []alarm.Stale{{ID: "b:water_inside:1", Since: at(90), By: at(148)}}, q.Stale)
	require.Equal(t, 4, q.Seen)
	require.Equal(t, 1, q.Unseen, "what is put aside was dealt with")
	require.InDelta(t, 2, *q.SeenHalf, 1e-9)
	require.InDelta(t, 3, *q.SeenMost, 1e-9)
}
