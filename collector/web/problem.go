package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/words"
	"dewpost/rules/unit"
)

// problem is an error as RFC 9457 has it, with three members of our own: which
// field was wrong, what it was, and what to do.
type problem struct {
	Status int    `json:"status"`
	Title  string `json:"title"`
	Field  string `json:"field,omitempty"`
	Value  string `json:"value,omitempty"`
	Fix    string `json:"fix,omitempty"`

	challenge string // for the header WWW-Authenticate, where there is one
}

func (p *problem) Error() string { return p.Title }

const valueShown = 100 // runes of a wrong value that are given back

func (p *problem) write(w http.ResponseWriter, r *http.Request) {
	shown := *p
	if v := []rune(p.Value); len(v) > valueShown {
		shown.Value = string(v[:valueShown]) + "…"
	}
	body, err := json.Marshal(&shown)
	if err != nil {
		http.Error(w, p.Title, p.Status)
		return
	}
	if err := send(w, r, p.Status, "application/problem+json", append(body, '\n')); err != nil {
		http.Error(w, p.Title, p.Status)
	}
}

// query reads the parameters of a request and keeps the first error.
type query struct {
	values url.Values
	err    error
	locale *words.Locale // of who asks
}

// ask refuses parameters that are not among names, and any given twice.
func ask(r *http.Request, names ...string) *query {
	values, err := url.ParseQuery(r.URL.RawQuery)
	q := &query{values: values, locale: localeOf(r)}
	if err != nil {
		q.refuse("query", r.URL.RawQuery, "write name=value pairs joined by &")
		return q
	}
	given := make([]string, 0, len(values))
	for name := range values {
		given = append(given, name)
	}
	slices.Sort(given)
	for _, name := range given {
		switch {
		case !slices.Contains(names, name) && len(names) == 0:
			q.refuse(name, values.Get(name), "leave it out: there are no parameters here")
		case !slices.Contains(names, name):
			q.refuse(name, values.Get(name), "use "+strings.Join(names, ", "))
		case len(values[name]) > 1:
			q.refuse(name, strings.Join(values[name], " "), "give it once")
		}
	}
	return q
}

func (q *query) refuse(field, value, fix string) {
	if q.err == nil {
		q.err = &problem{Status: http.StatusBadRequest, Title: "A parameter is wrong", Field: field, Value: value, Fix: fix}
	}
}

// instant reads an RFC 3339 time; absent when it isn't given.
func (q *query) instant(name string, absent unit.Instant) unit.Instant {
	text := q.values.Get(name)
	if text == "" {
		return absent
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || t.Year() < 1700 || t.Year() > 2200 {
		q.refuse(name, text, "write an RFC 3339 time between 1700 and 2200, such as 2025-11-04T00:00:00Z; a + must be sent as %2B")
		return absent
	}
	return unit.At(t)
}

func (q *query) interval(from, to unit.Instant) (unit.Instant, unit.Instant) {
	from, to = q.instant("from", from), q.instant("to", to)
	if from > to {
		q.refuse("to", q.values.Get("to"), "let it be after from: intervals are [from, to)")
	}
	return from, to
}

func (q *query) integer(name string, absent, least, most int) int {
	text := q.values.Get(name)
	if text == "" {
		return absent
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > most {
		q.refuse(name, text, fmt.Sprintf("write a whole number from %d to %d", least, most))
		return absent
	}
	return n
}

func (q *query) choice(name, absent string, choices []string) string {
	text := q.values.Get(name)
	if text == "" {
		return absent
	}
	if !slices.Contains(choices, text) {
		q.refuse(name, text, "use one of "+strings.Join(choices, ", "))
		return absent
	}
	return text
}
