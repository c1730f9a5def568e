package alarm_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

func TestPutAsideAndExpired(t *testing.T) {
	b := &book{t: t}
	b.judge(13, 13, wet(1, 0, 13))
	b.kept[0].Told = true
	b.holds = []alarm.Hold{{Number: 1, Station: "lake-07", Kind: finding.BoardWet, State: alarm.Shelved, From: 14 * hour, Until: 20 * hour, Who: "Ida", Why: "gasket is ordered"}}
	b.settle(14, 14)
	require.Equal(t, alarm.Shelved, b.kept[0].State)
	require.Equal(t, "Ida", b.events[1].Who)
	require.Equal(t, "gasket is ordered", b.events[1].Why)
	require.False(t, b.kept[0].Needs())
	_, err := alarm.Seen(b.kept[0], alarm.See, 15*hour, "Ida", "")
	require.ErrorContains(t, err, "bring it back first")
	b.judge(16, 16, wet(1, 0, 13), wet(15, 0, 15)) // another begins meanwhile
	b.settle(16, 16)
	require.Equal(t, alarm.Shelved, b.kept[1].State)
	b.judge(17, 17, wet(1, 0, 13), wet(15, 17, 15))
	require.Equal(t, alarm.Shelved, b.kept[1].State, "it keeps running")

	b.settle(20, 20) // its time is over, also for a collector that has just been started
	require.Equal(t, alarm.Unacknowledged, b.kept[0].State)
	require.False(t, b.kept[0].Told, "it still lasts: people are told again")
	require.Equal(t, alarm.Normal, b.kept[1].State)
	last := b.events[len(b.events)-1]
	require.Equal(t, alarm.Rules, last.Who)
	require.Equal(t, "its time is over", last.Why)
}

func TestSeveralHolds(t *testing.T) {
	b := &book{t: t}
	b.judge(13, 13, wet(1, 0, 13))
	aside := alarm.Hold{Number: 1, Kind: finding.BoardWet, State: alarm.Shelved, From: 14 * hour, Until: 90 * hour, Who: "Ida", Why: "later"}
	visit := alarm.Hold{Number: 2, State: alarm.Suppressed, From: 15 * hour, Who: alarm.Rules, Why: "visit 3 is under-way"}
	out := alarm.Hold{Number: 3, State: alarm.OutOfService, From: 16 * hour, Who: "Otto", Why: "rewired"}
	b.holds = []alarm.Hold{aside}
	b.settle(14, 14)
	b.holds = append(b.holds, visit)
	b.settle(15, 15)
	require.Equal(t, alarm.Suppressed, b.kept[0].State)
	b.holds = append(b.holds, out)
	b.settle(16, 16)
	require.Equal(t, alarm.OutOfService, b.kept[0].State)
	b.holds[2].Ended, b.holds[2].EndedBy, b.holds[2].EndedWhy = 17*hour, "Otto", "done"
	b.settle(17, 17)
	require.Equal(t, alarm.Suppressed, b.kept[0].State)
	b.holds[1].Ended, b.holds[1].EndedBy, b.holds[1].EndedWhy = 18*hour, alarm.Rules, "over"
	b.settle(18, 18)
	require.Equal(t, alarm.Shelved, b.kept[0].State, "what was put aside still is")
	b.holds[0].Ended, b.holds[0].EndedBy, b.holds[0].EndedWhy = 19*hour, "Ida", "gasket is here"
	b.settle(19, 19)
	require.Equal(t, alarm.Unacknowledged, b.kept[0].State)
	last := b.events[len(b.events)-1]
	require.Equal(t, "Ida: gasket is here", last.Who+": "+last.Why)
}

