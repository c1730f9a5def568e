package speed

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// What a station does with its next reading, by lot. Shares are drawn, not
// counted.
const (
	shareCut  = 0.02 // its connection ends
	shareLate = 0.05 // it keeps the reading for later
	shareCopy = 0.05 // it sends everything since its last receipt twice
	shareBad  = 0.01 // what it sends can't be read in part

	soakStep   = 10 * time.Minute // from reading to reading, by the readings' clock
	soakGap    = 4 * time.Hour
	soakPoints = 40 // at which it is looked what is taken
)

// TestSoak is the proof of that name: two collectors, one with its own broker and
// a connection for each station, one at a Mosquitto that is killed now and then,
// while stations come and go, send late, twice, and what can't be read. In the end
// every reading is in the store once, sampled ledgers are those of an offline
// assessment, and the last quarter of the time took what the first took.
func TestSoak(t *testing.T) {
	stations, every, lasts, sampled := 10, 50*time.Millisecond, time.Second, 5
	switch os.Getenv("PROOF_SCALE") {
	case "quick":
		stations, every, lasts = 200, time.Second, 15*time.Second
	case "full":
		stations, every, lasts, sampled = 2000, 10*time.Second, time.Hour, 50
	}
	if text := os.Getenv("PROOF_N"); text != "" {
		n, err := strconv.Atoi(text)
		require.NoError(t, err, "PROOF_N")
		require.Positive(t, n, "PROOF_N")
		lasts = time.Duration(n) * time.Minute
	}
	seed, err := strconv.ParseUint(os.Getenv("PROOF_SEED"), 10, 64)
	if err != nil {
		seed = 1
	}
	t.Logf("seed %d", seed)
	own, other := newSoak(t, stations, every, lasts, seed, false), newSoak(t, max(4, stations/10), every, lasts, seed+1, true)
	var both sync.WaitGroup
	for _, s := range []*soak{own, other} {
		both.Go(s.run)
	}
	both.Wait()
	require.False(t, t.Failed())
	for _, s := range []*soak{own, other} {
		s.check(sampled)
		broker := "embedded"
		if s.shop.broker != "" {
			broker = "mosquitto"
		}
		fmt.Printf("soak(broker): broker=%s stations=%d%s\n", broker, len(s.stations), s.taken())
	}
	fmt.Printf("soak: minutes=%.1f stations=%d readings=%d refused=%d repeated=%d broker_killed=%d lost=0%s ledger_equal=true\n",
		lasts.Minutes(), len(own.stations)+len(other.stations), own.readings+other.readings, own.refused+other.refused, own.repeated+other.repeated, other.killed, own.taken())
}

// soak is one collector with its stations.
type soak struct {
	t        *testing.T
	shop     *shop
	stations []*soaked
	every    time.Duration
	lasts    time.Duration
	rnd      *rand.Rand
	points   []point

	readings, refused, repeated, killed int
}

// point is what the collector takes at an instant.
type point struct {
	at              time.Duration
	rss             float64
	fds, goroutines float64
}

func newSoak(t *testing.T, stations int, every, lasts time.Duration, seed uint64, mosquitto bool) *soak {
	s := &soak{t: t, shop: newShop(t, ""), every: every, lasts: lasts, rnd: rand.New(rand.NewPCG(seed, 0))}
	st := s.shop.open()
	enrol(t, st, stations, map[string]string{fact.MaxGap: soakGap.String()})
	require.NoError(t, st.Close())
	if mosquitto {
		s.shop.startMosquitto()
	}
	s.shop.serve()
	n := int(lasts/every) + 1
	from := unit.At(time.Now()).Add(-time.Duration(n) * soakStep)
	for i := range stations {
		name := stationName(i)
		x := &soaked{
			name: name, topic: receipt.Topic(name, receipt.LeafReadings), secret: secretOf(name), addr: s.shop.stations, user: name,
			rnd: rand.New(rand.NewPCG(seed, uint64(i)+1)), from: from, receipted: make(chan struct{}, 1),
		}
		x.password = x.secret.Password()
		if mosquitto { // as a user who may send for all; there is one for each connection
			x.addr, x.user, x.password = s.shop.broker, loadUser(i%loadUsers), loadPassword
		}
		s.stations = append(s.stations, x)
	}
	return s
}

