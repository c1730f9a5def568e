package feed_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/export"
	"dewpost/collector/feed"
	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.IgnoreTopFunction("database/sql.(*DB).connectionOpener"))
}

var start = unit.At(time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC))

// points are what a receiver holds: by series and time, by field. A line with the
// key of an earlier one sets its fields anew.
type points map[string]map[string]string

// take decodes a body and takes its lines, all or none.
func (p points) take(t require.TestingT, body []byte) {
	d := lineprotocol.NewDecoderWithBytes(body)
	for d.Next() {
		key, err := d.Measurement()
		require.NoError(t, err)
		id := string(key)
		for {
			k, v, err := d.NextTag()
			require.NoError(t, err)
			if k == nil {
				break
			}
			id += fmt.Sprintf(",%s=%s", k, v)
		}
		fields := map[string]string{}
		for {
			k, v, err := d.NextField()
			require.NoError(t, err)
			if k == nil {
				break
			}
			fields[string(k)] = v.String()
		}
		at, err := d.Time(lineprotocol.Nanosecond, time.Time{})
		require.NoError(t, err)
		require.False(t, at.IsZero())
		id += at.Format(" 2006-01-02T15:04:05.999999999")
		if p[id] == nil {
			p[id] = map[string]string{}
		}
		for k, v := range fields {
			p[id][k] = v
		}
	}
}

// told leaves out what a line says is no longer so.
func (p points) told() points {
	for _, fields := range p {
		for flag, field := range map[string]string{"cover": "cover_wet_s", "salt": "salt_wet_s"} {
			if fields[flag] == "false" {
				delete(fields, field)
			}
		}
		if fields["known_s"] == "0" {
			for _, name := range []string{"inside_temp_c_mean", "inside_rh_pct_mean", "margin_k_min"} {
				delete(fields, name)
			}
		}
	}
	return p
}

// receiver takes lines over HTTP, and fails as often as it is told to.
type receiver struct {
	t        *testing.T
	url      string
	mu       sync.Mutex
	got      points
	requests int
	hostile  string // a line with this is refused

	random *rand.Rand
	faulty bool
}

func newReceiver(t *testing.T, seed uint64) *receiver {
	r := &receiver{t: t, got: points{}, random: rand.New(rand.NewPCG(seed, 1))}
	server := httptest.NewServer(r)
	t.Cleanup(server.Close)
	r.url = server.URL
	return r
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.requests++
	fault := 99
	if r.faulty {
		fault = r.random.IntN(12)
	}
	switch fault {
	case 0:
		http.Error(w, "busy", http.StatusInternalServerError)
		return
	case 1:
		w.Header().Set("Retry-After", "7")
		http.Error(w, "slower", http.StatusTooManyRequests)
		return
	case 2: // cut before anything is read
		panic(http.ErrAbortHandler)
	}
	body, err := io.ReadAll(q.Body)
	if q.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(bytes.NewReader(body))
		require.NoError(r.t, err)
		body, err = io.ReadAll(z)
		require.NoError(r.t, err)
	}
	require.NoError(r.t, err)
	require.Equal(r.t, "Bearer otter", q.Header.Get("Authorization"))
	if r.hostile != "" && bytes.Contains(body, []byte(r.hostile)) {
		http.Error(w, "no such\x1bline", http.StatusBadRequest)
		return
	}
	r.got.take(r.t, body)
	if fault == 3 || fault == 4 { // taken, and the answer is lost
		panic(http.ErrAbortHandler)
	}
	w.WriteHeader(http.StatusNoContent)
}

// fails tells it whether to fail.
func (r *receiver) fails(faulty bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.faulty = faulty
}

var errKilled = errors.New("killed")

// dying is a store whose process dies before, or after, it is noted what was sent.
type dying struct {
	*store.Store
	random *rand.Rand
	dies   bool
}

func (d *dying) FeedSent(ctx context.Context, what string, steps []record.FeedStep, sent int64, refused []record.FeedRefusal) error {
	fate := 9
	if d.dies {
		fate = d.random.IntN(10)
	}
	if fate == 0 {
		return errKilled
	}
	err := d.Store.FeedSent(ctx, what, steps, sent, refused)
	if fate == 1 {
		return errors.Join(err, errKilled)
	}
	return err
}

type shop struct {
	t      *testing.T
	store  *dying
	folder *fold.Folder
	to     *receiver
	now    time.Time
	gzip   bool
	lines  int
}

