package paper

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
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
	"dewpost/rules/fact"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// Shelf tells what lies on it.
type Shelf interface {
	Parts(ctx context.Context, at unit.Instant) (record.Parts, error)
}

// Desk gathers what stands on sheets. Links begin with Base, the address of the
// pages, as in https://pages.example; without it there are none.
type Desk struct {
	View   *view.View
	Visits books.Visits
	Shelf  Shelf // nil: there are no parts here
	Base   string
}

func (d *Desk) link(path string) string {
	if d.Base == "" {
		return ""
	}
	return strings.TrimSuffix(d.Base, "/") + path
}

// JobCard gathers the card of a visit.
func (d *Desk) JobCard(ctx context.Context, lc *words.Locale, number int64, now unit.Instant) (*JobCard, error) {
	v, err := d.Visits.Visit(ctx, number)
	if err != nil {
		return nil, err
	}
	c := &JobCard{Printed: now, Visit: v, Link: d.link("/visits/" + strconv.FormatInt(number, 10))}
	if err := d.station(ctx, lc, c, now); err != nil {
		return nil, err
	}
	if c.Test, err = d.Visits.Card(ctx, number, now); err != nil {
		return nil, err
	}
	before, err := d.Visits.VisitsOf(ctx, v.Station)
	if err != nil {
		return nil, err
	}
	c.Outcomes = record.OutcomesOf(before)
	var ended unit.Instant
	for i := range before {
		if b := &before[i]; b.Number != number && b.Ended > ended && len(b.Work) > 0 {
			ended = b.Ended
		}
	}
	if ended != 0 {
		c.Last = ended.Time().In(c.zone()).Format(time.DateOnly)
	}
	c.Loads, err = d.loads(ctx, lc, []record.Visit{v.Visit}, now)
	return c, err
}

const chartDays = 30

func (d *Desk) station(ctx context.Context, lc *words.Locale, c *JobCard, now unit.Instant) error {
	row, _, err := d.View.Station(ctx, c.Visit.Station)
	if err != nil {
		return err
	}
	c.Station = row.Station
	if c.Chart, err = d.View.Series(ctx, c.Visit.Station, now.Add(-chartDays*24*time.Hour), now, 600); err != nil {
		return err
	}
	all, _, err := d.View.Findings(ctx, c.Visit.Station, view.Beginning, view.End, nil, math.MaxInt)
	if err != nil {
		return err
	}
	for _, o := range all {
		switch {
		case slices.Contains(c.Visit.Why, record.Cause{Kind: o.Finding.Kind, Number: o.Number}):
			c.Reasons = append(c.Reasons, o)
		case o.Lasting():
			c.Also = append(c.Also, o)
		}
	}
	for _, list := range [][]alarm.Occurrence{c.Reasons, c.Also} {
		slices.SortFunc(list, func(a, b alarm.Occurrence) int {
			return cmp.Or(cmp.Compare(b.Finding.From, a.Finding.From), cmp.Compare(a.Finding.Kind, b.Finding.Kind), cmp.Compare(b.Number, a.Number))
		})
	}
	if c.Clocks, err = d.View.Clocks(ctx, c.Visit.Station); err != nil {
		return err
	}
	told, err := d.View.Outlook(ctx, c.Visit.Station)
	if err != nil {
		return err
	}
	c.Tonight = told.Tonight
	if id := c.Station.Site.ID; id != "" {
		if c.Access, err = d.fact(ctx, fact.KindSite, id, fact.Access, now); err != nil {
			return err
		}
	}
	if id := c.Station.Site.Owner; id != "" {
		terms, err := d.fact(ctx, fact.KindOwner, id, fact.Warranty, now)
		if err != nil {
			return err
		}
		until, err := d.fact(ctx, fact.KindOwner, id, fact.WarrantyUntil, now)
		if err != nil {
			return err
		}
		c.Warranty = strings.TrimSpace(terms + join(lc.Say(" until "), dated(lc, until)))
	}
	return nil
}

