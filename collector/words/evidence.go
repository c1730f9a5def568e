package words

import (
	"strconv"
	"strings"

	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
)

// evidenceNames are the numbers that a finding may rest on.
var evidenceNames = map[string]string{
	"condensing_on_end":        "wet on end when concluded, by the middle figure",
	"at_risk_7_days":           "at risk in its first seven days, scaled to full knowledge",
	"normal_7_days":            "usual for it, median of its weeks before",
	"limit_7_days":             "from where it counts as damp",
	"equal_weather_7_days":     "on its days with weather like that",
	"equal_weather_bound":      "… and beyond that by chance",
	"condensing_24_h":          "condensing in the 24 hours before, scaled to full knowledge",
	"equal_weather_24_h":       "on its days with weather like that",
	"equal_weather_bound_24_h": "… and beyond that by chance",
	"allowed_silence":          "may be silent for",
	"cover_age":                "outdoors when concluded, weighted by sun",
	"crack_chance":             "chance to have cracked half a year on, when concluded",
	"life_used":                "used of the board’s budget when concluded",
	"life_used_low":            "at least",
	"life_used_high":           "at most",

	"leakage_at_saturation":              "leakage, were the board saturated",
	"standard_error":                     "its standard error",
	"own_leakage_at_saturation":          "usual for it",
	"comb_conductance_at_saturation":     "conductance of the comb, were it saturated",
	"own_comb_conductance_at_saturation": "usual for it",
	"step":                               "by how much the standby current changed",
	"level_before":                       "standby current before",
	"step_limit":                         "from where it counts as a step",
	"current":                            "current when concluded",
	"voltage":                            "line voltage when concluded",
	"usual_voltage":                      "usual for it",
	"stations_on_line":                   "it is the line’s, which feeds",

	"breathing_time":              "it breathes in",
	"breathing_time_high":         "… at most, nineteen times in twenty",
	"breathing_time_baseline":     "in its baseline",
	"breathing_time_baseline_low": "… at least, nineteen times in twenty",
	"rain_spells":                 "spells of rain since it opened, and in the days before",
	"vapour_jumps_after_rain":     "… after which the vapour inside jumped within a day",
	"vapour_excess":               "more vapour than the air outdoors brings",
	"vapour_excess_rh":            "… as humidity",
	"deficit_made_up":             "of what was wanting to saturation, made up",
	"lowest_rh":                   "lowest humidity then",
	"sudden_rise_rh":              "rose within minutes by",
	"water_or_sensor":             "whether it may be the sensor",
	"days_with_excess":            "days with such an excess",

	"stuck_at":       "where it stands",
	"expected_swing": "how much it should have moved",
	"usual_offset":   "usual for it, a month before",
	"creep_per_week": "creeps in a week by",
	"highest_rh":     "the highest that it shows",
	"reads_7_days":   "reads in seven days",
	"nights":         "nights on end",
}

// causeNames say what is wrong with a sensor; its name and quantity follow.
var causeNames = map[sensing.Cause]string{
	sensing.Stuck:      "stands still; moved only by",
	sensing.Impossible: "shows what is no measurement",
	sensing.Jumps:      "jumps between readings by",
	sensing.Drift:      "creeps; shows too much by",
	sensing.Disagrees:  "left the others by night, by",
	sensing.Failed:     "reads that failed in seven days",
	sensing.Checked:    "was checked; shows too much by",
	sensing.HeaterTest: "its heater moved it only by",
}

// sensorNames says which sensor a channel comes from; several channels may
// come from one.
var sensorNames = [reading.NumChannels]string{
	reading.InsideTemp:  "air inside",
	reading.InsideRH:    "air inside",
	reading.BoardTemp:   "board",
	reading.CoverTemp:   "cover",
	reading.OutsideTemp: "outdoors",
	reading.OutsideRH:   "outdoors",
	reading.LineCurrent: "line current",
	reading.LineVoltage: "line voltage",
	reading.Comb:        "comb",
}

// Sensor names the sensor that a channel comes from.
func (l *Locale) Sensor(c reading.Channel) string { return l.Say(sensorNames[c]) }

// Evidence names a number that a finding rests on. Of one that is newer than these
// words the name stays as it is recorded.
func (l *Locale) Evidence(name string) string {
	if text, ok := evidenceNames[name]; ok {
		return l.Say(text)
	}
	for cause, text := range causeNames {
		if channel, ok := strings.CutPrefix(name, string(cause)+"_"); !ok {
			continue
		} else if c, ok := reading.ChannelByName(channel); ok {
			quantity := l.Say("temperature")
			if c.Unit() == "%RH" {
				quantity = l.Say("humidity")
			}
			return quantity + ", " + l.Sensor(c) + ": " + l.Say(text)
		}
	}
	return strings.ReplaceAll(name, "_", " ")
}

// Decided says what evidence says that answers a question; ok is false for numbers.
func (l *Locale) Decided(e *finding.Evidence) (text string, ok bool) {
	switch {
	case e.Name != "water_or_sensor":
		return "", false
	case e.Value == 0:
		return l.Say("water: the sensor passed its test, or followed the warmth as it does over water"), true
	}
	return l.Say("not decided yet: a heater test, a warm day or a look decides"), true
}

// EvidenceLines writes evidence: each figure with the range that stands beside it.
func (l *Locale) EvidenceLines(list []finding.Evidence) (lines []string) {
	values := make(map[string]float64)
	for i := range list {
		values[list[i].Name] = list[i].Value
	}
	number := func(x float64) string { return l.Number(strconv.FormatFloat(x, 'g', 3, 64)) }
	ends := func(name string) (low, high float64, ok bool) {
		low, hasLow := values[name+"_low"]
		high, hasHigh := values[name+"_high"]
		return low, high, hasLow && hasHigh
	}
	for i := range list {
		e := &list[i]
		of, end := strings.CutSuffix(e.Name, "_low")
		if !end {
			of, end = strings.CutSuffix(e.Name, "_high")
		}
		if _, there := values[of]; end && there {
			if _, _, ranged := ends(of); ranged {
				continue // behind its figure
			}
		}
		line := l.Evidence(e.Name) + ": "
		if decided, ok := l.Decided(e); ok {
			lines = append(lines, line+decided)
			continue
		}
		line += number(e.Value)
		if low, high, ok := ends(e.Name); ok {
			line += l.Say(" (%s to %s)", number(low), number(high))
		}
		if e.Unit != "" {
			line += " " + l.Say(e.Unit)
		}
		lines = append(lines, line)
	}
	return lines
}
