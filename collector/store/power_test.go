//go:build !race

package store

import (
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

var powerOnly = flag.String("power.only", "", "check only this state, named as a failure names it")

// powerScale says how much TestPower tries.
type powerScale struct {
	works   int  // workloads
	calls   int  // in each, about
	places  int  // of so many places of the log one is cut
	states  int  // of the disk at each place
	kills   int  // of so many syncs the process is killed before one
	faults  int  // of so many calls of the file system one fails
	seconds int  // of so many states one is gone on with, and cut again
	flips   int  // of so many bits one is flipped
	made    bool // workloads begin with a store that was made before
	mutants bool
}

var powerScales = map[string]powerScale{
	"":      {works: 1, calls: 6, places: 9, states: 3, kills: 11, faults: 3989, seconds: 40, flips: 49_999, made: true, mutants: true},
	"quick": {works: 1, calls: 10, places: 1, states: 4, kills: 7, faults: 1500, seconds: 40, flips: 30_011, mutants: true},
	"full":  {works: 6, calls: 24, places: 1, states: 24, kills: 5, faults: 30, seconds: 20, flips: 400, mutants: true},
}

// power is TestPower at work.
type power struct {
	t      *testing.T
	ctx    context.Context
	seed   uint64
	scale  powerScale
	shared string
	others *powerOthers // for mutants only

	states, seconds, reals, faults, flips, harmless, detected int
	lost, unreadable, altered, plain, shorter                 int
}

// rng makes the random numbers of what has that name, whatever else is tried.
func (p *power) rng(name string) *rand.Rand {
	h := fnv.New64a()
	_, _ = h.Write([]byte(name))
	return rand.New(rand.NewPCG(p.seed, h.Sum64()))
}

// powerVerdict is what is wrong with a state.
type powerVerdict struct{ lost, unreadable, altered []string }

func (v *powerVerdict) all() []string { return slices.Concat(v.unreadable, v.lost, v.altered) }

// report counts what is wrong with a state, and says how to see it again.
func (p *power) report(name string, v *powerVerdict) {
	p.lost += len(v.lost)
	p.unreadable += len(v.unreadable)
	p.altered += len(v.altered)
	if all := v.all(); len(all) > 0 {
		p.t.Errorf("seed %d, state %s: %s\nagain: PROOF_SEED=%d PROOF_SCALE=%s go test ./collector/store -run TestPower -power.only %s",
			p.seed, name, strings.Join(all, "; "), p.seed, os.Getenv("PROOF_SCALE"), name)
		if p.lost+p.unreadable+p.altered > 10 {
			p.t.FailNow()
		}
	}
}

func (p *power) wanted(name string) bool {
	return *powerOnly == "" || *powerOnly == name || strings.HasPrefix(*powerOnly, name+"/")
}

// TestPower cuts the power, kills the process and lets the disk fail at every
// place, and looks at all that may be left of a store. Then it makes each sync
// of the engine do nothing, and sets the engine otherwise, and must find out.
func TestPower(t *testing.T) {
	scale := powerScales[os.Getenv("PROOF_SCALE")]
	require.NotZero(t, scale, "PROOF_SCALE: known are quick and full")
	defer debug.SetGCPercent(debug.SetGCPercent(400))
	p := &power{t: t, ctx: context.WithoutCancel(t.Context()), seed: 1, scale: scale, shared: t.TempDir()}
	if text := os.Getenv("PROOF_SEED"); text != "" {
		var err error
		p.seed, err = strconv.ParseUint(text, 10, 64)
		require.NoError(t, err)
	}
	before := driverName
	driverName = powerDriver
	t.Cleanup(func() { driverName = before })
	var traces []*powerTrace
	for w := range scale.works {
		list := p.traces(w)
		for _, tr := range list {
			p.cuts(tr)
		}
		traces = append(traces, list...)
		p.failures(w)
		p.damage(w)
	}
	mutants, caught := 0, 0
	if scale.mutants {
		mutants, caught = p.mutants(traces)
	}
	t.Logf("states found after a second cut: %d; with the program's own engine: %d; failing calls: %d; flipped bits: %d, of which %d detected, %d harmless",
		p.seconds, p.reals, p.faults, p.flips, p.detected, p.harmless)
	fmt.Printf("power: states=%d lost=%d unreadable=%d undetected=%d mutants=%d caught=%d plain_columns=%d wal_shorter=%d\n",
		p.states, p.lost, p.unreadable, p.altered, mutants, caught, p.plain, p.shorter)
	require.Equal(t, mutants, caught, "mutants that nobody noticed")
}

// powerTrace is the log of a session, to be cut anywhere.
type powerTrace struct {
	name  string
	start *powerCut
	log   []powerAct
	steps []powerStep
	old   []powerStep // of the process that was killed
	first int         // place of the log from which to cut
}

func (x *powerSession) trace(name string) *powerTrace {
	return &powerTrace{name: name, start: x.start, log: x.disk.log, steps: x.steps}
}

// at returns the step under way at a place of the log, or the next one; after
// the last, one that changes nothing.
func (tr *powerTrace) at(place int) powerStep {
	for _, s := range tr.steps {
		if s.to > place {
			return s
		}
	}
	last := tr.steps[len(tr.steps)-1]
	return powerStep{name: "end", before: last.after, after: last.after, sent: last.sent}
}

// sent is what was receipted before a place.
func (tr *powerTrace) sent(place int) (sent []record.Arrival) {
	for _, s := range tr.steps {
		if s.to <= place {
			sent = s.sent
		}
	}
	return sent
}

// traces are those of a workload, and of the same one killed before syncs.
func (p *power) traces(w int) []*powerTrace {
	name := fmt.Sprint(w)
	x := p.session(p.fresh())
	defer x.disk.gone()
	require.NoError(p.t, x.work(p.ctx, powerCalls(p.scale.calls, p.rng(name))))
	clean := x.trace(name)
	traces := []*powerTrace{clean}
	cut := clean.start.clone()
	stride := p.rng(name + " kills").IntN(p.scale.kills)
	for place := range clean.log {
		if clean.log[place].what != "" {
			if stride--; stride < 0 {
				stride = p.scale.kills - 1
				traces = append(traces, p.killed(clean, cut, place))
			}
		}
		cut.apply(&clean.log[place])
	}
	return traces
}

// touched is a disk on which Open has made an empty file.
func (p *power) touched() *powerDisk {
	d := newPowerDisk(p.shared)
	d.names["store.db"] = &powerNode{id: -1, name: "store.db"}
	return d
}

// fresh is a disk for a workload.
func (p *power) fresh() *powerDisk {
	d := p.touched()
	if p.scale.made {
		x := p.session(d)
		p.must(x.open(p.ctx))
		p.must(x.close())
		defer d.gone()
		return d.clone()
	}
	return d
}

func (p *power) session(d *powerDisk) *powerSession {
	return &powerSession{disk: d, start: cutOf(d)}
}

// killed kills the process at a place, opens the store again on the same disk
// and shows what is there; of that nothing may be lost any more.
func (p *power) killed(tr *powerTrace, cut *powerCut, place int) *powerTrace {
	d, start := cut.killed(p.shared)
	defer d.gone()
	d.phase = "found:"
	at := tr.at(place)
	y := &powerSession{disk: d, start: start, now: at.before, sent: tr.sent(place)}
	name := fmt.Sprintf("%s.killed.%d", tr.name, place)
	var v powerVerdict
	err := y.step(p.ctx, "open", nil, func() error { return y.open(p.ctx) })
	if err != nil {
		v.unreadable = append(v.unreadable, err.Error())
		p.report(name, &v)
		return y.trace(name)
	}
	p.compare(&v, tr, at, y.now)
	p.report(name, &v)
	p.states++
	y.steps[0].after = at.after // until Open returns
	if at.before == nil {
		y.steps[0].before = nil
	}
	d.phase = ""
	again := at.sent[len(y.sent):]
	require.NoError(p.t, y.step(p.ctx, "commit", again, func() error {
		_, err := y.s.Commit(p.ctx, again)
		return err
	}))
	require.NoError(p.t, y.step(p.ctx, "close", nil, y.close))
	next := y.trace(name)
	next.old = tr.steps
	return next
}

// compare finds out whether what a store holds is what it held before or after
// a step.
func (p *power) compare(v *powerVerdict, tr *powerTrace, at powerStep, now *powerState) {
	switch {
	case at.before == nil && at.after == nil, now.all == at.after.all, at.before != nil && now.all == at.before.all:
		return
	case at.before == nil:
	default:
		for _, s := range slices.Concat(tr.old, tr.steps) {
			if s.after != nil && s.after.all == now.all {
				v.lost = append(v.lost, fmt.Sprintf("in %s: only what there was after an earlier %s", at.name, s.name))
				return
			}
		}
	}
	what := "other things"
	if at.before != nil && now.readings != at.before.readings && now.readings != at.after.readings {
		what = "readings"
	}
	v.altered = append(v.altered, fmt.Sprintf("in %s: %s are as they never were", at.name, what))
}

// each calls use for states at places of a trace, until it returns false.
func (p *power) each(tr *powerTrace, other []powerAct, use func(place int, name string, disk *powerDisk, rng *rand.Rand) bool) {
	log, cut, clean := tr.log, tr.start.clone(), (*powerCut)(nil)
	if other != nil {
		log, clean = other, tr.start.clone()
	}
	seen := map[[2]uint64]bool{}
	stride := p.rng(tr.name + " places").IntN(p.scale.places)
	for place := 0; place <= len(log); place++ {
		if place >= tr.first && tr.worth(log, place) && (clean == nil || !cut.same(clean)) {
			if stride--; stride < 0 || other != nil {
				stride = p.scale.places - 1
				if !p.at(tr, cut, place, seen, use) {
					return
				}
			}
		}
		if place < len(log) {
			cut.apply(&log[place])
			if clean != nil {
				clean.apply(&tr.log[place])
			}
		}
	}
}

// worth tells whether a place has states that no later one has: it lies before a
// sync, or at the end of a step.
func (tr *powerTrace) worth(log []powerAct, place int) bool {
	return place == len(log) || tr.log[place].op == powerSync || tr.log[place].op == powerSyncDir ||
		slices.ContainsFunc(tr.steps, func(s powerStep) bool { return s.to == place })
}

func (p *power) at(tr *powerTrace, cut *powerCut, place int, seen map[[2]uint64]bool, use func(int, string, *powerDisk, *rand.Rand) bool) bool {
	step := uint64(slices.IndexFunc(tr.steps, func(s powerStep) bool { return s.to > place }))
	for n := 0; ; n++ {
		name := fmt.Sprintf("%s.%d.%d", tr.name, place, n)
		rng := p.rng(name)
		disk, ok := cut.build(n, p.scale.states, p.shared, rng)
		if !ok {
			return true
		}
		key := [2]uint64{step, disk.sum()}
		goOn := seen[key] || use(place, name, disk, rng)
		seen[key] = true
		disk.gone()
		if !goOn {
			return false
		}
	}
}

// cuts looks at states of a trace, and lets some be cut once more.
func (p *power) cuts(tr *powerTrace) {
	p.each(tr, nil, func(place int, name string, disk *powerDisk, rng *rand.Rand) bool {
		if !p.wanted(name) {
			return true
		}
		p.states++
		again := rng.IntN(p.scale.seconds) == 0
		var copied *powerDisk
		if again {
			copied = disk.clone()
			defer copied.gone()
		}
		if rng.IntN(2*p.scale.seconds) == 0 {
			p.real(name, tr, place, disk)
		}
		v := p.find(tr, place, disk)
		p.report(name, &v)
		if again && len(v.all()) == 0 {
			p.again(name, tr, place, copied, rng)
		}
		return true
	})
}

// real looks at a state with the program's own build of the engine, in a folder
// of a real file system.
func (p *power) real(name string, tr *powerTrace, place int, disk *powerDisk) {
	p.reals++
	before := driverName
	driverName = "sqlite"
	defer func() { driverName = before }()
	dir := p.t.TempDir()
	for base, node := range disk.names {
		p.must(os.WriteFile(filepath.Join(dir, base), node.data, 0o600))
	}
	s, err := Open(p.ctx, filepath.Join(dir, "store.db"))
	v := p.found(tr, place, &powerSession{s: s}, err)
	p.report(name, &v)
}

// find opens the store on a disk that a power cut left, and says what is wrong.
func (p *power) find(tr *powerTrace, place int, disk *powerDisk) powerVerdict {
	x := &powerSession{disk: disk}
	return p.found(tr, place, x, x.open(p.ctx))
}

// found says what is wrong with a store that was opened, or not.
func (p *power) found(tr *powerTrace, place int, x *powerSession, err error) (v powerVerdict) {
	if err != nil {
		v.unreadable = append(v.unreadable, err.Error())
		return v
	}
	defer func() {
		if err := x.close(); err != nil {
			v.unreadable = append(v.unreadable, err.Error())
		}
	}()
	if _, err := x.s.Verify(p.ctx); err != nil {
		v.unreadable = append(v.unreadable, err.Error())
		return v
	}
	now, err := look(p.ctx, x.s)
	if err != nil {
		v.unreadable = append(v.unreadable, err.Error())
		return v
	}
	p.compare(&v, tr, tr.at(place), &now)
	return v
}

// again opens a disk that a power cut left, lets all agents send everything
// again, and cuts the power on the way.
func (p *power) again(name string, tr *powerTrace, place int, disk *powerDisk, rng *rand.Rand) {
	at := tr.at(place)
	x := p.session(disk)
	x.now = at.before
	var v powerVerdict
	err := x.step(p.ctx, "open", nil, func() error { return x.open(p.ctx) })
	want := at.after
	if at.name != "commit" && at.before != nil && err == nil && x.now.all == at.before.all {
		want = at.before
	}
	if err == nil && len(at.sent) > 0 {
		err = x.step(p.ctx, "all again", nil, func() error {
			for _, a := range at.sent {
				if _, err := x.s.Commit(p.ctx, []record.Arrival{a}); err != nil {
					return err
				}
			}
			return nil
		})
		if err == nil && (x.now.readings != want.readings || x.now.quarantined != want.quarantined) {
			v.altered = append(v.altered, "sent again, readings or quarantine are not what they would be")
		}
	}
	if err == nil {
		_, err = x.s.Verify(p.ctx)
	}
	if err = errors.Join(err, x.step(p.ctx, "close", nil, x.close)); err != nil {
		v.unreadable = append(v.unreadable, err.Error())
	}
	p.report(name, &v)
	next := x.trace(name + "/")
	whole := func(now *powerState) bool { // of many commits
		return now.readings == want.readings || at.before != nil && now.readings == at.before.readings
	}
	few := *p
	few.scale.states, few.scale.places = 3, 1+rng.IntN(8)
	few.each(next, nil, func(_ int, n string, d *powerDisk, _ *rand.Rand) bool {
		p.states++
		p.seconds++
		y := p.session(d)
		var v powerVerdict
		err := y.open(p.ctx)
		if err == nil {
			var now powerState
			_, err = y.s.Verify(p.ctx)
			if err == nil {
				now, err = look(p.ctx, y.s)
			}
			if err == nil && !whole(&now) && len(at.sent) == len(tr.sent(place)) {
				v.altered = append(v.altered, "readings are not what they were")
			}
			err = errors.Join(err, y.close())
		}
		if err != nil {
			v.unreadable = append(v.unreadable, err.Error())
		}
		p.report(n, &v)
		return true
	})
}

// TestFailedSync: after a commit whose sync failed the connection is not used
// again, and what was written then is not taken for safe.
func TestFailedSync(t *testing.T) {
	before := driverName
	driverName = powerDriver
	defer func() { driverName = before }()
	for _, reading := range []bool{false, true} { // whether another connection holds the files open
		p := &power{t: t, ctx: t.Context(), scale: powerScales[""], shared: t.TempDir()}
		d := p.touched()
		defer d.gone()
		x := p.session(d)
		require.NoError(t, x.open(t.Context()))
		enrol(t, x.s, "a")
		conn := func() *sql.Conn {
			w := <-x.s.write
			defer func() { x.s.write <- w }()
			return w.conn
		}
		if reading {
			require.Empty(t, readAll(t, x.s, "a"))
		}
		first := conn()
		d.failSync = "store.db-wal"
		_, err := x.s.Commit(t.Context(), []record.Arrival{fullArrival()})
		require.ErrorContains(t, err, "commit: ")
		require.Empty(t, d.failSync)
		require.Empty(t, readAll(t, x.s, "a"))
		commit(t, x.s, fullArrival())
		require.NotSame(t, first, conn())

		cut := x.start.clone()
		for i := range d.log {
			cut.apply(&d.log[i])
		}
		require.NoError(t, x.close())
		for n := range 12 {
			if disk, ok := cut.build(n, 12, p.shared, p.rng(fmt.Sprint(n))); ok {
				v := p.holds(disk, []powerAck{{arrivals: []record.Arrival{fullArrival()}}}, 1)
				require.Empty(t, v.all())
				disk.gone()
			}
		}
	}
}
