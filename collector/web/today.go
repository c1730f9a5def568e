package web

import (
	"fmt"
	"net/http"
	"strings"

	"dewpost/collector/view"
	"dewpost/collector/words"
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
	Heard          moment
}

type needPage struct {
	ID, Name, Sentence string
	Act                actPage
}

type todayPage struct {
	sheet
	At       moment
	Heard    string
	Headline string
	Needs    []needPage
	Caution  string
	Rest     string
	Changed  []string // since yesterday
	Ended    []string
	More     string // how many need a person besides
	Choose   choosePage
	Groups   []groupPage
	Shown    string // which of how many, where there are more
	Pages    []linkPage
}

// needsShown is how many stations that need a person are told of at the top.
const needsShown = 12

func (s *server) today(w http.ResponseWriter, r *http.Request) error {
	c, err := askChoice(r)
	if err != nil {
		return err
	}
	t, err := s.cfg.View.Today(r.Context())
	if err != nil {
		return err
	}
	return s.page(w, r, http.StatusOK, "today.html", todayOf(&t, c))
}

func todayOf(all *view.Today, c choice) *todayPage {
	t := all.Only(c.Pick)
	p := &todayPage{
		At:    moment{t.At.Time().In(t.Zone).Format("Monday 2 January, 15:04"), utc(t.At)},
		Heard: heardWords(&t),
		Rest:  restWords(&t),
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
			Sentence: needSentence(r, t.At), Act: actOf(r, t.At),
		})
		kinds = append(kinds, r.Needs[0].Finding.Kind)
	}
	p.Caution = words.Cautions(kinds)
	if needed > needsShown {
		p.More = fmt.Sprintf("%d more need a person; their deadlines are later.", needed-needsShown)
	}
	p.Headline = headline(needed, len(t.Rows))
	if len(t.Rows) == 0 && len(all.Rows) > 0 {
		p.Headline = "No station is like that."
	}
	for i := range t.Ended {
		e := &t.Ended[i]
		zone := e.Station.Site.Zone
		p.Ended = append(p.Ended, fmt.Sprintf("%s: %s, over since %s.",
			e.Station.Name, strings.ToLower(words.Of(e.Finding.Kind).Name), since(e.Finding.To, t.At, zone)))
	}
	changes := t.Changes()
	p.Changed = sinceYesterday(&changes)
	p.Choose = chooseOf(all, c)
	p.list(&t, c)
	return p
}

// heardWords counts whom something was heard from, of those in service.
func heardWords(t *view.Today) string {
	text := fmt.Sprintf("heard from %d of %d", t.Heard, len(t.Rows))
	if t.ByHand > 0 {
		text += fmt.Sprintf(", %s read by hand", spelled(t.ByHand))
	}
	if t.Unheard > 0 {
		text += fmt.Sprintf(", %s not heard yet", spelled(t.Unheard))
	}
	return text
}

func headline(needed, of int) string {
	switch {
	case of == 0:
		return "No station is in service."
	case needed == 0:
		return "No box needs a person."
	case needed == 1:
		return "One box needs a person."
	default:
		return capital(spelled(needed)) + " boxes need a person."
	}
}

// needSentence says what is wrong with a station, with the number that says it
// best.
func needSentence(r *view.Row, now unit.Instant) string {
	n := &r.Needs[0]
	text := strings.TrimSuffix(fill(words.Of(n.Finding.Kind).Verdict, n, r, now), ".")
	text = strings.ToLower(text[:1]) + text[1:]
	switch {
	case r.Silent > 1:
		text += ", as " + others(r.Silent-1) + " on its site"
	case len(r.Feeds) > 0:
		text += ", on the line that also feeds " + andOf(r.Feeds)
	case n.Sum.Known == 0:
	case n.Finding.Kind == finding.BoardWet:
		text += ", condensing for " + hoursRange(n.Sum.Condensing, n.Sum.CondensingLow, n.Sum.CondensingHigh)
	case n.Finding.Kind == finding.DampWeek:
		text += ": at risk for " + hoursRange(n.Sum.AtRisk, n.Sum.AtRiskLow, n.Sum.AtRiskHigh) +
			" in its first seven days, usually " + evidence(&n.Finding, "normal_7_days")
	}
	return text + "."
}