func newShop(t *testing.T, seed uint64, stations ...string) *shop {
	s, err := store.Open(t.Context(), blank.Store(t))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	w := &shop{
		t: t, store: &dying{Store: s, random: rand.New(rand.NewPCG(seed, 2))}, to: newReceiver(t, seed), now: start.Add(100 * 24 * time.Hour).Time(), lines: 40,
	}
	w.folder = fold.New(fold.Config{Store: s, Now: func() time.Time { return w.now }, Log: slog.New(slog.DiscardHandler)})
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(t, err)
	for _, id := range stations {
		require.NoError(t, s.AddStation(t.Context(), record.Station{ID: id, Secret: secret, Enrolled: start}, "test"))
	}
	return w
}

// feed is a new process's.
func (w *shop) feed(what ...string) *feed.Feed {
	post := &feed.HTTP{URL: w.to.url, Token: func() (string, error) { return "otter", nil }, Gzip: w.gzip, Client: feed.Client(), Now: func() time.Time { return w.now }}
	w.t.Cleanup(post.Client.CloseIdleConnections)
	return feed.New(feed.Config{
		Store: w.store, Post: post.Post, Target: w.to.url, What: what, Lines: w.lines, Every: time.Minute, Now: func() time.Time { return w.now }, Log: slog.New(slog.DiscardHandler),
	})
}

func (w *shop) take(id string, rs ...reading.Reading) {
	_, err := w.store.Commit(context.Background(), []record.Arrival{{Station: id, At: unit.At(w.now), Batch: reading.Batch{Readings: rs}}})
	require.NoError(w.t, err)
}

// stored is what the export says, decoded again.
func (w *shop) stored(what ...string) points {
	p := points{}
	for _, name := range what {
		var out bytes.Buffer
		_, err := export.Write(context.Background(), &out, w.store, name, export.LineProtocol, export.Everything(), unit.At(w.now))
		require.NoError(w.t, err)
		p.take(w.t, out.Bytes())
	}
	return p.told()
}

func box(run string, seq int64, at unit.Instant, temp float64) reading.Reading {
	r := reading.Reading{Time: at, Run: run, Seq: seq}
	r.Set(reading.InsideTemp, temp)
	r.Set(reading.InsideRH, 60+math.Mod(temp*7, 40))
	return r
}

const run = "00000000000000aa"

// Whatever fails on the way, and whenever the collector is killed, the receiver
// ends with what is stored, and with what it became later.
func TestTheReceiverEndsWithWhatIsStored(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	both := []string{record.FeedHours, record.FeedReadings}
	w := newShop(t, seed, "lake-07", "quay-03")
	w.gzip = seed%2 == 0
	ctx := t.Context()
	f := w.feed(both...)
	killed, failed := 0, 0
	step := func() bool {
		err := f.Step(ctx)
		if errors.Is(err, errKilled) {
			killed++
			f = w.feed(both...)
		} else if err != nil {
			failed++
		}
		return err == nil
	}
	var back []reading.Reading // comes late
	seq := int64(0)
	at := start
	require.True(t, step())
	for n := 0; n < 40 || n < 400 && (killed == 0 || failed == 0); n++ { // a seed in a hundred kills nobody in forty
		w.to.fails(true)
		w.store.dies = true
		for range random.IntN(40) {
			seq++
			at = at.Add(time.Duration(1+random.IntN(40)) * time.Minute)
			r := box(run, seq, at, float64(random.IntN(300))/10)
			if random.IntN(3) == 0 {
				r.Set(reading.CoverTemp, 3)
			}
			switch random.IntN(8) {
			case 0:
				back = append(back, r)
			case 1: // from a device without a spool, twice at one instant
				other := r
				other.Run, other.Seq = "", 0
				third := other
				third.Set(reading.InsideTemp, 1.5)
				w.take("quay-03", other, third)
			default:
				w.take("lake-07", r)
			}
		}
		if len(back) > 0 && random.IntN(3) == 0 {
			i := random.IntN(len(back))
			w.take("lake-07", back[i])
			back = slices.Delete(back, i, i+1)
		}
		if random.IntN(8) == 0 { // hours become known, or unknown, or wet by salt
			gap := []string{"15m", "4h", "30m"}[random.IntN(3)]
			require.NoError(t, w.store.AddFacts(ctx, []fact.Fact{{
				Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, Name: fact.MaxGap, Value: gap, From: start.Add(time.Duration(random.IntN(300)) * time.Hour), Author: "test", Recorded: unit.At(w.now),
			}}))
		}
		if random.IntN(2) == 0 {
			require.NoError(t, w.folder.All(ctx))
		}
		if random.IntN(3) > 0 {
			step()
		}
		if random.IntN(20) == 0 {
			require.NoError(t, w.store.FeedAgain(ctx, unit.At(w.now), "test"))
		}
		if random.IntN(10) > 0 {
			continue
		}
		w.to.fails(false)
		w.store.dies = false
		require.NoError(t, w.folder.All(ctx))
		require.True(t, step())
		require.Equal(t, w.stored(both...), w.to.got.told())
	}
	w.to.fails(false)
	w.store.dies = false
	require.NoError(t, w.folder.All(ctx))
	require.True(t, step())
	require.Equal(t, w.stored(both...), w.to.got.told())
	require.Greater(t, len(w.to.got), 200)
	require.Positive(t, killed)
	require.Positive(t, failed)
	feeds, err := w.store.Feeds(ctx)
	require.NoError(t, err)
	for _, f := range feeds {
		require.Zero(t, f.Waiting)
		require.Zero(t, f.Refused)
		require.Zero(t, f.Failing)
	}
	before := w.to.requests
	require.True(t, step())
	require.Equal(t, before, w.to.requests, "nothing changed, nothing is sent")
}

