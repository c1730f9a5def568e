package web

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// stateName says in a person's words what IEC 62682 has in letters.
func stateName(lc *words.Locale, o *alarm.Occurrence) string {
	switch {
	case o.Revised:
		return lc.Say("withdrawn by later data")
	case o.State.Held():
		return lc.Say("put aside")
	case o.State == alarm.Unacknowledged || o.State == alarm.Latched:
		return lc.Say("new")
	case o.State == alarm.Acknowledged || o.State == alarm.LatchedSeen:
		return lc.Say("seen")
	case o.State == alarm.Returned:
		return lc.Say("over, not seen")
	default:
		return lc.Say("over")
	}
}

var buildNames = map[string]string{
	"uncoated":         "board without coating",
	"coated":           "coated board",
	"coated-new-cover": "coated board, new cover",
	"cracked-cover":    "cracked cover",
}

var mountingNames = map[string]string{
	"surface": "on the wall",
	"flush":   "in the wall",
	"post":    "on a post",
}

var saltNames = map[string]string{
	"none":    "no salt",
	"coast":   "sea air",
	"deicing": "de-icing salt",
	"pool":    "pool water",
}

// nameIn translates a recorded word; one without translation stays.
func nameIn(lc *words.Locale, names map[string]string, value string) string {
	if text, ok := names[value]; ok {
		return lc.Say(text)
	}
	return value
}

var showNames = map[string]string{"24h": "24 hours", "7d": "7 days", "30d": "30 days", "all": "all"}

var showTitles = map[string]string{
	"24h": "The last 24 hours",
	"7d":  "The last seven days",
	"30d": "The last thirty days",
	"all": "The whole record",
	"":    "A stretch of the record",
}

// condition is the verdict on a station that needs nobody.
func condition(lc *words.Locale, r *view.Row, now unit.Instant) string {
	week, dewy, known := r.Nights.Week, r.Nights.Dewy, r.Nights.Known
	switch {
	case r.Now.At == 0:
		return lc.Say("Nothing heard yet.")
	case !r.Heard:
		return lc.Say("Not heard for %s.", age(lc, now.Sub(r.Now.At)))
	case !r.Current:
		return lc.Say("Nothing newer than %s.", since(lc, r.Now.At, now, r.Station.Site.Zone))
	case known == 0:
		return lc.Say("Heard, but its sensors tell nothing.")
	case r.Now.Known && r.Now.Margin <= 0 && r.Now.Ice:
		return lc.Say("Frost on it now.")
	case r.Now.Known && r.Now.Margin <= 0:
		return lc.Say("Dew on it now.")
	case r.Nights.Last(now).Sum.Condensing > 0:
		return lc.Say("Dew last night, dry since.")
	case dewy > 0:
		return lc.Say("Dew on %s of the last %s nights.", spelled(lc, dewy), spelled(lc, known))
	case week.CondensingHigh > 0:
		return lc.Say("Dry, as far as its sensors tell.")
	default:
		return lc.Say("Dry.")
	}
}

// marginWords says how far a surface is from dew or frost.
func marginWords(lc *words.Locale, n *view.Now) (figure, text string) {
	if !n.Known {
		return "—", lc.Say("margin not known")
	}
	margin, unit := lc.Warmth(float64(n.Margin))
	figure = signed(lc, margin) + space + unit
	switch {
	case n.Margin <= 0 && n.Ice:
		return figure, lc.Say("frost now")
	case n.Margin <= 0:
		return figure, lc.Say("wet now")
	case n.Ice:
		return figure, lc.Say("above frost")
	default:
		return figure, lc.Say("above dew")
	}
}

var smallNumbers = []string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}

func spelled(lc *words.Locale, n int) string {
	if n >= 0 && n < len(smallNumbers) {
		return lc.Say(smallNumbers[n])
	}
	return fmt.Sprint(n)
}

func capital(s string) string {
	if s == "" {
		return s
	}
	first, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[size:]
}

// Numbers.

// space stands between a number and its unit and doesn't break.
const space = "\u00a0"

// signed writes a temperature difference with one decimal and its sign, a true
// minus.
func signed(lc *words.Locale, x float64) string {
	text := strings.Replace(fmt.Sprintf("%+.1f", x), "-", "−", 1)
	if text == "−0.0" || text == "+0.0" {
		return lc.Number("0.0")
	}
	return lc.Number(text)
}