// andOf writes names as people say them.
func andOf(names []string) string {
	last := len(names) - 1
	if last == 0 {
		return names[0]
	}
	return strings.Join(names[:last], ", ") + " and " + names[last]
}

func others(n int) string {
	if n == 1 {
		return "one other is"
	}
	return spelled(n) + " others are"
}

func actOf(r *view.Row, now unit.Instant) actPage {
	n := &r.Needs[0]
	return actPage{
		Action: words.Of(n.Finding.Kind).Action,
		By:     by(n.By, now, r.Station.Site.Zone),
		Late:   n.By < now,
	}
}

// restWords says how the night was for the stations that need nobody.
func restWords(t *view.Today) string {
	rest := &t.Rest
	switch {
	case rest.Count == 0 && rest.Unknown == 0:
		return ""
	case rest.Count == 0:
		return "Nothing is known of last night."
	}
	subject := fmt.Sprintf("Of the other %d heard", rest.Count)
	if t.Heard == rest.Count {
		subject = fmt.Sprintf("Of all %d heard", rest.Count)
	}
	text := ""
	switch {
	case rest.Count == 1:
		text = "The one other box heard did not meet the dew point last night"
		if rest.Dewy == 1 {
			text = "The one other box heard met the dew point last night"
		}
	case rest.Dewy == 0:
		text = subject + " none met the dew point last night"
	case rest.Dewy == rest.Count:
		text = subject + " every one met the dew point last night"
	default:
		text = fmt.Sprintf("%s, %d met the dew point last night", subject, rest.Dewy)
	}
	if rest.Dewy > 0 {
		n := &rest.Night.Sum
		text += fmt.Sprintf(", longest %s: %s", rest.Longest.Station.Name, hoursRange(n.Condensing, n.CondensingLow, n.CondensingHigh))
	}
	if rest.Unknown > 0 {
		text += fmt.Sprintf("; nothing is known of %s", spelled(rest.Unknown))
	}
	return text + "."
}

func rowOf(r *view.Row, now unit.Instant) rowPage {
	s := &r.Station
	p := rowPage{ID: s.ID, Name: s.Name, Spot: spot(s), Strip: lastNights(r, now)}
	p.Verdict, p.Also = verdict(r, now)
	if len(r.Told) > 0 && p.Also == "" {
		p.Also = "what is found at " + andOf(r.Told) + ", on the same line"
	}
	if len(r.Aside) > 0 && p.Also == "" {
		var names []string
		for i := range r.Aside {
			names = append(names, strings.ToLower(words.Of(r.Aside[i].Finding.Kind).Name))
		}
		p.Also = strings.Join(names, ", ") + " (put aside)"
	}
	if len(r.Needs) > 0 {
		a := actOf(r, now)
		p.Act = &a
	}
	p.Figure, p.Text = marginWords(&r.Now)
	switch {
	case r.Now.At == 0:
		p.Heard = moment{Text: "never heard"}
		p.Text = "no reading yet"
	case !r.Current:
		p.Figure, p.Text = "—", "margin not known"
		fallthrough
	default:
		p.Heard = moment{"heard " + age(now.Sub(r.Now.At)) + " ago", utc(r.Now.At)}
	}
	if n := r.LastNight(now); n.Known() {
		p.LastNight = "last night " + nightWords(n)
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

func verdict(r *view.Row, now unit.Instant) (text moment, also string) {
	if len(r.Needs) == 0 {
		return moment{Text: condition(r, now)}, ""
	}
	n := &r.Needs[0]
	text = moment{fill(words.Of(n.Finding.Kind).Verdict, n, r, now), utc(n.Finding.From)}
	if r.Silent > 1 {
		text.Text += " " + capital(others(r.Silent-1)) + " on its site."
	}
	var names []string
	for i := range r.Needs[1:] {
		names = append(names, strings.ToLower(words.Of(r.Needs[i+1].Finding.Kind).Name))
	}
	return text, strings.Join(names, ", ")
}
