package web

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/bench"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

type rowPage struct {
	ID, Name, Spot string
	Verdict        moment
	Act            *actPage
	Also           string // names of further findings
	Strip          strip
	Figure, Text   string // margin
	LastNight      string
	State          string // how open it is, and how old its cover
	Heard          moment
}

type needPage struct {
	ID, Name, Sentence string
	Act                actPage
}

type todayPage struct {
	sheet
	State    string // see server.state
	At       moment
	Heard    string
	Headline string
	Needs    []needPage
	Caution  string
	Rest     string
	Changed  []string // since yesterday
	Ended    []string
	Visits   []string // of yesterday and today
	More     linkPage // how many need a person besides
	Choose   choosePage
	Groups   []groupPage
	Shown    string // which of how many, where there are more
	Pages    []linkPage
}

// needsShown is how many stations that need a person are told of at the top.
const needsShown = 12

func (s *server) today(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	c, err := askChoice(r)
	if err != nil {
		return err
	}
	state := s.state(r.Context())
	t, err := s.cfg.View.Today(r.Context())
	if err != nil {
		return err
	}
	p := todayOf(lc, &t, c)
	p.State = state
	if err := s.states(r, p); err != nil {
		return err
	}
	if p.Visits, err = s.visitsToday(r, &t); err != nil {
		return err
	}
	return s.page(w, r, http.StatusOK, "today.html", p)
}

// states adds to the rows shown what their boxes are like.
func (s *server) states(r *http.Request, p *todayPage) error {
	var ids []string
	for i := range p.Groups {
		for k := range p.Groups[i].Rows {
			ids = append(ids, p.Groups[i].Rows[k].ID)
		}
	}
	all, err := s.cfg.View.States(r.Context(), ids)
	if err != nil {
		return err
	}
	for i := range p.Groups {
		for k := range p.Groups[i].Rows {
			row := &p.Groups[i].Rows[k]
			state := all[row.ID]
			row.State = stateWords(localeOf(r), &state)
		}
	}
	return nil
}

// stateWords say how open a box is and how old its cover.
func stateWords(lc *words.Locale, s *view.State) string {
	var says []string
	if b := s.Breath.Now; b != nil {
		text := lc.Say("breathes in %s", tauAbout(lc, b.TauH))
		if u := s.Breath.Usual; u != nil {
			text += lc.Say(", usually %s", tauAbout(lc, u.TauH))
		}
		says = append(says, text)
	}
	if c := &s.Cover; c.Cracked {
		says = append(says, lc.Say("cover cracked"))
	} else if len(c.Missing) == 0 {
		says = append(says, lc.Say("cover %s years of sun", plain(lc, c.Age, 1)))
	}
	return strings.Join(says, "; ")
}

// visitsToday tells of visits that ended within a day, and of those planned for
// today.
func (s *server) visitsToday(r *http.Request, t *view.Today) (says []string, err error) {
	if s.cfg.Visits.VisitStore == nil {
		return nil, nil
	}
	lc, ctx := localeOf(r), r.Context()
	midnight := t.At.Time().In(t.Zone)
	midnight = time.Date(midnight.Year(), midnight.Month(), midnight.Day(), 0, 0, 0, 0, t.Zone)
	all, err := s.cfg.Visits.All(ctx, record.VisitQuery{From: unit.At(midnight.AddDate(0, 0, -30)), To: unit.At(midnight.AddDate(0, 0, 2))})
	if err != nil {
		return nil, err
	}
	var done, planned []string
	for i := range all {
		v := &all[i]
		text := v.Station
		if i := slices.IndexFunc(t.Rows, func(row view.Row) bool { return row.Station.ID == v.Station }); i >= 0 {
			text = t.Rows[i].Station.Name
		}
		if v.Who != "" {
			text += " (" + v.Who + ")"
		}
		switch {
		case v.Ended > t.At.Add(-day24) && v.State == bench.Done:
			done = append(done, text)
		case v.State.Open() && v.Planned == midnight.Format(time.DateOnly):
			planned = append(planned, text)
		}
	}
	if len(done) > 0 {
		says = append(says, lc.Say("Visited since this time yesterday: %s.", someOf(lc, done)))
	}
	if len(planned) > 0 {
		says = append(says, lc.Say("Planned for today: %s.", someOf(lc, planned)))
	}
	return says, nil
}

