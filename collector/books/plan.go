package books

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/life"
	"dewpost/rules/need"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// PlanStore is what plans are made of and where wishes about them are kept.
type PlanStore interface {
	VisitStore
	PartStore
	Stations(ctx context.Context) ([]record.Station, error)
	Latest(ctx context.Context) (map[string]unit.Instant, error)
	Hours(ctx context.Context, station string, from, to unit.Instant) ([]exposure.Hour, error)
	Occurrences(ctx context.Context, station string) ([]alarm.Occurrence, error)
	FactsOf(ctx context.Context, kind string) ([]fact.Fact, error)
	Looks(ctx context.Context) (map[string][]life.Look, error)
	Forecast(ctx context.Context, site string, issued, from, to unit.Instant) ([]record.ForecastHour, error)
	PlanBooks(ctx context.Context) (record.PlanBooks, error)
	PutPlanSettings(ctx context.Context, settings map[string]string, at unit.Instant, author string) error
	PutWish(ctx context.Context, w record.PlanWish) error
	AddBooking(ctx context.Context, k record.Booking) (id int64, err error)
	RemoveBooking(ctx context.Context, id int64, at unit.Instant, author string) error
	PutLegs(ctx context.Context, legs []record.Leg, at unit.Instant, author string) error
}

// Planner says which station first, and plans rounds. It is safe for concurrent
// use.
type Planner struct {
	store PlanStore

	mu      sync.Mutex
	clocks  map[string]clocksOf // by station, as of a day
	looks   []life.Look         // of which lessons were made
	lessons *life.Lessons
	job     planJob
}

// NewPlanner plans with what store holds.
func NewPlanner(store PlanStore) *Planner {
	return &Planner{store: store, clocks: make(map[string]clocksOf)}
}

// clocksOf is what a station's ledger says of its two clocks and its seasons.
// Both go slowly: once a day is enough, and when facts, findings or what looks
// taught changed.
type clocksOf struct {
	day     unit.Instant
	facts   int
	found   int
	lessons *life.Lessons
	cover   life.Cover
	board   life.Board
	use     float64 // share of the board's budget a week, at this season
	season  float64
}

// PartToLoad is a kind of part that a visit may want.
type PartToLoad struct {
	Class         string `json:"class"`
	Kind          string `json:"kind"` // "": the shelf's books name none of that class that fits
	Name          string `json:"name"`
	Unit          string `json:"unit"`
	Irreplaceable bool   `json:"irreplaceable"`
	Needed        bool   `json:"needed"`   // going there doesn't help without it
	Held          int64  `json:"held"`     // reserved for this station, and there
	Free          int64  `json:"free"`     // that nobody has
	Makeable      int64  `json:"makeable"` // that can be made up from what nobody has, up to 99
}

// OpenVisit is a visit that somebody planned already.
type OpenVisit struct {
	Visit   int64       `json:"visit"`
	Kind    bench.Kind  `json:"kind"`
	State   bench.State `json:"state"`
	Planned *string     `json:"planned"` // date
}

// agreed tells whether somebody of the workshop is awaited there.
func (v OpenVisit) agreed() bool { return v.Kind == bench.OnSite && v.State == bench.Agreed }

// StationNeed is a row of the need list.
type StationNeed struct {
	Station  string `json:"station"`
	Name     string `json:"name"`
	Site     string `json:"site"`
	SiteName string `json:"site_name"`

	need.Need

	Cause    bool         `json:"cause"`   // something is known to be done there
	Minutes  int          `json:"minutes"` // of work there, at least
	Dry      bool         `json:"dry"`     // the box is opened: it wants dry weather
	Coats    bool         `json:"coats"`   // the board wants coating
	Parts    []PartToLoad `json:"parts"`
	Suggest  need.Visit   `json:"suggest"`
	DriveMin *float64     `json:"drive_min"` // one way from the workshop; null: not known
	Open     []OpenVisit  `json:"open_visits"`
	Wish     string       `json:"wish"` // of a person, for the next round: on, in, out; ""
	WishDay  *string      `json:"wish_day"`
	Missing  []string     `json:"missing"` // facts that somebody should record, and settings, since the need would be known better

	facts  map[string]string // of the site
	right  unit.Instant      // when it was last put right; 0: never
	model  string
	causes []CauseFile
}

