package web

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/season"
	"dewpost/rules/unit"
)

// outlookJSON is what was foretold of a night at one time of issue.
type outlookJSON struct {
	Night              string        `json:"night"`
	Issue              outlook.Issue `json:"issue"`
	Issued             unit.Instant  `json:"issued"`
	Until              unit.Instant  `json:"until"`
	Heard              unit.Instant  `json:"heard"`
	PCondensing        number        `json:"p_condensing"`
	PAtRisk            number        `json:"p_at_risk"`
	Basis              outlook.Basis `json:"basis"`
	Forecast           bool          `json:"forecast"`
	ObservedCondensing *bool         `json:"observed_condensing"`
	ObservedAtRisk     *bool         `json:"observed_at_risk"`
}

func outlookOf(o *record.Outlook) *outlookJSON {
	if o == nil {
		return nil
	}
	return &outlookJSON{
		o.Night.Night, o.Issue, o.Issued, o.Until, o.Heard, number(o.PCondensing), number(o.PAtRisk), o.Basis, o.Forecast,
		o.ObservedCondensing, o.ObservedAtRisk,
	}
}

type scoreJSON struct {
	Nights int        `json:"nights"`
	Wet    int        `json:"wet"`
	Brier  *number    `json:"brier"`
	Skill  *number    `json:"skill"`
	Bands  []bandJSON `json:"bands"`
}

type bandJSON struct {
	From     number  `json:"from"`
	To       number  `json:"to"`
	Nights   int     `json:"nights"`
	Wet      int     `json:"wet"`
	Foretold *number `json:"foretold"`
}

func scoreOf(s *outlook.Score) *scoreJSON {
	if s == nil {
		return nil
	}
	out := &scoreJSON{Nights: s.Nights, Wet: s.Wet, Bands: []bandJSON{}}
	if s.Nights > 0 {
		out.Brier = numberIf(s.Brier)
	}
	if skill, ok := s.Skill(); ok {
		out.Skill = numberIf(skill)
	}
	for i := range s.Bands {
		b := &s.Bands[i]
		j := bandJSON{From: number(b.Low), To: number(b.High), Nights: b.Nights, Wet: b.Wet}
		if b.Nights > 0 {
			j.Foretold = numberIf(b.Foretold)
		}
		out.Bands = append(out.Bands, j)
	}
	return out
}

func (s *server) apiOutlook(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "from", "to", "limit", "next")
	from, to := q.interval(view.Beginning, view.End)
	begin := from
	if q.next((*int64)(&begin)) && begin < from {
		q.refuse("next", q.values.Get("next"), "send the same from as with the page before")
	}
	limit := q.limit()
	if q.err != nil {
		return q.err
	}
	rows, next, err := s.cfg.View.Outlooks(r.Context(), r.PathValue("id"), begin, to, limit)
	if err != nil {
		return err
	}
	out := list[*outlookJSON]{Items: make([]*outlookJSON, 0, len(rows))}
	for i := range rows {
		out.Items = append(out.Items, outlookOf(&rows[i]))
	}
	if next != 0 {
		if out.Next, err = cursor(int64(next)); err != nil {
			return err
		}
	}
	return sendJSON(w, r, out)
}

type seasonJSON struct {
	Months     []season.Month  `json:"months"`
	DoseHEq    number          `json:"dose_h_eq"`
	LowHEq     number          `json:"low_h_eq"`
	HighHEq    number          `json:"high_h_eq"`
	Missing    int             `json:"missing_months"`
	BudgetHEq  *number         `json:"budget_h_eq"`
	BudgetLow  *number         `json:"budget_low_h_eq"`
	BudgetHigh *number         `json:"budget_high_h_eq"`
	Learned    bool            `json:"budget_learned"`
	TauH       *number         `json:"tau_h"`
	Changes    []season.Result `json:"what_if"`
}

func seasonOf(s *view.YearAhead) seasonJSON {
	out := seasonJSON{Months: s.Months, DoseHEq: number(s.Dose), LowHEq: number(s.Low), HighHEq: number(s.High), Missing: s.Missing, Learned: s.Learned, Changes: append([]season.Result{}, s.Changes...)}
	if s.Budget > 0 {
		out.BudgetHEq, out.BudgetLow, out.BudgetHigh = numberIf(s.Budget), numberIf(s.BudgetLow), numberIf(s.BudgetHigh)
	}
	if s.Tau > 0 {
		out.TauH = numberIf(s.Tau)
	}
	return out
}