// A line that is refused is left out and told; its neighbours are taken.
func TestARefusedLineHoldsNothingUp(t *testing.T) {
	w := newShop(t, 1, "lake-07", "quay-03")
	w.lines = 1000
	var rs []reading.Reading
	for i := range int64(200) {
		rs = append(rs, box(run, i+1, start.Add(time.Duration(i)*30*time.Minute), 5))
	}
	w.take("lake-07", rs...)
	w.take("quay-03", rs[:4]...)
	require.NoError(t, w.folder.All(t.Context()))
	bad := start.Add(50 * time.Hour)
	w.to.hostile = fmt.Sprintf(" %d\n", int64(bad))
	f := w.feed(record.FeedHours)
	require.NoError(t, f.Step(t.Context()))
	want := w.stored(record.FeedHours)
	require.Len(t, want, 102)
	maps := 0
	for key := range want {
		if w.to.got[key] == nil {
			require.Contains(t, key, "lake-07 2025-10-03T02:00:00")
			maps++
		}
	}
	require.Equal(t, 1, maps)
	require.Equal(t, feed.Stats{Sent: 101, Refused: 1}, f.Stats())
	feeds, err := w.store.Feeds(t.Context())
	require.NoError(t, err)
	require.Equal(t, []record.Feed{{What: record.FeedHours, Sent: 101, Refused: 1, Last: record.FeedRefusal{
		Station: "lake-07", Time: bad, At: unit.At(w.now), Why: `status 400 Bad Request: no such\x1bline`,
	}}}, feeds)
	require.Less(t, w.to.requests, 20)

	// Once it would be taken, it is sent with all that is sent again.
	w.to.hostile = ""
	require.NoError(t, f.Step(t.Context()))
	require.Len(t, w.to.got, 101)
	require.NoError(t, w.store.FeedAgain(t.Context(), 5, "test"))
	require.NoError(t, f.Step(t.Context()))
	require.Equal(t, want, w.to.got.told())

	// Elsewhere all is sent anew; what isn't sent on any more is forgotten.
	w.to.got = points{}
	elsewhere := w.feed(record.FeedHours, record.FeedReadings)
	require.NoError(t, elsewhere.Step(t.Context()))
	require.Equal(t, w.stored(record.FeedReadings), w.to.got)
	require.NoError(t, w.feed().Step(t.Context()))
	feeds, err = w.store.Feeds(t.Context())
	require.NoError(t, err)
	require.Empty(t, feeds)
	require.ErrorIs(t, w.store.FeedAgain(t.Context(), 5, "test"), record.ErrNotFound)
}

// Statuses that say nothing of the lines leave everything marked, and are told.
func TestWhatIsNotTakenIsTriedAgain(t *testing.T) {
	w := newShop(t, 1, "lake-07")
	w.take("lake-07", box(run, 1, start, 5), box(run, 2, start.Add(time.Hour), 5))
	require.NoError(t, w.folder.All(t.Context()))
	answer, after := 0, ""
	server := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, _ *http.Request) {
		if after != "" {
			rw.Header().Set("Retry-After", after)
		}
		if answer == http.StatusFound {
			rw.Header().Set("Location", w.to.url)
		}
		rw.WriteHeader(answer)
	}))
	defer server.Close()
	w.to.url = server.URL
	for _, answer = range []int{302, 401, 403, 404, 405, 408, 415, 500, 502, 503} {
		require.Error(t, w.feed(record.FeedHours).Step(t.Context()), answer)
		feeds, err := w.store.Feeds(t.Context())
		require.NoError(t, err)
		require.Equal(t, int64(1), feeds[0].Waiting)
		require.Equal(t, unit.At(w.now), feeds[0].Failing)
		require.Contains(t, feeds[0].Failure, fmt.Sprint("status ", answer))
		require.Zero(t, feeds[0].Refused)
	}
	var later *feed.Later
	for text, want := range map[string]time.Duration{"120": 2 * time.Minute, w.now.Add(90 * time.Second).UTC().Format(http.TimeFormat): 90 * time.Second} {
		for _, answer = range []int{429, 503} {
			after = text
			require.ErrorAs(t, w.feed(record.FeedHours).Step(t.Context()), &later)
			require.Equal(t, want, later.After)
		}
	}
	after = "soon"
	require.NotErrorAs(t, w.feed(record.FeedHours).Step(t.Context()), &later)
	post := &feed.HTTP{URL: "http://\x7f", Client: feed.Client(), Now: time.Now}
	require.ErrorContains(t, post.Post(t.Context(), nil), "invalid")
	post = &feed.HTTP{URL: server.URL, Client: feed.Client(), Now: time.Now, Token: func() (string, error) { return "", errKilled }}
	require.ErrorIs(t, post.Post(t.Context(), nil), errKilled)
	server.Close()
	require.Error(t, w.feed(record.FeedHours).Step(t.Context()))
}

