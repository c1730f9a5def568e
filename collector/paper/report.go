package paper

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/corrosion"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

// StationSeason is a station's part of a report.
type StationSeason struct {
	view.Season
	Clocks        view.Clocks
	Visits        []record.VisitDetails // that touch the period
	Compared      view.Compared
	Before, After view.Interval // that were compared
	Since         string        // what lies between them, in words
	Outcomes      map[record.Cause]record.Came
}

// Report is a season report for an owner.
type Report struct {
	Printed unit.Instant
	ReportQuery
	Title    string
	Stations []StationSeason
}

// Draw draws the report on paper of a size.
func (r *Report) Draw(lc *words.Locale, size string) ([]byte, error) {
	zone := r.Stations[0].Station.Site.Zone
	s, err := newSheet(lc, size, lc.Say("Season report, %s", r.Title), r.Printed.Time().In(zone))
	if err != nil {
		return nil, err
	}
	s.font("B", 17)
	s.MultiCell(s.wide, 7.5, s.short(lc.Say("Season report: %s", r.Title), 2.6*s.wide), "", "L", false)
	s.font("", 11)
	s.MultiCell(s.wide, 5.5, lc.Say("%s to %s", longDay(lc, r.From), longDay(lc, dayBefore(r.To))), "", "L", false)
	s.font("", body)
	s.Ln(1)
	s.para(lc.Say("What the sensors in your call stations saw in this time, what was found and what was done. Hours have a range behind them, because sensors are not exact: the truth lies most probably within it. Time that nobody heard of is not counted as dry."))
	if len(r.Stations) > 1 {
		r.overview(lc, s)
	}
	for i := range r.Stations {
		if i > 0 || len(r.Stations) > 1 {
			s.AddPage()
		}
		r.station(lc, s, &r.Stations[i])
	}
	r.payback(lc, s)
	r.appendix(lc, s)
	return s.bytes()
}

func longDay(lc *words.Locale, date string) string {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return lc.Format(day, "2 January 2006")
}

func dayBefore(date string) string {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return day.AddDate(0, 0, -1).Format(time.DateOnly)
}

func (r *Report) overview(lc *words.Locale, s *sheet) {
	s.heading(lc.Say("At a glance"))
	var rows [][]string
	for i := range r.Stations {
		one := &r.Stations[i]
		known := "–"
		if one.Sum.Known > 0 {
			known = condensed(lc, &one.Sum)
		}
		rows = append(rows, []string{one.Station.Name + " (" + one.Station.ID + ")", known, fmt.Sprint(len(one.Findings)), fmt.Sprint(len(one.Visits)), boardShare(lc, &one.Clocks.Board)})
	}
	s.table([]string{lc.Say("Station"), lc.Say("Dew on the board"), lc.Say("Found"), lc.Say("Visits"), lc.Say("Board's life used")}, []float64{0.32, 0.24, 0.09, 0.09, 0.26}, rows)
}

func (r *Report) station(lc *words.Locale, s *sheet, one *StationSeason) {
	s.heading(lc.Say("%s, station %s", one.Station.Name, one.Station.ID))
	if one.Station.Site.Name != "" || one.Station.Spot != "" {
		s.para(strings.TrimPrefix(one.Station.Site.Name+join(", ", one.Station.Spot), ", "))
	}
	if one.Sum.Known == 0 {
		s.para(lc.Say("Nothing is known of this station in this time."))
	} else {
		r.exposure(lc, s, one)
	}
	r.found(lc, s, one)
	r.done(lc, s, one)
	r.clocks(lc, s, one)
	r.compared(lc, s, one)
}

