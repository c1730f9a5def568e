package web

import (
	"errors"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

const (
	refusedShown = 50               // of quarantine on a page
	lineShown    = 400              // bytes of a line
	awayAfter    = 30 * time.Minute // agents report every ten minutes
)

// reasonWords say why readings were refused.
var reasonWords = []struct {
	reason      reading.Reason
	short, long string
}{
	{reading.ReasonMalformed, "unreadable", "The line can't be read as line protocol, or lacks what a reading must have."},
	{reading.ReasonTime, "time", "The time is before 2000, or was more than five minutes ahead when it came. One that is ahead is stored by itself when its time is reached; one from before 2000 waits for a person, and its station's ledger then begins there, the years up to the next reading counting as unknown."},
	{reading.ReasonConflict, "not as before", "Another reading came first under the same number. The first stays."},
	{reading.ReasonStation, "other station", "The line names another station than the one that sent it."},
	{reading.ReasonUnknown, "not in service", "Nobody enrolled the station, or it was retired."},
	{reading.ReasonOversize, "too large", "The message was larger than 64 KiB; its beginning is kept."},
	{reading.ReasonGaps, "too many gaps", "So many stretches of the spool's numbers are missing that no honest agent could have sent them. The agent was not told that it is safe."},
	{reading.ReasonRuns, "too many spools", "More new spools on a day than an honest station has. The agent was not told that it is safe, and may send it again tomorrow."},
	{reading.ReasonTooLate, "too late", "It is of a time whose readings were let go, as they were older than they are kept. The hours of then stay as they are; the agent was told that it need not keep it."},
}

func reasonShort(lc *words.Locale, r reading.Reason) string {
	for _, w := range reasonWords {
		if w.reason == r {
			return lc.Say(w.short)
		}
	}
	return string(r)
}

type keptRowPage struct {
	ID, Name                        string // ID "" for others
	Taken, Safe, Spooled, Dropped   string // at the station; "" where it said nothing
	Arrived, Stored, Again, Refused string // here
	Lost, Uneven                    string // "" for none
	Clock                           string
	ClockOff                        bool
	Said                            moment
}

type heldPage struct {
	Reason, Why  string
	Kept, Unkept string
	Href         string
}

type refusedPage struct {
	ID              int64
	Station, Reason string
	At              moment
	Detail, Line    string
	Due             moment
	Release         bool
}

type keptPage struct {
	sheet
	At       moment
	Headline string
	Says     []string
	Act      []string // what a person must do
	Rows     []keptRowPage
	Held     []heldPage
	Filter   string // what the list below is limited to
	Refused  []refusedPage
	Older    string // address of older ones
	Zone     string
}

func (s *server) kept(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "station", "reason", "before")
	want := record.QuarantineQuery{
		Station: q.values.Get("station"), Reason: q.reason(),
		Before: int64(q.integer("before", 0, 1, math.MaxInt)), Limit: refusedShown,
	}
	if q.err != nil {
		return q.err
	}
	k, err := s.cfg.View.Kept(r.Context())
	if err != nil {
		return err
	}
	list, next, err := s.cfg.View.Quarantine(r.Context(), want)
	if err != nil {
		return err
	}
	p := keptOf(lc, &k)
	mayRelease := s.cfg.Release != nil && visitorOf(r).Role >= record.Work
	for i := range list {
		p.Refused = append(p.Refused, refusedOf(lc, &list[i], k.Zone, mayRelease))
	}
	p.Filter = filterWords(lc, want)
	if next != 0 {
		p.Older = keptHref(want.Station, want.Reason, next)
	}
	return s.page(w, r, http.StatusOK, "custody.html", p)
}

func (q *query) reason() reading.Reason {
	var all []string
	for _, w := range reasonWords {
		all = append(all, string(w.reason))
	}
	return reading.Reason(q.choice("reason", "", all))
}

