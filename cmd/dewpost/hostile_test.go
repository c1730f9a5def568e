package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/web"
	"dewpost/rules/receipt"
)

// Hostile: an enrolled station, strangers and people of every role try what
// they may not. An attempt is judged by its effect, never by an
// acknowledgement: brokers acknowledge what they refuse. Each kind of attempt
// has a control: who may do the same does it, and succeeds. Meanwhile an agent
// of another station delivers its log, and all of it must arrive.
func TestHostile(t *testing.T) {
	mutants, qos := 50, []byte{1}
	switch os.Getenv("PROOF_SCALE") {
	case "quick":
		mutants, qos = 500, []byte{0, 1}
	case "full":
		mutants, qos = 50_000, []byte{0, 1, 2}
	}
	if n := os.Getenv("PROOF_N"); n != "" {
		var err error
		mutants, err = strconv.Atoi(n)
		require.NoError(t, err)
	}
	seed, err := strconv.ParseUint(cmpOr(os.Getenv("PROOF_SEED"), "1"), 10, 64)
	require.NoError(t, err)
	t.Logf("seed %d", seed)
	w := custodyLogs(t, 3000, custodyBegin)
	var sum tally
	var score score
	t.Run("brokers", func(t *testing.T) {
		for _, name := range []string{"embedded", "mosquitto"} {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				h := &hostile{custody: w.custody(t, &sum, seed, name == "mosquitto"), score: &score, qos: qos, rnd: rand.New(rand.NewPCG(seed, 11))}
				h.begin()
				h.station()
				h.strangers(mutants)
				h.values()
				h.people()
				h.end()
			})
		}
	})
	if t.Failed() {
		return
	}
	fmt.Printf("hostile: attempts=%d accepted=%d victim_lost=%d routes=%d controls=%d controls_ok=%d\n",
		score.attempts, score.accepted, sum.lost.Load()+sum.doubled.Load(), len(web.Routes()), score.controls, score.controlsOK)
}

type score struct {
	mu                                       sync.Mutex
	attempts, accepted, controls, controlsOK int
}

// hostile is one installation under attack. lake-01's agent delivers all the
// while; lake-02 is hostile; lake-03 is idle, so that whatever changes at it
// was done by another.
type hostile struct {
	*custody
	score *score
	rnd   *rand.Rand
	qos   []byte
	agent *exec.Cmd
	idle  mqtt.Client
	heard atomic.Int64 // messages that the idle station got
	lost  atomic.Int64 // connections that it lost
	seq   int64        // of the idle station
	own   int64        // of the hostile one
	codes []string     // secrets that may stand in no log
}

const (
	victim  = "lake-01"
	enemy   = "lake-02"
	idle    = "lake-03"
	hostRun = "0000000000000bad"
	idleRun = "00000000000001d1"
)

func (h *hostile) attempt(accepted bool, what string, args ...any) {
	h.t.Helper()
	h.score.mu.Lock()
	defer h.score.mu.Unlock()
	h.score.attempts++
	if accepted {
		h.score.accepted++
		h.t.Errorf("accepted: "+what, args...)
	}
}

func (h *hostile) control(ok bool, what string, args ...any) {
	h.t.Helper()
	h.score.mu.Lock()
	defer h.score.mu.Unlock()
	h.score.controls++
	if ok {
		h.score.controlsOK++
	} else {
		h.t.Errorf("who may is refused: "+what, args...)
	}
}

func (h *hostile) begin() {
	h.collector = h.serve(h.t)
	h.agent = h.startAgent(&h.series[0], false)
	h.idle = h.connect(idle, func(o *mqtt.ClientOptions) {
		o.SetClientID("idle").SetConnectionLostHandler(func(mqtt.Client, error) { h.lost.Add(1) })
	})
	h.require(h.idle.Subscribe(receipt.Topic(idle, receipt.LeafReceipt), 1, func(mqtt.Client, mqtt.Message) { h.heard.Add(1) }))
	h.require(h.idle.Subscribe(receipt.Topic(idle, receipt.LeafOrder), 1, func(mqtt.Client, mqtt.Message) { h.heard.Add(1) }))
	for _, x := range h.series {
		h.codes = append(h.codes, h.secret(h.t, x.station).Hex(), h.secret(h.t, x.station).Password())
	}
}

func (h *hostile) require(token mqtt.Token) {
	require.True(h.t, token.WaitTimeout(10*time.Second))
	require.NoError(h.t, token.Error())
}

