package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/equal"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

var errFault = errors.New("fault on purpose")

// manner is how a step fails.
type manner string

const (
	refuses manner = "and is not done"    // the one step
	lies    manner = "though it was done" // the one step
	dies    manner = "and all after it"   // as when a disk goes
	garbles manner = "by a row of other types"
	damages manner = "by a row with other bytes"
)

var manners = []manner{refuses, lies, dies, garbles, damages}

// faults decides which step of the engine fails.
type faults struct {
	mu     sync.Mutex
	k      int // the step; 0: none
	how    manner
	column int // that is damaged; -1: all
	n      int // steps so far
	fired  bool
}

// plan is that of all connections of the driver "sqlite-fault".
var plan faults

func (f *faults) arm(k int, how manner) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.k, f.how, f.n, f.fired = k, how, 0, false
}

func (f *faults) disarm() (fired bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.k = 0
	return f.fired
}

// step does one step of the engine, or not, and fails, or not.
func step[T any](do func() (T, error), undo func(T)) (T, error) {
	plan.mu.Lock()
	var hit, done bool
	if plan.k > 0 && plan.how != garbles && plan.how != damages {
		plan.n++
		hit = plan.n == plan.k || plan.how == dies && plan.n > plan.k
		done = plan.how == lies
		plan.fired = plan.fired || hit
	}
	plan.mu.Unlock()
	var zero T
	if hit && !done {
		return zero, errFault
	}
	v, err := do()
	if !hit {
		return v, err
	}
	if err == nil {
		undo(v)
	}
	return zero, errFault
}

func nothing[T any](T) {}

func stepErr(do func() error) error {
	_, err := step(func() (struct{}, error) { return struct{}{}, do() }, nothing)
	return err
}

func init() { sql.Register("sqlite-fault", &faultDriver{}) }

// faultDriver is the engine's driver with steps that can fail.
type faultDriver struct{}

func (faultDriver) Open(name string) (driver.Conn, error) {
	db, err := sql.Open("sqlite", name)
	if err != nil {
		return nil, err
	}
	inner := db.Driver()
	if err := db.Close(); err != nil {
		return nil, err
	}
	return step(func() (driver.Conn, error) {
		c, err := inner.Open(name)
		return &faultConn{c.(engineConn)}, err
	}, func(c driver.Conn) { _ = c.Close() })
}

// engineConn is what the engine's connections can do.
type engineConn interface {
	driver.Conn
	driver.ConnPrepareContext
	driver.ConnBeginTx
	driver.ExecerContext
	driver.QueryerContext
}

type faultConn struct{ engineConn }

// Close is never kept from happening.
func (c *faultConn) Close() error {
	err := c.engineConn.Close()
	return errors.Join(err, stepErr(func() error { return nil }))
}

func (c *faultConn) PrepareContext(ctx context.Context, query string) (driver.Stmt, error) {
	return step(func() (driver.Stmt, error) {
		s, err := c.engineConn.PrepareContext(ctx, query)
		if err != nil {
			return nil, err
		}
		return &faultStmt{s.(engineStmt)}, nil
	}, func(s driver.Stmt) { _ = s.Close() })
}

func (c *faultConn) BeginTx(ctx context.Context, o driver.TxOptions) (driver.Tx, error) {
	return step(func() (driver.Tx, error) {
		tx, err := c.engineConn.BeginTx(ctx, o)
		return &faultTx{tx}, err
	}, func(tx driver.Tx) { _ = tx.Rollback() })
}

func (c *faultConn) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	return step(func() (driver.Result, error) { return c.engineConn.ExecContext(ctx, query, args) }, nothing)
}

func (c *faultConn) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	return openRows(func() (driver.Rows, error) { return c.engineConn.QueryContext(ctx, query, args) })
}

type faultTx struct{ driver.Tx }

func (t *faultTx) Commit() error { return stepErr(t.Tx.Commit) }

// Rollback is never kept from happening: the library asks but once.
func (t *faultTx) Rollback() error {
	err := t.Tx.Rollback()
	return errors.Join(err, stepErr(func() error { return nil }))
}