// warm writes a temperature with one decimal.
func warm(lc *words.Locale, c float64) string {
	v, unit := lc.Temp(c)
	return plain(lc, v, 1) + space + unit
}

// warmer writes a difference of temperatures with one decimal.
func warmer(lc *words.Locale, k float64) string {
	v, unit := lc.Warmth(k)
	return plain(lc, v, 1) + space + unit
}

// plain writes a number with the given decimals and a true minus.
func plain(lc *words.Locale, x float64, decimals int) string {
	text := fmt.Sprintf("%.*f", decimals, x)
	if strings.Trim(text, "-0.") == "" {
		return lc.Number(strings.TrimPrefix(text, "-"))
	}
	return lc.Number(strings.Replace(text, "-", "−", 1))
}

// hours writes nanoseconds as hours with one decimal; nothing at all is 0.
func hours(lc *words.Locale, ns int64) string {
	switch h := time.Duration(ns).Hours(); {
	case ns == 0:
		return "0"
	case h < 0.05:
		return lc.Number("<0.1")
	default:
		return plain(lc, h, 1)
	}
}

// hoursRange writes an estimated count of hours with its range: "3.2 h, 1.1 to
// 5.0"; "0 h" when the range has no length either.
func hoursRange(lc *words.Locale, ns, low, high int64) string {
	if high == 0 {
		return "0" + space + "h"
	}
	return lc.Say("%s\u00a0h, %s to %s", hours(lc, ns), hours(lc, low), hours(lc, high))
}

// Times.

// age writes how long ago something was.
func age(lc *words.Locale, d time.Duration) string {
	switch {
	case d < time.Minute:
		return lc.Say("less than a minute")
	case d < 90*time.Minute:
		return lc.Say("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return lc.Say("%d h", int(d.Hours()))
	default:
		return lc.Say("%d days", int(d.Hours()/24))
	}
}

// duration writes a recorded duration, such as 90m, as people say it.
func duration(lc *words.Locale, text string) string {
	d, err := time.ParseDuration(text)
	if err != nil {
		return text
	}
	switch {
	case d%time.Hour == 0:
		return lc.Say("%d h", d/time.Hour)
	case d%time.Minute == 0:
		return lc.Say("%d min", d/time.Minute)
	default:
		return d.String()
	}
}

// partOfDay names a part of the given day: "early Tuesday", "Tuesday evening".
func partOfDay(lc *words.Locale, day string, hour int) string {
	switch {
	case hour < 5:
		return lc.Say("early %s", day)
	case hour < 12:
		return lc.Say("%s morning", day)
	case hour < 18:
		return lc.Say("%s afternoon", day)
	default:
		return lc.Say("%s evening", day)
	}
}

// daysBetween counts the midnights from a to b, both local.
func daysBetween(a, b time.Time) int {
	midnight := func(t time.Time) time.Time { return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC) }
	return int(midnight(b).Sub(midnight(a)).Hours() / 24)
}

// since names an instant in the past, in the reader's time: "02:40", "yesterday
// evening", "Tuesday evening", "14 October".
func since(lc *words.Locale, t, now unit.Instant, zone *time.Location) string {
	local, today := t.Time().In(zone), now.Time().In(zone)
	days := daysBetween(local, today)
	switch {
	case days <= 0:
		return local.Format("15:04")
	case days == 1:
		return partOfDay(lc, lc.Say("yesterday"), local.Hour())
	case days < 7:
		return partOfDay(lc, lc.Format(local, "Monday"), local.Hour())
	case local.Year() == today.Year():
		return lc.Format(local, "2 January")
	default:
		return lc.Format(local, "2 January 2006")
	}
}

// by names a deadline: "by tonight", "by Thursday", "by 10 November"; one that
// is over as well.
func by(lc *words.Locale, t, now unit.Instant, zone *time.Location) string {
	local, today := t.Time().In(zone), now.Time().In(zone)
	days := daysBetween(today, local)
	switch {
	case t < now && days == 0:
		return lc.Say("overdue since %s", local.Format("15:04"))
	case t < now && days > -7:
		return lc.Say("overdue since %s", lc.Format(local, "Monday"))
	case t < now:
		return lc.Say("overdue since %s", lc.Format(local, "2 January"))
	case days == 0:
		return lc.Say("by tonight")
	case days == 1:
		return lc.Say("by tomorrow")
	case days < 7:
		return lc.Say("by %s", lc.Format(local, "Monday"))
	default:
		return lc.Say("by %s", lc.Format(local, "2 January"))
	}
}

