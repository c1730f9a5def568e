package view

import (
	"context"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// Weather lists what was observed for a site, by others; record.ErrNotFound for
// a site that isn't known. next is nil at the end.
func (v *View) Weather(ctx context.Context, site string, from Place, to unit.Instant, limit int) (list []record.Weather, next *Place, err error) {
	sites, err := v.store.Sites(ctx)
	if err != nil {
		return nil, nil, err
	}
	if !slices.Contains(sites, site) {
		return nil, nil, record.ErrNotFound
	}
	list, err = v.store.WeatherPage(ctx, site, from.At, to, from.Skip, limit+1)
	if err != nil || len(list) <= limit {
		return list, nil, err
	}
	next = &Place{At: list[limit].Time}
	list = list[:limit]
	for i := limit - 1; i >= 0 && list[i].Time == next.At; i-- {
		next.Skip++
	}
	if next.At == from.At {
		next.Skip += from.Skip
	}
	return list, next, nil
}