// Needs returns every station in service by what a week of waiting costs, the
// dearest first.
func (p *Planner) Needs(ctx context.Context, now unit.Instant) ([]StationNeed, error) {
	r, err := p.read(ctx, now)
	if err != nil {
		return nil, err
	}
	return p.needs(ctx, r, now)
}

// said is all that is read once for a list or a plan.
type said struct {
	record.PlanBooks
	set   *settings
	shop  *shop
	shelf *Shelf
	held  map[[2]string]int64         // of the shelf, by kind and station
	kinds map[[2]string][]*KindStands // of the shelf, by class and model, as they were asked for
	wish  map[string]record.PlanWish  // by station
	heard map[string]unit.Instant
	sites map[string]map[string]string // facts by site
	asked map[string][]fact.Fact
	legs  map[[2]string]record.Leg

	lessons *life.Lessons
}

func (p *Planner) read(ctx context.Context, now unit.Instant) (*said, error) {
	r := &said{
		sites: make(map[string]map[string]string), asked: make(map[string][]fact.Fact), legs: make(map[[2]string]record.Leg),
		held: make(map[[2]string]int64), kinds: make(map[[2]string][]*KindStands), wish: make(map[string]record.PlanWish),
	}
	var err error
	if r.PlanBooks, err = p.store.PlanBooks(ctx); err != nil {
		return nil, err
	}
	if r.set, err = p.settings(ctx, r.Settings, now); err != nil {
		return nil, err
	}
	for _, l := range r.Legs {
		r.legs[[2]string{l.From, l.To}] = l
	}
	for _, w := range r.Wishes {
		r.wish[w.Station] = w
	}
	if r.shop, err = NewParts(p.store).shop(ctx, now); err != nil {
		return nil, err
	}
	r.shelf = r.shop.shelf()
	for i := range r.shelf.Reservations {
		v := &r.shelf.Reservations[i]
		r.held[[2]string{v.Kind, v.Station}] += v.Held
	}
	if r.lessons, err = p.learned(ctx); err != nil {
		return nil, err
	}
	r.heard, err = p.store.Latest(ctx)
	return r, err
}

// learned returns what looks into all stations taught, the same as before while
// there are no others; nil where nobody has looked yet.
func (p *Planner) learned(ctx context.Context) (*life.Lessons, error) {
	by, err := p.store.Looks(ctx)
	if err != nil {
		return nil, err
	}
	var all []life.Look
	for _, id := range slices.Sorted(maps.Keys(by)) {
		all = append(all, by[id]...)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if !slices.Equal(all, p.looks) {
		p.looks, p.lessons = all, life.Learn(all)
	}
	return p.lessons, nil
}

func (p *Planner) needs(ctx context.Context, r *said, now unit.Instant) ([]StationNeed, error) {
	stations, err := p.store.Stations(ctx)
	if err != nil {
		return nil, err
	}
	list := []StationNeed{}
	for _, s := range stations {
		if s.Retired != 0 {
			continue
		}
		n, err := p.need(ctx, r, s.ID, now)
		if err != nil {
			return nil, fmt.Errorf("judge the need of %s: %w", s.ID, err)
		}
		list = append(list, *n)
	}
	slices.SortStableFunc(list, func(a, b StationNeed) int {
		return cmp.Or(cmp.Compare(b.LossH, a.LossH), cmp.Compare(a.Station, b.Station))
	})
	return list, nil
}

// siteOf returns the facts of a site that hold now.
func (p *Planner) siteOf(ctx context.Context, r *said, id string, now unit.Instant) (map[string]string, error) {
	if facts, ok := r.sites[id]; ok {
		return facts, nil
	}
	all, err := p.store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: id})
	if err != nil {
		return nil, err
	}
	r.asked[id] = all
	facts := make(map[string]string)
	for _, f := range fact.Present(all, now) {
		facts[f.Name] = f.Value
	}
	r.sites[id] = facts
	return facts, nil
}