// run lets stations send for the time, and then until each has its receipts.
func (s *soak) run() {
	ctx, cancel := context.WithTimeout(s.t.Context(), s.lasts)
	defer cancel()
	began := time.Now()
	var all sync.WaitGroup
	for _, group := range s.groups() {
		all.Go(func() {
			if err := s.send(ctx, group); err != nil {
				s.t.Error(err)
			}
		})
	}
	tick := time.NewTicker(s.lasts / soakPoints)
	defer tick.Stop()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-tick.C:
			s.points = append(s.points, point{
				time.Since(began), s.shop.collector.status(s.t, "VmRSS"), float64(s.shop.collector.open(s.t)), s.shop.metric("go_goroutines"),
			})
			killEach := soakPoints / 4
			if s.lasts < 5*time.Second { // once: who reconnects waits longer each time
				killEach = soakPoints - 5
			}
			if s.shop.broker != "" && len(s.points)%killEach == 0 {
				_ = s.shop.mosquitto.cmd.Process.Kill()
				<-s.shop.mosquitto.ended
				s.shop.startMosquitto()
				s.killed++
			}
		}
	}
	all.Wait()
	s.shop.folded()
}

// groups are the stations that share a connection.
func (s *soak) groups() [][]*soaked {
	if s.shop.broker == "" {
		groups := make([][]*soaked, len(s.stations))
		for i, x := range s.stations {
			groups[i] = []*soaked{x}
		}
		return groups
	}
	groups := make([][]*soaked, loadUsers)
	for i, x := range s.stations {
		groups[i%loadUsers] = append(groups[i%loadUsers], x)
	}
	return groups
}

// send lets each station of a group take a reading in turn, and send or not, until
// ctx ends; then all send what they have until it has its receipt.
func (s *soak) send(ctx context.Context, group []*soaked) error {
	c := &soakLink{group: group}
	defer c.cut()
	rnd := group[0].rnd
	tick := time.NewTicker(s.every / time.Duration(len(group)))
	defer tick.Stop()
	first := time.NewTimer(time.Duration(rnd.Int64N(int64(s.every))))
	defer first.Stop()
	select {
	case <-ctx.Done():
	case <-first.C:
	}
	for i := 0; ctx.Err() == nil; i++ {
		x := group[i%len(group)]
		x.take()
		if rnd.Float64() < shareCut {
			c.cut()
		} else if rnd.Float64() >= shareLate {
			times := 1
			if rnd.Float64() < shareCopy {
				times = 2
			}
			for range times {
				c.try(x, rnd.Float64() < shareBad)
			}
		}
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
	}
	end := time.Now().Add(patience)
	for _, x := range group {
		for x.waiting() {
			c.try(x, false)
			timer := time.NewTimer(2 * time.Second)
			select {
			case <-x.receipted:
			case <-timer.C:
			}
			timer.Stop()
			if time.Now().After(end) {
				return errors.New(x.name + " has no receipt")
			}
		}
	}
	return nil
}

// soakLink is a connection that may be none.
type soakLink struct {
	group  []*soaked
	client *client
	ended  chan struct{} // closed when nothing is read from it any more
}

func (c *soakLink) cut() {
	if c.client != nil {
		_ = c.client.conn.Close()
		<-c.ended
		c.client = nil
	}
}

// try sends what a station has. What doesn't go out goes out later.
func (c *soakLink) try(x *soaked, bad bool) {
	if c.client == nil {
		filter := receipt.Topic(x.name, receipt.LeafReceipt)
		if x.user != x.name {
			filter = receipt.Topic("+", receipt.LeafReceipt)
		}
		client, err := connect(x.addr, x.user, x.password, filter)
		if err != nil {
			return // the broker is away
		}
		_ = client.conn.SetDeadline(time.Time{})
		c.client, c.ended = client, make(chan struct{})
		go c.read(client, c.ended)
	}
	if payload := x.batch(bad); payload != nil && c.client.publish(x.topic, payload, false) != nil {
		c.cut()
	}
}

func (c *soakLink) read(client *client, ended chan struct{}) {
	defer close(ended)
	for {
		station, payload, err := client.receipt()
		if err != nil {
			return
		}
		for _, x := range c.group {
			if x.name != station {
				continue
			}
			if r, err := x.secret.Verify(station, payload); err == nil {
				x.settle(r.Upto)
			}
		}
	}
}

// soaked is one station, its spool and all that it ever took.
type soaked struct {
	name, topic    string
	addr           string
	user, password string
	secret         receipt.Secret
	rnd            *rand.Rand
	from           unit.Instant
	receipted      chan struct{} // holds one after a receipt

	mu    sync.Mutex
	taken []reading.Reading
	upto  int64
}

