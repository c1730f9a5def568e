package store

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// fleet makes messages as stations send them.
type fleet struct {
	stations, perMessage int
	clock                unit.Instant
	seq                  int64
}

type message struct {
	station string
	payload []byte
}

func stationName(i int) string { return fmt.Sprintf("st-%04d", i) }

func runName(i int) string { return fmt.Sprintf("%016x", i+1) }

// sixChannels is a reading as a station with six sensors makes it.
func sixChannels(station int, seq int64, t unit.Instant) reading.Reading {
	r := reading.Reading{Time: t, Run: runName(station), Seq: seq}
	k := float64((seq*7 + int64(station)*13) % 50)
	r.Set(reading.InsideTemp, (1142+k)/100)
	r.Set(reading.InsideRH, (8831+3*k)/100)
	r.Set(reading.BoardTemp, (1097+k)/100)
	r.Set(reading.OutsideTemp, (980-k)/100)
	r.Set(reading.OutsideRH, (9310-2*k)/100)
	r.Set(reading.LineCurrent, (11873+5*k)/1000)
	return r
}

// round returns the next message of each station.
func (f *fleet) round(tb testing.TB) []message {
	ms := make([]message, f.stations)
	for i := range ms {
		ms[i].station = stationName(i)
		for j := range f.perMessage {
			r := sixChannels(i, f.seq+int64(j)+1, f.clock.Add(time.Duration(j)*time.Minute))
			var err error
			ms[i].payload, err = reading.AppendLine(ms[i].payload, ms[i].station, &r, 0)
			require.NoError(tb, err)
		}
	}
	f.seq += int64(f.perMessage)
	f.clock = f.clock.Add(time.Duration(f.perMessage) * time.Minute)
	return ms
}

func decode(ms []message, now unit.Instant) []record.Arrival {
	as := make([]record.Arrival, len(ms))
	for i, m := range ms {
		as[i] = record.Arrival{Station: m.station, At: now, Batch: reading.Decode(m.station, m.payload, now)}
	}
	return as
}

var benchStart = unit.At(time.Date(2025, 11, 5, 0, 0, 0, 0, time.UTC))

// floor is the bare engine: one row for each reading, one transaction for each
// round, the same file settings.
type floor struct {
	db     *sql.DB
	insert *sql.Stmt
}

func openFloor(tb testing.TB, unique bool) *floor {
	db, err := openSQLite(filepath.Join(tb.TempDir(), "floor.db"), writerPragmas, 1)
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, db.Close()) })
	key := ""
	if unique {
		key = ", primary key (station, run, seq)"
	}
	_, err = db.ExecContext(tb.Context(), `create table r (station integer, run integer, seq integer, t integer,
		a real, b real, c real, d real, e real, f real`+key+`)`)
	require.NoError(tb, err)
	insert, err := db.PrepareContext(tb.Context(), `insert into r values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`)
	require.NoError(tb, err)
	return &floor{db: db, insert: insert}
}

func (f *floor) commit(ctx context.Context, as []record.Arrival) error {
	tx, err := f.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	insert := tx.StmtContext(ctx, f.insert)
	for i := range as {
		for j := range as[i].Batch.Readings {
			r := &as[i].Batch.Readings[j]
			v := func(c reading.Channel) float64 { x, _ := r.Get(c); return x }
			if _, err := insert.ExecContext(ctx, int64(i), int64(i), r.Seq, int64(r.Time),
				v(reading.InsideTemp), v(reading.InsideRH), v(reading.BoardTemp), v(reading.OutsideTemp), v(reading.OutsideRH), v(reading.LineCurrent)); err != nil {
				return err
			}
		}
	}
	return tx.Commit()
}

