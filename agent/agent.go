// Package agent builds and runs everything on the station's side: for each
// station a source of readings, its spool, and a publisher with a connection
// of its own.
package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"dewpost/agent/publish"
	"dewpost/agent/sample"
	"dewpost/agent/sensor/replay"
	"dewpost/agent/spool"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// Agent serves the stations of one configuration.
type Agent struct {
	plan     *planned
	clock    sample.Clock
	feeds    map[string]Feed
	secrets  map[string]receipt.Secret
	unsynced bool
	version  string
	log      *slog.Logger
}

// Feed gives a station readings from within the program, for demonstrations
// and simulations.
type Feed struct {
	// History is recorded first, as fast as the collector takes it, with its
	// own times; nil for none. After a restart with the same spool it must
	// yield the same readings again; those recorded already are passed over.
	History iter.Seq[reading.Reading]
	// Between is called when all of History is receipted; sampling begins
	// when it returns. Nil for nothing.
	Between func(context.Context) error
	// Sensors are then sampled with the station's interval and burst. Without
	// any, the station stays connected and says nothing.
	Sensors []sample.Sensor
}

// Option changes what New builds.
type Option func(*Agent)

// WithClock makes the agent sample by another clock. Receipts and retries
// keep to real time.
func WithClock(c sample.Clock) Option { return func(a *Agent) { a.clock = c } }

// WithFeed gives a station its readings; its sensors and replay in the
// configuration are not used.
func WithFeed(station string, f Feed) Option { return func(a *Agent) { a.feeds[station] = f } }

// WithSecret gives a station its secret instead of a file.
func WithSecret(station string, s receipt.Secret) Option {
	return func(a *Agent) { a.secrets[station] = s }
}

// WithUnsyncedSpool trades the spool's promise for speed: a power cut may
// lose acknowledged readings. For simulated stations only.
func WithUnsyncedSpool() Option { return func(a *Agent) { a.unsynced = true } }

// WithVersion names the program's version in the state that is published.
func WithVersion(v string) Option { return func(a *Agent) { a.version = v } }

// WithLog sends the log to l. Without it nothing is logged.
func WithLog(l *slog.Logger) Option { return func(a *Agent) { a.log = l } }

// New checks the configuration and prepares an agent. Its error holds every
// Problem.
func New(cfg Config, opts ...Option) (*Agent, error) {
	a := &Agent{
		clock:   sample.Clock{Now: time.Now},
		feeds:   map[string]Feed{},
		secrets: map[string]receipt.Secret{},
		log:     slog.New(slog.DiscardHandler),
	}
	for _, opt := range opts {
		opt(a)
	}
	a.plan = plan(cfg, a.feeds, a.secrets)
	if len(a.plan.problems) > 0 {
		errs := make([]error, len(a.plan.problems))
		for i, p := range a.plan.problems {
			errs[i] = p
		}
		return nil, errors.Join(errs...)
	}
	return a, nil
}

