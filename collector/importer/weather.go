package importer

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"dewpost/collector/record"
	"dewpost/rules/logfile"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Columns of a log of weather.
const (
	temp = iota
	rh
	dewPoint
	rain
	wind
	cloud
	oktas
)

// weatherColumns have the ranges of the wire for temperature and humidity; those
// of rain and wind are our own, beyond what was ever measured (from memory: 305
// mm in an hour, 113 m/s). An okta is an eighth of the sky; 9 says that the sky
// can't be seen, which is no amount.
var weatherColumns = func() []logfile.Column {
	tLo, tHi := reading.OutsideTemp.Range()
	rhLo, rhHi := reading.OutsideRH.Range()
	return []logfile.Column{
		temp: {Name: "temp_c", Lo: tLo, Hi: tHi}, rh: {Name: "rh_pct", Lo: rhLo, Hi: rhHi},
		dewPoint: {Name: "dew_point_c", Lo: tLo, Hi: tHi}, rain: {Name: "rain_mm", Lo: 0, Hi: 500},
		wind: {Name: "wind_m_s", Lo: 0, Hi: 150}, cloud: {Name: "cloud_pct", Lo: 0, Hi: 100},
		oktas: {Name: "cloud_oktas", Lo: 0, Hi: 8},
	}
}()

// WeatherColumns lists the names that a column of a log of weather can have.
func WeatherColumns() []string { return logfile.Names(weatherColumns) }

// dewAbove is how far a dew point may lie above its temperature, K: both are
// rounded, a dew point often to half a kelvin.
const dewAbove = 1

// Weather says what became of a log of weather, or, after a dry run, what
// would. Rows = Stored + Repeated + Replaced + Conflicts + Empty + Ahead.
type Weather struct {
	Site          string         `json:"site"`
	Source        string         `json:"source"`
	DistanceKM    *float64       `json:"distance_km"`
	DryRun        bool           `json:"dry_run"`
	Rows          int            `json:"rows"`
	From          *unit.Instant  `json:"from"`
	To            *unit.Instant  `json:"to"`
	SpanH         float64        `json:"span_h"`
	Stored        int            `json:"stored"`
	Repeated      int            `json:"repeated"`
	Replaced      int            `json:"replaced"`
	Conflicts     int            `json:"conflicts"` // other than what is recorded, which stays
	Conflicting   []unit.Instant `json:"conflicting"`
	Empty         int            `json:"empty"` // without any value: not stored
	Ahead         int            `json:"ahead"` // of the clock: not stored
	RefusedValues map[string]int `json:"refused_values"`
	Ignored       []string       `json:"ignored"`
}

// conflictsShown is how many conflicts are named; all are counted.
const conflictsShown = 100

// ImportWeather puts a log of observed weather into a site's record, marked with
// its source. Where a row has a temperature and one of humidity and dew point
// (over water), the other is computed. What is recorded of an instant stays;
// with replace the log's row takes its place.
func ImportWeather(ctx context.Context, s Store, site string, source record.WeatherSource, replace bool, log Log) (Weather, error) {
	if err := checkSource(source); err != nil {
		return Weather{}, err
	}
	sites, err := s.Sites(ctx)
	if err != nil {
		return Weather{}, err
	}
	if !slices.Contains(sites, site) {
		return Weather{}, fmt.Errorf("site %s: %w: add it first", site, record.ErrNotFound)
	}
	in := weather{ctx: ctx, store: s, source: source, replace: replace, log: log, out: Weather{
		Site: site, Source: source.Name, DryRun: log.DryRun, Conflicting: []unit.Instant{},
	}}
	if source.Distance.There {
		in.out.DistanceKM = &source.Distance.Value
	}
	if err := in.check(); err != nil || log.DryRun {
		return in.out, err
	}
	if err := s.BeginWeather(ctx, site, source, log.At, log.Author); err != nil {
		return Weather{}, err
	}
	return in.out, in.write()
}

// SourceError is a source that can't be recorded.
type SourceError struct{ Field, Value, Fix string }

func (e SourceError) Error() string { return fmt.Sprintf("%s %q: %s", e.Field, e.Value, e.Fix) }

func checkSource(source record.WeatherSource) error {
	bad := func(r rune) bool { return !unicode.IsPrint(r) }
	if name := source.Name; len(name) > 200 || strings.TrimSpace(name) != name || name == "" || !utf8.ValidString(name) || strings.ContainsFunc(name, bad) {
		return SourceError{"source", reading.Printable([]byte(name)), "say who observed, in 1 to 200 bytes of visible UTF-8"}
	}
	if d := source.Distance; d.There && !(d.Value >= 0 && d.Value <= 20000) {
		return SourceError{"distance_km", fmt.Sprint(d.Value), "write kilometres from 0 to 20000"}
	}
	return nil
}

// weather is an import of weather under way.
type weather struct {
	ctx     context.Context
	store   Store
	source  record.WeatherSource
	replace bool
	log     Log
	out     Weather
	refused [oktas + 1]int // values, by column

	seen map[unit.Instant]record.Weather // what a dry run would have written
}

