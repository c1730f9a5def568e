// Package collector builds and runs the whole collector: broker or connection
// to one, intake, store, fold, notification, pages.
//
// Data flow in one direction: broker → intake → store → fold → store → notify
// and web. Close stops in that direction too.
package collector

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/broker"
	"dewpost/collector/door"
	"dewpost/collector/feed"
	"dewpost/collector/fold"
	"dewpost/collector/identity"
	"dewpost/collector/intake"
	"dewpost/collector/metrics"
	"dewpost/collector/notify"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/collector/watch"
	"dewpost/rules/box"
	"dewpost/rules/exposure"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

const stopTimeout = 5 * time.Second

// Collector is a running collector.
type Collector struct {
	cfg      Config
	log      *slog.Logger
	now      func() time.Time
	store    *store.Store
	planner  *books.Planner
	intake   *intake.Intake
	states   *intake.States
	folder   *fold.Folder
	sender   *notify.Sender
	feed     *feed.Feed
	watch    *watch.Watch // nil: switched off
	rounds   rounds
	key      []byte             // signs links in messages
	identity *identity.Identity // nil until TLS needs it
	decoy    receipt.Secret     // nobody's
	version  int64              // of the stations' passwords, when it was opened
	front    *broker.Front      // embedded broker, or
	external *intake.External   // connection to another
	door     *door.Door
	view     *view.View
	listener net.Listener
	server   *http.Server
	closing  chan struct{} // closed when the server shuts down
	secure   bool          // the pages speak TLS
	cancel   context.CancelFunc
	ended    chan error // one from each part that runs
	parts    int

	packedMu sync.Mutex
	packed   record.Packed // since the start
}

// Open opens the store, listens and begins to work. now is the collector's
// clock. Close ends it.
func Open(ctx context.Context, cfg Config, now func() time.Time, log *slog.Logger) (_ *Collector, err error) {
	if err := cfg.check(); err != nil {
		return nil, fmt.Errorf("config: %w", err)
	}
	c := &Collector{cfg: cfg, log: log, now: now, ended: make(chan error, 18), closing: make(chan struct{})}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	c.cancel = cancel
	defer func() {
		if err != nil {
			err = errors.Join(err, c.Close())
		}
	}()
	where, err := cfg.Store.Where()
	if err != nil {
		return nil, fmt.Errorf("config: %w", err)
	}
	if c.store, err = store.Open(ctx, where); err != nil {
		return nil, err
	}
	if err := c.store.UseRules(ctx, 1000*exposure.Version+box.Version); err != nil {
		return nil, err
	}
	if err := c.warnOfBackups(ctx); err != nil {
		return nil, err
	}
	c.planner = books.NewPlanner(c.store)
	ask := cfg.Ask
	if ask == nil {
		ask = func(string) <-chan struct{} { return nil }
	}
	c.folder = fold.New(fold.Config{Store: c.store, Now: now, Log: log, Sent: func() { c.sender.Wake() }, Ask: ask("fold"), OnDuty: c.store.OnDuty})
	c.store.WhenMarked(c.folder.Wake)
	c.states = intake.NewStates(c.store, now, log)
	c.states.Ask = ask("writer of states")
	c.intake = intake.New(intake.Config{Store: c.store, Now: now, Committed: c.folder.Wake, States: c.states, Ask: ask("intake"), Log: log})
	watching := ask("watch on stations")
	packing := ask("packing of closed days")
	going := ask("letting go of old readings")
	sending := ask("sending on")
	looking := ask("morning look")
	if err := c.prepareStations(ctx); err != nil {
		return nil, err
	}
	if err := c.prepareRounds(); err != nil {
		return nil, err
	}
	if err := c.connect(run); err != nil {
		return nil, err
	}
	stations, err := c.store.Stations(ctx)
	if err != nil {
		return nil, err
	}
	if err := c.passOrders(ctx, stations); err != nil {
		return nil, err
	}
	if err := c.openPages(ctx, now); err != nil {
		return nil, err
	}
	if err := c.openMessages(ask); err != nil {
		return nil, err
	}
	if err := c.openFeed(sending); err != nil {
		return nil, err
	}
	c.start(func() error { return c.intake.Run(run) })
	c.start(func() error { return c.states.Run(run) })
	c.start(func() error { return c.watchStations(run, watching) })
	c.start(func() error { return c.packDays(run, packing) })
	c.start(func() error { return c.letGo(run, going) })
	c.start(func() error {
		c.view.Keep(run, looking, func(err error) { log.Error("the morning look is not made; it is tried again", "error", err) })
		return nil
	})
	c.start(func() error { return c.folder.Run(run) })
	c.start(func() error {
		c.store.Hear(run, c.folder.Wake, func(err error) {
			log.Warn("commits of other collectors are found out within a minute only", "error", err)
		})
		return nil
	})
	c.start(func() error { return c.sender.Run(run) })
	c.start(func() error { return c.feed.Run(run) })
	if c.watch != nil {
		c.start(func() error { return c.watch.Run(run) })
	}
	c.start(func() error {
		if err := c.servePages(); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("pages: %w", err)
		}
		return nil
	})
	return c, nil
}