// Run serves all stations until ctx ends, or until all have replayed their
// files if so configured; neither is an error. A station that can't go on
// stops the others. It stops in the direction of
// the data: first the sampling, then the spool, then the connection.
func (a *Agent) Run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	errs := make([]error, len(a.plan.stations))
	var wg sync.WaitGroup
	for i := range a.plan.stations {
		wg.Go(func() {
			st := &a.plan.stations[i]
			if err := a.serve(ctx, st); err != nil {
				errs[i] = fmt.Errorf("station %s: %w", st.ID, err)
				stop()
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// serve runs one station.
func (a *Agent) serve(ctx context.Context, st *plannedStation) (err error) {
	sp, err := spool.Open(filepath.Join(a.plan.SpoolDir, st.ID), spool.Options{
		MaxBytes: int64(a.plan.SpoolMaxMB) << 20,
		MaxAge:   time.Duration(a.plan.SpoolMaxDays) * 24 * time.Hour,
		Unsynced: a.unsynced,
		Log:      a.log.With("station", st.ID),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, sp.Close()) }()
	src, err := a.source(st, sp)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.close()) }()

	// The connection outlives the sampling, so that it ends last.
	online, hangUp := context.WithCancel(context.WithoutCancel(ctx))
	defer hangUp()
	hungUp := make(chan error, 1)
	go func() { hungUp <- publish.New(a.publishing(st, src, sp), sp).Run(online) }()
	err = src.run(ctx)
	if err == nil && ctx.Err() == nil {
		err = a.linger(ctx, sp)
	}
	hangUp()
	return errors.Join(err, <-hungUp)
}

// linger is what a station does when its source has run dry.
func (a *Agent) linger(ctx context.Context, sp *spool.Spool) error {
	if !a.plan.Replay.ExitWhenDone {
		<-ctx.Done()
		return nil
	}
	if err := sp.WaitBelow(ctx, 0); err != nil && ctx.Err() == nil {
		return err
	}
	return nil
}

// source is what gives a station its readings.
type source struct {
	sensors []sensorState
	run     func(context.Context) error // ends with ctx, which is no error
	close   func() error
}

// sensorState describes a sensor in the state that is published.
type sensorState struct {
	Driver     string   `json:"driver"`
	Channels   []string `json:"channels"`
	Serial     string   `json:"serial,omitempty"`
	Calibrated string   `json:"calibrated,omitempty"`
}

func (a *Agent) source(st *plannedStation, sp *spool.Spool) (*source, error) {
	rec := sample.NewRecorder(st.ID, sp)
	nothing := func() error { return nil }
	if feed, ok := a.feeds[st.ID]; ok {
		return &source{run: func(ctx context.Context) error { return a.feed(ctx, st, feed, rec, sp) }, close: nothing}, nil
	}
	if st.Replay != nil {
		f, err := replay.Open(st.Replay.File, st.Replay.Map)
		if err != nil {
			return nil, err
		}
		speed := 1.0
		if st.Replay.Speed != nil {
			speed = *st.Replay.Speed
		}
		player := &sample.Player{Next: f.Next, Speed: speed, Room: a.room(sp), Rec: rec}
		return &source{
			sensors: []sensorState{{Driver: "replay", Channels: names(f.Channels())}},
			run:     player.Run, close: f.Close,
		}, nil
	}
	var sensors []sample.Sensor
	src := &source{close: nothing}
	for _, sc := range st.Sensors {
		sensor, problem := newSensor(sc, a.clock.Now)
		if problem != nil {
			return nil, *problem
		}
		sensors = append(sensors, sensor)
		src.sensors = append(src.sensors, sensorState{Driver: sc.Driver, Channels: names(sensor.Channels()), Serial: sc.Serial, Calibrated: sc.Calibrated})
	}
	src.run = a.sampler(st, sensors, rec).Run
	return src, nil
}

func (a *Agent) sampler(st *plannedStation, sensors []sample.Sensor, rec *sample.Recorder) *sample.Sampler {
	p := sample.Plan{Interval: time.Duration(st.Interval), Burst: st.Burst}
	return sample.NewSampler(sensors, p, a.clock, rec, a.log.With("station", st.ID))
}

// feed records the history, waits for its receipts, and goes on to sample.
func (a *Agent) feed(ctx context.Context, st *plannedStation, f Feed, rec *sample.Recorder, sp *spool.Spool) error {
	if f.History != nil {
		next, stop := iter.Pull(f.History)
		defer stop()
		if err := (&sample.Player{Next: pulled(next), Room: a.room(sp), Rec: rec}).Run(ctx); err != nil {
			return err
		}
		if err := sp.WaitBelow(ctx, 0); err != nil {
			return nil // ctx has ended
		}
	}
	if f.Between != nil {
		if err := f.Between(ctx); err != nil {
			return err
		}
	}
	if len(f.Sensors) == 0 {
		return nil
	}
	return a.sampler(st, f.Sensors, rec).Run(ctx)
}

// pulled adapts a pull iterator to a player.
func pulled(next func() (reading.Reading, bool)) func() (reading.Reading, error) {
	return func() (reading.Reading, error) {
		r, ok := next()
		if !ok {
			return r, io.EOF
		}
		return r, nil
	}
}

// maxAhead bounds what a replay puts into the spool before its receipts
// arrive, in bytes: it must never be so much that the spool drops any.
const maxAhead = 4 << 20

func (a *Agent) room(sp *spool.Spool) func(context.Context) error {
	limit := min(maxAhead, int64(a.plan.SpoolMaxMB)<<20/4)
	return func(ctx context.Context) error { return sp.WaitBelow(ctx, limit) }
}

func names(cs []reading.Channel) []string {
	list := make([]string, len(cs))
	for i, c := range cs {
		list[i] = c.Name()
	}
	return list
}

func (a *Agent) publishing(st *plannedStation, src *source, sp *spool.Spool) publish.Config {
	return publish.Config{
		Station: st.ID, Secret: st.secret,
		Broker: a.plan.broker, TLS: a.plan.tls,
		Retry: time.Duration(a.plan.Retry), InFlight: a.plan.InFlight, Report: time.Duration(a.plan.StateEvery),
		State: func(conn int64) ([]byte, error) { return a.state(conn, src, sp.Status()) },
		Log:   a.log,
	}
}

// state describes a station's agent, for its topic of that name.
func (a *Agent) state(conn int64, src *source, s spool.Status) ([]byte, error) {
	type spoolState struct {
		Queued int64 `json:"queued"`
		Bytes  int64 `json:"bytes"`
		Last   int64 `json:"last"`
		Upto   int64 `json:"upto"`
	}
	return json.Marshal(struct {
		Run       string           `json:"run"`
		Conn      int64            `json:"conn"`
		Clock     time.Time        `json:"clock"`
		Version   string           `json:"version"`
		Spool     spoolState       `json:"spool"`
		Discarded map[string]int64 `json:"discarded"`
		Sensors   []sensorState    `json:"sensors"`
	}{
		Run: s.Run, Conn: conn, Clock: a.clock.Now().UTC(), Version: a.version,
		Spool:     spoolState{Queued: s.Queued, Bytes: s.Bytes, Last: s.Last, Upto: s.Upto},
		Discarded: nonNil(s.Discarded), Sensors: append([]sensorState{}, src.sensors...),
	})
}

func nonNil(m map[string]int64) map[string]int64 {
	if m == nil {
		return map[string]int64{}
	}
	return m
}
