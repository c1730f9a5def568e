package publish

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	station = "lake-07"
	run     = "0123456789abcdef"
)

var secret = must(receipt.NewSecret([]byte("sixteen or more bytes")))

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// memSpool is a spool in memory.
type memSpool struct {
	mu      sync.Mutex
	lines   map[int64][]byte
	first   int64 // no line has a smaller number
	last    int64
	conn    int64
	buried  []int64
	changed chan struct{}
	broken  error
	sick    string // the call that fails
	added   int    // bytes
}

// fails tells whether a call is to fail.
func (s *memSpool) fails(call string) error {
	if s.sick == call {
		return errSick
	}
	return nil
}

var errSick = errors.New("input/output error")

func newMemSpool(n int64) *memSpool {
	s := &memSpool{lines: map[int64][]byte{}, first: 1, changed: make(chan struct{})}
	s.add(n)
	return s
}

func (s *memSpool) add(n int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for range n {
		s.last++
		r := reading.Reading{Time: unit.Instant(s.last * 1e9), Run: run, Seq: s.last}
		r.Set(reading.InsideTemp, float64(s.last%90))
		s.lines[s.last] = must(reading.AppendLine(nil, station, &r, 0))
		s.added += len(s.lines[s.last])
	}
	close(s.changed)
	s.changed = make(chan struct{})
}

func (s *memSpool) Run() string { return run }

func (s *memSpool) Each(after int64, use func(int64, []byte) bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken != nil {
		return s.broken
	}
	for seq := max(s.first, after+1); seq <= s.last; seq++ {
		if line, ok := s.lines[seq]; ok && !use(seq, line) {
			break
		}
	}
	return nil
}

func (s *memSpool) Oldest() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	for s.first <= s.last && s.lines[s.first] == nil {
		s.first++
	}
	return s.first
}

func (s *memSpool) Last() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last
}

func (s *memSpool) Forget(upto int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.fails("forget"); err != nil {
		return err
	}
	for ; s.first <= upto; s.first++ {
		delete(s.lines, s.first)
	}
	return nil
}

func (s *memSpool) Bury(seq int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.fails("bury"); err != nil {
		return err
	}
	delete(s.lines, seq)
	s.buried = append(s.buried, seq)
	return nil
}

func (s *memSpool) dead() []int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.buried)
}

func (s *memSpool) NextConn() (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn++
	return s.conn, s.fails("conn")
}

func (s *memSpool) Watch() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changed
}

// size is that of all lines that were ever added.
func (s *memSpool) size() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.added
}

func (s *memSpool) len() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.lines)
}

// sent is one message that a publisher sent.
type sent struct {
	at       time.Time
	topic    string
	retained bool
	payload  []byte
}

// fakeLink records what is sent; answer, if set, is called for each batch and
// returns the receipts that arrive for it.
type fakeLink struct {
	mu     sync.Mutex
	opts   dialOptions
	sent   []sent
	answer func(reading.Batch) []message
	pass   func(payload []byte) // if set, is given each batch
	busy   int                  // refuse so many sendings
	broken error                // refuse all
	down   chan struct{}
	closed bool
}

func (l *fakeLink) send(topic string, retained bool, payload []byte) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.broken != nil {
		return l.broken
	}
	if l.busy > 0 {
		l.busy--
		return errBusy
	}
	l.sent = append(l.sent, sent{time.Now(), topic, retained, payload})
	if _, leaf, _ := receipt.ParseTopic(topic); leaf == receipt.LeafReadings && l.pass != nil {
		l.pass(payload)
	}
	if _, leaf, _ := receipt.ParseTopic(topic); leaf == receipt.LeafReadings && l.answer != nil {
		for _, m := range l.answer(decode(payload)) {
			l.opts.receive(m)
		}
	}
	return nil
}

func (l *fakeLink) lost() <-chan struct{} { return l.down }
func (l *fakeLink) cause() error          { return errors.New("pulled the plug") }

func (l *fakeLink) close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	return nil
}

func (l *fakeLink) isClosed() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.closed
}

// on returns what was sent on a topic.
func (l *fakeLink) on(leaf string) []sent {
	l.mu.Lock()
	defer l.mu.Unlock()
	var list []sent
	for _, s := range l.sent {
		if s.topic == receipt.Topic(station, leaf) {
			list = append(list, s)
		}
	}
	return list
}

