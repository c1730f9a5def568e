package current_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/current"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

func on(station string, kind finding.Kind, from, concluded time.Duration, evidence ...finding.Evidence) current.On {
	return current.On{Station: station, Finding: finding.Finding{Kind: kind, From: t0.Add(from), Concluded: t0.Add(concluded), Evidence: evidence}}
}

func ofStep(mA float64) finding.Evidence {
	return finding.Evidence{Name: "step", Value: mA, Unit: "mA"}
}

// stationsOf lists who tells each event, the first first.
func stationsOf(events []current.Event) (all [][]string) {
	for _, e := range events {
		list := []string{e.Station}
		for _, o := range e.Others {
			list = append(list, o.Station)
		}
		all = append(all, list)
	}
	return all
}

func TestOneEventOfALineIsOne(t *testing.T) {
	h := time.Hour
	comb := finding.Evidence{Name: "comb_conductance_at_saturation", Value: 9, Unit: "µS"}
	for name, c := range map[string]struct {
		found []current.On
		want  [][]string
	}{
		"a step that three see": {
			[]current.On{
				on("c", finding.CurrentStepUp, 10*h, 34*h, ofStep(5.2)), on("a", finding.CurrentStepUp, 10*h, 30*h, ofStep(5)),
				on("b", finding.CurrentStepUp, 11*h, 34*h, ofStep(4.6)),
			},
			[][]string{{"a", "b", "c"}},
		},
		"up and down": {
			[]current.On{on("a", finding.CurrentStepUp, 10*h, 30*h, ofStep(5)), on("b", finding.CurrentStepDown, 10*h, 31*h, ofStep(-5))},
			[][]string{{"a"}, {"b"}},
		},
		"two stations' own steps": {
			[]current.On{on("a", finding.CurrentStepUp, 10*h, 30*h, ofStep(5)), on("b", finding.CurrentStepUp, 10*h, 31*h, ofStep(1))},
			[][]string{{"a"}, {"b"}},
		},
		"another day": {
			[]current.On{on("a", finding.CurrentStepUp, 10*h, 30*h, ofStep(5)), on("b", finding.CurrentStepUp, 30*h, 50*h, ofStep(5))},
			[][]string{{"a"}, {"b"}},
		},
		"one station twice": {
			[]current.On{
				on("a", finding.NoCurrent, 10*h, 13*h), on("a", finding.NoCurrent, 11*h, 14*h), on("b", finding.NoCurrent, 10*h, 13*h),
				on("b", finding.NoCurrent, 11*h, 15*h),
			},
			[][]string{{"a", "b"}, {"a", "b"}},
		},
		"a voltage by quarters of days": {
			[]current.On{on("b", finding.LineVoltageLow, 0, 18*h), on("a", finding.LineVoltageLow, 6*h, 24*h)},
			[][]string{{"b", "a"}},
		},
		"leakage of the line, and of a comb": {
			[]current.On{
				on("a", finding.LeakageRising, 0, 48*h), on("b", finding.LeakageRising, 200*h, 248*h),
				on("c", finding.LeakageRising, 0, 96*h, comb), on("d", finding.SealOpened, 0, 96*h),
			},
			[][]string{{"a", "b"}},
		},
		"none": {},
	} {
		require.Equal(t, c.want, stationsOf(current.Merge(c.found)), name)
	}
	over := on("a", finding.NoCurrent, 10*h, 13*h)
	over.To = t0.Add(11 * h)
	require.Len(t, current.Merge([]current.On{over, on("b", finding.NoCurrent, 11*h, 14*h)}), 2, "it was over")
}

// What comes later changes no event's first, and takes nothing out of one.
func TestMergeIsCausal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		found := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) current.On {
			from := rapid.IntRange(0, 20).Draw(t, "from")
			return on(rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "station"),
				rapid.SampledFrom([]finding.Kind{finding.CurrentStepUp, finding.NoCurrent}).Draw(t, "kind"),
				time.Duration(from)*time.Hour, time.Duration(from+rapid.IntRange(1, 40).Draw(t, "for"))*time.Hour, ofStep(5))
		}), 0, 12).Draw(t, "found")
		cut := t0.Add(time.Duration(rapid.IntRange(0, 60).Draw(t, "cut")) * time.Hour)
		known := func(u unit.Instant) func(current.On) bool { return func(o current.On) bool { return o.Concluded > u } }
		then := current.Merge(slices.DeleteFunc(slices.Clone(found), known(cut)))
		now := slices.DeleteFunc(current.Merge(found), func(e current.Event) bool { return e.Concluded > cut })
		for i := range now {
			now[i].Others = slices.DeleteFunc(now[i].Others, known(cut))
		}
		require.Equal(t, stationsOf(then), stationsOf(now))
	})
}