type engineStmt interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

type faultStmt struct{ engineStmt }

func (s *faultStmt) ExecContext(ctx context.Context, args []driver.NamedValue) (driver.Result, error) {
	return step(func() (driver.Result, error) { return s.engineStmt.ExecContext(ctx, args) }, nothing)
}

func (s *faultStmt) QueryContext(ctx context.Context, args []driver.NamedValue) (driver.Rows, error) {
	return openRows(func() (driver.Rows, error) { return s.engineStmt.QueryContext(ctx, args) })
}

func openRows(open func() (driver.Rows, error)) (driver.Rows, error) {
	return step(func() (driver.Rows, error) {
		rows, err := open()
		return &faultRows{rows}, err
	}, func(rows driver.Rows) { _ = rows.Close() })
}

type faultRows struct{ driver.Rows }

func (r *faultRows) Next(dest []driver.Value) error {
	err := stepErr(func() error { return r.Rows.Next(dest) })
	if err == nil {
		plan.spoil(dest)
	}
	return err
}

// spoil puts other values into a row, if it is the one.
func (f *faults) spoil(row []driver.Value) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.k == 0 {
		return
	}
	var hit []int // columns
	for i, v := range row {
		_, text := v.(string)
		_, bytes := v.([]byte)
		if f.how == garbles || f.how == damages && (text || bytes) && (f.column < 0 || f.column == i) {
			hit = append(hit, i)
		}
	}
	if len(hit) == 0 {
		return
	}
	if f.n++; f.n != f.k {
		return
	}
	f.fired = true
	for _, i := range hit {
		if row[i] = driver.Value(complex(1, 0)); f.how == damages {
			row[i] = []byte("damage")
		}
	}
}

// withFaults lets stores of this test run on the driver that fails.
func withFaults(t *testing.T) {
	before := driverName
	driverName = "sqlite-fault"
	t.Cleanup(func() { driverName = before })
}

// forget closes prepared statements, so that each is prepared anew.
func (s *Store) forget(t *testing.T) {
	t.Helper()
	w := <-s.write
	defer func() { s.write <- w }()
	for _, st := range w.prepared {
		require.NoError(t, st.Close())
	}
	clear(w.prepared)
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, st := range s.prepared {
		require.NoError(t, st.Close())
	}
	clear(s.prepared)
}

// dump is all that a store holds.
func dump(t *testing.T, s *Store) string {
	t.Helper()
	var b strings.Builder
	var tables []string
	q := reader{t.Context(), s}
	require.NoError(t, each(q, `select name from sqlite_master where type = 'table' and name not like 'sqlite_%' and name not like 'goose_%' order by name`, nil,
		func(rows *sql.Rows) error {
			tables = append(tables, "")
			return rows.Scan(&tables[len(tables)-1])
		}))
	for _, table := range tables {
		require.NoError(t, each(q, `select * from `+table, nil, func(rows *sql.Rows) error {
			columns, err := rows.Columns()
			if err != nil {
				return err
			}
			values := make([]any, len(columns))
			ptrs := make([]any, len(columns))
			for i := range values {
				ptrs[i] = &values[i]
			}
			if err := rows.Scan(ptrs...); err != nil {
				return err
			}
			fmt.Fprintf(&b, "%s %v\n", table, values)
			return nil
		}))
	}
	return b.String()
}

