package books

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// VisitStore keeps visits.
type VisitStore interface {
	Station(ctx context.Context, id string) (record.Station, error)
	Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error)
	// RecordVisit keeps all of an entry or nothing. It returns record.ErrChanged
	// when the visit is not in Visit.Version any more.
	RecordVisit(ctx context.Context, e record.VisitEntry) (number int64, err error)
	// FormVisit returns the visit of which a form was written down, or 0.
	FormVisit(ctx context.Context, form string) (number int64, err error)
	Visit(ctx context.Context, number int64) (record.VisitDetails, error)
	Visits(ctx context.Context, want record.VisitQuery) ([]record.Visit, error)
	VisitsOf(ctx context.Context, station string) ([]record.VisitDetails, error)
	VisitPhoto(ctx context.Context, visit, id int64) (record.VisitPhoto, error)
	LastCard(ctx context.Context, station, model string) (*record.VisitCard, error)
	Symptoms(ctx context.Context, station string) ([]record.Symptom, error)
	Occurrences(ctx context.Context, station string) ([]alarm.Occurrence, error)
}

// Visits writes down visits and bench jobs.
type Visits struct{ VisitStore }

// Known is record.ErrNotFound where visits of a station are asked for that was never
// enrolled; "": of all.
func (v Visits) Known(ctx context.Context, station string) error {
	if station == "" {
		return nil
	}
	_, err := v.Station(ctx, station)
	return err
}

// visitsPage is how many visits are read at once.
const visitsPage = 1000

// All returns all visits that a query wants, the newest number first. Its Limit
// and Before are not looked at.
func (v Visits) All(ctx context.Context, want record.VisitQuery) (all []record.Visit, err error) {
	for want.Before, want.Limit = 0, visitsPage; ; {
		page, err := v.Visits(ctx, want)
		if err != nil || len(page) == 0 {
			return all, err
		}
		all = append(all, page...)
		want.Before = page[len(page)-1].Number
	}
}

// site is where a station hangs at a time, and what is known of it.
type site struct {
	zone  *time.Location
	facts []fact.Fact // of the station
}

func (v Visits) site(ctx context.Context, station string, now unit.Instant) (s site, err error) {
	s.zone = time.UTC
	if s.facts, err = v.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: station}); err != nil {
		return s, err
	}
	id, ok := fact.At(s.facts, fact.Site, now)
	if !ok || id == fact.None {
		return s, nil
	}
	facts, err := v.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: id})
	if err != nil {
		return s, err
	}
	if name, ok := fact.At(facts, fact.Zone, now); ok {
		if s.zone, err = time.LoadLocation(name); err != nil {
			return s, fmt.Errorf("site %s: zone %q: %w", id, name, err)
		}
	}
	return s, nil
}

// Record writes down all that a file says, or nothing, and returns the visit's
// number; 0 where it holds symptoms of a station alone. What a person wrote
// wrongly is an Error. With try nothing is changed, and record.ErrOnlyTried
// says that it would have been. A form that was written down before changes
// nothing and gives the same number: a page that heard no answer sends it again.
func (v Visits) Record(ctx context.Context, f *VisitFile, now unit.Instant, author string, try bool) (int64, error) {
	if f.Form == "" {
		return v.record(ctx, f, now, author, try)
	}
	if err := checkForm(f); err != nil {
		return 0, err
	}
	if number, err := v.sent(ctx, f); err != nil || number != 0 {
		return number, err
	}
	number, err := v.record(ctx, f, now, author, try)
	if errors.Is(err, record.ErrSent) || errors.Is(err, record.ErrChanged) { // by the same form, at this moment
		if before, failed := v.sent(ctx, f); failed != nil || before != 0 {
			return before, failed
		}
	}
	return number, err
}

// formLeast and formMost are how long the id of a form may be, in bytes.
const formLeast, formMost = 16, 64

