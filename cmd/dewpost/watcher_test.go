package main

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestWatcher breaks collectors in seven ways, each a real program of its own,
// while another installation watches them, and looks when people there are told.
// In full there is a round a minute, as in earnest. Else the watch runs faster,
// and what it took is told as it would take with a round a minute.
func TestWatcher(t *testing.T) {
	every, most := time.Minute, 3*time.Minute
	if os.Getenv("PROOF_SCALE") != "full" {
		every, most = 2*time.Second, 2*most // beside other tests; a second of theirs counts for half a minute
	}
	p := &watcherProof{told: map[string]time.Time{}, patience: time.Minute + 5*every}
	people := httptest.NewServer(http.HandlerFunc(p.hear))
	t.Cleanup(people.Close)
	second := p.installation(t, "second", "[watch]\nevery = \"0s\"\n[messages]\nprivate = [\"127.0.0.1\"]\n")
	second.dewpost(t, "person", "add", "Ida", "--channel", "webhook:"+people.URL, "--letter", "none")

	ways := []struct {
		name  string
		begin func(*testing.T, *watched)
	}{
		{"killed", func(t *testing.T, w *watched) { require.NoError(t, w.cmd.Process.Kill()) }},
		{"stopped", func(t *testing.T, w *watched) { require.NoError(t, w.cmd.Process.Signal(syscall.SIGSTOP)) }},
		{"locked", func(t *testing.T, w *watched) { w.lock(t) }},
		{"full", func(t *testing.T, w *watched) { w.line(t, "fill") }},
		{"mail", func(t *testing.T, w *watched) { w.mail(t) }},
		{"broker", func(t *testing.T, w *watched) { require.NoError(t, w.broker.Process.Kill()) }},
		{"network", func(_ *testing.T, w *watched) { w.wire.cut() }},
	}
	var all []*watched
	for _, way := range ways {
		w := &watched{shopAt: p.installation(t, way.name, "")}
		out := second.dewpost(t, "watch", "add", way.name, "--every", every.String())
		_, url, ok := strings.Cut(out, "call = ")
		require.True(t, ok, out)
		w.configure(t, every, way.name, strings.TrimSpace(url))
		all = append(all, w)
	}
	second.serve(t)
	for i, w := range all {
		w.run(t, ways[i].name)
	}
	// All are sound, and stay it for a while; whoever came late is heard again.
	soundSince := func(since time.Time) bool {
		var list struct {
			Items []struct {
				Heard, Silent *time.Time
			}
		}
		require.NoError(t, json.Unmarshal([]byte(second.dewpost(t, "watch", "list", "--json")), &list))
		return !slices.ContainsFunc(list.Items, func(x struct{ Heard, Silent *time.Time }) bool {
			return x.Heard == nil || x.Silent != nil || x.Heard.Before(since)
		})
	}
	p.until(t, "all are sound", func() bool { return soundSince(time.Time{}) })
	p.forget()
	began := time.Now()
	p.until(t, "all stay sound", func() bool { return soundSince(began.Add(3 * every)) })
	require.Empty(t, p.forget(), "sound ones are left alone")

	broken := map[string]time.Time{}
	for i, w := range all {
		broken[ways[i].name] = time.Now()
		ways[i].begin(t, w)
		if ways[i].name == "mail" {
			broken["mail"] = time.Now()
		}
	}
	p.until(t, "all are told of", func() bool { return len(p.so()) == len(ways) })
	worst := time.Duration(0)
	for name, at := range p.so() {
		took := time.Duration(float64(at.Sub(broken[name])) * float64(time.Minute) / float64(every))
		t.Logf("watcher(%s): s=%.0f", name, took.Seconds())
		worst = max(worst, took)
	}
	fmt.Printf("watcher: ways=%d worst_s=%.0f\n", len(ways), worst.Seconds())
	require.Less(t, worst, most)
}

type watcherProof struct {
	patience time.Duration

	mu   sync.Mutex
	told map[string]time.Time // by installation
}

