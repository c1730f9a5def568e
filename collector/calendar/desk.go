package calendar

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/rules/unit"
)

// Store keeps addresses under which the calendar can be read.
type Store interface {
	AddCalendarLink(ctx context.Context, l record.CalendarLink, hash []byte) error
	CalendarLinks(ctx context.Context) ([]record.CalendarLink, error)
	CalendarLink(ctx context.Context, hash []byte) (record.CalendarLink, error)
	RemoveCalendarLink(ctx context.Context, name string, at unit.Instant, author string) error
}

// Desk makes addresses of the calendar and what is read there. A calendar
// program can't sign in, so the address holds a secret; whoever has it may read
// the calendar of visits and nothing else, until it is revoked.
type Desk struct {
	Store
	View   *view.View
	Visits books.Visits
}

const nameMost = 40 // characters

// Add makes an address and returns its secret, which nobody can see again.
func (d *Desk) Add(ctx context.Context, name, author string, now unit.Instant) (secret string, err error) {
	name = strings.TrimSpace(name)
	switch {
	case name == "" || !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return "", books.Error{Field: "name", Value: strings.ToValidUTF8(name, "?"), Fix: "say in a few letters whose calendar reads there"}
	case utf8.RuneCountInString(name) > nameMost:
		return "", books.Error{Field: "name", Value: name, Fix: fmt.Sprintf("use at most %d characters", nameMost)}
	}
	secret = strings.ToLower(rand.Text())
	err = d.AddCalendarLink(ctx, record.CalendarLink{Name: name, Author: author, Made: now}, hashOf(secret))
	if errors.Is(err, record.ErrTaken) {
		return "", books.Error{Field: "name", Value: name, Fix: "use another: this one is taken"}
	}
	return secret, err
}

func hashOf(secret string) []byte {
	sum := sha256.Sum256([]byte(secret))
	return sum[:]
}

// Revoke makes an address worthless.
func (d *Desk) Revoke(ctx context.Context, name, author string, now unit.Instant) error {
	name = strings.TrimSpace(name)
	err := d.RemoveCalendarLink(ctx, name, now, author)
	if errors.Is(err, record.ErrNotFound) {
		return books.Error{Field: "name", Value: name, Fix: "take a name from the list: there is no such address"}
	}
	return err
}

// Path is where on the pages the calendar of a secret is.
func Path(secret string) string { return "/calendar/" + secret + ".ics" }

// Read returns the calendar for who has a secret; record.ErrNotFound for one
// that never was or is revoked.
func (d *Desk) Read(ctx context.Context, secret, base string, now unit.Instant) (string, error) {
	if _, err := d.CalendarLink(ctx, hashOf(secret)); err != nil {
		return "", err
	}
	return d.Feed(ctx, base, now)
}

const (
	past   = 366 * 24 * time.Hour // of visits that are shown
	future = 20 * 366 * 24 * time.Hour
)

// Feed writes the calendar: all that is planned for the next twenty years, and
// all visits of the last. That is said in the calendar itself, for who looks for
// an older one.
// With a base, the address of the pages, events name their visit's page. Who
// goes, why, and place are in it; access to the site and owners are not.
func (d *Desk) Feed(ctx context.Context, base string, now unit.Instant) (string, error) {
	visits, err := d.Visits.All(ctx, record.VisitQuery{From: now.Add(-past), To: now.Add(future)})
	if err != nil {
		return "", err
	}
	stations := map[string]*view.Station{}
	var events []Event
	for i := range visits {
		v := &visits[i]
		s := stations[v.Station]
		if s == nil {
			row, _, err := d.View.Station(ctx, v.Station)
			if err != nil {
				return "", err
			}
			s = &row.Station
			stations[v.Station] = s
		}
		e := Event{Visit: *v, Name: s.Name, Place: s.Site.Name, Zone: s.Site.Zone}
		if base != "" {
			e.Link = fmt.Sprintf("%s/visits/%d", strings.TrimSuffix(base, "/"), v.Number)
		}
		events = append(events, e)
	}
	return Write("Visits", "Visits of the last 366 days and all that are planned; older ones stand on the pages and in the API.", events, now.Time()), nil
}
