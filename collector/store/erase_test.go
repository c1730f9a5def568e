package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func init() {
	also("Erase", testErase)
	also("EraseDry", testEraseDry)
	also("EraseRefused", testEraseRefused)
	also("EraseUnnamed", testEraseUnnamed)
	also("EraseUnread", testEraseUnread)
	also("EraseThatLeaves", testEraseThatLeaves)
	also("Rows", testRows)
	also("PlainTables", testPlainTables)
	also("Import", testImport)
	also("EraseRenames", testEraseRenames)
	also("EraseIsAtomic", testEraseIsAtomic)
	also("EveryTextIsClassified", testEveryTextIsClassified)
	also("RewriteWaits", testRewriteWaits)
	also("EraseBeside", testEraseBeside)
}

// freeColumns are those in which people may have written. When a column is added,
// say here or in textClasses (bytesClasses) what an erasure does with it: where
// people can write, or what people wrote is copied to, it is searched.
var freeColumns = []string{
	"account.name", "alarm_hold.ended_by", "alarm_hold.ended_why", "alarm_hold.who", "alarm_hold.why", "alarm_limit.author", "audit.author", "audit.object", "calendar_link.author", "erasure.author", "event.who", "event.why", "fact.author", "fact.value",
	"feed.failure", "feed.refused_why", "occurrence.evidence", "outbox.body",
	"delivery.detail", "delivery.error", "notice.body", "notice.subject",
	"part_fit.model", "part_kind.name", "part_lot.note", "part_lot.origin", "part_lot.place", "part_make.author",
	"part_move.author", "part_move.purpose", "part_reservation.author", "part_reservation.purpose", "part_step.says",
	"plan_booking.author", "plan_booking.note", "plan_booking.person", "plan_wish.author", "plan_wish.note",
	"quarantine.detail", "quarantine.raw", "quarantine.station", "station_state.body",
	"symptom.author", "symptom.note", "symptom.reported_by", "token.author",
	"visit.author", "visit.who", "visit.why", "visit_card.author", "visit_card.body", "visit_card.result", "visit_detail.value",
	"visit_finding.author", "visit_finding.note", "visit_jar.author", "visit_jar.inside", "visit_part.author",
	"visit_outcome.author", "visit_outcome.reason",
	"visit_photo.author", "visit_photo.body", "visit_photo.caption", "visit_step.author", "visit_step.note", "visit_step.without_card",
	"visit_work.author", "visit_work.note", "weather_source.name",
}

func testEveryTextIsClassified(t *testing.T, e engine) {
	s := e.new(t).(*Store)
	list, err := textColumns(reader{t.Context(), s}, s.d)
	require.NoError(t, err)
	require.NotEmpty(t, list)
	for i := range list {
		c := &list[i]
		require.NotEmpty(t, c.keys, "table %s has no primary key, by which an erasure finds a row again", c.table)
		_, text := textClasses[c.String()]
		_, raw := bytesClasses[c.String()]
		require.True(t, text || raw || slices.Contains(freeColumns, c.String()), "%s: see freeColumns", c)
	}
}

const (
	ann     = "Käthe Brückner-Gate"
	annMail = "k.brueckner@lake.example"
	annCall = "0170 555 0123"
)

// crumbs are what must not be in any file afterwards, in lower case.
var crumbs = []string{"brückner", "brueckner", "käthe", "bruckner", "555 0123", "5550123", "secret key under"}

