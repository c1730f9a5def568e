package calendar_test

import (
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-ical"
	"github.com/stretchr/testify/require"

	"dewpost/collector/calendar"
	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

var stamp = time.Date(2025, 10, 26, 6, 10, 0, 0, time.UTC)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

// read reads a calendar by a parser of others, which refuses what is wrong, and
// returns its events by UID.
func read(t *testing.T, text string) map[string]ical.Event {
	t.Helper()
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\r\n"), "\r\n") {
		require.LessOrEqual(t, len(line), 75, "RFC 5545 section 3.1: %q", line)
		require.NotContains(t, line, "\n")
	}
	cal, err := ical.NewDecoder(strings.NewReader(text)).Decode()
	require.NoError(t, err)
	var again strings.Builder // its encoder checks which properties must be there, and how often
	require.NoError(t, ical.NewEncoder(&again).Encode(cal))
	all := map[string]ical.Event{}
	for _, e := range cal.Events() {
		uid, err := e.Props.Text(ical.PropUID)
		require.NoError(t, err)
		all[uid] = e
	}
	return all
}

func event(n int64, z *time.Location) calendar.Event {
	return calendar.Event{
		Visit: record.Visit{
			Number: n, Made: 17, Station: "lake-07", Kind: bench.OnSite, State: bench.Planned, Planned: "2025-10-30", Version: 1, Who: "Ruth",
			Why: []record.Cause{{Kind: finding.BoardWet, Number: 3}}, WhyText: "no dry night; soon, please",
		},
		Name: "Lake 07", Place: "Larkmoor Lake Park", Zone: z, Link: "https://pages.lan/visits/1",
	}
}

func TestAPlannedVisitIsAnEventOfItsDay(t *testing.T) {
	e := event(1, zone(t, "Europe/Berlin"))
	got := read(t, calendar.Write("Visits", "What is in it", []calendar.Event{e}, stamp))["visit-1-17@dewpost"]
	start, err := got.DateTimeStart(time.UTC)
	require.NoError(t, err)
	require.Equal(t, "2025-10-30", start.Format(time.DateOnly))
	end, err := got.DateTimeEnd(time.UTC)
	require.NoError(t, err)
	require.Equal(t, "2025-10-31", end.Format(time.DateOnly))
	for name, want := range map[string]string{
		ical.PropSummary: "Lake 07: visit, visit 1", ical.PropLocation: "Larkmoor Lake Park",
		ical.PropDescription: "Station lake-07, planned\nWho: Ruth\nWhy: no dry night; soon, please board wet/3",
	} {
		text, err := got.Props.Text(name)
		require.NoError(t, err)
		require.Equal(t, want, text)
	}
	require.Equal(t, "0", got.Props.Get(ical.PropSequence).Value)
	require.Equal(t, "TENTATIVE", got.Props.Get(ical.PropStatus).Value)

	e.Planned, e.State, e.Version = "2025-11-03", bench.Agreed, 2
	got = read(t, calendar.Write("Visits", "What is in it", []calendar.Event{e}, stamp))["visit-1-17@dewpost"]
	require.Equal(t, "1", got.Props.Get(ical.PropSequence).Value, "the same UID, a higher number")
	require.Equal(t, "CONFIRMED", got.Props.Get(ical.PropStatus).Value)
	e.State = bench.CalledOff
	require.Contains(t, calendar.Write("Visits", "What is in it", []calendar.Event{e}, stamp), "STATUS:CANCELLED\r\n")
}

// A visit that began has times in its station's zone, over a change of the
// clocks, and the zone is described as the machine knows it.
func TestTimesAreOfTheStationsZone(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"} {
		z := zone(t, name)
		e := event(2, z)
		e.State = bench.Done
		begun := time.Date(2025, 10, 25, 23, 30, 0, 0, time.UTC)
		e.Began, e.Ended = unit.At(begun), unit.At(begun.Add(24*time.Hour))
		text := calendar.Write("Visits", "What is in it", []calendar.Event{e}, stamp)
		got := read(t, text)["visit-2-17@dewpost"]
		start, err := got.DateTimeStart(nil)
		require.NoError(t, err)
		require.True(t, start.Equal(begun), "%s: %s", name, start)
		end, err := got.DateTimeEnd(nil)
		require.NoError(t, err)
		require.Equal(t, 24*time.Hour, end.Sub(start))
		require.Equal(t, name != "UTC", strings.Contains(text, "BEGIN:VTIMEZONE"))
		if name == "UTC" {
			continue
		}
		checkZone(t, text, z)
	}
	e := event(3, zone(t, "Europe/Berlin"))
	e.State, e.Began = bench.UnderWay, unit.At(stamp)
	got := read(t, calendar.Write("Visits", "What is in it", []calendar.Event{e}, stamp))["visit-3-17@dewpost"]
	end, err := got.DateTimeEnd(nil)
	require.NoError(t, err)
	require.True(t, end.Equal(stamp.Add(time.Hour)), "one that has not ended lasts an hour")
}

// checkZone reckons with the written changes alone, as a calendar would.
func checkZone(t *testing.T, text string, z *time.Location) {
	t.Helper()
	cal, err := ical.NewDecoder(strings.NewReader(text)).Decode()
	require.NoError(t, err)
	for _, c := range cal.Children {
		if c.Name != ical.CompTimezone {
			continue
		}
		require.Equal(t, z.String(), c.Props.Get(ical.PropTimezoneID).Value)
		require.NotEmpty(t, c.Children)
		for _, rule := range c.Children {
			from, err := time.Parse("-0700", rule.Props.Get(ical.PropTimezoneOffsetFrom).Value)
			require.NoError(t, err)
			to, err := time.Parse("-0700", rule.Props.Get(ical.PropTimezoneOffsetTo).Value)
			require.NoError(t, err)
			onset, err := time.ParseInLocation("20060102T150405", rule.Props.Get(ical.PropDateTimeStart).Value, from.Location())
			require.NoError(t, err)
			_, want := onset.In(z).Zone()
			_, got := to.Zone()
			require.Equal(t, want, got, "%s at %s", z, onset)
			require.Equal(t, onset.In(z).IsDST(), rule.Name == ical.CompTimezoneDaylight)
		}
		return
	}
	require.Fail(t, "no zone")
}

func TestHostileTextStaysText(t *testing.T) {
	e := event(4, time.UTC)
	e.Name = "Post, \"9\"; \\n\r\nBEGIN:VEVENT\x00\x07 " + strings.Repeat("ł界", 120)
	e.WhyText = strings.Repeat("x", 2000)
	e.Link, e.Place, e.Who = "", "", ""
	none := event(5, time.UTC)
	none.Planned = ""
	all := read(t, calendar.Write("Visits\n", "", []calendar.Event{e, none}, stamp))
	require.Len(t, all, 1, "without a day there is no event")
	got := all["visit-4-17@dewpost"]
	text, err := got.Props.Text(ical.PropSummary)
	require.NoError(t, err)
	require.Equal(t, "Post, \"9\"; \\n\nBEGIN:VEVENT "+strings.Repeat("ł界", 120)+": visit, visit 4", text)
}

func TestTheSameVisitsGiveTheSameCalendar(t *testing.T) {
	list := []calendar.Event{event(1, time.UTC), event(2, zone(t, "CET"))}
	list[1].Began, list[1].State = unit.At(stamp), bench.UnderWay
	require.Equal(t, calendar.Write("Visits", "What is in it", list, stamp), calendar.Write("Visits", "What is in it", list, stamp))
}
