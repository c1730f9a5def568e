package agent

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"dewpost/agent/board"
	"dewpost/agent/publish"
	"dewpost/agent/sample"
	"dewpost/agent/sensor"
	"dewpost/agent/sensor/sht4x"
	"dewpost/agent/spool"
	"dewpost/rules/receipt"
)

// running is a station that is served.
type running struct {
	station   *plannedStation
	src       *source
	spool     *spool.Spool
	keeper    *sample.Timekeeper
	orders    *orders // nil in a logger, as is publisher
	publisher *publish.Publisher
	waits     time.Time // since when receiptAge sees readings wait; zero: none do
}

// begun tells the service manager when all stations have begun.
func (a *Agent) begun(r *running) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.stations = append(a.stations, r)
	if len(a.stations) == len(a.plan.stations) {
		if err := a.manager.Ready(); err != nil {
			a.log.Error("service manager", "err", err)
		}
	}
}

func (a *Agent) allRunning() []*running {
	a.mu.Lock()
	defer a.mu.Unlock()
	return append([]*running{}, a.stations...)
}

// receiptAge is for how long no receipt has come to any station while readings
// of all of them wait for one. The ladder asks each time it looks.
func (a *Agent) receiptAge() time.Duration {
	all := a.allRunning()
	if len(all) < len(a.plan.stations) {
		return 0
	}
	age := time.Since(a.began)
	for _, r := range all {
		age = min(age, r.receiptAge())
	}
	return age
}

// receiptAge counts from the first look at which readings wait: when they were
// spooled stands in the machine's time, which may have been set since, and the
// oldest may be dropped. Readings that wait for the clock are not sent, so over a
// connection they say nothing; without one, the time may be waiting for the same
// network.
func (r *running) receiptAge() time.Duration {
	if r.publisher == nil {
		return 0
	}
	s, link := r.spool.Status(), r.publisher.Link()
	if s.Queued == 0 && (s.Waiting == 0 || link.Up) {
		r.waits = time.Time{}
		return 0
	}
	if r.waits.IsZero() {
		r.waits = time.Now()
	}
	return min(time.Since(r.waits), time.Since(link.Receipt))
}

// mostStuck is how long a sample may take before the agent no longer counts as
// alive. Sensors have the time between two samples at most, and end by then
// unless the kernel keeps them.
const mostStuck = 5 * time.Minute

// watchdog tells the service manager that the agent lives, while it does.
func (a *Agent) watchdog(ctx context.Context) {
	var due <-chan time.Time // never without a watchdog
	if every := a.manager.Watchdog(); every > 0 {
		t := time.NewTicker(every)
		defer t.Stop()
		due = t.C
	}
	for {
		select {
		case <-ctx.Done():
			if err := a.manager.Stopping(); err != nil {
				a.log.Error("service manager", "err", err)
			}
			return
		case <-due:
		}
		if stuck := a.stuck(); stuck != "" {
			a.log.Error("a sensor or the disk does not come back from the kernel: the service manager is to start the agent anew", "station", stuck)
			continue
		}
		if err := a.manager.Alive(); err != nil {
			a.log.Error("service manager", "err", err)
		}
	}
}

// stuck names a station whose sampling hangs, or "".
func (a *Agent) stuck() string {
	for _, r := range a.allRunning() {
		every := time.Duration(r.station.Interval) / time.Duration(r.station.Burst)
		if r.src.sampler != nil && r.src.sampler.Stuck() > mostStuck+every {
			return r.station.ID
		}
	}
	return ""
}

func (a *Agent) openOrders(r *running) *orders {
	o, err := openOrders(&orders{
		station: r.station.ID, path: filepath.Join(a.plan.SpoolDir, r.station.ID+".orders"),
		now: a.clock.Now, known: func() bool { return r.keeper.Status().Set },
		do: func(b receipt.Body) error { return a.carryOut(r, b) }, log: a.log,
	})
	if err != nil { // no reason not to measure
		a.log.Error("no orders are carried out", "err", err)
		o.known = func() bool { return false }
	}
	if d := o.interval(); d != 0 {
		if err := a.setInterval(r, d); err != nil {
			a.log.Error("the ordered interval is not used", "station", r.station.ID, "err", err)
		}
	}
	return o
}

// carryOut does what an order says.
func (a *Agent) carryOut(r *running, b receipt.Body) error {
	if b.Interval != "" && (b.Heat != 0 || b.Identify != 0) || b.Heat != 0 && b.Identify != 0 {
		return errors.New("it says more than one thing")
	}
	switch {
	case b.Interval != "":
		var d Duration
		if err := d.UnmarshalText([]byte(b.Interval)); err != nil {
			return fmt.Errorf("interval: %w", err)
		}
		return a.setInterval(r, time.Duration(d))
	case b.Heat != 0:
		return heat(r, b.Heat)
	case b.Identify != 0:
		return a.identify(r, time.Duration(b.Identify)*time.Second)
	}
	return errors.New("this version knows nothing that it says")
}

// setInterval samples at another interval; 0 means as configured.
func (a *Agent) setInterval(r *running, d time.Duration) error {
	if r.src.sampler == nil {
		return errors.New("interval: this station has no sensors of its own")
	}
	p := sample.Plan{Interval: d, Burst: r.station.Burst}
	if d == 0 {
		p.Interval = time.Duration(r.station.Interval)
	}
	if p.Interval < time.Second || p.Interval > 24*time.Hour || p.Interval%time.Duration(p.Burst) != 0 || p.Interval/time.Duration(p.Burst) < 100*time.Millisecond {
		return fmt.Errorf("interval: %s: write 1s to 24h, so that it divides by the burst of %d", p.Interval, p.Burst)
	}
	r.src.sampler.SetPlan(p)
	return nil
}

func heat(r *running, pulses int) error {
	if pulses < 1 || pulses > mostPulses {
		return fmt.Errorf("heat: %d pulses: 1 to %d", pulses, mostPulses)
	}
	var heated []*sensor.Sensor
	for _, s := range r.src.health {
		if s != nil && s.Heatable() {
			heated = append(heated, s)
		}
	}
	if len(heated) == 0 {
		return errors.New("heat: no sensor of this station has a heater")
	}
	p := r.src.sampler.Plan()
	if every := p.Interval / time.Duration(p.Burst); every <= sht4x.HeatTime {
		return fmt.Errorf("heat: a sample every %s leaves no time for a pulse of %s: order a longer interval first", every, sht4x.HeatTime)
	}
	for _, s := range heated {
		s.Heat(pulses)
	}
	return nil
}

// identify lets the board's lamp blink; the answer doesn't wait for the end.
func (a *Agent) identify(r *running, d time.Duration) error {
	if d < time.Second || d > mostBlinking {
		return fmt.Errorf("identify: %s: 1 to %.0f seconds", d, mostBlinking.Seconds())
	}
	a.log.Warn("the collector asks which board this is", "station", r.station.ID)
	if a.plan.Lamp == "" {
		return errors.New("identify: the configuration names no lamp; the board's log has a line")
	}
	a.side.Go(func() {
		if err := board.Blink(a.life, a.sysfs, a.plan.Lamp, d); err != nil {
			a.log.Error("identify", "err", err)
		}
	})
	return nil
}
