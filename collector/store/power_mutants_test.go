//go:build !race

package store

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"dewpost/collector/record"
)

// powerMutant is the store with the engine set otherwise.
type powerMutant struct {
	name    string
	is, not string            // a pragma as it is now, and as it has to be
	answers map[string]string // what the engine says when it is asked
}

var powerSettings = []powerMutant{
	{"synchronous=normal", "synchronous(NORMAL)", "synchronous(FULL)", map[string]string{"pragma synchronous": "2"}},
	{"synchronous=off", "synchronous(OFF)", "synchronous(FULL)", map[string]string{"pragma synchronous": "2"}},
	{"journal_mode=delete", "journal_mode(DELETE)", "journal_mode(WAL)", map[string]string{"pragma journal_mode": "wal"}},
	{"journal_mode=memory", "journal_mode(MEMORY)", "journal_mode(WAL)", map[string]string{"pragma journal_mode": "wal"}},
	{"journal_mode=off", "journal_mode(OFF)", "journal_mode(WAL)", map[string]string{"pragma journal_mode": "wal"}},
}

func (m *powerMutant) pragma(p string) string { return strings.Replace(p, m.not, m.is, 1) }

type powerConn struct {
	powerEngine
	m *powerMutant
}

func (c *powerConn) PrepareContext(ctx context.Context, query string) (driver.Stmt, error) {
	if answer, ok := c.m.answers[query]; ok {
		query = "select '" + answer + "'"
	}
	return c.powerEngine.PrepareContext(ctx, query)
}

// mutants tries each mistake, several at a time, and returns how many there are and
// how many were noticed.
func (p *power) mutants(traces []*powerTrace) (n, caught int) {
	var noticed atomic.Int64
	p.others = &powerOthers{}
	p.t.Run("mutants", func(t *testing.T) {
		try := func(name string, how func(*power) string) {
			n++
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				own := *p
				own.t = t
				found := how(&own)
				if found == "" {
					t.Errorf("seed %d: nothing noticed", p.seed)
					return
				}
				noticed.Add(1)
				t.Log(found)
			})
		}
		for _, m := range powerSettings {
			try("refused: "+m.name, func(p *power) string { return p.refuses(m) })
			try(m.name, func(p *power) string { return p.set(m) })
		}
		labels := map[string]bool{}
		for _, tr := range traces {
			for i := range tr.log {
				labels[tr.log[i].what] = true
			}
		}
		delete(labels, "")
		for _, what := range slices.Sorted(maps.Keys(labels)) {
			try("no sync of "+what, func(p *power) string { return p.unsynced(what, traces) })
		}
	})
	return n, int(noticed.Load())
}

// unsynced looks for a state that shows that a sync does nothing.
func (p *power) unsynced(what string, traces []*powerTrace) (how string) {
	for w := 0; how == "" && w < 8; w++ {
		list := traces
		if w > 0 {
			list = p.more(w)
		}
		for _, tr := range list {
			if how == "" {
				how = p.notices(what, tr)
			}
		}
	}
	return how
}

// refuses tells how Open refuses a setting.
func (p *power) refuses(m powerMutant) string {
	m.answers = nil
	d := p.touched()
	defer d.gone()
	d.mutant = &m
	x := p.session(d)
	err := errors.Join(x.open(p.ctx), x.close())
	if err == nil {
		return ""
	}
	return err.Error()
}

// set works with a setting and looks for a state that shows it.
func (p *power) set(m powerMutant) (how string) {
	for w := 0; how == "" && w < 10; w++ {
		d := p.fresh()
		d.mutant = &m
		x := p.session(d)
		err := x.work(p.ctx, powerCalls(p.scale.calls, p.rng(fmt.Sprint(w))))
		d.gone()
		if err != nil {
			return "the work itself fails: " + err.Error()
		}
		how = p.first(x.trace(fmt.Sprintf("%s.%d", m.name, w)), nil)
	}
	return how
}

// powerOthers are traces of other workloads, made when they are first asked for.
type powerOthers struct {
	mu     sync.Mutex
	traces map[int][]*powerTrace
}

func (p *power) more(w int) []*powerTrace {
	p.others.mu.Lock()
	defer p.others.mu.Unlock()
	if p.others.traces == nil {
		p.others.traces = map[int][]*powerTrace{}
	}
	if p.others.traces[w] == nil {
		long := *p
		long.scale.calls, long.scale.kills = 24, 23
		p.others.traces[w] = long.traces(1000 + w)
	}
	return p.others.traces[w]
}

