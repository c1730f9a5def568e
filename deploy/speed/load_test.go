package speed

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// patience is how long anything may take that others wait for.
var patience = map[bool]time.Duration{false: 2 * time.Minute, true: 20 * time.Minute}[os.Getenv("PROOF_SCALE") == "full"]

// client is as much of MQTT 3.1.1 as a station needs, so that what sends costs
// the processors little beside what is measured. It publishes with QoS 1 and
// cares for receipts only.
type client struct {
	conn net.Conn
	in   *bufio.Reader

	mu  sync.Mutex // of what is written
	out *bufio.Writer
	id  uint16
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

// connect logs in and subscribes to receipts by filter.
func connect(addr, user, password, filter string) (*client, error) {
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		return nil, err
	}
	c := &client{conn: conn, in: bufio.NewReader(conn), out: bufio.NewWriter(conn)}
	hello := packet(0x10, text("MQTT"), []byte{4, 0xc2, 0, 0}, text(user), text(user), text(password))
	hello = append(hello, packet(0x82, []byte{0, 1}, text(filter), []byte{1})...)
	if _, err = conn.Write(hello); err == nil {
		err = c.granted()
	}
	if err != nil {
		_ = conn.Close()
		return nil, fmt.Errorf("log in as %s: %w", user, err)
	}
	return c, nil
}

// granted waits for the answers to CONNECT and SUBSCRIBE.
func (c *client) granted() error {
	_ = c.conn.SetReadDeadline(time.Now().Add(patience))
	for _, want := range []byte{2, 9} {
		kind, body, err := c.packet()
		if err != nil {
			return err
		}
		if kind>>4 != want || body[len(body)-1] >= 0x80 || want == 2 && body[1] != 0 {
			return fmt.Errorf("refused: packet %x %x", kind, body)
		}
	}
	return nil
}

func (c *client) packet() (head byte, body []byte, err error) {
	if head, err = c.in.ReadByte(); err != nil {
		return 0, nil, err
	}
	n, err := binary.ReadUvarint(c.in)
	if err != nil {
		return 0, nil, err
	}
	body = make([]byte, n)
	_, err = io.ReadFull(c.in, body)
	return head, body, err
}

// publish sends a batch; what is buffered goes out when more is true no longer.
func (c *client) publish(topic string, payload []byte, more bool) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.id = max(c.id+1, 2)
	if _, err := c.out.Write(packet(0x32, text(topic), binary.BigEndian.AppendUint16(nil, c.id), payload)); err != nil {
		return err
	}
	if more {
		return nil
	}
	return c.out.Flush()
}

// receipt waits for the next one: whose it is, and its text.
func (c *client) receipt() (station string, payload []byte, err error) {
	for {
		head, body, err := c.packet()
		if err != nil {
			return "", nil, err
		}
		if head>>4 != 3 {
			continue
		}
		n := int(binary.BigEndian.Uint16(body))
		topic, rest := string(body[2:2+n]), body[2+n:]
		if qos := head >> 1 & 3; qos > 0 {
			c.mu.Lock()
			_, err = c.out.Write(packet(0x40, rest[:2]))
			if err == nil && c.in.Buffered() == 0 {
				err = c.out.Flush()
			}
			c.mu.Unlock()
			if err != nil {
				return "", nil, err
			}
			rest = rest[2:]
		}
		return strings.Split(topic, "/")[2], rest, nil
	}
}

func stationName(i int) string { return fmt.Sprintf("st-%06d", i) }

func secretOf(station string) receipt.Secret {
	s, err := receipt.NewSecret([]byte("the secret of station " + station))
	if err != nil {
		panic(err) // it is long enough
	}
	return s
}

func runName(i int) string { return fmt.Sprintf("%016x", i+1) }