func (p *Planner) need(ctx context.Context, r *said, id string, now unit.Instant) (*StationNeed, error) {
	own, err := p.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: id})
	if err != nil {
		return nil, err
	}
	present := make(map[string]string)
	for _, f := range fact.Present(own, now) {
		present[f.Name] = f.Value
	}
	n := &StationNeed{Station: id, Name: cmp.Or(present[fact.Name], id), Site: present[fact.Site], Parts: []PartToLoad{}, Open: []OpenVisit{}, Missing: []string{}}
	if n.Site == fact.None {
		n.Site = ""
	}
	if n.facts, err = p.siteOf(ctx, r, n.Site, now); err != nil {
		return nil, err
	}
	n.SiteName, n.model = cmp.Or(n.facts[fact.Name], n.Site), present[fact.Model]
	occurrences, err := p.store.Occurrences(ctx, id)
	if err != nil {
		return nil, err
	}
	s := &need.Station{Now: now, Grade: present[fact.BoardGrade], Silent: -1}
	for i := range occurrences {
		if o := &occurrences[i]; o.Lasting() {
			s.Findings = append(s.Findings, o.Finding)
			n.causes = append(n.causes, CauseFile{o.Finding.Kind, o.Number})
		}
	}
	c, err := p.clocksOf(ctx, r, id, own, occurrences, now)
	if err != nil {
		return nil, err
	}
	s.Cover, s.Board, s.BoardUse, s.Season = c.cover, c.board, c.use, c.season
	if last, ok := r.heard[id]; ok {
		s.Silent = max(0, now.Sub(last))
	}
	if err := p.seen(ctx, n, s); err != nil {
		return nil, err
	}
	s.BoardOut, s.FaceOut = r.scarcity(id, "board", present[fact.Model]), r.scarcity(id, "face", present[fact.Model])
	n.Need = need.Of(s)
	job := need.JobOf(s)
	n.Cause = len(s.Findings)+len(s.Symptoms)+len(job.Needed) > 0
	n.Minutes, n.Dry, n.Coats = job.Minutes, job.Opens, job.Coats
	for _, class := range job.Classes {
		part := r.load(id, class, present[fact.Model])
		part.Needed = slices.Contains(job.Needed, class)
		n.Parts = append(n.Parts, part)
	}
	loan := r.loan(id, present[fact.Model])
	reach := need.Reach{Post: n.facts[fact.Reach] == "post", Loan: loan != nil}
	if drive, ok := r.drive(n.Site); ok {
		minutes := drive.Minutes()
		n.DriveMin, reach.Place, reach.OneWay, reach.Farther = &minutes, true, drive, drive > r.set.rangeOneWay
	} else if _, _, ok := r.place(n.Site); ok && n.Site != "" {
		reach.Place, reach.NoStart = true, true
	}
	if n.Suggest = need.Suggest(s, job, reach); n.Suggest.Loan {
		n.Parts = append(n.Parts, *loan)
	}
	if w, ok := r.wish[id]; ok && (w.Wish != record.OnDay || w.Day >= r.set.today(now)) && (w.Wish != record.InAny || n.right <= w.Recorded) {
		n.Wish, n.WishDay = string(w.Wish), orNil(w.Day)
	}
	n.Missing = append(append(n.Missing, c.cover.Missing...), c.board.Missing...)
	switch {
	case n.Site == "":
		n.Missing = append(n.Missing, fact.Site)
	case reach.Post:
	case reach.NoStart:
		n.Missing = append(n.Missing, "plan lat", "plan lon")
	case !reach.Place:
		n.Missing = append(n.Missing, "site "+fact.Lat, "site "+fact.Lon)
	}
	slices.Sort(n.Missing)
	n.Missing = slices.Compact(n.Missing)
	return n, nil
}

// seen adds what people reported since the station was last put right, and the
// visits that are open.
func (p *Planner) seen(ctx context.Context, n *StationNeed, s *need.Station) error {
	visits, err := Visits{p.store}.All(ctx, record.VisitQuery{Station: n.Station})
	if err != nil {
		return err
	}
	for i := range visits {
		v := &visits[i]
		if v.State.Open() {
			n.Open = append(n.Open, OpenVisit{v.Number, v.Kind, v.State, orNil(v.Planned)})
		} else if v.State == bench.Done && v.Kind == bench.Photos {
			s.Photos = max(s.Photos, v.Ended)
		} else if v.State == bench.Done {
			n.right = max(n.right, v.Ended)
		}
	}
	symptoms, err := p.store.Symptoms(ctx, n.Station)
	if err != nil {
		return err
	}
	for i := range symptoms { // the newest first: of a kind that is enough
		sy := &symptoms[i]
		told := slices.ContainsFunc(s.Symptoms, func(o need.Symptom) bool { return o.Kind == sy.Kind })
		if sy.Recorded > n.right && !told {
			s.Symptoms = append(s.Symptoms, need.Symptom{Kind: sy.Kind, Since: sy.Recorded})
		}
	}
	return nil
}