// lived makes a store in which an owner is named wherever a text can be.
func lived(t *testing.T, e engine, where string) *Store {
	t.Helper()
	s := e.openAt(t, where, "lake-07", "lake-08", "gateway-01").(*Store)
	ctx := t.Context()
	say := func(author string, facts ...[4]string) {
		for _, f := range facts {
			fill(t, e, where, `insert into fact (kind, subject, name, from_ns, value, author, recorded_ns) values ('%s', '%s', '%s', 5, '%s', '%s', 7)`,
				f[0], f[1], f[2], f[3], author)
		}
	}
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{{Subject: fact.Subject{Kind: fact.KindSite, ID: "quay"}, Name: fact.Name, From: fact.Always, Value: "Brückners Kai"}}))
	say("workshop",
		[4]string{"owner", "o-1", "name", "Kathe Bruckner"}, [4]string{"owner", "o-1", "name", ann},
		[4]string{"owner", "o-1", "contact", annMail + ", " + annCall}, [4]string{"owner", "o-1", "warranty", "two years, Brückner knows"},
		[4]string{"owner", "o-2", "name", "Otto Kay"},
		[4]string{"site", "quay", "owner", "o-1"}, [4]string{"site", "quay", "access", "secret key under the mat"},
		[4]string{"site", "pier", "owner", "o-2"}, [4]string{"site", "pier", "access", "Otto has it"})
	for _, f := range [][3]string{{"owner", "1", "o-2"}, {"access", "2", "the old lock"}} { // before it was hers
		fill(t, e, where, `insert into fact (kind, subject, name, from_ns, value, author, recorded_ns) values ('site', 'quay', '%s', %s, '%s', 'workshop', 7)`, f[0], f[1], f[2])
	}
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{
		{Subject: aStation("lake-07"), Name: fact.Site, From: fact.Always, Value: "quay", Author: "workshop"},
		{Subject: aStation("lake-07"), Name: fact.Mounting, From: fact.Always, Value: "post", Author: "Käthe"},
		{Subject: aStation("lake-07"), Name: fact.Spot, From: fact.Always, Value: "left of Brueckner's door, Gateway north", Author: "workshop"},
	}))
	require.NoError(t, s.Note(ctx, 10, "k.brueckner", "sign in", "from "+annMail))
	require.NoError(t, s.Note(ctx, 11, "workshop", "visit", "Gateway open, +49 170 5550123 called"))
	flagged := keyed(runA, 2)
	flagged.Flags = "clock,Brückner"
	later := keyed(runA, 3)
	later.Flags = "käthe"
	commit(t, s, arrival("lake-07", keyed(runA, 1), flagged))
	commit(t, s, record.Arrival{Station: "lake-07", At: t0, Batch: reading.Batch{Refused: []reading.Refusal{
		early(t0.Add(1e12), later), refused(reading.ReasonMalformed, "\xff brueckner \xfe", "", 0),
	}}})
	commit(t, s, arrival("brueckner", unkeyed(1, 3)))
	_, err := s.KeepStates(ctx, []record.State{{Station: "lake-07", At: 5, Report: record.Report{Run: runA, Conn: 1}, Body: []byte(`{"run":"` + runA + `","conn":1,"version":"of Br\u00fcckner"}`)}})
	require.NoError(t, err)
	f := replace("lake-07", 0, 2)
	f.Hours = append(f.Hours, ledgerHour(0), ledgerHour(1))
	f.Occurrences = []alarm.Occurrence{{Station: "lake-07", Number: 1, State: alarm.Normal, Finding: finding.Finding{Kind: "board_wet", Evidence: []finding.Evidence{{Name: "Brückner", Value: 1, Unit: "K"}}}}}
	f.Events = []alarm.Event{{ID: "lake-07:board_wet:1:1", Station: "lake-07", Kind: "board_wet", Number: 1, From: alarm.Normal, To: alarm.Normal, Who: ann, Why: "called " + annCall}}
	f.Outbox = []record.Message{{EventID: "lake-07:board_wet:1:1", Station: "lake-07", Kind: "board_wet", Number: 1, Created: 3, Body: `{"site":"Brückners Kai"}`}}
	require.NoError(t, s.CommitFold(ctx, f))
	for _, query := range []string{
		`insert into visit (id, station, kind, state, who, planned, why, made_ns, author, when_ns, version)
			values (1, (select id from station where name = 'lake-07'), 'on-site', 'planned', 'Otto', '', 'Brückner heard ghost calls', 5, 'workshop', 5, 1)`,
		`insert into visit_card (visit, n, at_ns, body, result, author, recorded_ns) values (1, 1, 5, '{"keys":[{"says":"Brueckner"}]}', '[]', 'Käthe', 5)`,
		`insert into symptom (id, station, kind, note, reported_by, since, author, recorded_ns)
			values (1, (select id from station where name = 'lake-07'), 'hum', 'at night', 'Frau Brückner, 0170/5550123', '', 'workshop', 5)`,
		`insert into part_kind (id, name, class, unit, irreplaceable, last_one, minimum) values ('keypad', 'Keypad', 'keypad', 'piece', 1, 1, 0)`,
		`insert into part_lot (id, kind, condition, grade, owner, loan, place, origin, note) values (1, 'keypad', 'used', 'a', 'o-1', 1, 'shelf', '', 'Käthe lent it')`,
	} {
		fill(t, e, where, "%s", query)
	}
	otto, err := s.PutPerson(ctx, record.Person{Name: "Otto", Zone: "Etc/UTC", Least: record.LeastAll, Channels: []record.Channel{{Kind: record.Mail, Address: "otto@workshop.example"}}}, 5, "workshop")
	require.NoError(t, err)
	require.NoError(t, s.AddWatched(ctx, record.WatchedPeer{Name: "Pier", Every: 1e9, Made: 5}, []byte("hash"), "workshop"))
	require.NoError(t, s.AddNotice(ctx, record.Notice{Event: "letter:1:2025-11-05", Kind: record.Letter, Created: 5, Subject: "Morning letter", Body: "Water inside: Brückners Kai"},
		[]record.Delivery{{Event: "letter:1:2025-11-05", Person: otto, Why: record.WhyPassed, Detail: "Käthe", Created: 5, Due: 5}}))
	return s
}

