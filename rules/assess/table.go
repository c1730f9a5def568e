package assess

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// WriteTable writes the assessment for a person to read, with what was assumed.
func (a *Assessment) WriteTable(w io.Writer, name string, ignored []string) error {
	t := table{tw: tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)}
	t.line("%s", name)
	a.writeScope(&t)
	a.writeHours(&t)
	a.writeBox(&t)
	a.writeRepair(&t)
	a.writeFindings(&t)
	a.writeAssumed(&t, ignored)
	if t.err != nil {
		return t.err
	}
	return t.tw.Flush()
}

type table struct {
	tw  *tabwriter.Writer
	err error
}

func (t *table) line(format string, args ...any) {
	if t.err == nil {
		_, t.err = fmt.Fprintf(t.tw, format+"\n", args...)
	}
}

func (a *Assessment) writeScope(t *table) {
	if a.From == nil {
		t.line("No readings: nothing can be said.")
		return
	}
	t.line("  from\t%s\tto %s", stamp(*a.From), stamp(*a.To))
	t.line("  readings\t%d\tmerged rows %d, values refused %d", a.Readings, a.Merged, a.Refused)
	t.line("  known\t%s\tunknown %s (reported, never taken for dry)", hourText(a.Coverage.KnownH), hourText(a.Coverage.UnknownH))
}

func (a *Assessment) writeHours(t *table) {
	t.line("")
	t.line("Hours")
	t.line("  condensing\t%s\t%s to %s\tsurface at or below the dew or frost point", hourText(a.Hours.Condensing), hourText(a.Range.Condensing.Low), hourText(a.Range.Condensing.High))
	t.line("  at risk\t%s\t%s to %s\tless than 3 K from it (ISO 8502-4), condensing included", hourText(a.Hours.AtRisk), hourText(a.Range.AtRisk.Low), hourText(a.Range.AtRisk.High))
	t.line("  time of wetness\t%s\t\tinside RH > 80 %% and > 0 °C (ISO 9223's definition, in a box)", hourText(a.Hours.Tow))
	t.line("  frost\t%s\t\tcondensing below 0 °C", hourText(a.Hours.Frost))
	t.line("  thaw\t%s\t\tmelting after frost, at most 2 h each", hourText(a.Hours.Thaw))
	if a.Hours.CoverWet != nil {
		t.line("  cover wet\t%s\t\tinner side of the cover", hourText(*a.Hours.CoverWet))
	}
	low, high := exposure.DoseRange(a.DoseHEq, a.basis)
	t.line("  dose\t%.1f h eq\t%.1f to %.1f\thours at saturation that wear the same (judgement value)", a.DoseHEq, low, high)
	if l := a.Life; l != nil {
		t.line("  life used\t%.1f %%\t%.1f to %.1f\tof a budget of %.0f h eq (%s; judgement value), unknown time not counted", 100*l.Fraction, 100*low/l.BudgetHEq, 100*high/l.BudgetHEq, l.BudgetHEq, l.Build)
	}
	if d := a.DewPointC; d.Mean != nil {
		t.line("  dew point\t%.1f °C\t%.1f to %.1f\tover water", *d.Mean, *d.Min, *d.Max)
	}
	if a.TowClass != nil {
		t.line("  outdoors\tτ%d\t\tclass of time of wetness, ISO 9223, openly exposed metal", *a.TowClass)
	}
}

