package view

import (
	"context"
	"slices"
	"time"

	"dewpost/rules/alarm"
	"dewpost/rules/breathing"
	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

// Season is what the record holds of a station over a period.
type Season struct {
	Station  Station
	From, To unit.Instant
	Started  unit.Instant // first reading; 0 when nothing was heard
	Months   []SeasonMonth
	Sum      exposure.Hour
	NotHeard time.Duration // elapsed since the first reading, neither known nor unknown
	Findings []alarm.Occurrence
	Outdoors Outdoors
}

// SeasonMonth is what of a calendar month of the site's zone lies in the period.
type SeasonMonth struct {
	First    time.Time
	Sum      exposure.Hour
	NotHeard time.Duration
	Breath   *breathing.Day // as known at its end; nil: not known
}

// Whole tells whether at least nine tenths of the month's elapsed time are
// known; a judgement value.
func (m *SeasonMonth) Whole() bool {
	dark := time.Duration(m.Sum.Unknown) + m.NotHeard
	return time.Duration(m.Sum.Known) >= 9*dark
}

// Outdoors is the air outdoors over a period, by hours.
type Outdoors struct {
	KnownH   float64
	WetH     float64 // RH over 80 % and above 0 °C, ISO 9223's time of wetness, by the means of hours
	TempC    float64 // means over the known hours
	RHPct    float64
	TowYearH float64 // scaled to a year of 8,766 h
	Enough   bool    // 7,000 h are known, so that TowYearH says something
}

const (
	yearH      = 8766.0
	yearLeastH = 7000.0
)

// Season assembles a station's season; record.ErrNotFound when there is no such
// station. A period that reaches beyond now ends now.
func (v *View) Season(ctx context.Context, id string, i Interval) (Season, error) {
	r, err := v.store.Station(ctx, id)
	if err != nil {
		return Season{}, err
	}
	b := v.books()
	s := Season{From: i.From, To: min(i.To, b.at)}
	if s.Station, err = b.station(ctx, r); err != nil {
		return s, err
	}
	if s.Started, _, _, err = v.store.Span(ctx, id); err != nil {
		return s, err
	}
	all, err := v.store.Occurrences(ctx, id)
	if err != nil {
		return s, err
	}
	for _, o := range all {
		if f := &o.Finding; !o.Revised && f.From < s.To && (f.To == 0 || f.To > s.From) {
			s.Findings = append(s.Findings, o)
		}
	}
	slices.SortStableFunc(s.Findings, func(a, b alarm.Occurrence) int { return int(min(1, max(-1, a.Finding.From-b.Finding.From))) })
	if s.From >= s.To {
		return s, nil
	}
	if err := v.seasonMonths(ctx, &s); err != nil {
		return s, err
	}
	air, err := v.outdoors(ctx, &s.Station, s.From, s.To)
	if err != nil {
		return s, err
	}
	o := &s.Outdoors
	for _, a := range air {
		if a.Hour < s.From || a.Hour >= s.To {
			continue
		}
		o.KnownH++
		o.TempC += float64(a.Temp)
		o.RHPct += float64(a.RH)
		if a.RH > 80 && a.Temp > 0 {
			o.WetH++
		}
	}
	if o.KnownH > 0 {
		o.TempC, o.RHPct, o.TowYearH = o.TempC/o.KnownH, o.RHPct/o.KnownH, o.WetH/o.KnownH*yearH
	}
	o.Enough = o.KnownH >= yearLeastH
	return s, nil
}

func (v *View) seasonMonths(ctx context.Context, s *Season) error {
	hours, err := v.store.Hours(ctx, s.Station.ID, s.From, s.To)
	if err != nil {
		return err
	}
	zone := s.Station.Site.Zone
	begin := s.From.Time().In(zone)
	for first := time.Date(begin.Year(), begin.Month(), 1, 0, 0, 0, 0, zone); unit.At(first) < s.To; first = first.AddDate(0, 1, 0) {
		m := SeasonMonth{First: first}
		from, to := max(s.From, unit.At(first)), min(s.To, unit.At(first.AddDate(0, 1, 0)))
		m.Sum = sum(hours, from, to)
		if s.Started != 0 && s.Started < to {
			m.NotHeard = max(0, to.Sub(max(from, s.Started))-time.Duration(m.Sum.Known+m.Sum.Unknown))
		}
		days, err := v.store.Breathing(ctx, s.Station.ID, first.Format(time.DateOnly), first.AddDate(0, 1, 0).Format(time.DateOnly), 31)
		if err != nil {
			return err
		}
		if n := len(days); n > 0 {
			m.Breath = &days[n-1]
		}
		s.Months = append(s.Months, m)
		s.Sum.Add(&m.Sum)
		s.NotHeard += m.NotHeard
	}
	return nil
}

// Costs are what watching and care cost, and what they save, in one currency.
type Costs struct {
	Retrofit  float64 // once: sensors, new coat and cover
	Care      float64 // a year
	UnitValue float64 // of the unit, which can't be bought any more
	// Chances in a year that the unit is lost: without and with the retrofit.
	WithoutLow, WithoutHigh float64
	WithLow, WithHigh       float64
}

// DefaultCosts are judgement values without a source: outdoor covers crack after
// ten to fifteen years, and a board behind a cracked one fails within some years
// (common practice, no source).
var DefaultCosts = Costs{Retrofit: 180, Care: 40, UnitValue: 600, WithoutLow: 0.10, WithoutHigh: 0.30, WithLow: 0.01, WithHigh: 0.05}

// Payback is what came of costs. Years are those after which what was saved
// outweighs the retrofit; 0 is never.
type Payback struct {
	SavedLow, SavedHigh float64 // a year, care taken off; below 0: it costs more than it saves
	Soonest, Latest     float64 // years
}

// Payback reckons unit value × loss avoided a year − care against the retrofit,
// from the least to the most favourable pair of chances.
func (c Costs) Payback() Payback {
	p := Payback{
		SavedLow:  c.UnitValue*(c.WithoutLow-c.WithHigh) - c.Care,
		SavedHigh: c.UnitValue*(c.WithoutHigh-c.WithLow) - c.Care,
	}
	if p.SavedHigh > 0 {
		p.Soonest = c.Retrofit / p.SavedHigh
	}
	if p.SavedLow > 0 {
		p.Latest = c.Retrofit / p.SavedLow
	}
	return p
}
