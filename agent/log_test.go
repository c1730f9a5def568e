package agent

import (
	"log/slog"
	"strings"
	"sync"
	"testing"
)

// lines is a log that a test can wait for.
type lines struct {
	mu   sync.Mutex
	text strings.Builder
}

func newLines() *lines { return &lines{} }

func (l *lines) logger() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *lines) await(t *testing.T, part string) {
	t.Helper()
	eventually(t, "log line with "+part, func() bool {
		l.mu.Lock()
		defer l.mu.Unlock()
		return strings.Contains(l.text.String(), part)
	})
}
