package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/rules/boxsim"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// The main job on real input: a built agent replays a log through a real
// broker to a built collector, and every ledger hour that the collector serves
// equals an offline assessment of the same log, to the last digit. The series
// are those of testdata, a simulated one long enough that 12,000 known hours
// are asserted everywhere, and the paired attic series where ../shared/data is
// there. It ends with the line of the proof named main.
func TestMainJob(t *testing.T) {
	began := time.Now()
	w := newWorkshop(t)
	known, readings := 0.0, 0
	for i := range w.series {
		known += w.series[i].knownH
		readings += w.series[i].rows
	}
	require.Greater(t, known, 12_000.0)
	alarms := 0
	t.Run("mosquitto", func(t *testing.T) { alarms = w.replay(t, true, false) })
	t.Run("embedded broker", func(t *testing.T) { require.Equal(t, alarms, w.replay(t, false, false)) })
	t.Run("killed half-way", func(t *testing.T) { require.Equal(t, alarms, w.replay(t, false, true)) })
	t.Run("backwards in shuffled batches", func(t *testing.T) { require.Equal(t, alarms, w.backwards(t)) })
	if t.Failed() {
		return
	}
	fmt.Printf("main: readings=%d known_h=%.1f ledger_equal=true alarms=%d seconds=%.1f\n",
		4*readings, 4*known, 4*alarms, time.Since(began).Seconds())
}

// series is one log and what is expected of it.
type series struct {
	station string
	file    string
	maps    []string // as for assess --map
	maxGap  string

	rows   int
	knownH float64
	hours  []map[string]string // rows of assess --hourly
	found  []foundIn           // findings of assess --json
}

type foundIn struct {
	Kind      string  `json:"kind"`
	From      string  `json:"from"`
	To        *string `json:"to"`
	Concluded string  `json:"concluded"`
}

// workshop is a folder with the built programs and the series.
type workshop struct {
	dir    string
	series []series
}

// build builds programs as packages have them, without C, into a folder.
func build(t *testing.T, dir string, programs ...string) {
	t.Helper()
	for _, program := range programs {
		cmd := exec.Command("go", "build", "-o", filepath.Join(dir, program), "dewpost/cmd/"+program)
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
	}
}

func newWorkshop(t *testing.T) *workshop {
	t.Helper()
	w := &workshop{dir: t.TempDir()}
	build(t, w.dir, "dewpost", "dewpost-agent")
	motes, err := filepath.Abs("../../testdata/replay/single_hop_sensor_network.csv")
	require.NoError(t, err)
	w.series = []series{
		{station: "motes", file: motes, maxGap: "30m"},
		{station: "simulated", file: w.simulated(t), maxGap: "40m"},
	}
	attic := "../../../shared/data/paired_attic_fi_2010_2012.csv.gz"
	if _, err := os.Stat(attic); err == nil {
		w.series = append(w.series, series{
			station: "attic", file: w.unzip(t, attic), maxGap: "90m",
			maps: []string{"surface_temp_c=board_temp_c", "surface_rh_pct="},
		})
	} else {
		t.Logf("without the paired attic series: %v", err)
	}
	for i := range w.series {
		w.assess(t, &w.series[i])
	}
	return w
}

// simulated writes 18 months of a simulated box at 20 minutes, with failing
// reads, to a log.
func (w *workshop) simulated(t *testing.T) string {
	t.Helper()
	path := filepath.Join(w.dir, "simulated.csv")
	f, err := os.Create(path)
	require.NoError(t, err)
	out := bufio.NewWriter(f)
	channels := []reading.Channel{reading.InsideTemp, reading.InsideRH, reading.BoardTemp, reading.CoverTemp, reading.OutsideTemp, reading.OutsideRH, reading.LineCurrent}
	fmt.Fprint(out, "time")
	for _, c := range channels {
		fmt.Fprint(out, ","+c.Name())
	}
	fmt.Fprintln(out)
	at := time.Date(2024, 4, 1, 0, 0, 0, 0, time.UTC)
	box := boxsim.New(boxsim.NewWeather(boxsim.Lakeside(), 5), boxsim.Box{
		TauH: 40, SkyCoolingK: 3, SelfHeatK: 0.5, SunGainK: 6, StandbyMA: 12, Noise: 1, FailShare: 0.002,
		HasBoard: true, HasCover: true, HasOutside: true, HasLine: true,
	}, []boxsim.Fault{{Kind: boxsim.WaterInside, From: unit.At(at.AddDate(1, 5, 10)), Size: 40}}, 5, unit.At(at))
	for end := at.AddDate(0, 18, 0); at.Before(end); at = at.Add(20 * time.Minute) {
		r := box.Next(unit.At(at))
		fmt.Fprint(out, at.Format(time.RFC3339))
		for _, c := range channels {
			cell := ""
			if v, ok := r.Get(c); ok {
				cell = strconv.FormatFloat(v, 'f', -1, 64)
			}
			fmt.Fprint(out, ","+cell)
		}
		fmt.Fprintln(out)
	}
	require.NoError(t, out.Flush())
	require.NoError(t, f.Close())
	return path
}

