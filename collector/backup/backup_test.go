package backup_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/backup"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var start = time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC)

// agent keeps readings until they are receipted, as real ones do.
type agent struct {
	id, run     string
	last        int64 // seq
	spool       []reading.Reading
	everStored  map[string]reading.Reading // all that it ever held, by run and seq
	spoke       map[string]bool            // runs that it sent anything of, since the restore
	lostInSpool map[string]bool            // given up for room
}

func key(run string, seq int64) string { return fmt.Sprintf("%s/%d", run, seq) }

// plant is a collector with agents, played by a random hand.
type plant struct {
	t      *testing.T
	rnd    *rand.Rand
	path   string
	store  *store.Store
	clock  time.Time
	agents []*agent
	runs   int
	loose  map[string][]reading.Reading // readings without key that arrived since the restore or before the backup
}

func newPlant(t *testing.T, seed uint64) *plant {
	p := &plant{t: t, rnd: rand.New(rand.NewPCG(seed, 1)), path: blank.Store(t), clock: start, loose: map[string][]reading.Reading{}}
	p.open()
	for _, id := range []string{"lake-1", "lake-2", "quay-1"} {
		p.enrol(id)
	}
	return p
}

func (p *plant) open() {
	var err error
	p.store, err = store.Open(p.t.Context(), p.path)
	require.NoError(p.t, err)
}

func (p *plant) enrol(id string) {
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more " + id))
	require.NoError(p.t, err)
	require.NoError(p.t, p.store.AddStation(p.t.Context(), record.Station{ID: id, Secret: secret, Enrolled: unit.At(p.clock)}, "test"))
	p.agents = append(p.agents, &agent{id: id, run: p.newRun(), everStored: map[string]reading.Reading{}, spoke: map[string]bool{}, lostInSpool: map[string]bool{}})
}

func (p *plant) newRun() string { p.runs++; return fmt.Sprintf("%016x", p.runs) }

func (p *plant) sample(a *agent) {
	p.clock = p.clock.Add(time.Minute)
	at := p.clock
	if p.rnd.IntN(20) == 0 {
		at = at.AddDate(0, 0, -30) // a log that comes late
	}
	a.last++
	r := reading.Reading{Time: unit.At(at), Run: a.run, Seq: a.last}
	r.Set(reading.InsideTemp, float64(p.rnd.IntN(3000))/100)
	r.Set(reading.InsideRH, float64(p.rnd.IntN(10000))/100)
	a.spool = append(a.spool, r)
	a.everStored[key(r.Run, r.Seq)] = r
}

// send sends the oldest readings; the receipt may get lost.
func (p *plant) send(a *agent) {
	if len(a.spool) == 0 {
		return
	}
	n := 1 + p.rnd.IntN(len(a.spool))
	got := p.arrive(record.Arrival{Station: a.id, Batch: reading.Batch{
		Readings: slices.Clone(a.spool[:n]), Oldest: map[string]int64{a.run: a.spool[0].Seq},
	}})
	a.spoke[a.run] = true
	if p.rnd.IntN(4) == 0 {
		return
	}
	upto := got.Runs[0].Upto
	a.spool = slices.DeleteFunc(a.spool, func(r reading.Reading) bool { return r.Seq <= upto })
}

func (p *plant) arrive(a record.Arrival) record.Outcome {
	a.At = unit.At(p.clock)
	got, err := p.store.Commit(p.t.Context(), []record.Arrival{a})
	require.NoError(p.t, err)
	require.Zero(p.t, got[0].Conflicts)
	return got[0]
}

