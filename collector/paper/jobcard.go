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
	"dewpost/rules/finding"
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
}

func outcomeWords(o *record.VisitOutcome, zone *time.Location) string {
	return capital(strings.ReplaceAll(string(o.Outcome), "-", " ")) + " on " + o.At.Time().In(zone).Format("2 Jan 2006") + join(": ", o.Reason)
}

func capital(text string) string {
	return strings.ToUpper(text[:min(1, len(text))]) + text[min(1, len(text)):]
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
	s, err := newSheet(size, c.Title(), c.Printed.Time().In(c.zone()))
	if err != nil {
		return nil, err
	}
	if err := c.head(s); err != nil {
		return nil, err
	}
	for _, b := range c.Blocks() {
		s.block(&b, &c.Chart)
	}
	return s.bytes()
}

// Title names the card.
func (c *JobCard) Title() string {
	return fmt.Sprintf("Job card, visit %d, %s", c.Visit.Number, c.Station.ID)
}

// Blocks are all that stands on the card below its head, in order.
func (c *JobCard) Blocks() []Block {
	s := &script{}
	c.why(s)
	s.heading("The evidence")
	s.add(Block{Kind: ChartBlock})
	c.steps(s)
	loadsOf(s, "Parts to load", c.Loads, false)
	if c.Visit.Kind == bench.Photos {
		s.heading("Photos to ask for")
		for _, text := range []string{"The whole unit from the front", "Cover and keys from near by, light from the side", "Gasket and cable entry", "Whatever looks wet, green or white"} {
			s.tick(text)
		}
		return s.blocks
	}
	c.found(s)
	c.test(s)
	s.add(Block{Kind: EndBlock})
	s.heading("When it is done")
	for _, text := range []string{
		"Closed, gasket in its place, all screws in; the time of closing is written down: a new baseline begins with it.",
		"Every key, the lamp and speech tried with somebody inside.",
		"Supply back on; the station was heard of again.",
		"Written into the record of the visit, with the parts that were used.",
	} {
		s.tick(text)
	}
	s.blanks([]string{"Begun, time", "Ended, time", "By", "For the owner"})
	return s.blocks
}

// Head is what stands above, line by line: the station, what visit it is, and
// what is known of either.
func (c *JobCard) Head() (name, visit string, lines []string) {
	when := "no day set"
	if day, err := time.Parse(time.DateOnly, c.Visit.Planned); err == nil {
		when = day.Format("Monday 2 January 2006")
	}
	visit = fmt.Sprintf("Visit %d · %s · %s", c.Visit.Number, kindNames[c.Visit.Kind], when)
	lines = []string{"Station " + c.Station.ID + join(", ", c.Station.Site.Name) + join(", ", c.Station.Spot)}
	if c.Visit.Who != "" {
		lines = append(lines, "Who: "+c.Visit.Who)
	}
	if c.Access != "" {
		lines = append(lines, "Access: "+c.Access)
	}
	lines = append(lines, "Build: "+orNot(strings.ReplaceAll(c.Station.Build, "-", " "))+"; cover new: "+orNot(c.Station.CoverNew)+"; installed: "+orNot(c.Station.Installed))
	warranty := "Warranty: " + orNot(c.Warranty) + join("; last worked on ", c.Last)
	return c.Station.Name, visit, append(lines, warranty+". Ask the workshop before work is charged.")
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
	name, visit, lines := c.Head()
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

func orNot(text string) string {
	if text == "" {
		return "not recorded"
	}
	return text
}

func (c *JobCard) why(s *script) {
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
			s.para(words.Of(c.Also[i].Finding.Kind).Name + ", since " + c.local(c.Also[i].Finding.From))
		}
	}
}

func join(before, text string) string {
	if text == "" {
		return ""
	}
	return before + text
}

func (c *JobCard) reason(s *script, o *alarm.Occurrence) {
	f := &o.Finding
	state := "still so"
	switch {
	case o.Revised:
		state = "withdrawn by later data"
	case f.To != 0:
		state = "over since " + c.local(f.To)
	}
	s.bold(fmt.Sprintf("%s (%s/%d)", words.Of(f.Kind).Name, f.Kind, o.Number))
	s.indented(fmt.Sprintf("Since %s, concluded %s, %s; confidence %.0f %%", c.local(f.From), c.local(f.Concluded), state, 100*f.Confidence))
	s.indented(evidenceWords(f.Evidence))
	if came, ok := c.Outcomes[record.Cause{Kind: f.Kind, Number: o.Number}]; ok {
		s.indented(outcomeWords(&came.VisitOutcome, c.zone()) + fmt.Sprintf(" (visit %d)", came.Visit))
	}
}

