// Package feed sends what is folded, and what is stored if that is wanted, on to
// another program by HTTP: POST requests whose bodies are line protocol, as
// collector/export writes it.
//
// Whoever takes a line must let it take the place of an earlier one with the same
// measurement, tags and time. Then it holds, in the end, what is stored here,
// however often something is sent: a stretch that changed is marked by the commit
// that changed it, is sent as it is then stored, and its mark is cleared only when
// all of it was taken and nothing changed meanwhile. Killed or cut off anywhere, the
// mark stands and the stretch is sent again. Nothing else is queued, so there is
// nothing that grows while nobody takes anything.
//
// One request is under way at a time, and only from the collector on duty. What is
// not known to have been taken may still arrive, later than what follows it, where
// something on the way holds it back; so what is sent after a failure waits a
// second at least. Hours never go from a ledger, and an erasure of an owner changes
// neither hours nor the ids of stations; readings whose flags it changes are sent
// again. So nothing has to be deleted elsewhere. Where readings were let go, the
// receiver keeps those that it has.
package feed

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"dewpost/collector/export"
	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Store is what is sent from, and where it is noted what was sent. FeedSent is
// durable and atomic.
type Store interface {
	UseFeeds(ctx context.Context, target string, what ...string) error
	FeedVersion(ctx context.Context, what string) (int64, error)
	FeedMarks(ctx context.Context, what string, upto int64, limit int) ([]record.FeedMark, error)
	FeedSent(ctx context.Context, what string, steps []record.FeedStep, sent int64, refused []record.FeedRefusal) error
	FeedFailed(ctx context.Context, what string, at unit.Instant, why string) error
	Span(ctx context.Context, station string) (first, last unit.Instant, ok bool, err error)
	InstantAfter(ctx context.Context, station string, t unit.Instant) (unit.Instant, bool, error)
	Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error)
	Hours(ctx context.Context, station string, from, to unit.Instant) ([]exposure.Hour, error)
}

// Config is what a Feed needs.
type Config struct {
	Store  Store
	Post   func(ctx context.Context, body []byte) error // see Refused and Later
	Target string                                       // names where it goes: when it changes, all is sent anew
	What   []string                                     // record.FeedHours, record.FeedReadings; none: nothing is sent on
	Lines  int                                          // at most in one request
	Every  time.Duration                                // between two looks for what changed
	Now    func() time.Time
	Log    *slog.Logger
	OnDuty func(ctx context.Context) (bool, error) // nil: always
	// Ask is received from while the feed waits, and between two pieces of its work.
	Ask <-chan struct{}
}

// Refused is the error of a Post whose lines, or one of them, will never be taken.
type Refused struct{ Why string }

func (r *Refused) Error() string { return r.Why }

// Later is the error of a Post that is to be tried again after some time, as the
// receiver says.
type Later struct {
	After time.Duration
	Why   string
}

func (l *Later) Error() string { return l.Why }

const (
	marksAtOnce = 256
	hoursAtOnce = 32 * 24 * time.Hour // of a station's ledger that is read at once
	day         = 24 * time.Hour
	firstRetry  = time.Second
	lastRetry   = 5 * time.Minute
	laterMost   = time.Hour
)

// errOffDuty ends what another collector does now.
var errOffDuty = errors.New("another collector sends on")

// Stats are running totals of a Feed.
type Stats struct{ Sent, Refused, Failures int64 }

// Feed sends on. It is safe for one Run at a time.
type Feed struct {
	cfg  Config
	used bool // the store knows what is sent on

	sent, refused, failures atomic.Int64
}

// New makes a Feed; Run starts it.
func New(cfg Config) *Feed { return &Feed{cfg: cfg} }

// Stats returns the totals so far.
func (f *Feed) Stats() Stats { return Stats{f.sent.Load(), f.refused.Load(), f.failures.Load()} }