// A station that is retired needs nobody, in whatever state its alarms are.
func TestRetire(t *testing.T) {
	const at, now = 1000, 2000
	for _, from := range letters {
		for to, want := range map[unit.Instant]unit.Instant{0: at, 900: 900} {
			o := alarm.Occurrence{Station: "a", Number: 3, Finding: finding.Finding{Kind: finding.BoardWet, From: 500, To: to}, State: from, Steps: 4}
			c := alarm.Retire([]alarm.Occurrence{o}, at, now)
			if from == alarm.Normal {
				require.Empty(t, c)
				continue
			}
			require.Len(t, c.Occurrences, 1)
			got := c.Occurrences[0]
			require.Equal(t, alarm.Normal, got.State)
			require.False(t, got.Needs())
			require.Equal(t, o.Steps+int64(len(c.Events)), got.Steps)
			require.Equal(t, want, got.Finding.To)
			was := from
			for _, e := range c.Events {
				require.Equal(t, was, e.From)
				require.Equal(t, []unit.Instant{at, now}, []unit.Instant{e.At, e.Recorded})
				was = e.To
			}
			require.Equal(t, got.State, was)
			require.Empty(t, alarm.Retire(c.Occurrences, at, now))
		}
	}
	revised := alarm.Occurrence{State: alarm.Unacknowledged, Revised: true}
	require.Empty(t, alarm.Retire([]alarm.Occurrence{revised}, at, now))
}

// What is concluded of a retired station ends with it, so that what was ended stays so.
func TestConcludedOfARetiredStation(t *testing.T) {
	f := finding.Finding{Kind: finding.BoardWet, From: 500, Concluded: 600, Confidence: 1}
	j := alarm.Judgement{Station: "a", Kinds: []finding.Kind{finding.BoardWet}, Until: math.MaxInt64, Findings: []finding.Finding{f}, Newest: 700, Now: 800}
	recorded := alarm.Reconcile(j, nil).Occurrences
	require.True(t, recorded[0].Lasting())
	recorded = alarm.Retire(recorded, 1000, 2000).Occurrences
	j.Retired = 1000
	require.Empty(t, alarm.Reconcile(j, recorded))
	j.Retired = 0
	require.NotEmpty(t, alarm.Reconcile(j, recorded))
}

func TestLatched(t *testing.T) {
	water := func(from, to, concluded unit.Instant) finding.Finding {
		f := wet(from, to, concluded)
		f.Kind = finding.WaterInside
		return f
	}
	judge := func(b *book, now unit.Instant, fs ...finding.Finding) {
		b.apply(alarm.Reconcile(alarm.Judgement{
			Station: "lake-07", Kinds: []finding.Kind{finding.WaterInside}, Findings: fs, Since: math.MinInt64, Until: math.MaxInt64, Newest: now * hour, Now: now * hour,
		}, b.kept))
	}
	b := &book{t: t}
	judge(b, 13, water(1, 0, 13))
	judge(b, 20, water(1, 15, 13))
	require.Equal(t, alarm.Unacknowledged, b.kept[0].State, "its off-delay is two days")
	b.settle(80, 80)
	require.Equal(t, alarm.Latched, b.kept[0].State)
	require.True(t, b.kept[0].Needs())
	_, err := alarm.Seen(b.kept[0], alarm.Reset, 81*hour, "Ida", "")
	require.ErrorContains(t, err, "see it first")
	b.see(0)
	require.Equal(t, alarm.LatchedSeen, b.kept[0].State)
	c, err := alarm.Seen(b.kept[0], alarm.Reset, 82*hour, "Ida", "drained, new gasket")
	require.NoError(t, err)
	b.apply(c)
	require.Equal(t, alarm.Normal, b.kept[0].State)
	require.False(t, b.kept[0].Needs())
	_, err = alarm.Seen(b.kept[0], alarm.Reset, 82*hour, "Ida", "")
	require.ErrorContains(t, err, "ends by itself")
	_, err = alarm.Seen(b.kept[0], alarm.See, 82*hour, "Ida", "")
	require.ErrorContains(t, err, "seen already")
	b.kept[0].Revised = true
	_, err = alarm.Seen(b.kept[0], alarm.See, 82*hour, "Ida", "")
	require.ErrorContains(t, err, "later data withdrew it")
}

