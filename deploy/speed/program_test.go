package speed

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/box"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
	"dewpost/testdata/pgserver"
)

const (
	loadUsers    = 4
	loadPassword = "of the load"
)

func loadUser(i int) string { return fmt.Sprintf("load-%d", i) }

// freeAddr returns an address that a program can listen on later, of a port that
// the system gives to no connection.
func freeAddr(t testing.TB) string {
	t.Helper()
	for {
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 10_000+rand.IntN(20_000)))
		if err == nil {
			defer l.Close()
			return l.Addr().String()
		}
		require.ErrorIs(t, err, syscall.EADDRINUSE)
	}
}

// said is what a program says, while it runs and afterwards.
type said struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(p)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

// program is a process of its own, of which it is known what it takes.
type program struct {
	cmd   *exec.Cmd
	in    io.WriteCloser
	first string // line that it printed
	rest  *bufio.Reader
	said  *said
	ended chan struct{}
	err   error
}

// start runs a program until the test ends, and waits for its first line.
func start(t testing.TB, cmd *exec.Cmd) *program {
	t.Helper()
	p := &program{cmd: cmd, said: &said{}, ended: make(chan struct{})}
	cmd.Stderr = p.said
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	var err error
	p.in, err = cmd.StdinPipe()
	require.NoError(t, err)
	r, w, err := os.Pipe()
	require.NoError(t, err)
	cmd.Stdout = w
	require.NoError(t, cmd.Start())
	require.NoError(t, w.Close())
	go func() {
		p.err = cmd.Wait()
		close(p.ended)
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		<-p.ended
		_ = r.Close()
		if t.Failed() {
			t.Log(p.said.String())
		}
	})
	p.rest = bufio.NewReader(r)
	line, err := p.rest.ReadString('\n')
	require.NoError(t, err, "%s says nothing", cmd.Path)
	p.first = strings.TrimSpace(line)
	return p
}

// end stops a program in order.
func (p *program) end(t testing.TB) {
	t.Helper()
	_ = p.cmd.Process.Signal(syscall.SIGTERM)
	<-p.ended
	require.NoError(t, p.err, p.said.String())
}

// status reads a size in MiB from what the kernel tells of a process.
func (p *program) status(t testing.TB, name string) float64 {
	t.Helper()
	body, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	require.NoError(t, err)
	for line := range strings.Lines(string(body)) {
		if v, ok := strings.CutPrefix(line, name+":"); ok {
			kb, err := strconv.ParseFloat(strings.Fields(v)[0], 64)
			require.NoError(t, err)
			return kb / 1024
		}
	}
	require.Fail(t, "no "+name)
	return 0
}

// cpu is the processor time that a process took so far.
func (p *program) cpu(t testing.TB) time.Duration {
	t.Helper()
	body, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.cmd.Process.Pid))
	require.NoError(t, err)
	return ticks(t, statFields(body)[11:13]) // utime and stime
}

// statFields are the fields of a process's stat, from the third on.
func statFields(body []byte) []string {
	return strings.Fields(string(body[bytes.LastIndexByte(body, ')')+2:]))
}

// ticks adds times in hundredths of a second.
func ticks(t testing.TB, fields []string) time.Duration {
	sum := 0.0
	for _, f := range fields {
		n, err := strconv.ParseFloat(f, 64)
		require.NoError(t, err)
		sum += n
	}
	return time.Duration(sum * float64(10*time.Millisecond))
}

// open counts a process's descriptors.
func (p *program) open(t testing.TB) int {
	t.Helper()
	list, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", p.cmd.Process.Pid))
	require.NoError(t, err)
	return len(list)
}

var startedServer, startedBuild bool // by built and server

