package store

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func init() {
	also("People", testPeople)
	also("Deliveries", testDeliveries)
	also("DeliveriesAtOnce", testDeliveriesAtOnce)
	also("Notices", testNotices)
	also("Seen", testSeen)
	also("WatchRounds", testWatchRounds)
	also("Watched", testWatched)
}

func somebody(name string, addresses ...string) record.Person {
	p := record.Person{
		Name: name, Zone: "Europe/Berlin", RestFrom: "22:00", RestTo: "07:00", Letter: "07:00", Least: record.LeastAll, PassOn: 2 * time.Hour,
		Sites: []string{"lake", "quay"}, Kinds: []finding.Kind{finding.BoardWet, finding.Silent},
	}
	for _, a := range addresses {
		p.Channels = append(p.Channels, record.Channel{Kind: record.Webhook, Address: a, Secret: "whsec_" + a})
	}
	return p
}

func testPeople(t *testing.T, e engine) {
	s := e.new(t).(*Store)
	ctx := t.Context()
	ida, ben := somebody("Ida", "a", "b"), somebody("Ben")
	ben.Sites, ben.Kinds = nil, nil
	var err error
	ida.ID, err = s.PutPerson(ctx, ida, t0, "Ruth")
	require.NoError(t, err)
	ben.ID, err = s.PutPerson(ctx, ben, t0+1, "Ruth")
	require.NoError(t, err)
	ida.Place, ida.Made, ben.Place, ben.Made = 1, t0, 2, t0+1
	list, err := s.People(ctx)
	require.NoError(t, err)
	require.Equal(t, []record.Person{ida, ben}, list)

	_, err = s.PutPerson(ctx, somebody("IDA"), t0, "Ruth")
	require.ErrorIs(t, err, record.ErrTaken)
	ben.Name = "ida"
	_, err = s.PutPerson(ctx, ben, t0, "Ruth")
	require.ErrorIs(t, err, record.ErrTaken)
	nobody := somebody("Cas")
	nobody.ID = 99
	_, err = s.PutPerson(ctx, nobody, t0, "Ruth")
	require.ErrorIs(t, err, record.ErrNotFound)

	ida.Name, ida.Place, ida.Channels, ida.Sites, ida.Kinds, ida.RestFrom, ida.RestTo = "Ida B", 3, ida.Channels[1:], nil, ida.Kinds[:1], "", ""
	_, err = s.PutPerson(ctx, ida, t0+2, "Ruth")
	require.NoError(t, err)
	ben.Name = "Ben"
	list, err = s.People(ctx)
	require.NoError(t, err)
	require.Equal(t, []record.Person{ben, ida}, list)

	require.NoError(t, s.AddNotice(ctx, record.Notice{Event: "x", Kind: record.Trial}, []record.Delivery{{Event: "x", Person: ida.ID}}))
	require.NoError(t, s.RemovePerson(ctx, ida.ID, t0+3, "Ruth"))
	require.ErrorIs(t, s.RemovePerson(ctx, ida.ID, t0, "Ruth"), record.ErrNotFound)
	list, err = s.People(ctx)
	require.NoError(t, err)
	require.Equal(t, []record.Person{ben}, list)
	told, err := s.Told(ctx, 9)
	require.NoError(t, err)
	require.Empty(t, told)
	deeds, _, err := s.Audit(ctx, record.DeedPlace{}, 9)
	require.NoError(t, err)
	require.Equal(t, []string{"remove person Ida B", "change person Ida B", "add person Ben", "add person Ida"}, func() (words []string) {
		for _, d := range deeds {
			words = append(words, d.Action+" "+d.Object)
		}
		return words
	}())
}

// toldOf records an occurrence of lake-07 and its message.
func toldOf(t *testing.T, s storage, number int64, state alarm.State) record.Message {
	t.Helper()
	o := alarm.Occurrence{Station: "lake-07", Number: number, State: state, Told: true, Steps: 1, Finding: finding.Finding{Kind: finding.WaterInside, From: t0, Concluded: t0}}
	m := record.Message{EventID: o.ID(), Station: "lake-07", Kind: finding.WaterInside, Number: number, Created: t0 + unit.Instant(number), Priority: alarm.Urgent, Class: alarm.AtOnce, By: t0 + 99, Body: "{}"}
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "lake-07"}, Occurrences: []alarm.Occurrence{o}, Outbox: []record.Message{m}}))
	return m
}

