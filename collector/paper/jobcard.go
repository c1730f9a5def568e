package paper

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

// Load is a part that goes along.
type Load struct {
	Visit    int64
	Station  string
	Kind     string
	Name     string
	Quantity int64
	Unit     string
	From     string // lot and place, in words; "" while none is free
	Lot      int64  // the first of those lots; 0: none
	Grade    string
}

// JobCard is what stands on the card of a visit or bench job.
type JobCard struct {
	Printed  unit.Instant
	Visit    record.VisitDetails
	Station  view.Station
	Access   string // to the site
	Warranty string // in words; "" when nobody recorded it
	Last     string // date of the visit before this one; ""
	Reasons  []alarm.Occurrence
	Also     []alarm.Occurrence // other findings that last
	Chart    view.Series
	Loads    []Load
	Test     record.VisitCard // the newest, or a blank one with what is known
	Link     string           // address of the visit's page
	Outcomes map[record.Cause]record.Came
	Clocks   view.Clocks
	Tonight  *record.Outlook // nil: none
}

func outcomeWords(lc *words.Locale, o *record.VisitOutcome, zone *time.Location) string {
	return lc.Say("%s on %s%s", capital(lc.Code(string(o.Outcome))), lc.Format(o.At.Time().In(zone), "2 Jan 2006"), join(": ", o.Reason))
}

func capital(text string) string {
	return strings.ToUpper(text[:min(1, len(text))]) + text[min(1, len(text)):]
}

func (c *JobCard) zone() *time.Location { return c.Station.Site.Zone }

func (c *JobCard) local(lc *words.Locale, t unit.Instant) string {
	return lc.Format(t.Time().In(c.zone()), "2 Jan 2006, 15:04")
}

// dated writes a day of the record as people do; what is no day stays as it is.
func dated(lc *words.Locale, text string) string {
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		return lc.Format(day, "2 Jan 2006")
	}
	return text
}

var kindNames = map[bench.Kind]string{
	bench.OnSite: "On site", bench.LocalInstaller: "By a local installer", bench.Photos: "Photos", bench.SendIn: "Bench job, sent in",
}

// Draw draws the card on paper of a size.
func (c *JobCard) Draw(lc *words.Locale, size string) ([]byte, error) {
	s, err := newSheet(lc, size, c.Title(lc), c.Printed.Time().In(c.zone()))
	if err != nil {
		return nil, err
	}
	if err := c.head(lc, s); err != nil {
		return nil, err
	}
	for _, b := range c.Blocks(lc) {
		s.block(lc, &b, &c.Chart)
	}
	return s.bytes()
}

// Title names the card.
func (c *JobCard) Title(lc *words.Locale) string {
	return lc.Say("Job card, visit %d, %s", c.Visit.Number, c.Station.ID)
}

// Blocks are all that stands on the card below its head, in order.
func (c *JobCard) Blocks(lc *words.Locale) []Block {
	s := &script{}
	c.why(lc, s)
	s.heading(lc.Say("The evidence"))
	s.add(Block{Kind: ChartBlock})
	s.para(lc.Say("%s Board: %s.", coverWords(lc, &c.Clocks.Cover), boardWords(lc, &c.Clocks.Board)))
	if o := c.Tonight; o != nil {
		s.para(lc.Say("Foretold for the night of %s: condensing with %.0f %%, at risk with %.0f %%.", dated(lc, o.Night.Night), 100*o.PCondensing, 100*o.PAtRisk))
	}
	c.steps(lc, s)
	loadsOf(lc, s, lc.Say("Parts to load"), c.Loads, false)
	if c.Visit.Kind == bench.Photos {
		s.heading(lc.Say("Photos to ask for"))
		for _, text := range []string{lc.Say("The whole unit from the front"), lc.Say("Cover and keys from near by, light from the side"), lc.Say("Gasket and cable entry"), lc.Say("Whatever looks wet, green or white")} {
			s.tick(text)
		}
		return s.blocks
	}
	c.found(lc, s)
	c.test(lc, s)
	s.add(Block{Kind: EndBlock})
	s.heading(lc.Say("When it is done"))
	for _, text := range []string{
		lc.Say("Closed, gasket in its place, all screws in; the time of closing is written down: a new baseline begins with it."),
		lc.Say("Every key, the lamp and speech tried with somebody inside."),
		lc.Say("Supply back on; the station was heard of again."),
		lc.Say("Written into the record of the visit, with the parts that were used."),
	} {
		s.tick(text)
	}
	s.blanks([]string{lc.Say("Begun, time"), lc.Say("Ended, time"), lc.Say("By"), lc.Say("For the owner")})
	return s.blocks
}

