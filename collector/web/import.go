package web

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"dewpost/collector/importer"
	"dewpost/collector/words"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

type importPage struct {
	sheet
	ID, Name      string
	Zone, Columns string // as written in the form
	Known         string
	Most          int    // MiB
	Wrong         string // with the log; "" for nothing
	Result        *importResult
}

// importResult says what became of a log, or would.
type importResult struct {
	Title  string
	Rows   []factPage
	Notes  []string
	Upload string // a log that waits for a person's word; "" for none
	Store  int    // rows that would be stored
}

// importPage shows the form that brings a log.
func (s *server) importPage(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showImport(w, r, http.StatusOK, importPage{})
}

// showImport fills in what the page needs beside p. The zone is the site's
// where none was written.
func (s *server) showImport(w http.ResponseWriter, r *http.Request, status int, p importPage) error {
	row, _, err := s.cfg.View.Station(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	st := &row.Station
	p.ID, p.Name, p.Most, p.Known = st.ID, st.Name, logMost>>20, strings.Join(logfile.Known(), ", ")
	if p.Zone == "" && status == http.StatusOK && p.Result == nil {
		p.Zone = st.Site.Zone.String()
	}
	return s.page(w, r, status, "import.html", &p)
}

// importLook takes a log in and says what would become of it.
func (s *server) importLook(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if s.cfg.ImportReadings == nil {
		return errNoImport()
	}
	if _, _, err := s.cfg.View.Station(r.Context(), r.PathValue("id")); err != nil {
		return err
	}
	done, err := s.logs.begin(w)
	if err != nil {
		return err
	}
	defer done()
	fields, file, err := s.logForm(r)
	if err != nil {
		return err
	}
	keep := false
	defer func() {
		if !keep {
			_ = file.Close() // it was only read, and has no name
		}
	}()
	p := importPage{Zone: strings.TrimSpace(fields["tz"]), Columns: fields["map"]}
	var columns []string
	for line := range strings.Lines(p.Columns) {
		if line = strings.TrimSpace(line); line != "" {
			columns = append(columns, line)
		}
	}
	h := &heldLog{station: r.PathValue("id"), by: visitorOf(r).Name, file: file}
	if h.options, err = logOptions(p.Zone, columns, logfile.Known()); err == nil {
		var got importer.Readings
		got, err = s.cfg.ImportReadings(r.Context(), h.station, importer.Log{From: file, Options: h.options, DryRun: true, Author: h.by})
		if err == nil {
			p.Result = resultOf(lc, &got)
			if got.Stored+got.Ahead+got.TooLate > 0 {
				s.logs.hold(h)
				keep, p.Result.Upload, p.Result.Store = true, h.id, got.Stored
			}
			return s.showImport(w, r, http.StatusOK, p)
		}
		err = importProblem(err, "station", h.station)
	}
	var bad *problem
	if !errors.As(err, &bad) || bad.Status != http.StatusBadRequest {
		return err
	}
	p.Wrong = bad.Field
	if bad.Value != "" {
		p.Wrong += " “" + reading.Printable([]byte(bad.Value)) + "”"
	}
	p.Wrong = capital(p.Wrong) + ": " + lc.Say(bad.Fix) + "."
	return s.showImport(w, r, http.StatusUnprocessableEntity, p)
}

// importStore stores a log that was looked at.
func (s *server) importStore(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	values, err := form(w, r, "upload")
	if err != nil {
		return err
	}
	if s.cfg.ImportReadings == nil {
		return errNoImport()
	}
	done, err := s.logs.begin(w)
	if err != nil {
		return err
	}
	defer done()
	id, by := r.PathValue("id"), visitorOf(r).Name
	h := s.logs.take(values.Get("upload"), id, by)
	if h == nil {
		return &problem{
			Status: http.StatusGone, Title: "This log is no longer here",
			Fix: "it was stored already, or others came after it: choose the file again; storing twice does no harm",
		}
	}
	got, err := s.cfg.ImportReadings(r.Context(), id, importer.Log{From: h.file, Options: h.options, Author: by})
	_ = h.file.Close() // it was only read, and has no name
	if err != nil {
		return importProblem(err, "station", id)
	}
	return s.showImport(w, r, http.StatusOK, importPage{Result: resultOf(lc, &got)})
}

// logForm reads a form with a log: the text of its fields, and the log in a
// file.
func (s *server) logForm(r *http.Request) (fields map[string]string, file *os.File, err error) {
	defer func() {
		if err != nil && file != nil {
			_ = file.Close() // the error is the one to tell
			file = nil
		}
	}()
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "multipart/form-data" {
		return nil, nil, &problem{
			Status: http.StatusUnsupportedMediaType, Title: "This is not a form with a file",
			Field: "Content-Type", Value: r.Header.Get("Content-Type"), Fix: "send multipart/form-data",
		}
	}
	bad := func(field, fix string) error {
		return &problem{Status: http.StatusBadRequest, Title: "A field is wrong", Field: field, Fix: fix}
	}
	parts, err := r.MultipartReader()
	if err != nil {
		return nil, nil, bad("Content-Type", "name the boundary of the form's parts")
	}
	fields = make(map[string]string)
	for {
		part, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			if tooLong := bodyError(err); !errors.Is(tooLong, err) {
				return nil, file, tooLong
			}
			return nil, file, bad("form", "its parts can't be told apart: send it again")
		}
		name := part.FormName()
		_, twice := fields[name]
		switch {
		case name != "log" && name != "tz" && name != "map":
			return nil, file, bad(name, "use log, tz, map")
		case twice || name == "log" && file != nil:
			return nil, file, bad(name, "give it once")
		case name == "log":
			if file, err = s.logs.spool(part); err != nil {
				return nil, nil, err
			}
			continue
		}
		text, err := io.ReadAll(io.LimitReader(part, formMost+1))
		switch {
		case err != nil:
			return nil, file, bodyError(err)
		case len(text) > formMost:
			return nil, file, bad(name, "send at most 64 KiB")
		case !utf8.Valid(text):
			return nil, file, bad(name, "use text in UTF-8")
		}
		fields[name] = string(text)
	}
	if file == nil {
		return nil, nil, bad("log", "choose a file")
	}
	return fields, file, nil
}