func checkForm(f *VisitFile) error {
	odd := func(c rune) bool { return c != '-' && (c < '0' || c > '9') && (c < 'a' || c > 'z') }
	switch {
	case len(f.Form) < formLeast || len(f.Form) > formMost || strings.ContainsFunc(f.Form, odd):
		return Error{"form", fmt.Sprintf("%.80q", f.Form), fmt.Sprintf("make an id of %d to %d characters at random, a-z, 0-9 and -, as a UUID is", formLeast, formMost)}
	case f.Visit == 0 && f.onlySymptoms():
		return Error{"form", f.Form, "leave it out with symptoms alone"}
	}
	return nil
}

// sent returns the visit of which the form was written down before, or 0.
func (v Visits) sent(ctx context.Context, f *VisitFile) (int64, error) {
	number, err := v.FormVisit(ctx, f.Form)
	if err == nil && number != 0 && f.Visit != 0 && f.Visit != number {
		err = Error{"form", f.Form, fmt.Sprintf("make another id: it was of visit %d", number)}
	}
	return number, err
}

func (v Visits) record(ctx context.Context, f *VisitFile, now unit.Instant, author string, try bool) (int64, error) {
	had, err := v.begin(ctx, f)
	if err != nil {
		return 0, err
	}
	here, err := v.site(ctx, had.Station, now)
	if err != nil {
		return 0, err
	}
	r := &visitReader{now: now, zone: here.zone}
	e := record.VisitEntry{Entry: record.Entry{Author: author, Recorded: now}, Visit: had.Visit, Try: try, Form: f.Form}
	r.head(f, &e.Visit)
	e.Steps = r.states(f.States)
	e.Findings, e.Work, e.Parts = r.findings(f.Found), r.work(f.Work), r.parts(f.Parts)
	e.Outcomes = r.outcomes(f.Came)
	e.Photos, e.Jars = r.photos(f.Photos), r.jars(f.Jars, had.Jars)
	e.Cards, e.Symptoms = r.card(f.Card), r.symptoms(had.Station, f.Reports)
	if r.err != nil {
		return 0, r.err
	}
	e.Facts = saysOf(&e, here)
	for _, c := range e.Facts {
		if err := sayable(fact.Validate(c)); err != nil {
			return 0, err
		}
	}
	if err := v.judge(ctx, &e, had, here); err != nil {
		return 0, sayable(err)
	}
	if e.Visit.Kind != "" {
		if err := steps(&e, had); err != nil {
			return 0, err
		}
	}
	var number int64
	err = again(func() (err error) { // the rules may change an alarm at that moment
		if e.Alarms, err = v.closes(ctx, &e); err != nil {
			return err
		}
		number, err = v.RecordVisit(ctx, e)
		return err
	})
	return number, sayable(err)
}

// closes returns what becomes of the alarms of findings about which nothing more
// is to be done: they are seen and, where one is latched, reset, with the reason.
// One that lasts stays until the readings say otherwise, and what is put aside
// stays aside.
func (v Visits) closes(ctx context.Context, e *record.VisitEntry) (c record.AlarmChange, err error) {
	why := make(map[record.Cause]string)
	for _, o := range e.Outcomes {
		if o.Outcome.Closes() {
			why[o.Cause] = o.Reason
		}
	}
	if len(why) == 0 {
		return c, nil
	}
	all, err := v.Occurrences(ctx, e.Visit.Station)
	if err != nil {
		return c, err
	}
	for i := range all {
		o := all[i]
		reason, ok := why[record.Cause{Kind: o.Finding.Kind, Number: o.Number}]
		if !ok {
			continue
		}
		reason = string([]rune(reason)[:min(len([]rune(reason)), reasonMost)])
		changed := false
		for _, step := range []alarm.Step{alarm.See, alarm.Reset} {
			changes, err := alarm.Seen(o, step, e.Recorded, e.Author, reason)
			if err != nil { // it is seen already, not latched, or put aside
				continue
			}
			o, changed = changes.Occurrences[0], true
			c.Events = append(c.Events, changes.Events...)
		}
		if changed {
			c.Occurrences = append(c.Occurrences, o)
		}
	}
	return c, nil
}