func filterWords(lc *words.Locale, want record.QuarantineQuery) string {
	var parts []string
	if want.Station != "" {
		parts = append(parts, lc.Say("of %s", want.Station))
	}
	if want.Reason != "" {
		parts = append(parts, lc.Say("reason “%s”", reasonShort(lc, want.Reason)))
	}
	if want.Before != 0 {
		parts = append(parts, lc.Say("before number %d", want.Before))
	}
	return strings.Join(parts, ", ")
}

// keptHref is the address of a part of quarantine on the page.
func keptHref(station string, reason reading.Reason, before int64) string {
	v := url.Values{}
	if station != "" {
		v.Set("station", station)
	}
	if reason != "" {
		v.Set("reason", string(reason))
	}
	if before != 0 {
		v.Set("before", strconv.FormatInt(before, 10))
	}
	return "/readings-kept?" + v.Encode() + "#refused"
}

func keptOf(lc *words.Locale, k *view.Kept) *keptPage {
	p := &keptPage{
		At:       moment{stamp(lc, k.At, k.Zone), utc(k.At)},
		Headline: keptHeadline(lc, k), Zone: k.Zone.String(),
	}
	p.Says, p.Act = keptSentences(lc, k)
	for i := range k.Stations {
		p.Rows = append(p.Rows, keptRow(lc, &k.Stations[i], k.At, k.Zone))
	}
	if k.Others.Received+k.Others.Released > 0 {
		p.Rows = append(p.Rows, hereOf(lc, keptRowPage{Name: lc.Say("not in service")}, &k.Others))
	}
	for _, h := range k.All.Held {
		p.Held = append(p.Held, heldOf(lc, h))
	}
	return p
}

func heldOf(lc *words.Locale, h record.Held) heldPage {
	p := heldPage{
		Reason: reasonShort(lc, h.Reason), Kept: grouped(lc, h.Kept), Href: keptHref("", h.Reason, 0),
	}
	for _, w := range reasonWords {
		if w.reason == h.Reason {
			p.Why = lc.Say(w.long)
		}
	}
	if h.Unkept > 0 {
		p.Unkept = grouped(lc, h.Unkept)
	}
	return p
}

func keptHeadline(lc *words.Locale, k *view.Kept) string {
	came := k.All.Received + k.All.Released
	lost := int64(0)
	for i := range k.Lost {
		lost += k.Lost[i].Lost()
	}
	switch {
	case k.All.Missing() != 0:
		return lc.Say("Of %s that came in, %s can't be accounted for.", count(lc, came, "reading"), grouped(lc, k.All.Missing()))
	case lost != 0:
		return lc.Say("Agents hold %s for safe that %s not here.", count(lc, lost, "reading"), plural(lc, lost, "is", "are"))
	}
	switch came {
	case 0:
		return lc.Say("No reading has come in yet.")
	case 1:
		return lc.Say("The one reading that came in is accounted for.")
	default:
		return lc.Say("All %s that came in are accounted for.", count(lc, came, "reading"))
	}
}

