package sample

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Sensor measures some channels.
type Sensor interface {
	// Channels lists what Sense is expected to set.
	Channels() []reading.Channel
	// Sense measures once and sets what it could measure in r; flags it sets
	// there (but failed ones) are passed on. What it leaves absent counts as
	// failed, unless it is withheld; the error says why and is logged. It returns
	// by ctx's deadline.
	Sense(ctx context.Context, r *reading.Reading) error
}

// Withholder is a Sensor that at times keeps a value back, though the read did not
// fail.
type Withholder interface {
	// Withheld tells whether the last Sense did so with a channel's.
	Withheld(c reading.Channel) bool
}

// Plan says how a station is sampled.
type Plan struct {
	Interval time.Duration // between readings, which lie on its multiples since 1970
	Burst    int           // samples per reading, spread evenly over the interval, which must divide by it
}

func (p Plan) every() time.Duration { return p.Interval / time.Duration(p.Burst) }

// Sampler samples the sensors of one station.
type Sampler struct {
	sensors []Sensor
	clock   Clock
	keeper  *Timekeeper
	rec     *Recorder
	log     *slog.Logger

	now    look                           // at the last tick
	taken  int                            // samples in the burst so far
	values [reading.NumChannels][]float64 // of the burst so far
	missed [reading.NumChannels]bool      // of the burst so far: a read of it failed
	flags  []string                       // of the burst so far
	failed []time.Time                    // by sensor: when its failure was last logged; zero while it is good
	turn   int                            // which of those that fail is read first

	mu        sync.Mutex
	plan      Plan
	interrupt context.CancelFunc // of the wait for the next tick; nil while sampling
	busy      time.Time          // since when a sample is being taken and recorded; zero: none is
}

// NewSampler returns a sampler that records what the sensors measure, by the
// clock of the timekeeper.
func NewSampler(sensors []Sensor, p Plan, k *Timekeeper, rec *Recorder, log *slog.Logger) *Sampler {
	return &Sampler{sensors: sensors, plan: p, clock: k.clock, keeper: k, rec: rec, log: log}
}

// Run samples until ctx ends, which is no error. A reading that can't be
// recorded is counted as discarded, and sampling goes on.
func (s *Sampler) Run(ctx context.Context) error {
	if err := s.rec.settle(); err != nil {
		s.log.Error("readings that had waited for the clock", "err", err)
	}
	s.keeper.look()
	plan := s.Plan()
	slot := s.clock.now().Floor(plan.Interval)
	for {
		t, err := s.tick(ctx, plan)
		if err != nil && ctx.Err() != nil {
			return nil
		}
		if err != nil { // the plan has changed; the burst so far goes into the next reading
			plan = s.Plan()
			slot = s.clock.now().Floor(plan.Interval)
			continue
		}
		if s.now = s.keeper.look(); s.now.jumped {
			s.flag(reading.FlagClock)
		}
		s.setBusy(time.Now())
		edge := t.Floor(plan.Interval)
		if t > edge && edge > slot {
			s.finish(edge) // the tick at the edge was missed
		}
		slot = edge
		s.sense(ctx, plan)
		if t == edge {
			s.finish(edge)
		}
		s.setBusy(time.Time{})
	}
}

// Plan is how the station is sampled now.
func (s *Sampler) Plan() Plan {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.plan
}

// SetPlan samples by another plan from now on.
func (s *Sampler) SetPlan(p Plan) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.plan == p {
		return
	}
	s.plan = p
	if s.interrupt != nil {
		s.interrupt()
	}
}

// Stuck tells for how long one sample is being taken and its reading recorded.
// Sensors return by their deadline, but a kernel may not, nor a disk.
func (s *Sampler) Stuck() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.busy.IsZero() {
		return 0
	}
	return time.Since(s.busy)
}

func (s *Sampler) setBusy(since time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.busy = since
}

// errReplanned ends a wait for the next tick of a plan that is no more.
var errReplanned = errors.New("the plan has changed")

func (s *Sampler) tick(ctx context.Context, plan Plan) (unit.Instant, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s.mu.Lock()
	changed := s.plan != plan
	s.interrupt = cancel
	s.mu.Unlock()
	if changed {
		return 0, errReplanned
	}
	return s.clock.tick(ctx, plan.every())
}

