package alarm

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Scope says what stations have in common that have a cause in common.
type Scope string

// The scopes.
const (
	Workshop Scope = "workshop" // broker, collector, or the internet between: nearly all stations at once
	OfSite   Scope = "site"     // power or internet of a site: all its stations at once
	OfLine   Scope = "line"     // supply or wire of a line
	Weather  Scope = "weather"  // a wet night over the county
)

// Scopes are all scopes.
var Scopes = []Scope{Workshop, OfSite, OfLine, Weather}

// Cause is one cause of what several stations tell. People are told of it once,
// by one message for all.
type Cause struct {
	Number  int64
	Scope   Scope
	Subject string // id of the site or line; else ""
	Kind    finding.Kind
	From    unit.Instant // the first onset
	To      unit.Instant // 0 while it lasts
	Settled bool         // what lasts beyond its end is told by itself
}

// Standing is what is known of a station when people are to be told.
type Standing struct {
	Station, Site, Line string // "" where none is known
	Lat, Lon            *float64
	Newest              unit.Instant  // newest reading; 0: never heard
	Fresh               time.Duration // age up to which that speaks for now
	Step                time.Duration // its interval; 0: not known
}

// Scene is everything that decides what people are told now.
type Scene struct {
	Now         unit.Instant
	Stations    []Standing   // in service
	Occurrences []Occurrence // of those stations, open or unseen, none revised
	Causes      []Cause      // lasting, or not settled
	NextCause   int64        // number of the next new one
	Told        map[ToldOf]unit.Instant
	Limits      Table
}

// ToldOf is what people were told at once before, and Scene.Told when last.
type ToldOf struct {
	Station string
	Kind    finding.Kind
}

// Message is one thing to tell people. Members are what it is about, the first to
// begin before the others.
type Message struct {
	ID       string
	Priority Priority
	Class    Class
	By       unit.Instant // when somebody should have acted
	Cause    *Cause       // nil: none, it is about one occurrence
	Members  []Occurrence
}

// Telling is what people are told now, and what that changes in the record.
type Telling struct {
	Changes
	Messages []Message
	Causes   []Cause // new and changed ones
}

// How common causes are told apart. Judgement values: agents send each few
// minutes, and come back within minutes of the broker.
const (
	quietSlack   = 30 * time.Minute // by which the newest readings of stations that went quiet together may differ
	workshopFew  = 3                // stations at least
	workshopPart = 0.6              // of those that send by themselves, at least
	sendsItself  = 24 * time.Hour   // a station that may be silent for longer is read by hand
	lineTogether = 12 * time.Hour   // onsets on a line
	weatherFew   = 3                // stations at least
	weatherPart  = 0.05             // of those near, at least: more than begin to leak in a day by chance
	weatherNear  = 60.0             // km
	weatherSame  = 24 * time.Hour   // onsets
	weatherMost  = 48 * time.Hour   // what is wet for longer is told by itself,
	weatherLong  = 0.5              // unless so many of those near are
)

// regroup is how long after the end of a cause those wait that it held: agents
// come back one by one, and what others dried in an hour may take a box some.
var regroup = map[Scope]time.Duration{Workshop: quietSlack, OfSite: quietSlack, OfLine: 0, Weather: 6 * time.Hour}

// Tell decides what people are told now. People are told of an occurrence once,
// while it lasts, nobody has seen it, and the reading that says so is fresh: by
// itself, or by the one message of its common cause. When that is over, what
// lasts is told by itself.
func Tell(s Scene) Telling {
	t := teller{scene: s, at: map[string]int{}, changed: map[int]bool{}, causes: slices.Clone(s.Causes)}
	for i := range s.Stations {
		t.at[s.Stations[i].Station] = i
	}
	t.all = slices.Clone(s.Occurrences)
	slices.SortStableFunc(t.all, func(a, b Occurrence) int {
		return cmp.Or(cmp.Compare(a.Finding.From, b.Finding.From), cmp.Compare(a.Station, b.Station), cmp.Compare(a.Finding.Kind, b.Finding.Kind))
	})
	t.endCauses()
	t.comeBack()
	t.join()
	t.silences()
	t.lines()
	t.weather()
	t.singles()
	for i := range t.all {
		if t.changed[i] {
			t.out.Occurrences = append(t.out.Occurrences, t.all[i])
		}
	}
	for i, c := range t.causes {
		if i >= len(s.Causes) || c != s.Causes[i] {
			t.out.Causes = append(t.out.Causes, c)
		}
	}
	return t.out
}

