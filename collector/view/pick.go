package view

import (
	"slices"
	"strings"
)

// Pick says which stations of the morning look are wanted; the zero Pick says
// all.
type Pick struct {
	Site, Owner string // ids
	Text        string // in name, spot or id, whatever the case
	Needy       bool   // only those that need a person
}

func (p *Pick) takes(s *Station, needy bool) bool {
	return (p.Site == "" || s.Site.ID == p.Site) &&
		(p.Owner == "" || s.Site.Owner == p.Owner) &&
		(!p.Needy || needy) &&
		(p.Text == "" || slices.ContainsFunc([]string{s.Name, s.Spot, s.ID}, func(text string) bool {
			return strings.Contains(strings.ToLower(text), strings.ToLower(p.Text))
		}))
}

// Only returns the morning look of the stations picked.
func (t *Today) Only(p Pick) Today {
	if p == (Pick{}) {
		return *t
	}
	own := Today{At: t.At}
	for i := range t.Rows {
		if r := &t.Rows[i]; p.takes(&r.Station, len(r.Needs) > 0) {
			own.Rows = append(own.Rows, *r)
		}
	}
	for i := range t.Ended {
		if e := &t.Ended[i]; p.takes(&e.Station, false) {
			own.Ended = append(own.Ended, *e)
		}
	}
	own.count()
	return own
}

// Places are the sites and owners of the stations, by id, without those of none.
func (t *Today) Places() (sites []Site, owners []string) {
	for i := range t.Rows {
		site := &t.Rows[i].Station.Site
		if site.ID == "" {
			continue
		}
		if j, ok := slices.BinarySearchFunc(sites, site.ID, func(s Site, id string) int { return strings.Compare(s.ID, id) }); !ok {
			sites = slices.Insert(sites, j, *site)
		}
		if j, ok := slices.BinarySearch(owners, site.Owner); !ok && site.Owner != "" {
			owners = slices.Insert(owners, j, site.Owner)
		}
	}
	return sites, owners
}