func (h *hostile) brokerAddr() string {
	if h.broker != "" {
		return h.broker
	}
	return h.shop.stations
}

func (h *hostile) options(station string) *mqtt.ClientOptions {
	return mqtt.NewClientOptions().AddBroker("tcp://" + h.brokerAddr()).SetUsername(station).
		SetPassword(h.secret(h.t, station).Password()).SetClientID(fmt.Sprintf("c%d", h.rnd.Uint64())).
		SetProtocolVersion(4).SetAutoReconnect(false).SetConnectRetry(false)
}

func (h *hostile) connect(station string, set func(*mqtt.ClientOptions)) mqtt.Client {
	o := h.options(station)
	set(o)
	c := mqtt.NewClient(o)
	h.require(c.Connect())
	h.t.Cleanup(func() { c.Disconnect(0) })
	return c
}

// line is a reading of a station.
func line(station, run string, seq int64) []byte {
	return fmt.Appendf(nil, "reading,station=%s,run=%s seq=%di,inside_temp_c=11.5,inside_rh_pct=80 %d\n", station, run, seq, time.Date(2025, 10, 1, 0, int(seq), 0, 0, time.UTC).UnixNano())
}

// state is what an agent says of itself.
func state(run string, conn int) []byte {
	return fmt.Appendf(nil, `{"run":%q,"conn":%d,"clock":{"now":%q,"set":true}}`, run, conn, time.Now().UTC().Format(time.RFC3339))
}

// look is all that can be seen of the idle station.
type look struct {
	received, stored, refused, heard, lost int64
	state                                  string
	quarantined                            int
}

func (h *hostile) look() look {
	list, err := h.store.Custody(context.Background())
	require.NoError(h.t, err)
	var l look
	for _, c := range list {
		if c.Station == idle {
			l.received, l.stored, l.refused = c.Received, c.Stored, c.Refused
			if c.State != nil {
				l.state = fmt.Sprint(c.State.Report.Run, c.State.Report.Conn, c.State.Gone)
			}
		}
	}
	q, err := h.store.Quarantine(context.Background(), record.QuarantineQuery{Station: idle, Limit: 1000})
	require.NoError(h.t, err)
	l.quarantined, l.heard, l.lost = len(q), h.heard.Load(), h.lost.Load()
	return l
}

// deliver lets a station store a reading, and so waits until the collector has
// seen what was sent before.
func (h *hostile) deliver(c mqtt.Client, station, run string, seq *int64) bool {
	before := h.committed(station)
	*seq++
	c.Publish(receipt.Topic(station, receipt.LeafReadings), 1, false, line(station, run, *seq))
	return h.soon(func() bool { return h.committed(station) > before })
}

func (h *hostile) soon(ok func() bool) bool {
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if ok() {
			return true
		}
	}
	return false
}

// barrier is a delivery of the hostile station's own on a connection of its
// own, after which what it sent before has been handled.
func (h *hostile) barrier() {
	c := h.connect(enemy, func(*mqtt.ClientOptions) {})
	defer c.Disconnect(0)
	h.control(h.deliver(c, enemy, hostRun, &h.own), "an enrolled station delivers its own reading")
}

