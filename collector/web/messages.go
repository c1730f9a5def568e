package web

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/link"
	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Messages is what the pages need of who is told what.
type Messages struct {
	People *books.People
	Told   func(ctx context.Context, limit int) ([]record.Told, error)
	// Try leaves a message to somebody to the collector.
	Try func(ctx context.Context, p record.Person, nonce string, now unit.Instant) error
	// Message is what was told under an id; record.ErrNotFound when nothing was.
	Message func(ctx context.Context, event string) (record.Message, error)
	// Notice is the same of letters.
	Notice func(ctx context.Context, event string) (record.Notice, error)
	// Called notes that a watched installation called.
	Called func(ctx context.Context, keyHash []byte, at unit.Instant) (string, error)
	Key    []byte // signs links in messages
}

const toldShown = 100

// withMessages is for what only makes sense where people are told.
func (s *server) withMessages(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Messages == nil {
			return &problem{Status: http.StatusNotFound, Title: "Nobody is told of anything here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return handle(w, r)
	}
}

type toldPage struct {
	When          moment
	Who, Way, Say string
	Href          string // of the station
	State         string
	Bad           bool
}

type whomPage struct {
	ID, Name string
	Says     []string // channels, times, what: for who may change it
	Form     whomForm
	NoWay    bool
}

// whomForm is the form of one person.
type whomForm struct {
	ID       string
	Was      string // name; "" for somebody new
	Fields   []fieldPage
	Channels string
	Error    string // of the channels
	Hint     string
	AtOnce   []choicePage
	Open     bool
}

type messagesPage struct {
	sheet
	Zone  string
	Told  []toldPage
	Whom  []whomPage
	New   whomForm
	Fresh []string // keys of new webhooks, shown once
}

// MayRun tells whether who looks may change who is told.
func (p *messagesPage) MayRun() bool { return p.Visitor.Role >= record.Run }

var leastWords = []choicePage{
	{Value: string(record.LeastAll), Text: "Everything"},
	{Value: string(record.LeastUrgent), Text: "Only what is urgent"},
	{Value: string(record.LeastLetter), Text: "Nothing, only the morning letter"},
}

func (s *server) messages(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showMessages(w, r, http.StatusOK, nil, nil, nil)
}

// showMessages shows the page; f is a form that was sent and refused for err.
func (s *server) showMessages(w http.ResponseWriter, r *http.Request, status int, f url.Values, refused *books.Error, fresh []string) error {
	lc := localeOf(r)
	ctx := r.Context()
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	told, err := s.cfg.Messages.Told(ctx, toldShown)
	if err != nil {
		return err
	}
	people, err := s.cfg.Messages.People.List(ctx)
	if err != nil {
		return err
	}
	p := &messagesPage{Zone: zone.String(), Fresh: fresh}
	for i := range told {
		p.Told = append(p.Told, toldOf(lc, &told[i], zone))
	}
	for i := range people {
		q := &people[i]
		whom := whomPage{ID: "whom-" + strconv.FormatInt(q.ID, 10), Name: q.Name, Says: whomSays(lc, q), NoWay: len(q.Channels) == 0}
		whom.Form = formOf(lc, whom.ID, q)
		if refused != nil && f.Get("was") == q.Name {
			whom.Form.refuse(lc, f, refused)
		}
		whom.Form.Was = q.Name
		p.Whom = append(p.Whom, whom)
	}
	fresher := books.NewPerson("", zone.String())
	p.New = formOf(lc, "new", &fresher)
	if refused != nil && f.Get("was") == "" {
		p.New.refuse(lc, f, refused)
	}
	return s.page(w, r, status, "messages.html", p)
}

func toldOf(lc *words.Locale, t *record.Told, zone *time.Location) toldPage {
	p := toldPage{When: moment{stamp(lc, t.Created, zone), utc(t.Created)}, Who: t.Name, Way: t.Way, State: lc.Say("on its way")}
	switch record.NoticeKind(t.Kind) {
	case record.Letter:
		p.Say = lc.Say("Morning letter")
	case record.Trial:
		p.Say = lc.Say("Test")
	case record.Watched:
		p.Say = lc.Say("A watched installation")
	default:
		p.Say = lc.Kind(finding.Kind(t.Kind)).Name
	}
	switch {
	case t.Scope != "":
		p.Say, p.Href = lc.Cause(t.Scope).Name, "/alarms"
	case t.Station != "":
		p.Say, p.Href = p.Say+": "+t.Station, "/stations/"+url.PathEscape(t.Station)
	}
	switch d := &t.Delivery; {
	case d.Taken != 0:
		p.State = lc.Say("taken %s", stamp(lc, d.Taken, zone))
	case d.Ended != 0:
		p.State, p.Bad = d.EndedWhy, d.Error != ""
	case d.Error != "":
		p.State, p.Bad = lc.Say("not taken, next try %s: %s", stamp(lc, d.Due, zone), d.Error), true
	case d.First == 0:
		p.State = lc.Say("goes out %s", stamp(lc, d.Due, zone))
	}
	return p
}

func whomSays(lc *words.Locale, p *record.Person) []string {
	var says []string
	for _, c := range p.Channels {
		says = append(says, string(c.Kind)+" "+c.Address)
	}
	for _, l := range leastWords {
		if l.Value == string(p.Least) {
			says = append(says, lc.Say("at once: %s", lc.Lower(lc.Say(l.Text))))
		}
	}
	if p.Letter != "" {
		says = append(says, lc.Say("letter at %s", p.Letter))
	}
	if p.RestFrom != "" {
		says = append(says, lc.Say("night rest %s to %s", p.RestFrom, p.RestTo))
	}
	return append(says, lc.Say("times of %s", p.Zone))
}

func formOf(lc *words.Locale, id string, p *record.Person) whomForm {
	f := whomForm{ID: id}
	add := func(name, label, value, hint string, must bool) {
		f.Fields = append(f.Fields, fieldPage{ID: id + "-" + name, Name: name, Label: label, Type: "text", Value: value, Auto: "off", Hint: hint, Optional: !must})
	}
	kinds := make([]string, 0, len(p.Kinds))
	for _, k := range p.Kinds {
		kinds = append(kinds, string(k))
	}
	add("name", lc.Say("Name"), p.Name, "", true)
	add("zone", lc.Say("Time zone"), p.Zone, lc.Say("As in Europe/Berlin."), true)
	add("rest_from", lc.Say("Night rest from"), p.RestFrom, lc.Say("As in 22:00. Only urgent messages come then. Empty: no night rest."), false)
	add("rest_to", lc.Say("to"), p.RestTo, "", false)
	add("letter", lc.Say("Morning letter at"), p.Letter, lc.Say("It comes every day, even if nothing happened. Empty: none."), false)
	add("pass_on", lc.Say("Minutes until an urgent message that nobody has seen goes to the next person"), strconv.Itoa(int(p.PassOn/time.Minute)), lc.Say("0: never. With one person there is nobody."), true)
	add("sites", lc.Say("Only these sites"), strings.Join(p.Sites, ", "), lc.Say("Ids with a comma between. Empty: all."), false)
	add("kinds", lc.Say("Only these kinds of finding"), strings.Join(kinds, ", "), lc.Say("As in water_inside, silent. Empty: all."), false)
	var lines []string
	for _, c := range p.Channels {
		lines = append(lines, books.ChannelText(c))
	}
	f.Channels = strings.Join(lines, "\n")
	for _, l := range leastWords {
		l.Text, l.Chosen = lc.Say(l.Text), l.Value == string(p.Least)
		f.AtOnce = append(f.AtOnce, l)
	}
	return f
}

// refuse shows what was written, with what is wrong about it.
func (f *whomForm) refuse(lc *words.Locale, said url.Values, e *books.Error) {
	f.Open = true
	for i := range f.Fields {
		x := &f.Fields[i]
		x.Value = said.Get(x.Name)
		if x.Name == e.Field || x.Name == e.Field+"s" {
			x.Error = capital(lc.Say(e.Fix)) + "."
		}
	}
	f.Channels = said.Get("channels")
	if e.Field == "channel" {
		f.Error = e.Value + ": " + lc.Say(e.Fix) + "."
	}
	for i := range f.AtOnce {
		f.AtOnce[i].Chosen = f.AtOnce[i].Value == said.Get("at_once")
	}
}

// personSaid reads a person out of a form, over what they were.
func personSaid(p *record.Person, get func(string) string) error {
	p.Name, p.Zone, p.RestFrom, p.RestTo, p.Letter = get("name"), get("zone"), get("rest_from"), get("rest_to"), get("letter")
	p.Least = record.Least(get("at_once"))
	minutes, err := strconv.ParseUint(get("pass_on"), 10, 16)
	if err != nil {
		return books.Error{Field: "pass_on", Value: get("pass_on"), Fix: "write whole minutes, or 0 for never"}
	}
	p.PassOn = time.Duration(minutes) * time.Minute
	p.Sites, p.Kinds = wordsIn(get("sites")), nil
	for _, k := range wordsIn(get("kinds")) {
		p.Kinds = append(p.Kinds, finding.Kind(k))
	}
	before := p.Channels
	p.Channels = nil
	for line := range strings.Lines(get("channels")) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		c, err := books.ParseChannel(line)
		if err != nil {
			return err
		}
		for _, b := range before {
			if b.Kind == c.Kind && b.Address == c.Address {
				c.Secret = b.Secret
			}
		}
		p.Channels = append(p.Channels, c)
	}
	return nil
}

