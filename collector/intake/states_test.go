package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

// stateStore keeps all states that it gets, and fails as told.
type stateStore struct {
	mu    sync.Mutex
	got   []record.State
	calls []int // how many came in each
	fail  int
	stale int // of the next call
}

func (s *stateStore) KeepStates(_ context.Context, list []record.State) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls = append(s.calls, len(list))
	if s.fail > 0 {
		s.fail--
		return 0, errDisk
	}
	s.got = append(s.got, list...)
	kept := len(list) - s.stale
	s.stale = 0
	return kept, nil
}

func (s *stateStore) told() []record.State {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]record.State(nil), s.got...)
}

func beginStates(t *testing.T) (*States, *stateStore, func()) {
	store := &stateStore{}
	s := NewStates(store, clock, quiet())
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	return s, store, func() {
		cancel()
		require.NoError(t, <-ended)
	}
}

func stateJSON(run string, conn int, uptime float64) []byte {
	return fmt.Appendf(nil, `{"run":%q,"conn":%d,"uptime_s":%v,"clock":{"now":"2025-12-04T23:59:58.5Z","set":true},
		"readings":{"sampled":10,"receipted":6,"queued":2,"waiting":1,"discarded":{"size":1}},"spool":{"last":8,"upto":6},"more":[null]}`, run, conn, uptime)
}

func goneJSON(run string, conn int) []byte {
	return fmt.Appendf(nil, `{"gone":true,"run":%q,"conn":%d}`, run, conn)
}

func TestStatesAreWrittenTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, store, end := beginStates(t)
		began := clock()
		for range 3 {
			s.Take(lake, stateJSON(run1, 1, 5), false)
			s.Take(quay, stateJSON(run1, 1, 5), true)
		}
		synctest.Wait()
		require.Empty(t, store.told(), "nothing is written for each")
		time.Sleep(writeEvery)
		synctest.Wait()
		got := store.told()
		require.Len(t, got, 2, "the last of each")
		require.Equal(t, []int{2}, store.calls)
		require.Equal(t, lake, got[0].Station)
		require.JSONEq(t, string(stateJSON(run1, 1, 5)), string(got[0].Body))
		require.Equal(t, int64(1), got[0].Report.Conn)
		require.Zero(t, got[0].Report.Readings.Missing())
		require.True(t, got[0].Timed)
		require.Equal(t, began.Sub(time.Date(2025, 12, 4, 23, 59, 58, 500_000_000, time.UTC)), got[0].Offset)
		require.False(t, got[1].Timed, "a retained one says nothing of the clock")
		require.Equal(t, StateStats{Kept: 2}, s.Stats())

		// What its connections did stays in order, but not without end.
		for conn := 1; conn <= 10; conn++ {
			s.Take(lake, stateJSON(run1, conn, 0), false)
			s.Take(lake, goneJSON(run1, conn), false)
		}
		store.mu.Lock()
		store.stale = 1
		store.mu.Unlock()
		end() // what waits is written at the end
		var said []string
		for _, st := range store.told()[2:] {
			said = append(said, fmt.Sprint(st.Report.Conn, st.Report.Gone))
		}
		require.Equal(t, []string{"1 false", "1 true", "2 false", "10 true"}, said)
		require.Equal(t, StateStats{Kept: 5, Stale: 1}, s.Stats())
	})
}

func TestStatesThatCantBeWrittenAreLetGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, store, end := beginStates(t)
		store.fail = 1
		for i := range 3*statesAtTx + 1 {
			s.Take(fmt.Sprint("st-", i), stateJSON(run1, 1, 5), false)
		}
		time.Sleep(writeEvery)
		synctest.Wait()
		require.Equal(t, []int{statesAtTx, statesAtTx, statesAtTx, 1}, store.calls)
		require.Equal(t, StateStats{Kept: 2*statesAtTx + 1, Unwritten: statesAtTx}, s.Stats())
		s.Take(lake, stateJSON(run1, 1, 5), false)
		time.Sleep(writeEvery)
		synctest.Wait()
		require.Equal(t, StateStats{Kept: 2*statesAtTx + 2, Unwritten: statesAtTx}, s.Stats())
		end()
	})
}

// States that wait take no more memory than they may.
func TestStatesHaveABound(t *testing.T) {
	s := NewStates(&stateStore{}, clock, quiet())
	large := stateJSON(run1, 1, 5)
	large = append(large[:len(large)-1], `,"x":"`+strings.Repeat("x", stateBytes-len(large)-8)+`"}`...)
	for i := range 2000 {
		s.Take(fmt.Sprint("st-", i), large, false)
	}
	require.LessOrEqual(t, s.bytes, statesBytes)
	require.Greater(t, s.bytes, statesBytes-stateBytes)
	require.EqualValues(t, 2000-len(s.wait), s.Stats().Refused)
	for i := range 2000 { // small ones where no large one fits
		s.Take(fmt.Sprint("st-", i), stateJSON(run1, 1, 5), false)
	}
	for i := range 2000 { // larger ones in their place
		s.Take(fmt.Sprint("st-", i), large, false)
	}
	for len(s.take()) > 0 {
	}
	require.Zero(t, s.bytes, "what was refused took nothing with it")
	require.Empty(t, s.wait)
}