type teller struct {
	scene   Scene
	at      map[string]int // station → index in scene.Stations
	all     []Occurrence   // by onset
	changed map[int]bool   // by index in all
	causes  []Cause
	out     Telling
}

func (t *teller) standing(o *Occurrence) *Standing {
	i, ok := t.at[o.Station]
	if !ok {
		return nil
	}
	return &t.scene.Stations[i]
}

// note records that something was told, or is no longer, without a change of
// state.
func (t *teller) note(i int, why string) {
	o := &t.all[i]
	t.out.move(o, o.State, t.scene.Now, t.scene.Now, Rules, why)
	t.changed[i] = true
}

// Why an event changes no state.
const (
	TellWhy  = "people are told"
	CauseWhy = "told as part of a common cause"
	AloneWhy = "its common cause is over"
)

// untold tells whether people should hear of an occurrence, by itself or not.
func (t *teller) untold(o *Occurrence) bool {
	st := t.standing(o)
	if o.Told || o.State != Unacknowledged || !o.Lasting() || st == nil {
		return false
	}
	return Of(o.Finding.Kind).Clock || t.scene.Now.Sub(st.Newest) <= st.Fresh
}

// waited tells whether others of the same cause had time to begin.
func (t *teller) waited(o *Occurrence) bool {
	l := t.scene.Limits.Of(o.Finding.Kind)
	return t.scene.Now >= o.Finding.Concluded.Add(l.OnDelay+l.Wait)
}

// of the kind, lasting and not put aside.
func (t *teller) lasting(kind finding.Kind) (list []int) {
	for i := range t.all {
		o := &t.all[i]
		if o.Finding.Kind == kind && o.Lasting() && !o.State.Held() && t.standing(o) != nil {
			list = append(list, i)
		}
	}
	return list
}

// sends tells whether a station sends by itself and was heard before.
func (st *Standing) sends() bool { return st.Newest != 0 && st.Fresh <= sendsItself }

// quiet tells whether a station has not been heard since the instant, and should
// have been.
func (st *Standing) quiet(since, now unit.Instant) bool {
	return st.Newest <= since.Add(quietSlack) && now.Sub(st.Newest) > max(quietSlack, 2*st.Step)
}

// before tells whether a station was not heard any more before the instant.
func (st *Standing) before(since unit.Instant) bool {
	return st.Newest < since.Add(-quietSlack-2*st.Step)
}

// fellSilent tells whether a silence may have begun with a cause that others had
// since an instant. What is heard later, or was not heard before, has another.
func (st *Standing) fellSilent(from, since unit.Instant) bool {
	return from >= since.Add(-quietSlack-2*st.Step) && from <= since.Add(2*quietSlack)
}

// endCauses ends causes that hold no more, and lets go of what they held once
// others had time to come back.
func (t *teller) endCauses() {
	for n := range t.causes {
		c := &t.causes[n]
		if c.To == 0 && !t.holds(c) {
			c.To = t.scene.Now
		}
		if c.To == 0 || t.scene.Now < c.To.Add(regroup[c.Scope]) {
			continue
		}
		c.Settled = true
		for i := range t.all {
			// What a line's other stations tell stays told with it.
			if o := &t.all[i]; o.Cause == c.Number && c.Scope != OfLine && o.Lasting() {
				if c.Scope != Weather { // else the letter told of it, and tells of it again
					o.Cause = 0
				}
				o.Told = o.Told && o.State != Unacknowledged
				t.note(i, AloneWhy)
			}
		}
	}
}