var built = sync.OnceValues(func() (string, error) {
	startedBuild = true
	dir, err := os.MkdirTemp("", "dewpost-speed-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "dewpost")
	out, err := exec.Command("go", "build", "-o", path, "dewpost/cmd/dewpost").CombinedOutput()
	if err != nil {
		err = errors.Join(err, errors.New(string(out)))
	}
	return path, err
})

// shop is an installation: a store, stations, maybe a broker of its own.
type shop struct {
	t         testing.TB
	dir       string
	where     string // the store
	broker    string // address of Mosquitto; "" for none
	mosquitto *program
	collector *program
	pages     string
	stations  string
}

func newShop(t testing.TB, where string) *shop {
	s := &shop{t: t, dir: t.TempDir(), where: where}
	if where == "" {
		s.where = filepath.Join(s.dir, "dewpost.db")
	}
	return s
}

// enrol adds stations past the commands, with facts of each.
func enrol(t testing.TB, st *store.Store, n int, facts map[string]string) {
	t.Helper()
	for i := range n {
		id := stationName(i)
		var list []fact.Fact
		for name, value := range facts {
			list = append(list, fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: id}, Name: name, From: fact.Always, Value: value, Author: "speed", Recorded: 1})
		}
		require.NoError(t, st.AddStation(t.Context(), record.Station{ID: id, Secret: secretOf(id), Enrolled: unit.Instant(1)}, "speed", list...))
	}
}

func (s *shop) open() *store.Store { return open(s.t, s.where) }

// open opens a store that was folded by these rules, or will be.
func open(t testing.TB, where string) *store.Store {
	t.Helper()
	st, err := store.Open(t.Context(), where)
	require.NoError(t, err)
	require.NoError(t, st.UseRules(t.Context(), 1000*exposure.Version+box.Version)) // as a collector does
	return st
}

// startMosquitto runs Debian's broker with the settings of deploy, and users who
// may send for all stations.
func (s *shop) startMosquitto() {
	t := s.t
	if s.broker == "" {
		s.broker = freeAddr(t)
		_, port, err := net.SplitHostPort(s.broker)
		require.NoError(t, err)
		passwords := filepath.Join(s.dir, "passwords")
		require.NoError(t, os.WriteFile(passwords, nil, 0o600))
		users := map[string]string{"collector": "of the test"}
		acl, err := os.ReadFile("../mosquitto.acl")
		require.NoError(t, err)
		for i := range loadUsers {
			users[loadUser(i)] = loadPassword
			acl = fmt.Appendf(acl, "\nuser %s\ntopic readwrite dewpost/v1/#\n", loadUser(i))
		}
		for user, password := range users {
			out, err := exec.Command("mosquitto_passwd", "-b", passwords, user, password).CombinedOutput()
			require.NoError(t, err, string(out))
		}
		own := filepath.Join(s.dir, "mosquitto.acl")
		require.NoError(t, os.WriteFile(own, acl, 0o600))
		sample, err := os.ReadFile("../mosquitto.conf")
		require.NoError(t, err)
		conf := strings.NewReplacer(
			"listener 1883", "listener "+port, "/etc/mosquitto/dewpost.passwords", passwords, "/etc/mosquitto/mosquitto.acl", own,
			"/var/lib/mosquitto/", s.dir+"/",
		).Replace(string(sample)) + "user root\n"
		require.NoError(t, os.WriteFile(filepath.Join(s.dir, "mosquitto.conf"), []byte(conf), 0o600))
		require.NoError(t, os.WriteFile(filepath.Join(s.dir, "collector.password"), []byte("of the test\n"), 0o600))
	}
	s.mosquitto = start(t, exec.Command("sh", "-c", "echo; exec mosquitto -c "+filepath.Join(s.dir, "mosquitto.conf")))
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", s.broker)
		if err == nil {
			c.Close()
		}
		return err == nil
	}, patience, 10*time.Millisecond)
}