func (l *fakeLink) batches() []reading.Batch {
	var list []reading.Batch
	for _, s := range l.on(receipt.LeafReadings) {
		list = append(list, decode(s.payload))
	}
	return list
}

func decode(payload []byte) reading.Batch {
	return reading.Decode(station, payload, unit.At(time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)))
}

func signed(upto int64) message {
	return message{payload: secret.Receipt(station, run, upto).JSON()}
}

// settleAll answers each batch with a receipt for all of it.
func settleAll(b reading.Batch) []message {
	return []message{signed(seqs(b)[1])}
}

// seqs returns the first and last number of a batch; times before 2000 make
// the test's readings refusals, which keep their key.
func seqs(b reading.Batch) [2]int64 {
	var list []int64
	for _, r := range b.Readings {
		list = append(list, r.Seq)
	}
	for _, r := range b.Refused {
		list = append(list, r.Seq)
	}
	return [2]int64{list[0], list[len(list)-1]}
}

// publisher runs a publisher on a link per connection, in virtual time.
type publisher struct {
	sp    *memSpool
	mu    sync.Mutex
	links []*fakeLink
	stop  context.CancelFunc
	done  chan error
}

func publishTo(t *testing.T, sp *memSpool, prepare func(n int, l *fakeLink) error) *publisher {
	t.Helper()
	p := &publisher{sp: sp, done: make(chan error, 1)}
	pub := New(Config{
		Station: station, Secret: func() receipt.Secret { return secret }, Broker: must(url.Parse("mqtt://127.0.0.1:1883")),
		Retry: retry, InFlight: 3, Report: time.Hour,
		State: func(conn int64) ([]byte, error) { return fmt.Appendf(nil, `{"conn":%d}`, conn), nil },
		Log:   slog.New(slog.DiscardHandler),
	}, sp)
	pub.dial = func(_ context.Context, o dialOptions) (link, error) {
		l := &fakeLink{opts: o, down: make(chan struct{})}
		p.mu.Lock()
		p.links = append(p.links, l)
		n := len(p.links)
		p.mu.Unlock()
		if err := prepare(n, l); err != nil {
			return nil, err
		}
		return l, nil
	}
	var ctx context.Context
	ctx, p.stop = context.WithCancel(t.Context())
	go func() { p.done <- pub.Run(ctx) }()
	synctest.Wait()
	return p
}

// link returns the n-th connection, from 0 on.
func (p *publisher) link(n int) *fakeLink {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.links[n]
}

func (p *publisher) end(t *testing.T) {
	t.Helper()
	p.stop()
	require.NoError(t, <-p.done)
}

func virtually(t *testing.T, name string, f func(*testing.T)) {
	t.Helper()
	t.Run(name, func(t *testing.T) { synctest.Test(t, f) })
}

