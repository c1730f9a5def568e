package spool

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

const (
	powerDir  = "/var/spool"
	powerNote = "as it is"
)

// powerModel is what the owner of a spool knows: what must still be there, and
// what may be.
type powerModel struct {
	offered map[int64]string // bytes given to Append for each number
	safe    map[int64]bool   // numbers acknowledged or handed out
	gone    map[int64]bool   // of these, those that need not be there: receipted, discarded
	buried  map[int64]bool
	used    int64 // largest number that must not get other bytes
	upto    int64 // largest receipt
	conn    int64
	closed  int64    // records receipted when the spool was closed last
	opened  bool     // Open returned once
	held    []string // held records, oldest first
	fixed   bool     // they are fixed
	status  Status
	loose   bool // a call failed: what is not on disk yet is not there
}

func (m *powerModel) clone() *powerModel {
	c := *m
	c.offered, c.safe = maps.Clone(m.offered), maps.Clone(m.safe)
	c.gone, c.buried = maps.Clone(m.gone), maps.Clone(m.buried)
	c.held = slices.Clone(m.held)
	c.status.Discarded = maps.Clone(m.status.Discarded)
	return &c
}

// powerStep is one call of the owner, between two places of the disk's log.
type powerStep struct {
	from, to      int
	before, after *powerModel
}

// powerSession is an owner at work.
type powerSession struct {
	disk  *powerDisk
	start *powerCut // the disk at the beginning of its log
	o     Options
	now   time.Time
	s     *Spool
	m     *powerModel
	rng   *rand.Rand
	kinds []int // of what is done
	steps []powerStep
	live  []string // what went wrong before any power cut
}

func newPowerSession(disk *powerDisk, m *powerModel, boot string, rng *rand.Rand) *powerSession {
	x := &powerSession{disk: disk, start: cutOf(disk), m: m, rng: rng, now: time.Unix(1_700_000_000, 0)}
	x.kinds = []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}
	x.o = Options{FS: disk, Boot: boot, MaxBytes: 5 << 10, SegmentBytes: 600, MaxAge: time.Hour, Now: func() time.Time { return x.now }}
	return x
}

func newPowerModel() *powerModel {
	return &powerModel{offered: map[int64]string{}, safe: map[int64]bool{}, gone: map[int64]bool{}, buried: map[int64]bool{}}
}

func (x *powerSession) wrong(format string, args ...any) {
	x.live = append(x.live, fmt.Sprintf(format, args...))
}

// step does one thing, and notes where in the log it was done.
func (x *powerSession) step(do func()) {
	before, from := x.m.clone(), len(x.disk.log)
	x.steps = append(x.steps, powerStep{from: from, to: -1, before: before})
	do()
	if x.disk.failAt > 0 && x.disk.calls >= x.disk.failAt {
		x.m.loose = true
	}
	if x.s != nil {
		x.look()
	}
	last := &x.steps[len(x.steps)-1]
	last.to, last.after = len(x.disk.log), x.m.clone()
}

// look compares what the spool says of itself with what its owner knows.
func (x *powerSession) look() {
	st := x.s.Status()
	x.m.status = st
	there := listed(x.s)
	for seq := range x.m.safe {
		if !there[seq] {
			x.m.gone[seq] = true
		} else if x.m.gone[seq] && seq > st.Upto && !x.m.loose {
			x.wrong("record %d is back", seq)
		}
	}
	if problem := counted(st); problem != "" {
		x.wrong("%s", problem)
	}
	held := []string(nil)
	for _, h := range x.s.Held() {
		held = append(held, string(h))
	}
	_, fixed := x.s.Fixed()
	if !x.m.loose && (!slices.Equal(held, x.m.held) || fixed != x.m.fixed) {
		x.wrong("%d records are held, fixed %v, not %d, %v", len(held), fixed, len(x.m.held), x.m.fixed)
	}
	x.m.held, x.m.fixed = held, fixed
	if int64(len(there)) != st.Queued {
		x.wrong("%d records are spooled, %d counted", len(there), st.Queued)
	}
}

// listed are the numbers that are spooled.
func listed(s *Spool) map[int64]bool {
	there := map[int64]bool{}
	for _, seg := range s.segments {
		for _, e := range seg.entries {
			there[e.seq] = true
		}
	}
	return there
}