// sayable is an Error for what facts, parts and test cards can't be; other
// errors stay.
func sayable(err error) error {
	var f fact.Refused
	var p record.PartError
	var w bench.Wrong
	switch {
	case errors.As(err, &w):
		return Error{join("card", w.Field), w.Value, w.Fix}
	case errors.As(err, &f):
		return Error{f.Subject.String() + ": " + f.Name, f.Value, f.Fix}
	case errors.As(err, &p):
		return Error(p)
	}
	return err
}

// begin finds the visit that a file is about, or what a new one is of.
func (v Visits) begin(ctx context.Context, f *VisitFile) (*record.VisitDetails, error) {
	if f.Visit != 0 {
		had, err := v.Visit(ctx, f.Visit)
		switch {
		case err != nil:
			return nil, err
		case f.Station != "" && f.Station != had.Station:
			return nil, Error{"station", f.Station, fmt.Sprintf("leave it out: visit %d is of station %s", f.Visit, had.Station)}
		case f.Kind != "" && f.Kind != had.Kind:
			return nil, Error{"kind", string(f.Kind), fmt.Sprintf("leave it out: visit %d is of kind %s", f.Visit, had.Kind)}
		case f.WhyText != "":
			return nil, Error{"why_text", f.WhyText, "leave it out, or write a note: why a visit is made is said when it is added"}
		}
		had.Why = nil // only new ones are added
		return &had, nil
	}
	if f.Station == "" {
		return nil, Error{"station", "", "name the station by its id"}
	}
	if !IsText(f.Station) {
		return nil, Error{"station", strings.ToValidUTF8(f.Station, "?"), "use text in UTF-8"}
	}
	if _, err := v.Station(ctx, f.Station); err != nil {
		return nil, err
	}
	had := &record.VisitDetails{Visit: record.Visit{Station: f.Station, Kind: f.Kind}}
	if f.Kind == "" && f.onlySymptoms() {
		return had, nil
	}
	var w bench.Wrong
	if err := bench.CheckKind(f.Kind); errors.As(err, &w) {
		return nil, Error(w)
	}
	return had, nil
}

func (f *VisitFile) onlySymptoms() bool {
	return len(f.Reports) > 0 && f.Who == nil && f.Planned == nil && f.WhyText == "" && f.Card == nil &&
		len(f.Why)+len(f.States)+len(f.Found)+len(f.Came)+len(f.Work)+len(f.Parts)+len(f.Photos)+len(f.Jars) == 0
}

func (r *visitReader) head(f *VisitFile, v *record.Visit) {
	if f.Who != nil {
		v.Who = r.text("who", *f.Who, textMost)
	}
	if f.Planned != nil {
		v.Planned = r.date("planned", *f.Planned, false)
	}
	v.Why = r.causes("why", f.Why)
	if f.WhyText != "" {
		v.WhyText = r.note("why_text", f.WhyText)
	}
}

// saysOf returns the facts that findings and work make.
func saysOf(e *record.VisitEntry, here site) []fact.Fact {
	station := e.Visit.Station
	var all []fact.Fact
	for i := range e.Findings {
		all = append(all, bench.Found(station, &e.Findings[i].Findings, e.Findings[i].At)...)
	}
	var work []bench.Work
	for i := range e.Work {
		work = append(work, e.Work[i].Work)
	}
	all = append(all, bench.Facts(station, slices.Concat(here.facts, all), work, here.zone)...)
	for i := range all {
		all[i].Author, all[i].Recorded = e.Author, e.Recorded
	}
	return all
}

