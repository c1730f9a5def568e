package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"

	"dewpost/collector/record"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/unit"
)

// putNights writes what a fold made of a station's nights. What was told of a
// night before stays.
func putNights(t *tx, station int64, f *record.Foretold) error {
	for _, at := range f.Drop {
		if err := t.exec(`delete from outlook_state where station = ? and at_ns = ?`, station, at); err != nil {
			return err
		}
	}
	if st := f.State; st != nil {
		if err := t.exec(`insert into outlook_state (station, at_ns, due_ns, version, body) values (?, ?, ?, ?, ?)
			on conflict (station, at_ns) do update set due_ns = excluded.due_ns, version = excluded.version, body = excluded.body`,
			station, st.At, st.Due, st.Version, st.Body); err != nil {
			return err
		}
	}
	told := bulk{
		columns: 11, head: `insert into outlook (station, night, issue, issued_ns, until_ns, heard_ns, p_condensing, p_at_risk, basis, forecast, made_ns)`,
		foot: `on conflict (station, night, issue) do nothing`,
	}
	for i := range f.Told {
		o := &f.Told[i]
		told.add(station, o.Night.Night, string(o.Issue), o.Issued, o.Until, o.Heard, o.PCondensing, o.PAtRisk, string(o.Basis), bit(o.Forecast), f.Made)
	}
	if err := told.write(t); err != nil {
		return err
	}
	for _, o := range f.Outcomes {
		if err := t.exec(`insert into outlook_night (station, night, condensing, at_risk) values (?, ?, ?, ?)
			on conflict (station, night) do update set condensing = excluded.condensing, at_risk = excluded.at_risk`,
			station, o.Night, truth(o.Condensing), truth(o.AtRisk)); err != nil {
			return err
		}
	}
	return nil
}

// truth is 0, 1 or null.
func truth(b *bool) any {
	if b == nil {
		return nil
	}
	return bit(*b)
}

// OutlookState returns the newest state of a station's nights from before an
// instant; At 0 when there is none.
func (s *Store) OutlookState(ctx context.Context, station string, before unit.Instant) (st record.OutlookState, err error) {
	err = each(reader{ctx, s}, `select o.at_ns, o.due_ns, o.version, o.body from outlook_state o join station s on s.id = o.station
		where s.name = ? and o.at_ns < ? order by o.at_ns desc limit 1`, []any{station, before}, func(rows *sql.Rows) error {
		return rows.Scan(&st.At, &st.Due, &st.Version, &st.Body)
	})
	if err != nil {
		return record.OutlookState{}, fmt.Errorf("read the state of the nights of %s: %w", station, err)
	}
	return st, nil
}

// Outlooks returns what was foretold of a station's nights, issued with from <=
// instant < to, by that instant, with what came of them; at most limit.
func (s *Store) Outlooks(ctx context.Context, station string, from, to unit.Instant, limit int) ([]record.Outlook, error) {
	return s.outlooks(ctx, "outlooks of "+station, outlooksOf, station, from, to, limit)
}

const (
	selectOutlook = `select s.name, o.night, o.issue, o.issued_ns, o.until_ns, o.heard_ns, o.p_condensing, o.p_at_risk, o.basis, o.forecast, o.made_ns, n.condensing, n.at_risk
		from outlook o join station s on s.id = o.station left join outlook_night n on n.station = o.station and n.night = o.night `
	outlooksOf       = `where s.name = ? and o.issued_ns >= ? and o.issued_ns < ? order by o.issued_ns, o.night limit ?`
	outlookResultsOf = `where s.name = ? and o.issue = ? and n.condensing is not null order by o.night`
)

