package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

func TestHandle_StoredThenReceipted(t *testing.T) {
	s := newFakeStore(t)
	in, p, end := begin(t, s)
	defer end()
	require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 10)))
	require.Equal(t, []string{"commit", "receipt lake-07 10"}, s.events, "the receipt is out when the message is acknowledged, and not before the commit")

	require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 10)))
	require.Equal(t, []string{"commit", "receipt lake-07 10", "commit", "receipt lake-07 10"}, s.events, "also when nothing moved")
	require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 12, 12)))
	require.EqualValues(t, 10, p.all()[2].Upto, "11 is missing")

	require.NoError(t, in.Handle(t.Context(), quay, batch(t, quay, "", 1, 3)))
	require.Len(t, p.all(), 3, "readings without a key get no receipt")
	require.Len(t, s.order[quay], 3)

	require.NoError(t, in.Handle(t.Context(), lake, append(batch(t, lake, run1, 11, 11), batch(t, lake, run2, 1, 1)...)))
	require.Len(t, p.all(), 5, "one for each run")
	st := in.Stats()
	require.EqualValues(t, 5, st.Messages)
	require.EqualValues(t, 26, st.Readings)
	require.EqualValues(t, 5, st.Receipts)
	require.Zero(t, st.Waiting)
	require.Zero(t, st.WaitingBytes)
}

func TestHandle_RefusalsGoToTheStoreToo(t *testing.T) {
	s := newFakeStore(t)
	in, p, end := begin(t, s)
	defer end()
	for _, payload := range []string{"", "\n", "nonsense", "\xff\xfe", strings.Repeat("x", receipt.MaxBatch+1), string(batch(t, quay, run1, 1, 2))} {
		require.NoError(t, in.Handle(t.Context(), lake, []byte(payload)), "refused is settled: it must not come again")
	}
	require.Empty(t, p.all())
	require.Len(t, s.commits, 6)
	require.EqualValues(t, 5, in.Stats().Refused)
	require.Equal(t, reading.ReasonOversize, s.commits[4][0].Batch.Refused[0].Reason)
	require.Equal(t, reading.ReasonStation, s.commits[5][0].Batch.Refused[0].Reason)
	require.Equal(t, unit.At(clock()), s.commits[0][0].At, "by the collector's clock")
}

// Somebody whom the broker lets in and the store doesn't know.
func TestHandle_UnknownStation(t *testing.T) {
	s := newFakeStore(t)
	in, p, end := begin(t, s)
	defer end()
	require.NoError(t, in.Handle(t.Context(), "nobody", batch(t, "nobody", run1, 1, 1)))
	require.Empty(t, p.all())
	require.EqualValues(t, 1, in.Stats().Unreceipted)
}

func TestCommitFails(t *testing.T) {
	for name, v := range map[string]verdict{
		"and did not store": {false, errDisk},
		"but did store":     {true, errDisk},
	} {
		t.Run(name, func(t *testing.T) {
			s := newFakeStore(t)
			s.verdicts = []verdict{v}
			in, p, end := begin(t, s)
			defer end()
			message := batch(t, lake, run1, 1, 10)
			require.ErrorIs(t, in.Handle(t.Context(), lake, message), errDisk, "not acknowledged")
			require.Empty(t, p.all(), "no receipt for what may not be on disk")
			require.NoError(t, in.Handle(t.Context(), lake, message), "sent again")
			require.Equal(t, 10, s.held(lake))
			require.Len(t, p.all(), 1)
			require.EqualValues(t, 10, p.all()[0].Upto)
			st := in.Stats()
			require.EqualValues(t, 1, st.Failures)
			require.EqualValues(t, 10, st.Readings)
		})
	}
}

// What waits while a commit runs is committed together, in order.
func TestGroup(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.hold, s.entered = make(chan struct{}), make(chan int, 100)
		in, p, end := begin(t, s)
		defer end()
		var wg sync.WaitGroup
		send := func(station string, first, last int64) {
			message := batch(t, station, run1, first, last)
			wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), station, message)) })
			synctest.Wait() // it is queued
		}
		began := time.Now()
		send(lake, 1, 10)
		require.Equal(t, 1, <-s.entered)
		require.Equal(t, groupFor, time.Since(began), "a lonely message waits for company just so long")
		for i := range int64(20) {
			send(lake, 11+10*i, 20+10*i)
			send(quay, 1+10*i, 10+10*i)
		}
		time.Sleep(time.Second)
		require.EqualValues(t, 41, in.Stats().Waiting)
		began = time.Now()
		close(s.hold)
		require.Equal(t, 40, <-s.entered)
		require.Zero(t, time.Since(began), "what has waited already waits no longer")
		wg.Wait()
		for i, seq := range s.order[lake] {
			require.EqualValues(t, i+1, seq, "the order of a station's messages is kept")
		}
		require.Len(t, s.order[lake], 210)
		// The first receipt goes out while the second commit is under way or before.
		require.ElementsMatch(t, []string{"commit", "receipt lake-07 10", "commit"}, s.events[:3])
		require.Equal(t, "commit", s.events[0])
		require.Equal(t, []string{"receipt lake-07 210", "receipt quay-02 200"}, s.events[3:])
		require.Len(t, p.all(), 3, "one receipt a run and commit")
		require.Zero(t, in.Stats().Waiting)
	})
}

