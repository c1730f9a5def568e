// Package view assembles what pages and API show from what is stored: the
// morning look, a station's card, the series of a chart, the lists of the API.
// It computes nothing that the ledger holds already; what it derives (the
// margin of the newest reading, the dew point along a chart) comes from the
// formulas under rules, so a number here is the number there. It keeps nothing
// between two questions, so nothing it says can be out of date unnoticed; but for
// the morning look of very many stations, which says of when it is: see Keep.
package view

import (
	"context"
	"math"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// Store is what a view reads. Station returns record.ErrNotFound for an id that
// was never enrolled; the other methods then find nothing. Lists are in the
// order that the method's own result has by nature: ids, time, recording.
type Store interface {
	Stations(ctx context.Context) ([]record.Station, error)
	Station(ctx context.Context, id string) (record.Station, error)
	Sites(ctx context.Context) ([]string, error)
	Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error)
	Latest(ctx context.Context) (map[string]unit.Instant, error)
	Span(ctx context.Context, station string) (first, last unit.Instant, ok bool, err error)
	Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error)
	Hours(ctx context.Context, station string, from, to unit.Instant) ([]exposure.Hour, error)
	Occurrences(ctx context.Context, station string) ([]alarm.Occurrence, error)
	OpenOccurrences(ctx context.Context) ([]alarm.Occurrence, error)
	Custody(ctx context.Context) ([]record.Custody, error)
	Quarantine(ctx context.Context, want record.QuarantineQuery) ([]record.Quarantined, error)
	Neighbours(ctx context.Context, site string, from, to unit.Instant) ([]record.Neighbour, error)
	Outdoors(ctx context.Context, station string, from, to unit.Instant) ([]equal.Air, error)
	Breathing(ctx context.Context, station, from, to string, limit int) ([]breathing.Day, error)
	BreathingNow(ctx context.Context, station string) (*breathing.Day, *breathing.Usual, error)
	Outlooks(ctx context.Context, station string, from, to unit.Instant, limit int) ([]record.Outlook, error)
	OutlookResults(ctx context.Context, station string, issue outlook.Issue) ([]record.Outlook, error)
	OutlookScore(ctx context.Context, issue outlook.Issue) (outlook.Score, error)
	Looks(ctx context.Context) (map[string][]life.Look, error)
	Burst(ctx context.Context, station string) (*sensing.Burst, error)
	FrozenBefore(ctx context.Context, station string) (unit.Instant, error)
	BoxRun(ctx context.Context, station string, before unit.Instant) (record.BoxRun, error)
	Line(ctx context.Context, id string) (record.Line, error)
	VisitsOf(ctx context.Context, station string) ([]record.VisitDetails, error)
	WeatherPage(ctx context.Context, site string, from, to unit.Instant, skip, limit int) ([]record.Weather, error)
}

// Bounds of an interval that has none.
const (
	Beginning = unit.Instant(math.MinInt64)
	End       = unit.Instant(math.MaxInt64)
)

// View answers questions about the stations. It is safe for concurrent use.
type View struct {
	store   Store
	now     func() time.Time
	morning morning
	others  others
}

// New makes a view of what store holds; now is the collector's clock.
func New(store Store, now func() time.Time) *View { return &View{store: store, now: now} }

func (v *View) instant() unit.Instant { return unit.At(v.now()) }