// step does one random thing. overflow lets agents give readings up.
func (p *plant) step(overflow bool) {
	a := p.agents[p.rnd.IntN(len(p.agents))]
	switch n := p.rnd.IntN(40); {
	case n < 18:
		p.sample(a)
	case n < 32:
		p.send(a)
	case n < 34 && overflow && len(a.spool) > 1:
		drop := 1 + p.rnd.IntN(len(a.spool)-1)
		for _, r := range a.spool[:drop] {
			a.lostInSpool[key(r.Run, r.Seq)] = true
		}
		a.spool = a.spool[drop:]
	case n == 34 && len(a.spool) == 0:
		a.run, a.last = p.newRun(), 0
	case n < 37:
		p.clock = p.clock.Add(time.Minute)
		r := reading.Reading{Time: unit.At(p.clock)}
		r.Set(reading.InsideTemp, float64(p.rnd.IntN(3000))/100)
		p.arrive(record.Arrival{Station: a.id, Batch: reading.Batch{Readings: []reading.Reading{r}}})
		p.loose[a.id] = append(p.loose[a.id], r)
	default:
		p.clock = p.clock.Add(time.Second)
		p.arrive(record.Arrival{Station: a.id, Batch: reading.Batch{Refused: []reading.Refusal{{
			Reason: reading.ReasonMalformed, Detail: "of the test", Raw: fmt.Appendf(nil, "nonsense %d", p.rnd.Uint64()),
		}}}})
	}
}

func (p *plant) steps(n int, overflow bool) {
	for range n {
		p.step(overflow)
	}
}

// drain lets all agents send until everything is receipted.
func (p *plant) drain() {
	for _, a := range p.agents {
		for len(a.spool) > 0 {
			p.send(a)
		}
	}
}

func (p *plant) backup(name string) backup.File {
	made, err := backup.Make(p.t.Context(), backup.Config{Store: p.path, Target: filepath.Join(filepath.Dir(p.path), name), Now: func() time.Time { return p.clock }})
	require.NoError(p.t, err)
	return made
}

func stored(t *testing.T, s *store.Store, id string) map[reading.Reading]int {
	t.Helper()
	list, err := s.Readings(t.Context(), id, math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	all := map[reading.Reading]int{}
	for _, r := range list {
		all[r]++
	}
	return all
}

// read opens a store for a look.
func read[T any](t *testing.T, path string, look func(*store.Store) T) T {
	t.Helper()
	s, err := store.OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	return look(s)
}

// all is what a store holds, by station.
func (p *plant) all(path string) map[string]map[reading.Reading]int {
	return read(p.t, path, func(s *store.Store) map[string]map[reading.Reading]int {
		out := map[string]map[reading.Reading]int{}
		for _, a := range p.agents {
			out[a.id] = stored(p.t, s, a.id)
		}
		return out
	})
}

// A store that is lost and put back: whatever the agents still had is there
// exactly once afterwards, and what is missing is told to the number. Whether
// the old store can be read is a coin's toss; if it can, it is counted against
// the backup, and taken over.
func TestRestored(t *testing.T) {
	trials := 15
	if testing.Short() {
		trials = 5
	}
	missing := 0
	for i := range trials {
		seed := uint64(time.Now().UnixNano()) + uint64(i)
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) { missing += trial(t, seed) })
	}
	require.Positive(t, missing, "nothing was ever missing: the trials try nothing")
}

// trial returns how many readings were missing in the end.
func trial(t *testing.T, seed uint64) int {
	p := newPlant(t, seed)
	p.steps(60, true)
	made := p.backup("made.backup")
	then := p.all(made.Path)
	require.NoError(t, p.store.AddFacts(t.Context(), []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-1"}, Name: fact.Name, Value: "Lake 1", From: fact.Always, Author: "test", Recorded: unit.At(p.clock),
	}}))
	p.clock = p.clock.Add(time.Minute)
	readable := p.rnd.IntN(2) == 0
	if readable {
		p.enrol("new-1") // the backup doesn't know it
	}
	p.steps(60, true)
	before := p.all(p.path)
	require.NoError(t, p.store.Close())
	if !readable {
		require.NoError(t, os.Remove(p.path))
	}

	r, err := backup.Restore(t.Context(), made.Path, p.path, p.clock)
	require.NoError(t, err)
	require.Equal(t, unit.At(r.From.Made.Time()), made.Made)
	require.NoError(t, r.Unread)
	require.Equal(t, readable, r.Aside != "")
	if readable {
		requireBeyond(t, r.Beyond, before, then)
	}
	p.open()
	defer func() { require.NoError(t, p.store.Close()) }()

	known := then
	switch p.rnd.IntN(3) {
	case 0:
		if readable {
			p.salvage(r.Aside, before)
			known = before
		}
	case 1:
		if readable {
			known = p.salvageDamaged(r.Aside, before)
		}
	}
	if readable && known["new-1"] == nil {
		p.agents = p.agents[:3] // until it is enrolled again
	}
	return p.goOn(r.At, known)
}

