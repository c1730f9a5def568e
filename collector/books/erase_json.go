package books

import (
	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// ErasureJSON is an erasure as programs read it.
type ErasureJSON struct {
	Number   int64         `json:"number"` // 0 when nothing was changed
	Owner    string        `json:"owner"`
	At       unit.Instant  `json:"at"`
	Author   string        `json:"author"`
	Facts    int64         `json:"facts_deleted"`
	Changed  int64         `json:"texts_changed"`
	Finished *unit.Instant `json:"finished"`
}

// EraseReportJSON is a report as programs read it.
type EraseReportJSON struct {
	ErasureJSON
	Dry     bool              `json:"dry_run"`
	Traces  []TraceJSON       `json:"traces"`
	Renamed map[string]string `json:"renamed"` // without the old names where it is done: new id → new id
	Advice  []string          `json:"advice"`
}

// TraceJSON is one place. Before is there only while nothing was changed; After
// is null where the row was deleted.
type TraceJSON struct {
	Table  string  `json:"table"`
	Column string  `json:"column"`
	Rows   int64   `json:"rows"`
	Before *string `json:"before,omitempty"`
	After  *string `json:"after"`
}

// ErasuresJSON is a list of erasures as programs read it.
func ErasuresJSON(list []record.Erasure) map[string][]ErasureJSON {
	items := make([]ErasureJSON, 0, len(list))
	for i := range list {
		items = append(items, erasureJSON(&list[i]))
	}
	return map[string][]ErasureJSON{"items": items}
}

func erasureJSON(e *record.Erasure) ErasureJSON {
	j := ErasureJSON{Number: e.Number, Owner: e.Owner, At: e.At, Author: e.Author, Facts: e.Facts, Changed: e.Changed}
	if e.Finished != 0 {
		j.Finished = &e.Finished
	}
	return j
}

// JSON is the report as programs read it.
func (r *EraseReport) JSON() EraseReportJSON {
	j := EraseReportJSON{
		ErasureJSON: erasureJSON(&r.Erasure), Dry: r.Dry, Traces: make([]TraceJSON, 0, len(r.Traces)),
		Renamed: map[string]string{}, Advice: r.Advice(),
	}
	for i := range r.Traces {
		t := &r.Traces[i]
		place := TraceJSON{Table: t.Table, Column: t.Column, Rows: t.Rows}
		if r.Dry {
			place.Before = &t.Before
		}
		if t.After != "" {
			place.After = &t.After
		}
		j.Traces = append(j.Traces, place)
	}
	for before, after := range r.Renamed {
		if !r.Dry {
			before = after
		}
		j.Renamed[before] = after
	}
	return j
}
