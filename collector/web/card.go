package web

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

type factPage struct{ Name, Value string }

// cardFactPage is one in the box at the top of a card.
type cardFactPage struct {
	Name, Value string
	Wide        bool // over the whole width
}

type advicePage struct {
	Why, Action, By string
	Late            bool
	Else, Caution   string
}

type evidencePage struct{ Name, Value string }

type foundPage struct {
	Name, State         string
	From, To, Concluded moment
	Lasting             bool
	Evidence            []evidencePage
	How                 []string // it is concluded, and how sure that is
	Came                string   // of it, as somebody wrote down at a visit
	CameAt              string   // the visit's page
}

type nightPage struct {
	Name, Condensing, AtRisk, Dark string
}

type monthPage struct {
	Name, Words string
	Strip       strip
	Nights      []nightPage
}

type windowPage struct {
	Name, Href string
	Here       bool
}

// cardVisitPage is a visit in the list of a card.
type cardVisitPage struct {
	Href, Text string
}

type cardPage struct {
	sheet
	State     string // see server.state
	ID, Name  string
	At, Heard moment
	Facts     []cardFactPage
	Verdict   string
	Why       string // for a station that needs nobody
	Advice    []advicePage
	Hands     []alarmRowPage // what can be seen or put aside from here
	Now       string
	Started   bool
	Title     string
	From, To  string // RFC 3339, of the chart
	First     string
	Last      string
	Zone      string
	Windows   []windowPage
	Back      string
	Forth     string
	Sketch    sketch
	Months    []monthPage
	Older     string
	Breath    *breathPage // nil: nothing known
	Tonight   []string    // sentences
	CameTrue  string
	Cover     []string // sentences
	Board     []string
	Corroded  []string
	Repair    string    // whether the last repair holds; "" for none
	Salt      *saltPage // nil: no books
	Agent     []string  // what to look at of it
	Photos    []photoPage
	Current   []string // sentences
	Frozen    string   // from when on hours are frozen; "" for none
	Doubted   string   // that hours rest on a sensor in doubt; "" when they don't
	Visits    []cardVisitPage
	Findings  []foundPage
	Unchecked int // findings beyond those shown
}

const (
	monthsShown   = 4
	photosShown   = 12
	visitsOnCard  = 12
	monthsMost    = 1200
	findingsShown = 20
)

func (s *server) card(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "show", "from", "to", "months")
	var shows []string
	for _, window := range view.Windows {
		shows = append(shows, window.Show)
	}
	ask := view.CardQuery{Show: q.choice("show", "7d", shows), Months: q.integer("months", monthsShown, 1, monthsMost)}
	ask.From, ask.To = q.interval(view.Beginning, view.End)
	switch given := q.values; {
	case given.Has("from") && given.Has("to"):
		ask.Show = ""
	case given.Has("from") || given.Has("to"):
		q.refuse("from, to", given.Get("from")+given.Get("to"), "give both or neither")
	}
	if q.err != nil {
		return q.err
	}
	state := s.state(r.Context())
	c, err := s.cfg.View.Card(r.Context(), r.PathValue("id"), ask)
	if err != nil {
		return err
	}
	p := cardOf(lc, &c, ask.Months)
	p.State = state
	if p.Salt, err = s.saltPage(r, c.Station.Site.Zone); err != nil {
		return err
	}
	if heater := heaterWords(lc, c.Sensor, c.Station.Site.Zone); p.Salt != nil && heater != "" {
		p.Salt.Checks = append([]string{heater}, p.Salt.Checks...)
	}
	if s.cfg.Alarms.AlarmStore != nil && visitorOf(r).Role >= record.Work {
		p.Hands = handsOf(lc, &c)
	}
	if s.cfg.Agents != nil {
		a, err := books.AgentOf(r.Context(), s.cfg.Agents, p.ID)
		if err != nil {
			return err
		}
		p.Agent = localeOf(r).RetellAll(a.Mind)
	}
	return s.page(w, r, http.StatusOK, "card.html", p)
}

