package fact

import (
	"fmt"
	"strings"
	"time"
)

// Weekdays are the short names of days, as people write them, from Monday on.
var Weekdays = []string{"mo", "tu", "we", "th", "fr", "sa", "su"}

// Hours are times of day by day of the week, in minutes from midnight.
type Hours [7][][2]int // by time.Weekday

// On returns the hours of a day.
func (h *Hours) On(day time.Weekday) [][2]int { return h[day] }

// ParseHours reads hours such as "mo-fr 08:00-12:00 13:00-17:00; sa 09:00-12:00".
// The error says how to write them.
func ParseHours(text string) (h Hours, err error) {
	var said [7]bool
	for part := range strings.SplitSeq(text, ";") {
		words := strings.Fields(part)
		if len(words) < 2 {
			return h, errHours
		}
		days, err := ParseWeekdays(words[0])
		if err != nil {
			return h, errHours
		}
		var spans [][2]int
		for _, word := range words[1:] {
			from, to, ok := strings.Cut(word, "-")
			a, okA := ParseMinutes(from)
			b, okB := ParseMinutes(to)
			if !ok || !okA || !okB || b <= a || len(spans) > 0 && a < spans[len(spans)-1][1] {
				return h, errHours
			}
			spans = append(spans, [2]int{a, b})
		}
		for _, d := range days {
			if said[d] {
				return h, errHours
			}
			said[d], h[d] = true, spans
		}
	}
	return h, nil
}

var errHours = fmt.Errorf("write hours by day, each day once, as in mo-fr 08:00-12:00 13:00-17:00; sa 09:00-12:00")

// ParseWeekdays reads days such as mo, mo-fr or mo,we,fr.
func ParseWeekdays(text string) (days []time.Weekday, err error) {
	wrong := fmt.Errorf("write days as mo-fr or mo,we,fr: %s", strings.Join(Weekdays, ", "))
	at := func(name string) int {
		for i, w := range Weekdays {
			if w == name {
				return i
			}
		}
		return -1
	}
	for part := range strings.SplitSeq(text, ",") {
		from, to, some := strings.Cut(part, "-")
		if !some {
			to = from
		}
		a, b := at(from), at(to)
		if a < 0 || b < a {
			return nil, wrong
		}
		for ; a <= b; a++ {
			days = append(days, time.Weekday((a+1)%7))
		}
	}
	return days, nil
}

// ParseMinutes reads a time of day, as in 08:30, in minutes from midnight.
func ParseMinutes(text string) (int, bool) {
	t, err := time.Parse("15:04", text)
	if err != nil || len(text) != 5 {
		return 0, false
	}
	return t.Hour()*60 + t.Minute(), true
}

func letIn(value string) string {
	if _, err := ParseHours(value); err != nil {
		return err.Error()
	}
	return ""
}
