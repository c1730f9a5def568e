package bench_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

var t0 = unit.At(time.Date(2025, 5, 14, 9, 0, 0, 0, time.UTC))

const day = 24 * time.Hour

func after(d time.Duration) unit.Instant { return t0.Add(d) }

// requireWrong checks an error's field and value, and a part of its fix.
func requireWrong(t *testing.T, err error, field, value, fix string) {
	t.Helper()
	var w bench.Wrong
	require.ErrorAs(t, err, &w)
	require.Equal(t, field, w.Field)
	require.Equal(t, value, w.Value)
	require.Contains(t, w.Fix, fix)
	require.Contains(t, err.Error(), field)
}

func TestChange(t *testing.T) {
	for _, c := range []struct {
		kind     bench.Kind
		from, to bench.State
		possible string // "" when it may be
	}{
		{bench.OnSite, bench.Planned, bench.UnderWay, ""},
		{bench.OnSite, bench.Planned, bench.OnBench, "planned can become agreed, under-way, done, called-off"},
		{bench.Photos, bench.Planned, bench.Done, ""},
		{bench.LocalInstaller, bench.CalledOff, bench.Planned, ""},
		{bench.OnSite, bench.Done, bench.UnderWay, ""},
		{bench.OnSite, bench.Done, bench.Done, "can become under-way"},
		{bench.SendIn, bench.Planned, bench.UnderWay, "can become agreed, posted, arrived, called-off"},
		{bench.SendIn, bench.Posted, bench.Arrived, ""},
		{bench.SendIn, bench.Posted, bench.OnBench, "posted can become arrived, called-off"},
		{bench.SendIn, bench.OnBench, bench.SentBack, ""},
		{bench.SendIn, bench.OnBench, bench.Done, "can become arrived, sent-back, called-off"},
		{bench.SendIn, bench.SentBack, bench.Done, ""},
		{bench.OnSite, bench.Planned, "finished", "use one of planned, agreed"},
	} {
		err := bench.Change(c.kind, c.from, c.to)
		if c.possible == "" {
			require.NoError(t, err, "%v", c)
			continue
		}
		requireWrong(t, err, "state", string(c.to), c.possible)
	}
	requireWrong(t, bench.CheckKind("by-drone"), "kind", "by-drone", "on-site, local-installer, photos, send-in")
	require.NoError(t, bench.CheckKind(bench.SendIn))
	requireWrong(t, bench.CheckState(""), "state", "", "planned")
	requireWrong(t, bench.CheckSymptom("smoke"), "kind", "smoke", "ghost-calls")
}

// Every state of a kind can be reached from planned and leads to an end.
func TestStatesLeadSomewhere(t *testing.T) {
	for _, kind := range bench.Kinds {
		seen := map[bench.State]bool{bench.Planned: true}
		for todo := []bench.State{bench.Planned}; len(todo) > 0; todo = todo[1:] {
			require.NotEmpty(t, bench.Next(kind, todo[0]), "%s %s", kind, todo[0])
			for _, next := range bench.Next(kind, todo[0]) {
				if !seen[next] {
					seen[next] = true
					todo = append(todo, next)
				}
			}
		}
		require.True(t, seen[bench.Done] && seen[bench.CalledOff])
		require.Equal(t, kind == bench.SendIn, seen[bench.OnBench])
		require.Equal(t, kind != bench.SendIn, seen[bench.UnderWay])
	}
	for _, s := range bench.States {
		require.Equal(t, s != bench.Done && s != bench.CalledOff, s.Open())
	}
}

func TestHappened(t *testing.T) {
	steps := []bench.Step{{bench.Planned, t0}, {bench.UnderWay, after(day)}, {bench.Done, after(2 * day)}}
	for n, want := range [][2]unit.Instant{{0, 0}, {0, 0}, {after(day), 0}, {after(day), after(2 * day)}} {
		began, ended := bench.Happened(steps[:n])
		require.Equal(t, want, [2]unit.Instant{began, ended}, n)
	}
	began, ended := bench.Happened(append(steps, bench.Step{State: bench.UnderWay, At: after(3 * day)}))
	require.Equal(t, after(day), began)
	require.Zero(t, ended, "it goes on")
}

