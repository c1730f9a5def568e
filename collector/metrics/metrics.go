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
}

// Handler serves the store's counts and the given values. When the store can't
// be read the page is an error, status 500, not a page with zeros.
func Handler(counts func(context.Context) (record.Counts, error), values []Value) http.Handler {
	registry := prometheus.NewRegistry()
	registry.MustRegister(collectors.NewGoCollector(), &stored{counts})
	for _, v := range values {
		if v.Total {
			registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: v.Name, Help: v.Help}, v.Current))
		} else {
			registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: v.Name, Help: v.Help}, v.Current))
		}
	}
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{ErrorHandling: promhttp.HTTPErrorOnError})
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
