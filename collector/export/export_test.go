package export_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/export"
	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/assess"
	"dewpost/rules/boxsim"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

var (
	start = unit.At(time.Date(2025, 11, 5, 22, 0, 0, 0, time.UTC))
	now   = unit.At(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC))
)

const run = "00000000000000aa"

// shop makes a store with two stations, one of which was heard.
func shop(t testing.TB, readings int) *store.Store {
	t.Helper()
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	said := func(kind, id, name, value string) fact.Fact {
		return fact.Fact{Subject: fact.Subject{Kind: kind, ID: id}, Name: name, Value: value, From: fact.Always, Author: `the "shop"`, Recorded: start}
	}
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{
		said("owner", "ida", "name", "Ida, of \"Mill\" Row"), said("owner", "ida", "contact", "ida@lake.example"),
		said("site", "quay", "name", "Brackwater Quay"), said("site", "quay", "owner", "ida"),
	}))
	for _, id := range []string{"lake-07", "lake-08"} {
		secret, err := receipt.NewSecret([]byte("0123456789abcdef" + id))
		require.NoError(t, err)
		require.NoError(t, s.AddStation(ctx, record.Station{ID: id, Secret: secret, Enrolled: start}, "workshop", said("station", id, "site", "quay"), said("station", id, "max_gap", "45m")))
	}
	later := said("station", "lake-07", "spot", "left, above")
	later.From = start.Add(time.Hour)
	wrong := later
	wrong.Value = "right"
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{wrong, later}))

	box := boxsim.New(boxsim.NewWeather(boxsim.Lakeside(), 3), boxsim.Box{TauH: 20, SkyCoolingK: 3, Noise: 1, FailShare: 0.01, HasBoard: true}, nil, 3, start)
	a := record.Arrival{Station: "lake-07", At: now}
	for i := range readings {
		at := start.Add(time.Duration(i) * 10 * time.Minute)
		r := box.Next(at)
		r.Run, r.Seq = run, int64(i+1)
		switch {
		case i%50 == 7:
			r.Flags = reading.FlagHeater
		case i%90 == 11:
			continue // not sent
		case i%70 == 13: // and of the same instant another, without a key
			other := reading.Reading{Time: at}
			other.Set(reading.InsideTemp, 3)
			other.Set(reading.Comb, 1e-7)
			a.Batch.Readings = append(a.Batch.Readings, other)
		}
		a.Batch.Readings = append(a.Batch.Readings, r)
	}
	a.Batch.Refused = []reading.Refusal{{Reason: reading.ReasonMalformed, Detail: "no,\n\"field\"", Raw: []byte("a\xff,\"b\"\n")}}
	_, err = s.Commit(ctx, []record.Arrival{a})
	require.NoError(t, err)
	require.NoError(t, fold.New(fold.Config{Store: s, Now: func() time.Time { return now.Time() }}).All(ctx))
	return s
}

func only(id string) record.Want {
	want := export.Everything()
	want.Stations = []string{id}
	return want
}

func write(t testing.TB, s *store.Store, what string, f export.Format, want record.Want) string {
	t.Helper()
	var b bytes.Buffer
	rows, err := export.Write(context.Background(), &b, s, what, f, want, now)
	require.NoError(t, err)
	lines := int64(0)
	if f != export.CSV {
		require.Equal(t, int64(strings.Count(b.String(), "\n")), rows)
	} else {
		all, err := csv.NewReader(&b).ReadAll()
		require.NoError(t, err)
		lines = int64(len(all))
		require.Equal(t, lines-1, rows)
		b.Reset()
		_, err = export.Write(context.Background(), &b, s, what, f, want, now)
		require.NoError(t, err)
	}
	return b.String()
}

// Readings as CSV, assessed, give the ledger.
func TestReadingsGiveTheLedgerAgain(t *testing.T) {
	s := shop(t, 3000)
	log := write(t, s, export.Readings, export.CSV, only("lake-07"))
	var rs []reading.Reading
	_, err := logfile.Read(strings.NewReader(log), logfile.Options{Name: "log"}, func(b []reading.Reading) error { rs = append(rs, b...); return nil })
	require.NoError(t, err)
	require.Greater(t, len(rs), 2900)
	var again []byte
	again = append(append(again, strings.Join(exposure.HourlyColumns, ",")...), '\n')
	a := assess.Run(rs, assess.Options{MaxGap: 45 * time.Minute})
	for i := range a.Ledger {
		again = exposure.AppendHourly(again, &a.Ledger[i])
	}
	hours := write(t, s, export.Hours, export.CSV, only("lake-07"))
	require.Greater(t, strings.Count(hours, "\n"), 480)
	require.Equal(t, string(again), hours)
	require.Equal(t, "time,"+strings.Join(reading.ChannelNames(), ",")+"\n", write(t, s, export.Readings, export.CSV, only("lake-08")))
}

