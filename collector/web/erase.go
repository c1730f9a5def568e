package web

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/words"
)

// eraseTime is how long an answer may take for which a store is rewritten.
const eraseTime = 15 * time.Minute

// withErasing is for what only makes sense where owners can be erased.
func (s *server) withErasing(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Erasing == nil {
			return &problem{Status: http.StatusNotFound, Title: "Nobody can be erased here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return handle(w, r)
	}
}

func (s *server) apiErasures(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	all, err := s.cfg.Erasing.Erasures(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, r, books.ErasuresJSON(all))
}

func (s *server) apiErase(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Owner   string   `json:"owner"`
		Confirm string   `json:"confirm"`
		DryRun  bool     `json:"dry_run"`
		Also    []string `json:"also"`
		Words   []string `json:"keep_words"`
		IDs     []string `json:"keep_ids"`
	}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	report, err := s.doErase(w, r, books.Erase{
		Owner: body.Owner, Confirm: body.Confirm, Also: body.Also, Keep: body.Words, KeepIDs: body.IDs, Dry: body.DryRun,
	})
	if err != nil && report.At == 0 {
		return noOwner(wrong(err), body.Owner)
	}
	if err != nil {
		s.cfg.Log.Error("erased, and not off the disk yet", "erasure", report.Number, "error", err)
	}
	return sendJSON(w, r, report.JSON())
}

// doErase goes on when whoever asked is gone: it may take minutes.
func (s *server) doErase(w http.ResponseWriter, r *http.Request, e books.Erase) (books.EraseReport, error) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(eraseTime)) // where one can be set
	return e.Do(context.WithoutCancel(r.Context()), s.cfg.Erasing, s.now(), visitorOf(r).Name)
}

func noOwner(err error, id string) error {
	if errors.Is(err, record.ErrNotFound) {
		return &problem{Status: http.StatusNotFound, Title: "There is no such owner", Field: "owner", Value: id, Fix: "take an id from the page Books"}
	}
	return err
}

type erasurePage struct {
	Number    int64
	Owner, By string
	At        moment
	Finished  moment // Text "" before
}

type tracePage struct {
	Place         string
	Rows          int64
	Before, After string
	Deleted       bool
}

type erasePage struct {
	sheet
	Erasures []erasurePage
	Fields   []fieldPage // of the form that looks
	Wrong    string

	Looked  bool // what would be done is shown
	Done    bool
	Report  books.EraseReport
	Traces  []tracePage
	Renamed []string
	Hidden  []choicePage // the form that looked, again
	Confirm fieldPage
}

// eraseNames are the fields of the form that looks.
var eraseNames = []string{"owner", "also", "keep_words", "keep_ids"}

func (s *server) erase(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "owner")
	if q.err != nil {
		return q.err
	}
	return s.showErase(w, r, http.StatusOK, &erasePage{Fields: eraseFields(lc, url.Values{"owner": {q.values.Get("owner")}})})
}

func eraseFields(lc *words.Locale, f url.Values) []fieldPage {
	fields := []fieldPage{
		{ID: "owner", Name: "owner", Label: lc.Say("Id of the owner"), Type: "text", Auto: "off", Hint: lc.Say("As on the page Books.")},
		{ID: "also", Name: "also", Label: lc.Say("Also known as"), Type: "text", Auto: "off", Hint: lc.Say("A nickname, another spelling, a number; several with ; between them.")},
		{ID: "keep_words", Name: "keep_words", Label: lc.Say("Common words in the name"), Type: "text", Auto: "off", Hint: lc.Say("They are searched only where the whole name stands.")},
		{ID: "keep_ids", Name: "keep_ids", Label: lc.Say("Stations and accounts of the same name"), Type: "text", Auto: "off", Hint: lc.Say("Those that have nothing to do with the owner, with ; between them.")},
	}
	for i := range fields {
		fields[i].Value = f.Get(fields[i].Name)
		fields[i].Optional = fields[i].Name != "owner"
	}
	return fields
}

