package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/spool"
	"dewpost/collector/store"
	"dewpost/rules/reading"
)

// settle lets all that is left be delivered, and compares all of it.
func (k *killing) settle() {
	k.drainAll()
	k.compareServed(1)
	require.False(k.t, k.anyInFlight(time.Now()), "a kill would count, though all is receipted")
	for i := range k.series {
		k.compareSpool(&k.series[i])
	}
	if k.mosquitto != nil {
		n, err := k.dropped()
		require.NoError(k.t, err)
		k.sum.dropped.Add(n)
	}
}

// drainAll lets every agent send the rest of its log, and returns when all is
// receipted.
func (k *killing) drainAll() {
	errs := make([]error, len(k.series))
	var all sync.WaitGroup
	for i := range k.series {
		all.Go(func() { errs[i] = k.drain(&k.series[i]) })
	}
	all.Wait()
	require.NoError(k.t, errors.Join(errs...))
}

// drain lets a station's agent send the rest of its log.
func (k *killing) drain(x *series) error {
	agent, err := k.launch(x, true)
	if err != nil {
		return err
	}
	overdue := time.AfterFunc(patienceOfAll, func() { _ = agent.Process.Kill() }) // it may have ended
	defer overdue.Stop()
	if err := agent.Wait(); err != nil {
		return fmt.Errorf("%s: not all of its log was receipted: %w", x.station, err)
	}
	return nil
}

// compareServed compares what the API serves, and the store's own counts, with
// the logs, and the ledger with their offline assessment.
func (k *killing) compareServed(runs int) {
	require.NoError(k.t, until("all is folded", func() (bool, error) { return k.metric(k.t, "dewpost_stations_to_fold") == 0, nil }))
	items := int64(0)
	for i := range k.series {
		x := &k.series[i]
		list := served(k.t, k.items(k.t, "/api/v1/stations/"+x.station+"/readings"))
		items += int64(len(list))
		k.compareKept(x, list, runs)
	}
	k.compare(k.t)
	require.NoError(k.t, k.kept(func(s *store.Store) error {
		c, err := s.Counts(context.Background())
		if err != nil {
			return err
		}
		require.Equal(k.t, c.Stored, items, "readings stored and served")
		require.Equal(k.t, c.Received, c.Stored+c.Repeated, "received, and stored or repeated")
		require.Empty(k.t, c.Refused, "refused")
		require.Zero(k.t, c.Discarded, "given up by agents")
		_, err = s.Verify(context.Background())
		return err
	}))
}

// compareReadings is compareKept for all, straight from the store.
func (c *custody) compareReadings(runs int) {
	for i := range c.series {
		x := &c.series[i]
		rs, err := c.store.Readings(context.Background(), x.station, math.MinInt64, math.MaxInt64)
		require.NoError(c.t, err)
		require.Equal(c.t, int64(len(rs)), c.committed(x.station))
		c.compareKept(x, stored(rs), runs)
	}
}

// keptReading is a reading as the collector has it.
type keptReading struct {
	run    string
	seq    int64
	time   string
	values map[string]string // by channel, as text
}

func served(t require.TestingT, items []map[string]json.RawMessage) []keptReading {
	list := make([]keptReading, len(items))
	for i, item := range items {
		r := &list[i]
		require.NoError(t, json.Unmarshal(item["run"], &r.run))
		require.NoError(t, json.Unmarshal(item["seq"], &r.seq))
		require.NoError(t, json.Unmarshal(item["time"], &r.time))
		r.values = map[string]string{}
		for c := range reading.NumChannels {
			if v, ok := item[c.Name()]; ok {
				r.values[c.Name()] = string(v)
			}
		}
	}
	return list
}

func stored(rs []reading.Reading) []keptReading {
	list := make([]keptReading, len(rs))
	for i := range rs {
		r := &list[i]
		*r = keptReading{run: rs[i].Run, seq: rs[i].Seq, time: rs[i].Time.String(), values: map[string]string{}}
		for c := range reading.NumChannels {
			if v, ok := rs[i].Get(c); ok {
				r.values[c.Name()] = strconv.FormatFloat(v, 'f', -1, 64)
			}
		}
	}
	return list
}

