package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

func TestMain(m *testing.M) {
	// The library's Publish may go on for a while after its connection broke.
	goleak.VerifyTestMain(m, goleak.IgnoreAnyFunction("github.com/eclipse/paho.mqtt.golang.(*client).Publish"))
}

const (
	lake  = "lake-07"
	quay  = "quay-02"
	run1  = "9f31c2aa07de4410"
	run2  = "0000000000000002"
	epoch = unit.Instant(1_762_300_800_000_000_000)
)

var errDisk = errors.New("disk full")

type verdict struct {
	apply bool
	err   error
}

// fakeStore is a Store in memory that fails as it is told: without having
// stored, or, the case that finds mistakes, with everything stored.
type fakeStore struct {
	mu       sync.Mutex
	stations map[string]receipt.Secret
	next     map[string]receipt.Secret // that are to follow
	looked   int                       // calls of Station

	verdicts []verdict // of the next commits; none left: apply, nil
	poison   string    // a station whose arrivals can't be committed
	hold     chan struct{}
	entered  chan int // told of the arrivals of every commit that begins, if not nil

	newest    map[string]string // station → run, for Settled
	unsettled int               // calls of Settled that fail

	commits  [][]record.Arrival // those applied
	attempts int
	stored   map[string]map[string]map[int64]int // station, run, seq → how often it came
	order    map[string][]int64                  // station → seqs as stored
	events   []string                            // commits and receipts, in order
}

func newFakeStore(t *testing.T) *fakeStore {
	t.Helper()
	s := &fakeStore{stations: make(map[string]receipt.Secret), next: make(map[string]receipt.Secret), stored: make(map[string]map[string]map[int64]int), order: make(map[string][]int64)}
	for i, id := range []string{lake, quay} {
		secret, err := receipt.NewSecret([]byte(fmt.Sprintf("sixteen bytes %02d", i)))
		require.NoError(t, err)
		s.stations[id] = secret
	}
	return s
}

func (s *fakeStore) Station(_ context.Context, id string) (record.Station, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.looked++
	secret, ok := s.stations[id]
	if !ok {
		return record.Station{}, record.ErrNotFound
	}
	return record.Station{ID: id, Secret: secret, Next: s.next[id]}, nil
}

// Settled tells of all stations at once, by id.
func (s *fakeStore) Settled(_ context.Context, after string, limit int) (list []record.Outcome, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.unsettled > 0 {
		s.unsettled--
		return nil, errDisk
	}
	for _, id := range slices.Sorted(maps.Keys(s.newest)) {
		if id > after && len(list) < limit {
			list = append(list, record.Outcome{Station: id, Runs: []record.RunState{{Run: s.newest[id], Upto: s.upto(id, s.newest[id])}}})
		}
	}
	return list, nil
}

func (s *fakeStore) Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error) {
	s.mu.Lock()
	hold, entered := s.hold, s.entered
	s.mu.Unlock()
	if entered != nil {
		entered <- len(arrivals)
	}
	if hold != nil {
		select {
		case <-hold:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.attempts++
	v := verdict{true, nil}
	if len(s.verdicts) > 0 {
		v, s.verdicts = s.verdicts[0], s.verdicts[1:]
	}
	if slices.ContainsFunc(arrivals, func(a record.Arrival) bool { return a.Station == s.poison }) {
		v = verdict{false, errDisk}
	}
	if !v.apply {
		return nil, v.err
	}
	outcomes := make([]record.Outcome, len(arrivals))
	for i := range arrivals {
		outcomes[i] = s.apply(&arrivals[i])
	}
	s.commits = append(s.commits, arrivals)
	s.events = append(s.events, "commit")
	if v.err != nil {
		return nil, v.err
	}
	return outcomes, nil
}

func (s *fakeStore) apply(a *record.Arrival) record.Outcome {
	o := record.Outcome{Station: a.Station}
	for _, r := range a.Batch.Readings {
		s.order[a.Station] = append(s.order[a.Station], r.Seq)
		if !r.Keyed() {
			continue
		}
		if s.stored[a.Station] == nil {
			s.stored[a.Station] = make(map[string]map[int64]int)
		}
		if s.stored[a.Station][r.Run] == nil {
			s.stored[a.Station][r.Run] = make(map[int64]int)
		}
		s.stored[a.Station][r.Run][r.Seq]++
		if !slices.ContainsFunc(o.Runs, func(x record.RunState) bool { return x.Run == r.Run }) {
			o.Runs = append(o.Runs, record.RunState{Run: r.Run})
		}
	}
	for i := range o.Runs {
		o.Runs[i].Upto = s.upto(a.Station, o.Runs[i].Run)
	}
	return o
}

func (s *fakeStore) upto(station, run string) (n int64) {
	for s.stored[station][run][n+1] > 0 {
		n++
	}
	return n
}

func (s *fakeStore) with(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f()
}

// held returns how many different readings of a station are stored.
func (s *fakeStore) held(station string) (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, run := range s.stored[station] {
		n += len(run)
	}
	return n
}

// fakePublisher checks every receipt against what is stored at that moment.
type fakePublisher struct {
	t     *testing.T
	store *fakeStore

	hold chan struct{} // each receipt waits for one; nil: none does

	mu   sync.Mutex
	fail int
	sent []receipt.Receipt
}

func (p *fakePublisher) PublishReceipt(station string, payloads ...[]byte) error {
	if p.hold != nil {
		<-p.hold
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fail > 0 {
		p.fail--
		return errors.New("no connection")
	}
	var r receipt.Receipt
	var err error
	p.store.with(func() {
		r, err = p.store.stations[station].Verify(station, payloads[0])
		if next := p.store.next[station]; err == nil && !next.IsZero() {
			_, err = next.Verify(station, payloads[len(payloads)-1])
		}
		if err == nil && r.Upto > p.store.upto(station, r.Run) {
			err = fmt.Errorf("a receipt up to %d, but only %d are stored", r.Upto, p.store.upto(station, r.Run))
		}
		p.store.events = append(p.store.events, fmt.Sprintf("receipt %s %d", station, r.Upto))
	})
	if err != nil {
		p.t.Error(err)
	}
	p.sent = append(p.sent, r)
	return nil
}

func (p *fakePublisher) all() []receipt.Receipt {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.sent)
}

// batch encodes readings from first to last as an agent would.
func batch(tb testing.TB, station, run string, first, last int64) []byte {
	tb.Helper()
	var b []byte
	for seq := first; seq <= last; seq++ {
		r := reading.Reading{Time: epoch.Add(time.Duration(seq) * time.Minute), Run: run, Seq: seq}
		if run == "" {
			r.Seq = 0
		}
		r.Set(reading.InsideTemp, 11.42)
		r.Set(reading.InsideRH, 88.31)
		r.Set(reading.BoardTemp, 10.97)
		r.Set(reading.OutsideTemp, 9.8)
		r.Set(reading.OutsideRH, 93.1)
		r.Set(reading.LineCurrent, 11.873)
		var err error
		b, err = reading.AppendLine(b, station, &r, 0)
		require.NoError(tb, err)
	}
	return b
}

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

func clock() time.Time { return epoch.Add(30 * 24 * time.Hour).Time() }

// begin runs an Intake; the returned function ends it.
func begin(t *testing.T, s *fakeStore) (*Intake, *fakePublisher, func()) {
	t.Helper()
	in := New(Config{Store: s, Now: clock, Log: quiet()})
	p := &fakePublisher{t: t, store: s}
	in.SetPublisher(p)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	return in, p, func() {
		cancel()
		require.NoError(t, <-ended)
	}
}
