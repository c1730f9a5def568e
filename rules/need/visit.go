package need

import (
	"fmt"
	"slices"
	"time"

	"dewpost/rules/bench"
	"dewpost/rules/finding"
)

// Job is what is to be done at a station, as far as it can be told from here.
type Job struct {
	Minutes int      // of work on site, at least
	Opens   bool     // the box is opened, so it wants a dry hour
	Coats   bool     // the board is coated: it must cure in dry air, so the work takes two visits, a swap, or the bench
	Classes []string // of parts to load, in the shop's words
	Needed  []string // of Classes, those without which going there doesn't help
}

// what a finding or symptom wants done: common practice, no source. Minutes are
// judgement values.
type work struct {
	minutes      int
	opens, coats bool
	classes      []string
}

var workOf = map[string]work{
	string(finding.WaterInside):      {60, true, false, []string{"gasket", "cover"}},
	string(finding.BoardWet):         {45, true, false, []string{"gasket"}},
	string(finding.SealOpened):       {45, true, false, []string{"gasket", "cover"}},
	string(finding.MoistAirFromWall): {40, true, false, []string{"sealant"}},
	string(finding.DampWeek):         {30, true, false, []string{"gasket"}},
	string(finding.LeakageRising):    {60, true, true, []string{"coating", "board"}},
	string(finding.CurrentStepUp):    {45, true, false, []string{"keypad"}},
	string(finding.CurrentStepDown):  {40, true, false, []string{"lamp"}},
	string(finding.NoCurrent):        {45, false, false, nil},
	string(finding.LineVoltageLow):   {40, false, false, nil},
	string(finding.CoverDue):         {40, true, false, []string{"cover", "gasket"}},
	string(finding.BudgetLow):        {60, true, true, []string{"board", "coating"}},
	string(finding.SensorSuspect):    {20, true, false, []string{"sensor"}},
	string(finding.Silent):           {20, false, false, []string{"sensor"}},

	"ghost-calls": {50, true, false, []string{"keypad", "gasket"}},
	"no-ring":     {45, true, false, nil},
	"weak-audio":  {45, true, false, []string{"speaker", "microphone"}},
	"dead-key":    {45, true, false, []string{"keypad"}},
	"hum":         {40, true, false, nil},
	"dark-lamp":   {20, true, false, []string{"lamp"}},
}

const lookMinutes = 20 // to look at a station where nothing in particular is known

// JobOf returns what is to be done.
func JobOf(s *Station) Job {
	j := Job{Minutes: lookMinutes}
	add := func(name string) {
		w, ok := workOf[name]
		if !ok {
			w = work{40, true, false, nil}
		}
		j.Minutes = max(j.Minutes, w.minutes) + min(10, j.Minutes-lookMinutes)
		j.Opens, j.Coats = j.Opens || w.opens, j.Coats || w.coats
		for _, c := range w.classes {
			if !slices.Contains(j.Classes, c) {
				j.Classes = append(j.Classes, c)
			}
		}
	}
	for i := range s.Findings {
		add(string(s.Findings[i].Kind))
	}
	for _, sy := range s.Symptoms {
		add(string(sy.Kind))
	}
	if s.Cover.Cracked || s.Cover.Condition == "crazed" {
		add(string(finding.CoverDue))
		j.Needed = append(j.Needed, "cover")
	}
	if has(s, finding.BudgetLow) {
		j.Needed = append(j.Needed, "board")
	}
	return j
}

// Reach says how the workshop gets to a station.
type Reach struct {
	Post    bool          // it is out of driving range, by the books
	Place   bool          // it is known where it hangs
	NoStart bool          // nobody said where the workshop is, so the way there is not known
	OneWay  time.Duration // of driving; 0: not known
	Farther bool          // than the workshop drives
	Loan    bool          // a loan unit is free that could hang there meanwhile
}

// Visit is the kind of visit that is suggested.
type Visit struct {
	Kind bench.Kind `json:"kind"`
	Loan bool       `json:"loan"` // a loan unit goes there meanwhile
	Why  string     `json:"why"`
}