// wordsIn reads words with commas or spaces between.
func wordsIn(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ' ' })
}

func (s *server) postPerson(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	f, err := form(w, r, "was", "name", "channels", "zone", "rest_from", "rest_to", "letter", "at_once", "pass_on", "sites", "kinds")
	if err != nil {
		return err
	}
	p := books.NewPerson("", "")
	if was := f.Get("was"); was != "" {
		if p, err = s.cfg.Messages.People.Named(r.Context(), was); err != nil {
			return wrong(err)
		}
	}
	before := p.Channels
	if err = personSaid(&p, f.Get); err == nil {
		p, err = s.cfg.Messages.People.Put(r.Context(), p, s.now(), visitorOf(r).Name)
	}
	var said books.Error
	if errors.As(err, &said) {
		return s.showMessages(w, r, http.StatusUnprocessableEntity, f, &said, nil)
	}
	if err != nil {
		return err
	}
	if fresh := freshKeys(lc, &p, before); len(fresh) > 0 {
		return s.showMessages(w, r, http.StatusOK, nil, nil, fresh)
	}
	seeOther(w, r, "/messages")
	return nil
}

func freshKeys(lc *words.Locale, p *record.Person, before []record.Channel) (keys []string) {
	known := make(map[record.Channel]bool)
	for _, c := range before {
		known[c] = true
	}
	for _, c := range p.Channels {
		if c.Secret != "" && !known[c] {
			keys = append(keys, lc.Say("%s is signed with %s", c.Address, c.Secret))
		}
	}
	return keys
}

