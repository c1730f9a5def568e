package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

// RecordVisit writes down what somebody did: all of it, or nothing. Parts go
// out of their lots, and facts hold, in the same commit. It returns the visit's
// number; 0 for symptoms alone. A visit that somebody else changed since
// Visit.Version gives record.ErrChanged, a form that was written down before
// record.ErrSent.
func (s *Store) RecordVisit(ctx context.Context, e record.VisitEntry) (number int64, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		if number, err = recordVisit(t, &e); err != nil {
			return err
		}
		if e.Try {
			return record.ErrOnlyTried
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("record visit: %w", err)
	}
	return number, nil
}

func recordVisit(t *tx, e *record.VisitEntry) (number int64, err error) {
	station, err := stationNumber(t, e.Visit.Station)
	if err != nil {
		return 0, err
	}
	if e.Visit.Kind != "" {
		if number, err = openVisit(t, e, station); err != nil {
			return 0, err
		}
		if err := keepForm(t, e, number); err != nil {
			return 0, err
		}
		w := visitWriter{t: t, visit: number, e: e}
		w.all(station)
		if w.err != nil {
			return 0, w.err
		}
	}
	if err := putAlarms(t, &e.Alarms, station); err != nil {
		return 0, err
	}
	for i := range e.Symptoms {
		if err := addSymptom(t, station, number, &e.Symptoms[i], &e.Entry); err != nil {
			return 0, err
		}
	}
	return number, addFacts(t, e.Facts)
}

// keepForm remembers that a form was written down.
func keepForm(t *tx, e *record.VisitEntry, number int64) error {
	if e.Form == "" {
		return nil
	}
	n, err := t.changed(`insert into visit_form (form, visit, recorded_ns) values (?, ?, ?) on conflict do nothing`, e.Form, number, e.Recorded)
	if err == nil && n == 0 {
		err = fmt.Errorf("form %s: %w", e.Form, record.ErrSent)
	}
	return err
}

// FormVisit returns the visit of which a form was written down; 0 for one that
// was not.
func (s *Store) FormVisit(ctx context.Context, form string) (number int64, err error) {
	err = each(reader{ctx, s}, `select visit from visit_form where form = ?`, []any{form}, func(rows *sql.Rows) error { return rows.Scan(&number) })
	if err != nil {
		return 0, fmt.Errorf("read form: %w", err)
	}
	return number, nil
}

func stationNumber(t *tx, name string) (id int64, err error) {
	err = t.row(`select id from station where name = ?`, []any{name}, &id)
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("station %s: %w", name, record.ErrNotFound)
	}
	return id, err
}

// openVisit makes a new visit, or takes the one that is there, and notes both
// in the trail.
func openVisit(t *tx, e *record.VisitEntry, station int64) (number int64, err error) {
	v := &e.Visit
	if v.Number == 0 {
		if err := t.row(`insert into visit (station, kind, state, who, planned, why, made_ns, author, when_ns, version)
			values (?, ?, ?, ?, ?, ?, ?, ?, ?, 1) returning id`,
			[]any{station, v.Kind, bench.Planned, v.Who, v.Planned, v.WhyText, e.Recorded, e.Author, e.Recorded}, &number); err != nil {
			return 0, err
		}
		return number, audit(t, e.Recorded, e.Author, "add visit", fmt.Sprintf("%d, station %s, %s", number, v.Station, v.Kind))
	}
	n, err := t.changed(`update visit set who = ?, planned = ?, version = version + 1 where id = ? and station = ? and version = ?`,
		v.Who, v.Planned, v.Number, station, v.Version)
	if err != nil {
		return 0, err
	}
	if n == 0 {
		return 0, fmt.Errorf("visit %d: %w", v.Number, record.ErrChanged)
	}
	return v.Number, audit(t, e.Recorded, e.Author, "record visit", fmt.Sprintf("%d, station %s", v.Number, v.Station))
}

// visitWriter writes what belongs to a visit; after the first error it writes
// nothing.
type visitWriter struct {
	t     *tx
	visit int64
	e     *record.VisitEntry
	err   error
}

