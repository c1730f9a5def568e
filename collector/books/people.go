package books

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/mail"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// What holds for a person who is told, unless something else is said.
const (
	RestFrom = "22:00"
	RestTo   = "07:00"
	LetterAt = "07:00"
	PassOn   = 2 * time.Hour
)

// Bounds of what may be said of a person.
const (
	personNameMost  = 60 // bytes
	channelsMost    = 5
	choicesMost     = 100
	addressMost     = 500
	passOnLeast     = 5 * time.Minute
	passOnMost      = 24 * time.Hour
	peopleMost      = 50
	secretBytes     = 32
	mailAddressMost = 254 // RFC 5321 4.5.3.1.3, with the two brackets of a path
)

// PeopleStore is where people are kept who are told.
type PeopleStore interface {
	People(ctx context.Context) ([]record.Person, error)
	PutPerson(ctx context.Context, p record.Person, at unit.Instant, author string) (int64, error)
	RemovePerson(ctx context.Context, id int64, at unit.Instant, author string) error
	Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error)
	FactsOf(ctx context.Context, kind string) ([]fact.Fact, error)
}

// People is who is told what. Its methods return an Error where something that
// was said is wrong; then nothing has changed.
type People struct{ store PeopleStore }

// NewPeople returns the people who are kept in store.
func NewPeople(store PeopleStore) *People { return &People{store} }

// NewPerson is somebody of whom only the name is known: all messages, night
// rest, and a morning letter.
func NewPerson(name, zone string) record.Person {
	return record.Person{Name: name, Zone: zone, RestFrom: RestFrom, RestTo: RestTo, Letter: LetterAt, Least: record.LeastAll, PassOn: PassOn}
}

// NoZone is the time zone of people where no site says one.
const NoZone = "Etc/UTC"

// CommonZone is the time zone of most sites, NoZone where there is none.
func (p *People) CommonZone(ctx context.Context, now unit.Instant) (string, error) {
	facts, err := p.store.FactsOf(ctx, fact.KindSite)
	return commonZone(facts, now), err
}

func commonZone(facts []fact.Fact, now unit.Instant) string {
	sites := make(map[string][]fact.Fact)
	for _, f := range facts {
		sites[f.Subject.ID] = append(sites[f.Subject.ID], f)
	}
	common, count := NoZone, make(map[string]int)
	for _, id := range slices.Sorted(maps.Keys(sites)) {
		if zone, ok := fact.At(sites[id], fact.Zone, now); ok {
			if count[zone]++; count[zone] > count[common] {
				common = zone
			}
		}
	}
	return common
}

// List returns everybody, in the order in which messages are passed on.
func (p *People) List(ctx context.Context) ([]record.Person, error) { return p.store.People(ctx) }

// Named returns the person with a name, in any case.
func (p *People) Named(ctx context.Context, name string) (record.Person, error) {
	list, err := p.store.People(ctx)
	if err != nil {
		return record.Person{}, err
	}
	for _, q := range list {
		if record.NameKey(q.Name) == record.NameKey(name) {
			return q, nil
		}
	}
	return record.Person{}, Error{"person", name, "nobody of that name is told; dewpost person list shows who is"}
}

// Put adds somebody, or with an ID changes them.
func (p *People) Put(ctx context.Context, q record.Person, at unit.Instant, author string) (record.Person, error) {
	if err := p.check(ctx, &q); err != nil {
		return q, err
	}
	for i := range q.Channels {
		if c := &q.Channels[i]; c.Kind == record.Webhook && c.Secret == "" {
			c.Secret = newWebhookSecret()
		}
	}
	id, err := p.store.PutPerson(ctx, q, at, author)
	switch {
	case errors.Is(err, record.ErrTaken):
		return q, Error{"name", q.Name, "somebody of that name is told already: take another, or change that one"}
	case errors.Is(err, record.ErrNotFound):
		return q, Error{"person", q.Name, "they were removed meanwhile: add them anew"}
	}
	q.ID = id
	return q, err
}

// Remove removes somebody, and what was on its way to them.
func (p *People) Remove(ctx context.Context, name string, at unit.Instant, author string) error {
	q, err := p.Named(ctx, name)
	if err != nil {
		return err
	}
	err = p.store.RemovePerson(ctx, q.ID, at, author)
	if errors.Is(err, record.ErrNotFound) {
		return Error{"person", name, "they were removed meanwhile"}
	}
	return err
}

var clockTime = regexp.MustCompile(`^([01][0-9]|2[0-3]):[0-5][0-9]$`)

