// Package demo runs everything in one process: simulated boxes, their agents,
// the collector with its own broker, and the pages, for the invented scenario.
// Ten weeks of readings go the real way first, as fast as they can; then time
// runs on, faster than it does.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"dewpost/agent"
	"dewpost/agent/sample"
	"dewpost/agent/sensor/sim"
	"dewpost/collector"
	"dewpost/collector/record"
	"dewpost/rules/boxsim"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// Options are what a person may choose.
type Options struct {
	Listen string  // of the pages, loopback
	Keep   string  // folder to leave everything in; "" for none
	Speed  float64 // seconds of the demo in a real one

	Progress bool // show how far it is on a line that is written over
}

const (
	progressEvery = 200 * time.Millisecond
	maxSpeed      = 3600 // an hour a second
)

// demo is a running demo.
type demo struct {
	opt      Options
	out      io.Writer
	clock    *clock
	col      *collector.Collector
	stations []station
	fed      atomic.Int64
	total    int64
	caughtUp sync.WaitGroup // one for each station whose history is receipted
	live     chan struct{}  // closed when time begins to run
}

// Run runs the demo until ctx ends. It prints to out and leaves nothing behind
// but what Options.Keep asks for.
func Run(ctx context.Context, opt Options, out io.Writer) (err error) {
	if !(opt.Speed > 0 && opt.Speed <= maxSpeed) {
		return fmt.Errorf("--speed %v: use more than 0 and at most %d", opt.Speed, maxSpeed)
	}
	began := time.Now()
	dir, clean, err := folder(opt.Keep)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, clean()) }()
	d := &demo{
		opt: opt, out: out, stations: stations(), live: make(chan struct{}),
		clock: &clock{at: begin, speed: opt.Speed},
	}
	cfg := collector.DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = opt.Listen, "127.0.0.1:0"
	cfg.Store.Path = filepath.Join(dir, "dewpost.db")
	cfg.Everybody = record.Work
	d.col, err = collector.Open(ctx, cfg, d.clock.Now, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.col.Close()) }()
	// Readings of ten weeks are about to arrive; none of them is in the future.
	d.clock.set(end)
	a, err := d.enrol(ctx, filepath.Join(dir, "spool"))
	if err != nil {
		return err
	}
	running, stop := context.WithCancel(ctx)
	defer stop()
	agents := make(chan error, 1)
	go func() { agents <- a.Run(running) }()
	defer func() { stop(); err = errors.Join(err, <-agents) }()
	if err := d.catchUp(ctx, began); err != nil || ctx.Err() != nil {
		return err
	}
	d.clock.run()
	close(d.live)
	return d.col.Wait(ctx)
}

// folder returns where to keep data, and what to do with it at the end.
func folder(keep string) (dir string, clean func() error, err error) {
	if keep == "" {
		dir, err := os.MkdirTemp("", "dewpost-demo-")
		return dir, func() error { return os.RemoveAll(dir) }, err
	}
	if entries, err := os.ReadDir(keep); err == nil && len(entries) > 0 {
		return "", nil, fmt.Errorf("--keep %s: there is something in it; choose an empty or a new folder", keep)
	}
	return keep, func() error { return nil }, os.MkdirAll(keep, 0o700)
}

// enrol records the scenario's facts and builds the agents.
func (d *demo) enrol(ctx context.Context, spoolDir string) (*agent.Agent, error) {
	now := unit.At(begin)
	weather := map[*site]*boxsim.Generated{}
	for _, s := range []*site{&lake, &quay} {
		weather[s] = boxsim.NewWeather(s.climate, s.seed)
		if err := d.col.Store().AddFacts(ctx, s.facts(now)); err != nil {
			return nil, err
		}
	}
	cfg := agent.Config{
		Broker: "mqtt://" + d.col.StationsAddr(), SpoolDir: spoolDir,
		StateEvery: agent.Duration(10 * time.Second), // so that the page of readings kept moves
	}
	opts := []agent.Option{agent.WithUnsyncedSpool(), agent.WithClock(sample.Clock{Now: d.clock.Now, Speed: d.opt.Speed})}
	for i := range d.stations {
		st := &d.stations[i]
		secret, err := d.addStation(ctx, st)
		if err != nil {
			return nil, err
		}
		cfg.Stations = append(cfg.Stations, agent.Station{ID: st.id, Interval: agent.Duration(interval), Burst: 1})
		opts = append(opts, agent.WithSecret(st.id, secret), agent.WithFeed(st.id, d.feed(i, weather[st.site])))
	}
	if err := d.stock(ctx, now); err != nil {
		return nil, err
	}
	if err := d.goes(ctx, now); err != nil {
		return nil, err
	}
	if err := d.visited(ctx); err != nil {
		return nil, err
	}
	return agent.New(cfg, opts...)
}

