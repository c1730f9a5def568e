package alarm

import "dewpost/rules/finding"

// Doubts returns what recorded occurrences say of sensors that tell how wet a
// board is.
func Doubts(recorded []Occurrence) []finding.Doubt {
	var found []finding.Finding
	for i := range recorded {
		if o := &recorded[i]; o.Finding.Kind == finding.SensorSuspect && !o.Revised {
			found = append(found, o.Finding)
		}
	}
	return finding.Doubts(found)
}
