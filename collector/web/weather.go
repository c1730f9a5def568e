package web

import (
	"errors"
	"net/http"
	"strconv"

	"dewpost/collector/books"
	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/rules/unit"
)

// weatherJSON is what was observed at one instant, by others than the site.
type weatherJSON struct {
	Time       unit.Instant `json:"time"`
	Source     string       `json:"source"`
	DistanceKM *number      `json:"distance_km"`
	TempC      *number      `json:"temp_c"`
	RHPct      *number      `json:"rh_pct"`
	DewPointC  *number      `json:"dew_point_c"`
	RainMM     *number      `json:"rain_mm"`
	WindMS     *number      `json:"wind_m_s"`
	CloudPct   *number      `json:"cloud_pct"`
	Computed   []string     `json:"computed"` // of these, what was not observed
}

func maybeNumber(v record.Maybe) *number {
	if !v.There {
		return nil
	}
	x := number(v.Value)
	return &x
}

func weatherOf(w *record.Weather) weatherJSON {
	j := weatherJSON{
		Time: w.Time, Source: w.Source, DistanceKM: maybeNumber(w.Distance), TempC: maybeNumber(w.Temp), RHPct: maybeNumber(w.RH),
		DewPointC: maybeNumber(w.DewPoint), RainMM: maybeNumber(w.Rain), WindMS: maybeNumber(w.Wind), CloudPct: maybeNumber(w.Cloud),
		Computed: []string{},
	}
	if w.RHComputed {
		j.Computed = append(j.Computed, "rh_pct")
	}
	if w.DewPointComputed {
		j.Computed = append(j.Computed, "dew_point_c")
	}
	return j
}

func (s *server) apiWeather(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "from", "to", "limit", "next")
	from, to := q.interval(view.Beginning, view.End)
	begin := readingsCursor{At: int64(from)}
	if q.next(&begin) && (begin.Skip < 0 || begin.At < int64(from)) {
		q.refuse("next", q.values.Get("next"), "send the same from as with the page before")
	}
	limit := q.limit()
	if q.err != nil {
		return q.err
	}
	id := r.PathValue("id")
	rows, next, err := s.cfg.View.Weather(r.Context(), id, view.Place{At: unit.Instant(begin.At), Skip: begin.Skip}, to, limit)
	if errors.Is(err, record.ErrNotFound) {
		return noSuchSite(id)
	}
	if err != nil {
		return err
	}
	out := list[weatherJSON]{Items: make([]weatherJSON, 0, len(rows))}
	for i := range rows {
		out.Items = append(out.Items, weatherOf(&rows[i]))
	}
	if next != nil {
		if out.Next, err = cursor(readingsCursor{int64(next.At), next.Skip}); err != nil {
			return err
		}
	}
	return sendJSON(w, r, out)
}

func (s *server) apiImportWeather(w http.ResponseWriter, r *http.Request) error {
	q, opt, dryRun := askLog(r, importer.WeatherColumns(), "source", "distance_km", "replace")
	if q.err != nil {
		return q.err
	}
	source := record.WeatherSource{Name: q.values.Get("source")}
	if text := q.values.Get("distance_km"); text != "" {
		km, err := strconv.ParseFloat(text, 64)
		if err != nil {
			q.refuse("distance_km", text, "write kilometres from 0 to 20000")
		}
		source.Distance = record.Some(km)
	}
	replace := q.yes("replace")
	if q.err != nil {
		return q.err
	}
	if s.cfg.ImportWeather == nil {
		return errNoImport()
	}
	id := r.PathValue("id")
	return s.withLog(w, r, opt, dryRun, func(log importer.Log) error {
		got, err := s.cfg.ImportWeather(r.Context(), id, source, replace, log)
		if err != nil {
			return importProblem(err, "site", id)
		}
		return sendJSON(w, r, got)
	})
}

// apiImportForecast takes a forecast of the weather: a log as of weather, of what
// comes after its issue.
func (s *server) apiImportForecast(w http.ResponseWriter, r *http.Request) error {
	q, opt, dryRun := askLog(r, importer.WeatherColumns(), "issued")
	var issued unit.Instant
	if q.err == nil {
		text := q.values.Get("issued")
		at, err := books.ParseInstant("issued", text)
		if err != nil {
			q.refuse("issued", text, "write when it was issued, as in 2026-04-29T16:00:00Z")
		}
		issued = at
	}
	if q.err != nil {
		return q.err
	}
	if s.cfg.ImportForecast == nil {
		return errNoImport()
	}
	id := r.PathValue("id")
	return s.withLog(w, r, opt, dryRun, func(log importer.Log) error {
		got, err := s.cfg.ImportForecast(r.Context(), id, issued, log)
		if err != nil {
			return importProblem(err, "site", id)
		}
		return sendJSON(w, r, got)
	})
}
