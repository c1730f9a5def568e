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
}

func (c *JobCard) zone() *time.Location { return c.Station.Site.Zone }

func (c *JobCard) local(t unit.Instant) string {
	return t.Time().In(c.zone()).Format("2 Jan 2006, 15:04")
}

var kindNames = map[bench.Kind]string{
	bench.OnSite: "On site", bench.LocalInstaller: "By a local installer", bench.Photos: "Photos", bench.SendIn: "Bench job, sent in",
}

// Draw draws the card on paper of a size.
func (c *JobCard) Draw(size string) ([]byte, error) {
	s, err := newSheet(size, fmt.Sprintf("Job card, visit %d, %s", c.Visit.Number, c.Station.ID), c.Printed.Time().In(c.zone()))
	if err != nil {
		return nil, err
	}
	if err := c.draw(s); err != nil {
		return nil, err
	}
	return s.bytes()
}

func (c *JobCard) draw(s *sheet) error {
	if err := c.head(s); err != nil {
		return err
	}
	c.why(s)
	c.chart(s)
	c.steps(s)
	drawLoads(s, "Parts to load", c.Loads, false)
	if c.Visit.Kind == bench.Photos {
		s.heading("Photos to ask for")
		for _, text := range []string{"The whole unit from the front", "Cover and keys from near by, light from the side", "Gasket and cable entry", "Whatever looks wet, green or white"} {
			s.tick(text)
		}
		return nil
	}
	c.found(s)
	c.test(s)
	s.heading("When it is done")
	for _, text := range []string{
		"Closed, gasket in its place, all screws in; the time of closing is written down: a new baseline begins with it.",
		"Every key, the lamp and speech tried with somebody inside.",
		"Supply back on; the station was heard of again.",
		"Written into the record of the visit, with the parts that were used.",
	} {
		s.tick(text)
	}
	s.Ln(2)
	s.blanks([]string{"Begun, time", "Ended, time", "By", "For the owner"})
	return nil
}

func (c *JobCard) head(s *sheet) error {
	const mark = 30.0
	y := s.GetY()
	if c.Link != "" {
		if err := s.code(c.Link, margin+s.wide-mark, y-3, mark); err != nil {
			return err
		}
		s.wide -= mark + 3
	}
	s.font("B", 17)
	s.MultiCell(s.wide, 7.5, s.short(c.Station.Name, 2.6*s.wide), "", "L", false)
	s.font("", 11)
	when := "no day set"
	if day, err := time.Parse(time.DateOnly, c.Visit.Planned); err == nil {
		when = day.Format("Monday 2 January 2006")
	}
	s.MultiCell(s.wide, 5.5, s.clean(fmt.Sprintf("Visit %d · %s · %s", c.Visit.Number, kindNames[c.Visit.Kind], when)), "", "L", false)
	s.font("", body)
	lines := []string{"Station " + c.Station.ID}
	if c.Station.Site.Name != "" {
		lines[0] += ", " + c.Station.Site.Name
	}
	if c.Station.Spot != "" {
		lines[0] += ", " + c.Station.Spot
	}
	if c.Visit.Who != "" {
		lines = append(lines, "Who: "+c.Visit.Who)
	}
	if c.Access != "" {
		lines = append(lines, "Access: "+c.Access)
	}
	lines = append(lines, "Build: "+orNot(strings.ReplaceAll(c.Station.Build, "-", " "))+"; cover new: "+orNot(c.Station.CoverNew)+"; installed: "+orNot(c.Station.Installed))
	warranty := "Warranty: " + orNot(c.Warranty)
	if c.Last != "" {
		warranty += "; last worked on " + c.Last
	}
	for _, text := range append(lines, warranty+". Ask the workshop before work is charged.") {
		s.para(text)
	}
	if c.Link != "" {
		s.wide += mark + 3
		s.SetY(max(s.GetY(), y+mark-2))
	}
	return nil
}