// handsOf are the needs that can be seen or put aside.
func handsOf(lc *words.Locale, c *view.Card) (hands []alarmRowPage) {
	b := alarmsBuilder{now: c.At, rows: map[string]*view.Row{c.Station.ID: &c.Row}, may: true}
	for i := range c.Needs {
		n := &c.Needs[i]
		if h := b.row(lc, &books.Alarm{Occurrence: n.Occurrence, By: n.By}); h.See || h.Aside {
			hands = append(hands, h)
		}
	}
	return hands
}

func cardOf(lc *words.Locale, c *view.Card, months int) *cardPage {
	s := &c.Station
	zone := s.Site.Zone
	p := &cardPage{
		ID: s.ID, Name: s.Name, Facts: factsOf(lc, c), Now: nowWords(lc, c), Started: c.Started != 0,
		Title: lc.Say(showTitles[c.Window.Show]), Zone: zone.String(),
		From: c.Window.From.String(), To: c.Window.To.String(), First: c.Started.String(), Last: c.Now.At.String(),
	}
	p.At = moment{lc.Format(c.At.Time().In(zone), "Monday 2 January 2006, 15:04"), utc(c.At)}
	p.Heard = moment{Text: lc.Say("nothing heard yet")}
	if c.Now.At != 0 {
		p.Heard = moment{lc.Say("heard %s ago", age(lc, c.At.Sub(c.Now.At))), utc(c.Now.At)}
	}
	if s.Retired != 0 {
		p.Heard = moment{lc.Say("retired %s", date(lc, s.Retired.Time().In(zone).Format("2006-01-02"))), utc(s.Retired)}
	}
	if len(c.Needs) == 0 {
		p.Verdict = condition(lc, &c.Row, c.At)
		p.Why = calmWords(lc, c)
	} else {
		p.Verdict = fill(lc, lc.Kind(c.Needs[0].Finding.Kind).Card, &c.Needs[0], &c.Row, c.At)
	}
	for i := range c.Needs {
		advice := adviceOf(lc, c, &c.Needs[i])
		if i > 0 && slices.ContainsFunc(p.Advice, func(a advicePage) bool { return a.Caution == advice.Caution }) {
			advice.Caution = "" // it stands above already
		}
		p.Advice = append(p.Advice, advice)
	}
	p.Windows, p.Back, p.Forth = windowsOf(lc, c)
	p.Sketch = sketchOf(lc, &c.Sketch)
	p.Breath = breathOf(lc, c)
	p.Tonight, p.CameTrue = tonightWords(lc, &c.Outlook, c.At, zone), cameTrueWords(lc, &c.Outlook)
	p.Repair, p.Corroded = repairWords(lc, c.Repair, zone), corrodedWords(lc, c.Corroded, zone)
	p.Cover, p.Board = coverWords(lc, &c.Clocks.Cover, zone), boardWords(lc, &c.Clocks.Board, zone)
	for i := range c.Months {
		p.Months = append(p.Months, monthOf(lc, &c.Months[i], zone))
	}
	p.Current = currentWords(lc, c.Standing)
	if c.Frozen != 0 {
		p.Frozen = lc.Say("Hours before %s are frozen: their readings were let go, so what they say stays, whatever is found or recorded later.", lc.Format(c.Frozen.Time().In(zone), "2 January 2006"))
	}
	p.Doubted = doubtedWords(lc, c.Findings, c.At, zone)
	for i := range c.Visits {
		if i == visitsOnCard {
			break
		}
		p.Visits = append(p.Visits, cardVisitOf(lc, &c.Visits[i], zone))
	}
	for i, ph := range c.Photos {
		if i == photosShown {
			break
		}
		p.Photos = append(p.Photos, photoPage{
			photoHref(ph.Visit, ph.ID), cmp.Or(ph.Caption, lc.Say("no caption")), lc.Say("%s, visit %d", stamp(lc, ph.At, zone), ph.Visit),
		})
	}
	if c.Older {
		p.Older = fmt.Sprintf("?months=%d#nights", min(monthsMost, months*3))
	}
	for i := range c.Findings {
		if i == findingsShown {
			p.Unchecked = len(c.Findings) - i
			break
		}
		p.Findings = append(p.Findings, foundOf(lc, &c.Findings[i], c.Outcomes, c.At, zone))
	}
	return p
}

