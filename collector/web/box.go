package web

import (
	"strings"
	"time"

	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/current"
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
func lineWords(lc *words.Locale, l *view.OnLine) string {
	text := lc.Say("%s, which also feeds %s", l.Name, andOf(lc, l.Others))
	switch {
	case l.Here:
		text += lc.Say("; its current is read here")
	case l.Meter != "":
		text += lc.Say("; its current is read at %s", l.Meter)
	}
	return text
}

// apiCurrent is what is known of the line's current and of the comb.
type apiCurrent struct {
	Level *number `json:"standby_ma"`
	Leak  *number `json:"leakage_at_saturation_ma"`
	Error *number `json:"leakage_standard_error_ma"`
	Own   *number `json:"own_leakage_at_saturation_ma"`
	PerK  *number `json:"change_ma_per_k"`
	Comb  *number `json:"own_comb_at_saturation_us"`
}

func currentJSON(c *current.Standing) *apiCurrent {
	if c == nil {
		return nil
	}
	of := func(x *float64) *number {
		if x == nil {
			return nil
		}
		return numberIf(*x)
	}
	return &apiCurrent{of(c.Level), of(c.Leak), of(c.Error), of(c.Own), of(c.PerK), of(c.Comb)}
}

// currentWords say how the line's current stands, and the comb.
func currentWords(lc *words.Locale, c *current.Standing) (says []string) {
	if c == nil {
		return nil
	}
	if c.Level != nil {
		says = append(says, lc.Say("In the quiet hours of the night it draws %s\u00a0mA, the middle of its last days.", plain(lc, *c.Level, 2)))
	}
	switch {
	case c.Leak == nil && c.Level != nil:
		says = append(says, lc.Say("Whether current leaks over a damp board is not known yet: it takes nights that are damp to different degrees."))
	case c.Leak != nil && *c.Leak <= 0:
		says = append(says, lc.Say("No leakage is seen over a damp board (± %s\u00a0mA, were it saturated).", plain(lc, *c.Error, 3)))
	case c.Leak != nil && c.Own != nil:
		says = append(says, lc.Say("Leakage, were the board saturated: %s\u00a0mA, ± %s; usual for it are %s.", plain(lc, *c.Leak, 3), plain(lc, *c.Error, 3), plain(lc, *c.Own, 3)))
	case c.Leak != nil:
		says = append(says, lc.Say("Leakage, were the board saturated: %s\u00a0mA, ± %s; what is usual for it is not known yet.", plain(lc, *c.Leak, 3), plain(lc, *c.Error, 3)))
	}
	if c.Comb != nil {
		says = append(says, lc.Say("The comb, were it saturated, usually conducts %s\u00a0µS: it rises before the leakage does.", plain(lc, *c.Comb, 2)))
	}
	return says
}

// repairWords say whether the last repair holds.
func repairWords(lc *words.Locale, r *view.Repair, zone *time.Location) string {
	if r == nil {
		return ""
	}
	text := lc.Say("Since the visit of %s", date(lc, r.Ended.Time().In(zone).Format(time.DateOnly)))
	var work []string
	for _, c := range r.Work {
		work = append(work, lc.Code(string(c)))
	}
	if len(work) > 0 {
		text += " (" + strings.Join(work, ", ") + ")"
	}
	wet, risk := &r.Condensing, &r.AtRisk
	if wet.Change == nil || risk.Change == nil {
		return text + lc.Say(": not enough is known yet to tell whether it holds. That takes 14 days before and after, with the air outdoors, in weather that both had.")
	}
	text += lc.Say(": condensing for %s a day instead of %s expected in this weather, %s; at risk for %s instead of %s, %s.", dayHours(lc, wet.After.Compared), dayHours(lc, wet.After.Expected), changeWords(lc, wet), dayHours(lc, risk.After.Compared), dayHours(lc, risk.After.Expected), changeWords(lc, risk))
	text += lc.Say(" Compared were %d days after it with %d before.", wet.After.Days-wet.After.Unlike, wet.Before.Days)
	if r.SensorChanged {
		text += lc.Say(" A sensor was changed in between: two may differ by 2\u00a0%%RH each, which these ranges don’t hold.")
	}
	return text
}

// dayHours writes hours a day with the range that the ledger gives them.
func dayHours(lc *words.Locale, h *equal.Hours) string {
	return lc.Say("%s\u00a0h (%s to %s)", plain(lc, h.Mid, 1), plain(lc, h.Low, 1), plain(lc, h.High, 1))
}

func changeWords(lc *words.Locale, c *equal.Comparison) string {
	text := lc.Say("%s\u00a0h a day (%s to %s, nine in ten): ", signed(lc, *c.Change), signed(lc, *c.Low), signed(lc, *c.High))
	switch c.Verdict() {
	case equal.Drier:
		return text + lc.Say("it is drier")
	case equal.Wetter:
		return text + lc.Say("it is wetter")
	default:
		return text + lc.Say("no difference is shown")
	}
}

// heaterWords say what came of the newest burst of the sensor's own heater.
func heaterWords(lc *words.Locale, b *sensing.Burst, zone *time.Location) string {
	if b == nil {
		return ""
	}
	text := lc.Say("Its own heater, %s: warmed by %s\u00a0K it fell by %s\u00a0%%RH, where %s are due", stamp(lc, b.At, zone), plain(lc, b.WarmedK, 1), plain(lc, b.Fell, 0), plain(lc, b.Due, 0))
	if b.Back != nil {
		text += lc.Say("; cool again it stood %s\u00a0%%RH from where it was", signed(lc, *b.Back))
	}
	return text + ". " + lc.Say(heaterResultWords[b.Result])
}

var heaterResultWords = map[sensing.HeaterResult]string{
	sensing.HeaterMoved:  "It is alive; whether it comes back is not known yet.",
	sensing.HeaterPassed: "Passed: it is alive, and what it shows near saturation is water rather than the sensor.",
	sensing.HeaterDried:  "It is alive. It was wet, or the air changed meanwhile: that says nothing against it.",
	sensing.HeaterWeak:   "That decides nothing: order another burst.",
	sensing.HeaterNumb:   "It did not follow. One burst may be out of step with the reading: order another.",
	sensing.HeaterFailed: "Failed, twice in a row: it is stuck, and nothing is concluded from it.",
}

// corrodedWords say what was seen of corrosion, the newest look in full.
func corrodedWords(lc *words.Locale, list []view.Corroded, zone *time.Location) (says []string) {
	for i := range list {
		c := &list[i]
		var places []string
		for _, p := range c.Places {
			places = append(places, lc.Code(p.Place)+" "+lc.Code(string(p.Grade)))
		}
		text := lc.Say("Corrosion seen at visit %d, %s: %s.", c.Visit, date(lc, c.At.Time().In(zone).Format(time.DateOnly)), strings.Join(places, ", "))
		if says = append(says, text); len(says) == corrodedShown {
			break
		}
	}
	return says
}

const corrodedShown = 3
