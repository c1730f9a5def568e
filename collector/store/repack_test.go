package store

import (
	"database/sql"
	"encoding/binary"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func init() {
	also("ClosedDays", testClosedDays)
	also("LateIntoAClosedDay", testLateIntoAClosedDay)
	also("DaysOfManyReadings", testDaysOfManyReadings)
	also("PackingMeetsACommit", testPackingMeetsACommit)
}

// sent commits readings in messages of that many.
func sent(t *testing.T, s storage, station string, rs []reading.Reading, per int) {
	t.Helper()
	for part := range slices.Chunk(rs, per) {
		a := arrival(station, part...)
		a.At = part[len(part)-1].Time
		commit(t, s, a)
	}
}

// holds tells whether these are all the station's readings.
func holds(t *testing.T, s storage, station string, want []reading.Reading) {
	t.Helper()
	got, err := s.Readings(t.Context(), station, always, never)
	require.NoError(t, err)
	want = slices.SortedStableFunc(slices.Values(want), byTime)
	require.Len(t, got, len(want))
	require.True(t, slices.EqualFunc(got, want, identical))
}

func packDays(t *testing.T, s storage, closed unit.Instant) record.Packed {
	t.Helper()
	var all record.Packed
	for last := " "; last != ""; { // a station at a time
		var p record.Packed
		var err error
		p, last, err = s.PackDays(t.Context(), closed, last, 1)
		require.NoError(t, err)
		all.Add(p)
	}
	return all
}

// Three days sent by hundreds: those that are closed become small, say the same
// as before, and are left alone from then on.
func testClosedDays(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	rs := simulatedDays(3)
	sent(t, s, "a", rs, 100)
	two := benchStart.Add(2 * day)
	done := packDays(t, s, two.Add(23*time.Hour))
	require.Equal(t, int64(2), done.Days)
	require.Equal(t, int64(2*1440), done.Readings)
	require.Less(t, done.After, int64(8*2*1440))
	require.Less(t, 2*done.After, done.Before)
	holds(t, s, "a", rs)
	require.Zero(t, packDays(t, s, two))

	at, ok, err := s.InstantBefore(t.Context(), "a", benchStart.Add(time.Hour))
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, benchStart.Add(59*time.Minute), at)

	sent(t, s, "a", rs[500:600], 50) // again: they are known
	again := rs[7]
	again.Set(reading.InsideTemp, 40)
	o := commit(t, s, arrival("a", again))
	require.Equal(t, 1, o[0].Conflicts)
	holds(t, s, "a", rs)
}

// Readings that come late into a closed day join it.
func testLateIntoAClosedDay(t *testing.T, e engine) {
	s := e.new(t, "a")
	rs := simulatedDays(2)
	var late, punctual []reading.Reading
	for i, r := range rs {
		if i > 600 && i < 700 || i%97 == 5 {
			late = append(late, r)
		} else {
			punctual = append(punctual, r)
		}
	}
	end := benchStart.Add(2 * day)
	sent(t, s, "a", punctual, 7)
	require.Equal(t, int64(len(punctual)), packDays(t, s, end).Readings)
	sent(t, s, "a", late, 3)
	holds(t, s, "a", rs)
	require.Equal(t, int64(len(rs)), packDays(t, s, end).Readings)
	holds(t, s, "a", rs)
	require.Zero(t, packDays(t, s, end))
	sent(t, s, "a", rs, 1000)
	holds(t, s, "a", rs)
	require.Zero(t, packDays(t, s, end))
}