func (d *demo) addStation(ctx context.Context, st *station) (receipt.Secret, error) {
	if err := collector.Enrol(ctx, d.col.Store(), st.id, st.facts(unit.At(begin)), begin, workshop); err != nil {
		return receipt.Secret{}, err
	}
	stored, err := d.col.Store().Station(ctx, st.id)
	return stored.Secret, err
}

// feed gives a station its ten weeks, and its box to be sampled afterwards.
func (d *demo) feed(i int, weather boxsim.Weather) agent.Feed {
	st := &d.stations[i]
	var faults []boxsim.Fault
	if st.fault.Kind != "" {
		faults = append(faults, st.fault)
	}
	box := boxsim.New(weather, st.box(), faults, uint64(i)+1, unit.At(begin))
	last := end.Add(-st.quietFor)
	d.total += int64(last.Sub(begin)/interval) + 1
	d.caughtUp.Add(1)
	f := agent.Feed{
		History: d.history(box, last),
		Between: func(ctx context.Context) error {
			d.caughtUp.Done()
			select {
			case <-d.live:
			case <-ctx.Done():
			}
			return nil
		},
	}
	if st.quietFor == 0 {
		f.Sensors = []sample.Sensor{sim.Of(box, st.box(), d.clock.Now)}
	}
	return f
}

func (d *demo) history(box *boxsim.Sim, last time.Time) iter.Seq[reading.Reading] {
	return func(yield func(reading.Reading) bool) {
		for t := begin; !t.After(last); t = t.Add(interval) {
			if !yield(box.Next(unit.At(t))) {
				return
			}
			d.fed.Add(1)
		}
	}
}

// catchUp shows progress until ten weeks are received, folded and told.
func (d *demo) catchUp(ctx context.Context, began time.Time) error {
	d.say("Larkmoor Lake Park and Brackwater Quay, invented: %d stations, %d weeks to %s.\n", len(d.stations), weeks, end.Format("2 January 2006"))
	received := make(chan struct{})
	go func() { d.caughtUp.Wait(); close(received) }()
	tick := time.NewTicker(progressEvery)
	defer tick.Stop()
	for done := false; !done; {
		select {
		case <-ctx.Done():
			return nil
		case <-received:
			done = true
		case <-tick.C:
			d.progress("readings on their way: %3d %%", d.fed.Load()*100/d.total)
		}
	}
	d.progress("%d readings received; folding the ledger", d.total)
	for {
		idle, err := d.col.Idle(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		if idle {
			break
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
	if err := d.plans(ctx); err != nil {
		return err
	}
	d.progress("")
	d.say("  %d readings received, ledger folded, %.1f s\n", d.total, time.Since(began).Seconds())
	d.say("\nOpen %s\nThree things to look at:\n", d.col.PagesURL())
	d.say("  1. %s/  which boxes need a person, and what the last thirty nights were like\n", d.col.PagesURL())
	d.say("  2. %s/stations/lake-07  a board that does not dry: the simulated box has held water since Tuesday\n", d.col.PagesURL())
	d.say("  3. %s/stations/lake-12  damper than it was: the simulated box draws air from the house\n", d.col.PagesURL())
	d.say("\nTime runs on at %g × its speed. Ctrl-C stops everything", d.opt.Speed)
	if d.opt.Keep == "" {
		d.say(" and leaves nothing behind.\n")
	} else {
		d.say("; %s keeps it.\n", d.opt.Keep)
	}
	return nil
}

// progress writes over the last line of progress.
func (d *demo) progress(format string, args ...any) {
	if d.opt.Progress {
		d.say("\r%-60s\r  "+format, append([]any{""}, args...)...)
	}
}

func (d *demo) say(format string, args ...any) {
	// A demo whose words nobody reads still runs.
	_, _ = fmt.Fprintf(d.out, format, args...)
}