// station is what an enrolled station tries on another.
func (h *hostile) station() {
	before := h.look()
	h.control(h.deliver(h.idle, idle, idleRun, &h.seq), "the idle station delivers a reading")
	h.control(h.soon(func() bool { return h.heard.Load() > before.heard }), "and hears its receipt")
	h.idle.Publish(receipt.Topic(idle, receipt.LeafState), 1, true, state(idleRun, 7))
	h.control(h.soon(func() bool { return h.look().state != before.state }), "and its state is kept")
	before = h.look()

	mine := h.secret(h.t, enemy)
	forged := map[string][][]byte{
		receipt.LeafReadings: {line(idle, idleRun, 1000), line(idle, hostRun, 1), line(enemy, hostRun, 9000), []byte("x")},
		receipt.LeafState:    {state(idleRun, 8), state(hostRun, 1), []byte(`{"gone":true,"run":"` + idleRun + `","conn":7}`)},
		receipt.LeafReceipt:  {mine.Receipt(idle, idleRun, 1000).JSON(), []byte(`{"run":"` + idleRun + `","upto":1000,"mac":""}`), {}},
		receipt.LeafOrder:    {[]byte(`{"id":"1","expiry":"2030-01-01T00:00:00Z","body":"identify","mac":"00"}`), {}},
	}
	for leaf, payloads := range forged {
		for _, p := range payloads {
			for _, retained := range []bool{false, true} {
				for _, qos := range h.qos {
					c := h.connect(enemy, func(*mqtt.ClientOptions) {})
					c.Publish(receipt.Topic(idle, leaf), qos, retained, p).WaitTimeout(30 * time.Millisecond)
					c.Disconnect(1)
					h.attempt(h.look() != before, "publish to another's %s, QoS %d, retained %v: %q", leaf, qos, retained, p)
				}
			}
		}
	}
	h.barrier()
	h.attempt(h.look() != before, "publications to another's topics")

	// Under its own topic, in another's name.
	c := h.connect(enemy, func(*mqtt.ClientOptions) {})
	for _, p := range [][]byte{line(idle, idleRun, 2000), line(idle, hostRun, 1), append(line(enemy, hostRun, 8000), line(idle, idleRun, 2001)...)} {
		c.Publish(receipt.Topic(enemy, receipt.LeafReadings), 1, false, p).WaitTimeout(5 * time.Second)
	}
	h.barrier()
	h.attempt(h.look() != before, "another's lines under its own topic")
	// Its own numbers at the edges harm nobody else.
	for _, p := range []string{"seq=9223372036854775807i", "seq=9223372036854775806i,oldest=9223372036854775807i", "seq=-1i", "seq=0i", "seq=1i,oldest=-9223372036854775808i"} {
		c.Publish(receipt.Topic(enemy, receipt.LeafReadings), 1, false, fmt.Appendf(nil, "reading,station=%s,run=0000000000000ed9 %s,inside_temp_c=1 1760000000000000000\n", enemy, p)).WaitTimeout(5 * time.Second)
	}
	c.Disconnect(50)
	h.barrier()
	h.attempt(h.look() != before, "numbers at the edges")

	// Listening.
	var overheard atomic.Int64
	for _, filter := range []string{
		"#", "+/+/+/+", "dewpost/#", "dewpost/v1/+/receipt", "dewpost/v1/+/readings", "$SYS/#", "$share/g/dewpost/v1/+/readings", "$share/g/#",
		receipt.Topic(idle, receipt.LeafReceipt), receipt.Topic(idle, receipt.LeafReadings), receipt.Topic(idle, receipt.LeafState), receipt.Topic(idle, receipt.LeafOrder),
	} {
		c := h.connect(enemy, func(*mqtt.ClientOptions) {})
		c.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
			if !strings.HasPrefix(m.Topic(), "dewpost/v1/"+enemy+"/") {
				overheard.Add(1)
			}
		}).WaitTimeout(30 * time.Millisecond)
		heard := h.heard.Load()
		h.control(h.deliver(h.idle, idle, idleRun, &h.seq), "the idle station delivers while another listens to %s", filter)
		h.control(h.soon(func() bool { return h.heard.Load() > heard }), "and hears its receipt")
		h.attempt(overheard.Load() > 0, "listening to %s", filter)
		c.Disconnect(0)
	}
	before = h.look()

	// Wills on another's topics; the connection then breaks.
	for _, leaf := range []string{receipt.LeafState, receipt.LeafReceipt, receipt.LeafReadings, receipt.LeafOrder} {
		var conn net.Conn
		o := h.options(enemy).SetBinaryWill(receipt.Topic(idle, leaf), []byte(`{"gone":true,"run":"`+idleRun+`","conn":7}`), 1, true)
		o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
			var err error
			conn, err = net.Dial("tcp", h.brokerAddr())
			return conn, err
		})
		mqtt.NewClient(o).Connect().WaitTimeout(2 * time.Second)
		if conn != nil {
			conn.Close()
		}
		h.barrier()
		h.attempt(h.look() != before, "a will on another's %s", leaf)
	}
	// Its name and its connection.
	for range 5 {
		c := h.connect(enemy, func(o *mqtt.ClientOptions) { o.SetClientID("idle") })
		c.Disconnect(0)
		c = h.connect(enemy, func(o *mqtt.ClientOptions) { o.SetClientID(idle) })
		c.Disconnect(0)
		h.attempt(h.lost.Load() != before.lost || !h.idle.IsConnectionOpen(), "another's client id")
	}
	h.control(h.deliver(h.idle, idle, idleRun, &h.seq), "the idle station's connection stands")
}

