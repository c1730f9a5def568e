package fact

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Kinds of subject.
const (
	KindStation = "station"
	KindSite    = "site"
)

// Names of facts. Name belongs to stations and sites alike.
const (
	Name = "name" // what people call it

	Site           = "site"            // id of the site that the station hangs on
	Spot           = "spot"            // where on the site
	Mounting       = "mounting"        // surface, flush or post
	Build          = "build"           // what the station is made of, see builds
	Installed      = "installed"       // date on which it went on the wall
	CoverNew       = "cover_new"       // date on which its cover was new
	MaxGap         = "max_gap"         // longest step between readings that counts as known
	AllowanceK     = "allowance_k"     // K that the board is taken to be colder than the inside air
	AllowedSilence = "allowed_silence" // age up to which the newest reading speaks for now
	Interval       = "interval"        // between two readings

	Zone = "zone" // IANA time zone
	Lat  = "lat"  // degrees, north positive
	Lon  = "lon"  // degrees, east positive
	Salt = "salt" // what salt is in the air or on the ground
)

// NoSalt is the value of Salt at which salt_wet is not kept.
const NoSalt = "none"

var (
	mountings = []string{"surface", "flush", "post"}
	builds    = []string{"uncoated", "coated", "coated-new-cover", "cracked-cover"}
	salts     = []string{NoSalt, "coast", "deicing", "pool"}
)

const (
	dateLayout  = "2006-01-02" // RFC 3339 full-date
	maxDuration = 31 * 24 * time.Hour
	maxText     = 200 // bytes
)

// rule says what values a name takes. check returns how to write the value, or
// "" when it is right.
type rule struct {
	check  func(value string) (fix string)
	ledger bool // a change can alter ledger hours
}

var rules = map[string]map[string]rule{
	KindStation: {
		Name:           {check: text},
		Site:           {check: id, ledger: true},
		Spot:           {check: text},
		Mounting:       {check: oneOf(mountings)},
		Build:          {check: oneOf(builds)},
		Installed:      {check: date},
		CoverNew:       {check: date},
		MaxGap:         {check: duration, ledger: true},
		AllowanceK:     {check: between(-20, 20, "kelvin"), ledger: true},
		AllowedSilence: {check: duration},
		Interval:       {check: duration},
	},
	KindSite: {
		Name: {check: text},
		Zone: {check: zone},
		Lat:  {check: between(-90, 90, "degrees, north positive"), ledger: true},
		Lon:  {check: between(-180, 180, "degrees, east positive"), ledger: true},
		Salt: {check: oneOf(salts), ledger: true},
	},
}

// Validate returns an error that names the fact, its value and how to write
// it. Whether the site of a station, or a time zone, exists is not known here.
func Validate(f Fact) error {
	names, ok := rules[f.Subject.Kind]
	if !ok {
		return fmt.Errorf("fact about a %q: facts are about a %s or a %s", f.Subject.Kind, KindStation, KindSite)
	}
	if fix := id(f.Subject.ID); fix != "" {
		return fmt.Errorf("%s id %q: %s", f.Subject.Kind, f.Subject.ID, fix)
	}
	r, ok := names[f.Name]
	if !ok {
		return fmt.Errorf("%s %s: unknown fact %q: known are %s", f.Subject.Kind, f.Subject.ID, f.Name, strings.Join(known(names), ", "))
	}
	if fix := r.check(f.Value); fix != "" {
		return fmt.Errorf("%s %s: %s %.40q: %s", f.Subject.Kind, f.Subject.ID, f.Name, f.Value, fix)
	}
	return nil
}

// ChangesLedger tells whether the fact can alter ledger hours.
func ChangesLedger(f Fact) bool { return rules[f.Subject.Kind][f.Name].ledger }

func known(names map[string]rule) []string {
	list := make([]string, 0, len(names))
	for name := range names {
		list = append(list, name)
	}
	slices.Sort(list)
	return list
}

func text(value string) string {
	switch {
	case strings.TrimSpace(value) == "":
		return "write some text"
	case len(value) > maxText:
		return fmt.Sprintf("write at most %d bytes", maxText)
	case strings.ContainsFunc(value, func(r rune) bool { return r < ' ' || r == 0x7f || r == 0xfffd }):
		return "write one line of text without control characters"
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

func oneOf(values []string) func(string) string {
	return func(value string) string {
		if !slices.Contains(values, value) {
			return "write one of " + strings.Join(values, ", ")
		}
		return ""
	}
}

func date(value string) string {
	t, err := time.Parse(dateLayout, value)
	if err != nil || t.Year() < 1900 || t.Year() > 2200 {
		return "write a date between 1900 and 2200, such as 2025-04-30"
	}
	return ""
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

var zonePattern = regexp.MustCompile(`^[A-Z][A-Za-z0-9]*([/_+-][A-Za-z0-9]+)*$`)

func zone(value string) string {
	if value == "Local" || !zonePattern.MatchString(value) {
		return "write an IANA time zone, such as Etc/UTC"
	}
	return ""
}