func TestOffDelay(t *testing.T) {
	b := &book{t: t, limits: alarm.Table{finding.BoardWet: {OffDelay: 6 * time.Hour, Priority: alarm.Soon}}}
	b.judge(13, 13, wet(1, 0, 13))
	b.judge(16, 16, wet(1, 14, 13))
	require.Equal(t, alarm.Unacknowledged, b.kept[0].State)
	b.judge(18, 18, wet(1, 14, 13), wet(17, 0, 18))
	require.Len(t, b.kept, 1, "it came back within its off-delay")
	require.Equal(t, hour, b.kept[0].Finding.From)
	require.True(t, b.kept[0].Lasting())
	require.Equal(t, alarm.OverWhy, b.events[1].Why)
	require.Equal(t, alarm.BackSoon, b.events[2].Why)
	b.judge(40, 40, wet(1, 14, 13), wet(17, 30, 18))
	require.Equal(t, alarm.Returned, b.kept[0].State)
	require.Equal(t, 36*hour, b.events[4].At, "when the off-delay was over")
	b.judge(41, 41, wet(1, 14, 13), wet(17, 30, 18), wet(35, 0, 41))
	require.Len(t, b.kept, 1, "late to be known, but it came back in time")
	require.Equal(t, alarm.Unacknowledged, b.kept[0].State)
	b.judge(80, 80, wet(1, 14, 13), wet(17, 30, 18), wet(35, 45, 41), wet(60, 0, 70))
	require.Len(t, b.kept, 2)
}

func TestOffDelayOfAStretch(t *testing.T) {
	b := &book{t: t, limits: alarm.Table{finding.BoardWet: {OffDelay: 6 * time.Hour}}}
	b.judge(20, 20, wet(1, 14, 13))
	stretch := func(since, now unit.Instant, fs ...finding.Finding) {
		b.apply(alarm.Reconcile(alarm.Judgement{
			Station: "lake-07", Kinds: []finding.Kind{finding.BoardWet}, Findings: fs, Since: since * hour, Until: math.MaxInt64, Newest: now * hour, Now: now * hour, Limits: b.limits,
		}, b.kept))
	}
	stretch(16, 19, wet(17, 0, 19))
	require.Len(t, b.kept, 1)
	require.Equal(t, hour, b.kept[0].Finding.From)
	stretch(16, 20, wet(17, 0, 19))
	require.Equal(t, hour, b.kept[0].Finding.From, "its beginning lies before what was judged")
	stretch(16, 21)
	require.True(t, b.kept[0].Revised)
}

func TestOnDelayAndConfidence(t *testing.T) {
	b := &book{t: t, limits: alarm.Table{finding.BoardWet: {OnDelay: 5 * time.Hour, Confidence: 0.5}}}
	sure := func(f finding.Finding, confidence float64) finding.Finding { f.Confidence = confidence; return f }
	b.judge(13, 13, sure(wet(1, 0, 13), 0.9))
	require.Empty(t, b.kept)
	b.judge(17, 17, sure(wet(1, 16, 13), 0.9))
	b.judge(30, 30, sure(wet(1, 16, 13), 0.9))
	require.Empty(t, b.kept, "it did not last")
	b.judge(40, 40, sure(wet(20, 0, 33), 0.4))
	require.Empty(t, b.kept, "not sure enough")
	b.judge(40, 40, sure(wet(20, 0, 33), 0.6))
	require.Len(t, b.kept, 1)
	require.Equal(t, 38*hour, b.events[0].At)
}

func TestDeadband(t *testing.T) {
	step := func(from, to unit.Instant, value float64) finding.Finding {
		f := wet(from, to, from+1)
		f.Kind = finding.CurrentStepUp
		f.Evidence = []finding.Evidence{{Name: "step", Value: value, Unit: "mA"}, {Name: "step_limit", Value: 2, Unit: "mA"}}
		return f
	}
	b := &book{t: t, limits: alarm.Table{finding.CurrentStepUp: {Deadband: 0.5}}}
	judge := func(now unit.Instant, fs ...finding.Finding) {
		b.apply(alarm.Reconcile(alarm.Judgement{
			Station: "lake-07", Kinds: []finding.Kind{finding.CurrentStepUp}, Findings: fs, Since: math.MinInt64, Until: math.MaxInt64, Newest: now * hour, Now: now * hour, Limits: b.limits,
		}, b.kept))
	}
	judge(20, step(1, 10, 2.1))
	judge(40, step(1, 10, 2.1), step(30, 0, 2.9))
	require.Len(t, b.kept, 1, "not beyond its limit by the deadband")
	judge(40, step(1, 10, 2.1), step(30, 0, 3.1))
	require.Len(t, b.kept, 2)
	judge(2000, step(1, 10, 2.1), step(30, 40, 3.1), step(1900, 0, 2.1))
	require.Len(t, b.kept, 3, "that is long ago")
	none := step(1, 2, 1)
	none.Evidence = nil
	require.True(t, alarm.Beyond(&none, &finding.Finding{From: 1, To: 1}, alarm.Limits{Deadband: 0.5}))
}

