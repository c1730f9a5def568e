package store

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
)

// deliveryTemplate makes a store with people, deliveries and rounds in it.
func deliveryTemplate(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "template.db")
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	enrol(t, s, "lake-07")
	ctx := t.Context()
	for _, name := range []string{"Ida", "Ben"} {
		_, err := s.PutPerson(ctx, somebody(name, "a", "b"), t0, "Ruth")
		require.NoError(t, err)
	}
	for n, state := range []alarm.State{alarm.Unacknowledged, alarm.Unacknowledged, alarm.Returned} {
		m := toldOf(t, s, int64(n)+1, state)
		if n == 0 {
			continue // not routed
		}
		d := record.Delivery{Event: m.EventID, Person: 1, Why: record.WhyFirst, Urgent: true, Created: t0, Due: t0}
		require.NoError(t, s.Route(ctx, m.EventID, t0, []record.Delivery{d, {Event: m.EventID, Person: 1, Channel: 1, Created: t0, Due: t0}}))
		if n == 2 {
			require.NoError(t, s.DeliveryTaken(ctx, d, t0))
		}
	}
	require.NoError(t, s.AddNotice(ctx, record.Notice{Event: "n", Kind: record.Letter}, nil))
	commit(t, s, roundOf(1), roundOf(2))
	list, err := s.Unjudged(ctx)
	require.NoError(t, err)
	require.NoError(t, s.JudgeRounds(ctx, list[:1], t0))
	require.NoError(t, s.AddWatched(ctx, record.WatchedPeer{Name: "Quay", Every: time.Minute, Made: t0}, []byte("hash"), "Ruth"))
	o := alarm.Occurrence{Station: "lake-07", Number: 1, State: alarm.Normal, Finding: finding.Finding{Kind: finding.SealOpened, From: t0, To: t0 + 9, Evidence: []finding.Evidence{{Name: "x"}}}}
	require.NoError(t, s.CommitFold(ctx, record.Folded{Mark: record.Mark{Station: "lake-07"}, Occurrences: []alarm.Occurrence{o}}))
	require.NoError(t, s.Close())
	return path
}

// roundOf is a reading of the artificial station.
func roundOf(seq int64) record.Arrival {
	a := seqs(record.WatchStation, runA, seq)
	a.At = t0.Add(time.Hour)
	return a
}

// deliverySteps are methods of deliveries, people and the watch, on a
// deliveryTemplate.
func deliverySteps(ctx context.Context) map[string]func(*Store) error {
	event := "lake-07:water_inside:2"
	d := record.Delivery{Event: event, Person: 1, Due: t0}
	n := record.Notice{Event: "m", Kind: record.Trial}
	quay := record.WatchedPeer{Name: "Quay"}
	return map[string]func(*Store) error{
		"People":    func(s *Store) error { _, err := s.People(ctx); return err },
		"PutPerson": func(s *Store) error { _, err := s.PutPerson(ctx, somebody("Cas", "c"), t0, "Ruth"); return err },
		"PutPerson again": func(s *Store) error {
			p := somebody("Ben", "c")
			p.ID = 2
			_, err := s.PutPerson(ctx, p, t0, "Ruth")
			return err
		},
		"RemovePerson": func(s *Store) error { return s.RemovePerson(ctx, 1, t0, "Ruth") },
		"Unrouted":     func(s *Store) error { _, err := s.Unrouted(ctx, 9); return err },
		"Route": func(s *Store) error {
			return s.Route(ctx, "lake-07:water_inside:1", t0, []record.Delivery{{Event: "x", Person: 2}})
		},
		"AddDeliveries":    func(s *Store) error { return s.AddDeliveries(ctx, []record.Delivery{{Event: event, Person: 2}}) },
		"AddNotice":        func(s *Store) error { return s.AddNotice(ctx, n, []record.Delivery{{Event: "m", Person: 2}}) },
		"Notice":           func(s *Store) error { _, err := s.Notice(ctx, "n"); return err },
		"DueDeliveries":    func(s *Store) error { _, err := s.DueDeliveries(ctx, t0, 9); return err },
		"Waiting":          func(s *Store) error { _, err := s.Waiting(ctx, t0, 9); return err },
		"NextDue":          func(s *Store) error { _, _, err := s.NextDue(ctx); return err },
		"BeginTry":         func(s *Store) error { _, err := s.BeginTry(ctx, d, t0, t0+9); return err },
		"EndTry":           func(s *Store) error { return s.EndTry(ctx, d, t0+9, "refused") },
		"EndDelivery":      func(s *Store) error { return s.EndDelivery(ctx, d, t0, "given up") },
		"DeliveryTaken":    func(s *Store) error { return s.DeliveryTaken(ctx, d, t0) },
		"UnseenMessages":   func(s *Store) error { _, err := s.UnseenMessages(ctx, t0); return err },
		"Message":          func(s *Store) error { _, err := s.Message(ctx, event); return err },
		"OccurrencesEnded": func(s *Store) error { _, err := s.OccurrencesEnded(ctx, t0, t0.Add(day)); return err },
		"Told":             func(s *Store) error { _, err := s.Told(ctx, 9); return err },
		"NoticeCounts":     func(s *Store) error { _, err := s.NoticeCounts(ctx, t0); return err },
		"Commit of rounds": func(s *Store) error { _, err := s.Commit(ctx, []record.Arrival{roundOf(3)}); return err },
		"Unjudged":         func(s *Store) error { _, err := s.Unjudged(ctx); return err },
		"JudgeRounds":      func(s *Store) error { return s.JudgeRounds(ctx, []record.Round{{Run: runA, Seq: 2}}, t0) },
		"Untold":           func(s *Store) error { _, err := s.Untold(ctx, runA); return err },
		"RoundsTold":       func(s *Store) error { return s.RoundsTold(ctx, []record.Round{{Run: runA, Seq: 1}}, t0) },
		"RoundsSince":      func(s *Store) error { _, err := s.RoundsSince(ctx, t0); return err },
		"WatchedPeers":     func(s *Store) error { _, err := s.WatchedPeers(ctx); return err },
		"AddWatched":       func(s *Store) error { return s.AddWatched(ctx, record.WatchedPeer{Name: "Pier"}, []byte("x"), "Ruth") },
		"RemoveWatched":    func(s *Store) error { return s.RemoveWatched(ctx, "Quay", t0, "Ruth") },
		"PeerCalled":       func(s *Store) error { _, err := s.PeerCalled(ctx, []byte("hash"), t0); return err },
		"PeerSilent": func(s *Store) error {
			return s.PeerSilent(ctx, quay, t0, n, []record.Delivery{{Event: "m", Person: 2}})
		},
	}
}

// TestEveryStepOfDeliveriesFails does with deliveries what TestEveryStepFails
// does with the rest.
func TestEveryStepOfDeliveriesFails(t *testing.T) {
	from := deliveryTemplate(t)
	withFaults(t)
	for name, method := range deliverySteps(t.Context()) {
		t.Run(name, func(t *testing.T) {
			s, err := Open(t.Context(), copyStore(t, from))
			require.NoError(t, err)
			before := dump(t, s)
			require.NoError(t, method(s))
			after := dump(t, s)
			require.NoError(t, s.Close())
			plan.column = -1
			for _, how := range []manner{refuses, lies, dies, garbles} {
				everyStepFails(t, from, how, before, after, method)
			}
		})
	}
}
