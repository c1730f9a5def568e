// Package speed measures what a collector does and takes, each figure beside its
// floor from the same run, and how that grows with the number of stations.
package speed

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"runtime/pprof"
	"strconv"
	"strings"
	"testing"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx"
	_ "modernc.org/sqlite"             // the driver "sqlite"

	"dewpost/collector/broker"
	"dewpost/collector/intake"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
)

// frontEnv makes of the test program a front; see shop.front. In the folder that
// profileEnv names each front leaves a profile of its processor time.
const (
	frontEnv   = "DEWPOST_SPEED_FRONT"
	profileEnv = "DEWPOST_SPEED_PROFILES"
)

func TestMain(m *testing.M) {
	if text := os.Getenv(frontEnv); text != "" {
		if err := runFront(text); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	code := m.Run()
	if startedServer {
		if s, err := server(); err == nil {
			_ = s.Stop() // it goes with the process, too
		}
	}
	if startedBuild {
		if path, err := built(); err == nil {
			_ = os.RemoveAll(filepath.Dir(path))
		}
	}
	os.Exit(code)
}

// sink is where readings go.
type sink interface {
	intake.Store
	count(ctx context.Context) (int, error)
	Close() error
}

type realSink struct{ *store.Store }

func (s realSink) count(ctx context.Context) (int, error) {
	c, err := s.Counts(ctx)
	return int(c.Stored), err
}

func runFront(text string) (err error) {
	ctx := context.Background()
	var cfg frontConfig
	if err := json.Unmarshal([]byte(text), &cfg); err != nil {
		return err
	}
	var to sink
	switch cfg.Sink {
	case "rows":
		to, err = openRows(ctx, cfg.Where)
	case "packed":
		to, err = openPacked(ctx, cfg.Where)
	default:
		var s *store.Store
		s, err = store.Open(ctx, cfg.Where)
		to = realSink{s}
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, to.Close()) }()
	if dir := os.Getenv(profileEnv); dir != "" {
		f, err := os.Create(filepath.Join(dir, fmt.Sprintf("%s-%t-%t-%d.cpu", cfg.Sink, store.IsURL(cfg.Where), cfg.Addr != "", os.Getpid())))
		if err != nil {
			return err
		}
		defer f.Close()
		if err := pprof.StartCPUProfile(f); err != nil {
			return err
		}
		defer pprof.StopCPUProfile()
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	in := intake.New(intake.Config{Store: to, Now: time.Now, Log: log})
	run, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- in.Run(run) }()
	var close func() error
	if cfg.Addr != "" {
		front, err := broker.Listen(broker.Config{
			Addr: cfg.Addr, Log: log,
			Authenticate: func(_ context.Context, station string, password []byte) (string, bool) {
				return "", string(password) == secretOf(station).Password()
			},
			Handle: func(context.Context, string, string, []byte) error { return nil },
			Take:   in.Take,
		})
		if err != nil {
			cancel()
			return err
		}
		in.SetPublisher(front)
		close = front.Close
	} else {
		x, err := intake.Connect(run, intake.BrokerConfig{URL: "tcp://" + cfg.Broker, User: "collector", Password: "of the test"}, in)
		if err != nil {
			cancel()
			return err
		}
		for end := time.Now().Add(patience); !x.Connected(); time.Sleep(5 * time.Millisecond) {
			if time.Now().After(end) {
				cancel()
				return errors.New("no connection to the broker")
			}
		}
		in.SetPublisher(x)
		close = func() error { x.Close(); return nil }
	}
	fmt.Println("ready")
	_, _ = io.Copy(io.Discard, bufio.NewReader(os.Stdin)) // until it is closed
	err = close()
	cancel()
	err = errors.Join(err, <-ended)
	n, countErr := to.count(ctx)
	fmt.Println(n)
	return errors.Join(err, countErr)
}