func TestLimits(t *testing.T) {
	l := alarm.Table{}
	for name, value := range map[string]string{
		"silent.priority": "calm", "silent.on_delay": "90m", "silent.off_delay": "2h", "silent.wait": "10m", "silent.repeat": "24h", "silent.deadband": "0.2", "silent.confidence": "1",
	} {
		require.NoError(t, l.Set(name, value), name)
	}
	require.Equal(t, alarm.Limits{Priority: alarm.Calm, OnDelay: 90 * time.Minute, OffDelay: 2 * time.Hour, Wait: 10 * time.Minute, Repeat: 24 * time.Hour, Deadband: 0.2, Confidence: 1}, l.Of(finding.Silent))
	require.Equal(t, alarm.Of(finding.BoardWet).Limits, l.Of(finding.BoardWet), "the others stay")
	for name, value := range map[string]string{
		"silent": "1h", "silent.colour": "red", "quiet.wait": "1h", "silent.priority": "low", "silent.on_delay": "-1h", "silent.off_delay": "2",
		"silent.wait": "1441h", "silent.deadband": "NaN", "silent.confidence": "1.1",
	} {
		err := l.Set(name, value)
		require.ErrorAs(t, err, new(alarm.Wrong), "%s=%s", name, value)
		require.ErrorContains(t, err, `": `)
	}
	require.Equal(t, alarm.Soon, alarm.Of("newer").Priority)
}

// A box that has opened waits for the letter, unless rain comes in already.
func TestRainRaisesWhatAnOpenSealMatters(t *testing.T) {
	seal := finding.Finding{Kind: finding.SealOpened, Evidence: []finding.Evidence{{Name: "rain_spells", Value: 3}, {Name: "vapour_jumps_after_rain", Value: 0}}}
	require.Equal(t, alarm.Calm, alarm.Table(nil).Priority(&seal))
	require.Equal(t, 14*24*time.Hour, alarm.Respond(&seal))
	seal.Evidence[1].Value = 1
	require.Equal(t, alarm.Soon, alarm.Table(nil).Priority(&seal))
	require.Equal(t, 7*24*time.Hour, alarm.Respond(&seal))
	urgent := alarm.Table{finding.SealOpened: {Priority: alarm.Urgent}}
	require.Equal(t, alarm.Urgent, urgent.Priority(&seal), "as the workshop set it")
	seal.Kind = finding.WaterInside
	require.Equal(t, 2*24*time.Hour, alarm.Respond(&seal))
}

func TestTimeToRespond(t *testing.T) {
	for _, kind := range alarm.Kinds() {
		s := alarm.Of(kind)
		require.Positive(t, s.Respond, "%s", kind)
		require.Contains(t, alarm.Priorities, s.Priority, "%s", kind)
		switch {
		case s.Advice:
			require.Equal(t, alarm.Calm, s.Priority, "%s", kind)
		case s.Respond >= 14*24*time.Hour:
			require.Equal(t, alarm.Calm, s.Priority, "%s", kind)
		default:
			require.NotEqual(t, alarm.Calm, s.Priority, "%s", kind)
		}
	}
	require.Equal(t, time.Duration(life.CoverLead), alarm.Of(finding.CoverDue).Respond)
	old := finding.Finding{Kind: finding.CoverDue, Evidence: []finding.Evidence{{Name: "crack_chance", Value: 0.5}}}
	require.Equal(t, time.Duration(life.CoverLead), alarm.Respond(&old))
	require.Equal(t, 14*24*time.Hour, alarm.Respond(&finding.Finding{Kind: finding.CoverDue}), "somebody saw it")
	require.Equal(t, 2*24*time.Hour, alarm.Respond(&finding.Finding{Kind: finding.Silent}))
}

