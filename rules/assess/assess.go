// Package assess judges one log of readings without a collector: hours in each
// condition with their range, dose, dew point and findings. The hours are the
// same that a collector's ledger would hold for these readings and facts.
package assess

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Options are what a log cannot say itself.
type Options struct {
	MaxGap    time.Duration // longest known segment; 0: from the log's own steps
	Allowance unit.Kelvin   // how much colder than the air inside the surface is taken to be
	Place     *sun.Place    // nil: every instant counts as night, and no sunrise is known
	Refused   int           // values that were refused while the log was read
}

// Assessment is what a log says. Its JSON form is a contract.
type Assessment struct {
	From     *unit.Instant `json:"from"`
	To       *unit.Instant `json:"to"`
	Readings int           `json:"readings"` // distinct instants
	Merged   int           `json:"merged"`   // rows beyond the first of an instant
	Refused  int           `json:"refused"`  // values out of range
	Coverage struct {
		KnownH   float64 `json:"known_h"`
		UnknownH float64 `json:"unknown_h"`
	} `json:"coverage"`
	Surface struct {
		Basis      *string `json:"basis"`
		AllowanceK float64 `json:"allowance_k"`
	} `json:"surface"`
	Hours HoursIn `json:"hours"`
	Range struct {
		Condensing Range `json:"condensing"`
		AtRisk     Range `json:"at_risk"`
	} `json:"range"`
	DewPointC Extremes   `json:"dew_point_c"` // over water
	DoseHEq   float64    `json:"dose_h_eq"`
	Life      *struct{}  `json:"life"`
	TowClass  *int       `json:"tow_class"` // 1 to 5, from the outdoor channels
	Breathing []struct{} `json:"breathing"`
	Findings  []Finding  `json:"findings"`
	Outlook   []struct{} `json:"outlook"`

	MaxGap time.Duration   `json:"-"` // as used
	Ledger []exposure.Hour `json:"-"`

	placed bool // a place was given
}

// HoursIn are hours in each condition.
type HoursIn struct {
	Condensing float64  `json:"condensing"`
	AtRisk     float64  `json:"at_risk"`
	Tow        float64  `json:"tow"`
	Frost      float64  `json:"frost"`
	Thaw       float64  `json:"thaw"`
	CoverWet   *float64 `json:"cover_wet"` // nil without a cover sensor
}

// Range is the low and high end of an estimated number of hours.
type Range struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Extremes of a quantity; nil without data.
type Extremes struct {
	Min  *float64 `json:"min"`
	Mean *float64 `json:"mean"`
	Max  *float64 `json:"max"`
}

// Finding is a finding in its JSON form.
type Finding struct {
	Kind       finding.Kind       `json:"kind"`
	From       unit.Instant       `json:"from"`
	To         *unit.Instant      `json:"to"` // nil while it lasts
	Concluded  unit.Instant       `json:"concluded"`
	Confidence float64            `json:"confidence"`
	Evidence   []finding.Evidence `json:"evidence"`
}

// Run assesses readings in any order; rs is reordered.
func Run(rs []reading.Reading, opt Options) Assessment {
	rows := len(rs)
	merged := reading.Merge(rs)
	if opt.MaxGap == 0 {
		opt.MaxGap = MaxGapOf(merged)
	}
	facts := []exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{
		MaxGap: opt.MaxGap, Allowance: opt.Allowance, Place: opt.Place,
	}}}
	ledger := exposure.Fold(merged, facts, exposure.Part{From: math.MinInt64})

	a := Assessment{
		Readings: len(merged), Merged: rows - len(merged), Refused: opt.Refused,
		MaxGap: opt.MaxGap, Ledger: ledger.Hours, placed: opt.Place != nil,
		Breathing: []struct{}{}, Outlook: []struct{}{},
	}
	if len(merged) > 0 {
		a.From, a.To = &merged[0].Time, &merged[len(merged)-1].Time
	}
	a.Surface.AllowanceK = float64(opt.Allowance)
	a.sum(ledger.Hours)
	a.DewPointC = dewPoint(merged, opt.MaxGap)
	a.TowClass = exposure.TowClass(merged, opt.MaxGap)
	a.Findings = findings(ledger)
	return a
}

// MaxGapOf proposes the longest known segment for readings in time order:
// 1.5 times the median of the first 200 steps, and at least the default.
func MaxGapOf(merged []reading.Reading) time.Duration {
	n := min(len(merged)-1, 200)
	if n < 1 {
		return exposure.DefaultMaxGap
	}
	steps := make([]time.Duration, n)
	for i := range steps {
		steps[i] = merged[i+1].Time.Sub(merged[i].Time)
	}
	slices.Sort(steps)
	median := steps[(n-1)/2]/2 + steps[n/2]/2
	return max(exposure.DefaultMaxGap, median+median/2)
}

func hours(ns int64) float64 { return float64(ns) / 3.6e12 }

func (a *Assessment) sum(ledger []exposure.Hour) {
	var t exposure.Hour
	for i := range ledger {
		t.Add(&ledger[i])
	}
	a.Coverage.KnownH, a.Coverage.UnknownH = hours(t.Known), hours(t.Unknown)
	if t.Basis != exposure.BasisNone {
		basis := t.Basis.String()
		a.Surface.Basis = &basis
	}
	a.Hours = HoursIn{
		Condensing: hours(t.Condensing), AtRisk: hours(t.AtRisk), Tow: hours(t.Tow),
		Frost: hours(t.Frost), Thaw: hours(t.Thaw),
	}
	if t.HasCover {
		h := hours(t.CoverWet)
		a.Hours.CoverWet = &h
	}
	a.Range.Condensing = Range{hours(t.CondensingLow), hours(t.CondensingHigh)}
	a.Range.AtRisk = Range{hours(t.AtRiskLow), hours(t.AtRiskHigh)}
	a.DoseHEq = float64(t.Dose) / 1e9
}

// dewPoint returns the extremes over readings and the mean over known time.
func dewPoint(merged []reading.Reading, maxGap time.Duration) Extremes {
	low, high := math.Inf(1), math.Inf(-1)
	var integral, known float64
	var before float64
	hadBefore := false
	for i := range merged {
		t, okT := merged[i].Get(reading.InsideTemp)
		rh, okR := merged[i].Get(reading.InsideRH)
		if !okT || !okR || rh <= 0 {
			hadBefore = false
			continue
		}
		d := float64(moistair.DewPoint(unit.Celsius(t), unit.Percent(min(rh, 100))))
		low, high = min(low, d), max(high, d)
		if i > 0 && hadBefore {
			if step := merged[i].Time.Sub(merged[i-1].Time); step <= maxGap {
				integral += float64((before + d) / 2 * float64(step))
				known += float64(step)
			}
		}
		before, hadBefore = d, true
	}
	var e Extremes
	if low <= high {
		e.Min, e.Max = &low, &high
	}
	if known > 0 {
		mean := integral / known
		e.Mean = &mean
	}
	return e
}

func findings(ledger exposure.Folded) []Finding {
	all := append(finding.FromSpells(ledger.Spells), finding.DampWeeks(ledger.Hours)...)
	slices.SortStableFunc(all, func(a, b finding.Finding) int { return cmp.Compare(a.From, b.From) })
	out := make([]Finding, 0, len(all))
	for _, f := range all {
		j := Finding{Kind: f.Kind, From: f.From, Concluded: f.Concluded, Confidence: f.Confidence, Evidence: f.Evidence}
		if f.To != 0 {
			to := f.To
			j.To = &to
		}
		out = append(out, j)
	}
	return out
}
