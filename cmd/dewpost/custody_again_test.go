package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

// lateBy is how long after a later one some readings come.
const lateBy = 30 * 24 * time.Hour

// repeats delivers the newest readings first, and when these are folded every
// batch twice, in an order drawn by lot: so the others come 30 days late.
func (k *killing) repeats() {
	k.collector = k.serve(k.t)
	newest := make([][][]byte, len(k.series))
	all := make([][][]byte, len(k.series))
	for i := range k.series {
		batches := k.series[i].batches(k.t)
		n := len(batches) / 2
		require.Greater(k.t, time.Duration(k.series[i].rows/2)*custodyStep, lateBy)
		newest[i], all[i] = batches[n:], slices.Concat(batches, batches)
		for _, list := range [][][]byte{newest[i], all[i]} {
			k.rnd.Shuffle(len(list), func(a, b int) { list[a], list[b] = list[b], list[a] })
		}
	}
	k.feed(newest)
	require.NoError(k.t, until("the newest readings are folded", func() (bool, error) { return k.metric(k.t, "dewpost_stations_to_fold") == 0, nil }))
	k.feed(all)
	k.compareServed(1)
	repeated := 0
	for i := range k.series {
		repeated += k.series[i].rows
		for _, b := range newest[i] {
			repeated += bytes.Count(b, []byte("\n"))
		}
	}
	require.Equal(k.t, repeated, k.metric(k.t, "dewpost_readings_repeated_total"))
}

// feed delivers batches as a station's agent would, without a spool: the
// embedded broker acknowledges what is committed.
func (k *killing) feed(batches [][][]byte) {
	errs := make([]error, len(k.series))
	var all sync.WaitGroup
	for i := range k.series {
		station := k.series[i].station
		secret := k.secret(k.t, station)
		all.Go(func() { errs[i] = k.feedOne(station, secret, batches[i]) })
	}
	all.Wait()
	require.NoError(k.t, errors.Join(errs...))
}

func (k *killing) feedOne(station string, secret receipt.Secret, batches [][]byte) error {
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + k.stations).
		SetUsername(station).SetPassword(secret.Password()).SetClientID("again").SetAutoReconnect(false))
	done := func(t mqtt.Token) error {
		if !t.WaitTimeout(patienceOfAll) {
			return fmt.Errorf("%s: no answer within %s", station, patienceOfAll)
		}
		return t.Error()
	}
	if err := done(client.Connect()); err != nil {
		return err
	}
	defer client.Disconnect(100)
	var sent []mqtt.Token
	for _, b := range batches {
		sent = append(sent, client.Publish(receipt.Topic(station, receipt.LeafReadings), 1, false, b))
		if n := len(sent) - 8; n >= 0 { // on their way at a time
			if err := done(sent[n]); err != nil {
				return err
			}
		}
	}
	for _, t := range sent {
		if err := done(t); err != nil {
			return err
		}
	}
	return nil
}

// loseSpools takes the agents' memory away half-way: what comes again comes
// under another run, and the ledger is the same.
func (k *killing) loseSpools() {
	k.collector = k.serve(k.t)
	for i := range k.series {
		x := &k.series[i]
		agent, err := k.launch(x, false)
		require.NoError(k.t, err)
		k.agents[x.station] = agent
	}
	for i := range k.series {
		x := &k.series[i]
		require.NoError(k.t, until("some are stored", func() (bool, error) { return k.committed(x.station) > 100, nil }))
	}
	k.stop()
	require.NoError(k.t, os.RemoveAll(filepath.Join(k.dir, "spool")))
	k.drainAll()
	k.compareServed(2)
}
