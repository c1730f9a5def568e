package doctor_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"database/sql"
	"encoding/pem"
	"errors"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/backup"
	"dewpost/collector/doctor"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

var now = time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC)

func ago(d time.Duration) unit.Instant { return unit.At(now.Add(-d)) }

// ward is an installation with nothing wrong: a collector that answers, a
// station that was heard, a backup of last night.
type ward struct {
	*testing.T
	dir   string
	in    doctor.Installation
	store *store.Store
	made  backup.File
}

func newWard(t *testing.T) *ward {
	w := &ward{T: t, dir: t.TempDir()}
	pages := httptest.NewServer(http.HandlerFunc(func(out http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/healthz" {
			out.WriteHeader(http.StatusNotFound)
		}
	}))
	t.Cleanup(pages.Close)
	w.in = doctor.Installation{Store: blank.In(t, w.dir), Pages: strings.TrimPrefix(pages.URL, "http://"), Now: now}
	var err error
	w.store, err = store.Open(t.Context(), w.in.Store)
	require.NoError(t, err)
	w.enrol("lake-07", ago(100*24*time.Hour))
	w.in.Ways = []record.ChannelKind{record.Mail, record.Webhook}
	_, err = w.store.PutPerson(t.Context(), record.Person{Name: "Ida", Zone: "Etc/UTC", Least: record.LeastAll, Channels: []record.Channel{{Kind: record.Mail, Address: "ida@workshop.example"}}}, ago(time.Hour), "test")
	require.NoError(t, err)
	w.take(reading.Batch{Readings: []reading.Reading{w.reading("", 0, ago(9*24*time.Hour)), w.reading("", 0, ago(8*time.Hour))}})
	w.backup(7 * time.Hour)
	w.take(reading.Batch{Readings: []reading.Reading{w.reading("", 0, ago(time.Hour)), w.reading("", 0, ago(time.Minute))}})
	return w
}

func (w *ward) backup(before time.Duration) {
	var err error
	w.made, err = backup.Make(w.Context(), backup.Config{Store: w.in.Store, Target: filepath.Join(w.dir, before.String()), Now: func() time.Time { return now.Add(-before) }})
	require.NoError(w, err)
}

func (w *ward) enrol(id string, at unit.Instant) {
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(w, err)
	require.NoError(w, w.store.AddStation(w.Context(), record.Station{ID: id, Secret: secret, Enrolled: at}, "test"))
}

func (w *ward) reading(run string, seq int64, at unit.Instant) reading.Reading {
	r := reading.Reading{Run: run, Seq: seq, Time: at}
	r.Set(reading.InsideTemp, 11.4)
	return r
}

func (w *ward) take(b reading.Batch) {
	_, err := w.store.Commit(w.Context(), []record.Arrival{{Station: "lake-07", At: ago(0), Batch: b}})
	require.NoError(w, err)
}

// examine closes the store and looks.
func (w *ward) examine() doctor.Report {
	if w.store != nil {
		require.NoError(w, w.store.Close())
		w.store = nil
	}
	return doctor.Examine(w.Context(), w.in)
}

// change writes to the store's file past everything.
func (w *ward) change(text string) {
	require.NoError(w, w.store.Close())
	w.store = nil
	db, err := sql.Open("sqlite", "file:"+w.in.Store)
	require.NoError(w, err)
	_, err = db.ExecContext(w.Context(), text)
	require.NoError(w, errors.Join(err, db.Close()))
}

func lines(list []doctor.Line) string {
	var b strings.Builder
	for _, l := range list {
		b.WriteString(l.About + ": " + l.Says + "\n")
	}
	return b.String()
}

func TestAllInOrder(t *testing.T) {
	w := newWard(t)
	r := w.examine()
	require.Empty(t, r.Todo)
	for _, says := range []string{
		"config: The config can be read", "collector: The collector answers at " + w.in.Pages, "store: The store is whole",
		"disk: The store takes", "backup: The newest backup is of 2026-05-01T03:00:00Z, 7 hours ago; 2 readings came in since",
		"readings: The counts balance: 4 received and 0 released make 4 stored", "stations: 1 station in service", "quarantine: No reading", "notices: Every notice",
	} {
		require.Contains(t, lines(r.Fine), says)
	}
	require.Contains(t, lines(r.Know), "backup: The newest backup lies on the same disk as the store")
	require.Len(t, r.Know, 1)
}