func TestGroup_EndsAtSoManyReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.entered = make(chan int, 100)
		in := New(Config{Store: s, Now: clock, Log: quiet()})
		var wg sync.WaitGroup
		for i := range int64(groupReadings/100 + 10) {
			message := batch(t, lake, run1, 1+100*i, 100+100*i)
			wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), lake, message)) })
		}
		synctest.Wait()
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- in.Run(ctx) }()
		require.Equal(t, groupReadings/100, <-s.entered)
		require.Equal(t, 10, <-s.entered)
		wg.Wait()
		cancel()
		require.NoError(t, <-ended)
	})
}

// A message that can't be committed does not hold up those beside it.
func TestPoison(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.poison = quay
		in, p, end := begin(t, s)
		defer end()
		var wg sync.WaitGroup
		for i := range int64(10) {
			message := batch(t, lake, run1, i+1, i+1)
			wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), lake, message)) })
			if i == 5 {
				wg.Go(func() { assert.ErrorIs(t, in.Handle(t.Context(), quay, batch(t, quay, run1, 1, 1)), errDisk) })
			}
			synctest.Wait()
		}
		wg.Wait()
		require.Equal(t, 10, s.held(lake))
		require.Zero(t, s.held(quay))
		require.EqualValues(t, 10, p.all()[len(p.all())-1].Upto)
	})
}

// A station whose messages can't be committed, as when its row is damaged, has eight
// of them under way. It doesn't hold up those behind it.
func TestPoisonedStation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.poison = quay
		in, _, end := begin(t, s)
		defer end()
		var wg sync.WaitGroup
		for i := range int64(8) {
			message := batch(t, quay, run1, i+1, i+1)
			wg.Go(func() { assert.ErrorIs(t, in.Handle(t.Context(), quay, message), errDisk) })
			synctest.Wait()
		}
		wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1))) })
		wg.Wait()
		require.Equal(t, 1, s.held(lake))
	})
}

// A store that is down is not asked once for every message.
func TestStoreDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		for range 100 {
			s.verdicts = append(s.verdicts, verdict{false, errDisk})
		}
		in, p, end := begin(t, s)
		defer end()
		var wg sync.WaitGroup
		for i := range int64(50) {
			message := batch(t, lake, run1, i+1, i+1)
			wg.Go(func() { assert.ErrorIs(t, in.Handle(t.Context(), lake, message), errDisk) })
		}
		wg.Wait()
		require.Equal(t, 1+giveUpAfter, s.attempts)
		require.Empty(t, p.all())
	})
}

func TestReceiptThatCannotBeSent(t *testing.T) {
	s := newFakeStore(t)
	in, p, end := begin(t, s)
	defer end()
	p.fail = 1
	require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)), "it is stored: acknowledged")
	require.EqualValues(t, 1, in.Stats().Unreceipted)
	require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)), "the station sends again, without a receipt")
	require.Len(t, p.all(), 1)
}

// Stations wait when too much is under way, and go on when there is room.
func TestBackPressure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.hold = make(chan struct{})
		in, _, end := begin(t, s)
		defer end()
		message := []byte(strings.Repeat("\n", 5000)) // small, but as many readings would fill 160 pages
		var wg sync.WaitGroup
		const messages = 150 // three times what there is room for
		for range messages {
			wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), lake, message)) })
		}
		synctest.Wait()
		st := in.Stats()
		require.LessOrEqual(t, st.WaitingBytes, int64(largeBytes))
		require.Greater(t, st.WaitingBytes, int64(largeBytes-200*pageBytes))
		require.Less(t, st.Waiting, int64(messages-50))
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, cancel)
		require.ErrorIs(t, in.Handle(ctx, lake, message), context.Canceled, "who waits for room can give up")
		close(s.hold)
		wg.Wait()
		require.EqualValues(t, messages, in.Stats().Messages)
		require.Zero(t, in.Stats().WaitingBytes)
	})
}

