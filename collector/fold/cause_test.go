package fold_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	visit "dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// minutes lets the clock go on to so many hours after the start, minute's work by
// minute's work each quarter of an hour.
func (b *bench) minutes(t *testing.T, to float64) {
	t.Helper()
	for end := start.Add(time.Duration(to * float64(time.Hour))).Time(); b.now.Before(end); b.now = b.now.Add(15 * time.Minute) {
		require.NoError(t, b.folder.Minute(t.Context()))
	}
	require.NoError(t, b.folder.All(t.Context()))
	require.NoError(t, b.folder.Minute(t.Context()))
}

// restart makes a folder that knows nothing but what is stored.
func (b *bench) restart() {
	b.folder = fold.New(fold.Config{Store: b.store, Now: func() time.Time { return b.now }, Log: slog.New(slog.DiscardHandler)})
}

func (b *bench) said(t *testing.T) (list []record.MessageBody) {
	t.Helper()
	messages, err := b.store.MessagesIn(t.Context(), start, start.Add(1000*time.Hour))
	require.NoError(t, err)
	for i := range messages {
		var body record.MessageBody
		require.NoError(t, json.Unmarshal([]byte(messages[i].Body), &body))
		list = append(list, body)
	}
	return list
}

func (b *bench) fact(t *testing.T, kind, id, name, value string, from unit.Instant) {
	t.Helper()
	require.NoError(t, b.store.AddFacts(context.Background(), []fact.Fact{{
		Subject: fact.Subject{Kind: kind, ID: id}, Name: name, Value: value, From: from, Author: "Ida", Recorded: unit.At(b.now),
	}}))
}

// sites enrols stations, twelve at each of two sites, and lets them send until an
// hour.
func sites(t *testing.T, b *bench, until float64) (stations []string) {
	t.Helper()
	for _, site := range []string{"lake", "quay"} {
		b.fact(t, fact.KindSite, site, fact.Name, site, fact.Always)
	}
	for i := range 24 {
		id := fmt.Sprintf("s-%02d", i)
		stations = append(stations, id)
		b.enrol(t, id, map[string]string{fact.Site: []string{"lake", "quay"}[i/12], fact.AllowedSilence: "4h"})
	}
	b.send(t, stations, 0, until)
	return stations
}

func (b *bench) send(t *testing.T, stations []string, from, to float64) {
	t.Helper()
	hour := func(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
	b.now = start.Add(hour(to)).Time()
	for _, id := range stations {
		b.take(t, id, every(hour(from), hour(to), 10*time.Minute, dry)...)
	}
	require.NoError(t, b.folder.All(t.Context()))
}

// Broker, collector or internet away: one message that names all stations, also
// when the collector is started anew in the middle of it.
func TestNothingArrivesIsOneMessage(t *testing.T) {
	b := newBench(t, nil)
	stations := sites(t, b, 6)
	b.minutes(t, 9)
	b.restart()
	b.minutes(t, 30)
	said := b.said(t)
	require.Len(t, said, 1)
	require.Equal(t, alarm.Workshop, said[0].Cause.Scope)
	require.Equal(t, alarm.AtOnce, said[0].Class)
	require.Subset(t, stations, said[0].Cause.Stations)
	for _, id := range stations {
		kept, err := b.store.Occurrences(t.Context(), id)
		require.NoError(t, err)
		require.Len(t, kept, 1, "each has its own record")
		require.True(t, kept[0].Told, "and was told by that message")
	}
	b.send(t, stations, 30, 42)
	b.minutes(t, 42)
	b.minutes(t, 60)
	require.Len(t, b.said(t), 2, "silent again, after half a day")
}

// A site whose power is off for the winter, and a station that somebody works on,
// tell nobody of what follows from that; when it is over what still lasts is told.
func TestWhatIsKnownIsNotTold(t *testing.T) {
	b := newBench(t, nil)
	stations := sites(t, b, 6)
	b.fact(t, fact.KindSite, "lake", fact.Power, "off", start.Add(6*time.Hour))
	entry := record.Entry{Author: "Ida", Recorded: unit.At(b.now)}
	_, err := b.store.RecordVisit(t.Context(), record.VisitEntry{
		Entry: entry, Visit: record.Visit{Station: "s-12", Kind: visit.OnSite},
		Steps: []record.VisitStep{{Step: visit.Step{State: visit.UnderWay, At: unit.At(b.now)}, Entry: entry}},
	})
	require.NoError(t, err)
	b.send(t, stations[13:], 6, 20)
	b.minutes(t, 20)
	require.Empty(t, b.said(t))
	for _, id := range stations[:13] {
		kept, err := b.store.Occurrences(t.Context(), id)
		require.NoError(t, err)
		require.Len(t, kept, 1, id)
		require.Equal(t, finding.Silent, kept[0].Finding.Kind)
		require.Equal(t, alarm.Suppressed, kept[0].State, id)
	}
	events, err := b.store.Events(t.Context(), "s-00", finding.Silent, 1)
	require.NoError(t, err)
	require.Equal(t, "concluded; the power of site lake is off", events[len(events)-1].Why)
	require.Equal(t, alarm.Rules, events[len(events)-1].Who)

	b.restart()
	b.fact(t, fact.KindSite, "lake", fact.Power, "on", unit.At(b.now))
	b.send(t, stations[13:], 20, 24)
	b.minutes(t, 24)
	said := b.said(t)
	require.Len(t, said, 1, "the site is one message")
	require.Equal(t, alarm.OfSite, said[0].Cause.Scope)
	require.Equal(t, "lake", said[0].Cause.Subject)
	require.Len(t, said[0].Cause.Stations, 12, "s-12 is still worked on")
}