// sixChannels is a reading as a station with six sensors makes it.
func sixChannels(station int, seq int64, at unit.Instant) reading.Reading {
	r := reading.Reading{Time: at, Run: runName(station), Seq: seq}
	k := float64((seq*7 + int64(station)*13) % 50)
	r.Set(reading.InsideTemp, (1142+k)/100)
	r.Set(reading.InsideRH, (6831+3*k)/100)
	r.Set(reading.BoardTemp, (1097+k)/100)
	r.Set(reading.OutsideTemp, (980-k)/100)
	r.Set(reading.OutsideRH, (9310-2*k)/100)
	r.Set(reading.LineCurrent, (11873+5*k)/1000)
	return r
}

// sender is a station as the load sees it.
type sender struct {
	n       int
	name    string
	topic   string
	secret  receipt.Secret
	batches [][]byte
	ends    []int64 // last seq of each
	sent    int     // batches

	mu      sync.Mutex
	upto    int64
	flights []flight // without a receipt
}

type flight struct {
	last int64
	at   time.Time
}

// fill prepares so many batches of so many readings, a minute apart.
func (s *sender) fill(tb testing.TB, batches, per int, seq int64, at unit.Instant) {
	s.batches, s.ends, s.sent = nil, nil, 0
	for range batches {
		var payload []byte
		for range per {
			seq++
			r := sixChannels(s.n, seq, at)
			var err error
			payload, err = reading.AppendLine(payload, s.name, &r, 0)
			require.NoError(tb, err)
			at = at.Add(time.Minute)
		}
		s.batches, s.ends = append(s.batches, payload), append(s.ends, seq)
	}
}

// link is one connection with the stations that send over it.
type link struct {
	client  *client
	senders []*sender
	by      map[string]*sender
	room    chan struct{} // holds one for each batch without a receipt
	all     chan struct{} // closed when all have their receipts

	// Of who takes receipts, until all is closed:
	left  int             // batches without a receipt, those not yet sent included
	waits []time.Duration // from sending to receipt
}

// fleet are all stations.
type fleet struct {
	senders []*sender
	links   []*link
}

// newFleet makes stations; they have no connections yet.
func newFleet(stations int) *fleet {
	f := &fleet{}
	for i := range stations {
		name := stationName(i)
		f.senders = append(f.senders, &sender{n: i, name: name, topic: receipt.Topic(name, receipt.LeafReadings), secret: secretOf(name)})
	}
	return f
}

// dial connects each station.
func (f *fleet) dial(tb testing.TB, addr string) {
	f.links = make([]*link, len(f.senders))
	var all sync.WaitGroup
	gate := make(chan struct{}, 32)
	for i, s := range f.senders {
		all.Go(func() {
			gate <- struct{}{}
			defer func() { <-gate }()
			c, err := connect(addr, s.name, s.secret.Password(), receipt.Topic(s.name, receipt.LeafReceipt))
			if err != nil {
				tb.Error(err)
				return
			}
			f.links[i] = &link{client: c, senders: []*sender{s}}
		})
	}
	all.Wait()
	require.False(tb, tb.Failed())
}

// dialShared connects a few users of a broker that may write for all stations.
func (f *fleet) dialShared(tb testing.TB, addr string) {
	f.links = nil
	for i := range loadUsers {
		c, err := connect(addr, loadUser(i), loadPassword, receipt.Topic("+", receipt.LeafReceipt))
		require.NoError(tb, err)
		f.links = append(f.links, &link{client: c})
	}
	for i, s := range f.senders {
		l := f.links[i%len(f.links)]
		l.senders = append(l.senders, s)
	}
}

func (f *fleet) close() {
	for _, l := range f.links {
		if l != nil {
			_ = l.client.conn.Close()
		}
	}
}

// flood sends all that was filled as fast as receipts come, with so many batches
// of each connection on their way, and returns when all have receipts.
func (f *fleet) flood(tb testing.TB, window int) time.Duration {
	return f.floodTo(tb, window, math.MaxInt)
}

// floodTo does so up to a batch of each station.
func (f *fleet) floodTo(tb testing.TB, window, batch int) time.Duration {
	began := f.listen(tb, window, batch)
	var all sync.WaitGroup
	for _, l := range f.links {
		all.Go(func() {
			for more := true; more; {
				more = false
				for _, s := range l.senders {
					if s.sent >= min(batch, len(s.batches)) {
						continue
					}
					if err := l.send(s, true); err != nil {
						tb.Error(err)
						return
					}
					more = true
				}
			}
			if err := l.client.flush(); err != nil {
				tb.Error(err)
			}
		})
	}
	all.Wait()
	f.settle(tb)
	return time.Since(began)
}