// requireBeyond compares what Restore counted with a comparison of all
// readings.
func requireBeyond(t *testing.T, got []record.Beyond, before, then map[string]map[reading.Reading]int) {
	t.Helper()
	byID := map[string]record.Beyond{}
	for _, b := range got {
		byID[b.Station] = b
	}
	for id, all := range before {
		var want record.Beyond
		for x := range all {
			if then[id][x] > 0 {
				continue
			}
			if want.Readings == 0 {
				want.First, want.Last = x.Time, x.Time
			}
			want.Readings++
			want.First, want.Last = min(want.First, x.Time), max(want.Last, x.Time)
		}
		b := byID[id]
		require.Equal(t, []any{want.Readings, want.First, want.Last}, []any{b.Readings, b.First, b.Last}, id)
		require.Zero(t, b.Damaged)
	}
}

// salvage takes the old store over, twice.
func (p *plant) salvage(old string, before map[string]map[reading.Reading]int) {
	out, err := backup.Salvage(p.t.Context(), old, p.path, p.clock, "test")
	require.NoError(p.t, err)
	require.Equal(p.t, []string{"new-1"}, out.Stations)
	require.Equal(p.t, 1, out.Facts)
	require.Empty(p.t, out.Secrets)
	require.Equal(p.t, before, p.all(p.path))
	again, err := backup.Salvage(p.t.Context(), old, p.path, p.clock, "test")
	require.NoError(p.t, err)
	require.Equal(p.t, backup.Salvaged{}, again)
	custody := func(path string) map[string]int64 {
		return read(p.t, path, func(s *store.Store) map[string]int64 {
			list, err := s.Quarantine(p.t.Context(), record.QuarantineQuery{Limit: 1000})
			require.NoError(p.t, err)
			held := map[string]int64{}
			for _, q := range list {
				held[q.Station+string(q.Raw)]++
			}
			return held
		})
	}
	require.Equal(p.t, custody(old), custody(p.path), "what is in quarantine")
	discarded := func(path string) int64 {
		return read(p.t, path, func(s *store.Store) int64 {
			c, err := s.Counts(p.t.Context())
			require.NoError(p.t, err)
			return c.Discarded
		})
	}
	require.Equal(p.t, discarded(old), discarded(p.path), "what agents gave up")
}

// salvageDamaged takes over what can be read of an old store of which some
// can't, and returns what is there then.
func (p *plant) salvageDamaged(old string, before map[string]map[reading.Reading]int) map[string]map[reading.Reading]int {
	db, err := sql.Open("sqlite", "file:"+old)
	require.NoError(p.t, err)
	_, err = db.ExecContext(p.t.Context(), `update batch set body = x'0102030405' where id % 3 = ?`, p.rnd.IntN(3))
	require.NoError(p.t, errors.Join(err, db.Close()))
	_, err = backup.Salvage(p.t.Context(), old, p.path, p.clock, "test")
	require.NoError(p.t, err)
	known := p.all(p.path)
	for id, all := range known {
		for x := range all {
			require.Equal(p.t, 1, before[id][x])
		}
	}
	return known
}

