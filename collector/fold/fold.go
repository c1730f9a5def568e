// Package fold turns stored readings into ledger hours, findings, alarm states
// and messages: commit (b). It holds no rules; it fetches what the rules need,
// hands it over, and commits what they decided for one station at a time.
//
// A station is folded again from the hour of the reading before the earliest
// change until the ledger goes on as it did: past the latest change, and with
// the same state at an hour's end. So the ledger is the one that all readings
// in order would have given. What the fold had seen of the mark that asked
// for it is cleared in the same commit; a change that arrived meanwhile keeps
// its own. Killed anywhere, the mark stands and the fold is done again.
package fold

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"sync/atomic"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/box"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Store is what a fold reads and writes. CommitFold is durable and atomic.
type Store interface {
	Marks(ctx context.Context, limit int) ([]record.Mark, error)
	Stations(ctx context.Context) ([]record.Station, error)
	Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error)
	Latest(ctx context.Context) (map[string]unit.Instant, error)
	Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error)
	InstantBefore(ctx context.Context, station string, t unit.Instant) (unit.Instant, bool, error)
	InstantAfter(ctx context.Context, station string, t unit.Instant) (unit.Instant, bool, error)
	Recent(ctx context.Context, stations []string) (map[string]*record.Recent, error)
	Hours(ctx context.Context, station string, from, to unit.Instant) ([]exposure.Hour, error)
	Occurrences(ctx context.Context, station string) ([]alarm.Occurrence, error)
	BoxRun(ctx context.Context, station string, before unit.Instant) (record.BoxRun, error)
	Outdoors(ctx context.Context, station string, from, to unit.Instant) ([]equal.Air, error)
	Neighbours(ctx context.Context, site string, from, to unit.Instant) ([]record.Neighbour, error)
	Weather(ctx context.Context, site string, from, to unit.Instant) ([]record.Weather, error)
	BoxStates(ctx context.Context, station string) ([]unit.Instant, error)
	VisitsOf(ctx context.Context, station string) ([]record.VisitDetails, error)
	OutlookState(ctx context.Context, station string, before unit.Instant) (record.OutlookState, error)
	Forecast(ctx context.Context, site string, issued, from, to unit.Instant) ([]record.ForecastHour, error)
	Looks(ctx context.Context) (map[string][]life.Look, error)
	PutLooks(ctx context.Context, station string, looks []life.Look) error
	Line(ctx context.Context, id string) (record.Line, error)
	CommitFold(ctx context.Context, folds ...record.Folded) error
	OpenOccurrences(ctx context.Context) ([]alarm.Occurrence, error)
	AlarmHolds(ctx context.Context, endedAfter unit.Instant) ([]alarm.Hold, error)
	AlarmCauses(ctx context.Context) (list []alarm.Cause, next int64, err error)
	AlarmLimits(ctx context.Context) ([]record.AlarmLimit, error)
	MessagesIn(ctx context.Context, from, to unit.Instant) ([]record.Message, error)
	ChangeAlarms(ctx context.Context, c record.AlarmChange) error
	FactsOf(ctx context.Context, kind string) ([]fact.Fact, error)
	Visits(ctx context.Context, want record.VisitQuery) ([]record.Visit, error)
	ReleaseDue(ctx context.Context, now unit.Instant) (int, error)
	Unjudged(ctx context.Context) ([]record.Round, error)
	JudgeRounds(ctx context.Context, list []record.Round, at unit.Instant) error
}

const (
	marksAtOnce  = 4096
	askAgain     = 250 * time.Millisecond // after so long of folding marks are read again, or after
	askShare     = 4                      // times what that takes
	groupMost    = 64                     // stations of which is read at once what their folds begin with,
	groupFor     = 50 * time.Millisecond  // unless they take this long
	liveWithin   = 2 * time.Hour          // of a change: all that a fold needs is read at once
	chunk        = 30 * 24 * time.Hour    // of readings held in memory
	restFor      = 100 * time.Millisecond
	retryAfter   = time.Second
	retryMost    = 5 * time.Minute // for a station that fails again and again
	silenceEvery = time.Minute
	dutyEvery    = 2 * time.Second // looks who isn't on duty whether he is
)

