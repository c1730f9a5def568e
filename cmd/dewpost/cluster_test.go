package main

import (
	"bufio"
	"context"
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx"
	"github.com/stretchr/testify/require"

	"dewpost/collector/store"
	"dewpost/testdata/pgserver"
)

// They share a broker's subscription and a database.
const (
	clusterCollectors = 3
	clusterKills      = 12 // in one installation: then its logs are at their end
)

// TestCluster is the proof of that name: three collectors of one installation
// share what comes over Mosquitto and one PostgreSQL server. Collectors are
// killed -9 by lot, broker and server end as in a crash, while agents send. In the
// end every reading of every log is in the store once, every ledger hour is that
// of an offline assessment, and nobody was told anything twice more often than a
// program died.
func TestCluster(t *testing.T) {
	kills, seed := killsAndSeed(t, 4, 12, 300)
	rnd := rand.New(rand.NewPCG(seed, 0))
	w := custodyLogs(t, custodyRows, time.Now().UTC().Truncate(custodyStep).Add(-custodyRows*custodyStep)) // till now: people are told of what lasts
	sum, told, again, worst, done := &tally{}, 0, 0, 0.0, 0
	for done < kills && !t.Failed() {
		t.Run(strconv.Itoa(done), func(t *testing.T) {
			k := newCluster(t, w, sum, rnd)
			done += k.run(min(kills-done, clusterKills))
			k.settle()
			told, again, worst = told+k.told, again+k.again, max(worst, k.takeover.Seconds())
		})
	}
	if t.Failed() {
		return
	}
	require.Positive(t, told, "nobody was told anything: there was nothing to repeat")
	require.LessOrEqual(t, again, done)
	fmt.Printf("cluster: kills=%d lost=%d doubled=%d ledger_equal=true alarms=%d alarms_repeated=%d takeover_s=%.1f readings=%d\n",
		done, sum.lost.Load(), sum.doubled.Load(), told, again, worst, sum.readings.Load())
}

// cluster is one installation of several collectors.
type cluster struct {
	*killing
	server     *pgserver.Server
	url        string
	db         *sql.DB
	collectors []*exec.Cmd
	addresses  []string // of their pages
	said       []string // by each that ended
	takeover   time.Duration
	told       int
	again      int
}

func newCluster(t *testing.T, w *workshop, sum *tally, rnd *rand.Rand) *cluster {
	server, err := pgserver.Start()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, server.Stop()) })
	url, err := server.Database()
	require.NoError(t, err)
	k := &cluster{
		killing: &killing{custody: &custody{shop: w.shop(t, true), t: t, sum: sum}, rnd: rnd, agents: map[string]*exec.Cmd{}},
		server:  server, url: url, collectors: make([]*exec.Cmd, clusterCollectors), addresses: make([]string, clusterCollectors),
	}
	k.tellPeople()
	k.dewpost(t, "move", "--from", k.storePath(), "--to", url)
	k.db, err = sql.Open("pgx", url)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, k.db.Close()) })
	// A user of the broker for each.
	acl, err := os.ReadFile("../../deploy/mosquitto.acl")
	require.NoError(t, err)
	_, rights, ok := strings.Cut(string(acl), "\nuser collector\n")
	require.True(t, ok)
	for i := range k.collectors {
		out, err := exec.Command("mosquitto_passwd", "-b", filepath.Join(k.dir, "passwords"), k.user(i), "of the test").CombinedOutput()
		require.NoError(t, err, string(out))
		acl = fmt.Appendf(acl, "\nuser %s\n%s", k.user(i), rights)
		text := fmt.Sprintf("[pages]\nlisten = \"127.0.0.1:0\"\n[store]\npath = %q\nurl = %q\n[broker]\nurl = %q\nuser = %q\ngroup = \"workshop\"\npassword_file = %q\n",
			k.storePath(), url, "tcp://"+k.broker, k.user(i), filepath.Join(k.dir, "collector.password"))
		require.NoError(t, os.WriteFile(k.configOf(i), []byte(text), 0o600))
	}
	own := filepath.Join(k.dir, "mosquitto.acl")
	require.NoError(t, os.WriteFile(own, acl, 0o600))
	conf := filepath.Join(k.dir, "mosquitto.conf")
	text, err := os.ReadFile(conf)
	require.NoError(t, err)
	lines := strings.Split(string(text), "\n")
	for i := range lines {
		if strings.HasPrefix(lines[i], "acl_file ") {
			lines[i] = "acl_file " + own
		}
	}
	require.NoError(t, os.WriteFile(conf, []byte(strings.Join(lines, "\n")), 0o600))
	k.restartBroker()
	for i := range k.collectors {
		k.startOne(i)
	}
	return k
}

