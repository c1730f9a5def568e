package alarm

import "dewpost/rules/finding"

// Doubts returns what recorded occurrences say of sensors that tell how wet a
// board is.
func Doubts(recorded []Occurrence) []finding.Doubt {
	return finding.Doubts(Holding(recorded))
}

// Holding returns the findings of recorded occurrences that were not revised.
func Holding(recorded []Occurrence) (found []finding.Finding) {
	for i := range recorded {
		if o := &recorded[i]; !o.Revised {
			found = append(found, o.Finding)
		}
	}
	return found
}