func TestPublish(t *testing.T) {
	virtually(t, "backlog in full batches", func(t *testing.T) {
		sp := newMemSpool(5000)
		p := publishTo(t, sp, func(_ int, l *fakeLink) error { l.answer = newHonest().settle; return nil })
		require.Zero(t, sp.len())
		all := p.link(0).on(receipt.LeafReadings)
		require.Equal(t, [2]int64{4993, 5000}, seqs(decode(all[0].payload)), "a glance at the newest first")
		require.Contains(t, string(all[0].payload), "oldest=1i")
		next := int64(1)
		for i, s := range all[1:] {
			require.LessOrEqual(t, len(s.payload), receipt.MaxBatch)
			require.False(t, s.retained)
			first, _, _ := strings.Cut(string(s.payload), "\n")
			require.Contains(t, first, ",oldest=", "batch %d", i)
			require.Equal(t, 1, strings.Count(string(s.payload), "oldest="))
			span := seqs(decode(s.payload))
			require.Equal(t, next, span[0])
			next = span[1] + 1
		}
		require.Equal(t, int64(5001), next, "each once, in order")
		p.end(t)
	})
	virtually(t, "identity and last will", func(t *testing.T) {
		p := publishTo(t, newMemSpool(0), func(int, *fakeLink) error { return nil })
		o := p.link(0).opts
		require.Equal(t, station, o.user)
		require.Equal(t, secret.Password(), o.password)
		require.NotContains(t, o.clientID, station)
		require.Equal(t, "dewpost/v1/lake-07/state", o.willTopic)
		require.JSONEq(t, `{"gone":true,"run":"0123456789abcdef","conn":1}`, string(o.will))
		require.Equal(t, "dewpost/v1/lake-07/receipt", o.subscribe)
		p.end(t)
		states := p.link(0).on(receipt.LeafState)
		require.Len(t, states, 2)
		require.True(t, states[0].retained)
		require.JSONEq(t, `{"conn":1}`, string(states[0].payload))
		require.Equal(t, string(o.will), string(states[1].payload), "a stop says the same as a break")
		require.True(t, p.link(0).isClosed())
	})
	virtually(t, "state again and again", func(t *testing.T) {
		p := publishTo(t, newMemSpool(0), func(int, *fakeLink) error { return nil })
		time.Sleep(3*time.Hour + time.Minute)
		require.Len(t, p.link(0).on(receipt.LeafState), 4)
		p.end(t)
	})
	virtually(t, "live readings one by one", func(t *testing.T) {
		sp := newMemSpool(0)
		p := publishTo(t, sp, func(_ int, l *fakeLink) error { l.answer = settleAll; return nil })
		for range 3 {
			sp.add(1)
			synctest.Wait()
			time.Sleep(time.Minute)
		}
		require.Len(t, p.link(0).batches(), 3)
		require.Zero(t, sp.len())
		p.end(t)
	})
	virtually(t, "small batches linger when others are on their way", func(t *testing.T) {
		sp := newMemSpool(1)
		p := publishTo(t, sp, func(int, *fakeLink) error { return nil })
		for range 5 {
			sp.add(1)
			synctest.Wait()
		}
		require.Len(t, p.link(0).batches(), 1)
		time.Sleep(linger + time.Millisecond)
		got := p.link(0).batches()
		require.Len(t, got, 2)
		require.Equal(t, [2]int64{2, 6}, seqs(got[1]))
		p.end(t)
	})
	virtually(t, "in flight is capped and sent again without receipt", func(t *testing.T) {
		sp := newMemSpool(5000)
		p := publishTo(t, sp, func(int, *fakeLink) error { return nil })
		require.Len(t, p.link(0).batches(), 2, "the newest, and a small one of the backlog")
		time.Sleep(retry - time.Millisecond)
		require.Len(t, p.link(0).batches(), 2)
		time.Sleep(2 * time.Millisecond)
		got := p.link(0).batches()
		require.Len(t, got, 3)
		require.Equal(t, int64(1), seqs(got[2])[0])
		require.Equal(t, 5000, sp.len(), "nothing is deleted without receipt")
		p.end(t)
	})
	virtually(t, "forged and foreign receipts", func(t *testing.T) {
		other := must(receipt.NewSecret([]byte("another secret of a thief")))
		sp := newMemSpool(10)
		p := publishTo(t, sp, func(_ int, l *fakeLink) error {
			l.answer = func(reading.Batch) []message {
				return []message{
					{payload: other.Receipt(station, run, 10).JSON()},
					{payload: secret.Receipt("lake-08", run, 10).JSON()},
					{payload: secret.Receipt(station, "fedcba9876543210", 10).JSON()},
					{payload: []byte(`{"run":"0123456789abcdef","upto":10}`)},
					{payload: []byte("\x00rubbish")},
					{payload: nil},
				}
			}
			return nil
		})
		require.Equal(t, 10, sp.len())
		p.end(t)
	})
	virtually(t, "retained receipt first", func(t *testing.T) {
		sp := newMemSpool(10)
		p := publishTo(t, sp, func(_ int, l *fakeLink) error {
			m := signed(7)
			m.retained = true
			l.opts.receive(m)
			return nil
		})
		require.Equal(t, 3, sp.len())
		require.Equal(t, [2]int64{8, 10}, seqs(p.link(0).batches()[0]))
		p.end(t)
	})
	virtually(t, "broker holds back its PUBACKs", func(t *testing.T) {
		sp := newMemSpool(1000)
		p := publishTo(t, sp, func(_ int, l *fakeLink) error { l.busy = 20; l.answer = settleAll; return nil })
		time.Sleep(time.Minute)
		require.Zero(t, sp.len())
		p.end(t)
	})
}

