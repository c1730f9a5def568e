package speed

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/boxsim"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
	"dewpost/testdata/spent"
)

const day = 24 * time.Hour

// scale is how much is done: little as a test, more with --quick, all in full.
type scale struct {
	pathStations, pathReadings, repeat int // of a way from broker to receipt
	ways                               []way
	foldStations, foldDays             int           // one reading each ten minutes
	plainStations                      int           // at the embedded broker:
	plainFor                           time.Duration // two readings of each spread,
	plainRounds                        int           // then so many as fast as they can
	fleet                              int           // at Mosquitto, once a minute,
	fleetFor                           time.Duration // measured
	fleetBefore                        time.Duration // of readings that they have already
	alarms                             int
	lateStations, lateDays             int
	pageStations, pageHours            int // of ledger
	bytesDays                          int
	grow                               []int
}

// way is a way from broker to receipt, on either engine.
type way struct {
	a      int // readings a message
	broker string
}

var scales = map[string]scale{
	"": {
		pathStations: 10, pathReadings: 1200, repeat: 1, ways: []way{{60, "embedded"}, {60, "mosquitto"}}, foldStations: 1, foldDays: 5, plainStations: 20, plainFor: time.Second, plainRounds: 2,
		fleet: 60, fleetFor: time.Second, fleetBefore: time.Hour, alarms: 2, lateStations: 2, lateDays: 1,
		pageStations: 10, pageHours: 100, bytesDays: 2, grow: []int{5, 10},
	},
	"quick": {
		pathStations: 40, pathReadings: 24_000, repeat: 1, ways: []way{{10, "embedded"}, {60, "mosquitto"}}, foldStations: 2, foldDays: 15, plainStations: 100, plainFor: time.Second, plainRounds: 10,
		fleet: 150, fleetFor: 2 * time.Second, fleetBefore: time.Hour, alarms: 3, lateStations: 10, lateDays: 1,
		pageStations: 320, pageHours: 240, bytesDays: 4, grow: []int{15, 45, 135},
	},
	"full": {
		pathStations: 500, pathReadings: 600_000, repeat: 3, ways: []way{{10, "embedded"}, {10, "mosquitto"}, {60, "embedded"}, {60, "mosquitto"}}, foldStations: 4, foldDays: 180, plainStations: 2000, plainFor: 2 * time.Minute, plainRounds: 60,
		fleet: 10_000, fleetFor: 3 * time.Minute, fleetBefore: day, alarms: 100, lateStations: 500, lateDays: 7,
		pageStations: 5000, pageHours: 8766, bytesDays: 60, grow: []int{100, 1000, 10_000, 100_000},
	},
}

// figures are what is found, in order.
type figures struct {
	keys   []string
	values map[string]string
}

func (f *figures) set(key, format string, v any) {
	if f.values == nil {
		f.values = map[string]string{}
	}
	if _, there := f.values[key]; !there {
		f.keys = append(f.keys, key)
	}
	f.values[key] = fmt.Sprintf(format, v)
}

func (f *figures) goal(key string, met bool) {
	f.set("goal_"+key, "%s", map[bool]string{true: "met", false: "missed"}[met])
}

func (f *figures) String() string {
	var b strings.Builder
	for _, k := range f.keys {
		fmt.Fprintf(&b, " %s=%s", k, f.values[k])
	}
	return b.String()
}

// TestSpeed is the proof of that name. It fails when something is lost, and on no
// figure: those depend on the machine, so each stands beside its floor.
func TestSpeed(t *testing.T) {
	sc, ok := scales[os.Getenv("PROOF_SCALE")]
	require.True(t, ok)
	var sum figures
	began := time.Now()
	part := func(name string, measure func(t *testing.T, sc scale, sum *figures)) {
		if t.Failed() {
			return
		}
		t.Run(name, func(t *testing.T) {
			at := time.Now()
			measure(t, sc, &sum)
			t.Logf("%s took %.1f s", name, time.Since(at).Seconds())
		})
	}
	part("path", paths)
	part("fold", folds)
	part("embedded", plain)
	part("fleet", fleets)
	part("notice", notices)
	part("late", late)
	part("pages", pages)
	part("bytes", atRest)
	part("grow", grow)
	if t.Failed() {
		return
	}
	fmt.Printf("speed:%s seconds=%.0f\n", sum.String(), time.Since(began).Seconds())
}

