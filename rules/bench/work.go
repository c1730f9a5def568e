package bench

import (
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Code is one thing that is done to a station.
type Code string

// Codes of work.
const (
	Dried            Code = "dried"
	Cleaned          Code = "cleaned"
	Recoated         Code = "recoated"
	BoardChanged     Code = "board-changed"
	BoardRepaired    Code = "board-repaired"
	KeypadChanged    Code = "keypad-changed"
	LampChanged      Code = "lamp-changed"
	SpeakerChanged   Code = "speaker-changed"
	ConnectorChanged Code = "connector-changed"
	CoverChanged     Code = "cover-changed"
	FaceChanged      Code = "face-changed"
	GasketChanged    Code = "gasket-changed"
	EntrySealed      Code = "entry-sealed"
	WeepHoleOpened   Code = "weep-hole-opened"
	SensorChanged    Code = "sensor-changed"
	MadeUp           Code = "made-up"
	AddressSet       Code = "address-set"
	TakenDown        Code = "taken-down"
	Hung             Code = "hung"
)

// detail is what may, or must, be said with a code.
type detail struct {
	name  string
	need  bool
	check func(string) (fix string)
}

// meaning is what a code says.
type meaning struct {
	code    Code
	board   bool // the board is worked on: the unit needs a test card
	opens   bool // the box is opened or its tightness changed: baselines end
	solvent bool
	solder  bool
	details []detail
	says    func(w *Work, zone *time.Location) []value
}

type value struct{ name, value string }

func fixed(values ...value) func(*Work, *time.Location) []value {
	return func(*Work, *time.Location) []value { return values }
}

var meanings = []meaning{
	{code: Dried, opens: true},
	{code: Cleaned, board: true, opens: true, solvent: true},
	{code: Recoated, board: true, opens: true, solvent: true, says: recoated, details: []detail{
		{"coating", true, someText},
		{"sides", true, oneOf("one", "both")},
		{"coats", false, oneOf("1", "2", "3", "4", "5", "6", "7", "8", "9")},
		{"cure_hours", false, hours},
		{"cured", false, date},
	}},
	{code: BoardChanged, board: true, opens: true, solder: true, says: boardChanged, details: []detail{
		{"board", true, oneOf("new", "used", "donor")},
		{"grade", false, oneOf("a", "b", "c", "d")},
	}},
	{code: BoardRepaired, board: true, opens: true, solder: true},
	{code: KeypadChanged, board: true, opens: true, solder: true},
	{code: LampChanged, board: true, opens: true, solder: true},
	{code: SpeakerChanged, board: true, opens: true, solder: true},
	{code: ConnectorChanged, board: true, opens: true, solder: true},
	{code: CoverChanged, opens: true, says: coverChanged, details: []detail{{"cover", false, someText}, {"new", false, date}}},
	{code: FaceChanged, opens: true, says: faceChanged, details: []detail{{"face", false, someText}, {"new", false, date}}},
	{code: GasketChanged, opens: true},
	{code: EntrySealed, opens: true, says: fixed(value{fact.CableEntry, "sealed"})},
	{code: WeepHoleOpened, opens: true, says: fixed(value{fact.WeepHole, "open"})},
	{code: SensorChanged, opens: true, details: []detail{{"sensor", false, someText}, {"taken", false, someText}}},
	{code: MadeUp, details: []detail{{"what", true, someText}}},
	{code: AddressSet, opens: true, details: []detail{{"address", true, someText}}, says: func(w *Work, _ *time.Location) []value {
		return []value{{fact.Address, w.Details["address"]}}
	}},
	{code: TakenDown},
	{code: Hung, says: func(w *Work, zone *time.Location) []value { return []value{{fact.Installed, day(w.At, zone)}} }},
}

// Codes are all codes of work.
var Codes = func() (all []Code) {
	for i := range meanings {
		all = append(all, meanings[i].code)
	}
	return all
}()

func meant(c Code) meaning {
	for i := range meanings {
		if meanings[i].code == c {
			return meanings[i]
		}
	}
	return meaning{}
}

// OnBoard tells whether the board was worked on, so that the unit leaves with
// a passed test card only.
func (c Code) OnBoard() bool { return meant(c).board }

// Opens tells whether the box was opened or made tighter, so that baselines
// from before say nothing any more.
func (c Code) Opens() bool { return meant(c).opens }

// Details names what may be said with the code; those that must be end in *.
func (c Code) Details() []string {
	var all []string
	for _, d := range meant(c).details {
		name := d.name
		if d.need {
			name += "*"
		}
		all = append(all, name)
	}
	return all
}

// Work is one thing that was done.
type Work struct {
	Code    Code
	At      unit.Instant
	Details map[string]string
}

// Check returns a Wrong for an unknown code, and for a detail that is wrong,
// missing, or none of the code's.
func (w *Work) Check() error {
	if err := one("code", w.Code, Codes); err != nil {
		return err
	}
	details := meant(w.Code).details
	for _, name := range slices.Sorted(maps.Keys(w.Details)) {
		if !slices.ContainsFunc(details, func(d detail) bool { return d.name == name }) {
			fix := "leave it out: " + string(w.Code) + " takes no details"
			if len(details) > 0 {
				fix = "with " + string(w.Code) + " use " + strings.ReplaceAll(strings.Join(w.Code.Details(), ", "), "*", "")
			}
			return Wrong{name, w.Details[name], fix}
		}
	}
	for _, d := range details {
		text, said := w.Details[d.name]
		if !said && !d.need {
			continue
		}
		if fix := d.check(text); fix != "" {
			return Wrong{d.name, text, fix}
		}
	}
	if w.Code == Recoated && w.Details["cure_hours"] == "" && w.Details["cured"] == "" {
		return Wrong{"cure_hours", "", "say how long the cure takes, as the coating's sheet says, or under cured on which date it ends"}
	}
	if w.Code == SensorChanged && len(w.Details) == 0 {
		return Wrong{"sensor", "", "name the sensor that was put in, or under taken the one that was taken out"}
	}
	return nil
}

// CureEnds returns when the cure of a recoating ends: after the hours that are
// said, else with the day that is said in the zone; 0 when neither is.
func (w *Work) CureEnds(zone *time.Location) unit.Instant {
	if h, err := strconv.ParseFloat(w.Details["cure_hours"], 64); err == nil {
		return w.At.Add(time.Duration(h * float64(time.Hour)))
	}
	if t, err := time.ParseInLocation(time.DateOnly, w.Details["cured"], zone); err == nil {
		return unit.At(t.AddDate(0, 0, 1))
	}
	return 0
}

func recoated(w *Work, zone *time.Location) []value {
	said := []value{{fact.Coating, w.Details["coating"]}, {fact.CoatingSides, w.Details["sides"]}, {fact.Coated, day(w.At, zone)}}
	if n := w.Details["coats"]; n != "" {
		said = append(said, value{fact.Coats, n})
	}
	if d := w.Details["cured"]; d != "" {
		return append(said, value{fact.Cured, d})
	}
	if end := w.CureEnds(zone); end != 0 {
		said = append(said, value{fact.Cured, day(end, zone)})
	}
	return said
}

// boardChanged also says that the new board is bare: if it is not, it was
// coated here, and then Facts says so behind.
func boardChanged(w *Work, zone *time.Location) []value {
	said := []value{
		{fact.Board, w.Details["board"]},
		{fact.BoardFitted, day(w.At, zone)},
		{fact.Coating, fact.None},
		{fact.CoatingSides, fact.None},
		{fact.Coats, "0"},
	}
	if g := w.Details["grade"]; g != "" {
		said = append(said, value{fact.BoardGrade, g})
	}
	return said
}

func coverChanged(w *Work, zone *time.Location) []value {
	return changed(w, zone, fact.Cover, fact.CoverNew, fact.CoverCondition)
}

func faceChanged(w *Work, zone *time.Location) []value {
	return changed(w, zone, fact.Face, fact.FaceNew, fact.FaceCondition)
}

func changed(w *Work, zone *time.Location, what, since, condition string) []value {
	fresh := w.Details["new"]
	if fresh == "" {
		fresh = day(w.At, zone)
	}
	said := []value{{since, fresh}, {condition, "sound"}}
	if text := w.Details[what]; text != "" {
		said = append(said, value{what, text})
	}
	return said
}

func day(t unit.Instant, zone *time.Location) string { return t.Time().In(zone).Format(time.DateOnly) }

// Found returns what findings at a time say about a station. A cover that is
// cracked or missing makes it of another build.
func Found(station string, f *Findings, at unit.Instant) []fact.Fact {
	if f.Cover == "" {
		return nil
	}
	about := fact.Subject{Kind: fact.KindStation, ID: station}
	all := []fact.Fact{{Subject: about, Name: fact.CoverCondition, Value: string(f.Cover), From: at}}
	if f.Cover == "cracked" || f.Cover == "missing" {
		all = append(all, fact.Fact{Subject: about, Name: fact.Build, Value: crackedCover, From: at})
	}
	return all
}

const crackedCover = "cracked-cover" // a build

// Facts returns what work says about a station and its sensors, each fact from
// the instant of the work, in order. known are the station's facts so far. A
// board that was changed and recoated in the same list is coated, whatever the
// order in which the two are told. What the facts together make of the build
// is said last.
func Facts(station string, known []fact.Fact, work []Work, zone *time.Location) []fact.Fact {
	work = slices.Clone(work)
	slices.SortStableFunc(work, func(a, b Work) int {
		if a.Code != b.Code && (a.Code == BoardChanged || b.Code == BoardChanged) && a.At == b.At {
			if a.Code == BoardChanged {
				return -1
			}
			return 1
		}
		return int(min(max(a.At-b.At, -1), 1))
	})
	all := slices.Clone(known)
	for i := range work {
		w := &work[i]
		if says := meant(w.Code).says; says != nil {
			for _, v := range says(w, zone) {
				all = append(all, fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: station}, Name: v.name, Value: v.value, From: w.At})
			}
		}
		if b, ok := buildAfter(all, w); ok {
			all = append(all, fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: station}, Name: fact.Build, Value: b, From: w.At})
		}
		for _, s := range [...]struct{ id, where string }{{w.Details["taken"], fact.None}, {w.Details["sensor"], station}} {
			if w.Code == SensorChanged && s.id != "" {
				all = append(all, fact.Fact{Subject: fact.Subject{Kind: fact.KindSensor, ID: s.id}, Name: fact.Station, Value: s.where, From: w.At})
			}
		}
	}
	return all[len(known):]
}