// strangers have no password, or no manners.
func (h *hostile) strangers(mutants int) {
	before := h.look()
	var logins sync.WaitGroup // wrong ones may be answered late
	for user, passwords := range map[string][]string{
		idle:             {"", "x", h.secret(h.t, enemy).Password(), h.secret(h.t, idle).Hex(), strings.ToUpper(h.secret(h.t, idle).Password())},
		"collector":      {"", h.secret(h.t, enemy).Password()},
		"":               {"", h.secret(h.t, enemy).Password()},
		"lake-03/../x":   {h.secret(h.t, idle).Password()},
		idle + "\x00":    {h.secret(h.t, idle).Password()},
		"LAKE-03":        {h.secret(h.t, idle).Password()},
		"nobody-of-ours": {"x"},
	} {
		for _, p := range passwords {
			o := h.options(enemy).SetUsername(user).SetPassword(p)
			logins.Go(func() {
				token := mqtt.NewClient(o).Connect()
				h.attempt(token.WaitTimeout(5*time.Second) && token.Error() == nil, "login as %q", user)
			})
		}
	}
	token := mqtt.NewClient(h.options("lake-04")).Connect()
	h.control(token.WaitTimeout(5*time.Second) && token.Error() == nil, "the right password opens")

	connect := rawConnect(idle, h.secret(h.t, idle).Password())
	publish := rawPublish(receipt.Topic(enemy, receipt.LeafReadings), line(enemy, hostRun, 7000))
	// Too large, before and after the login.
	for _, first := range [][]byte{nil, rawConnect(enemy, h.secret(h.t, enemy).Password())} {
		for _, head := range [][]byte{{0x10, 0xff, 0xff, 0xff, 0x7f}, {0x30, 0xff, 0xff, 0xff, 0x7f}, {0x30, 0xff, 0xff, 0xff, 0xff, 0x7f}} {
			h.raw(append(slices.Clone(first), append(head, bytes.Repeat([]byte{'x'}, 1<<16)...)...))
			h.attempt(h.look().received != before.received, "a packet of 256 MB")
		}
	}
	// Connections that say nothing; they stay open to the end.
	for range 100 {
		if c, err := h.dial(); err == nil {
			h.t.Cleanup(func() { c.Close() })
			_, _ = c.Write(connect[:1+h.rnd.IntN(4)])
		}
		h.attempt(false, "")
	}
	// Mutations of what is right, with and without a login.
	for range mutants {
		p := slices.Clone(publish)
		if h.rnd.IntN(2) == 0 {
			p = slices.Clone(rawConnect("nobody", "x"))
		}
		for range 1 + h.rnd.IntN(4) {
			switch i := h.rnd.IntN(len(p)); h.rnd.IntN(3) {
			case 0:
				p[i] = byte(h.rnd.Uint32())
			case 1:
				p = slices.Insert(p, i, byte(h.rnd.Uint32()))
			default:
				p = slices.Delete(p, i, i+1)
			}
			if len(p) == 0 {
				p = []byte{0}
			}
		}
		if h.rnd.IntN(2) == 0 {
			p = append(rawConnect(enemy, h.secret(h.t, enemy).Password()), p...)
		}
		h.raw(p)
		h.attempt(false, "") // looked at below
	}
	logins.Wait()
	h.barrier()
	h.attempt(h.look().received != before.received || h.look().state != before.state, "malformed packets")
	h.control(h.deliver(h.idle, idle, idleRun, &h.seq), "the idle station delivers after all that")
	h.control(h.look().lost == 0, "and its connection never broke")
}

// dial comes from another address than the stations: who shares an address
// with strangers shares its places too.
func (h *hostile) dial() (net.Conn, error) {
	return (&net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 2)}}).Dial("tcp", h.brokerAddr())
}

// raw sends bytes on a connection of its own, and waits for its end: so many
// that come faster than they are answered take the places of who shares their
// address, and here that is everybody.
func (h *hostile) raw(p []byte) {
	c, err := h.dial()
	if err != nil {
		return
	}
	_ = c.SetDeadline(time.Now().Add(time.Second))
	_, _ = c.Write(p)
	if tcp, ok := c.(*net.TCPConn); ok {
		_ = tcp.CloseWrite()
	}
	_, _ = io.Copy(io.Discard, c)
	_ = c.Close()
}