func median(list []float64) float64 {
	slices.Sort(list)
	return list[len(list)/2]
}

func quantile(waits []time.Duration, q float64) (ms float64) {
	slices.Sort(waits)
	return float64(waits[int(q*float64(len(waits)-1))].Microseconds()) / 1000
}

// paths measures readings a second from what publishes to its receipt, the
// readings being durable then: through the store, and with a row for each reading,
// or a bare packed row for each message, in its place. Nothing is folded beside it.
func paths(t *testing.T, sc scale, sum *figures) {
	was := spent.Time(t)
	bare := packedFloor(t, sc)
	fmt.Printf("speed(packed): sqlite_readings_s=%.0f cpu_us=%.2f\n", bare, (spent.Time(t)-was).Seconds()*1e6/float64(sc.pathReadings*max(3, sc.repeat)))
	leastRows, leastPacked, share := math.Inf(1), math.Inf(1), 0.0
	f, filled := newFleet(sc.pathStations), 0
	for _, w := range sc.ways {
		per := w.a
		n := sc.pathReadings / sc.pathStations / per // batches of each station
		if filled != per {
			for _, s := range f.senders {
				s.fill(t, n, per, 0, unit.At(time.Now()).Add(-time.Duration(n*per)*time.Minute))
			}
			filled = per
		}
		for _, engine := range []string{"sqlite", "postgres"} {
			name := fmt.Sprintf("%s_%s_%d", engine, w.broker, per)
			t.Run(name, func(t *testing.T) {
				rate, used := map[string][]float64{}, map[string]usage{}
				for range sc.repeat {
					for _, sink := range []string{"store", "rows", "packed"} {
						r, u := onePath(t, f, n*per, sink, engine, w.broker)
						rate[sink], used[sink] = append(rate[sink], r), u
					}
				}
				ours, rows, packed := median(rate["store"]), median(rate["rows"]), median(rate["packed"])
				line := fmt.Sprintf("speed(path): engine=%s broker=%s a_message=%d readings_s=%.0f rows_s=%.0f x_rows=%.2f packed_s=%.0f x_packed_path=%.2f",
					engine, w.broker, per, ours, rows, ours/rows, packed, ours/packed)
				if engine == "sqlite" && per == 60 {
					line += fmt.Sprintf(" x_packed=%.2f", ours/bare)
					share = max(share, ours/bare)
				}
				fmt.Println(line)
				for _, sink := range []string{"store", "rows", "packed"} {
					u := used[sink]
					fmt.Printf("speed(path): engine=%s broker=%s a_message=%d sink=%s cpu_us=%.2f server_cpu_us=%.2f broker_cpu_us=%.2f load_cpu_us=%.2f\n",
						engine, w.broker, per, sink, u.front, u.server, u.broker, u.load)
				}
				leastRows = min(leastRows, ours/rows)
				if per == 60 {
					leastPacked = min(leastPacked, ours/packed)
				}
				sum.set(name, "%.0f", ours)
			})
		}
	}
	sum.set("x_rows_least", "%.2f", leastRows)
	sum.set("x_packed_60", "%.2f", share)
	sum.set("x_packed_path_60_least", "%.2f", leastPacked)
	sum.goal("x_rows", leastRows >= 1.4)
	sum.goal("x_packed", share >= 0.5)
	sum.goal("x_packed_path", leastPacked >= 0.5)
}

// usage is the processor time that a reading takes, in microseconds: of what
// receives and stores it, of PostgreSQL's server, of Mosquitto, and of what sends it.
type usage struct{ front, server, broker, load float64 }