func (s *Store) outlooks(ctx context.Context, what, which string, args ...any) ([]record.Outlook, error) {
	var list []record.Outlook
	err := each(reader{ctx, s}, selectOutlook+which, args, func(rows *sql.Rows) error {
		var o record.Outlook
		var forecast int
		var condensing, atRisk sql.NullInt64
		err := rows.Scan(&o.Station, &o.Night.Night, &o.Issue, &o.Issued, &o.Until, &o.Heard, &o.PCondensing, &o.PAtRisk, &o.Basis, &forecast, &o.Made, &condensing, &atRisk)
		o.Forecast = forecast == 1
		o.ObservedCondensing, o.ObservedAtRisk = known(condensing), known(atRisk)
		list = append(list, o)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", what, err)
	}
	return list, nil
}

func known(v sql.NullInt64) *bool {
	if !v.Valid {
		return nil
	}
	yes := v.Int64 == 1
	return &yes
}

// OutlookResults returns a station's outlooks of one issue for nights that are over
// and of which it is known what they came to, by night.
func (s *Store) OutlookResults(ctx context.Context, station string, issue outlook.Issue) ([]record.Outlook, error) {
	return s.outlooks(ctx, "results of outlooks of "+station, outlookResultsOf, station, string(issue))
}

// OutlookScore tells how the outlooks of one issue did for condensing nights, of all
// stations together. It goes through all of them.
func (s *Store) OutlookScore(ctx context.Context, issue outlook.Issue) (outlook.Score, error) {
	band := "case "
	for i := range outlook.Bands - 1 {
		band += fmt.Sprintf("when o.p_condensing * %d.0 < %d then %d ", outlook.Bands, i+1, i)
	}
	score := outlook.NewScore()
	err := each(reader{ctx, s}, `select `+band+fmt.Sprintf("else %d end", outlook.Bands-1)+`, n.condensing, count(*), sum(o.p_condensing),
			sum((o.p_condensing - n.condensing) * (o.p_condensing - n.condensing))
		from outlook o join outlook_night n on n.station = o.station and n.night = o.night
		where o.issue = ? and n.condensing is not null group by 1, 2 order by 1, 2`, []any{string(issue)}, func(rows *sql.Rows) error {
		var band, wet, nights int
		var foretold, wrong float64
		err := rows.Scan(&band, &wet, &nights, &foretold, &wrong)
		score.AddNights(band, wet == 1, nights, foretold, wrong)
		return err
	})
	if err != nil {
		return outlook.NewScore(), fmt.Errorf("read how outlooks did: %w", err)
	}
	return score, nil
}

// AddForecast records a forecast for a site; again is true when the same was
// recorded before. record.ErrNotFound for a site of which no fact is recorded,
// record.ErrForecastThere for other hours of the same issue.
func (s *Store) AddForecast(ctx context.Context, f record.Forecast, at unit.Instant, author string) (again bool, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		var n int
		if err := t.row(`select count(*) from fact where kind = 'site' and subject = ?`, []any{f.Site}, &n); err != nil {
			return err
		}
		if n == 0 {
			return record.ErrNotFound
		}
		there, err := forecastHours(t, `site = ? and issued_ns = ?`, f.Site, f.Issued)
		if err != nil {
			return err
		}
		if len(there) > 0 {
			again = true
			if len(there) != len(f.Hours) {
				return record.ErrForecastThere
			}
			for i := range there {
				if there[i] != f.Hours[i] {
					return record.ErrForecastThere
				}
			}
			return nil
		}
		rows := bulk{columns: 7, head: `insert into forecast (site, issued_ns, t_ns, temp_c, dew_point_c, cloud_pct, wind_m_s)`}
		for _, h := range f.Hours {
			rows.add(f.Site, f.Issued, h.Time, h.Temp, h.DewPoint, null(h.Cloud), null(h.Wind))
		}
		if err := rows.write(t); err != nil {
			return err
		}
		return audit(t, at, author, "import forecast", f.Site)
	})
	if err != nil {
		return false, fmt.Errorf("write the forecast for site %s: %w", f.Site, err)
	}
	return again, nil
}

func forecastHours(q query, which string, args ...any) ([]record.ForecastHour, error) {
	var list []record.ForecastHour
	err := each(q, `select t_ns, temp_c, dew_point_c, cloud_pct, wind_m_s from forecast where `+which+` order by t_ns`, args, func(rows *sql.Rows) error {
		var h record.ForecastHour
		var cloud, wind sql.NullFloat64
		err := rows.Scan(&h.Time, &h.Temp, &h.DewPoint, &cloud, &wind)
		h.Cloud, h.Wind = maybe(cloud), maybe(wind)
		list = append(list, h)
		return err
	})
	return list, err
}

// Forecast returns what the newest forecast for a site that was issued at an
// instant or before, and says anything of [from, to), says of that time; nothing
// when there is none.
func (s *Store) Forecast(ctx context.Context, site string, issued, from, to unit.Instant) ([]record.ForecastHour, error) {
	list, err := forecastHours(reader{ctx, s}, `site = ? and t_ns >= ? and t_ns < ? and issued_ns = (
		select max(f.issued_ns) from forecast f where f.site = ? and f.issued_ns <= ? and f.t_ns >= ? and f.t_ns < ?)`,
		site, from, to, site, issued, from, to)
	if err != nil {
		return nil, fmt.Errorf("read forecasts for site %s: %w", site, err)
	}
	return list, nil
}

// PutLooks replaces what looks into a station's boxes teach.
func (s *Store) PutLooks(ctx context.Context, station string, looks []life.Look) error {
	err := s.inTx(ctx, func(t *tx) error {
		var id int64
		if err := t.row(`select id from station where name = ?`, []any{station}, &id); err != nil {
			if errors.Is(err, sql.ErrNoRows) {
				return record.ErrNotFound
			}
			return err
		}
		if err := t.exec(`delete from life_look where station = ?`, id); err != nil {
			return err
		}
		rows := bulk{columns: 5, head: `insert into life_look (station, n, kind, low, high)`}
		for i, l := range looks {
			high := any(nil)
			if !math.IsInf(l.High, 1) {
				high = l.High
			}
			rows.add(id, i+1, l.Group, l.Low, high)
		}
		return rows.write(t)
	})
	if err != nil {
		return fmt.Errorf("write what was seen at %s: %w", station, err)
	}
	return nil
}

// Looks returns what looks into boxes teach, by station.
func (s *Store) Looks(ctx context.Context) (map[string][]life.Look, error) {
	all := make(map[string][]life.Look)
	err := each(reader{ctx, s}, `select s.name, l.kind, l.low, l.high from life_look l join station s on s.id = l.station
		order by s.name, l.n`, nil, func(rows *sql.Rows) error {
		l := life.Look{High: math.Inf(1)}
		var station string
		var high sql.NullFloat64
		err := rows.Scan(&station, &l.Group, &l.Low, &high)
		if high.Valid {
			l.High = high.Float64
		}
		all[station] = append(all[station], l)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what was seen: %w", err)
	}
	return all, nil
}
