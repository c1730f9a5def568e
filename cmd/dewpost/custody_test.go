package main

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/boxsim"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Custody: programs are killed -9 again and again while readings flow, and in
// the end every reading of every log is in the store exactly once, as it stood
// in the log, and every ledger hour equals an offline assessment of the log.
// What an agent had not synced when it was killed the replay makes again, so
// nothing at all may be missing.
//
// A kill counts only if at that moment an agent had synced a reading for which
// there can have been no receipt: see inFlight. What is shown is a bound and
// not certainty: no failure in N trials bounds the rate of failures at 3/N with
// 95 % confidence (the "rule of three": Hanley and Lippman-Hand, If nothing
// goes wrong, is everything all right?, JAMA 249, 1983, p. 1743).
//
// The seed decides whom a kill meets, where, and after how long; what the
// programs were doing then, the machine decides too.
func TestCustody(t *testing.T) {
	kills, seed := killsAndSeed(t, 6, 72, 3000)
	t.Logf("seed %d, kills %d", seed, kills)
	p := &custodyProof{workshop: custodyLogs(t, custodyRows, custodyBegin), seed: seed}
	anywhere := kills * 3 / 10 // with each broker; the others at chosen points
	atPoints := kills - 2*anywhere
	t.Run("trials", func(t *testing.T) {
		p.rounds(t, "mosquitto", anywhere, true, (*killing).killPrograms)
		p.rounds(t, "embedded", anywhere, false, (*killing).killPrograms)
		p.rounds(t, "points-mosquitto", atPoints/2, true, (*killing).killAtPoints)
		p.rounds(t, "points", atPoints-atPoints/2, false, (*killing).killAtPoints)
		p.trial(t, "repeats", (*killing).repeats)
		p.trial(t, "spool-lost", (*killing).loseSpools)
	})
	p.sum.report(t)
	if t.Failed() || p.parts.Load() {
		return
	}
	least := min(3, max(1, atPoints/len(points)-1)) // both rounds may choose one point at once, and miss another
	for point, n := range p.sum.hits {
		require.GreaterOrEqual(t, n, least, "kills %s", points[point])
	}
	inFlight := p.sum.inFlight.Load()
	require.GreaterOrEqual(t, inFlight, int64(kills))
	require.Positive(t, p.sum.dropped.Load(), "the broker acknowledged nothing that it then dropped: there was nothing to prove")
	fmt.Printf("custody: readings=%d kills=%d in_flight_kills=%d lost=%d doubled=%d ledger_equal=true bound=%.5f broker_dropped=%d\n",
		p.sum.readings.Load(), p.sum.kills.Load(), inFlight, p.sum.lost.Load(), p.sum.doubled.Load(), 3/float64(inFlight), p.sum.dropped.Load())
}

// killsAndSeed reads how much a proof is to do: few kills as a test, else as many
// as its scale, or PROOF_N, says.
func killsAndSeed(t *testing.T, few, quick, full int) (kills int, seed uint64) {
	t.Helper()
	kills = few
	switch os.Getenv("PROOF_SCALE") {
	case "quick":
		kills = quick
	case "full":
		kills = full
	}
	var err error
	if n := os.Getenv("PROOF_N"); n != "" {
		kills, err = strconv.Atoi(n)
		require.NoError(t, err, "PROOF_N")
		require.Positive(t, kills, "PROOF_N")
	}
	seed, err = strconv.ParseUint(cmpOr(os.Getenv("PROOF_SEED"), "1"), 10, 64)
	require.NoError(t, err, "PROOF_SEED")
	return kills, seed
}

// tally counts what was tried and what was found.
type tally struct {
	kills, inFlight         atomic.Int64
	readings, lost, doubled atomic.Int64
	dropped                 atomic.Int64 // messages that Mosquitto acknowledged and passed on to nobody

	mu   sync.Mutex
	whom map[string]*whom
	hits [len(points)]int // kills at each point
}

// whom counts the kills of one kind.
type whom struct{ kills, inFlight int }

func (s *tally) kill(what string, inFlight bool) {
	s.kills.Add(1)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.whom == nil {
		s.whom = map[string]*whom{}
	}
	if s.whom[what] == nil {
		s.whom[what] = &whom{}
	}
	s.whom[what].kills++
	if inFlight {
		s.inFlight.Add(1)
		s.whom[what].inFlight++
	}
}

func (s *tally) report(t *testing.T) {
	for what, n := range s.whom {
		t.Logf("%s: killed %d times, %d count", what, n.kills, n.inFlight)
	}
}

