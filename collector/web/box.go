package web

import (
	"fmt"
	"strings"
	"time"

	"dewpost/collector/view"
	"dewpost/rules/equal"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// apiLine is a line that a station shares with others.
type apiLine struct {
	ID            string   `json:"id"`
	Stations      []string `json:"stations"`
	CurrentSensor *string  `json:"current_sensor"`
}

func lineJSON(l *view.OnLine) *apiLine {
	if l == nil {
		return nil
	}
	return &apiLine{l.ID, l.Stations, textOrNull(l.MeterID)}
}

type apiCorroded struct {
	Visit int64        `json:"visit"`
	At    unit.Instant `json:"at"`
	Place string       `json:"place"`
	Grade string       `json:"grade"`
}

func corrodedJSON(list []view.Corroded) []apiCorroded {
	out := []apiCorroded{}
	for i := range list {
		for _, p := range list[i].Places {
			out = append(out, apiCorroded{list[i].Visit, list[i].At, p.Place, string(p.Grade)})
		}
	}
	return out
}

// apiRepair is what the last repair of a box did to how wet it is.
type apiRepair struct {
	Visit int64        `json:"visit"`
	Ended unit.Instant `json:"ended"`
	Work  []string     `json:"work"`
	comparisonJSON
}

func repairJSON(r *view.Repair) *apiRepair {
	if r == nil {
		return nil
	}
	out := &apiRepair{Visit: r.Visit, Ended: r.Ended, Work: []string{}, comparisonJSON: comparedJSON(&r.Compared)}
	for _, c := range r.Work {
		out.Work = append(out.Work, string(c))
	}
	return out
}

// lineWords say which line a station is on, for the box at the top of its card.
func lineWords(l *view.OnLine) string {
	text := l.Name + ", which also feeds " + andOf(l.Others)
	switch {
	case l.Here:
		text += "; its current is read here"
	case l.Meter != "":
		text += "; its current is read at " + l.Meter
	}
	return text
}

// repairWords say whether the last repair holds.
func repairWords(r *view.Repair, zone *time.Location) string {
	if r == nil {
		return ""
	}
	text := "Since the visit of " + date(r.Ended.Time().In(zone).Format(time.DateOnly))
	var work []string
	for _, c := range r.Work {
		work = append(work, strings.ReplaceAll(string(c), "-", " "))
	}
	if len(work) > 0 {
		text += " (" + strings.Join(work, ", ") + ")"
	}
	wet, risk := &r.Condensing, &r.AtRisk
	if wet.Change == nil || risk.Change == nil {
		return text + ": not enough is known yet to tell whether it holds. That takes 14 days before and after, with the air outdoors, in weather that both had."
	}
	text += fmt.Sprintf(": condensing for %s a day instead of %s expected in this weather, %s; at risk for %s instead of %s, %s.",
		dayHours(wet.After.Compared), dayHours(wet.After.Expected), changeWords(wet),
		dayHours(risk.After.Compared), dayHours(risk.After.Expected), changeWords(risk))
	return text + fmt.Sprintf(" Compared were %d days after it with %d before.", wet.After.Days-wet.After.Unlike, wet.Before.Days)
}

// dayHours writes hours a day with the range that the ledger gives them.
func dayHours(h *equal.Hours) string {
	return plain(h.Mid, 1) + space + "h (" + plain(h.Low, 1) + " to " + plain(h.High, 1) + ")"
}

func changeWords(c *equal.Comparison) string {
	text := fmt.Sprintf("%s%sh a day (%s to %s, nine in ten): ", signed(*c.Change), space, signed(*c.Low), signed(*c.High))
	switch c.Verdict() {
	case equal.Drier:
		return text + "it is drier"
	case equal.Wetter:
		return text + "it is wetter"
	default:
		return text + "no difference is shown"
	}
}

// heaterWords say what came of the newest burst of the sensor's own heater.
func heaterWords(b *sensing.Burst, zone *time.Location) string {
	if b == nil {
		return ""
	}
	text := fmt.Sprintf("Its own heater, %s: warmed by %s%sK it fell by %s%s%%RH, where %s are due",
		stamp(b.At, zone), plain(b.WarmedK, 1), space, plain(b.Fell, 0), space, plain(b.Due, 0))
	if b.Back != nil {
		text += fmt.Sprintf("; cool again it stood %s%s%%RH from where it was", signed(*b.Back), space)
	}
	return text + ". " + map[sensing.HeaterResult]string{
		sensing.HeaterMoved:  "It is alive; whether it comes back is not known yet.",
		sensing.HeaterPassed: "Passed: it is alive, and what it shows near saturation is water rather than the sensor.",
		sensing.HeaterDried:  "It is alive. It was wet, or the air changed meanwhile: that says nothing against it.",
		sensing.HeaterWeak:   "That decides nothing: order another burst.",
		sensing.HeaterNumb:   "It did not follow. One burst may be out of step with the reading: order another.",
		sensing.HeaterFailed: "Failed, twice in a row: it is stuck, and nothing is concluded from it.",
	}[b.Result]
}

// corrodedWords say what was seen of corrosion, the newest look in full.
func corrodedWords(list []view.Corroded, zone *time.Location) (says []string) {
	for i := range list {
		c := &list[i]
		var places []string
		for _, p := range c.Places {
			places = append(places, strings.ReplaceAll(p.Place, "-", " ")+" "+string(p.Grade))
		}
		text := fmt.Sprintf("Corrosion seen at visit %d, %s: %s.", c.Visit, date(c.At.Time().In(zone).Format(time.DateOnly)), strings.Join(places, ", "))
		if says = append(says, text); len(says) == corrodedShown {
			break
		}
	}
	return says
}

const corrodedShown = 3