func TestReconnect(t *testing.T) {
	virtually(t, "goes on with the oldest record, and counts", func(t *testing.T) {
		sp := newMemSpool(10)
		p := publishTo(t, sp, func(n int, l *fakeLink) error {
			if n == 2 {
				l.answer = settleAll
			}
			return nil
		})
		require.Len(t, p.link(0).batches(), 1)
		close(p.link(0).down)
		time.Sleep(firstBackOff(retry))
		require.NotNil(t, p.link(1))
		require.True(t, p.link(0).isClosed())
		require.JSONEq(t, `{"gone":true,"run":"0123456789abcdef","conn":2}`, string(p.link(1).opts.will))
		require.Zero(t, sp.len())
		p.end(t)
	})
	virtually(t, "at growing, jittered intervals", func(t *testing.T) {
		var times []time.Time
		p := publishTo(t, newMemSpool(1), func(int, *fakeLink) error {
			times = append(times, time.Now())
			return errors.New("connection refused")
		})
		time.Sleep(time.Hour)
		p.end(t)
		require.Less(t, len(times), 250)
		require.Greater(t, len(times), 110)
		whole := 0
		for i := range times[1:] {
			pause := times[i+1].Sub(times[i])
			limit := min(firstBackOff(retry)<<min(i, 10), lastBackOff(retry))
			require.GreaterOrEqual(t, pause, limit/10)
			require.LessOrEqual(t, pause, limit)
			if pause%time.Second == 0 {
				whole++
			}
		}
		require.Less(t, whole, 5, "jitter")
	})
	virtually(t, "after a spool error", func(t *testing.T) {
		sp := newMemSpool(1)
		sp.broken = errors.New("input/output error")
		p := publishTo(t, sp, func(_ int, l *fakeLink) error { l.answer = settleAll; return nil })
		require.True(t, p.link(0).isClosed())
		sp.mu.Lock()
		sp.broken = nil
		sp.mu.Unlock()
		time.Sleep(3 * firstBackOff(retry))
		require.Zero(t, sp.len())
		p.end(t)
	})
}

// TestDeafConnection has a broker that takes everything and a collector that
// says nothing: the connection is made anew, and the head is sent no more often
// than over one connection.
func TestDeafConnection(t *testing.T) {
	virtually(t, "given up and made anew", func(t *testing.T) {
		sp := newMemSpool(3000)
		var connected atomic.Int64
		p := publishTo(t, sp, func(n int, l *fakeLink) error {
			connected.Store(int64(n))
			m := signed(0)
			m.retained = true
			l.opts.receive(m) // what the broker kept is no sign of life
			if n == 4 {
				l.answer = newHonest().settle
			}
			return nil
		})
		time.Sleep(silence*retry - time.Second)
		require.Equal(t, int64(1), connected.Load())
		time.Sleep(time.Second + firstBackOff(retry))
		require.Equal(t, int64(2), connected.Load())
		require.True(t, p.link(0).isClosed())
		time.Sleep(silence * retry)
		require.LessOrEqual(t, len(p.link(1).batches()), 1+silence/slowest+1, "the newest, and the head at the longest interval")
		time.Sleep(2 * silence * retry)
		require.Zero(t, sp.len())
		require.Equal(t, int64(4), connected.Load(), "and stays when receipts come")
		p.end(t)
	})
	virtually(t, "nothing to send", func(t *testing.T) {
		p := publishTo(t, newMemSpool(0), func(n int, _ *fakeLink) error {
			require.Equal(t, 1, n)
			return nil
		})
		time.Sleep(100 * silence * retry)
		p.end(t)
	})
	virtually(t, "answers that do not move", func(t *testing.T) {
		sp := newMemSpool(20)
		p := publishTo(t, sp, func(n int, l *fakeLink) error {
			require.Equal(t, 1, n)
			l.answer = func(reading.Batch) []message { return []message{signed(0)} }
			return nil
		})
		time.Sleep(silence * retry)
		p.end(t)
	})
}

// TestFirstRetryIsSpread counts how many of 5,000 agents, which lose a collector
// at one instant, come back in the same second.
func TestFirstRetryIsSpread(t *testing.T) {
	const agents = 5000
	const asConfigured = 30 * time.Second
	count := map[int]int{}
	for range agents {
		pause := jitter(firstBackOff(asConfigured))
		require.LessOrEqual(t, pause, firstBackOff(asConfigured))
		count[int(pause.Seconds())]++
	}
	most := slices.Max(slices.Collect(maps.Values(count)))
	t.Logf("at most %d of %d agents in one second, by seconds: %v", most, agents, count)
	require.Less(t, most, agents/7)
}