// onePath measures one way. Each station sends so many readings.
func onePath(t *testing.T, f *fleet, each int, sink, engine, broker string) (perSecond float64, used usage) {
	where := ""
	if engine == "postgres" {
		where = database(t)
	}
	s := newShop(t, where)
	if sink == "store" {
		st := s.open()
		enrol(t, st, len(f.senders), nil)
		require.NoError(t, st.Close())
	}
	cfg := frontConfig{Sink: sink, Where: s.where}
	if broker == "mosquitto" {
		s.startMosquitto()
		cfg.Broker = s.broker
	} else {
		cfg.Addr = freeAddr(t)
	}
	p := s.front(cfg)
	window := 8 // batches on their way, as an agent's
	if broker == "mosquitto" {
		f.dialShared(t, s.broker)
		window *= len(f.senders) / loadUsers
	} else {
		f.dial(t, cfg.Addr)
	}
	defer f.close()
	for _, x := range f.senders {
		x.sent, x.upto, x.flights = 0, 0, nil
	}
	// What is done once, for each run and each secret, is not measured.
	n := len(f.senders[0].batches)
	f.floodTo(t, window, 1)
	all := float64(each*len(f.senders)) * float64(n-1) / float64(n)
	of := func(was, is time.Duration) float64 { return (is - was).Seconds() * 1e6 / all }
	front, load, between, server := p.cpu(t), spent.Time(t), time.Duration(0), time.Duration(0)
	if engine == "postgres" {
		server = serverCPU(t)
	}
	if s.mosquitto != nil {
		between = s.mosquitto.cpu(t)
	}
	took := f.flood(t, window)
	used.front, used.load = of(front, p.cpu(t)), of(load, spent.Time(t))
	if engine == "postgres" {
		used.server = of(server, serverCPU(t))
	}
	if s.mosquitto != nil {
		used.broker = of(between, s.mosquitto.cpu(t))
	}
	f.close()
	require.Equal(t, each*len(f.senders), p.stop(t), "readings in %s of %s", sink, engine)
	if s.mosquitto != nil {
		s.mosquitto.end(t)
	}
	return all / took.Seconds(), used
}