const (
	custodyStations = 4
	custodyRows     = 1500      // of a log
	custodyStep     = time.Hour // between them: two months
	custodyRate     = 300       // rows that an agent reads in a second
	roundKills      = 50        // after so many all is delivered and compared
)

var custodyBegin = time.Date(2025, 9, 1, 0, 0, 0, 0, time.UTC)

// custodyLogs builds the programs and writes a log of n readings for each
// station, from begin on. There is water in the box, so it is wet at night and people are told.
func custodyLogs(t *testing.T, n int, begin time.Time) *workshop {
	t.Helper()
	w := &workshop{dir: t.TempDir()}
	build(t, w.dir, "dewpost", "dewpost-agent")
	for i := range custodyStations {
		name := fmt.Sprintf("lake-%02d", i+1)
		at := begin
		box := boxsim.New(boxsim.NewWeather(boxsim.Lakeside(), uint64(i)), boxsim.Box{
			TauH: 20, SkyCoolingK: 3, SelfHeatK: 0.5, SunGainK: 12, Noise: 1, FailShare: 0.002, HasBoard: true,
		}, []boxsim.Fault{{Kind: boxsim.WaterInside, From: unit.At(at), Size: 40}}, uint64(i), unit.At(at))
		text := []byte("time,inside_temp_c,inside_rh_pct,board_temp_c\n")
		for range n {
			r := box.Next(unit.At(at))
			text = at.AppendFormat(text, time.RFC3339)
			for _, c := range []reading.Channel{reading.InsideTemp, reading.InsideRH, reading.BoardTemp} {
				text = append(text, ',')
				if v, ok := r.Get(c); ok {
					text = strconv.AppendFloat(text, v, 'f', -1, 64)
				}
			}
			text = append(text, '\n')
			at = at.Add(custodyStep)
		}
		file := filepath.Join(w.dir, name+".csv")
		require.NoError(t, os.WriteFile(file, text, 0o600))
		w.series = append(w.series, series{station: name, file: file, maxGap: "90m"})
	}
	for i := range w.series {
		w.assess(t, &w.series[i])
	}
	return w
}

// custodyProof is all trials together.
type custodyProof struct {
	*workshop
	seed  uint64
	sum   tally
	parts atomic.Bool // only some of the trials were asked for
}

// run is t.Run, and notes when it does not.
func (p *custodyProof) run(t *testing.T, name string, f func(*testing.T)) {
	ran := false
	t.Run(name, func(t *testing.T) {
		ran = true
		f(t)
	})
	if !ran {
		p.parts.Store(true)
	}
}

// trial runs one trial in an installation of its own.
func (p *custodyProof) trial(t *testing.T, name string, try func(*killing)) {
	p.run(t, name, func(t *testing.T) {
		t.Parallel()
		try(p.killing(t, false))
	})
}

// rounds kills, in one installation after the other, until so many kills have
// counted.
func (p *custodyProof) rounds(t *testing.T, name string, kills int, mosquitto bool, try func(*killing)) {
	p.run(t, name, func(t *testing.T) {
		t.Parallel()
		counted, most := 0, 3+8*kills/roundKills // logs may end after a few kills
		for round := 0; counted < kills && round < most && !t.Failed(); round++ {
			p.run(t, strconv.Itoa(round), func(t *testing.T) {
				k := p.killing(t, mosquitto)
				k.want = min(roundKills, kills-counted)
				try(k)
				counted += k.counted()
			})
		}
		if !p.parts.Load() && !t.Failed() {
			require.GreaterOrEqual(t, counted, kills, "after %d rounds", most)
		}
	})
}

// killing prepares an installation whose programs are killed.
func (p *custodyProof) killing(t *testing.T, mosquitto bool) *killing {
	t.Helper()
	place := fnv.New64a()
	_, _ = place.Write([]byte(t.Name())) // never fails
	k := &killing{
		custody: &custody{shop: p.shop(t, mosquitto), t: t, sum: &p.sum, seed: p.seed},
		place:   place.Sum64(), agents: map[string]*exec.Cmd{},
	}
	k.rnd = k.lot(0)
	t.Cleanup(func() {
		k.stop()
		if t.Failed() {
			k.showLogs()
			t.Logf("again: PROOF_SCALE=%s PROOF_SEED=%d PROOF_N=%s go test ./cmd/dewpost -count=1 -v -run '^%s$'",
				os.Getenv("PROOF_SCALE"), p.seed, os.Getenv("PROOF_N"), strings.ReplaceAll(t.Name(), "/", "$/^"))
		}
	})
	k.tellPeople()
	return k
}

// lot is where the n-th of those that draw lots begins.
func (k *killing) lot(n uint64) *rand.Rand { return rand.New(rand.NewPCG(k.seed, k.place+n)) }
