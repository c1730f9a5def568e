package view

import (
	"cmp"
	"context"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/box"
	"dewpost/rules/current"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

const (
	evidenceLimit = 20 // occurrences whose evidence is looked up in the ledger
	sketchPoints  = 600
)

// Card is everything about one station.
type Card struct {
	At unit.Instant
	Row
	Started  unit.Instant // first reading; 0 when nothing was heard
	Channels []reading.Channel
	Findings []Found // newest first
	Months   []Month // newest first
	Older    bool    // there are months before those
	Window   Window
	Breath   Breath
	Clocks   Clocks
	Outlook  Outlook
	Beside
	Sketch Series // of Window, for paper and for browsers without scripts
}

// Found is an occurrence with what the ledger holds of the time it speaks of.
type Found struct {
	alarm.Occurrence
	Sum exposure.Hour // Known 0 when it wasn't looked up
}

// Month is the nights that begin in one calendar month of the site's zone.
type Month struct {
	First  time.Time // its first day
	Nights []Night
	Sum    Sum
	Worst  *Night // condensing longest; nil when none did
}

// Window is the stretch of time that a chart shows.
type Window struct {
	Interval
	Show string // one of Windows, or "" for a stretch of its own
}

// Windows are the stretches that a chart can be asked for, by name; all is as
// long as the record.
var Windows = []struct {
	Show   string
	Length time.Duration
}{
	{"24h", day},
	{"7d", 7 * day},
	{"30d", 30 * day},
	{"all", 0},
}

// CardQuery says what a card shows beyond the newest.
type CardQuery struct {
	Show     string       // one of Windows
	From, To unit.Instant // where Show is ""
	Months   int          // of nights
}

// Card assembles a station's card; record.ErrNotFound when there is no such
// station.
func (v *View) Card(ctx context.Context, id string, q CardQuery) (Card, error) {
	r, err := v.store.Station(ctx, id)
	if err != nil {
		return Card{}, err
	}
	b := v.books()
	s, err := b.station(ctx, r)
	if err != nil {
		return Card{}, err
	}
	first, last, _, err := v.store.Span(ctx, id)
	if err != nil {
		return Card{}, err
	}
	c := Card{At: b.at, Started: first, Row: Row{Station: s, Now: Now{At: last}, Heard: s.heard(last, b.at), Current: s.current(last, b.at)}}
	occurrences, err := v.store.Occurrences(ctx, id)
	if err != nil {
		return c, err
	}
	if err := v.fillRow(ctx, &c.Row, b.at, occurrences); err != nil {
		return c, err
	}
	if c.Silent, err = v.silentWith(ctx, b, &c.Row); err != nil {
		return c, err
	}
	if err := v.refreshNeeds(ctx, &c); err != nil {
		return c, err
	}
	if c.Findings, err = v.found(ctx, id, occurrences); err != nil {
		return c, err
	}
	if err := v.months(ctx, &c, q.Months); err != nil {
		return c, err
	}
	if err := v.breath(ctx, &c); err != nil {
		return c, err
	}
	if c.Clocks, err = v.Clocks(ctx, id); err != nil {
		return c, err
	}
	if c.Outlook, err = v.Outlook(ctx, id); err != nil {
		return c, err
	}
	if c.Beside, err = v.beside(ctx, &c.Station, c.At); err != nil {
		return c, err
	}
	c.Window = windowOf(q, &c)
	if c.Sketch, err = v.series(ctx, s, c.Window.From, c.Window.To, sketchPoints); err != nil {
		return c, err
	}
	for channel := range reading.NumChannels {
		if c.Sketch.Values[channel] != nil || c.Now.Reading.Has(channel) {
			c.Channels = append(c.Channels, channel)
		}
	}
	return c, nil
}

// Beside is what its line, its sensor's heater and visits say of a station.
type Beside struct {
	Sensor   *sensing.Burst // what its own heater said of the inside sensor; nil: nothing
	Line     *OnLine        // nil: it is on none that it shares
	Repair   *Repair        // nil: nothing was done to the box
	Corroded []Corroded     // what was seen at visits, the newest first
	Outcomes map[record.Cause]record.Came
	Photos   []Photo           // that were taken at visits, the newest first
	Visits   []record.Visit    // the newest first
	Frozen   unit.Instant      // hours that begin before this stay as they are: their readings were let go; 0: none
	Standing *current.Standing // of its line and comb; nil: nothing is known
}

// Photo is one that is kept of a visit.
type Photo struct {
	Visit, ID int64
	Caption   string
	At        unit.Instant // when it was taken, else written down
}

// Beside tells it of one station; record.ErrNotFound when there is none.
func (v *View) Beside(ctx context.Context, id string) (Beside, error) {
	r, err := v.store.Station(ctx, id)
	if err != nil {
		return Beside{}, err
	}
	b := v.books()
	s, err := b.station(ctx, r)
	if err != nil {
		return Beside{}, err
	}
	return v.beside(ctx, &s, b.at)
}

func (v *View) beside(ctx context.Context, s *Station, at unit.Instant) (b Beside, err error) {
	if b.Sensor, err = v.store.Burst(ctx, s.ID); err != nil {
		return b, err
	}
	if b.Line, err = v.onLine(ctx, s, at); err != nil {
		return b, err
	}
	visits, err := v.store.VisitsOf(ctx, s.ID)
	if err != nil {
		return b, err
	}
	b.Corroded, b.Outcomes, b.Photos = corroded(visits), record.OutcomesOf(visits), photos(visits)
	for i := range visits {
		b.Visits = append(b.Visits, visits[i].Visit)
	}
	slices.SortFunc(b.Visits, func(x, y record.Visit) int { return cmp.Compare(y.Number, x.Number) })
	if b.Repair, err = v.repair(ctx, s, visits); err != nil {
		return b, err
	}
	if b.Standing, err = v.standing(ctx, s.ID); err != nil {
		return b, err
	}
	b.Frozen, err = v.store.FrozenBefore(ctx, s.ID)
	return b, err
}

// standing reads what the estimators of a box remember of its current.
func (v *View) standing(ctx context.Context, id string) (*current.Standing, error) {
	run, err := v.store.BoxRun(ctx, id, End)
	if err != nil || run.State.At == 0 || run.Version != box.Version {
		return nil, err
	}
	followed, err := box.Resume(run.State.Body, nil)
	if err != nil {
		return nil, err
	}
	return followed.State.Current.Standing(), nil
}

func photos(visits []record.VisitDetails) (all []Photo) {
	for i := range visits {
		for k := range visits[i].Photos {
			p := &visits[i].Photos[k]
			all = append(all, Photo{visits[i].Number, p.ID, p.Caption, cmp.Or(p.Taken, p.Recorded)})
		}
	}
	slices.SortStableFunc(all, func(a, b Photo) int { return cmp.Or(cmp.Compare(b.At, a.At), cmp.Compare(b.ID, a.ID)) })
	return all
}

// OfLine tells whether a need is of the line that others share, and not of the
// station alone.
func (c *Card) OfLine(n *Need) bool { return c.Line != nil && current.OfLine(&n.Finding) }

// silentWith counts the silent stations of a silent station's site.
func (v *View) silentWith(ctx context.Context, b *books, r *Row) (int, error) {
	if !r.needs(finding.Silent) {
		return 0, nil
	}
	open, err := v.store.OpenOccurrences(ctx)
	if err != nil {
		return 0, err
	}
	n := 0
	for _, o := range open {
		if o.Finding.Kind != finding.Silent || !o.Lasting() {
			continue
		}
		other, err := v.store.Station(ctx, o.Station)
		if err != nil {
			return 0, err
		}
		s, err := b.station(ctx, other)
		if err != nil {
			return 0, err
		}
		if s.Site.ID == r.Station.Site.ID {
			n++
		}
	}
	return n, nil
}

// refreshNeeds looks up the time of needs that began before the nights shown.
func (v *View) refreshNeeds(ctx context.Context, c *Card) error {
	for i := range c.Needs {
		n := &c.Needs[i]
		if n.Sum.Known > 0 {
			continue
		}
		var err error
		if n.Sum, err = v.sumOf(ctx, &n.Occurrence); err != nil {
			return err
		}
	}
	return nil
}

// sumOf adds up the ledger over the time that an occurrence speaks of.
func (v *View) sumOf(ctx context.Context, o *alarm.Occurrence) (exposure.Hour, error) {
	from, to := evidenceTime(&o.Finding)
	hours, err := v.store.Hours(ctx, o.Station, from, to)
	return sum(hours, from, to), err
}

func (v *View) found(ctx context.Context, id string, occurrences []alarm.Occurrence) ([]Found, error) {
	list := make([]Found, len(occurrences))
	for i, o := range occurrences {
		list[i].Occurrence = o
	}
	slices.SortFunc(list, func(a, b Found) int {
		return cmp.Or(cmp.Compare(b.Finding.From, a.Finding.From), cmp.Compare(a.Finding.Kind, b.Finding.Kind), cmp.Compare(b.Number, a.Number))
	})
	for i := range list {
		if i == evidenceLimit {
			break
		}
		var err error
		if list[i].Sum, err = v.sumOf(ctx, &list[i].Occurrence); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// months adds the newest count months that the ledger holds.
func (v *View) months(ctx context.Context, c *Card, count int) error {
	if c.Started == 0 {
		return nil
	}
	zone := c.Station.Site.Zone
	newest := noonBefore(c.Now.At, zone).Time().In(zone)
	begin := unit.At(time.Date(newest.Year(), newest.Month()-time.Month(count-1), 1, 12, 0, 0, 0, zone))
	c.Older = noonBefore(c.Started, zone) < begin
	nights, _, err := v.nightsBetween(ctx, &c.Station, max(begin, c.Started), c.Now.At, c.Started)
	if err != nil {
		return err
	}
	for _, n := range nights {
		d := n.From.Time().In(zone)
		first := time.Date(d.Year(), d.Month(), 1, 0, 0, 0, 0, zone)
		if len(c.Months) == 0 || !c.Months[0].First.Equal(first) {
			c.Months = slices.Insert(c.Months, 0, Month{First: first})
		}
		m := &c.Months[0]
		m.Nights = append(m.Nights, n)
		m.Sum.Join(&n.Sum)
	}
	for i := range c.Months {
		m := &c.Months[i]
		for j := range m.Nights {
			if s := m.Nights[j].Sum.Condensing; s > 0 && (m.Worst == nil || s > m.Worst.Sum.Condensing) {
				m.Worst = &m.Nights[j]
			}
		}
	}
	return nil
}

// windowOf returns what the chart shows, in whole seconds. A window ends now,
// or with the newest reading when that is no longer current.
func windowOf(q CardQuery, c *Card) Window {
	if q.Show == "" {
		return Window{Interval{q.From.Floor(time.Second), (q.To + unit.Instant(time.Second) - 1).Floor(time.Second)}, ""}
	}
	end := c.At
	if !c.Current {
		end = c.Now.At
	}
	end = end.Floor(time.Second).Add(time.Second)
	for _, w := range Windows {
		if w.Show == q.Show && w.Length > 0 {
			return Window{Interval{end.Add(-w.Length), end}, w.Show}
		}
	}
	return Window{Interval{min(c.Started.Floor(time.Second), end), end}, q.Show}
}