func TestStatesThatAreRefused(t *testing.T) {
	good := string(stateJSON(run1, 3, 7))
	with := func(old, by string) string {
		require.Contains(t, good, old)
		return strings.Replace(good, old, by, 1)
	}
	many := make(map[string]int)
	for i := range mostReasons + 1 {
		many[fmt.Sprint("r", i)] = 1
	}
	reasons, err := json.Marshal(many)
	require.NoError(t, err)
	for name, c := range map[string]struct{ payload, says string }{
		"empty":                 {"", "one JSON object"},
		"a number":              {"7", "one JSON object"},
		"null":                  {"null", "one JSON object"},
		"a list":                {"[" + good + "]", "one JSON object"},
		"two objects":           {good + good, "state: "},
		"cut":                   {good[:len(good)-1], "state: "},
		"bad UTF-8":             {with(`"more"`, "\"\xff\""), "UTF-8"},
		"without run":           {with(`"run"`, `"ran"`), `run ""`},
		"bad run":               {with(run1, "9F31C2AA07DE4410"), "16 hex digits"},
		"run of another type":   {with(`"`+run1+`"`, "7"), "state: "},
		"without conn":          {with(`"conn"`, `"con"`), "conn 0"},
		"conn not whole":        {with(`"conn":3`, `"conn":3.5`), "state: "},
		"conn beyond int64":     {with(`"conn":3`, `"conn":9223372036854775808`), "state: "},
		"negative conn":         {with(`"conn":3`, `"conn":-3`), "conn -3"},
		"negative uptime":       {with(`"uptime_s":7`, `"uptime_s":-1`), "uptime_s"},
		"uptime beyond floats":  {with(`"uptime_s":7`, `"uptime_s":1e400`), "state: "},
		"negative count":        {with(`"sampled":10`, `"sampled":-1`), "readings.sampled"},
		"count beyond sums":     {with(`"receipted":6`, `"receipted":9007199254740993`), "readings.receipted"},
		"negative discard":      {with(`"size":1`, `"size":-1`), "readings.discarded.size"},
		"too many reasons":      {with(`{"size":1}`, string(reasons)), "33 reasons"},
		"negative spool":        {with(`"upto":6`, `"upto":-6`), "spool.upto"},
		"a clock that is text":  {with(`"now":"2025`, `"now":"noon 2025`), "state: "},
		"too large":             {good[:len(good)-1] + `,"x":"` + strings.Repeat("x", stateBytes) + `"}`, "at most 16384"},
		"gone without its conn": {`{"gone":true,"run":"` + run1 + `"}`, "conn 0"},
	} {
		_, err := parseState([]byte(c.payload))
		require.ErrorContains(t, err, c.says, name)
		s := NewStates(&stateStore{}, clock, quiet())
		s.Take(lake, []byte(c.payload), false)
		require.Equal(t, StateStats{Refused: 1}, s.Stats(), name)
		require.Empty(t, s.take(), name)
	}
	for name, payload := range map[string]string{
		"what is not known":    with(`"more"`, `"NaN"`),
		"nulls":                with(`"now":"2025-12-04T23:59:58.5Z"`, `"now":null`),
		"without readings":     with(`"readings"`, `"r"`),
		"space around it":      " \n" + good + "\n",
		"NUL in text":          with(`"more":[null]`, `"version":"\u0000\u001b"`),
		"a time far away":      with("2025-12-04", "9999-12-31"),
		"a clock that runs on": with(`"set":true`, `"set":false`),
	} {
		_, err := parseState([]byte(payload))
		require.NoError(t, err, name)
	}
}

// Lines about refused states are few, however many are sent.
func TestRefusedStatesDontFillTheLog(t *testing.T) {
	log, lines := counted()
	s := NewStates(&stateStore{}, clock, log)
	for range 1000 {
		s.Take(lake, []byte("x"), false)
	}
	require.EqualValues(t, 1000, s.Stats().Refused)
	require.EqualValues(t, 1, lines())
}

// FuzzState: what is taken is what the collector relies on, and never panics.
func FuzzState(f *testing.F) {
	for _, s := range []string{
		string(stateJSON(run1, 3, 7)), string(goneJSON(run1, 3)), "{}", `{"run":"` + run1 + `","conn":1}`, `{"run":null,"conn":1e3}`,
		`{"run":"` + run1 + `","conn":1,"readings":null,"clock":{"now":null,"set":true},"spool":{"oldest_at":null}}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		r, err := parseState(payload)
		if err != nil {
			require.Equal(t, record.Report{}, r)
			return
		}
		require.Len(t, r.Run, 16)
		require.Positive(t, r.Conn)
		require.True(t, json.Valid(payload))
		if r.Readings != nil {
			sum := r.Readings.Receipted + r.Readings.Queued + r.Readings.Waiting + r.Readings.GivenUp()
			require.GreaterOrEqual(t, sum, int64(0), "no overflow")
			require.Equal(t, r.Readings.Sampled-sum, r.Readings.Missing())
		}
		s := NewStates(&stateStore{}, clock, quiet())
		s.Take(lake, payload, false)
		require.Len(t, s.take(), 1)
		again, err := json.Marshal(r)
		if errors.As(err, new(*json.MarshalerError)) {
			return // a year that RFC 3339 can't write
		}
		require.NoError(t, err)
		_, err = parseState(again)
		require.NoError(t, err)
	})
}