var sentences = map[finding.Kind][2]string{
	finding.BoardWet: {"the board stayed wet when it should have dried", "look at cover, gasket and cable entry"},
	finding.DampWeek: {"more hours at risk in seven days than is normal here", "plan a visit"},

	finding.SealOpened:       {"the box lets in more outdoor air than it did", "inspect cover and keys"},
	finding.WaterInside:      {"water in the box, or its sensor says so wrongly", "open and drain it"},
	finding.MoistAirFromWall: {"air from the house or the wall enters the box", "seal the cable entry"},
	finding.SensorSuspect:    {"a sensor does not tell the truth; nothing else is concluded from it", "check the sensor over salt, or swap it"},

	finding.LeakageRising:   {"current leaks where the board is damp, and more than it did", "clean and recoat the board"},
	finding.CurrentStepUp:   {"the standby current rose at once, and stayed", "look for a stuck key or a short"},
	finding.CurrentStepDown: {"the standby current fell at once, and stayed", "look for an open line or a lamp that died"},
	finding.NoCurrent:       {"no standby current", "look for the power"},
	finding.LineVoltageLow:  {"the line's voltage is far below the usual", "look at supply and line"},
}

// writeBox tells how open the box is, and of the coming night.
func (a *Assessment) writeBox(t *table) {
	if n := len(a.Breathing); n > 0 {
		d := &a.Breathing[n-1]
		high := "no bound"
		if d.HighH != nil {
			high = fmt.Sprintf("%.1f", *d.HighH)
		}
		t.line("  breathing time\t%.1f h\t%.1f to %s\tvapour exchange with outdoors, %d days up to %s, basis %s; says nothing of rain", d.TauH, d.LowH, high, d.WindowD, d.Day, d.Basis)
	} else if a.From != nil {
		t.line("  breathing time\tnot known yet\t\tit takes three days or more of a box without dew, while the air outdoors changes")
	}
	if u := a.BreathingUsual; u != nil {
		tight := "when its baseline was taken, before " + u.Day
		switch {
		case u.NeverTight:
			tight = "never tight: it was as open when its baseline was taken"
		case u.Fed:
			tight += ", while more vapour came in than the air outdoors brings: an opened seal is looked for once that is little"
		}
		t.line("  usual\t%.1f h\t\t%s", u.TauH, tight)
	} else if n := len(a.Breathing); n > 0 && a.Breathing[n-1].Basis == breathing.Inside {
		t.line("  usual\tnot known\t\tit takes the air outdoors: without it an opened seal isn't looked for")
	} else if n > 0 {
		t.line("  usual\tnot known yet\t\tit takes 21 days of which the breathing time is known")
	}
	a.writeCurrent(t)
	if n := a.tonight; n != nil {
		t.line("  outlook\t%.0f %%\t\tprobability of condensation in the night of %s, at risk %.0f %%; issued %s", 100*n.PCondensing, n.Night, 100*n.PAtRisk, stamp(n.Issued))
	}
}

// writeRepair tells whether the box is drier since it was repaired.
func (a *Assessment) writeRepair(t *table) {
	if a.Compared == nil {
		return
	}
	for _, line := range []struct {
		name string
		of   *equal.Comparison
	}{{"condensing", &a.Compared.Condensing}, {"at risk", &a.Compared.AtRisk}} {
		c := line.of
		if c.Change == nil {
			t.line("  since repair\tnot known yet\t\t%s: it takes 14 days before and after, with the air outdoors, in weather that both had", line.name)
			continue
		}
		t.line("  since repair\t%+.1f h a day\t%+.1f to %+.1f\t%s, nine in ten: %s a day on %d days, and %s expected by %d days before; %s",
			*c.Change, *c.Low, *c.High, line.name, ranged(c.After.Compared), c.After.Days-c.After.Unlike, ranged(c.After.Expected), c.Before.Days, c.Verdict())
	}
}

func ranged(h *equal.Hours) string { return fmt.Sprintf("%.1f h (%.1f to %.1f)", h.Mid, h.Low, h.High) }

