package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"sync"
	"time"
)

// ladder goes from a new connection, which is the publisher's own, to the
// network and to the machine. A rung is taken on the age of receipts: a broker
// that still answers, or a network that looks well, proves nothing.
type ladder struct {
	cfg  Recovery
	path string
	run  func(context.Context, []string) error
	log  *slog.Logger

	mu     sync.Mutex
	counts ladderCounts
	tried  [2]time.Duration // age of the receipts at the last try, by rung
}

// ladderCounts are kept beside the spool.
type ladderCounts struct {
	Interface int64 `json:"interface"`
	Reboots   int64 `json:"reboots"`
}

// look is how often the ladder looks.
const look = time.Minute

// commandTime is how long a command may take.
const commandTime = 2 * time.Minute

func openLadder(cfg Recovery, path string, log *slog.Logger) *ladder {
	l := &ladder{cfg: cfg, path: path, run: runCommand, log: log}
	text, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(text, &l.counts)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		log.Error("counts of the recovery begin anew", "file", path, "err", err)
	}
	return l
}

// watch looks at the age of the receipts until ctx ends.
func (l *ladder) watch(ctx context.Context, age func() time.Duration) {
	t := time.NewTicker(look)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			l.step(ctx, age())
		}
	}
}

// step takes a rung if it is time.
func (l *ladder) step(ctx context.Context, age time.Duration) {
	l.rung(ctx, 0, age, time.Duration(l.cfg.InterfaceAfter), l.cfg.InterfaceCommand, func(c *ladderCounts) { c.Interface++ })
	l.rung(ctx, 1, age, time.Duration(l.cfg.RebootAfter), l.cfg.RebootCommand, func(c *ladderCounts) { c.Reboots++ })
}

func (l *ladder) rung(ctx context.Context, n int, age, after time.Duration, command []string, count func(*ladderCounts)) {
	if age < l.tried[n] {
		l.tried[n] = 0 // a receipt has come since
	}
	if len(command) == 0 || age-l.tried[n] < after {
		return
	}
	l.tried[n] = age
	l.mu.Lock()
	count(&l.counts)
	counts := l.counts
	l.mu.Unlock()
	l.log.Warn("no receipt: trying to recover the link", "for", age.Round(time.Second), "command", command)
	// Counted on disk first: the command may be the last thing that happens.
	if err := writeDurably(l.path, counts); err != nil {
		l.log.Error("counts of the recovery", "err", err)
	}
	if err := l.run(ctx, command); err != nil {
		l.log.Error("recovery", "command", command, "err", err)
	}
}

func (l *ladder) state() ladderCounts {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.counts
}

func runCommand(ctx context.Context, command []string) error {
	ctx, cancel := context.WithTimeout(ctx, commandTime)
	defer cancel()
	c := exec.CommandContext(ctx, command[0], command[1:]...)
	c.WaitDelay = time.Second
	out, err := c.CombinedOutput()
	if err != nil {
		return fmt.Errorf("%w: %.200s", err, out)
	}
	return nil
}