// buildAfter returns the build that a station is of after work on its coating,
// board or cover, when that is known and another than before.
func buildAfter(facts []fact.Fact, w *Work) (string, bool) {
	before, _ := fact.At(facts, fact.Build, w.At)
	after := before
	switch w.Code {
	case Recoated:
		if before == "" || before == "uncoated" {
			after = "coated"
		}
	case BoardChanged:
		if strings.HasPrefix(before, "coated") {
			after = "uncoated"
		}
	case CoverChanged:
		switch coated, known := isCoated(facts, w.At); {
		case coated:
			after = "coated-new-cover"
		case known || before == crackedCover: // nobody said that it is coated
			after = "uncoated"
		}
	}
	return after, after != before
}

// Coated tells whether a station's board is coated at a time, as far as anybody
// said.
func Coated(facts []fact.Fact, at unit.Instant) bool {
	coated, _ := isCoated(facts, at)
	return coated
}

// isCoated tells whether the board was coated at a time, and whether that is
// known: from what was said of its coating, else from the last build that says
// more than that the cover is cracked.
func isCoated(facts []fact.Fact, at unit.Instant) (coated, known bool) {
	if coating, ok := fact.At(facts, fact.Coating, at); ok {
		return coating != fact.None, true
	}
	for _, b := range fact.Intervals(facts, fact.Build) {
		if b.From <= at && b.Value != crackedCover {
			coated, known = strings.HasPrefix(b.Value, "coated"), true
		}
	}
	return coated, known
}

