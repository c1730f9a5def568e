package view

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"dewpost/rules/alarm"
	"dewpost/rules/current"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

const (
	nightsShown = 30
	weekNights  = 7
	nightKnown  = int64(6 * time.Hour) // of a night must be known to say how it was
)

// Today is the morning look.
type Today struct {
	At      unit.Instant
	Zone    *time.Location // that of most stations
	Heard   int            // stations whose newest reading speaks for now
	ByHand  int            // stations that may be silent for longer, as a logger read by hand
	Unheard int            // stations of which nothing was ever heard
	Rows    []Row          // stations in service, by need
	Ended   []Ended        // what was over within the last day
	Rest    Rest           // stations that need nobody
}

// Row is one station in the morning look and in lists.
type Row struct {
	Station Station
	Needs   []Need             // by deadline
	Aside   []alarm.Occurrence // that last, and are kept quiet
	Now     Now
	Heard   bool
	Current bool     // the newest reading speaks for now; else heard may be long ago
	Nights  Nights   // 30; the last one holds now
	Silent  int      // on a silent station: silent ones on its site, itself included
	Feeds   []string // names of the other stations on its line, where the first need is the line's
	Told    []string // names of stations on its line that stand for what was found here too
}

// Ended is an occurrence that is over, and whose it was.
type Ended struct {
	Station Station
	alarm.Occurrence
}

// Rest counts the stations that need nobody and are current, by their last night
// (the one that holds now, or the one before it when that has only begun).
type Rest struct {
	Unknown int   // too little of that night is known
	Count   int   // the others
	Dewy    int   // condensing during it
	Longest *Row  // condensing longest; nil when none did
	Night   Night // Longest's
}

// assemble makes the morning look.
func (v *View) assemble(ctx context.Context) (Today, error) {
	b := v.books()
	t := Today{At: b.at}
	rows, err := v.rows(ctx, b)
	if err != nil {
		return t, err
	}
	open, err := v.store.OpenOccurrences(ctx)
	if err != nil {
		return t, err
	}
	of := make(map[string][]alarm.Occurrence)
	for _, o := range open {
		of[o.Station] = append(of[o.Station], o)
	}
	t.Rows = slices.DeleteFunc(rows, func(r Row) bool { return r.Station.Retired != 0 })
	for i := range t.Rows {
		r := &t.Rows[i]
		if err := v.fillRow(ctx, r, b.at, of[r.Station.ID]); err != nil {
			return t, fmt.Errorf("assemble %s: %w", r.Station.ID, err)
		}
		for _, o := range of[r.Station.ID] {
			if !o.Lasting() && !o.State.Latching() && o.Finding.To > b.at.Add(-day) {
				t.Ended = append(t.Ended, Ended{r.Station, o})
			}
		}
	}
	countSilent(t.Rows)
	joinLines(t.Rows)
	slices.SortStableFunc(t.Rows, byNeed)
	t.count()
	return t, nil
}

// count counts the rows.
func (t *Today) count() {
	t.Heard, t.ByHand, t.Unheard = 0, 0, 0
	for i := range t.Rows {
		switch r := &t.Rows[i]; {
		case r.Current:
			t.Heard++
		case r.Heard:
			t.ByHand++
		case r.Now.At == 0:
			t.Unheard++
		}
	}
	t.Zone = commonZone(t.Rows)
	t.Rest = restOf(t.Rows, t.At)
}

// rows describes all stations with the time of their newest reading.
func (v *View) rows(ctx context.Context, b *books) ([]Row, error) {
	stations, err := v.store.Stations(ctx)
	if err != nil {
		return nil, err
	}
	latest, err := v.store.Latest(ctx)
	if err != nil {
		return nil, err
	}
	rows := make([]Row, 0, len(stations))
	for _, r := range stations {
		s, err := b.station(ctx, r)
		if err != nil {
			return nil, err
		}
		last := latest[s.ID]
		rows = append(rows, Row{Station: s, Now: Now{At: last}, Heard: s.heard(last, b.at), Current: s.current(last, b.at)})
	}
	return rows, nil
}

// fillRow adds nights, newest reading and needs.
func (v *View) fillRow(ctx context.Context, r *Row, at unit.Instant, open []alarm.Occurrence) error {
	s := &r.Station
	nights := lastNights(at, s.Site.Zone, nightsShown)
	begin := nights[0].From.Floor(time.Hour)
	hours, err := v.store.Hours(ctx, s.ID, begin, at)
	if err != nil {
		return err
	}
	fill(nights, hours, firstHeard(hours, begin, r.Now.At), at)
	r.Nights = PackNights(nights)
	if r.Now, err = v.newest(ctx, s, r.Now.At); err != nil {
		return err
	}
	r.Needs = needsOf(open, hours)
	for _, o := range open {
		if o.State.Held() && o.Lasting() {
			r.Aside = append(r.Aside, o)
		}
	}
	return nil
}