// template makes a store with something of everything in it, and returns its
// file and the numbers of quarantine that a person may release.
func template(t *testing.T) (path string, waiting []int64) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "template.db")
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	enrol(t, s, "a")
	enrol(t, s, "b")
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{siteFact("lake", fact.Zone, fact.Always, "CET"), stationFact("a", fact.Site, fact.Always, "lake")}))
	past, ahead := keyed(runA, 20), keyed(runA, 21)
	past.Time, ahead.Time = 3, t0.Add(3*day)
	x := fullArrival()
	x.At = t0
	x.Batch.Refused = append(x.Batch.Refused, early(t0, past), early(t0, ahead))
	commit(t, s, x, seqs("b", runB, 1, 3), seqs("a", runA, 1500))
	late := unkeyed(3, 5)
	late.Time = t0.Add(4 * day)
	y := arrival("a")
	y.At, y.Batch.Refused = t0, []reading.Refusal{early(t0, late)}
	commit(t, s, y)
	require.NoError(t, s.CommitFold(t.Context(), fullFold(marks(t, s)[0])))
	keep(t, s, said("a", runA, 1, 1, t0))
	mill := func(kind, id, name, value string) fact.Fact {
		return fact.Fact{Subject: fact.Subject{Kind: kind, ID: id}, Name: name, From: fact.Always, Value: value, Author: "x"}
	}
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{
		mill(fact.KindOwner, "ida", fact.Name, "Mill"), mill(fact.KindSite, "lake", fact.Owner, "ida"), mill(fact.KindSite, "lake", fact.Access, "key"),
		mill(fact.KindStation, "a", fact.Spot, "by the Mill"), mill(fact.KindOwner, "otto", fact.Name, "Otto"),
		mill(fact.KindLine, "gate", fact.Site, "lake"), mill(fact.KindStation, "a", fact.Line, "gate"),
	}))
	require.NoError(t, s.Note(t.Context(), 5, "Mill", "sign in", "x"))
	require.NoError(t, direct(t.Context(), path, func(q *sql.Conn) error {
		_, err := q.ExecContext(t.Context(), `create table picture (id integer primary key, body blob)`)
		return err
	}))
	flagged := keyed(runB, 9)
	flagged.Flags = "Mill"
	held := arrival("b", flagged)
	flagged.Seq, flagged.Time = 10, t0.Add(5*day)
	held.At, held.Batch.Refused = t0, []reading.Refusal{early(t0, flagged)}
	commit(t, s, held)
	_, err = s.Erase(t.Context(), record.Erasing{Owner: "otto", At: 4, Author: "x", Plan: func(record.Known) (func(string) string, error) {
		return func(text string) string { return text }, nil
	}})
	require.NoError(t, err)
	require.NoError(t, s.BeginSecret(t.Context(), record.Station{ID: "b", Next: testSecret(t, "next")}, 5, "x"))
	people(t, s)
	weatherThere(t, s)
	for _, q := range quarantine(t, s, "a") {
		if q.Waits {
			waiting = append(waiting, q.ID)
		}
	}
	require.NotEmpty(t, waiting)
	require.NoError(t, s.Close())
	return path, waiting
}

func copyStore(t *testing.T, from string) string {
	t.Helper()
	body, err := os.ReadFile(from)
	require.NoError(t, err)
	to := filepath.Join(t.TempDir(), "store.db")
	require.NoError(t, os.WriteFile(to, body, 0o600))
	return to
}