// season tells a station's season ahead with the changes that a request asks about.
func (s *server) season(r *http.Request, names []string) (view.YearAhead, error) {
	var changes []season.Change
	for _, name := range names {
		changes = append(changes, season.Change(name))
	}
	got, err := s.cfg.View.YearAhead(r.Context(), r.PathValue("id"), changes)
	var unknown season.Unknown
	if errors.As(err, &unknown) {
		return got, &problem{Status: http.StatusBadRequest, Title: "What was asked can't be answered", Field: "what_if", Value: unknown.Name, Fix: unknown.Fix}
	}
	return got, err
}

func (s *server) apiAhead(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "what_if")
	if q.err != nil {
		return q.err
	}
	var names []string
	if text := q.values.Get("what_if"); text != "" {
		names = strings.Split(text, ",")
	}
	got, err := s.season(r, names)
	if err != nil {
		return err
	}
	o, err := s.cfg.View.Outlook(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	return sendJSON(w, r, struct {
		Station    string       `json:"station"`
		Tonight    *outlookJSON `json:"tonight"`
		Condensing *scoreJSON   `json:"condensing_score"`
		AtRisk     *scoreJSON   `json:"at_risk_score"`
		Others     *scoreJSON   `json:"all_stations_score"`
		Season     seasonJSON   `json:"season"`
	}{got.Station.ID, outlookOf(o.Tonight), scoreOf(&o.Condensing), scoreOf(&o.AtRisk), scoreOf(o.Others), seasonOf(&got)})
}

// lessonJSON is what looks taught of one group.
type lessonJSON struct {
	Of       string  `json:"of"`
	Looks    int     `json:"looks"`
	Happened int     `json:"happened"`
	Learned  bool    `json:"learned"`
	Middle   number  `json:"middle"`
	Low      number  `json:"low"`
	High     number  `json:"high"`
	Unit     string  `json:"unit"`
	Spread   *number `json:"spread"`
}

func (s *server) apiLife(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	lessons, _, err := s.cfg.View.Lessons(r.Context())
	if err != nil {
		return err
	}
	out := list[lessonJSON]{Items: []lessonJSON{}}
	for _, told := range lessons.Told() {
		j := lessonJSON{told.Group, told.Looks, told.Happened, told.Learned, number(told.Middle), number(told.Low), number(told.High), told.Unit, nil}
		if told.Learned {
			j.Spread = numberIf(told.Spread)
		}
		out.Items = append(out.Items, j)
	}
	return sendJSON(w, r, out)
}

// basisOfOutlook says whose nights an outlook rests on.
var basisOfOutlook = map[outlook.Basis]string{
	outlook.Own:     "learned from this box’s own nights",
	outlook.OfSite:  "begun with what other boxes of the site learned, until it has its own nights",
	outlook.OfBuild: "begun with what other boxes of this build learned, until it has its own nights",
	outlook.Climate: "begun with places elsewhere, until it has its own nights",
}

// tonightWords say what is foretold, in sentences.
func tonightWords(lc *words.Locale, o *view.Outlook, now unit.Instant, zone *time.Location) (says []string) {
	t := o.Tonight
	if t == nil {
		return []string{lc.Say("No outlook for tonight: it takes the place of the site, a day of readings of sensors that aren’t in doubt, and is issued from the afternoon on.")}
	}
	says = append(says, lc.Say("Tonight the board condenses with %s, and is at risk with %s: foretold %s from what was heard until then%s, %s.", percent(lc, t.PCondensing), percent(lc, t.PAtRisk), since(lc, t.Issued, now, zone), forecastWords(lc, t.Forecast), lc.Say(basisOfOutlook[t.Basis])))
	if t.Issue == outlook.Early {
		says = append(says, lc.Say("That is the early view; the night’s own comes two hours after sunset."))
	}
	return says
}

func forecastWords(lc *words.Locale, used bool) string {
	if used {
		return lc.Say(" and a forecast of the weather")
	}
	return ""
}