// firstHeard tells from the hours since begin when a station was first heard:
// 0 when before. last is its newest reading.
func firstHeard(hours []exposure.Hour, begin, last unit.Instant) unit.Instant {
	switch {
	case last == 0:
		return 1<<63 - 1
	case len(hours) == 0:
		return min(last, begin)
	case hours[0].Start <= begin:
		return 0
	default:
		// The ledger begins with the first reading, inside its first hour.
		return hours[0].Start.Add(time.Hour - time.Duration(hours[0].Known+hours[0].Unknown))
	}
}

func ofStation(all []alarm.Occurrence, id string) []alarm.Occurrence {
	var own []alarm.Occurrence
	for _, o := range all {
		if o.Station == id {
			own = append(own, o)
		}
	}
	return own
}

// needs tells whether the station has a lasting finding of the kind.
func (r *Row) needs(kind finding.Kind) bool {
	return slices.ContainsFunc(r.Needs, func(n Need) bool { return n.Finding.Kind == kind })
}

// countSilent tells each silent station how many of its site are.
func countSilent(rows []Row) {
	silent := make(map[string]int)
	for i := range rows {
		if rows[i].needs(finding.Silent) {
			silent[rows[i].Station.Site.ID]++
		}
	}
	for i := range rows {
		if rows[i].needs(finding.Silent) {
			rows[i].Silent = silent[rows[i].Station.Site.ID]
		}
	}
}

// joinLines lets one event of a line that feeds several stations need a person
// once: at the station whose readings told it first.
func joinLines(rows []Row) {
	on := make(map[string][]*Row)
	for i := range rows {
		if line := rows[i].Station.Line; line != "" {
			on[line] = append(on[line], &rows[i])
		}
	}
	for _, all := range on {
		if len(all) > 1 {
			joinLine(all)
		}
	}
}

func joinLine(rows []*Row) {
	row := make(map[string]*Row, len(rows))
	var found []current.On
	for _, r := range rows {
		row[r.Station.ID] = r
		for i := range r.Needs {
			found = append(found, current.On{Station: r.Station.ID, Finding: r.Needs[i].Finding})
		}
	}
	for _, e := range current.Merge(found) {
		for _, o := range e.Others {
			r := row[o.Station]
			r.Needs = slices.DeleteFunc(r.Needs, func(n Need) bool { return n.Finding.Kind == o.Kind && n.Finding.From == o.From })
			if name := row[e.Station].Station.Name; !slices.Contains(r.Told, name) {
				r.Told = append(r.Told, name)
			}
		}
	}
	for _, r := range rows {
		if len(r.Needs) == 0 || !current.OfLine(&r.Needs[0].Finding) {
			continue
		}
		for _, other := range rows {
			if other != r {
				r.Feeds = append(r.Feeds, other.Station.Name)
			}
		}
	}
}

// byNeed sorts by deadline, then stations not heard, then by what they
// condensed in the last seven nights, then by name.
func byNeed(a, b Row) int {
	return cmp.Or(
		cmp.Compare(a.deadline(), b.deadline()),
		cmp.Compare(a.quiet(), b.quiet()),
		cmp.Compare(b.Nights.Week.Condensing, a.Nights.Week.Condensing),
		cmp.Compare(a.Station.Name, b.Station.Name),
		cmp.Compare(a.Station.ID, b.Station.ID),
	)
}

func (r *Row) deadline() unit.Instant {
	if len(r.Needs) == 0 {
		return 1<<63 - 1
	}
	by := r.Needs[0].By
	for i := range r.Needs {
		by = min(by, r.Needs[i].By)
	}
	return by
}

// quiet ranks stations of which nobody is needed: first those that went quiet,
// last those that were never heard.
func (r *Row) quiet() int {
	switch {
	case r.Now.At == 0:
		return 2
	case r.Heard:
		return 1
	}
	return 0
}

func commonZone(rows []Row) *time.Location {
	count := make(map[string]int)
	best := time.UTC
	for i := range rows {
		zone := rows[i].Station.Site.Zone
		count[zone.String()]++
		if count[zone.String()] > count[best.String()] {
			best = zone
		}
	}
	return best
}

func restOf(rows []Row, now unit.Instant) Rest {
	var rest Rest
	for i := range rows {
		r := &rows[i]
		if len(r.Needs) > 0 || !r.Current {
			continue
		}
		n := r.Nights.Last(now)
		if n.Sum.Known < nightKnown {
			rest.Unknown++
			continue
		}
		rest.Count++
		if n.Sum.Condensing == 0 {
			continue
		}
		rest.Dewy++
		if rest.Longest == nil || n.Sum.Condensing > rest.Night.Sum.Condensing {
			rest.Longest, rest.Night = r, n
		}
	}
	return rest
}
