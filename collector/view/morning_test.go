package view

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// crowd is a store of many stations of which nothing was ever heard.
type crowd struct {
	*fake
	n      int
	asked  atomic.Int64
	broken atomic.Bool
}

var errBroken = errors.New("broken")

func (c *crowd) Stations(context.Context) ([]record.Station, error) {
	c.asked.Add(1)
	var list []record.Station
	for i := range c.n {
		list = append(list, record.Station{ID: fmt.Sprintf("st-%04d", i), Enrolled: 1})
	}
	if c.broken.Load() {
		return nil, errBroken
	}
	return list, nil
}

// Few stations are looked at anew by everybody, many by Keep alone, unless it
// has failed for long.
func TestMorningLookOfMany(t *testing.T) {
	for _, n := range []int{fewStations, fewStations + 1} {
		synctest.Test(t, func(t *testing.T) {
			c := &crowd{fake: newFake(), n: n}
			v := New(c, time.Now)
			today := func() unit.Instant {
				got, err := v.Today(t.Context())
				require.NoError(t, err)
				require.Len(t, got.Rows, n)
				return got.At
			}
			today()
			today()
			require.EqualValues(t, 2, c.asked.Load(), "nobody keeps one")

			ctx, cancel := context.WithCancel(t.Context())
			ended := make(chan struct{})
			var failures []error
			ask := make(chan struct{})
			go func() {
				v.Keep(ctx, ask, func(err error) { failures = append(failures, err) })
				close(ended)
			}()
			ask <- struct{}{}
			synctest.Wait()
			require.EqualValues(t, 3, c.asked.Load())
			time.Sleep(lookEvery - time.Second)
			made := unit.At(time.Now()).Add(-lookEvery + time.Second)
			if n > fewStations {
				require.Equal(t, made, today())
				require.EqualValues(t, 3, c.asked.Load())
			} else {
				require.Equal(t, unit.At(time.Now()), today())
				require.EqualValues(t, 4, c.asked.Load())
			}
			c.broken.Store(true)
			time.Sleep(looksOld)
			synctest.Wait()
			require.NotEmpty(t, failures)
			require.ErrorIs(t, failures[0], errBroken)
			_, err := v.Today(t.Context())
			require.ErrorIs(t, err, errBroken, "too old a look is not shown")
			cancel()
			<-ended
			c.broken.Store(false)
			require.Equal(t, unit.At(time.Now()), today())
		})
	}
}

func TestOnlyThosePicked(t *testing.T) {
	lake, quay := Site{ID: "lake", Name: "Lake", Owner: "ida", Zone: time.UTC}, Site{ID: "quay", Name: "Quay", Zone: time.UTC}
	row := func(id, name string, s Site, needs int) Row {
		r := Row{Station: Station{ID: id, Name: name, Spot: "gate " + name, Site: s}, Current: true, Needs: make([]Need, needs)}
		r.Nights = PackNights(lastNights(unit.Instant(30*day), time.UTC, 2))
		return r
	}
	all := Today{At: unit.Instant(30 * day), Rows: []Row{row("a", "Ash", lake, 1), row("b", "Birch", quay, 0), row("c", "Cedar", lake, 0), row("d", "Oak", Site{Zone: time.UTC}, 0)}}
	all.Ended = []Ended{{Station: all.Rows[1].Station}, {Station: all.Rows[2].Station}}
	all.count()
	ids := func(p Pick) (list []string) {
		got := all.Only(p)
		for i := range got.Rows {
			list = append(list, got.Rows[i].Station.ID)
		}
		require.Equal(t, len(got.Rows), got.Heard)
		return list
	}
	require.Equal(t, []string{"a", "b", "c", "d"}, ids(Pick{}))
	require.Equal(t, []string{"a", "c"}, ids(Pick{Site: "lake"}))
	require.Equal(t, []string{"a", "c"}, ids(Pick{Owner: "ida"}))
	require.Equal(t, []string{"a"}, ids(Pick{Needy: true}))
	require.Equal(t, []string{"b"}, ids(Pick{Text: "bIrCh"}))
	require.Equal(t, []string{"a", "b", "c", "d"}, ids(Pick{Text: "GATE"}))
	require.Equal(t, []string{"c", "d"}, ids(Pick{Text: "d"}))
	require.Empty(t, ids(Pick{Site: "quay", Needy: true}))
	lakes, quays := all.Only(Pick{Site: "lake"}), all.Only(Pick{Site: "quay"})
	require.Len(t, lakes.Ended, 1)
	require.Len(t, quays.Ended, 1)
	sites, owners := all.Places()
	require.Equal(t, []Site{lake, quay}, sites)
	require.Equal(t, []string{"ida"}, owners)
}