// packedFloor measures bare inserts of packed batches of sixty: readings that
// were decoded before are packed and inserted, as many in a transaction as intake
// takes, and no path leads there.
func packedFloor(t *testing.T, sc scale) float64 {
	const per, atOnce = 60, 4000
	rs := make([]reading.Reading, per)
	for i := range rs {
		rs[i] = sixChannels(0, int64(i+1), unit.At(time.Now()).Add(time.Duration(i)*time.Minute))
	}
	as := slices.Repeat([]record.Arrival{{Station: stationName(0), Batch: reading.Batch{Readings: rs}}}, atOnce/per)
	p, err := openPacked(t.Context(), filepath.Join(t.TempDir(), "packed.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, p.Close()) }()
	var took []float64
	all := 0
	for range max(3, sc.repeat) {
		began, n := time.Now(), 0
		for ; n < sc.pathReadings; n += len(as) * per {
			_, err := p.Commit(t.Context(), as)
			require.NoError(t, err)
		}
		took = append(took, float64(n)/time.Since(began).Seconds())
		all += n
	}
	n, err := p.count(t.Context())
	require.NoError(t, err)
	require.Equal(t, all, n)
	return median(took)
}

// barePack writes differences in thousandths as varints.
func barePack(rs []reading.Reading) []byte {
	var b []byte
	var last [8]int64
	for i := range rs {
		row := [8]int64{int64(rs[i].Time), rs[i].Seq}
		for k, c := range six {
			v, _ := rs[i].Get(c)
			row[2+k] = int64(math.Round(v * 1000))
		}
		for k, v := range row {
			b = binary.AppendVarint(b, v-last[k])
		}
		last = row
	}
	return b
}

// simulated is a box's readings.
func simulated(seed uint64, from unit.Instant, n int, step time.Duration) []reading.Reading {
	box := boxsim.New(boxsim.NewWeather(boxsim.Quayside(), seed), boxsim.Box{
		TauH: 40, HasBoard: true, HasOutside: true, HasLine: true, StandbyMA: 12, Noise: 1,
	}, nil, seed, from)
	rs := make([]reading.Reading, n)
	for i := range rs {
		rs[i] = box.Next(from.Add(time.Duration(i) * step))
		rs[i].Run, rs[i].Seq = fmt.Sprintf("%016x", seed+1), int64(i+1)
	}
	return rs
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

// folds measures the fold of a history, with all findings: in process, on a real
// store. Its floor is reading what it folds, which it must.
func folds(t *testing.T, sc scale, sum *figures) {
	const step = 10 * time.Minute
	n := sc.foldDays * int(day/step)
	for _, engine := range []string{"sqlite", "postgres"} {
		where := filepath.Join(t.TempDir(), "fold.db")
		if engine == "postgres" {
			where = database(t)
		}
		st, err := store.Open(t.Context(), where)
		require.NoError(t, err)
		enrol(t, st, sc.foldStations, map[string]string{fact.Mounting: "surface", fact.Build: "coated"})
		end := unit.At(time.Now())
		from := end.Add(-time.Duration(n) * step)
		for i := range sc.foldStations {
			for part := range slices.Chunk(simulated(uint64(i), from, n, step), 60) {
				_, err := st.Commit(t.Context(), []record.Arrival{{Station: stationName(i), At: end, Batch: reading.Batch{Readings: part}}})
				require.NoError(t, err)
			}
		}
		began := time.Now()
		for i := range sc.foldStations {
			rs, err := st.Readings(t.Context(), stationName(i), from, end)
			require.NoError(t, err)
			require.Len(t, rs, n)
		}
		floor := time.Since(began)
		f := fold.New(fold.Config{Store: st, Now: time.Now, Log: quiet(), Sent: func() {}})
		began = time.Now()
		require.NoError(t, f.All(t.Context()))
		took := time.Since(began)
		hours, err := st.Hours(t.Context(), stationName(0), from, end)
		require.NoError(t, err)
		require.InDelta(t, n/6, len(hours), 2)
		require.NoError(t, st.Close())
		all := float64(n * sc.foldStations)
		fmt.Printf("speed(fold): engine=%s readings_s=%.0f read_only_s=%.0f x_read=%.3f\n", engine, all/took.Seconds(), all/floor.Seconds(), floor.Seconds()/took.Seconds())
		sum.set("fold_"+engine, "%.0f", all/took.Seconds())
	}
}

// plain measures what a collector takes of memory with its embedded broker and a
// connection for each station, which sends a reading a minute; and what it took at
// most, after all of them have sent an hour's at once.
func plain(t *testing.T, sc scale, sum *figures) {
	s := newShop(t, "")
	st := s.open()
	enrol(t, st, sc.plainStations, nil)
	require.NoError(t, st.Close())
	p := s.serve()
	empty := p.status(t, "VmRSS")
	f := newFleet(sc.plainStations)
	f.dial(t, s.stations)
	defer f.close()
	idle := p.status(t, "VmRSS")
	const rounds = 2
	at := unit.At(time.Now()).Add(-time.Duration(sc.plainRounds+rounds) * time.Minute)
	fill := func(n int, seq int64) {
		for _, x := range f.senders {
			x.fill(t, n, 1, seq, at.Add(time.Duration(seq)*time.Minute))
		}
	}
	fill(rounds, 0)
	f.pace(t, sc.plainFor)
	s.folded()
	rss, heap, stacks := p.status(t, "VmRSS"), s.metric("go_memstats_heap_inuse_bytes")/(1<<20), s.metric("go_memstats_stack_inuse_bytes")/(1<<20)
	fill(sc.plainRounds, rounds)
	f.flood(t, 1)
	s.folded()
	most := p.status(t, "VmHWM")
	require.Equal(t, float64(sc.plainStations*(sc.plainRounds+rounds)), s.metric("dewpost_readings_stored_total"))
	f.close()
	p.end(t)
	fmt.Printf("speed(embedded): stations=%d before_mb=%.0f connected_mb=%.0f in_traffic_mb=%.0f kb_a_station=%.1f heap_mb=%.0f stacks_mb=%.0f most_mb=%.0f\n",
		sc.plainStations, empty, idle, rss, (idle-empty)*1024/float64(sc.plainStations), heap, stacks, most)
	sum.set("embedded_mb", "%.0f", rss)
	if sc.plainStations >= 2000 {
		sum.goal("embedded_mb", rss <= 150)
	}
}

// fleets measures memory and processor time of a collector at Mosquitto, each
// station sending one reading a minute. What stations do each hour and each day
// is spread: each has a clock of its own, up to a day behind.
func fleets(t *testing.T, sc scale, sum *figures) {
	s := newShop(t, "")
	st := s.open()
	enrol(t, st, sc.fleet, map[string]string{fact.AllowedSilence: "72h"})
	behind := func(i int) time.Duration { return day * time.Duration(i) / time.Duration(sc.fleet) }
	now := unit.At(time.Now())
	const step = 30 * time.Minute
	before := int(sc.fleetBefore / step)
	firsts := make([]unit.Instant, sc.fleet) // of what each sends
	for i := 0; i < sc.fleet; {
		var as []record.Arrival
		for ; i < sc.fleet && len(as) < 100; i++ {
			firsts[i] = now.Add(-behind(i))
			var rs []reading.Reading
			for k := range before {
				rs = append(rs, sixChannels(i, int64(k+1), firsts[i].Add(-time.Duration(before-k)*step)))
			}
			as = append(as, record.Arrival{Station: stationName(i), At: now, Batch: reading.Batch{Readings: rs}})
		}
		_, err := st.Commit(t.Context(), as)
		require.NoError(t, err)
	}
	began := time.Now()
	require.NoError(t, fold.New(fold.Config{Store: st, Now: time.Now, Log: quiet(), Sent: func() {}}).All(t.Context()))
	fmt.Printf("speed(fleet): stations=%d before=%d first_fold_ms=%.2f\n", sc.fleet, before, time.Since(began).Seconds()*1000/float64(sc.fleet))
	require.NoError(t, st.Close())
	s.startMosquitto()
	p := s.serve()
	f := newFleet(sc.fleet)
	f.dialShared(t, s.broker)
	defer f.close()
	// Once before, so that what is kept in memory is there.
	send := func(over time.Duration, n int, seq int64) []time.Duration {
		for i, x := range f.senders[:min(n, sc.fleet)] {
			x.fill(t, (n+sc.fleet-1-i)/sc.fleet, 1, int64(before)+seq, firsts[i].Add(time.Duration(seq)*time.Minute))
		}
		return f.pace(t, over)
	}
	send(sc.fleetFor/4, sc.fleet, 0)
	s.folded()
	n := int(float64(sc.fleet) * sc.fleetFor.Minutes())
	for _, x := range f.senders {
		x.batches = nil
	}
	at, used := time.Now(), p.cpu(t)
	waits := send(sc.fleetFor, n, 1)
	s.folded()
	took, cpu := time.Since(at), p.cpu(t)-used
	rss, most := p.status(t, "VmRSS"), p.status(t, "VmHWM")
	require.Equal(t, float64(sc.fleet*(before+1)+n), s.metric("dewpost_readings_stored_total"))
	heap := s.metric("go_memstats_heap_inuse_bytes") / (1 << 20)
	share := cpu.Seconds() / took.Seconds() / 2
	fmt.Printf("speed(fleet): stations=%d minutes=%.2f readings=%d cpu_of_two=%.3f cpu_ms_a_reading=%.3f rss_mb=%.0f most_mb=%.0f heap_mb=%.0f mosquitto_mb=%.0f receipt_p50_ms=%.0f receipt_p99_ms=%.0f\n",
		sc.fleet, sc.fleetFor.Minutes(), n, share, cpu.Seconds()*1000/float64(n), rss, most, heap, s.mosquitto.status(t, "VmRSS"), quantile(waits, 0.5), quantile(waits, 0.99))
	p.end(t)
	sum.set("fleet", "%d", sc.fleet)
	sum.set("fleet_mb", "%.0f", rss)
	sum.set("cpu_of_two", "%.3f", share)
	if sc.fleet >= 10_000 { // of fewer most is what doesn't depend on their number
		sum.goal("fleet_mb", rss <= 80)
		sum.goal("cpu", share <= 0.2)
	}
}

// notices measures the time from the publication of a reading that concludes a
// finding until the receiver of a person's channel has it. Current is gone for
// three hours; the reading is the first of the next hour.
func notices(t *testing.T, sc scale, sum *figures) {
	for _, engine := range []string{"sqlite", "postgres"} {
		where := ""
		if engine == "postgres" {
			where = database(t)
		}
		waits := notified(t, sc.alarms, where)
		p50, p99 := quantile(waits, 0.5), quantile(waits, 0.99)
		fmt.Printf("speed(notice): engine=%s messages=%d p50_ms=%.0f p99_ms=%.0f most_ms=%.0f\n", engine, len(waits), p50, p99, quantile(waits, 1))
		sum.set("notice_"+engine+"_p50_ms", "%.0f", p50)
		sum.set("notice_"+engine+"_p99_ms", "%.0f", p99)
		sum.goal("notice_"+engine, p99 <= 1000)
	}
}

func notified(t *testing.T, n int, where string) (waits []time.Duration) {
	const step, history = 10 * time.Minute, 8 * day
	s := newShop(t, where)
	st := s.open()
	enrol(t, st, n, nil)
	hour := unit.At(time.Now()).Floor(time.Hour)
	from := hour.Add(-history)
	for i := range n {
		rs := simulated(uint64(i), from, int(history/step), step)
		for j := range rs {
			rs[j].Run = runName(i)
			if rs[j].Time >= hour.Add(-4*time.Hour+step) {
				rs[j].Set(reading.LineCurrent, 0)
			}
		}
		for part := range slices.Chunk(rs, 60) {
			_, err := st.Commit(t.Context(), []record.Arrival{{Station: stationName(i), At: hour, Batch: reading.Batch{Readings: part}}})
			require.NoError(t, err)
		}
	}
	heard := make(chan time.Time, 10*n)
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		if strings.Contains(string(body), "no_current") {
			heard <- time.Now()
		}
	}))
	defer hook.Close()
	person := books.NewPerson("Ida", "Etc/UTC")
	person.Letter, person.RestFrom, person.RestTo = "", "", ""
	person.Channels = []record.Channel{{Kind: record.Webhook, Address: hook.URL}}
	_, err := books.NewPeople(st).Put(t.Context(), person, hour, "speed")
	require.NoError(t, err)
	require.NoError(t, st.Close())
	s.serve()
	s.folded()
	f := newFleet(n)
	f.dial(t, s.stations)
	defer f.close()
	for i, x := range f.senders {
		r := sixChannels(i, history.Nanoseconds()/step.Nanoseconds()+1, unit.At(time.Now()))
		r.Set(reading.LineCurrent, 0)
		payload, err := reading.AppendLine(nil, x.name, &r, 0)
		require.NoError(t, err)
		at := time.Now()
		require.NoError(t, f.links[i].client.publish(x.topic, payload, false))
		select {
		case got := <-heard:
			waits = append(waits, got.Sub(at))
			require.Positive(t, got.Sub(at), "told before the reading came")
		case <-time.After(patience):
			require.Fail(t, "nobody was told", "%s: %s", x.name, s.get("/api/v1/stations/"+x.name+"/findings"))
		}
	}
	s.collector.end(t)
	return waits
}