func (r *Report) exposure(lc *words.Locale, s *sheet, one *StationSeason) {
	h := &one.Sum
	s.para(lc.Say("Dew or frost lay on the board for %s. It was close to it (within 3 K, the dew included) for %s. The inside was damp, over 80 %% humidity and above freezing, for %.0f h, and frost was on the board for %.0f h, both as the sensors read, without a range. We know %.0f h of this time; of %.0f h nothing is known.", condensed(lc, h), hoursOf(lc, h.AtRisk, h.AtRiskLow, h.AtRiskHigh), unitHours(h.Tow), unitHours(h.Frost), unitHours(h.Known), unitHours(h.Unknown)+one.NotHeard.Hours()))
	if h.Basis != exposure.BasisBoard {
		s.small(lc.Say("There is no sensor on the board for all of this time: the board is taken to be as cold as the air in the box, or colder by what was learned elsewhere. That is why the range is wide."))
	}
	s.Ln(1)
	var hours, breath []bar
	breathes := false
	for i := range one.Months {
		m := &one.Months[i]
		name := lc.Format(m.First, "Jan 06")
		hours = append(hours, bar{name: name, absent: m.Sum.Known == 0, part: !m.Whole(), is: unitHours(m.Sum.Condensing), low: unitHours(m.Sum.CondensingLow), high: unitHours(m.Sum.CondensingHigh)})
		b := bar{name: name, absent: m.Breath == nil}
		if !b.absent {
			breathes = true
			b.is, b.low, b.high = m.Breath.TauH, m.Breath.LowH, 3*m.Breath.TauH
			if m.Breath.HighH != nil { // a bound far away would hide the rest
				b.high = min(b.high, *m.Breath.HighH)
			}
		}
		breath = append(breath, b)
	}
	s.bold(lc.Say("Hours of dew or frost, by month"))
	drawBars(s, "hours", hours)
	s.small(lc.Say("The line on each column is the range; a pale column is a month of which less than nine tenths is known; – is a month of which nothing is known."))
	if !breathes {
		s.para(lc.Say("How tight the box is, is not known for this time."))
		return
	}
	s.bold(lc.Say("How tight the box is, by month"))
	drawBars(s, lc.Say("hours (breathing time)"), breath)
	s.small(lc.Say("How long it takes until the damp inside has mostly followed the damp outdoors, as known at the end of each month: the longer, the tighter. A long fall says that the box has opened. It says nothing of rain. Ranges are cut at three times the value."))
}

func (r *Report) found(lc *words.Locale, s *sheet, one *StationSeason) {
	s.bold(lc.Say("What was found"))
	if len(one.Findings) == 0 {
		s.para(lc.Say("Nothing that needed a person."))
		return
	}
	zone := one.Station.Site.Zone
	// What comes again and again, with the same outcome, is one line.
	type group struct {
		name, came string
		from, to   unit.Instant // to 0: it lasts
		times      int
	}
	var groups []group
	for i := range one.Findings {
		f := &one.Findings[i].Finding
		g := group{name: lc.Kind(f.Kind).Name, from: f.From, to: f.To, times: 1}
		if o, ok := one.Outcomes[record.Cause{Kind: f.Kind, Number: one.Findings[i].Number}]; ok {
			g.came = outcomeWords(lc, &o.VisitOutcome, zone)
		}
		k := slices.IndexFunc(groups, func(had group) bool { return had.name == g.name && had.came == g.came && had.to != 0 })
		if k < 0 {
			groups = append(groups, g)
			continue
		}
		groups[k].times++
		if groups[k].to = max(groups[k].to, g.to); g.to == 0 {
			groups[k].to = 0
		}
	}
	day := func(t unit.Instant) string { return lc.Format(t.Time().In(zone), "2 Jan 2006") }
	var rows [][]string
	for _, g := range groups {
		if g.times > 1 {
			g.name += lc.Say(", %d times", g.times)
		}
		end := lc.Say("still so")
		if g.to != 0 {
			end = day(g.to)
		}
		rows = append(rows, []string{g.name, day(g.from), end, g.came})
	}
	s.table([]string{lc.Say("What"), lc.Say("Since"), lc.Say("Until"), lc.Say("What came of it")}, []float64{0.28, 0.14, 0.14, 0.44}, rows)
}

func (r *Report) done(lc *words.Locale, s *sheet, one *StationSeason) {
	s.bold(lc.Say("What was done"))
	if len(one.Visits) == 0 {
		s.para(lc.Say("There was no visit."))
		return
	}
	zone := one.Station.Site.Zone
	for i := range one.Visits {
		v := &one.Visits[i]
		var found, work, parts []string
		for j := range v.Findings {
			found = append(found, lc.Found(&v.Findings[j].Findings)...)
		}
		for j := range v.Work {
			work = append(work, strings.Join(lc.Done(&v.Work[j].Work), ", "))
		}
		for _, p := range v.Parts {
			parts = append(parts, fmt.Sprintf("%d %s", p.Quantity, p.Kind))
		}
		s.para(lc.Format(v.Began.Time().In(zone), "2 January 2006") + ", " + lc.Lower(lc.Say(kindNames[v.Kind])) +
			join(lc.Say(". Found: "), strings.Join(found, ", ")) + join(lc.Say(". Done: "), strings.Join(work, "; ")) + join(lc.Say(". Parts: "), strings.Join(parts, ", ")) + ".")
	}
}