// A small message comes with the next commit, however much backlog waits, and
// more of it than there is room for; and backlogs have half of every commit,
// however many small ones wait.
func TestSmallMessagesDontWaitForBacklogs(t *testing.T) {
	for name, c := range map[string]struct {
		many, few         string
		readings, ofFew   int64 // in one message
		messages, commits int   // of many
	}{
		"live among backlogs": {many: lake, few: quay, readings: 200, ofFew: 1, messages: 1000, commits: 1000 * 200 / groupReadings},
		"backlog among live":  {many: lake, few: quay, readings: 20, ofFew: 200, messages: 1000, commits: 2},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newFakeStore(t)
				s.hold = make(chan struct{})
				in, _, end := begin(t, s)
				defer end()
				var wg sync.WaitGroup
				first := batch(t, quay, run1, 1, 1)
				wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), quay, first)) })
				time.Sleep(time.Second) // it is being committed
				for i := range int64(c.messages) {
					message := batch(t, c.many, run2, i*c.readings+1, (i+1)*c.readings)
					wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), c.many, message)) })
				}
				synctest.Wait()
				message := batch(t, c.few, run2, 1, c.ofFew)
				wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), c.few, message)) })
				synctest.Wait()
				close(s.hold)
				wg.Wait()
				require.Len(t, s.commits[0], 1)
				require.True(t, slices.ContainsFunc(s.commits[1], func(a record.Arrival) bool { return a.Station == c.few }), "in the next commit")
				require.True(t, slices.ContainsFunc(s.commits[1], func(a record.Arrival) bool { return a.Station == c.many }), "beside others")
				require.GreaterOrEqual(t, len(s.commits), c.commits)
			})
		})
	}
}

// A message larger than all the room there is takes all of it, and passes.
func TestBackPressure_LargestMessage(t *testing.T) {
	s := newFakeStore(t)
	in, _, end := begin(t, s)
	defer end()
	require.NoError(t, in.Handle(t.Context(), lake, make([]byte, largeBytes+1)))
	require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)))
}

func TestStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.hold = make(chan struct{})
		in, p, end := begin(t, s)
		results := make(chan error, 3)
		for i := range int64(2) {
			message := batch(t, lake, run1, i+1, i+1)
			go func() { results <- in.Handle(t.Context(), lake, message) }()
			time.Sleep(time.Second) // the first is in a commit, the second in the queue
		}
		end()
		for range 2 {
			err := <-results
			require.True(t, errors.Is(err, ErrStopped) || errors.Is(err, context.Canceled), err)
		}
		require.ErrorIs(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 3, 3)), ErrStopped)
		require.Empty(t, p.all())
		require.Zero(t, s.held(lake))
	})
}

// What is still queued at the end is not done.
func TestStop_WhileQueued(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in := New(Config{Store: newFakeStore(t), Now: clock, Log: quiet()})
		result := make(chan error)
		go func() { result <- in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)) }()
		synctest.Wait()
		require.EqualValues(t, 1, in.Stats().Waiting)
		close(in.stopped)
		require.ErrorIs(t, <-result, ErrStopped)

		ctx, cancel := context.WithCancel(t.Context())
		in = New(Config{Store: newFakeStore(t), Now: clock, Log: quiet()})
		go func() { result <- in.Handle(ctx, lake, batch(t, lake, run1, 1, 1)) }()
		synctest.Wait()
		cancel()
		require.ErrorIs(t, <-result, context.Canceled, "who waits can give up")
	})
}

// A store that is down for long does not fill the log.
func TestComplaintsAreFew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.poison = lake
		var lines bytes.Buffer
		in := New(Config{Store: s, Now: clock, Log: slog.New(slog.NewTextHandler(&lines, nil))})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- in.Run(ctx) }()
		began := time.Now()
		for time.Since(began) < 10*logEvery {
			require.ErrorIs(t, in.Handle(ctx, lake, batch(t, lake, run1, 1, 1)), errDisk)
		}
		cancel()
		require.NoError(t, <-ended)
		require.EqualValues(t, 2000, in.Stats().Failures)
		require.Equal(t, 10, bytes.Count(lines.Bytes(), []byte("\n")))
		require.Contains(t, lines.String(), "lines_left_out=199")
		require.Contains(t, lines.String(), "disk full")
	})
}

// A new secret is used soon, and is not looked up for every receipt.
func TestSecrets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		in, p, end := begin(t, s)
		defer end()
		for range 5 {
			require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)))
		}
		require.Equal(t, 1, s.looked)
		secret, err := receipt.NewSecret([]byte("another one of sixteen"))
		require.NoError(t, err)
		time.Sleep(secretFor)
		s.with(func() { s.stations[lake] = secret })
		require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)))
		require.Len(t, p.all(), 6)
		r := p.all()[5]
		_, err = secret.Verify(lake, r.JSON())
		require.NoError(t, err)
		require.Equal(t, 2, s.looked)
	})
}