// serve starts the collector as a process and waits until it is ready.
func (s *shop) serve() *program {
	t := s.t
	program, err := built()
	require.NoError(t, err)
	if s.stations == "" {
		s.stations = freeAddr(t)
	}
	conf := fmt.Sprintf("[pages]\nlisten = \"127.0.0.1:0\"\n[stations]\nlisten = %q\n[messages]\nprivate = [\"127.0.0.1\"]\n[store]\n", s.stations)
	if store.IsURL(s.where) {
		conf += fmt.Sprintf("url = %q\n", s.where)
	} else {
		conf += fmt.Sprintf("path = %q\n", s.where)
	}
	if s.broker != "" {
		conf += fmt.Sprintf("[broker]\nurl = %q\npassword_file = %q\n", "tcp://"+s.broker, filepath.Join(s.dir, "collector.password"))
	}
	path := filepath.Join(s.dir, "dewpost.toml")
	require.NoError(t, os.WriteFile(path, []byte(conf), 0o600))
	s.collector = start(t, exec.Command(program, "serve", "-c", path))
	s.pages = strings.TrimPrefix(s.collector.first, "pages ")
	s.until("the collector is ready", func() bool { return s.get("/readyz") != nil })
	return s.collector
}

func (s *shop) until(what string, is func() bool) {
	require.Eventually(s.t, is, patience, 20*time.Millisecond, what)
}

// get returns a page, nil when there is none.
func (s *shop) get(path string) []byte {
	req, err := http.NewRequestWithContext(s.t.Context(), http.MethodGet, s.pages+path, nil)
	require.NoError(s.t, err)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		return nil
	}
	return body
}

// metric reads one of the collector's totals; -1 when it can't.
func (s *shop) metric(name string) float64 {
	for line := range strings.Lines(string(s.get("/metrics"))) {
		if n, ok := strings.CutPrefix(line, name+" "); ok {
			if x, err := strconv.ParseFloat(strings.TrimSpace(n), 64); err == nil {
				return x
			}
		}
	}
	return -1
}

// folded waits until nothing is to be folded.
func (s *shop) folded() {
	s.until("all is folded", func() bool { return s.metric("dewpost_stations_to_fold") == 0 })
}

// frontConfig is what a path is made of; see TestMain.
type frontConfig struct {
	Sink, Where string // "store", "rows" or "packed", and where
	Addr        string // of the embedded broker; "" for Mosquitto at:
	Broker      string
}

// front runs broker or connection, intake and a sink in a process of its own, and
// nothing else: what is the same for the store and for its floors.
func (s *shop) front(cfg frontConfig) *program {
	body, err := json.Marshal(cfg)
	require.NoError(s.t, err)
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), frontEnv+"="+string(body))
	return start(s.t, cmd)
}

// stop ends a front and returns how many readings its sink holds.
func (p *program) stop(t testing.TB) int {
	t.Helper()
	require.NoError(t, p.in.Close())
	line, err := p.rest.ReadString('\n')
	require.NoError(t, err, p.said.String())
	<-p.ended
	require.NoError(t, p.err, p.said.String())
	n, err := strconv.Atoi(strings.TrimSpace(line))
	require.NoError(t, err)
	return n
}

// server is a PostgreSQL server that all parts share.
var server = sync.OnceValues(func() (*pgserver.Server, error) {
	startedServer = true
	return pgserver.Start()
})

// serverCPU is the processor time that the server took so far, with its processes
// that have ended.
func serverCPU(t testing.TB) (sum time.Duration) {
	s, err := server()
	require.NoError(t, err)
	first, err := os.ReadFile(filepath.Join(s.Dir, "data", "postmaster.pid"))
	require.NoError(t, err)
	pid, _, _ := strings.Cut(string(first), "\n")
	all, err := filepath.Glob("/proc/[0-9]*/stat")
	require.NoError(t, err)
	for _, path := range all {
		body, err := os.ReadFile(path)
		if err != nil { // it has ended
			continue
		}
		switch f := statFields(body); {
		case path == "/proc/"+pid+"/stat":
			sum += ticks(t, f[11:15]) // its own and its children's
		case f[1] == pid:
			sum += ticks(t, f[11:13])
		}
	}
	return sum
}

func database(t testing.TB) string {
	t.Helper()
	s, err := server()
	require.NoError(t, err)
	url, err := s.Database()
	require.NoError(t, err)
	return url
}