func aStation(id string) fact.Subject { return fact.Subject{Kind: fact.KindStation, ID: id} }

// fill writes past the store; what is written is not in its statements' log.
func fill(t *testing.T, e engine, where, query string, args ...any) {
	t.Helper()
	db := e.raw(t, where)
	_, err := db.ExecContext(t.Context(), fmt.Sprintf(query, args...))
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

// hits counts what is left of somebody in the files of a store.
func hits(t *testing.T, e engine, where string) (n int) {
	t.Helper()
	for _, path := range e.files(t, where) {
		body, err := os.ReadFile(path)
		if os.IsNotExist(err) {
			continue
		}
		require.NoError(t, err)
		for _, crumb := range crumbs {
			n += bytes.Count(bytes.ToLower(body), []byte(crumb))
		}
	}
	return n
}

func erase(ctx context.Context, s *Store, e books.Erase) (books.EraseReport, error) {
	return e.Do(ctx, s, 1000, "workshop")
}

func testErase(t *testing.T, e engine) {
	where := e.fresh(t)
	s := lived(t, e, where)
	named := hits(t, e, where)
	require.Greater(t, named, 20)
	other := e.openAt(t, where).(*Store) // as a collector that runs
	before := readAll(t, other, "lake-07")
	hours, err := other.Hours(t.Context(), "lake-07", always, never)
	require.NoError(t, err)

	r, err := erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	require.NoError(t, err)
	left := hits(t, e, where)
	require.Zero(t, left)
	fmt.Printf("stores: hits_before=%d erased_hits=%d\n", named, left)
	require.Equal(t, int64(5), r.Facts)
	require.Empty(t, r.Unread)
	require.NotEmpty(t, r.Remains)
	require.Equal(t, []string{"audit", "batch", "delivery", "event", "fact", "notice", "occurrence", "outbox", "part_lot", "quarantine", "station_state", "symptom", "visit", "visit_card"}, r.Tables)
	require.Equal(t, []string{"Gateway", "gateway"}, r.Near)

	// The other goes on, and sees what is left.
	facts, err := other.Facts(t.Context(), aStation("lake-07"))
	require.NoError(t, err)
	said := map[string]string{}
	for _, f := range facts {
		said[f.Name] = f.Value + " by " + f.Author
	}
	require.Equal(t, map[string]string{"site": "quay by workshop", "mounting": "post by (erased)", "spot": "left of (erased)'s door, Gateway north by workshop"}, said)
	facts, err = other.Facts(t.Context(), fact.Subject{Kind: fact.KindSite, ID: "quay"})
	require.NoError(t, err)
	var values []string
	for _, f := range facts {
		values = append(values, f.Value)
	}
	require.Equal(t, []string{"(erased) Kai", "none", "o-2", "the old lock"}, values, "how to come in is not anybody's business any more")
	facts, err = other.Facts(t.Context(), fact.Subject{Kind: fact.KindSite, ID: "pier"})
	require.NoError(t, err)
	require.Len(t, facts, 2)
	require.Equal(t, "Otto has it", facts[1].Value)
	after := readAll(t, other, "lake-07")
	before[1].Flags = "clock,(erased)"
	require.Equal(t, before, after)
	again, err := other.Hours(t.Context(), "lake-07", always, never)
	require.NoError(t, err)
	require.Equal(t, hours, again)
	found, err := other.Verify(t.Context())
	require.NoError(t, err)
	require.Equal(t, int64(2), found.Readings)
	deeds, _, err := other.Audit(t.Context(), record.DeedPlace{}, 3)
	require.NoError(t, err)
	require.Equal(t, record.Deed{At: 1000, Author: "workshop", Action: "erase owner", Object: "o-1", Place: deeds[0].Place}, deeds[0])
	list, err := other.Erasures(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Equal(t, record.Erasure{Number: 1, At: 1000, Author: "workshop", Owner: "o-1", Facts: r.Facts, Changed: r.Changed, Tables: r.Tables, Finished: 1000}, list[0])
	commit(t, other, arrival("lake-07", keyed(runA, 9)))
	commit(t, s, arrival("lake-07", keyed(runA, 10)))

	_, err = erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	require.ErrorContains(t, err, `also "": the owner was erased already`)
	require.NoError(t, s.Note(t.Context(), 2000, "workshop", "visit", "Brückner called"))
	second, err := erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1", Also: []string{"Brückner"}})
	require.NoError(t, err)
	require.Equal(t, int64(1), second.Changed)
	require.Zero(t, hits(t, e, where))
	owner := fact.Fact{Subject: fact.Subject{Kind: fact.KindOwner, ID: "o-1"}, Name: fact.Name, Value: "Somebody Else", From: fact.Always}
	require.ErrorContains(t, other.AddFacts(t.Context(), []fact.Fact{owner}), "an owner with that id was erased: choose another")
	owner.Subject.ID = "o-3"
	require.NoError(t, other.AddFacts(t.Context(), []fact.Fact{owner}))
	finished, err := books.FinishErasing(t.Context(), s, 2000)
	require.NoError(t, err)
	require.Zero(t, finished)
}

func testEraseDry(t *testing.T, e engine) {
	where := e.fresh(t)
	s := lived(t, e, where)
	before := hits(t, e, where)
	dry, err := erase(t.Context(), s, books.Erase{Owner: "o-1", Dry: true})
	require.NoError(t, err)
	require.GreaterOrEqual(t, hits(t, e, where), before)
	var places []string
	for _, tr := range dry.Traces {
		places = append(places, fmt.Sprintf("%s.%s %d %q %q", tr.Table, tr.Column, tr.Rows, tr.Before, tr.After))
	}
	require.Contains(t, places, `fact.spot of station 1 "left of Brueckner's door, Gateway north" "left of (erased)'s door, Gateway north"`)
	require.Contains(t, places, `fact.name of owner 1 "Käthe Brückner-Gate" ""`)
	require.Contains(t, places, `fact.access of site 1 "secret key under the mat" ""`)
	list, err := s.Erasures(t.Context())
	require.NoError(t, err)
	require.Empty(t, list)
	real, err := erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	require.NoError(t, err)
	require.Equal(t, dry.Traces, real.Traces)
}

func testEraseRefused(t *testing.T, e engine) {
	where := e.fresh(t)
	s := lived(t, e, where)
	enrol(t, s, "gate-07")
	before := hits(t, e, where)
	for _, c := range []struct {
		e    books.Erase
		says string
	}{
		{books.Erase{Owner: "o-1"}, `confirm "": write the owner's id once more`},
		{books.Erase{Owner: "o-9", Confirm: "o-9"}, "not found"},
		{books.Erase{Owner: "o-1", Confirm: "o-1"}, `id "station gate-07": a word of the owner's name is in it`},
		{books.Erase{Owner: "o-1", Confirm: "o-1", Also: []string{"-"}}, `also 1 "-"`},
		{books.Erase{Owner: "o-1", Confirm: "o-1", KeepIDs: []string{"gate-08"}}, `keep_id "gate-08"`},
	} {
		_, err := erase(t.Context(), s, c.e)
		require.ErrorContains(t, err, c.says)
	}
	_, err := books.Erase{Owner: "o-1", Confirm: "o-1", KeepIDs: []string{"gate-07"}}.Do(t.Context(), s, 1000, "Gate")
	require.ErrorContains(t, err, `author "Gate"`)
	require.Equal(t, before, hits(t, e, where))

	r, err := books.Erase{Owner: "o-1", Confirm: "o-1", KeepIDs: []string{"gate-07"}, Keep: []string{"gate"}, Also: []string{"Kai"}}.Do(t.Context(), s, 1000, "Gate")
	require.NoError(t, err)
	require.Empty(t, r.Kept, "gate alone was not searched")
	require.Equal(t, []string{"Gate"}, r.Short)
	require.Zero(t, hits(t, e, where))
	_, err = s.Station(t.Context(), "gate-07")
	require.NoError(t, err)
	facts, err := s.Facts(t.Context(), fact.Subject{Kind: fact.KindSite, ID: "quay"})
	require.NoError(t, err)
	require.Equal(t, "(erased)", facts[0].Value)
}

// Identifiers that name the owner get others, wherever they stand.
func testEraseRenames(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "gate-07", "brueckner-1", "a").(*Store)
	add := func(kind, id, name, value string) {
		fill(t, e, where, `insert into fact (kind, subject, name, from_ns, value, author, recorded_ns) values ('%s', '%s', '%s', 5, '%s', 'w', 7)`, kind, id, name, value)
	}
	fill(t, e, where, `create table held (id integer primary key, station text not null references station (name) on update cascade)`)
	fill(t, e, where, `insert into held (id, station) values (1, 'brueckner-1')`)
	add("owner", "brueckner", "name", ann)
	add("site", "brueckner-quay", "name", "x")
	add("site", "brueckner-quay", "owner", "brueckner")
	add("station", "a", "site", "brueckner-quay")
	add("station", "brueckner-1", "spot", "brueckner-quay, Brueckner")
	commit(t, s, arrival("brueckner-1", keyed(runA, 1)))
	require.NoError(t, s.Retire(t.Context(), "brueckner-1", 50, "w"))
	commit(t, s, arrival("brueckner-1", keyed(runA, 2))) // it goes on, into quarantine
	r, err := erase(t.Context(), s, books.Erase{Owner: "brueckner", Confirm: "brueckner", KeepIDs: []string{"gate-07"}})
	require.NoError(t, err)
	require.Equal(t, []record.Identifier{{Kind: "station", ID: "gate-07", Live: true}}, r.Kept)
	require.Equal(t, map[string]string{"brueckner": "owner-erased-1", "brueckner-quay": "site-erased-1", "brueckner-1": "station-erased-1"}, r.Renamed)
	require.Equal(t, "owner-erased-1", r.Owner)
	require.Contains(t, r.Tables, "held")
	require.Zero(t, hits(t, e, where))
	require.Len(t, readAll(t, s, "station-erased-1"), 1)
	facts, err := s.Facts(t.Context(), aStation("a"))
	require.NoError(t, err)
	require.Equal(t, "site-erased-1", facts[0].Value)
	facts, err = s.Facts(t.Context(), aStation("station-erased-1"))
	require.NoError(t, err)
	require.Equal(t, "site-erased-1, (erased)", facts[0].Value)
	facts, err = s.Facts(t.Context(), fact.Subject{Kind: fact.KindSite, ID: "site-erased-1"})
	require.NoError(t, err)
	require.Equal(t, "none", facts[1].Value)
	_, err = s.Verify(t.Context())
	require.NoError(t, err)
	_, err = s.Station(t.Context(), "gate-07")
	require.NoError(t, err)
}

// Whatever fails, all of it is done or nothing.
func testEraseIsAtomic(t *testing.T, e engine) {
	where := e.fresh(t)
	s := lived(t, e, where)
	before, err := s.Facts(t.Context(), fact.Subject{Kind: "owner", ID: "o-1"})
	require.NoError(t, err)
	for _, table := range []string{"erasure", "audit"} {
		fill(t, e, where, e.breakInserts, table)
		_, err = erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
		require.ErrorContains(t, err, "broken on purpose")
		fill(t, e, where, "%s", e.repair)
		after, err := s.Facts(t.Context(), fact.Subject{Kind: "owner", ID: "o-1"})
		require.NoError(t, err)
		require.Equal(t, before, after)
	}
	_, err = erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	require.NoError(t, err)
	require.Zero(t, hits(t, e, where))
}

// A collector goes on taking readings in while another program erases.
func testEraseBeside(t *testing.T, e engine) {
	where := e.fresh(t)
	s := lived(t, e, where)
	other := e.openAt(t, where).(*Store)
	commit(t, other, seqs("lake-08", runB, 1))
	stop, done := make(chan struct{}), make(chan error)
	var taken int64 = 1
	go func() {
		for {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if _, err := other.Commit(context.Background(), []record.Arrival{seqs("lake-08", runB, taken+1)}); err != nil {
				done <- err
				return
			}
			taken++
			if _, err := other.Facts(context.Background(), aStation("lake-07")); err != nil {
				done <- err
				return
			}
		}
	}()
	_, err := erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	for n := 0; err != nil && n < 100; n++ { // on a server somebody may just be reading
		require.ErrorContains(t, err, "an older state")
		_, err = books.FinishErasing(t.Context(), s, 2000)
	}
	require.NoError(t, err)
	close(stop)
	require.NoError(t, <-done)
	require.Zero(t, hits(t, e, where))
	require.Len(t, readAll(t, other, "lake-08"), int(taken))
	require.Greater(t, taken, int64(1))
}

// While somebody still reads an older state, what was erased can't leave the
// disk: that is said, and done later.
func testRewriteWaits(t *testing.T, e engine) {
	where := e.fresh(t)
	s := lived(t, e, where)
	db := e.raw(t, where)
	old, err := db.BeginTx(t.Context(), &sql.TxOptions{Isolation: sql.LevelRepeatableRead})
	if err != nil { // SQLite's driver knows one level, which is as strict
		old, err = db.BeginTx(t.Context(), nil)
	}
	require.NoError(t, err)
	var n int
	require.NoError(t, old.QueryRowContext(t.Context(), `select count(*) from fact`).Scan(&n))
	require.NoError(t, s.alone(t.Context(), func(w *writer) error { // who waits for no reader
		_, err := w.conn.ExecContext(t.Context(), e.hasty)
		return err
	}))
	r, err := erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	require.ErrorContains(t, err, "an older state")
	require.ErrorContains(t, err, "finish the erasure")
	require.NotEmpty(t, r.Traces, "it is done but for the disk")
	require.Positive(t, hits(t, e, where))
	list, err := s.Erasures(t.Context())
	require.NoError(t, err)
	require.Zero(t, list[0].Finished)
	require.NoError(t, old.Rollback())
	finished, err := books.FinishErasing(t.Context(), s, 2000)
	require.NoError(t, err)
	require.Equal(t, 1, finished)
	require.Zero(t, hits(t, e, where))
}

// What runs in another database of the server may keep what was erased in the file.
func TestEraseOnASharedServer(t *testing.T) {
	where := postgresEngine.fresh(t)
	s := lived(t, postgresEngine, where)
	running, err := postgresEngine.raw(t, postgresEngine.fresh(t)).BeginTx(t.Context(), nil)
	require.NoError(t, err)
	_, err = running.ExecContext(t.Context(), "create table anything (id integer)") // takes it a number
	require.NoError(t, err)
	_, err = erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	require.ErrorContains(t, err, "a transaction of the server, perhaps in another database, began before the erasure")
	require.NoError(t, running.Rollback())
	finished, err := books.FinishErasing(t.Context(), s, 2000)
	require.NoError(t, err)
	require.Equal(t, 1, finished)
	require.Zero(t, hits(t, postgresEngine, where))
}

// A table that somebody holds can't be rewritten yet.
func TestPostgresRewriteNeedsItsTables(t *testing.T) {
	where := postgresEngine.fresh(t)
	s := lived(t, postgresEngine, where)
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	require.Error(t, s.alone(t.Context(), func(w *writer) error { return rewriteTables(cancelled, w, nil) }), "and the connection is given up")
	require.NoError(t, s.alone(t.Context(), func(w *writer) error {
		_, err := w.conn.ExecContext(t.Context(), postgresEngine.hasty)
		return err
	}))
	_, err := s.Erase(t.Context(), record.Erasing{Owner: "o-1", At: 5, Author: "x", Plan: func(record.Known) (func(string) string, error) {
		return func(text string) string { return text }, nil
	}})
	require.NoError(t, err)
	holder, err := postgresEngine.raw(t, where).BeginTx(t.Context(), nil)
	require.NoError(t, err)
	_, err = holder.ExecContext(t.Context(), "lock table fact in access share mode")
	require.NoError(t, err)
	_, err = s.Rewrite(t.Context(), 7)
	require.ErrorContains(t, err, "vacuum fact")
	require.NoError(t, holder.Rollback())
	n, err := s.Rewrite(t.Context(), 7)
	require.NoError(t, err)
	require.Equal(t, 1, n)
}

// A backup made afterwards has nothing of it either; those made before are told.
func TestEraseAndBackups(t *testing.T) {
	where := sqliteEngine.fresh(t)
	s := lived(t, sqliteEngine, where)
	copyTo := func(name string, at unit.Instant) string {
		to := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(to, nil, 0o600))
		b, err := Copy(t.Context(), where, to, at, to)
		require.NoError(t, err)
		require.NoError(t, NoteBackup(t.Context(), where, b))
		return to
	}
	old := copyTo("old", 900)
	require.Positive(t, hits(t, sqliteEngine, old))
	r, err := erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	require.NoError(t, err)
	require.Len(t, r.Backups, 1)
	require.Equal(t, old, r.Backups[0].Path)
	require.Zero(t, hits(t, sqliteEngine, copyTo("new", 1100)))
	require.Positive(t, hits(t, sqliteEngine, old))
}