// While a secret is being changed there is a receipt by either, the new one's
// last; and a change is used at once when somebody says that there is one.
func TestSecrets_BeingChanged(t *testing.T) {
	s := newFakeStore(t)
	next, err := receipt.NewSecret([]byte("another one of sixteen"))
	require.NoError(t, err)
	in, _, end := begin(t, s)
	defer end()
	p := &keepReceipts{}
	in.SetPublisher(p)
	old := s.stations[lake]
	signers := func() (list []bool) { // for each receipt of the next batch: by the new secret?
		p.with(func() { p.payloads = nil })
		require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)))
		p.with(func() {
			for _, payload := range p.payloads {
				_, byOld := old.Verify(lake, payload)
				_, byNew := next.Verify(lake, payload)
				require.True(t, (byOld == nil) != (byNew == nil))
				list = append(list, byNew == nil)
			}
		})
		return list
	}
	require.Equal(t, []bool{false}, signers())
	s.with(func() { s.next[lake] = next })
	require.Equal(t, []bool{false}, signers(), "nobody said so")
	in.ForgetSecrets()
	require.Equal(t, []bool{false, true}, signers())
	s.with(func() { s.stations[lake], s.next[lake] = next, receipt.Secret{} })
	in.ForgetSecrets()
	require.Equal(t, []bool{true}, signers())
}

// keepReceipts is a Publisher that keeps what it gets.
type keepReceipts struct {
	mu       sync.Mutex
	payloads [][]byte
}

func (p *keepReceipts) with(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
}

func (p *keepReceipts) PublishReceipt(_ string, payloads ...[]byte) error {
	p.with(func() { p.payloads = append(p.payloads, payloads...) })
	return nil
}

func TestStats_CommitTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.hold = make(chan struct{})
		in, _, end := begin(t, s)
		defer end()
		time.AfterFunc(groupFor+15*time.Millisecond, func() { close(s.hold) })
		require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)))
		st := in.Stats()
		require.Equal(t, 15*time.Millisecond, time.Duration(st.CommitNS))
		want := make([]uint64, len(timeBounds)+1)
		want[4] = 1 // > 10 ms, <= 20 ms
		require.Equal(t, Durations{timeBounds, want}, st.CommitTimes)
	})
}

// noStore is what the rest costs.
type noStore struct{ secret receipt.Secret }

func (s noStore) Station(_ context.Context, id string) (record.Station, error) {
	return record.Station{ID: id, Secret: s.secret}, nil
}

func (noStore) Settled(context.Context, string, int) ([]record.Outcome, error) { return nil, nil }

func (s noStore) Commit(_ context.Context, arrivals []record.Arrival) ([]record.Outcome, error) {
	outcomes := make([]record.Outcome, len(arrivals))
	for i := range arrivals {
		last := arrivals[i].Batch.Readings[len(arrivals[i].Batch.Readings)-1]
		outcomes[i] = record.Outcome{Station: arrivals[i].Station, Runs: []record.RunState{{Run: last.Run, Upto: last.Seq}}}
	}
	return outcomes, nil
}

type noPublisher struct{}

func (noPublisher) PublishReceipt(string, ...[]byte) error { return nil }

func processorTime(b *testing.B) int64 {
	b.Helper()
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return u.Utime.Nano() + u.Stime.Nano()
}

// BenchmarkDecode is the part of BenchmarkHandle that can't be saved.
func BenchmarkDecode(b *testing.B) {
	const n = 60
	message, now := batch(b, lake, run1, 1, n), unit.At(clock())
	began := processorTime(b)
	for b.Loop() {
		reading.Decode(lake, message, now)
	}
	b.ReportMetric(float64(processorTime(b)-began)/float64(b.N*n), "cpu-ns/reading")
}

// BenchmarkHandle is decode, validate, group and receipt, without store and
// network. It counts the process's time on the processors, which others on the
// machine disturb less than the time of day.
func BenchmarkHandle(b *testing.B) {
	for _, n := range []int64{10, 60} {
		b.Run(fmt.Sprintf("%d a message", n), func(b *testing.B) {
			secret, err := receipt.NewSecret(make([]byte, 32))
			require.NoError(b, err)
			in := New(Config{Store: noStore{secret}, Now: clock, Log: quiet()})
			in.SetPublisher(noPublisher{})
			ctx, cancel := context.WithCancel(b.Context())
			ended := make(chan error)
			go func() { ended <- in.Run(ctx) }()
			message := batch(b, lake, run1, 1, n)
			b.SetParallelism(500) // stations
			b.ReportAllocs()
			began := processorTime(b)
			b.RunParallel(func(pb *testing.PB) {
				for pb.Next() {
					if err := in.Handle(ctx, lake, message); err != nil {
						b.Error(err)
					}
				}
			})
			b.ReportMetric(float64(processorTime(b)-began)/float64(int64(b.N)*n), "cpu-ns/reading")
			cancel()
			require.NoError(b, <-ended)
		})
	}
}