// writeCurrent tells what the line draws and how much of it leaks.
func (a *Assessment) writeCurrent(t *table) {
	c := a.Current
	if c == nil {
		return
	}
	if c.StandbyMA != nil {
		t.line("  standby current\t%.2f mA\t\tin the quiet hours of the night, median of the last days", *c.StandbyMA)
	}
	usual := func(x *float64, unit string) string {
		if x == nil {
			return "what is usual for it is not known yet"
		}
		return fmt.Sprintf("usual for it are %.3f %s", *x, unit)
	}
	switch {
	case c.LeakMA != nil && c.ErrorMA != nil:
		t.line("  leakage\t%.3f mA\t± %.3f (standard error)\twere the board saturated; %s", *c.LeakMA, *c.ErrorMA, usual(c.OwnMA, "mA"))
	case c.StandbyMA != nil:
		t.line("  leakage\tnot known yet\t\tit takes nights that are damp to different degrees")
	}
	if c.CombUS != nil {
		t.line("  comb\t%.2f µS\t\twere it saturated, as usual for it", *c.CombUS)
	}
}

func (a *Assessment) writeFindings(t *table) {
	t.line("")
	if len(a.Findings) == 0 {
		t.line("Findings: none.")
		return
	}
	t.line("Findings: %d", len(a.Findings))
	for _, f := range a.Findings {
		end := "lasting"
		if f.To != nil {
			end = "to " + stamp(*f.To)
		}
		t.line("  %s\tsince %s\t%s\t%s; first %s", f.Kind, stamp(f.From), end, sentences[f.Kind][0], sentences[f.Kind][1])
		var parts []string
		for _, e := range f.Evidence {
			parts = append(parts, evidence(&e))
		}
		t.line("  \tconcluded %s\tconfidence %.0f %%\t%s", stamp(f.Concluded), 100*f.Confidence, strings.Join(parts, ", "))
	}
	t.line("  Before opening a unit: line off. Local rules and the maker's sheet come first.")
}

// evidence writes a number that a finding rests on; of what answers a question, the
// answer.
func evidence(e *finding.Evidence) string {
	switch {
	case e.Name != "water_or_sensor":
		return strings.TrimSpace(fmt.Sprintf("%s %.3g %s", strings.ReplaceAll(e.Name, "_", " "), e.Value, e.Unit))
	case e.Value == 0:
		return "it is water, not the sensor"
	}
	return "water or sensor is not decided yet"
}

func (a *Assessment) writeAssumed(t *table, ignored []string) {
	t.line("")
	t.line("Assumed")
	t.line("  longest step that is still known\t%s\t(--max-gap)", a.MaxGap)
	switch {
	case a.Surface.Basis == nil:
		t.line("  surface\tnone: inside temperature and humidity never known together")
	case *a.Surface.Basis == "board":
		t.line("  surface\tthe board's own sensor")
	case a.Surface.Learned != "":
		t.line("  surface\t%s; inside air less what a board taught elsewhere\t(--undercooling)", map[string]string{"air": "no sensor", "mixed": "the board's own sensor, or none"}[*a.Surface.Basis])
	case *a.Surface.Basis == "air":
		t.line("  surface\tinside air less %g K\t(--surface-allowance; a board sensor is better)", a.Surface.AllowanceK)
	default:
		t.line("  surface\tthe board's own sensor; where it is silent, inside air less %g K\t(--surface-allowance)", a.Surface.AllowanceK)
	}
	if a.placed {
		t.line("  night\tsunset to sunrise at the place\t(--at)")
	} else {
		t.line("  night\talways, for the high end of the range: no place given\t(--at LAT,LON)")
	}
	t.line("  range\tof condensing and at risk: ±2 %%RH; without a board sensor 2 K colder at night; other hours are as the sensors read, without one")
	if len(ignored) > 0 {
		t.line("  columns ignored\t%s", strings.Join(ignored, ", "))
	}
}

func stamp(t unit.Instant) string { return t.Time().Format("2006-01-02 15:04Z") }

func hourText(h float64) string {
	if h > 0 && h < 0.1 {
		return time.Duration(h * float64(time.Hour)).Round(time.Second).String()
	}
	return fmt.Sprintf("%.1f h", h)
}
