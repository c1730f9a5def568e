package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// overShown is how many alarms that are over and unseen a page shows.
const overShown = 100

// asideDays are the days for which an alarm can be put aside on a page.
var asideDays = []int{1, 3, 7, 14, 30}

type alarmRowPage struct {
	ID, Key, Station, Name string // Key: of its fields
	Kind, State, Says      string
	Act                    *actPage
	Quiet                  string // why it is, and until when
	See, Reset, Aside      bool   // what can be done with it
	Back                   string // what is named to bring it back; "": can't be
	BackPath               string
	Days                   []choicePage
	Visit                  string // where one is planned for it
}

type holdPage struct {
	Target, What, Says string
	Path, Button       string // to end it; "": it ends by itself
}

type alarmsPage struct {
	sheet
	At       moment
	Headline string
	Needs    []alarmRowPage
	Over     []alarmRowPage
	Newest   string // how many of those that are over are shown; "": all
	Before   string // date before which those ended that can be seen at once; "": they can't
	Aside    []alarmRowPage
	Holds    []holdPage
	Stations []choicePage
	Kinds    []choicePage
	May      bool // change something
	Caution  string
	Wrong    string
	Why      string // as it was sent
}

func (s *server) withAlarms(next func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Alarms.AlarmStore == nil {
			return &problem{Status: http.StatusNotFound, Title: "There are no alarms here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return next(w, r)
	}
}

func (s *server) alarms(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showAlarms(w, r, http.StatusOK, url.Values{}, nil)
}

func (s *server) showAlarms(w http.ResponseWriter, r *http.Request, status int, sent url.Values, wrong *books.Error) error {
	lc := localeOf(r)
	list, err := s.cfg.Alarms.List(r.Context(), s.now())
	if err != nil {
		return err
	}
	rows, err := s.cfg.View.Stations(r.Context())
	if err != nil {
		return err
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	b := alarmsBuilder{now: s.now(), rows: map[string]*view.Row{}, may: visitorOf(r).Role >= record.Work}
	p := &alarmsPage{At: moment{lc.Format(b.now.Time().In(zone), "Monday 2 January, 15:04"), utc(b.now)}, May: b.may, Why: sent.Get("why")}
	for i := range rows {
		b.rows[rows[i].Station.ID] = &rows[i]
		if st := &rows[i].Station; st.Retired == 0 {
			p.Stations = append(p.Stations, choicePage{st.ID, st.Name, st.ID == sent.Get("id")})
		}
	}
	for _, k := range alarm.Kinds() {
		p.Kinds = append(p.Kinds, choicePage{Value: string(k), Text: lc.Kind(k).Name})
	}
	if b.may && len(list.Over) > 1 {
		p.Before = cmp.Or(sent.Get("before"), b.now.Time().In(zone).Format(time.DateOnly))
	}
	if n := len(list.Over); n > overShown {
		p.Newest, list.Over = lc.Say("The newest %d of %d.", overShown, n), list.Over[:overShown]
	}
	for part, of := range map[*[]alarmRowPage][]books.Alarm{&p.Needs: list.Needs, &p.Over: list.Over, &p.Aside: list.Aside} {
		for i := range of {
			*part = append(*part, b.row(lc, &of[i]))
		}
	}
	var kinds []finding.Kind
	for i := range list.Needs {
		kinds = append(kinds, list.Needs[i].Finding.Kind)
	}
	p.Caution = lc.Cautions(kinds)
	for i := range list.Holds {
		p.Holds = append(p.Holds, b.hold(lc, &list.Holds[i]))
	}
	p.Headline = alarmHeadline(lc, len(list.Needs))
	if wrong != nil {
		p.Wrong = capital(wrong.Field) + " " + strconv.Quote(wrong.Value) + ": " + lc.Say(wrong.Fix) + "."
	}
	return s.page(w, r, status, "alarms.html", p)
}

func alarmHeadline(lc *words.Locale, n int) string {
	switch n {
	case 0:
		return lc.Say("Nothing needs a person.")
	case 1:
		return lc.Say("One thing needs a person.")
	}
	return lc.Say("%s things need a person.", capital(spelled(lc, n)))
}

type alarmsBuilder struct {
	now  unit.Instant
	rows map[string]*view.Row
	may  bool
}

// rowOf describes a station; one that is gone by its id.
func (b *alarmsBuilder) of(station string) *view.Row {
	if r := b.rows[station]; r != nil {
		return r
	}
	return &view.Row{Station: view.Station{ID: station, Name: station, Site: view.Site{Zone: time.UTC}}}
}

func (b *alarmsBuilder) row(lc *words.Locale, a *books.Alarm) alarmRowPage {
	r := b.of(a.Station)
	n := &view.Need{Occurrence: a.Occurrence, By: a.By}
	p := alarmRowPage{
		ID: a.ID(), Key: strings.ReplaceAll(a.ID(), ":", "-"), Station: a.Station, Name: r.Station.Name, Kind: lc.Kind(a.Finding.Kind).Name,
		State: lc.Say(a.Screen()), Says: fill(lc, lc.Kind(a.Finding.Kind).Verdict, n, r, b.now),
	}
	zone := r.Station.Site.Zone
	if a.Finding.To != 0 {
		p.Says += lc.Say(" Over since %s.", since(lc, a.Finding.To, b.now, zone))
	}
	if a.State.Latching() {
		p.Says += lc.Say(" It stays here until somebody has seen to it.")
	}
	if a.Needs() {
		p.Act = &actPage{Action: lc.Kind(a.Finding.Kind).Action, By: by(lc, a.By, b.now, zone), Late: a.By < b.now}
	}
	if a.Hold != nil {
		p.Quiet = holdSays(lc, a.Hold, b.now, zone)
		p.Back, p.BackPath = backOf(a.Hold)
	}
	if !b.may {
		p.Back, p.BackPath = "", ""
		return p
	}
	if a.Lasting() {
		p.Visit = "/visits?station=" + url.QueryEscape(a.Station) + "&why=" + url.QueryEscape(fmt.Sprintf("%s/%d", a.Finding.Kind, a.Number)) + "#add"
	}
	_, p.See = alarm.Next(a.State, alarm.See, false, a.Lasting())
	_, p.Reset = alarm.Next(a.State, alarm.Reset, false, a.Lasting())
	if _, p.Aside = alarm.Next(a.State, alarm.Shelve, false, a.Lasting()); p.Aside {
		for _, d := range asideDays {
			p.Days = append(p.Days, choicePage{strconv.Itoa(d), countOf(lc, d, "day"), d == 7})
		}
	}
	return p
}

func countOf(lc *words.Locale, n int, what string) string {
	return count(lc, int64(n), what)
}

func timesWords(lc *words.Locale, n int) string {
	if n == 1 {
		return lc.Say("once")
	}
	return lc.Say("%d times", n)
}

func holdSays(lc *words.Locale, h *alarm.Hold, now unit.Instant, zone *time.Location) string {
	text := lc.Say("since %s", since(lc, h.From, now, zone))
	if h.Until != 0 {
		text += lc.Say(" until %s", stamp(lc, h.Until, zone))
	}
	if h.Who != alarm.Rules {
		text += lc.Say(", by %s", h.Who)
	}
	return text + ": " + lc.Retell(h.Why)
}

// backOf says what is named, and where, to end a hold.
func backOf(h *alarm.Hold) (target, path string) {
	target = h.Station
	if h.Kind != "" {
		target += ":" + string(h.Kind)
	}
	switch h.State {
	case alarm.Shelved:
		return target, "/alarms/bring-back"
	case alarm.OutOfService:
		return target, "/alarms/in-service"
	}
	return "", ""
}

// holdWords say how alarms are held, and backWords what ends that.
var (
	holdWords = map[alarm.State]string{alarm.Shelved: "put aside", alarm.Suppressed: "quiet for a known reason", alarm.OutOfService: "out of service"}
	backWords = map[alarm.State]string{alarm.Shelved: "Bring back", alarm.OutOfService: "Take back into service"}
)

func (b *alarmsBuilder) hold(lc *words.Locale, h *alarm.Hold) holdPage {
	r := b.of(h.Station)
	what := lc.Say("all alarms")
	if h.Kind != "" {
		what = lc.Lower(lc.Kind(h.Kind).Name)
	}
	how := lc.Say(holdWords[h.State])
	p := holdPage{What: r.Station.Name + ": " + what + ", " + how, Says: holdSays(lc, h, b.now, r.Station.Site.Zone)}
	if b.may {
		p.Target, p.Path = backOf(h)
		p.Button = lc.Say(backWords[h.State])
	}
	return p
}

// did shows the page again after a form.
func (s *server) did(w http.ResponseWriter, r *http.Request, f url.Values, err error) error {
	var said books.Error
	switch {
	case err == nil:
		seeOther(w, r, "/alarms")
		return nil
	case errors.As(err, &said):
		return s.showAlarms(w, r, http.StatusUnprocessableEntity, f, &said)
	}
	return err
}

func (s *server) seeAlarm(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "id")
	if err != nil {
		return err
	}
	return s.did(w, r, f, s.cfg.Alarms.See(r.Context(), f.Get("id"), "", visitorOf(r).Name, s.now()))
}

func (s *server) seeEndedAlarms(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "before")
	if err != nil {
		return err
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	before, err := time.ParseInLocation(time.DateOnly, f.Get("before"), zone)
	if err != nil {
		return s.did(w, r, f, books.Error{Field: "before", Value: f.Get("before"), Fix: "write a date, such as 2025-04-30"})
	}
	return s.did(w, r, f, s.cfg.Alarms.SeeEnded(r.Context(), unit.At(before), visitorOf(r).Name, s.now()))
}

func (s *server) resetAlarm(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "id", "why")
	if err != nil {
		return err
	}
	return s.did(w, r, f, s.cfg.Alarms.Reset(r.Context(), f.Get("id"), f.Get("why"), visitorOf(r).Name, s.now()))
}