// doubtedWords say from when on hours rest on a sensor that is in doubt.
func doubtedWords(lc *words.Locale, found []view.Found, now unit.Instant, zone *time.Location) string {
	recorded := make([]alarm.Occurrence, len(found))
	for i := range found {
		recorded[i] = found[i].Occurrence
	}
	for _, d := range alarm.Doubts(recorded) {
		if d.To == 0 {
			return lc.Say("Since %s a sensor is in doubt that these hours rest on: they stand as it showed them, and nothing is concluded from them.", since(lc, d.From, now, zone))
		}
	}
	return ""
}

func cardVisitOf(lc *words.Locale, v *record.Visit, zone *time.Location) cardVisitPage {
	return cardVisitPage{visitHref(v.Number), lc.Say("Visit %d: %s, %s, %s", v.Number, lc.Code(string(v.Kind)), lc.Code(string(v.State)), visitWhen(lc, v, zone).Text)}
}

// factsOf fills the box at the top of the card. What nobody recorded has an
// empty value: on paper there is room to write it.
func factsOf(lc *words.Locale, c *view.Card) []cardFactPage {
	s := &c.Station
	site := s.Site.Name
	if s.Spot != "" {
		site = strings.TrimPrefix(site+", "+s.Spot, ", ")
	}
	hangs := date(lc, s.Installed)
	if s.Mounting != "" {
		hangs = strings.TrimPrefix(hangs+", "+nameIn(lc, mountingNames, s.Mounting), ", ")
	}
	cover := ""
	if s.CoverNew != "" {
		cover = lc.Say("new on %s, %s years of sun", date(lc, s.CoverNew), plain(lc, c.Clocks.Cover.Age, 1))
	}
	build := nameIn(lc, buildNames, s.Build)
	if b := &c.Clocks.Board; b.Known {
		build = strings.TrimPrefix(lc.Say("%s, %s used", build, percent(lc, b.Fraction)), ", ")
	}
	record := ""
	if c.Started != 0 {
		record = lc.Say("since %s", lc.Format(c.Started.Time().In(s.Site.Zone), "2 January 2006"))
	}
	if s.Interval != "" {
		record = strings.TrimPrefix(lc.Say("%s, every %s", record, duration(lc, s.Interval)), ", ")
	}
	facts := []cardFactPage{
		{Name: lc.Say("Site"), Value: site},
		{Name: lc.Say("Hangs since"), Value: hangs},
		{Name: lc.Say("Build"), Value: build},
		{Name: lc.Say("Cover"), Value: cover},
		{Name: lc.Say("Surface from"), Value: surfaceWords(lc, c)},
		{Name: lc.Say("Sensors"), Value: sensors(lc, c.Channels)},
		{Name: lc.Say("Salt"), Value: nameIn(lc, saltNames, s.Site.Salt)},
		{Name: lc.Say("Record"), Value: record},
	}
	if c.Line != nil {
		facts = append(facts, cardFactPage{Name: lc.Say("Line"), Value: lineWords(lc, c.Line), Wide: true})
	}
	return facts
}

// surfaceWords says what stands for the board's surface.
func surfaceWords(lc *words.Locale, c *view.Card) string {
	switch {
	case c.Now.Basis == exposure.BasisBoard:
		return lc.Say("a sensor on the board")
	case c.Now.Basis == exposure.BasisAir && c.Station.Undercooling != "" && c.Station.Undercooling != fact.None:
		return lc.Say("the air inside, less what %s", teacherWords(lc, c.Station.Undercooling))
	case c.Now.Basis == exposure.BasisAir && c.Station.AllowanceK != "" && c.Station.AllowanceK != "0":
		return lc.Say("the air inside, less %s K", c.Station.AllowanceK)
	case c.Now.Basis == exposure.BasisAir:
		return lc.Say("the air inside; on clear nights the board may be up to 2 K colder")
	default:
		return ""
	}
}