// rawString is a UTF-8 string of MQTT 3.1.1 (1.5.3).
func rawString(s string) []byte { return append([]byte{byte(len(s) >> 8), byte(len(s))}, s...) }

func rawPacket(head byte, body []byte) []byte {
	p := []byte{head}
	for n := len(body); ; {
		b := byte(n & 0x7f)
		if n >>= 7; n > 0 {
			b |= 0x80
		}
		p = append(p, b)
		if n == 0 {
			return append(p, body...)
		}
	}
}

func rawConnect(user, password string) []byte {
	body := append(rawString("MQTT"), 4, 0xc2, 0, 60) // level, user name + password + clean session, keep alive
	body = append(body, rawString("raw")...)
	body = append(body, rawString(user)...)
	return rawPacket(0x10, append(body, rawString(password)...))
}

func rawPublish(topic string, payload []byte) []byte {
	return rawPacket(0x32, append(append(rawString(topic), 0, 1), payload...))
}

// values sends numbers that are none in every field, between good lines.
func (h *hostile) values() {
	c := h.connect(enemy, func(*mqtt.ClientOptions) {})
	before, err := h.store.Counts(context.Background())
	require.NoError(h.t, err)
	good := h.committed(enemy)
	sent := int64(0)
	values := []string{"NaN", "nan", "+Inf", "-Inf", "-0", "5e-324", "1e308", "1e400", "-5", "100.01", "116", "600", "9223372036854775807i", "9223372036854775808i", "-9223372036854775808i", "0x1p3", "1_000", "true", "\"x\"", "\"\xff\"", "\"a\x00b\"", "\"a\nb\"", "5u", ""}
	run := int64(100_000)
	var tokens []mqtt.Token
	for _, channel := range []string{"inside_temp_c", "inside_rh_pct", "board_temp_c", "outside_rh_pct", "line_current_ma", "line_voltage_v", "comb_us", "flags", "seq", "oldest", "unknown"} {
		for _, v := range values {
			p := line(enemy, hostRun, run)
			p = fmt.Appendf(p, "reading,station=%s,run=%s seq=%di,inside_temp_c=1,%s=%s %d\n", enemy, hostRun, run+1, channel, v, 1_760_000_000_000_000_000+run)
			p = append(p, line(enemy, hostRun, run+2)...)
			run += 3
			sent += 2
			tokens = append(tokens, c.Publish(receipt.Topic(enemy, receipt.LeafReadings), 1, false, p))
			h.attempt(false, "") // looked at below
		}
	}
	for _, token := range tokens {
		h.require(token)
	}
	h.control(h.soon(func() bool { return h.committed(enemy) >= good+sent }), "the neighbours of bad lines are stored")
	after, err := h.store.Counts(context.Background())
	require.NoError(h.t, err)
	refused := int64(0)
	for _, n := range after.Refused {
		refused += n
	}
	h.attempt(after.Received+after.Released != after.Stored+after.Repeated+refused, "a reading that is in no count: %+v", after)
	h.control(after.Received-before.Received >= sent, "all are counted")
	for _, path := range []string{"/api/v1/stations", "/api/v1/stations/" + enemy, "/api/v1/stations/" + enemy + "/readings", "/api/v1/stations/" + enemy + "/hours", "/api/v1/quarantine"} {
		var any any
		body := h.get(h.t, path)
		h.attempt(json.Unmarshal(body, &any) != nil, "%s is no JSON", path)
	}
	h.attempt(bytes.Contains(h.get(h.t, "/metrics"), []byte("NaN")), "NaN in a total")
}