// engine is a connection to a bare engine, with the settings of the store.
type engine struct {
	db   *sql.DB
	conn *sql.Conn
	many bool // PostgreSQL takes arrays
}

func openEngine(ctx context.Context, where string) (e engine, err error) {
	e.many = store.IsURL(where)
	if e.many {
		e.db, err = sql.Open("pgx", where)
	} else {
		u := url.URL{Scheme: "file", Path: where, RawQuery: url.Values{"_pragma": {
			"journal_mode(WAL)", "synchronous(FULL)", "wal_autocheckpoint(8192)", "cache_size(-32768)",
		}}.Encode()}
		e.db, err = sql.Open("sqlite", u.String())
	}
	if err != nil {
		return e, err
	}
	e.conn, err = e.db.Conn(ctx)
	return e, err
}

func (e *engine) count(ctx context.Context, query string) (n int, err error) {
	err = e.conn.QueryRowContext(ctx, query).Scan(&n)
	return n, err
}

func (e *engine) close() error { return errors.Join(e.conn.Close(), e.db.Close()) }

// everybody answers for stations, of whom it knows nothing but that they are there.
type everybody struct{}

func (everybody) Station(_ context.Context, id string) (record.Station, error) {
	return record.Station{ID: id, Secret: secretOf(id)}, nil
}

func (everybody) Settled(context.Context, string, int) ([]record.Outcome, error) { return nil, nil }

// settledBy is what a sink answers that asks nothing: readings come in order here,
// so how far a run is settled is its last number.
func settledBy(a *record.Arrival) record.Outcome {
	o := record.Outcome{Station: a.Station}
	if rs := a.Batch.Readings; len(rs) > 0 {
		last := &rs[len(rs)-1]
		o.Runs = []record.RunState{{Run: last.Run, Upto: last.Seq}}
	}
	return o
}

func numberOf(station string) (int64, error) {
	return strconv.ParseInt(strings.TrimPrefix(station, "st-"), 10, 64)
}

// rows is the floor: a row for each reading, in one table whose key is the
// station, run and number, so that what comes again is known. The same engine,
// the same settings, all of a commit in one transaction.
type rows struct {
	engine
	everybody
	insert *sql.Stmt
}

const columns = `station, run, seq, t, inside_temp, inside_rh, board_temp, outside_temp, outside_rh, line_current`

func openRows(ctx context.Context, where string) (_ *rows, err error) {
	r := new(rows)
	if r.engine, err = openEngine(ctx, where); err != nil {
		return nil, err
	}
	whole, half := "integer", "real"
	if r.many {
		whole, half = "bigint", "double precision"
	}
	table := fmt.Sprintf(`create table r (station %[1]s, run %[1]s, seq %[1]s, t %[1]s, inside_temp %[2]s, inside_rh %[2]s,
		board_temp %[2]s, outside_temp %[2]s, outside_rh %[2]s, line_current %[2]s, primary key (station, run, seq))`, whole, half)
	if _, err := r.conn.ExecContext(ctx, table); err != nil {
		return nil, err
	}
	query := `insert into r (` + columns + `) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) on conflict do nothing`
	if r.many {
		query = `insert into r (` + columns + `) select * from unnest($1::bigint[], $2::bigint[], $3::bigint[], $4::bigint[],
			$5::float8[], $6::float8[], $7::float8[], $8::float8[], $9::float8[], $10::float8[]) on conflict do nothing`
	}
	r.insert, err = r.conn.PrepareContext(ctx, query)
	return r, err
}

var six = []reading.Channel{reading.InsideTemp, reading.InsideRH, reading.BoardTemp, reading.OutsideTemp, reading.OutsideRH, reading.LineCurrent}