// cameTrueWords answer: how often did such an outlook come true here?
func cameTrueWords(lc *words.Locale, o *view.Outlook) string {
	s, whose := &o.Condensing, lc.Say("here")
	if s.Nights < view.FewNights && o.Others != nil && o.Others.Nights > s.Nights {
		s, whose = o.Others, lc.Say("at all stations, for here too few nights are over,")
	}
	if s.Nights == 0 {
		return lc.Say("How often outlooks come true here is not known yet: no night is over.")
	}
	text := lc.Say("So far %s %d nights are over, of which %d condensed.", whose, s.Nights, s.Wet)
	if o.Tonight != nil {
		b := &s.Bands[min(outlook.Bands-1, int(o.Tonight.PCondensing*outlook.Bands))]
		if b.Nights > 0 {
			text += lc.Say(" Of the %d on which %s to %s was foretold, as for tonight, %d did.", b.Nights, percent(lc, b.Low), percent(lc, b.High), b.Wet)
		} else {
			text += lc.Say(" On none of them %s to %s was foretold, as for tonight.", percent(lc, b.Low), percent(lc, b.High))
		}
	}
	if skill, ok := s.Skill(); ok && s.Nights >= view.FewNights {
		if skill > 0 {
			text += lc.Say(" That is %s less error than always saying how many nights are wet.", percent(lc, skill))
		} else {
			text += lc.Say(" That is no better than always saying how many nights are wet.")
		}
	}
	return text
}

type bandPage struct{ Foretold, Nights, Came, Share string }

func bandsOf(lc *words.Locale, s *outlook.Score) (all []bandPage) {
	for i := range s.Bands {
		b := &s.Bands[i]
		p := bandPage{lc.Say("%s to %s", percent(lc, b.Low), percent(lc, b.High)), fmt.Sprint(b.Nights), fmt.Sprint(b.Wet), "–"}
		if b.Nights > 0 {
			p.Share = percent(lc, float64(b.Wet)/float64(b.Nights))
		}
		all = append(all, p)
	}
	return all
}

type aheadPage struct {
	sheet
	ID, Name string
	At       moment
	Tonight  []string
	CameTrue string
	Bands    []bandPage
	Whose    string
	Year     []string
	Months   []monthAhead
	Options  []choicePage
	Changes  []changePage
	Learned  []string
	Zone     string
}

type monthAhead struct{ Name, Dose, Range, From string }

type changePage struct{ Name, Says, Assumes, Caution string }

// ahead shows what is foretold of a station: tonight, the season, and what changes
// would do.
func (s *server) ahead(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	asked := r.URL.Query()["what_if"]
	plain := r.Clone(r.Context())
	values := r.URL.Query()
	values.Del("what_if")
	plain.URL.RawQuery = values.Encode()
	if q := ask(plain); q.err != nil {
		return q.err
	}
	got, err := s.season(r, asked)
	if err != nil {
		return err
	}
	o, err := s.cfg.View.Outlook(r.Context(), got.Station.ID)
	if err != nil {
		return err
	}
	lessons, looks, err := s.cfg.View.Lessons(r.Context())
	if err != nil {
		return err
	}
	now, zone := s.now(), got.Station.Site.Zone
	p := &aheadPage{
		ID: got.Station.ID, Name: got.Station.Name, At: moment{lc.Format(now.Time().In(zone), "Monday 2 January 2006, 15:04"), utc(now)},
		Tonight: tonightWords(lc, &o, now, zone), CameTrue: cameTrueWords(lc, &o), Year: yearWords(lc, &got), Zone: zone.String(),
		Learned: learnedWords(lc, lessons, looks),
	}
	switch {
	case o.Condensing.Nights > 0:
		p.Bands, p.Whose = bandsOf(lc, &o.Condensing), lc.Say("this station")
	case o.Others != nil && o.Others.Nights > 0:
		p.Bands, p.Whose = bandsOf(lc, o.Others), lc.Say("all stations")
	}
	for _, m := range got.Months {
		p.Months = append(p.Months, monthAheadOf(lc, &m))
	}
	for _, c := range season.Changes {
		p.Options = append(p.Options, choicePage{string(c), lc.Retell(season.What(c)), slices.Contains(asked, string(c))})
	}
	for i := range got.Changes {
		p.Changes = append(p.Changes, changeOf(lc, &got.Changes[i]))
	}
	return s.page(w, r, http.StatusOK, "ahead.html", p)
}