func coverWords(lc *words.Locale, c *life.Cover) string {
	switch {
	case c.Cracked:
		return lc.Say("Cover: it has cracked or is gone, as somebody found.")
	case len(c.Missing) > 0:
		return lc.Say("Cover: its age is not known, because nobody has recorded %s.", strings.Join(words.Codes(lc, c.Missing), ", "))
	}
	return lc.Say("Cover: %.1f years outdoors, weighted by sun. Of covers like this %.0f %% have cracked by now, and %.0f %% will have half a year from now (a judgement from common practice, no source).", c.Age, 100*c.Chance, 100*c.Ahead)
}

func (r *Report) clocks(lc *words.Locale, s *sheet, one *StationSeason) {
	s.bold(lc.Say("Two clocks, as of %s", lc.Format(r.Printed.Time().In(one.Station.Site.Zone), "2 January 2006")))
	s.para(coverWords(lc, &one.Clocks.Cover))
	s.para(lc.Say("Board: %s. The budget is a judgement: what is seen on the board decides.", boardWords(lc, &one.Clocks.Board)))
}

// boardShare is how much of a board's life is used, for a table.
func boardShare(lc *words.Locale, b *life.Board) string {
	if !b.Known {
		return lc.Say("not known")
	}
	return lc.Say("%.0f %% (%.0f to %.0f %%)", 100*b.Fraction, 100*b.Low, 100*b.High)
}

func boardWords(lc *words.Locale, b *life.Board) string {
	if !b.Known {
		if len(b.Missing) > 0 {
			return lc.Say("not known: %s is not recorded", strings.Join(words.Codes(lc, b.Missing), ", "))
		}
		return lc.Say("not known yet")
	}
	if b.Fraction >= 1 {
		return lc.Say("its budget of damp hours is used %.1f times over (%.1f to %.1f)", b.Fraction, b.Low, b.High)
	}
	text := lc.Say("about %.0f %% of its life used (%.0f to %.0f %%)", 100*b.Fraction, 100*b.Low, 100*b.High)
	if b.Outlook == life.BeyondCover {
		text += lc.Say(", beyond cover age")
	}
	return text
}

func (r *Report) compared(lc *words.Locale, s *sheet, one *StationSeason) {
	s.room(28) // its heading and paragraph stay together
	s.bold(lc.Say("In equal weather"))
	c := &one.Compared.Condensing
	if c.Change == nil {
		s.para(lc.Say("Held against %s: not enough is known. It takes fourteen days of either, with the air outdoors, in weather that both had.", one.Since))
		return
	}
	change := lc.Say("%.1f h a day %s", math.Abs(*c.Change), map[bool]string{true: "more", false: "less"}[*c.Change > 0])
	s.para(lc.Say("Held against %s, on %d days with weather that both had, the board was wet %s a day and would have been %s: %s (%+.1f to %+.1f, nine times in ten). %s.", one.Since, c.After.Days-c.After.Unlike, dayHours(lc, c.After.Compared), dayHours(lc, c.After.Expected), change, *c.Low, *c.High, verdicts[c.Verdict()]))
	if one.Compared.SensorChanged {
		s.small(lc.Say("A sensor was changed in between: two may differ by 2 %%RH each, which this range doesn't hold."))
	}
}

func dayHours(lc *words.Locale, h *equal.Hours) string {
	return lc.Say("%.1f h (%.1f to %.1f)", h.Mid, h.Low, h.High)
}

var verdicts = map[equal.Verdict]string{
	equal.Drier:   "The box is drier than it was",
	equal.Wetter:  "The box is wetter than it was",
	equal.Same:    "No difference is shown",
	equal.Unknown: "Not enough is known yet",
}

func (r *Report) payback(lc *words.Locale, s *sheet) {
	c, p := &r.Costs, r.Costs.Payback()
	s.heading(lc.Say("Does it pay?"))
	money := func(x float64) string { return strings.TrimSpace(fmt.Sprintf("%.0f %s", x, r.Currency)) }
	years := lc.Say("it does not pay for itself by this reckoning alone")
	switch {
	case p.Soonest > 0 && p.Latest > 0:
		years = lc.Say("the retrofit is paid back in %.1f to %.1f years", p.Soonest, p.Latest)
	case p.Soonest > 0:
		years = lc.Say("the retrofit is paid back in %.1f years at best, and never at worst", p.Soonest)
	}
	s.para(lc.Say("For each station: the retrofit costs %s once and care %s a year. A unit is worth %s. Of unprotected units %.0f to %.0f %% are lost in a year, of protected ones %.0f to %.0f %%. That saves %s to %s a year, care taken off; %s.", money(c.Retrofit), money(c.Care), money(c.UnitValue), 100*c.WithoutLow, 100*c.WithoutHigh, 100*c.WithLow, 100*c.WithHigh, money(p.SavedLow), money(p.SavedHigh), years))
	if r.Costs == view.DefaultCosts {
		s.small(lc.Say("All of these are assumptions of this program, not your figures: no source. Ask the workshop to put in yours."))
	} else {
		s.small(lc.Say("Costs and value are as the workshop gave them; chances of loss are a judgement, no source."))
	}
}