// judge fills what a new test card leaves out from what is known, and judges
// it.
func (v Visits) judge(ctx context.Context, e *record.VisitEntry, had *record.VisitDetails, here site) error {
	if len(e.Cards) == 0 {
		return nil
	}
	c := &e.Cards[0]
	facts := slices.Concat(here.facts, e.Facts)
	work := slices.Concat(had.Work, e.Work)
	if err := v.fill(ctx, &c.Card, e.Visit.Station, facts, work, c.At); err != nil {
		return err
	}
	if err := c.Card.Check(); err != nil {
		return err
	}
	c.Result = bench.Judge(&c.Card, wanted(facts, work, here.zone, c.At))
	return nil
}

// fill takes how many keys, lamps and steps there are, and the limits, from
// the newest card of the station or of its model, and the hours of cure from
// what was written down of the coating.
func (v Visits) fill(ctx context.Context, c *bench.Card, station string, facts []fact.Fact, work []record.VisitWork, now unit.Instant) error {
	model, _ := fact.At(facts, fact.Model, now)
	last, err := v.LastCard(ctx, station, model)
	if err != nil {
		return err
	}
	if last != nil {
		from := &last.Card
		for _, row := range []struct{ to, from *bench.Row }{{&c.Keys, &from.Keys}, {&c.Lamps, &from.Lamps}, {&c.VolumeSteps, &from.VolumeSteps}} {
			row.to.There = cmp.Or(row.to.There, row.from.There)
		}
		c.StandbyMostMA = cmp.Or(c.StandbyMostMA, from.StandbyMostMA)
		c.TalkMostMA = cmp.Or(c.TalkMostMA, from.TalkMostMA)
		c.LimitsFrom = cmp.Or(c.LimitsFrom, from.LimitsFrom)
	}
	if w := lastCoat(work); w != nil && c.CureHours == nil {
		if h, err := strconv.ParseFloat(w.Details["cure_hours"], 64); err == nil {
			c.CureHours = &h
		}
	}
	return nil
}

func lastCoat(work []record.VisitWork) (last *record.VisitWork) {
	for i := range work {
		if w := &work[i]; w.Code == bench.Recoated && (last == nil || w.At >= last.At) {
			last = w
		}
	}
	return last
}

// wanted is what a unit must be like at a time, from the station's facts and
// from this visit's work.
func wanted(facts []fact.Fact, work []record.VisitWork, zone *time.Location, now unit.Instant) bench.Wanted {
	var w bench.Wanted
	w.Address, _ = fact.At(facts, fact.Address, now)
	w.Coated = bench.Coated(facts, now)
	if coat := lastCoat(work); coat != nil {
		w.CoatedAt = coat.At
		return w
	}
	if value, ok := fact.At(facts, fact.Coated, now); ok {
		if day, err := time.ParseInLocation(time.DateOnly, value, zone); err == nil {
			w.CoatedAt = unit.At(day.AddDate(0, 0, 1)) // the end of the day: nobody said when
		}
	}
	return w
}

// steps checks the changes of state, and that a unit whose board was worked on
// leaves with a passed card.
func steps(e *record.VisitEntry, had *record.VisitDetails) error {
	is, since := had.State, unit.Instant(0)
	if had.Number == 0 {
		is = bench.Planned
		first := record.VisitStep{Step: bench.Step{State: bench.Planned, At: e.Recorded}}
		if len(e.Steps) > 0 && e.Steps[0].State == bench.Planned {
			first, e.Steps = e.Steps[0], e.Steps[1:]
		}
		for i := range e.Steps {
			first.At = min(first.At, e.Steps[i].At)
		}
		defer func() { e.Steps = append([]record.VisitStep{first}, e.Steps...) }()
	}
	for i := range had.Steps {
		since = happened(since, &had.Steps[i].Step)
	}
	work := slices.Concat(had.Work, e.Work)
	for i := range e.Steps {
		s := &e.Steps[i]
		var w bench.Wrong
		if errors.As(bench.Change(e.Visit.Kind, is, s.State), &w) {
			return Error(w)
		}
		if s.At < since {
			return Error{"at", s.At.String(), fmt.Sprintf("write a time from %s on, when what was before happened", since)}
		}
		if err := leaves(s.State, work, slices.Concat(had.Cards, e.Cards), slices.Concat(had.Steps, e.Steps[:i+1])); err != nil {
			return err
		}
		is, since = s.State, happened(since, &s.Step)
	}
	if len(e.Steps) == 0 && slices.ContainsFunc(e.Work, func(w record.VisitWork) bool { return w.Code.OnBoard() }) {
		return leaves(is, work, slices.Concat(had.Cards, e.Cards), had.Steps)
	}
	return nil
}

