package metrics

import (
	"context"
	"errors"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/record"
	"dewpost/rules/reading"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func counts(context.Context) (record.Counts, error) {
	return record.Counts{
		Received: 100, Released: 1, Stored: 80, Repeated: 12,
		Refused:   map[reading.Reason]int64{reading.ReasonTime: 3, reading.ReasonMalformed: 6},
		Discarded: 5, RefusedValues: map[string]int64{"inside_rh_pct": 7, "comb_us": 2}, UnknownFields: 4,
	}, nil
}

// Two stations, one of them with an agent that was told too much, and others.
func stations(context.Context) ([]record.Custody, error) {
	said := func(sampled, receipted int64) *record.State {
		return &record.State{Report: record.Report{Readings: &record.Tally{
			Sampled: sampled, Receipted: receipted, Queued: 5, Waiting: 1, Discarded: map[string]int64{"size": 2, "age": 1},
		}}}
	}
	return []record.Custody{
		{
			Station: "a", Received: 60, Stored: 50, Repeated: 8, Refused: 2, State: said(49, 40), Seen: 40,
			Held: []record.Held{{Reason: reading.ReasonTime, Kept: 1}, {Reason: reading.ReasonMalformed, Kept: 1, Unkept: 4}},
		},
		{Station: "b", Received: 30, Stored: 25, Repeated: 4, State: said(40, 30), Seen: 23},
		{Received: 10, Released: 1, Stored: 5, Refused: 6, Held: []record.Held{{Reason: reading.ReasonMalformed, Kept: 5}}},
		{Station: "c"},
	}, nil
}

type fake struct {
	counts  func(context.Context) (record.Counts, error)
	custody func(context.Context) ([]record.Custody, error)
}

func (f fake) Counts(ctx context.Context) (record.Counts, error) { return f.counts(ctx) }

func (f fake) EachCustody(ctx context.Context, tell func(*record.Custody)) error {
	list, err := f.custody(ctx)
	for i := range list {
		tell(&list[i])
	}
	return err
}

func page(t *testing.T, counts func(context.Context) (record.Counts, error), values []Value, times ...Times) (int, string) {
	t.Helper()
	return pageOf(t, fake{counts, stations}, values, times...)
}

func pageOf(t *testing.T, f fake, values []Value, times ...Times) (int, string) {
	t.Helper()
	w := httptest.NewRecorder()
	Handler(f, values, times...).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	return w.Code, w.Body.String()
}

func parse(t *testing.T, text string) map[string]*dto.MetricFamily {
	t.Helper()
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(strings.NewReader(text))
	require.NoError(t, err)
	return families
}

func labelled(f *dto.MetricFamily) map[string]float64 {
	m := make(map[string]float64)
	for _, x := range f.GetMetric() {
		var labels []string
		for _, l := range x.GetLabel() {
			labels = append(labels, l.GetName()+"="+l.GetValue())
		}
		m[strings.Join(labels, ",")] = x.GetCounter().GetValue() + x.GetGauge().GetValue()
	}
	return m
}

var someValues = []Value{
	{Name: "dewpost_commits_total", Help: "Commits of readings.", Total: true, Current: func() float64 { return 17 }},
	{Name: "dewpost_stations_connected", Help: "Stations connected.", Current: func() float64 { return 24 }},
	{Name: "dewpost_messages_unsent", Help: "Messages that wait to be sent.", Ask: func(context.Context) (float64, error) { return 3, nil }},
}

var someTimes = Times{"dewpost_commit_seconds", "Duration of commits.", func() ([]float64, []uint64, float64) {
	return []float64{0.001, 0.01, 0.1}, []uint64{5, 3, 0, 2}, 12.5
}}

// The page is read by a parser that is not ours.
func TestPage(t *testing.T) {
	code, text := page(t, counts, someValues, someTimes)
	require.Equal(t, 200, code)
	families := parse(t, text)
	for name, want := range map[string]float64{
		"dewpost_readings_received_total": 100, "dewpost_readings_released_total": 1, "dewpost_readings_stored_total": 80,
		"dewpost_readings_repeated_total": 12, "dewpost_readings_discarded": 5, "dewpost_fields_unknown_total": 4,
		"dewpost_readings_unaccounted": 1, "dewpost_readings_lost": 7, "dewpost_stations_uneven": 1,
		"dewpost_commits_total": 17, "dewpost_stations_connected": 24, "dewpost_messages_unsent": 3,
	} {
		require.Contains(t, families, name)
		require.Equal(t, map[string]float64{"": want}, labelled(families[name]), name)
	}
	require.Equal(t, map[string]float64{"reason=time": 3, "reason=malformed": 6}, labelled(families["dewpost_readings_refused_total"]))
	require.Equal(t, map[string]float64{"channel=inside_rh_pct": 7, "channel=comb_us": 2}, labelled(families["dewpost_values_refused_total"]))

	require.Equal(t, map[string]float64{"part=sampled": 89, "part=receipted": 70, "part=queued": 10, "part=waiting": 2, "part=discarded": 6},
		labelled(families["dewpost_agent_readings"]))
	require.Equal(t, map[string]float64{"reason=time": 1, "reason=malformed": 6}, labelled(families["dewpost_quarantine_readings"]))
	require.Equal(t, map[string]float64{"reason=time": 0, "reason=malformed": 4}, labelled(families["dewpost_quarantine_unkept_total"]))

	h := families["dewpost_commit_seconds"].GetMetric()[0].GetHistogram()
	require.EqualValues(t, 10, h.GetSampleCount())
	require.InDelta(t, 12.5, h.GetSampleSum(), 0)
	var upTo []uint64
	for _, b := range h.GetBucket() {
		upTo = append(upTo, b.GetCumulativeCount())
	}
	require.Equal(t, []uint64{5, 8, 8, 10}, upTo)
}

func TestPage_PassesTheLinter(t *testing.T) {
	_, text := page(t, counts, someValues, someTimes)
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	require.NoError(t, err)
	require.Empty(t, problems)
	// Control: the linter would say so.
	_, text = page(t, counts, []Value{{Name: "dewpost_milliseconds", Total: true, Current: func() float64 { return 1 }}})
	problems, err = promlint.New(strings.NewReader(text)).Lint()
	require.NoError(t, err)
	require.NotEmpty(t, problems)
}

// No series is named after a station, and their number is that of reasons and
// channels, not of stations.
func TestPage_SeriesAreFew(t *testing.T) {
	_, text := page(t, counts, someValues, someTimes)
	n := 0
	for _, f := range parse(t, text) {
		for _, m := range f.GetMetric() {
			n++
			for _, l := range m.GetLabel() {
				if strings.HasPrefix(f.GetName(), "dewpost_") {
					require.Contains(t, []string{"reason", "channel", "part"}, l.GetName())
				}
			}
		}
	}
	require.Less(t, n, 100)
}

// What can't be read is an error, and never a zero.
func TestPage_Fails(t *testing.T) {
	broken := errors.New("disk gone")
	code, text := page(t, func(context.Context) (record.Counts, error) { return record.Counts{}, broken }, someValues)
	require.Equal(t, 500, code)
	require.Contains(t, text, "disk gone")
	require.NotContains(t, text, "dewpost_readings_stored_total 0")

	code, text = pageOf(t, fake{counts, func(context.Context) ([]record.Custody, error) { return nil, broken }}, someValues)
	require.Equal(t, 500, code)
	require.NotContains(t, text, "dewpost_readings_lost 0")

	values := append(slices.Clone(someValues), Value{Name: "dewpost_x", Help: "x", Ask: func(context.Context) (float64, error) { return 0, broken }})
	code, text = page(t, counts, values)
	require.Equal(t, 500, code)
	require.NotContains(t, text, "dewpost_x 0")
}

// A store that hangs does not hang the page for ever.
func TestPage_AsksWithADeadline(t *testing.T) {
	var asked atomic.Int64
	bounded := func(ctx context.Context) {
		if _, ok := ctx.Deadline(); ok {
			asked.Add(1)
		}
	}
	code, _ := pageOf(t, fake{func(ctx context.Context) (record.Counts, error) {
		bounded(ctx)
		return counts(ctx)
	}, func(ctx context.Context) ([]record.Custody, error) {
		bounded(ctx)
		return stations(ctx)
	}}, []Value{{Name: "dewpost_x", Help: "x", Ask: func(ctx context.Context) (float64, error) {
		bounded(ctx)
		return 1, nil
	}}})
	require.Equal(t, 200, code)
	require.EqualValues(t, 3, asked.Load())
}
