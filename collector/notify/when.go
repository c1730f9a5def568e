package notify

import (
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"dewpost/collector/record"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// giveUp is how long a message is tried.
const giveUp = 5 * 24 * time.Hour

// steps are when, after the first attempt, a message is tried again; then every
// hour.
var steps = []time.Duration{time.Minute, 5 * time.Minute, 15 * time.Minute, 30 * time.Minute}

// nextTry returns when a message is tried after an attempt at now, the first of
// which was at first (0: this one is).
func nextTry(first, now unit.Instant) unit.Instant {
	if first == 0 {
		first = now
	}
	for _, d := range steps {
		if next := first.Add(d); next > now {
			return next
		}
	}
	return first.Add(30*time.Minute + time.Hour*(1+now.Sub(first.Add(30*time.Minute))/time.Hour))
}

// outOfRest returns the first instant from t at which a message may come to a
// person: t itself when it is urgent, else not during their night rest.
func outOfRest(p *record.Person, urgent bool, t unit.Instant) unit.Instant {
	if urgent || p.RestFrom == "" {
		return t
	}
	local := t.Time().In(zoneOf(p))
	clock, from, to := local.Format("15:04"), p.RestFrom, p.RestTo
	resting := from <= clock && clock < to
	if from > to { // over midnight
		resting = clock >= from || clock < to
	}
	if !resting {
		return t
	}
	end := at(local, to, 0)
	if end <= t {
		end = at(local, to, 1)
	}
	return end
}

// letterOf returns the newest morning letter that a person should have by now:
// its day, when it was due, and when the one before it was.
func letterOf(p *record.Person, now unit.Instant) (day string, due, before unit.Instant) {
	local := now.Time().In(zoneOf(p))
	days := 0
	if at(local, p.Letter, 0) > now {
		days = -1
	}
	return local.AddDate(0, 0, days).Format(time.DateOnly), at(local, p.Letter, days), at(local, p.Letter, days-1)
}

// at returns the instant of a time of day, as 07:00, days after the day of t, in
// t's zone. A time that the zone leaves out that day is the one an hour on.
func at(t time.Time, clock string, days int) unit.Instant {
	of, err := time.Parse("15:04", clock)
	if err != nil {
		return unit.At(t) // it was checked when it was written down
	}
	y, m, d := t.Date()
	return unit.At(time.Date(y, m, d+days, of.Hour(), of.Minute(), 0, 0, t.Location()))
}

// zoneOf is UTC where the zone is no longer known to this machine.
func zoneOf(p *record.Person) *time.Location {
	zone, err := time.LoadLocation(p.Zone)
	if err != nil {
		return time.UTC
	}
	return zone
}

// atOnceTo tells whether such messages go to a person at once.
func atOnceTo(p *record.Person, urgent bool) bool {
	return len(p.Channels) > 0 && (p.Least == record.LeastAll || urgent && p.Least == record.LeastUrgent)
}

// concerns tells whether a person wants to hear of a site and a kind.
func concerns(p *record.Person, site string, kind finding.Kind) bool {
	return (len(p.Sites) == 0 || slices.Contains(p.Sites, site)) && (len(p.Kinds) == 0 || slices.Contains(p.Kinds, kind))
}

func personOf(people []record.Person, id int64) *record.Person {
	if i := slices.IndexFunc(people, func(p record.Person) bool { return p.ID == id }); i >= 0 {
		return &people[i]
	}
	return nil
}

// after returns the first person behind another, in the order of passing on and
// round to its beginning, who is fit; nil when nobody is.
func after(people []record.Person, id int64, fit func(*record.Person) bool) *record.Person {
	i := slices.IndexFunc(people, func(p record.Person) bool { return p.ID == id })
	for n := 1; n < len(people); n++ {
		if q := &people[(i+n)%len(people)]; fit(q) {
			return q
		}
	}
	return nil
}

// oneLine makes an error fit for a list.
func oneLine(text string) string {
	text = strings.ToValidUTF8(strings.Join(strings.Fields(text), " "), "?")
	text = strings.ReplaceAll(text, "\x00", "?")
	for len(text) > 300 {
		_, n := utf8.DecodeLastRuneInString(text)
		text = text[:len(text)-n]
	}
	return text
}
