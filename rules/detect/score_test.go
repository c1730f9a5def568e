package detect

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Kinds that a box's troubles are called by. Those without a constant have no
// rule yet.
const (
	sealOpened  finding.Kind = "seal_opened"
	waterInside finding.Kind = "water_inside"
	wallAir     finding.Kind = "moist_air_from_wall"
	leakage     finding.Kind = "leakage_rising"
	stepUp      finding.Kind = "current_step_up"
	stepDown    finding.Kind = "current_step_down"
	noCurrent   finding.Kind = "no_current"
	voltageLow  finding.Kind = "line_voltage_low"
	sensorDoubt finding.Kind = "sensor_suspect"
)

const (
	perEvent   = 2        // findings that one event may give
	afterwards = 14 * day // after its end what is concluded still belongs to an event
)

var diagnoses = []finding.Kind{
	sealOpened, waterInside, wallAir, leakage, stepUp, stepDown, noCurrent, voltageLow, sensorDoubt,
}

// Event is something done to a box that should be found.
type Event struct {
	Label string         // group that it is reported in
	What  string         // the fault in words
	Kinds []finding.Kind // any of them is the right name
	Side  []finding.Kind // these may be said besides: they are true as well, or can't be told apart
	From  unit.Instant
	By    unit.Instant // concluded later is missed; 0: nobody could have told, see owe
	Until unit.Instant // a finding concluded in [From, Until) is this event's
}

// Hit is an event and what was concluded of it.
type Hit struct {
	Event
	Days  float64 // from the event to the first right conclusion; NaN if none in time
	Count int     // findings that belong to it
}

// Outcome is what an assessment of one box is worth.
type Outcome struct {
	Hits    []Hit
	False   []finding.Finding // diagnoses that nothing was behind
	Weather int               // findings of how wet it was
}

// Score holds findings against the events of a box. Each finding belongs to
// the first event whose time and names fit; one that belongs to none is false,
// unless it only says how wet it was.
func Score(events []Event, findings []finding.Finding) Outcome {
	out := Outcome{}
	for _, e := range events {
		out.Hits = append(out.Hits, Hit{Event: e, Days: math.NaN()})
	}
	for _, f := range findings {
		if !slices.Contains(diagnoses, f.Kind) {
			out.Weather++
			continue
		}
		i := slices.IndexFunc(events, func(e Event) bool {
			return f.Concluded >= e.From && f.Concluded < e.Until && (slices.Contains(e.Kinds, f.Kind) || slices.Contains(e.Side, f.Kind))
		})
		if i < 0 {
			out.False = append(out.False, f)
			continue
		}
		h := &out.Hits[i]
		h.Count++
		if days := float64(f.Concluded-h.From) / float64(day); slices.Contains(h.Kinds, f.Kind) && f.Concluded <= h.By && !(h.Days <= days) {
			h.Days = days
		}
	}
	return out
}

// group is what came of all events of one label.
type group struct {
	hit, missed, unseen int
	days                []float64
}

// Tally adds up outcomes.
type Tally struct {
	boxes, healthy, events  int
	years, plain, hard      float64 // station-years: all, of plain physics, of boxes with every flaw
	falsePlain, falseHard   int
	healthyYears            float64
	healthyWeather, chatter int
	wallCalledWater         int
	groups                  map[string]*group
	said                    map[finding.Kind]int
	notes                   []string // what went wrong, to look into
}

