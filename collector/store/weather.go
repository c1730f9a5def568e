package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/box"
	"dewpost/rules/unit"
)

// BeginWeather notes that somebody puts weather from a source into a site's
// record. A distance that is not said leaves what is recorded of it.
// record.ErrNotFound for a site of which no fact is recorded.
func (s *Store) BeginWeather(ctx context.Context, site string, source record.WeatherSource, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		var n int
		if err := t.row(`select count(*) from fact where kind = 'site' and subject = ?`, []any{site}, &n); err != nil {
			return err
		}
		if n == 0 {
			return record.ErrNotFound
		}
		if err := t.exec(`insert into weather_source (site, name, distance_km) values (?, ?, ?)
			on conflict (site, name) do update set distance_km = coalesce(excluded.distance_km, weather_source.distance_km)`,
			site, source.Name, null(source.Distance)); err != nil {
			return fmt.Errorf("write source %q: %w", source.Name, err)
		}
		return audit(t, at, author, "import weather", site)
	})
	if err != nil {
		return fmt.Errorf("begin to write weather of site %s: %w", site, err)
	}
	return nil
}

// AddWeather writes rows of one source that BeginWeather named, all or none, in
// their order. What is recorded of an instant stays, unless the row should
// replace it: a row that observes the same is counted as repeated, another one
// as a conflict. Source and distance are not those in the rows.
func (s *Store) AddWeather(ctx context.Context, site, source string, rows []record.Weather, replace bool) (o record.WeatherOutcome, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		var id int64
		err := t.row(`select id from weather_source where site = ? and name = ?`, []any{site, source}, &id)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("source %q: %w", source, record.ErrNotFound)
		}
		if err != nil || len(rows) == 0 {
			return err
		}
		o, err = putWeather(t, id, rows, replace)
		return err
	})
	if err != nil {
		return record.WeatherOutcome{}, fmt.Errorf("write weather of site %s: %w", site, err)
	}
	return o, nil
}

func putWeather(t *tx, source int64, rows []record.Weather, replace bool) (o record.WeatherOutcome, err error) {
	from, to := rows[0].Time, rows[0].Time
	for i := range rows {
		from, to = min(from, rows[i].Time), max(to, rows[i].Time)
	}
	there := make(map[unit.Instant]record.Weather)
	err = each(t, selectWeather+`where s.id = ? and w.t_ns between ? and ? order by w.t_ns`, []any{source, from, to}, func(rows *sql.Rows) error {
		w, err := scanWeather(rows)
		there[w.Time] = w
		return err
	})
	if err != nil {
		return o, fmt.Errorf("read what is recorded: %w", err)
	}
	changed := make(map[unit.Instant]bool)
	var order []unit.Instant
	for i := range rows {
		w := &rows[i]
		old, known := there[w.Time]
		switch {
		case !known:
			o.Stored++
		case old.SameObserved(w):
			o.Repeated++
			continue
		case !replace:
			o.Conflicts = append(o.Conflicts, w.Time)
			continue
		default:
			o.Replaced++
		}
		there[w.Time] = *w
		if !changed[w.Time] { // a statement may not write a row twice
			changed[w.Time] = true
			order = append(order, w.Time)
		}
	}
	put := bulk{
		columns: 10, head: `insert into weather (source, t_ns, temp_c, rh_pct, dew_point_c, rain_mm, wind_m_s, cloud_pct, rh_computed, dew_computed)`,
		foot: `on conflict (source, t_ns) do update set temp_c = excluded.temp_c, rh_pct = excluded.rh_pct,
			dew_point_c = excluded.dew_point_c, rain_mm = excluded.rain_mm, wind_m_s = excluded.wind_m_s,
			cloud_pct = excluded.cloud_pct, rh_computed = excluded.rh_computed, dew_computed = excluded.dew_computed`,
	}
	for _, at := range order {
		w := there[at]
		put.add(source, w.Time, null(w.Temp), null(w.RH), null(w.DewPoint), null(w.Rain), null(w.Wind), null(w.Cloud),
			bit(w.RHComputed), bit(w.DewPointComputed))
	}
	if err := put.write(t); err != nil || len(order) == 0 {
		return o, err
	}
	// What is found of boxes without an outdoor sensor rests on it.
	list, err := ids(t, `select distinct s.id from fact f join station s on s.name = f.subject join weather_source w on w.site = f.value
		where f.kind = 'station' and f.name = 'site' and w.id = ? order by s.id`, source)
	from, to = slices.Min(order), slices.Max(order)
	for _, id := range list {
		err = errors.Join(err, markSpan(t, id, from.Add(-box.WeatherReach), to.Add(box.WeatherReach)))
	}
	return o, err
}

const selectWeather = `select w.t_ns, s.name, s.distance_km, w.temp_c, w.rh_pct, w.dew_point_c, w.rain_mm, w.wind_m_s, w.cloud_pct, w.rh_computed, w.dew_computed
	from weather w join weather_source s on s.id = w.source `

func scanWeather(rows *sql.Rows) (w record.Weather, err error) {
	var distance, temp, rh, dew, rain, wind, cloud sql.NullFloat64
	var rhComputed, dewComputed int
	err = rows.Scan(&w.Time, &w.Source, &distance, &temp, &rh, &dew, &rain, &wind, &cloud, &rhComputed, &dewComputed)
	w.Distance, w.Temp, w.RH, w.DewPoint = maybe(distance), maybe(temp), maybe(rh), maybe(dew)
	w.Rain, w.Wind, w.Cloud = maybe(rain), maybe(wind), maybe(cloud)
	w.RHComputed, w.DewPointComputed = rhComputed == 1, dewComputed == 1
	return w, err
}

func maybe(v sql.NullFloat64) record.Maybe { return record.Maybe{Value: v.Float64, There: v.Valid} }

func null(v record.Maybe) any {
	if !v.There {
		return nil
	}
	return v.Value
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Weather returns what was observed for a site with from <= time < to, by time,
// then by the source's name.
func (s *Store) Weather(ctx context.Context, site string, from, to unit.Instant) ([]record.Weather, error) {
	return s.WeatherPage(ctx, site, from, to, 0, math.MaxInt32)
}

// WeatherPage is a part of Weather: at most limit rows, without the first skip.
func (s *Store) WeatherPage(ctx context.Context, site string, from, to unit.Instant, skip, limit int) ([]record.Weather, error) {
	var list []record.Weather
	err := each(reader{ctx, s}, selectWeather+`where s.site = ? and w.t_ns >= ? and w.t_ns < ? order by w.t_ns, s.name limit ? offset ?`,
		[]any{site, from, to, limit, skip}, func(rows *sql.Rows) error {
			w, err := scanWeather(rows)
			list = append(list, w)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("read weather of site %s: %w", site, err)
	}
	return list, nil
}
