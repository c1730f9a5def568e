package books

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Workshop is how a table of driving calls the workshop.
const Workshop = "workshop"

// legsMost is how many legs a table may hold: of some 400 places.
const legsMost = 160_000

// ImportLegs replaces what was measured of driving by a table with the columns
// from, to, minutes and, if somebody knows, km. Places are ids of sites, or
// workshop. A leg that is given one way only holds for the way back too. All of
// it is taken, or nothing.
func (p *Planner) ImportLegs(ctx context.Context, r io.Reader, now unit.Instant, author string) (count int, err error) {
	in := tableReader(r)
	in.TrimLeadingSpace = true
	head, err := in.Read()
	if err != nil {
		return 0, Error{"table", "", "begin with a line that names the columns: from,to,minutes,km"}
	}
	at := make(map[string]int)
	for i, name := range head {
		name = strings.TrimSpace(strings.TrimPrefix(name, "\ufeff"))
		if !slices.Contains([]string{"from", "to", "minutes", "km"}, name) {
			return 0, Error{"column", name, "use from, to, minutes and km"}
		}
		at[name] = i
	}
	for _, name := range []string{"from", "to", "minutes"} {
		if _, ok := at[name]; !ok {
			return 0, Error{"column", name, "add it: a table has from, to, minutes and, if known, km"}
		}
	}
	var legs []record.Leg
	line := make(map[[2]string]int)
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var bad *csv.ParseError
		if errors.As(err, &bad) {
			return 0, Error{fmt.Sprintf("line %d", bad.Line), "", "write as many cells as columns, and close quotes"}
		}
		if err != nil {
			return 0, err
		}
		n, _ := in.FieldPos(0)
		leg, err := p.leg(ctx, row, at, n, in.Comma != ',')
		if err != nil {
			return 0, err
		}
		key := [2]string{leg.From, leg.To}
		if other, twice := line[key]; twice {
			return 0, Error{fmt.Sprintf("line %d", n), row[at["from"]] + " to " + row[at["to"]], fmt.Sprintf("leave it out: line %d gives it already", other)}
		}
		line[key] = n
		if legs = append(legs, leg); len(legs) > legsMost {
			return 0, Error{"table", strconv.Itoa(len(legs)), fmt.Sprintf("write %d lines at most", legsMost)}
		}
	}
	for _, l := range slices.Clone(legs) {
		if _, both := line[[2]string{l.To, l.From}]; !both {
			legs = append(legs, record.Leg{From: l.To, To: l.From, Minutes: l.Minutes, KM: l.KM})
		}
	}
	return len(legs), p.store.PutLegs(ctx, legs, now, author)
}

func (p *Planner) leg(ctx context.Context, row []string, at map[string]int, line int, decimalComma bool) (l record.Leg, err error) {
	place := func(column string) (string, error) {
		id := strings.TrimSpace(row[at[column]])
		if id == Workshop {
			return "", nil
		}
		if !IsText(id) {
			return "", Error{fmt.Sprintf("line %d, %s", line, column), strings.ToValidUTF8(id, "?"), "use text in UTF-8"}
		}
		facts, err := p.store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: id})
		if err == nil && len(facts) == 0 {
			err = Error{fmt.Sprintf("line %d, %s", line, column), id, "write the id of a site that is in the books, or " + Workshop}
		}
		return id, err
	}
	figure := func(column string, most float64) (float64, error) {
		text := strings.TrimSpace(row[at[column]])
		if decimalComma {
			text = strings.Replace(text, ",", ".", 1)
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(v) || v < 0 || v > most {
			return 0, Error{fmt.Sprintf("line %d, %s", line, column), text, fmt.Sprintf("write a number from 0 to %g", most)}
		}
		return v, nil
	}
	if l.From, err = place("from"); err != nil {
		return l, err
	}
	if l.To, err = place("to"); err != nil {
		return l, err
	}
	if l.From == l.To {
		return l, Error{fmt.Sprintf("line %d", line), row[at["from"]], "leave it out: it leads nowhere else"}
	}
	if l.Minutes, err = figure("minutes", 1440); err != nil {
		return l, err
	}
	if _, ok := at["km"]; ok && strings.TrimSpace(row[at["km"]]) != "" {
		l.KM, err = figure("km", 3000)
	}
	return l, err
}

// place returns where a site lies.
func (r *said) place(site string) (lat, lon float64, ok bool) {
	if site == "" {
		return r.set.lat, r.set.lon, r.set.placed
	}
	lat, errLat := strconv.ParseFloat(r.sites[site][fact.Lat], 64)
	lon, errLon := strconv.ParseFloat(r.sites[site][fact.Lon], 64)
	return lat, lon, errLat == nil && errLon == nil
}

// way returns how long it is from one place to another: as measured, else
// between the workshop and a site as the books say, else along the great circle.
func (r *said) way(from, to string) (drive time.Duration, km float64, ok bool) {
	if from == to {
		return 0, 0, true
	}
	if l, ok := r.legs[[2]string{from, to}]; ok {
		if km = l.KM; km == 0 {
			km = l.Minutes / 60 * r.set.speed
		}
		return minutes(l.Minutes), km, true
	}
	if from == "" || to == "" {
		if n, err := strconv.ParseFloat(r.sites[from+to][fact.TravelMin], 64); err == nil {
			return minutes(n), n / 60 * r.set.speed, true
		}
	}
	a, b, okFrom := r.place(from)
	c, d, okTo := r.place(to)
	if !okFrom || !okTo {
		return 0, 0, false
	}
	km = greatCircle(a, b, c, d) * r.set.factor
	return time.Duration(km / r.set.speed * float64(time.Hour)), km, true
}

// drive returns how long it is to a site.
func (r *said) drive(site string) (time.Duration, bool) {
	if site == "" {
		return 0, false
	}
	drive, _, ok := r.way("", site)
	return drive, ok
}

func minutes(n float64) time.Duration { return time.Duration(n * float64(time.Minute)) }

// greatCircle returns km between two places, on a sphere of 6371 km radius.
func greatCircle(lat1, lon1, lat2, lon2 float64) float64 {
	rad := math.Pi / 180
	a, b := math.Sin((lat2-lat1)*rad/2), math.Sin((lon2-lon1)*rad/2)
	h := a*a + math.Cos(lat1*rad)*math.Cos(lat2*rad)*b*b
	return 2 * 6371 * math.Asin(math.Sqrt(min(1, h)))
}
