package importer_test

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// broken is a store whose k-th call fails.
type broken struct {
	*shop
	k, n int
}

var errBroken = errors.New("broken on purpose")

func (b *broken) step() error {
	if b.n++; b.n == b.k {
		return errBroken
	}
	return nil
}

func (b *broken) Station(ctx context.Context, id string) (record.Station, error) {
	if err := b.step(); err != nil {
		return record.Station{}, err
	}
	return b.shop.Station(ctx, id)
}

func (b *broken) Facts(ctx context.Context, of fact.Subject) ([]fact.Fact, error) {
	if err := b.step(); err != nil {
		return nil, err
	}
	return b.shop.Facts(ctx, of)
}

func (b *broken) AddFacts(ctx context.Context, list []fact.Fact) error {
	if err := b.step(); err != nil {
		return err
	}
	return b.shop.AddFacts(ctx, list)
}

func (b *broken) Span(ctx context.Context, id string) (first, last unit.Instant, ok bool, err error) {
	if err := b.step(); err != nil {
		return 0, 0, false, err
	}
	return b.shop.Span(ctx, id)
}

func (b *broken) Readings(ctx context.Context, id string, from, to unit.Instant) ([]reading.Reading, error) {
	if err := b.step(); err != nil {
		return nil, err
	}
	return b.shop.Readings(ctx, id, from, to)
}

func (b *broken) AwaitsTime(ctx context.Context, id string, due unit.Instant, raw []byte) (bool, error) {
	if err := b.step(); err != nil {
		return false, err
	}
	return b.shop.AwaitsTime(ctx, id, due, raw)
}

func (b *broken) FrozenBefore(ctx context.Context, id string) (unit.Instant, error) {
	if err := b.step(); err != nil {
		return 0, err
	}
	return b.shop.FrozenBefore(ctx, id)
}

func (b *broken) BeginImport(ctx context.Context, id string, at unit.Instant, author string) error {
	if err := b.step(); err != nil {
		return err
	}
	return b.shop.BeginImport(ctx, id, at, author)
}

func (b *broken) Commit(ctx context.Context, list []record.Arrival) ([]record.Outcome, error) {
	if err := b.step(); err != nil {
		return nil, err
	}
	return b.shop.Commit(ctx, list)
}

func (b *broken) Sites(ctx context.Context) ([]string, error) {
	if err := b.step(); err != nil {
		return nil, err
	}
	return b.shop.Sites(ctx)
}

func (b *broken) Weather(ctx context.Context, site string, from, to unit.Instant) ([]record.Weather, error) {
	if err := b.step(); err != nil {
		return nil, err
	}
	return b.shop.Weather(ctx, site, from, to)
}

func (b *broken) BeginWeather(ctx context.Context, site string, source record.WeatherSource, at unit.Instant, author string) error {
	if err := b.step(); err != nil {
		return err
	}
	return b.shop.BeginWeather(ctx, site, source, at, author)
}

func (b *broken) AddWeather(ctx context.Context, site, source string, rows []record.Weather, replace bool) (record.WeatherOutcome, error) {
	if err := b.step(); err != nil {
		return record.WeatherOutcome{}, err
	}
	return b.shop.AddWeather(ctx, site, source, rows, replace)
}

// Whatever call to the store fails, the import says so; and the same import
// afterwards is done.
func TestEveryCallFails(t *testing.T) {
	hourly := table([]string{"2025-03-01T00:00:00Z,1,50,1", "2025-03-01T03:00:00Z,1,50,1", "2026-07-01T00:00:00Z,1,50,1"})
	observed := "time,temp_c\n2025-03-01T00:00:00Z,1\n"
	imports := map[string]func(importer.Store, bool) error{
		"readings": func(s importer.Store, dry bool) error {
			log := logOf(hourly)
			log.DryRun = dry
			_, err := importer.ImportReadings(t.Context(), s, lake, log)
			return err
		},
		"weather": func(s importer.Store, dry bool) error {
			log := logOf(observed)
			log.DryRun = dry
			_, err := importer.ImportWeather(t.Context(), s, "lake", ridge, false, log)
			return err
		},
	}
	for name, run := range imports {
		for _, dry := range []bool{false, true} {
			for k := 1; ; k++ {
				b := &broken{shop: newShop(t), k: k}
				err := run(b, dry)
				if err == nil {
					require.Greater(t, k, 2, "control: there are calls")
					break
				}
				require.ErrorIs(t, err, errBroken, "%s call %d", name, k)
				require.NoError(t, run(b.shop, false))
			}
		}
	}
}

// Who waits no longer is not kept waiting.
func TestImportsEndWithTheirContext(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	for _, dry := range []bool{false, true} {
		b := newShop(t)
		log := logOf("time,temp_c\n")
		log.DryRun = dry
		s := &stopping{b, stop}
		_, err := importer.ImportWeather(ctx, s, "lake", ridge, false, log)
		require.ErrorIs(t, err, context.Canceled)
	}
}

// stopping ends the context after the import has looked for its site.
type stopping struct {
	*shop
	stop func()
}

func (s *stopping) Sites(ctx context.Context) ([]string, error) {
	defer s.stop()
	return s.shop.Sites(context.WithoutCancel(ctx))
}
