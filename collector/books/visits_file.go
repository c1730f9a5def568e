package books

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// VisitFile is what a person writes down of a visit, all at once or piece by
// piece. Times are RFC 3339 and now where they are left out, dates 2006-01-02.
type VisitFile struct {
	Visit   int64         `json:"visit,omitempty"` // its number; left out: a new one
	Station string        `json:"station,omitempty"`
	Kind    bench.Kind    `json:"kind,omitempty"`
	Who     *string       `json:"who,omitempty"`     // left out: as before
	Planned *string       `json:"planned,omitempty"` // date; "": none any more
	Why     []CauseFile   `json:"why,omitempty"`
	WhyText string        `json:"why_text,omitempty"`
	States  []StateFile   `json:"states,omitempty"`
	Found   []FindingFile `json:"findings,omitempty"`
	Came    []OutcomeFile `json:"outcomes,omitempty"`
	Work    []WorkFile    `json:"work,omitempty"`
	Parts   []PartFile    `json:"parts,omitempty"`
	Photos  []PhotoFile   `json:"photos,omitempty"`
	Jars    []JarFile     `json:"jars,omitempty"`
	Card    *CardFile     `json:"card,omitempty"`
	Reports []SymptomFile `json:"symptoms,omitempty"`
	Form    string        `json:"form,omitempty"` // id that a page made, so that what is sent twice is written down once
}

// CauseFile is a finding that led to a visit.
type CauseFile struct {
	Kind   finding.Kind `json:"kind"`
	Number int64        `json:"number"`
}

// StateFile is a change of state.
type StateFile struct {
	State       bench.State `json:"state"`
	At          string      `json:"at,omitempty"`
	Note        string      `json:"note,omitempty"`
	WithoutCard string      `json:"without_card,omitempty"` // why no passed test card is needed
}

// FindingFile is what was found at one look.
type FindingFile struct {
	At        string                     `json:"at,omitempty"`
	Moisture  bench.Moisture             `json:"moisture,omitempty"`
	WaterML   *int64                     `json:"water_ml,omitempty"`
	Corrosion map[string]bench.Corrosion `json:"corrosion,omitempty"`
	Cover     bench.Condition            `json:"cover,omitempty"`
	Gasket    bench.Condition            `json:"gasket,omitempty"`
	Coating   bench.Condition            `json:"coating,omitempty"`
	Note      string                     `json:"note,omitempty"`
}

// OutcomeFile is what came of a finding of the station.
type OutcomeFile struct {
	CauseFile
	Outcome bench.Outcome `json:"outcome"`
	Reason  string        `json:"reason,omitempty"` // needed where it closes the finding
	At      string        `json:"at,omitempty"`
}

// WorkFile is one thing that was done.
type WorkFile struct {
	Code    bench.Code        `json:"code"`
	At      string            `json:"at,omitempty"`
	Details map[string]string `json:"details,omitempty"`
	Note    string            `json:"note,omitempty"`
}

// PartFile is a use of parts.
type PartFile struct {
	Lot              int64 `json:"lot"`
	Quantity         int64 `json:"quantity"`
	LastOneConfirmed bool  `json:"last_one_confirmed,omitempty"`
	TakeReserved     bool  `json:"take_reserved,omitempty"`
}

// PhotoFile is a picture: File is where a command finds it.
type PhotoFile struct {
	File    string `json:"file"`
	Caption string `json:"caption,omitempty"`
	Taken   string `json:"taken,omitempty"`
	Body    []byte `json:"-"`
}

// JarFile is a step in the humid jar; one with End alone ends the one that
// lasts.
type JarFile struct {
	Begin  string `json:"begin,omitempty"`
	End    string `json:"end,omitempty"`
	Inside string `json:"inside,omitempty"`
}

// CardFile is a filled-in test card.
type CardFile struct {
	At string `json:"at,omitempty"`
	bench.Card
	Closed string `json:"closed,omitempty"`
}