// Everything that can be wrong is seen, and nothing else with it.
func TestWhatIsWrongIsSeen(t *testing.T) {
	const todo, know = true, false
	for name, c := range map[string]struct {
		spoil func(*ward)
		todo  bool
		about string
		says  string
	}{
		"config":  {func(w *ward) { w.in.Config = errors.New("pages.listen: no") }, todo, "config", "The collector would not start: pages.listen: no."},
		"stopped": {func(w *ward) { w.in.Pages = "127.0.0.1:1" }, todo, "collector", "does not answer"},
		"another program": {func(w *ward) {
			other := httptest.NewServer(http.NotFoundHandler())
			w.Cleanup(other.Close)
			w.in.Pages = strings.TrimPrefix(other.URL, "http://")
		}, todo, "collector", "something answers 404"},
		"free port":       {func(w *ward) { w.in.Pages = "" }, know, "collector", "can't be told"},
		"others may read": {func(w *ward) { require.NoError(w, os.Chmod(w.in.Store, 0o644)) }, todo, "secrets", "has mode 0644"},
		"others may read the password": {func(w *ward) {
			w.in.Secrets = []string{filepath.Join(w.dir, "password")}
			require.NoError(w, os.WriteFile(w.in.Secrets[0], nil, 0o640))
		}, todo, "secrets", "password holds secrets and has mode 0640"},
		"others may read the backup": {func(w *ward) { require.NoError(w, os.Chmod(w.made.Path, 0o604)) }, todo, "secrets", "has mode 0604"},
		"never backed up":            {func(w *ward) { w.change(`delete from backup`) }, todo, "backup", "No backup was ever made: 4 readings and the secrets of 1 station"},
		"old backup":                 {func(w *ward) { w.change(`update backup set at_ns = at_ns - 432000000000000`) }, todo, "backup", "5 days ago; 2 readings came in since"},
		"backup moved":               {func(w *ward) { require.NoError(w, os.Remove(w.made.Path)) }, know, "backup", "is not there now"},
		"backup cut":                 {func(w *ward) { require.NoError(w, os.Truncate(w.made.Path, 4096)) }, todo, "backup", "has 4096 bytes and was made with"},
		"never heard":                {func(w *ward) { w.enrol("lake-08", ago(30*time.Hour)) }, todo, "stations", "Never heard: lake-08 (enrolled 2026-04-30)"},
		"just enrolled":              {func(w *ward) { w.enrol("lake-08", ago(3*time.Hour)) }, know, "stations", "not heard yet: lake-08"},
		"no station":                 {func(w *ward) { require.NoError(w, w.store.Retire(w.Context(), "lake-07", ago(0), "test")) }, todo, "stations", "There is no station"},
		"slow clock":                 {func(w *ward) { w.state(10 * time.Minute) }, todo, "clocks", "lake-07 (10 minutes slow)"},
		"fast clock":                 {func(w *ward) { w.state(-3 * time.Hour) }, todo, "clocks", "lake-07 (3 hours fast)"},
		"before 2000": {func(w *ward) {
			r := w.reading("00000000000000aa", 1, unit.At(time.Unix(1000, 0)))
			w.take(reading.Batch{Refused: []reading.Refusal{{Reason: reading.ReasonTime, Run: r.Run, Seq: 1, Raw: []byte("x"), Reading: &r}}})
		}, todo, "quarantine", "1 reading is in quarantine for a time before 2000"},
		"time ahead": {func(w *ward) {
			r := w.reading("00000000000000aa", 1, ago(-time.Hour))
			w.take(reading.Batch{Refused: []reading.Refusal{{Reason: reading.ReasonTime, Run: r.Run, Seq: 1, Raw: []byte("x"), Reading: &r}}})
		}, know, "quarantine", "1 reading is in quarantine for a time that lies ahead"},
		"malformed": {func(w *ward) {
			w.take(reading.Batch{Refused: []reading.Refusal{{Reason: reading.ReasonMalformed, Raw: []byte("x")}}})
		}, know, "quarantine", "malformed 1"},
		"given up": {func(w *ward) {
			w.take(reading.Batch{Readings: []reading.Reading{w.reading("00000000000000aa", 5, ago(0))}, Oldest: map[string]int64{"00000000000000aa": 5}})
		}, know, "readings", "lake-07 (4)"},
		"told to be safe": {func(w *ward) { w.state(0) }, todo, "readings", "are not here: lake-07 (3)"},
		"balance": {func(w *ward) {
			w.change(`update run set repeated = 7; insert into total values ('repeated', 7)`)
		}, todo, "readings", "Of the readings of lake-07 that came in, -7 are in no count"},
		"untold":           {func(w *ward) { w.notice(ago(2 * time.Hour)) }, todo, "notices", "Nobody was sent 1 notice yet, the oldest made on 2026-05-01T08:00:00Z"},
		"about to be told": {func(w *ward) { w.notice(ago(time.Minute)) }, know, "notices", "About to be sent: 1 notice"},
		"no store":         {func(w *ward) { w.in.Store += "x" }, todo, "store", "There is no store at"},
		"letter": {func(w *ward) {
			w.in.Store = filepath.Join(w.dir, "letter")
			require.NoError(w, os.WriteFile(w.in.Store, []byte("Dear colleague"), 0o600))
		}, todo, "store", "can't be opened"},
		"damaged": {func(w *ward) {
			w.change(`pragma writable_schema = 1; update sqlite_schema set rootpage = 2 where name = 'batch_day'`)
		}, todo, "store", "damaged"},
		"nothing taken": {func(w *ward) {
			require.NoError(w, w.store.UseFeeds(w.Context(), "there", record.FeedHours))
			require.NoError(w, w.store.FeedFailed(w.Context(), record.FeedHours, ago(time.Hour), "status 401 Unauthorized"))
		}, todo, "export", "No hours are taken since 2026-05-01T09:00:00Z: status 401 Unauthorized"},
		"lines refused": {func(w *ward) {
			require.NoError(w, w.store.UseFeeds(w.Context(), "there", record.FeedHours))
			require.NoError(w, w.store.FeedSent(w.Context(), record.FeedHours, nil, 1, []record.FeedRefusal{{Station: "lake-07", Time: ago(3 * time.Hour), At: ago(0), Why: "no"}}))
		}, todo, "export", "Lines of hours that were refused and left out: 1, the last of station lake-07 at 2026-05-01T07:00:00Z, on 2026-05-01T10:00:00Z: no"},
		"let go": {func(w *ward) {
			w.change(`insert into frozen (station, before_ns, kept_ns, first_ns, days, readings, bytes, hours, digest, at_ns) values (1, 86400000000000, 0, 0, 1, 7, 9, 0, '', 1)`)
		}, know, "keeping", "as they were older than they are kept: 7, of 1 stations. Their hours are frozen, of none after 1970-01-02T00:00:00Z"},
		"older schema": {func(w *ward) { w.change(`delete from goose_db_version where version_id > 2`) }, know, "store", "schema has version 2"},
		"newer schema": {func(w *ward) { w.change(`insert into goose_db_version (version_id, is_applied) values (999, 1)`) }, todo, "store", "run a newer dewpost"},
		"journal":      {func(w *ward) { w.change(`pragma journal_mode = delete`) }, todo, "store", "journal_mode is delete, not wal"},
		"certificate":  {func(w *ward) { w.certificate(10 * 24 * time.Hour) }, todo, "certificate", "ends on 2026-05-11, in 10 days"},
		"no longer":    {func(w *ward) { w.certificate(-time.Hour) }, todo, "certificate", "ended on 2026-05-01"},
		"no certificate": {func(w *ward) {
			w.in.Certificate = filepath.Join(w.dir, "cert.pem")
			require.NoError(w, os.WriteFile(w.in.Certificate, []byte("none"), 0o600))
		}, todo, "certificate", "holds no certificate"},
		"missing certificate": {func(w *ward) { w.in.Certificate = filepath.Join(w.dir, "none.pem") }, todo, "certificate", "can't be read"},
		"restored":            {(*ward).restored, know, "restore", "lake-07: 2 readings are missing since a backup of 2026-05-01T09:00:00Z was put back on 2026-05-01T09:50:00Z: seq 3 to 4 of run 00000000000000aa, between the readings of 2026-05-01T08:58:00Z and 2026-05-01T09:52:00Z."},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWard(t)
			c.spoil(w)
			r := w.examine()
			where := r.Know
			if c.todo {
				where = r.Todo
				require.Len(t, r.Todo, 1, lines(r.Todo))
			} else {
				require.Empty(t, r.Todo)
			}
			found := false
			for _, l := range where {
				found = found || l.About == c.about && strings.Contains(l.Says, c.says)
			}
			require.True(t, found, "%s\nin:\n%s", c.says, lines(where))
		})
	}
}