// errOffDuty ends what another collector does now.
var errOffDuty = errors.New("another collector folds")

// Config is what a Folder needs.
type Config struct {
	Store Store
	Now   func() time.Time // collector's clock
	Log   *slog.Logger
	Sent  func() // called after a commit that has messages to send; may be nil
	// Ask is received from while the folder waits and between two pieces of its
	// work: who can send knows that it goes on. Nil for nobody.
	Ask <-chan struct{}
	// OnDuty tells whether this collector is the one that folds; nil: it is.
	OnDuty func(ctx context.Context) (bool, error)
}

// Stats are running totals of a Folder.
type Stats struct {
	Folds, Hours, Failures int64
}

// Folder folds marked stations. It is safe for one Run at a time.
type Folder struct {
	cfg       Config
	wake      chan struct{}
	started   unit.Instant           // or was awake again
	looked    time.Time              // when the clock was looked at by Minute
	judged    time.Time              // when the clock's work was begun, by the collector's clock
	clocked   map[string]clocked     // by station; Minute's alone
	spelled   map[string]spelled     // by station; All's alone
	sites     map[string][]fact.Fact // of a group's stations, by id; All's alone
	looks     []life.Look            // what lessons are of; Minute's alone
	lessons   *life.Lessons
	attended  attention          // as it was read last
	committed int                // folds, those without readings included
	raised    bool               // occurrences changed since people were told last
	wrong     roundKey           // the newest round that was judged wrong; All's alone
	off       bool               // another collector folds, or nobody can tell
	upset     bool               // more failed than single stations
	failing   map[string]failing // by station

	folds, hours, failures atomic.Int64
}

// failing is a station whose fold failed: when it is tried again, and how long after
// it failed last.
type failing struct {
	again time.Time
	after time.Duration
}

// New makes a Folder; Run starts it.
func New(cfg Config) *Folder {
	now := cfg.Now()
	return &Folder{cfg: cfg, wake: make(chan struct{}, 1), started: unit.At(now), looked: now, clocked: map[string]clocked{}, spelled: map[string]spelled{}, sites: map[string][]fact.Fact{}, failing: map[string]failing{}}
}

// Wake says that there are new marks. It never blocks.
func (f *Folder) Wake() {
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// Stats returns the totals so far.
func (f *Folder) Stats() Stats {
	return Stats{Folds: f.folds.Load(), Hours: f.hours.Load(), Failures: f.failures.Load()}
}

// Run folds until ctx ends: when woken, and every minute for what only the
// clock says, whatever became of the folds. Failures are logged, counted and tried
// again, those of a station ever more seldom.
func (f *Folder) Run(ctx context.Context) error {
	tick := time.NewTicker(silenceEvery)
	defer tick.Stop()
	for {
		err := f.onDuty(ctx)
		before := f.committed
		if err == nil {
			err = f.All(ctx)
		}
		folded := f.committed > before
		err = errors.Join(err, f.minute(ctx))
		if ctx.Err() != nil {
			return nil
		}
		wait := f.again(err)
		f.fault(err)
		if folded && !f.rest(ctx) {
			return nil
		}
		if !f.woken(ctx, wait, tick.C) {
			return nil
		}
	}
}

// minute does the clock's work when its time has come.
func (f *Folder) minute(ctx context.Context) error {
	now := f.cfg.Now()
	if f.off || ctx.Err() != nil || now.Sub(f.judged) < silenceEvery {
		return nil
	}
	f.judged = now
	return f.Minute(ctx)
}

// fault counts a failure and tells of it.
func (f *Folder) fault(err error) {
	if err != nil && !errors.Is(err, errOffDuty) {
		f.failures.Add(1)
		f.cfg.Log.Error("fold failed, will be tried again", "error", err)
	}
}

// again is when what failed is tried again; nil: with the next tick.
func (f *Folder) again(err error) <-chan time.Time {
	wait := time.Duration(math.MaxInt64)
	switch {
	case errors.Is(err, errOffDuty):
		wait = dutyEvery
	case f.off || f.upset:
		wait = retryAfter
	}
	now := f.cfg.Now()
	for _, st := range f.failing {
		if left := st.again.Sub(now); left > 0 { // else it was tried, or is marked no longer
			wait = min(wait, left)
		}
	}
	if wait >= silenceEvery {
		return nil
	}
	return time.After(wait)
}

// rest waits a moment after folds, so that those of stations that send meanwhile
// share what a pass costs; false when ctx has ended.
func (f *Folder) rest(ctx context.Context) bool {
	timer := time.NewTimer(restFor)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case <-f.cfg.Ask:
		case <-timer.C:
			return true
		}
	}
}

