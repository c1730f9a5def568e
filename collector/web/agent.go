package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/words"
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
	lc := localeOf(r)
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
		ID: row.Station.ID, Name: row.Station.Name, Said: moment{Text: lc.Say("nothing yet")}, Mind: lc.RetellAll(a.Mind), Retired: row.Station.Retired != 0,
		Zone: zone.String(), Unread: strings.Join(a.Unread, ", "),
	}
	if a.Heard != nil {
		p.Said = moment{stamp(lc, *a.Heard, zone), utc(*a.Heard)}
		switch {
		case a.Gone != nil:
			p.Since = lc.Say("has left since")
		case now.Sub(*a.Heard) > awayAfter:
			p.Since = lc.Say("nothing since")
		}
		p.Facts = agentFacts(lc, &a, now)
	}
	for i := range a.Sensors {
		p.Sensors = append(p.Sensors, sensorOf(lc, &a.Sensors[i]))
	}
	for i := range orders {
		o := &orders[i]
		op := orderPage{
			What: capital(lc.Retell(o.Words())), By: o.Author, Outcome: lc.Retell(o.Outcome()),
			Given: moment{stamp(lc, o.Given, zone), utc(o.Given)}, Until: moment{stamp(lc, o.Until, zone), utc(o.Until)},
		}
		if o.Answered != nil {
			op.Answered = moment{stamp(lc, *o.Answered, zone), utc(*o.Answered)}
		}
		p.Orders = append(p.Orders, op)
	}
	return s.page(w, r, http.StatusOK, "agent.html", p)
}

// agentFacts say what an agent told; what it didn't is left empty.
func agentFacts(lc *words.Locale, a *books.Agent, now unit.Instant) []factPage {
	list := []factPage{
		{lc.Say("Program"), agentProgram(lc, a)},
		{lc.Say("Takes a reading"), agentInterval(lc, a)},
		{lc.Say("Taken"), ""},
		{lc.Say("Waiting there"), ""},
		{lc.Say("Spool"), ""},
		{lc.Say("Newest receipt"), ""},
		{lc.Say("Link"), ""},
		{lc.Say("Recovery"), ""},
		{lc.Say("Clock"), agentClock(lc, a)},
		{lc.Say("Disk"), ""},
		{lc.Say("Processor"), ""},
		{lc.Say("Supply"), ""},
	}
	set := func(name, text string) {
		for i := range list {
			if list[i].Name == name {
				list[i].Value = text
			}
		}
	}
	if t := a.Readings; t != nil {
		text := count(lc, t.Queued+t.Waiting, "reading")
		if a.Spool.Oldest != nil && t.Queued > 0 {
			text += lc.Say(", the oldest for %s", age(lc, now.Sub(*a.Spool.Oldest)))
		}
		if n := t.GivenUp(); n > 0 {
			text += lc.Say("; %s given up", grouped(lc, n))
		}
		set(lc.Say("Waiting there"), text)
		set(lc.Say("Taken"), lc.Say("%s, %s of them safe here", count(lc, t.Sampled, "reading"), grouped(lc, t.Receipted)))
	}
	if p := &a.Spool; p.MaxBytes != nil {
		text := lc.Say("%s of %s", books.Bytes(*p.Bytes), books.Bytes(*p.MaxBytes))
		if *p.MaxDays > 0 {
			text += lc.Say(", %d days at most", *p.MaxDays)
		}
		set(lc.Say("Spool"), text)
	}
	if l := a.Link; l != nil {
		if l.ReceiptAge != nil {
			set(lc.Say("Newest receipt"), lc.Say("%s before it said this", age(lc, time.Duration(*l.ReceiptAge*float64(time.Second)))))
		}
		text := count(lc, l.Connections, "connection")
		if l.Deaf > 0 {
			text += lc.Say(", %s given up without a receipt", grouped(lc, l.Deaf))
		}
		set(lc.Say("Link"), text)
		set(lc.Say("Recovery"), lc.Say("never needed"))
		if l.Interface+l.Reboots > 0 {
			set(lc.Say("Recovery"), lc.Say("network brought up anew %s×, machine restarted %s×", grouped(lc, l.Interface), grouped(lc, l.Reboots)))
		}
	}
	if b := a.Board; b != nil {
		if b.DiskBytes > 0 {
			set(lc.Say("Disk"), lc.Say("%s of %s free", books.Bytes(b.DiskFree), books.Bytes(b.DiskBytes)))
		}
		if b.TempC != nil {
			temp, unit := lc.Temp(*b.TempC)
			set(lc.Say("Processor"), plain(lc, temp, 0)+space+unit)
		}
		switch {
		case b.Undervoltage == nil:
		case *b.Undervoltage:
			set(lc.Say("Supply"), lc.Say("too low"))
		default:
			set(lc.Say("Supply"), lc.Say("enough"))
		}
	}
	return list
}

func agentProgram(lc *words.Locale, a *books.Agent) string {
	text := ""
	if a.Version != nil {
		text = *a.Version + ", "
	}
	return text + lc.Say("running for %s", age(lc, time.Duration(*a.Uptime*float64(time.Second))))
}

func agentInterval(lc *words.Locale, a *books.Agent) string {
	if a.Interval == nil {
		return ""
	}
	return lc.Say("every %s", duration(lc, time.Duration(*a.Interval*float64(time.Second)).String()))
}

func agentClock(lc *words.Locale, a *books.Agent) string {
	c := &a.Clock
	if c.Set == nil {
		return ""
	}
	text := lc.Say("time not known yet")
	if *c.Set {
		text = lc.Say("set")
	}
	switch {
	case c.Synchronised == nil:
	case *c.Synchronised:
		text += lc.Say(", synchronised")
	default:
		text += lc.Say(", not synchronised")
	}
	if c.Offset != nil {
		text += ", " + clockWords(lc, time.Duration(*c.Offset*float64(time.Second)))
	}
	if c.Jumps > 0 {
		text += ", " + count(lc, c.Jumps, "jump")
	}
	return text
}

func sensorOf(lc *words.Locale, s *record.AgentSensor) sensorPage {
	p := sensorPage{Driver: s.Driver, Channels: strings.Join(s.Channels, ", ")}
	var about []string
	if s.Serial != "" {
		about = append(about, lc.Say("serial %s", s.Serial))
	}
	if s.Calibrated != "" {
		about = append(about, lc.Say("calibrated %s", date(lc, s.Calibrated)))
	}
	p.About = strings.Join(about, ", ")
	if h := s.Health; h != nil {
		p.Health = count(lc, h.Samples, "sample")
		if h.Failed > 0 || h.Retries > 0 {
			p.Health += lc.Say(", %s failed, %s", grouped(lc, h.Failed), tried(lc, h.Retries))
		}
		p.Last = h.LastError
	}
	return p
}

func tried(lc *words.Locale, n int64) string {
	if n == 1 {
		return lc.Say("1 was tried again")
	}
	return lc.Say("%s were tried again", grouped(lc, n))
}