func todayOf(lc *words.Locale, all *view.Today, c choice) *todayPage {
	t := all.Only(c.Pick)
	p := &todayPage{
		At:    moment{lc.Format(t.At.Time().In(t.Zone), "Monday 2 January, 15:04"), utc(t.At)},
		Heard: heardWords(lc, &t),
		Rest:  restWords(lc, &t),
	}
	needed, kinds := 0, []finding.Kind(nil)
	for i := range t.Rows {
		r := &t.Rows[i]
		if len(r.Needs) == 0 {
			continue
		}
		if needed++; needed > needsShown {
			continue
		}
		p.Needs = append(p.Needs, needPage{
			ID: r.Station.ID, Name: r.Station.Name,
			Sentence: needSentence(lc, r, t.At), Act: actOf(lc, r, t.At),
		})
		kinds = append(kinds, r.Needs[0].Finding.Kind)
	}
	p.Caution = lc.Cautions(kinds)
	if needed > needsShown {
		needy := c
		needy.Needy, needy.Begin = true, 0
		p.More = linkPage{Href: needy.href(), Name: lc.Say("%d more need a person; their deadlines are later.", needed-needsShown)}
	}
	p.Headline = headline(lc, needed, len(t.Rows))
	if len(t.Rows) == 0 && len(all.Rows) > 0 {
		p.Headline = lc.Say("No station is like that.")
	}
	for i := range t.Ended {
		e := &t.Ended[i]
		zone := e.Station.Site.Zone
		p.Ended = append(p.Ended, lc.Say("%s: %s, over since %s.", e.Station.Name, lc.Lower(lc.Kind(e.Finding.Kind).Name), since(lc, e.Finding.To, t.At, zone)))
	}
	changes := t.Changes()
	p.Changed = sinceYesterday(lc, &changes)
	p.Choose = chooseOf(lc, all, c)
	p.list(lc, &t, c)
	return p
}

// heardWords counts whom something was heard from, of those in service.
func heardWords(lc *words.Locale, t *view.Today) string {
	text := lc.Say("heard from %d of %d", t.Heard, len(t.Rows))
	if t.ByHand > 0 {
		text += lc.Say(", %s read by hand", spelled(lc, t.ByHand))
	}
	if t.Unheard > 0 {
		text += lc.Say(", %s not heard yet", spelled(lc, t.Unheard))
	}
	return text
}

func headline(lc *words.Locale, needed, of int) string {
	switch {
	case of == 0:
		return lc.Say("No station is in service.")
	case needed == 0:
		return lc.Say("No box needs a person.")
	case needed == 1:
		return lc.Say("One box needs a person.")
	default:
		return lc.Say("%s boxes need a person.", capital(spelled(lc, needed)))
	}
}

// needSentence says what is wrong with a station, with the number that says it
// best.
func needSentence(lc *words.Locale, r *view.Row, now unit.Instant) string {
	n := &r.Needs[0]
	text := strings.TrimSuffix(fill(lc, lc.Kind(n.Finding.Kind).Verdict, n, r, now), ".")
	text = lc.Lower(text[:1]) + text[1:]
	switch {
	case r.Silent > 1:
		text += lc.Say(", as %s on its site", others(lc, r.Silent-1))
	case len(r.Feeds) > 0:
		text += lc.Say(", on the line that also feeds %s", andOf(lc, r.Feeds))
	case n.Sum.Known == 0:
	case n.Finding.Kind == finding.BoardWet:
		text += lc.Say(", condensing for %s", hoursRange(lc, n.Sum.Condensing, n.Sum.CondensingLow, n.Sum.CondensingHigh))
	case n.Finding.Kind == finding.DampWeek:
		text += lc.Say(": at risk for %s in its first seven days, usually %s", hoursRange(lc, n.Sum.AtRisk, n.Sum.AtRiskLow, n.Sum.AtRiskHigh), evidence(lc, &n.Finding, "normal_7_days"))
	}
	return text + "."
}

// andOf writes names as people say them.
func andOf(lc *words.Locale, names []string) string {
	last := len(names) - 1
	if last == 0 {
		return names[0]
	}
	return lc.Say("%s and %s", strings.Join(names[:last], ", "), names[last])
}

