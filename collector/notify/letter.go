package notify

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewpost/collector/link"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

const (
	day = 24 * time.Hour

	// A letter that could not be written for so long is left out: the next is
	// near.
	letterLate = 12 * time.Hour

	lettersBack = 7 // days in which the letter before is looked for

	linesMost = 20 // of one part of a letter
)

// letters writes the morning letters that are due. They go out even if nothing
// happened: that none comes is news.
func (s *Sender) letters(ctx context.Context, now unit.Instant, people []record.Person) error {
	for i := range people {
		p := &people[i]
		if p.Letter == "" || len(p.Channels) == 0 {
			continue
		}
		morning, due, before := letterOf(p, now)
		if s.lettered[p.ID] == morning || due < p.Made || now.Sub(due) > letterLate {
			continue
		}
		event := fmt.Sprintf("letter:%d:%s", p.ID, morning)
		_, err := s.cfg.Store.Notice(ctx, event)
		if err != nil && !errors.Is(err, record.ErrNotFound) {
			return err
		}
		if err != nil {
			l := letter{s: s, ctx: ctx, p: p, now: now, day: morning, from: before, to: due}
			if l.from, err = s.newsFrom(ctx, p, due, before); err != nil {
				return err
			}
			if err := l.write(event); err != nil {
				return fmt.Errorf("write the morning letter to %s: %w", p.Name, err)
			}
		}
		s.lettered[p.ID] = morning
	}
	return nil
}

// newsFrom is from when on something is news in the letter that is due: since the
// newest one before, of the last days, that was written. Where none was it is since
// yesterday's was due.
func (s *Sender) newsFrom(ctx context.Context, p *record.Person, due, before unit.Instant) (unit.Instant, error) {
	local := due.Time().In(zoneOf(p))
	for days := 1; days <= lettersBack; days++ {
		_, err := s.cfg.Store.Notice(ctx, fmt.Sprintf("letter:%d:%s", p.ID, local.AddDate(0, 0, -days).Format(time.DateOnly)))
		if err == nil {
			return at(local, p.Letter, -days), nil
		}
		if !errors.Is(err, record.ErrNotFound) {
			return 0, err
		}
	}
	return before, nil
}

// letter is one letter to one person.
type letter struct {
	s        *Sender
	ctx      context.Context
	p        *record.Person
	now      unit.Instant
	day      string       // as 2025-11-06
	from, to unit.Instant // what changed then is news

	unseen  []string // ids of alarms that stand there and nobody has seen
	caution []string // of what is to be done
	err     error    // the first
}

func (l *letter) write(event string) error {
	today, later, weather := l.needs()
	t := Text{Parts: []Part{none(today, "Nothing."), none(l.began(), "Nothing."), none(l.ended(), "Nothing.")}}
	for _, part := range []Part{weather, l.tonight(), later} {
		if len(part.Lines) > 0 {
			t.Parts = append(t.Parts, part)
		}
	}
	for i := range t.Parts {
		t.Parts[i].Lines = few(t.Parts[i].Lines)
	}
	if len(l.caution) > 0 {
		t.Parts = append(t.Parts, Part{Title: "Take care", Lines: l.caution})
	}
	alive, err := l.s.alive(l.ctx, l.now)
	if err = cmp.Or(l.err, err); err != nil {
		return err
	}
	t.Parts = append(t.Parts, Part{Title: "The watch itself", Lines: alive})
	if l.s.cfg.Pages != "" {
		t.Links = []Label{{"All stations", l.s.cfg.Pages + "/"}}
	}
	if len(l.unseen) > 0 && l.s.cfg.Pages != "" {
		token, err := link.Token(l.s.cfg.Key, link.Seen{Event: event, Person: l.p.Name}, l.now)
		if err != nil {
			return err
		}
		t.Links = append([]Label{{"Say that you have seen what stands here", l.s.cfg.Pages + "/seen/" + token}}, t.Links...)
	}
	body, err := json.Marshal(struct {
		Text
		record.NoticeBody
	}{t, record.NoticeBody{Alarms: l.unseen}})
	if err != nil {
		return err
	}
	subject := "Morning letter: nothing to do today"
	if n := len(today.Lines); n > 0 {
		subject = fmt.Sprintf("Morning letter: %d to do today", n)
	}
	return l.s.cfg.Store.AddNotice(l.ctx,
		record.Notice{Event: event, Kind: record.Letter, Created: l.now, Subject: subject, Body: string(body)},
		[]record.Delivery{{Event: event, Person: l.p.ID, Why: record.WhyFirst, Created: l.now, Due: outOfRest(l.p, false, l.now)}})
}