// appendix tells the classes of ISO 9223 of the air outdoors. They are of metal
// in the open and say nothing of a board in a box.
func (r *Report) appendix(lc *words.Locale, s *sheet) {
	s.heading(lc.Say("Appendix: the air outdoors, for metal in the open"))
	s.para(lc.Say("After ISO 9223:2012. It says how hard the place is on bare metal, nothing of a board in a box."))
	var rows [][]string
	var known []*StationSeason // one of each place whose air is known
	seen := map[string]bool{}
	for i := range r.Stations {
		one := &r.Stations[i]
		if seen[placeOf(one)] {
			continue
		}
		seen[placeOf(one)] = true
		o := &one.Outdoors
		if !o.Enough {
			rows = append(rows, []string{placeOf(one), lc.Say("not known: %.0f h of 7000 that a year needs", o.KnownH), ""})
			continue
		}
		known = append(known, one)
		rows = append(rows, []string{placeOf(one), lc.Say("%.0f h a year, class τ%d", o.TowYearH, exposure.TowClass(o.TowYearH)), fmt.Sprintf("%.1f °C, %.0f %%", o.TempC, o.RHPct)})
	}
	s.table([]string{lc.Say("Place"), lc.Say("Wet (over 80 %, above 0 °C)"), lc.Say("Means")}, []float64{0.3, 0.42, 0.28}, rows)
	s.small(lc.Say("Counted by the means of hours, as sensors read."))
	if r.SO2 == nil || r.Cl == nil {
		s.small(lc.Say("Categories by metal take what is deposited of sulphur dioxide and chloride, which the workshop must give: deposits not given."))
		return
	}
	for _, one := range known {
		r.metals(lc, s, one)
	}
}

func placeOf(one *StationSeason) string { return cmp.Or(one.Station.Site.ID, one.Station.ID) }

// reportYears is how far ahead the loss of metal is told.
const reportYears = 20

// metals tells what a place does to metals in the open: the category of the first
// year, what it takes, and what twenty take.
func (r *Report) metals(lc *words.Locale, s *sheet, one *StationSeason) {
	air := corrosion.Air{Temp: one.Outdoors.TempC, RH: one.Outdoors.RHPct, Sulphur: *r.SO2, Chloride: *r.Cl}
	var rows [][]string
	for _, m := range corrosion.Metals {
		loss := corrosion.FirstYear(m, air)
		c := corrosion.CategoryOf(m, loss)
		name, category := lc.Say(metalNames[m]), c.Name
		if c.Beyond {
			category = lc.Say("above %s", category)
		}
		if loss.Memory {
			name += lc.Say(" (from memory)")
		}
		rows = append(rows, []string{
			name, category, lc.Say("%g µm (%g to %g)", twoFigures(loss.Um), twoFigures(loss.Low), twoFigures(loss.High)),
			lc.Say("%g µm (at most %g)", twoFigures(corrosion.Depth(m, loss.Um, reportYears, false)), twoFigures(corrosion.Depth(m, loss.High, reportYears, true))),
		})
	}
	s.bold(lc.Say("By metal, at %s", placeOf(one)))
	s.table([]string{lc.Say("Metal"), lc.Say("Category"), lc.Say("First year"), lc.Say("In %d years", reportYears)}, []float64{0.3, 0.14, 0.28, 0.28}, rows)
	for _, text := range corrosion.Outside(air) {
		s.small(lc.Say("Outside of what the formulas hold for: %s.", lc.Retell(text)))
	}
	s.small(lc.Say("Loss of the first year by ISO 9223:2012 from the means of the air and the deposits given, %g mg SO₂ and %g mg chloride a square metre and day, with the standard's own uncertainty (from memory); later years by ISO 9224:2012.", *r.SO2, *r.Cl))
}

// twoFigures rounds: the standard's estimate is good to half.
func twoFigures(x float64) float64 {
	if x == 0 {
		return 0
	}
	unit := math.Pow(10, math.Floor(math.Log10(math.Abs(x)))-1)
	return math.Round(math.Round(x/unit)*unit*1e6) / 1e6
}

var metalNames = map[corrosion.Metal]string{corrosion.Steel: "steel", corrosion.Zinc: "zinc", corrosion.Copper: "copper", corrosion.Aluminium: "aluminium"}
