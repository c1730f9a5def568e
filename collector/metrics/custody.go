package metrics

import (
	"context"

	"github.com/prometheus/client_golang/prometheus"

	"dewpost/collector/record"
	"dewpost/rules/reading"
)

// custody shows what agents say of their readings, and whether it agrees with
// what is here: sums over all stations.
type custody struct {
	each func(context.Context, func(*record.Custody)) error
}

var (
	atStations  = describe("dewpost_agent_readings", "Readings at the stations, as their agents said last: sampled = receipted + queued + waiting + discarded.", "part")
	unaccounted = describe("dewpost_readings_unaccounted", "Readings that came in and are in no other count.")
	lost        = describe("dewpost_readings_lost", "Readings that agents were told are safe and that are not here.")
	uneven      = describe("dewpost_stations_uneven", "Stations whose counts, here or at their agent, do not add up.")
	held        = describe("dewpost_quarantine_readings", "Readings in quarantine, by reason.", "reason")
	unheld      = describe("dewpost_quarantine_unkept_total", "Readings refused and counted whose bytes were not kept, beyond what a station may fill in a day, by reason.", "reason")
)

// Describe lists what Collect gives.
func (c *custody) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{atStations, unaccounted, lost, uneven, held, unheld} {
		ch <- d
	}
}

// Collect reads what became of the readings.
func (c *custody) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), readTimeout)
	defer cancel()
	var said record.Tally
	var givenUp, missing, gone, odd int64
	kept, unkept := make(map[reading.Reason]int64), make(map[reading.Reason]int64)
	err := c.each(ctx, func(s *record.Custody) {
		own := int64(0)
		if s.State != nil && s.State.Report.Readings != nil {
			t := s.State.Report.Readings
			own = t.Missing()
			said.Sampled += t.Sampled
			said.Receipted += t.Receipted
			said.Queued += t.Queued
			said.Waiting += t.Waiting
			givenUp += t.GivenUp()
		}
		missing += s.Missing()
		gone += s.Lost()
		if own != 0 || s.Missing() != 0 || s.Lost() != 0 {
			odd++
		}
		for _, h := range s.Held {
			kept[h.Reason] += h.Kept
			unkept[h.Reason] += h.Unkept
		}
	})
	if err != nil {
		ch <- prometheus.NewInvalidMetric(unaccounted, err)
		return
	}
	put := func(d *prometheus.Desc, kind prometheus.ValueType, n int64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, kind, float64(n), labels...)
	}
	for part, n := range map[string]int64{
		"sampled": said.Sampled, "receipted": said.Receipted, "queued": said.Queued, "waiting": said.Waiting, "discarded": givenUp,
	} {
		put(atStations, prometheus.GaugeValue, n, part)
	}
	put(unaccounted, prometheus.GaugeValue, missing)
	put(lost, prometheus.GaugeValue, gone)
	put(uneven, prometheus.GaugeValue, odd)
	for reason, n := range kept {
		put(held, prometheus.GaugeValue, n, string(reason))
	}
	for reason, n := range unkept {
		put(unheld, prometheus.CounterValue, n, string(reason))
	}
}