// people is every route with every credential.
func (h *hostile) people() {
	password := filepath.Join(h.dir, "password")
	require.NoError(h.t, os.WriteFile(password, []byte("correct horse battery\n"), 0o600))
	roles := map[string]record.Role{"look": record.Look, "work": record.Work, "run": record.Run}
	type credential struct {
		name string
		role record.Role // Public: good for nothing
		set  func(*http.Request)
	}
	bearer := func(token string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) }
	}
	who := []credential{
		{"nothing", record.Public, func(*http.Request) {}},
		{"an invented token", record.Public, bearer("x")},
		{"a password as token", record.Public, bearer("correct horse battery")},
		{"a station's password as token", record.Public, bearer(h.secret(h.t, enemy).Password())},
		{"an invented session", record.Public, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "dewpost", Value: strings.Repeat("a", 43)}) }},
	}
	for _, name := range []string{"look", "work", "run"} {
		h.dewpost(h.t, "account", "add", name+"er", "--role", name, "--password-file", password, "-c", h.config)
		token := strings.TrimSpace(string(h.dewpost(h.t, "token", "add", name+"-token", "--role", name, "-c", h.config)))
		gone := strings.TrimSpace(string(h.dewpost(h.t, "token", "add", name+"-gone", "--role", name, "-c", h.config)))
		h.dewpost(h.t, "token", "revoke", name+"-gone", "-c", h.config)
		token, gone = token[strings.LastIndexByte(token, '\n')+1:], gone[strings.LastIndexByte(gone, '\n')+1:]
		h.codes = append(h.codes, token, gone, "correct horse battery")
		cookies := h.signIn(name+"er", "correct horse battery")
		who = append(
			who,
			credential{name + "'s token", roles[name], bearer(token)},
			credential{name + "'s revoked token", record.Public, bearer(gone)},
			credential{name + "'s token, cut", record.Public, bearer(token[:len(token)-1])},
			credential{name + "'s session", roles[name], func(r *http.Request) {
				for _, c := range cookies {
					r.AddCookie(c)
				}
			}})
	}
	static := h.staticPath()
	for _, route := range web.Routes() {
		if route.Path == "/sign-out" { // below
			continue
		}
		path := strings.NewReplacer("{$}", "", "{id}", idle, "/static/{hash}/{name}", static).Replace(route.Path)
		for _, c := range who {
			status := h.ask(route.Method, path, c.set, nil)
			refused := status == http.StatusUnauthorized || status == http.StatusForbidden || status == http.StatusSeeOther && c.role == record.Public
			if route.Path == "/password" && strings.HasSuffix(c.name, "token") {
				c.role = record.Public // a token is nobody, and has no password
			}
			if route.Path == "/password" && route.Method == http.MethodPost && c.role > record.Public {
				continue // the empty form is refused for the password that is not in it
			}
			if may := c.role >= route.Role || route.Role == record.Public; may {
				// A form without fields is wrong use, and no refusal.
				h.control(!refused || route.Role == record.Public, "%s %s with %s: %d", route.Method, path, c.name, status)
			} else {
				h.attempt(!refused, "%s %s with %s: %d", route.Method, path, c.name, status)
			}
		}
	}
	// A stolen session on another site's page.
	accounts := string(h.dewpost(h.t, "account", "list", "-c", h.config))
	session := who[len(who)-1].set
	form := url.Values{"name": {"mallory"}, "password": {"correct horse battery"}, "role": {"run"}}
	for _, foreign := range []map[string]string{
		{"Origin": "https://elsewhere.example", "Sec-Fetch-Site": "cross-site"},
		{"Origin": "null"},
		{"Origin": "https://elsewhere.example"},
		{"Sec-Fetch-Site": "same-site"},
		{"Sec-Fetch-Site": "cross-site"},
		{"Origin": ""},
		{"Host": "elsewhere.example", "Origin": "http://elsewhere.example"},
	} {
		status := h.ask(http.MethodPost, "/people", func(r *http.Request) {
			session(r)
			r.Header.Del("Sec-Fetch-Site")
			for k, v := range foreign {
				if k == "Host" {
					r.Host = v
				}
				r.Header.Set(k, v)
				if v == "" {
					r.Header.Del(k)
				}
			}
		}, form)
		h.attempt(status < 400, "a form from elsewhere, %v: %d", foreign, status)
	}
	h.attempt(string(h.dewpost(h.t, "account", "list", "-c", h.config)) != accounts, "an account was made")
	status := h.ask(http.MethodPost, "/people", session, form)
	h.control(status < 400, "the form from its own page: %d", status)
	h.control(string(h.dewpost(h.t, "account", "list", "-c", h.config)) != accounts, "and there is the account")
	// Ways round.
	for _, path := range []string{"//api/v1/stations", "/api/v1//stations", "/api/v1/%73tations", "/%61pi/v1/stations", "/static/../people", "/static/x/..%2f..%2fpeople", "/people/", "/./people", "/people%00"} {
		for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodOptions, http.MethodTrace, http.MethodPut, http.MethodDelete, http.MethodPatch} {
			status := h.ask(method, path, func(*http.Request) {}, nil)
			h.attempt(status == http.StatusOK, "%s %s: %d", method, path, status)
		}
	}
	h.attempt(h.ask(http.MethodPost, "/people", session, url.Values{"name": {strings.Repeat("x", 2<<20)}}) < 400, "a form of 2 MB")
	// Signed out is out.
	h.control(h.ask(http.MethodPost, "/sign-out", session, nil) < 400, "signing out")
	h.attempt(h.ask(http.MethodGet, "/people", session, nil) == http.StatusOK, "a session that has ended")
	for range 3 {
		h.attempt(len(h.signIn("runer", "wrong horse battery")) > 0, "a wrong password")
	}
}