func (c *Collector) start(part func() error) {
	c.parts++
	go func() { c.ended <- part() }()
}

// connect starts the embedded broker, or connects to the external one.
func (c *Collector) connect(run context.Context) error {
	if c.cfg.Broker.URL != "" {
		cfg, err := c.cfg.Broker.intakeConfig()
		if err != nil {
			return err
		}
		if c.external, err = intake.Connect(run, cfg, c.intake); err != nil {
			return err
		}
		c.intake.SetPublisher(c.external)
		return nil
	}
	cfg := broker.Config{
		Addr: c.cfg.Stations.Listen, Plain: c.cfg.Stations.Plain, Authenticate: c.authenticate, Handle: c.handle, Take: c.intake.Take, Log: c.log,
	}
	var err error
	if c.cfg.stationsSecure() {
		id, err := c.who(run)
		if err != nil {
			return err
		}
		cfg.TLS = id.StationsTLS()
	}
	if c.front, err = broker.Listen(cfg); err != nil {
		return err
	}
	c.intake.SetPublisher(c.front)
	return nil
}

// release lets readings out of quarantine on somebody's word.
func (c *Collector) release(ctx context.Context, ids []int64, author string) error {
	if err := c.store.Release(ctx, ids, unit.At(c.now()), author); err != nil {
		return err
	}
	c.folder.Wake()
	return nil
}

func (c *Collector) handle(ctx context.Context, station, leaf string, payload []byte) error {
	if leaf != receipt.LeafReadings { // the broker lets a station write these two
		c.states.Take(station, payload, false)
		return nil
	}
	return c.intake.Handle(ctx, station, payload)
}

// Store is the collector's store, for who puts facts into it.
func (c *Collector) Store() *store.Store { return c.store }

// StationsAddr is where agents connect, "" with an external broker.
func (c *Collector) StationsAddr() string {
	if c.front == nil {
		return ""
	}
	return c.front.Addr()
}

// Idle tells whether all that was received is folded.
func (c *Collector) Idle(ctx context.Context) (bool, error) {
	marks, err := c.store.Marks(ctx, 1)
	return len(marks) == 0, err
}

// Wait returns when ctx ends, or with the error of the first part that fails.
func (c *Collector) Wait(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return nil
	case err := <-c.ended:
		c.parts--
		return err
	}
}

// Close stops taking messages, lets what was taken be committed, and closes
// the store. All of it is tried; the errors are joined.
func (c *Collector) Close() error {
	var errs []error
	if c.external != nil {
		c.external.Close()
	}
	if c.front != nil {
		errs = append(errs, c.front.Close())
	}
	if c.server != nil {
		ctx, cancel := context.WithTimeout(context.Background(), stopTimeout)
		if err := c.server.Shutdown(ctx); err != nil {
			errs = append(errs, c.server.Close())
		}
		cancel()
	} else if c.listener != nil {
		errs = append(errs, c.listener.Close())
	}
	if c.door != nil {
		c.door.Close()
	}
	if c.planner != nil {
		c.planner.Close()
	}
	c.cancel()
	for ; c.parts > 0; c.parts-- {
		errs = append(errs, <-c.ended)
	}
	if c.store != nil {
		errs = append(errs, c.store.Close())
	}
	return errors.Join(errs...)
}