// Suggest says how to reach a station for what is to be done.
func Suggest(s *Station, j Job, r Reach) Visit {
	far := r.Post || r.Farther
	vague := len(s.Findings) == 0 && !s.Cover.Cracked && s.Cover.Condition != "crazed" && onlySymptoms(s, "other")
	nothing := !j.Opens && len(s.Findings) == 0 && len(s.Symptoms) == 0
	onlySilent := len(s.Findings) > 0 && len(s.Symptoms) == 0 && !slices.ContainsFunc(s.Findings, func(f finding.Finding) bool { return f.Kind != finding.Silent })
	onlyAge := len(s.Symptoms) == 0 && len(s.Findings) > 0 && !s.Cover.Cracked && s.Cover.Condition != "crazed" &&
		!slices.ContainsFunc(s.Findings, func(f finding.Finding) bool { return f.Kind != finding.CoverDue })
	photos := func(why string) Visit {
		if since := s.Now.Sub(s.Photos); s.Photos != 0 && since < photosHold {
			why = "Photos came " + map[bool]string{true: "today", false: days(since) + " ago"}[since < 24*time.Hour] + ": look at them, and plan what they show, before more is asked for."
		}
		return Visit{Kind: bench.Photos, Why: why}
	}
	switch {
	case far && (nothing || onlyAge):
		return photos("It is out of driving range and nothing is known to be broken: photos of cover, gasket and cable entry tell whether it must come in.")
	case onlySilent:
		return photos("Only its readings are missing: ask somebody there to look at router, power and agent, and to send a photo, before anybody drives.")
	case far && vague:
		return photos("It is out of driving range, and nobody said what exactly is wrong: photos, and a few words, tell whether an installer can do it or it must come in.")
	case far && (j.Coats || has(s, finding.WaterInside, finding.CurrentStepUp) || len(s.Symptoms) > 0 && !onlySymptoms(s, "dark-lamp")):
		v := Visit{Kind: bench.SendIn, Loan: r.Loan, Why: "It is out of driving range and its board wants the bench"}
		if r.Loan {
			v.Why += ": send a loan unit that hangs there meanwhile."
		} else {
			v.Why += "; no loan unit is free, so the door has none meanwhile."
		}
		return v
	case far:
		return Visit{Kind: bench.LocalInstaller, Why: "It is out of driving range, and an installer who lives there can do it with parts by post."}
	case j.Coats && r.Loan:
		return Visit{Kind: bench.OnSite, Loan: true, Why: "Its board wants coating, which cures in dry air for a day: swap it for a loan unit in one visit."}
	case j.Coats:
		return Visit{Kind: bench.OnSite, Why: "Its board wants coating, which cures in dry air for a day: two visits, as no loan unit is free."}
	case r.OneWay > 0:
		return Visit{Kind: bench.OnSite, Why: fmt.Sprintf("It is %.0f minutes away.", r.OneWay.Minutes())}
	case r.NoStart:
		return Visit{Kind: bench.OnSite, Why: "Nobody said where the workshop is; put it into the settings lat and lon of rounds, so that a round can be planned."}
	case !r.Place:
		return Visit{Kind: bench.OnSite, Why: "Nobody recorded where its site lies; record it, so that a round can be planned."}
	}
	return Visit{Kind: bench.OnSite, Why: "It is within driving range."}
}

// photosHold is for how long photos tell how a station looks; a judgement value.
const photosHold = 60 * 24 * time.Hour

// onlySymptoms tells whether there are symptoms, and none but of one kind.
func onlySymptoms(s *Station, kind bench.Symptom) bool {
	return len(s.Symptoms) > 0 && !slices.ContainsFunc(s.Symptoms, func(o Symptom) bool { return o.Kind != kind })
}

func has(s *Station, kinds ...finding.Kind) bool {
	return slices.ContainsFunc(s.Findings, func(f finding.Finding) bool { return slices.Contains(kinds, f.Kind) })
}