// state lets the station's agent say that three readings are receipted, with a
// clock that is off; without an offset none of them is here.
func (w *ward) state(offset time.Duration) {
	const run = "00000000000000bb"
	receipted := `"receipted":3,`
	if offset != 0 {
		receipted = ""
	}
	body := `{"run":"` + run + `","conn":1,"readings":{"sampled":3,` + receipted + `"queued":0},"spool":{"last":3,"upto":3}}`
	report := record.Report{Run: run, Conn: 1, Readings: &record.Tally{Sampled: 3, Receipted: 3}, Spool: record.Spool{Last: 3, Upto: 3}}
	n, err := w.store.KeepStates(w.Context(), []record.State{{Station: "lake-07", At: ago(0), Report: report, Body: []byte(body), Offset: offset, Timed: true}})
	require.NoError(w, err)
	require.Equal(w, 1, n)
}

func (w *ward) notice(at unit.Instant) {
	o := alarm.Occurrence{Station: "lake-07", Number: 1, State: alarm.Unacknowledged, Finding: finding.Finding{Kind: finding.BoardWet, From: at, Concluded: at}}
	require.NoError(w, w.store.CommitFold(w.Context(), record.Folded{
		Mark: record.Mark{Station: "lake-07"}, Occurrences: []alarm.Occurrence{o},
		Outbox: []record.Message{{EventID: o.ID(), Station: "lake-07", Kind: finding.BoardWet, Number: 1, Created: at, Body: "{}"}},
	}))
}