// counted tells what does not add up in a status. Held records that were
// discarded never had a number.
func counted(st Status) string {
	discarded := int64(0)
	for _, n := range st.Discarded {
		discarded += n
	}
	if st.Sampled != st.Receipted+st.Queued+st.Waiting+discarded {
		return fmt.Sprintf("not balanced: %+v", st)
	}
	if numbered := st.Receipted + st.Queued + discarded - st.Discarded[ReasonNoClock]; st.Discarded[ReasonCorrupt] == 0 && st.Last != numbered {
		return fmt.Sprintf("last is %d, and %d numbers are accounted for: %+v", st.Last, numbered, st)
	}
	return ""
}

// open opens the spool; a call that fails on purpose may make it fail once.
func (x *powerSession) open() bool {
	x.step(func() {
		s, err := Open(powerDir, x.o)
		if err != nil {
			x.m.loose = true
			if s, err = Open(powerDir, x.o); err != nil {
				x.wrong("open: %v", err)
				return
			}
		}
		x.s = s
		x.m.opened = true
	})
	return x.s != nil
}

// payload makes bytes that are like no others.
func (x *powerSession) payload(what string) []byte {
	size := x.rng.IntN(120)
	switch x.rng.IntN(12) {
	case 0:
		size = 500 + x.rng.IntN(700)
	case 1:
		size = 3 << 10
	}
	return fmt.Appendf(nil, "<%s %016x %s>", what, x.rng.Uint64(), strings.Repeat("x", size))
}

// work does n things, of every kind.
func (x *powerSession) work(n int) {
	if x.s == nil && !x.open() {
		return
	}
	x.rest()
	for _, i := range x.rng.Perm(n) {
		if x.s == nil {
			return
		}
		x.act(x.kinds[i%len(x.kinds)])
	}
}

// rest does what an owner does first: what a power cut left half done.
func (x *powerSession) rest() {
	for tries := 0; x.m.fixed && tries < 100; tries++ {
		x.step(func() { x.append(2) })
	}
	if n := x.s.Torn(); n > 0 {
		x.step(func() { x.skip(n, ReasonTorn) })
	}
}

func (x *powerSession) act(kind int) {
	switch kind {
	case 0, 1, 2, 3, 4:
		x.step(func() { x.append(1 + x.rng.IntN(4)) })
	case 5:
		x.step(x.hand)
	case 6:
		x.step(func() {
			x.m.upto = max(x.m.upto, x.s.Oldest()+x.rng.Int64N(x.s.Last()-x.s.Oldest()+2)-1)
			if err := x.s.Forget(min(x.m.upto, x.s.Last())); err != nil {
				x.wrong("forget: %v", err)
			}
		})
	case 7:
		x.step(x.bury)
	case 8:
		x.step(func() { x.skip(1+x.rng.Int64N(2), ReasonIO) })
	case 9:
		x.step(func() {
			conn, err := x.s.NextConn()
			if conn <= x.m.conn && !x.m.loose {
				x.wrong("connection %d comes again", conn)
			}
			if x.m.loose = x.m.loose || err != nil; err == nil {
				x.m.conn = conn
			}
		})
	case 10, 11, 12:
		if !x.m.fixed {
			x.step(x.hold)
		}
	case 13:
		if !x.m.fixed && len(x.m.held) > 0 {
			x.step(func() {
				err := x.s.Fix(powerNote)
				x.m.loose = x.m.loose || err != nil
				x.m.fixed = err == nil
			})
		}
	case 14:
		if x.rng.IntN(3) == 0 {
			x.now = x.now.Add(2 * time.Hour)
		}
	case 15:
		if x.rng.IntN(2) == 0 {
			x.act(6)
		}
		x.close()
		x.open()
	}
}

func (x *powerSession) close() {
	x.step(func() {
		err := x.s.Close()
		if x.m.loose = x.m.loose || err != nil; err == nil {
			x.m.closed = x.m.status.Receipted
		}
		x.s = nil
	})
}

// append appends n records, or those that are fixed.
func (x *powerSession) append(n int) {
	first := x.s.Last() + 1
	list := make([][]byte, n)
	for i := range list {
		list[i] = x.payload("record")
	}
	if x.m.fixed {
		list = nil
		for _, h := range x.s.Held()[:min(n, len(x.m.held))] {
			list = append(list, bytes.Clone(h))
		}
	}
	for i, p := range list {
		x.m.offered[first+int64(i)] = string(p)
	}
	x.m.used = max(x.m.used, x.m.status.Last)
	err := x.s.Append(first, list)
	if err != nil {
		x.m.loose = true
		if x.rng.IntN(2) == 0 {
			err = x.s.Append(first, list)
		}
	}
	if err != nil {
		x.skip(int64(len(list)), ReasonIO)
		return
	}
	for i := range list {
		x.m.safe[first+int64(i)] = true
	}
	x.numbered(len(list))
}

