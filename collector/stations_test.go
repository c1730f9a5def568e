package collector

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/identity"
	"dewpost/collector/store"
	"dewpost/rules/bundle"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

const patience = 20 * time.Second

func TestStationsSecure(t *testing.T) {
	for _, c := range []struct {
		listen string
		names  []string
		plain  bool
		want   bool
	}{
		{listen: "127.0.0.1:1883"},
		{listen: "127.0.0.1:1883", names: []string{"collector.example", "192.0.2.7"}},
		{listen: "127.0.0.1:8883", names: []string{"collector.example", "127.0.0.1"}, want: true},
		{listen: "[::1]:8883", names: []string{"::1"}, want: true},
		{listen: "localhost:8883", names: []string{"localhost"}, want: true},
		{listen: "0.0.0.0:8883", names: []string{"collector.example"}, want: true},
		{listen: ":8883", names: []string{"collector.example"}, want: true},
		{listen: "0.0.0.0:8883", names: []string{"collector.example"}, plain: true},
		{listen: "0.0.0.0:8883", plain: true},
	} {
		cfg := DefaultConfig()
		cfg.Stations.Listen, cfg.TLS.Names, cfg.Stations.Plain = c.listen, c.names, c.plain
		require.Equal(t, c.want, cfg.stationsSecure(), "%+v", c)
		require.NoError(t, cfg.checkStations(), "%+v", c)
	}
	cfg := DefaultConfig()
	for _, cfg.TLS.Names = range [][]string{{"collector.example:8883"}, {"[::1]"}, {""}, {"https://x"}, {"a b"}} {
		require.ErrorContains(t, cfg.check(), "tls.names")
	}
}

func TestCredential(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("CREDENTIALS_DIRECTORY", dir)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "pw"), []byte("of the broker\n"), 0o600))
	b := Broker{URL: "ssl://broker.example:8883", User: "collector", PasswordFile: "credential:pw", CAFile: "credential:ca.pem"}
	_, err := b.intakeConfig()
	require.ErrorContains(t, err, "broker.ca_file")
	require.ErrorContains(t, err, filepath.Join(dir, "ca.pem"))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "ca.pem"), []byte("nothing"), 0o600))
	_, err = b.intakeConfig()
	require.ErrorContains(t, err, "no certificate")
	b.CAFile = ""
	cfg, err := b.intakeConfig()
	require.NoError(t, err)
	require.Equal(t, "of the broker", cfg.Password)
	require.EqualValues(t, tls.VersionTLS13, cfg.TLS.MinVersion)
	for _, path := range []string{"credential:", "credential:../pw", "credential:a/pw", "credential:/etc/passwd"} {
		_, err := credential("broker.password_file", path)
		require.ErrorContains(t, err, "broker.password_file", path)
	}
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	_, err = b.intakeConfig()
	require.ErrorContains(t, err, "LoadCredential=pw:FILE")
}

// shop is a collector with an external broker that speaks TLS 1.3, as the
// sample configuration has it, and one station.
type shop struct {
	t     *testing.T
	cfg   Config
	col   *Collector
	store *store.Store
	now   func() time.Time
}

const lake = "lake-07"

func newShop(t *testing.T) *shop {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o755))
	write := func(name string, text []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, text, 0o600))
		return path
	}
	s := &shop{t: t, cfg: DefaultConfig(), now: time.Now}
	s.cfg.Store.Path = filepath.Join(dir, "dewpost.db")
	s.cfg.Pages.Listen = "127.0.0.1:0"
	kept, err := store.Open(t.Context(), s.cfg.Store.Path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, kept.Close()) })
	s.store = kept
	require.NoError(t, Enrol(t.Context(), kept, lake, nil, s.now(), "test"))

	// The broker's certificate comes from an authority that the system doesn't
	// know.
	id, err := identity.Open(t.Context(), kept, identity.Config{Names: []string{"127.0.0.1"}}, s.now())
	require.NoError(t, err)
	pair, err := id.StationsTLS().GetCertificate(nil)
	require.NoError(t, err)
	key, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
	require.NoError(t, err)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := ln.Addr().String()
	require.NoError(t, ln.Close())
	s.cfg.Broker.URL = "ssl://" + addr
	s.cfg.Broker.CAFile = write("ca.pem", id.AuthorityPEM())
	s.cfg.Broker.PasswordFile = write("password", []byte("of the collector\n"))
	passwords := write("passwords", nil)
	st, err := kept.Station(t.Context(), lake)
	require.NoError(t, err)
	for user, password := range map[string]string{"collector": "of the collector", lake: st.Secret.Password()} {
		out, err := exec.Command(program(t, "mosquitto_passwd"), "-b", passwords, user, password).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	sample, err := os.ReadFile("../deploy/mosquitto.conf")
	require.NoError(t, err)
	acl, err := filepath.Abs("../deploy/mosquitto.acl")
	require.NoError(t, err)
	conf := string(sample)
	_, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	for from, to := range map[string]string{
		"\nlistener 1883 127.0.0.1\n":              "\n",
		"# listener 8883\n":                        "listener " + port + " 127.0.0.1\n",
		"# certfile /etc/mosquitto/dewpost.crt\n":  "certfile " + write("broker.crt", pemOf("CERTIFICATE", pair.Certificate[0])) + "\n",
		"# keyfile /etc/mosquitto/dewpost.key\n":   "keyfile " + write("broker.key", pemOf("PRIVATE KEY", key)) + "\n",
		"# tls_version tlsv1.3\n":                  "tls_version tlsv1.3\n",
		"/etc/mosquitto/dewpost.passwords\nacl":    passwords + "\nacl",
		"acl_file /etc/mosquitto/mosquitto.acl":    "acl_file " + acl,
		"persistence_location /var/lib/mosquitto/": "persistence_location " + dir + "/",
	} {
		require.Equal(t, 1, strings.Count(conf, from), "deploy/mosquitto.conf should say %q once", from)
		conf = strings.Replace(conf, from, to, 1)
	}
	if os.Getuid() == 0 {
		conf += "\nuser root\n"
	}
	s.start(exec.Command(program(t, "mosquitto"), "-c", write("mosquitto.conf", []byte(conf))), addr)
	s.col, err = Open(t.Context(), s.cfg, s.now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.col.Close()) })
	require.Eventually(t, s.col.external.Connected, patience, 10*time.Millisecond)
	return s
}