// resultOf says what became of a log, in words.
func resultOf(lc *words.Locale, r *importer.Readings) *importResult {
	p := &importResult{Title: lc.Say("Stored")}
	stored := lc.Say("stored")
	if r.DryRun {
		p.Title, stored = lc.Say("What would be stored"), lc.Say("new")
	}
	count := func(name string, n int) { p.Rows = append(p.Rows, factPage{Name: name, Value: fmt.Sprint(n)}) }
	count(lc.Say("rows"), r.Rows)
	if r.From != nil {
		p.Rows = append(p.Rows, factPage{Name: lc.Say("from"), Value: clock(*r.From)}, factPage{Name: lc.Say("to"), Value: clock(*r.To)}, factPage{Name: lc.Say("span"), Value: fmt.Sprintf("%.1f h", r.SpanH)})
	}
	count(stored, r.Stored)
	count(lc.Say("in the record already"), r.Repeated)
	if r.Ahead > 0 {
		count(lc.Say("ahead of the clock"), r.Ahead)
		p.Notes = append(p.Notes, lc.Say("Rows that lie ahead of the collector's clock go to quarantine and are stored when their time is reached. Is the zone right?"))
	}
	if r.TooLate > 0 {
		count(lc.Say("too late"), r.TooLate)
		p.Notes = append(p.Notes, lc.Say("Rows of a time whose readings were let go stay in quarantine: its hours stay as they are."))
	}
	for _, name := range slices.Sorted(maps.Keys(r.RefusedValues)) {
		count(lc.Say("refused %s", name), r.RefusedValues[name])
	}
	if len(r.RefusedValues) > 0 {
		p.Notes = append(p.Notes, lc.Say("Values out of their range are refused; their rows stay."))
	}
	if len(r.Ignored) > 0 {
		p.Notes = append(p.Notes, lc.Say("Ignored columns: %s.", strings.Join(r.Ignored, ", ")))
	}
	return p.gap(lc, &r.MaxGap, r.DryRun)
}

// gap says how long a step between readings may be and still be known.
func (p *importResult) gap(lc *words.Locale, g *importer.MaxGap, dryRun bool) *importResult {
	ofLog, ofStation := step(g.LogS), step(g.StationS)
	switch {
	case g.Recorded && dryRun:
		p.Notes = append(p.Notes, lc.Say("The log's own steps are long: steps up to %s will count as known for this station, which has neither readings nor such a fact.", ofLog))
	case g.Recorded:
		p.Notes = append(p.Notes, lc.Say("Steps up to %s count as known for this station from now on: it had neither readings nor such a fact.", ofLog))
	case g.LogS > g.StationS:
		p.Notes = append(p.Notes, lc.Say("Steps of more than %s are unknown time for this station; the log's own steps would take %s. Its fact max_gap changes that.", ofStation, ofLog))
	}
	return p
}

func step(seconds float64) string { return time.Duration(seconds * float64(time.Second)).String() }

func clock(t unit.Instant) string { return t.Time().Format("2006-01-02 15:04 UTC") }