// finish records the burst so far as the reading of t.
func (s *Sampler) finish(t unit.Instant) {
	if s.taken == 0 {
		return
	}
	r := s.reduce()
	if !s.now.set {
		if err := s.rec.hold(s.now.up, r); err != nil {
			s.log.Error("reading that waits for the clock is not on disk", "err", err)
		}
		return
	}
	// First those that waited, so that numbers and times go the same way.
	if err := s.rec.release(s.now, t); err != nil {
		s.log.Error("readings that waited for the clock", "err", err)
	}
	r.Time = t
	s.record([]reading.Reading{r})
}

// inTurn are the sensors by number, those that failed the last time behind the
// others, as they may take all the time there is, and each time another of them
// first, as one may have failed for want of time.
func (s *Sampler) inTurn() []int {
	var good, failed []int
	for i := range s.sensors {
		if s.failed != nil && !s.failed[i].IsZero() {
			failed = append(failed, i)
		} else {
			good = append(good, i)
		}
	}
	if n := len(failed); n > 0 {
		s.turn++
		failed = append(failed[s.turn%n:], failed[:s.turn%n]...)
	}
	return append(good, failed...)
}

// sense takes one sample of every sensor.
func (s *Sampler) sense(ctx context.Context, plan Plan) {
	ctx, cancel := context.WithTimeout(ctx, s.clock.wall(plan.every()))
	defer cancel()
	s.taken++
	for _, i := range s.inTurn() {
		sensor := s.sensors[i]
		var r reading.Reading
		s.logFailure(i, sensor.Sense(ctx, &r))
		w, _ := sensor.(Withholder)
		for _, c := range sensor.Channels() {
			if v, ok := r.Get(c); ok && !math.IsNaN(v) && !math.IsInf(v, 0) {
				s.values[c] = append(s.values[c], v)
			} else if w == nil || !w.Withheld(c) {
				s.missed[c] = true
			}
		}
		for f := range strings.SplitSeq(r.Flags, ",") {
			if f != "" && !strings.HasPrefix(f, reading.FlagFailed) {
				s.flag(f)
			}
		}
	}
}

// logAgain is how often a sensor that goes on failing is logged: a log on a
// card lives as long as the card.
const logAgain = time.Hour

// logFailure logs that a sensor has failed, that it still does, and that it is
// good again.
func (s *Sampler) logFailure(sensor int, err error) {
	if s.failed == nil {
		s.failed = make([]time.Time, len(s.sensors))
	}
	last := &s.failed[sensor]
	switch {
	case err == nil && !last.IsZero():
		s.log.Info("sensor is back", "sensor", sensor+1)
		*last = time.Time{}
	case err != nil && (last.IsZero() || time.Since(*last) >= logAgain):
		s.log.Warn("sensor", "sensor", sensor+1, "err", err)
		*last = time.Now()
	}
}

// flag puts a flag on the reading of the present burst.
func (s *Sampler) flag(f string) {
	if !slices.Contains(s.flags, f) {
		s.flags = append(s.flags, f)
	}
}

// reduce makes a reading of the burst and begins the next one.
func (s *Sampler) reduce() reading.Reading {
	var r reading.Reading
	flags := s.flags
	for c := range reading.NumChannels {
		switch {
		case len(s.values[c]) > 0:
			r.Set(c, round(median(s.values[c]), c.Places()))
		case s.missed[c]:
			flags = append(flags, reading.FlagFailed+c.Name())
		}
		s.values[c], s.missed[c] = s.values[c][:0], false
	}
	r.Flags = strings.Join(flags, ",")
	s.flags, s.taken = nil, 0
	return r
}

// median sorts xs. Of an even number it is the mean of the middle two.
func median(xs []float64) float64 {
	slices.SortFunc(xs, cmp.Compare[float64])
	mid := len(xs) / 2
	if len(xs)%2 == 1 {
		return xs[mid]
	}
	return xs[mid-1] + (xs[mid]-xs[mid-1])/2
}

// round rounds to the given number of decimals; never −0.
func round(x float64, places int) float64 {
	scale := math.Pow10(places)
	return math.Round(x*scale)/scale + 0
}

func (s *Sampler) record(rs []reading.Reading) {
	if err := s.rec.Record(rs); err != nil {
		s.rec.Drop(len(rs))
		s.log.Error("readings discarded", "readings", len(rs), "err", err)
	}
}
