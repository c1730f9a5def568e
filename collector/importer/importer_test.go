package importer_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/assess"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

const lake = "lake-07"

var (
	begin = time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)
	now   = unit.At(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
)

// shop is a store with a station and a site, and what folds it.
type shop struct {
	*store.Store
	path string
}

func newShop(t testing.TB) *shop {
	t.Helper()
	path := blank.Store(t)
	s, err := store.Open(context.Background(), path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	b := &shop{s, path}
	b.enrol(t, lake)
	b.say(t, fact.Fact{Subject: fact.Subject{Kind: fact.KindSite, ID: "lake"}, Name: fact.Salt, Value: "none"})
	return b
}

func (b *shop) enrol(t testing.TB, id string) {
	t.Helper()
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(t, err)
	require.NoError(t, b.AddStation(context.Background(), record.Station{ID: id, Secret: secret, Enrolled: 1}, "test"))
}

func (b *shop) say(t testing.TB, f fact.Fact) {
	t.Helper()
	f.From, f.Author, f.Recorded = fact.Always, "test", 1
	require.NoError(t, b.AddFacts(context.Background(), []fact.Fact{f}))
}

func (b *shop) maxGap(t testing.TB, value string) {
	b.say(t, fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: lake}, Name: fact.MaxGap, Value: value})
}