func (in *weather) check() error {
	from, to := unit.Instant(math.MaxInt64), unit.Instant(math.MinInt64)
	in.seen = make(map[unit.Instant]record.Weather)
	got, err := in.log.read(0, func(opt logfile.Options) (*logfile.Log, error) {
		return logfile.ReadTable(in.log.From, opt, weatherColumns, func(rows []logfile.Row) error {
			for i := range rows {
				from, to = min(from, rows[i].Time), max(to, rows[i].Time)
			}
			if !in.log.DryRun {
				return in.ctx.Err()
			}
			return in.compare(in.rows(rows))
		})
	})
	if err != nil {
		return err
	}
	in.out.Rows, in.out.Ignored = got.Rows, append([]string{}, got.Ignored...)
	if got.Rows > 0 {
		in.out.From, in.out.To, in.out.SpanH = &from, &to, to.Sub(from).Hours()
	}
	in.refusedValues(got)
	return nil
}

func (in *weather) refusedValues(got *logfile.Log) {
	for c, n := range got.Refused {
		in.refused[c] += n
	}
	in.out.RefusedValues = byName(in.refused[:], func(c int) string { return weatherColumns[c].Name })
}

// rows makes weather of a block of a log.
func (in *weather) rows(block []logfile.Row) []record.Weather {
	list := make([]record.Weather, 0, len(block))
	for i := range block {
		w := in.row(&block[i])
		switch {
		case w.Time > in.log.At.Add(reading.Ahead):
			in.out.Ahead++
		case w == record.Weather{Time: w.Time}:
			in.out.Empty++
		default:
			list = append(list, w)
		}
	}
	return list
}

func (in *weather) row(r *logfile.Row) record.Weather {
	get := func(c int) record.Maybe {
		v, ok := r.Get(c)
		return record.Maybe{Value: v, There: ok}
	}
	w := record.Weather{
		Time: r.Time, Temp: get(temp), RH: get(rh), DewPoint: get(dewPoint), Rain: get(rain), Wind: get(wind), Cloud: get(cloud),
	}
	if o := get(oktas); o.There && !w.Cloud.There {
		w.Cloud = record.Some(o.Value * 12.5)
	}
	if w.Temp.There && w.DewPoint.There && w.DewPoint.Value > w.Temp.Value+dewAbove {
		w.DewPoint = record.Maybe{}
		in.refused[dewPoint]++
	}
	t, at := unit.Celsius(w.Temp.Value), w.DewPoint.Value
	switch {
	case !w.Temp.There:
	case w.RH.There && !w.DewPoint.There && w.RH.Value > 0:
		w.DewPoint = record.Some(float64(moistair.DewPoint(t, unit.Percent(min(100, w.RH.Value)))))
		w.DewPointComputed = true
	case w.DewPoint.There && !w.RH.There:
		// Air that is saturated at its dew point, brought to its temperature.
		w.RH = record.Some(float64(moistair.SurfaceRH(unit.Celsius(at), 100, t)))
		w.RHComputed = true
	}
	return w
}

// compare finds out what would become of rows.
func (in *weather) compare(rows []record.Weather) error {
	if len(rows) == 0 {
		return in.ctx.Err()
	}
	from, to := rows[0].Time, rows[0].Time
	for i := range rows {
		from, to = min(from, rows[i].Time), max(to, rows[i].Time)
	}
	stored, err := in.store.Weather(in.ctx, in.out.Site, from, to+1)
	if err != nil {
		return err
	}
	there := make(map[unit.Instant]record.Weather, len(stored))
	for _, w := range stored {
		if w.Source == in.source.Name {
			there[w.Time] = w
		}
	}
	for _, w := range rows {
		old, known := in.seen[w.Time]
		if !known {
			old, known = there[w.Time]
		}
		switch {
		case !known:
			in.out.Stored++
		case old.SameObserved(&w):
			in.out.Repeated++
			continue
		case in.replace:
			in.out.Replaced++
		default:
			in.conflict(w.Time)
			continue
		}
		in.seen[w.Time] = w
	}
	return in.ctx.Err()
}

func (in *weather) conflict(at unit.Instant) {
	if in.out.Conflicts++; in.out.Conflicts <= conflictsShown {
		in.out.Conflicting = append(in.out.Conflicting, at)
	}
}

// write puts the log into the store.
func (in *weather) write() error {
	in.refused = [len(in.refused)]int{}
	got, err := in.log.read(1, func(opt logfile.Options) (*logfile.Log, error) {
		return logfile.ReadTable(in.log.From, opt, weatherColumns, func(rows []logfile.Row) error {
			if err := in.ctx.Err(); err != nil {
				return err
			}
			o, err := in.store.AddWeather(in.ctx, in.out.Site, in.source.Name, in.rows(rows), in.replace)
			if err != nil {
				return err
			}
			in.out.Stored += o.Stored
			in.out.Repeated += o.Repeated
			in.out.Replaced += o.Replaced
			for _, at := range o.Conflicts {
				in.conflict(at)
			}
			return nil
		})
	})
	switch {
	case err != nil:
		return err
	case got.Rows != in.out.Rows:
		return errShrunk
	}
	in.refusedValues(got)
	return nil
}
