package collector

import (
	"context"

	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// importReadings puts a log that came by the pages into a station's record, and
// lets it be folded.
func (c *Collector) importReadings(ctx context.Context, station string, log importer.Log) (importer.Readings, error) {
	log.At = unit.At(c.now())
	out, err := importer.ImportReadings(ctx, c.store, station, log)
	if !log.DryRun {
		c.folder.Wake() // also after an error: part of it may be stored
	}
	return out, err
}

// importWeather puts weather that came by the pages into a site's record.
func (c *Collector) importWeather(ctx context.Context, site string, source record.WeatherSource, replace bool, log importer.Log) (importer.Weather, error) {
	log.At = unit.At(c.now())
	return importer.ImportWeather(ctx, c.store, site, source, replace, log)
}

// importForecast puts a forecast that came by the pages into a site's record.
func (c *Collector) importForecast(ctx context.Context, site string, issued unit.Instant, log importer.Log) (importer.Forecast, error) {
	log.At = unit.At(c.now())
	return importer.ImportForecast(ctx, c.store, site, issued, log)
}
