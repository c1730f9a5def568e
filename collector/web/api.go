package web

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"strconv"

	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/breathing"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

const (
	limitDefault = 1000
	limitMost    = 10000
)

// list is the form of every list: items, never null, and the cursor of the
// next page when there is one.
type list[T any] struct {
	Items []T    `json:"items"`
	Next  string `json:"next,omitempty"`
}

func sendJSON(w http.ResponseWriter, r *http.Request, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return send(w, r, http.StatusOK, "application/json", append(body, '\n'))
}

// number is a float in its shortest form; NaN is null.
type number float64

func (x number) MarshalJSON() ([]byte, error) { return appendNumber(nil, float64(x)), nil }

func appendNumber(dst []byte, x float64) []byte {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return append(dst, "null"...)
	}
	return strconv.AppendFloat(dst, x, 'g', -1, 64)
}

// instantOrNull is null for the zero instant.
func instantOrNull(t unit.Instant) *unit.Instant {
	if t == 0 {
		return nil
	}
	return &t
}

func textOrNull(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// A cursor is a JSON value in base64: nobody should build one by hand.

type readingsCursor struct {
	At   int64
	Skip int
}

type findingsCursor struct {
	From          int64
	Station, Kind string
	Number        int64
}

func cursor(v any) (string, error) {
	body, err := json.Marshal(v)
	return base64.RawURLEncoding.EncodeToString(body), err
}

// next reads the cursor of a page into v; false when none is given.
func (q *query) next(v any) bool {
	text := q.values.Get("next")
	if text == "" {
		return false
	}
	body, err := base64.RawURLEncoding.DecodeString(text)
	if err == nil {
		d := json.NewDecoder(bytes.NewReader(body))
		d.DisallowUnknownFields()
		err = d.Decode(v)
	}
	if err != nil || hasNUL(body) {
		q.refuse("next", text, "take it unchanged from the page before, or leave it out")
		return false
	}
	return true
}

func (q *query) limit() int { return q.integer("limit", limitDefault, 1, limitMost) }

type apiNeed struct {
	ID   string       `json:"id"`
	Kind finding.Kind `json:"kind"`
	From unit.Instant `json:"from"`
	By   unit.Instant `json:"by"`
}

type apiNow struct {
	Time      unit.Instant      `json:"time"`
	Values    map[string]number `json:"values"`
	Flags     string            `json:"flags"`
	Basis     *string           `json:"basis"`
	SurfaceC  *number           `json:"surface_c"`
	DewPointC *number           `json:"dew_point_c"`
	MarginK   *number           `json:"margin_k"`
	MarginTo  *string           `json:"margin_to"`
}

type apiStation struct {
	ID        string        `json:"id"`
	Name      string        `json:"name"`
	Site      *string       `json:"site"`
	Spot      *string       `json:"spot"`
	Mounting  *string       `json:"mounting"`
	Build     *string       `json:"build"`
	Installed *string       `json:"installed"`
	CoverNew  *string       `json:"cover_new"`
	Enrolled  unit.Instant  `json:"enrolled"`
	Retired   *unit.Instant `json:"retired"`
	Heard     bool          `json:"heard"`
	Newest    *apiNow       `json:"newest"`
	Needs     []apiNeed     `json:"needs"`
}

func stationJSON(r *view.Row) apiStation {
	s := &r.Station
	out := apiStation{
		ID: s.ID, Name: s.Name, Site: textOrNull(s.Site.ID), Spot: textOrNull(s.Spot),
		Mounting: textOrNull(s.Mounting), Build: textOrNull(s.Build),
		Installed: textOrNull(s.Installed), CoverNew: textOrNull(s.CoverNew),
		Enrolled: s.Enrolled, Retired: instantOrNull(s.Retired), Heard: r.Heard,
		Needs: make([]apiNeed, 0, len(r.Needs)),
	}
	for i := range r.Needs {
		n := &r.Needs[i]
		out.Needs = append(out.Needs, apiNeed{n.ID(), n.Finding.Kind, n.Finding.From, n.By})
	}
	if r.Now.At != 0 {
		out.Newest = nowJSON(&r.Now)
	}
	return out
}

func nowJSON(n *view.Now) *apiNow {
	out := &apiNow{Time: n.At, Values: make(map[string]number), Flags: n.Reading.Flags}
	for c := range reading.NumChannels {
		if x, ok := n.Reading.Get(c); ok {
			out.Values[c.Name()] = number(x)
		}
	}
	if !n.Known {
		return out
	}
	surface, dew, margin := number(n.Surface), number(n.Dew), number(n.Margin)
	out.Basis = textOrNull(n.Basis.String())
	out.SurfaceC, out.DewPointC, out.MarginK = &surface, &dew, &margin
	to := "dew_point"
	if n.Ice {
		to = "frost_point"
	}
	out.MarginTo = &to
	return out
}

func (s *server) apiStations(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	rows, err := s.cfg.View.Stations(r.Context())
	if err != nil {
		return err
	}
	out := list[apiStation]{Items: make([]apiStation, 0, len(rows))}
	for i := range rows {
		out.Items = append(out.Items, stationJSON(&rows[i]))
	}
	return sendJSON(w, r, out)
}

func (s *server) apiStation(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	row, first, err := s.cfg.View.Station(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	breath, err := s.cfg.View.Breath(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	clocks, err := s.cfg.View.Clocks(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	ahead, err := s.cfg.View.Outlook(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	beside, err := s.cfg.View.Beside(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	return sendJSON(w, r, struct {
		apiStation
		Tonight   *outlookJSON     `json:"tonight"`
		Line      *apiLine         `json:"line"`
		Heater    *sensing.Burst   `json:"heater_test"`
		Repair    *apiRepair       `json:"last_repair"`
		Corrosion []apiCorroded    `json:"corrosion_seen"`
		Current   *apiCurrent      `json:"current"`
		Frozen    *unit.Instant    `json:"frozen_before"`
		Cover     apiCover         `json:"cover"`
		Life      apiLife          `json:"life"`
		First     *unit.Instant    `json:"first"`
		Breathing *breathing.Day   `json:"breathing"`
		Usual     *breathing.Usual `json:"breathing_usual"`
	}{
		stationJSON(&row), outlookOf(ahead.Tonight), lineJSON(beside.Line), beside.Sensor, repairJSON(beside.Repair), corrodedJSON(beside.Corroded), currentJSON(beside.Standing), instantOrNull(beside.Frozen),
		coverJSON(&clocks.Cover), lifeJSON(&clocks.Board), instantOrNull(first), breath.Now, breath.Usual,
	})
}

// readingJSON is a reading as it is stored: absent channels are left out.
type readingJSON reading.Reading

func (j *readingJSON) MarshalJSON() ([]byte, error) {
	r := (*reading.Reading)(j)
	b := append([]byte(nil), `{"time":"`...)
	b = append(append(b, r.Time.String()...), `","run":`...)
	if r.Keyed() {
		b = append(append(append(b, '"'), r.Run...), `","seq":`...)
		b = strconv.AppendInt(b, r.Seq, 10)
	} else {
		b = append(b, `null,"seq":null`...)
	}
	for c := range reading.NumChannels {
		if x, ok := r.Get(c); ok {
			b = append(append(append(b, `,"`...), c.Name()...), `":`...)
			b = appendNumber(b, x)
		}
	}
	flags, err := json.Marshal(r.Flags)
	return append(append(append(b, `,"flags":`...), flags...), '}'), err
}

func (s *server) apiReadings(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "from", "to", "limit", "next")
	from, to := q.interval(view.Beginning, view.End)
	begin := readingsCursor{At: int64(from)}
	if q.next(&begin) && (begin.Skip < 0 || begin.At < int64(from)) {
		q.refuse("next", q.values.Get("next"), "send the same from as with the page before")
	}
	limit := q.limit()
	if q.err != nil {
		return q.err
	}
	rs, next, err := s.cfg.View.Readings(r.Context(), r.PathValue("id"), view.Place{At: unit.Instant(begin.At), Skip: begin.Skip}, to, limit)
	if err != nil {
		return err
	}
	out := list[*readingJSON]{Items: make([]*readingJSON, 0, len(rs))}
	for i := range rs {
		out.Items = append(out.Items, (*readingJSON)(&rs[i]))
	}
	if next != nil {
		if out.Next, err = cursor(readingsCursor{int64(next.At), next.Skip}); err != nil {
			return err
		}
	}
	return sendJSON(w, r, out)
}

// hourJSON is a row of the hourly table with its columns as names, the numbers
// letter for letter.
type hourJSON exposure.Hour

var errRow = errors.New("an hourly row has not as many cells as there are columns")

func (j *hourJSON) MarshalJSON() ([]byte, error) {
	row := bytes.TrimSuffix(exposure.AppendHourly(nil, (*exposure.Hour)(j)), []byte("\n"))
	cells := bytes.Split(row, []byte(","))
	if len(cells) != len(exposure.HourlyColumns) {
		return nil, errRow
	}
	b := []byte{'{'}
	for i, name := range exposure.HourlyColumns {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(append(b, '"'), name...), `":`...)
		switch {
		case len(cells[i]) == 0:
			b = append(b, "null"...)
		case name == "hour" || name == "basis":
			b = append(append(append(b, '"'), cells[i]...), '"')
		default:
			b = append(b, cells[i]...)
		}
	}
	return append(b, '}'), nil
}

func (s *server) apiHours(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "from", "to", "limit", "next")
	from, to := q.interval(view.Beginning, view.End)
	begin := from
	if q.next((*int64)(&begin)) && begin < from {
		q.refuse("next", q.values.Get("next"), "send the same from as with the page before")
	}
	limit := q.limit()
	if q.err != nil {
		return q.err
	}
	hours, next, err := s.cfg.View.Hours(r.Context(), r.PathValue("id"), begin, to, limit)
	if err != nil {
		return err
	}
	out := list[*hourJSON]{Items: make([]*hourJSON, 0, len(hours))}
	for i := range hours {
		out.Items = append(out.Items, (*hourJSON)(&hours[i]))
	}
	if next != 0 {
		if out.Next, err = cursor(int64(next)); err != nil {
			return err
		}
	}
	return sendJSON(w, r, out)
}

type apiFinding struct {
	ID         string             `json:"id"`
	Station    string             `json:"station"`
	Kind       finding.Kind       `json:"kind"`
	Number     int64              `json:"number"`
	From       unit.Instant       `json:"from"`
	To         *unit.Instant      `json:"to"`
	Concluded  unit.Instant       `json:"concluded"`
	Confidence number             `json:"confidence"`
	How        string             `json:"how"`
	Evidence   []finding.Evidence `json:"evidence"`
	State      alarm.State        `json:"state"`
	Revised    bool               `json:"revised"`
	Told       bool               `json:"told"`
}

func findingsJSON(occurrences []alarm.Occurrence, next *view.After) (list[apiFinding], error) {
	out := list[apiFinding]{Items: make([]apiFinding, 0, len(occurrences))}
	for i := range occurrences {
		o := &occurrences[i]
		f := &o.Finding
		evidence := f.Evidence
		if evidence == nil {
			evidence = []finding.Evidence{}
		}
		out.Items = append(out.Items, apiFinding{
			ID: o.ID(), Station: o.Station, Kind: f.Kind, Number: o.Number,
			From: f.From, To: instantOrNull(f.To), Concluded: f.Concluded, Confidence: number(f.Confidence),
			How: words.Of(f.Kind).How, Evidence: evidence, State: o.State, Revised: o.Revised, Told: o.Told,
		})
	}
	if next == nil {
		return out, nil
	}
	var err error
	out.Next, err = cursor(findingsCursor{int64(next.From), next.Station, next.Kind, next.Number})
	return out, err
}

func (s *server) apiFindings(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "from", "to", "limit", "next")
	from, to := q.interval(view.Beginning, view.End)
	behind, limit := q.after(), q.limit()
	if q.err != nil {
		return q.err
	}
	found, next, err := s.cfg.View.Findings(r.Context(), r.PathValue("id"), from, to, behind, limit)
	if err != nil {
		return err
	}
	out, err := findingsJSON(found, next)
	if err != nil {
		return err
	}
	return sendJSON(w, r, out)
}

func (q *query) after() *view.After {
	var c findingsCursor
	if !q.next(&c) {
		return nil
	}
	return &view.After{From: unit.Instant(c.From), Station: c.Station, Kind: c.Kind, Number: c.Number}
}

func (s *server) apiAlarms(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "limit", "next")
	behind, limit := q.after(), q.limit()
	if q.err != nil {
		return q.err
	}
	found, next, err := s.cfg.View.Alarms(r.Context(), behind, limit)
	if err != nil {
		return err
	}
	out, err := findingsJSON(found, next)
	if err != nil {
		return err
	}
	return sendJSON(w, r, out)
}

type apiSite struct {
	ID       string   `json:"id"`
	Name     string   `json:"name"`
	Zone     string   `json:"zone"`
	Lat      *number  `json:"lat"`
	Lon      *number  `json:"lon"`
	Salt     *string  `json:"salt"`
	Stations []string `json:"stations"`
}

func (s *server) apiSites(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	sites, hang, err := s.cfg.View.Sites(r.Context())
	if err != nil {
		return err
	}
	out := list[apiSite]{Items: make([]apiSite, 0, len(sites))}
	for _, site := range sites {
		a := apiSite{ID: site.ID, Name: site.Name, Zone: site.Zone.String(), Salt: textOrNull(site.Salt), Stations: hang[site.ID]}
		if a.Stations == nil {
			a.Stations = []string{}
		}
		if site.Place != nil {
			lat, lon := number(site.Place.Lat), number(site.Place.Lon)
			a.Lat, a.Lon = &lat, &lon
		}
		out.Items = append(out.Items, a)
	}
	return sendJSON(w, r, out)
}

func (s *server) openAPI(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	body, err := embedded.ReadFile("openapi.json")
	if err != nil {
		return err
	}
	return send(w, r, http.StatusOK, "application/json", body)
}
