package web

import (
	"time"

	"dewpost/collector/view"
	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

func needAt(from unit.Instant) *view.Need {
	return &view.Need{
		Occurrence: alarm.Occurrence{Finding: finding.Finding{From: from, Concluded: from.Add(16 * time.Hour)}},
		By:         from.Add(72 * time.Hour),
		Sum:        exposure.Hour{Known: int64(72 * time.Hour)},
	}
}

func rowAt(zone *time.Location) *view.Row {
	return &view.Row{Station: view.Station{Site: view.Site{Zone: zone}}}
}
