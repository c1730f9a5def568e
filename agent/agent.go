// Package agent builds and runs everything on the station's side: for each
// station a source of readings, its spool, and a publisher with a connection
// of its own.
package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"dewpost/agent/carry"
	"dewpost/agent/publish"
	"dewpost/agent/sample"
	"dewpost/agent/sensor"
	"dewpost/agent/sensor/replay"
	"dewpost/agent/spool"
	"dewpost/agent/systemd"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// Agent serves the stations of one configuration.
type Agent struct {
	plan    *planned
	clock   sample.Clock
	feeds   map[string]Feed
	secrets map[string]receipt.Secret
	hw      *hardware
	sysfs   string
	manager systemd.Notifier
	ladder  *ladder

	life context.Context // Run's
	side sync.WaitGroup  // of what goes on beside the stations

	mu       sync.Mutex
	stations []*running // those that have begun
	unsynced bool
	alone    bool // it sends nothing
	version  string
	began    time.Time
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

// WithManager tells the service manager when all stations have begun, and that
// they live.
func WithManager(n systemd.Notifier) Option { return func(a *Agent) { a.manager = n } }

// WithoutCollector is for who reads sensors and sends nothing: what is wrong with
// secrets and certificates, which a service may be handed and others not, is no
// problem then.
func WithoutCollector() Option { return func(a *Agent) { a.alone = true } }

// WithLog sends the log to l. Without it nothing is logged.
func WithLog(l *slog.Logger) Option { return func(a *Agent) { a.log = l } }

// New checks the configuration and prepares an agent. Its error holds every
// Problem.
func New(cfg Config, opts ...Option) (*Agent, error) {
	a := &Agent{
		clock:   sample.Clock{Now: time.Now, Machine: sample.System()},
		began:   time.Now(),
		feeds:   map[string]Feed{},
		secrets: map[string]receipt.Secret{},
		log:     slog.New(slog.DiscardHandler),
		sysfs:   "/sys",
	}
	for _, opt := range opts {
		opt(a)
	}
	a.hw = newHardware(a.clock.Now)
	a.plan = plan(cfg, a.feeds, a.secrets)
	if a.alone {
		a.plan.problems = slices.DeleteFunc(a.plan.problems, func(p Problem) bool { return p.Key == "ca_file" || strings.HasSuffix(p.Key, ".secret_file") })
	}
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
	a.ladder = openLadder(a.plan.Recovery, filepath.Join(a.plan.SpoolDir, "recovery.json"), a.log)
	a.life = ctx
	a.side.Go(func() { a.ladder.watch(ctx, a.receiptAge) })
	a.side.Go(func() { a.watchdog(ctx) })
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
	stop()
	a.side.Wait()
	return errors.Join(append(errs, a.hw.buses.Close())...)
}

// serve runs one station.
func (a *Agent) serve(ctx context.Context, st *plannedStation) (err error) {
	// A replay's rows have their numbers for good: under one there are always the same bytes.
	renumber := reading.SetSeq
	if _, fed := a.feeds[st.ID]; fed || st.Replay != nil {
		renumber = nil
	}
	sp, err := spool.Open(filepath.Join(a.plan.SpoolDir, st.ID), spool.Options{
		Renumber: renumber,
		MaxBytes: int64(a.plan.SpoolMaxMB) << 20,
		MaxAge:   time.Duration(a.plan.SpoolMaxDays) * 24 * time.Hour,
		Unsynced: a.unsynced,
		Boot:     a.boot(),
		Now:      a.clock.Now,
		Log:      a.log.With("station", st.ID),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, sp.Close()) }()
	keeper := sample.NewTimekeeper(a.clock, time.Duration(a.plan.ClockWait), sp.Status().NewestAt, a.log.With("station", st.ID))
	src, err := a.source(st, sp, keeper)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.close()) }()

	// The connection outlives the sampling, so that it ends last.
	online, hangUp := context.WithCancel(context.WithoutCancel(ctx))
	defer hangUp()
	hungUp := make(chan error, 1)
	now := &running{station: st, src: src, spool: sp, keeper: keeper}
	onward := a.onward(now)
	go func() { hungUp <- onward(online) }()
	a.begun(now)
	err = src.run(ctx)
	if err == nil && ctx.Err() == nil {
		err = a.linger(ctx, sp)
	}
	hangUp()
	return errors.Join(err, <-hungUp)
}