// A day may hold more than a chunk does, of more runs than one, without run too.
func testDaysOfManyReadings(t *testing.T, e engine) {
	s := e.new(t, "a")
	var rs []reading.Reading
	for i := range int64(3 * maxChunk / 2) {
		r := sixChannels(1, i+1, benchStart.Add(time.Duration(i)*5*time.Second))
		rs = append(rs, r)
		if i < 3 {
			r.Run = runName(2)
			rs = append(rs, r)
		}
		if i%1000 == 0 {
			r.Run, r.Seq = "", 0
			rs = append(rs, r)
		}
	}
	slices.SortStableFunc(rs, byTime)
	sent(t, s, "a", rs, 900)
	done := packDays(t, s, benchStart.Add(day))
	require.Equal(t, int64(1), done.Days)
	holds(t, s, "a", rs)
	require.Zero(t, packDays(t, s, benchStart.Add(day)))

	one := sixChannels(1, 100_000, benchStart.Add(23*time.Hour))
	sent(t, s, "a", []reading.Reading{one}, 1)
	require.Equal(t, int64(3*maxChunk/2+1), packDays(t, s, benchStart.Add(day)).Readings)
	holds(t, s, "a", append(rs, one))
}

// What comes between the reading of a day and its replacement is not lost: the
// day waits for the next time.
func testPackingMeetsACommit(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	st := s.(*Store)
	rs := simulatedDays(1)
	end := benchStart.Add(day)
	for _, station := range []string{"a", "b"} {
		sent(t, s, station, rs[:1000], 100)
	}
	p := newPacker(t.Context(), st, end)
	stations, err := p.stations("", 9)
	require.NoError(t, err)
	for _, station := range stations {
		require.NoError(t, p.station(station))
	}
	sent(t, s, "a", rs[1000:1001], 1) // grows into no batch
	sent(t, s, "a", rs[1001:], 100)
	require.NoError(t, p.flush())
	require.Equal(t, int64(1), p.done.Changed)
	require.Equal(t, int64(1000), p.done.Readings)
	holds(t, s, "a", rs)
	holds(t, s, "b", rs[:1000])
	require.Equal(t, int64(1440), packDays(t, s, end).Readings)
	holds(t, s, "a", rs)
}

// A station's day that changed is looked at again, also where a later
// transaction takes the others of its days.
func TestChangedDayIsLookedAtAgain(t *testing.T) {
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	enrol(t, s, "a")
	rs := simulatedDays(3)
	end := benchStart.Add(3 * day)
	first := slices.Concat(rs[:1000], rs[1440:])
	sent(t, s, "a", first, 100)
	p := newPacker(t.Context(), s, end)
	p.atOnce = 1 // a transaction for each day
	c, err := p.day(1, dayOf(benchStart))
	require.NoError(t, err)
	p.days = append(p.days, c)
	sent(t, s, "a", rs[1000:1440], 100)
	require.NoError(t, p.flush())
	require.Equal(t, record.Packed{Changed: 1}, p.done)
	require.NoError(t, p.station(station{id: 1, name: "a"}))
	require.NoError(t, p.flush())
	require.Equal(t, int64(3), p.done.Days)
	holds(t, s, "a", rs)
	require.Equal(t, record.Packed{}, packDays(t, s, end), "packed though it was not marked")
	marks := 0
	require.NoError(t, each(reader{t.Context(), s}, `select count(*) from pack_mark`, nil, func(rows *sql.Rows) error { return rows.Scan(&marks) }))
	require.Equal(t, 1, marks)
}

// TestEveryStepOfPacking lets each step fail: all of the readings are there
// after each, and the last ones are as small as they get.
func TestEveryStepOfPacking(t *testing.T) {
	path := filepath.Join(t.TempDir(), "template.db")
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	rs := simulatedDays(1)[:300]
	for _, id := range []string{"a", "b"} {
		enrol(t, s, id)
		sent(t, s, id, rs, 100)
		sent(t, s, id, []reading.Reading{unkeyed(1, 1)}, 1)
	}
	require.NoError(t, s.Close())
	withFaults(t)
	pack := func(s *Store) error {
		_, _, err := s.PackDays(t.Context(), benchStart.Add(day), "", 9)
		return err
	}
	s, err = Open(t.Context(), copyStore(t, path))
	require.NoError(t, err)
	before := dump(t, s)
	require.NoError(t, pack(s))
	after := dump(t, s)
	require.NotEqual(t, before, after)
	holds(t, s, "a", append([]reading.Reading{unkeyed(1, 1)}, rs...))
	require.NoError(t, s.Close())
	plan.column = -1
	for _, how := range manners {
		everyStepFails(t, path, how, before, after, pack)
	}
}