func (w *visitWriter) all(station int64) {
	for _, c := range w.e.Visit.Why {
		w.cause(c)
	}
	for i := range w.e.Steps {
		s := &w.e.Steps[i]
		w.row("visit_step", "state, at_ns, note, without_card", s.State, s.At, s.Note, s.WithoutCard)
	}
	for i := range w.e.Findings {
		w.finding(&w.e.Findings[i])
	}
	for i := range w.e.Outcomes {
		w.outcome(&w.e.Outcomes[i])
	}
	for i := range w.e.Work {
		w.work(&w.e.Work[i])
	}
	for i, u := range w.e.Parts {
		w.part(i, u)
	}
	for i := range w.e.Photos {
		w.photo(&w.e.Photos[i])
	}
	for i := range w.e.Jars {
		w.jar(&w.e.Jars[i])
	}
	for i := range w.e.Cards {
		w.card(&w.e.Cards[i])
	}
	w.follow()
	w.refold(station)
}

func (w *visitWriter) exec(query string, args ...any) {
	if w.err == nil {
		w.err = w.t.exec(query, args...)
	}
}

// next is the number of the next row of the visit in a table.
func (w *visitWriter) next(table string) (n int64) {
	if w.err == nil {
		w.err = w.t.row(`select coalesce(max(n), 0) + 1 from `+table+` where visit = ?`, []any{w.visit}, &n)
	}
	return n
}

// row adds a row with an author to a table and returns its number.
func (w *visitWriter) row(table, columns string, values ...any) int64 {
	n := w.next(table)
	marks := ""
	for range values {
		marks += "?, "
	}
	w.exec(`insert into `+table+` (visit, n, `+columns+`, author, recorded_ns) values (?, ?, `+marks+`?, ?)`,
		append(append([]any{w.visit, n}, values...), w.e.Author, w.e.Recorded)...)
	return n
}

func (w *visitWriter) cause(c record.Cause) {
	w.occurred("why", c)
	w.exec(`insert into visit_cause (visit, n, kind, number) values (?, ?, ?, ?)`, w.visit, w.next("visit_cause"), c.Kind, c.Number)
}

func (w *visitWriter) outcome(o *record.VisitOutcome) {
	w.occurred("outcomes", o.Cause)
	w.row("visit_outcome", "kind, number, outcome, reason, at_ns", o.Kind, o.Number, o.Outcome, o.Reason, o.At)
}

// occurred requires that the visit's station had a finding.
func (w *visitWriter) occurred(field string, c record.Cause) {
	if w.err != nil {
		return
	}
	var there int
	w.err = w.t.row(`select count(*) from occurrence o join visit v on v.station = o.station where v.id = ? and o.kind = ? and o.number = ?`,
		[]any{w.visit, c.Kind, c.Number}, &there)
	if w.err == nil && there == 0 {
		w.err = record.PartError{Field: field, Value: fmt.Sprintf("%s/%d", c.Kind, c.Number), Fix: "station " + w.e.Visit.Station + " has no such finding: take kind and number from its list"}
	}
}

func (w *visitWriter) finding(f *record.VisitFinding) {
	var water any
	if f.WaterML != nil {
		water = *f.WaterML
	}
	n := w.row("visit_finding", "at_ns, moisture, water_ml, cover, gasket, coating, note",
		f.At, f.Moisture, water, f.Cover, f.Gasket, f.Coating, f.Note)
	for place, grade := range f.Corrosion {
		w.exec(`insert into visit_corrosion (visit, n, place, grade) values (?, ?, ?, ?)`, w.visit, n, place, grade)
	}
}

func (w *visitWriter) work(k *record.VisitWork) {
	n := w.row("visit_work", "at_ns, code, note", k.At, k.Code, k.Note)
	for name, value := range k.Details {
		w.exec(`insert into visit_detail (visit, n, name, value) values (?, ?, ?, ?)`, w.visit, n, name, value)
	}
}

func (w *visitWriter) part(i int, u record.PartUse) {
	if w.err != nil {
		return
	}
	u.Station, u.Visit = w.e.Visit.Station, w.visit
	w.err = usePart(w.t, u, w.e.Recorded, w.e.Author)
	var bad record.PartError
	if errors.As(w.err, &bad) {
		bad.Field = fmt.Sprintf("parts[%d].%s", i, bad.Field)
		w.err = bad
	}
	w.row("visit_part", "lot, quantity", u.Lot, u.Quantity)
}