func (d *Desk) fact(ctx context.Context, kind, id, name string, now unit.Instant) (string, error) {
	facts, err := d.Visits.Facts(ctx, fact.Subject{Kind: kind, ID: id})
	if err != nil {
		return "", err
	}
	value, ok := fact.At(facts, name, now)
	if !ok || value == fact.None {
		return "", nil
	}
	return value, nil
}

// loads are the parts that are reserved for visits, or for their stations and
// no visit, with where they lie.
func (d *Desk) loads(ctx context.Context, lc *words.Locale, visits []record.Visit, now unit.Instant) ([]Load, error) {
	if d.Shelf == nil {
		return nil, nil
	}
	shelf, err := d.Shelf.Parts(ctx, now)
	if err != nil {
		return nil, err
	}
	var all []Load
	for i := range shelf.Kinds {
		k := &shelf.Kinds[i]
		lots := ofKind(shelf.Lots, func(l *stock.Lot) string { return l.Kind }, k.ID)
		asked := ofKind(shelf.Reservations, func(r *stock.Reservation) string { return r.Kind }, k.ID)
		given := stock.Allocate(lots, asked)
		for j := range asked {
			r := &asked[j]
			v := slices.IndexFunc(visits, func(v record.Visit) bool {
				return r.Visit == v.Number || r.Visit == 0 && r.Station == v.Station
			})
			if v < 0 {
				continue
			}
			l := Load{Visit: visits[v].Number, Station: r.Station, Kind: k.ID, Name: k.Name, Unit: k.Unit, Quantity: r.Quantity, Grade: string(r.Grade)}
			l.From, l.Lot = fromLots(lc, given.Shares, lots, r)
			all = append(all, l)
		}
	}
	return all, nil
}

func ofKind[T any](all []T, kind func(*T) string, id string) (some []T) {
	for i := range all {
		if kind(&all[i]) == id {
			some = append(some, all[i])
		}
	}
	return some
}

// fromLots says out of which lots a reservation is served, and what lacks; lot is
// the first of them.
func fromLots(lc *words.Locale, shares []stock.Share, lots []stock.Lot, r *stock.Reservation) (text string, lot int64) {
	var parts []string
	var has int64
	for _, share := range shares {
		if share.Reservation != r.ID {
			continue
		}
		has += share.Quantity
		lot = cmp.Or(lot, share.Lot)
		text := lc.Say("lot %d", share.Lot)
		if i := slices.IndexFunc(lots, func(l stock.Lot) bool { return l.ID == share.Lot }); i >= 0 {
			text += lc.Say(", grade %s%s", string(lots[i].Grade), join(", ", lots[i].Place))
		}
		parts = append(parts, text)
	}
	if has < r.Quantity && has > 0 {
		parts = append(parts, lc.Say("%d still lack", r.Quantity-has))
	}
	return strings.Join(parts, "; "), lot
}

// Loads are the parts that are reserved for a visit.
func (d *Desk) Loads(ctx context.Context, lc *words.Locale, v record.Visit, now unit.Instant) ([]Load, error) {
	return d.loads(ctx, lc, []record.Visit{v}, now)
}

// LoadList gathers what goes along on a day, a date; who, unless "", is who
// goes.
func (d *Desk) LoadList(ctx context.Context, lc *words.Locale, day, who string, now unit.Instant) (*LoadList, error) {
	at, err := time.Parse(time.DateOnly, day)
	if err != nil || at.Year() < 1990 || at.Year() > 2200 {
		return nil, books.Error{Field: "day", Value: day, Fix: "write a date, such as 2025-04-30"}
	}
	// Lists are cut by UTC days, and a visit that began may lie beside them.
	near, err := d.Visits.All(ctx, record.VisitQuery{From: unit.At(at.AddDate(0, 0, -1)), To: unit.At(at.AddDate(0, 0, 2))})
	if err != nil {
		return nil, err
	}
	l := &LoadList{Printed: now.Time(), Day: day, Names: map[string]string{}}
	for _, v := range near {
		if v.Planned != day || !v.State.Open() || v.Kind == bench.Photos || v.Kind == bench.SendIn || who != "" && v.Who != who {
			continue
		}
		row, _, err := d.View.Station(ctx, v.Station)
		if err != nil {
			return nil, err
		}
		l.Names[v.Station] = row.Station.Name
		l.Visits = append(l.Visits, v)
	}
	slices.SortFunc(l.Visits, func(a, b record.Visit) int { return cmp.Compare(a.Number, b.Number) })
	l.Loads, err = d.loads(ctx, lc, l.Visits, now)
	return l, err
}