// teacherWords say who taught how much colder the surface is, and how well.
func teacherWords(lc *words.Locale, undercooling string) string {
	t, ok := exposure.ParseTaught(undercooling)
	if !ok {
		return lc.Say("stations with a board sensor taught")
	}
	if t.Cover {
		return lc.Say("the cover sensor of %s taught in %d nights (off by %s\u00a0K at night, root mean square), which is rather too cold for a board", t.By, t.Nights, plain(lc, t.OffK, 1))
	}
	return lc.Say("the board sensor of %s taught in %d nights (off by %s\u00a0K at night, root mean square)", t.By, t.Nights, plain(lc, t.OffK, 1))
}

func sensors(lc *words.Locale, channels []reading.Channel) string {
	var names []string
	for _, c := range channels {
		if !slices.Contains(names, lc.Sensor(c)) {
			names = append(names, lc.Sensor(c))
		}
	}
	return strings.Join(names, ", ")
}

func adviceOf(lc *words.Locale, c *view.Card, n *view.Need) advicePage {
	words := lc.Kind(n.Finding.Kind)
	why := fill(lc, words.Why, n, &c.Row, c.At)
	if c.Silent > 1 && n.Finding.Kind == finding.Silent {
		why += lc.Say(" %s on the same site: look for a common cause first.", capital(others(lc, c.Silent-1)))
	}
	if c.OfLine(n) {
		why += lc.Say(" It is the line’s, which also feeds %s.", andOf(lc, c.Line.Others))
	}
	return advicePage{
		Why: why, Action: words.Action, By: by(lc, n.By, c.At, c.Station.Site.Zone), Late: n.By < c.At,
		Else: words.Else, Caution: words.Caution,
	}
}

// calmWords gives the numbers behind the verdict on a station that needs
// nobody.
func calmWords(lc *words.Locale, c *view.Card) string {
	if c.Now.At == 0 {
		return lc.Say("The card fills once its first readings arrive.")
	}
	week := c.Nights.Week
	if week.Known == 0 {
		return lc.Say("Nothing is known of the last seven nights.")
	}
	text := lc.Say("In the last seven nights")
	if c.Nights.Known < 7 {
		text = lc.Say("In the %s of the last seven nights of which something is known", spelled(lc, c.Nights.Known))
	}
	text += lc.Say(" it condensed for %s and was at risk for %s", hoursRange(lc, week.Condensing, week.CondensingLow, week.CondensingHigh), hoursRange(lc, week.AtRisk, week.AtRiskLow, week.AtRiskHigh))
	if week.Unknown > 0 {
		text += lc.Say(", with %s\u00a0h unknown", hours(lc, week.Unknown))
	}
	return text + "."
}

// nowWords writes the newest reading out.
func nowWords(lc *words.Locale, c *view.Card) string {
	n := &c.Now
	if n.At == 0 {
		return ""
	}
	when := lc.Say("Now")
	if !c.Current || c.Station.Retired != 0 {
		when = lc.Say("When last heard, %s", stamp(lc, n.At, c.Station.Site.Zone))
	}
	if !n.Known {
		return lc.Say("%s: its sensors tell nothing of the air inside.", when)
	}
	figure, text := marginWords(lc, n)
	return lc.Say("%s: surface %s, dew point %s, margin %s (%s); air inside %s, %s\u00a0%%RH.", when, warm(lc, float64(n.Surface)), warm(lc, float64(n.Dew)), figure, text, warm(lc, float64(n.Temp)), plain(lc, float64(n.RH), 0))
}

// windowsOf returns the stretches that the chart can be asked for, and the
// neighbours of the one that it shows.
func windowsOf(lc *words.Locale, c *view.Card) (windows []windowPage, back, forth string) {
	for _, w := range view.Windows {
		windows = append(windows, windowPage{lc.Say(showNames[w.Show]), "?show=" + w.Show + "#chart", w.Show == c.Window.Show})
	}
	length := c.Window.To.Sub(c.Window.From)
	stretch := func(from unit.Instant) string {
		return "?from=" + utc(from) + "&to=" + utc(from.Add(length)) + "#chart"
	}
	if c.Window.From > c.Started {
		back = stretch(c.Window.From.Add(-length))
	}
	if c.Window.To < c.Now.At {
		forth = stretch(c.Window.To)
	}
	return windows, back, forth
}