func TestFindings(t *testing.T) {
	ml := func(n int64) *int64 { return &n }
	good := bench.Findings{
		Moisture: "water", WaterML: ml(120), Cover: "cracked", Gasket: "torn", Coating: "bare-spots",
		Corrosion: map[string]bench.Corrosion{"keypad": "trace", "board": "severe"},
	}
	require.NoError(t, good.Check())
	require.Equal(t, "water, 120 ml drained, corrosion severe at board, corrosion trace at keypad, cover cracked, gasket torn, coating bare-spots", strings.Join(good.Words(), ", "))
	outside := bench.Findings{Cover: "crazed", Note: "seen from below"}
	require.NoError(t, outside.Check())
	for _, c := range []struct {
		f                 bench.Findings
		field, value, fix string
	}{
		{bench.Findings{}, "findings", "", "at least one"},
		{bench.Findings{Moisture: "wet"}, "moisture", "wet", "dry, damp, water"},
		{bench.Findings{Cover: "fine"}, "cover", "fine", "sound"},
		{bench.Findings{Gasket: "cracked"}, "gasket", "cracked", "torn"},
		{bench.Findings{Coating: "good"}, "coating", "good", "whole"},
		{bench.Findings{WaterML: ml(-1)}, "water_ml", "-1", "0 to 5000"},
		{bench.Findings{WaterML: ml(5001)}, "water_ml", "5001", "0 to 5000"},
		{bench.Findings{Moisture: "dry", WaterML: ml(1)}, "moisture", "dry", "write water"},
		{bench.Findings{Corrosion: map[string]bench.Corrosion{"roof": "none"}}, "corrosion", "roof", "board"},
		{bench.Findings{Corrosion: map[string]bench.Corrosion{"board": "much"}}, "corrosion.board", "much", "moderate"},
	} {
		requireWrong(t, c.f.Check(), c.field, c.value, c.fix)
	}
	dry := bench.Findings{Moisture: "dry", WaterML: ml(0)}
	require.NoError(t, dry.Check())
}

func work(code bench.Code, at unit.Instant, details ...string) bench.Work {
	w := bench.Work{Code: code, At: at, Details: map[string]string{}}
	for i := 0; i < len(details); i += 2 {
		w.Details[details[i]] = details[i+1]
	}
	return w
}

func TestWorkIsChecked(t *testing.T) {
	for _, w := range []bench.Work{
		work(bench.Dried, t0), work(bench.Recoated, t0, "coating", "acrylic", "sides", "both", "coats", "2", "cure_hours", "24"),
		work(bench.Recoated, t0, "coating", "acrylic", "sides", "one", "cured", "2025-05-16"), work(bench.BoardChanged, t0, "board", "donor", "grade", "b"),
		work(bench.CoverChanged, t0, "new", "2020-01-31"), work(bench.SensorChanged, t0, "taken", "s-4"), work(bench.MadeUp, t0, "what", "keypad"),
	} {
		require.NoError(t, w.Check(), "%v", w)
	}
	for _, c := range []struct {
		w                 bench.Work
		field, value, fix string
	}{
		{work("polished", t0), "code", "polished", "recoated"},
		{work(bench.Dried, t0, "with", "hair dryer"), "with", "hair dryer", "takes no details"},
		{work(bench.CoverChanged, t0, "colour", "grey"), "colour", "grey", "use cover, new"},
		{work(bench.CoverChanged, t0, "new", "soon"), "new", "soon", "2025-04-30"},
		{work(bench.CoverChanged, t0, "cover", " "), "cover", " ", "some text"},
		{work(bench.Recoated, t0), "coating", "", "some text"},
		{work(bench.Recoated, t0, "coating", "acrylic", "sides", "three"), "sides", "three", "one, both"},
		{work(bench.Recoated, t0, "coating", "acrylic", "sides", "both"), "cure_hours", "", "sheet"},
		{work(bench.Recoated, t0, "coating", "acrylic", "sides", "both", "cure_hours", "NaN"), "cure_hours", "NaN", "0 to 720"},
		{work(bench.Recoated, t0, "coating", "acrylic", "sides", "both", "coats", "0", "cured", "2025-05-16"), "coats", "0", "1, 2"},
		{work(bench.BoardChanged, t0, "board", "old"), "board", "old", "donor"},
		{work(bench.SensorChanged, t0), "sensor", "", "taken out"},
		{work(bench.MadeUp, t0), "what", "", "some text"},
	} {
		requireWrong(t, c.w.Check(), c.field, c.value, c.fix)
	}
	require.Equal(t, []string{"coating*", "sides*", "coats", "cure_hours", "cured"}, bench.Recoated.Details())
	cleaned := work(bench.Recoated, t0, "sides", "both", "coating", "acrylic")
	require.Equal(t, []string{"recoated", "coating acrylic", "sides both"}, cleaned.Words())
}

