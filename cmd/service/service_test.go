package service

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net"
	"path/filepath"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

var errWork = errors.New("work ended")

// told runs a service whose words are kept.
func told(every time.Duration) (s *Service, said chan string, log *bytes.Buffer) {
	said, log = make(chan string, 1000), &bytes.Buffer{}
	tell := func(state string) error { said <- state; return nil }
	return &Service{log: slog.New(slog.NewTextHandler(log, nil)), tell: tell, every: every}, said, log
}

// take returns what was said so far.
func take(said chan string) (all []string) {
	for {
		select {
		case state := <-said:
			all = append(all, state)
		default:
			return all
		}
	}
}

func untilEnd(ctx context.Context) error { <-ctx.Done(); return errWork }

// TestAliveOnlyWhileEveryLoopAnswers lets one loop of two come late, go on, and
// hang.
func TestAliveOnlyWhileEveryLoopAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, said, log := told(time.Minute)
		quick, slow := s.Ask("quick"), s.Ask("slow")
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx, untilEnd) }()
		hang := make(chan struct{})
		go func() {
			for {
				select {
				case <-quick:
				case <-ctx.Done():
					return
				}
			}
		}()
		time.Sleep(10 * time.Second)
		require.Empty(t, take(said), "one loop has not begun")
		go func() {
			for {
				select {
				case <-slow:
				case <-hang:
					return
				}
			}
		}()
		synctest.Wait()
		require.Equal(t, []string{"READY=1", "WATCHDOG=1"}, take(said))
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		require.Len(t, take(said), 10, "twice a minute")

		close(hang)
		time.Sleep(time.Hour)
		require.Equal(t, []string{"STATUS=waiting for the loop slow"}, take(said))
		require.Contains(t, log.String(), "loop=slow")
		stop()
		require.ErrorIs(t, <-done, errWork)
		synctest.Wait()
		require.Equal(t, []string{"STOPPING=1"}, take(said))
	})
}

// TestWithoutWatchdog says ready and stopping, and an end by itself is no stop.
func TestWithoutWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, said, _ := told(0)
		end := make(chan struct{})
		done := make(chan error, 1)
		go func() { done <- s.Run(t.Context(), func(context.Context) error { <-end; return errWork }) }()
		time.Sleep(time.Hour)
		require.Equal(t, []string{"READY=1"}, take(said))
		close(end)
		require.ErrorIs(t, <-done, errWork)
		require.Empty(t, take(said))
	})
}

// TestStoppedBeforeReady ends while a loop is waited for.
func TestStoppedBeforeReady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, said, _ := told(time.Minute)
		s.Ask("never")
		ctx, stop := context.WithCancel(t.Context())
		stop()
		require.ErrorIs(t, s.Run(ctx, untilEnd), errWork)
		synctest.Wait()
		require.Equal(t, []string{"STOPPING=1"}, take(said))
	})
}

// TestSocket speaks over a real one, by the environment that systemd gives.
func TestSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close()) })
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", strconv.Itoa(int(time.Hour/time.Microsecond)))
	s, err := New(slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	require.Equal(t, time.Hour, s.every)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, untilEnd) }()
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(20*time.Second)))
	buffer := make([]byte, 100)
	for _, want := range []string{"READY=1", "WATCHDOG=1", "STOPPING=1"} {
		n, err := conn.Read(buffer)
		require.NoError(t, err)
		require.Equal(t, want, string(buffer[:n]))
		if want == "WATCHDOG=1" {
			stop()
		}
	}
	require.ErrorIs(t, <-done, errWork)
}

func TestSocketThatIsGone(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "gone"))
	var log bytes.Buffer
	s, err := New(slog.New(slog.NewTextHandler(&log, nil)))
	require.NoError(t, err)
	s.say("READY=1")
	require.Contains(t, log.String(), "systemd can't be told")
}

func TestWatchdogThatCantBeRead(t *testing.T) {
	t.Setenv("WATCHDOG_USEC", "soon")
	_, err := New(slog.New(slog.DiscardHandler))
	require.ErrorContains(t, err, "WATCHDOG_USEC")
}
