package logfile

import (
	"strings"
	"time"

	"dewpost/rules/unit"
)

// Times that a log may hold: those of a station, which are not before 2000,
// and those that fit an Instant.
var (
	earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2262, 1, 1, 0, 0, 0, 0, time.UTC)
)

// Times without offset. Orders of day and month that can be mistaken for one
// another are not among them.
var localLayouts = []string{
	"2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04",
	"02.01.2006 15:04:05", "02.01.2006 15:04",
}

func (p *parser[T]) time(column int, cell string) (unit.Instant, error) {
	if t, ok := p.stamps.utc(cell); ok {
		return t, nil
	}
	t, err := time.Parse(time.RFC3339, cell)
	if err != nil && len(cell) > 10 && cell[10] == ' ' {
		t, err = time.Parse("2006-01-02 15:04:05Z07:00", cell)
	}
	if err != nil {
		if t, err = p.local(column, cell); err != nil {
			return 0, err
		}
	}
	if t.Before(earliest) || !t.Before(latest) {
		return 0, p.fault(column, cell, "before 2000 or after 2261: the logger's clock was not set; correct or remove the line")
	}
	return unit.At(t), nil
}

func (p *parser[T]) local(column int, cell string) (time.Time, error) {
	wall, ok := parseLocal(cell)
	if !ok {
		return time.Time{}, p.fault(column, cell, "not a time: write RFC 3339, as in 2025-11-05T00:00:00Z, or local time, as in 2025-11-05 01:00:00, with %s", p.option("tz"))
	}
	if p.opt.Zone == nil {
		return time.Time{}, p.fault(column, cell, "a time without offset: say its zone, as in %s Europe/Helsinki", p.option("tz"))
	}
	p.log.Local = true
	first, second, n := p.zone.instants(wall)
	switch {
	case n == 0:
		return time.Time{}, p.fault(column, cell, "does not exist in %s, where the clock was put forward: correct it, or write times with their offset", p.opt.Zone)
	case n == 1 || unit.At(first) > p.previous:
		return first, nil
	case unit.At(first) == p.previous && p.step < second.Sub(first):
		return first, nil // a doubled line: the log's own step is too short to have passed an hour
	case unit.At(second) > p.previous:
		return second, nil
	}
	return time.Time{}, p.fault(column, cell, "exists twice in %s, where the clock was put back, and the lines are not in time order: write times with their offset", p.opt.Zone)
}

func parseLocal(cell string) (time.Time, bool) {
	cell = strings.Replace(cell, ",", ".", 1) // fractions of a second
	for _, layout := range localLayouts {
		if t, err := time.Parse(layout, cell); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// zone finds the instants at which the clocks of a zone show a time.
type zone struct {
	location *time.Location

	// A stretch in which the zone's offset is known not to change.
	from, to time.Time
	offset   time.Duration
}

// instants returns the instants at which the zone's clocks show wall (which is
// given as if it were UTC): none, one, or two in their order.
func (z *zone) instants(wall time.Time) (first, second time.Time, n int) {
	// Half a day either way from a change there is only one offset.
	if t := wall.Add(-z.offset); t.After(z.from) && t.Before(z.to) {
		return t, time.Time{}, 1
	}
	before, after := z.offsetAt(wall.Add(-26*time.Hour)), z.offsetAt(wall.Add(26*time.Hour))
	for _, o := range []time.Duration{before, after} {
		t := wall.Add(-o)
		if z.offsetAt(t) != o || n == 1 && t.Equal(first) {
			continue
		}
		if n == 0 {
			first = t
		} else {
			second = t
		}
		n++
	}
	if n == 2 && second.Before(first) {
		first, second = second, first
	}
	if n == 1 && before == after {
		z.stretch(first, before)
	}
	return first, second, n
}

func (z *zone) offsetAt(t time.Time) time.Duration {
	_, seconds := t.In(z.location).Zone()
	return time.Duration(seconds) * time.Second
}

// stretch remembers the time around t without a change of offset, shortened so
// that no local time inside it exists anywhere else.
func (z *zone) stretch(t time.Time, offset time.Duration) {
	from, to := t.In(z.location).ZoneBounds()
	z.from, z.to, z.offset = t, t, offset
	if from.IsZero() || from.Add(26*time.Hour).Before(t) {
		z.from = from.Add(26 * time.Hour)
	}
	if to.IsZero() {
		z.to = latest
	} else if to.Add(-26 * time.Hour).After(t) {
		z.to = to.Add(-26 * time.Hour)
	}
}

// stamps reads times of the form 2006-01-02T15:04:05Z fast: a log has
// thousands of them a day, and the day is looked up once.
type stamps struct {
	day   string
	start unit.Instant
}

func (s *stamps) utc(cell string) (unit.Instant, bool) {
	const form = "2006-01-02T15:04:05Z"
	if len(cell) != len(form) || cell[10] != 'T' || cell[13] != ':' || cell[16] != ':' || cell[19] != 'Z' {
		return 0, false
	}
	if cell[:10] != s.day {
		t, err := time.Parse(time.DateOnly, cell[:10])
		if err != nil || t.Before(earliest) || !t.Before(latest) {
			return 0, false
		}
		s.day, s.start = strings.Clone(cell[:10]), unit.At(t)
	}
	h, ok1 := twoDigits(cell[11], cell[12], 24)
	m, ok2 := twoDigits(cell[14], cell[15], 60)
	sec, ok3 := twoDigits(cell[17], cell[18], 60)
	return s.start.Add(time.Duration((h*60+m)*60+sec) * time.Second), ok1 && ok2 && ok3
}

func twoDigits(a, b byte, limit int) (int, bool) {
	n := int(a-'0')*10 + int(b-'0')
	return n, a-'0' <= 9 && b-'0' <= 9 && n < limit
}