// Of an owner whose name nobody wrote down nothing can be searched.
func testEraseUnnamed(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where).(*Store)
	fill(t, e, where, "insert into fact (kind, subject, name, from_ns, value, author, recorded_ns) values ('owner', 'o-3', 'consent', 5, '2025-01-01', 'w', 7)")
	r, err := erase(t.Context(), s, books.Erase{Owner: "o-3", Confirm: "o-3"})
	require.NoError(t, err)
	require.Equal(t, int64(1), r.Facts)
	require.Zero(t, r.Changed)
	require.Contains(t, r.Advice()[0], "no text was searched")
}

// Bytes in which text can't be searched are told.
func testEraseUnread(t *testing.T, e engine) {
	where := e.fresh(t)
	s := lived(t, e, where)
	kind := map[bool]string{false: "blob", true: "bytea"}[s.d.numbered]
	fill(t, e, where, "create table photo (id integer primary key, picture %s); create table goose_extra (id integer primary key, name text)", kind)
	dry, err := erase(t.Context(), s, books.Erase{Owner: "o-1", Dry: true})
	require.NoError(t, err)
	require.Empty(t, dry.Unread)
	fill(t, e, where, "insert into photo (id, picture) values (1, %s), (2, null)", e.bytes([]byte("Käthe")))
	dry, err = erase(t.Context(), s, books.Erase{Owner: "o-1", Dry: true})
	require.NoError(t, err)
	require.Equal(t, []record.Unread{{Table: "photo", Column: "picture", Rows: 1}}, dry.Unread)
	require.Contains(t, strings.Join(dry.Advice(), "\n"), "1 of photo picture can't be searched for text")
}