// SymptomFile is what somebody noticed.
type SymptomFile struct {
	Kind       bench.Symptom `json:"kind"`
	Note       string        `json:"note,omitempty"`
	ReportedBy string        `json:"reported_by,omitempty"`
	Since      string        `json:"since,omitempty"`
}

// ReadJSON reads one JSON value into v; an Error names what is wrong with it.
func ReadJSON(r io.Reader, v any) error {
	body, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	err = d.Decode(v)
	var wrongType *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &wrongType):
		return Error{wrongType.Field, wrongType.Value, "write a value of type " + wrongType.Type.String()}
	case errors.As(err, &syntax):
		return Error{"JSON", excerpt(body, syntax.Offset), fmt.Sprintf("write valid JSON: %s at byte %d", syntax, syntax.Offset)}
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return Error{"JSON", excerpt(body, int64(len(body))), "write one whole JSON object"}
	case err != nil:
		field, _ := strings.CutPrefix(err.Error(), "json: unknown field ")
		return Error{strings.Trim(field, `"`), "", "leave it out, or look at its spelling: there is no such field"}
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return Error{"JSON", excerpt(body, d.InputOffset()+1), "write one object and nothing behind it"}
	}
	return nil
}

// IsText tells whether s is something that each engine of a store can look for.
func IsText(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }

// excerpt is what stands before a place in a text.
func excerpt(body []byte, at int64) string {
	at = min(max(at, 0), int64(len(body)))
	return strings.ToValidUTF8(string(body[max(0, at-20):at]), "?")
}

const (
	noteMost = 2000 // bytes
	textMost = 200  // bytes
)

// visitReader turns what a person wrote into what is kept, and holds the first
// error.
type visitReader struct {
	now  unit.Instant
	zone *time.Location
	err  error
}

func (r *visitReader) refuse(field, value, fix string) {
	if r.err == nil {
		r.err = Error{field, value, fix}
	}
}

// wrong takes over what package bench says of a part of field, if anything.
func (r *visitReader) wrong(field string, err error) {
	var w bench.Wrong
	if errors.As(err, &w) {
		r.refuse(join(field, w.Field), w.Value, w.Fix)
	}
}

func join(field, part string) string {
	if field == "" || part == "" {
		return field + part
	}
	return field + "." + part
}

// text refuses what can't be kept or shown. Notes may have line breaks.
func (r *visitReader) text(field, value string, most int) string {
	switch {
	case !utf8.ValidString(value):
		r.refuse(field, strings.ToValidUTF8(value, "?"), "use text in UTF-8")
	case len(value) > most:
		r.refuse(field, strings.ToValidUTF8(value[:20], "")+"…", fmt.Sprintf("write at most %d bytes", most))
	case strings.ContainsFunc(value, func(c rune) bool {
		return c < ' ' && (c != '\n' && c != '\r' && c != '\t' || most < noteMost) || c == 0x7f
	}):
		r.refuse(field, value, "leave out control characters")
	}
	return strings.TrimSpace(value)
}

func (r *visitReader) note(field, value string) string { return r.text(field, value, noteMost) }

// earliest is a time before which no visit can have been.
var earliest = unit.At(time.Date(1990, 1, 1, 0, 0, 0, 0, time.UTC))

// localLayout is a time of day where the station hangs, as forms give it.
const localLayout = "2006-01-02T15:04"

// instant reads a time that has come; absent where it is left out. A time
// without offset is that where the station hangs, and a bare date its noon
// there, or now if that is still to come.
func (r *visitReader) instant(field, value string, absent unit.Instant) unit.Instant {
	if value == "" {
		return absent
	}
	var at unit.Instant
	if day, err := time.ParseInLocation(time.DateOnly, value, r.zone); err == nil {
		at = min(unit.At(day.Add(12*time.Hour)), max(unit.At(day), r.now))
	} else if local, err := time.ParseInLocation(localLayout, value, r.zone); err == nil {
		at = unit.At(local)
	} else if err := at.UnmarshalText([]byte(value)); err != nil {
		r.refuse(field, value, "write RFC 3339 or a date, as in 2025-05-14T09:00:00Z or 2025-05-14")
		return absent
	}
	if at > r.now {
		r.refuse(field, value, "it lies ahead: write a time that has come")
	}
	if at < earliest {
		r.refuse(field, value, "write a time from 1990 on")
	}
	return at
}

