// Package web serves the pages and the JSON API. It formats and never
// computes: every number comes from package view, every word that depends on
// what was found from the tables in words.go. Pages work without scripts; the
// script only makes a chart zoomable. Everything is answered from memory or
// the store, nothing is fetched from elsewhere.
package web

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/calendar"
	"dewpost/collector/door"
	"dewpost/collector/export"
	"dewpost/collector/importer"
	"dewpost/collector/paper"
	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Config is what the pages need. View, Ready, Metrics, and Door or Everybody
// must be set.
type Config struct {
	View    *view.View
	Ready   func(context.Context) error // nil when store and broker can be used
	Metrics http.Handler
	Log     *slog.Logger // nil: nothing is logged
	Door    *door.Door   // lets people and programs in

	// Release stores refused readings out of quarantine, on somebody's word;
	// nil: that can't be done here.
	Release func(ctx context.Context, ids []int64, author string) error

	Books books.FactStore  // what the workshop knows; nil: nothing
	Parts *books.Parts     // the shop's shelf; nil: there is none here
	Plans *books.Planner   // says who is first, and plans rounds; nil: nobody does here
	Now   func() time.Time // the collector's clock; nil: this machine's

	// Visits are visits and bench jobs; the zero value: there are none here.
	Visits books.Visits
	// Shelf tells what lies on it, for what goes along on a visit; nil: nothing.
	Shelf paper.Shelf
	// Calendars keeps the addresses of the calendar; nil: there is none here.
	Calendars calendar.Store

	// ImportReadings, ImportWeather and ImportForecast put logs into the record, on somebody's
	// word and by the collector's clock; nil: that can't be done here.
	ImportReadings func(ctx context.Context, station string, log importer.Log) (importer.Readings, error)
	ImportWeather  func(ctx context.Context, site string, source record.WeatherSource, replace bool, log importer.Log) (importer.Weather, error)
	ImportForecast func(ctx context.Context, site string, issued unit.Instant, log importer.Log) (importer.Forecast, error)

	Alarms books.Alarms // what people do with alarms; the zero value: nothing

	Export export.Source // what is exported from; nil: nothing
	// Importing takes what tables say of the books.
	Importing books.ImportStore
	Coating   books.CoatingStore // tells the air of stations; nil: only what was measured is judged
	Agents    books.OrderStore   // what agents say, and are told to do; nil: nothing
	Messages  *Messages          // who is told what; nil: nobody here
	Erasing   books.EraseStore   // erases owners; nil: nobody can be erased here

	// Changes tells by another text that something changed that pages show; nil:
	// pages are as old as their loading. Closing ends what waits for changes.
	Changes func(context.Context) (string, error)
	Closing <-chan struct{}

	// Everybody is a role that all visitors have, where nobody signs in.
	Everybody record.Role
	// Local says that only this machine can reach the pages: while there is no
	// account, everybody there may look, unless they come through a proxy.
	Local bool
	// Proxied says that requests come from a proxy, so that their address is
	// nobody's.
	Proxied bool
	// Names are host names by which people reach the pages, beside those of
	// this machine and IP addresses.
	Names []string
	// Pages is the address under which people reach the pages, as in
	// https://watch.example; "": links on paper and in calendars lead to where
	// whoever asks for them came.
	Pages string
}

// route is one pattern of the mux, for a method; GET takes HEAD too. A route
// that changes something takes POST only. All four must be given: there is no
// role that a route has by itself.
type route struct {
	method, path string
	role         record.Role
	handle       func(http.ResponseWriter, *http.Request) error
}

type server struct {
	cfg    Config
	static *static
	pages  map[string]*template.Template // by language
	mux    *http.ServeMux
	logs   *logs

	watchers watchers
}

//go:embed templates
var templates embed.FS

