package books

import (
	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

// VisitHead is a visit in lists, as JSON.
type VisitHead struct {
	Visit   int64         `json:"visit"`
	Station string        `json:"station"`
	Kind    bench.Kind    `json:"kind"`
	State   bench.State   `json:"state"`
	Who     *string       `json:"who"`
	Planned *string       `json:"planned"`
	Began   *unit.Instant `json:"began"`
	Ended   *unit.Instant `json:"ended"`
	Why     []CauseFile   `json:"why"`
	WhyText string        `json:"why_text"`
	Made    unit.Instant  `json:"made"`
	Author  string        `json:"author"`
}

// HeadOf writes a visit as JSON has it.
func HeadOf(v *record.Visit) VisitHead {
	h := VisitHead{
		Visit: v.Number, Station: v.Station, Kind: v.Kind, State: v.State, Who: orNull(v.Who), Planned: orNull(v.Planned),
		Began: orNull(v.Began), Ended: orNull(v.Ended), Why: []CauseFile{}, WhyText: v.WhyText, Made: v.Made, Author: v.Author,
	}
	for _, c := range v.Why {
		h.Why = append(h.Why, CauseFile(c))
	}
	return h
}

func orNull[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

type entryJSON struct {
	Author   string       `json:"author"`
	Recorded unit.Instant `json:"recorded"`
}

type stepJSON struct {
	State       bench.State  `json:"state"`
	At          unit.Instant `json:"at"`
	Note        string       `json:"note"`
	WithoutCard *string      `json:"without_card"`
	entryJSON
}

type findingJSON struct {
	At        unit.Instant               `json:"at"`
	Moisture  *bench.Moisture            `json:"moisture"`
	WaterML   *int64                     `json:"water_ml"`
	Corrosion map[string]bench.Corrosion `json:"corrosion"`
	Cover     *bench.Condition           `json:"cover"`
	Gasket    *bench.Condition           `json:"gasket"`
	Coating   *bench.Condition           `json:"coating"`
	Note      string                     `json:"note"`
	entryJSON
}

type outcomeJSON struct {
	CauseFile
	Outcome bench.Outcome `json:"outcome"`
	Closes  bool          `json:"closes"`
	Reason  string        `json:"reason"`
	At      unit.Instant  `json:"at"`
	entryJSON
}

type workJSON struct {
	Code    bench.Code        `json:"code"`
	At      unit.Instant      `json:"at"`
	Details map[string]string `json:"details"`
	Note    string            `json:"note"`
	entryJSON
}

type partJSON struct {
	Lot      int64  `json:"lot"`
	Kind     string `json:"kind"`
	Quantity int64  `json:"quantity"`
	entryJSON
}

type photoJSON struct {
	ID      int64         `json:"id"`
	Caption string        `json:"caption"`
	Taken   *unit.Instant `json:"taken"`
	Type    string        `json:"type"`
	Width   int           `json:"width"`
	Height  int           `json:"height"`
	Bytes   int64         `json:"bytes"`
	entryJSON
}

type jarJSON struct {
	Begin  unit.Instant  `json:"begin"`
	End    *unit.Instant `json:"end"`
	Inside string        `json:"inside"`
	entryJSON
}

// CardJSON is a test card with its judgement, as JSON.
type CardJSON struct {
	At     *unit.Instant `json:"at"` // null for one that is still blank
	Card   bench.Card    `json:"card"`
	Result bench.Result  `json:"result"`
	Author string        `json:"author"`
}

// CardOf writes a card as JSON has it.
func CardOf(c *record.VisitCard) CardJSON {
	for _, r := range []*bench.Row{&c.Card.Keys, &c.Card.Lamps, &c.Card.VolumeSteps} {
		r.Good, r.Bad = append([]int{}, r.Good...), append([]int{}, r.Bad...)
	}
	return CardJSON{orNull(c.At), c.Card, c.Result, c.Author}
}

// SymptomJSON is a symptom as JSON.
type SymptomJSON struct {
	ID         int64         `json:"id"`
	Station    string        `json:"station"`
	Visit      *int64        `json:"visit"`
	Kind       bench.Symptom `json:"kind"`
	Note       string        `json:"note"`
	ReportedBy *string       `json:"reported_by"`
	Since      *string       `json:"since"`
	entryJSON
}

// SymptomOf writes a symptom as JSON has it. Who reported it is for those only
// who work here.
func SymptomOf(s *record.Symptom, personal bool) SymptomJSON {
	out := SymptomJSON{
		ID: s.ID, Station: s.Station, Visit: orNull(s.Visit), Kind: s.Kind, Note: s.Note,
		Since: orNull(s.Since), entryJSON: entryJSON(s.Entry),
	}
	if personal {
		out.ReportedBy = orNull(s.ReportedBy)
	}
	return out
}

// BaselineJSON is a baseline as JSON.
type BaselineJSON struct {
	Kind  string        `json:"kind"`
	From  unit.Instant  `json:"from"`
	To    unit.Instant  `json:"to"`
	Valid bool          `json:"valid"`
	Why   *string       `json:"why"`
	Until *unit.Instant `json:"until"`
	Note  *string       `json:"note"`
}

// BaselineOf writes a baseline as JSON has it.
func BaselineOf(b *bench.Baseline) BaselineJSON {
	return BaselineJSON{b.Kind, b.From, b.To, b.Valid, orNull(b.Why), orNull(b.Until), orNull(b.Note)}
}

// VisitJSON is all of a visit, as JSON.
type VisitJSON struct {
	VisitHead
	Next     []bench.State `json:"next"` // states that may follow
	States   []stepJSON    `json:"states"`
	Findings []findingJSON `json:"findings"`
	Outcomes []outcomeJSON `json:"outcomes"`
	Work     []workJSON    `json:"work"`
	Parts    []partJSON    `json:"parts"`
	Photos   []photoJSON   `json:"photos"`
	Jars     []jarJSON     `json:"jars"`
	Cards    []CardJSON    `json:"cards"`
	Symptoms []SymptomJSON `json:"symptoms"`
	Cautions []string      `json:"cautions"`
}

// VisitOf writes a visit as JSON has it. Who reported symptoms is for those
// only who work here.
func VisitOf(d *record.VisitDetails, personal bool) VisitJSON {
	out := VisitJSON{
		VisitHead: HeadOf(&d.Visit), Next: bench.Next(d.Kind, d.State), Cautions: CautionsOf(d),
		States: []stepJSON{}, Findings: []findingJSON{}, Outcomes: []outcomeJSON{}, Work: []workJSON{}, Parts: []partJSON{}, Photos: []photoJSON{},
		Jars: []jarJSON{}, Cards: []CardJSON{}, Symptoms: []SymptomJSON{},
	}
	for _, s := range d.Steps {
		out.States = append(out.States, stepJSON{s.State, s.At, s.Note, orNull(s.WithoutCard), entryJSON(s.Entry)})
	}
	for _, f := range d.Findings {
		corrosion := f.Corrosion
		if corrosion == nil {
			corrosion = map[string]bench.Corrosion{}
		}
		out.Findings = append(out.Findings, findingJSON{
			f.At, orNull(f.Moisture), f.WaterML, corrosion, orNull(f.Cover), orNull(f.Gasket), orNull(f.Coating), f.Note, entryJSON(f.Entry),
		})
	}
	for _, o := range d.Outcomes {
		out.Outcomes = append(out.Outcomes, outcomeJSON{CauseFile(o.Cause), o.Outcome, o.Outcome.Closes(), o.Reason, o.At, entryJSON(o.Entry)})
	}
	for _, w := range d.Work {
		details := w.Details
		if details == nil {
			details = map[string]string{}
		}
		out.Work = append(out.Work, workJSON{w.Code, w.At, details, w.Note, entryJSON(w.Entry)})
	}
	for _, p := range d.Parts {
		out.Parts = append(out.Parts, partJSON{p.Lot, p.Kind, p.Quantity, entryJSON(p.Entry)})
	}
	for _, p := range d.Photos {
		out.Photos = append(out.Photos, photoJSON{p.ID, p.Caption, orNull(p.Taken), p.Type, p.Width, p.Height, p.Size, entryJSON(p.Entry)})
	}
	for _, j := range d.Jars {
		out.Jars = append(out.Jars, jarJSON{j.Begin, orNull(j.End), j.Inside, entryJSON(j.Entry)})
	}
	for i := range d.Cards {
		out.Cards = append(out.Cards, CardOf(&d.Cards[i]))
	}
	for i := range d.Symptoms {
		out.Symptoms = append(out.Symptoms, SymptomOf(&d.Symptoms[i], personal))
	}
	return out
}

// CautionsOf are the cautions for who does this visit's work; before any is
// written down, those for all that may come.
func CautionsOf(d *record.VisitDetails) []string {
	var codes []bench.Code
	for i := range d.Work {
		codes = append(codes, d.Work[i].Code)
	}
	if d.State.Open() && d.Kind != bench.Photos {
		codes = bench.Codes
	}
	return append([]string{}, bench.Cautions(d.Kind, codes)...)
}
