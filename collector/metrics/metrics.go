// Package metrics shows the collector's totals as text in the exposition
// format of client_golang. It counts nothing itself: each part counts its own,
// and this package reads them when asked. There is no series per station.
package metrics

import (
	"context"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"dewpost/collector/record"
)

// readTimeout bounds how long a page of metrics waits for the store.
const readTimeout = 5 * time.Second

// Value is one number of a part that is read when asked.
type Value struct {
	Name    string // beginning with dewpost_, ending with the unit, and with _total for a total
	Help    string
	Total   bool // it only grows
	Current func() float64
	Ask     func(context.Context) (float64, error) // in place of Current, where asking can fail
}

// Times says how often something took how long.
type Times struct {
	Name    string // beginning with dewpost_, ending with _seconds
	Help    string
	Current func() (bounds []float64, counts []uint64, sum float64)
}

// Store is what the page reads of what is kept.
type Store interface {
	Counts(ctx context.Context) (record.Counts, error)
	EachCustody(ctx context.Context, tell func(*record.Custody)) error
}

// Handler serves the store's counts and the given values and times. bounds of
// Times are in seconds, ascending; counts are of durations up to the bound and
// beyond the one before, and one more for those beyond the last. When the
// store, or a value, can't be read the page is an error, status 500, not a page
// with zeros.
func Handler(store Store, values []Value, times ...Times) http.Handler {
	registry := prometheus.NewRegistry()
	registry.MustRegister(collectors.NewGoCollector(), &stored{store.Counts}, &custody{store.EachCustody})
	for _, v := range values {
		registry.MustRegister(&value{v, describe(v.Name, v.Help)})
	}
	for _, t := range times {
		registry.MustRegister(&histogram{t, describe(t.Name, t.Help)})
	}
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{ErrorHandling: promhttp.HTTPErrorOnError})
}

// value shows a Value.
type value struct {
	Value
	desc *prometheus.Desc
}

// Describe lists what Collect gives.
func (v *value) Describe(ch chan<- *prometheus.Desc) { ch <- v.desc }

// Collect reads the value.
func (v *value) Collect(ch chan<- prometheus.Metric) {
	x, err := v.read()
	if err != nil {
		ch <- prometheus.NewInvalidMetric(v.desc, err)
		return
	}
	kind := prometheus.GaugeValue
	if v.Total {
		kind = prometheus.CounterValue
	}
	ch <- prometheus.MustNewConstMetric(v.desc, kind, x)
}

func (v *value) read() (float64, error) {
	if v.Ask == nil {
		return v.Current(), nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), readTimeout)
	defer cancel()
	return v.Ask(ctx)
}

// histogram shows Times.
type histogram struct {
	Times
	desc *prometheus.Desc
}

// Describe lists what Collect gives.
func (h *histogram) Describe(ch chan<- *prometheus.Desc) { ch <- h.desc }

// Collect reads the times. The format wants counts of all up to each bound.
func (h *histogram) Collect(ch chan<- prometheus.Metric) {
	bounds, counts, sum := h.Current()
	upTo := make(map[float64]uint64, len(bounds))
	var n uint64
	for i, bound := range bounds {
		n += counts[i]
		upTo[bound] = n
	}
	n += counts[len(bounds)]
	ch <- prometheus.MustNewConstHistogram(h.desc, n, sum, upTo)
}

// stored shows the counts of custody: received + released = stored + repeated
// + all refused.
type stored struct {
	counts func(context.Context) (record.Counts, error)
}

func describe(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(name, help, labels, nil)
}

var (
	received  = describe("dewpost_readings_received_total", "Readings that arrived, in any condition.")
	released  = describe("dewpost_readings_released_total", "Readings that came in from quarantine.")
	kept      = describe("dewpost_readings_stored_total", "Readings stored.")
	repeated  = describe("dewpost_readings_repeated_total", "Readings that arrived again.")
	discarded = describe("dewpost_readings_discarded", "Readings that agents gave up before they were delivered, and that have not arrived after all.")
	refused   = describe("dewpost_readings_refused_total", "Readings refused into quarantine, by reason.", "reason")
	values    = describe("dewpost_values_refused_total", "Single values out of range or not a number, by channel; their readings stay.", "channel")
	unknown   = describe("dewpost_fields_unknown_total", "Fields and tags that the contract does not know.")
)

// Describe lists what Collect gives.
func (s *stored) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{received, released, kept, repeated, discarded, refused, values, unknown} {
		ch <- d
	}
}

// Collect reads the counts.
func (s *stored) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), readTimeout)
	defer cancel()
	c, err := s.counts(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(received, err)
		return
	}
	put := func(d *prometheus.Desc, kind prometheus.ValueType, n int64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, kind, float64(n), labels...)
	}
	put(received, prometheus.CounterValue, c.Received)
	put(released, prometheus.CounterValue, c.Released)
	put(kept, prometheus.CounterValue, c.Stored)
	put(repeated, prometheus.CounterValue, c.Repeated)
	put(discarded, prometheus.GaugeValue, c.Discarded)
	put(unknown, prometheus.CounterValue, c.UnknownFields)
	for reason, n := range c.Refused {
		put(refused, prometheus.CounterValue, n, string(reason))
	}
	for channel, n := range c.RefusedValues {
		put(values, prometheus.CounterValue, n, channel)
	}
}