func pemOf(kind string, der []byte) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})
}

func program(t *testing.T, name string) string {
	t.Helper()
	for _, path := range []string{name, "/usr/sbin/" + name} {
		if found, err := exec.LookPath(path); err == nil {
			return found
		}
	}
	require.Fail(t, name+" is not installed; deploy/test.sh installs it")
	return ""
}

func (s *shop) start(cmd *exec.Cmd, addr string) {
	s.t.Helper()
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	require.NoError(s.t, cmd.Start())
	s.t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait()
		if s.t.Failed() {
			s.t.Log(said.String())
		}
	})
	require.Eventually(s.t, func() bool {
		conn, err := net.Dial("tcp", addr)
		return err == nil && conn.Close() == nil
	}, patience, 20*time.Millisecond, "mosquitto does not listen")
}

func (s *shop) bundle(next bool) bundle.Bundle {
	s.t.Helper()
	b, err := Bundle(s.t.Context(), s.store, s.cfg, lake, next, s.now())
	require.NoError(s.t, err)
	return b
}

// With a real broker and TLS 1.3 the enrolment's bundle is all that a station
// needs. While its secret is being changed it hears a receipt for either, and
// the one that stays is the new one's; the change ends when a person says so.
func TestExternalBroker_TLSAndRotation(t *testing.T) {
	s := newShop(t)
	b := s.bundle(false)
	require.Equal(t, "mqtts://"+strings.TrimPrefix(s.cfg.Broker.URL, "ssl://"), b.Broker)
	pool := x509.NewCertPool()
	for _, f := range b.Files() {
		if f.Name == bundle.AuthorityFile {
			require.True(t, pool.AppendCertsFromPEM([]byte(f.Text)))
		}
	}
	host := strings.TrimPrefix(b.Broker, "mqtts://")
	_, err := tls.Dial("tcp", host, &tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS12})
	require.Error(t, err, "older than TLS 1.3")

	heard := receipts{heard: make(chan []byte, 100)}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("ssl://" + host).SetTLSConfig(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13}).
		SetClientID(lake).SetUsername(lake).SetPassword(b.Secret.Password()).SetProtocolVersion(4).SetAutoReconnect(false))
	done := func(token mqtt.Token) {
		t.Helper()
		require.True(t, token.WaitTimeout(patience))
		require.NoError(t, token.Error())
	}
	done(client.Connect())
	defer client.Disconnect(250)
	done(client.Subscribe(receipt.Topic(lake, receipt.LeafReceipt), 1, func(_ mqtt.Client, m mqtt.Message) { heard.heard <- m.Payload() }))

	seq := int64(0)
	send := func() {
		t.Helper()
		seq++
		r := reading.Reading{Time: unit.At(s.now()), Run: "9f31c2aa07de4410", Seq: seq}
		r.Set(reading.InsideTemp, 11.5)
		line, err := reading.AppendLine(nil, lake, &r, 1)
		require.NoError(t, err)
		done(client.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, line))
	}
	send()
	heard.until(t, b.Secret, seq)
	orders := make(chan []byte, 1)
	done(client.Subscribe(receipt.Topic(lake, receipt.LeafOrder), 1, func(_ mqtt.Client, m mqtt.Message) { orders <- m.Payload() }))
	given, err := books.GiveOrder(t.Context(), s.store, lake, receipt.Body{Interval: "5m"}, time.Hour, s.now(), "test")
	require.NoError(t, err)
	order, _, _, err := b.Secret.VerifyOrder(lake, <-orders)
	require.NoError(t, err)
	require.Equal(t, given.ID, order.ID, "orders pass through it, too")

	// Begun by another process: noticed soon, and both are signed for.
	require.NoError(t, BeginSecret(t.Context(), s.store, lake, s.now(), "test"))
	next := s.bundle(true)
	require.NotEqual(t, b.Secret, next.Secret)
	for both := false; !both; {
		send()
		heard.until(t, b.Secret, seq)
		select {
		case payload := <-heard.heard: // another by the first, as after a start, or one by the new
			_, err := next.Secret.Verify(lake, payload)
			both = err == nil
		case <-time.After(lookEvery):
		}
	}
	late := make(chan []byte, 1)
	done(client.Unsubscribe(receipt.Topic(lake, receipt.LeafReceipt)))
	done(client.Subscribe(receipt.Topic(lake, receipt.LeafReceipt), 1, func(_ mqtt.Client, m mqtt.Message) { late <- m.Payload() }))
	_, err = next.Secret.Verify(lake, <-late)
	require.NoError(t, err, "the one that stays")

	st, err := s.store.Station(t.Context(), lake)
	require.NoError(t, err)
	require.NoError(t, s.store.FinishSecret(t.Context(), st, unit.At(s.now()), "test"))
	require.Equal(t, next.Secret, s.bundle(false).Secret)
}