// woken waits until there may be something to fold; false when ctx has ended.
func (f *Folder) woken(ctx context.Context, wait, tick <-chan time.Time) bool {
	for {
		select {
		case <-ctx.Done():
			return false
		case <-f.cfg.Ask:
			continue
		case <-f.wake:
		case <-wait:
		case <-tick:
		}
		return true
	}
}

// onDuty returns errOffDuty while another collector folds.
func (f *Folder) onDuty(ctx context.Context) error {
	if f.cfg.OnDuty == nil {
		return nil
	}
	on, err := f.cfg.OnDuty(ctx)
	if err == nil && !on {
		err = errOffDuty
	}
	if f.off = err != nil; f.off { // what is kept here holds only while nobody else folds
		clear(f.clocked)
		clear(f.spelled)
		clear(f.failing)
		f.looks, f.lessons, f.attended, f.raised = nil, nil, attention{}, false
	}
	return err
}

// answer tells who asks that the work goes on.
func (f *Folder) answer() {
	select {
	case <-f.cfg.Ask:
	default:
	}
}

// All folds until no station is marked but those that failed and whose time to be tried
// again has not come, with the clock's work in between. One station's failure doesn't keep
// the others from being folded.
func (f *Folder) All(ctx context.Context) error {
	for {
		more, err := f.some(ctx)
		if !more {
			return err
		}
		f.fault(errors.Join(err, f.minute(ctx)))
	}
}

// some does so for a minute, which stations that send without end don't prolong:
// people are told, and what only the clock says has its turn. It tells whether the
// time was up before the work.
func (f *Folder) some(ctx context.Context) (more bool, err error) {
	more, failed, err := f.marked(ctx)
	f.upset = err != nil
	return more && err == nil, errors.Join(append(failed, err)...)
}

// marked returns each station's failure, and what else failed: that ends it.
func (f *Folder) marked(ctx context.Context) (more bool, failed []error, err error) {
	for end := f.cfg.Now().Add(silenceEvery); ; {
		if err := f.rounds(ctx); err != nil {
			return false, failed, err
		}
		began := f.cfg.Now()
		marks, err := f.cfg.Store.Marks(ctx, marksAtOnce)
		if err != nil {
			return false, failed, fmt.Errorf("list stations to fold: %w", err)
		}
		marks = slices.DeleteFunc(marks, func(m record.Mark) bool { return began.Before(f.failing[m.Station].again) })
		if more = len(marks) > 0 && !began.Before(end); more || len(marks) == 0 {
			return more, failed, f.tellRaised(ctx)
		}
		// Others may be more urgent after a while; of many, the list takes time.
		until := began.Add(askAgain + askShare*f.cfg.Now().Sub(began))
		for len(marks) > 0 && f.cfg.Now().Before(until) {
			n, wrong, stopped := f.group(ctx, marks)
			failed = append(failed, wrong...)
			if stopped != nil {
				return false, failed, errors.Join(err, stopped)
			}
			marks = marks[n:]
			err = errors.Join(err, f.rounds(ctx))
		}
		if err != nil {
			return false, failed, errors.Join(err, f.tellRaised(ctx))
		}
	}
}

// fails has a station tried again later, and ever later.
func (f *Folder) fails(station string) {
	after := min(max(retryAfter, 2*f.failing[station].after), retryMost)
	f.failing[station] = failing{f.cfg.Now().Add(after), after}
}