// TestEveryStepFails lets the k-th step of each method fail, for every k: what
// fails says so and has changed nothing, or, where the commit itself failed,
// all; and the store goes on.
func TestEveryStepFails(t *testing.T) {
	from, waiting := template(t)
	withFaults(t)
	ctx := t.Context()
	moved := keyed(runA, 1500) // in a batch of another day
	moved.Time = t0.Add(5 * day)
	conflict := keyed(runA, 1)
	conflict.Set(reading.InsideTemp, -7)
	bad := arrival("a", unkeyed(1, 5), unkeyed(9, 5), conflict, moved, keyed(runB, 7))
	bad.At = t0
	bad.Batch.Refused = []reading.Refusal{
		refused(reading.ReasonMalformed, "bad", runA, 2), refused(reading.ReasonMalformed, "bad", runA, 9), refused(reading.ReasonMalformed, "x", "", 0),
	}
	bad.Batch.Oldest = map[string]int64{runA: 2}
	methods := map[string]func(*Store) error{
		"Commit": func(s *Store) error {
			stranger := seqs("nobody", runA, 1)
			stranger.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "x", runA, 2)}
			_, err := s.Commit(ctx, []record.Arrival{bad, seqs("b", runB, 3, 4, 5), stranger, stranger})
			return err
		},
		"Commit beyond bounds": func(s *Store) error {
			s.limits = limits{spans: 1, runs: 0, quarantined: 1 << 20, contents: 4}
			_, err := s.Commit(ctx, []record.Arrival{seqs("a", runA, 99), seqs("a", "00000000000000cc", 1)})
			return err
		},
		"Commit of oldest": func(s *Store) error {
			a := withOldest(arrival("a"), runA, 2)
			a.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "x", runA, 31)}
			_, err := s.Commit(ctx, []record.Arrival{a})
			return err
		},
		"Commit of refusals": func(s *Store) error {
			a := arrival("a")
			a.At = t0.Add(time.Hour)
			a.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "x", runA, 31), refused(reading.ReasonMalformed, "x", "", 0)}
			_, err := s.Commit(ctx, []record.Arrival{a})
			return err
		},
		"Commit without run": func(s *Store) error {
			_, err := s.Commit(ctx, []record.Arrival{arrival("a", unkeyed(7, 5))})
			return err
		},
		"PackDays":   func(s *Store) error { _, _, err := s.PackDays(ctx, t0.Add(30*day), "", 9); return err },
		"ReleaseDue": func(s *Store) error { _, err := s.ReleaseDue(ctx, t0.Add(9*day)); return err },
		"Release":    func(s *Store) error { return s.Release(ctx, waiting, t0, "Ida") },
		"KeepStates": func(s *Store) error {
			_, err := s.KeepStates(ctx, []record.State{said("a", runA, 2, 0, t0+5), said("b", runA, 2, 0, t0)})
			return err
		},
		"KeepStates gone": func(s *Store) error {
			_, err := s.KeepStates(ctx, []record.State{gone("a", runA, 1, t0+5)})
			return err
		},
		"CommitFold": func(s *Store) error {
			o := occurrence("b", finding.BoardWet, 1) // it is there, with one step
			o.Steps = 2
			f := replace("b", 0, 2, ledgerHour(0), ledgerHour(1))
			f.Mark = record.Mark{Station: "b", Version: 1 << 40}
			f.Occurrences, f.Events = []alarm.Occurrence{o}, []alarm.Event{event(o, 2, alarm.Unacknowledged, alarm.Acknowledged)}
			f.Outbox = []record.Message{note(o)}
			f.Box = boxFrom(18, 19)
			f.Box.Drop = []unit.Instant{t0}
			f.Nights = &record.Foretold{
				Drop: []unit.Instant{t0}, State: &record.OutlookState{At: t0, Due: t0, Body: []byte{1}},
				Told: []outlook.Told{foretold(0, outlook.Evening, 1)}, Outcomes: []outlook.Outcome{{Night: "2025-01-01"}},
			}
			f.Again = []record.Again{{Station: "a", From: t0}}
			return s.CommitFold(ctx, f)
		},
		"CommitFold of outdoors": func(s *Store) error {
			b := boxFrom(0, 19)
			b.Outdoors = []equal.Air{{Hour: t0.Add(5 * time.Hour).Floor(time.Hour), Temp: 5, RH: 80}}
			return s.CommitFold(ctx, record.Folded{Mark: record.Mark{Station: "b"}, Box: b})
		},
		"Recent":         func(s *Store) error { _, err := s.Recent(ctx, []string{"a", "b"}); return err },
		"OutlookState":   func(s *Store) error { _, err := s.OutlookState(ctx, "a", math.MaxInt64); return err },
		"Outlooks":       func(s *Store) error { _, err := s.Outlooks(ctx, "a", 0, math.MaxInt64, 9); return err },
		"OutlookResults": func(s *Store) error { _, err := s.OutlookResults(ctx, "a", outlook.Evening); return err },
		"OutlookScore":   func(s *Store) error { _, err := s.OutlookScore(ctx, outlook.Evening); return err },
		"AddForecast": func(s *Store) error {
			_, err := s.AddForecast(ctx, record.Forecast{Site: "lake", Issued: t0, Hours: []record.ForecastHour{{Time: t0}}}, t0, "x")
			return err
		},
		"Forecast":     func(s *Store) error { _, err := s.Forecast(ctx, "lake", t0, t0, math.MaxInt64); return err },
		"PutLooks":     func(s *Store) error { return s.PutLooks(ctx, "b", []life.Look{{Group: "coated", High: 1}}) },
		"Looks":        func(s *Store) error { _, err := s.Looks(ctx); return err },
		"Burst":        func(s *Store) error { _, err := s.Burst(ctx, "a"); return err },
		"Line":         func(s *Store) error { _, err := s.Line(ctx, "gate"); return err },
		"BoxRun":       func(s *Store) error { _, err := s.BoxRun(ctx, "a", math.MaxInt64); return err },
		"BoxStates":    func(s *Store) error { _, err := s.BoxStates(ctx, "a"); return err },
		"Breathing":    func(s *Store) error { _, err := s.Breathing(ctx, "a", "", "9", 9); return err },
		"BreathingNow": func(s *Store) error { _, _, err := s.BreathingNow(ctx, "b"); return err },
		"Outdoors":     func(s *Store) error { _, err := s.Outdoors(ctx, "b", math.MinInt64, math.MaxInt64); return err },
		"Neighbours": func(s *Store) error {
			_, err := s.Neighbours(ctx, "lake", math.MinInt64, math.MaxInt64)
			return err
		},
		"AddStation": func(s *Store) error {
			return s.AddStation(ctx, record.Station{ID: "c", Secret: testSecret(t, "c"), Enrolled: 1}, "x")
		},
		"BeginSecret": func(s *Store) error {
			st, err := s.Station(ctx, "a")
			if err != nil {
				return err
			}
			st.Next = testSecret(t, "z")
			return s.BeginSecret(ctx, st, 5, "x")
		},
		"Retire": func(s *Store) error { return s.Retire(ctx, "a", 5, "x") },
		"AddFacts": func(s *Store) error {
			return s.AddFacts(ctx, []fact.Fact{siteFact("lake", fact.Zone, t0, "EET"), stationFact("a", fact.MaxGap, fact.Always, "90m"), stationFact("a", fact.Installed, t0, "2025-11-01"), stationFact("b", fact.Site, fact.Always, "lake")})
		},
		"AddFacts to the books": func(s *Store) error {
			return s.AddFacts(ctx, append(someBooks(), about(fact.KindSensor, "h-2", fact.Station, t0, "a"),
				stationFact("b", fact.Line, t0.Add(day), "east"), stationFact("b", fact.Address, t0.Add(day), "8")))
		},
		"AddStation with facts": func(s *Store) error {
			return s.AddStation(ctx, record.Station{ID: "c", Secret: testSecret(t, "c"), Enrolled: 1}, "x", stationFact("c", fact.Site, t0, "lake"))
		},
		"FactsOf":  func(s *Store) error { _, err := s.FactsOf(ctx, fact.KindStation); return err },
		"UseRules": func(s *Store) error { return s.UseRules(ctx, 12345) },
		"MarkSent": func(s *Store) error {
			list, err := s.Unsent(ctx, 9)
			if err != nil {
				return err
			}
			return s.MarkSent(ctx, list[0].EventID, 7)
		},
		"Readings":        func(s *Store) error { _, err := s.Readings(ctx, "a", always, never); return err },
		"InstantBefore":   func(s *Store) error { _, _, err := s.InstantBefore(ctx, "a", t0.Add(day)); return err },
		"InstantAfter":    func(s *Store) error { _, _, err := s.InstantAfter(ctx, "a", t0.Add(-day)); return err },
		"InstantAfter in": func(s *Store) error { _, _, err := s.InstantAfter(ctx, "a", t0.Add(unitMinutes(1))); return err },
		"Span":            func(s *Store) error { _, _, _, err := s.Span(ctx, "a"); return err },
		"Latest":          func(s *Store) error { _, err := s.Latest(ctx); return err },
		"Hours":           func(s *Store) error { _, err := s.Hours(ctx, "a", always, never); return err },
		"Occurrences":     func(s *Store) error { _, err := s.Occurrences(ctx, "a"); return err },
		"Open occurrences": func(s *Store) error {
			_, err := s.OpenOccurrences(ctx)
			return err
		},
		"Events": func(s *Store) error { _, err := s.Events(ctx, "a", finding.BoardWet, 1); return err },
		"ChangeAlarms": func(s *Store) error {
			c := fullChange()
			c.Causes[0].Number = 17
			return s.ChangeAlarms(ctx, c)
		},
		"AlarmHolds":    func(s *Store) error { _, err := s.AlarmHolds(ctx, always); return err },
		"AlarmCauses":   func(s *Store) error { _, _, err := s.AlarmCauses(ctx); return err },
		"AlarmLimits":   func(s *Store) error { _, err := s.AlarmLimits(ctx); return err },
		"AlarmEvents":   func(s *Store) error { _, err := s.AlarmEvents(ctx, always, never); return err },
		"OccurrencesIn": func(s *Store) error { _, err := s.OccurrencesIn(ctx, always, never); return err },
		"MessagesIn":    func(s *Store) error { _, err := s.MessagesIn(ctx, always, never); return err },
		"Marks":         func(s *Store) error { _, err := s.Marks(ctx, 9); return err },
		"Stations":      func(s *Store) error { _, err := s.Stations(ctx); return err },
		"Station":       func(s *Store) error { _, err := s.Station(ctx, "a"); return err },
		"Facts": func(s *Store) error {
			_, err := s.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: "a"})
			return err
		},
		"Sites":  func(s *Store) error { _, err := s.Sites(ctx); return err },
		"Counts": func(s *Store) error { _, err := s.Counts(ctx); return err },
		"Erase": func(s *Store) error {
			_, err := s.Erase(ctx, record.Erasing{Owner: "ida", At: 5, Author: "x", Plan: func(record.Known) (func(string) string, error) {
				return func(text string) string { return strings.ReplaceAll(text, "Mill", "(erased)") }, nil
			}})
			return err
		},
		"Erasures": func(s *Store) error { _, err := s.Erasures(ctx); return err },
		"Rewrite":  func(s *Store) error { _, err := s.Rewrite(ctx, 7); return err },
		"Import": func(s *Store) error {
			return s.Import(ctx, []record.Station{{ID: "c", Secret: testSecret(t, "c"), Enrolled: 1}}, []fact.Fact{stationFact("c", fact.Site, t0, "lake")}, "x", false)
		},
		"Tables": func(s *Store) error { _, err := s.Tables(ctx); return err },
		"Rows": func(s *Store) error {
			return s.Rows(ctx, "facts", record.Want{To: never}, func([]any) error { return nil })
		},
		"Custody": func(s *Store) error { _, err := s.Custody(ctx); return err },
		"Settled": func(s *Store) error { _, err := s.Settled(ctx, "", 9); return err },
		"Quarantine": func(s *Store) error {
			_, err := s.Quarantine(ctx, record.QuarantineQuery{Station: "a", Limit: 9})
			return err
		},
		"Refused": func(s *Store) error { _, err := s.Refused(ctx, waiting[0]); return err },
	}
	maps.Copy(methods, doorSteps(t, ctx))
	maps.Copy(methods, importSteps(ctx))
	maps.Copy(methods, backupSteps(t, ctx, more(t, from)))
	for name, method := range methods {
		t.Run(name, func(t *testing.T) {
			s, err := Open(ctx, copyStore(t, from))
			require.NoError(t, err)
			defer func() { require.NoError(t, s.Close()) }()
			before := dump(t, s)
			require.NoError(t, method(s))
			after := dump(t, s)
			plan.column = -1
			for _, how := range manners {
				everyStepFails(t, from, how, before, after, method)
			}
			if name != "Stations" && !strings.HasPrefix(name, "Commit") && !strings.HasPrefix(name, "Release") {
				return
			}
			for plan.column = range 3 {
				everyStepFails(t, from, damages, before, after, method)
			}
		})
	}
}