// Commit inserts all readings.
func (r *rows) Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error) {
	outcomes := make([]record.Outcome, len(arrivals))
	tx, err := r.conn.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer func() { _ = tx.Rollback() }() // of one that is committed nothing
	insert := tx.StmtContext(ctx, r.insert)
	var whole [4][]int64
	var part [6][]float64
	for i := range arrivals {
		a := &arrivals[i]
		station, err := numberOf(a.Station)
		if err != nil {
			return nil, err
		}
		for j := range a.Batch.Readings {
			x := &a.Batch.Readings[j]
			run, err := strconv.ParseInt(x.Run, 16, 64)
			if err != nil {
				return nil, err
			}
			var v [6]float64
			for k, c := range six {
				v[k], _ = x.Get(c)
			}
			if r.many {
				for k, n := range []int64{station, run, x.Seq, int64(x.Time)} {
					whole[k] = append(whole[k], n)
				}
				for k, f := range v {
					part[k] = append(part[k], f)
				}
			} else if _, err := insert.ExecContext(ctx, station, run, x.Seq, int64(x.Time), v[0], v[1], v[2], v[3], v[4], v[5]); err != nil {
				return nil, err
			}
		}
		outcomes[i] = settledBy(a)
	}
	if r.many {
		if _, err := insert.ExecContext(ctx, whole[0], whole[1], whole[2], whole[3], part[0], part[1], part[2], part[3], part[4], part[5]); err != nil {
			return nil, err
		}
	}
	return outcomes, tx.Commit()
}

func (r *rows) count(ctx context.Context) (int, error) {
	return r.engine.count(ctx, `select count(*) from r`)
}

func (r *rows) Close() error { return errors.Join(r.insert.Close(), r.close()) }

// packed is the other floor: each message is packed, a blob and a row, all of a
// commit in one transaction, and nothing else. What comes again is stored again.
type packed struct {
	engine
	everybody
	insert *sql.Stmt
}

func openPacked(ctx context.Context, where string) (_ *packed, err error) {
	p := new(packed)
	if p.engine, err = openEngine(ctx, where); err != nil {
		return nil, err
	}
	table := `create table packed (id integer primary key, station integer, day integer, n integer, body blob)`
	query := `insert into packed (station, day, n, body) values (?, ?, ?, ?)`
	if p.many {
		table = `create table packed (id bigint generated always as identity primary key, station bigint, day bigint, n bigint, body bytea)`
		query = `insert into packed (station, day, n, body) select * from unnest($1::bigint[], $2::bigint[], $3::bigint[], $4::bytea[])`
	}
	if _, err := p.conn.ExecContext(ctx, table); err != nil {
		return nil, err
	}
	p.insert, err = p.conn.PrepareContext(ctx, query)
	return p, err
}

// Commit packs and inserts all messages.
func (p *packed) Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error) {
	outcomes := make([]record.Outcome, len(arrivals))
	tx, err := p.conn.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer func() { _ = tx.Rollback() }() // of one that is committed nothing
	insert := tx.StmtContext(ctx, p.insert)
	var whole [3][]int64
	var bodies [][]byte
	for i := range arrivals {
		a := &arrivals[i]
		station, err := numberOf(a.Station)
		if err != nil {
			return nil, err
		}
		n, body := int64(len(a.Batch.Readings)), barePack(a.Batch.Readings)
		day := int64(a.At) / int64(day)
		if !p.many {
			if _, err := insert.ExecContext(ctx, station, day, n, body); err != nil {
				return nil, err
			}
		} else {
			whole[0], whole[1], whole[2] = append(whole[0], station), append(whole[1], day), append(whole[2], n)
			bodies = append(bodies, body)
		}
		outcomes[i] = settledBy(a)
	}
	if p.many {
		if _, err := insert.ExecContext(ctx, whole[0], whole[1], whole[2], bodies); err != nil {
			return nil, err
		}
	}
	return outcomes, tx.Commit()
}

func (p *packed) count(ctx context.Context) (int, error) {
	return p.engine.count(ctx, `select coalesce(sum(n), 0) from packed`)
}

func (p *packed) Close() error { return errors.Join(p.insert.Close(), p.close()) }
