package intake

import (
	"bytes"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

// A station whose messages can't be committed, as when its row is damaged, has eight
// of them under way. It doesn't hold up those behind it.
func TestPoisonedStation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.poison = quay
		in, _, end := begin(t, s)
		defer end()
		var wg sync.WaitGroup
		for i := range int64(8) {
			message := batch(t, quay, run1, i+1, i+1)
			wg.Go(func() { assert.ErrorIs(t, in.Handle(t.Context(), quay, message), errDisk) })
			synctest.Wait()
		}
		wg.Go(func() { assert.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1))) })
		wg.Wait()
		require.Equal(t, 1, s.held(lake))
	})
}

// A broker that has so many messages under way to a client as Mosquitto has by
// default, 20, and many others: commits that fail for a moment, as on a full disk,
// don't make the collector deaf for ever.
func TestExternal_FewUnderWay(t *testing.T) {
	s := newSite(t)
	s.m.stop(syscall.SIGTERM)
	path := filepath.Join(s.m.dir, "mosquitto.conf")
	conf, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, bytes.Replace(conf, []byte("max_inflight_messages 0"), []byte("max_inflight_messages 20"), 1), 0o600))
	require.Eventually(t, func() bool { return !s.x.Connected() }, patience, time.Millisecond)
	s.m.start()
	require.Eventually(t, s.x.Connected, patience, time.Millisecond)

	c := s.client(lake, "a")
	c.listen(receipt.Topic(lake, receipt.LeafReceipt))
	s.store.with(func() { s.store.poison = lake })
	message := batch(t, lake, run1, 1, 1)
	for range 20 {
		c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, message))
	}
	require.Eventually(t, func() bool { return s.in.waiting.Load() == 0 && s.in.Stats().Failures >= 4 }, patience, time.Millisecond)
	s.store.with(func() { s.store.poison = "" })
	s.receipted(c, run1, 1, func() {
		c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, message))
	})
}
