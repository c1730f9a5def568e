package books

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// settings say how the workshop goes on rounds.
type settings struct {
	lat, lon     float64
	placed       bool
	zone         *time.Location
	days         []time.Weekday
	open, close  int64 // s from midnight
	overtime     int64 // s
	people       []string
	rangeOneWay  time.Duration
	speed        float64 // km/h
	factor       float64 // of a road against the great circle
	setUp        int64   // s at each stop
	driveCost    float64 // hours that an hour of driving costs
	kmCost       float64 // hours that a kilometre costs
	overtimeCost float64
	awayCost     float64 // hours for each day on which a station is away
	later        float64 // weeks that what is left out waits beyond the round
	wet          map[string]bool
	damp         float64 // K of the air above its dew point, below which no box is opened
}

// today is the workshop's date.
func (s *settings) today(now unit.Instant) string {
	return now.Time().In(s.zone).Format(time.DateOnly)
}

// settingRules are all settings, what they are as long as nobody says, and how
// to write them. Costs are in hours of work; all are judgement values.
var settingRules = []struct {
	name, usual, says string
	read              func(s *settings, value string) (fix string)
}{
	{"lat", "", "latitude of the workshop, degrees, north positive", func(s *settings, v string) string { return degrees(&s.lat, v, 90) }},
	{"lon", "", "longitude of the workshop, degrees, east positive", func(s *settings, v string) string { return degrees(&s.lon, v, 180) }},
	{"zone", "UTC", "time zone of the workshop, as in Europe/Berlin", func(s *settings, v string) string {
		zone, err := time.LoadLocation(v)
		if err != nil || v == "Local" {
			return "write an IANA time zone, as in Europe/Berlin"
		}
		s.zone = zone
		return ""
	}},
	{"days", "mo-fr", "days of work, as in mo-fr or mo,we,fr", func(s *settings, v string) string {
		var err error
		if s.days, err = fact.ParseWeekdays(v); err != nil {
			return err.Error()
		}
		return ""
	}},
	{"open", "08:00", "when somebody may leave the workshop, at its time", func(s *settings, v string) string { return timeOfDay(&s.open, v) }},
	{"close", "17:00", "when he should be back", func(s *settings, v string) string { return timeOfDay(&s.close, v) }},
	{"overtime_min", "60", "minutes of overtime a day at most", func(s *settings, v string) string { return seconds(&s.overtime, v, 60, 0, 480) }},
	{"people", "workshop", "who goes on rounds: one to three names, with commas between", func(s *settings, v string) string {
		for name := range strings.SplitSeq(v, ",") {
			if name = strings.TrimSpace(name); name == "" || slices.Contains(s.people, name) || len(name) > textMost {
				return "write one to three different names, with commas between"
			}
			s.people = append(s.people, name)
		}
		if len(s.people) > 3 {
			return "write three names at most"
		}
		return ""
	}},
	{"range_min", "90", "minutes of driving, one way, that the workshop goes at most", func(s *settings, v string) string {
		var n int64
		fix := seconds(&n, v, 60, 1, 1440)
		s.rangeOneWay = time.Duration(n) * time.Second
		return fix
	}},
	{"speed_kmh", "55", "speed on the road, km/h, where nobody measured the driving", func(s *settings, v string) string { return number(&s.speed, v, 5, 130) }},
	// Roads are some 1.2 to 1.4 times as long as the great circle (Ballou,
	// Rahardja, Sakai, Transportation Research A 36, 2002, 843–848; from memory).
	{"road_factor", "1.3", "how much longer a road is than the straight line", func(s *settings, v string) string { return number(&s.factor, v, 1, 3) }},
	{"set_up_min", "10", "minutes at each stop, to park, ring and put tools away", func(s *settings, v string) string { return seconds(&s.setUp, v, 60, 0, 120) }},
	{"drive_cost", "1", "hours of work that an hour of driving counts", func(s *settings, v string) string { return number(&s.driveCost, v, 0, 100) }},
	{"km_cost", "0.006", "hours of work that a kilometre counts: what the car costs", func(s *settings, v string) string { return number(&s.kmCost, v, 0, 10) }},
	{"overtime_cost", "1.5", "hours of work that an hour of overtime counts, beside its driving", func(s *settings, v string) string { return number(&s.overtimeCost, v, 0, 100) }},
	{"away_cost", "0.5", "hours of work that each day counts on which a station is away to be coated and its door has none", func(s *settings, v string) string { return number(&s.awayCost, v, 0, 100) }},
	{"later_weeks", "4", "weeks that what is left out waits, beyond the end of the round", func(s *settings, v string) string { return number(&s.later, v, 0, 52) }},
	{"wet_days", "", "dates on which no box should be opened, by the forecast, with commas between", func(s *settings, v string) string {
		for d := range strings.SplitSeq(v, ",") {
			if d = strings.TrimSpace(d); d == "" {
				continue
			}
			if _, err := time.Parse(time.DateOnly, d); err != nil {
				return "write dates with commas between, as in 2026-05-14,2026-05-15"
			}
			s.wet[d] = true
		}
		return ""
	}},
	{"damp_k", "1.5", "kelvins that a site's forecast must have the air above its dew point where a box is opened (1.5: about 90 % humidity, as in rain and fog); 0 asks no forecast", func(s *settings, v string) string { return number(&s.damp, v, 0, 20) }},
}

func degrees(to *float64, value string, most float64) string {
	if value == "" {
		return ""
	}
	return number(to, value, -most, most)
}

func number(to *float64, value string, least, most float64) string {
	v, err := strconv.ParseFloat(value, 64)
	if err != nil || math.IsNaN(v) || v < least || v > most {
		return fmt.Sprintf("write a number from %g to %g", least, most)
	}
	*to = v
	return ""
}

func seconds(to *int64, value string, each, least, most int64) string {
	v, err := strconv.ParseInt(value, 10, 64)
	if err != nil || v < least || v > most {
		return fmt.Sprintf("write a whole number from %d to %d", least, most)
	}
	*to = v * each
	return ""
}

func timeOfDay(to *int64, value string) string {
	v, ok := fact.ParseMinutes(value)
	if !ok {
		return "write a time of day, as in 08:00"
	}
	*to = int64(v) * 60
	return ""
}

// readSettings reads settings by name; an Error names the one that is wrong.
func readSettings(said map[string]string) (*settings, error) {
	s := &settings{wet: make(map[string]bool)}
	known := make(map[string]bool)
	var names []string
	for _, rule := range settingRules {
		known[rule.name], names = true, append(names, rule.name)
		value, ok := said[rule.name]
		if !ok || value == "" {
			value = rule.usual
		}
		if fix := rule.read(s, value); fix != "" {
			return nil, Error{rule.name, value, fix}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(said)) {
		if !known[name] {
			return nil, Error{"setting", name, "use one of " + strings.Join(names, ", ")}
		}
	}
	if s.close <= s.open {
		return nil, Error{"close", clock(s.close), "close after you open, which is at " + clock(s.open)}
	}
	if s.close+s.overtime > 24*3600 {
		return nil, Error{"overtime_min", strconv.FormatInt(s.overtime/60, 10), "end the day, with overtime, before midnight"}
	}
	if (said["lat"] == "") != (said["lon"] == "") {
		return nil, Error{"lat", said["lat"], "give both lat and lon of the workshop, or neither"}
	}
	s.placed = said["lat"] != ""
	return s, nil
}