// New makes the handler of all pages and of the API. Whoever serves it sets
// time limits. Only requests for a loopback name, an IP address or one of
// Config.Names are answered, so that no foreign page can reach it through a
// name of its own.
func New(cfg Config) (http.Handler, error) {
	if cfg.View == nil || cfg.Ready == nil || cfg.Metrics == nil || cfg.Door == nil && cfg.Everybody == 0 {
		return nil, errors.New("pages: View, Ready, Metrics, and Door or Everybody must be set")
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	from, err := made()
	if err != nil {
		return nil, err
	}
	s := &server{cfg: cfg, static: from.static, pages: from.pages, mux: http.NewServeMux(), logs: newLogs()}
	s.watchers.changes = cfg.Changes
	for _, r := range s.routes() {
		if err := r.check(); err != nil {
			return nil, err
		}
		s.mux.Handle(r.method+" "+r.path, s.answer(r))
	}
	s.mux.Handle("/", s.answer(route{role: record.Public, path: "/", handle: s.noSuchPage}))
	return s.secure(s.known(s.readable(s.mux))), nil
}

// material is what pages are made of: the same for all handlers of a program.
type material struct {
	static *static
	pages  map[string]*template.Template // by language
}

var made = sync.OnceValues(func() (*material, error) {
	files, err := newStatic()
	if err != nil {
		return nil, fmt.Errorf("read static files: %w", err)
	}
	pages := make(map[string]*template.Template)
	for _, code := range words.Languages() {
		if pages[code], err = parsePages(code, files); err != nil {
			return nil, fmt.Errorf("read templates, %s: %w", code, err)
		}
	}
	return &material{files, pages}, nil
})

// parsePages reads all templates in a language.
func parsePages(code string, files *static) (*template.Template, error) {
	locale, _ := words.In(code)
	pages := template.New("").Funcs(template.FuncMap{
		"static": files.url,
		"entries": func(id, title string, items []visitEntryPage) visitEntriesPage {
			return visitEntriesPage{id, locale.Say(title), items}
		},
	})
	names, err := fs.Glob(templates, "templates/*.html")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		source, err := fs.ReadFile(templates, name)
		if err != nil {
			return nil, err
		}
		said := translate(string(source), func(sentence string) string { return cmp.Or(locale.Translated()[sentence], sentence) })
		if _, err := pages.New(path.Base(name)).Parse(said); err != nil {
			return nil, err
		}
	}
	return pages, nil
}

// check refuses a route that would be open by mistake.
func (r *route) check() error {
	if r.method != http.MethodGet && r.method != http.MethodPost || r.role < record.Public || r.role > record.Run || r.handle == nil {
		return fmt.Errorf("route %s %s: needs GET or POST, a role and a handler", r.method, r.path)
	}
	return nil
}

// Route is one pattern that is served, and who may ask for it.
type Route struct {
	Method, Path string
	Role         record.Role
}

// Routes returns everything that is served.
func Routes() []Route {
	var all []Route
	for _, r := range (&server{}).routes() {
		all = append(all, Route{r.method, r.path, r.role})
	}
	return all
}