// clocksOf returns a station's clocks of today.
func (p *Planner) clocksOf(ctx context.Context, r *said, id string, own []fact.Fact, occurrences []alarm.Occurrence, now unit.Instant) (clocksOf, error) {
	c := clocksOf{day: now.Floor(day), facts: len(own), found: len(occurrences), lessons: r.lessons}
	var failed error
	history := life.NewHistory(own, func(site string) []fact.Fact {
		if _, err := p.siteOf(ctx, r, site, now); err != nil {
			failed = err
		}
		c.facts += len(r.asked[site])
		return r.asked[site]
	})
	if failed != nil {
		return c, failed
	}
	p.mu.Lock()
	had, ok := p.clocks[id]
	p.mu.Unlock()
	if ok && had.day == c.day && had.facts == c.facts && had.found == c.found && had.lessons == c.lessons {
		return had, nil
	}
	hours, err := p.store.Hours(ctx, id, 0, now)
	if err != nil {
		return c, err
	}
	hours = life.Trusted(hours, occurrences)
	history.Teach(c.lessons)
	c.cover, c.board = history.CoverAt(now), history.BoardAt(hours, life.Water(occurrences), now)
	var months [12]need.Month
	for i := range hours {
		m := &months[hours[i].Start.Time().Month()-1]
		m.Dose += float64(hours[i].Dose) / 1e9
		m.KnownH += time.Duration(hours[i].Known).Hours()
	}
	c.season = need.Season(&months, now.Time())
	if weeks := (c.board.KnownH + c.board.UnknownH) / 168; weeks >= 1 {
		c.use = (c.board.Dose + c.board.Estimated) / weeks * c.season
	}
	p.mu.Lock()
	p.clocks[id] = c
	p.mu.Unlock()
	return c, nil
}

const day = 24 * time.Hour

// fits tells whether a kind of part is of a class and fits a model; one that
// says nothing of models fits all.
func fits(k *KindStands, class, model string) bool {
	return strings.EqualFold(k.Class, class) && (len(k.Fits) == 0 || model == "" || slices.ContainsFunc(k.Fits, func(m string) bool { return strings.EqualFold(m, model) }))
}

// heldFor is what of a kind is there for a station.
func (r *said) heldFor(kind, station string) int64 { return r.held[[2]string{kind, station}] }

// could are the kinds of a class that fit a model.
func (r *said) could(class, model string) []*KindStands {
	key := [2]string{strings.ToLower(class), strings.ToLower(model)}
	list, ok := r.kinds[key]
	if !ok {
		for i := range r.shelf.Kinds {
			if k := &r.shelf.Kinds[i]; fits(k, class, model) {
				list = append(list, k)
			}
		}
		list = r.finished(list)
		r.kinds[key] = list
	}
	return list
}

// finished leaves out what others of the list are made from, as an indoor keypad
// where outdoor ones are wanted: as it is it doesn't go into a station. A broken one
// that is mended is of the same use when it is sound.
func (r *said) finished(list []*KindStands) []*KindStands {
	among := make(map[string]bool)
	for _, k := range list {
		among[k.Kind] = true
	}
	material := make(map[string]bool)
	for i := range r.shop.Recipes {
		recipe := &r.shop.Recipes[i]
		for _, n := range recipe.Needs {
			if among[recipe.Makes] && n.Kind != recipe.Makes && n.Condition != stock.Broken {
				material[n.Kind] = true
			}
		}
	}
	return slices.DeleteFunc(list, func(k *KindStands) bool { return material[k.Kind] })
}

// scarcity counts what can be made up as there: it takes work, but a door has
// its station again.
func (r *said) scarcity(station, class, model string) (s need.Scarcity) {
	for _, k := range r.could(class, model) {
		s.Irreplaceable = k.Irreplaceable && (s.Irreplaceable || !s.Known)
		s.Known = true
		s.Free += k.Available + r.heldFor(k.Kind, station)
	}
	return s
}