// take takes a reading: a humid night and a dry day, with chance in both.
func (x *soaked) take() {
	x.mu.Lock()
	defer x.mu.Unlock()
	seq := int64(len(x.taken)) + 1
	r := reading.Reading{Time: x.from.Add(time.Duration(seq) * soakStep), Run: runName(0), Seq: seq}
	day := math.Cos(2 * math.Pi * float64(int64(r.Time)%int64(day)) / float64(day))
	round := func(v float64) float64 { return math.Round(v*100) / 100 }
	temp := round(9 - 5*day + x.rnd.NormFloat64()/4)
	r.Set(reading.InsideTemp, temp)
	r.Set(reading.InsideRH, round(min(100, 84+14*day+x.rnd.NormFloat64())))
	r.Set(reading.BoardTemp, round(temp-0.5*day))
	r.Set(reading.LineCurrent, round(12+x.rnd.NormFloat64()/100))
	x.taken = append(x.taken, r)
}

// batch is what has no receipt, as far as a batch holds it.
func (x *soaked) batch(bad bool) (payload []byte) {
	x.mu.Lock()
	defer x.mu.Unlock()
	const most = 200
	for i := x.upto; i < min(int64(len(x.taken)), x.upto+most); i++ {
		oldest := int64(0)
		if payload == nil {
			oldest = x.upto + 1
		}
		longer, err := reading.AppendLine(payload, x.name, &x.taken[i], oldest)
		if err != nil {
			return nil
		}
		payload = longer
	}
	if bad && payload != nil {
		payload = fmt.Appendf(payload, "reading,station=%s,run=%s seq=x,inside_temp_c=1 1\n", x.name, runName(0))
	}
	return payload
}

func (x *soaked) waiting() bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.upto < int64(len(x.taken))
}

func (x *soaked) settle(upto int64) {
	x.mu.Lock()
	x.upto = max(x.upto, upto)
	x.mu.Unlock()
	select {
	case x.receipted <- struct{}{}:
	default:
	}
}

// check compares what is stored with what was taken.
func (s *soak) check(sampled int) {
	t := s.t
	s.shop.collector.end(t)
	st := s.shop.open()
	defer func() { require.NoError(t, st.Close()) }()
	for _, x := range s.stations {
		rs, err := st.Readings(t.Context(), x.name, math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		require.Equal(t, x.taken, rs, x.name)
		s.readings += len(rs)
	}
	for range sampled {
		x := s.stations[s.rnd.IntN(len(s.stations))]
		want := exposure.Fold(reading.Merge(slices.Clone(x.taken)), []exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{MaxGap: soakGap}}}, exposure.Part{From: math.MinInt64})
		got, err := st.Hours(t.Context(), x.name, math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		require.Equal(t, want.Hours, got, x.name)
	}
	counts, err := st.Counts(t.Context())
	require.NoError(t, err)
	require.Equal(t, int64(s.readings), counts.Stored)
	s.repeated = int(counts.Repeated)
	for _, n := range counts.Refused {
		s.refused += int(n)
	}
}

// taken says what the collector took, on average over a quarter of the time: memory in
// each, and how it changed by the hour from the third to the last, when what is kept
// on purpose has filled; the rest at first and at last.
func (s *soak) taken() string {
	n := max(1, len(s.points)/4)
	mean := func(quarter int, of func(point) float64) (sum float64) {
		from := max(0, len(s.points)-(4-quarter)*n)
		for _, p := range s.points[from : from+n] {
			sum += of(p) / float64(n)
		}
		return sum
	}
	rss, at := func(p point) float64 { return p.rss }, func(p point) float64 { return p.at.Hours() }
	text := fmt.Sprintf(" rss=%.0f/%.0f/%.0f/%.0f rss_mb_an_hour=%.1f", mean(0, rss), mean(1, rss), mean(2, rss), mean(3, rss),
		(mean(3, rss)-mean(2, rss))/max(mean(3, at)-mean(2, at), 1e-9))
	for _, of := range []struct {
		name string
		of   func(point) float64
	}{{"fds", func(p point) float64 { return p.fds }}, {"goroutines", func(p point) float64 { return p.goroutines }}} {
		text += fmt.Sprintf(" %s=%.0f/%.0f", of.name, mean(0, of.of), mean(3, of.of))
	}
	return text
}
