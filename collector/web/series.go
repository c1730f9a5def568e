package web

import (
	"bytes"
	"encoding/csv"
	"math"
	"net/http"
	"strconv"
	"time"

	"dewpost/collector/view"
	"dewpost/rules/unit"
)

const (
	pointsDefault = 1500
	pointsMost    = 5000
)

// series answers with the data of a chart. Times are seconds since 1970; the
// numbers of one quantity stand in one array as long as time_s; an absent
// value is null.
func (s *server) series(w http.ResponseWriter, r *http.Request) error {
	data, err := s.drawn(r)
	if err != nil {
		return err
	}
	shown, _, _ := inDegrees(localeOf(r), &data)
	return send(w, r, http.StatusOK, "application/json", appendSeries(nil, shown))
}

// drawn reads what a chart is drawn from.
func (s *server) drawn(r *http.Request) (view.Series, error) {
	q := ask(r, "from", "to", "points")
	from, to := q.interval(view.Beginning, view.End)
	points := q.integer("points", pointsDefault, 2, pointsMost)
	if q.err != nil {
		return view.Series{}, q.err
	}
	return s.cfg.View.Series(r.Context(), r.PathValue("id"), from, to, points)
}

// seriesCSV answers with the numbers of a chart as CSV (RFC 4180): a row for each
// instant, a column for each quantity, in SI units and with a point whoever asks.
func (s *server) seriesCSV(w http.ResponseWriter, r *http.Request) error {
	data, err := s.drawn(r)
	if err != nil {
		return err
	}
	head := []string{"time"}
	var columns [][]float64
	for k, values := range data.Values {
		if values != nil {
			head, columns = append(head, view.QuantityName(k)), append(columns, values)
		}
	}
	var b bytes.Buffer
	rows := csv.NewWriter(&b)
	_ = rows.Write(head)
	for i, t := range data.Time {
		row := []string{t.String()}
		for _, values := range columns {
			text := ""
			if x := values[i]; !math.IsNaN(x) {
				text = strconv.FormatFloat(x, 'f', -1, 64)
			}
			row = append(row, text)
		}
		_ = rows.Write(row)
	}
	rows.Flush()
	w.Header().Set("Content-Disposition", `attachment; filename="`+data.Station.ID+`.csv"`)
	return send(w, r, http.StatusOK, "text/csv; charset=utf-8; header=present", b.Bytes())
}

func appendSeries(b []byte, d *view.Series) []byte {
	b = append(b, `{"station":"`...)
	b = append(b, d.Station.ID...)
	b = append(b, `","zone":"`...)
	b = append(b, d.Station.Site.Zone.String()...)
	b = append(b, `","from_s":`...)
	b = appendSeconds(b, d.From)
	b = append(b, `,"to_s":`...)
	b = appendSeconds(b, d.To)
	b = append(b, `,"readings":`...)
	b = strconv.AppendInt(b, int64(d.Readings), 10)
	b = append(b, `,"time_s":[`...)
	for i, t := range d.Time {
		b = appendSeconds(comma(b, i), t)
	}
	b = append(b, `],"values":{`...)
	n := 0
	for k, values := range d.Values {
		if values == nil {
			continue
		}
		b = append(append(append(comma(b, n), '"'), view.QuantityName(k)...), `":[`...)
		for i, x := range values {
			b = appendNumber(comma(b, i), x)
		}
		b = append(b, ']')
		n++
	}
	b = append(b, `},"wet_s":[`...)
	b = appendIntervals(b, d.Wet)
	b = append(b, `],"unknown_s":[`...)
	b = appendIntervals(b, d.Dark)
	b = append(b, `],"nights":[`...)
	for i := range d.Nights {
		b = appendNight(comma(b, i), &d.Nights[i], d.Wet)
	}
	return append(b, "]}\n"...)
}

func comma(b []byte, i int) []byte {
	if i > 0 {
		b = append(b, ',')
	}
	return b
}

func appendSeconds(b []byte, t unit.Instant) []byte {
	return strconv.AppendFloat(b, float64(t)/1e9, 'f', -1, 64)
}

func appendIntervals(b []byte, list []view.Interval) []byte {
	for i, v := range list {
		b = appendSeconds(append(comma(b, i), '['), v.From)
		b = append(appendSeconds(append(b, ','), v.To), ']')
	}
	return b
}

// appendNight writes a night; middle_s, null on a dry night, is where its hours
// are to be written.
func appendNight(b []byte, n *view.Night, wet []view.Interval) []byte {
	b = appendSeconds(append(b, `{"from_s":`...), n.From)
	b = appendSeconds(append(b, `,"to_s":`...), n.To)
	b = append(b, `,"middle_s":`...)
	if at, ok := n.Middle(wet); ok {
		b = appendSeconds(b, at)
	} else {
		b = append(b, "null"...)
	}
	for _, h := range []struct {
		name string
		ns   int64
	}{
		{"known_h", n.Sum.Known},
		{"condensing_h", n.Sum.Condensing},
		{"condensing_low_h", n.Sum.CondensingLow},
		{"condensing_high_h", n.Sum.CondensingHigh},
	} {
		b = append(append(append(b, `,"`...), h.name...), `":`...)
		b = appendNumber(b, time.Duration(h.ns).Hours())
	}
	return append(b, '}')
}
