package web

import (
	"fmt"
	"strings"
	"time"

	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

// apiCover is the cover's clock. Figures are null while a fact is missing.
type apiCover struct {
	Condition *string       `json:"condition"`
	Cracked   bool          `json:"cracked"`
	AgeYears  *number       `json:"age_years"`
	Estimated bool          `json:"estimated"`
	SeenSound *number       `json:"seen_sound_years"`
	Chance    *number       `json:"crack_chance"`
	Ahead     *number       `json:"crack_chance_ahead"`
	AheadDays int           `json:"ahead_days"`
	Early     *unit.Instant `json:"early"`
	Likely    *unit.Instant `json:"likely"`
	Late      *unit.Instant `json:"late"`
	Missing   []string      `json:"missing"`
	Learned   *int          `json:"learned_from"`
}

func coverJSON(c *life.Cover) apiCover {
	out := apiCover{
		Condition: textOrNull(c.Condition), Cracked: c.Cracked, Estimated: c.Estimated, AheadDays: int(life.CoverLead / (24 * time.Hour)),
		Early: instantOrNull(c.Early), Likely: instantOrNull(c.Likely), Late: instantOrNull(c.Late),
		Missing: append([]string{}, c.Missing...),
	}
	if c.Learned != nil {
		out.Learned = &c.Learned.Looks
	}
	if len(c.Missing) == 0 {
		out.AgeYears, out.Chance, out.Ahead = numberIf(c.Age), numberIf(c.Chance), numberIf(c.Ahead)
		if c.SeenSound > 0 {
			out.SeenSound = numberIf(c.SeenSound)
		}
	}
	return out
}

func numberIf(x float64) *number {
	n := number(x)
	return &n
}

// apiLife is the board's clock. Fractions are of the budget; they are null
// while too little is known.
type apiLife struct {
	Build     *string       `json:"build"`
	Since     unit.Instant  `json:"since"`
	Fraction  *number       `json:"fraction"`
	Low       *number       `json:"low"`
	High      *number       `json:"high"`
	Start     number        `json:"start"`
	Dose      number        `json:"dose"`
	Estimated number        `json:"estimated"`
	KnownH    number        `json:"known_h"`
	UnknownH  number        `json:"unknown_h"`
	Outlook   life.Outlook  `json:"outlook"`
	Date      *unit.Instant `json:"date"`
	Early     *unit.Instant `json:"early"`
	Late      *unit.Instant `json:"late"`
	Missing   []string      `json:"missing"`
	Learned   *int          `json:"learned_from"`
	Corroded  *number       `json:"corroded_chance"`
}

func lifeJSON(b *life.Board) apiLife {
	out := apiLife{
		Build: textOrNull(b.Build), Since: b.Since, Start: number(b.Start), Dose: number(b.Dose), Estimated: number(b.Estimated),
		KnownH: number(b.KnownH), UnknownH: number(b.UnknownH), Outlook: b.Outlook,
		Date: instantOrNull(b.Date), Early: instantOrNull(b.Early), Late: instantOrNull(b.Late),
		Missing: append([]string{}, b.Missing...),
	}
	if b.Known {
		out.Fraction, out.Low, out.High = numberIf(b.Fraction), numberIf(b.Low), numberIf(b.High)
	}
	if b.Learned != nil {
		out.Learned, out.Corroded = &b.Learned.Looks, numberIf(*b.Corroded)
	}
	return out
}

// coverWords say how old a cover is and when such covers crack, in sentences.
func coverWords(c *life.Cover, zone *time.Location) (says []string) {
	if c.Cracked {
		what := c.Condition
		if what != "missing" {
			what = "cracked"
		}
		says = append(says, "The cover is "+what+".")
	}
	if c.Condition == "crazed" {
		says = append(says, "The cover is crazed: of such fine cracks a crack begins.")
	}
	if len(c.Missing) > 0 {
		return append(says, "How old the cover is can’t be told. "+enter(c.Missing))
	}
	text := "Cover: " + plain(c.Age, 1) + " years outdoors, weighted by sun"
	if c.Estimated {
		text += ", some of which nobody recorded"
	}
	if c.Cracked {
		return append(says, text+".")
	}
	if text += "; of such covers "; c.SeenSound > 0 {
		text += "that were whole at " + plain(c.SeenSound, 1) + " years "
	}
	text += percent(c.Chance) + " have cracked, " + percent(c.Ahead) + " will have in half a year"
	if c.Likely != 0 {
		text += ", half by " + monthOfYear(c.Likely, zone)
	}
	if c.Learned != nil {
		return append(says, text+fmt.Sprintf(" (learned from %s at covers).", count(int64(c.Learned.Looks), "look")))
	}
	return append(says, text+" (common practice, no source: 10 to 15 years).")
}

// boardWords say how much of a board's life is used, in sentences.
func boardWords(b *life.Board, zone *time.Location) (says []string) {
	switch {
	case b.Known && b.Outlook == life.UsedUp:
		says = append(says, fmt.Sprintf("The budget of the board’s life is used up: about %s of it (%s to %s).", percent(b.Fraction), percent(b.Low), percent(b.High)))
	case b.Known:
		says = append(says, fmt.Sprintf("About %s of the board’s life is used (%s to %s).", percent(b.Fraction), percent(b.Low), percent(b.High)))
	case b.KnownH == 0 && len(b.Missing) == 0:
		return []string{"How much of the board’s life is used is not known yet: nothing was heard since it was fitted."}
	default:
		says = append(says, "How much of the board’s life is used can’t be told.")
		if used := b.Dose + b.Estimated; used > 0 {
			says = append(says, fmt.Sprintf("Since %s it used %s of a budget.", b.Since.Time().In(zone).Format("2 January 2006"), percent(used)))
		}
	}
	if b.Learned != nil {
		says = append(says, fmt.Sprintf("The budget is what %s at boards of this build taught; by now %s of such boards are corroded.", count(int64(b.Learned.Looks), "look"), percent(*b.Corroded)))
	}
	if b.Known && b.Start > 0 {
		says = append(says, "It began with "+percent(b.Start)+", by its grade.")
	}
	if b.UnknownH >= 24 && b.Estimated > 0 {
		says = append(says, fmt.Sprintf("%s is estimated, for %s days of which nothing is known.", capital(percent(b.Estimated)), plain(b.UnknownH/24, 0)))
	}
	if b.Known {
		says = append(says, outlookWords(b, zone))
	}
	if len(b.Missing) > 0 {
		says = append(says, enter(b.Missing))
	}
	return says
}

func outlookWords(b *life.Board, zone *time.Location) string {
	switch b.Outlook {
	case life.UsedUp:
		return "What you see on it decides."
	case life.BeyondCover:
		return "The rest lasts beyond cover age."
	case life.BeforeCover:
		return "At this rate the rest won’t last as long as the cover: look at the board at the next visit."
	case life.OnDate:
		late := "beyond cover age"
		if b.Late != 0 {
			late = monthOfYear(b.Late, zone)
		}
		return "At the rates so far the rest lasts until " + monthOfYear(b.Date, zone) + " (" + monthOfYear(b.Early, zone) + " to " + late + ")."
	}
	return "Until when the rest lasts is not known yet."
}

func monthOfYear(t unit.Instant, zone *time.Location) string {
	return t.Time().In(zone).Format("January 2006")
}

// percent writes a share of one; less than half a percent is not nothing.
func percent(share float64) string {
	switch p := 100 * share; {
	case p == 0:
		return "0" + space + "%"
	case p < 0.5:
		return "less than 1" + space + "%"
	default:
		return plain(p, 0) + space + "%"
	}
}

// whatToEnter says how a person records what the clocks need.
var whatToEnter = map[string]string{
	fact.CoverNew:   "since when the cover is new",
	fact.Build:      "its build",
	fact.Board:      "whether its board is new, used or a donor’s",
	fact.BoardGrade: "the grade of its board",
}

func enter(missing []string) string {
	var words []string
	for _, name := range missing {
		words = append(words, whatToEnter[name]+" ("+name+")")
	}
	return "Record " + strings.Join(words, ", and ") + "."
}

// coverDueWords say why a cover is due, from the finding's numbers or, where it
// has none, from what was seen.
func coverDueWords(f *finding.Finding, now unit.Instant, zone *time.Location) string {
	if life.Seen(f) {
		return "Since " + since(f.From, now, zone) + " the cover is known to be cracked, crazed or missing."
	}
	return "When this was concluded it had been outdoors for " + evidence(f, "cover_age") + ", weighted by sun; of such covers " +
		evidence(f, "crack_chance") + " crack within half a year (common practice, no source: 10 to 15 years)."
}