func (s *server) showErase(w http.ResponseWriter, r *http.Request, status int, p *erasePage) error {
	lc := localeOf(r)
	all, err := s.cfg.Erasing.Erasures(r.Context())
	if err != nil {
		return err
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	for i := range all {
		e := &all[i]
		row := erasurePage{Number: e.Number, Owner: e.Owner, By: e.Author, At: moment{stamp(lc, e.At, zone), utc(e.At)}}
		if e.Finished != 0 {
			row.Finished = moment{stamp(lc, e.Finished, zone), utc(e.Finished)}
		}
		p.Erasures = append(p.Erasures, row)
	}
	return s.page(w, r, status, "erase.html", p)
}

// listed reads what stands in a field with ; between.
func listed(text string) (list []string) {
	for part := range strings.SplitSeq(text, ";") {
		if part = strings.TrimSpace(part); part != "" {
			list = append(list, part)
		}
	}
	return list
}

// postErase shows what would be done, or, when it is confirmed, does it.
func (s *server) postErase(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	f, err := form(w, r, append(slices.Clone(eraseNames), "confirm")...)
	if err != nil {
		return err
	}
	e := books.Erase{
		Owner: strings.TrimSpace(f.Get("owner")), Confirm: strings.TrimSpace(f.Get("confirm")),
		Also: listed(f.Get("also")), Keep: listed(f.Get("keep_words")), KeepIDs: listed(f.Get("keep_ids")), Dry: !f.Has("confirm"),
	}
	p := &erasePage{Fields: eraseFields(lc, f), Looked: true}
	p.Confirm = fieldPage{ID: "confirm", Name: "confirm", Label: lc.Say("Id of the owner, once more"), Type: "text", Auto: "off", Hint: lc.Say("What is erased can't be brought back.")}
	for _, name := range eraseNames {
		p.Hidden = append(p.Hidden, choicePage{Value: name, Text: f.Get(name)})
	}
	status := http.StatusOK
	report, err := s.doErase(w, r, e)
	var said books.Error
	switch {
	case errors.As(err, &said):
		status, p.Wrong = http.StatusUnprocessableEntity, capital(said.Error())+"."
		if p.Looked = said.Field == "confirm"; p.Looked {
			e.Dry = true
			if report, err = s.doErase(w, r, e); err != nil {
				return err
			}
		}
	case err != nil && report.At == 0:
		return noOwner(err, e.Owner)
	case err != nil:
		s.cfg.Log.Error("erased, and not off the disk yet", "erasure", report.Number, "error", err)
		p.Wrong = lc.Say("It is erased, and not off the disk yet: %s. Press Finish below when that is over.", err.Error())
	}
	p.report(report)
	return s.showErase(w, r, status, p)
}

func (p *erasePage) report(r books.EraseReport) {
	p.Report, p.Done = r, p.Looked && !r.Dry
	for i := range r.Traces {
		t := &r.Traces[i]
		row := tracePage{Place: t.Table + ", " + t.Column, Rows: t.Rows, After: t.After, Deleted: t.After == ""}
		if r.Dry {
			row.Before = t.Before
		}
		p.Traces = append(p.Traces, row)
	}
	for _, id := range slices.Sorted(maps.Keys(r.Renamed)) {
		p.Renamed = append(p.Renamed, r.Renamed[id])
	}
}

// finishErase takes off the disk what could not be taken off before.
func (s *server) finishErase(w http.ResponseWriter, r *http.Request) error {
	if _, err := form(w, r); err != nil {
		return err
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(eraseTime)) // where one can be set
	n, err := books.FinishErasing(context.WithoutCancel(r.Context()), s.cfg.Erasing, s.now())
	if err != nil {
		return &problem{Status: http.StatusConflict, Title: "It is not off the disk yet", Field: "erasures", Value: strconv.Itoa(n), Fix: err.Error()}
	}
	seeOther(w, r, "/erase")
	return nil
}