// hear is the receiver of those who are told.
func (p *watcherProof) hear(_ http.ResponseWriter, r *http.Request) {
	var event struct {
		ID string `json:"id"`
	}
	if err := json.NewDecoder(r.Body).Decode(&event); err != nil {
		return
	}
	part := strings.Split(event.ID, ":") // watch:NAME:1, and :again when it is heard
	p.mu.Lock()
	defer p.mu.Unlock()
	if _, known := p.told[part[1]]; len(part) == 3 && !known {
		p.told[part[1]] = time.Now()
	}
}

func (p *watcherProof) so() map[string]time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	return maps.Clone(p.told)
}

func (p *watcherProof) forget() map[string]time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	told := p.told
	p.told = map[string]time.Time{}
	return told
}

func (p *watcherProof) until(t *testing.T, what string, is func() bool) {
	t.Helper()
	require.Eventually(t, is, p.patience, 50*time.Millisecond, what)
}

// shopAt is one installation.
type shopAt struct {
	name, dir, config, text string
	pages                   string
}

func (p *watcherProof) installation(t *testing.T, name, more string) *shopAt {
	t.Helper()
	s := &shopAt{name: name, dir: t.TempDir(), pages: freeAddr(t)}
	s.config = filepath.Join(s.dir, "dewpost.toml")
	s.write(t, fmt.Sprintf("[pages]\nlisten = %q\n[stations]\nlisten = %q\n[store]\npath = %q\n", s.pages, freeAddr(t), filepath.Join(s.dir, "dewpost.db"))+more)
	return s
}

func (s *shopAt) write(t *testing.T, text string) {
	t.Helper()
	s.text = text
	require.NoError(t, os.WriteFile(s.config, []byte(text), 0o600))
}

func (s *shopAt) dewpost(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command("dewpost", append(args, "-c", s.config)...).CombinedOutput()
	require.NoError(t, err, "dewpost %v: %s", args, out)
	return string(out)
}

// program starts one that lives as long as the test.
func (s *shopAt) program(t *testing.T, cmd *exec.Cmd) *exec.Cmd {
	t.Helper()
	log, err := os.Create(filepath.Join(s.dir, "log"))
	require.NoError(t, err)
	cmd.Stdout, cmd.Stderr = log, log
	require.NoError(t, cmd.Start())
	require.NoError(t, log.Close())
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()
		if t.Failed() {
			text, _ := os.ReadFile(filepath.Join(s.dir, "log"))
			t.Logf("%s:\n%s", s.name, text)
		}
	})
	return cmd
}

func (s *shopAt) serve(t *testing.T) *exec.Cmd {
	t.Helper()
	return s.program(t, exec.Command("dewpost", "serve", "-c", s.config))
}

// watched is an installation that is watched, and what is broken about it.
type watched struct {
	*shopAt
	cmd    *exec.Cmd
	tell   io.WriteCloser // to the program around it
	broker *exec.Cmd
	wire   *wire
	stuck  chan struct{} // closed when the mail server has a connection
}

