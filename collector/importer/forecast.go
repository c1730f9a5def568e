package importer

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// ForecastStore keeps forecasts.
type ForecastStore interface {
	Sites(ctx context.Context) ([]string, error)
	AddForecast(ctx context.Context, f record.Forecast, at unit.Instant, author string) (again bool, err error)
}

// Forecast says what became of a forecast. Rows = Used + Empty.
type Forecast struct {
	Site   string       `json:"site"`
	Issued unit.Instant `json:"issued"`
	DryRun bool         `json:"dry_run"`
	Rows   int          `json:"rows"`
	Used   int          `json:"used"`
	Empty  int          `json:"empty"` // without a temperature, or without humidity
	Again  bool         `json:"again"` // it was in the record already
}

// forecastMost is more than any forecast has: 15 days in steps of ten minutes.
const forecastMost = 2200

// ForecastError is a forecast that can't be recorded.
type ForecastError struct{ Field, Value, Fix string }

func (e ForecastError) Error() string { return fmt.Sprintf("%s %q: %s", e.Field, e.Value, e.Fix) }

// ImportForecast puts a forecast that was issued at an instant into a site's
// record: a log with the columns of weather. Of each row it takes temperature and
// dew point, that one computed from humidity where only humidity is told, and
// clouds and wind where they are. Rows from before the issue say nothing of what was
// to come, and are an error.
func ImportForecast(ctx context.Context, s ForecastStore, site string, issued unit.Instant, log Log) (Forecast, error) {
	out := Forecast{Site: site, Issued: issued, DryRun: log.DryRun}
	if issued > log.At.Add(reading.Ahead) {
		return out, ForecastError{"issued", issued.String(), "write when it was issued, which is not later than now"}
	}
	sites, err := s.Sites(ctx)
	if err != nil {
		return out, err
	}
	if !slices.Contains(sites, site) {
		return out, fmt.Errorf("site %s: %w: add it first", site, record.ErrNotFound)
	}
	hours := map[unit.Instant]record.ForecastHour{}
	in := weather{ctx: ctx, log: log}
	var wrong error
	got, err := log.read(0, func(opt logfile.Options) (*logfile.Log, error) {
		return logfile.ReadTable(log.From, opt, weatherColumns, func(rows []logfile.Row) error {
			for i := range rows {
				w := in.row(&rows[i])
				switch _, twice := hours[w.Time]; {
				case !w.Temp.There || !w.DewPoint.There:
					out.Empty++
					continue
				case w.Time < issued:
					wrong = ForecastError{"time", w.Time.String(), "a forecast says what comes after its issue, " + issued.String()}
				case twice:
					wrong = ForecastError{"time", w.Time.String(), "let each instant be there once"}
				case len(hours) == forecastMost:
					wrong = ForecastError{"rows", fmt.Sprint(len(hours) + 1), fmt.Sprintf("let it have %d at most", forecastMost)}
				}
				if wrong != nil {
					return wrong
				}
				hours[w.Time] = record.ForecastHour{Time: w.Time, Temp: w.Temp.Value, DewPoint: w.DewPoint.Value, Cloud: w.Cloud, Wind: w.Wind}
			}
			return ctx.Err()
		})
	})
	if err != nil {
		return out, err
	}
	out.Rows, out.Used = got.Rows, len(hours)
	if len(hours) == 0 {
		return out, ForecastError{"rows", fmt.Sprint(out.Rows), "give at least one with time, temp_c, and dew_point_c or rh_pct"}
	}
	if log.DryRun {
		return out, nil
	}
	f := record.Forecast{Site: site, Issued: issued}
	for _, h := range hours {
		f.Hours = append(f.Hours, h)
	}
	slices.SortFunc(f.Hours, func(a, b record.ForecastHour) int { return cmp.Compare(a.Time, b.Time) })
	out.Again, err = s.AddForecast(ctx, f, log.At, log.Author)
	return out, err
}