// late measures how long it takes until the backlog of many stations has its
// receipts, and is folded, and how long live readings wait meanwhile.
func late(t *testing.T, sc scale, sum *figures) {
	s := newShop(t, "")
	st := s.open()
	const live = 5
	enrol(t, st, sc.lateStations+live, nil)
	require.NoError(t, st.Close())
	s.serve()
	f := newFleet(sc.lateStations + live)
	now := unit.At(time.Now())
	each := sc.lateDays * 1440
	const per = 288 // readings in a batch; 64 KiB hold some more
	f.dial(t, s.stations)
	defer f.close()
	for _, x := range f.senders[:sc.lateStations] {
		x.fill(t, each/per, per, 0, now.Add(-time.Duration(each)*time.Minute))
	}
	backlog := &fleet{senders: f.senders[:sc.lateStations], links: f.links[:sc.lateStations]}
	lively := &fleet{senders: f.senders[sc.lateStations:], links: f.links[sc.lateStations:]}
	done, ended := make(chan struct{}), make(chan struct{})
	var waits []time.Duration
	go func() {
		defer close(ended)
		for seq := int64(0); ; seq++ {
			for _, x := range lively.senders {
				x.fill(t, 1, 1, seq, unit.At(time.Now()))
			}
			waits = append(waits, lively.pace(t, 500*time.Millisecond)...)
			select {
			case <-done:
				return
			default:
			}
		}
	}()
	began := time.Now()
	took := backlog.flood(t, 8)
	s.until("the backlog is folded", func() bool { return s.metric("dewpost_stations_to_fold") <= live })
	folded := time.Since(began)
	close(done)
	<-ended
	s.folded()
	n := float64(each * sc.lateStations)
	require.Equal(t, n+float64(len(waits)), s.metric("dewpost_readings_stored_total"))
	s.collector.end(t)
	fmt.Printf("speed(late): stations=%d days=%d receipts_s=%.1f readings_s=%.0f folded_s=%.1f live=%d live_p50_ms=%.0f live_p99_ms=%.0f\n",
		sc.lateStations, sc.lateDays, took.Seconds(), n/took.Seconds(), folded.Seconds(), len(waits), quantile(waits, 0.5), quantile(waits, 0.99))
	sum.set("late_s", "%.1f", took.Seconds())
	sum.set("late_folded_s", "%.1f", folded.Seconds())
	sum.set("late_readings_s", "%.0f", n/took.Seconds())
}