func orNot(text string) string {
	if text == "" {
		return "not recorded"
	}
	return text
}

func (c *JobCard) why(s *sheet) {
	s.heading("Why")
	if c.Visit.WhyText != "" {
		s.para(c.Visit.WhyText)
	}
	for i := range c.Reasons {
		c.reason(s, &c.Reasons[i])
	}
	if len(c.Reasons) == 0 && c.Visit.WhyText == "" {
		s.para("Nobody wrote down why.")
	}
	for i := range c.Visit.Symptoms {
		y := &c.Visit.Symptoms[i]
		s.para("Noticed: " + strings.ReplaceAll(string(y.Kind), "-", " ") + join(", since ", y.Since) + join(": ", y.Note))
	}
	if len(c.Also) > 0 {
		s.bold("Also found of this station")
		for i := range c.Also {
			s.para(guideOf(c.Also[i].Finding.Kind).name + ", since " + c.local(c.Also[i].Finding.From))
		}
	}
}

func join(before, text string) string {
	if text == "" {
		return ""
	}
	return before + text
}

func (c *JobCard) reason(s *sheet, o *alarm.Occurrence) {
	f := &o.Finding
	state := "still so"
	switch {
	case o.Revised:
		state = "withdrawn by later data"
	case f.To != 0:
		state = "over since " + c.local(f.To)
	}
	s.bold(fmt.Sprintf("%s (%s/%d)", guideOf(f.Kind).name, f.Kind, o.Number))
	s.at(4, fmt.Sprintf("Since %s, concluded %s, %s; confidence %.0f %%", c.local(f.From), c.local(f.Concluded), state, 100*f.Confidence))
	var all []string
	for _, e := range f.Evidence {
		all = append(all, strings.TrimSpace(strings.ReplaceAll(e.Name, "_", " ")+" "+strconv.FormatFloat(e.Value, 'g', 3, 64)+" "+e.Unit))
	}
	s.at(4, strings.Join(all, "; "))
}

// hoursOf writes a time with its range; a figure never stands without it.
func hoursOf(is, low, high int64) string {
	return fmt.Sprintf("%.1f h (%.1f to %.1f)", unitHours(is), unitHours(low), unitHours(high))
}

func unitHours(ns int64) float64 { return float64(ns) / float64(time.Hour) }

func condensed(h *exposure.Hour) string {
	return hoursOf(h.Condensing, h.CondensingLow, h.CondensingHigh)
}

func (c *JobCard) chart(s *sheet) {
	s.heading("The evidence")
	drawSeries(s, &c.Chart)
}

// steps writes what to do for each finding, under the cautions.
func (c *JobCard) steps(s *sheet) {
	s.heading("Before you begin")
	s.frame(func() {
		for _, text := range append(books.CautionsOf(&c.Visit), "Water, mould and verdigris: gloves; no food near by. Never feed an agent from the intercom line unless the maker's figures allow it.") {
			s.para(text)
		}
	})
	s.heading("Steps")
	done := map[string]bool{}
	for i := range c.Reasons {
		g := guideOf(c.Reasons[i].Finding.Kind)
		if done[g.name] {
			continue
		}
		done[g.name] = true
		s.bold(g.name)
		for _, text := range g.steps {
			s.tick(text)
		}
	}
	if len(done) == 0 {
		for _, text := range []string{"Look at cover, gasket and cable entry; take a photo.", "Open the unit, say how wet it is inside, look at board and contacts.", "Do what the reason above asks for."} {
			s.tick(text)
		}
	}
}

func words[T ~string](all []T) (out []string) {
	for _, w := range all {
		out = append(out, strings.ReplaceAll(string(w), "-", " "))
	}
	return out
}