// What work says is a fact that can be recorded, whatever the code.
func TestEveryCodeSaysFacts(t *testing.T) {
	details := map[bench.Code][]string{
		bench.Recoated:      {"coating", "acrylic", "sides", "both", "coats", "2", "cure_hours", "24"},
		bench.BoardChanged:  {"board", "donor", "grade", "b"},
		bench.CoverChanged:  {"cover", "made up, grey"},
		bench.FaceChanged:   {"face", "brushed"},
		bench.SensorChanged: {"sensor", "s-5", "taken", "s-4"},
		bench.MadeUp:        {"what", "keypad"},
		bench.AddressSet:    {"address", "7"},
	}
	zone := time.FixedZone("far east", 14*3600) // there it is the next day
	want := map[bench.Code]string{
		bench.Recoated:       "coating=acrylic coating_sides=both coated=2025-05-14 coats=2 cured=2025-05-15 build=coated",
		bench.BoardChanged:   "board=donor board_fitted=2025-05-14 coating=none coating_sides=none coats=0 board_grade=b",
		bench.CoverChanged:   "cover_new=2025-05-14 cover_condition=sound cover=made up, grey",
		bench.FaceChanged:    "face_new=2025-05-14 face_condition=sound face=brushed",
		bench.EntrySealed:    "cable_entry=sealed",
		bench.WeepHoleOpened: "weep_hole=open",
		bench.SensorChanged:  "sensor s-4 station=none sensor s-5 station=lake-07",
		bench.AddressSet:     "address=7",
		bench.Hung:           "installed=2025-05-14",
	}
	for _, code := range bench.Codes {
		w := work(code, t0.Add(-15*time.Hour), details[code]...)
		require.NoError(t, w.Check())
		var said []string
		for _, f := range bench.Facts("lake-07", nil, []bench.Work{w}, zone) {
			require.NoError(t, fact.Validate(f), "%s", code)
			require.Equal(t, w.At, f.From)
			text := f.Name + "=" + f.Value
			if f.Subject.Kind != fact.KindStation {
				text = f.Subject.String() + " " + text
			}
			said = append(said, text)
		}
		require.Equal(t, want[code], strings.Join(said, " "), "%s", code)
	}
}

func known(pairs ...string) (all []fact.Fact) {
	for i := 0; i < len(pairs); i += 2 {
		all = append(all, fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, Name: pairs[i], Value: pairs[i+1], From: fact.Always})
	}
	return all
}

func said(name, value string, from unit.Instant) fact.Fact {
	f := known(name, value)[0]
	f.From = from
	return f
}

func TestFindingsSayFacts(t *testing.T) {
	say := func(cover bench.Condition) (all []string) {
		for _, f := range bench.Found("lake-07", &bench.Findings{Cover: cover}, t0) {
			require.NoError(t, fact.Validate(f))
			require.Equal(t, t0, f.From)
			all = append(all, f.Name+"="+f.Value)
		}
		return all
	}
	require.Empty(t, say(""))
	for _, c := range []bench.Condition{"sound", "crazed"} {
		require.Equal(t, []string{"cover_condition=" + string(c)}, say(c))
	}
	for _, c := range []bench.Condition{"cracked", "missing"} {
		require.Equal(t, []string{"cover_condition=" + string(c), "build=cracked-cover"}, say(c))
	}
	require.True(t, bench.Coated(known(fact.Build, "coated-new-cover"), t0))
	require.False(t, bench.Coated(known(fact.Build, "coated", fact.Coating, "none"), t0))
	require.False(t, bench.Coated(nil, t0))
}