// staticPath is one of the files that pages use.
func (h *hostile) staticPath() string {
	_, rest, ok := strings.Cut(h.page("/sign-in"), `"/static/`)
	require.True(h.t, ok)
	name, _, _ := strings.Cut(rest, `"`)
	return "/static/" + name
}

func (h *hostile) page(path string) string {
	resp, err := http.Get(h.pages + path)
	require.NoError(h.t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(h.t, err)
	return string(body)
}

// ask returns an answer's status.
func (h *hostile) ask(method, path string, set func(*http.Request), form url.Values) int {
	req, err := http.NewRequestWithContext(context.Background(), method, h.pages+path, strings.NewReader(form.Encode()))
	require.NoError(h.t, err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Sec-Fetch-Site", "same-origin")
	set(req)
	resp, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(req)
	if err != nil {
		return http.StatusBadRequest // hung up on
	}
	defer resp.Body.Close()
	if resp.Header.Get("Content-Type") != "text/event-stream" { // which goes on
		_, _ = io.Copy(io.Discard, resp.Body)
	}
	return resp.StatusCode
}

// signIn returns the cookies of a session; none when it is refused.
func (h *hostile) signIn(name, password string) []*http.Cookie {
	jar, err := cookiejar.New(nil)
	require.NoError(h.t, err)
	client := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	req, err := http.NewRequestWithContext(context.Background(), http.MethodPost, h.pages+"/sign-in", strings.NewReader(url.Values{"name": {name}, "password": {password}}.Encode()))
	require.NoError(h.t, err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Sec-Fetch-Site", "same-origin")
	resp, err := client.Do(req)
	require.NoError(h.t, err)
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, resp.Body)
	u, err := url.Parse(h.pages)
	require.NoError(h.t, err)
	return jar.Cookies(u)
}

// end retires the hostile station, lets the victim's log be delivered, and
// looks that all of it is there and no log tells a secret.
func (h *hostile) end() {
	cut := make(chan struct{})
	c := h.connect(enemy, func(o *mqtt.ClientOptions) {
		o.SetConnectionLostHandler(func(mqtt.Client, error) { close(cut) })
	})
	h.dewpost(h.t, "station", "retire", enemy, "-c", h.config)
	if h.broker == "" {
		select {
		case <-cut:
		case <-time.After(10 * time.Second):
			h.attempt(true, "a retired station's connection stands")
		}
	}
	before := h.committed(enemy)
	c.Publish(receipt.Topic(enemy, receipt.LeafReadings), 1, false, line(enemy, hostRun, 500_000)).WaitTimeout(time.Second)
	if h.broker == "" {
		token := mqtt.NewClient(h.options(enemy)).Connect()
		h.attempt(token.WaitTimeout(5*time.Second) && token.Error() == nil, "a retired station logs in")
	}
	h.control(h.deliver(h.idle, idle, idleRun, &h.seq), "others go on")
	h.attempt(h.committed(enemy) != before, "a retired station's reading is stored")

	require.NoError(h.t, h.agent.Process.Kill())
	_ = h.agent.Wait()
	require.NoError(h.t, h.startAgent(&h.series[0], true).Wait(), "the victim's agent")
	h.shop.workshop = &workshop{dir: h.workshop.dir, series: h.series[:1]}
	h.compareReadings(1)
	text, err := os.ReadFile(filepath.Join(h.dir, victim+".log"))
	require.NoError(h.t, err)
	require.NoError(h.t, h.collector.Process.Signal(syscall.SIGTERM))
	require.NoError(h.t, h.collector.Wait())
	text = append(text, h.logs[h.collector].Bytes()...)
	for _, code := range h.codes {
		h.attempt(bytes.Contains(text, []byte(code)), "a secret in a log")
	}
}