// Readings as line protocol, taken in by another store, are the same readings.
func TestReadingsComeInAgain(t *testing.T) {
	s := shop(t, 700)
	wire := write(t, s, export.Readings, export.LineProtocol, export.Everything())
	other := shop(t, 0)
	for wire != "" {
		part := wire[:min(len(wire), receipt.MaxBatch)]
		part = part[:strings.LastIndexByte(part, '\n')+1]
		wire = wire[len(part):]
		batch := reading.Decode("lake-07", []byte(part), now)
		require.Empty(t, batch.Refused)
		require.Zero(t, batch.UnknownFields)
		_, err := other.Commit(t.Context(), []record.Arrival{{Station: "lake-07", At: now, Batch: batch}})
		require.NoError(t, err)
	}
	canonical := func(s *store.Store) (all []byte) {
		list, err := s.Readings(t.Context(), "lake-07", math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		for i := range list {
			all = reading.AppendCanonical(append(all, list[i].Run...), "lake-07", &list[i])
		}
		return all
	}
	require.NotEmpty(t, canonical(s))
	require.Equal(t, string(canonical(s)), string(canonical(other)))
}

func TestReadingWithNothingInIt(t *testing.T) {
	s := shop(t, 0)
	_, err := s.Commit(t.Context(), []record.Arrival{{Station: "lake-07", At: now, Batch: reading.Batch{Readings: []reading.Reading{{Time: start}}}}})
	require.NoError(t, err)
	require.Equal(t, "# station=lake-07 nothing was read at 2025-11-05T22:00:00Z\n", write(t, s, export.Readings, export.LineProtocol, export.Everything()))
	require.Equal(t, `{"station":"lake-07","time":"2025-11-05T22:00:00Z","run":null,"seq":null,"flags":""}`+"\n", write(t, s, export.Readings, export.JSONLines, export.Everything()))
}

// Facts as CSV say nothing new to the store that they come from, and all to
// another one.
func TestFactsComeInAgain(t *testing.T) {
	s := shop(t, 0)
	for _, what := range []string{"facts", "owners", "sites", "lines", "stations", "sensors"} {
		text := write(t, s, what, export.CSV, export.Everything())
		in := books.Import{What: what, Name: what, Dry: true, Enrol: func(string, []fact.Fact) (record.Station, []fact.Fact, error) {
			t.Fatal("there is nothing to enrol")
			return record.Station{}, nil, nil
		}}
		done, err := in.Read(t.Context(), s, strings.NewReader(text), now, "workshop")
		require.NoError(t, err)
		require.Zero(t, done.New+done.Changed, "%s: %v", what, done.Changes)
		require.Equal(t, what != "lines" && what != "sensors", done.Same > 0, "%s", what)
	}
	require.Equal(t, "id,name,contact,consent,warranty,warranty_until\nida,\"Ida, of \"\"Mill\"\" Row\",ida@lake.example,,,\n", write(t, s, "owners", export.CSV, export.Everything()))
}

func TestEveryExportIsWellFormed(t *testing.T) {
	s := shop(t, 300)
	items, err := export.Items(t.Context(), s)
	require.NoError(t, err)
	for _, it := range items {
		require.NotEmpty(t, it.About)
		for _, f := range it.Formats {
			want := export.Everything()
			if f == export.CSV && it.OneStation {
				want = only("lake-07")
			}
			text := write(t, s, it.Name, f, want)
			require.NotContains(t, text, "NaN", it.Name)
			require.NotContains(t, text, "Inf", it.Name)
			if f != export.JSONLines {
				continue
			}
			for line := range strings.Lines(text) {
				require.True(t, json.Valid([]byte(line)), "%s: %s", it.Name, line)
			}
		}
	}
	require.Contains(t, write(t, s, "quarantine", export.JSONLines, export.Everything()), `"line":"a\\xff,\"b\"\\n","due":null,"reading":null,"released":null}`)
	require.Contains(t, write(t, s, "quarantine", export.CSV, export.Everything()), `"a\xff,""b""\n",,`)
	require.Contains(t, write(t, s, "facts", export.CSV, export.Everything()), `owner,ida,name,always,"Ida, of ""Mill"" Row","the ""shop""",2025-11-05T22:00:00Z`)
	require.Contains(t, write(t, s, "facts", export.JSONLines, export.Everything()), `"from":"always"`)
	require.Contains(t, write(t, s, "hours", export.JSONLines, export.Everything()), `{"station":"lake-07","hour":"2025-11-05T22:00:00Z","known_s":3600.000000000,`)
	without := export.Everything()
	without.Owners = false
	require.NotContains(t, write(t, s, "facts", export.CSV, without), "ida@lake")
	require.Contains(t, write(t, s, "enrolments", export.CSV, only("lake-08")), "lake-08,2025-11-05T22:00:00Z,\n")
	require.NotContains(t, write(t, s, "enrolments", export.CSV, only("lake-08")), "lake-07")
}

func TestStretch(t *testing.T) {
	s := shop(t, 300)
	want := only("lake-07")
	want.From, want.To = start.Add(3*time.Hour), start.Add(30*time.Hour)
	require.Equal(t, 27*6-1, strings.Count(write(t, s, export.Readings, export.CSV, want), "\n")-1, "one was not sent")
	require.Equal(t, 27, strings.Count(write(t, s, export.Hours, export.CSV, want), "\n")-1)
	want.To = want.From
	require.Equal(t, 1, strings.Count(write(t, s, export.Readings, export.CSV, want), "\n"))
	require.Equal(t, 1, strings.Count(write(t, s, export.Hours, export.CSV, want), "\n"))
	want = export.Everything()
	want.From, want.To = start, start.Add(1)
	require.Equal(t, 10, strings.Count(write(t, s, "facts", export.CSV, want), "\n")-1, "by when they were recorded")
	want.From = start.Add(1)
	want.To = start.Add(2)
	require.Equal(t, 1, strings.Count(write(t, s, "facts", export.CSV, want), "\n"))
}

func TestRefused(t *testing.T) {
	s := shop(t, 0)
	back := only("lake-07")
	back.From, back.To = 5, 4
	for says, c := range map[string]struct {
		what string
		f    export.Format
		want record.Want
	}{
		`what "secrets": choose one of alarm_cause, alarm_hold, alarm_limit, audit, backup, breathing_day, channels, delivery, enrolments,`: {"secrets", export.CSV, export.Everything()},
		`format "lp": facts can be had as csv or jsonl`:             {"facts", export.LineProtocol, export.Everything()},
		`format "xml": readings can be had as csv or jsonl or lp`:   {export.Readings, "xml", export.Everything()},
		`station "": as CSV, readings are of one station: name one`: {export.Readings, export.CSV, export.Everything()},
		`station "lake-99": there is no such station`:               {export.Hours, export.CSV, only("lake-99")},
		`to "1970-01-01T00:00:00.000000004Z": let it be after from`: {export.Hours, export.CSV, back},
	} {
		_, err := export.Write(t.Context(), io.Discard, s, c.what, c.f, c.want, now)
		require.ErrorContains(t, err, says)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := export.Write(ctx, io.Discard, s, "facts", export.CSV, export.Everything(), now)
	require.ErrorIs(t, err, context.Canceled)
}

func TestAll(t *testing.T) {
	s := shop(t, 300)
	for _, f := range []export.Format{export.CSV, export.JSONLines} {
		dir := filepath.Join(t.TempDir(), "out")
		m, err := export.All(t.Context(), s, dir, f, now)
		require.NoError(t, err)
		body, err := os.ReadFile(filepath.Join(dir, export.ManifestName))
		require.NoError(t, err)
		var read struct{ Files []export.File }
		require.NoError(t, json.Unmarshal(body, &read))
		require.Equal(t, m.Files, read.Files)
		var names []string
		require.NoError(t, filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				name, _ := filepath.Rel(dir, path)
				names = append(names, name)
				info, err := d.Info()
				require.NoError(t, err)
				require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
			}
			return err
		}))
		require.Len(t, names, len(m.Files)+1)
		for _, file := range m.Files {
			require.True(t, slices.Contains(names, file.Name), file.Name)
			body, err := os.ReadFile(filepath.Join(dir, file.Name))
			require.NoError(t, err)
			sum := sha256.Sum256(body)
			require.Equal(t, hex.EncodeToString(sum[:]), file.SHA256)
			require.Len(t, body, int(file.Bytes))
		}
		require.Equal(t, f == export.CSV, slices.Contains(names, "readings/lake-07.lp"))
		_, err = export.All(t.Context(), s, dir, f, now)
		require.ErrorContains(t, err, "it is there already")
	}
	_, err := export.All(t.Context(), s, filepath.Join(t.TempDir(), "x"), export.LineProtocol, now)
	require.ErrorContains(t, err, `format "lp"`)
	parent := t.TempDir()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = export.All(ctx, s, filepath.Join(parent, "x"), export.CSV, now)
	require.ErrorIs(t, err, context.Canceled)
	left, err := os.ReadDir(parent)
	require.NoError(t, err)
	require.Empty(t, left)
}

func TestToFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "out.csv")
	require.ErrorIs(t, export.ToFile(path, func(io.Writer) error { return io.ErrUnexpectedEOF }), io.ErrUnexpectedEOF)
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left)
	say := func(w io.Writer) error { _, err := io.WriteString(w, "x"); return err }
	require.NoError(t, export.ToFile(path, say))
	require.ErrorContains(t, export.ToFile(path, say), "it is there already")
}

// A year of minutes takes no more memory than a week.
func BenchmarkReadings(b *testing.B) {
	s := shop(b, 20_000)
	b.ReportAllocs()
	for b.Loop() {
		_, err := export.Write(b.Context(), io.Discard, s, export.Readings, export.LineProtocol, export.Everything(), now)
		require.NoError(b, err)
	}
}
