package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// orderAsked is what a person orders of a station's agent: one of the three.
type orderAsked struct {
	Interval string `json:"interval"`   // as in 5m; 0s: as its configuration says
	Heat     int    `json:"heat"`       // pulses
	Identify int    `json:"identify_s"` // seconds
	Valid    string `json:"valid"`      // as in 24h, for which it stands
}

// give orders it for who asks.
func (o *orderAsked) give(s *server, r *http.Request) (books.Ordered, error) {
	valid, err := time.ParseDuration(o.Valid)
	if err != nil {
		return books.Ordered{}, notOrdered(books.Error{Field: "valid", Value: o.Valid, Fix: "write for how long the order holds, as in 24h"})
	}
	body := receipt.Body{Interval: o.Interval, Heat: o.Heat, Identify: o.Identify}
	out, err := books.GiveOrder(r.Context(), s.cfg.Agents, r.PathValue("id"), body, valid, s.now().Time(), visitorOf(r).Name)
	return out, notOrdered(err)
}

// notOrdered makes a problem of what was said wrongly.
func notOrdered(err error) error {
	var said books.Error
	if errors.As(err, &said) {
		return &problem{Status: http.StatusBadRequest, Title: "This can't be ordered", Field: said.Field, Value: said.Value, Fix: said.Fix}
	}
	return err
}

func (s *server) withAgents(h func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Agents == nil {
			return &problem{Status: http.StatusNotFound, Title: "Nothing is known of agents here", Fix: "ask the collector"}
		}
		return h(w, r)
	}
}

func (s *server) apiAgent(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	a, err := books.AgentOf(r.Context(), s.cfg.Agents, r.PathValue("id"))
	if err != nil {
		return err
	}
	return sendJSON(w, r, a)
}

func (s *server) apiOrders(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	all, err := books.Orders(r.Context(), s.cfg.Agents, r.PathValue("id"), s.now().Time())
	if err != nil {
		return err
	}
	return sendJSON(w, r, list[books.Ordered]{Items: all})
}

func (s *server) apiOrder(w http.ResponseWriter, r *http.Request) error {
	said := orderAsked{Valid: "24h"}
	if err := jsonBody(r, &said); err != nil {
		return err
	}
	out, err := said.give(s, r)
	if err != nil {
		return err
	}
	return sendJSON(w, r, out)
}

// order takes the forms of an agent's page.
func (s *server) order(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "interval", "heat", "identify_s", "valid")
	if err != nil {
		return err
	}
	said := orderAsked{Interval: v.Get("interval"), Valid: "24h"}
	if v.Has("valid") {
		said.Valid = v.Get("valid")
	}
	for name, to := range map[string]*int{"heat": &said.Heat, "identify_s": &said.Identify} {
		if !v.Has(name) {
			continue
		}
		if *to, err = strconv.Atoi(v.Get(name)); err != nil {
			return notOrdered(books.Error{Field: name, Value: v.Get(name), Fix: "write a whole number"})
		}
	}
	if _, err := said.give(s, r); err != nil {
		return err
	}
	http.Redirect(w, r, "/stations/"+r.PathValue("id")+"/agent#orders", http.StatusSeeOther)
	return nil
}

type sensorPage struct{ Driver, Channels, About, Health, Last string }

type orderPage struct {
	What, By, Outcome string
	Given, Until      moment
	Answered          moment
}

type agentPage struct {
	sheet
	ID, Name string
	Said     moment
	Since    string // what became of it since
	Mind     []string
	Facts    []factPage
	Sensors  []sensorPage
	Orders   []orderPage
	Unread   string
	Retired  bool
	Zone     string
}