// notices looks for a state that shows that a sync does nothing.
func (p *power) notices(what string, tr *powerTrace) string {
	log := slices.Clone(tr.log)
	first := len(log)
	for i := range log {
		if log[i].what == what {
			log[i].op = powerNothing
			first = min(first, i)
		}
	}
	if first == len(log) {
		return ""
	}
	part := *tr
	part.first = max(tr.first, first)
	return p.first(&part, log)
}

// first is the first thing that is found to be wrong.
func (p *power) first(tr *powerTrace, other []powerAct) (how string) {
	most := *p
	most.scale.states, most.scale.places = max(12, p.scale.states), 1
	most.each(tr, other, func(place int, name string, disk *powerDisk, _ *rand.Rand) bool {
		v := p.find(tr, place, disk)
		if all := v.all(); len(all) > 0 {
			how = name + ": " + all[0]
		}
		return how == ""
	})
	return how
}

// powerAck is what was said to be done, at a place of the log.
type powerAck struct {
	place    int
	arrivals []record.Arrival
	folds    int
}

// failures lets calls of the file system fail in each manner, while a store is
// made and while it is used: of syncs more than of writes, and of these more
// than of the rest.
func (p *power) failures(w int) {
	made := p.touched()
	defer made.gone()
	x := p.session(made)
	p.must(x.open(p.ctx))
	p.must(x.close())
	for _, part := range []struct {
		name  string
		from  func() *powerDisk
		calls []powerCall
	}{
		{"make", p.touched, nil},
		{"use", made.clone, powerCalls(p.scale.calls, p.rng(fmt.Sprint(w)))},
	} {
		clean := part.from()
		x := p.session(clean)
		_, err := p.persist(x, part.calls)
		p.must(errors.Join(err, x.close()))
		clean.gone()
		for _, how := range []powerFault{powerRefused, powerFull, powerHalf, powerDone} {
			name := fmt.Sprintf("%d.%s.%s", w, part.name, strings.ReplaceAll(string(how), " ", "_"))
			rng := p.rng(name)
			for k, what := range clean.said {
				often := p.scale.faults
				switch verb, _, _ := strings.Cut(what, " "); verb {
				case "sync", "delete", "truncate":
					often = max(1, often/20)
				case "write":
					often = max(1, often/4)
				}
				if rng.IntN(often) == 0 {
					d := part.from()
					d.failAt, d.how = k+1, how
					p.fails(fmt.Sprintf("%s.%d", name, k+1), d, part.calls)
					d.gone()
				}
			}
		}
	}
}

// must stops at what can't go wrong.
func (p *power) must(err error) {
	if err != nil {
		p.t.Helper()
		p.t.Fatal(err)
	}
}

// fails works on a disk one of whose calls fails.
func (p *power) fails(name string, d *powerDisk, calls []powerCall) {
	p.faults++
	x := p.session(d)
	var v powerVerdict
	acks, err := p.persist(x, calls)
	if err != nil {
		v.unreadable = append(v.unreadable, fmt.Sprintf("%s failed, and then: %v", d.hit, err))
	}
	_ = x.close() // what fails then, Open finds
	p.report(name, &v)
	log := d.log
	rng := p.rng(name)
	failed := slices.IndexFunc(log, func(a powerAct) bool { return a.failed })
	from := max(0, failed)
	cut := x.start.clone()
	for place := 0; place <= len(log); place++ {
		if place == len(log) || place > from && place < from+60 && rng.IntN(30) == 0 {
			for n := range 3 {
				at := fmt.Sprintf("%s.%d.%d", name, place, n)
				if disk, ok := cut.build(n, 3, p.shared, p.rng(at)); ok {
					p.states++
					v := p.holds(disk, acks, place)
					p.report(at, &v)
					disk.gone()
				}
			}
		}
		if place < len(log) {
			cut.apply(&log[place])
		}
	}
	left := d.clone()
	defer left.gone()
	p.states++
	v = p.holds(left, acks, len(log))
	p.report(name+".left", &v)
}

