package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"dewpost/collector/view"
	"dewpost/collector/words"
)

// rowsShown is how many stations one page lists.
const rowsShown = 60

// choice is what of the morning look is wanted. All of it stands in the URL.
type choice struct {
	view.Pick
	By    string // what the rows are grouped by: "", site or owner
	Begin int    // rows before the first one shown
}

func askChoice(r *http.Request) (choice, error) {
	q := ask(r, "site", "owner", "text", "needs", "by", "begin")
	c := choice{
		Pick: view.Pick{
			Site: q.values.Get("site"), Owner: q.values.Get("owner"), Text: q.values.Get("text"),
			Needy: q.choice("needs", "", []string{"person"}) != "",
		},
		By:    q.choice("by", "", []string{"site", "owner"}),
		Begin: q.integer("begin", 0, 0, 1_000_000),
	}
	if len(c.Text) > 200 {
		q.refuse("text", c.Text[:20]+"…", "write at most 200 bytes of a name, a place or an id")
	}
	return c, q.err
}

// href is the address of the page with this choice.
func (c choice) href() string {
	v := url.Values{}
	set := func(name, value string) {
		if value != "" {
			v.Set(name, value)
		}
	}
	set("site", c.Site)
	set("owner", c.Owner)
	set("text", c.Text)
	if c.Needy {
		v.Set("needs", "person")
	}
	set("by", c.By)
	if c.Begin > 0 {
		v.Set("begin", strconv.Itoa(c.Begin))
	}
	if len(v) == 0 {
		return "/"
	}
	return "/?" + v.Encode()
}

// choosePage is the form for a choice.
type choosePage struct {
	Open   bool
	Text   string
	Sites  []optionPage
	Owners []optionPage
	By     []optionPage
	Needy  bool
}

type optionPage struct {
	Value, Text string
	Chosen      bool
}

func chooseOf(lc *words.Locale, all *view.Today, c choice) choosePage {
	p := choosePage{Open: c.Pick != (view.Pick{}) || c.By != "", Text: c.Text, Needy: c.Needy}
	sites, owners := all.Places()
	p.Sites = []optionPage{{"", lc.Say("all sites"), c.Site == ""}}
	for i := range sites {
		p.Sites = append(p.Sites, optionPage{sites[i].ID, sites[i].Name, sites[i].ID == c.Site})
	}
	p.Owners = []optionPage{{"", lc.Say("all owners"), c.Owner == ""}}
	for _, id := range owners {
		p.Owners = append(p.Owners, optionPage{id, id, id == c.Owner})
	}
	p.By = []optionPage{{"", lc.Say("by need"), c.By == ""}, {"site", lc.Say("by site"), c.By == "site"}, {"owner", lc.Say("by owner"), c.By == "owner"}}
	return p
}

// groupPage is a list of stations under its heading.
type groupPage struct {
	ID, Name string
	Rows     []rowPage
}

// list puts the rows that are to be shown under headings: a group is where its
// first row is by need.
func (p *todayPage) list(lc *words.Locale, t *view.Today, c choice) {
	rows := inGroups(lc, t.Rows, c.By)
	begin := min(c.Begin, len(rows))
	end := min(begin+rowsShown, len(rows))
	for i, r := range rows[begin:end] {
		id, name := groupOf(lc, &r.Station, c.By)
		if i == 0 || p.Groups[len(p.Groups)-1].Name != name {
			p.Groups = append(p.Groups, groupPage{ID: id, Name: name})
		}
		g := &p.Groups[len(p.Groups)-1]
		g.Rows = append(g.Rows, rowOf(lc, r, t.At))
	}
	if begin == 0 && end == len(rows) {
		return
	}
	p.Shown = lc.Say("%d to %d of %d.", begin+1, end, len(rows))
	if begin == end {
		p.Shown = lc.Say("There are %d.", len(rows))
	}
	link := func(text string, begin int) {
		c.Begin = begin
		p.Pages = append(p.Pages, linkPage{Href: c.href(), Name: text})
	}
	if begin > 0 {
		link(lc.Say("Those before"), max(0, begin-rowsShown))
	}
	if end < len(rows) {
		link(lc.Say("The next ones"), end)
	}
}

func inGroups(lc *words.Locale, all []view.Row, by string) []*view.Row {
	var order []string
	groups := make(map[string][]*view.Row)
	for i := range all {
		r := &all[i]
		id, _ := groupOf(lc, &r.Station, by)
		if !slices.Contains(order, id) {
			order = append(order, id)
		}
		groups[id] = append(groups[id], r)
	}
	rows := make([]*view.Row, 0, len(all))
	for _, id := range order {
		rows = append(rows, groups[id]...)
	}
	return rows
}

func groupOf(lc *words.Locale, s *view.Station, by string) (id, name string) {
	switch {
	case by == "site" && s.Site.ID != "":
		return "site_" + s.Site.ID, s.Site.Name
	case by == "site":
		return "site_", lc.Say("At no site")
	case by == "owner" && s.Site.Owner != "":
		return "owner_" + s.Site.Owner, lc.Say("Owner %s", s.Site.Owner)
	case by == "owner":
		return "owner_", lc.Say("Of no owner")
	default:
		return "by_need", lc.Say("Stations, by need")
	}
}