// group folds the first of the marked stations, at least one, and tells how many
// and what failed. What each begins with is read for all of them at once. Folds
// that nothing else can rest on are committed together; before any other, so that
// they are in order.
func (f *Folder) group(ctx context.Context, marks []record.Mark) (n int, failed []error, err error) {
	if err := f.onDuty(ctx); err != nil {
		return 0, nil, err
	}
	began := f.cfg.Now()
	marks = marks[:min(len(marks), groupMost)]
	names := make([]string, len(marks))
	for i := range marks {
		names[i] = marks[i].Station
	}
	recent, err := f.cfg.Store.Recent(ctx, names)
	if err != nil {
		return 0, nil, err
	}
	clear(f.sites)
	var folds []record.Folded
	for n < len(marks) && (n == 0 || f.cfg.Now().Sub(began) < groupFor) {
		f.answer()
		m := marks[n]
		n++
		out, err := f.station(ctx, m, recent[m.Station])
		if err != nil {
			f.fails(m.Station)
			failed = append(failed, fmt.Errorf("fold %s: %w", m.Station, err))
			continue
		}
		if folds = append(folds, out); !alone(&out) {
			failed = append(failed, f.commit(ctx, folds)...)
			folds = nil
		}
	}
	return n, append(failed, f.commit(ctx, folds)...), nil
}

// alone tells whether a fold changed nothing but hours of its own station.
func alone(f *record.Folded) bool {
	return f.Box == nil && f.Nights == nil && len(f.Occurrences)+len(f.Events)+len(f.Again) == 0
}

// commit commits folds together, or, when that fails, each by itself: one must
// not hold up the others.
func (f *Folder) commit(ctx context.Context, folds []record.Folded) (failed []error) {
	if len(folds) == 0 {
		return nil
	}
	for i := range folds {
		f.raised = f.raised || len(folds[i].Events) > 0 // also if the commit fails: it may be done
	}
	if err := f.cfg.Store.CommitFold(ctx, folds...); err != nil {
		if len(folds) == 1 {
			f.fails(folds[0].Mark.Station)
			return []error{fmt.Errorf("fold %s: %w", folds[0].Mark.Station, err)}
		}
		for i := range folds {
			failed = append(failed, f.commit(ctx, folds[i:i+1])...)
		}
		return failed
	}
	f.committed += len(folds)
	for i := range folds {
		delete(f.failing, folds[i].Mark.Station)
		if folds[i].ReplaceFrom < folds[i].ReplaceTo { // else no readings were folded
			f.folds.Add(1)
		}
		f.hours.Add(int64(len(folds[i].Hours)))
	}
	return nil
}

// station folds one marked station, and returns what is to be committed.
func (f *Folder) station(ctx context.Context, m record.Mark, recent *record.Recent) (out record.Folded, err error) {
	out.Mark = m
	if recent == nil || !recent.Heard || m.To < m.Frozen { // no reading yet, or all that changed is frozen: there is nothing but the mark to clear
		return out, nil
	}
	if m.From < m.Frozen {
		f.cfg.Log.Info("hours are not made anew: readings that they came from were let go", "station", m.Station, "before", m.Frozen)
	}
	facts, err := f.facts(ctx, m.Station, recent.Facts)
	if err != nil {
		return out, err
	}
	first := recent.First
	st := stretch{mark: m, last: recent.Last, recent: recent}
	if err := f.read(ctx, &st, first); err != nil {
		return out, err
	}
	if st.from, err = f.firstHour(ctx, &st, first); err != nil {
		return out, err
	}
	if err := f.ledger(ctx, facts.timeline, &st); err != nil {
		return out, err
	}
	if err := f.follow(ctx, &facts, &st, first); err != nil {
		return out, err
	}
	changes, err := f.judge(ctx, &facts, &st)
	if err != nil {
		return out, err
	}
	nights, err := f.foretell(ctx, &facts, &st, first)
	if err != nil {
		return out, err
	}
	return record.Folded{
		Mark: m, ReplaceFrom: st.from, ReplaceTo: st.to, Hours: st.Hours, Box: st.box, Nights: nights,
		Occurrences: changes.Occurrences, Events: changes.Events, Again: facts.lines.again(m.Station, changes.Occurrences),
	}, nil
}