// load chooses the kind of a class that is to be loaded: one that is reserved,
// else one that is there and can be bought again, else one that is there, else
// one that can be made up.
func (r *said) load(station, class, model string) PartToLoad {
	best, rank := PartToLoad{Class: class}, -1
	for _, k := range r.could(class, model) {
		held := r.heldFor(k.Kind, station)
		is := 0
		switch {
		case held > 0:
			is = 4
		case k.Free > 0 && !k.Irreplaceable:
			is = 3
		case k.Free > 0:
			is = 2
		case k.Makeable > 0:
			is = 1
		}
		if is > rank {
			rank = is
			best = PartToLoad{Class: class, Kind: k.Kind, Name: k.Name, Unit: k.Unit, Irreplaceable: k.Irreplaceable, Held: held, Free: k.Free, Makeable: k.Makeable}
		}
	}
	return best
}

// loanClass is how the shop calls units that hang in a station's place.
const loanClass = "loan unit"

// loan returns the loan unit that could hang in a station's place: one that is
// reserved for it, else one that is free and fits; nil: there is none.
func (r *said) loan(station, model string) *PartToLoad {
	part := r.load(station, loanClass, model)
	if part.Held == 0 && part.Free <= 0 {
		return nil
	}
	return &part
}

// Wish writes down what a person wants of a station on the next round; an empty
// wish takes it back. One for a day is over when the day is, one for any day when the
// station was visited.
func (p *Planner) Wish(ctx context.Context, station, wish, day, note string, now unit.Instant, author string) error {
	w := record.PlanWish{Station: station, Wish: record.Wish(wish), Day: day, Entry: record.Entry{Author: author, Recorded: now}}
	var r visitReader
	w.Note = r.note("note", note)
	if r.err != nil {
		return r.err
	}
	switch w.Wish {
	case record.OnDay:
		if _, err := time.Parse(time.DateOnly, day); err != nil {
			return Error{"day", day, "write a date, as in 2026-05-14"}
		}
		books, err := p.store.PlanBooks(ctx)
		if err != nil {
			return err
		}
		set, err := p.settings(ctx, books.Settings, now)
		if err != nil {
			return err
		}
		if day < set.today(now) {
			return Error{"day", day, "write today's date or a later one"}
		}
	case record.InAny, record.Out, "":
		if day != "" {
			return Error{"day", day, "leave it out: a day goes with the wish on"}
		}
	default:
		return Error{"wish", wish, "use one of on, in, out, or nothing to take it back"}
	}
	return sayable(p.store.PutWish(ctx, w))
}

// BookingSaid is time that is taken, as people write it.
type BookingSaid struct {
	Day    string `json:"day"`
	From   string `json:"from"` // time of day at the workshop, as in 09:00
	To     string `json:"to"`
	Person string `json:"person"`
	Site   string `json:"site"`
	Note   string `json:"note"`
}

// Book writes down time that is taken.
func (p *Planner) Book(ctx context.Context, said BookingSaid, now unit.Instant, author string) (int64, error) {
	if _, err := time.Parse(time.DateOnly, said.Day); err != nil {
		return 0, Error{"day", said.Day, "write a date, as in 2026-05-14"}
	}
	from, okFrom := fact.ParseMinutes(said.From)
	to, okTo := fact.ParseMinutes(said.To)
	switch {
	case !okFrom:
		return 0, Error{"from", said.From, "write a time of day, as in 09:00"}
	case !okTo || to <= from:
		return 0, Error{"to", said.To, "write a time of day after " + said.From + ", as in 17:00"}
	}
	if said.Site != "" {
		facts, err := p.store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: said.Site})
		if err != nil {
			return 0, err
		}
		if len(facts) == 0 {
			return 0, Error{"site", said.Site, "there is no such site: take an id from the list of sites, or leave it out for the workshop"}
		}
	}
	var r visitReader
	k := record.Booking{Day: said.Day, From: int64(from), To: int64(to), Person: r.text("person", said.Person, textMost), Site: said.Site, Note: r.note("note", said.Note)}
	if r.err != nil {
		return 0, r.err
	}
	k.Author, k.Recorded = author, now
	books, err := p.store.PlanBooks(ctx)
	if err != nil {
		return 0, err
	}
	set, err := p.settings(ctx, books.Settings, now)
	if err != nil {
		return 0, err
	}
	if k.Person != "" && !slices.Contains(set.people, k.Person) {
		return 0, Error{"person", k.Person, "use one of " + strings.Join(set.people, ", ") + ", as in the setting people"}
	}
	if k.Person == set.people[0] {
		k.Person = ""
	}
	id, err := p.store.AddBooking(ctx, k)
	return id, sayable(err)
}