// The loop looks every minute, waits longer and longer while nothing is taken or
// as long as the receiver says, and sends nothing while another collector does.
func TestRun(t *testing.T) {
	w := newShop(t, 1, "lake-07")
	w.take("lake-07", box(run, 1, start, 5), box(run, 2, start.Add(time.Hour), 5))
	require.NoError(t, w.folder.All(t.Context()))
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(t.Context(), blank.Store(t))
		require.NoError(t, err)
		defer func() { require.NoError(t, s.Close()) }()
		secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
		require.NoError(t, err)
		require.NoError(t, s.AddStation(t.Context(), record.Station{ID: "lake-07", Secret: secret, Enrolled: 1}, "test"))
		send := func(seq int64) {
			_, err := s.Commit(t.Context(), []record.Arrival{{Station: "lake-07", At: start, Batch: reading.Batch{Readings: []reading.Reading{box(run, seq, start.Add(time.Duration(seq)*time.Second), 5)}}}})
			require.NoError(t, err)
		}
		var mu sync.Mutex
		var fails error // of requests
		on := true      // duty
		requests := 0
		set := func(err error, duty bool) {
			mu.Lock()
			defer mu.Unlock()
			fails, on = err, duty
		}
		made := func() int {
			mu.Lock()
			defer mu.Unlock()
			return requests
		}
		ask := make(chan struct{})
		f := feed.New(feed.Config{
			Store: s, What: []string{record.FeedReadings}, Target: "x", Lines: 10, Every: time.Minute, Now: time.Now, Log: slog.New(slog.DiscardHandler), Ask: ask,
			OnDuty: func(context.Context) (bool, error) {
				mu.Lock()
				defer mu.Unlock()
				return on, nil
			},
			Post: func(context.Context, []byte) error {
				mu.Lock()
				defer mu.Unlock()
				requests++
				return fails
			},
		})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		send(1)
		set(errors.New("broken"), true)
		go func() { ended <- f.Run(ctx) }()
		time.Sleep(10 * time.Second)
		ask <- struct{}{}
		require.Equal(t, 4, made()) // after 1, 2, 4 s
		time.Sleep(time.Hour)
		require.Less(t, made(), 24)
		require.Equal(t, int64(made()), f.Stats().Failures)
		set(nil, true)
		time.Sleep(5 * time.Minute)
		n := made()
		require.Equal(t, int64(1), f.Stats().Sent)
		time.Sleep(time.Hour)
		require.Equal(t, n, made())
		send(2)
		set(&feed.Later{After: 20 * time.Minute, Why: "slower"}, true)
		time.Sleep(19 * time.Minute)
		require.Equal(t, n+1, made())
		set(nil, true)
		time.Sleep(3 * time.Minute)
		require.Equal(t, n+2, made())
		set(nil, false)
		time.Sleep(2 * time.Minute)
		send(3)
		time.Sleep(10 * time.Minute)
		require.Equal(t, n+2, made())
		set(nil, true)
		time.Sleep(2 * time.Minute)
		require.Equal(t, n+3, made())
		cancel()
		require.NoError(t, <-ended)
	})
}

func TestLinesOfHours(t *testing.T) {
	w := newShop(t, 1, "lake-07")
	w.take("lake-07", box(run, 1, start, 5), box(run, 2, start.Add(30*time.Minute), 5))
	require.NoError(t, w.folder.All(t.Context()))
	var out bytes.Buffer
	_, err := export.Write(t.Context(), &out, w.store, export.Hours, export.LineProtocol, export.Everything(), unit.At(w.now))
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(out.String(), "\n"))
	require.Contains(t, out.String(), "hour,station=lake-07 known_s=1800,unknown_s=0,condensing_s=0,")
	require.Contains(t, out.String(), `cover=false,salt=false,dose_h_eq=`)
	require.Contains(t, out.String(), fmt.Sprintf(" %d\n", int64(start)))
}