// stepStride is 1: every step, but of methods with hundreds, which would take
// minutes, each step beyond firstSteps fails in one manner at most.
var stepStride = 1

const firstSteps = 100

func everyStepFails(t *testing.T, from string, how manner, before, after string, method func(*Store) error) {
	t.Helper()
	var s *Store
	var watch *sql.Conn
	shut := func() {
		if s != nil {
			require.NoError(t, watch.Close())
			require.NoError(t, s.Close())
		}
	}
	defer func() { shut() }()
	reopen := func() {
		shut()
		var err error
		s, err = Open(t.Context(), copyStore(t, from))
		require.NoError(t, err)
		watch, err = s.read.Conn(t.Context())
		require.NoError(t, err)
	}
	// version changes with every commit that another connection makes.
	version := func() (n int64) {
		require.NoError(t, watch.QueryRowContext(t.Context(), `pragma data_version`).Scan(&n))
		return n
	}
	reopen()
	was := version()
	next := func(k int) int {
		if k += stepStride; k > firstSteps {
			for k%len(manners) != slices.Index(manners, how) {
				k++
			}
		}
		return k
	}
	for k := 1; ; k = next(k) {
		s.forget(t)
		plan.arm(k, how)
		err := method(s)
		if !plan.disarm() {
			require.NoError(t, err)
			require.Equal(t, after, dump(t, s))
			require.True(t, k > 1 || how == damages || how == garbles, "control: there are steps")
			return
		}
		is := before
		if now := version(); now != was {
			is, was = dump(t, s), now
		}
		if how == garbles || how == damages {
			// Text may be any; what has an end in it, or a check, is found.
			if is != before {
				require.NoError(t, err, "step %d fails %s", k, how)
				reopen()
				was = version()
			}
			continue
		}
		require.ErrorIs(t, err, errFault, "step %d fails %s", k, how)
		if is == after && after != before {
			require.Equal(t, lies, how, "step %d failed and its effect is there", k)
			reopen()
			was = version()
			continue
		}
		require.Equal(t, before, is, "step %d fails %s", k, how)
	}
}

