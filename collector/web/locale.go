package web

import (
	"context"
	"io/fs"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"time"

	"dewpost/collector/words"
)

// reads is how a person reads pages. What is "" follows the browser or the
// language.
type reads struct {
	Language string // en or de
	Degrees  string // c or f
	Numbers  string // point or comma
	Theme    string // light or dark

	locale *words.Locale
}

// readsCookie holds it for whoever does not sign in.
const (
	readsCookie = "dewpost-reads"
	readsLife   = 400 * 24 * time.Hour // RFC 6265bis section 5.5: as long as a browser keeps one
)

// readsFields are the choices, in the order in which they stand in text.
var readsFields = []struct {
	name    string
	choices []string
	of      func(*reads) *string
}{
	{"language", words.Languages(), func(r *reads) *string { return &r.Language }},
	{"degrees", []string{"c", "f"}, func(r *reads) *string { return &r.Degrees }},
	{"numbers", []string{"point", "comma"}, func(r *reads) *string { return &r.Numbers }},
	{"theme", []string{"light", "dark"}, func(r *reads) *string { return &r.Theme }},
}

// String is how it is kept: name=value, with + between.
func (r reads) String() string {
	var parts []string
	for _, f := range readsFields {
		if v := *f.of(&r); v != "" {
			parts = append(parts, f.name+"="+v)
		}
	}
	return strings.Join(parts, "+")
}

// parseReads takes what it knows of a text, which may come from an older or newer
// program, or from a cookie that somebody wrote.
func parseReads(text string) reads {
	var r reads
	for part := range strings.SplitSeq(text, "+") {
		name, value, _ := strings.Cut(part, "=")
		for _, f := range readsFields {
			if f.name == name && slices.Contains(f.choices, value) {
				*f.of(&r) = value
			}
		}
	}
	return r
}

// settle makes the locale; accept is the header Accept-Language.
func (r *reads) settle(accept string) {
	l, ok := words.In(r.Language)
	if !ok {
		l = words.Wanted(accept)
	}
	if r.Numbers != "" {
		l.Comma = r.Numbers == "comma"
	}
	l.Fahrenheit = r.Degrees == "f"
	r.locale = &l
}

type readsKey struct{}

// withReads adds how a visitor reads: what an account says comes before a cookie.
func withReads(r *http.Request, v visitor) *http.Request {
	text := v.Reads
	if !v.SignIn {
		text, _ = cookie(r, readsCookie)
	}
	in := parseReads(text)
	in.settle(r.Header.Get("Accept-Language"))
	return r.WithContext(context.WithValue(r.Context(), readsKey{}, in))
}

func readsOf(r *http.Request) reads {
	if in, ok := r.Context().Value(readsKey{}).(reads); ok {
		return in
	}
	return reads{locale: words.English}
}

// localeOf is how the visitor of a page reads. Programs read English.
func localeOf(r *http.Request) *words.Locale { return readsOf(r).locale }

// scriptTexts are what scripts say: t('…') in them.
var scriptTexts = func() (all []string) {
	said := regexp.MustCompile(`\bt\('((?:[^'\\]|\\.)*)'\)`)
	names, _ := fs.Glob(embedded, "static/*.js")
	for _, name := range names {
		source, err := fs.ReadFile(embedded, name)
		if err != nil {
			panic("read embedded script: " + err.Error())
		}
		for _, m := range said.FindAllStringSubmatch(string(source), -1) {
			all = append(all, m[1])
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}()
