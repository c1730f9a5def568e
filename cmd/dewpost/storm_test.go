package main

import (
	"context"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/publish"
	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// All stations lose their broker at once, each with a reading to deliver, and
// come back by the agents' own back-off, over TLS. The collector is a process
// that is killed and started again; the agents' publishers are the real ones, in
// this process, with their readings in memory. As soon as they are back, a few
// stations go on to send, and it is measured how long those readings wait for
// their receipt while the others come. What is lost and doubled is looked for
// in the store.
func TestStorm(t *testing.T) {
	n, scale := 20, os.Getenv("PROOF_SCALE")
	switch scale {
	case "quick":
		n = 500
	case "full":
		n = 5000
	}
	if text := os.Getenv("PROOF_N"); text != "" {
		var err error
		n, err = strconv.Atoi(text)
		require.NoError(t, err, "PROOF_N")
		require.Positive(t, n, "PROOF_N")
	}
	w := newTLSShop(t)
	w.dewpost(t, "station", "add", "storm-0", "-c", w.config, "--out", w.path("bundle"))
	s := &storm{shop: w, dir: w.path("bundle")}
	s.enrol(t, n)
	began := time.Now()
	collector := w.serve(t)
	s.start(t)
	defer s.stop()
	s.settled(t, "all come for the first time")
	t.Logf("at the beginning, all at once: %.1f s, refused %d", time.Since(began).Seconds(), s.refused())

	collector.kill()
	for _, st := range s.stations {
		st.add(t)
	}
	collector = w.serve(t)
	back := time.Now()
	delays := s.live(t, 5)
	toAll := s.settled(t, "all come back").Sub(back)
	s.stopLive()
	refused := s.refused()
	t.Logf("the collector's memory: %d MB", s.shop.metric("go_memstats_sys_bytes")>>20)
	s.stop()
	collector.end(t)
	lost, doubled := s.compare(t)
	waits := delays()
	require.NotEmpty(t, waits)
	fmt.Printf("storm: clients=%d lost=%d doubled=%d seconds_to_all=%.1f live_p50_ms=%.0f live_p99_ms=%.0f handshakes_refused=%d\n",
		n, lost, doubled, toAll.Seconds(), quantile(waits, 0.5), quantile(waits, 0.99), refused)
	require.Zero(t, lost)
	require.Zero(t, doubled)
	s.report(t, back)
}

func quantile(waits []time.Duration, q float64) (ms float64) {
	slices.Sort(waits)
	return float64(waits[int(q*float64(len(waits)-1))].Microseconds()) / 1000
}

type storm struct {
	shop     *tlsShop
	dir      string // of a bundle
	stations []*stormStation

	cancel  context.CancelFunc
	running sync.WaitGroup
	endLive context.CancelFunc
	livings sync.WaitGroup
}

// enrol adds stations past the command line, which would take a process each.
func (s *storm) enrol(t *testing.T, n int) {
	t.Helper()
	kept := s.shop.store(t)
	began := time.Now()
	for i := range n {
		id := fmt.Sprint("storm-", i)
		if i > 0 {
			secret, err := receipt.NewSecret(fmt.Appendf(nil, "secret of number %06d", i))
			require.NoError(t, err)
			require.NoError(t, kept.AddStation(t.Context(), record.Station{ID: id, Secret: secret, Enrolled: unit.At(began)}, "test"))
		}
		st, err := kept.Station(t.Context(), id)
		require.NoError(t, err)
		s.stations = append(s.stations, &stormStation{id: id, secret: st.Secret, run: fmt.Sprintf("%016x", i+1), changed: make(chan struct{})})
	}
	t.Logf("%d stations enrolled in %.1f s", n, time.Since(began).Seconds())
}

// start lets every station's agent publish, each with a first reading.
func (s *storm) start(t *testing.T) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	s.cancel = cancel
	broker := &url.URL{Scheme: "mqtts", Host: s.shop.stations}
	secure := trusting(t, s.dir)
	for _, st := range s.stations {
		st.add(t)
		p := publish.New(publish.Config{
			Station: st.id, Secret: func() receipt.Secret { return st.secret }, Broker: broker, TLS: secure,
			Retry: 30 * time.Second, InFlight: 8, Report: 10 * time.Minute,
			State: func(conn int64) ([]byte, error) {
				return fmt.Appendf(nil, `{"run":%q,"conn":%d}`, st.run, conn), nil
			},
			Log: slog.New(slog.DiscardHandler),
		}, st)
		s.running.Go(func() {
			if err := p.Run(ctx); err != nil {
				t.Error(err)
			}
		})
	}
}

func (s *storm) stop() {
	s.cancel()
	s.running.Wait()
}

// settled waits until every station has receipts for its first readings, as
// many as were added last for all, and returns when the last one had.
func (s *storm) settled(t *testing.T, what string) time.Time {
	t.Helper()
	const generous = 20 * time.Minute
	var last time.Time
	timer := time.NewTimer(generous)
	defer timer.Stop()
	for _, st := range s.stations {
		for {
			at, changed := st.settled()
			if !at.IsZero() {
				if at.After(last) {
					last = at
				}
				break
			}
			select {
			case <-changed:
			case <-timer.C:
				require.Fail(t, what+": not within "+generous.String(), st.id)
			}
		}
	}
	return last
}