// date reads a date between 1990 and 2200; with past, one that has come.
func (r *visitReader) date(field, value string, past bool) string {
	if value == "" {
		return ""
	}
	day, err := time.ParseInLocation(time.DateOnly, value, r.zone)
	if err != nil || day.Year() < 1990 || day.Year() > 2200 {
		r.refuse(field, value, "write a date between 1990 and 2200, such as 2025-04-30")
		return ""
	}
	if past && unit.At(day) > r.now {
		r.refuse(field, value, "it lies ahead: write a date that has come")
	}
	return value
}

func at(list string, i int, name string) string {
	return join(list+"["+strconv.Itoa(i)+"]", name)
}

func (r *visitReader) states(list []StateFile) (all []record.VisitStep) {
	for i, s := range list {
		all = append(all, record.VisitStep{
			Step:        bench.Step{State: s.State, At: r.instant(at("states", i, "at"), s.At, r.now)},
			Note:        r.note(at("states", i, "note"), s.Note),
			WithoutCard: r.note(at("states", i, "without_card"), s.WithoutCard),
		})
	}
	return all
}

func (r *visitReader) findings(list []FindingFile) (all []record.VisitFinding) {
	for i, f := range list {
		found := bench.Findings{
			Moisture: f.Moisture, WaterML: f.WaterML, Corrosion: f.Corrosion,
			Cover: f.Cover, Gasket: f.Gasket, Coating: f.Coating, Note: r.note(at("findings", i, "note"), f.Note),
		}
		r.wrong(at("findings", i, ""), found.Check())
		all = append(all, record.VisitFinding{At: r.instant(at("findings", i, "at"), f.At, r.now), Findings: found})
	}
	return all
}

func (r *visitReader) outcomes(list []OutcomeFile) (all []record.VisitOutcome) {
	of := make([]CauseFile, len(list))
	for i := range list {
		of[i] = list[i].CauseFile
	}
	causes := r.causes("outcomes", of)
	for i, o := range list {
		reason := r.note(at("outcomes", i, "reason"), o.Reason)
		r.wrong(at("outcomes", i, ""), bench.CheckOutcome(o.Outcome, reason))
		all = append(all, record.VisitOutcome{Cause: causes[i], Outcome: o.Outcome, Reason: reason, At: r.instant(at("outcomes", i, "at"), o.At, r.now)})
	}
	return all
}

func (r *visitReader) work(list []WorkFile) (all []record.VisitWork) {
	for i, w := range list {
		done := bench.Work{Code: w.Code, At: r.instant(at("work", i, "at"), w.At, r.now), Details: make(map[string]string)}
		for name, value := range w.Details {
			if value = r.text(at("work", i, name), value, textMost); value != "" {
				done.Details[name] = value
			}
		}
		r.wrong(at("work", i, ""), done.Check())
		all = append(all, record.VisitWork{Work: done, Note: r.note(at("work", i, "note"), w.Note)})
	}
	return all
}

const piecesMost = 1_000_000

func (r *visitReader) parts(list []PartFile) (all []record.PartUse) {
	for i, p := range list {
		if p.Lot < 1 {
			r.refuse(at("parts", i, "lot"), strconv.FormatInt(p.Lot, 10), "name the lot by its number, from the list of parts")
		}
		if p.Quantity < 1 || p.Quantity > piecesMost {
			r.refuse(at("parts", i, "quantity"), strconv.FormatInt(p.Quantity, 10), "write a whole number from 1 to "+strconv.Itoa(piecesMost))
		}
		all = append(all, record.PartUse{Lot: p.Lot, Quantity: p.Quantity, LastOneConfirmed: p.LastOneConfirmed, TakeReserved: p.TakeReserved})
	}
	return all
}