func (s *server) putAlarmAside(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "id", "days", "why")
	if err != nil {
		return err
	}
	days, err := strconv.Atoi(f.Get("days"))
	if err != nil || days < 1 || days > int(alarm.MostAside/(24*time.Hour)) {
		return s.did(w, r, f, books.Error{Field: "days", Value: f.Get("days"), Fix: "choose 1 to 30 days"})
	}
	until := s.now().Add(time.Duration(days) * 24 * time.Hour)
	return s.did(w, r, f, s.cfg.Alarms.PutAside(r.Context(), f.Get("id"), until, f.Get("why"), visitorOf(r).Name, s.now()))
}

func (s *server) bringAlarmBack(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "id")
	if err != nil {
		return err
	}
	return s.did(w, r, f, s.cfg.Alarms.BringBack(r.Context(), f.Get("id"), "", visitorOf(r).Name, s.now()))
}

func (s *server) takeAlarmsOut(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "id", "kind", "why")
	if err != nil {
		return err
	}
	id := f.Get("id")
	if kind := f.Get("kind"); kind != "" {
		id += ":" + kind
	}
	return s.did(w, r, f, s.cfg.Alarms.OutOfService(r.Context(), id, f.Get("why"), visitorOf(r).Name, s.now()))
}

func (s *server) takeAlarmsIn(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "id")
	if err != nil {
		return err
	}
	return s.did(w, r, f, s.cfg.Alarms.InService(r.Context(), f.Get("id"), "", visitorOf(r).Name, s.now()))
}

