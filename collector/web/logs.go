package web

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/rules/logfile"
)

const (
	logMost   = 64 << 20         // bytes of a log: a year at one minute takes 20 MiB
	logTime   = 10 * time.Minute // for a log to come in and be stored
	logsAtOne = 2                // that do so at once
	logsHeld  = 4                // that wait for a person's word
)

// takesLogs are the routes whose body is a log.
var takesLogs = []string{"/stations/{id}/import", "/api/v1/stations/{id}/readings", "/api/v1/sites/{id}/weather", "/api/v1/sites/{id}/forecasts"}

// bodyMost is how many bytes a request's body may have.
func (r *route) bodyMost() int64 {
	switch {
	case takesPhoto(r.path):
		return photoBody
	case r.method == http.MethodPost && slices.Contains(takesLogs, r.path):
		return logMost
	}
	return bodyMost
}

// logs are logs that came in. They lie in files without a name, which are gone
// with the process at the latest.
type logs struct {
	room chan struct{} // holds one for each that comes in

	mu   sync.Mutex
	held []*heldLog // oldest first
}

// heldLog is a log that somebody looked at and may have stored.
type heldLog struct {
	id, station, by string
	file            *os.File
	options         logfile.Options
}

func newLogs() *logs { return &logs{room: make(chan struct{}, logsAtOne)} }

// spool puts body into a file; the caller closes it.
func (l *logs) spool(body io.Reader) (_ *os.File, err error) {
	f, err := os.CreateTemp("", "dewpost-log-*")
	if err != nil {
		return nil, err
	}
	if err = os.Remove(f.Name()); err == nil {
		_, err = io.Copy(f, body)
	}
	if err != nil {
		_ = f.Close() // the error before is the one to tell
		return nil, bodyError(err)
	}
	return f, nil
}

// bodyError says what a person or program can do about a body that didn't come
// in whole.
func bodyError(err error) error {
	var tooLong *http.MaxBytesError
	if errors.As(err, &tooLong) {
		return &problem{
			Status: http.StatusRequestEntityTooLarge, Title: "The log is too long",
			Fix: fmt.Sprintf("send at most %d MiB, or use dewpost readings import", logMost>>20),
		}
	}
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, os.ErrDeadlineExceeded) {
		return &problem{
			Status: http.StatusBadRequest, Title: "The log did not come in whole",
			Fix: fmt.Sprintf("send it again, within %s", logTime),
		}
	}
	return err
}

// begin waits for nobody: it lets few logs come in and be stored at a time, and
// gives them longer than other requests have. done makes room for the next.
func (l *logs) begin(w http.ResponseWriter) (done func(), err error) {
	select {
	case l.room <- struct{}{}:
	default:
		w.Header().Set("Retry-After", "10")
		return nil, &problem{Status: http.StatusServiceUnavailable, Title: "Other logs are coming in at this moment", Fix: "try again"}
	}
	c := http.NewResponseController(w)
	for _, set := range []func(time.Time) error{c.SetReadDeadline, c.SetWriteDeadline} {
		if err := set(time.Now().Add(logTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
			<-l.room
			return nil, err
		}
	}
	return func() { <-l.room }, nil
}

// hold keeps a log until somebody's word; the oldest one makes room.
func (l *logs) hold(h *heldLog) {
	id := make([]byte, 16)
	rand.Read(id) //nolint:errcheck // never fails
	h.id = hex.EncodeToString(id)
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.held) == logsHeld {
		_ = l.held[0].file.Close() // it was only read, and has no name
		l.held = l.held[1:]
	}
	l.held = append(l.held, h)
}

// take gives a held log to who brought it, once; nil when there is none.
func (l *logs) take(id, station, by string) *heldLog {
	l.mu.Lock()
	defer l.mu.Unlock()
	i := slices.IndexFunc(l.held, func(h *heldLog) bool { return h.id == id && h.station == station && h.by == by })
	if i < 0 {
		return nil
	}
	h := l.held[i]
	l.held = slices.Delete(l.held, i, i+1)
	return h
}

// logOptions reads how a log is to be read: a zone, and lines COLUMN=NAME.
func logOptions(zone string, columns, known []string) (opt logfile.Options, err error) {
	bad := func(field, value, fix string) error {
		return &problem{Status: http.StatusBadRequest, Title: "A field is wrong", Field: field, Value: value, Fix: fix}
	}
	opt = logfile.Options{Name: "log", Map: map[string]string{}, Form: true}
	for _, m := range columns {
		i := strings.LastIndexByte(m, '=')
		if i < 1 {
			return opt, bad("map", m, "write COLUMN=NAME, or COLUMN= to ignore the column")
		}
		from, to := strings.TrimSpace(m[:i]), strings.TrimSpace(m[i+1:])
		if to != "" && !slices.Contains(known, to) {
			return opt, bad("map", m, "behind the = goes one of "+strings.Join(known, ", "))
		}
		opt.Map[from] = to
	}
	if zone == "" {
		return opt, nil
	}
	if opt.Zone, err = time.LoadLocation(zone); err != nil || zone == "Local" {
		return opt, bad("tz", zone, "use a name of the IANA time zone database, as in Europe/Helsinki")
	}
	return opt, nil
}

