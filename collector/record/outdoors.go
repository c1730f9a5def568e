package record

import (
	"dewpost/rules/box"
	"dewpost/rules/equal"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// OnSite returns what the outdoor sensors of stations said while those hung on a
// site, but for one station. facts tells what is known of a station.
func OnSite(all []Neighbour, site, except string, facts func(station string) ([]fact.Fact, error)) (list []equal.Air, err error) {
	known := map[string][]fact.Fact{}
	for i := range all {
		n := &all[i]
		if n.Station == except {
			continue
		}
		own, asked := known[n.Station]
		if !asked {
			if own, err = facts(n.Station); err != nil {
				return nil, err
			}
			known[n.Station] = own
		}
		if at, _ := fact.At(own, fact.Site, n.Hour); at == site {
			list = append(list, n.Air)
		}
	}
	return list, nil
}

// Observed is what rows of weather tell the rules.
func Observed(rows []Weather) []box.Weather {
	list := make([]box.Weather, len(rows))
	for i := range rows {
		w := &rows[i]
		list[i].Source, list[i].Time = w.Source, w.Time
		if w.Temp.There && w.RH.There && w.RH.Value > 0 {
			temp, rh := unit.Celsius(w.Temp.Value), unit.Percent(w.RH.Value)
			list[i].Temp, list[i].RH = &temp, &rh
		}
		if w.Rain.There {
			list[i].Rain = &w.Rain.Value
		}
	}
	return list
}
