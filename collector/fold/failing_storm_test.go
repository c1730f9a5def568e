package fold_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// shelf is a desk on which many stations are marked, as after a log was imported for
// each or by other rules than before; each takes ten seconds, and one can't be folded.
type shelf struct {
	*desk
	left []record.Mark
	bad  string
}

func (s *shelf) Marks(_ context.Context, limit int) ([]record.Mark, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.left[:min(limit, len(s.left))]), nil
}

func (s *shelf) CommitFold(_ context.Context, folds ...record.Folded) error {
	if slices.ContainsFunc(folds, func(f record.Folded) bool { return f.Mark.Station == s.bad }) {
		return errors.New("its facts can't be read")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.folded = append(s.folded, folds...)
	for i := range folds {
		s.left = slices.DeleteFunc(s.left, func(m record.Mark) bool { return m.Station == folds[i].Mark.Station })
	}
	return nil
}

func (s *shelf) Recent(_ context.Context, stations []string) (map[string]*record.Recent, error) {
	all := make(map[string]*record.Recent)
	for _, id := range stations {
		all[id] = &record.Recent{Heard: true, First: start, Last: start.Add(24 * time.Hour)}
	}
	return all, nil
}

func (s *shelf) BoxRun(context.Context, string, unit.Instant) (record.BoxRun, error) {
	time.Sleep(10 * time.Second)
	return record.BoxRun{}, nil
}

// A station that can't be folded, amid many that are, doesn't put off what only the
// clock says until all of them are through.
func TestRunWhileOneFailsAmongMany(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &shelf{desk: newDesk(), bad: "s-0003"}
		for i := range 1000 {
			s.left = append(s.left, record.Mark{Station: fmt.Sprintf("s-%04d", i), Version: 1})
		}
		f := fold.New(fold.Config{Store: s, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- f.Run(ctx) }()
		defer func() {
			stop()
			<-ended
		}()
		s.wait(2 * time.Hour)
		t.Log(len(s.folded), "folded,", s.minutes, "times of the clock's work")
		require.Greater(t, len(s.folded), 600)
		require.InDelta(t, 115, s.minutes, 10) // a minute, and what was begun in it
		s.wait(time.Hour)
		require.Len(t, s.folded, 999)
		require.Len(t, s.left, 1)
	})
}