// Run sends on until ctx ends. What fails is logged, counted and tried again.
func (f *Feed) Run(ctx context.Context) error {
	failed := 0
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-f.cfg.Ask:
			continue
		case <-timer.C:
		}
		wait := f.cfg.Every
		var later *Later
		switch err := f.Step(ctx); {
		case ctx.Err() != nil:
			return nil
		case err == nil, errors.Is(err, errOffDuty):
			failed = 0
		case errors.As(err, &later):
			f.cfg.Log.Warn("what is sent on is not taken now; it is tried again", "after", later.After, "error", err)
			wait = min(max(later.After, firstRetry), laterMost)
		default:
			f.cfg.Log.Error("sending on failed; it is tried again", "error", err)
			wait = min(firstRetry<<min(failed, 20), lastRetry)
			failed++
		}
		timer.Reset(wait)
	}
}

// Step sends all that is marked when it begins.
func (f *Feed) Step(ctx context.Context) error {
	if err := f.onDuty(ctx); err != nil {
		return err
	}
	if !f.used {
		if err := f.cfg.Store.UseFeeds(ctx, f.cfg.Target, f.cfg.What...); err != nil {
			return err
		}
		f.used = true
	}
	for _, what := range f.cfg.What {
		if err := f.all(ctx, what); err != nil {
			return err
		}
	}
	return nil
}

func (f *Feed) onDuty(ctx context.Context) error {
	if f.cfg.OnDuty == nil {
		return nil
	}
	on, err := f.cfg.OnDuty(ctx)
	if err == nil && !on {
		err = errOffDuty
	}
	if err != nil {
		f.used = false
	}
	return err
}

// all sends what is marked of a kind, by version, so that what changes meanwhile
// waits for the next time.
func (f *Feed) all(ctx context.Context, what string) error {
	upto, err := f.cfg.Store.FeedVersion(ctx, what)
	if err != nil {
		return err
	}
	for {
		marks, err := f.cfg.Store.FeedMarks(ctx, what, upto, marksAtOnce)
		if err != nil || len(marks) == 0 {
			return err
		}
		b := bundle{feed: f, what: what}
		for _, m := range marks {
			read := b.hours
			if what == record.FeedReadings {
				read = b.readings
			}
			if err := read(ctx, m); err != nil {
				return err
			}
		}
		if err := b.flush(ctx); err != nil {
			return err
		}
	}
}

// bundle is what goes with the next request.
type bundle struct {
	feed  *Feed
	what  string
	body  []byte
	lines []line
	steps []record.FeedStep // by mark; what is true once all lines are taken
}

// line is where a line ends in the body, and what it is of.
type line struct {
	end     int
	station string
	time    unit.Instant
}

// hours adds the hours of a mark.
func (b *bundle) hours(ctx context.Context, m record.FeedMark) error {
	first, last, ok, err := b.feed.cfg.Store.Span(ctx, m.Station)
	if err != nil {
		return err
	}
	if ok {
		from, to := max(m.From, first.Floor(time.Hour)), min(m.To, last)
		for at := from; at <= to; at = at.Add(hoursAtOnce) {
			end := min(to+1, at.Add(hoursAtOnce))
			list, err := b.feed.cfg.Store.Hours(ctx, m.Station, at, end)
			if err != nil {
				return err
			}
			for i := range list {
				h := &list[i]
				err := b.add(ctx, m, h.Start, func(dst []byte) ([]byte, error) { return export.AppendHourLine(dst, m.Station, h) })
				if err != nil {
					return err
				}
			}
		}
	}
	b.steps = append(b.steps, record.FeedStep{Mark: m, Done: true})
	return nil
}