// holds tells whether a cause still holds.
func (t *teller) holds(c *Cause) bool {
	switch c.Scope {
	case Workshop:
		quiet, all := t.quiet(func(*Standing) bool { return true }, c.From)
		return float64(quiet) >= workshopPart*float64(all) && quiet > 0
	case OfSite:
		if c.Kind == finding.Silent {
			quiet, all := t.quiet(func(st *Standing) bool { return st.Site == c.Subject }, c.From)
			return quiet == all && quiet > 0
		}
	}
	left := 0
	var one *Standing
	for i := range t.all {
		if o := &t.all[i]; o.Cause == c.Number && o.Lasting() {
			left++
			one = cmp.Or(one, t.standing(o))
		}
	}
	if c.Scope == Weather {
		return one != nil && t.overTheCounty(left, one, c.From)
	}
	return left > 0
}

// overTheCounty tells whether so many stations, of those that are heard around one
// of them, are more than chance makes wet since then.
func (t *teller) overTheCounty(n int, one *Standing, since unit.Instant) bool {
	part := weatherPart
	if t.scene.Now.Sub(since) > weatherMost {
		part = weatherLong
	}
	around := 0
	for i := range t.scene.Stations {
		st := &t.scene.Stations[i]
		if st.Newest != 0 && t.scene.Now.Sub(st.Newest) <= st.Fresh && sameSky(one, st) {
			around++
		}
	}
	return n >= weatherFew && float64(n) >= part*float64(around)
}

// quiet counts, of the stations that sent by themselves until the instant, those
// that have not been heard since.
func (t *teller) quiet(among func(*Standing) bool, since unit.Instant) (quiet, all int) {
	for i := range t.scene.Stations {
		st := &t.scene.Stations[i]
		if !among(st) || !st.sends() || st.before(since) {
			continue
		}
		all++
		if st.quiet(since, t.scene.Now) {
			quiet++
		}
	}
	return quiet, all
}

// comeBack tells again, by one message, what was told with a cause that lasts and
// was put aside since.
func (t *teller) comeBack() {
	for n := range t.causes {
		c := t.causes[n]
		var back []int
		for i := range t.all {
			if o := &t.all[i]; c.To == 0 && o.Cause == c.Number && t.untold(o) {
				back = append(back, i)
			}
		}
		if len(back) > 0 {
			t.tellWith(c, back, true)
		}
	}
}

// join lets new occurrences be part of causes that last already.
func (t *teller) join() {
	for n := range t.causes {
		c := &t.causes[n]
		if c.To != 0 {
			continue
		}
		for i := range t.all {
			if o := &t.all[i]; !t.bound(o) && t.untold(o) && t.belongs(o, c) {
				t.hand(i, c)
			}
		}
	}
}

func (t *teller) belongs(o *Occurrence, c *Cause) bool {
	st := t.standing(o)
	switch c.Scope {
	case Workshop:
		return o.Finding.Kind == finding.Silent && st.fellSilent(o.Finding.From, c.From)
	case OfSite:
		together := near(o.Finding.From, c.From, lineTogether)
		if c.Kind == finding.Silent {
			together = st.fellSilent(o.Finding.From, c.From)
		}
		return st.Site == c.Subject && o.Finding.Kind == c.Kind && together
	case OfLine:
		return st.Line == c.Subject && o.Finding.Kind == c.Kind && near(o.Finding.From, c.From, lineTogether)
	}
	return o.Finding.Kind == c.Kind && slices.ContainsFunc(t.all, func(x Occurrence) bool {
		return x.Cause == c.Number && x.Lasting() && t.standing(&x) != nil && t.together(o, &x)
	})
}

func near(a, b unit.Instant, within time.Duration) bool {
	return a.Sub(b) <= within && b.Sub(a) <= within
}

// bound tells whether an occurrence is part of a cause that is not settled.
func (t *teller) bound(o *Occurrence) bool {
	return slices.ContainsFunc(t.causes, func(c Cause) bool { return c.Number == o.Cause && !c.Settled })
}

