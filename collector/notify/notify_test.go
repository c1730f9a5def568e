package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/record"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

type verdict struct {
	apply bool
	err   error
}

// outbox is a Store that fails as it is told.
type outbox struct {
	mu     sync.Mutex
	unsent []record.Message
	sentAt map[string]unit.Instant
	reads  []verdict // of the next calls of Unsent; apply is of no meaning
	marks  []verdict
	most   int
}

func newOutbox(n int) *outbox {
	o := &outbox{sentAt: make(map[string]unit.Instant)}
	o.add(n)
	return o
}

func (o *outbox) add(n int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for range n {
		i := len(o.unsent) + len(o.sentAt)
		o.unsent = append(o.unsent, record.Message{EventID: fmt.Sprintf("event %03d", i), Station: "lake-07", Kind: finding.BoardWet, Number: int64(i), Body: `{"x":1}`})
	}
}

func next(list *[]verdict) verdict {
	if len(*list) == 0 {
		return verdict{true, nil}
	}
	v := (*list)[0]
	*list = (*list)[1:]
	return v
}

func (o *outbox) Unsent(_ context.Context, limit int) ([]record.Message, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if v := next(&o.reads); v.err != nil {
		return nil, v.err
	}
	list := slices.Clone(o.unsent[:min(limit, len(o.unsent))])
	o.most = max(o.most, len(list))
	return list, nil
}

func (o *outbox) MarkSent(_ context.Context, id string, at unit.Instant) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	v := next(&o.marks)
	if v.apply {
		o.unsent = slices.DeleteFunc(o.unsent, func(m record.Message) bool { return m.EventID == id })
		o.sentAt[id] = at
	}
	return v.err
}

func (o *outbox) left() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.unsent)
}

// people are a Channel that refuses as often as told.
type people struct {
	mu     sync.Mutex
	refuse int
	got    []string
	tried  []time.Duration // since the test began
	began  time.Time
}

func (p *people) Send(_ context.Context, m record.Message) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.tried = append(p.tried, time.Since(p.began))
	if p.refuse > 0 {
		p.refuse--
		return errors.New("nobody answers")
	}
	p.got = append(p.got, m.EventID)
	return nil
}

func (p *people) all() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.got)
}

func (p *people) attempts() []time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.tried)
}

var collectorTime = time.Date(2031, 2, 3, 4, 5, 6, 0, time.UTC)

func run(t *testing.T, o *outbox, p *people) *Sender {
	t.Helper()
	p.began = time.Now()
	s := New(o, p, func() time.Time { return collectorTime }, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-ended)
	})
	return s
}

func ids(from, to int) (list []string) {
	for i := from; i < to; i++ {
		list = append(list, fmt.Sprintf("event %03d", i))
	}
	return list
}

func TestSender_InOrderAndOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, p := newOutbox(2*atOnce+7), new(people)
		s := run(t, o, p)
		synctest.Wait()
		require.Equal(t, ids(0, 2*atOnce+7), p.all())
		require.Zero(t, o.left())
		require.Equal(t, unit.At(collectorTime), o.sentAt["event 000"], "by the collector's clock")
		require.Equal(t, atOnce, o.most)

		o.add(2)
		synctest.Wait()
		require.Equal(t, 2, o.left(), "control: nobody has said so")
		s.Wake()
		s.Wake()
		synctest.Wait()
		require.Equal(t, ids(0, 2*atOnce+9), p.all())

		o.add(1)
		time.Sleep(look)
		synctest.Wait()
		require.Zero(t, o.left(), "seen without being told, as another collector may have written it")
	})
}

func TestSender_RetriesLaterAndLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, p := newOutbox(3), &people{refuse: 12}
		s := run(t, o, p)
		synctest.Wait()
		for range 100 {
			s.Wake() // what else there is to say changes nothing
			synctest.Wait()
		}
		require.Len(t, p.attempts(), 1)
		time.Sleep(time.Hour)
		require.Equal(t, ids(0, 3), p.all(), "in order, none lost, none doubled")
		var gaps []time.Duration
		for i := range 12 {
			gaps = append(gaps, p.attempts()[i+1]-p.attempts()[i])
		}
		s1 := time.Second
		require.Equal(t, []time.Duration{s1, 2 * s1, 4 * s1, 8 * s1, 16 * s1, 32 * s1, 64 * s1, 128 * s1, 256 * s1, lastRetry, lastRetry, lastRetry}, gaps)

		p.mu.Lock()
		p.refuse = 1
		p.mu.Unlock()
		o.add(1)
		s.Wake()
		synctest.Wait()
		tried := len(p.attempts())
		time.Sleep(firstRetry)
		synctest.Wait()
		require.Len(t, p.attempts(), tried+1, "after a success it begins anew")
	})
}

// What the channel has taken is not sent again because the mark failed; after
// a restart it is, under the same id.
func TestSender_MarkFails(t *testing.T) {
	for name, v := range map[string]verdict{
		"and was not set": {false, errors.New("disk full")},
		"but was set":     {true, errors.New("disk full")},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o, p := newOutbox(3), new(people)
				o.marks = []verdict{v, v}
				s := run(t, o, p)
				time.Sleep(time.Minute)
				synctest.Wait()
				require.Equal(t, ids(0, 3), p.all())
				require.Zero(t, o.left())
				require.Empty(t, s.taken)
			})
		})
	}
	synctest.Test(t, func(t *testing.T) {
		o, p := newOutbox(1), new(people)
		o.marks = []verdict{{false, errors.New("disk full")}}
		first := New(o, p, time.Now, slog.New(slog.DiscardHandler))
		require.Error(t, first.all(t.Context()))
		run(t, o, p)
		synctest.Wait()
		require.Equal(t, []string{"event 000", "event 000"}, p.all())
	})
}

func TestSender_OutboxCannotBeRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, p := newOutbox(3), new(people)
		o.reads = []verdict{{err: errors.New("busy")}, {err: errors.New("busy")}}
		run(t, o, p)
		time.Sleep(firstRetry + 2*firstRetry)
		synctest.Wait()
		require.Equal(t, ids(0, 3), p.all())
	})
}

func TestLog_WritesOneLineWithEverything(t *testing.T) {
	var text bytes.Buffer
	l := Log{slog.New(slog.NewJSONHandler(&text, nil))}
	m := record.Message{
		EventID: "e1", Station: "lake-07", Kind: finding.BoardWet, Number: 3,
		Created: unit.At(collectorTime), Body: `{"action":"look at cover"}` + "\n",
	}
	require.NoError(t, l.Send(t.Context(), m))
	require.Equal(t, 1, bytes.Count(text.Bytes(), []byte{'\n'}))
	var line map[string]any
	require.NoError(t, json.Unmarshal(text.Bytes(), &line))
	for key, want := range map[string]any{
		"event": "e1", "station": "lake-07", "kind": "board_wet", "number": 3.0,
		"created": "2031-02-03T04:05:06Z", "body": m.Body,
	} {
		require.Equal(t, want, line[key], key)
	}
}