// compareKept looks for every row of a station's log: row n is number n of
// whichever run it was sent in. The run that has most of them must have all.
func (c *custody) compareKept(x *series, list []keptReading, runs int) {
	rows := logRows(c.t, x.file)
	times := map[string]map[int64]int{} // by run and number
	for i := range list {
		r := &list[i]
		if times[r.run] == nil {
			times[r.run] = map[int64]int{}
		}
		if times[r.run][r.seq]++; times[r.run][r.seq] > 1 {
			c.sum.doubled.Add(1)
		}
		require.True(c.t, 1 <= r.seq && r.seq <= int64(len(rows)), "%s: run %s, number %d: the log has %d rows", x.station, r.run, r.seq, len(rows))
		want := rows[r.seq-1]
		require.Equal(c.t, want.time, r.time, "%s: run %s, number %d", x.station, r.run, r.seq)
		require.Equal(c.t, want.values, r.values, "%s: run %s, number %d", x.station, r.run, r.seq)
	}
	most := 0
	for _, seqs := range times {
		most = max(most, len(seqs))
	}
	c.sum.lost.Add(int64(len(rows) - most))
	c.sum.readings.Add(int64(most))
	require.Equal(c.t, len(rows), most, "%s: readings of the log in the store", x.station)
	require.Zero(c.t, c.sum.doubled.Load(), "%s: readings doubled", x.station)
	require.Len(c.t, times, runs, "%s: runs", x.station)
}

// logRows reads a log.
func logRows(t require.TestingT, path string) []keptReading {
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	table, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	rows := make([]keptReading, len(table)-1)
	for i, cells := range table[1:] {
		rows[i] = keptReading{time: cells[0], values: map[string]string{}}
		for n, cell := range cells[1:] {
			if cell != "" {
				rows[i].values[table[0][1+n]] = cell
			}
		}
	}
	return rows
}

// compareSpool looks at what an agent says of its readings, after all.
func (k *killing) compareSpool(x *series) {
	sp, err := spool.Open(filepath.Join(k.dir, "spool", x.station), spool.Options{})
	require.NoError(k.t, err)
	s := sp.Status()
	require.NoError(k.t, sp.Close())
	rows := int64(x.rows)
	require.Equal(k.t, [4]int64{rows, rows, 0, 0}, [4]int64{s.Sampled, s.Receipted, s.Queued, s.Waiting}, "%s: sampled, receipted, queued, waiting", x.station)
	require.Empty(k.t, s.Discarded, x.station)
}

// compareTold compares what people were told, a word for each time, with what
// they were to be told. With each kill one message may have come once more.
func (k *killing) compareTold(kills int) {
	require.NoError(k.t, until("messages are sent", func() (bool, error) { return k.metric(k.t, "dewpost_notices_unsent") == 0, nil }))
	text, err := os.ReadFile(k.peopleFile())
	if !errors.Is(err, fs.ErrNotExist) { // nobody was told before
		require.NoError(k.t, err)
	}
	heard := map[string]int{}
	for line := range strings.Lines(string(text)) {
		heard[strings.TrimSpace(line)]++
	}
	require.NoError(k.t, k.collector.Process.Kill())
	_ = k.collector.Wait() // killed, and that is its error
	for line := range strings.Lines(k.logs[k.collector].String()) {
		if _, event, ok := strings.Cut(line, `msg="needs a person" event=`); ok {
			heard[strings.Fields(event)[0]]++
		}
	}
	told := map[string]bool{}
	require.NoError(k.t, k.kept(func(s *store.Store) error {
		for i := range k.series {
			list, err := s.Occurrences(context.Background(), k.series[i].station)
			if err != nil {
				return err
			}
			for j := range list {
				if list[j].Told {
					told[list[j].ID()] = true
				}
			}
		}
		return nil
	}))
	again := 0
	for event, times := range heard {
		require.True(k.t, told[event], "people were told of %s", event)
		again += times - 1
	}
	require.Len(k.t, heard, len(told), "messages")
	require.LessOrEqual(k.t, again, kills, "messages told again")
	k.t.Logf("%d messages, %d of them told again", len(told), again)
}
