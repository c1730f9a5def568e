// Package service tells systemd how a program fares: that it is ready, that it
// goes on, that it stops (sd_notify(3), WatchdogSec= in systemd.service(5)).
// Where systemd doesn't ask, a program runs as if this were not there.
//
// A program goes on when each of its loops does: a loop receives from a channel
// between two pieces of its work, and what nobody takes in time means that it
// hangs. Then nothing more is told, and systemd ends the program and starts it
// anew. What needs more than a loop to be sound, such as a reading's whole way
// from a station to a notice, registers like a loop, and receives only while it
// is sound.
package service

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// Service is one program under systemd.
type Service struct {
	log   *slog.Logger
	loops []loop
	tell  func(state string) error
	every time.Duration // within which systemd wants to hear; 0: never
}

type loop struct {
	name string
	ask  chan struct{}
}

// New looks at the environment that systemd gives its services.
func New(log *slog.Logger) (*Service, error) {
	every, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return nil, fmt.Errorf("watchdog: WATCHDOG_USEC or WATCHDOG_PID can't be read: %w", err)
	}
	tell := func(state string) error {
		_, err := daemon.SdNotify(false, state)
		return err
	}
	return &Service{log: log, tell: tell, every: every}, nil
}

// Ask registers a loop, before Run, and gives the channel that it receives
// from until Run ends.
func (s *Service) Ask(name string) <-chan struct{} {
	l := loop{name, make(chan struct{})}
	s.loops = append(s.loops, l)
	return l.ask
}

// Run runs work with ctx and returns its error. The program is ready when every
// loop has answered once, and stops when ctx ends.
func (s *Service) Run(ctx context.Context, work func(context.Context) error) error {
	watch, stop := context.WithCancel(ctx)
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		s.watch(watch)
	}()
	stopping := sync.OnceFunc(func() { s.say(daemon.SdNotifyStopping) })
	leave := context.AfterFunc(ctx, stopping)
	err := work(ctx)
	if !leave() || ctx.Err() != nil { // work may see the end before stopping does
		stopping()
	}
	stop()
	<-watched
	return err
}

// watch asks all loops, twice as often as systemd wants to hear.
func (s *Service) watch(ctx context.Context) {
	if !s.all(ctx) {
		return
	}
	s.say(daemon.SdNotifyReady)
	if s.every == 0 {
		return
	}
	tick := time.NewTicker(s.every / 2)
	defer tick.Stop()
	for {
		s.say(daemon.SdNotifyWatchdog)
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if !s.all(ctx) {
			return
		}
	}
}

// all asks all loops, for as long as it takes; false when ctx has ended. It says
// which one keeps it waiting.
func (s *Service) all(ctx context.Context) bool {
	for _, l := range s.loops {
		if !s.one(ctx, l) {
			return false
		}
	}
	return ctx.Err() == nil
}

// patience is how long a loop may be busy before it is worth a line.
const patience = 20 * time.Second

func (s *Service) one(ctx context.Context, l loop) bool {
	late := time.NewTimer(patience)
	defer late.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case l.ask <- struct{}{}:
			return true
		case <-late.C:
			s.log.Warn("a loop does not answer: it is busy, or hangs", "loop", l.name, "for", patience)
			s.say("STATUS=waiting for the loop " + l.name)
		}
	}
}

func (s *Service) say(state string) {
	if err := s.tell(state); err != nil {
		s.log.Error("systemd can't be told", "state", state, "error", err)
	}
}
