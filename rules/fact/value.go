package fact

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

const (
	dateLayout  = "2006-01-02" // RFC 3339 full-date
	maxDuration = 31 * 24 * time.Hour
	maxText     = 200  // bytes
	maxLongText = 1000 // bytes
	maxOffset   = 100  // in the channel's own unit
)

// Facts hold from an instant between these, or always.
var (
	earliest = unit.At(time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC))
	latest   = unit.At(time.Date(2200, 12, 31, 0, 0, 0, 0, time.UTC))
)

// day is how long after an instant a day may begin that is not ahead. Zero is
// no limit.
type day time.Duration

const (
	today    = day(14 * time.Hour) // UTC+14: where a date begins first
	tomorrow = today + day(24*time.Hour)
)

// from returns the last date.
func (d day) from(t unit.Instant) string { return t.Add(time.Duration(d)).Time().Format(dateLayout) }

func text(value string) string { return textUpTo(maxText, value) }

func longText(value string) string { return textUpTo(maxLongText, value) }

func textUpTo(most int, value string) string {
	switch {
	case strings.TrimSpace(value) == "":
		return "write some text"
	case len(value) > most:
		return fmt.Sprintf("write at most %d bytes", most)
	case strings.ContainsFunc(value, func(r rune) bool { return r < ' ' || r == 0x7f || r == 0xfffd }):
		return "write one line of text without control characters"
	}
	return ""
}

// rhCheck takes what a person says of a humidity sensor.
func rhCheck(value string) string {
	if _, err := sensing.ReadCheck(value, 0); err != nil {
		if wrong := (sensing.Wrong{}); errors.As(err, &wrong) && wrong.Field != "check" {
			return wrong.Field + ": " + wrong.Fix
		}
		return "write sound, suspect, none, or what was read over a salt, as in NaCl 21.5 C reads 77.1 after 8h"
	}
	return ""
}

var idPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$`)

func id(value string) string {
	if !idPattern.MatchString(value) {
		return "use 1 to 32 of a-z, 0-9 and -, beginning and ending with a letter or digit"
	}
	return ""
}

func orNone(check func(string) string) func(string) string {
	return func(value string) string {
		fix := check(value)
		if fix == "" || value == None {
			return ""
		}
		return fix + ", or " + None
	}
}

func date(value string) string { return dateSince(1900)(value) }

func dateSince(year int) func(string) string {
	return func(value string) string {
		t, err := time.Parse(dateLayout, value)
		if err != nil || t.Year() < year || t.Year() > 2200 {
			return fmt.Sprintf("write a date between %d and 2200, such as 2025-04-30", year)
		}
		return ""
	}
}

func duration(value string) string {
	d, err := time.ParseDuration(value)
	if err != nil || d <= 0 || d > maxDuration {
		return "write a duration above zero and up to 744h, such as 90m"
	}
	return ""
}

func between(lo, hi float64, unit string) func(string) string {
	return func(value string) string {
		x, err := strconv.ParseFloat(value, 64)
		if err != nil || math.IsNaN(x) || x < lo || x > hi {
			return fmt.Sprintf("write a number from %g to %g (%s)", lo, hi, unit)
		}
		return ""
	}
}

func whole(lo, hi int, unit string) func(string) string {
	return func(value string) string {
		n, err := strconv.Atoi(value)
		if err != nil || n < lo || n > hi || strconv.Itoa(n) != value {
			return fmt.Sprintf("write a whole number from %d to %d (%s)", lo, hi, unit)
		}
		return ""
	}
}

var zonePattern = regexp.MustCompile(`^[A-Z][A-Za-z0-9]*([/_+-][A-Za-z0-9]+)*$`)

func undercooling(value string) string {
	if value == None {
		return ""
	}
	if _, err := exposure.ParseUndercooling(value); err != nil {
		return err.Error() + ", or " + None
	}
	return ""
}

func zone(value string) string {
	if value == "Local" || !zonePattern.MatchString(value) {
		return "write an IANA time zone, such as Etc/UTC"
	}
	return ""
}

func terminals(value string) string {
	if fix := textUpTo(maxLongText, value); fix != "" && value != "" {
		return fix
	}
	seen := make(map[string]bool)
	for part := range strings.SplitSeq(value, ";") {
		terminal, what, _ := strings.Cut(part, "=")
		terminal, what = strings.TrimSpace(terminal), strings.TrimSpace(what)
		if terminal == "" || what == "" || seen[terminal] {
			return "write each terminal once with what it is, as in 1=supply; 2=audio"
		}
		seen[terminal] = true
	}
	return ""
}

// channelNames are those of a reading.
func channelNames() []string {
	var all []string
	for c := range reading.NumChannels {
		all = append(all, c.Name())
	}
	return all
}

// ChannelsIn reads a list of channels.
func ChannelsIn(value string) []string {
	var all []string
	for part := range strings.SplitSeq(value, ",") {
		all = append(all, strings.TrimSpace(part))
	}
	return all
}

func channels(value string) string {
	known, given := channelNames(), ChannelsIn(value)
	for i, c := range given {
		if !slices.Contains(known, c) || slices.Contains(given[:i], c) {
			return "write channels with commas between them, each once, of " + strings.Join(known, ", ")
		}
	}
	return ""
}

func calibration(value string) string {
	channel, rest, ok := strings.Cut(strings.TrimSpace(value), " ")
	if !ok || !slices.Contains(channelNames(), channel) || offset(strings.TrimSpace(rest)) != "" {
		return "write the channel, what is to be added to it, and the reference, as in inside_rh_pct +1.4 salt-75"
	}
	return ""
}

// offset checks what is to be added to a channel, in its own unit, and by
// which reference that was found.
func offset(value string) string {
	amount, reference, _ := strings.Cut(value, " ")
	x, err := strconv.ParseFloat(amount, 64)
	if err != nil || !(math.Abs(x) <= maxOffset) || text(reference) != "" {
		return fmt.Sprintf("write what is to be added, up to %d, and the reference, as in +1.4 salt-75", maxOffset)
	}
	return ""
}