func (c *client) flush() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.out.Flush()
}

// pace sends all that was filled, evenly over a time, and returns how long each
// batch waited for its receipt.
func (f *fleet) pace(tb testing.TB, over time.Duration) (waits []time.Duration) {
	began := f.listen(tb, 1<<20, math.MaxInt)
	total := 0
	for _, s := range f.senders {
		total += len(s.batches)
	}
	l := map[*sender]*link{}
	for _, link := range f.links {
		for _, s := range link.senders {
			l[s] = link
		}
	}
	for i := range total {
		pause := time.NewTimer(time.Until(began.Add(over * time.Duration(i) / time.Duration(total))))
		<-pause.C
		s := f.senders[i%len(f.senders)]
		require.NoError(tb, l[s].send(s, false))
	}
	f.settle(tb)
	for _, link := range f.links {
		waits = append(waits, link.waits...)
	}
	return waits
}

// listen begins to take receipts on every connection, for what is sent up to a batch
// of each station.
func (f *fleet) listen(tb testing.TB, window, batch int) time.Time {
	for _, l := range f.links {
		l.by, l.room, l.all, l.left, l.waits = map[string]*sender{}, make(chan struct{}, window), make(chan struct{}), 0, nil
		for _, s := range l.senders {
			l.by[s.name] = s
			l.left += max(0, min(batch, len(s.batches))-s.sent)
		}
		if l.left == 0 {
			close(l.all)
			continue
		}
		go func() {
			if err := l.receipts(); err != nil {
				tb.Error(err)
				close(l.all)
			}
		}()
	}
	return time.Now()
}

// settle waits until every batch has its receipt.
func (f *fleet) settle(tb testing.TB) {
	for _, l := range f.links {
		<-l.all
	}
	require.False(tb, tb.Failed())
}

func (l *link) send(s *sender, more bool) error {
	select {
	case l.room <- struct{}{}:
	default: // it is full: what is buffered must go out
		if err := l.client.flush(); err != nil {
			return err
		}
		l.room <- struct{}{}
	}
	s.mu.Lock()
	s.flights = append(s.flights, flight{s.ends[s.sent], time.Now()})
	s.mu.Unlock()
	s.sent++
	return l.client.publish(s.topic, s.batches[s.sent-1], more)
}

// receipts takes receipts until all that is sent has them.
func (l *link) receipts() error {
	for {
		_ = l.client.conn.SetReadDeadline(time.Now().Add(patience))
		station, payload, err := l.client.receipt()
		if err != nil {
			return err
		}
		s := l.by[station]
		if s == nil {
			continue // over another connection
		}
		upto, err := s.read(payload)
		if err != nil {
			return err
		}
		if l.settled(s, upto) {
			return nil
		}
	}
}

// read reads a receipt. Of those on the way to the last batch the code is not
// checked: it would cost as much as all else here, and a receipt that is wrong shows
// at the end.
func (s *sender) read(payload []byte) (upto int64, err error) {
	var r receipt.Receipt
	if err := json.Unmarshal(payload, &r); err != nil {
		return 0, err
	}
	if r.Upto >= s.ends[len(s.ends)-1] {
		r, err = s.secret.Verify(s.name, payload)
	}
	return r.Upto, err
}

func (l *link) settled(s *sender, upto int64) (all bool) {
	now := time.Now()
	s.mu.Lock()
	s.upto = max(s.upto, upto)
	n := 0
	for n < len(s.flights) && s.flights[n].last <= s.upto {
		l.waits = append(l.waits, now.Sub(s.flights[n].at))
		n++
	}
	s.flights = s.flights[n:]
	s.mu.Unlock()
	for range n {
		<-l.room
	}
	l.left -= n
	if all = l.left == 0; all {
		close(l.all) // from here on the link may listen anew
	}
	return all
}