func (s *server) routes() []route {
	const get, post = http.MethodGet, http.MethodPost
	return []route{
		{get, "/{$}", record.Look, s.today},
		{get, "/live", record.Look, s.live},
		{get, "/stations/{id}", record.Look, s.card},
		{get, "/stations/{id}/ahead", record.Look, s.ahead},
		{get, "/stations/{id}/series", record.Look, s.series},
		{get, "/stations/{id}/series.csv", record.Look, s.seriesCSV},
		{get, "/stations/{id}/agent", record.Look, s.withAgents(s.agent)},
		{post, "/stations/{id}/orders", record.Work, s.withAgents(s.order)},
		{post, "/stations/{id}/check-salt", record.Work, s.withBooks(s.checkSalt)},
		{get, "/stations/{id}/import", record.Work, s.importPage},
		{post, "/stations/{id}/import", record.Work, s.importLook},
		{post, "/stations/{id}/import/store", record.Work, s.importStore},
		{get, "/stations/{id}/label.pdf", record.Look, s.withVisits(s.label)},
		{get, "/sign-in", record.Public, s.withDoor(s.signIn)},
		{post, "/sign-in", record.Public, s.withDoor(s.doSignIn)},
		{get, "/first", record.Public, s.withDoor(s.first)},
		{post, "/first", record.Public, s.withDoor(s.doFirst)},
		{post, "/sign-out", record.Look, s.withDoor(s.signOut)},
		{get, "/password", record.Look, s.withDoor(s.password)},
		{post, "/password", record.Look, s.withDoor(s.doPassword)},
		{get, "/people", record.Run, s.withDoor(s.people)},
		{post, "/people", record.Run, s.withDoor(s.addPerson)},
		{post, "/people/role", record.Run, s.withDoor(s.setRole)},
		{post, "/people/password", record.Run, s.withDoor(s.setPassword)},
		{post, "/people/remove", record.Run, s.withDoor(s.removePerson)},
		{post, "/people/tokens", record.Run, s.withDoor(s.addToken)},
		{post, "/people/tokens/revoke", record.Run, s.withDoor(s.revokeToken)},
		{get, "/settings", record.Look, s.settings},
		{post, "/settings", record.Look, s.keepReads},
		{get, "/export", record.Work, s.withExport(s.export)},
		{get, "/erase", record.Run, s.withErasing(s.erase)},
		{post, "/erase", record.Run, s.withErasing(s.postErase)},
		{post, "/erase/finish", record.Run, s.withErasing(s.finishErase)},
		{get, "/audit", record.Run, s.withDoor(s.audit)},
		{get, "/messages", record.Look, s.withMessages(s.messages)},
		{post, "/messages", record.Run, s.withMessages(s.postPerson)},
		{post, "/messages/remove", record.Run, s.withMessages(s.removeWhom)},
		{post, "/messages/try", record.Run, s.withMessages(s.tryPerson)},
		{get, "/seen/{token}", record.Public, s.withMessages(s.seen)},
		{post, "/seen/{token}", record.Public, s.withMessages(s.postSeen)},
		{get, "/readings-kept", record.Look, s.kept},
		{post, "/readings-kept/release", record.Work, s.release},
		{get, "/books", record.Look, s.withBooks(s.books)},
		{post, "/books", record.Work, s.withBooks(s.addBook)},
		{get, "/books/{kind}/{id}", record.Look, s.withBooks(s.book)},
		{post, "/books/{kind}/{id}", record.Work, s.withBooks(s.doSay)},
		{get, "/calendar", record.Work, s.withCalendar(s.calendars)},
		{post, "/calendar", record.Work, s.withCalendar(s.addCalendar)},
		{post, "/calendar/revoke", record.Work, s.withCalendar(s.revokeCalendar)},
		{get, "/calendar/{secret}", record.Public, s.withCalendar(s.calendarFeed)},
		{get, "/coating", record.Look, s.coating},
		{get, "/exposure", record.Look, s.exposure},
		{get, "/alarms", record.Look, s.withAlarms(s.alarms)},
		{post, "/alarms/see", record.Work, s.withAlarms(s.seeAlarm)},
		{post, "/alarms/see-ended", record.Work, s.withAlarms(s.seeEndedAlarms)},
		{post, "/alarms/reset", record.Work, s.withAlarms(s.resetAlarm)},
		{post, "/alarms/put-aside", record.Work, s.withAlarms(s.putAlarmAside)},
		{post, "/alarms/bring-back", record.Work, s.withAlarms(s.bringAlarmBack)},
		{post, "/alarms/out-of-service", record.Work, s.withAlarms(s.takeAlarmsOut)},
		{post, "/alarms/in-service", record.Work, s.withAlarms(s.takeAlarmsIn)},
		{get, "/alarms/quality", record.Look, s.withAlarms(s.alarmQuality)},
		{get, "/plan", record.Look, s.withPlans(s.plan)},
		{post, "/plan/wish", record.Work, s.withPlans(s.postWish)},
		{get, "/plan/round", record.Look, s.withPlans(s.round)},
		{post, "/plan/round", record.Work, s.withPlans(s.postRound)},
		{post, "/plan/round/stop", record.Work, s.withPlans(s.stopRound)},
		{post, "/plan/round/take", record.Work, s.withPlans(s.postTake)},
		{post, "/plan/book", record.Work, s.withPlans(s.postBooking)},
		{post, "/plan/unbook", record.Work, s.withPlans(s.postUnbook)},
		{post, "/plan/settings", record.Work, s.withPlans(s.postSettings)},
		{post, "/plan/legs", record.Work, s.withPlans(s.postLegs)},
		{get, "/parts", record.Look, s.withShelf(s.shelf)},
		{get, "/parts/{part}", record.Look, s.withShelf(s.shelfKind)},
		{post, "/parts/use", record.Work, s.withShelf(s.shelfMove(record.PartUsed))},
		{post, "/parts/receive", record.Work, s.withShelf(s.shelfMove(record.PartReceived))},
		{post, "/parts/count", record.Work, s.withShelf(s.shelfMove(record.PartCounted))},
		{post, "/parts/reserve", record.Work, s.withShelf(s.shelfReserve)},
		{post, "/parts/release", record.Work, s.withShelf(s.shelfRelease)},
		{get, "/visits", record.Look, s.withVisits(s.visits)},
		{post, "/visits", record.Work, s.withVisits(s.addVisit)},
		{post, "/visits/symptom", record.Work, s.withVisits(s.addSymptom)},
		{get, "/visits/load.pdf", record.Work, s.withVisits(s.loadList)},
		{get, "/visits/offline.js", record.Public, s.offline},
		{get, "/visits/{n}/after", record.Work, s.withVisits(s.after)},
		{get, "/visits/{n}/card", record.Work, s.withVisits(s.jobCardPage)},
		{get, "/visits/{n}/card.pdf", record.Work, s.withVisits(s.jobCard)},
		{get, "/visits/{n}", record.Look, s.withVisits(s.visit)},
		{post, "/visits/{n}/state", record.Work, s.withVisits(s.setVisitState)},
		{post, "/visits/{n}/findings", record.Work, s.withVisits(s.addFindings)},
		{post, "/visits/{n}/outcome", record.Work, s.withVisits(s.addOutcome)},
		{post, "/visits/{n}/work", record.Work, s.withVisits(s.addWork)},
		{post, "/visits/{n}/parts", record.Work, s.withVisits(s.useVisitPart)},
		{post, "/visits/{n}/photos", record.Work, s.withVisits(s.addPhoto)},
		{get, "/visits/{n}/photos/{photo}", record.Look, s.withVisits(s.visitPhoto)},
		{post, "/visits/{n}/card", record.Work, s.withVisits(s.addCard)},
		{post, "/visits/{n}/jar", record.Work, s.withVisits(s.addJar)},
		{get, "/reports", record.Look, s.withVisits(s.reports)},
		{get, "/report.pdf", record.Look, s.withVisits(s.report)},
		{get, "/static/{hash}/{name}", record.Public, s.static.serve},
		{get, "/api/v1/stations", record.Look, s.apiStations},
		{get, "/api/v1/stations/{id}", record.Look, s.apiStation},
		{get, "/api/v1/stations/{id}/readings", record.Look, s.apiReadings},
		{post, "/api/v1/stations/{id}/readings", record.Work, s.apiImportReadings},
		{get, "/api/v1/stations/{id}/hours", record.Look, s.apiHours},
		{get, "/api/v1/stations/{id}/breathing", record.Look, s.apiBreathing},
		{get, "/api/v1/stations/{id}/outlook", record.Look, s.apiOutlook},
		{get, "/api/v1/stations/{id}/ahead", record.Look, s.apiAhead},
		{get, "/api/v1/stations/{id}/comparison", record.Look, s.apiComparison},
		{get, "/api/v1/stations/{id}/findings", record.Look, s.apiFindings},
		{get, "/api/v1/stations/{id}/agent", record.Look, s.withAgents(s.apiAgent)},
		{get, "/api/v1/stations/{id}/orders", record.Look, s.withAgents(s.apiOrders)},
		{post, "/api/v1/stations/{id}/orders", record.Work, s.withAgents(s.apiOrder)},
		{get, "/api/v1/stations/{id}/salt-checks", record.Look, s.withBooks(s.apiSaltChecks)},
		{post, "/api/v1/stations/{id}/salt-checks", record.Work, s.withBooks(s.apiCheckSalt)},
		{get, "/api/v1/stations/{id}/symptoms", record.Look, s.withVisits(s.apiSymptoms)},
		{post, "/api/v1/stations/{id}/symptoms", record.Work, s.withVisits(s.apiAddSymptom)},
		{get, "/api/v1/stations/{id}/baselines", record.Look, s.withVisits(s.apiBaselines)},
		{get, "/api/v1/visits", record.Look, s.withVisits(s.apiVisits)},
		{post, "/api/v1/visits", record.Work, s.withVisits(s.apiAddVisit)},
		{get, "/api/v1/visits/{n}", record.Look, s.withVisits(s.apiVisit)},
		{post, "/api/v1/visits/{n}", record.Work, s.withVisits(s.apiAddToVisit)},
		{get, "/api/v1/visits/{n}/card", record.Look, s.withVisits(s.apiCard)},
		{post, "/api/v1/visits/{n}/photos", record.Work, s.withVisits(s.apiAddPhoto)},
		{get, "/api/v1/visits/{n}/photos/{photo}", record.Look, s.withVisits(s.visitPhoto)},
		{get, "/api/v1/alarms", record.Look, s.apiAlarms},
		{get, "/api/v1/alarms/quality", record.Look, s.withAlarms(s.apiAlarmQuality)},
		{get, "/api/v1/alarms/put-aside", record.Look, s.withAlarms(s.apiHolds)},
		{get, "/api/v1/alarms/{alarm}", record.Look, s.withAlarms(s.apiAlarm)},
		{post, "/api/v1/alarms/{alarm}/see", record.Work, s.withAlarms(s.apiSeeAlarm)},
		{post, "/api/v1/alarms/{alarm}/reset", record.Work, s.withAlarms(s.apiResetAlarm)},
		{post, "/api/v1/alarms/{alarm}/put-aside", record.Work, s.withAlarms(s.apiPutAlarmAside)},
		{post, "/api/v1/alarms/{alarm}/bring-back", record.Work, s.withAlarms(s.apiBringAlarmBack)},
		{post, "/api/v1/alarms/{alarm}/out-of-service", record.Work, s.withAlarms(s.apiTakeAlarmsOut)},
		{post, "/api/v1/alarms/{alarm}/in-service", record.Work, s.withAlarms(s.apiTakeAlarmsIn)},
		{get, "/api/v1/life", record.Look, s.apiLife},
		{get, "/api/v1/messages", record.Look, s.withMessages(s.apiMessages)},
		{get, "/api/v1/messages/people", record.Run, s.withMessages(s.apiWhom)},
		{post, "/api/v1/watched", record.Public, s.withMessages(s.apiCalled)},
		{get, "/api/v1/coating", record.Look, s.apiCoating},
		{get, "/api/v1/exposure", record.Look, s.apiExposure},
		{get, "/api/v1/sites", record.Look, s.apiSites},
		{get, "/api/v1/owners", record.Look, s.apiBook(fact.KindOwner)},
		{get, "/api/v1/lines", record.Look, s.apiBook(fact.KindLine)},
		{get, "/api/v1/sensors", record.Look, s.apiBook(fact.KindSensor)},
		{get, "/api/v1/{kind}/{id}/facts", record.Look, s.withBooks(s.apiFacts)},
		{post, "/api/v1/{kind}/{id}/facts", record.Work, s.withBooks(s.apiSay)},
		{get, "/api/v1/plan", record.Look, s.withPlans(s.apiPlanSaid)},
		{get, "/api/v1/plan/needs", record.Look, s.withPlans(s.apiNeeds)},
		{get, "/api/v1/plan/round", record.Look, s.withPlans(s.apiRound)},
		{post, "/api/v1/plan/round", record.Work, s.withPlans(s.apiStartRound)},
		{post, "/api/v1/plan/round/stop", record.Work, s.withPlans(s.apiStopRound)},
		{post, "/api/v1/plan/round/take", record.Work, s.withPlans(s.apiTakeRound)},
		{post, "/api/v1/plan/settings", record.Work, s.withPlans(s.apiSettlePlan)},
		{post, "/api/v1/plan/wishes", record.Work, s.withPlans(s.apiWish)},
		{post, "/api/v1/plan/bookings", record.Work, s.withPlans(s.apiBooking)},
		{post, "/api/v1/plan/bookings/{n}/remove", record.Work, s.withPlans(s.apiUnbook)},
		{post, "/api/v1/plan/legs", record.Work, s.withPlans(s.apiLegs)},
		{get, "/api/v1/parts", record.Look, s.withShelf(s.apiParts)},
		{get, "/api/v1/parts/{part}", record.Look, s.withShelf(s.apiPart)},
		{get, "/api/v1/parts/{part}/can-make", record.Look, s.withShelf(s.apiCanMake)},
		{post, "/api/v1/parts/kinds", record.Work, s.withShelf(s.apiPutKind)},
		{post, "/api/v1/parts/moves", record.Work, s.withShelf(s.apiMovePart)},
		{get, "/api/v1/parts/reservations", record.Look, s.withShelf(s.apiReservations)},
		{post, "/api/v1/parts/reservations", record.Work, s.withShelf(s.apiReserve)},
		{post, "/api/v1/parts/reservations/{n}/release", record.Work, s.withShelf(s.apiReleaseReservation)},
		{get, "/api/v1/parts/recipes", record.Look, s.withShelf(s.apiRecipes)},
		{post, "/api/v1/parts/recipes", record.Work, s.withShelf(s.apiPutRecipe)},
		{post, "/api/v1/parts/recipes/{recipe}/make", record.Work, s.withShelf(s.apiMakePart)},
		{get, "/api/v1/sites/{id}/weather", record.Look, s.apiWeather},
		{post, "/api/v1/sites/{id}/weather", record.Work, s.apiImportWeather},
		{post, "/api/v1/sites/{id}/forecasts", record.Work, s.apiImportForecast},
		{get, "/api/v1/export", record.Work, s.withExport(s.apiExports)},
		{get, "/api/v1/export/{what}", record.Work, s.withExport(s.apiExport)},
		{post, "/api/v1/import/{what}", record.Work, s.apiImport},
		{get, "/api/v1/erasures", record.Run, s.withErasing(s.apiErasures)},
		{post, "/api/v1/erasures", record.Run, s.withErasing(s.apiErase)},
		{get, "/api/v1/audit", record.Run, s.withDoor(s.apiAudit)},
		{get, "/api/v1/quarantine", record.Look, s.apiQuarantine},
		{get, "/api/v1/openapi.json", record.Look, s.openAPI},
		{get, "/healthz", record.Public, healthy},
		{get, "/readyz", record.Public, s.ready},
		{get, "/metrics", record.Look, s.metrics},
	}
}

