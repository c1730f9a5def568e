package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/collector/doctor"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// A collector is backed up while readings flow, goes on, is killed, and is put
// back from the backup; its agents go on where they were, with readings of a
// month ago among the new ones, and repeat some. All that they still had is
// there once, the ledger is that of an offline assessment of what is there, and
// what is missing is told to the number and the minute. Then the lost store
// turns up, and with what it has the ledger is that of all that was ever taken.
func TestBackupAndRestore(t *testing.T) {
	const early, first, all = 5500, 6000, 7500 // readings of each station: that flow while it is backed up, before the loss, in the end
	w := &workshop{dir: t.TempDir(), series: []series{{station: "lake-07", maxGap: "30m"}, {station: "quay-1", maxGap: "30m"}}}
	build(t, w.dir, "dewpost", "dewpost-agent")
	for i := range w.series {
		w.series[i].file = filepath.Join(w.dir, w.series[i].station+".csv")
		writeLog(t, w.series[i].file, i, 1, early)
	}
	s := w.shop(t, false)
	collector := s.serve(t)
	config := s.agentConfig(t)
	agent := s.agent(t, config)
	require.Eventually(t, func() bool { return s.stored(t) > 1000 }, time.Minute, time.Millisecond)
	file := filepath.Join(s.dir, "made.backup")
	s.dewpost(t, "backup", file, "-c", s.config)
	require.GreaterOrEqual(t, s.metric(t, "dewpost_backup_age_seconds"), 0)
	require.NoError(t, agent.Wait(), "the agent ends when all is receipted")
	for i := range w.series { // at least these come after the backup
		writeLog(t, w.series[i].file, i, 1, first)
	}
	require.NoError(t, s.agent(t, config).Wait())
	require.Equal(t, len(w.series)*first, s.stored(t))
	out := s.fails(t, "restore", file, "-c", s.config)
	require.Contains(t, out, "it is open in a collector")
	require.NoError(t, collector.Process.Kill())
	_ = collector.Wait() // killed, and that is its error

	lost := filepath.Join(s.dir, "lost")
	require.NoError(t, os.Mkdir(lost, 0o700))
	for _, name := range []string{"dewpost.db", "dewpost.db-wal", "dewpost.db-shm"} {
		require.NoError(t, os.Rename(filepath.Join(s.dir, name), filepath.Join(lost, name)))
	}
	was := s.seen(t, file)
	out = string(s.dewpost(t, "restore", file, "-c", s.config))
	require.Contains(t, out, "At risk: readings received from "+was.made.String()+" until the lost collector stopped")

	// The agents go on with their spools as they are; nothing was changed there.
	for i := range w.series {
		writeLog(t, w.series[i].file, i, 1, all)
	}
	collector = s.serve(t)
	require.NoError(t, s.agent(t, config).Wait())
	missing := 0
	for i := range w.series {
		x := &w.series[i]
		missing += first - len(was.rows[x.station])
		s.repeat(t, x.station)
	}
	t.Logf("%d readings were received after the backup", missing)
	require.GreaterOrEqual(t, missing, len(w.series)*(first-early))
	require.Equal(t, len(w.series)*all-missing, s.stored(t), "each once")
	require.Equal(t, missing, s.metric(t, "dewpost_readings_discarded"))
	s.matches(t, func(i, row int) bool { return row > first || was.rows[w.series[i].station][row] })

	holes := s.holes(t)
	for i := range w.series {
		x := &w.series[i]
		for from := 1; from <= first; from++ {
			to := from
			for to <= first && !was.rows[x.station][to] {
				to++
			}
			if to == from {
				continue
			}
			require.Contains(t, holes, fmt.Sprintf("%s: %d readings are missing since a backup of %s", x.station, to-from, was.made.Time().Format(time.RFC3339)))
			where := "before the reading of " + logTime(i, to).Format(time.RFC3339)
			if from > 1 {
				where = fmt.Sprintf("between the readings of %s and %s", logTime(i, from-1).Format(time.RFC3339), logTime(i, to).Format(time.RFC3339))
			}
			require.Contains(t, holes, fmt.Sprintf("seq %d to %d of run %s, %s.", from, to-1, was.run[x.station], where))
			from = to
		}
	}

	out = string(s.dewpost(t, "restore", "--salvage", filepath.Join(lost, "dewpost.db"), "-c", s.config))
	require.Regexp(t, fmt.Sprintf(`in all +%d readings +and 0 refused`, missing), out)
	require.Equal(t, len(w.series)*all, s.stored(t), "the collector sees what another process took over")
	// It folds that within a minute, or when it starts.
	require.NoError(t, collector.Process.Signal(syscall.SIGTERM))
	require.NoError(t, collector.Wait())
	s.serve(t)
	require.Zero(t, s.metric(t, "dewpost_readings_discarded"))
	s.matches(t, func(int, int) bool { return true })
	require.Empty(t, s.holes(t))
}

// logTime is the time of a station's row: every tenth row of the second part is
// a month late.
func logTime(station, row int) time.Time {
	at := time.Date(2026, 3, 1, 0, station, 0, 0, time.UTC).Add(time.Duration(row) * 10 * time.Minute)
	if row > 6001 && row%10 == 0 {
		at = at.AddDate(0, 0, -30).Add(3 * time.Minute)
	}
	return at
}

