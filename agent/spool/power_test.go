package spool

import (
	"flag"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var powerOnly = flag.String("power.only", "", "check only this state, named as a failure names it")

// powerScale says how much TestPower tries.
type powerScale struct {
	works   int // workloads
	acts    int // in each
	states  int // of the disk at each place of the log
	kills   int // each workload is killed at every kills-th call
	faults  int // and fails at every faults-th
	seconds int // of so many states one is cut again
	flips   int // of so many bits one is flipped
	mutants int // workloads to find a mutant with
}

var powerScales = map[string]powerScale{
	"":      {works: 1, acts: 32, states: 6, kills: 61, faults: 61, seconds: 60, flips: 37, mutants: 9},
	"quick": {works: 3, acts: 40, states: 12, kills: 17, faults: 19, seconds: 40, flips: 11, mutants: 20},
	"full":  {works: 1, acts: 56, states: 40, kills: 5, faults: 1, seconds: 30, flips: 3, mutants: 40},
}

// power is TestPower at work.
type power struct {
	t     *testing.T
	seed  uint64
	scale powerScale

	others map[int][]*powerTrace // for mutants only

	states, seconds, faults, flips    int
	lost, unreadable, altered, counts int
}

func powerSeedOf(t *testing.T) uint64 {
	text := os.Getenv("PROOF_SEED")
	if text == "" {
		return 1
	}
	seed, err := strconv.ParseUint(text, 10, 64)
	require.NoError(t, err)
	return seed
}

// rng makes the random numbers of what has that name, whatever else is tried.
func (p *power) rng(name string) *rand.Rand {
	h := fnv.New64a()
	_, _ = h.Write([]byte(name))
	return rand.New(rand.NewPCG(p.seed, h.Sum64()))
}

// report counts what is wrong with a state, and says how to see it again.
func (p *power) report(name string, v *powerVerdict) {
	p.lost += len(v.lost)
	p.unreadable += len(v.unreadable)
	p.altered += len(v.altered)
	p.counts += len(v.miscounted)
	if all := v.all(); len(all) > 0 {
		p.t.Errorf("seed %d, state %s: %s\nagain: PROOF_SEED=%d PROOF_SCALE=%s go test ./agent/spool -run TestPower -power.only %s",
			p.seed, name, strings.Join(all, "; "), p.seed, os.Getenv("PROOF_SCALE"), name)
		if p.lost+p.unreadable+p.altered+p.counts > 10 {
			p.t.FailNow()
		}
	}
}

func (p *power) wanted(name string) bool {
	return *powerOnly == "" || *powerOnly == name || strings.HasPrefix(*powerOnly, name+"/")
}

// TestPower cuts the power, kills the process and lets the disk fail at every
// place, and looks at all that may be left. Then it leaves out each sync of the
// code, and each other thing that has to come before another, and must find
// out.
func TestPower(t *testing.T) {
	scale := powerScales[os.Getenv("PROOF_SCALE")]
	if scale.works == 0 {
		t.Fatalf("PROOF_SCALE=%q: known are quick and full", os.Getenv("PROOF_SCALE"))
	}
	defer debug.SetGCPercent(debug.SetGCPercent(400))
	p := &power{t: t, seed: powerSeedOf(t), scale: scale}
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
	mutants, caught := p.mutants(traces)
	require.Equal(t, mutants, caught, "mutants that nobody noticed")
	t.Logf("states found after a second cut: %d; failing calls: %d; flipped bits: %d", p.seconds, p.faults, p.flips)
	fmt.Printf("power: states=%d lost=%d unreadable=%d undetected=%d mutants=%d caught=%d miscounted=%d\n",
		p.states, p.lost, p.unreadable, p.altered, mutants, caught, p.counts)
}

// powerTrace is the log of a session, to be cut anywhere.
type powerTrace struct {
	name  string
	start *powerCut
	log   []powerAct
	steps []powerStep
	first int // places of the log where to cut
	last  int
	calls int
	boot  string
}

func (x *powerSession) trace(name string) *powerTrace {
	return &powerTrace{name: name, start: x.start, log: x.disk.log, last: len(x.disk.log), steps: x.steps, calls: x.disk.calls, boot: x.o.Boot}
}

func (p *power) session(w int) *powerSession {
	disk := newPowerDisk()
	disk.traced = true
	x := newPowerSession(disk, newPowerModel(), "boot 1", p.rng(fmt.Sprint("work ", w)))
	switch w % 3 {
	case 1: // each Append begins a segment, and many have been held before
		x.kinds = []int{0, 10, 13, 0, 10, 13, 6, 15}
		x.o.SegmentBytes = 1
	case 2: // few states are written
		x.kinds = []int{0, 1, 6, 15, 2, 5}
		x.o.SegmentBytes = 2 << 10
	}
	return x
}

// traces are those of a workload, and of the same one killed here and there.
func (p *power) traces(w int) []*powerTrace {
	clean := p.work(w)
	var at []int
	for k := 1 + p.rng(fmt.Sprint("kill ", w)).IntN(p.scale.kills); k <= clean.calls; k += p.scale.kills {
		at = append(at, k)
	}
	return append([]*powerTrace{clean}, p.killed(w, clean, at)...)
}

func (p *power) work(w int) *powerTrace {
	x := p.session(w)
	x.work(p.scale.acts)
	name := fmt.Sprintf("%d", w)
	p.report(name, &powerVerdict{altered: x.live})
	return x.trace(name)
}

// at returns what was known at a place of the log: before the call under way,
// or the next one, and after it.
func (tr *powerTrace) at(place int) (before, after *powerModel) {
	for i := range tr.steps {
		if s := &tr.steps[i]; s.to > place {
			return s.before, s.after
		}
	}
	last := tr.steps[len(tr.steps)-1].after
	return last, last
}

// each calls use for every state at every place of a trace, until it returns
// false. With another log than that of the trace, it leaves out the places
// where that makes no difference.
func (p *power) each(tr *powerTrace, other []powerAct, use func(place int, name string, disk *powerDisk, rng *rand.Rand) bool) {
	log, cut, clean := tr.log, tr.start.clone(), (*powerCut)(nil)
	if other != nil {
		log, clean = other, tr.start.clone()
	}
	seen := map[[2]uint64]bool{}
	for place := 0; place <= tr.last; place++ {
		if place >= tr.first && (clean == nil || !cut.same(clean)) {
			before, _ := tr.at(place)
			step := uint64(slices.IndexFunc(tr.steps, func(s powerStep) bool { return s.before == before }))
			for n := 0; ; n++ {
				name := fmt.Sprintf("%s.%d.%d", tr.name, place, n)
				rng := p.rng(name)
				choice, ok := cut.choice(n, p.scale.states, rng)
				if !ok {
					break
				}
				disk := cut.build(choice, rng)
				if key := [2]uint64{step, disk.sum()}; !seen[key] {
					seen[key] = true
					if !use(place, name, disk, rng) {
						return
					}
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

// cuts looks at every state of a trace, and lets some be cut once more.
func (p *power) cuts(tr *powerTrace) {
	p.each(tr, nil, func(place int, name string, disk *powerDisk, rng *rand.Rand) bool {
		if !p.wanted(name) {
			return true
		}
		p.states++
		before, after := tr.at(place)
		if rng.IntN(p.scale.seconds) == 0 {
			p.again(name, disk.clone(), before, after)
		}
		x := newPowerSession(disk, after, "boot 2", rng)
		v := x.find(before, after, false)
		if x.s != nil && len(v.all()) == 0 {
			v.altered = append(v.altered, x.goOn(9)...)
		}
		p.report(name, &v)
		return true
	})
}

// again cuts the power again while the spool recovers, and while it goes on.
func (p *power) again(name string, disk *powerDisk, before, after *powerModel) {
	rng := p.rng(name + "/")
	x := newPowerSession(disk, after, "boot 2", rng)
	var v powerVerdict
	x.step(func() { v = x.find(before, after, false) })
	if len(v.all()) > 0 {
		return // reported before
	}
	x.steps[0].before, x.steps[0].after = before, after
	x.goOn(9)
	next := x.trace(name + "/")
	stride := 1 + rng.IntN(2*len(next.log)/3+1)
	for at := stride / 2; at <= len(next.log); at += stride {
		next.first, next.last = at, at
		few := *p
		few.scale.states = 6
		few.each(next, nil, func(at int, n string, d *powerDisk, rng *rand.Rand) bool {
			p.states++
			p.seconds++
			before, after := next.at(at)
			y := newPowerSession(d, after, "boot 3", rng)
			v := y.find(before, after, false)
			if y.s != nil && len(v.all()) == 0 {
				v.altered = append(v.altered, y.goOn(3)...)
			}
			p.report(n, &v)
			return true
		})
	}
}

// killed kills the process at some calls of a workload, opens the spool again on
// the same disk, goes on, and returns the traces.
func (p *power) killed(w int, clean *powerTrace, at []int) (traces []*powerTrace) {
	for _, k := range at {
		x := p.session(w)
		x.disk.failAt, x.disk.how = k, powerKilled
		if !x.until(p.scale.acts) {
			continue
		}
		name := fmt.Sprintf("%d.killed.%d", w, k)
		step := &x.steps[len(x.steps)-1]
		step.to, step.after = len(x.disk.log), clean.steps[len(x.steps)-1].after
		before, after := step.before, step.after
		y := newPowerSession(x.disk, after, "boot 1", p.rng(name))
		y.start, y.steps, y.now = x.start, x.steps, x.now
		var v powerVerdict
		y.step(func() { v = y.find(before, after, true) })
		opened := &y.steps[len(y.steps)-1]
		opened.before, opened.after = before, after
		if len(v.all()) == 0 {
			v.altered = append(v.altered, y.goOn(12)...)
		}
		p.states++
		p.report(name, &v)
		tr := y.trace(name)
		tr.first = step.to
		traces = append(traces, tr)
	}
	return traces
}

// until works until it is killed, and tells whether it was.
func (x *powerSession) until(acts int) (killed bool) {
	defer func() {
		switch r := recover(); r {
		case nil:
		case powerKill{}:
			killed = true
		default:
			panic(r)
		}
	}()
	x.work(acts)
	return false
}

// failures lets each call fail in each manner.
func (p *power) failures(w int) {
	for _, how := range []powerFault{powerRefused, powerFull, powerHalf, powerDone} {
		for k := 1 + p.rng(fmt.Sprint("fail ", w, how)).IntN(p.scale.faults); ; k += p.scale.faults {
			x := p.session(w)
			x.disk.failAt, x.disk.how = k, how
			x.work(p.scale.acts)
			name := fmt.Sprintf("%d.%s.%d", w, strings.ReplaceAll(string(how), " ", "_"), k)
			p.report(name, &powerVerdict{altered: x.live})
			if x.disk.calls < k {
				break
			}
			p.faults++
			tr := x.trace(name)
			tr.first = p.rng(name).IntN(len(tr.log) + 1)
			few := *p
			few.scale.states = 6
			tr.last = min(tr.last, tr.first+10)
			few.each(tr, nil, func(place int, n string, d *powerDisk, rng *rand.Rand) bool {
				p.states++
				before, after := tr.at(place)
				y := newPowerSession(d, after, "boot 2", rng)
				v := y.find(before, after, false)
				if y.s != nil && len(v.all()) == 0 {
					v.altered = append(v.altered, y.goOn(9)...)
				}
				p.report(n, &v)
				return true
			})
		}
	}
}

// What follows are single cases that TestPower found, or that led to it.

// left is what a power cut leaves when nothing arrived that was not synced.
func (x *powerSession) left() *powerDisk {
	cut := x.start.clone()
	for i := range x.disk.log {
		cut.apply(&x.disk.log[i])
	}
	none := make([]bool, len(cut.entries)+len(cut.pieces(512)))
	return cut.build(powerChoice{sector: 512, took: none}, x.rng)
}

func single(t *testing.T) (*powerSession, *Spool) {
	t.Helper()
	x := newPowerSession(newPowerDisk(), newPowerModel(), boot, rand.New(rand.NewPCG(1, 1)))
	return x, x.mustOpen(t, x.disk)
}

func (x *powerSession) mustOpen(t *testing.T, d *powerDisk) *Spool {
	t.Helper()
	x.o.FS = d
	s, err := Open(powerDir, x.o)
	require.NoError(t, err)
	return s
}

// TestWrittenAgainIsKept: a sync fails, and the records go to another file. Only
// that is on the disk, though the first one can be read as long as power lasts.
func TestWrittenAgainIsKept(t *testing.T) {
	x, s := single(t)
	appendN(t, s, 1)
	x.disk.failAt, x.disk.how = x.disk.calls+2, powerRefused // write, sync
	appendN(t, s, 3)
	require.NoError(t, s.Close())
	s = x.mustOpen(t, x.disk)
	require.Equal(t, span(1, 4), held(t, s))
	balance(t, s)
	s = x.mustOpen(t, x.left())
	require.Equal(t, span(1, 4), held(t, s))
	balance(t, s)
}

// TestHoleBeforeWrittenAgain: of records that were written again the first file
// holds a later one and not an earlier one.
func TestHoleBeforeWrittenAgain(t *testing.T) {
	one := appendRecord(appendSegmentHeader(nil, fuzzRun), fuzzRun, 1, 1, content(1))
	one = appendRecord(append(one, make([]byte, 600)...), fuzzRun, 3, 1, content(3))
	two := appendRecord(appendSegmentHeader(nil, fuzzRun), fuzzRun, 2, 1, content(2))
	two = appendRecord(two, fuzzRun, 3, 1, content(3))
	s := openFiles(t, map[string][]byte{segmentName(memDir, 1): one, segmentName(memDir, 2): two})
	require.Equal(t, span(1, 3), held(t, s))
	require.Empty(t, s.Status().Discarded)
	balance(t, s)
}

// TestOldBytesInANewFile: a file whose blocks held an older one can show records
// of it, and none of the true ones is taken for written again.
func TestOldBytesInANewFile(t *testing.T) {
	one := appendSegmentHeader(nil, fuzzRun)
	for seq := range int64(5) {
		one = appendRecord(one, fuzzRun, seq+1, 1, content(seq+1))
	}
	old := appendRecord(make([]byte, segmentHeader), fuzzRun, 2, 1, content(2))
	s := openFiles(t, map[string][]byte{segmentName(memDir, 1): one, segmentName(memDir, 2): old})
	require.Equal(t, span(1, 5), held(t, s))
	balance(t, s)
}

// TestHoleInFixed: of held records being appended the second of three didn't
// arrive. Its bytes are still held, and so it and its successor are appended
// again, at once or one by one.
func TestHoleInFixed(t *testing.T) {
	for _, pieces := range []bool{false, true} {
		testHoleInFixed(t, pieces)
	}
}

func testHoleInFixed(t *testing.T, pieces bool) {
	x, s := single(t)
	for seq := range int64(3) {
		require.NoError(t, s.Hold(content(seq+1)))
	}
	require.NoError(t, s.Fix(note))
	d := x.disk.clone()
	require.NoError(t, s.Append(1, contents(1, 3)))
	name := s.segments[0].name
	e := s.segments[0].entries
	b := x.disk.clone().names[name].data
	clear(b[e[1].offset:e[2].offset])
	d.names[name] = &powerNode{data: b}

	s = x.mustOpen(t, d)
	require.Equal(t, []int64{1}, held(t, s))
	require.Equal(t, contents(2, 2), s.Held())
	if pieces { // the old file still holds the later one of both
		require.NoError(t, s.Append(2, s.Held()[:1]))
		s = x.mustOpen(t, d)
		require.Equal(t, span(1, 2), held(t, s))
		require.Equal(t, contents(3, 1), s.Held())
		require.NoError(t, s.Append(3, s.Held()))
	} else {
		require.NoError(t, s.Append(2, s.Held()))
	}
	require.Equal(t, span(1, 3), held(t, s))
	require.Empty(t, s.Status().Discarded)
	balance(t, s)
	require.NoError(t, s.Close())
	require.Equal(t, span(1, 3), held(t, x.mustOpen(t, d)))
}

// TestFirstHeldIsDamaged counts a held record that can't be read, once, though
// no state and no other record tells its number.
func TestFirstHeldIsDamaged(t *testing.T) {
	x, s := single(t)
	require.NoError(t, s.Hold(content(1)))
	require.NoError(t, s.Fix(note))
	require.NoError(t, s.Append(1, contents(1, 1)))
	require.NoError(t, s.Hold(content(2)))
	x.disk.names[powerDir+"/"+heldFile].data[heldHeader+recordHeader] ^= 1
	waiting := x.disk.clone().names[powerDir+"/"+heldFile]
	for range 2 {
		s = x.mustOpen(t, x.disk)
		require.Equal(t, map[string]int64{ReasonCorrupt: 1}, s.Status().Discarded)
		require.Equal(t, int64(2), s.Status().Sampled)
		balance(t, s)
		x.disk.names[powerDir+"/"+heldFile] = waiting // a power cut took back its removal
	}
}

// TestFolderOfAKilledProcess: who made the folder died before its name was safe.
func TestFolderOfAKilledProcess(t *testing.T) {
	x := newPowerSession(newPowerDisk(), newPowerModel(), boot, rand.New(rand.NewPCG(1, 1)))
	for _, dir := range []string{"/var", powerDir} {
		require.NoError(t, x.disk.Mkdir(dir))
	}
	s := x.mustOpen(t, x.disk)
	appendN(t, s, 1)
	require.Equal(t, []int64{1}, held(t, x.mustOpen(t, x.left())))
}