// What would be found again and again is no way to be rid of it.
func testEraseThatLeaves(t *testing.T, e engine) {
	s := lived(t, e, e.fresh(t))
	again := record.Erasing{Owner: "o-1", At: 5, Author: "x", Plan: func(record.Known) (func(string) string, error) {
		return func(text string) string { return text + "+" }, nil
	}}
	_, err := s.Erase(t.Context(), again)
	require.ErrorContains(t, err, "rows still name them")
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	w := <-s.write
	require.ErrorIs(t, s.alone(cancelled, nil), context.Canceled)
	s.write <- w
	require.NoError(t, s.Close())
	require.ErrorIs(t, s.alone(t.Context(), nil), errClosed)
}

// Tables are handed out in rows that the catalogue of engines agrees on.
func testRows(t *testing.T, e engine) {
	where := e.fresh(t)
	s := lived(t, e, where)
	rows := func(name string, want record.Want) (list []string) {
		require.NoError(t, s.Rows(t.Context(), name, want, func(cells []any) error {
			list = append(list, fmt.Sprintf("%v", cells))
			return nil
		}))
		return list
	}
	everything := record.Want{From: always, To: never, Owners: true}
	tables, err := s.Tables(t.Context())
	require.NoError(t, err)
	for _, table := range tables {
		require.NotEmpty(t, table.About)
		if i := slices.IndexFunc(listings, func(l listing) bool { return l.Name == table.Name }); i >= 0 && table.Name != "erasures" {
			require.NotEmpty(t, rows(table.Name, everything), table.Name)
		}
		want := everything
		want.From, want.To, want.Owners = t0, t0+1, false
		rows(table.Name, want)
	}
	require.Equal(t, []string{"[gateway-01 1970-01-01T00:00:00.000000001Z <nil>]", "[lake-07 1970-01-01T00:00:00.000000001Z <nil>]", "[lake-08 1970-01-01T00:00:00.000000001Z <nil>]"}, rows("enrolments", everything))
	require.Len(t, rows("enrolments", record.Want{From: always, To: never, Stations: []string{"lake-08", "x"}}), 1)
	require.Empty(t, rows("enrolments", record.Want{From: always, To: never, Stations: []string{}}))
	all := rows("facts", everything)
	require.Less(t, len(rows("facts", record.Want{From: always, To: never})), len(all))
	require.Len(t, rows("facts", record.Want{From: always, To: 7}), 4)
	require.Equal(t, `[lake-07 board_wet 1 1970-01-01T00:00:00Z <nil> 1970-01-01T00:00:00Z 0 [{"name":"Brückner","value":1,"unit":"K"}] normal false false]`, rows("findings", everything)[0])
	require.Contains(t, fmt.Sprint(rows("quarantine", everything)), `\xff brueckner \xfe`)
	require.ErrorIs(t, s.Rows(t.Context(), "secrets", everything, nil), record.ErrNotFound)
	kind := map[bool]string{false: "blob", true: "bytea"}[s.d.numbered]
	fill(t, e, where, "create table job (made_ns integer not null, station integer not null references station, id integer not null, note text, hours double precision, picture %s, primary key (id, made_ns))", kind)
	fill(t, e, where, "create table chore (station text primary key)")
	fill(t, e, where, "insert into chore values ('lake-07'), ('x'); insert into job values (5, (select id from station where name = 'lake-08'), 2, 'wet', 0.5, null), (6, (select id from station where name = 'lake-07'), 1, null, null, null)")
	require.Equal(t, []string{"[1970-01-01T00:00:00.000000005Z lake-08 2 wet 0.5]", "[1970-01-01T00:00:00.000000006Z lake-07 1 <nil> <nil>]"}, rows("job", everything))
	require.Len(t, rows("job", record.Want{From: always, To: never, Stations: []string{"lake-08"}}), 1)
	require.Equal(t, []string{"[lake-07]"}, rows("chore", record.Want{From: always, To: never, Stations: []string{"lake-07"}}))
	broken := errors.New("broken")
	require.ErrorIs(t, s.Rows(t.Context(), "facts", everything, func([]any) error { return broken }), broken)
}