// goOn lets the agents find the restored collector, and compares. known is what
// the collector has then.
func (p *plant) goOn(at unit.Instant, known map[string]map[reading.Reading]int) (missing int) {
	t := p.t
	held := map[string][]reading.Reading{} // at the restore
	gone := map[string]map[string]bool{}   // numbers that neither agent nor backup has
	for _, a := range p.agents {
		a.spoke = map[string]bool{}
		held[a.id] = slices.Clone(a.spool)
		gone[a.id] = map[string]bool{}
		here := map[string]bool{}
		for _, r := range a.spool {
			here[key(r.Run, r.Seq)] = true
		}
		for k, r := range a.everStored {
			if known[a.id][r] == 0 && !here[k] {
				gone[a.id][k] = true
			}
		}
	}
	p.drain()
	p.steps(40, false)
	p.drain()
	all := p.all(p.path)
	for _, a := range p.agents {
		for _, r := range held[a.id] {
			require.Equal(t, 1, all[a.id][r], "%s %s: an agent still had it", a.id, key(r.Run, r.Seq))
		}
		for r, n := range all[a.id] {
			require.Equal(t, 1, n, "%s %s", a.id, key(r.Run, r.Seq))
			require.True(t, !r.Keyed() || a.everStored[key(r.Run, r.Seq)] == r)
		}
	}
	holes, err := p.store.Holes(t.Context())
	require.NoError(t, err)
	told := map[string]map[string]bool{}
	for _, h := range holes {
		require.Equal(t, at, h.Restore.At)
		if told[h.Station] == nil {
			told[h.Station] = map[string]bool{}
		}
		for seq := h.From; seq <= h.To; seq++ {
			require.False(t, told[h.Station][key(h.Run, seq)], "told twice")
			told[h.Station][key(h.Run, seq)] = true
		}
		p.sides(h, all[h.Station])
	}
	given := p.givenUp()
	for _, a := range p.agents {
		for k := range gone[a.id] {
			run, _, _ := strings.Cut(k, "/")
			if a.spoke[run] && !given[a.id+k] {
				require.True(t, told[a.id][k], "%s %s is missing and not told", a.id, k)
			}
		}
		for k := range told[a.id] {
			require.True(t, gone[a.id][k], "%s %s is told, and is not missing", a.id, k)
		}
	}
	_, err = p.store.Verify(t.Context())
	require.NoError(t, err)
	for _, numbers := range told {
		missing += len(numbers)
	}
	return missing
}

// givenUp returns the numbers that agents gave up on their own, which may be
// told or not.
func (p *plant) givenUp() map[string]bool {
	given := map[string]bool{}
	for _, a := range p.agents {
		for k := range a.lostInSpool {
			given[a.id+k] = true
		}
	}
	return given
}

// sides compares the readings that a hole is said to lie between.
func (p *plant) sides(h record.Hole, all map[reading.Reading]int) {
	var below, above *reading.Reading
	for r := range all {
		if r.Run != h.Run {
			continue
		}
		if r.Seq < h.From && (below == nil || r.Seq > below.Seq) {
			below = &r
		}
		if r.Seq > h.To && (above == nil || r.Seq < above.Seq) {
			above = &r
		}
	}
	require.NotNil(p.t, above)
	require.Equal(p.t, above.Time, h.After)
	if below != nil {
		require.Equal(p.t, below.Time, h.Before)
	}
}

func small(t *testing.T) (*plant, backup.File) {
	p := newPlant(t, 1)
	p.steps(40, false)
	made := p.backup("one.backup")
	t.Cleanup(func() {
		if p.store != nil {
			require.NoError(t, p.store.Close())
		}
	})
	return p, made
}