func (w *ward) certificate(left time.Duration) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(w, err)
	c := x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: now.Add(-24 * time.Hour), NotAfter: now.Add(left)}
	der, err := x509.CreateCertificate(rand.Reader, &c, &c, key.Public(), key)
	require.NoError(w, err)
	w.in.Certificate = filepath.Join(w.dir, "cert.pem")
	require.NoError(w, os.WriteFile(w.in.Certificate, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
}

// restored loses two receipted readings to a restore.
func (w *ward) restored() {
	const run = "00000000000000aa"
	w.take(reading.Batch{Readings: []reading.Reading{w.reading(run, 1, ago(63*time.Minute)), w.reading(run, 2, ago(62*time.Minute))}})
	w.backup(time.Hour)
	w.take(reading.Batch{Readings: []reading.Reading{w.reading(run, 3, ago(50*time.Minute)), w.reading(run, 4, ago(40*time.Minute))}})
	require.NoError(w, w.store.Close())
	require.NoError(w, os.Remove(w.in.Store))
	_, err := backup.Restore(w.Context(), w.made.Path, w.in.Store, now.Add(-10*time.Minute))
	require.NoError(w, err)
	w.store, err = store.Open(w.Context(), w.in.Store)
	require.NoError(w, err)
	w.take(reading.Batch{Readings: []reading.Reading{w.reading(run, 5, ago(8*time.Minute))}, Oldest: map[string]int64{run: 5}})
}

// A restore that cost nothing is no matter of concern.
func TestARestoreWithoutLoss(t *testing.T) {
	w := newWard(t)
	require.NoError(t, w.store.Close())
	w.store = nil
	_, err := backup.Restore(t.Context(), w.made.Path, w.in.Store, now.Add(-time.Minute))
	require.NoError(t, err)
	r := w.examine()
	require.Empty(t, r.Todo)
	require.Contains(t, lines(r.Fine), "restore: A backup of 2026-05-01T03:00:00Z was put back on 2026-05-01T09:59:00Z, and nothing")
}

// What a doctor looks at is not changed by it.
func TestExamineChangesNothing(t *testing.T) {
	w := newWard(t)
	require.NoError(t, w.store.Close())
	w.store = nil
	before, err := os.ReadFile(w.in.Store)
	require.NoError(t, err)
	w.examine()
	after, err := os.ReadFile(w.in.Store)
	require.NoError(t, err)
	require.Equal(t, before, after)
}

// The pages' certificate is read where they speak TLS.
func TestTheCertificateOfThePages(t *testing.T) {
	w := newWard(t)
	pages := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	t.Cleanup(pages.Close)
	w.in.Pages, w.in.TLS = strings.TrimPrefix(pages.URL, "https://"), true
	require.Contains(t, lines(w.examine().Fine), "The certificate that the pages show is good until 2084-")
	w.in.Now = time.Date(2084, 1, 20, 0, 0, 0, 0, time.UTC)
	require.Contains(t, lines(doctor.Examine(context.Background(), w.in).Todo), "The certificate that the pages show ends on 2084-01-29, in 9 days")
}

// Owners who were erased are named in what is older.
func TestErasures(t *testing.T) {
	w := newWard(t)
	require.NotContains(t, lines(w.examine().Fine), "erasing")
	w.store, _ = store.Open(t.Context(), w.in.Store)
	require.NoError(t, w.store.AddFacts(t.Context(), []fact.Fact{{Subject: fact.Subject{Kind: fact.KindOwner, ID: "ida"}, Name: fact.Name, Value: "Ida Example", From: fact.Always}}))
	_, err := w.store.Erase(t.Context(), record.Erasing{Owner: "ida", At: ago(2 * time.Hour), Author: "x", Plan: func(record.Known) (func(string) string, error) {
		return func(text string) string { return text }, nil
	}})
	require.NoError(t, err)
	require.NoError(t, w.store.NoteRestore(t.Context(), record.Restore{At: ago(3 * time.Hour), Made: ago(4 * time.Hour), Aside: w.in.Store}))
	r := w.examine()
	require.Contains(t, lines(r.Todo), "erasing: What was erased is not off the disk yet: erasure 1.")
	require.Contains(t, lines(r.Todo), "so that they may name the owner: "+w.made.Path+", "+w.in.Store+".")
	w.store, _ = store.Open(t.Context(), w.in.Store)
	_, err = w.store.Rewrite(t.Context(), ago(time.Hour))
	require.NoError(t, err)
	w.change("delete from restore_run; delete from restore")
	require.NoError(t, os.Remove(w.made.Path))
	r = w.examine()
	require.NotContains(t, lines(r.Todo), "erasing")
	require.Contains(t, lines(r.Fine), "erasing: Owners erased: 1. No backup from before is where it was made.")
}

// A token that a program uses ends after a year: that is told before.
func TestTokensEnd(t *testing.T) {
	w := newWard(t)
	ahead := func(d time.Duration) unit.Instant { return unit.At(now.Add(d)) }
	for name, ends := range map[string]unit.Instant{"shelf display": ahead(20 * 24 * time.Hour), "backup script": ago(24 * time.Hour), "new": ahead(300 * 24 * time.Hour), "never used": ahead(24 * time.Hour)} {
		require.NoError(t, w.store.AddToken(t.Context(), record.Token{Name: name, Role: record.Look, Author: "Ida", Made: ago(350 * 24 * time.Hour), Expires: ends}, []byte(name)))
		if name != "never used" {
			require.NoError(t, w.store.UseToken(t.Context(), []byte(name), ago(48*time.Hour)))
		}
	}
	var says []string
	for _, l := range doctor.Examine(t.Context(), w.in).Todo {
		if l.About == "tokens" {
			says = append(says, l.Says)
		}
	}
	require.Equal(t, []string{
		"The token backup script, which a program used on 2026-04-29T10:00:00Z, is good no more since 2026-04-30T10:00:00Z.",
		"The token shelf display, which a program used on 2026-04-29T10:00:00Z, is good until 2026-05-21T10:00:00Z.",
	}, says)
}