// keptSentences say what is behind the headline, and what a person must do.
func keptSentences(lc *words.Locale, k *view.Kept) (says, act []string) {
	all := &k.All
	if all.Received > 0 {
		text := lc.Say("%s stored", are(lc, all.Stored))
		if all.Repeated > 0 {
			text += lc.Say(", %s had come before", grouped(lc, all.Repeated))
		}
		if all.Refused > 0 {
			text += lc.Say(", %s refused", are(lc, all.Refused))
		}
		if all.Released > 0 {
			text += lc.Say("; %s of those refused %s stored after all", grouped(lc, all.Released), plural(lc, all.Released, "was", "were"))
		}
		says = append(says, capital(text)+".")
	}
	if all.Discarded > 0 {
		says = append(says, lc.Say("Agents gave up %s before %s could be delivered.", count(lc, all.Discarded, "reading"), plural(lc, all.Discarded, "it", "they")))
	}
	if all.Missing() != 0 {
		act = append(act, lc.Say("Keep a copy of the store as it is, and look for the error in the log."))
	}
	for i := range k.Lost {
		s := &k.Lost[i]
		act = append(act, lc.Say("Look at %s: its agent was told that %s %s safe here, and %s not. That is so where an older copy of the store was put back.", s.Station.Name, count(lc, s.Lost(), "reading"), plural(lc, s.Lost(), "is", "are"), plural(lc, s.Lost(), "it is", "they are")))
	}
	for i := range k.Uneven {
		s := &k.Uneven[i]
		act = append(act, lc.Say("Look at %s: its agent's own counts differ by %s.", s.Station.Name, grouped(lc, s.State.Report.Readings.Missing())))
	}
	told := len(k.Stations) - k.Unheard
	if told > 0 && len(k.Lost) == 0 && len(k.Uneven) == 0 {
		says = append(says, lc.Say("%s what was taken, and everything that they count as safe is here.", capital(tells(lc, told))))
	}
	if k.Unheard > 0 {
		says = append(says, lc.Say("Nothing is known of the counts at %s.", count(lc, int64(k.Unheard), "station")))
	}
	for i := range k.Clocks {
		s := &k.Clocks[i]
		says = append(says, lc.Say("The clock of %s is %s.", s.Station.Name, clockWords(lc, s.State.Offset)))
	}
	return says, act
}

func tells(lc *words.Locale, n int) string {
	if n == 1 {
		return lc.Say("one agent tells")
	}
	return lc.Say("%s agents tell", spelled(lc, n))
}

func plural(lc *words.Locale, n int64, one, many string) string {
	if n == 1 {
		return lc.Say(one)
	}
	return lc.Say(many)
}

func count(lc *words.Locale, n int64, what string) string {
	return grouped(lc, n) + " " + plural(lc, n, what, what+"s")
}

func are(lc *words.Locale, n int64) string { return grouped(lc, n) + " " + plural(lc, n, "is", "are") }

// grouped writes a number with a thin space between thousands.
func grouped(lc *words.Locale, n int64) string {
	digits := strconv.FormatInt(n, 10)
	sign := ""
	if digits[0] == '-' {
		sign, digits = "−", digits[1:]
	}
	var parts []string
	for len(digits) > 3 {
		parts = append(parts, digits[len(digits)-3:])
		digits = digits[:len(digits)-3]
	}
	parts = append(parts, digits)
	slices.Reverse(parts)
	return sign + strings.Join(parts, "\u2009")
}

// clockWords say how a station's clock stands to the collector's.
func clockWords(lc *words.Locale, offset time.Duration) string {
	side := lc.Say("behind")
	if offset < 0 {
		side = lc.Say("ahead")
	}
	off := offset.Abs()
	if off < time.Minute {
		return plain(lc, off.Seconds(), 1) + " s " + side
	}
	return age(lc, off) + " " + side
}

func keptRow(lc *words.Locale, s *view.KeptStation, now unit.Instant, zone *time.Location) keptRowPage {
	p := hereOf(lc, keptRowPage{ID: s.Station.ID, Name: s.Station.Name, Said: moment{Text: lc.Say("nothing yet")}}, &s.Custody)
	if s.State == nil {
		return p
	}
	p.Said = moment{stamp(lc, s.State.At, zone), utc(s.State.At)}
	switch {
	case s.State.Gone != 0:
		p.Said.Text += lc.Say(", has left")
	case now.Sub(s.State.At) > awayAfter:
		p.Said.Text += lc.Say(", nothing since")
	}
	if s.State.Timed {
		p.Clock, p.ClockOff = clockWords(lc, s.State.Offset), s.ClockOff()
	}
	t := s.State.Report.Readings
	if t == nil {
		return p
	}
	p.Taken, p.Safe, p.Spooled, p.Dropped = grouped(lc, t.Sampled), grouped(lc, t.Receipted), grouped(lc, t.Queued+t.Waiting), grouped(lc, t.GivenUp())
	if n := t.Missing(); n != 0 {
		p.Uneven = grouped(lc, n)
	}
	if n := s.Lost(); n != 0 {
		p.Lost = grouped(lc, n)
	}
	return p
}

