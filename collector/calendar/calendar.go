// Package calendar writes visits as a calendar that other programs subscribe
// to: RFC 5545, read only. A visit keeps its UID for good, and SEQUENCE is how
// often something was written down of it, so a program that holds an older
// event knows that it changed. A visit that is planned for a day is an event of
// that day; one that began has times, in the time zone of its station.
package calendar

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	ics "github.com/arran4/golang-ical"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

// Event is a visit with what a calendar says of its station.
type Event struct {
	record.Visit
	Name  string // of the station
	Place string // of the site, for people; no access codes: calendars are passed on
	Zone  *time.Location
	Link  string // to the visit's page; "" for none
}

// stay is how long a visit that has begun is shown that has not ended.
const stay = time.Hour

var kindNames = map[bench.Kind]string{
	bench.OnSite: "visit", bench.LocalInstaller: "local installer", bench.Photos: "photos", bench.SendIn: "bench job",
}

// Write writes events as one calendar; about says in words what is in it. Number and the instant at which a visit was
// first written down make its UID, which is nobody else's. Events without a day
// are left out.
func Write(name, about string, events []Event, stamp time.Time) string {
	cal := ics.NewCalendarFor("dewpost")
	cal.SetProductId("-//dewpost//visits//EN")
	cal.SetMethod(ics.MethodPublish)
	cal.SetName(plain(name))
	cal.SetXWRCalName(plain(name))
	cal.SetDescription(plain(about))
	cal.SetXWRCalDesc(plain(about))
	cal.SetRefreshInterval("PT1H")
	zones := map[string]*span{}
	for i := range events {
		e := &events[i]
		if e.Began == 0 {
			continue
		}
		s := zones[e.Zone.String()]
		if s == nil {
			s = &span{e.Zone, e.Began, e.Began}
			zones[e.Zone.String()] = s
		}
		s.from, s.to = min(s.from, e.Began), max(s.to, e.end())
	}
	var names []string
	for name := range zones {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		if name != "UTC" {
			zones[name].add(cal)
		}
	}
	for i := range events {
		events[i].add(cal, stamp)
	}
	return cal.Serialize(ics.WithNewLine("\r\n"))
}

func (e *Event) end() unit.Instant {
	if e.Ended > e.Began {
		return e.Ended
	}
	return e.Began.Add(stay)
}

func (e *Event) add(cal *ics.Calendar, stamp time.Time) {
	day, err := time.Parse(time.DateOnly, e.Planned)
	if e.Began == 0 && err != nil {
		return
	}
	v := cal.AddEvent(fmt.Sprintf("visit-%d-%d@dewpost", e.Number, e.Made))
	v.SetDtStampTime(stamp)
	v.SetSequence(int(e.Version - 1)) // 0 when it was first written down
	v.SetSummary(plain(fmt.Sprintf("%s: %s, visit %d", e.Name, kindNames[e.Kind], e.Number)))
	v.SetDescription(plain(e.about()))
	if e.Place != "" {
		v.SetLocation(plain(e.Place))
	}
	if e.Link != "" {
		v.SetURL(e.Link)
	}
	status := map[bench.State]ics.ObjectStatus{bench.Planned: ics.ObjectStatusTentative, bench.CalledOff: ics.ObjectStatusCancelled}[e.State]
	if status == "" {
		status = ics.ObjectStatusConfirmed
	}
	v.SetStatus(status)
	if e.Began == 0 {
		v.SetAllDayStartAt(day)
		v.SetAllDayEndAt(day.AddDate(0, 0, 1))
		v.SetTimeTransparency(ics.TransparencyTransparent)
		return
	}
	local(v, ics.ComponentPropertyDtStart, e.Began, e.Zone)
	local(v, ics.ComponentPropertyDtEnd, e.end(), e.Zone)
}

func (e *Event) about() string {
	lines := []string{"Station " + e.Station + ", " + strings.ReplaceAll(string(e.State), "-", " ")}
	if e.Who != "" {
		lines = append(lines, "Who: "+e.Who)
	}
	why := e.WhyText
	for _, c := range e.Why {
		why += fmt.Sprintf(" %s/%d", strings.ReplaceAll(string(c.Kind), "_", " "), c.Number)
	}
	if why != "" {
		lines = append(lines, "Why: "+strings.TrimSpace(why))
	}
	return strings.Join(lines, "\n")
}

// dateTime is a DATE-TIME in local time, RFC 5545 section 3.3.5 form 1 and 3.
const dateTime = "20060102T150405"

func local(v *ics.VEvent, name ics.ComponentProperty, at unit.Instant, zone *time.Location) {
	if zone.String() == "UTC" {
		v.SetProperty(name, at.Time().UTC().Format(dateTime+"Z"))
		return
	}
	v.SetProperty(name, at.Time().In(zone).Format(dateTime), ics.WithTZID(zone.String()))
}

// plain leaves out control characters, which a calendar can't hold; line breaks
// stay.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && unicode.IsControl(r) {
			return -1
		}
		return r
	}, strings.ReplaceAll(text, "\r\n", "\n"))
}

// span is the time for which a zone must be described.
type span struct {
	zone     *time.Location
	from, to unit.Instant
}

// add describes the zone by each of its changes from the one before the span to
// the one behind it, which is exact there; RFC 5545 section 3.6.5.
func (s *span) add(cal *ics.Calendar) {
	z := cal.AddTimezone(s.zone.String())
	for at := s.from.Time().In(s.zone); ; {
		begin, end := at.ZoneBounds()
		rule := ics.ComponentBase{}
		name, offset := at.Zone()
		before := offset
		if begin.IsZero() {
			begin = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
		} else {
			_, before = begin.Add(-time.Second).Zone()
		}
		// The onset is written in the local time before the change.
		rule.AddProperty(ics.ComponentPropertyDtStart, begin.In(time.FixedZone("", before)).Format(dateTime))
		rule.AddProperty(ics.ComponentProperty(ics.PropertyTzoffsetfrom), offsetOf(before))
		rule.AddProperty(ics.ComponentProperty(ics.PropertyTzoffsetto), offsetOf(offset))
		rule.AddProperty(ics.ComponentProperty(ics.PropertyTzname), name)
		if at.IsDST() {
			z.Components = append(z.Components, &ics.Daylight{ComponentBase: rule})
		} else {
			z.Components = append(z.Components, &ics.Standard{ComponentBase: rule})
		}
		if end.IsZero() || unit.At(end) > s.to {
			return
		}
		at = end
	}
}

// offsetOf writes seconds east of UTC as RFC 5545 section 3.3.14 wants it.
func offsetOf(seconds int) string {
	sign := "+"
	if seconds < 0 {
		sign, seconds = "-", -seconds
	}
	text := fmt.Sprintf("%s%02d%02d", sign, seconds/3600, seconds/60%60)
	if s := seconds % 60; s != 0 {
		text += fmt.Sprintf("%02d", s)
	}
	return text
}