// configure writes how it calls, and what it needs for its way to break.
func (w *watched) configure(t *testing.T, every time.Duration, way, call string) {
	t.Helper()
	if way == "network" {
		w.wire = newWire(t, call)
		call = w.wire.url
	}
	text := w.text + fmt.Sprintf("[watch]\nevery = %q\ncall = %s\n", every, call)
	switch way {
	case "full":
		text = strings.ReplaceAll(text, filepath.Join(w.dir, "dewpost.db"), filepath.Join(w.dir, "disk", "dewpost.db"))
		require.NoError(t, os.Mkdir(filepath.Join(w.dir, "disk"), 0o700))
	case "mail":
		text += fmt.Sprintf("[mail]\nserver = %q\nfrom = \"dewpost@otter-lane.example\"\n", w.silentServer(t))
	case "broker":
		addr := freeAddr(t)
		_, port, err := net.SplitHostPort(addr)
		require.NoError(t, err)
		conf := filepath.Join(w.dir, "mosquitto.conf")
		require.NoError(t, os.WriteFile(conf, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\nuse_username_as_clientid true\nuser root\n"), 0o600))
		w.broker = (&shopAt{name: "mosquitto", dir: t.TempDir()}).program(t, exec.Command("mosquitto", "-c", conf))
		password := filepath.Join(w.dir, "password")
		require.NoError(t, os.WriteFile(password, []byte("x\n"), 0o600))
		text += fmt.Sprintf("[broker]\nurl = %q\npassword_file = %q\n", "tcp://"+addr, password)
	}
	w.write(t, text)
	if way == "mail" {
		w.dewpost(t, "person", "add", "Ben", "--channel", "mail:ben@otter-lane.example", "--letter", "none")
	}
}

func (w *watched) run(t *testing.T, way string) {
	t.Helper()
	if way != "full" {
		w.cmd = w.serve(t)
		return
	}
	// A disk of its own, in a name space of its own, which goes with it. The store
	// is made before, so that its log of changes has no room left over on the disk.
	flags := "-m"
	if os.Geteuid() != 0 {
		flags = "-Urm"
	}
	script := `mount -t tmpfs -o size=8m tmpfs "$1" || exit 1
dewpost site add made name=Made -c "$2" || exit 1
exec 3<&0
(read -r word <&3 && cat /dev/zero >"$1/more" 2>/dev/null) &
exec dewpost serve -c "$2"`
	cmd := exec.Command("unshare", flags, "sh", "-c", script, "sh", filepath.Join(w.dir, "disk"), w.config)
	var err error
	w.tell, err = cmd.StdinPipe()
	require.NoError(t, err)
	w.cmd = w.program(t, cmd)
}

// line says something to the program around it.
func (w *watched) line(t *testing.T, text string) {
	t.Helper()
	_, err := io.WriteString(w.tell, text+"\n")
	require.NoError(t, err)
}

// lock keeps the database to itself.
func (w *watched) lock(t *testing.T) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "dewpost.db")+"?_pragma=busy_timeout(10000)")
	require.NoError(t, err)
	conn, err := db.Conn(t.Context())
	require.NoError(t, err)
	_, err = conn.ExecContext(t.Context(), "begin immediate")
	require.NoError(t, err)
	t.Cleanup(func() {
		_, _ = conn.ExecContext(context.Background(), "rollback")
		_ = conn.Close()
		_ = db.Close()
	})
}

// mail leaves a message to the collector, which another process sees by the next
// round, and waits until it hangs.
func (w *watched) mail(t *testing.T) {
	t.Helper()
	w.dewpost(t, "message", "test", "Ben", "--outbox")
	select {
	case <-w.stuck:
	case <-time.After(3 * time.Minute):
		require.Fail(t, "the message is not sent")
	}
}

// silentServer takes connections and says nothing.
func (w *watched) silentServer(t *testing.T) string {
	t.Helper()
	w.stuck = make(chan struct{})
	first := sync.OnceFunc(func() { close(w.stuck) })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			first()
			t.Cleanup(func() { _ = conn.Close() })
		}
	}()
	return l.Addr().String()
}

// wire is a network between an installation and the outside.
type wire struct {
	url string
	l   net.Listener

	mu    sync.Mutex
	gone  bool
	conns []net.Conn
}

// newWire leads to where a URL, in quotes, leads.
func newWire(t *testing.T, quoted string) *wire {
	t.Helper()
	at := quoted[strings.Index(quoted, "@")+1:]
	host, _, _ := strings.Cut(at, "/")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	w := &wire{l: l, url: strings.Replace(quoted, host, l.Addr().String(), 1)}
	t.Cleanup(w.cut)
	go func() {
		for {
			from, err := l.Accept()
			if err != nil {
				return
			}
			to, err := net.Dial("tcp", host)
			if err != nil {
				_ = from.Close()
				continue
			}
			w.mu.Lock()
			w.conns = append(w.conns, from, to)
			w.mu.Unlock()
			go func() { _, _ = io.Copy(to, from) }()
			go func() { _, _ = io.Copy(from, to) }()
		}
	}()
	return w
}

func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.gone {
		return
	}
	w.gone = true
	_ = w.l.Close()
	for _, c := range w.conns {
		_ = c.Close()
	}
}