func (x *powerSession) skip(n int64, reason string) {
	x.s.Skip(n, reason)
	x.numbered(int(n))
}

// numbered takes note that the next n numbers are used up.
func (x *powerSession) numbered(n int) {
	x.m.used = x.s.Last()
	if x.m.fixed {
		x.m.held = x.m.held[min(n, len(x.m.held)):]
		x.m.fixed = len(x.m.held) > 0
	}
}

// hand hands out all records, as to a broker.
func (x *powerSession) hand() {
	err := x.s.Each(0, func(seq int64, payload []byte) bool {
		x.taken(seq, payload)
		return true
	})
	x.m.loose = x.m.loose || err != nil
}

// taken looks at a record that the spool gave.
func (x *powerSession) taken(seq int64, payload []byte) {
	if x.m.offered[seq] != string(payload) {
		x.wrong("record %d came out altered: %.60q, not %.60q", seq, payload, x.m.offered[seq])
	}
	x.m.safe[seq] = true
	x.m.used = max(x.m.used, seq)
}

func (x *powerSession) bury() {
	seq := x.s.Oldest()
	if seq > x.s.Last() {
		return
	}
	if err := x.s.Bury(seq); err != nil {
		x.m.loose = true
		return
	}
	x.m.buried[seq] = true
}

func (x *powerSession) hold() {
	p := x.payload("held")
	x.m.held = append(x.m.held, string(p))
	err := x.s.Hold(p)
	x.m.loose = x.m.loose || err != nil
}

// powerVerdict is what is wrong with a state.
type powerVerdict struct {
	lost, unreadable, altered, miscounted []string
}

func (v *powerVerdict) all() []string {
	return slices.Concat(v.unreadable, v.lost, v.altered, v.miscounted)
}

// find opens the spool on a disk found after a power cut, or, of the same boot,
// after a kill, compares it with what was known before, and takes over what is
// found. before is what was known when the last call began, after what would
// have been known when it had returned.
func (x *powerSession) find(before, after *powerModel, sameBoot bool) (v powerVerdict) {
	add := func(list *[]string, format string, args ...any) {
		*list = append(*list, fmt.Sprintf(format, args...))
	}
	x.m = after.clone()
	s, err := Open(powerDir, x.o)
	if err != nil {
		add(&v.unreadable, "open: %v", err)
		return v
	}
	x.s = s
	st := s.Status()
	x.m.status, x.m.opened = st, true
	defer func() { v.altered, x.live = append(v.altered, x.live...), nil }()

	x.m.safe = map[int64]bool{}
	x.hand()
	fixed := x.fixed()
	for seq := range before.safe {
		switch {
		case x.m.safe[seq]:
		case fixed[seq] == before.offered[seq]:
		case !after.gone[seq]:
			add(&v.lost, "record %d is lost", seq)
		case after.buried[seq] && seq > st.Upto && !before.gone[seq] && !x.isDead(before.offered[seq]):
			add(&v.lost, "record %d is neither spooled nor dead", seq)
		case before.buried[seq] && !x.isDead(before.offered[seq]):
			add(&v.lost, "record %d was buried and is not there", seq)
		}
	}
	if before.opened && before.status.Run != "" && st.Run != before.status.Run {
		add(&v.lost, "another run")
	}
	if last := st.Last + max(s.Torn(), int64(len(fixed))); last < before.used && !before.loose {
		add(&v.altered, "number %d will be used again", before.used)
	}
	for seq := range before.safe {
		if seq > st.Last+s.Torn() && fixed[seq] != before.offered[seq] {
			add(&v.altered, "number %d will be used again", seq)
		}
	}
	if problem := counted(st); problem != "" {
		add(&v.miscounted, "%s", problem)
	}
	x.compare(&v, before, after, sameBoot)

	conn, err := s.NextConn()
	if err != nil {
		add(&v.unreadable, "next connection: %v", err)
	}
	if conn <= before.conn {
		add(&v.altered, "connection %d comes again", before.conn)
	}
	x.takeOver(before, conn)
	return v
}

// fixed are the records that are there, though not spooled: the owner appends
// them, under these numbers.
func (x *powerSession) fixed() map[int64]string {
	list := map[int64]string{}
	if _, ok := x.s.Fixed(); ok {
		for i, p := range x.s.Held() {
			list[x.s.Last()+1+int64(i)] = string(p)
		}
	}
	return list
}

