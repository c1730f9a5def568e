package notify

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/link"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/unit"
)

// Parcel is one thing for one person, as channels bring it.
type Parcel struct {
	Event   string // the same on every attempt
	Type    string // finding, letter, trial or watch
	Thread  string // what belongs together: an occurrence
	Opens   bool   // it is the thread's first
	Person  string
	Station string // "" when it is about none
	Urgent  bool
	Created unit.Instant
	Text    Text
	Data    json.RawMessage // of the message; null for others
}

// Text is what a person reads.
type Text struct {
	Subject string  `json:"subject"`
	Parts   []Part  `json:"parts"`
	Links   []Label `json:"links,omitempty"`
}

// Part is a stretch of text, with a heading or without.
type Part struct {
	Title string   `json:"title,omitempty"`
	Lines []string `json:"lines"`
}

// Label is a link and what it is for.
type Label struct {
	Says string `json:"says"`
	URL  string `json:"url"`
}

// Plain is the text without any form.
func (t *Text) Plain() string {
	var b strings.Builder
	for i, p := range t.Parts {
		if i > 0 {
			b.WriteString("\n")
		}
		if p.Title != "" {
			b.WriteString(p.Title + "\n")
		}
		for _, l := range p.Lines {
			b.WriteString(l + "\n")
		}
	}
	for _, l := range t.Links {
		b.WriteString("\n" + l.Says + ":\n" + l.URL + "\n")
	}
	return b.String()
}

// ID names an event or a thread for one person in letters and digits, the same
// each time.
func (p *Parcel) ID(of string) string {
	sum := sha256.Sum256([]byte(of + "\n" + p.Person))
	return hex.EncodeToString(sum[:12])
}

// CloudEvent is the parcel in the JSON format of CloudEvents 1.0.2. Source names
// the installation.
// Source: CloudEvents 1.0.2, JSON event format; the names of its attributes from
// memory.
func (p *Parcel) CloudEvent(source string) ([]byte, error) {
	var subject *string
	if p.Station != "" {
		subject = &p.Station
	}
	return json.Marshal(struct {
		SpecVersion string  `json:"specversion"`
		ID          string  `json:"id"`
		Source      string  `json:"source"`
		Type        string  `json:"type"`
		Subject     *string `json:"subject,omitempty"`
		Time        string  `json:"time"`
		ContentType string  `json:"datacontenttype"`
		Data        any     `json:"data"`
	}{
		"1.0", p.Event, source, "dewpost." + p.Type, subject, p.Created.Time().Format(time.RFC3339Nano), "application/json",
		struct {
			Person  string          `json:"person"`
			Urgent  bool            `json:"urgent"`
			Text    Text            `json:"text"`
			Message json.RawMessage `json:"message,omitempty"`
		}{p.Person, p.Urgent, p.Text, p.Data},
	})
}

// parcel writes what a delivery brings.
func (s *Sender) parcel(ctx context.Context, d *record.Due, p *record.Person, now unit.Instant) (*Parcel, error) {
	parcel := Parcel{Event: d.Event, Thread: d.Event, Opens: true, Person: p.Name, Urgent: d.Urgent}
	if d.Notice.Event != "" {
		parcel.Type, parcel.Created = string(d.Notice.Kind), d.Notice.Created
		if err := json.Unmarshal([]byte(d.Notice.Body), &parcel.Text); err != nil {
			return nil, fmt.Errorf("notice %s: %w", d.Event, err)
		}
		parcel.Text.Subject = d.Notice.Subject
	} else if err := s.finding(ctx, &parcel, &d.Message, p, now); err != nil {
		return nil, err
	}
	if line := whyLine(&d.Delivery, p); line != "" {
		parcel.Text.Parts = append([]Part{{Lines: []string{line}}}, parcel.Text.Parts...)
	}
	return &parcel, nil
}

// whyLine says why somebody gets what was another's, or another channel's.
func whyLine(d *record.Delivery, p *record.Person) string {
	who, since, _ := strings.Cut(d.Detail, ", since ")
	when := since
	if t, err := time.Parse(time.RFC3339Nano, since); err == nil {
		when = stamp(unit.At(t), p)
	}
	switch d.Why {
	case record.WhyChannel:
		return fmt.Sprintf("This comes here because %s has not gone through since %s.", who, when)
	case record.WhyPassed:
		return fmt.Sprintf("This is passed on to you: %s has had it since %s, and nobody has seen it.", who, when)
	}
	return ""
}