func someText(text string) string {
	if strings.TrimSpace(text) == "" {
		return "write some text"
	}
	return ""
}

func oneOf(words ...string) func(string) string {
	return func(text string) string {
		if !slices.Contains(words, text) {
			return "write one of " + strings.Join(words, ", ")
		}
		return ""
	}
}

func date(text string) string {
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		return "write a date, such as 2025-04-30"
	}
	return ""
}

const cureMost = 720 // h

func hours(text string) string {
	if h, err := strconv.ParseFloat(text, 64); err != nil || !(h >= 0 && h <= cureMost) {
		return "write hours from 0 to " + strconv.Itoa(cureMost) + ", as the coating's sheet says"
	}
	return ""
}

// Cautions are what somebody who does such work must know, in sentences: the
// usual caution, which defers to local codes, the maker's sheet and licensed
// practice.
func Cautions(kind Kind, codes []Code) []string {
	all := []string{
		"Switch the line's supply off and make sure that it is off before a unit is opened or unhooked; work on a live line and on mains supplies is for licensed people, as local codes say.",
	}
	if kind != SendIn {
		all = append(all, "From a ladder: firm ground, three points of contact, somebody below, not in wind or rain; local rules for work at height come first.")
	}
	if slices.ContainsFunc(codes, func(c Code) bool { return meant(c).solvent }) {
		all = append(all, "Cleaners and coatings with solvents: fresh air, no flame or spark, gloves and eye protection; the maker's data sheet decides.")
	}
	if slices.ContainsFunc(codes, func(c Code) bool { return meant(c).solder }) {
		all = append(all, "Soldering: unit off its supply, fumes drawn off, eyes protected, hands washed after leaded solder; the maker's sheet decides.")
	}
	return all
}

// Words are the work's code and its details, sorted.
func (w *Work) Words() []string {
	all := []string{string(w.Code)}
	for _, name := range slices.Sorted(maps.Keys(w.Details)) {
		all = append(all, name+" "+w.Details[name])
	}
	return all
}
