package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/coating"
	"dewpost/rules/unit"
)

// coatingLimits are the limits that a query can give, each with what it is when
// it isn't given.
var coatingLimits = []struct {
	name, label, hint string
	of                func(*coating.Limits) *float64
}{
	{"margin_k", "Surface above dew point, K", "ISO 8502-4: 3", func(l *coating.Limits) *float64 { return &l.Margin }},
	{"rh_max_pct", "Most relative humidity, %", "by the sheet", func(l *coating.Limits) *float64 { return (*float64)(&l.MostRH) }},
	{"rh_min_pct", "Least, for a type that moisture cures, %", "", func(l *coating.Limits) *float64 { return (*float64)(&l.LeastRH) }},
	{"temp_min_c", "Least temperature, °C", "by the sheet", func(l *coating.Limits) *float64 { return (*float64)(&l.LeastTemp) }},
	{"temp_max_c", "Most temperature, °C", "by the sheet", func(l *coating.Limits) *float64 { return (*float64)(&l.MostTemp) }},
	{"reserve_k", "Board cooler than the air, K", "3 to 5 for an aerosol, whose solvent cools it", func(l *coating.Limits) *float64 { return &l.Reserve }},
}

const cureHours = "cure_h"

// coatingAir are the values that somebody measured.
var coatingAir = []struct{ name, label string }{
	{"temp_c", "Temperature of the air, °C"},
	{"rh_pct", "Relative humidity, %"},
	{"board_temp_c", "Temperature of the board, if measured, °C"},
}

// decimal reads a number; absent when it isn't given.
func (q *query) decimal(name string, absent float64) float64 {
	text := q.locale.Plain(strings.TrimSpace(q.values.Get(name)))
	if text == "" {
		return absent
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		q.refuse(name, text, "write a number, such as 21.5")
		return absent
	}
	return v
}

// coatingAsked is what a query asks of coating.
type coatingAsked struct {
	station, sensor string
	limits          coating.Limits
	air             *coating.Air // what was measured; nil: a station's sensor tells
}

func coatingOf(r *http.Request, at unit.Instant) (*query, coatingAsked) {
	names := []string{"station", "sensor", cureHours}
	for _, l := range coatingLimits {
		names = append(names, l.name)
	}
	for _, a := range coatingAir {
		names = append(names, a.name)
	}
	q := ask(r, names...)
	c := coatingAsked{station: q.values.Get("station"), sensor: q.choice("sensor", books.CoatingSensors[0], books.CoatingSensors), limits: coating.Usual()}
	for _, l := range coatingLimits {
		v := l.of(&c.limits)
		*v = q.decimal(l.name, *v)
	}
	hours := q.decimal(cureHours, c.limits.Cure.Hours())
	c.limits.Cure = time.Duration(min(max(hours, -1), 1e4) * float64(time.Hour))
	if given := q.values.Get("temp_c") + q.values.Get("rh_pct") + q.values.Get("board_temp_c"); given != "" {
		if c.station != "" {
			q.refuse("station", c.station, "give a station, or what was measured, not both")
		}
		for _, name := range []string{"temp_c", "rh_pct"} {
			if q.values.Get(name) == "" {
				q.refuse(name, "", "give what was measured, temp_c and rh_pct")
			}
		}
		c.air = &coating.Air{At: at, Temp: unit.Celsius(q.decimal("temp_c", math.NaN())), RH: unit.Percent(q.decimal("rh_pct", math.NaN()))}
		if board := q.decimal("board_temp_c", math.NaN()); !math.IsNaN(board) {
			b := unit.Celsius(board)
			c.air.Board = &b
		}
	}
	return q, c
}

// coatingDay answers what is asked. What can't be is a problem.
func (s *server) coatingDay(ctx context.Context, c *coatingAsked) (d coating.Day, err error) {
	switch {
	case c.air != nil:
		d, err = coating.Tell(*c.air, nil, &c.limits)
	case c.station == "" || s.cfg.Coating == nil:
		err = &coating.Refused{Field: "station", Fix: "give a station whose sensor tells the air, or temp_c and rh_pct as measured"}
	default:
		d, err = books.Coating(ctx, s.cfg.Coating, c.station, c.sensor, &c.limits, unit.At(s.cfg.Now()))
	}
	var refused *coating.Refused
	switch {
	case errors.Is(err, record.ErrNotFound):
		err = &problem{Status: http.StatusNotFound, Title: "There is no such station", Field: "station", Value: c.station, Fix: "take an id from /api/v1/stations"}
	case errors.As(err, &refused):
		p := &problem{Status: http.StatusBadRequest, Title: "A parameter is wrong", Field: refused.Field, Value: refused.Value, Fix: refused.Fix}
		if p.Field == "cure" {
			p.Field = cureHours
		}
		err = p
	}
	return d, err
}

func (s *server) apiCoating(w http.ResponseWriter, r *http.Request) error {
	q, c := coatingOf(r, unit.At(s.cfg.Now()))
	if q.err != nil {
		return q.err
	}
	d, err := s.coatingDay(r.Context(), &c)
	if err != nil {
		return err
	}
	return sendJSON(w, r, &d)
}