// onward is what takes the readings further: to the broker, or into files.
func (a *Agent) onward(r *running) func(context.Context) error {
	if a.plan.Logger.Dir != "" {
		var channels []reading.Channel
		for _, s := range r.src.sensors {
			for _, name := range s.Channels {
				c, _ := reading.ChannelByName(name)
				channels = append(channels, c)
			}
		}
		return carry.New(carry.Config{
			Dir: a.plan.Logger.Dir, Station: r.station.ID, Channels: channels,
			Every: time.Duration(a.plan.Logger.Every), Log: a.log,
		}, r.spool).Run
	}
	r.orders = a.openOrders(r)
	r.publisher = publish.New(a.publishing(r), r.spool)
	return r.publisher.Run
}

// boot identifies the machine's present boot; "" when it can't be told.
func (a *Agent) boot() string {
	if a.clock.Machine == nil {
		return ""
	}
	return a.clock.Machine.Boot()
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
	health  []*sensor.Sensor            // of these, nil for those that don't tell
	sampler *sample.Sampler             // nil when there is none
	run     func(context.Context) error // ends with ctx, which is no error
	close   func() error
}

func (a *Agent) source(st *plannedStation, sp *spool.Spool, k *sample.Timekeeper) (*source, error) {
	rec := sample.NewRecorder(st.ID, sp)
	nothing := func() error { return nil }
	if feed, ok := a.feeds[st.ID]; ok {
		return &source{run: func(ctx context.Context) error { return a.feed(ctx, st, feed, rec, sp, k) }, close: nothing}, nil
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
		made, problem := newSensor(sc, a.hw)
		if problem != nil {
			return nil, *problem
		}
		sensors = append(sensors, made)
		src.sensors = append(src.sensors, sensorState{Driver: sc.Driver, Channels: names(made.Channels()), Serial: sc.Serial, Calibrated: sc.Calibrated})
		tells, _ := made.(*sensor.Sensor)
		src.health = append(src.health, tells)
	}
	src.sampler = a.sampler(st, sensors, rec, k)
	src.run = src.sampler.Run
	return src, nil
}

func (a *Agent) sampler(st *plannedStation, sensors []sample.Sensor, rec *sample.Recorder, k *sample.Timekeeper) *sample.Sampler {
	p := sample.Plan{Interval: time.Duration(st.Interval), Burst: st.Burst}
	return sample.NewSampler(sensors, p, k, rec, a.log.With("station", st.ID))
}

// feed records the history, waits for its receipts, and goes on to sample.
func (a *Agent) feed(ctx context.Context, st *plannedStation, f Feed, rec *sample.Recorder, sp *spool.Spool, k *sample.Timekeeper) error {
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
	return a.sampler(st, f.Sensors, rec, k).Run(ctx)
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

func (a *Agent) publishing(r *running) publish.Config {
	return publish.Config{
		Station: r.station.ID, Secret: a.secret(r.station),
		Broker: a.plan.broker, TLS: a.plan.tls,
		Retry: time.Duration(a.plan.Retry), InFlight: a.plan.InFlight, Report: time.Duration(a.plan.StateEvery),
		State: func(conn int64) ([]byte, error) { return a.state(conn, r) },
		Order: r.orders.handle,
		Log:   a.log,
	}
}

// secret gives the station's present secret: the file is read each time, so
// that a new one needs no restart. While it can't be used, the one read before
// stays.
func (a *Agent) secret(st *plannedStation) func() receipt.Secret {
	last := st.secret
	if st.secretPath == "" {
		return func() receipt.Secret { return last }
	}
	return func() receipt.Secret {
		now, err := readSecret(st.secretPath)
		if err != nil {
			a.log.Error("secret file can't be used: the secret read before stays", "station", st.ID, "file", st.secretPath, "err", err)
			return last
		}
		if now != last {
			a.log.Info("secret has changed", "station", st.ID)
		}
		last = now
		return now
	}
}