// BenchmarkCommit measures decoding and commit (a) of 4,000 readings, beside
// the same readings as bare rows without any key and with a unique key. The
// ratios are those of the time of both over all rounds.
func BenchmarkCommit(b *testing.B) {
	for _, shape := range []struct {
		name                 string
		stations, perMessage int
	}{{"1000x4", 1000, 4}, {"67x60", 67, 60}, {"4000x1", 4000, 1}} {
		b.Run(shape.name, func(b *testing.B) {
			ctx := context.Background()
			s := openBench(b, shape.stations)
			bare, keyed := openFloor(b, false), openFloor(b, true)
			f := &fleet{stations: shape.stations, perMessage: shape.perMessage, clock: benchStart}
			var ours, floorBare, floorKeyed time.Duration
			n := 0
			timed := func(total *time.Duration, do func() error) {
				start := time.Now()
				require.NoError(b, do())
				*total += time.Since(start)
			}
			for b.Loop() {
				b.StopTimer()
				ms := f.round(b)
				now := f.clock.Add(time.Hour)
				rows := decode(ms, now)
				// As a fold that keeps up does.
				require.NoError(b, s.inTx(ctx, func(t *tx) error { return t.exec(`delete from fold_mark`) }))
				timed(&floorBare, func() error { return bare.commit(ctx, rows) })
				timed(&floorKeyed, func() error { return keyed.commit(ctx, rows) })
				b.StartTimer()
				timed(&ours, func() error {
					_, err := s.Commit(ctx, decode(ms, now))
					return err
				})
				n += shape.stations * shape.perMessage
			}
			b.ReportMetric(ours.Seconds()*1e9/float64(n), "ns/reading")
			b.ReportMetric(floorBare.Seconds()*1e9/float64(n), "bare_ns/row")
			b.ReportMetric(floorKeyed.Seconds()*1e9/float64(n), "keyed_ns/row")
			b.ReportMetric(floorBare.Seconds()/ours.Seconds(), "x_bare")
			b.ReportMetric(floorKeyed.Seconds()/ours.Seconds(), "x_keyed")
		})
	}
}

func openBench(tb testing.TB, stations int) *Store {
	s, err := Open(context.Background(), filepath.Join(tb.TempDir(), "bench.db"))
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, s.Close()) })
	for i := range stations {
		enrol(tb, s, stationName(i))
	}
	return s
}

// BenchmarkReadings measures reading a week at one a minute back, sent one by
// one and sixty at a time.
func BenchmarkReadings(b *testing.B) {
	for _, per := range []int{1, 60} {
		b.Run(fmt.Sprintf("messages_of_%d", per), func(b *testing.B) {
			ctx := context.Background()
			s := openBench(b, 1)
			f := &fleet{stations: 1, perMessage: per, clock: benchStart}
			for range 7 * 1440 / per {
				one := decode(f.round(b), f.clock.Add(time.Hour))
				_, err := s.Commit(ctx, one)
				require.NoError(b, err)
			}
			for b.Loop() {
				rs, err := s.Readings(ctx, stationName(0), benchStart, f.clock)
				require.NoError(b, err)
				require.Len(b, rs, 7*1440)
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/1e3/float64(b.N), "ms/week")
		})
	}
}

func BenchmarkPack(b *testing.B) {
	rs := make([]reading.Reading, 60)
	ps := make([]*reading.Reading, len(rs))
	for i := range rs {
		rs[i] = sixChannels(1, int64(i)+1, benchStart.Add(time.Duration(i)*time.Minute))
		ps[i] = &rs[i]
	}
	body := pack(runName(1), ps)
	b.Run("pack", func(b *testing.B) {
		for b.Loop() {
			body = pack(runName(1), ps)
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(rs)), "ns/reading")
		b.ReportMetric(float64(len(body))/float64(len(rs)), "bytes/reading")
	})
	b.Run("unpack", func(b *testing.B) {
		var out []reading.Reading
		for b.Loop() {
			var err error
			out, err = unpack(out[:0], runName(1), body)
			require.NoError(b, err)
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(rs)), "ns/reading")
		require.True(b, slices.Equal(rs, out))
	})
}

// BenchmarkCommitFold measures replacing ten weeks of a ledger, and an hour.
func BenchmarkCommitFold(b *testing.B) {
	for _, n := range []int64{10 * 7 * 24, 1} {
		b.Run(fmt.Sprintf("hours_%d", n), func(b *testing.B) {
			s := openBench(b, 1)
			f := replace(stationName(0), 0, n)
			for i := range n {
				f.Hours = append(f.Hours, ledgerHour(i))
			}
			for b.Loop() {
				require.NoError(b, s.CommitFold(b.Context(), f))
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(int64(b.N)*n), "µs/hour")
		})
	}
}