// Head is what stands above, line by line: the station, what visit it is, and
// what is known of either.
func (c *JobCard) Head(lc *words.Locale) (name, visit string, lines []string) {
	when := lc.Say("no day set")
	if day, err := time.Parse(time.DateOnly, c.Visit.Planned); err == nil {
		when = lc.Format(day, "Monday 2 January 2006")
	}
	visit = lc.Say("Visit %d · %s · %s", c.Visit.Number, lc.Say(kindNames[c.Visit.Kind]), when)
	lines = []string{lc.Say("Station %s%s%s", c.Station.ID, join(", ", c.Station.Site.Name), join(", ", c.Station.Spot))}
	if c.Visit.Who != "" {
		lines = append(lines, lc.Say("Who: %s", c.Visit.Who))
	}
	if c.Access != "" {
		lines = append(lines, lc.Say("Access: %s", c.Access))
	}
	lines = append(lines, lc.Say("Build: %s; cover new: %s; installed: %s", orNot(lc, lc.Code(c.Station.Build)), orNot(lc, dated(lc, c.Station.CoverNew)), orNot(lc, dated(lc, c.Station.Installed))))
	warranty := lc.Say("Warranty: %s%s", orNot(lc, dated(lc, c.Warranty)), join(lc.Say("; last worked on "), dated(lc, c.Last)))
	return c.Station.Name, visit, append(lines, lc.Say("%s. Ask the workshop before work is charged.", warranty))
}

func (c *JobCard) head(lc *words.Locale, s *sheet) error {
	const mark = 30.0
	y := s.GetY()
	if c.Link != "" {
		if err := s.code(c.Link, margin+s.wide-mark, y-3, mark); err != nil {
			return err
		}
		s.wide -= mark + 3
	}
	name, visit, lines := c.Head(lc)
	s.font("B", 17)
	s.MultiCell(s.wide, 7.5, s.short(name, 2.6*s.wide), "", "L", false)
	s.font("", 11)
	s.MultiCell(s.wide, 5.5, s.clean(visit), "", "L", false)
	s.font("", body)
	for _, text := range lines {
		s.para(text)
	}
	if c.Link != "" {
		s.wide += mark + 3
		s.SetY(max(s.GetY(), y+mark-2))
	}
	return nil
}

func orNot(lc *words.Locale, text string) string {
	if text == "" {
		return lc.Say("not recorded")
	}
	return text
}

func (c *JobCard) why(lc *words.Locale, s *script) {
	s.heading(lc.Say("Why"))
	if c.Visit.WhyText != "" {
		s.para(c.Visit.WhyText)
	}
	for i := range c.Reasons {
		c.reason(lc, s, &c.Reasons[i])
	}
	if len(c.Reasons) == 0 && c.Visit.WhyText == "" {
		s.para(lc.Say("Nobody wrote down why."))
	}
	for i := range c.Visit.Symptoms {
		y := &c.Visit.Symptoms[i]
		s.para(lc.Say("Noticed: %s%s%s", lc.Code(string(y.Kind)), join(lc.Say(", since "), dated(lc, y.Since)), join(": ", y.Note)))
	}
	if len(c.Also) > 0 {
		s.bold(lc.Say("Also found of this station"))
		for i := range c.Also {
			s.para(lc.Say("%s, since %s", lc.Kind(c.Also[i].Finding.Kind).Name, c.local(lc, c.Also[i].Finding.From)))
		}
	}
}

func join(before, text string) string {
	if text == "" {
		return ""
	}
	return before + text
}

func (c *JobCard) reason(lc *words.Locale, s *script, o *alarm.Occurrence) {
	f := &o.Finding
	state := lc.Say("still so")
	switch {
	case o.Revised:
		state = lc.Say("withdrawn by later data")
	case f.To != 0:
		state = lc.Say("over since %s", c.local(lc, f.To))
	}
	s.bold(fmt.Sprintf("%s (%s/%d)", lc.Kind(f.Kind).Name, f.Kind, o.Number))
	s.indented(lc.Say("Since %s, concluded %s, %s; confidence %.0f %%", c.local(lc, f.From), c.local(lc, f.Concluded), state, 100*f.Confidence))
	s.indented(strings.Join(lc.EvidenceLines(f.Evidence), "; "))
	if came, ok := c.Outcomes[record.Cause{Kind: f.Kind, Number: o.Number}]; ok {
		s.indented(outcomeWords(lc, &came.VisitOutcome, c.zone()) + lc.Say(" (visit %d)", came.Visit))
	}
}