// contentPolicy lets a page use what this server serves and nothing else.
// Drawings carry their own colours by class, so no inline style is needed.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; " +
	"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// strictTransport makes a browser come back by TLS only, for a year (OWASP ASVS
// 5.0 3.4.1). Hosts below this one's name are others' business.
const strictTransport = "max-age=31536000"

// secure sets the headers that every answer carries and turns away what comes
// from a foreign page.
func (s *server) secure(next http.Handler) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, &problem{
			Status: http.StatusForbidden, Title: "This comes from another site's page",
			Field: "Origin", Value: r.Header.Get("Origin"), Fix: "use the forms on the pages of this server; a proxy in front must pass on Host",
		})
	}))
	guarded := guard.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", strictTransport)
		}
		guarded.ServeHTTP(w, r)
	})
}

// known refuses foreign host names.
func (s *server) known(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.ours(r.Host) {
			next.ServeHTTP(w, r)
			return
		}
		s.fail(w, r, &problem{
			Status: http.StatusMisdirectedRequest, Title: "This server has no such name",
			Field: "Host", Value: r.Host, Fix: "use localhost, an IP address or a name in tls.names of the config",
		})
	})
}

// readable refuses addresses that hold what is no text: of the engines of a store
// one looks for it and finds nothing, and the other fails.
func (s *server) readable(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p := &problem{Status: http.StatusNotFound, Title: "There is nothing at this address", Field: "path", Value: r.URL.Path, Fix: notText}
		if books.IsText(r.URL.Path) {
			p = noise(r.URL.Query())
		}
		if p == nil {
			next.ServeHTTP(w, r)
			return
		}
		s.fail(w, r, p)
	})
}