// persist makes all calls, each until it is done, as a collector does.
func (p *power) persist(x *powerSession, calls []powerCall) (acks []powerAck, err error) {
	again := func(do func() error) (err error) {
		for range 3 {
			if err = do(); err == nil {
				return nil
			}
		}
		return err
	}
	opened := func() error { return again(func() error { return x.open(p.ctx) }) }
	if err := opened(); err != nil {
		return nil, err
	}
	for _, c := range calls {
		if c.stop {
			_ = x.close() // what fails then, Open finds
			if err := opened(); err != nil {
				return acks, err
			}
			continue
		}
		ack := powerAck{arrivals: c.arrivals}
		if err := again(func() error {
			if c.name == "fold" {
				list, err := x.s.Marks(p.ctx, 1)
				if err != nil {
					return err
				}
				ack.folds = len(list)
			}
			return c.do(p.ctx, x.s)
		}); err != nil {
			return acks, fmt.Errorf("%s: %w", c.name, err)
		}
		ack.place = len(x.disk.log)
		acks = append(acks, ack)
	}
	return acks, nil
}

// holds finds out whether a store holds what was said to be done before a place,
// and only whole folds.
func (p *power) holds(disk *powerDisk, acks []powerAck, place int) (v powerVerdict) {
	x := p.session(disk)
	err := x.open(p.ctx)
	if err == nil {
		_, err = x.s.Verify(p.ctx)
	}
	folds, events, messages := 0, 0, 0
	for _, ack := range acks {
		if err != nil || ack.place > place {
			break
		}
		folds += ack.folds
		if len(ack.arrivals) == 0 {
			continue
		}
		var out []record.Outcome
		out, err = x.s.Commit(p.ctx, ack.arrivals)
		for _, o := range out {
			if o.Stored > 0 {
				v.lost = append(v.lost, fmt.Sprintf("%d readings of %s", o.Stored, o.Station))
			}
		}
	}
	if err == nil {
		_, err = x.s.Verify(p.ctx)
	}
	if err == nil {
		err = x.s.read.QueryRowContext(p.ctx, `select (select count(*) from event), (select count(*) from outbox)`).Scan(&events, &messages)
	}
	if err = errors.Join(err, x.close()); err != nil {
		v.unreadable = append(v.unreadable, err.Error())
		return v
	}
	if events < folds {
		v.lost = append(v.lost, fmt.Sprintf("%d of %d folds", folds-events, folds))
	}
	if events != messages {
		v.altered = append(v.altered, fmt.Sprintf("%d events and %d messages", events, messages))
	}
	return v
}

// damage flips bits of the files of a store, one at a time: of one in use, and
// of one that was closed. What is packed has checksums; what stands in columns
// of its own is only protected where it has an index or is checked by Verify.
func (p *power) damage(w int) {
	for _, closed := range []bool{false, true} {
		rng := p.rng(fmt.Sprint("damage ", w, closed))
		x := p.session(p.fresh())
		calls := powerCalls(p.scale.calls, p.rng(fmt.Sprint(w)))
		err := x.work(p.ctx, calls)
		if !closed {
			err = errors.Join(err, x.step(p.ctx, "open", nil, func() error { return x.open(p.ctx) }))
			for _, c := range calls {
				if c.name == "commit" && err == nil {
					err = x.step(p.ctx, c.name, nil, func() error { return c.do(p.ctx, x.s) })
				}
			}
		}
		left := x.disk.clone()
		p.must(errors.Join(err, x.close()))
		x.disk.gone()
		for _, name := range slices.Sorted(maps.Keys(left.names)) {
			for bit := rng.IntN(p.scale.flips); bit < 8*len(left.names[name].data); bit += p.scale.flips {
				p.states++
				p.flips++
				p.flip(fmt.Sprintf("%d.%s.%d", w, name, bit), left, name, bit, x.steps)
			}
		}
		left.gone()
	}
}

// flip flips one bit and finds out what that does.
func (p *power) flip(name string, left *powerDisk, file string, bit int, steps []powerStep) {
	d := left.clone()
	defer d.gone()
	d.names[file].data[bit/8] ^= 1 << (bit % 8)
	x := p.session(d)
	was := steps[len(steps)-1].after
	var now powerState
	err := x.open(p.ctx)
	if err == nil {
		_, err = x.s.Verify(p.ctx)
	}
	if err == nil {
		now, err = look(p.ctx, x.s)
	}
	_ = x.close()
	switch {
	case err != nil:
		p.detected++
	case now.all == was.all:
		p.harmless++
	case strings.HasSuffix(file, "-wal") && slices.ContainsFunc(steps, func(s powerStep) bool { return s.after.all == now.all }):
		p.shorter++ // the engine takes a commit with a wrong checksum, and all after it, for not finished
	case now.readings != was.readings || now.spans != was.spans || now.hours != was.hours:
		v := powerVerdict{altered: []string{"readings, spans or hours are altered, and nothing noticed"}}
		p.report(name, &v)
	default:
		p.plain++
	}
}