func (c *JobCard) found(s *sheet) {
	s.heading("Measure and look")
	s.blanks([]string{"Supply at the terminals, V", "Standby current as found, mA", "Water drained, ml", "Standby current when closed, mA", "Sensor out, number", "Sensor in, number"})
	s.Ln(1)
	s.choices("Inside", words(bench.Moistures))
	s.choices("Cover", words(bench.CoverConditions))
	s.choices("Gasket", words(bench.GasketConditions))
	s.choices("Coating", words(bench.CoatConditions))
	s.para("Corrosion, none, trace, moderate or severe, and where:")
	s.blanks([]string{"Board", "Contacts", "Connector", "Terminals"})
}

// test writes the bench test card: what must pass when the board was worked on.
func (c *JobCard) test(s *sheet) {
	s.heading("Test card")
	if c.Visit.Kind != bench.SendIn {
		s.para("Needed when the board was worked on: then the unit stays up only with all of it passed.")
	}
	limits := map[string]string{
		"keys": there(c.Test.Card.Keys.There), "lamps": there(c.Test.Card.Lamps.There), "volume_steps": there(c.Test.Card.VolumeSteps.There),
		"standby_current": most(c.Test.Card.StandbyMostMA, "mA"), "talk_current": most(c.Test.Card.TalkMostMA, "mA"),
		"cure": atLeast(c.Test.Card.CureHours), "address": join("should read ", c.Test.Card.Address),
	}
	var rows [][]string
	for _, l := range c.Test.Result.Lines {
		name := strings.NewReplacer("_", " ", "masked.", "free of coating: ").Replace(l.Check)
		value, verdict := limits[l.Check], "good □   bad □"
		switch {
		case l.Verdict == bench.Skipped:
			verdict = "need not be asked"
		case c.Test.At != 0:
			verdict = string(l.Verdict)
			value = join("", l.Reason)
		}
		rows = append(rows, []string{name, value, verdict})
	}
	s.table([]string{"Check", "Limit or number", "Result"}, []float64{0.36, 0.40, 0.24}, rows)
	if c.Test.Card.LimitsFrom != "" {
		s.small("Limits: " + c.Test.Card.LimitsFrom + ". The maker's sheet decides.")
	} else {
		s.small("Limits are those of the maker's sheet; where none is written, look it up before the test.")
	}
}

func there(n *int) string {
	if n == nil {
		return "how many: ____"
	}
	return strconv.Itoa(*n) + " of them"
}

func most(x *float64, unit string) string {
	if x == nil {
		return "____ " + unit + ", at most ____"
	}
	return "____ " + unit + ", at most " + strconv.FormatFloat(*x, 'f', -1, 64)
}

func atLeast(h *float64) string {
	if h == nil {
		return "closed after ____ h"
	}
	return "closed after " + strconv.FormatFloat(*h, 'f', -1, 64) + " h or more"
}

// drawLoads lists parts that go along, with a box for each.
func drawLoads(s *sheet, title string, loads []Load, byVisit bool) {
	s.heading(title)
	if len(loads) == 0 {
		s.para("Nothing is reserved.")
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
			text += ": none is free on the shelf"
		}
		if byVisit {
			text += fmt.Sprintf(" (visit %d, %s)", l.Visit, l.Station)
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
func (l *LoadList) Draw(size string) ([]byte, error) {
	s, err := newSheet(size, "Load list, "+l.Day, l.Printed)
	if err != nil {
		return nil, err
	}
	s.font("B", 17)
	title := "Load list, " + l.Day
	if day, err := time.Parse(time.DateOnly, l.Day); err == nil {
		title = "Load list, " + day.Format("Monday 2 January 2006")
	}
	s.MultiCell(s.wide, 7.5, title, "", "L", false)
	s.heading("Visits")
	if len(l.Visits) == 0 {
		s.para("No visit is planned for this day.")
	}
	for i := range l.Visits {
		v := &l.Visits[i]
		s.tick(fmt.Sprintf("%d · %s, %s · %s%s", v.Number, l.Names[v.Station], v.Station, kindNames[v.Kind], join(" · ", v.Who)))
	}
	drawLoads(s, "Parts", l.Loads, true)
	s.heading("Tools and stuff")
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