func (w *workshop) unzip(t *testing.T, path string) string {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	text, err := io.ReadAll(z)
	require.NoError(t, err)
	plain := filepath.Join(w.dir, strings.TrimSuffix(filepath.Base(path), ".gz"))
	require.NoError(t, os.WriteFile(plain, text, 0o600))
	return plain
}

func (w *workshop) dewpost(t *testing.T, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(filepath.Join(w.dir, "dewpost"), args...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, "dewpost %v: %s", args, stderr.String())
	return out
}

// assess fills in what an offline assessment says.
func (w *workshop) assess(t *testing.T, s *series) {
	t.Helper()
	hourly := filepath.Join(w.dir, s.station+"-hours.csv")
	args := []string{"assess", s.file, "--json", "--max-gap", s.maxGap, "--hourly", hourly}
	for _, m := range s.maps {
		args = append(args, "--map", m)
	}
	var a struct {
		Readings int `json:"readings"`
		Coverage struct {
			KnownH float64 `json:"known_h"`
		} `json:"coverage"`
		Findings []foundIn `json:"findings"`
	}
	require.NoError(t, json.Unmarshal(w.dewpost(t, args...), &a))
	s.rows, s.knownH, s.found = a.Readings, a.Coverage.KnownH, a.Findings
	f, err := os.Open(hourly)
	require.NoError(t, err)
	defer f.Close()
	table, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	for _, row := range table[1:] {
		hour := map[string]string{}
		for i, name := range table[0] {
			hour[name] = row[i]
		}
		s.hours = append(s.hours, hour)
	}
	require.NotEmpty(t, s.hours)
}

// shop is one installation: config, store, enrolled stations, maybe a broker.
type shop struct {
	*workshop
	dir, config, broker string
	pages               string // URL, once served
	stations            string // address of the embedded broker
	mosquitto           *exec.Cmd
	logs                map[*exec.Cmd]*bytes.Buffer // to be read once the program has ended
}

func (w *workshop) shop(t *testing.T, mosquitto bool) *shop {
	t.Helper()
	s := &shop{workshop: w, dir: t.TempDir()}
	s.config = filepath.Join(s.dir, "dewpost.toml")
	s.stations = freeAddr(t)
	text := fmt.Sprintf("[pages]\nlisten = %q\n[stations]\nlisten = %q\n[store]\npath = %q\n", "127.0.0.1:0", s.stations, filepath.Join(s.dir, "dewpost.db"))
	if mosquitto {
		s.broker = freeAddr(t)
		text += fmt.Sprintf("[broker]\nurl = %q\npassword_file = %q\n", "tcp://"+s.broker, filepath.Join(s.dir, "collector.password"))
		require.NoError(t, os.WriteFile(filepath.Join(s.dir, "collector.password"), []byte("of the test\n"), 0o600))
	}
	require.NoError(t, os.WriteFile(s.config, []byte(text), 0o600))
	for _, x := range w.series {
		s.dewpost(t, "station", "add", x.station, "-c", s.config, "--out", filepath.Join(s.dir, x.station), "max_gap="+x.maxGap)
	}
	if mosquitto {
		s.startMosquitto(t)
	}
	return s
}

// freeAddr returns an address that a program can listen on later. Its port is
// none that the system gives to connections, of which other tests make
// thousands: one of them would sit on it by then.
func freeAddr(t *testing.T) string {
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

func (s *shop) secret(t *testing.T, station string) receipt.Secret {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(s.dir, station, station+".secret"))
	require.NoError(t, err)
	secret, err := receipt.ParseSecret(string(text))
	require.NoError(t, err)
	return secret
}