func (w *visitWriter) photo(p *record.VisitPhoto) {
	w.exec(`insert into visit_photo (visit, caption, taken_ns, type, width, height, size, body, author, recorded_ns) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		w.visit, p.Caption, orNull(p.Taken), p.Type, p.Width, p.Height, len(p.Body), p.Body, w.e.Author, w.e.Recorded)
}

func (w *visitWriter) jar(j *record.VisitJar) {
	if w.err != nil {
		return
	}
	var n int64
	if j.End != 0 {
		n, w.err = w.t.changed(`update visit_jar set end_ns = ? where visit = ? and begin_ns = ? and end_ns is null`, j.End, w.visit, j.Begin)
	}
	if n == 0 {
		w.row("visit_jar", "begin_ns, end_ns, inside", j.Begin, orNull(j.End), j.Inside)
	}
}

func (w *visitWriter) card(c *record.VisitCard) {
	body, err := json.Marshal(&c.Card)
	result, err2 := json.Marshal(&c.Result)
	if w.err == nil {
		w.err = errors.Join(err, err2)
	}
	w.row("visit_card", "at_ns, body, result", c.At, string(body), string(result))
}

// follow brings what follows from the states up to date.
func (w *visitWriter) follow() {
	if w.err != nil {
		return
	}
	var steps []bench.Step
	w.err = each(w.t, `select state, at_ns from visit_step where visit = ? order by n`, []any{w.visit}, func(rows *sql.Rows) error {
		var s bench.Step
		err := rows.Scan(&s.State, &s.At)
		steps = append(steps, s)
		return err
	})
	if w.err != nil || len(steps) == 0 {
		return
	}
	began, ended := bench.Happened(steps)
	w.exec(`update visit set state = ?, began_ns = ?, ended_ns = ? where id = ?`, steps[len(steps)-1].State, orNull(began), orNull(ended), w.visit)
	when := began
	if day, err := time.Parse(time.DateOnly, w.e.Visit.Planned); when == 0 && err == nil {
		when = unit.At(day)
	}
	if when != 0 {
		w.exec(`update visit set when_ns = ? where id = ?`, when, w.visit)
	}
}

// refold marks the station's readings from the first thing on that the visit did
// to the box: what is known of how it breathes begins anew there.
func (w *visitWriter) refold(station int64) {
	e := w.e
	if w.err != nil || len(e.Steps)+len(e.Findings)+len(e.Work)+len(e.Jars) == 0 {
		return
	}
	var from sql.NullInt64
	w.err = w.t.row(`select min(at_ns) from (
			select at_ns from visit_step where visit = ? and state in (?, ?, ?)
			union all select at_ns from visit_finding where visit = ?
			union all select at_ns from visit_work where visit = ?
			union all select begin_ns as at_ns from visit_jar where visit = ?
		) a`, []any{w.visit, bench.Posted, bench.Arrived, bench.Done, w.visit, w.visit, w.visit}, &from)
	if w.err == nil && from.Valid {
		w.err = markFrom(w.t, station, unit.Instant(from.Int64))
	}
}

func addSymptom(t *tx, station, visit int64, sy *record.Symptom, e *record.Entry) error {
	if err := t.exec(`insert into symptom (station, visit, kind, note, reported_by, since, author, recorded_ns) values (?, ?, ?, ?, ?, ?, ?, ?)`,
		station, orNull(visit), sy.Kind, sy.Note, sy.ReportedBy, sy.Since, e.Author, e.Recorded); err != nil {
		return err
	}
	return audit(t, e.Recorded, e.Author, "record symptom", fmt.Sprintf("%s of station %s", sy.Kind, sy.Station))
}

const visitRow = `select v.id, s.name, v.kind, v.state, v.who, v.planned, v.why, v.made_ns, v.author, v.began_ns, v.ended_ns, v.version
	from visit v join station s on s.id = v.station`

func visits(q query, text string, args ...any) (list []record.Visit, err error) {
	err = each(q, visitRow+text, args, func(rows *sql.Rows) error {
		var v record.Visit
		var began, ended sql.NullInt64
		err := rows.Scan(&v.Number, &v.Station, &v.Kind, &v.State, &v.Who, &v.Planned, &v.WhyText, &v.Made, &v.Author, &began, &ended, &v.Version)
		v.Began, v.Ended = unit.Instant(began.Int64), unit.Instant(ended.Int64)
		list = append(list, v)
		return err
	})
	if err != nil {
		return nil, err
	}
	return list, readCauses(q, list)
}

// readCauses reads what led to visits, all at once.
func readCauses(q query, list []record.Visit) error {
	if len(list) == 0 {
		return nil
	}
	at := make(map[int64]int)
	least, most := list[0].Number, list[0].Number
	for i := range list {
		n := list[i].Number
		at[n], least, most = i, min(least, n), max(most, n)
	}
	return each(q, `select visit, kind, number from visit_cause where visit >= ? and visit <= ? order by visit, n`, []any{least, most}, func(rows *sql.Rows) error {
		var visit int64
		var c record.Cause
		err := rows.Scan(&visit, &c.Kind, &c.Number)
		if i, ok := at[visit]; ok {
			list[i].Why = append(list[i].Why, c)
		}
		return err
	})
}

// Visits returns visits, the newest number first.
func (s *Store) Visits(ctx context.Context, want record.VisitQuery) (list []record.Visit, err error) {
	text, args := ` where true`, []any{}
	add := func(condition string, values ...any) {
		text += ` and ` + condition
		args = append(args, values...)
	}
	if want.Station != "" {
		add(`s.name = ?`, want.Station)
	}
	if want.State != "" {
		add(`v.state = ?`, want.State)
	}
	if want.Open {
		add(`v.state <> ? and v.state <> ?`, bench.Done, bench.CalledOff)
	}
	if want.From != 0 {
		add(`v.when_ns >= ?`, want.From)
	}
	if want.To != 0 {
		add(`v.when_ns < ?`, want.To)
	}
	if want.Before != 0 {
		add(`v.id < ?`, want.Before)
	}
	limit := want.Limit
	if limit == 0 {
		limit = math.MaxInt32
	}
	args = append(args, limit)
	err = s.snapshot(ctx, func(q query) error {
		list, err = visits(q, text+` order by v.id desc limit ?`, args...)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read visits: %w", err)
	}
	return list, nil
}

// Visit returns all of one visit, or record.ErrNotFound.
func (s *Store) Visit(ctx context.Context, number int64) (record.VisitDetails, error) {
	list, err := s.visitDetails(ctx, ` where v.id = ?`, number)
	if err == nil && len(list) == 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return record.VisitDetails{}, fmt.Errorf("read visit %d: %w", number, err)
	}
	return list[0], nil
}

// VisitsOf returns all of all visits of a station, the oldest number first.
func (s *Store) VisitsOf(ctx context.Context, station string) ([]record.VisitDetails, error) {
	list, err := s.visitDetails(ctx, ` where s.name = ? order by v.id`, station)
	if err != nil {
		return nil, fmt.Errorf("read visits of station %s: %w", station, err)
	}
	return list, nil
}

func (s *Store) visitDetails(ctx context.Context, text string, args ...any) (list []record.VisitDetails, err error) {
	err = s.snapshot(ctx, func(q query) error {
		heads, err := visits(q, text, args...)
		for i := range heads {
			d := record.VisitDetails{Visit: heads[i]}
			err = errors.Join(err, readDetails(q, &d))
			list = append(list, d)
		}
		return err
	})
	return list, err
}

func readDetails(q query, d *record.VisitDetails) error {
	for _, read := range []func(query, *record.VisitDetails) error{readSteps, readFindings, readOutcomes, readWork, readParts, readPhotos, readJars, readCards} {
		if err := read(q, d); err != nil {
			return err
		}
	}
	var err error
	d.Symptoms, err = symptoms(q, ` where y.visit = ? order by y.id`, d.Number)
	return err
}

func readSteps(q query, d *record.VisitDetails) error {
	return each(q, `select state, at_ns, note, without_card, author, recorded_ns from visit_step where visit = ? order by n`, []any{d.Number},
		func(rows *sql.Rows) error {
			var s record.VisitStep
			err := rows.Scan(&s.State, &s.At, &s.Note, &s.WithoutCard, &s.Author, &s.Recorded)
			d.Steps = append(d.Steps, s)
			return err
		})
}

func readFindings(q query, d *record.VisitDetails) error {
	err := each(q, `select at_ns, moisture, water_ml, cover, gasket, coating, note, author, recorded_ns from visit_finding where visit = ? order by n`,
		[]any{d.Number}, func(rows *sql.Rows) error {
			var f record.VisitFinding
			var water sql.NullInt64
			err := rows.Scan(&f.At, &f.Moisture, &water, &f.Cover, &f.Gasket, &f.Coating, &f.Note, &f.Author, &f.Recorded)
			if water.Valid {
				f.WaterML = &water.Int64
			}
			d.Findings = append(d.Findings, f)
			return err
		})
	if err != nil {
		return err
	}
	return each(q, `select n, place, grade from visit_corrosion where visit = ? order by n, place`, []any{d.Number}, func(rows *sql.Rows) error {
		var n int
		var place string
		var grade bench.Corrosion
		if err := rows.Scan(&n, &place, &grade); err != nil {
			return err
		}
		if n < 1 || n > len(d.Findings) {
			return fmt.Errorf("corrosion at %s belongs to no finding", place)
		}
		f := &d.Findings[n-1]
		if f.Corrosion == nil {
			f.Corrosion = make(map[string]bench.Corrosion)
		}
		f.Corrosion[place] = grade
		return nil
	})
}

func readOutcomes(q query, d *record.VisitDetails) error {
	return each(q, `select kind, number, outcome, reason, at_ns, author, recorded_ns from visit_outcome where visit = ? order by n`, []any{d.Number},
		func(rows *sql.Rows) error {
			var o record.VisitOutcome
			err := rows.Scan(&o.Kind, &o.Number, &o.Outcome, &o.Reason, &o.At, &o.Author, &o.Recorded)
			d.Outcomes = append(d.Outcomes, o)
			return err
		})
}

func readWork(q query, d *record.VisitDetails) error {
	err := each(q, `select at_ns, code, note, author, recorded_ns from visit_work where visit = ? order by n`, []any{d.Number},
		func(rows *sql.Rows) error {
			var w record.VisitWork
			err := rows.Scan(&w.At, &w.Code, &w.Note, &w.Author, &w.Recorded)
			d.Work = append(d.Work, w)
			return err
		})
	if err != nil {
		return err
	}
	return each(q, `select n, name, value from visit_detail where visit = ? order by n, name`, []any{d.Number}, func(rows *sql.Rows) error {
		var n int
		var name, value string
		if err := rows.Scan(&n, &name, &value); err != nil {
			return err
		}
		if n < 1 || n > len(d.Work) {
			return fmt.Errorf("detail %s belongs to no work", name)
		}
		w := &d.Work[n-1]
		if w.Details == nil {
			w.Details = make(map[string]string)
		}
		w.Details[name] = value
		return nil
	})
}

func readParts(q query, d *record.VisitDetails) error {
	return each(q, `select p.lot, p.quantity, l.kind, p.author, p.recorded_ns from visit_part p join part_lot l on l.id = p.lot
		where p.visit = ? order by p.n`, []any{d.Number}, func(rows *sql.Rows) error {
		var p record.VisitPart
		err := rows.Scan(&p.Lot, &p.Quantity, &p.Kind, &p.Author, &p.Recorded)
		d.Parts = append(d.Parts, p)
		return err
	})
}

const photoRow = `select id, caption, taken_ns, type, width, height, size, author, recorded_ns`

func scanPhoto(rows *sql.Rows, p *record.VisitPhoto, more ...any) error {
	var taken sql.NullInt64
	err := rows.Scan(append([]any{&p.ID, &p.Caption, &taken, &p.Type, &p.Width, &p.Height, &p.Size, &p.Author, &p.Recorded}, more...)...)
	p.Taken = unit.Instant(taken.Int64)
	return err
}

func readPhotos(q query, d *record.VisitDetails) error {
	return each(q, photoRow+` from visit_photo where visit = ? order by id`, []any{d.Number}, func(rows *sql.Rows) error {
		var p record.VisitPhoto
		err := scanPhoto(rows, &p)
		d.Photos = append(d.Photos, p)
		return err
	})
}

// VisitPhoto returns one photo of a visit with its body, or record.ErrNotFound.
func (s *Store) VisitPhoto(ctx context.Context, visit, id int64) (p record.VisitPhoto, err error) {
	err = each(reader{ctx, s}, photoRow+`, body from visit_photo where visit = ? and id = ?`, []any{visit, id}, func(rows *sql.Rows) error {
		return scanPhoto(rows, &p, &p.Body)
	})
	if err == nil && p.ID == 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return record.VisitPhoto{}, fmt.Errorf("read photo %d of visit %d: %w", id, visit, err)
	}
	return p, nil
}

func readJars(q query, d *record.VisitDetails) error {
	return each(q, `select begin_ns, end_ns, inside, author, recorded_ns from visit_jar where visit = ? order by n`, []any{d.Number}, func(rows *sql.Rows) error {
		var j record.VisitJar
		var end sql.NullInt64
		err := rows.Scan(&j.Begin, &end, &j.Inside, &j.Author, &j.Recorded)
		j.End = unit.Instant(end.Int64)
		d.Jars = append(d.Jars, j)
		return err
	})
}

func readCards(q query, d *record.VisitDetails) (err error) {
	d.Cards, err = cards(q, ` from visit_card c where c.visit = ? order by c.n`, d.Number)
	return err
}

func cards(q query, text string, args ...any) (list []record.VisitCard, err error) {
	err = each(q, `select c.at_ns, c.body, c.result, c.author, c.recorded_ns`+text, args, func(rows *sql.Rows) error {
		var c record.VisitCard
		var body, result string
		if err := rows.Scan(&c.At, &body, &result, &c.Author, &c.Recorded); err != nil {
			return err
		}
		list = append(list, c)
		last := &list[len(list)-1]
		if err := errors.Join(json.Unmarshal([]byte(body), &last.Card), json.Unmarshal([]byte(result), &last.Result)); err != nil {
			return fmt.Errorf("test card: %w", err)
		}
		return nil
	})
	return list, err
}

// LastCard returns the newest test card of a station, else of one whose model
// is or was called so; nil when there is none.
func (s *Store) LastCard(ctx context.Context, station, model string) (*record.VisitCard, error) {
	const newest = ` order by c.recorded_ns desc, c.visit desc, c.n desc limit 1`
	list, err := cards(reader{ctx, s}, ` from visit_card c join visit v on v.id = c.visit join station s on s.id = v.station where s.name = ?`+newest, station)
	if err == nil && len(list) == 0 && model != "" {
		list, err = cards(reader{ctx, s}, ` from visit_card c join visit v on v.id = c.visit join station s on s.id = v.station
			where exists (select 1 from fact f where f.kind = 'station' and f.subject = s.name and f.name = 'model' and f.value = ?)`+newest, model)
	}
	if err != nil {
		return nil, fmt.Errorf("read test card: %w", err)
	}
	if len(list) == 0 {
		return nil, nil
	}
	return &list[0], nil
}

// Symptoms returns what people reported of a station, the newest first.
func (s *Store) Symptoms(ctx context.Context, station string) ([]record.Symptom, error) {
	list, err := symptoms(reader{ctx, s}, ` where s.name = ? order by y.id desc`, station)
	if err != nil {
		return nil, fmt.Errorf("read symptoms of station %s: %w", station, err)
	}
	return list, nil
}

func symptoms(q query, text string, args ...any) (list []record.Symptom, err error) {
	err = each(q, `select y.id, s.name, y.visit, y.kind, y.note, y.reported_by, y.since, y.author, y.recorded_ns
		from symptom y join station s on s.id = y.station`+text, args, func(rows *sql.Rows) error {
		var y record.Symptom
		var visit sql.NullInt64
		err := rows.Scan(&y.ID, &y.Station, &visit, &y.Kind, &y.Note, &y.ReportedBy, &y.Since, &y.Author, &y.Recorded)
		y.Visit = visit.Int64
		list = append(list, y)
		return err
	})
	return list, err
}