func TestBackupIsPrivateAndAlone(t *testing.T) {
	p, made := small(t)
	info, err := os.Stat(made.Path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.Equal(t, info.Size(), made.Bytes)
	again, err := backup.Verify(t.Context(), made.Path)
	require.NoError(t, err)
	require.Equal(t, made, again)
	require.Equal(t, unit.At(p.clock), made.Made)
	list, err := p.store.Backups(t.Context())
	require.NoError(t, err)
	require.Equal(t, []record.Backup{{At: made.Made, Path: made.Path, Bytes: made.Bytes, SHA256: made.SHA256, Stored: made.Readings}}, list)

	_, err = backup.Make(t.Context(), backup.Config{Store: p.path, Target: made.Path, Now: time.Now})
	require.ErrorContains(t, err, "--replace")
	_, err = backup.Make(t.Context(), backup.Config{Store: p.path, Target: p.path, Replace: true, Now: time.Now})
	require.ErrorContains(t, err, "the store itself")
	_, err = backup.Make(t.Context(), backup.Config{Store: p.path + "x", Target: filepath.Join(t.TempDir(), "b"), Now: time.Now})
	require.ErrorContains(t, err, "no store to back up")
	_, err = backup.Make(t.Context(), backup.Config{Store: p.path, Target: "/dev/null", Replace: true, Now: time.Now})
	require.ErrorContains(t, err, "neither a file nor a folder")
	p.steps(10, false)
	_, err = backup.Make(t.Context(), backup.Config{Store: p.path, Target: made.Path, Replace: true, Now: func() time.Time { return p.clock.Add(time.Hour) }})
	require.NoError(t, err)
	entries, err := filepath.Glob(filepath.Join(filepath.Dir(p.path), ".*"))
	require.NoError(t, err)
	require.Empty(t, entries, "no temporary file is left")
}

// A store that is damaged gives no backup, and the one that was there stays.
func TestBackupOfADamagedStore(t *testing.T) {
	p, made := small(t)
	require.NoError(t, p.store.Close())
	p.store = nil
	file, err := os.ReadFile(p.path)
	require.NoError(t, err)
	var body []byte
	db, err := sql.Open("sqlite", "file:"+made.Path+"?mode=ro")
	require.NoError(t, err)
	require.NoError(t, db.QueryRowContext(t.Context(), `select body from batch order by length(body) limit 1`).Scan(&body))
	require.NoError(t, db.Close())
	at := bytes.Index(file, body)
	require.Positive(t, at)
	file[at+len(body)/2] ^= 1
	require.NoError(t, os.WriteFile(p.path, file, 0o600))
	_, err = backup.Make(t.Context(), backup.Config{Store: p.path, Target: made.Path, Replace: true, Now: time.Now})
	require.ErrorContains(t, err, "checksum")
	again, err := backup.Verify(t.Context(), made.Path)
	require.NoError(t, err)
	require.Equal(t, made, again)
}

// A target that can't be written leaves nothing behind, and the store without a
// word of a backup that isn't there.
func TestBackupThatCantBeWritten(t *testing.T) {
	p, _ := small(t)
	dir := t.TempDir()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		ctx    context.Context
		target string
	}{{t.Context(), filepath.Join(dir, "missing", "x")}, {ctx, filepath.Join(dir, "x")}} {
		_, err := backup.Make(c.ctx, backup.Config{Store: p.path, Target: c.target, Now: time.Now})
		require.Error(t, err)
	}
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, entries)
	list, err := p.store.Backups(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 1)
}

// Nothing that is there is touched when a backup can't be put back.
func TestRestoreRefuses(t *testing.T) {
	p, made := small(t)
	_, err := backup.Restore(t.Context(), made.Path, p.path, p.clock)
	require.ErrorIs(t, err, store.ErrInUse)
	require.NoError(t, p.store.Close())
	p.store = nil
	before, err := os.ReadFile(p.path)
	require.NoError(t, err)

	file, err := os.ReadFile(made.Path)
	require.NoError(t, err)
	for name, bad := range map[string][]byte{"cut": file[:len(file)/2], "letter": []byte("Dear colleague"), "empty": {}} {
		damaged := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(damaged, bad, 0o600))
		_, err := backup.Restore(t.Context(), damaged, p.path, p.clock)
		require.Error(t, err, name)
	}
	_, err = backup.Restore(t.Context(), p.path, filepath.Join(t.TempDir(), "other.db"), p.clock)
	require.ErrorContains(t, err, "was not made by dewpost backup")
	after, err := os.ReadFile(p.path)
	require.NoError(t, err)
	require.Equal(t, before, after)
	left, err := filepath.Glob(filepath.Join(filepath.Dir(p.path), ".restore*"))
	require.NoError(t, err)
	require.Empty(t, left)
}