// startMosquitto runs Debian's broker with the config and the access list of
// deploy.
func (s *shop) startMosquitto(t *testing.T) {
	t.Helper()
	passwords := filepath.Join(s.dir, "passwords")
	require.NoError(t, os.WriteFile(passwords, nil, 0o600))
	add := func(user, password string) {
		out, err := exec.Command("mosquitto_passwd", "-b", passwords, user, password).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	add("collector", "of the test")
	for _, x := range s.series {
		add(x.station, s.secret(t, x.station).Password())
	}
	acl, err := filepath.Abs("../../deploy/mosquitto.acl")
	require.NoError(t, err)
	sample, err := os.ReadFile("../../deploy/mosquitto.conf")
	require.NoError(t, err)
	_, port, err := net.SplitHostPort(s.broker)
	require.NoError(t, err)
	text := strings.NewReplacer(
		"listener 1883", "listener "+port, "/etc/mosquitto/dewpost.passwords", passwords, "/etc/mosquitto/mosquitto.acl", acl,
		"/var/lib/mosquitto/", s.dir+"/",
	).Replace(string(sample)) + "user root\n"
	require.NoError(t, os.WriteFile(filepath.Join(s.dir, "mosquitto.conf"), []byte(text), 0o600))
	s.startBroker(t)
}

// startBroker starts Mosquitto, or starts it again.
func (s *shop) startBroker(t *testing.T) {
	t.Helper()
	s.mosquitto = s.start(t, exec.Command("mosquitto", "-c", filepath.Join(s.dir, "mosquitto.conf")), "mosquitto")
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", s.broker)
		if err == nil {
			c.Close()
		}
		return err == nil
	}, 10*time.Second, 20*time.Millisecond)
}

// start runs a program until the test ends; its output is shown when the test
// fails.
func (s *shop) start(t *testing.T, cmd *exec.Cmd, name string) *exec.Cmd {
	t.Helper()
	log := &bytes.Buffer{}
	if s.logs == nil {
		s.logs = map[*exec.Cmd]*bytes.Buffer{}
	}
	s.logs[cmd] = log
	if cmd.Stdout == nil {
		cmd.Stdout = log
	}
	cmd.Stderr = log
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		if cmd.ProcessState == nil {
			_ = cmd.Process.Signal(syscall.SIGTERM)
			_ = cmd.Wait()
		}
		if t.Failed() {
			t.Logf("%s:\n%s", name, log.String())
		}
	})
	return cmd
}

// serve starts the collector and waits for its address.
func (s *shop) serve(t *testing.T) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(filepath.Join(s.workshop.dir, "dewpost"), "serve", "-c", s.config)
	r, w, err := os.Pipe()
	require.NoError(t, err)
	cmd.Stdout = w
	s.start(t, cmd, "collector")
	require.NoError(t, w.Close())
	line, err := bufio.NewReader(r).ReadString('\n')
	require.NoError(t, err)
	s.pages = strings.TrimSpace(strings.TrimPrefix(line, "pages "))
	return cmd
}

