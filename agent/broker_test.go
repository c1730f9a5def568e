package agent

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// mosquitto is a real broker with the access list of deploy, on free ports of
// this machine.
type mosquitto struct {
	dir       string
	plain     string // host:port
	encrypted string
	caFile    string
	cmd       *exec.Cmd
	log       bytes.Buffer
}

const collectorPassword = "of the collector"

// testSecret is the secret of every station in these tests.
func testSecret(t testing.TB) receipt.Secret {
	t.Helper()
	s, err := receipt.NewSecret([]byte("sixteen or more bytes"))
	require.NoError(t, err)
	return s
}

func startMosquitto(t testing.TB, stations ...string) *mosquitto {
	t.Helper()
	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto" // not on everybody's path
		require.FileExists(t, program, "bash deploy/test.sh installs it")
	}
	m := &mosquitto{dir: t.TempDir(), plain: freePort(t), encrypted: freePort(t)}
	m.caFile = m.path("ca.pem")
	m.makeCertificates(t)
	users := "collector:" + collectorPassword + "\n"
	for _, st := range stations {
		users += st + ":" + testSecret(t).Password() + "\n"
	}
	require.NoError(t, os.WriteFile(m.path("users"), []byte(users), 0o600))
	out, err := exec.Command("mosquitto_passwd", "-U", m.path("users")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	acl, err := os.ReadFile("../deploy/mosquitto.acl")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(m.path("acl"), acl, 0o600))
	config := fmt.Sprintf(`user root
password_file %s
acl_file %s
max_queued_messages 0
max_inflight_messages 0
persistence false
log_type error
log_type warning
listener %s 127.0.0.1
listener %s 127.0.0.1
cafile %s
certfile %s
keyfile %s
tls_version tlsv1.3
`, m.path("users"), m.path("acl"), port(m.plain), port(m.encrypted), m.caFile, m.path("server.pem"), m.path("server.key"))
	require.NoError(t, os.WriteFile(m.path("mosquitto.conf"), []byte(config), 0o600))
	m.cmd = exec.Command(program, "-c", m.path("mosquitto.conf"))
	m.start(t, program)
	return m
}

func (m *mosquitto) path(name string) string { return filepath.Join(m.dir, name) }

func (m *mosquitto) start(t testing.TB, program string) {
	t.Helper()
	m.cmd = exec.Command(program, "-c", m.path("mosquitto.conf"))
	m.cmd.Stdout, m.cmd.Stderr = &m.log, &m.log
	require.NoError(t, m.cmd.Start())
	t.Cleanup(m.stop)
	require.Eventually(t, func() bool {
		conn, err := net.Dial("tcp", m.plain)
		if err != nil {
			return false
		}
		return conn.Close() == nil
	}, 10*time.Second, 10*time.Millisecond, "mosquitto: %s", &m.log)
}

// stop kills the broker and everything it held in memory.
func (m *mosquitto) stop() {
	if m.cmd.ProcessState == nil {
		_ = m.cmd.Process.Kill() // it may have ended
		_ = m.cmd.Wait()         // killed, and that is its error
	}
}

func freePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	return l.Addr().String()
}

func port(addr string) string {
	_, p, _ := strings.Cut(addr, ":")
	return p
}

func (m *mosquitto) makeCertificates(t testing.TB) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	for name, block := range map[string]*pem.Block{
		"ca.pem":     {Type: "CERTIFICATE", Bytes: cert},
		"server.pem": {Type: "CERTIFICATE", Bytes: cert},
		"server.key": {Type: "PRIVATE KEY", Bytes: keyDER},
	} {
		require.NoError(t, os.WriteFile(m.path(name), pem.EncodeToMemory(block), 0o600))
	}
}

// collector is a scripted one: it stores in memory and sends receipts.
type collector struct {
	t      testing.TB
	secret receipt.Secret
	client mqtt.Client

	mu       sync.Mutex
	readings map[string]map[int64]reading.Reading // run → seq
	repeated int
	refused  []reading.Refusal
	states   []map[string]any
	mute     bool // sends no receipts
	deaf     int  // loses so many batches
}

func startCollector(t testing.TB, m *mosquitto) *collector {
	t.Helper()
	c := &collector{t: t, secret: testSecret(t), readings: map[string]map[int64]reading.Reading{}}
	c.connect(m)
	t.Cleanup(c.leave)
	return c
}

func (c *collector) connect(m *mosquitto) {
	c.t.Helper()
	o := mqtt.NewClientOptions().AddBroker("tcp://" + m.plain).SetClientID("collector").
		SetUsername("collector").SetPassword(collectorPassword).SetAutoReconnect(false)
	c.client = mqtt.NewClient(o)
	for _, token := range []func() mqtt.Token{
		c.client.Connect,
		func() mqtt.Token { return c.client.Subscribe("dewpost/v1/+/readings", 1, c.batch) },
		func() mqtt.Token { return c.client.Subscribe("dewpost/v1/+/state", 1, c.state) },
	} {
		tk := token()
		<-tk.Done()
		require.NoError(c.t, tk.Error())
	}
}

func (c *collector) leave() {
	if c.client.IsConnected() {
		c.client.Disconnect(100)
	}
}

func (c *collector) state(_ mqtt.Client, m mqtt.Message) {
	var v map[string]any
	c.mu.Lock()
	defer c.mu.Unlock()
	if json.Unmarshal(m.Payload(), &v) == nil {
		c.states = append(c.states, v)
	}
}

func (c *collector) batch(client mqtt.Client, m mqtt.Message) {
	station, _, ok := receipt.ParseTopic(m.Topic())
	if !ok {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.deaf > 0 {
		c.deaf--
		return
	}
	b := reading.Decode(station, m.Payload(), unit.At(time.Now()))
	c.refused = append(c.refused, b.Refused...)
	runs := map[string]bool{}
	for _, r := range b.Readings {
		runs[r.Run] = true
		if c.readings[r.Run] == nil {
			c.readings[r.Run] = map[int64]reading.Reading{}
		}
		if _, ok := c.readings[r.Run][r.Seq]; ok {
			c.repeated++
		}
		c.readings[r.Run][r.Seq] = r
	}
	if c.mute {
		return
	}
	for run := range runs {
		upto := b.Oldest[run] - 1
		for _, ok := c.readings[run][upto+1]; ok; _, ok = c.readings[run][upto+1] {
			upto++
		}
		client.Publish(receipt.Topic(station, receipt.LeafReceipt), 1, true, c.secret.Receipt(station, run, upto).JSON())
	}
}

// with runs f under the lock.
func (c *collector) with(f func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f()
}

// stored counts the readings of all runs.
func (c *collector) stored() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := 0
	for _, run := range c.readings {
		n += len(run)
	}
	return n
}

// lastState returns the newest state, or nil.
func (c *collector) lastState() map[string]any {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.states) == 0 {
		return nil
	}
	return c.states[len(c.states)-1]
}

// eventually waits for real processes.
func eventually(t testing.TB, what string, f func() bool) {
	t.Helper()
	require.Eventually(t, f, 20*time.Second, 10*time.Millisecond, what)
}
