package collector_test

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// wire is as much of MQTT 3.1.1 as an agent needs, so that hundreds of agents
// cost the processors little beside the collector.
type wire struct {
	conn    net.Conn
	in      *bufio.Reader
	id      uint16
	station string
	secret  receipt.Secret
}

func text(s string) []byte { return append(binary.BigEndian.AppendUint16(nil, uint16(len(s))), s...) }

func packet(head byte, parts ...[]byte) []byte {
	n := 0
	for _, p := range parts {
		n += len(p)
	}
	b := binary.AppendUvarint([]byte{head}, uint64(n)) // MQTT's lengths are uvarints
	for _, p := range parts {
		b = append(b, p...)
	}
	return b
}

func dial(addr, station string, secret receipt.Secret) (*wire, error) {
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		return nil, err
	}
	w := &wire{conn: conn, in: bufio.NewReader(conn), station: station, secret: secret}
	hello := packet(0x10, text("MQTT"), []byte{4, 0xc2, 0, 0}, text(station), text(station), text(secret.Password()))
	hello = append(hello, packet(0x82, []byte{0, 1}, text(receipt.Topic(station, receipt.LeafReceipt)), []byte{1})...)
	_, err = conn.Write(hello)
	return w, err
}

func (w *wire) publish(leaf string, payload []byte) error {
	w.id = max(w.id+1, 2)
	_, err := w.conn.Write(packet(0x32, text(receipt.Topic(w.station, leaf)), binary.BigEndian.AppendUint16(nil, w.id), payload))
	return err
}

// receipt waits for the next one.
func (w *wire) receipt() (receipt.Receipt, error) {
	for {
		head, err := w.in.ReadByte()
		if err != nil {
			return receipt.Receipt{}, err
		}
		n, err := binary.ReadUvarint(w.in)
		if err != nil {
			return receipt.Receipt{}, err
		}
		body := make([]byte, n)
		if _, err := io.ReadFull(w.in, body); err != nil {
			return receipt.Receipt{}, err
		}
		if head>>4 == 3 {
			return w.secret.Verify(w.station, body[2+binary.BigEndian.Uint16(body):])
		}
	}
}

func backlogRun(i int) string { return fmt.Sprintf("%016x", i+1) }

func lines(tb testing.TB, station, run string, seq int64, at func(int64) unit.Instant, last int64) (payload []byte, next int64) {
	for ; seq <= last; seq++ {
		r := reading.Reading{Time: at(seq), Run: run, Seq: seq}
		k := float64(seq % 50)
		r.Set(reading.InsideTemp, (1142+k)/100)
		r.Set(reading.InsideRH, (8831+3*k)/100)
		r.Set(reading.BoardTemp, (1097+k)/100)
		r.Set(reading.OutsideTemp, (980-k)/100)
		r.Set(reading.OutsideRH, (9310-2*k)/100)
		r.Set(reading.LineCurrent, (11873+5*k)/1000)
		longer, err := reading.AppendLine(payload, station, &r, 0)
		if err != nil {
			tb.Error(err)
			return nil, last + 1
		}
		if len(longer) > receipt.MaxBatch {
			break
		}
		payload = longer
	}
	return payload, seq
}

const (
	backlogStations = 500
	backlogReadings = 7 * 1440
	liveStations    = 20
	backlogWindow   = 8 // batches on their way, as an agent's
)

// BenchmarkBacklog measures how long a live reading waits for its receipt, and
// for the ledger, while 500 stations send a week each as fast as they get
// receipts: real broker, real store, all on this machine. Run it with
// -benchtime 1x.
func BenchmarkBacklog(b *testing.B) {
	for b.Loop() {
		backlog(b)
	}
}