// Unbook takes a booking back.
func (p *Planner) Unbook(ctx context.Context, id int64, now unit.Instant, author string) error {
	return sayable(p.store.RemoveBooking(ctx, id, now, author))
}

// zone is where the workshop's clock is as long as nobody says: where most sites are.
// By UTC a round would leave, and dry weather be looked for, at other hours than people
// mean.
func (p *Planner) zone(ctx context.Context, now unit.Instant) (string, error) {
	facts, err := p.store.FactsOf(ctx, fact.KindSite)
	return commonZone(facts, now), err
}

// settings are what is set, and what goes for the rest.
func (p *Planner) settings(ctx context.Context, said map[string]string, now unit.Instant) (*settings, error) {
	set, err := readSettings(said)
	if err != nil || said["zone"] != "" {
		return set, err
	}
	name, err := p.zone(ctx, now)
	if err != nil {
		return nil, err
	}
	set.zone, err = time.LoadLocation(name)
	return set, err
}

// Settle changes settings of rounds; an empty value takes one back.
func (p *Planner) Settle(ctx context.Context, change map[string]string, now unit.Instant, author string) error {
	books, err := p.store.PlanBooks(ctx)
	if err != nil {
		return err
	}
	for name, value := range change {
		books.Settings[name] = value
	}
	if _, err := readSettings(books.Settings); err != nil {
		return err
	}
	return p.store.PutPlanSettings(ctx, change, now, author)
}

// Said returns settings, wishes, bookings and measured driving.
func (p *Planner) Said(ctx context.Context) (PlanSaid, error) {
	b, err := p.store.PlanBooks(ctx)
	if err != nil {
		return PlanSaid{}, err
	}
	zone, err := p.zone(ctx, math.MaxInt64)
	if err != nil {
		return PlanSaid{}, err
	}
	out := PlanSaid{Settings: []SettingShown{}, Wishes: []WishShown{}, Bookings: []BookingShown{}, Legs: len(b.Legs)}
	for _, s := range settingRules {
		v, ok := b.Settings[s.name]
		if !ok {
			v = s.usual
		}
		if !ok && s.name == "zone" {
			v = zone
		}
		out.Settings = append(out.Settings, SettingShown{s.name, v, !ok, s.says})
	}
	for _, w := range b.Wishes {
		out.Wishes = append(out.Wishes, WishShown{w.Station, string(w.Wish), orNil(w.Day), w.Note, w.Author, w.Recorded})
	}
	for _, k := range b.Bookings {
		out.Bookings = append(out.Bookings, BookingShown{k.ID, BookingSaid{k.Day, clock(k.From * 60), clock(k.To * 60), k.Person, k.Site, k.Note}})
	}
	return out, nil
}

// PlanSaid is what people said of rounds, as it is shown.
type PlanSaid struct {
	Settings []SettingShown `json:"settings"`
	Wishes   []WishShown    `json:"wishes"`
	Bookings []BookingShown `json:"bookings"`
	Legs     int            `json:"legs"` // how many were measured
}

// SettingShown is a setting.
type SettingShown struct {
	Name  string `json:"name"`
	Value string `json:"value"`
	Usual bool   `json:"usual"` // nobody said so: it is what the program proposes
	Says  string `json:"says"`
}

// WishShown is a wish.
type WishShown struct {
	Station  string       `json:"station"`
	Wish     string       `json:"wish"`
	Day      *string      `json:"day"`
	Note     string       `json:"note"`
	Author   string       `json:"author"`
	Recorded unit.Instant `json:"recorded"`
}

// BookingShown is a booking.
type BookingShown struct {
	Booking int64 `json:"booking"`
	BookingSaid
}

func clock(seconds int64) string { return fmt.Sprintf("%02d:%02d", seconds/3600, seconds/60%60) }