func others(lc *words.Locale, n int) string {
	if n == 1 {
		return lc.Say("one other is")
	}
	return lc.Say("%s others are", spelled(lc, n))
}

func actOf(lc *words.Locale, r *view.Row, now unit.Instant) actPage {
	n := &r.Needs[0]
	return actPage{
		Action: lc.Kind(n.Finding.Kind).Action,
		By:     by(lc, n.By, now, r.Station.Site.Zone),
		Late:   n.By < now,
	}
}

// restWords says how the night was for the stations that need nobody.
func restWords(lc *words.Locale, t *view.Today) string {
	rest := &t.Rest
	switch {
	case rest.Count == 0 && rest.Unknown == 0:
		return ""
	case rest.Count == 0:
		return lc.Say("Nothing is known of last night.")
	}
	subject := lc.Say("Of the other %d heard", rest.Count)
	if t.Heard == rest.Count {
		subject = lc.Say("Of all %d heard", rest.Count)
	}
	text := ""
	switch {
	case rest.Count == 1:
		text = lc.Say("The one other box heard did not meet the dew point last night")
		if rest.Dewy == 1 {
			text = lc.Say("The one other box heard met the dew point last night")
		}
	case rest.Dewy == 0:
		text = lc.Say("%s none met the dew point last night", subject)
	case rest.Dewy == rest.Count:
		text = lc.Say("%s every one met the dew point last night", subject)
	default:
		text = lc.Say("%s, %d met the dew point last night", subject, rest.Dewy)
	}
	if rest.Dewy > 0 {
		n := &rest.Night.Sum
		text += lc.Say(", longest %s: %s", rest.Longest.Station.Name, hoursRange(lc, n.Condensing, n.CondensingLow, n.CondensingHigh))
	}
	if rest.Unknown > 0 {
		text += lc.Say("; nothing is known of %s", spelled(lc, rest.Unknown))
	}
	return text + "."
}

func rowOf(lc *words.Locale, r *view.Row, now unit.Instant) rowPage {
	s := &r.Station
	p := rowPage{ID: s.ID, Name: s.Name, Spot: spot(s), Strip: lastNights(lc, r, now)}
	p.Verdict, p.Also = verdict(lc, r, now)
	if len(r.Told) > 0 && p.Also == "" {
		p.Also = lc.Say("what is found at %s, on the same line", andOf(lc, r.Told))
	}
	if len(r.Aside) > 0 && p.Also == "" {
		var names []string
		for i := range r.Aside {
			names = append(names, lc.Lower(lc.Kind(r.Aside[i].Finding.Kind).Name))
		}
		p.Also = lc.Say("%s (put aside)", strings.Join(names, ", "))
	}
	if len(r.Needs) > 0 {
		a := actOf(lc, r, now)
		p.Act = &a
	}
	p.Figure, p.Text = marginWords(lc, &r.Now)
	switch {
	case r.Now.At == 0:
		p.Heard = moment{Text: lc.Say("never heard")}
		p.Text = lc.Say("no reading yet")
	case !r.Current:
		p.Figure, p.Text = "—", lc.Say("margin not known")
		fallthrough
	default:
		p.Heard = moment{lc.Say("heard %s ago", age(lc, now.Sub(r.Now.At))), utc(r.Now.At)}
	}
	if n := r.Nights.Last(now); n.Known() {
		p.LastNight = lc.Say("last night %s", nightWords(lc, &n))
	}
	return p
}

func spot(s *view.Station) string {
	switch {
	case s.Spot != "":
		return s.Spot
	case s.Site.Name != "":
		return s.Site.Name
	default:
		return s.ID
	}
}

func verdict(lc *words.Locale, r *view.Row, now unit.Instant) (text moment, also string) {
	if len(r.Needs) == 0 {
		return moment{Text: condition(lc, r, now)}, ""
	}
	n := &r.Needs[0]
	text = moment{fill(lc, lc.Kind(n.Finding.Kind).Verdict, n, r, now), utc(n.Finding.From)}
	if r.Silent > 1 {
		text.Text += lc.Say(" %s on its site.", capital(others(lc, r.Silent-1)))
	}
	var names []string
	for i := range r.Needs[1:] {
		names = append(names, lc.Lower(lc.Kind(r.Needs[i+1].Finding.Kind).Name))
	}
	return text, strings.Join(names, ", ")
}