// A listing that says of a column what it doesn't hold tells so.
func TestWrongListing(t *testing.T) {
	whole := listings
	defer func() { listings = whole }()
	listings = append(slices.Clone(whole), define("wrong", "x", listing{from: "fact f", order: "f.id"}, col("n", record.Integer, "f.name")))
	s := lived(t, sqliteEngine, sqliteEngine.fresh(t))
	require.ErrorContains(t, s.Rows(t.Context(), "wrong", record.Want{From: always, To: never, Owners: true}, nil), "column n holds")
}

// What is new is handed out as it is, to who may do everything: say that it may,
// or name it in unlisted.
func testPlainTables(t *testing.T, e engine) {
	s := e.new(t).(*Store)
	list, err := plain(reader{t.Context(), s}, s.d)
	require.NoError(t, err)
	for i := range list {
		require.True(t, list[i].Private)
		require.Regexp(t, "^(alarm_.*|backup|breathing_day|delivery|feed|forecast|frozen|heater_burst|life_look|outdoor_hour|outlook|outlook_night|person|person_choice|plan_.*|quarantine_day|restore|total|part_.*|visit.*|symptom|weather.*)$", list[i].Name, "may it be exported?")
	}
}

func TestCells(t *testing.T) {
	for _, c := range []struct {
		kind    record.CellType
		v, want any
	}{
		{record.Number, 0.5, 0.5},
		{record.Number, math.NaN(), nil},
		{record.Number, math.Inf(1), nil},
		{record.Integer, int64(3), int64(3)},
		{record.Truth, int64(1), true},
		{record.Instant, int64(3), unit.Instant(3)},
		{record.JSON, "{}", "{}"},
	} {
		got, err := cellOf(record.Column{Type: c.kind}, c.v)
		require.NoError(t, err)
		require.Equal(t, c.want, got)
	}
	for _, c := range []struct {
		kind record.CellType
		v    any
	}{{record.Number, "x"}, {record.Integer, 0.5}, {record.Text, int64(3)}, {record.Text, true}} {
		_, err := cellOf(record.Column{Name: "n", Type: c.kind}, c.v)
		require.ErrorContains(t, err, "column n holds")
	}
}