// A secret that was changed after the backup is good again once the old store
// is taken over, whichever of the two the agent has.
func TestSalvagedSecrets(t *testing.T) {
	p, made := small(t)
	secret := func(text string) receipt.Secret {
		s, err := receipt.NewSecret([]byte("sixteen bytes or more, " + text))
		require.NoError(t, err)
		return s
	}
	changed, coming := secret("changed"), secret("coming")
	begin := func(id string, next receipt.Secret) record.Station {
		st, err := p.store.Station(t.Context(), id)
		require.NoError(t, err)
		st.Next = next
		require.NoError(t, p.store.BeginSecret(t.Context(), st, unit.At(p.clock), "test"))
		return st
	}
	was := begin("lake-1", changed)
	require.NoError(t, p.store.FinishSecret(t.Context(), was, unit.At(p.clock), "test"))
	begin("lake-2", coming)
	p.enrol("new-1")
	begin("new-1", coming)
	p.enrol("new-2")
	require.NoError(t, p.store.Retire(t.Context(), "new-2", unit.At(p.clock), "test"))
	begin("quay-1", coming)
	require.NoError(t, p.store.Retire(t.Context(), "quay-1", unit.At(p.clock), "test"))
	require.NoError(t, p.store.Close())
	p.store = nil
	r, err := backup.Restore(t.Context(), made.Path, p.path, p.clock)
	require.NoError(t, err)
	out, err := backup.Salvage(t.Context(), r.Aside, p.path, p.clock, "test")
	require.NoError(t, err)
	require.Equal(t, []string{"lake-1", "lake-2", "new-1"}, out.Secrets)
	require.Equal(t, []string{"new-1", "new-2"}, out.Stations)
	require.Equal(t, []string{"new-2", "quay-1"}, out.Retired, "who has a retired station's secret stays out")
	again, err := backup.Salvage(t.Context(), r.Aside, p.path, p.clock, "test")
	require.NoError(t, err)
	require.Equal(t, backup.Salvaged{}, again)
	p.open()
	for id, next := range map[string]receipt.Secret{"lake-1": changed, "lake-2": coming, "new-1": coming, "quay-1": {}, "new-2": {}} {
		st, err := p.store.Station(t.Context(), id)
		require.NoError(t, err)
		require.Equal(t, next, st.Next, id)
		require.Equal(t, id == "new-2" || id == "quay-1", st.Retired != 0)
	}
	st, err := p.store.Station(t.Context(), "lake-1")
	require.NoError(t, err)
	require.Equal(t, was.Secret, st.Secret)
}

// Facts of every kind are taken over, but for those that can't be true together
// with what was recorded since.
func TestSalvagedFacts(t *testing.T) {
	p, made := small(t)
	at := unit.At(p.clock)
	say := func(kind, id string, facts ...string) (list []fact.Fact) {
		for i := 0; i < len(facts); i += 2 {
			list = append(list, fact.Fact{Subject: fact.Subject{Kind: kind, ID: id}, Name: facts[i], Value: facts[i+1], From: at, Author: "test", Recorded: at})
		}
		return list
	}
	books := slices.Concat(
		say(fact.KindOwner, "ida", fact.Name, "Ida Example"), say(fact.KindSite, "mill", fact.Owner, "ida"), say(fact.KindLine, "east", fact.Site, "mill"),
		say(fact.KindStation, "lake-1", fact.Site, "mill", fact.Line, "east", fact.Address, "7"),
		say(fact.KindSensor, "h-1", fact.Station, "lake-1", fact.Channels, "comb_us"))
	require.NoError(t, p.store.AddFacts(t.Context(), books))
	// A unit that had the address before, and was retired for it.
	p.enrol("new-1")
	p.enrol("new-2")
	before := say(fact.KindStation, "new-1", fact.Site, "mill", fact.Line, "east", fact.Address, "8")
	require.NoError(t, p.store.AddFacts(t.Context(), before))
	require.NoError(t, p.store.Retire(t.Context(), "new-1", at+1, "test"))
	after := say(fact.KindStation, "new-2", fact.Site, "mill", fact.Line, "east", fact.Address, "8")
	for i := range after {
		after[i].From = at + 1
	}
	require.NoError(t, p.store.AddFacts(t.Context(), after))
	require.NoError(t, p.store.Close())
	p.store = nil

	r, err := backup.Restore(t.Context(), made.Path, p.path, p.clock)
	require.NoError(t, err)
	p.open()
	at++ // since then
	since := slices.Concat(
		say(fact.KindSite, "mill", fact.Name, "Mill"), say(fact.KindLine, "east", fact.Site, "mill"),
		say(fact.KindStation, "quay-1", fact.Site, "mill", fact.Line, "east", fact.Address, "7"))
	for i := range since {
		since[i].From--
	}
	require.NoError(t, p.store.AddFacts(t.Context(), since))
	out, err := backup.Salvage(t.Context(), r.Aside, p.path, p.clock, "test")
	require.NoError(t, err)
	// The address is quay-1's now, and the line's site was said anew.
	address := books[5]
	require.Equal(t, fact.Address, address.Name)
	require.Equal(t, []fact.Fact{address}, out.Refused)
	require.Equal(t, len(books)-2+len(before)+len(after), out.Facts)
	for _, kind := range fact.Kinds {
		list, err := p.store.FactsOf(t.Context(), kind)
		require.NoError(t, err)
		for _, f := range slices.Concat(books[:2], before, after, since) {
			require.True(t, f.Subject.Kind != kind || slices.Contains(list, f), "%v", f)
		}
		require.NotContains(t, list, address)
	}
	again, err := backup.Salvage(t.Context(), r.Aside, p.path, p.clock, "test")
	require.NoError(t, err)
	require.Equal(t, backup.Salvaged{Refused: []fact.Fact{address}}, again)
}