// stamp writes an instant to the minute in local time.
func stamp(lc *words.Locale, t unit.Instant, zone *time.Location) string {
	return lc.Format(t.Time().In(zone), "Mon 2 Jan 2006, 15:04")
}

// utc writes an instant to the second in UTC, as programs do.
func utc(t unit.Instant) string { return t.Time().Format("2006-01-02T15:04:05Z") }

// date writes a recorded date as people say it.
func date(lc *words.Locale, text string) string {
	t, err := time.Parse("2006-01-02", text)
	if err != nil {
		return text
	}
	return lc.Format(t, "2 January 2006")
}

func nightName(lc *words.Locale, n *view.Night, zone *time.Location) string {
	return lc.Format(n.From.Time().In(zone), "2 Jan")
}

// fill puts a need's numbers into the gaps of a sentence.
func fill(lc *words.Locale, text string, n *view.Need, r *view.Row, now unit.Instant) string {
	zone := r.Station.Site.Zone
	f := &n.Finding
	spent, week := "", ""
	if n.Sum.Known > 0 {
		spent = lc.Say(", condensing for %s so far", hoursRange(lc, n.Sum.Condensing, n.Sum.CondensingLow, n.Sum.CondensingHigh))
		week = lc.Say(" for %s", hoursRange(lc, n.Sum.AtRisk, n.Sum.AtRiskLow, n.Sum.AtRiskHigh))
	}
	return strings.NewReplacer(
		"{since}", since(lc, f.From, now, zone),
		"{onset}", stamp(lc, f.From, zone),
		"{age}", age(lc, now.Sub(f.From)),
		"{concluded}", lc.Format(f.Concluded.Time().In(zone), "15:04 on Monday 2 January"),
		"{spent}", spent,
		"{week}", week,
		"{normal}", evidence(lc, f, "normal_7_days"),
		"{allowed}", evidence(lc, f, "allowed_silence"),
		"{step}", evidence(lc, f, "step"),
		"{before}", evidence(lc, f, "level_before"),
		"{volts}", evidence(lc, f, "voltage"),
		"{usual}", evidence(lc, f, "usual_voltage"),
		"{cover}", coverDueWords(lc, f, now, zone),
		"{used}", evidence(lc, f, "life_used"),
		"{usedlow}", evidence(lc, f, "life_used_low"),
		"{usedhigh}", evidence(lc, f, "life_used_high"),
	).Replace(text)
}

// evidence writes one number that a finding rests on, with its range where it has
// one.
func evidence(lc *words.Locale, f *finding.Finding, name string) string {
	e := evidenceOf(f, name)
	if e == nil {
		return lc.Say("not known")
	}
	if text, ok := lc.Decided(e); ok {
		return text
	}
	decimals := 1
	if e.Counts() {
		decimals = 0
	}
	value, unit := e.Value, e.Unit
	switch unit {
	case "K":
		value, unit = lc.Warmth(value)
	case "°C":
		value, unit = lc.Temp(value)
	}
	text := plain(lc, value, decimals)
	if unit != "" {
		text += space + lc.Say(unit)
	}
	if low, high := evidenceOf(f, name+"_low"), evidenceOf(f, name+"_high"); low != nil && high != nil {
		text += lc.Say(", %s to %s", plain(lc, low.Value, 1), plain(lc, high.Value, 1))
	}
	return text
}

func evidenceOf(f *finding.Finding, name string) *finding.Evidence {
	for i := range f.Evidence {
		if f.Evidence[i].Name == name {
			return &f.Evidence[i]
		}
	}
	return nil
}

// isEnd tells whether a number is an end of the range of another one.
func isEnd(f *finding.Finding, name string) bool {
	of, ok := strings.CutSuffix(name, "_low")
	if !ok {
		of, ok = strings.CutSuffix(name, "_high")
	}
	return ok && evidenceOf(f, of) != nil && evidenceOf(f, of+"_low") != nil && evidenceOf(f, of+"_high") != nil
}
