package web

import (
	"bytes"
	"fmt"
	"net/http"

	"dewpost/collector/record"
	"dewpost/collector/words"
)

// sheet is what every page shows around its content: embed it in the page's
// struct, and page fills it.
type sheet struct {
	Visitor visitor
	path    string
	signs   bool // people sign in here
	locale  *words.Locale
	theme   string
}

func (f *sheet) put(g sheet) { *f = g }

// MayWork tells whether who looks may record what people do: a page shows the
// forms for it only then.
func (f *sheet) MayWork() bool { return f.Visitor.Role >= record.Work }

// NoAccounts tells whether everybody may look because there is no account yet.
func (f *sheet) NoAccounts() bool {
	return f.Visitor.Role == record.Look && f.Visitor.Name == "" && f.path != "/first"
}

// SignInHere tells whether a link to signing in is of use.
func (f *sheet) SignInHere() bool {
	return f.signs && f.Visitor.Role == record.Public && f.path != "/sign-in" && f.path != "/first"
}

// RoleName says what who looks may do.
func (f *sheet) RoleName() string { return f.locale.Say(roleNames[f.Visitor.Role]) }

// Lang is the language of the page, BCP 47.
func (f *sheet) Lang() string { return f.locale.Language }

// Theme is light or dark where the person chose one, else "".
func (f *sheet) Theme() string { return f.theme }

type linkPage struct {
	Href, Name string
	Here       bool
}

type menuPage struct {
	href, name string
	role       record.Role
}

// menu are the pages that every page leads to, in groups, with who may see them.
// A group leads to its first page.
var menu = []struct {
	name  string
	pages []menuPage
}{
	{"Today", []menuPage{{"/", "Today", record.Look}}},
	{"Needs a person", []menuPage{{"/alarms", "Needs a person", record.Look}}},
	{"Rounds", []menuPage{{"/plan", "Who first", record.Look}, {"/plan/round", "Round", record.Look}, {"/calendar", "Calendar", record.Work}}},
	{"Visits", []menuPage{{"/visits", "Visits", record.Look}}},
	{"Exposure", []menuPage{{"/exposure", "Exposure", record.Look}, {"/reports", "Reports", record.Look}}},
	{"Workshop", []menuPage{{"/coating", "Coating", record.Look}, {"/parts", "Parts", record.Look}, {"/books", "Books", record.Look}}},
	{"Collector", []menuPage{
		{"/settings", "How you read", record.Look},
		{"/messages", "Messages", record.Look},
		{"/readings-kept", "Readings kept", record.Look},
		{"/export", "Export", record.Work},
		{"/people", "People", record.Run},
		{"/erase", "Erase an owner", record.Run},
		{"/audit", "What was done", record.Run},
	}},
}

// shows tells whether who looks may see a page.
func (f *sheet) shows(m *menuPage) bool {
	return f.Visitor.Role >= m.role && (f.signs || m.role < record.Run)
}

// groupLink leads to a group; Here is page on that page itself, true on the others
// of the group (WAI-ARIA 1.2, aria-current), else "".
type groupLink struct{ Href, Name, Here string }

// Menu are the groups for who looks.
func (f *sheet) Menu() (all []groupLink) {
	for _, g := range menu {
		link := groupLink{Name: f.locale.Say(g.name)}
		for i := range g.pages {
			m := &g.pages[i]
			switch {
			case !f.shows(m):
				continue
			case link.Href == "":
				link.Href = m.href
			}
			if f.path == m.href {
				link.Here = "true"
			}
		}
		if link.Href == f.path {
			link.Here = "page"
		}
		if link.Href != "" {
			all = append(all, link)
		}
	}
	return all
}

// besidePage are the pages of the group that a page is in.
type besidePage struct {
	Name  string
	Links []linkPage
}

// Beside are the pages of this page's group; nil where it is alone.
func (f *sheet) Beside() *besidePage {
	for _, g := range menu {
		p := besidePage{Name: f.locale.Say(g.name)}
		here := false
		for i := range g.pages {
			if m := &g.pages[i]; f.shows(m) {
				p.Links = append(p.Links, linkPage{m.href, f.locale.Say(m.name), f.path == m.href})
				here = here || f.path == m.href
			}
		}
		if here && len(p.Links) > 1 {
			return &p
		}
	}
	return nil
}

// ScriptWords is what scripts say, by the English of it.
func (f *sheet) ScriptWords() map[string]string {
	said := make(map[string]string)
	for _, text := range scriptTexts {
		if translated, ok := f.locale.Translated()[text]; ok {
			said[text] = translated
		}
	}
	return said
}

// Degrees and Kelvins are the units of temperatures and their differences.
func (f *sheet) Degrees() string { _, unit := f.locale.Temp(0); return unit }

// Kelvins is the unit of differences.
func (f *sheet) Kelvins() string { _, unit := f.locale.Warmth(0); return unit }

// Comma tells whether decimals stand behind one.
func (f *sheet) Comma() bool { return f.locale.Comma }

// page executes a template into memory, so that one that fails has sent
// nothing yet.
func (s *server) page(w http.ResponseWriter, r *http.Request, status int, name string, data interface{ put(sheet) }) error {
	reads := readsOf(r)
	data.put(sheet{visitorOf(r), r.URL.Path, s.cfg.Everybody == 0, reads.locale, reads.Theme})
	var b bytes.Buffer
	if err := s.pages[reads.locale.Language].ExecuteTemplate(&b, name, data); err != nil {
		return fmt.Errorf("write page %s: %w", name, err)
	}
	w.Header().Add("Vary", "Accept-Language")
	return send(w, r, status, "text/html; charset=utf-8", b.Bytes())
}

func (s *server) problemPage(w http.ResponseWriter, r *http.Request, p *problem) {
	lc, said := localeOf(r), *p
	said.Title, said.Fix = lc.Say(p.Title), lc.Say(p.Fix)
	if err := s.page(w, r, p.Status, "problem.html", &struct {
		sheet
		*problem
	}{problem: &said}); err != nil {
		s.cfg.Log.Error("request failed", "method", r.Method, "path", r.URL.Path, "error", err)
		p.write(w, r)
	}
}

// moment is an instant in words, with the exact one at hand.
type moment struct{ Text, UTC string }

// actPage is what a person should do, in words.
type actPage struct {
	Action, By string
	Late       bool
}