type receipts struct{ heard chan []byte }

// until waits for a receipt by secret up to seq.
func (r *receipts) until(t *testing.T, secret receipt.Secret, seq int64) {
	t.Helper()
	for {
		select {
		case payload := <-r.heard:
			if got, err := secret.Verify(lake, payload); err == nil && got.Upto >= seq {
				return
			}
		case <-time.After(patience):
			require.Fail(t, "no receipt")
		}
	}
}

// Whoever has no password of a station in service is refused, at the same
// price: the same work is done whether there is such a station or not.
func TestAuthenticate(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	var log lockedLog
	col, err := Open(t.Context(), cfg, time.Now, slog.New(slog.NewTextHandler(&log, nil)))
	require.NoError(t, err)
	defer func() { require.NoError(t, col.Close()) }()
	ctx := context.Background()
	for _, id := range []string{lake, "quay-02"} {
		require.NoError(t, Enrol(ctx, col.store, id, nil, time.Now(), "test"))
	}
	now := func(id string) (current, next receipt.Secret) {
		st, err := col.store.Station(ctx, id)
		require.NoError(t, err)
		return st.Secret, st.Next
	}
	try := func(id string, password string) string {
		by, ok := col.authenticate(ctx, id, []byte(password))
		require.Equal(t, ok, by != "")
		return by
	}
	first, _ := now(lake)
	quays, _ := now("quay-02")
	require.NotEmpty(t, try(lake, first.Password()))
	for _, wrong := range []string{"", "x", first.Hex(), quays.Password(), col.decoy.Password(), first.Password() + "0", strings.ToUpper(first.Password())} {
		require.Empty(t, try(lake, wrong), wrong)
		require.Empty(t, try("nobody", wrong), wrong)
	}
	require.NoError(t, BeginSecret(ctx, col.store, lake, time.Now(), "test"))
	_, second := now(lake)
	by := try(lake, first.Password())
	require.NotEmpty(t, by)
	require.NotEqual(t, by, try(lake, second.Password()))
	require.Empty(t, try(lake, first.Password()), "the first login with the new one ends the old one")
	require.NotEmpty(t, try(lake, second.Password()))

	require.NoError(t, BeginSecret(ctx, col.store, lake, time.Now(), "test"))
	_, third := now(lake)
	require.NoError(t, col.store.AbandonSecret(ctx, lake, unit.At(time.Now()), "test"))
	require.Empty(t, try(lake, third.Password()))
	require.NoError(t, col.store.Retire(ctx, lake, unit.At(time.Now()), "test"))
	for _, s := range []receipt.Secret{first, second, third, col.decoy} {
		require.Empty(t, try(lake, s.Password()), "retired")
		require.NotContains(t, log.String(), s.Password())
		require.NotContains(t, log.String(), s.Hex())
	}
	require.NotEmpty(t, try("quay-02", quays.Password()))
}