func testDeliveries(t *testing.T, e engine) {
	s := e.new(t, "lake-07").(*Store)
	ctx := t.Context()
	_, ok, err := s.NextDue(ctx)
	require.NoError(t, err)
	require.False(t, ok)
	ida, err := s.PutPerson(ctx, somebody("Ida", "a", "b"), t0, "Ruth")
	require.NoError(t, err)
	one, two := toldOf(t, s, 1, alarm.Unacknowledged), toldOf(t, s, 2, alarm.Unacknowledged)
	list, err := s.Unrouted(ctx, 9)
	require.NoError(t, err)
	require.Equal(t, []record.Message{one, two}, list)
	list, err = s.Unrouted(ctx, 1)
	require.NoError(t, err)
	require.Equal(t, []record.Message{one}, list)

	calm := record.Delivery{Event: one.EventID, Person: ida, Why: record.WhyFirst, Created: t0, Due: t0 + 10}
	urgent := record.Delivery{Event: two.EventID, Person: ida, Why: record.WhyFirst, Urgent: true, Created: t0 + 1, Due: t0 + 20}
	require.NoError(t, s.Route(ctx, one.EventID, t0, []record.Delivery{calm}))
	require.NoError(t, s.Route(ctx, two.EventID, t0, []record.Delivery{urgent}))
	require.NoError(t, s.Route(ctx, two.EventID, t0, []record.Delivery{{Event: two.EventID, Person: ida, Channel: 1}}), "it is routed")
	list, err = s.Unrouted(ctx, 9)
	require.NoError(t, err)
	require.Empty(t, list)
	next, ok, err := s.NextDue(ctx)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, t0+10, next)
	for by, want := range map[unit.Instant][]record.Delivery{t0 + 9: nil, t0 + 10: {calm}, t0 + 20: {urgent, calm}} {
		waiting, err := s.Waiting(ctx, by, 9)
		require.NoError(t, err)
		require.Equal(t, want, waiting)
	}

	due, err := s.DueDeliveries(ctx, t0+10, 9)
	require.NoError(t, err)
	require.Equal(t, []record.Due{{Delivery: calm, Message: one}}, due)
	due, err = s.DueDeliveries(ctx, t0+20, 9)
	require.NoError(t, err)
	require.Equal(t, []record.Due{{Delivery: urgent, Message: two}, {Delivery: calm, Message: one}}, due, "what is urgent first")

	mine, err := s.BeginTry(ctx, urgent, t0+20, t0+30)
	require.NoError(t, err)
	require.True(t, mine)
	mine, err = s.BeginTry(ctx, urgent, t0+20, t0+30)
	require.NoError(t, err)
	require.False(t, mine, "somebody has it")
	require.NoError(t, s.EndTry(ctx, urgent, t0+40, "refused"))
	due, err = s.DueDeliveries(ctx, t0+40, 1)
	require.NoError(t, err)
	urgent.Due, urgent.First, urgent.Tries, urgent.Error = t0+40, t0+20, 1, "refused"
	require.Equal(t, urgent, due[0].Delivery)
	counts, err := s.NoticeCounts(ctx, t0+20)
	require.NoError(t, err)
	require.Equal(t, record.NoticeCounts{Waiting: 2, Oldest: t0}, counts)
	counts, err = s.NoticeCounts(ctx, t0+21)
	require.NoError(t, err)
	require.Equal(t, int64(1), counts.Stuck)

	second := record.Delivery{Event: two.EventID, Person: ida, Channel: 1, Why: record.WhyChannel, Detail: "mail", Urgent: true, Created: t0 + 2, Due: t0 + 40}
	require.NoError(t, s.AddDeliveries(ctx, []record.Delivery{second, second}))
	require.NoError(t, s.DeliveryTaken(ctx, second, t0+50))
	all, err := s.Told(ctx, 9)
	require.NoError(t, err)
	require.Len(t, all, 3)
	require.Equal(t, [4]string{"Ida", "webhook", "lake-07", "water_inside"}, [4]string{all[0].Name, all[0].Way, all[0].Station, all[0].Kind})
	require.Equal(t, t0+50, all[0].Taken)
	require.Equal(t, TakenElsewhere, all[1].EndedWhy, "one channel is enough")
	unsent, err := s.Unsent(ctx, 9)
	require.NoError(t, err)
	require.Equal(t, []record.Message{one}, unsent)
	require.NoError(t, s.EndTry(ctx, urgent, t0+90, "late"), "nothing happens to what is over")
	require.NoError(t, s.EndDelivery(ctx, calm, t0+60, "not taken within 5 days"))
	counts, err = s.NoticeCounts(ctx, t0+999)
	require.NoError(t, err)
	require.Equal(t, record.NoticeCounts{GivenUp: 1}, counts)
	told, err := s.Message(ctx, two.EventID)
	require.NoError(t, err)
	require.Equal(t, two, told)
	_, err = s.Message(ctx, "x")
	require.ErrorIs(t, err, record.ErrNotFound)
}