// noise says which parameter is no text; nil: all are.
func noise(of url.Values) *problem {
	for _, name := range slices.Sorted(maps.Keys(of)) {
		for _, value := range of[name] {
			if !books.IsText(name) || !books.IsText(value) {
				return &problem{Status: http.StatusBadRequest, Title: "A parameter is wrong", Field: name, Value: value, Fix: notText}
			}
		}
	}
	return nil
}

const notText = "use text in UTF-8"

// ours tells whether host (with or without port) is a loopback name, an
// address, or one of the names of the config.
func (s *server) ours(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	if host == "localhost" || strings.HasSuffix(host, ".localhost") {
		return true
	}
	if _, err := netip.ParseAddr(strings.Trim(host, "[]")); err == nil {
		return true
	}
	return slices.ContainsFunc(s.cfg.Names, func(name string) bool { return name != "" && strings.EqualFold(name, host) })
}

// answer lets a visitor through to a route's handler, which writes nothing when
// it fails.
func (s *server) answer(route route) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, route.bodyMost())
		var v visitor
		if route.role != record.Public || isPage(r.URL.Path) {
			var err error
			if v, err = s.visitor(r); err != nil && route.role != record.Public {
				s.fail(w, r, err)
				return
			}
			r = withVisitor(r, v)
		}
		if !strings.HasPrefix(r.URL.Path, "/api/") {
			r = withReads(r, v)
		}
		err := admit(v, route.role)
		if err == nil && route.method == http.MethodPost {
			err = fromHere(r)
		}
		if errors.Is(err, errSignIn) {
			s.refuse(w, r)
			return
		}
		if v.Name != "" && s.cfg.Everybody == 0 && route.role != record.Public {
			// Nothing that took a role is left in a cache for the next person
			// (OWASP ASVS 5.0 14.3.2).
			w.Header().Set("Cache-Control", "no-store")
		}
		if err == nil {
			err = route.handle(w, r)
		}
		if err != nil {
			s.fail(w, r, err)
		}
	})
}