// Label gathers the label of a station.
func (d *Desk) Label(ctx context.Context, lc *words.Locale, id string, now unit.Instant) (Label, error) {
	row, _, err := d.View.Station(ctx, id)
	if err != nil {
		return Label{}, err
	}
	s := row.Station
	l := Label{Printed: now.Time(), ID: s.ID, Name: s.Name, Build: s.Build, Cover: s.CoverNew, Link: d.link("/stations/" + s.ID), Date: now.Time().In(s.Site.Zone).Format(time.DateOnly)}
	facts, err := d.Visits.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: id})
	if err != nil {
		return l, err
	}
	is := func(name string) string {
		value, ok := fact.At(facts, name, now)
		if !ok || value == fact.None {
			return ""
		}
		return value
	}
	l.Board = strings.TrimSpace(is(fact.Board) + join(lc.Say(", grade "), is(fact.BoardGrade)) + join(", ", is(fact.BoardFitted)))
	l.Coating = strings.TrimSpace(is(fact.Coating) + join(lc.Say(", sides "), is(fact.CoatingSides)) + join(", ", is(fact.Coated)))
	return l, nil
}

// Subjects of a report.
const (
	OfStation = "station"
	OfSite    = "site"
	OfOwner   = "owner"
)

// ReportQuery asks for a report.
type ReportQuery struct {
	Of, ID   string
	From, To string // dates; To is the first day that no longer belongs to it
	Costs    view.Costs
	Currency string
	SO2, Cl  *float64 // mg/(m² d) that are deposited; nil: not known
}

// Report gathers a season report; record.ErrNotFound when there is no such
// thing, or nothing hangs there.
func (d *Desk) Report(ctx context.Context, lc *words.Locale, q ReportQuery, now unit.Instant) (*Report, error) {
	if err := q.check(); err != nil {
		return nil, err
	}
	rows, err := d.View.Stations(ctx)
	if err != nil {
		return nil, err
	}
	r := &Report{Printed: now, ReportQuery: q, Title: q.ID}
	for i := range rows {
		s := &rows[i].Station
		switch {
		case q.Of == OfStation && s.ID == q.ID:
			r.Title = s.Name
		case q.Of == OfSite && s.Site.ID == q.ID && q.ID != "":
			r.Title = s.Site.Name
		case q.Of == OfOwner && s.Site.Owner == q.ID && q.ID != "":
		default:
			continue
		}
		one, err := d.season(ctx, lc, s, q, now)
		if err != nil {
			return nil, err
		}
		r.Stations = append(r.Stations, one)
	}
	if len(r.Stations) == 0 {
		return nil, fmt.Errorf("%s %s: %w", q.Of, q.ID, record.ErrNotFound)
	}
	if q.Of == OfOwner {
		if name, err := d.fact(ctx, fact.KindOwner, q.ID, fact.Name, now); err != nil {
			return nil, err
		} else if name != "" {
			r.Title = name
		}
	}
	return r, nil
}

func (q *ReportQuery) check() error {
	var ends [2]time.Time
	for i, e := range []struct{ field, value string }{{"from", q.From}, {"to", q.To}} {
		day, err := time.Parse(time.DateOnly, e.value)
		if err != nil || day.Year() < 1990 || day.Year() > 2200 {
			return books.Error{Field: e.field, Value: e.value, Fix: "write a date between 1990 and 2200, such as 2025-04-30"}
		}
		ends[i] = day
	}
	if !ends[0].Before(ends[1]) {
		return books.Error{Field: "to", Value: q.To, Fix: "write a day after " + q.From}
	}
	if ends[1].After(ends[0].AddDate(10, 0, 0)) {
		return books.Error{Field: "to", Value: q.To, Fix: "ask for at most ten years at once"}
	}
	return q.checkMoney()
}