// Add counts one box.
func (s *Tally) Add(c *Case, findings []finding.Finding) {
	if s.groups == nil {
		s.groups, s.said = map[string]*group{}, map[finding.Kind]int{}
	}
	out := Score(c.Events, findings)
	s.boxes++
	s.years += c.Years()
	if len(c.Events) == 0 {
		s.healthy++
		s.healthyYears += c.Years()
		s.healthyWeather += out.Weather
	}
	if c.Hard {
		s.hard += c.Years()
		s.falseHard += len(out.False)
	} else {
		s.plain += c.Years()
		s.falsePlain += len(out.False)
	}
	for _, f := range findings {
		s.said[f.Kind]++
	}
	for _, f := range out.False {
		s.note(c, "false %s from %s, concluded %s", f.Kind, f.From, f.Concluded)
		if f.Kind == waterInside && slices.ContainsFunc(c.Events, func(e Event) bool {
			return e.Label == "wall" && f.Concluded >= e.From && f.Concluded < e.Until
		}) {
			s.wallCalledWater++
		}
	}
	for _, h := range out.Hits {
		s.events++
		s.chatter += max(0, h.Count-perEvent)
		if h.Count > perEvent {
			s.note(c, "%d findings of one event: %s on %s", h.Count, h.What, h.From)
		}
		s.group(h.Label).add(h)
		switch {
		case h.By == 0:
			s.note(c, "unseen %s on %s", h.What, h.From)
		case math.IsNaN(h.Days):
			s.note(c, "missed %s on %s, due %s", h.What, h.From, h.By)
		}
	}
}

func (s *Tally) note(c *Case, format string, args ...any) {
	s.notes = append(s.notes, c.Name+": "+fmt.Sprintf(format, args...))
}

func (s *Tally) group(label string) *group {
	g := s.groups[label]
	if g == nil {
		g = &group{}
		s.groups[label] = g
	}
	return g
}

func (g *group) add(h Hit) {
	switch {
	case !math.IsNaN(h.Days):
		g.hit++
		g.days = append(g.days, h.Days)
	case h.By == 0:
		g.unseen++
	default:
		g.missed++
	}
}

// quantile returns the q-quantile of the days, those of missed events being
// infinite; NaN if there are none.
func (g *group) quantile(q float64) float64 {
	days := slices.Clone(g.days)
	for range g.missed {
		days = append(days, math.Inf(1))
	}
	if len(days) == 0 {
		return math.NaN()
	}
	slices.Sort(days)
	return days[min(len(days)-1, int(q*float64(len(days))))]
}

// total sums the groups that a time is set for.
func (s *Tally) total() (hit, missed, unseen int) {
	for label, g := range s.groups {
		if label != "wall" {
			hit, missed, unseen = hit+g.hit, missed+g.missed, unseen+g.unseen
		}
	}
	return hit, missed, unseen
}

// silent lists the diagnoses that were never said.
func (s *Tally) silent() []string {
	var out []string
	for _, k := range diagnoses {
		if s.said[k] == 0 {
			out = append(out, string(k))
		}
	}
	return out
}

func (s *Tally) labels() []string {
	var labels []string
	for l := range s.groups {
		labels = append(labels, l)
	}
	slices.SortFunc(labels, cmp.Compare)
	return labels
}

func number(v float64, places int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	return fmt.Sprintf("%.*f", places, v)
}

// Line is the last line of the proof. A median that missed events leave
// unknown is "-".
func (s *Tally) Line() string {
	hit, missed, unseen := s.total()
	var b strings.Builder
	put := func(key, value string) { fmt.Fprintf(&b, " %s=%s", key, value) }
	put("boxes", fmt.Sprint(s.boxes))
	put("healthy", fmt.Sprint(s.healthy))
	put("years", number(s.years, 1))
	put("hit", fmt.Sprint(hit))
	put("missed", fmt.Sprint(missed))
	put("unseen", fmt.Sprint(unseen))
	put("false_per_station_year", number(float64(s.falsePlain+s.falseHard)/s.years, 3))
	put("false_plain", number(float64(s.falsePlain)/s.plain, 3))
	put("false_hard", number(float64(s.falseHard)/s.hard, 3))
	put("chatter", fmt.Sprint(s.chatter))
	for _, l := range s.labels() {
		g := s.groups[l]
		put("found_"+l, fmt.Sprintf("%d/%d", g.hit, g.hit+g.missed))
		put("unseen_"+l, fmt.Sprint(g.unseen))
		put("median_days_"+l, number(g.quantile(0.5), 1))
		put("p95_days_"+l, number(g.quantile(0.95), 1))
	}
	put("wall_called_water", fmt.Sprint(s.wallCalledWater))
	put("wet_per_healthy_year", number(float64(s.healthyWeather)/s.healthyYears, 1))
	if silent := s.silent(); len(silent) > 0 {
		put("never_said", strings.Join(silent, ","))
	}
	return b.String()
}