// Of several who attempt one delivery, one has it.
func testDeliveriesAtOnce(t *testing.T, e engine) {
	s := e.new(t, "lake-07").(*Store)
	ctx := t.Context()
	ida, err := s.PutPerson(ctx, somebody("Ida", "a"), t0, "Ruth")
	require.NoError(t, err)
	d := record.Delivery{Event: "x", Person: ida, Due: t0}
	require.NoError(t, s.AddNotice(ctx, record.Notice{Event: "x", Kind: record.Trial}, []record.Delivery{d}))
	won := make(chan bool)
	for i := range 8 {
		go func() {
			mine, err := s.BeginTry(ctx, d, t0, t0+unit.Instant(i)+1)
			won <- mine && err == nil
		}()
	}
	n := 0
	for range 8 {
		if <-won {
			n++
		}
	}
	require.Equal(t, 1, n)
}

func testNotices(t *testing.T, e engine) {
	s := e.new(t).(*Store)
	ctx := t.Context()
	ida, err := s.PutPerson(ctx, somebody("Ida", "a"), t0, "Ruth")
	require.NoError(t, err)
	n := record.Notice{Event: "letter:1:2025-11-05", Kind: record.Letter, Created: t0, Subject: "Morning", Body: "{}"}
	_, err = s.Notice(ctx, n.Event)
	require.ErrorIs(t, err, record.ErrNotFound)
	for i := range 2 {
		n.Body = fmt.Sprint(i)
		require.NoError(t, s.AddNotice(ctx, n, []record.Delivery{{Event: n.Event, Person: ida, Due: t0, Channel: int64(i)}}))
	}
	there, err := s.Notice(ctx, n.Event)
	require.NoError(t, err)
	require.Equal(t, "0", there.Body, "the first stays")
	due, err := s.DueDeliveries(ctx, t0, 9)
	require.NoError(t, err)
	require.Len(t, due, 1, "the first stays")
	n.Body = "0"
	require.Equal(t, n, due[0].Notice)
	require.Error(t, s.AddDeliveries(ctx, []record.Delivery{{Event: "y", Person: 99}}))
}

