package spool

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
)

// powerMutant is the spool with a mistake: its log is what the disk would have
// seen.
type powerMutant struct {
	name   string
	change func(tr *powerTrace) (log []powerAct, first int) // first: the first act that is another; len(log): none
}

// leaveOut blanks the acts that match.
func leaveOut(name string, match func(*powerAct) bool) powerMutant {
	return powerMutant{name, func(tr *powerTrace) ([]powerAct, int) {
		log, first := slices.Clone(tr.log), len(tr.log)
		for i := range log {
			if match(&log[i]) {
				log[i].op = powerNothing
				first = min(first, i)
			}
		}
		return log, first
	}}
}

// moveUp does what matches before all that follows the last of what anchor
// matches in the same call.
func moveUp(name string, match, anchor func(*powerAct) bool) powerMutant {
	return powerMutant{name, func(tr *powerTrace) ([]powerAct, int) {
		log, first := slices.Clone(tr.log), len(tr.log)
		for _, step := range tr.steps {
			at := -1
			for i := step.from; i < step.to; i++ {
				switch {
				case at < 0 && anchor(&log[i]):
					at = i
				case at >= 0 && match(&log[i]):
					a := log[i]
					copy(log[at+1:i+1], log[at:i])
					log[at] = a
					first = min(first, at)
					at++
				}
			}
		}
		return log, first
	}}
}

// isSync names a sync of the code; "" for everything else.
func (a *powerAct) isSync() string {
	what := ""
	switch a.op {
	case powerSync:
		what = "file"
	case powerSyncDir:
		what = "folder"
	default:
		return ""
	}
	inner, outer, _ := strings.Cut(a.chain, "<")
	outer, _, _ = strings.Cut(outer, "<")
	if inner == "replaceFile" {
		inner += " of " + outer
	}
	return fmt.Sprintf("no sync of the %s in %s", what, inner)
}

// ofState tells on whose behalf an act writes the state; "" for other acts.
func (a *powerAct) ofState() string {
	_, callers, ok := strings.Cut(a.chain, "<writeState<")
	if !ok {
		return ""
	}
	for caller := range strings.SplitSeq(callers, "<") {
		if caller != "saved" && caller != "save" {
			return "no state written in " + caller
		}
	}
	return ""
}

func isState(a *powerAct) bool   { return a.ofState() != "" }
func newState(a *powerAct) bool  { return isState(a) && a.op == powerCreate }
func isSegment(name string) bool { return strings.HasSuffix(name, segmentSuffix) }
func within(f string) func(*powerAct) bool {
	return func(a *powerAct) bool { return slices.Contains(strings.Split(a.chain, "<"), f) }
}

// powerOrders are things that must come one before the other.
var powerOrders = []powerMutant{
	moveUp("segment removed before the state says so", func(a *powerAct) bool { return a.op == powerRemove && isSegment(a.name) }, newState),
	moveUp("state in its place before it is synced", func(a *powerAct) bool { return isState(a) && a.op == powerRename },
		func(a *powerAct) bool { return isState(a) && a.op == powerSync }),
	moveUp("state says dead before the bytes are", isState, within("appendDead")),
	moveUp("state written before segments are settled", isState, within("settle")),
	moveUp("file of held records in its place before it is synced", func(a *powerAct) bool { return within("rewriteHeld")(a) && a.op == powerRename },
		func(a *powerAct) bool { return within("rewriteHeld")(a) && a.op == powerSync }),
}

// powerNeedless are never noticed: what advance writes down, that held records
// have got their numbers, the segments say too, which costs little, as clocks are
// not set often; and the reserve is synced so that it has its room, not to last.
var powerNeedless = []string{"no state written in advance", "no sync of the file in putBack"}

// mutants tries each mistake and returns how many there are and how many were
// noticed. Where the traces so far don't show it, others are made.
func (p *power) mutants(traces []*powerTrace) (n, caught int) {
	names := map[string]powerMutant{}
	for _, tr := range traces {
		for i := range tr.log {
			if a := &tr.log[i]; a.isSync() != "" {
				names[a.isSync()] = leaveOut(a.isSync(), func(b *powerAct) bool { return b.isSync() == a.isSync() })
			}
			if a := &tr.log[i]; a.ofState() != "" {
				names[a.ofState()] = leaveOut(a.ofState(), func(b *powerAct) bool { return b.ofState() == a.ofState() })
			}
		}
	}
	for _, name := range powerNeedless {
		delete(names, name)
	}
	for _, m := range powerOrders {
		names[m.name] = m
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		n++
		how, tried := "", 0
		for w := 0; how == "" && w < p.scale.mutants; w++ {
			list := traces
			if w > 0 {
				list = p.more(w)
			}
			for _, tr := range list {
				if how = p.notices(names[name], tr); how != "" {
					break
				}
				tried++
			}
		}
		if how == "" {
			p.t.Errorf("seed %d: %s: nothing noticed in %d traces", p.seed, name, tried)
			continue
		}
		caught++
		p.t.Logf("%s: %.110s", name, how)
	}
	return n, caught
}

