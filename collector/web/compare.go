package web

import (
	"errors"
	"math"
	"net/http"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/view"
	"dewpost/rules/equal"
	"dewpost/rules/unit"
)

type comparisonJSON struct {
	Station    string        `json:"station"`
	Changed    bool          `json:"sensor_changed"` // from the one period to the other
	Condensing comparedHours `json:"condensing"`
	AtRisk     comparedHours `json:"at_risk"`
}

type comparedHours struct {
	equal.Comparison
	Verdict equal.Verdict `json:"verdict"`
}

// apiComparison holds two periods of a box together, in equal weather: the last
// sixty days and the sixty before, those around a visit, or what it is asked for.
func (s *server) apiComparison(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "before", "after", "visit")
	today := s.now().Floor(24 * time.Hour)
	middle := today.Add(-view.ComparedDays)
	before, after := view.Interval{From: middle.Add(-view.ComparedDays), To: middle}, view.Interval{From: middle, To: today}
	visit := 0
	switch {
	case q.values.Has("visit"):
		visit = q.integer("visit", 0, 1, math.MaxInt)
		if q.values.Has("before") || q.values.Has("after") {
			q.refuse("visit", q.values.Get("visit"), "ask for a visit, or for two periods")
		}
	case len(q.values) > 0:
		before, after = q.period("before"), q.period("after")
	}
	if q.err == nil && after.From < before.To {
		q.refuse("after", q.values.Get("after"), "let it begin no earlier than before ends")
	}
	if q.err != nil {
		return q.err
	}
	var got view.Compared
	var err error
	if visit > 0 {
		got, err = s.cfg.View.CompareVisit(r.Context(), r.PathValue("id"), int64(visit))
	} else {
		got, err = s.cfg.View.Compare(r.Context(), r.PathValue("id"), before, after)
	}
	if errors.Is(err, view.ErrNoRepair) {
		q.refuse("visit", q.values.Get("visit"), err.Error()+": take a visit of this station with work on the box that is done")
		return q.err
	}
	if err != nil {
		return err
	}
	return sendJSON(w, r, comparedJSON(&got))
}

func comparedJSON(c *view.Compared) comparisonJSON {
	return comparisonJSON{c.Station.ID, c.SensorChanged, comparedHours{c.Condensing, c.Condensing.Verdict()}, comparedHours{c.AtRisk, c.AtRisk.Verdict()}}
}

// period reads FROM..TO.
func (q *query) period(name string) view.Interval {
	text := q.values.Get(name)
	from, to, _ := strings.Cut(text, "..")
	var ends [2]unit.Instant
	for i, end := range []string{from, to} {
		var err error
		if ends[i], err = books.ParseInstant(name, end); err != nil {
			q.refuse(name, text, "write FROM..TO, two dates or instants, as in 2025-03-01..2025-05-01")
			return view.Interval{}
		}
	}
	if ends[0] >= ends[1] {
		q.refuse(name, text, "let it end after it begins")
	}
	return view.Interval{From: ends[0], To: ends[1]}
}