// compare compares the counts that were found with those before and after the
// last call.
func (x *powerSession) compare(v *powerVerdict, before, after *powerModel, sameBoot bool) {
	st := x.s.Status()
	wrong := func(format string, args ...any) {
		v.miscounted = append(v.miscounted, fmt.Sprintf(format, args...))
	}
	if after.loose {
		return
	}
	between := func(what string, low, is, high int64) {
		if is < low || is > high {
			wrong("%s is %d, not %d to %d: %+v, before %+v, after %+v", what, is, low, high, st, before.status, after.status)
		}
	}
	// Records that were being appended, or held, may be torn.
	underWay := max(0, after.status.Sampled-before.status.Sampled, after.status.Last-before.status.Last)
	if x.disk.stale {
		underWay = 1 << 20 // old records that stand there now can't be told from those
	}
	between("sampled", before.status.Sampled, st.Sampled, before.status.Sampled+underWay)
	between("receipted", before.closed, st.Receipted, after.status.Receipted)
	reasons := map[string]int64{}
	maps.Copy(reasons, st.Discarded)
	maps.Copy(reasons, before.status.Discarded)
	for reason := range reasons {
		low, high := before.status.Discarded[reason], after.status.Discarded[reason]
		switch {
		case reason == ReasonCorrupt:
			high += underWay
		case reason == ReasonNoClock && !sameBoot:
			if !before.fixed && !after.fixed {
				low += int64(min(len(before.held), len(after.held)))
			}
			high += int64(max(len(before.held), len(after.held)))
		}
		if x.disk.stale {
			high += underWay
		}
		between("discarded "+reason, low, st.Discarded[reason], high)
	}
	got := x.s.Held()
	_, fixed := x.s.Fixed()
	switch {
	case sameBoot || before.fixed && after.fixed:
		if min(len(before.held), len(after.held)) > len(got) || len(got) > max(len(before.held), len(after.held)) {
			v.lost = append(v.lost, fmt.Sprintf("%d records are held, not %d to %d", len(got), len(before.held), len(after.held)))
		}
	case !fixed && len(got) > 0:
		wrong("%d records of another boot are held", len(got))
	}
	if before.fixed && after.fixed && !fixed {
		wrong("what was fixed is no longer")
	}
	if before.fixed && maps.Equal(before.status.Discarded, after.status.Discarded) {
		spooled := map[string]bool{}
		for seq := range x.m.safe {
			spooled[x.m.offered[seq]] = true
		}
		for i, p := range before.held {
			if !spooled[p] && !slices.ContainsFunc(got, func(h []byte) bool { return string(h) == p }) {
				v.lost = append(v.lost, fmt.Sprintf("fixed record %d is lost", i))
			}
		}
	}
	known := slices.Concat(before.held, after.held)
	for i, p := range got {
		if !slices.Contains(known, string(p)) && (!fixed || string(p) != before.offered[st.Last+1+int64(i)]) {
			v.altered = append(v.altered, fmt.Sprintf("held record %d is altered", i))
		}
	}
}

func (x *powerSession) isDead(payload string) bool {
	node := x.disk.names[powerDir+"/"+deadFile]
	return node != nil && bytes.Contains(node.data, []byte(payload))
}

// takeOver makes what was found the knowledge to go on with.
func (x *powerSession) takeOver(before *powerModel, conn int64) {
	m := x.m
	m.conn, m.status = conn, x.s.Status()
	m.used, m.closed = m.status.Last, m.status.Receipted
	m.gone = map[int64]bool{}
	fixed := x.fixed()
	for seq := range before.safe {
		if !m.safe[seq] && fixed[seq] == "" {
			m.safe[seq], m.gone[seq] = true, true
		}
	}
	for seq := range m.buried {
		if !m.gone[seq] || !x.isDead(m.offered[seq]) {
			delete(m.buried, seq)
		}
	}
	m.held = nil
	for _, p := range x.s.Held() {
		m.held = append(m.held, string(p))
	}
	_, m.fixed = x.s.Fixed()
	m.loose = false
}

// goOn works on after find, so that it can be seen that the spool does, and
// what a second power cut does to it.
func (x *powerSession) goOn(n int) (wrong []string) {
	x.rest()
	for i := range n {
		if x.s != nil {
			x.act([]int{0, 13, 1, 6, 2, 10, 7, 15, 9}[i%9])
		}
	}
	if x.s != nil {
		x.close()
	}
	return x.live
}
