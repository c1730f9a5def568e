package record

import (
	"slices"

	"dewpost/rules/bench"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/unit"
)

// Outlook is what was foretold of a night at one time of issue, and what came of
// it.
type Outlook struct {
	Station string
	outlook.Told
	Made unit.Instant // by the collector's clock
}

// OutlookState is what is remembered of a station's nights after a reading.
type OutlookState struct {
	At      unit.Instant // of that reading; 0: nothing is remembered
	Due     unit.Instant // from when on a reading makes something new
	Version int          // of the rules
	Body    []byte
}

// Foretold is what a fold made of a station's nights.
type Foretold struct {
	Drop     []unit.Instant // states that are kept no longer
	State    *OutlookState  // nil: none is new
	Told     []outlook.Told // what was told before of the same night and issue stays
	Outcomes []outlook.Outcome
	Made     unit.Instant
}

// ForecastHour is what somebody foretold of the air outdoors at an instant.
type ForecastHour struct {
	Time     unit.Instant
	Temp     float64 // °C
	DewPoint float64 // °C, over water
	Cloud    Maybe   // % of the sky
	Wind     Maybe   // m/s
}

// Forecast is a forecast for a site, its hours in order.
type Forecast struct {
	Site   string
	Issued unit.Instant
	Hours  []ForecastHour
}

// BoardSights says what visits saw of a station's board. On the board, or on the
// contacts and the connector, moderate corrosion or worse is corroded; who says
// nothing of the board saw nothing of it.
func BoardSights(visits []VisitDetails) (all []life.Sight) {
	for i := range visits {
		for _, f := range visits[i].Findings {
			seen, corroded := false, false
			for _, place := range []string{"board", "contacts", "connector"} {
				grade, said := f.Corrosion[place]
				seen = seen || said
				corroded = corroded || slices.Index(bench.Corrosions, grade) >= slices.Index(bench.Corrosions, "moderate")
			}
			if seen {
				all = append(all, life.Sight{At: f.At, Corroded: corroded})
			}
		}
		for _, w := range visits[i].Work {
			if w.Code == bench.BoardChanged {
				all = append(all, life.Sight{At: w.At, Changed: true})
			}
		}
	}
	return all
}