// importProblem is what a person or program sees of an import that failed.
func importProblem(err error, kind, id string) error {
	var bad *logfile.Error
	var source importer.SourceError
	var forecast importer.ForecastError
	switch {
	case errors.As(err, &bad):
		p := &problem{Status: http.StatusBadRequest, Title: "The log can't be read", Field: "log", Value: bad.Value, Fix: bad.Fix}
		if bad.Column != "" {
			p.Field = "column " + bad.Column
		}
		if bad.Line > 0 {
			p.Fix = fmt.Sprintf("line %d: %s", bad.Line, bad.Fix)
		}
		return p
	case errors.As(err, &source):
		return &problem{Status: http.StatusBadRequest, Title: "A parameter is wrong", Field: source.Field, Value: source.Value, Fix: source.Fix}
	case errors.As(err, &forecast):
		return &problem{Status: http.StatusBadRequest, Title: "The forecast can't be recorded", Field: forecast.Field, Value: forecast.Value, Fix: forecast.Fix}
	case errors.Is(err, record.ErrForecastThere):
		return &problem{Status: http.StatusConflict, Title: "Another forecast of that issue is recorded", Field: "issued", Fix: "it stays, for outlooks rest on it: send this one with the time that it was issued"}
	case errors.Is(err, importer.ErrAhead):
		return &problem{Status: http.StatusBadRequest, Title: "The whole log lies ahead of the collector's clock", Field: "log", Fix: "correct its times or the zone"}
	case errors.Is(err, record.ErrNotFound) && kind == "site":
		return noSuchSite(id)
	case errors.Is(err, record.ErrRetired):
		return &problem{Status: http.StatusConflict, Title: "This station is retired", Field: "id", Value: id, Fix: "its record is closed"}
	}
	return err
}

func noSuchSite(id string) error {
	return &problem{Status: http.StatusNotFound, Title: "There is no such site", Field: "id", Value: id, Fix: "take an id from /api/v1/sites"}
}

// errNoImport says that logs can't be taken here.
func errNoImport() error {
	return &problem{Status: http.StatusForbidden, Title: "No logs are taken here", Fix: "use dewpost readings import, dewpost weather import and dewpost forecast import"}
}

// csvBody refuses what is no CSV.
func csvBody(r *http.Request) error {
	media, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if charset := params["charset"]; err != nil || media != "text/csv" || charset != "" && !strings.EqualFold(charset, "utf-8") {
		return &problem{
			Status: http.StatusUnsupportedMediaType, Title: "This is no log",
			Field: "Content-Type", Value: r.Header.Get("Content-Type"), Fix: "send text/csv in UTF-8",
		}
	}
	return nil
}

// withLog reads a log that is a request's body and hands it on.
func (s *server) withLog(w http.ResponseWriter, r *http.Request, opt logfile.Options, dryRun bool, do func(importer.Log) error) error {
	if err := csvBody(r); err != nil {
		return err
	}
	done, err := s.logs.begin(w)
	if err != nil {
		return err
	}
	defer done()
	f, err := s.logs.spool(r.Body)
	if err != nil {
		return err
	}
	err = do(importer.Log{From: f, Options: opt, DryRun: dryRun, Author: visitorOf(r).Name})
	if closed := f.Close(); err == nil {
		err = closed
	}
	return err
}

// askLog is ask for a request that brings a log: map may be given many times.
func askLog(r *http.Request, known []string, names ...string) (q *query, opt logfile.Options, dryRun bool) {
	names = append([]string{"tz", "map", "dry_run"}, names...)
	columns := r.URL.Query()["map"]
	once := r.Clone(r.Context())
	values := r.URL.Query()
	if len(columns) > 1 {
		values["map"] = columns[:1]
		once.URL.RawQuery = values.Encode()
	}
	q = ask(once, names...)
	if q.err != nil {
		return q, opt, false
	}
	opt, q.err = logOptions(q.values.Get("tz"), columns, known)
	return q, opt, q.yes("dry_run")
}

// yes reads a parameter that is true or false, which it is when it isn't given.
func (q *query) yes(name string) bool {
	return q.choice(name, "false", []string{"true", "false"}) == "true"
}

func (s *server) apiImportReadings(w http.ResponseWriter, r *http.Request) error {
	q, opt, dryRun := askLog(r, logfile.Known())
	if q.err != nil {
		return q.err
	}
	if s.cfg.ImportReadings == nil {
		return errNoImport()
	}
	id := r.PathValue("id")
	return s.withLog(w, r, opt, dryRun, func(log importer.Log) error {
		got, err := s.cfg.ImportReadings(r.Context(), id, log)
		if err != nil {
			return importProblem(err, "station", id)
		}
		return sendJSON(w, r, got)
	})
}