// place returns where a station hangs, and whether its findings of a kind are the
// person's.
func (l *letter) place(station string, kind finding.Kind) (Place, bool) {
	place, err := l.s.place(l.ctx, station)
	l.err = cmp.Or(l.err, err)
	return place, concerns(l.p, place.Site, kind)
}

// need is what needs a person, at one station or with one cause at several, and
// until when somebody should have acted.
type need struct {
	*alarm.Occurrence
	cause  *alarm.Cause // nil: none
	place  Place
	by     unit.Instant
	n      int      // stations
	unseen []string // ids of those that nobody has seen
}

// needs says what is to be done today and later, and of which nothing can be
// done: it is the weather's. What has a common cause stands there once.
func (l *letter) needs() (today, later, weather Part) {
	today.Title, later.Title, weather.Title = "To do today", "To do later", "By the weather"
	open, err := l.s.cfg.Store.OpenOccurrences(l.ctx)
	causes, _, err2 := l.s.cfg.Store.AlarmCauses(l.ctx)
	l.err = cmp.Or(l.err, err, err2)
	var list []*need
	of := make(map[int64]*need) // by cause
	for i := range open {
		o := &open[i]
		place, mine := l.place(o.Station, o.Finding.Kind)
		if !mine || !o.Needs() || !o.Told {
			continue
		}
		n := &need{Occurrence: o, place: place, by: o.Finding.Concluded.Add(alarm.Respond(&o.Finding)), n: 1}
		if o.State == alarm.Unacknowledged {
			n.unseen = []string{o.ID()}
		}
		c := slices.IndexFunc(causes, func(c alarm.Cause) bool { return c.Number == o.Cause && !c.Settled })
		if c >= 0 {
			if first := of[o.Cause]; first != nil {
				first.n, first.by, first.unseen = first.n+1, min(first.by, n.by), append(first.unseen, n.unseen...)
				continue
			}
			n.cause = &causes[c]
			of[o.Cause] = n
		}
		list = append(list, n)
	}
	slices.SortStableFunc(list, func(a, b *need) int { return cmp.Compare(a.by, b.by) })
	end := at(l.now.Time().In(zoneOf(l.p)), "00:00", 1)
	for _, n := range list {
		to := &later
		switch {
		case n.cause != nil && n.cause.Scope == alarm.Weather:
			to = &weather
		case n.by < end:
			to = &today
		}
		if to.Lines = append(to.Lines, l.need(n)); len(to.Lines) <= linesMost {
			l.unseen = append(l.unseen, n.unseen...)
		}
	}
	return today, later, weather
}

func (l *letter) need(n *need) string {
	when := "by " + stamp(n.by, l.p)
	if n.by < l.now {
		when = "overdue since " + stamp(n.by, l.p)
	}
	if len(n.unseen) > 0 {
		when += "; nobody has seen it"
	}
	if n.cause == nil {
		mean := l.s.cfg.Meaning(n.Finding.Kind)
		l.careful(mean)
		return fmt.Sprintf("%s: %s (%s; %s)", where(n.place), mean.Action, strings.ToLower(mean.Name), when)
	}
	mean := l.s.cfg.Cause(n.cause.Scope)
	says := verdict(mean, n.n, subject(n.cause.Scope, n.cause.Subject, n.n, n.place))
	if n.cause.Scope == alarm.Weather {
		return says
	}
	l.careful(mean)
	return fmt.Sprintf("%s %s (%s)", says, mean.Action, when)
}

// careful adds what can hurt on the way, once.
func (l *letter) careful(mean Meaning) {
	if mean.Caution != "" && !slices.Contains(l.caution, mean.Caution) {
		l.caution = append(l.caution, mean.Caution)
	}
}

// began says of what people were first told since the letter before.
func (l *letter) began() Part {
	part := Part{Title: "New since yesterday"}
	list, err := l.s.cfg.Store.MessagesIn(l.ctx, l.from, l.to)
	l.err = cmp.Or(l.err, err)
	for i := range list {
		m := &list[i]
		var b record.MessageBody
		if err := json.Unmarshal([]byte(m.Body), &b); err != nil {
			l.err = cmp.Or(l.err, fmt.Errorf("message %s: %w", m.EventID, err))
			continue
		}
		if b.Cause == nil {
			if place, mine := l.place(m.Station, m.Kind); mine {
				part.Lines = append(part.Lines, l.s.cfg.Meaning(m.Kind).Name+": "+where(place))
			}
			continue
		}
		n, one := 0, Place{}
		for _, id := range b.Cause.Stations {
			if place, mine := l.place(id, m.Kind); mine {
				n, one = n+1, place
			}
		}
		if n > 0 {
			part.Lines = append(part.Lines, l.s.cfg.Cause(b.Cause.Scope).Name+": "+subject(b.Cause.Scope, b.Cause.Subject, n, one))
		}
	}
	return part
}