// atRest measures the bytes that a reading of six channels takes on disk, all
// tables and indices included: in batches as they come, and when its day is
// packed.
func atRest(t *testing.T, sc scale, sum *figures) {
	path := filepath.Join(t.TempDir(), "rest.db")
	st, err := store.Open(t.Context(), path)
	require.NoError(t, err)
	enrol(t, st, 1, nil)
	begin := unit.At(time.Now()).Floor(day).Add(-time.Duration(sc.bytesDays) * day)
	n := sc.bytesDays * 1440
	size := func() int64 {
		require.NoError(t, st.Close())
		info, err := os.Stat(path)
		require.NoError(t, err)
		st, err = store.Open(context.Background(), path)
		require.NoError(t, err)
		return info.Size()
	}
	empty := size()
	rs := simulated(7, begin, n, time.Minute)
	for part := range slices.Chunk(rs, 60) {
		_, err := st.Commit(t.Context(), []record.Arrival{{Station: stationName(0), At: begin, Batch: reading.Batch{Readings: part}}})
		require.NoError(t, err)
	}
	batches := size()
	done, _, err := st.PackDays(t.Context(), begin.Add(time.Duration(sc.bytesDays)*day), "", 1)
	require.NoError(t, err)
	require.Equal(t, int64(n), done.Readings)
	got, err := st.Readings(t.Context(), stationName(0), begin, begin.Add(time.Duration(n)*time.Minute))
	require.NoError(t, err)
	require.Equal(t, rs, got)
	require.NoError(t, st.Close())
	packed := float64(done.After) / float64(n)
	fmt.Printf("speed(bytes): readings=%d batches_on_disk=%.2f packed=%.2f\n", n, float64(batches-empty)/float64(n), packed)
	sum.set("bytes", "%.2f", packed)
	sum.goal("bytes", packed <= 8)
}