func testSeen(t *testing.T, e engine) {
	s := e.new(t, "lake-07").(*Store)
	ctx := t.Context()
	ida, err := s.PutPerson(ctx, somebody("Ida", "a"), t0, "Ruth")
	require.NoError(t, err)
	open, over := toldOf(t, s, 1, alarm.Unacknowledged), toldOf(t, s, 2, alarm.Returned)
	for _, m := range []record.Message{open, over} {
		d := record.Delivery{Event: m.EventID, Person: ida, Why: record.WhyFirst, Urgent: true, Created: t0, Due: t0}
		require.NoError(t, s.Route(ctx, m.EventID, t0, []record.Delivery{d}))
		require.NoError(t, s.DeliveryTaken(ctx, d, t0+5))
	}
	unseen, err := s.UnseenMessages(ctx, t0)
	require.NoError(t, err)
	require.Equal(t, []record.Unseen{{Message: open, Person: ida, Why: record.WhyFirst, Taken: t0 + 5}}, unseen)
	unseen, err = s.UnseenMessages(ctx, t0+1)
	require.NoError(t, err)
	require.Empty(t, unseen)

	occurrences, err := s.Occurrences(ctx, "lake-07")
	require.NoError(t, err)
	seen, err := alarm.Seen(occurrences[0], alarm.See, t0+9, "Ida", "link")
	require.NoError(t, err)
	c := record.AlarmChange{}
	c.Add(seen)
	require.NoError(t, s.ChangeAlarms(ctx, c))
	unseen, err = s.UnseenMessages(ctx, t0)
	require.NoError(t, err)
	require.Empty(t, unseen)

	// One of a common cause is unseen while one of what it tells is.
	shared := alarm.Occurrence{Station: "lake-07", Number: 4, State: alarm.Unacknowledged, Cause: 5, Finding: finding.Finding{Kind: finding.NoCurrent, From: t0, Concluded: t0}}
	site := alarm.Cause{Number: 5, Scope: alarm.OfSite, Subject: "lake", Kind: finding.NoCurrent, From: t0}
	of := record.Message{EventID: "cause:x", Station: "lake-07", Kind: finding.NoCurrent, Number: 3, Created: t0, Priority: alarm.Urgent, Class: alarm.AtOnce, Cause: 5, Body: "{}"}
	require.NoError(t, s.ChangeAlarms(ctx, record.AlarmChange{Occurrences: []alarm.Occurrence{shared}, Outbox: []record.Message{of}, Causes: []alarm.Cause{site}}))
	d := record.Delivery{Event: of.EventID, Person: ida, Why: record.WhyFirst, Urgent: true, Created: t0, Due: t0}
	require.NoError(t, s.Route(ctx, of.EventID, t0, []record.Delivery{d}))
	require.NoError(t, s.DeliveryTaken(ctx, d, t0+5))
	unseen, err = s.UnseenMessages(ctx, t0)
	require.NoError(t, err)
	require.Equal(t, []record.Unseen{{Message: of, Person: ida, Why: record.WhyFirst, Taken: t0 + 5}}, unseen)
	told, err := s.Told(ctx, 9)
	require.NoError(t, err)
	require.Equal(t, []alarm.Scope{alarm.OfSite, "", ""}, []alarm.Scope{told[0].Scope, told[1].Scope, told[2].Scope})
	seen, err = alarm.Seen(shared, alarm.See, t0+9, "Ida", "link")
	require.NoError(t, err)
	c = record.AlarmChange{}
	c.Add(seen)
	require.NoError(t, s.ChangeAlarms(ctx, c))
	unseen, err = s.UnseenMessages(ctx, t0)
	require.NoError(t, err)
	require.Empty(t, unseen)

	o := alarm.Occurrence{Station: "lake-07", Number: 9, State: alarm.Normal, Finding: finding.Finding{Kind: finding.SealOpened, From: t0, To: t0 + 100, Concluded: t0}}
	require.NoError(t, s.CommitFold(ctx, record.Folded{Mark: record.Mark{Station: "lake-07"}, Occurrences: []alarm.Occurrence{o}, Events: []alarm.Event{
		{ID: "over", Station: "lake-07", Kind: finding.SealOpened, Number: 9, At: t0 + 1, Recorded: t0 + 100, Who: alarm.Rules, Why: alarm.OverWhy},
		{ID: "ended", Station: "lake-07", Kind: finding.SealOpened, Number: 9, At: t0 + 1, Recorded: t0 + 150, Who: alarm.Rules, Why: "ended"},
	}}))
	ended, err := s.OccurrencesEnded(ctx, t0+100, t0+101)
	require.NoError(t, err)
	require.Len(t, ended, 1)
	ended, err = s.OccurrencesEnded(ctx, t0+101, t0+200)
	require.NoError(t, err)
	require.Empty(t, ended)
}