func (r *visitReader) photos(list []PhotoFile) (all []record.VisitPhoto) {
	for i, p := range list {
		kept, err := CleanPhoto(p.Body)
		var bad Error
		if errors.As(err, &bad) {
			if p.File != "" {
				bad.Value = p.File
			}
			r.refuse(at("photos", i, bad.Field), bad.Value, bad.Fix)
		}
		kept.Caption = r.text(at("photos", i, "caption"), p.Caption, textMost)
		kept.Taken = r.instant(at("photos", i, "taken"), p.Taken, 0)
		all = append(all, kept)
	}
	return all
}

// jars reads steps in the humid jar. had are those of the visit so far.
func (r *visitReader) jars(list []JarFile, had []record.VisitJar) (all []record.VisitJar) {
	var lasts *record.VisitJar
	for i := range had {
		if had[i].End == 0 {
			lasts = &had[i]
		}
	}
	for i, j := range list {
		step := record.VisitJar{
			Begin: r.instant(at("jars", i, "begin"), j.Begin, 0), End: r.instant(at("jars", i, "end"), j.End, 0),
			Inside: r.text(at("jars", i, "inside"), j.Inside, textMost),
		}
		switch {
		case step.Begin == 0 && step.End == 0:
			r.refuse(at("jars", i, "begin"), "", "say when the step began, or when it ended")
		case step.Begin == 0 && lasts == nil:
			r.refuse(at("jars", i, "begin"), "", "say when the step began: none lasts that could end")
		case step.Begin == 0:
			step.Begin, step.Inside = lasts.Begin, lasts.Inside
		case lasts != nil:
			r.refuse(at("jars", i, "begin"), j.Begin, "end the step that began at "+lasts.Begin.String()+" first")
		case step.Inside == "":
			r.refuse(at("jars", i, "inside"), "", "say what was in the jar, as in: saturated salt solution, 75 %")
		}
		if step.End != 0 && step.End <= step.Begin {
			r.refuse(at("jars", i, "end"), j.End, "write a time after the begin, "+step.Begin.String())
		}
		lasts = nil
		if step.End == 0 {
			lasts = &step
		}
		all = append(all, step)
	}
	return all
}

// card reads a test card; it is checked once what it leaves out is known.
func (r *visitReader) card(c *CardFile) (all []record.VisitCard) {
	if c == nil {
		return nil
	}
	kept := record.VisitCard{At: r.instant("card.at", c.At, r.now), Card: c.Card}
	kept.Card.Closed = r.instant("card.closed", c.Closed, 0)
	kept.Card.Address = r.text("card.address", c.Address, textMost)
	kept.Card.LimitsFrom = r.text("card.limits_from", c.LimitsFrom, textMost)
	return []record.VisitCard{kept}
}

func (r *visitReader) symptoms(station string, list []SymptomFile) (all []record.Symptom) {
	for i, s := range list {
		r.wrong(at("symptoms", i, ""), bench.CheckSymptom(s.Kind))
		note := r.note(at("symptoms", i, "note"), s.Note)
		if s.Kind == "other" && note == "" {
			r.refuse(at("symptoms", i, "note"), "", "say what was noticed")
		}
		all = append(all, record.Symptom{
			Station: station, Kind: s.Kind, Note: note,
			ReportedBy: r.text(at("symptoms", i, "reported_by"), s.ReportedBy, textMost),
			Since:      r.date(at("symptoms", i, "since"), s.Since, true),
		})
	}
	return all
}

func (r *visitReader) causes(field string, list []CauseFile) (all []record.Cause) {
	for i, c := range list {
		if c.Number < 1 || c.Number > math.MaxInt32 {
			r.refuse(at(field, i, "number"), strconv.FormatInt(c.Number, 10), "take kind and number of a finding from the station's list")
		}
		r.text(at(field, i, "kind"), string(c.Kind), textMost)
		all = append(all, record.Cause(c))
	}
	return all
}