func TestScore(t *testing.T) {
	events := []Event{
		{Label: "seal", Kinds: []finding.Kind{sealOpened}, Side: []finding.Kind{waterInside}, From: 10 * day, By: 20 * day, Until: 40 * day},
		{Label: "water", Kinds: []finding.Kind{waterInside}, From: 50 * day, By: 52 * day, Until: 60 * day},
	}
	at := func(k finding.Kind, d unit.Instant) finding.Finding {
		return finding.Finding{Kind: k, Concluded: d * day}
	}

	out := Score(events, []finding.Finding{
		at(finding.BoardWet, 5), at(sealOpened, 9), at(waterInside, 12), at(sealOpened, 18), at(sealOpened, 14), at(sealOpened, 39),
		at(waterInside, 53), at(sealOpened, 55), at(waterInside, 60), at(finding.DampWeek, 100),
	})
	require.Equal(t, 2, out.Weather)
	require.Equal(t, []finding.Finding{at(sealOpened, 9), at(sealOpened, 55), at(waterInside, 60)}, out.False)
	require.Equal(t, 4, out.Hits[0].Count)
	require.Equal(t, 4.0, out.Hits[0].Days, "the first that was concluded, in whatever order")
	require.Equal(t, 1, out.Hits[1].Count)
	require.True(t, math.IsNaN(out.Hits[1].Days), "a day late")

	none := Score(events, nil)
	require.True(t, math.IsNaN(none.Hits[0].Days))
	require.Empty(t, none.False)
	require.NotEmpty(t, Score(nil, []finding.Finding{at(sensorDoubt, 3)}).False)
}

func TestTally(t *testing.T) {
	from := unit.Instant(0)
	event := func(label string, k finding.Kind, d unit.Instant) Event {
		return Event{Label: label, What: label, Kinds: []finding.Kind{k}, From: d * day, By: (d + 2) * day, Until: (d + 20) * day}
	}
	at := func(k finding.Kind, d unit.Instant) finding.Finding {
		return finding.Finding{Kind: k, Concluded: d * day}
	}
	year := from + unit.Instant(365.25*float64(day))
	var s Tally
	s.Add(&Case{Name: "a", From: from, To: year}, []finding.Finding{at(stepUp, 7), at(finding.BoardWet, 8)})
	s.Add(&Case{Name: "b", From: from, To: year, Hard: true, Events: []Event{event("water", waterInside, 100), event("wall", wallAir, 200)}},
		[]finding.Finding{at(waterInside, 101), at(waterInside, 102), at(waterInside, 103), at(waterInside, 205)})
	s.Add(&Case{Name: "c", From: from, To: year, Hard: true, Events: []Event{event("water", waterInside, 100), {Label: "leakage", From: 300 * day, Until: year}}}, nil)
	require.Equal(t, " boxes=3 healthy=1 years=3.0 hit=1 missed=1 unseen=1 false_per_station_year=0.667 false_plain=1.000 false_hard=0.500 chatter=1"+
		" found_leakage=0/0 unseen_leakage=1 median_days_leakage=- p95_days_leakage=- found_wall=0/1 unseen_wall=0 median_days_wall=- p95_days_wall=-"+
		" found_water=1/2 unseen_water=0 median_days_water=- p95_days_water=- wall_called_water=1 wet_per_healthy_year=1.0"+
		" never_said=seal_opened,moist_air_from_wall,leakage_rising,current_step_down,no_current,line_voltage_low,sensor_suspect", s.Line())
	require.Len(t, s.notes, 6)
}

func TestQuantile(t *testing.T) {
	g := group{days: []float64{3, 1, 2}}
	require.Equal(t, 2.0, g.quantile(0.5))
	require.Equal(t, 3.0, g.quantile(0.95))
	g.missed = 2
	require.Equal(t, 3.0, g.quantile(0.5))
	require.True(t, math.IsInf(g.quantile(0.95), 1), "missed events count as late")
	require.True(t, math.IsNaN((&group{}).quantile(0.5)))
}