// hand makes an occurrence part of a cause: it is told with it.
func (t *teller) hand(i int, c *Cause) {
	t.all[i].Cause, t.all[i].Told = c.Number, true
	t.note(i, CauseWhy)
}

// cause records a new cause of the occurrences, and tells people of it. What a
// line's second station tells is no news.
func (t *teller) cause(c Cause, members []int) {
	known := false
	c.From = math.MaxInt64
	for _, i := range members {
		known = known || t.all[i].Told
		c.From = min(c.From, t.all[i].Finding.From)
	}
	c.Number = t.scene.NextCause
	t.scene.NextCause++
	t.causes = append(t.causes, c)
	t.tellWith(c, members, !known || c.Scope != OfLine)
}

// tellWith hands occurrences to a cause, and writes the message if it is news.
func (t *teller) tellWith(c Cause, members []int, news bool) {
	m := Message{Cause: &c, Priority: Calm, By: math.MaxInt64}
	m.ID = fmt.Sprintf("cause:%s:%s:%d", c.Scope, t.all[members[0]].ID(), t.scene.Now.Time().Unix())
	for _, i := range members {
		t.hand(i, &c)
		o := &t.all[i]
		m.By = min(m.By, o.Finding.Concluded.Add(Respond(&o.Finding)))
		m.Members = append(m.Members, *o)
	}
	if !news {
		return
	}
	switch c.Scope {
	case Workshop:
		m.Priority = Urgent
	case OfSite, OfLine:
		m.Priority = t.scene.Limits.Of(c.Kind).Priority
	}
	m.Class = classOf(m.Priority)
	t.out.Messages = append(t.out.Messages, m)
}

func classOf(p Priority) Class {
	if p == Calm {
		return Letter
	}
	return AtOnce
}

// silences finds what silent stations have in common.
func (t *teller) silences() {
	for _, i := range t.lasting(finding.Silent) {
		o := &t.all[i]
		if !t.untold(o) || o.Cause != 0 {
			continue
		}
		from := o.Finding.From
		if quiet, all := t.quiet(func(*Standing) bool { return true }, from); quiet >= workshopFew && float64(quiet) >= workshopPart*float64(all) && t.sites() > 1 {
			t.cause(Cause{Scope: Workshop, Kind: finding.Silent}, t.silentWith(from, ""))
			continue
		}
		site := t.standing(o).Site
		if site == "" {
			continue
		}
		if quiet, all := t.quiet(func(st *Standing) bool { return st.Site == site }, from); quiet > 1 && quiet == all {
			t.cause(Cause{Scope: OfSite, Subject: site, Kind: finding.Silent}, t.silentWith(from, site))
		}
	}
}

// silentWith returns the silent occurrences that began with one, of a site or of
// all. The one itself is among them.
func (t *teller) silentWith(from unit.Instant, site string) (list []int) {
	for _, i := range t.lasting(finding.Silent) {
		o := &t.all[i]
		if near(o.Finding.From, from, quietSlack) && (site == "" || t.standing(o).Site == site) && o.Cause == 0 {
			list = append(list, i)
		}
	}
	return list
}

// sites counts the sites with stations that send by themselves.
func (t *teller) sites() int {
	all := map[string]bool{}
	for i := range t.scene.Stations {
		if st := &t.scene.Stations[i]; st.sends() {
			all[st.Site] = true
		}
	}
	return len(all)
}

// ofLine are the kinds that a line or a site's supply can cause at several
// stations.
var ofLine = []finding.Kind{finding.NoCurrent, finding.LineVoltageLow, finding.CurrentStepUp, finding.CurrentStepDown}