// ended says what of what people were told is over since the letter before.
func (l *letter) ended() Part {
	part := Part{Title: "Over since yesterday"}
	list, err := l.s.cfg.Store.OccurrencesEnded(l.ctx, l.from, l.to)
	l.err = cmp.Or(l.err, err)
	for i := range list {
		o := &list[i]
		if place, mine := l.place(o.Station, o.Finding.Kind); mine && o.Told {
			part.Lines = append(part.Lines, l.s.cfg.Meaning(o.Finding.Kind).Name+": "+where(place)+", "+stamp(o.Finding.To, l.p))
		}
	}
	return part
}

// tonight says where the coming night is likely to be wet, once that is known: an
// outlook is issued three hours before sunset, so letters before noon have none.
func (l *letter) tonight() Part {
	mean := l.s.cfg.Meaning(finding.DewTonight)
	part := Part{Title: mean.Name}
	least, err := l.s.likely(l.ctx)
	stations, err2 := l.s.cfg.Store.Stations(l.ctx)
	l.err = cmp.Or(l.err, err, err2)
	sites := make(map[string][]string)
	for i := range stations {
		if stations[i].Retired != 0 {
			continue
		}
		place, mine := l.place(stations[i].ID, finding.DewTonight)
		if !mine {
			continue
		}
		told, err := l.s.cfg.Store.Outlooks(l.ctx, stations[i].ID, l.now.Add(-day), l.now+1, 9)
		l.err = cmp.Or(l.err, err)
		if n := len(told); n > 0 && told[n-1].Night.Night == l.day && told[n-1].PCondensing >= least {
			sites[place.SiteName] = append(sites[place.SiteName], fmt.Sprintf("%s %.0f %%", place.Name, 100*told[n-1].PCondensing))
		}
	}
	for _, site := range slices.Sorted(maps.Keys(sites)) {
		part.Lines = append(part.Lines, strings.TrimPrefix(site+": ", ": ")+strings.Join(few(sites[site]), ", "))
	}
	if len(part.Lines) > 0 {
		part.Lines = append(part.Lines, mean.Action+".")
	}
	return part
}

// likely is the probability from which on letters speak of a wet night.
func (s *Sender) likely(ctx context.Context) (float64, error) {
	limits := alarm.Table{}
	set, err := s.cfg.Store.AlarmLimits(ctx)
	for _, l := range set {
		if err := limits.Set(l.Name, l.Value); err != nil {
			return 0, fmt.Errorf("limit set by %s at %s: %w", l.Author, l.Recorded, err)
		}
	}
	return limits.Of(finding.DewTonight).Confidence, err
}

func none(p Part, instead string) Part {
	if len(p.Lines) == 0 {
		p.Lines = []string{instead}
	}
	return p
}

func few(lines []string) []string {
	if len(lines) <= linesMost {
		return lines
	}
	return append(slices.Clone(lines[:linesMost]), fmt.Sprintf("and %d more: see the pages.", len(lines)-linesMost))
}

// alive says that the watch itself goes on, in one number.
func (s *Sender) alive(ctx context.Context, now unit.Instant) ([]string, error) {
	heard, err := s.cfg.Heard(ctx)
	if err != nil {
		return nil, err
	}
	stations := fmt.Sprintf("%d of %d stations were heard as lately as they should.", heard.Heard, heard.Of)
	if s.cfg.Rounds == 0 {
		return []string{stations, "Its own test readings are switched off ([watch] in the config)."}, nil
	}
	n, err := s.cfg.Store.RoundsSince(ctx, now.Add(-day))
	if err != nil {
		return nil, err
	}
	share := 100 * float64(min(n, s.cfg.Rounds)) / float64(s.cfg.Rounds)
	return []string{
		fmt.Sprintf("%.1f %%: %d of %d test readings of the last 24 hours came all the way from the broker to here.", share, n, s.cfg.Rounds),
		stations,
	}, nil
}