// naive is a model of one station's alarms of one kind that looks at nothing but
// the published table.
type naive struct {
	latches bool
	states  []string // letters
	lasting bool
}

func (n *naive) do(i int, event string) {
	last := n.lasting && i == len(n.states)-1
	to, ok := map[string]map[string]string{
		"clear": {"B": "D", "C": "A"}, "see": {"B": "C", "D": "A", "E": "F"}, "reset": {"F": "A"},
		"shelve": {"A": "G", "B": "G", "C": "G", "D": "G"},
		"out":    {"A": "I", "B": "I", "C": "I", "D": "I", "E": "I", "F": "I"},
	}[event][n.states[i]]
	switch {
	case event == "release" && last:
		to = "B"
	case event == "release":
		to = "A"
	case !ok:
		return
	case event == "clear" && n.latches:
		to = map[string]string{"B": "E", "C": "F"}[n.states[i]]
	}
	n.states[i] = to
}

// Whatever happens in whatever order, the record is in the states that the
// published table gives.
func TestStatesAgainstANaiveModel(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		kind := rapid.SampledFrom([]finding.Kind{finding.BoardWet, finding.WaterInside}).Draw(rt, "kind")
		n := naive{latches: kind == finding.WaterInside}
		b := &book{t: rt, limits: alarm.Table{kind: {}}}
		var all []finding.Finding
		held := "" // letter
		for now := unit.Instant(1); now < 40; now++ {
			action := rapid.SampledFrom([]string{"turn", "see", "reset", "shelve", "out", "release", "wait"}).Draw(rt, "action")
			switch action {
			case "turn":
				if n.lasting {
					all[len(all)-1].To = now * hour
					n.do(len(n.states)-1, "clear")
					n.lasting = false
				} else {
					all = append(all, finding.Finding{Kind: kind, From: now * hour, Concluded: now * hour})
					n.states, n.lasting = append(n.states, "B"), true
					if held != "" {
						n.states[len(n.states)-1] = held
					}
				}
			case "see", "reset":
				for i := range b.kept {
					if c, err := alarm.Seen(b.kept[i], alarm.Step(action), now*hour, "Ida", ""); err == nil {
						b.apply(c)
					}
					n.do(i, action)
				}
			case "shelve", "out":
				if held != "" {
					continue
				}
				h := alarm.Hold{Number: 1, Kind: kind, State: alarm.Shelved, From: now * hour, Until: 1000 * hour, Who: "Ida", Why: "x"}
				held = "G"
				if action == "out" {
					h.State, h.Until, held = alarm.OutOfService, 0, "I"
				}
				b.holds = []alarm.Hold{h}
				for i, s := range n.states {
					if s != "A" { // what is over and seen keeps nothing
						n.do(i, action)
					}
				}
			case "release":
				if held == "" {
					continue
				}
				b.holds[0].Ended, b.holds[0].EndedBy = now*hour, "Ida"
				for i, s := range n.states {
					if s == held {
						n.do(i, "release")
					}
				}
				held = ""
			}
			b.apply(alarm.Reconcile(alarm.Judgement{
				Station: "lake-07", Kinds: []finding.Kind{kind}, Findings: all, Since: math.MinInt64, Until: math.MaxInt64,
				Newest: now * hour, Now: now * hour, Limits: b.limits, Holds: b.holds,
			}, b.kept))
			b.settle(now, now)
			require.Len(rt, b.kept, len(n.states))
			for i, letter := range n.states {
				require.Equal(rt, letters[letter], b.kept[i].State, "occurrence %d after %s", i+1, action)
			}
		}
		// The events tell the way without a gap.
		state := map[string]alarm.State{}
		ids := map[string]bool{}
		for _, e := range b.events {
			require.False(rt, ids[e.ID])
			ids[e.ID] = true
			if before, ok := state[e.Occurrence()]; ok {
				require.Equal(rt, before, e.From)
			} else {
				require.Equal(rt, alarm.Normal, e.From)
			}
			require.NotEmpty(rt, e.Who)
			state[e.Occurrence()] = e.To
		}
	})
}