func testImport(t *testing.T, e engine) {
	s := e.new(t, "a").(*Store)
	b := record.Station{ID: "b", Secret: testSecret(t, "b"), Enrolled: 1}
	facts := []fact.Fact{siteFact("lake", fact.Zone, fact.Always, "CET"), stationFact("b", fact.Site, fact.Always, "lake")}
	require.NoError(t, s.Import(t.Context(), []record.Station{b}, facts, "x", true))
	list, err := s.Stations(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.ErrorContains(t, s.Import(t.Context(), []record.Station{b}, facts[1:], "x", true), "lake")
	require.ErrorContains(t, s.Import(t.Context(), []record.Station{b}, []fact.Fact{stationFact("b", "colour", fact.Always, "red")}, "x", true), "there is no such fact")
	require.NoError(t, s.Import(t.Context(), []record.Station{b}, facts, "x", false))
	require.ErrorContains(t, s.Import(t.Context(), []record.Station{b}, facts, "x", false), "station b: it is enrolled already")
	got, err := s.Facts(t.Context(), aStation("b"))
	require.NoError(t, err)
	require.Len(t, got, 1)
}

// A store that can be read only is not erased in.
func TestEraseReadOnly(t *testing.T) {
	where := sqliteEngine.fresh(t)
	s := lived(t, sqliteEngine, where)
	require.NoError(t, s.Close())
	s, err := OpenReadOnly(t.Context(), where)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	_, err = erase(t.Context(), s, books.Erase{Owner: "o-1", Confirm: "o-1"})
	require.ErrorIs(t, err, errReadOnly)
	require.ErrorIs(t, s.alone(t.Context(), nil), errReadOnly)
	require.True(t, strings.HasPrefix(err.Error(), "erase owner"))
}