// What another process does to a station's password ends the connections that
// stand by it, soon and without a restart; the others stay.
func TestRevokedConnections(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	col, err := open(t, cfg)
	require.NoError(t, err)
	defer func() { require.NoError(t, col.Close()) }()
	other, err := store.Open(t.Context(), cfg.Store.Path) // as another process has it
	require.NoError(t, err)
	defer func() { require.NoError(t, other.Close()) }()
	ctx := t.Context()
	for _, id := range []string{lake, "quay-02"} {
		require.NoError(t, Enrol(ctx, other, id, nil, time.Now(), "test"))
	}
	kept := func(id string) (current, next receipt.Secret) {
		st, err := other.Station(ctx, id)
		require.NoError(t, err)
		return st.Secret, st.Next
	}
	connections := 0
	connect := func(id string, s receipt.Secret) (lost chan error) {
		t.Helper()
		connections++
		lost = make(chan error, 1)
		client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + col.StationsAddr()).SetClientID(fmt.Sprint(connections)).
			SetUsername(id).SetPassword(s.Password()).SetProtocolVersion(4).SetAutoReconnect(false).
			SetConnectionLostHandler(func(_ mqtt.Client, err error) { lost <- err }))
		token := client.Connect()
		require.True(t, token.WaitTimeout(patience))
		require.NoError(t, token.Error())
		t.Cleanup(func() { client.Disconnect(0) })
		return lost
	}
	ends := func(lost chan error) {
		t.Helper()
		select {
		case <-lost:
		case <-time.After(patience):
			require.Fail(t, "still connected")
		}
	}
	first, _ := kept(lake)
	quays, _ := kept("quay-02")
	old, bystander := connect(lake, first), connect("quay-02", quays)
	require.NoError(t, BeginSecret(ctx, other, lake, time.Now(), "test"))
	_, second := kept(lake)
	again := connect(lake, first)
	before, _, err := other.ChangedStations(ctx, 0)
	require.NoError(t, err)
	renewed := connect(lake, second)
	ends(old)
	ends(again)
	col.cut(before)
	require.EqualValues(t, 2, col.front.Stats().Cut, "a look that came before a login doesn't end it")

	require.NoError(t, BeginSecret(ctx, other, lake, time.Now(), "test"))
	st, err := other.Station(ctx, lake)
	require.NoError(t, err)
	require.Empty(t, renewed, "it is good while both are")
	require.NoError(t, other.FinishSecret(ctx, st, unit.At(time.Now()), "test"))
	ends(renewed)
	third := connect(lake, st.Next)
	require.NoError(t, other.Retire(ctx, lake, unit.At(time.Now()), "test"))
	ends(third)
	require.Empty(t, bystander)
	require.EqualValues(t, 4, col.front.Stats().Cut)
}

type lockedLog struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *lockedLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *lockedLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// What a bundle says follows from the config, and what is missing in it is an
// error that names the key.
func TestBundle(t *testing.T) {
	s, err := store.Open(t.Context(), blank.Store(t))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.NoError(t, Enrol(t.Context(), s, lake, nil, time.Now(), "test"))
	for url, want := range map[string]string{
		"tcp://127.0.0.1:1883": "mqtt://127.0.0.1:1883", "mqtt://broker.example": "mqtt://broker.example:1883",
		"ssl://broker.example": "mqtts://broker.example:8883", "ssl://[2001:db8::1]:8884": "mqtts://[2001:db8::1]:8884", "mqtts://[::1]": "mqtts://[::1]:8883",
	} {
		cfg := DefaultConfig()
		cfg.Broker.URL = url
		b, err := Bundle(t.Context(), s, cfg, lake, false, time.Now())
		require.NoError(t, err)
		require.Equal(t, want, b.Broker)
		require.Empty(t, b.Authority)
	}
	cfg := DefaultConfig()
	cfg.Stations.Listen, cfg.TLS.Names = "[::]:8883", []string{"2001:db8::7"}
	b, err := Bundle(t.Context(), s, cfg, lake, false, time.Now())
	require.NoError(t, err)
	require.Equal(t, "mqtts://[2001:db8::7]:8883", b.Broker)
	require.NotEmpty(t, b.Authority)
	_, err = Bundle(t.Context(), s, cfg, lake, true, time.Now())
	require.ErrorContains(t, err, "secret is missing")
	_, err = Bundle(t.Context(), s, cfg, "nobody", false, time.Now())
	require.ErrorContains(t, err, "nobody")
	cfg.Stations.Plain, cfg.TLS.Names = true, nil
	_, err = Bundle(t.Context(), s, cfg, lake, false, time.Now())
	require.ErrorContains(t, err, "tls.names")

	dir := filepath.Join(t.TempDir(), "out")
	files, err := WriteBundle(b, cfg, dir)
	require.NoError(t, err)
	require.Len(t, files, 3)
	for _, path := range files {
		info, err := os.Stat(path)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	}
	require.NoError(t, os.Remove(files[0]))
	_, err = WriteBundle(b, cfg, dir)
	require.ErrorContains(t, err, "is there already")
	require.NoFileExists(t, files[0], "all or none")
}
