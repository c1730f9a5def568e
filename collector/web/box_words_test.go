package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/equal"
	"dewpost/rules/finding"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

var spring = unit.At(time.Date(2026, 3, 3, 10, 0, 0, 0, time.UTC))

func TestRepairWords(t *testing.T) {
	require.Empty(t, repairWords(words.English, nil, time.UTC))
	r := &view.Repair{Around: record.Around{Visit: 12, Ended: spring, Work: []bench.Code{bench.GasketChanged, bench.Dried}}}
	require.Contains(t, repairWords(words.English, r, time.UTC), "Since the visit of 3 March 2026 (gasket changed, dried): not enough is known yet")

	side := func(change float64) equal.Comparison {
		low, high := change-1, change+0.5
		return equal.Comparison{
			Before: equal.Period{Days: 58}, After: equal.Period{Days: 40, Unlike: 3, Expected: &equal.Hours{Mid: 4, Low: 2, High: 7}, Compared: &equal.Hours{Mid: 4 + change, Low: 0.5, High: 3}},
			Change: &change, Low: &low, High: &high,
		}
	}
	r.Condensing, r.AtRisk = side(-2.8), side(0.2)
	require.Equal(t, "Since the visit of 3 March 2026 (gasket changed, dried): condensing for 1.2\u00a0h (0.5 to 3.0) a day instead of 4.0\u00a0h (2.0 to 7.0) expected in this weather, "+
		"−2.8\u00a0h a day (−3.8 to −2.3, nine in ten): it is drier; at risk for 4.2\u00a0h (0.5 to 3.0) instead of 4.0\u00a0h (2.0 to 7.0), "+
		"+0.2\u00a0h a day (−0.8 to +0.7, nine in ten): no difference is shown. Compared were 37 days after it with 58 before.", repairWords(words.English, r, time.UTC))
	require.NotContains(t, repairWords(words.English, r, time.UTC), "sensor")
	r.SensorChanged = true
	require.Contains(t, repairWords(words.English, r, time.UTC), "before. A sensor was changed in between: two may differ by 2\u00a0%RH each")
	r.AtRisk = side(3)
	require.Contains(t, repairWords(words.English, r, time.UTC), ": it is wetter")
}

// A finding says how sure it is, and how it is concluded; of a sensor in doubt no
// hours are told, for they would rest on it.
func TestFindingsSayHow(t *testing.T) {
	for kind, hours := range map[finding.Kind]int{finding.SensorSuspect: 0, finding.WaterInside: 2} {
		f := view.Found{Occurrence: alarm.Occurrence{Finding: finding.Finding{Kind: kind, From: spring, Concluded: spring, Confidence: 0.9}}}
		f.Sum.Known, f.Sum.CondensingHigh = int64(time.Hour), int64(time.Hour)
		p := foundOf(words.English, &f, nil, spring, time.UTC)
		require.Equal(t, []string{"Confidence 90" + space + "%, a judgement.", words.Of(kind).How}, p.How)
		require.Len(t, p.Evidence, hours)
	}
}

// The hours of a card say that they rest on a sensor in doubt, while it is.
func TestHoursOfASensorInDoubtSaySo(t *testing.T) {
	stuck := func(name string, to unit.Instant) []view.Found {
		return []view.Found{{Occurrence: alarm.Occurrence{Finding: finding.Finding{
			Kind: finding.SensorSuspect, From: spring.Add(-50 * time.Hour), Concluded: spring.Add(-26 * time.Hour), To: to, Evidence: []finding.Evidence{{Name: name}},
		}}}}
	}
	said := doubtedWords(words.English, stuck("stuck_inside_rh_pct", 0), spring, time.UTC)
	require.Contains(t, said, "a sensor is in doubt that these hours rest on: they stand as it showed them")
	require.Empty(t, doubtedWords(words.English, stuck("stuck_inside_rh_pct", spring), spring, time.UTC), "it is over")
	require.Empty(t, doubtedWords(words.English, stuck("stuck_outside_rh_pct", 0), spring, time.UTC), "no hour rests on it")
}

func TestHeaterWords(t *testing.T) {
	require.Empty(t, heaterWords(words.English, nil, time.UTC))
	back := -1.5
	b := &sensing.Burst{At: spring, Fell: 41.3, Due: 52, WarmedK: 18.4}
	for _, r := range []sensing.HeaterResult{
		sensing.HeaterMoved, sensing.HeaterPassed, sensing.HeaterDried, sensing.HeaterWeak, sensing.HeaterNumb, sensing.HeaterFailed,
	} {
		b.Result = r
		text := heaterWords(words.English, b, time.UTC)
		require.Regexp(t, `^Its own heater, .*3 Mar.*: warmed by 18\.4\x{a0}K it fell by 41\x{a0}%RH, where 52 are due\. [A-Z].*\.$`, text, r)
	}
	b.Back, b.Result = &back, sensing.HeaterPassed
	require.Contains(t, heaterWords(words.English, b, time.UTC), "; cool again it stood −1.5\u00a0%RH from where it was. Passed:")
}

func TestCorrodedWords(t *testing.T) {
	var list []view.Corroded
	for n := range int64(5) {
		list = append(list, view.Corroded{Visit: 9 - n, At: spring, Places: []view.CorrodedPlace{{Place: "cable-entry", Grade: "trace"}, {Place: "terminals", Grade: "severe"}}})
	}
	says := corrodedWords(words.English, list, time.UTC)
	require.Len(t, says, corrodedShown)
	require.Equal(t, "Corrosion seen at visit 9, 3 March 2026: cable entry trace, terminals severe.", says[0])
	require.Empty(t, corrodedWords(words.English, nil, time.UTC))
	require.Len(t, corrodedJSON(list), 10)
}

func TestLineWords(t *testing.T) {
	l := &view.OnLine{Name: "Cottages", Others: []string{"Lake 02", "Lake 03"}}
	require.Equal(t, "Cottages, which also feeds Lake 02 and Lake 03", lineWords(words.English, l))
	l.Meter = "Lake 03"
	require.Equal(t, "Cottages, which also feeds Lake 02 and Lake 03; its current is read at Lake 03", lineWords(words.English, l))
	l.Here = true
	require.Equal(t, "Cottages, which also feeds Lake 02 and Lake 03; its current is read here", lineWords(words.English, l))
}

func TestTeacherWords(t *testing.T) {
	require.Equal(t, "stations with a board sensor taught", teacherWords(words.English, "const=1 night=0 hour=0 six_hours=0 dry=0 temp=0"))
	require.Equal(t, "the board sensor of lake-07 taught in 82 nights (off by 0.8\u00a0K at night, root mean square)",
		teacherWords(words.English, "const=1 night=0 hour=0 six_hours=0 dry=0 temp=0 by=lake-07 nights=82 off_k=0.76"))
	require.Contains(t, teacherWords(words.English, "const=1 night=0 hour=0 six_hours=0 dry=0 temp=0 by=lake-07 of=cover nights=82 off_k=0.76"), "the cover sensor of lake-07 taught in 82 nights")
}