// TestSickSpool has a spool one call of which fails for a while: a new
// connection tries again.
func TestSickSpool(t *testing.T) {
	for _, call := range []string{"forget", "bury", "conn"} {
		virtually(t, call, func(t *testing.T) {
			sp := newMemSpool(20)
			sp.sick = call
			p := publishTo(t, sp, func(_ int, l *fakeLink) error {
				to := newHonest()
				l.answer = func(b reading.Batch) []message {
					if b.Oldest[run] == 1 && call == "bury" {
						return []message{signed(0)}
					}
					return to.settle(b)
				}
				return nil
			})
			time.Sleep(30 * retry)
			sp.mu.Lock()
			sp.sick = ""
			sp.mu.Unlock()
			time.Sleep(30 * retry)
			require.Zero(t, sp.len())
			p.end(t)
		})
	}
}

// TestStateIsHardToSay goes on when the state can't be published now, and makes
// a new connection when it can't be at all.
func TestStateIsHardToSay(t *testing.T) {
	virtually(t, "the broker holds back its PUBACKs", func(t *testing.T) {
		p := publishTo(t, newMemSpool(0), func(_ int, l *fakeLink) error { l.busy = 3; return nil })
		require.Empty(t, p.link(0).on(receipt.LeafState))
		time.Sleep(3*busyPause + time.Millisecond)
		require.Len(t, p.link(0).on(receipt.LeafState), 1)
		p.end(t)
	})
	virtually(t, "the link is broken", func(t *testing.T) {
		p := publishTo(t, newMemSpool(0), func(n int, l *fakeLink) error {
			if n == 1 {
				l.broken = errSick
			}
			return nil
		})
		time.Sleep(firstBackOff(retry))
		require.Len(t, p.link(1).on(receipt.LeafState), 1)
		p.end(t)
	})
	virtually(t, "readings can't be sent", func(t *testing.T) {
		sp := newMemSpool(5000)
		p := publishTo(t, sp, func(n int, l *fakeLink) error {
			l.answer = newHonest().settle
			if n == 1 {
				l.broken = errSick
			}
			return nil
		})
		time.Sleep(firstBackOff(retry))
		require.Zero(t, sp.len())
		p.end(t)
	})
}

// TestDeadRecord has a collector that can't settle record 5: it stores the
// others, and its receipts stop at 4 until oldest moves past 5.
func TestDeadRecord(t *testing.T) {
	virtually(t, "given up after ten answers", func(t *testing.T) {
		sp := newMemSpool(20)
		var sendings atomic.Int64
		p := publishTo(t, sp, func(_ int, l *fakeLink) error {
			l.answer = func(b reading.Batch) []message {
				sendings.Add(1)
				if b.Oldest[run] <= 5 {
					return []message{signed(4)}
				}
				return []message{signed(20)}
			}
			return nil
		})
		require.Equal(t, 16, sp.len())
		time.Sleep(9*retry + time.Second)
		require.Empty(t, sp.dead())
		time.Sleep(2 * retry)
		require.Equal(t, []int64{5}, sp.dead())
		require.Zero(t, sp.len())
		require.Equal(t, int64(1+deadAfter+1), sendings.Load())
		p.end(t)
	})
	virtually(t, "never without answers", func(t *testing.T) {
		sp := newMemSpool(20)
		p := publishTo(t, sp, func(int, *fakeLink) error { return nil })
		time.Sleep(24 * time.Hour)
		require.Empty(t, sp.dead())
		require.Equal(t, 20, sp.len())
		p.end(t)
	})
}

func TestGoneIsWhatTheContractSays(t *testing.T) {
	cfg := Config{Station: station, Secret: func() receipt.Secret { return secret }, InFlight: 1, Retry: retry}
	s := newSession(New(cfg, newMemSpool(0)), 12)
	var got map[string]any
	require.NoError(t, json.Unmarshal(s.gone(), &got))
	require.Equal(t, map[string]any{"gone": true, "run": run, "conn": 12.0}, got)
}