func writeLog(t *testing.T, path string, station, from, to int, but ...func(row int) bool) {
	t.Helper()
	var b bytes.Buffer
	fmt.Fprintln(&b, "time,inside_temp_c,inside_rh_pct,board_temp_c")
	for row := from; row <= to; row++ {
		if len(but) > 0 && !but[0](row) {
			continue
		}
		x := float64(row)
		temp := 8 + 6*math.Sin(x/23)
		fmt.Fprintf(&b, "%s,%.2f,%.2f,%.2f\n", logTime(station, row).Format(time.RFC3339), temp, 85+14*math.Sin(x/37+float64(station)), temp-math.Cos(x/11))
	}
	require.NoError(t, os.WriteFile(path, b.Bytes(), 0o600))
}

// fails runs a command that must end with an error, and returns what it says.
func (s *shop) fails(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command(filepath.Join(s.workshop.dir, "dewpost"), args...).CombinedOutput()
	require.Error(t, err)
	return string(out)
}

// inBackup is what a backup has of each station: mostly its first rows, but
// messages on their way may have overtaken each other.
type inBackup struct {
	made unit.Instant
	rows map[string]map[int]bool
	run  map[string]string
}

func (s *shop) seen(t *testing.T, file string) inBackup {
	t.Helper()
	b, err := store.OpenReadOnly(t.Context(), file)
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	made, err := b.Verify(t.Context())
	require.NoError(t, err)
	out := inBackup{made: made.Made, rows: map[string]map[int]bool{}, run: map[string]string{}}
	for _, x := range s.series {
		list, err := b.Readings(t.Context(), x.station, math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		require.NotEmpty(t, list)
		rows := map[int]bool{}
		for i := range list {
			rows[int(list[i].Seq)] = true
		}
		out.rows[x.station], out.run[x.station] = rows, list[0].Run
	}
	return out
}

// repeat sends some readings of a station again, old ones and new ones, and
// waits for the receipt.
func (s *shop) repeat(t *testing.T, station string) {
	t.Helper()
	look, err := store.OpenReadOnly(t.Context(), filepath.Join(s.dir, "dewpost.db"))
	require.NoError(t, err)
	list, err := look.Readings(t.Context(), station, math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	require.NoError(t, look.Close())
	var payload []byte
	for i := 0; i < len(list); i += len(list) / 100 {
		payload, err = reading.AppendLine(payload, station, &list[i], 0)
		require.NoError(t, err)
	}
	secret := s.secret(t, station)
	receipted := make(chan struct{}, 1)
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + s.stations).SetUsername(station).SetPassword(secret.Password()).SetClientID("again"))
	do := func(token mqtt.Token) {
		require.True(t, token.WaitTimeout(10*time.Second))
		require.NoError(t, token.Error())
	}
	do(client.Connect())
	defer client.Disconnect(100)
	do(client.Subscribe(receipt.Topic(station, receipt.LeafReceipt), 1, func(_ mqtt.Client, m mqtt.Message) {
		if !m.Retained() {
			select {
			case receipted <- struct{}{}:
			default:
			}
		}
	}))
	before := s.metric(t, "dewpost_readings_repeated_total")
	do(client.Publish(receipt.Topic(station, receipt.LeafReadings), 1, false, payload))
	select {
	case <-receipted:
	case <-time.After(10 * time.Second):
		t.Fatal("no receipt")
	}
	require.Equal(t, before+strings.Count(string(payload), "\n"), s.metric(t, "dewpost_readings_repeated_total"))
}

// matches compares the collector's ledger with an offline assessment of the
// given rows.
func (s *shop) matches(t *testing.T, there func(station, row int) bool) {
	t.Helper()
	for i := range s.series {
		x := &s.series[i]
		log := x.file
		x.file = filepath.Join(s.workshop.dir, x.station+"-there.csv")
		x.hours, x.found = nil, nil
		writeLog(t, x.file, i, 1, 7500, func(row int) bool { return there(i, row) })
		sortLog(t, x.file)
		s.assess(t, x)
		x.file = log
	}
	s.compare(t)
}

// sortLog puts a log in the order of time, which assess wants.
func sortLog(t *testing.T, path string) {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	lines := strings.SplitAfter(strings.TrimSuffix(string(text), "\n")+"\n", "\n")
	head, rows := lines[0], lines[1:len(lines)-1]
	slices.Sort(rows)
	require.NoError(t, os.WriteFile(path, []byte(head+strings.Join(rows, "")), 0o600))
}

// holes is what the doctor says of what restores left missing.
func (s *shop) holes(t *testing.T) string {
	t.Helper()
	cmd := exec.Command(filepath.Join(s.workshop.dir, "dewpost"), "doctor", "--json", "-c", s.config)
	out, _ := cmd.Output() // exit 1 when there is something to do
	var r doctor.Report
	require.NoError(t, json.Unmarshal(out, &r), string(out))
	var says []string
	for _, l := range r.Know {
		if l.About == "restore" {
			says = append(says, l.Says)
		}
	}
	return strings.Join(says, "\n")
}