func (q *ReportQuery) checkMoney() error {
	if n := len([]rune(q.Currency)); n > 12 {
		return books.Error{Field: "currency", Value: q.Currency, Fix: "write at most 12 characters, as in EUR"}
	}
	c := &q.Costs
	for _, x := range []struct {
		field string
		value float64
		most  float64
	}{
		{"retrofit_cost", c.Retrofit, 1e6},
		{"care_cost", c.Care, 1e6},
		{"unit_value", c.UnitValue, 1e6},
		{"loss_without", c.WithoutLow, c.WithoutHigh},
		{"loss_without", c.WithoutHigh, 1},
		{"loss_with", c.WithLow, c.WithHigh},
		{"loss_with", c.WithHigh, 1},
	} {
		if !(x.value >= 0 && x.value <= x.most) {
			return books.Error{Field: x.field, Value: strconv.FormatFloat(x.value, 'f', -1, 64), Fix: fmt.Sprintf("use a number from 0 to %g", x.most)}
		}
	}
	if (q.SO2 == nil) != (q.Cl == nil) {
		return books.Error{Field: "so2", Value: "", Fix: "give so2 and cl, or neither: a formula of the standard needs both"}
	}
	for name, x := range map[string]*float64{"so2": q.SO2, "cl": q.Cl} {
		if x != nil && !(*x >= 0 && *x <= 1e5) {
			return books.Error{Field: name, Value: strconv.FormatFloat(*x, 'f', -1, 64), Fix: "use a number from 0 to 100000"}
		}
	}
	return nil
}

// compared is how far a comparison looks to either side of a visit.
const compared = 60

func (d *Desk) season(ctx context.Context, lc *words.Locale, s *view.Station, q ReportQuery, now unit.Instant) (one StationSeason, err error) {
	from, errFrom := time.ParseInLocation(time.DateOnly, q.From, s.Site.Zone)
	to, errTo := time.ParseInLocation(time.DateOnly, q.To, s.Site.Zone)
	if err := errors.Join(errFrom, errTo); err != nil {
		return one, err
	}
	period := view.Interval{From: unit.At(from), To: min(unit.At(to), now)}
	if one.Season, err = d.View.Season(ctx, s.ID, period); err != nil {
		return one, err
	}
	if one.Clocks, err = d.View.Clocks(ctx, s.ID); err != nil {
		return one, err
	}
	visits, err := d.Visits.VisitsOf(ctx, s.ID)
	if err != nil {
		return one, err
	}
	one.Outcomes = record.OutcomesOf(visits)
	var opened unit.Instant
	for i := range visits {
		v := &visits[i]
		if v.Began == 0 || v.Began >= period.To || v.Ended != 0 && v.Ended < period.From {
			continue
		}
		one.Visits = append(one.Visits, *v)
		if v.Ended > opened && slices.ContainsFunc(v.Work, func(w record.VisitWork) bool { return w.Code.Opens() }) {
			opened = v.Ended
		}
	}
	if opened != 0 && opened < period.To {
		one.Before, one.After = view.Interval{From: opened.Add(-compared * 24 * time.Hour), To: opened}, view.Interval{From: opened, To: opened.Add(compared * 24 * time.Hour)}
		one.Since = lc.Say("the work of %s", lc.Format(opened.Time().In(s.Site.Zone), "2 January 2006"))
	} else {
		one.Before, one.After = view.Interval{From: unit.At(from.AddDate(-1, 0, 0)), To: unit.At(to.AddDate(-1, 0, 0))}, period
		one.Since = lc.Say("the same months a year before")
	}
	one.Compared, err = d.View.Compare(ctx, s.ID, one.Before, one.After)
	return one, err
}