// hoursOf writes a time with its range; a figure never stands without it.
func hoursOf(lc *words.Locale, is, low, high int64) string {
	return lc.Say("%.1f h (%.1f to %.1f)", unitHours(is), unitHours(low), unitHours(high))
}

func unitHours(ns int64) float64 { return float64(ns) / float64(time.Hour) }

func condensed(lc *words.Locale, h *exposure.Hour) string {
	return hoursOf(lc, h.Condensing, h.CondensingLow, h.CondensingHigh)
}

// steps writes what to do for each finding, under the cautions.
func (c *JobCard) steps(lc *words.Locale, s *script) {
	s.heading(lc.Say("Before you begin"))
	s.add(Block{Kind: CautionsBlock, Items: append(lc.RetellAll(books.CautionsOf(&c.Visit)), lc.Say("Water, mould and verdigris: gloves; no food near by. Never feed an agent from the intercom line unless the maker's figures allow it."))})
	s.heading(lc.Say("Steps"))
	done := map[string]bool{}
	for i := range c.Reasons {
		w := lc.Kind(c.Reasons[i].Finding.Kind)
		if done[w.Name] {
			continue
		}
		done[w.Name] = true
		s.bold(w.Name)
		for _, text := range w.Steps {
			s.tick(text)
		}
	}
	if len(done) == 0 {
		for _, text := range []string{lc.Say("Look at cover, gasket and cable entry; take a photo."), lc.Say("Open the unit, say how wet it is inside, look at board and contacts."), lc.Say("Do what the reason above asks for.")} {
			s.tick(text)
		}
	}
}

func (c *JobCard) found(lc *words.Locale, s *script) {
	s.heading(lc.Say("Measure and look"))
	s.blanks([]string{lc.Say("Supply at the terminals, V"), lc.Say("Standby current as found, mA"), lc.Say("Water drained, ml"), lc.Say("Standby current when closed, mA"), lc.Say("Sensor out, number"), lc.Say("Sensor in, number")})
	s.choices(lc.Say("Inside"), words.Codes(lc, bench.Moistures))
	s.choices(lc.Say("Cover"), words.Codes(lc, bench.CoverConditions))
	s.choices(lc.Say("Gasket"), words.Codes(lc, bench.GasketConditions))
	s.choices(lc.Say("Coating"), words.Codes(lc, bench.CoatConditions))
	s.para(lc.Say("Corrosion, none, trace, moderate or severe, and where:"))
	s.blanks([]string{lc.Say("Board"), lc.Say("Contacts"), lc.Say("Connector"), lc.Say("Terminals")})
}

// test writes the bench test card: what must pass when the board was worked on.
func (c *JobCard) test(lc *words.Locale, s *script) {
	s.heading(lc.Say("Test card"))
	if c.Visit.Kind != bench.SendIn {
		s.para(lc.Say("Needed when the board was worked on: then the unit stays up only with all of it passed."))
	}
	limits := map[string]string{
		"keys": there(lc, c.Test.Card.Keys.There), "lamps": there(lc, c.Test.Card.Lamps.There), "volume_steps": there(lc, c.Test.Card.VolumeSteps.There),
		"standby_current": most(lc, c.Test.Card.StandbyMostMA, "mA"), "talk_current": most(lc, c.Test.Card.TalkMostMA, "mA"),
		"cure": atLeast(lc, c.Test.Card.CureHours), "address": join(lc.Say("should read "), c.Test.Card.Address),
	}
	judged := c.Test.At != 0
	var rows [][]string
	for _, l := range c.Test.Result.Lines {
		name := lc.Code(l.Check)
		if what, ok := strings.CutPrefix(l.Check, "masked."); ok {
			name = lc.Say("free of coating: %s", lc.Code(what))
		}
		switch {
		case l.Verdict == bench.Skipped:
			rows = append(rows, []string{name, lc.Say("need not be asked"), "", ""})
		case judged:
			rows = append(rows, []string{name, lc.Retell(l.Reason), lc.Code(string(l.Verdict))})
		default:
			rows = append(rows, []string{name, limits[l.Check], "□", "□"})
		}
	}
	if judged {
		for i := range rows {
			rows[i] = rows[i][:3]
		}
		s.table([]string{lc.Say("Check"), lc.Say("What is to be said of it"), lc.Say("Result")}, []float64{0.36, 0.44, 0.20}, rows)
	} else {
		s.table([]string{lc.Say("Check"), lc.Say("Limit or number"), lc.Say("Good"), lc.Say("Bad")}, []float64{0.36, 0.44, 0.10, 0.10}, rows)
	}
	if c.Test.Card.LimitsFrom != "" {
		s.small(lc.Say("Limits: %s. The maker's sheet decides.", c.Test.Card.LimitsFrom))
	} else {
		s.small(lc.Say("Limits are those of the maker's sheet; where none is written, look it up before the test."))
	}
}