// ready returns what keeps the collector from working.
func (c *Collector) ready(ctx context.Context) error {
	if _, err := c.store.Marks(ctx, 1); err != nil {
		return fmt.Errorf("store: %w", err)
	}
	if c.external != nil && !c.external.Connected() {
		return errors.New("broker: not connected")
	}
	return nil
}

// maxRows bounds what is counted for a metric.
const maxRows = 100_000

func (c *Collector) toFold(ctx context.Context) (float64, error) {
	marks, err := c.store.Marks(ctx, maxRows)
	return float64(len(marks)), err
}

func (c *Collector) unsent(ctx context.Context) (float64, error) {
	messages, err := c.store.Unsent(ctx, maxRows)
	return float64(len(messages)), err
}

func (c *Collector) metrics() http.Handler {
	taken := func(pick func(intake.Stats) int64) func() float64 {
		return func() float64 { return float64(pick(c.intake.Stats())) }
	}
	said := func(pick func(intake.StateStats) int64) func() float64 {
		return func() float64 { return float64(pick(c.states.Stats())) }
	}
	folded := func(pick func(fold.Stats) int64) func() float64 {
		return func() float64 { return float64(pick(c.folder.Stats())) }
	}
	values := []metrics.Value{
		{Name: "dewpost_messages_handled_total", Help: "Messages of readings on disk.", Total: true, Current: taken(func(s intake.Stats) int64 { return s.Messages })},
		{Name: "dewpost_messages_waiting", Help: "Messages of readings that are not on disk yet.", Current: taken(func(s intake.Stats) int64 { return s.Waiting })},
		{Name: "dewpost_commit_failures_total", Help: "Commits of readings that failed.", Total: true, Current: taken(func(s intake.Stats) int64 { return s.Failures })},
		{Name: "dewpost_receipts_sent_total", Help: "Receipts handed to the broker.", Total: true, Current: taken(func(s intake.Stats) int64 { return s.Receipts })},
		{Name: "dewpost_states_kept_total", Help: "States of stations kept.", Total: true, Current: said(func(s intake.StateStats) int64 { return s.Kept })},
		{Name: "dewpost_states_stale_total", Help: "States older than the one that is kept, or of stations not in service.", Total: true, Current: said(func(s intake.StateStats) int64 { return s.Stale })},
		{Name: "dewpost_states_refused_total", Help: "States that can't be read, or were too many.", Total: true, Current: said(func(s intake.StateStats) int64 { return s.Refused })},
		{Name: "dewpost_states_unwritten_total", Help: "States lost because they could not be written; agents say them again.", Total: true, Current: said(func(s intake.StateStats) int64 { return s.Unwritten })},
		{Name: "dewpost_folds_total", Help: "Folds of one station.", Total: true, Current: folded(func(s fold.Stats) int64 { return s.Folds })},
		{Name: "dewpost_fold_failures_total", Help: "Folds that failed and are tried again.", Total: true, Current: folded(func(s fold.Stats) int64 { return s.Failures })},
		{Name: "dewpost_ledger_rows_written_total", Help: "Ledger hours written, again ones included.", Total: true, Current: folded(func(s fold.Stats) int64 { return s.Hours })},
		{Name: "dewpost_stations_to_fold", Help: "Stations with readings or facts that are not in their ledger yet.", Ask: c.toFold},
		{Name: "dewpost_packings_total", Help: "Closed days of stations packed by columns.", Total: true, Current: func() float64 { return float64(c.packedSoFar().Days) }},
		{Name: "dewpost_packed_bytes_total", Help: "Bytes of readings in days packed by columns, when packed.", Total: true, Current: func() float64 { return float64(c.packedSoFar().After) }},
		{Name: "dewpost_readings_let_go_total", Help: "Stored readings that were let go, as they were older than they are kept.", Total: true, Ask: c.readingsLetGo},
		{Name: "dewpost_export_lines_total", Help: "Lines that were sent on and taken.", Total: true, Ask: c.feeds(func(f record.Feed) int64 { return f.Sent })},
		{Name: "dewpost_export_lines_refused_total", Help: "Lines that were sent on and will never be taken.", Total: true, Ask: c.feeds(func(f record.Feed) int64 { return f.Refused })},
		{Name: "dewpost_export_stations_waiting", Help: "Stations with something to be sent on, by what it is.", Ask: c.feeds(func(f record.Feed) int64 { return f.Waiting })},
		{Name: "dewpost_export_failures_total", Help: "Requests that failed and are made again.", Total: true, Current: func() float64 { return float64(c.feed.Stats().Failures) }},
		{Name: "dewpost_backup_age_seconds", Help: "Age of the newest backup of the store; -1 when none was made.", Ask: c.backupAge},
		{Name: "dewpost_notices_unsent", Help: "Messages of findings that no channel has taken yet.", Ask: c.unsent},
		{Name: "dewpost_deliveries_waiting", Help: "Messages, by person and channel, that wait to be taken.", Ask: c.deliveries(func(n record.NoticeCounts) int64 { return n.Waiting })},
		{Name: "dewpost_deliveries_stuck", Help: "Urgent messages that no channel has taken half a minute after the first attempt.", Ask: c.deliveries(func(n record.NoticeCounts) int64 { return n.Stuck })},
		{Name: "dewpost_deliveries_given_up_total", Help: "Messages, by person and channel, that were given up.", Total: true, Ask: c.deliveries(func(n record.NoticeCounts) int64 { return n.GivenUp })},
	}
	if c.watching() { // it is made after the pages
		watched := func(pick func(watch.Stats) int64) func() float64 {
			return func() float64 { return float64(pick(c.watch.Stats())) }
		}
		values = append(values,
			metrics.Value{Name: "dewpost_watch_rounds_sent_total", Help: "Readings of the artificial station that were sent.", Total: true, Current: watched(func(s watch.Stats) int64 { return s.Sent })},
			metrics.Value{Name: "dewpost_watch_rounds_arrived_total", Help: "Of these, those that came from the broker to the outbox.", Total: true, Current: watched(func(s watch.Stats) int64 { return s.Arrived })},
			metrics.Value{Name: "dewpost_watch_calls_total", Help: "Calls of the address outside that it answered.", Total: true, Current: watched(func(s watch.Stats) int64 { return s.Called })},
			metrics.Value{Name: "dewpost_watch_failures_total", Help: "Readings that could not be sent, and calls that were not answered.", Total: true, Current: watched(func(s watch.Stats) int64 { return s.Failed })})
	}
	if c.front != nil {
		stats := func(pick func(broker.Stats) int64) func() float64 {
			return func() float64 { return float64(pick(c.front.Stats())) }
		}
		values = append(values,
			metrics.Value{Name: "dewpost_broker_connections", Help: "Stations connected to the embedded broker.", Current: stats(func(s broker.Stats) int64 { return s.Connected })},
			metrics.Value{Name: "dewpost_broker_messages_total", Help: "Messages that stations published.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.Messages })},
			metrics.Value{Name: "dewpost_broker_unacknowledged_total", Help: "Messages that could not be kept and were not acknowledged.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.Failed })},
			metrics.Value{Name: "dewpost_broker_refused_logins_total", Help: "Logins refused.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.RefusedLogins })},
			metrics.Value{Name: "dewpost_broker_late_answers_total", Help: "Refused logins answered late, there were too many.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.LateAnswers })},
			metrics.Value{Name: "dewpost_broker_no_room_total", Help: "Connections refused, there were too many.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.NoRoom })},
			metrics.Value{Name: "dewpost_broker_no_place_total", Help: "Connections refused, too many had not logged in yet.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.NoPlace })},
			metrics.Value{Name: "dewpost_broker_failed_handshakes_total", Help: "Connections that came to no login, or not in time.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.Handshakes })},
			metrics.Value{Name: "dewpost_broker_cut_total", Help: "Connections ended because their password was revoked.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.Cut })},
			metrics.Value{Name: "dewpost_broker_refused_total", Help: "Publications, subscriptions and wills refused.", Total: true, Current: stats(func(s broker.Stats) int64 { return s.Refused })})
	}
	return metrics.Handler(c.store, values, metrics.Times{
		Name: "dewpost_commit_seconds", Help: "Time that commits of readings took.",
		Current: func() ([]float64, []uint64, float64) {
			s := c.intake.Stats()
			return s.CommitTimes.Bounds, s.CommitTimes.Counts, float64(s.CommitNS) / 1e9
		},
	})
}