// TestEveryStepOfOpenFails does the same to Open, of a store that is there and
// of one that is made.
func TestEveryStepOfOpenFails(t *testing.T) {
	from, _ := template(t)
	withFaults(t)
	for name, c := range map[string]struct {
		where  func() string
		stride int // of many steps not every one
	}{
		"there": {func() string { return copyStore(t, from) }, 1},
		"new":   {func() string { return filepath.Join(t.TempDir(), "new.db") }, 3},
	} {
		t.Run(name, func(t *testing.T) {
			path := c.where()
			for k := 1; ; k += c.stride * stepStride {
				plan.arm(k, refuses)
				s, err := Open(t.Context(), path)
				if fired := plan.disarm(); err == nil {
					require.NoError(t, s.Close())
					if !fired { // goose may close what it has done with, and not ask how that went
						require.Greater(t, k, 10, "control")
						return
					}
					path = c.where()
					continue
				}
				// goose tries a step again, and may tell of that one only.
			}
		})
	}
}

// After a rollback that failed the next commit takes another connection; when
// there is none, the one after it does.
func TestConnectionsAreRenewed(t *testing.T) {
	from, _ := template(t)
	withFaults(t)
	s, err := Open(t.Context(), copyStore(t, from))
	require.NoError(t, err)
	before := dump(t, s)
	retire := func() error { return s.Retire(t.Context(), "a", 5, "x") }
	plan.arm(3, dies) // begin, update, and no rollback
	require.ErrorIs(t, retire(), errFault)
	plan.arm(1, dies)
	require.ErrorContains(t, retire(), "take another connection")
	require.True(t, plan.disarm())
	require.Equal(t, before, dump(t, s))
	require.NoError(t, retire())
	plan.arm(1, refuses)
	require.ErrorContains(t, s.Close(), "close store")
	require.True(t, plan.disarm())
}