// Columns that contradict each other are damage, whatever the checksum says.
func TestColumnsThatDoNotFit(t *testing.T) {
	number := func(list ...uint64) []byte {
		var b []byte
		for _, n := range list {
			b = binary.AppendUvarint(b, n)
		}
		return b
	}
	ten := make([]byte, 8)
	good := [][]byte{number(2, 1), number(0, 0), number(2, 2), number(2, 0), nil, nil, number(20, 0)}
	body := func(columns [][]byte) []byte {
		w := chunkWriter{b: []byte{chunkVersion}}
		for _, c := range columns {
			w.column(c)
		}
		return seal(w.b)
	}
	got, err := unpack(nil, "r", body(good))
	require.NoError(t, err)
	require.Len(t, got, 2)
	for name, change := range map[string]struct {
		column int
		bytes  []byte
	}{
		"too many readings":    {0, number(maxChunk+1, 1)},
		"channel that isn't":   {0, number(2, 1<<reading.NumChannels)},
		"empty head":           {0, nil},
		"short times":          {1, number(0)},
		"long times":           {1, number(0, 0, 0)},
		"short seqs":           {2, nil},
		"channel of no column": {3, number(6, 0)},
		"flags of nobody":      {4, append(number(2, 1), 'x')},
		"flags backwards":      {4, append(append(number(1, 1), 'x'), append(number(0, 1), 'y')...)},
		"flags cut off":        {4, number(0, 9)},
		"few values":           {6, number(20)},
		"raw of nobody":        {5, append(number(2), ten...)},
		"raw cut off":          {5, number(0, 1)},
		"raw twice":            {5, slices.Concat(number(0), ten, number(0), ten)},
	} {
		columns := slices.Clone(good)
		columns[change.column] = change.bytes
		got, err := unpack([]reading.Reading{{Flags: "before"}}, "r", body(columns))
		require.ErrorIs(t, err, errPacked, name)
		require.Equal(t, "before", got[0].Flags)
	}
	_, err = unpack(nil, "r", body(good[:6]))
	require.Error(t, err, "a column is missing")
	_, err = unpack(nil, "r", body(append(slices.Clone(good), nil)))
	require.Error(t, err, "a column too many")
}

// BenchmarkYear measures packing a year at one a minute, and reading it back as a
// chart does; the floor is the same year in batches of sixty. The simulated box
// has the noise of its sensors.
func BenchmarkYear(b *testing.B) {
	const days = 365
	s := openBench(b, 1)
	rs := simulatedDays(days)
	for part := range slices.Chunk(rs, 60) {
		a := arrival(stationName(0), part...)
		a.At = part[len(part)-1].Time
		_, err := s.Commit(b.Context(), []record.Arrival{a})
		require.NoError(b, err)
	}
	end := benchStart.Add(days * day)
	read := func() float64 {
		start := time.Now()
		got, err := s.Readings(b.Context(), stationName(0), benchStart, end)
		require.NoError(b, err)
		require.Len(b, got, len(rs))
		return time.Since(start).Seconds()
	}
	floor := min(read(), read(), read())
	start := time.Now()
	done, _, err := s.PackDays(b.Context(), end, "", 1)
	require.NoError(b, err)
	packing := time.Since(start).Seconds()
	require.Equal(b, int64(len(rs)), done.Readings)
	ours := 0.0
	for b.Loop() {
		ours += read()
	}
	n := float64(len(rs))
	b.ReportMetric(ours/float64(b.N)*1e3, "ms/year")
	b.ReportMetric(ours/float64(b.N)/floor, "x_batches")
	b.ReportMetric(packing*1e9/n, "pack_ns/reading")
	b.ReportMetric(float64(done.After)/n, "bytes/reading")
	b.ReportMetric(float64(done.Before)/n, "batch_bytes/reading")
}
