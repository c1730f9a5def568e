package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

// exposureMonths is how far back the page looks where no time is asked for.
const exposureMonths = 12

// exposureAsked is a question for the exposure of stations.
type exposureAsked struct {
	stations []string // ids; none: those of the site, or all
	site     string
	from, to unit.Instant
	by       view.Stretch
	given    bool // anything was asked for
}

// askExposure reads the question; a station may be given several times.
func (s *server) askExposure(r *http.Request) (exposureAsked, error) {
	values := r.URL.Query()
	a := exposureAsked{stations: values["station"], given: r.URL.RawQuery != ""}
	if len(a.stations) > 1 {
		r = r.Clone(r.Context())
		values["station"] = a.stations[:1]
		r.URL.RawQuery = values.Encode()
	}
	q := ask(r, "station", "site", "from", "to", "by")
	a.site = q.values.Get("site")
	a.by = view.Stretch(q.choice("by", string(view.ByMonth), []string{string(view.ByMonth), string(view.BySeason), string(view.ByYear)}))
	now := s.now()
	a.to = q.date("to", now)
	begin := a.to.Time().UTC()
	a.from = q.date("from", unit.At(time.Date(begin.Year(), begin.Month()-exposureMonths+1, 1, 0, 0, 0, 0, time.UTC)))
	switch {
	case a.from >= a.to:
		q.refuse("to", q.values.Get("to"), "let it be after from: intervals are [from, to)")
	case a.to.Sub(a.from) > 40*366*day24:
		q.refuse("from", q.values.Get("from"), "ask for at most forty years")
	}
	slices.Sort(a.stations)
	if a.stations = slices.Compact(a.stations); len(a.stations) > view.MostExposed {
		q.refuse("station", strconv.Itoa(len(a.stations))+" stations", fmt.Sprintf("give at most %d", view.MostExposed))
	}
	return a, q.err
}

const day24 = 24 * time.Hour

// date reads a date or an instant; absent when it isn't given.
func (q *query) date(name string, absent unit.Instant) unit.Instant {
	text := q.values.Get(name)
	if text == "" {
		return absent
	}
	at, err := books.ParseInstant(name, text)
	if err != nil || at.Time().Year() < 1970 || at.Time().Year() > 2200 {
		q.refuse(name, text, "write a date or an instant from 1970 to 2200, as in 2025-03-01")
		return absent
	}
	return at
}

// exposures answers a question. picked is false when there are too many
// stations to compare without a choice.
func (s *server) exposures(r *http.Request, a *exposureAsked) (e view.Exposure, all []view.Row, picked bool, err error) {
	if all, err = s.cfg.View.Names(r.Context()); err != nil {
		return e, nil, false, err
	}
	ids := a.stations
	if a.site != "" {
		sites, _, err := s.cfg.View.Sites(r.Context())
		if err != nil {
			return e, nil, false, err
		}
		if !slices.ContainsFunc(sites, func(site view.Site) bool { return site.ID == a.site }) {
			return e, nil, false, &problem{Status: http.StatusNotFound, Title: "There is no such site", Field: "site", Value: a.site, Fix: "take an id from /api/v1/sites"}
		}
	}
	if len(ids) == 0 {
		for i := range all {
			if st := &all[i].Station; st.Retired == 0 && all[i].Now.At != 0 && (a.site == "" || st.Site.ID == a.site) {
				ids = append(ids, st.ID)
			}
		}
	}
	if len(ids) > view.MostExposed {
		return e, all, false, nil
	}
	e, err = s.cfg.View.Exposure(r.Context(), ids, a.from, a.to, a.by)
	return e, all, true, err
}

type exposureJSON struct {
	From   unit.Instant     `json:"from"`
	To     unit.Instant     `json:"to"`
	By     view.Stretch     `json:"by"`
	Nights int              `json:"common_nights"`
	Items  []exposedJSON    `json:"items"`
	Builds []exposedOfBuild `json:"builds"`
}