func TestBuildFollowsWork(t *testing.T) {
	coat := []string{"coating", "acrylic", "sides", "both", "cured", "2025-05-16"}
	for name, c := range map[string]struct {
		before []fact.Fact
		work   []bench.Work
		build  string // "": nothing is said
	}{
		"a bare board is coated":       {known(fact.Build, "uncoated"), []bench.Work{work(bench.Recoated, t0, coat...)}, "coated"},
		"a coated board stays so":      {known(fact.Build, "coated-new-cover"), []bench.Work{work(bench.Recoated, t0, coat...)}, ""},
		"a coat mends no cover":        {known(fact.Build, "cracked-cover"), []bench.Work{work(bench.Recoated, t0, coat...)}, ""},
		"a new cover on a coat":        {known(fact.Build, "coated"), []bench.Work{work(bench.CoverChanged, t0)}, "coated-new-cover"},
		"for a cracked one":            {known(fact.Build, "cracked-cover", fact.Coating, "acrylic"), []bench.Work{work(bench.CoverChanged, t0)}, "coated-new-cover"},
		"it was, before the crack":     {append(known(fact.Build, "coated"), said(fact.Build, "cracked-cover", t0-1)), []bench.Work{work(bench.CoverChanged, t0)}, "coated-new-cover"},
		"it was not":                   {append(known(fact.Build, "uncoated"), said(fact.Build, "cracked-cover", t0-1)), []bench.Work{work(bench.CoverChanged, t0)}, "uncoated"},
		"nobody says it is coated":     {known(fact.Build, "cracked-cover"), []bench.Work{work(bench.CoverChanged, t0)}, "uncoated"},
		"on a bare board":              {known(fact.Build, "cracked-cover", fact.Coating, "none"), []bench.Work{work(bench.CoverChanged, t0)}, "uncoated"},
		"nothing is known":             {nil, []bench.Work{work(bench.CoverChanged, t0)}, ""},
		"another board is bare":        {known(fact.Build, "coated"), []bench.Work{work(bench.BoardChanged, t0, "board", "new")}, "uncoated"},
		"another board, coated here":   {known(fact.Build, "coated"), []bench.Work{work(bench.Recoated, t0, coat...), work(bench.BoardChanged, t0, "board", "new")}, "coated"},
		"told the other way round":     {known(fact.Build, "coated"), []bench.Work{work(bench.BoardChanged, t0, "board", "new"), work(bench.Recoated, t0, coat...)}, "coated"},
		"coated first, then changed":   {known(fact.Build, "coated"), []bench.Work{work(bench.BoardChanged, after(day), "board", "new"), work(bench.Recoated, t0, coat...)}, "uncoated"},
		"both, and another cover":      {known(fact.Build, "cracked-cover"), []bench.Work{work(bench.CoverChanged, after(day)), work(bench.Recoated, t0, coat...)}, "coated-new-cover"},
		"drying says nothing of build": {known(fact.Build, "coated"), []bench.Work{work(bench.Dried, t0)}, ""},
	} {
		said := bench.Facts("lake-07", c.before, c.work, time.UTC)
		build := ""
		for _, f := range said {
			if f.Name == fact.Build {
				build = f.Value
			}
		}
		require.Equal(t, c.build, build, name)
		if c.build != "" {
			now, _ := fact.At(slices.Concat(c.before, said), fact.Build, after(9*day))
			require.Equal(t, c.build, now, name)
		}
	}
}

func TestCureEnds(t *testing.T) {
	w := work(bench.Recoated, t0, "cure_hours", "1.5")
	require.Equal(t, after(90*time.Minute), w.CureEnds(time.UTC))
	w = work(bench.Recoated, t0, "cured", "2025-05-16")
	require.Equal(t, unit.At(time.Date(2025, 5, 17, 0, 0, 0, 0, time.UTC)), w.CureEnds(time.UTC))
	w = work(bench.Recoated, t0)
	require.Zero(t, w.CureEnds(time.UTC))
}

func TestNeedsCard(t *testing.T) {
	board, box := []bench.Work{work(bench.Dried, t0), work(bench.Cleaned, t0)}, []bench.Work{work(bench.GasketChanged, t0)}
	for _, to := range bench.States {
		require.Equal(t, to == bench.SentBack || to == bench.Done, bench.NeedsCard(to, board), to)
		require.False(t, bench.NeedsCard(to, box))
	}
	require.False(t, bench.NeedsCard(bench.Done, nil))
	require.True(t, bench.GasketChanged.Opens())
	require.False(t, bench.Hung.Opens())
	require.False(t, bench.Code("none such").Opens())
}

func TestCautions(t *testing.T) {
	text := func(kind bench.Kind, codes ...bench.Code) string {
		return strings.Join(bench.Cautions(kind, codes), " ")
	}
	for _, kind := range bench.Kinds {
		require.Contains(t, text(kind), "local codes")
		require.Equal(t, kind != bench.SendIn, strings.Contains(text(kind), "ladder"))
		require.NotContains(t, text(kind, bench.Dried), "olvent")
		require.Contains(t, text(kind, bench.Dried, bench.Recoated), "solvents")
		require.Contains(t, text(kind, bench.ConnectorChanged), "Soldering")
	}
}