type coatingPage struct {
	sheet
	Asked    bool
	Wrong    string
	Says     string
	Good     bool
	Where    string
	Air      []string
	Also     []string
	Windows  []string
	None     bool // hours are known, and none is good
	Hours    []coatingHour
	Caution  []string
	Station  controlPage
	Sensors  []choicePage
	Measured []fieldPage
	Limits   []fieldPage
}

type coatingHour struct {
	At                  moment
	Good, Stays, Margin string
}

// coating shows whether a board may be coated today.
func (s *server) coating(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	at := unit.At(s.cfg.Now())
	q, c := coatingOf(r, at)
	p := &coatingPage{Caution: lc.RetellAll(coating.Cautions), Asked: c.station != "" || c.air != nil}
	if err := s.coatingForm(r, q, &c, p); err != nil {
		return err
	}
	status := http.StatusOK
	if err := q.err; p.Asked || err != nil {
		var d coating.Day
		if err == nil {
			d, err = s.coatingDay(r.Context(), &c)
		}
		var wrong *problem
		switch {
		case errors.As(err, &wrong):
			p.Wrong, status = strings.TrimSpace(fmt.Sprintf("%s: %s %s: %s.", lc.Say(wrong.Title), wrong.Field, wrong.Value, lc.Say(wrong.Fix))), wrong.Status
		case err != nil:
			return err
		default:
			if err := s.coatingShown(lc, r.Context(), p, &d, &c.limits, at); err != nil {
				return err
			}
		}
	}
	return s.page(w, r, status, "coating.html", p)
}

// coatingShown puts an answer into words.
func (s *server) coatingShown(lc *words.Locale, ctx context.Context, p *coatingPage, d *coating.Day, l *coating.Limits, now unit.Instant) error {
	zone := time.UTC
	p.Says, p.Good, p.Where = lc.Retell(d.Says), d.Now.Good, lc.Say("As measured by you.")
	if d.Station != "" {
		row, _, err := s.cfg.View.Station(ctx, d.Station)
		if err != nil {
			return err
		}
		zone = row.Station.Site.Zone
		p.Where = lc.Say("By the %s sensor of %s, %s; times of %s.", lc.Say(d.Sensor), row.Station.Name, since(lc, d.At, now, zone), zone)
	}
	how := lc.Say("taken from the air")
	if d.Now.Measured {
		how = lc.Say("measured")
	}
	p.Air = []string{
		lc.Say("air %s, %s\u00a0%%", warm(lc, float64(d.Temp)), plain(lc, float64(d.RH), 1)),
		lc.Say("surface %s, %s", warm(lc, float64(d.Now.Surface)), how),
		lc.Say("dew point %s, the surface %s above it", warm(lc, float64(d.Now.DewPoint)), warmer(lc, float64(d.Now.Margin))),
	}
	for i, reason := range d.Now.Reasons {
		if i > 0 {
			p.Also = append(p.Also, lc.Say("Also: %s.", lc.Retell(reason.String())))
		}
	}
	clock := func(t unit.Instant) string { return lc.Format(t.Time().In(zone), "Mon 15:04") }
	for _, win := range d.Windows {
		p.Windows = append(p.Windows, lc.Say("Begin from %s to %s: it stays good for %s\u00a0h with %s or more.", clock(win.From), clock(win.To), lc.Number(fmt.Sprintf("%.3g", l.Cure.Hours())), percent(lc, win.Stays)))
	}
	p.None = len(d.Ahead) > 0 && len(d.Windows) == 0
	for _, h := range d.Ahead {
		p.Hours = append(p.Hours, coatingHour{
			moment{clock(h.Start), utc(h.Start)}, percent(lc, h.Good), percent(lc, h.Stays), warmer(lc, float64(h.Margin)),
		})
	}
	return nil
}

// coatingForm fills the form with what was asked.
func (s *server) coatingForm(r *http.Request, q *query, c *coatingAsked, p *coatingPage) error {
	lc := localeOf(r)
	names, err := s.stationNames(r)
	if err != nil {
		return err
	}
	p.Station = stationControl(lc, lc.Say("Air by the sensor of station"), names, c.station, lc.Say("none: as measured below"))
	p.Station.ID = "coating-station"
	for _, sensor := range books.CoatingSensors {
		p.Sensors = append(p.Sensors, choicePage{sensor, lc.Say(sensor), sensor == c.sensor})
	}
	field := func(name, label, value, hint string) fieldPage {
		return fieldPage{ID: "coating-" + name, Name: name, Label: label, Type: "text", Value: value, Auto: "off", Hint: hint, Optional: true}
	}
	for _, a := range coatingAir {
		p.Measured = append(p.Measured, field(a.name, lc.Say(a.label), q.values.Get(a.name), ""))
	}
	for _, l := range coatingLimits {
		p.Limits = append(p.Limits, field(l.name, lc.Say(l.label), strconv.FormatFloat(*l.of(&c.limits), 'g', -1, 64), lc.Say(l.hint)))
	}
	p.Limits = append(p.Limits, field(cureHours, lc.Say("Must stay good for, h"), strconv.FormatFloat(c.limits.Cure.Hours(), 'g', 4, 64), lc.Say("until cured, by the sheet")))
	return nil
}