type qualityPage struct {
	sheet
	Month        string
	Before, Next string // months; "" for none
	Lines        []factPage
	Top          []string
	Chattering   []string
	Stale        []string
}

// alarmQuality shows how good the alarms of a month were.
func (s *server) alarmQuality(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "month")
	if q.err != nil {
		return q.err
	}
	from, to, err := books.Month(q.values.Get("month"), s.now())
	if err != nil {
		return parameter(err)
	}
	m, err := s.cfg.Alarms.Quality(r.Context(), from, to)
	if err != nil {
		return err
	}
	rows, err := s.cfg.View.Stations(r.Context())
	if err != nil {
		return err
	}
	b := alarmsBuilder{now: s.now(), rows: map[string]*view.Row{}}
	for i := range rows {
		b.rows[rows[i].Station.ID] = &rows[i]
	}
	month := from.Time().UTC()
	p := &qualityPage{Month: lc.Format(month, "January 2006"), Before: month.AddDate(0, -1, 0).Format("2006-01"), Lines: qualityLines(lc, &m)}
	if to < s.now() {
		p.Next = month.AddDate(0, 1, 0).Format("2006-01")
	}
	for _, x := range m.Top {
		p.Top = append(p.Top, b.source(lc, x, ""))
	}
	for _, x := range m.Chattering {
		p.Chattering = append(p.Chattering, b.source(lc, x, lc.Say(" in a week")))
	}
	for _, x := range m.Stale {
		station, rest, _ := strings.Cut(x.ID, ":")
		kind, _, _ := strings.Cut(rest, ":")
		row := b.of(station)
		p.Stale = append(p.Stale, row.Station.Name+": "+lc.Lower(lc.Kind(finding.Kind(kind)).Name)+", "+by(lc, x.By, b.now, row.Station.Site.Zone))
	}
	return s.page(w, r, http.StatusOK, "quality.html", p)
}

func (b *alarmsBuilder) source(lc *words.Locale, x alarm.Source, in string) string {
	return b.of(x.Station).Station.Name + ": " + lc.Lower(lc.Kind(x.Kind).Name) + ", " + timesWords(lc, x.Times) + in
}

func qualityLines(lc *words.Locale, q *alarm.Quality) []factPage {
	seen := lc.Say("nobody has seen one")
	if q.SeenHalf != nil {
		seen = lc.Say("half within %s\u00a0h, nine of ten within %s\u00a0h", plain(lc, *q.SeenHalf, 1), plain(lc, *q.SeenMost, 1))
	}
	return []factPage{
		{lc.Say("Alarms raised"), strconv.Itoa(q.Alarms)},
		{lc.Say("of them urgent, soon, calm"), fmt.Sprintf("%d, %d, %d", q.Priorities[alarm.Urgent], q.Priorities[alarm.Soon], q.Priorities[alarm.Calm])},
		{lc.Say("Messages at once"), lc.Say("%d, %s a day", q.Messages, plain(lc, q.PerDay, 2))},
		{lc.Say("most in ten minutes"), strconv.Itoa(q.Most)},
		{lc.Say("In the morning letter only"), strconv.Itoa(q.Letter)},
		{lc.Say("Time until seen"), seen},
		{lc.Say("Not seen until the end"), strconv.Itoa(q.Unseen)},
	}
}

// parameter makes a problem of what is wrong with a parameter.
func parameter(err error) error {
	var said books.Error
	if errors.As(err, &said) {
		return &problem{Status: http.StatusBadRequest, Title: "A parameter is wrong", Field: said.Field, Value: said.Value, Fix: said.Fix}
	}
	return err
}