func (p *People) check(ctx context.Context, q *record.Person) error {
	if err := checkPersonName(q.Name); err != nil {
		return err
	}
	if _, err := time.LoadLocation(q.Zone); err != nil || q.Zone == "" || q.Zone == "Local" {
		return Error{"zone", q.Zone, "write an IANA time zone, such as Europe/Berlin"}
	}
	for _, f := range []struct{ field, value string }{{"rest_from", q.RestFrom}, {"rest_to", q.RestTo}, {"letter", q.Letter}} {
		if f.value != "" && !clockTime.MatchString(f.value) {
			return Error{f.field, f.value, "write a time of day from 00:00 to 23:59, or nothing"}
		}
	}
	switch {
	case (q.RestFrom == "") != (q.RestTo == ""):
		return Error{"rest_to", q.RestTo, "write when night rest begins and when it ends, or neither"}
	case q.RestFrom != "" && q.RestFrom == q.RestTo:
		return Error{"rest_to", q.RestTo, "write another time than that at which night rest begins, or neither"}
	case !slices.Contains([]record.Least{record.LeastAll, record.LeastUrgent, record.LeastLetter}, q.Least):
		return Error{"at_once", string(q.Least), "write all, urgent or letter"}
	case q.PassOn != 0 && (q.PassOn < passOnLeast || q.PassOn > passOnMost):
		return Error{"pass_on", q.PassOn.String(), fmt.Sprintf("write %s to %s, or 0s for never", passOnLeast, passOnMost)}
	case q.PassOn%time.Second != 0:
		return Error{"pass_on", q.PassOn.String(), "write whole seconds"}
	case q.Place < 0 || q.Place > peopleMost:
		return Error{"place", strconv.FormatInt(q.Place, 10), fmt.Sprintf("write 1 to %d", peopleMost)}
	case len(q.Channels) > channelsMost:
		return Error{"channel", strconv.Itoa(len(q.Channels)) + " channels", fmt.Sprintf("write up to %d", channelsMost)}
	case len(q.Sites)+len(q.Kinds) > choicesMost:
		return Error{"site", strconv.Itoa(len(q.Sites)+len(q.Kinds)) + " sites and kinds", fmt.Sprintf("write up to %d, or none for all", choicesMost)}
	}
	for i := range q.Channels {
		if err := checkChannel(&q.Channels[i]); err != nil {
			return err
		}
		if slices.ContainsFunc(q.Channels[:i], func(c record.Channel) bool { return c.Kind == q.Channels[i].Kind && c.Address == q.Channels[i].Address }) {
			return Error{"channel", ChannelText(q.Channels[i]), "write each once"}
		}
	}
	for _, kind := range q.Kinds {
		if !slices.Contains(alarm.Kinds(), kind) {
			return Error{"kind", string(kind), "write a kind of finding: " + kindNames()}
		}
	}
	return p.checkSites(ctx, q.Sites)
}

func (p *People) checkSites(ctx context.Context, sites []string) error {
	for _, site := range sites {
		facts, err := p.store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: site})
		if err != nil {
			return err
		}
		if len(facts) == 0 {
			return Error{"site", site, "there is no such site; dewpost site list shows them"}
		}
	}
	return nil
}

func checkPersonName(name string) error {
	if name == "" || len(name) > personNameMost || !utf8.ValidString(name) || strings.TrimSpace(name) != name || strings.ContainsFunc(name, unicode.IsControl) {
		return Error{"name", name, fmt.Sprintf("write what the person is called, up to %d bytes, without a space at its ends", personNameMost)}
	}
	return nil
}

// ParseChannel reads a channel as people write it: mail ADDRESS, webhook URL or
// mqtt TOPIC, with a colon or a space between.
func ParseChannel(text string) (record.Channel, error) {
	i := strings.IndexAny(text, ": ")
	if i < 0 {
		return record.Channel{}, Error{"channel", text, "write mail:ADDRESS, webhook:URL or mqtt:TOPIC"}
	}
	c := record.Channel{Kind: record.ChannelKind(text[:i]), Address: strings.TrimSpace(text[i+1:])}
	return c, checkChannel(&c)
}

// ChannelText writes a channel as ParseChannel reads it.
func ChannelText(c record.Channel) string { return string(c.Kind) + ":" + c.Address }

func checkChannel(c *record.Channel) error {
	wrong := func(fix string) error { return Error{"channel", ChannelText(*c), fix} }
	if len(c.Address) > addressMost || !utf8.ValidString(c.Address) || strings.ContainsFunc(c.Address, func(r rune) bool { return unicode.IsControl(r) || unicode.IsSpace(r) }) {
		return wrong(fmt.Sprintf("write up to %d bytes without spaces", addressMost))
	}
	switch c.Kind {
	case record.Mail:
		a, err := mail.ParseAddress(c.Address)
		if err != nil || a.Name != "" || a.Address != c.Address || len(c.Address) > mailAddressMost {
			return wrong("write one address without a name, as in mail:ida@workshop.example")
		}
	case record.Webhook:
		u, err := url.Parse(c.Address)
		if err != nil || u.Host == "" || u.Hostname() == "" || u.User != nil || u.Fragment != "" {
			return wrong("write a URL without a user, as in webhook:https://hooks.workshop.example/dewpost")
		}
		ip := net.ParseIP(u.Hostname())
		local := u.Hostname() == "localhost" || ip != nil && (ip.IsLoopback() || ip.IsPrivate())
		if u.Scheme != "https" && (u.Scheme != "http" || !local) {
			return wrong("use https: what is found in people's houses would cross the network in the clear")
		}
	case record.MQTT:
		if c.Address == "" || strings.ContainsAny(c.Address, "+#") || strings.HasPrefix(c.Address, "$") {
			return wrong("write one topic without + and #, as in mqtt:dewpost/messages/wall")
		}
		if topic := strings.Split(c.Address, "/"); topic[0] == "dewpost" && len(topic) == 4 {
			return wrong("topics of that form are the stations': take another, as in mqtt:dewpost/messages/wall")
		}
	default:
		return wrong("write mail:ADDRESS, webhook:URL or mqtt:TOPIC")
	}
	return nil
}

// newWebhookSecret makes a key as Standard Webhooks has it.
func newWebhookSecret() string {
	key := make([]byte, secretBytes)
	rand.Read(key) //nolint:errcheck // never fails
	return "whsec_" + base64.StdEncoding.EncodeToString(key)
}