// readings adds the readings of a mark.
func (b *bundle) readings(ctx context.Context, m record.FeedMark) error {
	first, last, ok, err := b.feed.cfg.Store.Span(ctx, m.Station)
	if err != nil {
		return err
	}
	at, to := max(m.From, first), min(m.To, last)
	for ok && at <= to {
		end := min(to+1, at.Floor(day).Add(day))
		list, err := b.feed.cfg.Store.Readings(ctx, m.Station, at, end)
		if err != nil {
			return err
		}
		for i := range list {
			r := &list[i]
			err := b.add(ctx, m, r.Time, func(dst []byte) ([]byte, error) { return export.AppendReadingLine(dst, m.Station, r) })
			if err != nil {
				return err
			}
		}
		if at, ok, err = b.feed.cfg.Store.InstantAfter(ctx, m.Station, end-1); err != nil {
			return err
		}
	}
	b.steps = append(b.steps, record.FeedStep{Mark: m, Done: true})
	return nil
}

// add adds a line; when there are as many as a request may hold, they are sent
// first, and the mark is noted as sent up to this line.
func (b *bundle) add(ctx context.Context, m record.FeedMark, at unit.Instant, encode func([]byte) ([]byte, error)) error {
	if len(b.lines) >= b.feed.cfg.Lines {
		b.steps = append(b.steps, record.FeedStep{Mark: m, Upto: at})
		if err := b.flush(ctx); err != nil {
			return err
		}
	}
	body, err := encode(b.body)
	if err != nil {
		return err
	}
	if len(body) > len(b.body) {
		b.body, b.lines = body, append(b.lines, line{len(body), m.Station, at})
	}
	return nil
}

// flush sends the lines, and notes it.
func (b *bundle) flush(ctx context.Context) error {
	f := b.feed
	if len(b.steps) == 0 {
		return nil
	}
	select {
	case <-f.cfg.Ask:
	default:
	}
	refused, err := b.send(ctx, 0, len(b.lines))
	if err != nil {
		f.failures.Add(1)
		if ctx.Err() != nil { // nobody's fault
			return err
		}
		return errors.Join(err, f.cfg.Store.FeedFailed(ctx, b.what, unit.At(f.cfg.Now()), reading.Printable([]byte(err.Error()))))
	}
	sent := int64(len(b.lines) - len(refused))
	if err := f.cfg.Store.FeedSent(ctx, b.what, b.steps, sent, refused); err != nil {
		return err
	}
	for i := range refused {
		r := &refused[i]
		f.cfg.Log.Error("a line that is sent on is refused, and left out", "what", b.what, "station", r.Station, "time", r.Time, "why", r.Why)
	}
	f.sent.Add(sent)
	f.refused.Add(int64(len(refused)))
	b.body, b.lines, b.steps = b.body[:0], b.lines[:0], b.steps[:0]
	return f.onDuty(ctx)
}

// send sends the lines from one to before another. Where they are refused it
// sends each half, down to the lines that are the reason.
func (b *bundle) send(ctx context.Context, from, to int) ([]record.FeedRefusal, error) {
	if from == to {
		return nil, nil
	}
	begin := 0
	if from > 0 {
		begin = b.lines[from-1].end
	}
	err := b.post(ctx, b.body[begin:b.lines[to-1].end])
	var no *Refused
	if !errors.As(err, &no) {
		return nil, err
	}
	if to-from == 1 {
		l := &b.lines[from]
		return []record.FeedRefusal{{Station: l.station, Time: l.time, At: unit.At(b.feed.cfg.Now()), Why: no.Why}}, nil
	}
	half := (from + to) / 2
	first, err := b.send(ctx, from, half)
	if err != nil {
		return nil, err
	}
	second, err := b.send(ctx, half, to)
	return append(first, second...), err
}

// post sends one request, and answers who asks while it is under way.
func (b *bundle) post(ctx context.Context, body []byte) error {
	done := make(chan error, 1)
	go func() { done <- b.feed.cfg.Post(ctx, body) }()
	for {
		select {
		case err := <-done:
			if err != nil {
				err = fmt.Errorf("send on %s: %w", b.what, err)
			}
			return err
		case <-b.feed.cfg.Ask:
		}
	}
}