// agent shows what a station's agent says of itself, and what it was told.
func (s *server) agent(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	row, _, err := s.cfg.View.Station(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	now := s.now()
	a, err := books.AgentOf(r.Context(), s.cfg.Agents, row.Station.ID)
	if err != nil {
		return err
	}
	orders, err := books.Orders(r.Context(), s.cfg.Agents, row.Station.ID, now.Time())
	if err != nil {
		return err
	}
	zone := row.Station.Site.Zone
	p := &agentPage{
		ID: row.Station.ID, Name: row.Station.Name, Said: moment{Text: "nothing yet"}, Mind: a.Mind, Retired: row.Station.Retired != 0,
		Zone: zone.String(), Unread: strings.Join(a.Unread, ", "),
	}
	if a.Heard != nil {
		p.Said = moment{stamp(*a.Heard, zone), utc(*a.Heard)}
		switch {
		case a.Gone != nil:
			p.Since = "has left since"
		case now.Sub(*a.Heard) > awayAfter:
			p.Since = "nothing since"
		}
		p.Facts = agentFacts(&a, now)
	}
	for i := range a.Sensors {
		p.Sensors = append(p.Sensors, sensorOf(&a.Sensors[i]))
	}
	for i := range orders {
		o := &orders[i]
		op := orderPage{
			What: capital(o.Words()), By: o.Author, Outcome: o.Outcome(),
			Given: moment{stamp(o.Given, zone), utc(o.Given)}, Until: moment{stamp(o.Until, zone), utc(o.Until)},
		}
		if o.Answered != nil {
			op.Answered = moment{stamp(*o.Answered, zone), utc(*o.Answered)}
		}
		p.Orders = append(p.Orders, op)
	}
	return s.page(w, r, http.StatusOK, "agent.html", p)
}

// agentFacts say what an agent told; what it didn't is left empty.
func agentFacts(a *books.Agent, now unit.Instant) []factPage {
	list := []factPage{
		{"Program", agentProgram(a)},
		{"Takes a reading", agentInterval(a)},
		{"Taken", ""},
		{"Waiting there", ""},
		{"Spool", ""},
		{"Newest receipt", ""},
		{"Link", ""},
		{"Recovery", ""},
		{"Clock", agentClock(a)},
		{"Disk", ""},
		{"Processor", ""},
		{"Supply", ""},
	}
	set := func(name, text string) {
		for i := range list {
			if list[i].Name == name {
				list[i].Value = text
			}
		}
	}
	if t := a.Readings; t != nil {
		text := count(t.Queued+t.Waiting, "reading")
		if a.Spool.Oldest != nil && t.Queued > 0 {
			text += ", the oldest for " + age(now.Sub(*a.Spool.Oldest))
		}
		if n := t.GivenUp(); n > 0 {
			text += "; " + grouped(n) + " given up"
		}
		set("Waiting there", text)
		set("Taken", count(t.Sampled, "reading")+", "+grouped(t.Receipted)+" of them safe here")
	}
	if p := &a.Spool; p.MaxBytes != nil {
		text := books.Bytes(*p.Bytes) + " of " + books.Bytes(*p.MaxBytes)
		if *p.MaxDays > 0 {
			text += fmt.Sprintf(", %d days at most", *p.MaxDays)
		}
		set("Spool", text)
	}
	if l := a.Link; l != nil {
		if l.ReceiptAge != nil {
			set("Newest receipt", age(time.Duration(*l.ReceiptAge*float64(time.Second)))+" before it said this")
		}
		text := count(l.Connections, "connection")
		if l.Deaf > 0 {
			text += fmt.Sprintf(", %s given up without a receipt", grouped(l.Deaf))
		}
		set("Link", text)
		set("Recovery", "never needed")
		if l.Interface+l.Reboots > 0 {
			set("Recovery", fmt.Sprintf("network brought up anew %s×, machine restarted %s×", grouped(l.Interface), grouped(l.Reboots)))
		}
	}
	if b := a.Board; b != nil {
		if b.DiskBytes > 0 {
			set("Disk", books.Bytes(b.DiskFree)+" of "+books.Bytes(b.DiskBytes)+" free")
		}
		if b.TempC != nil {
			set("Processor", plain(*b.TempC, 0)+space+"°C")
		}
		switch {
		case b.Undervoltage == nil:
		case *b.Undervoltage:
			set("Supply", "too low")
		default:
			set("Supply", "enough")
		}
	}
	return list
}

func agentProgram(a *books.Agent) string {
	text := ""
	if a.Version != nil {
		text = *a.Version + ", "
	}
	return text + "running for " + age(time.Duration(*a.Uptime*float64(time.Second)))
}

func agentInterval(a *books.Agent) string {
	if a.Interval == nil {
		return ""
	}
	return "every " + duration(time.Duration(*a.Interval*float64(time.Second)).String())
}

func agentClock(a *books.Agent) string {
	c := &a.Clock
	if c.Set == nil {
		return ""
	}
	text := "time not known yet"
	if *c.Set {
		text = "set"
	}
	switch {
	case c.Synchronised == nil:
	case *c.Synchronised:
		text += ", synchronised"
	default:
		text += ", not synchronised"
	}
	if c.Offset != nil {
		text += ", " + clockWords(time.Duration(*c.Offset*float64(time.Second)))
	}
	if c.Jumps > 0 {
		text += ", " + count(c.Jumps, "jump")
	}
	return text
}

func sensorOf(s *record.AgentSensor) sensorPage {
	p := sensorPage{Driver: s.Driver, Channels: strings.Join(s.Channels, ", ")}
	var about []string
	if s.Serial != "" {
		about = append(about, "serial "+s.Serial)
	}
	if s.Calibrated != "" {
		about = append(about, "calibrated "+date(s.Calibrated))
	}
	p.About = strings.Join(about, ", ")
	if h := s.Health; h != nil {
		p.Health = count(h.Samples, "sample")
		if h.Failed > 0 || h.Retries > 0 {
			p.Health += fmt.Sprintf(", %s failed, %s", grouped(h.Failed), tried(h.Retries))
		}
		p.Last = h.LastError
	}
	return p
}

func tried(n int64) string {
	if n == 1 {
		return "1 was tried again"
	}
	return grouped(n) + " were tried again"
}