// fail decides what a person or a program sees of an error. Details of what
// went wrong inside go to the log only.
func (s *server) fail(w http.ResponseWriter, r *http.Request, err error) {
	var p *problem
	switch {
	case errors.As(err, &p):
	case errors.Is(err, record.ErrNotFound):
		p = &problem{
			Status: http.StatusNotFound, Title: "There is no such station",
			Field: "id", Value: r.PathValue("id"), Fix: "take an id from /api/v1/stations",
		}
		if isPage(r.URL.Path) {
			p.Fix = "choose one on the page Today"
		}
	case r.Context().Err() != nil:
		return // whoever asked is gone
	default:
		s.cfg.Log.Error("request failed", "method", r.Method, "path", r.URL.Path, "error", err)
		p = &problem{
			Status: http.StatusInternalServerError, Title: "Something went wrong in the collector",
			Fix: "look at its log, then try again",
		}
	}
	if p.challenge != "" {
		w.Header().Set("WWW-Authenticate", p.challenge)
	}
	if isPage(r.URL.Path) {
		s.problemPage(w, r, p)
		return
	}
	p.write(w, r)
}

// isPage tells whether a path is for people.
func isPage(path string) bool {
	for _, prefix := range []string{"/api/", "/healthz", "/readyz", "/metrics", "/static/", "/live"} {
		if strings.HasPrefix(path, prefix) {
			return false
		}
	}
	return !strings.HasSuffix(path, "/series") && !strings.HasSuffix(path, "/series.csv")
}