// lines finds what happened on a line that several stations tell, and current
// that is missing at a whole site.
func (t *teller) lines() {
	for _, kind := range ofLine {
		for _, i := range t.lasting(kind) {
			o := &t.all[i]
			st := t.standing(o)
			if !t.untold(o) || o.Cause != 0 {
				continue
			}
			with := func(same func(*Standing) bool) (list []int) {
				for _, k := range t.lasting(kind) {
					if p := &t.all[k]; p.Cause == 0 && same(t.standing(p)) && near(p.Finding.From, o.Finding.From, lineTogether) {
						list = append(list, k)
					}
				}
				return list
			}
			if list := with(func(x *Standing) bool { return st.Site != "" && x.Site == st.Site }); kind == finding.NoCurrent && t.severalLines(list) {
				t.cause(Cause{Scope: OfSite, Subject: st.Site, Kind: kind}, list)
			} else if list := with(func(x *Standing) bool { return st.Line != "" && x.Line == st.Line }); len(list) > 1 {
				t.cause(Cause{Scope: OfLine, Subject: st.Line, Kind: kind}, list)
			}
		}
	}
}

// severalLines tells whether stations hang on more than one line.
func (t *teller) severalLines(list []int) bool {
	lines := map[string]bool{}
	for _, i := range list {
		line := t.standing(&t.all[i]).Line
		if line == "" {
			line = "station " + t.all[i].Station // a supply of its own
		}
		lines[line] = true
	}
	return len(lines) > 1
}

// weather finds nights that were wet over the county.
func (t *teller) weather() {
	wet := t.lasting(finding.BoardWet)
	for _, i := range wet {
		o := &t.all[i]
		if !t.untold(o) || !t.waited(o) || t.bound(o) {
			continue
		}
		var with []int
		for _, k := range wet {
			if p := &t.all[k]; !t.bound(p) && t.together(o, p) {
				with = append(with, k)
			}
		}
		if t.overTheCounty(len(with), t.standing(o), o.Finding.From) {
			t.cause(Cause{Scope: Weather, Kind: finding.BoardWet}, with)
		}
	}
}

// together tells whether two occurrences may come from the same weather.
func (t *teller) together(a, b *Occurrence) bool {
	return near(a.Finding.From, b.Finding.From, weatherSame) && sameSky(t.standing(a), t.standing(b))
}

// sameSky tells whether two stations have the same weather: one site, or places
// that are near. Great circle by the haversine formula, a sphere of 6371 km.
func sameSky(a, b *Standing) bool {
	if a.Site == b.Site && a.Site != "" || a.Station == b.Station {
		return true
	}
	if a.Lat == nil || a.Lon == nil || b.Lat == nil || b.Lon == nil {
		return false
	}
	rad := math.Pi / 180
	dLat, dLon := (*b.Lat-*a.Lat)*rad/2, (*b.Lon-*a.Lon)*rad/2
	h := math.Sin(dLat)*math.Sin(dLat) + math.Cos(*a.Lat*rad)*math.Cos(*b.Lat*rad)*math.Sin(dLon)*math.Sin(dLon)
	return 2*6371*math.Asin(math.Sqrt(min(1, h))) <= weatherNear
}

// singles tells of the rest, each by itself.
func (t *teller) singles() {
	for i := range t.all {
		o := &t.all[i]
		if !t.untold(o) || !t.waited(o) || t.bound(o) {
			continue
		}
		priority := t.scene.Limits.Priority(&o.Finding)
		if t.repeats(o) || o.Cause != 0 {
			priority = Calm
		}
		m := Message{ID: o.TellingID(), Priority: priority, Class: classOf(priority), By: o.Finding.Concluded.Add(Respond(&o.Finding))}
		o.Told = true
		o.Rings++
		t.note(i, TellWhy)
		m.Members = []Occurrence{*o}
		t.out.Messages = append(t.out.Messages, m)
	}
}

// repeats tells whether people were told of the same trouble not long ago.
func (t *teller) repeats(o *Occurrence) bool {
	at, told := t.scene.Told[ToldOf{o.Station, o.Finding.Kind}]
	return told && t.scene.Now.Sub(at) < t.scene.Limits.Of(o.Finding.Kind).Repeat
}

// Stations names the stations that a message is about, each once.
func (m *Message) Stations() (ids []string) {
	for i := range m.Members {
		if id := m.Members[i].Station; !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	slices.SortFunc(ids, strings.Compare)
	return ids
}