// read reads the readings around a change that is near the newest one: all that
// an hour's fold needs, in most cases.
func (f *Folder) read(ctx context.Context, st *stretch, first unit.Instant) (err error) {
	changed := max(st.mark.From, st.mark.Frozen, first)
	if st.last.Sub(changed) > liveWithin {
		return nil
	}
	st.since = changed.Floor(time.Hour).Add(-time.Hour)
	st.near, err = f.cfg.Store.Readings(ctx, st.mark.Station, st.since, st.last+1)
	return err
}

// before returns the time of the newest reading before an instant.
func (f *Folder) before(ctx context.Context, st *stretch, t unit.Instant) (unit.Instant, bool, error) {
	n, _ := slices.BinarySearchFunc(st.near, t, func(r reading.Reading, t unit.Instant) int { return cmp.Compare(r.Time, t) })
	if n > 0 {
		return st.near[n-1].Time, true, nil
	}
	return f.cfg.Store.InstantBefore(ctx, st.mark.Station, t)
}

// after returns the time of the first reading after an instant. Those that came
// meanwhile, behind the newest that there was, have a mark of their own.
func (f *Folder) after(ctx context.Context, st *stretch, t unit.Instant) (unit.Instant, bool, error) {
	if t >= st.last {
		return 0, false, nil
	}
	return f.cfg.Store.InstantAfter(ctx, st.mark.Station, t)
}

// stretch is the part of a ledger that is folded again.
type stretch struct {
	mark     record.Mark
	last     unit.Instant // newest reading
	from, to unit.Instant // hours with Start in [from, to); to is far away at the ledger's end
	exposure.Folded

	recent *record.Recent
	near   []reading.Reading // from since to the newest; none: see Folder.read
	since  unit.Instant

	box   *record.Box       // nil: nothing new is known of the box
	found []finding.Finding // of the box, but for those that were over before what is not frozen
}

// firstHour returns the first hour that the change can have altered: that of
// the reading before it, where the altered segment begins, unless it is frozen.
func (f *Folder) firstHour(ctx context.Context, st *stretch, first unit.Instant) (unit.Instant, error) {
	changed := max(st.mark.From, st.mark.Frozen, first)
	before, ok, err := f.before(ctx, st, changed)
	if err != nil {
		return 0, err
	}
	if ok {
		changed = before
	}
	return max(st.mark.Frozen, changed.Floor(time.Hour)), nil
}

// ledger folds the stretch, chunk by chunk.
func (f *Folder) ledger(ctx context.Context, facts []exposure.Valid, st *stretch) error {
	part := exposure.Part{From: st.from}
	previous, err := f.cfg.Store.Hours(ctx, st.mark.Station, st.from.Add(-time.Hour), st.from)
	if err != nil {
		return err
	}
	if len(previous) == 1 {
		part.Begin = previous[0].End
	}
	settled, err := f.hourAfter(ctx, st, facts)
	if err != nil {
		return err
	}
	end := st.last.Floor(time.Hour).Add(time.Hour)
	for part.From < end {
		f.answer()
		part.To = min(end, part.From.Add(chunk))
		if part.From < settled && settled < part.To {
			part.To = settled // the first place where it may go on as it did
		}
		if err := f.part(ctx, facts, st, &part); err != nil {
			return err
		}
		same, err := f.goesOn(ctx, st.mark.Station, part, settled)
		if err != nil {
			return err
		}
		if same && part.From < end {
			st.to = part.From
			return nil
		}
	}
	st.to = math.MaxInt64
	return nil
}

// part folds one chunk and moves part to the next.
func (f *Folder) part(ctx context.Context, facts []exposure.Valid, st *stretch, part *exposure.Part) error {
	rs, err := f.readingsFor(ctx, st, *part, learned(facts))
	if err != nil {
		return err
	}
	got := exposure.Fold(reading.Merge(rs), facts, *part)
	st.Hours = append(st.Hours, got.Hours...)
	// A spell that is open at a chunk's end comes again with the next.
	if n := len(st.Spells); n > 0 && st.Spells[n-1].To == 0 {
		st.Spells = st.Spells[:n-1]
	}
	st.Spells = append(st.Spells, got.Spells...)
	begin := part.Begin
	if n := len(got.Hours); n > 0 {
		begin = got.Hours[n-1].End
	}
	*part = exposure.Part{From: part.To, Begin: begin}
	return nil
}