func (k *cluster) user(i int) string     { return fmt.Sprintf("collector-%d", i+1) }
func (k *cluster) configOf(i int) string { return filepath.Join(k.dir, k.user(i)+".toml") }

// startOne starts one of the collectors and waits for its address.
func (k *cluster) startOne(i int) {
	k.config = k.configOf(i)
	k.collectors[i] = k.serve(k.t)
	k.addresses[i] = k.pages
}

// endOne kills one of the collectors.
func (k *cluster) endOne(i int) {
	_, err := kill(k.collectors[i])
	require.NoError(k.t, err)
	k.said = append(k.said, k.logs[k.collectors[i]].String())
}

func (k *cluster) restartBroker() {
	_, err := kill(k.mosquitto)
	require.NoError(k.t, err)
	k.startBroker(k.t)
}

// onDuty is the server's process for the collector that is on duty; 0: none is.
func (k *cluster) onDuty() (pid int, err error) {
	err = k.db.QueryRowContext(context.Background(), `select coalesce(max(pid), 0) from pg_locks
		where locktype = 'advisory' and granted and objsubid = 1 and objid = 1685353329
			and database = (select oid from pg_database where datname = current_database())`).Scan(&pid)
	return pid, err
}

// run kills so many while agents send, and tells how many died.
func (k *cluster) run(kills int) (died int) {
	for i := range k.series {
		agent, err := k.launch(&k.series[i], false)
		require.NoError(k.t, err)
		k.agents[k.series[i].station] = agent
	}
	for died < kills {
		time.Sleep(time.Duration(100+k.rnd.IntN(500)) * time.Millisecond) // the instant of a kill is drawn by lot
		was, err := k.onDuty()
		require.NoError(k.t, err)
		switch n := k.rnd.IntN(10); n {
		case 0:
			k.restartBroker()
			k.sum.kill("broker", true)
		case 1:
			require.NoError(k.t, k.server.Restart())
			k.awaitDuty(was, time.Now())
			k.sum.kill("database", true)
		default:
			i := n % clusterCollectors
			at := time.Now()
			k.endOne(i)
			k.awaitDuty(was, at)
			k.startOne(i)
			k.sum.kill("collector", true)
		}
		died++
	}
	k.stop()
	return died
}

// awaitDuty waits until somebody is on duty, and notes how long that took where it
// is another one.
func (k *cluster) awaitDuty(was int, since time.Time) {
	require.NoError(k.t, until("a collector is on duty", func() (bool, error) {
		pid, err := k.onDuty()
		if err != nil {
			return false, nil // a connection from before the server's restart
		}
		if pid != 0 && pid != was {
			k.takeover = max(k.takeover, time.Since(since))
		}
		return pid != 0, nil
	}))
}

// settle lets all be delivered and folded, and compares it.
func (k *cluster) settle() {
	k.drainAll()
	k.pages = k.addresses[0]
	require.NoError(k.t, until("all is folded", func() (bool, error) { return k.metric(k.t, "dewpost_stations_to_fold") == 0, nil }))
	require.NoError(k.t, until("messages are sent", func() (bool, error) { return k.metric(k.t, "dewpost_notices_unsent") == 0, nil }))
	s, err := store.Open(context.Background(), k.url)
	require.NoError(k.t, err)
	defer s.Close()
	for i := range k.series {
		x := &k.series[i]
		rs, err := s.Readings(context.Background(), x.station, math.MinInt64, math.MaxInt64)
		require.NoError(k.t, err)
		k.compareKept(x, stored(rs), 1)
	}
	for i := range k.collectors { // any may serve pages
		k.pages = k.addresses[i]
		k.compare(k.t)
	}
	_, err = s.Verify(context.Background())
	require.NoError(k.t, err)
	k.compareNotices(s)
}

// compareNotices compares what people were told with what they were to be told.
func (k *cluster) compareNotices(s *store.Store) {
	for i := range k.collectors {
		k.endOne(i)
	}
	heard := map[string]int{}
	for _, log := range k.said {
		for scanner := bufio.NewScanner(strings.NewReader(log)); scanner.Scan(); {
			if _, event, ok := strings.Cut(scanner.Text(), `msg="needs a person" event=`); ok {
				heard[strings.Fields(event)[0]]++
			}
		}
	}
	told := map[string]bool{}
	for i := range k.series {
		list, err := s.Occurrences(context.Background(), k.series[i].station)
		require.NoError(k.t, err)
		for j := range list {
			if list[j].Told {
				told[list[j].ID()] = true
			}
		}
	}
	for event, times := range heard {
		require.True(k.t, told[event], "people were told of %s", event)
		k.again += times - 1
	}
	require.Len(k.t, heard, len(told), "messages")
	k.told += len(told)
}