// live lets some stations send ten readings a second from the moment that they
// are back. The function that it returns has the delays from a reading to its
// receipt.
func (s *storm) live(t *testing.T, n int) func() []time.Duration {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	s.endLive = cancel
	var mu sync.Mutex
	var all []time.Duration
	for _, st := range s.stations[:min(n, len(s.stations))] {
		s.livings.Go(func() {
			_, changed := st.settled()
			for at, _ := st.settled(); at.IsZero(); at, changed = st.settled() {
				<-changed
			}
			for i := 0; i < 10 || ctx.Err() == nil; i++ { // some, also where all are back at once
				began := time.Now()
				seq := st.add(t)
				waited := st.receipted(seq).Sub(began)
				mu.Lock()
				all = append(all, waited)
				mu.Unlock()
				pause := time.NewTimer(time.Until(began.Add(100 * time.Millisecond)))
				<-pause.C
			}
		})
	}
	return func() []time.Duration { return all }
}

func (s *storm) stopLive() {
	s.endLive()
	s.livings.Wait()
}

// refused counts connections that came to no login since the collector began.
func (s *storm) refused() (n int) {
	for _, name := range []string{"no_room", "no_place", "failed_handshakes"} {
		n += s.shop.metric("dewpost_broker_" + name + "_total")
	}
	return n
}

// compare looks for every reading in the store.
func (s *storm) compare(t *testing.T) (lost, doubled int) {
	t.Helper()
	kept := s.shop.store(t)
	for _, st := range s.stations {
		list, err := kept.Readings(t.Context(), st.id, 0, unit.At(time.Now().Add(time.Hour)))
		require.NoError(t, err)
		seen := map[int64]int{}
		for i := range list {
			seen[list[i].Seq]++
		}
		for seq := range st.last {
			lost += max(0, 1-seen[seq+1])
			doubled += max(0, seen[seq+1]-1)
		}
	}
	return lost, doubled
}

// report shows how the stations came back over time.
func (s *storm) report(t *testing.T, back time.Time) {
	t.Helper()
	var perSecond []int
	attempts := int64(0)
	for _, st := range s.stations {
		second := max(0, int(st.secondAt.Sub(back).Seconds()))
		for len(perSecond) <= second {
			perSecond = append(perSecond, 0)
		}
		perSecond[second]++
		attempts += st.conn
	}
	t.Logf("back per second: %v; connections tried in all, the beginning included: %d", perSecond, attempts)
}

// stormStation is a station's readings, in memory, as publish.Spool.
type stormStation struct {
	id     string
	secret receipt.Secret
	run    string

	mu       sync.Mutex
	lines    [][]byte // spooled, of last-len(lines)+1 to last
	last     int64
	mark     int64 // settled looks for a receipt up to here
	upto     int64 // receipted
	at       time.Time
	secondAt time.Time // when the second reading was receipted
	conn     int64
	changed  chan struct{}
}

func (s *stormStation) add(t *testing.T) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last++
	r := reading.Reading{Time: unit.At(time.Now()), Run: s.run, Seq: s.last}
	r.Set(reading.InsideTemp, 11.25)
	line, err := reading.AppendLine(nil, s.id, &r, 0)
	if err != nil {
		t.Error(err)
	}
	s.lines = append(s.lines, line)
	if s.last <= 2 {
		s.mark = s.last
	}
	s.notify()
	return s.last
}

func (s *stormStation) notify() {
	close(s.changed)
	s.changed = make(chan struct{})
}

// settled returns when the reading was receipted that the proof waits for, or
// zero and what is closed at the next change.
func (s *stormStation) settled() (time.Time, <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.upto < s.mark:
		return time.Time{}, s.changed
	case s.mark == 2:
		return s.secondAt, s.changed
	default:
		return s.at, s.changed
	}
}

// receipted waits for a reading's receipt.
func (s *stormStation) receipted(seq int64) time.Time {
	for {
		s.mu.Lock()
		upto, at, changed := s.upto, s.at, s.changed
		s.mu.Unlock()
		if upto >= seq {
			return at
		}
		<-changed
	}
}

// Run and the others are publish.Spool.

func (s *stormStation) Run() string { return s.run }

func (s *stormStation) Each(after int64, use func(int64, []byte) bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, line := range s.lines {
		seq := s.last - int64(len(s.lines)) + int64(i) + 1
		if seq > after && !use(seq, line) {
			break
		}
	}
	return nil
}

func (s *stormStation) Oldest() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last - int64(len(s.lines)) + 1
}

func (s *stormStation) Last() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last
}

func (s *stormStation) Forget(upto int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if upto <= s.upto {
		return nil
	}
	s.lines = s.lines[len(s.lines)-int(s.last-upto):]
	s.upto, s.at = upto, time.Now()
	if upto >= 2 && s.secondAt.IsZero() {
		s.secondAt = s.at
	}
	s.notify()
	return nil
}

func (s *stormStation) Bury(seq int64) error { return fmt.Errorf("reading %d is given up", seq) }

func (s *stormStation) NextConn() (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn++
	return s.conn, nil
}

func (s *stormStation) Watch() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changed
}