func monthAheadOf(lc *words.Locale, m *season.Month) monthAhead {
	name := m.Month
	if t, err := time.Parse("2006-01", m.Month); err == nil {
		name = lc.Format(t, "January 2006")
	}
	switch m.Basis {
	case season.Own:
		return monthAhead{name, plain(lc, m.DoseHEq, 0), lc.Say("%s to %s", plain(lc, m.LowHEq, 0), plain(lc, m.HighHEq, 0)), lc.Say("its own past, %s", count(lc, int64(m.Years), "year"))}
	case season.Climate:
		return monthAhead{name, plain(lc, m.DoseHEq, 0), lc.Say("%s to %s", plain(lc, m.LowHEq, 0), plain(lc, m.HighHEq, 0)), lc.Say("the air outdoors there, %s", count(lc, int64(m.Years), "year"))}
	}
	return monthAhead{name, lc.Say("not known"), "", lc.Say("nothing was heard of such a month")}
}

// yearWords say what twelve months take of a board's life.
func yearWords(lc *words.Locale, s *view.YearAhead) (says []string) {
	if s.Missing == len(s.Months) {
		return []string{lc.Say("What the months ahead bring is not known yet: three days of one month are needed at least.")}
	}
	text := lc.Say("The months ahead bring a dose of about %s (%s to %s) equivalent hours at saturation", plain(lc, s.Dose, 0), plain(lc, s.Low, 0), plain(lc, s.High, 0))
	if s.Missing > 0 {
		text += lc.Say(", without %s of which nothing is known", count(lc, int64(s.Missing), "month"))
	}
	says = append(says, text+".")
	if s.Budget > 0 {
		how := lc.Say("a judgement")
		if s.Learned {
			how = lc.Say("as visits taught")
		}
		says = append(says, lc.Say("That is %s of its budget of %s (%s to %s), %s.", percent(lc, s.Dose/s.Budget), plain(lc, s.Budget, 0), plain(lc, s.BudgetLow, 0), plain(lc, s.BudgetHigh, 0), how))
	}
	return says
}

func changeOf(lc *words.Locale, r *season.Result) changePage {
	p := changePage{Name: lc.Retell(capital(r.What)), Assumes: lc.Say("%s. A judgement, not measured.", lc.Retell(capital(r.Assumes))), Caution: lc.Retell(r.Caution)}
	switch {
	case r.WhyNot != "":
		p.Says = lc.Say("Not reckoned: %s.", lc.Retell(r.WhyNot))
	case r.Wear != r.Dose:
		p.Says = lc.Say("Of a budget it would use %s of what it uses now (%s to %s); the air stays as damp for %s of the dose (%s to %s).", percent(lc, r.Wear), percent(lc, r.WearLow), percent(lc, r.WearTop), percent(lc, r.Dose), percent(lc, r.DoseLow), percent(lc, r.DoseTop))
	default:
		p.Says = lc.Say("On the same weather the dose would have been %s of what it was (%s to %s).", percent(lc, r.Dose), percent(lc, r.DoseLow), percent(lc, r.DoseTop))
	}
	if r.WhyNot == "" {
		p.Says += lc.Say(" From %s days of its weather.", plain(lc, r.Hours/24, 0))
	}
	return p
}

// learnedWords say what looks into boxes taught.
func learnedWords(lc *words.Locale, lessons *life.Lessons, looks int) (says []string) {
	if looks == 0 {
		return []string{lc.Say("Nothing learned yet: nobody has written down what a board or a cover looked like at a visit. Budgets and ages are common practice, no source.")}
	}
	for _, l := range lessons.Told() {
		switch {
		case l.Looks == 0 && !l.Learned:
			continue
		case !l.Learned:
			says = append(says, lc.Say("%s: nothing learned yet from %s.", lc.Retell(capital(l.Name)), count(lc, int64(l.Looks), "look")))
		default:
			says = append(says, lc.Say("%s: %s %s (%s to %s), from %s, of which %d found it.", lc.Retell(capital(l.Name)), plain(lc, l.Middle, 0), lc.Retell(l.Unit), plain(lc, l.Low, 0), plain(lc, l.High, 0), count(lc, int64(l.Looks), "look"), l.Happened))
		}
	}
	return says
}