func (s *server) removeWhom(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name", "sure")
	if err != nil {
		return err
	}
	if err := sure(f); err != nil {
		return err
	}
	if err := s.cfg.Messages.People.Remove(r.Context(), f.Get("name"), s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	seeOther(w, r, "/messages")
	return nil
}

func (s *server) tryPerson(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name")
	if err != nil {
		return err
	}
	p, err := s.cfg.Messages.People.Named(r.Context(), f.Get("name"))
	if err != nil {
		return wrong(err)
	}
	if err := s.cfg.Messages.Try(r.Context(), p, strings.ToLower(rand.Text()), s.now()); err != nil {
		return err
	}
	seeOther(w, r, "/messages")
	return nil
}

type seenPage struct {
	sheet
	Title, What string
	Stations    []string
	Ask         bool
	Done        string

	alarms []string // ids of what is seen
	person string
}

// seenOf reads the token of an address, and what the message under it tells.
func (s *server) seenOf(r *http.Request) (*seenPage, error) {
	lc := localeOf(r)
	seen, err := link.Read(s.cfg.Messages.Key, r.PathValue("token"), s.now())
	switch {
	case errors.Is(err, link.ErrExpired):
		return nil, &problem{Status: http.StatusGone, Title: "The link has expired", Fix: "sign in: the station’s page shows what is open"}
	case err != nil:
		return nil, &problem{Status: http.StatusNotFound, Title: "This link is not one of ours", Fix: "use the link in the message, whole"}
	}
	p := &seenPage{person: seen.Person}
	m, err := s.cfg.Messages.Message(r.Context(), seen.Event)
	if err == nil {
		return p, p.message(lc, &m)
	}
	if !errors.Is(err, record.ErrNotFound) {
		return nil, err
	}
	n, err := s.cfg.Messages.Notice(r.Context(), seen.Event)
	if errors.Is(err, record.ErrNotFound) {
		return nil, &problem{Status: http.StatusNotFound, Title: "What this link was about is recorded no more", Fix: "sign in: the station’s page shows what is open"}
	}
	if err != nil {
		return nil, err
	}
	return p, p.letter(&n)
}

func (p *seenPage) message(lc *words.Locale, m *record.Message) error {
	var b record.MessageBody
	if err := json.Unmarshal([]byte(m.Body), &b); err != nil {
		return err
	}
	p.What, p.Stations, p.alarms = lc.Kind(b.Kind).Name, []string{b.Station}, []string{fmt.Sprintf("%s:%s:%d", b.Station, b.Kind, b.Number)}
	if b.Cause != nil {
		p.What, p.Stations, p.alarms = lc.Cause(b.Cause.Scope).Name, b.Cause.Stations, b.Cause.Alarms
	}
	return nil
}

func (p *seenPage) letter(n *record.Notice) error {
	var b record.NoticeBody
	if err := json.Unmarshal([]byte(n.Body), &b); err != nil {
		return err
	}
	p.What, p.alarms = n.Subject, b.Alarms
	for _, id := range b.Alarms {
		if station, _, _ := strings.Cut(id, ":"); !slices.Contains(p.Stations, station) {
			p.Stations = append(p.Stations, station)
		}
	}
	return nil
}

// seen shows what a message's link is about and asks. It changes nothing: mail
// programs and scanners follow links by themselves.
func (s *server) seen(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	p, err := s.seenOf(r)
	if err != nil {
		return err
	}
	p.Title, p.Ask = lc.Say("Have you seen it?"), true
	w.Header().Set("Cache-Control", "no-store")
	return s.page(w, r, http.StatusOK, "seen.html", p)
}

// postSeen notes that somebody has seen all of what a message tells.
func (s *server) postSeen(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if _, err := form(w, r); err != nil {
		return err
	}
	p, err := s.seenOf(r)
	if err != nil {
		return err
	}
	p.Title, p.Done = lc.Say("Seen"), lc.Say("It had been seen already, or is over.")
	for _, id := range p.alarms {
		err := s.cfg.Alarms.See(r.Context(), id, "by the link in a message", p.person, s.now())
		var refused books.Error
		switch {
		case err == nil:
			p.Done = lc.Say("It is written down that %s has seen it. It stays open until it is over.", p.person)
		case !errors.As(err, &refused): // refused: it was seen, or is over
			return err
		}
	}
	w.Header().Set("Cache-Control", "no-store")
	return s.page(w, r, http.StatusOK, "seen.html", p)
}

func (s *server) apiMessages(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "limit")
	limit := q.limit()
	if q.err != nil {
		return q.err
	}
	told, err := s.cfg.Messages.Told(r.Context(), limit)
	if err != nil {
		return err
	}
	return sendJSON(w, r, books.ToldJSON(told))
}

func (s *server) apiWhom(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	people, err := s.cfg.Messages.People.List(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, r, books.PeopleJSON(people))
}

// apiCalled is for a watched installation, which says by its key that it is
// sound.
func (s *server) apiCalled(w http.ResponseWriter, r *http.Request) error {
	_, key, ok := r.BasicAuth() // as clients make it of a URL with a user and a password
	if !ok {
		return &problem{Status: http.StatusBadRequest, Title: "Which installation calls is not said", Field: "Authorization", Fix: "call the URL that dewpost watch add printed, whole"}
	}
	name, err := s.cfg.Messages.Called(r.Context(), books.WatchedHash(key), s.now())
	if errors.Is(err, record.ErrNotFound) {
		return &problem{Status: http.StatusBadRequest, Title: "No installation has this key", Field: "Authorization", Fix: "dewpost watch add NAME makes one"}
	}
	if err != nil {
		return err
	}
	return sendJSON(w, r, struct {
		Name string `json:"name"`
	}{name})
}