type exposedJSON struct {
	Station string          `json:"station"`
	All     sumJSON         `json:"all"`
	Common  sumJSON         `json:"common"`
	Periods []periodSumJSON `json:"periods"`
}

type periodSumJSON struct {
	Begin time.Time `json:"begin"`
	sumJSON
}

type exposedOfBuild struct {
	Build string `json:"build"`
	sumJSON
}

// sumJSON are hours, and those of a night on average.
type sumJSON struct {
	Known      float64     `json:"known_h"`
	Unknown    float64     `json:"unknown_h"`
	Condensing estimated   `json:"condensing_h"`
	AtRisk     estimated   `json:"at_risk_h"`
	Dose       float64     `json:"dose_h_eq"`
	DoseLow    float64     `json:"dose_low_h_eq"`
	DoseHigh   float64     `json:"dose_high_h_eq"`
	ANight     *[3]float64 `json:"condensing_h_a_night"` // central, low, high; null when nothing is known
}

type estimated struct {
	Hours float64 `json:"h"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

func sumOf(h *exposure.Hour) sumJSON {
	in := func(ns int64) float64 { return float64(ns) / float64(time.Hour) }
	j := sumJSON{
		Known: in(h.Known), Unknown: in(h.Unknown), Dose: float64(h.Dose) / 1e9,
		Condensing: estimated{in(h.Condensing), in(h.CondensingLow), in(h.CondensingHigh)},
		AtRisk:     estimated{in(h.AtRisk), in(h.AtRiskLow), in(h.AtRiskHigh)},
	}
	j.DoseLow, j.DoseHigh = exposure.DoseRange(j.Dose, h.Basis)
	if p := (&view.Period{Sum: *h}); h.Known > 0 {
		mid, low, high := p.ANight()
		j.ANight = &[3]float64{mid.Hours(), low.Hours(), high.Hours()}
	}
	return j
}

func (s *server) apiExposure(w http.ResponseWriter, r *http.Request) error {
	a, err := s.askExposure(r)
	if err != nil {
		return err
	}
	e, _, picked, err := s.exposures(r, &a)
	if err != nil {
		return err
	}
	if !picked {
		return &problem{Status: http.StatusBadRequest, Title: "A parameter is wrong", Field: "station", Fix: fmt.Sprintf("name a site, or at most %d stations", view.MostExposed)}
	}
	out := exposureJSON{From: e.From, To: e.To, By: e.By, Nights: e.Nights, Items: []exposedJSON{}, Builds: []exposedOfBuild{}}
	for i := range e.Rows {
		row := &e.Rows[i]
		j := exposedJSON{Station: row.Station.ID, All: sumOf(&row.All.Sum), Common: sumOf(&row.Common), Periods: []periodSumJSON{}}
		for k := range row.Periods {
			j.Periods = append(j.Periods, periodSumJSON{row.Periods[k].Begin, sumOf(&row.Periods[k].Sum)})
		}
		out.Items = append(out.Items, j)
	}
	for i := range e.Builds {
		out.Builds = append(out.Builds, exposedOfBuild{e.Builds[i].Build, sumOf(&e.Builds[i].Sum)})
	}
	return sendJSON(w, r, out)
}

// The page.

type exposurePage struct {
	sheet
	Lead     []string
	Wrong    string // too many stations
	From, To string
	By       []optionPage
	Sites    []optionPage
	Chosen   bool
	Heads    []string
	Rows     []exposedPage
	Builds   []buildExposedPage
	Nights   string // in which all chosen stations were known
	CSV      string
}

type exposedPage struct {
	ID, Name, Build string
	Picked          bool
	ANight          string
	All, Common     string
	Known           string
	Dose            string
	Strip           strip
	Cells           []string
}

type buildExposedPage struct{ Name, ANight, Known string }

func (s *server) exposure(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	a, err := s.askExposure(r)
	if err != nil {
		return err
	}
	e, all, picked, err := s.exposures(r, &a)
	if err != nil {
		return err
	}
	p := &exposurePage{
		From: a.from.Time().UTC().Format(time.DateOnly), To: a.to.Time().UTC().Format(time.DateOnly), Chosen: a.given,
		By: []optionPage{{"month", lc.Say("by month"), a.by == view.ByMonth}, {"season", lc.Say("by season"), a.by == view.BySeason}, {"year", lc.Say("by year"), a.by == view.ByYear}},
	}
	today := view.Today{Rows: all}
	sites, _ := today.Places()
	p.Sites = []optionPage{{"", lc.Say("all sites"), a.site == ""}}
	for i := range sites {
		p.Sites = append(p.Sites, optionPage{sites[i].ID, sites[i].Name, sites[i].ID == a.site})
	}
	if !picked {
		p.Wrong = lc.Say("There are more than %d stations: choose a site.", view.MostExposed)
		return s.page(w, r, http.StatusOK, "exposure.html", p)
	}
	p.fill(lc, &e, &a)
	values := url.Values{"from": {p.From}, "to": {p.To}, "by": {string(a.by)}, "station": a.stations}
	if a.site != "" {
		values.Set("site", a.site)
	}
	p.CSV = "/api/v1/exposure?" + values.Encode()
	return s.page(w, r, http.StatusOK, "exposure.html", p)
}

func (p *exposurePage) fill(lc *words.Locale, e *view.Exposure, a *exposureAsked) {
	for i := range e.Rows {
		row := &e.Rows[i]
		x := exposedPage{
			ID: row.Station.ID, Name: row.Station.Name, Build: nameIn(lc, buildNames, row.Station.Build),
			Picked: slices.Contains(a.stations, row.Station.ID), ANight: aNight(lc, &row.All),
			All:   hoursRange(lc, row.All.Sum.Condensing, row.All.Sum.CondensingLow, row.All.Sum.CondensingHigh),
			Known: lc.Say("%s of %s", days(lc, row.All.Sum.Known), days(lc, row.All.Sum.Known+row.All.Sum.Unknown)),
			Dose:  doseWords(lc, &row.All.Sum),
			Strip: periodStrip(lc, row, e.By),
		}
		if len(a.stations) > 1 && e.Nights > 0 {
			x.Common = aNight(lc, &view.Period{Sum: row.Common})
		}
		for k := range row.Periods {
			x.Cells = append(x.Cells, aNight(lc, &row.Periods[k]))
		}
		p.Rows = append(p.Rows, x)
	}
	if len(e.Rows) > 0 {
		for _, period := range e.Rows[0].Periods {
			p.Heads = append(p.Heads, periodName(lc, period.Begin, e.By))
		}
	}
	for i := range e.Builds {
		b := &e.Builds[i]
		name := nameIn(lc, buildNames, b.Build)
		if name == "" {
			name = lc.Say("not recorded")
		}
		p.Builds = append(p.Builds, buildExposedPage{name, aNight(lc, &view.Period{Sum: b.Sum}), days(lc, b.Sum.Known)})
	}
	if len(a.stations) > 1 {
		p.Nights = lc.Say("%d nights are known of all %d.", e.Nights, len(e.Rows))
	}
	p.Lead = exposureWords(lc, e)
}

// doseWords writes a dose with its range.
func doseWords(lc *words.Locale, h *exposure.Hour) string {
	dose := float64(h.Dose) / 1e9
	low, high := exposure.DoseRange(dose, h.Basis)
	return lc.Say("%s (%s to %s)", plain(lc, dose, 0), plain(lc, low, 0), plain(lc, high, 0))
}

// exposureWords says what stands out.
func exposureWords(lc *words.Locale, e *view.Exposure) []string {
	if len(e.Rows) == 0 {
		return []string{lc.Say("Nothing was heard of any station yet.")}
	}
	if !e.Rows[0].All.Enough() {
		return []string{lc.Say("Too little is known of this time to say how wet a night was.")}
	}
	var enough []*view.Exposed
	for i := range e.Rows {
		if e.Rows[i].All.Enough() {
			enough = append(enough, &e.Rows[i])
		}
	}
	most, least := enough[0], enough[len(enough)-1]
	text := lc.Say("%s was condensing for %s a night", most.Station.Name, aNight(lc, &most.All))
	if most != least {
		text += lc.Say(", the longest; %s for %s, the shortest", least.Station.Name, aNight(lc, &least.All))
	}
	all := []string{text + "."}
	if n := len(e.Rows) - len(enough); n > 0 {
		all = append(all, lc.Say("Of %s too little is known.", spelled(lc, n)))
	}
	return all
}

// aNight writes the average of a night with its range, or that nothing is told.
func aNight(lc *words.Locale, p *view.Period) string {
	if !p.Enough() {
		return "—"
	}
	mid, low, high := p.ANight()
	return hoursRange(lc, int64(mid), int64(low), int64(high))
}

func days(lc *words.Locale, ns int64) string {
	n := int64((time.Duration(ns) + day24/2) / day24)
	if n == 1 {
		return lc.Say("1 day")
	}
	return lc.Say("%s days", strconv.FormatInt(n, 10))
}

var seasonNames = map[time.Month]string{time.December: "winter", time.March: "spring", time.June: "summer", time.September: "autumn"}

func periodName(lc *words.Locale, begin time.Time, by view.Stretch) string {
	switch by {
	case view.BySeason:
		name := lc.Say(seasonNames[begin.Month()])
		if begin.Month() == time.December {
			return fmt.Sprintf("%s %d/%02d", name, begin.Year(), (begin.Year()+1)%100)
		}
		return fmt.Sprintf("%s %d", name, begin.Year())
	case view.ByYear:
		return begin.Format("2006")
	default:
		return lc.Format(begin, "Jan 2006")
	}
}

// periodStrip draws the average night of each period, as nights are drawn.
func periodStrip(lc *words.Locale, e *view.Exposed, by view.Stretch) strip {
	count := len(e.Periods)
	s := strip{
		ID: e.Station.ID, Width: count * columnStep, Height: stripAbove + stripFull + 2, Above: stripAbove, Full: stripFull,
		Title: lc.Say("Hours condensing in an average night"),
	}
	var ink, caps, base, before, desc strings.Builder
	var most *view.Period
	mostAt := 0
	for i := range e.Periods {
		p := &e.Periods[i]
		x := i * columnStep
		line := &base
		if p.Sum.Known+p.Sum.Unknown == 0 {
			line = &before
		}
		fmt.Fprintf(line, "M%d %dh%d", x, stripFull, columnStep)
		if i > 0 {
			desc.WriteString("; ")
		}
		desc.WriteString(periodName(lc, p.Begin, by) + " " + strings.Replace(aNight(lc, p), "—", lc.Say("not known"), 1))
		if !p.Enough() {
			if p.Sum.Known+p.Sum.Unknown > 0 {
				s.hatch(i, count, 0, stripFull/2)
			}
			continue
		}
		mid, _, high := p.ANight()
		h := tall(mid)
		column(&ink, x, 0, h)
		column(&caps, x, h, tall(high))
		if m, _, _ := periodOr(most).ANight(); mid > m {
			most, mostAt = p, i
		}
	}
	s.Ink, s.Cap, s.Base, s.Before, s.Desc = ink.String(), caps.String(), base.String(), before.String(), desc.String()
	s.First, s.Last = periodName(lc, e.Periods[0].Begin, by), periodName(lc, e.Periods[count-1].Begin, by)
	if most != nil {
		mid, _, high := most.ANight()
		s.Most = lc.Say("most %s", aNight(lc, most))
		s.Numbers = append(s.Numbers, stripNumber{
			X: fmt.Sprintf("%.2f%%", (float64(mostAt)+0.5)/float64(count)*100), Y: fmt.Sprintf("%.1f", stripAbove+stripFull-max(tall(mid), tall(high))-3),
			Text: hours(lc, int64(mid)), Class: "n most",
		})
	}
	return s
}

func periodOr(p *view.Period) *view.Period {
	if p == nil {
		return &view.Period{}
	}
	return p
}