// agentConfig writes the config of an agent that replays all series.
func (s *shop) agentConfig(t *testing.T) string {
	t.Helper()
	addr := s.stations
	if s.broker != "" {
		addr = s.broker
	}
	text := fmt.Sprintf("broker = %q\nspool_dir = %q\nretry = \"2s\"\n[replay]\nexit_when_done = true\n", "mqtt://"+addr, filepath.Join(s.dir, "spool"))
	for _, x := range s.series {
		text += fmt.Sprintf("[[station]]\nid = %q\nsecret_file = %q\n[station.replay]\nfile = %q\nspeed = 0.0\n", x.station, filepath.Join(s.dir, x.station, x.station+".secret"), x.file)
		if len(x.maps) > 0 {
			text += fmt.Sprintf("map = [\"%s\"]\n", strings.Join(x.maps, `", "`))
		}
	}
	path := filepath.Join(s.dir, "agent.toml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

func (s *shop) agent(t *testing.T, config string) *exec.Cmd {
	t.Helper()
	return s.start(t, exec.Command(filepath.Join(s.workshop.dir, "dewpost-agent"), "run", "-c", config), "agent")
}

// replay runs agent and collector over all series and compares; it returns the
// number of findings.
func (w *workshop) replay(t *testing.T, mosquitto, killed bool) int {
	s := w.shop(t, mosquitto)
	collector := s.serve(t)
	config := s.agentConfig(t)
	agent := s.agent(t, config)
	if killed {
		half := 0
		for i := range w.series {
			half += w.series[i].rows / 2
		}
		require.Eventually(t, func() bool { return s.stored(t) > half }, time.Minute, 5*time.Millisecond)
		require.NoError(t, agent.Process.Kill())
		require.NoError(t, collector.Process.Kill())
		_, _ = agent.Wait(), collector.Wait() // killed, and that is their error
		s.serve(t)
		agent = s.agent(t, config)
	}
	require.NoError(t, agent.Wait(), "the agent ends when all is receipted")
	return s.compare(t)
}

// stored asks the collector how many readings are on disk.
func (s *shop) stored(t *testing.T) int { return s.metric(t, "dewpost_readings_stored_total") }

func (s *shop) metric(t *testing.T, name string) int {
	t.Helper()
	for line := range strings.Lines(string(s.get(t, "/metrics"))) {
		if n, ok := strings.CutPrefix(line, name+" "); ok {
			x, err := strconv.ParseFloat(strings.TrimSpace(n), 64)
			require.NoError(t, err)
			return int(x)
		}
	}
	return -1
}

func (s *shop) get(t *testing.T, path string) []byte {
	t.Helper()
	req, err := http.NewRequestWithContext(context.Background(), http.MethodGet, s.pages+path, nil)
	require.NoError(t, err)
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, resp.StatusCode, "%s: %s", path, body)
	return body
}

// items reads all pages of a list of the API.
func (s *shop) items(t *testing.T, path string) (all []map[string]json.RawMessage) {
	t.Helper()
	next := ""
	for {
		q := url.Values{"limit": {"1000"}}
		if next != "" {
			q.Set("next", next)
		}
		var page struct {
			Items []map[string]json.RawMessage `json:"items"`
			Next  string                       `json:"next"`
		}
		require.NoError(t, json.Unmarshal(s.get(t, path+"?"+q.Encode()), &page))
		all = append(all, page.Items...)
		if next = page.Next; next == "" {
			return all
		}
	}
}

// compare waits until the ledger is folded and compares every hour and every
// finding with the offline assessment.
func (s *shop) compare(t *testing.T) (findings int) {
	t.Helper()
	require.Eventually(t, func() bool { return s.metric(t, "dewpost_stations_to_fold") == 0 }, time.Minute, 50*time.Millisecond)
	t.Logf("%d folds, %d hours written", s.metric(t, "dewpost_folds_total"), s.metric(t, "dewpost_ledger_rows_written_total"))
	for i := range s.series {
		x := &s.series[i]
		hours := s.items(t, "/api/v1/stations/"+x.station+"/hours")
		require.Len(t, hours, len(x.hours), x.station)
		for n, want := range x.hours {
			require.Empty(t, sameHour(want, hours[n]), "%s, hour %s", x.station, want["hour"])
		}
		findings += s.compareFindings(t, x)
	}
	return findings
}

// sameHour says which field differs; "" for none. Numbers are compared by
// their digits.
func sameHour(want map[string]string, got map[string]json.RawMessage) string {
	if len(got) != len(want) {
		return fmt.Sprintf("%d fields, want %d", len(got), len(want))
	}
	for name, text := range want {
		raw := string(got[name])
		if raw == "null" {
			raw = ""
		}
		if raw = strings.Trim(raw, `"`); raw != text {
			return fmt.Sprintf("%s is %q, want %q", name, raw, text)
		}
	}
	return ""
}

func (s *shop) compareFindings(t *testing.T, x *series) int {
	t.Helper()
	kept := map[string]bool{}
	for _, f := range s.items(t, "/api/v1/stations/"+x.station+"/findings") {
		// A blank in a log is a value that is absent; the agent that replays it
		// says that the read failed, and only such reads make a sensor suspect.
		if strings.Contains(string(f["evidence"]), `"failed_reads_`) {
			continue
		}
		if string(f["kind"]) != `"silent"` && string(f["revised"]) != "true" {
			kept[fmt.Sprintf("%s %s %s %s", f["kind"], f["from"], f["to"], f["concluded"])] = true
		}
	}
	for _, f := range x.found {
		to := "null"
		if f.To != nil {
			to = strconv.Quote(*f.To)
		}
		want := fmt.Sprintf("%q %q %s %q", f.Kind, f.From, to, f.Concluded)
		require.True(t, kept[want], "%s: finding %s is missing from %v", x.station, want, kept)
	}
	require.Len(t, kept, len(x.found), x.station)
	return len(x.found)
}

// backwards feeds the logs in batches, the last first and somewhat shuffled,
// with a publisher of its own that sends until the receipt covers all.
func (w *workshop) backwards(t *testing.T) int {
	s := w.shop(t, false)
	s.serve(t)
	seed, err := strconv.ParseUint(cmpOr(os.Getenv("PROOF_SEED"), "1"), 10, 64)
	require.NoError(t, err)
	t.Logf("seed %d", seed)
	var all sync.WaitGroup
	for i := range w.series {
		all.Go(func() { s.feedBackwards(t, &w.series[i], seed+uint64(i)) })
	}
	all.Wait()
	return s.compare(t)
}

func cmpOr(a, b string) string {
	if a == "" {
		return b
	}
	return a
}

const backwardsRun = "00000000000000aa"

func (s *shop) feedBackwards(t *testing.T, x *series, seed uint64) {
	batches := x.batches(t)
	rnd := rand.New(rand.NewPCG(seed, 3))
	for i, j := 0, len(batches)-1; i < j; i, j = i+1, j-1 {
		batches[i], batches[j] = batches[j], batches[i]
	}
	for i := range batches { // each moves a few places at most
		j := min(len(batches)-1, i+rnd.IntN(6))
		batches[i], batches[j] = batches[j], batches[i]
	}
	secret := s.secret(t, x.station)
	settled := make(chan struct{})
	var once sync.Once
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + s.stations).
		SetUsername(x.station).SetPassword(secret.Password()).SetClientID("backwards").SetOrderMatters(false))
	token := client.Connect()
	require.True(t, token.WaitTimeout(10*time.Second))
	require.NoError(t, token.Error())
	defer client.Disconnect(100)
	token = client.Subscribe(receipt.Topic(x.station, receipt.LeafReceipt), 1, func(_ mqtt.Client, m mqtt.Message) {
		if r, err := secret.Verify(x.station, m.Payload()); err == nil && r.Run == backwardsRun && r.Upto == int64(x.rows) {
			once.Do(func() { close(settled) })
		}
	})
	require.True(t, token.WaitTimeout(10*time.Second))
	require.NoError(t, token.Error())
	var sent []mqtt.Token
	for i, b := range batches {
		sent = append(sent, client.Publish(receipt.Topic(x.station, receipt.LeafReadings), 1, false, b))
		if i >= 8 { // on their way at a time
			require.True(t, sent[i-8].WaitTimeout(30*time.Second))
			require.NoError(t, sent[i-8].Error())
		}
	}
	select {
	case <-settled:
	case <-time.After(30 * time.Second):
		t.Errorf("%s: no receipt for all %d readings", x.station, x.rows)
	}
}

// batches encodes the log as an agent would, 150 lines a batch.
func (x *series) batches(t *testing.T) (batches [][]byte) {
	opt := logfile.Options{Name: x.file, Map: map[string]string{}}
	for _, m := range x.maps {
		from, to, _ := strings.Cut(m, "=")
		opt.Map[from] = to
	}
	f, err := os.Open(x.file)
	require.NoError(t, err)
	defer f.Close()
	seq := int64(0)
	_, err = logfile.Read(f, opt, func(rs []reading.Reading) error {
		for i := range rs {
			if seq%150 == 0 {
				batches = append(batches, nil)
			}
			seq++
			rs[i].Run, rs[i].Seq = backwardsRun, seq
			last := &batches[len(batches)-1]
			*last, err = reading.AppendLine(*last, x.station, &rs[i], 0)
			require.NoError(t, err)
		}
		return nil
	})
	require.NoError(t, err)
	return batches
}