// hourAfter returns the end of the hour in which the segment after the latest
// change ends: from there on a ledger can be as it was.
func (f *Folder) hourAfter(ctx context.Context, st *stretch, facts []exposure.Valid) (unit.Instant, error) {
	to := st.mark.To
	if learned(facts) && to < math.MaxInt64-unit.Instant(exposure.UndercoolingReach) {
		to = to.Add(exposure.UndercoolingReach) // up to which a reading tells of surfaces
	}
	after, ok, err := f.after(ctx, st, to)
	if err != nil || !ok {
		return math.MaxInt64, err
	}
	return after.Floor(time.Hour).Add(time.Hour), nil
}

// learned tells whether any of the facts tell surfaces from readings.
func learned(facts []exposure.Valid) bool {
	return slices.ContainsFunc(facts, func(v exposure.Valid) bool { return v.Learned != nil })
}

// goesOn tells whether the recorded ledger, next, begins as the folded one
// ends.
func (f *Folder) goesOn(ctx context.Context, station string, next exposure.Part, settled unit.Instant) (bool, error) {
	if next.From < settled {
		return false, nil
	}
	recorded, err := f.cfg.Store.Hours(ctx, station, next.From.Add(-time.Hour), next.From.Add(time.Hour))
	if err != nil {
		return false, err
	}
	return len(recorded) == 2 && recorded[0].End == next.Begin, nil
}

// readingsFor returns the readings that decide the hours of part: those in it
// and their neighbours on both sides, and where surfaces are told from readings,
// those that tell.
func (f *Folder) readingsFor(ctx context.Context, st *stretch, part exposure.Part, learned bool) ([]reading.Reading, error) {
	from, ok, err := f.before(ctx, st, part.From+1)
	if err != nil {
		return nil, err
	}
	if !ok {
		from = part.From
	}
	if learned {
		from = from.Add(-exposure.UndercoolingReach)
	}
	to, ok, err := f.after(ctx, st, part.To-1)
	if err != nil {
		return nil, err
	}
	if !ok {
		to = part.To
	}
	if len(st.near) > 0 && st.since <= from && st.last <= to {
		n, _ := slices.BinarySearchFunc(st.near, from, func(r reading.Reading, t unit.Instant) int { return cmp.Compare(r.Time, t) })
		return st.near[n:], nil
	}
	return f.cfg.Store.Readings(ctx, st.mark.Station, from, to+1)
}

// judge concludes findings from the new stretch of ledger and compares them
// with what is recorded.
func (f *Folder) judge(ctx context.Context, facts *stationFacts, st *stretch) (alarm.Changes, error) {
	recorded := st.recent.Occurrences
	attention, err := f.attention(ctx)
	if err != nil {
		return alarm.Changes{}, err
	}
	j := alarm.Judgement{
		Station: st.mark.Station, Since: math.MinInt64, Until: math.MaxInt64,
		Newest: st.last, Now: unit.At(f.cfg.Now()),
		Limits: attention.limits, Holds: attention.of(st.mark.Station), Retired: st.recent.Retired,
	}
	var changes alarm.Changes
	if st.box != nil {
		line, err := f.ofLine(ctx, facts.lines, st.mark.Station, st.found, recorded)
		if err != nil {
			return changes, err
		}
		j.Kinds, j.Findings = box.Kinds, line.own
		if m := &st.mark; m.Frozen != 0 { // what was over by then stays as it is
			j.Since = m.Frozen
		}
		found := alarm.Reconcile(j, recorded)
		for i := range found.Occurrences {
			if o := &found.Occurrences[i]; !o.Told && line.told(*o) {
				o.Told = true
			}
		}
		changes.Add(found)
	}
	wet, err := f.judgeWetness(ctx, facts, st, j, recorded)
	changes.Add(wet)
	return changes, err
}