// happened returns the time before which nothing that follows can have been:
// what was only agreed upon may be written down after the event.
func happened(since unit.Instant, s *bench.Step) unit.Instant {
	if s.State == bench.Planned || s.State == bench.Agreed {
		return since
	}
	return max(since, s.At)
}

// leaves refuses a state that takes a passed test card, while since the last
// work on the board there is none, and nobody said why it may go without.
func leaves(to bench.State, done []record.VisitWork, cards []record.VisitCard, steps []record.VisitStep) error {
	var work []bench.Work
	var last unit.Instant
	for i := range done {
		work = append(work, done[i].Work)
		if done[i].Code.OnBoard() {
			last = max(last, done[i].At)
		}
	}
	without := func(s record.VisitStep) bool { return s.WithoutCard != "" && s.At >= last }
	if !bench.NeedsCard(to, work) || slices.ContainsFunc(steps, without) {
		return nil
	}
	why := "there is none"
	if n := len(cards); n > 0 {
		c := &cards[n-1]
		switch {
		case c.Result.Verdict != bench.Passed:
			why = "the newest is " + string(c.Result.Verdict) + " (" + strings.Join(c.Result.Reasons(), "; ") + ")"
		case c.At < last:
			why = "the newest is from before the last work on the board"
		default:
			return nil
		}
	}
	return Error{"state", string(to), "the board was worked on, so it takes a passed test card, and " + why + ": write one down, or say in without_card why it may go without"}
}

// Card returns the newest test card of a visit, or a blank one with what is
// known already.
func (v Visits) Card(ctx context.Context, number int64, now unit.Instant) (record.VisitCard, error) {
	d, err := v.Visit(ctx, number)
	if err != nil {
		return record.VisitCard{}, err
	}
	if n := len(d.Cards); n > 0 {
		return d.Cards[n-1], nil
	}
	here, err := v.site(ctx, d.Station, now)
	if err != nil {
		return record.VisitCard{}, err
	}
	var c record.VisitCard
	if err := v.fill(ctx, &c.Card, d.Station, here.facts, d.Work, now); err != nil {
		return c, err
	}
	c.Result = bench.Judge(&c.Card, wanted(here.facts, d.Work, here.zone, now))
	return c, nil
}

// Baselines returns the times with which a station's openness is compared,
// from what was done to it up to now.
func (v Visits) Baselines(ctx context.Context, station string, now unit.Instant) ([]bench.Baseline, error) {
	if _, err := v.Station(ctx, station); err != nil {
		return nil, err
	}
	here, err := v.site(ctx, station, now)
	if err != nil {
		return nil, err
	}
	visits, err := v.VisitsOf(ctx, station)
	if err != nil {
		return nil, err
	}
	zone := func(unit.Instant) *time.Location { return here.zone }
	return bench.Baselines(record.BoxEvents(visits, here.facts, zone), now), nil
}

// Zone returns the time zone in which a station hangs; UTC when it is not
// known.
func (v Visits) Zone(ctx context.Context, station string, now unit.Instant) (*time.Location, error) {
	here, err := v.site(ctx, station, now)
	return here.zone, err
}