func backlog(b *testing.B) {
	dir := b.TempDir()
	cfg := collector.DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = filepath.Join(dir, "dewpost.db")
	col, err := collector.Open(b.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
	require.NoError(b, err)
	defer func() { require.NoError(b, col.Close()) }()
	st := col.Store()
	secrets := make(map[string]receipt.Secret)
	name := func(i int) string { return fmt.Sprintf("st-%04d", i) }
	for i := range backlogStations + liveStations {
		secret, err := receipt.NewSecret(fmt.Appendf(nil, "%032d", i))
		require.NoError(b, err)
		secrets[name(i)] = secret
		require.NoError(b, st.AddStation(b.Context(), record.Station{ID: name(i), Secret: secret, Enrolled: 1}, "test"))
	}

	var senders, live sync.WaitGroup
	done := make(chan struct{})
	var delays, folds delayList
	for i := range liveStations {
		live.Go(func() {
			id := name(backlogStations + i)
			if err := sendLive(b, col.StationsAddr(), id, backlogRun(backlogStations+i), secrets[id], done, &delays, st, &folds); err != nil {
				b.Error(id, err)
			}
		})
	}
	began := time.Now()
	var sent atomic.Int64
	for i := range backlogStations {
		senders.Go(func() {
			n, err := sendBacklog(b, col.StationsAddr(), name(i), backlogRun(i), secrets[name(i)], unit.At(began))
			if err != nil {
				b.Error(name(i), err)
			}
			sent.Add(n)
		})
	}
	senders.Wait()
	took := time.Since(began)
	// The folds of the backlog go on; live ones are measured until all is folded.
	for {
		marks, err := st.Marks(b.Context(), 100)
		require.NoError(b, err)
		if len(marks) <= liveStations {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	folded := time.Since(began)
	close(done)
	live.Wait()
	delays.report(b, "receipt")
	folds.report(b, "fold")
	b.ReportMetric(float64(sent.Load())/took.Seconds(), "readings/s")
	b.ReportMetric(took.Seconds(), "s_to_receipt_all")
	b.ReportMetric(folded.Seconds(), "s_to_fold_all")
	b.ReportMetric(0, "ns/op")
}

func sendBacklog(b *testing.B, addr, station, run string, secret receipt.Secret, now unit.Instant) (sent int64, err error) {
	w, err := dial(addr, station, secret)
	if err != nil {
		return 0, err
	}
	defer func() { _ = w.conn.Close() }()
	at := func(seq int64) unit.Instant { return now.Add(time.Duration(seq-backlogReadings) * time.Minute) }
	var flights []int64 // last seqs of batches on their way
	next, upto := int64(1), int64(0)
	for upto < backlogReadings {
		for len(flights) < backlogWindow && next <= backlogReadings {
			var payload []byte
			payload, next = lines(b, station, run, next, at, backlogReadings)
			if err := w.publish(receipt.LeafReadings, payload); err != nil {
				return upto, err
			}
			flights = append(flights, next-1)
		}
		r, err := w.receipt()
		if err != nil {
			return upto, err
		}
		upto = max(upto, r.Upto)
		flights = slices.DeleteFunc(flights, func(last int64) bool { return last <= upto })
	}
	return upto, nil
}

// sendLive sends a reading each second and waits for its receipt, and beside
// for the ledger hour that holds it.
func sendLive(b *testing.B, addr, station, run string, secret receipt.Secret, done <-chan struct{}, delays *delayList, st *store.Store, folds *delayList) error {
	w, err := dial(addr, station, secret)
	if err != nil {
		return err
	}
	defer func() { _ = w.conn.Close() }()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var pending sync.WaitGroup
	defer pending.Wait()
	var folding atomic.Bool
	for seq := int64(1); ; seq++ {
		select {
		case <-done:
			return nil
		case <-tick.C:
		}
		sent := time.Now()
		payload, _ := lines(b, station, run, seq, func(int64) unit.Instant { return unit.At(sent) }, seq)
		if err := w.publish(receipt.LeafReadings, payload); err != nil {
			return err
		}
		for upto := int64(0); upto < seq; {
			r, err := w.receipt()
			if err != nil {
				return err
			}
			upto = r.Upto
		}
		delays.add(time.Since(sent))
		if folding.CompareAndSwap(false, true) {
			pending.Go(func() {
				defer folding.Store(false)
				for {
					hours, err := st.Hours(b.Context(), station, unit.At(sent).Floor(time.Hour), unit.At(sent).Add(time.Hour))
					if err != nil {
						b.Error(err)
						return
					}
					// Of a single reading there is no segment yet: its hour is there.
					if n := len(hours); n > 0 && (seq == 1 || hours[n-1].Until >= unit.At(sent)) {
						folds.add(time.Since(sent))
						return
					}
					time.Sleep(20 * time.Millisecond)
				}
			})
		}
	}
}

type delayList struct {
	mu  sync.Mutex
	all []time.Duration
}

func (l *delayList) add(d time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all = append(l.all, d)
}

func (l *delayList) report(b *testing.B, what string) {
	slices.Sort(l.all)
	if len(l.all) == 0 {
		b.Error("no live reading came through:", what)
		return
	}
	at := func(p int) float64 { return l.all[(len(l.all)-1)*p/100].Seconds() * 1000 }
	b.ReportMetric(at(50), what+"_p50_ms")
	b.ReportMetric(at(99), what+"_p99_ms")
	b.ReportMetric(at(100), what+"_max_ms")
	b.ReportMetric(float64(len(l.all)), what+"_n")
}
