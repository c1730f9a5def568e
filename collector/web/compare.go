package web

import (
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
	Condensing comparedHours `json:"condensing"`
	AtRisk     comparedHours `json:"at_risk"`
}

type comparedHours struct {
	equal.Comparison
	Verdict equal.Verdict `json:"verdict"`
}

// comparedDays is how long the periods are where none are asked for.
const comparedDays = 60 * 24 * time.Hour

// apiComparison holds two periods of a box together, in equal weather: the last
// sixty days and the sixty before, unless it is asked otherwise.
func (s *server) apiComparison(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "before", "after")
	today := s.now().Floor(24 * time.Hour)
	middle := today.Add(-comparedDays)
	before, after := view.Interval{From: middle.Add(-comparedDays), To: middle}, view.Interval{From: middle, To: today}
	if len(q.values) > 0 {
		before, after = q.period("before"), q.period("after")
	}
	if q.err == nil && after.From < before.To {
		q.refuse("after", q.values.Get("after"), "let it begin no earlier than before ends")
	}
	if q.err != nil {
		return q.err
	}
	got, err := s.cfg.View.Compare(r.Context(), r.PathValue("id"), before, after)
	if err != nil {
		return err
	}
	return sendJSON(w, r, comparisonJSON{
		got.Station.ID, comparedHours{got.Condensing, got.Condensing.Verdict()}, comparedHours{got.AtRisk, got.AtRisk.Verdict()},
	})
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
