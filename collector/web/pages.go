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
func (f *sheet) Lang() string { return f.locale.Code }

// Theme is light or dark where the person chose one, else "".
func (f *sheet) Theme() string { return f.theme }

type linkPage struct {
	Href, Name string
	Here       bool
}

// menu are the pages that every page leads to, with who may see them.
var menu = []struct {
	href, name string
	role       record.Role
}{
	{"/", "Today", record.Look},
	{"/alarms", "Needs a person", record.Look},
	{"/plan", "Who first", record.Look},
	{"/plan/round", "Round", record.Look},
	{"/visits", "Visits", record.Look},
	{"/exposure", "Exposure", record.Look},
	{"/books", "Books", record.Look},
	{"/parts", "Parts", record.Look},
	{"/coating", "Coating", record.Look},
	{"/reports", "Reports", record.Look},
	{"/calendar", "Calendar", record.Work},
	{"/messages", "Messages", record.Look},
	{"/readings-kept", "Readings kept", record.Look},
	{"/export", "Export", record.Work},
	{"/people", "People", record.Run},
	{"/erase", "Erase an owner", record.Run},
	{"/audit", "What was done", record.Run},
}

// Links are those of the menu for who looks.
func (f *sheet) Links() []linkPage {
	var all []linkPage
	for _, m := range menu {
		if f.Visitor.Role >= m.role && (f.signs || m.role < record.Run) {
			all = append(all, linkPage{m.href, f.locale.Say(m.name), f.path == m.href})
		}
	}
	return all
}

// page executes a template into memory, so that one that fails has sent
// nothing yet.
func (s *server) page(w http.ResponseWriter, r *http.Request, status int, name string, data interface{ put(sheet) }) error {
	reads := readsOf(r)
	data.put(sheet{visitorOf(r), r.URL.Path, s.cfg.Everybody == 0, reads.locale, reads.Theme})
	var b bytes.Buffer
	if err := s.pages[reads.locale.Code].ExecuteTemplate(&b, name, data); err != nil {
		return fmt.Errorf("write page %s: %w", name, err)
	}
	return send(w, r, status, "text/html; charset=utf-8", b.Bytes())
}

func (s *server) problemPage(w http.ResponseWriter, r *http.Request, p *problem) {
	if err := s.page(w, r, p.Status, "problem.html", &struct {
		sheet
		*problem
	}{problem: p}); err != nil {
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