// noSuchPage is for what no route takes: an unknown path, or a known one with
// another method.
func (s *server) noSuchPage(w http.ResponseWriter, r *http.Request) error {
	var takes []string
	tried := map[string]bool{}
	for _, route := range Routes() {
		if tried[route.Method] {
			continue
		}
		tried[route.Method] = true
		other := r.Clone(r.Context())
		other.Method = route.Method
		if _, pattern := s.mux.Handler(other); pattern != "/" {
			takes = append(takes, route.Method)
			if route.Method == http.MethodGet {
				takes = append(takes, http.MethodHead)
			}
		}
	}
	if len(takes) > 0 {
		allow := strings.Join(takes, ", ")
		w.Header().Set("Allow", allow)
		return &problem{
			Status: http.StatusMethodNotAllowed, Title: "This can't be done here",
			Field: "method", Value: r.Method, Fix: "use " + allow,
		}
	}
	return &problem{
		Status: http.StatusNotFound, Title: "There is nothing at this address",
		Field: "path", Value: r.URL.Path, Fix: "begin at / or at /api/v1/openapi.json",
	}
}

func healthy(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Cache-Control", "no-store")
	return send(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte("ok\n"))
}

func (s *server) ready(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Cache-Control", "no-store")
	if err := s.cfg.Ready(r.Context()); err != nil {
		s.cfg.Log.Warn("not ready", "error", err)
		return &problem{
			Status: http.StatusServiceUnavailable, Title: "The collector is not ready",
			Fix: "look at its log: the store or the broker can't be used",
		}
	}
	return send(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte("ready\n"))
}