func there(lc *words.Locale, n *int) string {
	if n == nil {
		return lc.Say("how many: ____")
	}
	return lc.Say("%s of them", strconv.Itoa(*n))
}

func most(lc *words.Locale, x *float64, unit string) string {
	if x == nil {
		return lc.Say("____ %s, at most ____", unit)
	}
	return lc.Say("____ %s, at most %s", unit, strconv.FormatFloat(*x, 'f', -1, 64))
}

func atLeast(lc *words.Locale, h *float64) string {
	if h == nil {
		return lc.Say("closed after ____ h")
	}
	return lc.Say("closed after %s h or more", strconv.FormatFloat(*h, 'f', -1, 64))
}

// loadsOf lists parts that go along, with a box for each.
func loadsOf(lc *words.Locale, s *script, title string, loads []Load, byVisit bool) {
	s.heading(title)
	if len(loads) == 0 {
		s.para(lc.Say("Nothing is reserved."))
	}
	for i := range loads {
		l := &loads[i]
		text := fmt.Sprintf("%d %s", l.Quantity, l.Name)
		if l.Unit != "" && l.Unit != "piece" {
			text = fmt.Sprintf("%d %s %s", l.Quantity, l.Unit, l.Name)
		}
		if l.From != "" {
			text += ", " + l.From
		} else {
			text += lc.Say(": none is free on the shelf")
		}
		if byVisit {
			text += lc.Say(" (visit %d, %s)", l.Visit, l.Station)
		}
		s.tick(text)
	}
}

// LoadList is what goes along on one day.
type LoadList struct {
	Printed time.Time
	Day     string
	Visits  []record.Visit
	Names   map[string]string // of stations
	Loads   []Load
	Tools   []string
}

// Draw draws the list on paper of a size.
func (l *LoadList) Draw(lc *words.Locale, size string) ([]byte, error) {
	s, err := newSheet(lc, size, lc.Say("Load list, %s", l.Day), l.Printed)
	if err != nil {
		return nil, err
	}
	s.font("B", 17)
	title := lc.Say("Load list, %s", l.Day)
	if day, err := time.Parse(time.DateOnly, l.Day); err == nil {
		title = lc.Say("Load list, %s", lc.Format(day, "Monday 2 January 2006"))
	}
	s.MultiCell(s.wide, 7.5, title, "", "L", false)
	s.heading(lc.Say("Visits"))
	if len(l.Visits) == 0 {
		s.para(lc.Say("No visit is planned for this day."))
	}
	for i := range l.Visits {
		v := &l.Visits[i]
		s.tick(fmt.Sprintf("%d · %s, %s · %s%s", v.Number, l.Names[v.Station], v.Station, lc.Say(kindNames[v.Kind]), join(" · ", v.Who)))
	}
	parts := &script{}
	loadsOf(lc, parts, lc.Say("Parts"), l.Loads, true)
	for _, b := range parts.blocks {
		s.block(lc, &b, nil)
	}
	s.heading(lc.Say("Tools and stuff"))
	for _, text := range slices.Concat(tools, l.Tools) {
		s.tick(text)
	}
	return s.bytes()
}

// tools are those of every visit; common practice, no source.
var tools = []string{
	"Ladder, and somebody to stand below it", "Screwdrivers and bits for the covers", "Meter for volts and milliamps",
	"Light, glass, camera", "Cloths, cup for the water, gloves, eye protection", "Gaskets, sealant for the cable entry", "Bags and labels for what is taken out", "Job cards",
}