// The artificial station's readings are nobody's: they are in no count, list or
// ledger, and go after a day.
func testWatchRounds(t *testing.T, e engine) {
	s := e.new(t, "lake-07").(*Store)
	ctx := t.Context()
	send := func(seq int64, at unit.Instant) {
		r := reading.Reading{Time: at, Run: runA, Seq: seq}
		r.Set(reading.InsideTemp, 10)
		r.Set(reading.InsideRH, 100)
		a := record.Arrival{Station: record.WatchStation, At: at + 1, Batch: reading.Batch{Readings: []reading.Reading{r}, Oldest: map[string]int64{runA: seq}}}
		out, err := s.Commit(ctx, []record.Arrival{seqs("lake-07", runB, seq), a, a})
		require.NoError(t, err)
		require.Empty(t, out[1].Runs, "it gets no receipt")
	}
	send(1, t0)
	send(2, t0.Add(time.Minute))
	list, err := s.Unjudged(ctx)
	require.NoError(t, err)
	require.Equal(t, []record.Round{
		{Run: runA, Seq: 1, Sent: t0, Stored: t0 + 1, TempC: 10, RHPct: 100},
		{Run: runA, Seq: 2, Sent: t0.Add(time.Minute), Stored: t0.Add(time.Minute) + 1, TempC: 10, RHPct: 100},
	}, list)
	untold, err := s.Untold(ctx, runA)
	require.NoError(t, err)
	require.Empty(t, untold)
	require.NoError(t, s.JudgeRounds(ctx, list[:1], t0+5))
	untold, err = s.Untold(ctx, runA)
	require.NoError(t, err)
	require.Len(t, untold, 1)
	require.Equal(t, t0+5, untold[0].Judged)
	others, err := s.Untold(ctx, runB)
	require.NoError(t, err)
	require.Empty(t, others)
	require.NoError(t, s.RoundsTold(ctx, untold, t0+6))
	n, err := s.RoundsSince(ctx, t0)
	require.NoError(t, err)
	require.Equal(t, int64(1), n)

	counts, err := s.Counts(ctx)
	require.NoError(t, err)
	require.Equal(t, int64(2), counts.Received)
	latest, err := s.Latest(ctx)
	require.NoError(t, err)
	require.NotContains(t, latest, record.WatchStation)
	marks, err := s.Marks(ctx, 9)
	require.NoError(t, err)
	require.Len(t, marks, 1)
	refused, err := s.Quarantine(ctx, record.QuarantineQuery{Limit: 9})
	require.NoError(t, err)
	require.Empty(t, refused)

	send(3, t0.Add(26*time.Hour))
	list, err = s.Unjudged(ctx)
	require.NoError(t, err)
	require.Len(t, list, 1)
	n, err = s.RoundsSince(ctx, 0)
	require.NoError(t, err)
	require.Zero(t, n)
}

func testWatched(t *testing.T, e engine) {
	s := e.new(t).(*Store)
	ctx := t.Context()
	ida, err := s.PutPerson(ctx, somebody("Ida", "a"), t0, "Ruth")
	require.NoError(t, err)
	p := record.WatchedPeer{Name: "Quay", Every: time.Minute, Made: t0}
	require.NoError(t, s.AddWatched(ctx, p, []byte("hash"), "Ruth"))
	require.ErrorIs(t, s.AddWatched(ctx, p, []byte("other"), "Ruth"), record.ErrTaken)
	_, err = s.PeerCalled(ctx, []byte("nobody's"), t0)
	require.ErrorIs(t, err, record.ErrNotFound)
	name, err := s.PeerCalled(ctx, []byte("hash"), t0+7)
	require.NoError(t, err)
	require.Equal(t, "Quay", name)
	p.Heard = t0 + 7
	is := func() {
		t.Helper()
		list, err := s.WatchedPeers(ctx)
		require.NoError(t, err)
		require.Equal(t, []record.WatchedPeer{p}, list)
	}
	is()
	n := record.Notice{Event: "watch:Quay:1", Kind: record.Watched, Created: t0 + 9}
	for range 2 { // of two collectors, one tells
		require.NoError(t, s.PeerSilent(ctx, p, t0+9, n, []record.Delivery{{Event: n.Event, Person: ida, Due: t0}}))
	}
	p.Silent, p.Times = t0+9, 1
	is()
	due, err := s.DueDeliveries(ctx, t0+9, 9)
	require.NoError(t, err)
	require.Len(t, due, 1)
	n.Event = "watch:Quay:1:again"
	for range 2 {
		require.NoError(t, s.PeerSilent(ctx, p, 0, n, []record.Delivery{{Event: n.Event, Person: ida, Due: t0}}))
	}
	p.Silent = 0
	is()
	due, err = s.DueDeliveries(ctx, t0+9, 9)
	require.NoError(t, err)
	require.Len(t, due, 2)
	require.NoError(t, s.RemoveWatched(ctx, "Quay", t0, "Ruth"))
	require.ErrorIs(t, s.RemoveWatched(ctx, "Quay", t0, "Ruth"), record.ErrNotFound)
}
