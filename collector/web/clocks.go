package web

import (
	"strings"
	"time"

	"dewpost/collector/words"
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
func coverWords(lc *words.Locale, c *life.Cover, zone *time.Location) (says []string) {
	if c.Cracked {
		what := c.Condition
		if what != "missing" {
			what = "cracked"
		}
		says = append(says, lc.Say("The cover is %s.", lc.Say(what)))
	}
	if c.Condition == "crazed" {
		says = append(says, lc.Say("The cover is crazed: of such fine cracks a crack begins."))
	}
	if len(c.Missing) > 0 {
		return append(says, lc.Say("How old the cover is can’t be told. %s", enter(lc, c.Missing)))
	}
	text := lc.Say("Cover: %s years outdoors, weighted by sun", plain(lc, c.Age, 1))
	if c.Estimated {
		text += lc.Say(", some of which nobody recorded")
	}
	if c.Cracked {
		return append(says, text+".")
	}
	if text += lc.Say("; of such covers "); c.SeenSound > 0 {
		text += lc.Say("that were whole at %s years ", plain(lc, c.SeenSound, 1))
	}
	text += lc.Say("%s have cracked, %s will have in half a year", percent(lc, c.Chance), percent(lc, c.Ahead))
	if c.Likely != 0 {
		text += lc.Say(", half by %s", monthOfYear(lc, c.Likely, zone))
	}
	if c.Learned != nil {
		return append(says, text+lc.Say(" (learned from %s at covers).", count(lc, int64(c.Learned.Looks), "look")))
	}
	return append(says, lc.Say("%s (common practice, no source: 10 to 15 years).", text))
}

// boardWords say how much of a board's life is used, in sentences.
func boardWords(lc *words.Locale, b *life.Board, zone *time.Location) (says []string) {
	switch {
	case b.Known && b.Outlook == life.UsedUp:
		says = append(says, lc.Say("The budget of the board’s life is used up: about %s of it (%s to %s).", percent(lc, b.Fraction), percent(lc, b.Low), percent(lc, b.High)))
	case b.Known:
		says = append(says, lc.Say("About %s of the board’s life is used (%s to %s).", percent(lc, b.Fraction), percent(lc, b.Low), percent(lc, b.High)))
	case b.KnownH == 0 && len(b.Missing) == 0:
		return []string{lc.Say("How much of the board’s life is used is not known yet: nothing was heard since it was fitted.")}
	default:
		says = append(says, lc.Say("How much of the board’s life is used can’t be told."))
		if used := b.Dose + b.Estimated; used > 0 {
			says = append(says, lc.Say("Since %s it used %s of a budget.", lc.Format(b.Since.Time().In(zone), "2 January 2006"), percent(lc, used)))
		}
	}
	if b.Learned != nil {
		says = append(says, lc.Say("The budget is what %s at boards of this build taught; by now %s of such boards are corroded.", count(lc, int64(b.Learned.Looks), "look"), percent(lc, *b.Corroded)))
	}
	if b.Known && b.Start > 0 {
		says = append(says, lc.Say("It began with %s, by its grade.", percent(lc, b.Start)))
	}
	if b.UnknownH >= 24 && b.Estimated > 0 {
		says = append(says, lc.Say("%s is estimated, for %s days of which nothing is known, or only from a sensor in doubt.", capital(percent(lc, b.Estimated)), plain(lc, b.UnknownH/24, 0)))
	}
	if b.Known {
		says = append(says, outlookWords(lc, b, zone))
	}
	if len(b.Missing) > 0 {
		says = append(says, enter(lc, b.Missing))
	}
	return says
}

func outlookWords(lc *words.Locale, b *life.Board, zone *time.Location) string {
	switch b.Outlook {
	case life.UsedUp:
		return lc.Say("What you see on it decides.")
	case life.BeyondCover:
		return lc.Say("The rest lasts beyond cover age.")
	case life.BeforeCover:
		return lc.Say("At this rate the rest won’t last as long as the cover: look at the board at the next visit.")
	case life.OnDate:
		late := lc.Say("beyond cover age")
		if b.Late != 0 {
			late = monthOfYear(lc, b.Late, zone)
		}
		return lc.Say("At the rates so far the rest lasts until %s (%s to %s).", monthOfYear(lc, b.Date, zone), monthOfYear(lc, b.Early, zone), late)
	}
	return lc.Say("Until when the rest lasts is not known yet.")
}

func monthOfYear(lc *words.Locale, t unit.Instant, zone *time.Location) string {
	return lc.Format(t.Time().In(zone), "January 2006")
}

// percent writes a share of one; less than half a percent is not nothing.
func percent(lc *words.Locale, share float64) string {
	switch p := 100 * share; {
	case p == 0:
		return "0" + space + "%"
	case p < 0.5:
		return lc.Say("less than 1\u00a0%%")
	default:
		return plain(lc, p, 0) + space + "%"
	}
}

// toEnterWords says how a person records what the clocks need.
var toEnterWords = map[string]string{
	fact.CoverNew:   "since when the cover is new",
	fact.Build:      "its build",
	fact.Board:      "whether its board is new, used or a donor’s",
	fact.BoardGrade: "the grade of its board",
}

func enter(lc *words.Locale, missing []string) string {
	var words []string
	for _, name := range missing {
		words = append(words, lc.Say(toEnterWords[name])+" ("+name+")")
	}
	return lc.Say("Record %s.", strings.Join(words, lc.Say(", and ")))
}

// coverDueWords say why a cover is due, from the finding's numbers or, where it
// has none, from what was seen.
func coverDueWords(lc *words.Locale, f *finding.Finding, now unit.Instant, zone *time.Location) string {
	if life.Seen(f) {
		return lc.Say("Since %s the cover is known to be cracked, crazed or missing.", since(lc, f.From, now, zone))
	}
	return lc.Say("When this was concluded it had been outdoors for %s, weighted by sun; of such covers %s will have cracked half a year on (common practice, no source: 10 to 15 years).", evidence(lc, f, "cover_age"), evidence(lc, f, "crack_chance"))
}
