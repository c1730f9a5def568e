package web

import (
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"time"

	"dewpost/collector/export"
	"dewpost/collector/record"
	"dewpost/collector/words"
)

// chunkTime is how long a peer may take for each part of a long answer.
const chunkTime = 30 * time.Second

// withExport is for what only makes sense where there is something to export.
func (s *server) withExport(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Export == nil {
			return &problem{Status: http.StatusNotFound, Title: "There is nothing to export here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return handle(w, r)
	}
}

// exports are the items that somebody with that role may have.
func (s *server) exports(r *http.Request) ([]export.Item, error) {
	all, err := export.Items(r.Context(), s.cfg.Export)
	return slices.DeleteFunc(all, func(it export.Item) bool { return it.Private && visitorOf(r).Role < record.Run }), err
}

type apiExport struct {
	What       string          `json:"what"`
	About      string          `json:"about"`
	Formats    []export.Format `json:"formats"`
	OneStation bool            `json:"one_station_as_csv"`
}

func (s *server) apiExports(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	items, err := s.exports(r)
	if err != nil {
		return err
	}
	out := list[apiExport]{Items: []apiExport{}}
	for _, it := range items {
		out.Items = append(out.Items, apiExport{it.Name, it.About, it.Formats, it.OneStation})
	}
	return sendJSON(w, r, out)
}

// apiExport sends what is stored as it is read: nothing but a part of it is in
// memory. When it fails on the way the connection is broken off, so that nobody
// takes a part for the whole.
func (s *server) apiExport(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "format", "station", "from", "to")
	what, role := r.PathValue("what"), visitorOf(r).Role
	want := record.Want{Owners: role >= record.Run}
	want.From, want.To = q.interval(math.MinInt64, math.MaxInt64)
	format := export.Format(q.choice("format", string(export.CSV), []string{string(export.CSV), string(export.JSONLines), string(export.LineProtocol)}))
	if id := q.values.Get("station"); id != "" {
		want.Stations = []string{id}
	}
	if q.err != nil {
		return q.err
	}
	all, err := export.Items(r.Context(), s.cfg.Export)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(all, func(it export.Item) bool { return it.Name == what })
	if i < 0 {
		return &problem{Status: http.StatusNotFound, Title: "There is no such export", Field: "what", Value: what, Fix: "take one from /api/v1/export"}
	}
	if all[i].Private {
		if err := admit(visitorOf(r), record.Run); err != nil {
			return err
		}
	}
	out := &download{w: w, head: r.Method == http.MethodHead}
	h := w.Header()
	out.start = func() {
		h.Set("Content-Type", format.MediaType())
		h.Set("Content-Disposition", `attachment; filename="`+fileName(what, want, format)+`"`)
		if h.Get("Cache-Control") == "" {
			h.Set("Cache-Control", "no-cache")
		}
	}
	_, err = export.Write(r.Context(), out, s.cfg.Export, what, format, want, s.now())
	var refused export.Refused
	switch {
	case errors.As(err, &refused):
		return &problem{Status: http.StatusBadRequest, Title: "A parameter is wrong", Field: refused.Field, Value: refused.Value, Fix: refused.Fix}
	case errors.Is(err, errHead):
		return nil
	case err != nil && out.begun:
		if r.Context().Err() == nil {
			s.cfg.Log.Error("export broken off", "what", what, "error", err)
		}
		panic(http.ErrAbortHandler)
	case err != nil:
		return err
	}
	out.begin()
	return nil
}

func fileName(what string, want record.Want, f export.Format) string {
	name := what
	if len(want.Stations) == 1 {
		name += "-" + want.Stations[0] // it is one that is enrolled
	}
	return name + "." + string(f)
}

var errHead = errors.New("only the head is wanted")

// download writes an answer of unknown length.
type download struct {
	w     http.ResponseWriter
	head  bool
	start func()
	begun bool
}

func (d *download) begin() {
	if !d.begun {
		d.begun = true
		d.start()
	}
}

func (d *download) Write(b []byte) (int, error) {
	d.begin()
	if d.head {
		return 0, errHead
	}
	// Where a deadline can't be set, as in a test, there is none.
	_ = http.NewResponseController(d.w).SetWriteDeadline(time.Now().Add(chunkTime))
	return d.w.Write(b)
}

var _ io.Writer = (*download)(nil)

type exportPage struct {
	sheet
	Items    []exportItemPage
	Stations []choicePage
}

type exportItemPage struct {
	Name, About string
	Formats     []exportFormatPage
	OneStation  bool
}

type exportFormatPage struct{ Format, Text string }

// formatNames name formats for people.
var formatNames = map[export.Format]string{export.CSV: "CSV", export.JSONLines: "JSON Lines", export.LineProtocol: "line protocol"}

func (s *server) export(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if q := ask(r); q.err != nil {
		return q.err
	}
	rows, err := s.cfg.View.Stations(r.Context())
	if err != nil {
		return err
	}
	items, err := s.exports(r)
	if err != nil {
		return err
	}
	p := &exportPage{}
	for i := range rows {
		p.Stations = append(p.Stations, choicePage{Value: rows[i].Station.ID, Text: rows[i].Station.Name})
	}
	for _, it := range items {
		item := exportItemPage{Name: it.Name, About: aboutWords(lc, it.Name, it.About), OneStation: it.OneStation}
		for _, f := range it.Formats {
			item.Formats = append(item.Formats, exportFormatPage{string(f), lc.Say(formatNames[f])})
		}
		p.Items = append(p.Items, item)
	}
	return s.page(w, r, http.StatusOK, "export.html", p)
}

// aboutWords tell what an export is. Tables of the store say no more than their name.
func aboutWords(lc *words.Locale, name, about string) string {
	const table = "The store's table %s, as it is."
	if about == fmt.Sprintf(table, name) {
		return lc.Say("The store's table %s, as it is.", name)
	}
	return lc.Retell(about)
}