// finding writes that something was found, at one station or with one cause at
// several.
func (s *Sender) finding(ctx context.Context, parcel *Parcel, m *record.Message, p *record.Person, now unit.Instant) error {
	var b record.MessageBody
	if err := json.Unmarshal([]byte(m.Body), &b); err != nil {
		return fmt.Errorf("message %s: %w", m.EventID, err)
	}
	place, err := s.place(ctx, m.Station)
	if err != nil {
		return err
	}
	parcel.Type, parcel.Station, parcel.Created, parcel.Data = "finding", m.Station, m.Created, json.RawMessage(m.Body)
	parcel.Thread = fmt.Sprintf("%s:%s:%d", m.Station, m.Kind, m.Number)
	page := s.cfg.Pages + "/stations/" + url.PathEscape(m.Station)
	mean, about := s.cfg.Meaning(m.Kind), where(place)
	says := fmt.Sprintf("%s at %s (%s), since %s.", mean.Name, about, m.Station, stamp(b.From, p))
	if b.Cause != nil {
		parcel.Thread, page = parcel.Event, s.cfg.Pages+"/"
		mean = s.cfg.Cause(b.Cause.Scope)
		about = subject(b.Cause.Scope, b.Cause.Subject, len(b.Cause.Stations), place)
		says = fmt.Sprintf("%s Since %s.", verdict(mean, len(b.Cause.Stations), about), stamp(b.Cause.From, p))
	}
	parcel.Opens = parcel.Event == parcel.Thread
	t := &parcel.Text
	t.Subject = mean.Name + ": " + about
	meanwhile := s.meanwhile
	if b.Cause != nil {
		meanwhile = func(ctx context.Context, _ *record.Message, p *record.Person) (string, error) {
			return s.meanwhileOf(ctx, b.Cause, p)
		}
	}
	line, err := meanwhile(ctx, m, p)
	if err != nil {
		return err
	}
	if line != "" {
		t.Parts = append(t.Parts, Part{Lines: []string{line}})
	}
	facts := []string{says, fmt.Sprintf("Do first: %s, by %s.", mean.Action, stamp(m.By, p))}
	if mean.Else != "" {
		facts = append(facts, "If nobody goes: "+mean.Else)
	}
	t.Parts = append(t.Parts, Part{Lines: facts})
	if mean.Caution != "" {
		t.Parts = append(t.Parts, Part{Lines: []string{"Take care: " + mean.Caution}})
	}
	if b.Cause != nil {
		stations, err := s.stations(ctx, b.Cause.Stations)
		if err != nil {
			return err
		}
		t.Parts = append(t.Parts, Part{Title: "Stations", Lines: stations})
	} else if len(b.Evidence) > 0 {
		t.Parts = append(t.Parts, Part{Title: "What it rests on", Lines: s.cfg.Rests(b.Evidence)})
	}
	if s.cfg.Pages == "" {
		return nil
	}
	token, err := link.Token(s.cfg.Key, link.Seen{Event: m.EventID, Person: p.Name}, now)
	if err != nil {
		return err
	}
	t.Links = []Label{{"Say that you have seen it", s.cfg.Pages + "/seen/" + token}, {"The pages", page}}
	if b.Cause == nil {
		t.Links[1].Says = "The station"
	}
	return nil
}

// meanwhile says what became of what is told since it was written: a message may
// have waited for the end of a night's rest, or for a channel.
func (s *Sender) meanwhile(ctx context.Context, m *record.Message, p *record.Person) (string, error) {
	all, err := s.cfg.Store.Occurrences(ctx, m.Station)
	if err != nil {
		return "", err
	}
	for i := range all {
		switch o := &all[i]; {
		case o.Number != m.Number || o.Finding.Kind != m.Kind:
		case o.Revised:
			return "Later readings took it back: there is nothing to do.", nil
		case o.Finding.To != 0:
			return "It is over since " + stamp(o.Finding.To, p) + "; this was written before.", nil
		case o.State.Held():
			return "It was put aside since this was written.", nil
		case o.State == alarm.Acknowledged:
			return "Somebody has seen it since this was written.", nil
		}
	}
	return "", nil
}

// meanwhileOf says so of what has a common cause.
func (s *Sender) meanwhileOf(ctx context.Context, c *record.MessageCause, p *record.Person) (string, error) {
	over, last := 0, unit.Instant(0)
	for _, id := range c.Stations {
		all, err := s.cfg.Store.Occurrences(ctx, id)
		if err != nil {
			return "", err
		}
		lasts := false
		for i := range all {
			switch o := &all[i]; {
			case !slices.Contains(c.Alarms, o.ID()):
			case o.Revised:
			case o.Finding.To != 0:
				last = max(last, o.Finding.To)
			default:
				lasts = true
			}
		}
		if !lasts {
			over++
		}
	}
	switch {
	case over == 0:
		return "", nil
	case over < len(c.Stations):
		return fmt.Sprintf("At %d of %s it is over or taken back since this was written.", over, counted(len(c.Stations))), nil
	case last == 0:
		return "Later readings took it back: there is nothing to do.", nil
	}
	return "It is over since " + stamp(last, p) + "; this was written before.", nil
}

// stations names stations, each with where it hangs.
func (s *Sender) stations(ctx context.Context, ids []string) (lines []string, err error) {
	for _, id := range ids {
		place, err := s.place(ctx, id)
		if err != nil {
			return nil, err
		}
		lines = append(lines, fmt.Sprintf("%s (%s)", where(place), id))
	}
	return few(lines), nil
}

// subject names what has a common cause; one is where one of its stations hangs.
func subject(scope alarm.Scope, id string, n int, one Place) string {
	switch scope {
	case alarm.OfSite:
		return one.SiteName
	case alarm.OfLine:
		return "line " + id
	}
	return counted(n)
}

func counted(n int) string {
	if n == 1 {
		return "1 station"
	}
	return strconv.Itoa(n) + " stations"
}

func verdict(mean Meaning, n int, about string) string {
	return strings.NewReplacer("{n}", strconv.Itoa(n), "{subject}", strings.TrimPrefix(about, "line ")).Replace(mean.Verdict)
}

func where(p Place) string {
	if p.SiteName == "" {
		return p.Name
	}
	return p.Name + ", " + p.SiteName
}

// stamp writes an instant for a person.
func stamp(t unit.Instant, p *record.Person) string {
	return t.Time().In(zoneOf(p)).Format("Mon 2 Jan 2006 15:04")
}