// fold does what a collector does when it starts, wakes or looks.
func (b *shop) fold(t testing.TB) {
	t.Helper()
	f := fold.New(fold.Config{Store: b, Now: now.Time, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, f.All(context.Background()))
}

func (b *shop) ledger(t testing.TB, id string) []exposure.Hour {
	t.Helper()
	hours, err := b.Hours(context.Background(), id, math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	return hours
}

// all is everything that an import could have changed, as text.
func (b *shop) all(t testing.TB) string {
	t.Helper()
	ctx := context.Background()
	counts, err := b.Counts(ctx)
	require.NoError(t, err)
	facts, err := b.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: lake})
	require.NoError(t, err)
	marks, err := b.Marks(ctx, 9)
	require.NoError(t, err)
	held, err := b.Quarantine(ctx, record.QuarantineQuery{Limit: 999})
	require.NoError(t, err)
	deeds, _, err := b.Audit(ctx, record.DeedPlace{}, 999)
	require.NoError(t, err)
	weather, err := b.Weather(ctx, "lake", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	return fmt.Sprint(counts, facts, marks, len(held), deeds, weather, b.ledger(t, lake))
}

func logOf(text string) importer.Log {
	return importer.Log{From: strings.NewReader(text), Options: logfile.Options{Name: "log.csv"}, At: now, Author: "Ida"}
}

func (b *shop) take(t testing.TB, text string) importer.Readings {
	t.Helper()
	got, err := importer.ImportReadings(context.Background(), b, lake, logOf(text))
	require.NoError(t, err)
	require.Equal(t, got.Rows, got.Stored+got.Repeated+got.Ahead)
	return got
}

// rows are lines of a log: n at step, with what real ones have: gaps, blanks,
// lines that stand twice, values out of range, a second value for an instant.
func rows(seed uint64, n int, step time.Duration) []string {
	r := rand.New(rand.NewPCG(seed, 1))
	var lines []string
	at := begin
	for i := range n {
		at = at.Add(step)
		if r.IntN(200) == 0 {
			at = at.Add(time.Duration(r.IntN(40)) * step)
		}
		phase := float64(i) * step.Hours() / 24 * 2 * math.Pi
		temp := 6 + 7*math.Sin(phase) + r.Float64()
		rh := fmt.Sprintf("%.2f", 88-14*math.Sin(phase)+3*r.Float64())
		switch r.IntN(150) {
		case 0:
			rh = ""
		case 1:
			rh = "130"
		case 2:
			rh = "NaN"
		}
		line := fmt.Sprintf("%s,%.2f,%s,%.2f", at.Format(time.RFC3339), temp, rh, temp-2*r.Float64())
		lines = append(lines, line)
		switch r.IntN(100) {
		case 0:
			lines = append(lines, line)
		case 1:
			lines = append(lines, fmt.Sprintf("%s,%.2f,%s,", at.Format(time.RFC3339), temp+0.5, rh))
		}
	}
	return lines
}

func table(lines []string) string {
	return "time,inside_temp_c,inside_rh_pct,board_temp_c\n" + strings.Join(lines, "\n") + "\n"
}

// assessed is the ledger that assess gives a log.
func assessed(t testing.TB, text string, columns map[string]string) (assess.Assessment, *logfile.Log) {
	t.Helper()
	var blocks [][]reading.Reading
	log, err := logfile.Read(strings.NewReader(text), logfile.Options{Name: "log.csv", Map: columns}, func(b []reading.Reading) error {
		blocks = append(blocks, b)
		return nil
	})
	require.NoError(t, err)
	return assess.Stream(slices.Values(blocks), assess.Options{}), log
}

func requireSameLedger(t testing.TB, want, got []exposure.Hour) {
	t.Helper()
	require.Len(t, got, len(want))
	for i := range want {
		require.Equal(t, string(exposure.AppendHourly(nil, &want[i])), string(exposure.AppendHourly(nil, &got[i])))
		require.Equal(t, fmt.Sprintf("%+v", want[i]), fmt.Sprintf("%+v", got[i]), "what the hourly table leaves out, too")
	}
}

// After an import, whatever the order of the lines, the ledger is that of
// assess digit for digit, with the longest step that assess took; importing
// again changes nothing.
func TestLedgerIsThatOfAssess(t *testing.T) {
	reversed := rows(4, 5000, 10*time.Minute)
	slices.Reverse(reversed)
	shuffled := rows(5, 5000, 10*time.Minute)
	rand.New(rand.NewPCG(5, 5)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	for name, lines := range map[string][]string{
		"every minute": rows(1, 9000, time.Minute), "every hour": rows(2, 2000, time.Hour), "every three hours": rows(3, 800, 3*time.Hour),
		"newest first": reversed, "shuffled": shuffled, "one": rows(6, 1, time.Minute), "two": rows(7, 2, time.Hour),
	} {
		t.Run(name, func(t *testing.T) {
			b := newShop(t)
			text := table(lines)
			a, log := assessed(t, text, nil)
			got := b.take(t, text)
			require.Equal(t, len(lines), got.Rows)
			require.Equal(t, *a.From, *got.From)
			require.Equal(t, *a.To, *got.To)
			require.Equal(t, a.MaxGap.Seconds(), got.MaxGap.LogS)
			require.Equal(t, a.MaxGap.Seconds(), got.MaxGap.StationS)
			require.Equal(t, a.MaxGap != exposure.DefaultMaxGap, got.MaxGap.Recorded)
			if n := log.Refused[reading.InsideRH]; n > 0 {
				require.Equal(t, map[string]int{"inside_rh_pct": n}, got.RefusedValues)
			}
			b.fold(t)
			requireSameLedger(t, a.Ledger, b.ledger(t, lake))

			again := b.take(t, text)
			require.Zero(t, again.Stored)
			require.Equal(t, got.Rows, again.Repeated)
			require.False(t, again.MaxGap.Recorded)
			marks, err := b.Marks(t.Context(), 1)
			require.NoError(t, err)
			require.Empty(t, marks, "nothing to fold")
			requireSameLedger(t, a.Ledger, b.ledger(t, lake))
		})
	}
}

// Real series: the coast of the North Sea in 2015 (KNMI, station 235, CC BY
// 4.0), a bay in 2023 (nycflights23, CC0) and an attic (TRH-database, CC BY
// 4.0), as if they were a station's.
func TestLedgerOfRealSeriesIsThatOfAssess(t *testing.T) {
	for name, columns := range map[string]map[string]string{
		"coast_nl_2015":             {"time_utc": "time", "temp_c": "inside_temp_c", "rh_pct": "inside_rh_pct", "dewpoint_c": "", "pressure_hpa": "", "wind_ms": "", "cloud": "", "rain_mm": "", "fog": ""},
		"coast_us_2023":             {"time_utc": "time", "temp_c": "inside_temp_c", "rh_pct": "inside_rh_pct", "dewpoint_c": "", "pressure_hpa": "", "wind_ms": "", "cloud": ""},
		"paired_attic_fi_2010_2012": {"surface_temp_c": "board_temp_c", "surface_rh_pct": ""},
	} {
		t.Run(name, func(t *testing.T) {
			text := shared(t, name)
			a, _ := assessed(t, text, columns)
			b := newShop(t)
			log := logOf(text)
			log.Options.Map = columns
			got, err := importer.ImportReadings(t.Context(), b, lake, log)
			require.NoError(t, err)
			require.Equal(t, a.Readings, got.Stored-a.Merged)
			require.True(t, got.MaxGap.Recorded)
			b.fold(t)
			requireSameLedger(t, a.Ledger, b.ledger(t, lake))
		})
	}
}

// shared reads one of the real series beside the project, which are not part
// of it.
func shared(t *testing.T, name string) string {
	t.Helper()
	f, err := os.Open("../../../shared/data/" + name + ".csv.gz")
	if err != nil {
		t.Skipf("without the real series: %v", err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	b, err := io.ReadAll(z)
	require.NoError(t, err)
	return string(b)
}

// failing is a store whose n-th commit fails, done or not, as when the process
// is killed.
type failing struct {
	*shop
	left int
	done bool
}

var errKilled = errors.New("killed")

func (f *failing) Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error) {
	if f.left--; f.left > 0 {
		return f.shop.Commit(ctx, arrivals)
	}
	if f.done {
		if _, err := f.shop.Commit(ctx, arrivals); err != nil {
			return nil, err
		}
	}
	return nil, errKilled
}

func TestCutOffIsCompleted(t *testing.T) {
	text := table(rows(8, 14000, 5*time.Minute))
	a, _ := assessed(t, text, nil)
	for n := 1; n <= 4; n++ {
		for _, done := range []bool{false, true} {
			b := newShop(t)
			_, err := importer.ImportReadings(t.Context(), &failing{b, n, done}, lake, logOf(text))
			require.ErrorIs(t, err, errKilled)
			b.fold(t) // a collector may fold what is there
			got := b.take(t, text)
			require.Positive(t, got.Stored+got.Repeated)
			if n > 1 {
				require.GreaterOrEqual(t, got.Repeated, (n-1)*4096)
			}
			b.fold(t)
			requireSameLedger(t, a.Ledger, b.ledger(t, lake))
		}
	}
	b := newShop(t)
	ctx, stop := context.WithCancel(t.Context())
	log := logOf(text)
	log.Options.Progress = func(int64) { stop() }
	_, err := importer.ImportReadings(ctx, b, lake, log)
	require.ErrorIs(t, err, context.Canceled)
	require.Equal(t, len(b.take(t, text).Ignored), 0)
}

// What the station sent over the network and its log say of one instant merges
// by the rule for one instant: run and seq win, then the smaller number.
func TestOverlapWithTheWireMerges(t *testing.T) {
	b := newShop(t)
	b.maxGap(t, "1h")
	lines := rows(9, 600, 10*time.Minute)
	var sent, logged []reading.Reading
	_, err := logfile.Read(strings.NewReader(table(lines)), logfile.Options{}, func(rs []reading.Reading) error {
		logged = append(logged, rs...)
		return nil
	})
	require.NoError(t, err)
	for i, r := range logged[200:500] {
		r.Run, r.Seq = "9f31c2aa07de4410", int64(i+1)
		if v, ok := r.Get(reading.InsideTemp); ok && i%3 == 0 {
			r.Set(reading.InsideTemp, v+0.25)
		}
		if i%7 == 0 {
			r.Clear(reading.BoardTemp)
		}
		sent = append(sent, r)
	}
	commit := func(rs []reading.Reading) {
		_, err := b.Commit(t.Context(), []record.Arrival{{Station: lake, At: now, Batch: reading.Batch{Readings: rs}}})
		require.NoError(t, err)
	}
	commit(sent[:100])
	b.fold(t)
	got := b.take(t, table(lines))
	require.Equal(t, 0, got.Ahead)
	require.False(t, got.MaxGap.Recorded)
	b.fold(t)
	commit(sent[100:])
	b.fold(t)
	want := assess.Run(append(logged, sent...), assess.Options{MaxGap: time.Hour})
	requireSameLedger(t, want.Ledger, b.ledger(t, lake))
	require.Zero(t, b.take(t, table(lines)).Stored)
}

// A dry run says what the import then does, and writes nothing.
func TestDryRunTellsTheTruth(t *testing.T) {
	shuffled := rows(11, 9000, 10*time.Minute)
	rand.New(rand.NewPCG(5, 5)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	straddling := rows(12, 4095, time.Minute)
	straddling = slices.Concat(straddling[:4095], straddling[4000:4095], rows(13, 5, time.Minute))
	ahead := append(rows(14, 10, time.Minute), "2026-07-01T00:00:00Z,1,2,3", "2026-07-01T00:00:00Z,1,2,3", "2026-07-02T00:00:00Z,,,", "2026-06-01T12:05:00Z,1,2,3")
	for name, lines := range map[string][]string{
		"in order": rows(10, 5000, 10*time.Minute), "shuffled": shuffled, "twice over a block's end": straddling, "ahead": ahead, "none": nil,
	} {
		t.Run(name, func(t *testing.T) {
			b := newShop(t)
			for _, part := range [][]string{lines[:len(lines)/3], lines, lines} {
				text := table(part)
				before := b.all(t)
				dry := logOf(text)
				dry.DryRun = true
				would, err := importer.ImportReadings(t.Context(), b, lake, dry)
				require.NoError(t, err)
				require.Equal(t, before, b.all(t))
				require.True(t, would.DryRun)
				is := b.take(t, text)
				would.DryRun = false
				require.Equal(t, is, would)
			}
		})
	}
}

// Rows that lie ahead wait, and are stored when their time is reached; a log
// that lies ahead as a whole is a mistake.
func TestRowsThatLieAhead(t *testing.T) {
	b := newShop(t)
	past, edge, ahead := "2026-06-01T11:00:00Z,1,50,1", "2026-06-01T12:05:00Z,1,51,1", "2026-06-01T12:05:01Z,1,52,1"
	for range 2 {
		got := b.take(t, table([]string{past, edge, ahead, ahead}))
		require.Equal(t, 4, got.Rows)
		require.LessOrEqual(t, got.Ahead, 1)
	}
	held, err := b.Quarantine(t.Context(), record.QuarantineQuery{Station: lake, Limit: 9})
	require.NoError(t, err)
	require.Len(t, held, 1)
	require.Equal(t, reading.ReasonTime, held[0].Reason)
	require.Contains(t, held[0].Detail, "2026-06-01T12:05:01Z")
	require.Equal(t, "reading,station=lake-07 inside_temp_c=1,inside_rh_pct=52,board_temp_c=1 1780315501000000000", string(held[0].Raw))
	n, err := b.ReleaseDue(t.Context(), held[0].Due)
	require.NoError(t, err)
	require.Equal(t, 1, n)
	log := logOf(table([]string{past, edge, ahead}))
	log.At = held[0].Due
	got, err := importer.ImportReadings(t.Context(), b, lake, log)
	require.NoError(t, err)
	require.Equal(t, 3, got.Repeated)

	before := b.all(t)
	_, err = importer.ImportReadings(t.Context(), b, lake, logOf(table([]string{"2026-06-02T00:00:00Z,1,2,3"})))
	require.ErrorIs(t, err, importer.ErrAhead)
	require.ErrorContains(t, err, "log.csv")
	require.Equal(t, before, b.all(t))
}

// What can't be read leaves nothing half-written, wherever it stands.
func TestBadLogsWriteNothing(t *testing.T) {
	good := rows(15, 9000, time.Minute)
	b := newShop(t)
	before := b.all(t)
	for name, c := range map[string]struct {
		text string
		says []string
	}{
		"a cell":       {table(append(slices.Clone(good), "2025-12-01T00:00:00Z,warm,50,1")), []string{"inside_temp_c", "warm", "not a number"}},
		"before 2000":  {table(append(slices.Clone(good), "1999-12-31T23:59:59Z,1,50,1")), []string{"before 2000"}},
		"no zone":      {table([]string{"2025-12-01 00:00,1,50,1"}), []string{"--tz"}},
		"cells":        {table(append(slices.Clone(good), "2025-12-01T00:00:00Z,1")), []string{"2 cells"}},
		"no time":      {"inside_temp_c\n1\n", []string{`no column "time"`}},
		"empty":        {"", []string{"empty"}},
		"other column": {"time,battery\n", []string{"battery", "--map"}},
	} {
		for _, dry := range []bool{false, true} {
			log := logOf(c.text)
			log.DryRun = dry
			_, err := importer.ImportReadings(t.Context(), b, lake, log)
			for _, want := range append(c.says, "log.csv") {
				require.ErrorContains(t, err, want, name)
			}
			require.Equal(t, before, b.all(t), name)
		}
	}
}

func TestWhoseLog(t *testing.T) {
	b := newShop(t)
	b.enrol(t, "quay-01")
	require.NoError(t, b.Retire(t.Context(), "quay-01", now, "test"))
	before := b.all(t)
	text := table(rows(16, 10, time.Minute))
	_, err := importer.ImportReadings(t.Context(), b, "nobody", logOf(text))
	require.ErrorIs(t, err, record.ErrNotFound)
	require.ErrorContains(t, err, "station nobody")
	_, err = importer.ImportReadings(t.Context(), b, "quay-01", logOf(text))
	require.ErrorIs(t, err, record.ErrRetired)
	require.ErrorContains(t, err, "station quay-01")
	require.Equal(t, before, b.all(t))
}

// retiring retires the station at the n-th call of what an import begins with
// or commits.
type retiring struct {
	*shop
	atBegin bool
}

func (r *retiring) BeginImport(ctx context.Context, id string, at unit.Instant, author string) error {
	if r.atBegin {
		if err := r.Retire(ctx, id, at, author); err != nil {
			return err
		}
	}
	return r.shop.BeginImport(ctx, id, at, author)
}

func (r *retiring) Commit(ctx context.Context, list []record.Arrival) ([]record.Outcome, error) {
	if err := r.Retire(ctx, list[0].Station, now, "test"); err != nil {
		return nil, err
	}
	return r.shop.Commit(ctx, list)
}

func TestRetiredMeanwhile(t *testing.T) {
	text := table(rows(17, 20, time.Minute))
	b := newShop(t)
	_, err := importer.ImportReadings(t.Context(), &retiring{b, true}, lake, logOf(text))
	require.ErrorIs(t, err, record.ErrRetired)
	c, err := b.Counts(t.Context())
	require.NoError(t, err)
	require.Zero(t, c.Received)

	b = newShop(t)
	_, err = importer.ImportReadings(t.Context(), &retiring{b, false}, lake, logOf(text))
	require.ErrorIs(t, err, record.ErrRetired)
	require.ErrorContains(t, err, "in quarantine")
	c, err = b.Counts(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, c.Received, c.Refused[reading.ReasonUnknown], "nothing is lost without a count")
}

// A longest step that the station has, or that its readings were folded with,
// is never changed.
func TestMaxGapIsNeverChangedSilently(t *testing.T) {
	hourly := table(rows(18, 300, time.Hour))
	gap := func(b *shop) string {
		facts, err := b.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: lake})
		require.NoError(t, err)
		value, _ := fact.At(facts, fact.MaxGap, now)
		return value
	}
	b := newShop(t)
	got := b.take(t, hourly)
	require.Equal(t, importer.MaxGap{LogS: 5400, StationS: 5400, Recorded: true}, got.MaxGap)
	require.Equal(t, "1h30m0s", gap(b))

	b = newShop(t)
	b.maxGap(t, "45m")
	got = b.take(t, hourly)
	require.Equal(t, importer.MaxGap{LogS: 5400, StationS: 2700}, got.MaxGap)
	require.Equal(t, "45m", gap(b))

	b = newShop(t)
	b.take(t, table([]string{"2025-01-01T00:00:00Z,1,50,1"}))
	got = b.take(t, hourly)
	require.Equal(t, importer.MaxGap{LogS: 5400, StationS: 1800}, got.MaxGap)
	require.Equal(t, "", gap(b))

	b = newShop(t)
	got = b.take(t, table([]string{"2025-01-01T00:00:00Z,1,50,1", "2025-03-01T00:00:00Z,1,50,1"}))
	require.Equal(t, importer.MaxGap{LogS: 1.5 * 59 * 86400, StationS: 1800}, got.MaxGap, "longer than a fact may be")
}

// changing is a log that is another one the second time.
type changing struct {
	io.ReadSeeker
	then  io.ReadSeeker
	seeks int
}

func (c *changing) Seek(offset int64, whence int) (int64, error) {
	if c.seeks++; c.seeks == 2 {
		c.ReadSeeker = c.then
	}
	return c.ReadSeeker.Seek(offset, whence)
}

func TestLogThatChangesMeanwhile(t *testing.T) {
	whole, part := table(rows(19, 50, time.Minute)), table(rows(19, 20, time.Minute))
	b := newShop(t)
	log := logOf("")
	log.From = &changing{ReadSeeker: strings.NewReader(whole), then: strings.NewReader(part)}
	_, err := importer.ImportReadings(t.Context(), b, lake, log)
	require.ErrorContains(t, err, "changed while it was read")
	require.Positive(t, b.take(t, whole).Repeated)
}

func TestProgress(t *testing.T) {
	text := table(rows(20, 9000, time.Minute))
	for _, dry := range []bool{false, true} {
		b := newShop(t)
		log := logOf(text)
		log.DryRun = dry
		var seen []int64
		log.Options.Progress = func(read int64) { seen = append(seen, read) }
		_, err := importer.ImportReadings(t.Context(), b, lake, log)
		require.NoError(t, err)
		require.True(t, slices.IsSorted(seen))
		require.Greater(t, len(seen), 1)
		require.Greater(t, seen[len(seen)-1], int64(len(text))*8/10)
		require.LessOrEqual(t, seen[len(seen)-1], int64(len(text)))
	}
}

// A log that can't be read from its beginning says so.
func TestDisksFail(t *testing.T) {
	b := newShop(t)
	log := logOf("")
	log.From = badDisk{bytes.NewReader([]byte("time\n"))}
	_, err := importer.ImportReadings(t.Context(), b, lake, log)
	require.ErrorIs(t, err, errDisk)
	_, err = importer.ImportWeather(t.Context(), b, "lake", record.WeatherSource{Name: "x"}, false, log)
	require.ErrorIs(t, err, errDisk)
}

var errDisk = errors.New("no such sector")

type badDisk struct{ io.ReadSeeker }

func (badDisk) Seek(int64, int) (int64, error) { return 0, errDisk }