func monthOf(lc *words.Locale, m *view.Month, zone *time.Location) monthPage {
	p := monthPage{Name: lc.Format(m.First, "January 2006"), Strip: monthNights(lc, m.First.Format("m2006-01"), m, zone)}
	dewy, known := 0, 0
	for i := range m.Nights {
		n := &m.Nights[i]
		if n.Known() {
			known++
		}
		if n.Sum.Condensing > 0 {
			dewy++
		}
		row := nightPage{Name: nightName(lc, n, zone), Condensing: nightWords(lc, n), Dark: hours(lc, int64(n.Dark())) + space + "h"}
		if n.Known() {
			row.Condensing = hoursRange(lc, n.Sum.Condensing, n.Sum.CondensingLow, n.Sum.CondensingHigh)
			row.AtRisk = hoursRange(lc, n.Sum.AtRisk, n.Sum.AtRiskLow, n.Sum.AtRiskHigh)
		}
		p.Nights = append(p.Nights, row)
	}
	p.Words = lc.Say("condensing for %s on %d of %d nights", hoursRange(lc, m.Sum.Condensing, m.Sum.CondensingLow, m.Sum.CondensingHigh), dewy, known)
	if m.Worst != nil {
		w := &m.Worst.Sum
		p.Words += lc.Say(", most on %s: %s", nightName(lc, m.Worst, zone), hoursRange(lc, w.Condensing, w.CondensingLow, w.CondensingHigh))
	}
	return p
}

func foundOf(lc *words.Locale, f *view.Found, came map[record.Cause]record.Came, now unit.Instant, zone *time.Location) foundPage {
	p := foundPage{
		Name: lc.Kind(f.Finding.Kind).Name, State: stateName(lc, &f.Occurrence), Lasting: f.Lasting(),
		How:       []string{lc.Say("Confidence %s, a judgement.", percent(lc, f.Finding.Confidence)), lc.Kind(f.Finding.Kind).How},
		From:      moment{stamp(lc, f.Finding.From, zone), utc(f.Finding.From)},
		Concluded: moment{stamp(lc, f.Finding.Concluded, zone), utc(f.Finding.Concluded)},
	}
	if f.Finding.To != 0 {
		p.To = moment{stamp(lc, f.Finding.To, zone), utc(f.Finding.To)}
	}
	if o, ok := came[record.Cause{Kind: f.Finding.Kind, Number: f.Number}]; ok {
		p.Came, p.CameAt = outcomeWords(lc, &o.VisitOutcome, zone), visitHref(o.Visit)
	}
	for i := range f.Finding.Evidence {
		e := &f.Finding.Evidence[i]
		if isEnd(&f.Finding, e.Name) {
			continue // it stands behind the figure whose range it ends
		}
		p.Evidence = append(p.Evidence, evidencePage{lc.Evidence(e.Name), evidence(lc, &f.Finding, e.Name)})
	}
	switch f.Finding.Kind {
	case finding.CoverDue, finding.BudgetLow: // they speak of years
		return p
	case finding.SensorSuspect: // what it showed tells of no hours
		return p
	}
	if f.Sum.Known > 0 && f.Finding.Kind != finding.DampWeek {
		p.Evidence = append(p.Evidence, evidencePage{lc.Say("condensing since its onset"), hoursRange(lc, f.Sum.Condensing, f.Sum.CondensingLow, f.Sum.CondensingHigh)})
	}
	if f.Sum.Known > 0 && f.Finding.Kind != finding.BoardWet {
		name := lc.Say("at risk since its onset")
		if f.Finding.Kind == finding.DampWeek {
			name = lc.Say("at risk in its first seven days")
		}
		p.Evidence = append(p.Evidence, evidencePage{name, hoursRange(lc, f.Sum.AtRisk, f.Sum.AtRiskLow, f.Sum.AtRiskHigh)})
	}
	return p
}