func (s *server) metrics(w http.ResponseWriter, r *http.Request) error {
	s.cfg.Metrics.ServeHTTP(w, r)
	return nil
}

// worthPacking is the size from which an answer is compressed, in bytes.
const worthPacking = 1 << 10

// send writes a whole answer, compressed when that is asked for and worth it.
func send(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) error {
	h := w.Header()
	h.Set("Content-Type", contentType)
	h.Add("Vary", "Accept-Encoding")
	if h.Get("Cache-Control") == "" {
		h.Set("Cache-Control", "no-cache")
	}
	if len(body) >= worthPacking && acceptsGzip(r) {
		packed, err := pack(body, gzip.DefaultCompression)
		if err != nil {
			return err
		}
		h.Set("Content-Encoding", "gzip")
		body = packed
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if r.Method == http.MethodHead {
		return nil
	}
	// Once the header is out, a broken connection is all that can go wrong,
	// and there is nobody left to tell.
	_, _ = w.Write(body)
	return nil
}

func pack(body []byte, level int) ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, level)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(body); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func acceptsGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		coding, quality, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.TrimSpace(coding) != "gzip" {
			continue
		}
		q, found := strings.CutPrefix(strings.TrimSpace(quality), "q=")
		weight, err := strconv.ParseFloat(q, 64)
		return !found || err == nil && weight > 0
	}
	return false
}