// more makes traces of other workloads, killed before each sync.
func (p *power) more(w int) []*powerTrace {
	if p.others == nil {
		p.others = map[int][]*powerTrace{}
	}
	if p.others[w] == nil {
		clean := p.work(w + 1000)
		var at []int
		for i := range clean.log {
			if a := &clean.log[i]; a.isSync() != "" {
				at = append(at, a.call)
			}
		}
		p.others[w] = append([]*powerTrace{clean}, p.killed(w+1000, clean, at)...)
	}
	return p.others[w]
}

// notices looks for a state that shows a mistake, and tells what it shows.
func (p *power) notices(m powerMutant, tr *powerTrace) (how string) {
	log, first := m.change(tr)
	if first == len(log) {
		return ""
	}
	part := *tr
	part.first = max(tr.first, first)
	p.each(&part, log, func(place int, name string, disk *powerDisk, rng *rand.Rand) bool {
		before, after := tr.at(place)
		x := newPowerSession(disk, after, "boot 2", rng)
		v := x.find(before, after, false)
		if all := v.all(); len(all) > 0 {
			how = name + ": " + all[0]
		}
		return how == ""
	})
	return how
}

// damage flips bits of the files that a workload left, one at a time.
func (p *power) damage(w int) {
	rng := p.rng(fmt.Sprint("damage ", w))
	x := p.session(w)
	x.work(p.scale.acts - rng.IntN(8))
	if x.s != nil && rng.IntN(2) == 0 {
		x.close()
	}
	for _, name := range slices.Sorted(maps.Keys(x.disk.names)) {
		if filepath.Base(name) == deadFile {
			continue // nothing reads it but a person
		}
		was := x.disk.names[name].data
		for bit := rng.IntN(p.scale.flips); bit < 8*len(was); bit += p.scale.flips {
			p.flips++
			p.states++
			disk := x.disk.clone()
			disk.names[name].data[bit/8] ^= 1 << (bit % 8)
			y := newPowerSession(disk, x.m.clone(), "boot 1", rng)
			v := y.findDamaged(x.m, name, int64(bit/8), was)
			p.report(fmt.Sprintf("%d.%s.%d", w, filepath.Base(name), bit), &v)
		}
	}
}

// findDamaged opens a spool one of whose files is damaged at one place; b is
// what the file was.
func (x *powerSession) findDamaged(before *powerModel, name string, at int64, b []byte) (v powerVerdict) {
	run := before.status.Run
	entries, _ := scan(b, run)
	n, inside := slices.BinarySearchFunc(entries, at, func(e entry, at int64) int {
		switch {
		case e.offset+recordHeader+int64(e.length) <= at:
			return -1
		case e.offset > at:
			return 1
		}
		return 0
	})
	s, err := Open(powerDir, x.o)
	if err != nil {
		v.unreadable = append(v.unreadable, fmt.Sprint("open: ", err))
		return v
	}
	x.s = s
	base := filepath.Base(name)
	x.m.safe = map[int64]bool{}
	x.hand()
	s.Skip(s.Torn(), ReasonTorn) // of the last record it can't be told whether it was ever written
	st := s.Status()
	damaged := st.Discarded[ReasonCorrupt] + st.Discarded[ReasonTorn] - before.status.Discarded[ReasonCorrupt] - before.status.Discarded[ReasonTorn]
	if problem := counted(st); problem != "" && base != stateFile {
		v.miscounted = append(v.miscounted, problem)
	}
	for seq := range before.safe {
		hit := isSegment(base) && inside && entries[n].seq == seq
		switch {
		case before.gone[seq] || x.m.safe[seq]:

		case !hit:
			v.lost = append(v.lost, fmt.Sprintf("record %d is lost", seq))
		case damaged != 1:
			v.miscounted = append(v.miscounted, fmt.Sprintf("record %d is gone and not counted", seq))
		}
		if st.Run == run && seq > st.Last+s.Torn() {
			v.altered = append(v.altered, fmt.Sprintf("number %d will be used again", seq))
		}
	}
	got := s.Held()
	for _, h := range got {
		if !slices.Contains(before.held, string(h)) {
			v.altered = append(v.altered, fmt.Sprintf("held record is altered: %.60q", h))
		}
	}
	if want := len(before.held); len(got) < want && base != stateFile &&
		(base != heldFile || inside && len(got) < want-1) {
		v.lost = append(v.lost, fmt.Sprintf("%d of %d held records are left", len(got), want))
	}
	if base != stateFile && st.Sampled != before.status.Sampled {
		v.miscounted = append(v.miscounted, fmt.Sprintf("sampled is %d, not %d", st.Sampled, before.status.Sampled))
	}
	v.altered = append(v.altered, x.live...)
	return v
}