// An old store that can't be read is moved aside all the same.
func TestRestoreOverADamagedStore(t *testing.T) {
	p, made := small(t)
	require.NoError(t, p.store.Close())
	p.store = nil
	require.NoError(t, os.WriteFile(p.path, []byte("what is left of it"), 0o600))
	require.NoError(t, os.WriteFile(p.path+"-wal", []byte("and of this"), 0o600))
	r, err := backup.Restore(t.Context(), made.Path, p.path, p.clock)
	require.NoError(t, err)
	require.Error(t, r.Unread)
	left, err := os.ReadFile(r.Aside)
	require.NoError(t, err)
	require.Equal(t, "what is left of it", string(left))
	require.FileExists(t, r.Aside+"-wal")
	require.NoFileExists(t, p.path+"-wal")
	p.open()
	list, err := p.store.Restores(t.Context())
	require.NoError(t, err)
	require.Equal(t, []record.Restore{{At: r.At, Made: made.Made, Aside: r.Aside}}, list)
}

// Of a store that is gone its WAL may be left: it is moved aside too, and does
// not get beside the new one.
func TestRestoreBesideAWAL(t *testing.T) {
	p, made := small(t)
	require.NoError(t, p.store.Close())
	p.store = nil
	require.NoError(t, os.Remove(p.path))
	require.NoError(t, os.WriteFile(p.path+"-wal", []byte("all that is left"), 0o600))
	r, err := backup.Restore(t.Context(), made.Path, p.path, p.clock)
	require.NoError(t, err)
	require.Error(t, r.Unread)
	left, err := os.ReadFile(r.Aside + "-wal")
	require.NoError(t, err)
	require.Equal(t, "all that is left", string(left))
	require.NoFileExists(t, p.path+"-wal")
	_, err = backup.Restore(t.Context(), made.Path, p.path, p.clock)
	require.ErrorContains(t, err, "try again in a second")
	again, err := backup.Restore(t.Context(), made.Path, p.path, p.clock.Add(time.Second))
	require.NoError(t, err)
	require.NoError(t, again.Unread)
	require.Empty(t, again.Beyond)
}

func TestThinKeepsTheNewest(t *testing.T) {
	p, _ := small(t)
	ctx := context.Background()
	dir := t.TempDir()
	var made []string
	for range 5 {
		p.clock = p.clock.Add(24 * time.Hour)
		p.steps(2, false)
		m, err := backup.Make(ctx, backup.Config{Store: p.path, Target: dir, Now: func() time.Time { return p.clock }})
		require.NoError(t, err)
		made = append(made, m.Path)
	}
	require.Equal(t, "dewpost-"+p.clock.Format("20060102T150405Z")+".backup", filepath.Base(made[4]))
	// A file that is not what was made is somebody else's.
	require.NoError(t, os.WriteFile(made[0], []byte("mine"), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "dewpost-20200101T000000Z.backup"), []byte("mine too"), 0o600))
	removed, err := backup.Thin(ctx, p.path, made[4], 2)
	require.NoError(t, err)
	require.Equal(t, []string{made[2], made[1]}, removed)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, entries, 4)
	require.FileExists(t, filepath.Join(filepath.Dir(p.path), "one.backup"), "of another folder")
}