// evidenceWords writes evidence in a line: a figure with the range that stands
// beside it.
func evidenceWords(list []finding.Evidence) string {
	values := make(map[string]float64)
	for _, e := range list {
		values[e.Name] = e.Value
	}
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', 3, 64) }
	var all []string
	for _, e := range list {
		base, end := strings.CutSuffix(e.Name, "_low")
		if !end {
			base, end = strings.CutSuffix(e.Name, "_high")
		}
		if _, ok := values[base]; end && ok {
			continue // behind its figure
		}
		text := strings.ReplaceAll(e.Name, "_", " ") + " " + number(e.Value)
		low, hasLow := values[e.Name+"_low"]
		high, hasHigh := values[e.Name+"_high"]
		if hasLow && hasHigh {
			text += " (" + number(low) + " to " + number(high) + ")"
		}
		if e.Unit != "" {
			text += " " + e.Unit
		}
		all = append(all, text)
	}
	return strings.Join(all, "; ")
}

// hoursOf writes a time with its range; a figure never stands without it.
func hoursOf(is, low, high int64) string {
	return fmt.Sprintf("%.1f h (%.1f to %.1f)", unitHours(is), unitHours(low), unitHours(high))
}

func unitHours(ns int64) float64 { return float64(ns) / float64(time.Hour) }

func condensed(h *exposure.Hour) string {
	return hoursOf(h.Condensing, h.CondensingLow, h.CondensingHigh)
}

// steps writes what to do for each finding, under the cautions.
func (c *JobCard) steps(s *script) {
	s.heading("Before you begin")
	s.add(Block{Kind: CautionsBlock, Items: append(books.CautionsOf(&c.Visit), "Water, mould and verdigris: gloves; no food near by. Never feed an agent from the intercom line unless the maker's figures allow it.")})
	s.heading("Steps")
	done := map[string]bool{}
	for i := range c.Reasons {
		w := words.Of(c.Reasons[i].Finding.Kind)
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
		for _, text := range []string{"Look at cover, gasket and cable entry; take a photo.", "Open the unit, say how wet it is inside, look at board and contacts.", "Do what the reason above asks for."} {
			s.tick(text)
		}
	}
}

func spaced[T ~string](all []T) (out []string) {
	for _, w := range all {
		out = append(out, strings.ReplaceAll(string(w), "-", " "))
	}
	return out
}

func (c *JobCard) found(s *script) {
	s.heading("Measure and look")
	s.blanks([]string{"Supply at the terminals, V", "Standby current as found, mA", "Water drained, ml", "Standby current when closed, mA", "Sensor out, number", "Sensor in, number"})
	s.choices("Inside", spaced(bench.Moistures))
	s.choices("Cover", spaced(bench.CoverConditions))
	s.choices("Gasket", spaced(bench.GasketConditions))
	s.choices("Coating", spaced(bench.CoatConditions))
	s.para("Corrosion, none, trace, moderate or severe, and where:")
	s.blanks([]string{"Board", "Contacts", "Connector", "Terminals"})
}

// test writes the bench test card: what must pass when the board was worked on.
func (c *JobCard) test(s *script) {
	s.heading("Test card")
	if c.Visit.Kind != bench.SendIn {
		s.para("Needed when the board was worked on: then the unit stays up only with all of it passed.")
	}
	limits := map[string]string{
		"keys": there(c.Test.Card.Keys.There), "lamps": there(c.Test.Card.Lamps.There), "volume_steps": there(c.Test.Card.VolumeSteps.There),
		"standby_current": most(c.Test.Card.StandbyMostMA, "mA"), "talk_current": most(c.Test.Card.TalkMostMA, "mA"),
		"cure": atLeast(c.Test.Card.CureHours), "address": join("should read ", c.Test.Card.Address),
	}
	judged := c.Test.At != 0
	var rows [][]string
	for _, l := range c.Test.Result.Lines {
		name := strings.NewReplacer("_", " ", "masked.", "free of coating: ").Replace(l.Check)
		switch {
		case l.Verdict == bench.Skipped:
			rows = append(rows, []string{name, "need not be asked", "", ""})
		case judged:
			rows = append(rows, []string{name, l.Reason, string(l.Verdict)})
		default:
			rows = append(rows, []string{name, limits[l.Check], "□", "□"})
		}
	}
	if judged {
		for i := range rows {
			rows[i] = rows[i][:3]
		}
		s.table([]string{"Check", "What is to be said of it", "Result"}, []float64{0.36, 0.44, 0.20}, rows)
	} else {
		s.table([]string{"Check", "Limit or number", "Good", "Bad"}, []float64{0.36, 0.44, 0.10, 0.10}, rows)
	}
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

// loadsOf lists parts that go along, with a box for each.
func loadsOf(s *script, title string, loads []Load, byVisit bool) {
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
	parts := &script{}
	loadsOf(parts, "Parts", l.Loads, true)
	for _, b := range parts.blocks {
		s.block(&b, nil)
	}
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