func hereOf(lc *words.Locale, p keptRowPage, c *record.Custody) keptRowPage {
	p.Arrived, p.Stored, p.Again, p.Refused = grouped(lc, c.Received+c.Released), grouped(lc, c.Stored), grouped(lc, c.Repeated), grouped(lc, c.Refused)
	return p
}

func refusedOf(lc *words.Locale, q *record.Quarantined, zone *time.Location, mayRelease bool) refusedPage {
	p := refusedPage{
		ID: q.ID, Station: q.Station, Reason: reasonShort(lc, q.Reason), At: moment{stamp(lc, q.At, zone), utc(q.At)},
		Detail: q.Detail, Line: reading.Printable(q.Raw[:min(len(q.Raw), lineShown)]),
		Release: mayRelease && q.Waits,
	}
	if len(q.Raw) > lineShown {
		p.Line += "…"
	}
	if q.Due != 0 {
		p.Due = moment{stamp(lc, q.Due, zone), utc(q.Due)}
	}
	return p
}

// release stores a refused reading on the visitor's word.
func (s *server) release(w http.ResponseWriter, r *http.Request) error {
	values, err := form(w, r, "number")
	if err != nil {
		return err
	}
	number, err := strconv.ParseInt(values.Get("number"), 10, 64)
	if err != nil {
		return &problem{
			Status: http.StatusBadRequest, Title: "A field is wrong",
			Field: "number", Value: values.Get("number"), Fix: "take it from the page Readings kept",
		}
	}
	if s.cfg.Release == nil {
		return &problem{Status: http.StatusForbidden, Title: "Nothing is released here", Fix: "use dewpost quarantine release"}
	}
	err = s.cfg.Release(r.Context(), []int64{number}, visitorOf(r).Name)
	switch {
	case errors.Is(err, record.ErrNotFound):
		return &problem{
			Status: http.StatusNotFound, Title: "There is no such reading in quarantine",
			Field: "number", Value: values.Get("number"), Fix: "take it from the page Readings kept",
		}
	case errors.Is(err, record.ErrStays):
		return &problem{
			Status: http.StatusConflict, Title: "This reading stays in quarantine",
			Field: "number", Value: values.Get("number"), Fix: "the page Readings kept says what can be stored after all",
		}
	case err != nil:
		return err
	}
	http.Redirect(w, r, "/readings-kept#refused", http.StatusSeeOther)
	return nil
}

type apiRefused struct {
	ID      int64          `json:"id"`
	Station string         `json:"station"`
	Arrived unit.Instant   `json:"arrived"`
	Reason  reading.Reason `json:"reason"`
	Detail  string         `json:"detail"`
	Run     *string        `json:"run"`
	Seq     *int64         `json:"seq"`
	Line    string         `json:"line"`
	Due     *unit.Instant  `json:"due"`
	Waits   bool           `json:"waits"`
}

func (s *server) apiQuarantine(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "station", "reason", "limit", "next")
	want := record.QuarantineQuery{Station: q.values.Get("station"), Reason: q.reason(), Limit: q.limit()}
	q.next(&want.Before)
	if q.err != nil {
		return q.err
	}
	found, next, err := s.cfg.View.Quarantine(r.Context(), want)
	if err != nil {
		return err
	}
	out := list[apiRefused]{Items: make([]apiRefused, 0, len(found))}
	for i := range found {
		out.Items = append(out.Items, refusedJSON(&found[i]))
	}
	if next != 0 {
		if out.Next, err = cursor(next); err != nil {
			return err
		}
	}
	return sendJSON(w, r, out)
}

func refusedJSON(q *record.Quarantined) apiRefused {
	a := apiRefused{
		ID: q.ID, Station: q.Station, Arrived: q.At, Reason: q.Reason, Detail: q.Detail,
		Run: textOrNull(q.Run), Line: reading.Printable(q.Raw), Due: instantOrNull(q.Due), Waits: q.Waits,
	}
	if q.Seq != 0 {
		a.Seq = &q.Seq
	}
	return a
}
