package web

import (
	"errors"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"dewpost/collector/books"
)

const (
	bodyMost = 1 << 20  // bytes of any request's body
	formMost = 64 << 10 // bytes of a form
)

// form reads the fields of a form; others than names are refused, and any
// given twice.
func form(w http.ResponseWriter, r *http.Request, names ...string) (url.Values, error) {
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != "application/x-www-form-urlencoded" {
		return nil, &problem{
			Status: http.StatusUnsupportedMediaType, Title: "This is not a form",
			Field: "Content-Type", Value: r.Header.Get("Content-Type"), Fix: "send application/x-www-form-urlencoded",
		}
	}
	r.Body = http.MaxBytesReader(w, r.Body, formMost)
	if err := r.ParseForm(); err != nil {
		var tooLong *http.MaxBytesError
		if errors.As(err, &tooLong) {
			return nil, &problem{Status: http.StatusRequestEntityTooLarge, Title: "The form is too long", Fix: "send at most 64 KiB"}
		}
		return nil, &problem{Status: http.StatusBadRequest, Title: "The form can't be read", Fix: "send name=value pairs joined by &"}
	}
	for name, values := range r.PostForm {
		bad := &problem{Status: http.StatusBadRequest, Title: "A field is wrong", Field: name}
		switch {
		case !slices.Contains(names, name):
			bad.Fix = "use " + strings.Join(names, ", ")
		case len(values) > 1:
			bad.Fix = "give it once"
		case !books.IsText(values[0]):
			bad.Fix = notText
		default:
			continue
		}
		return nil, bad
	}
	return r.PostForm, nil
}

// fieldPage is a labelled input with what is wrong about it.
type fieldPage struct {
	ID, Name, Label string
	Type            string // of the input
	Value           string
	Auto            string // autocomplete, WHATWG HTML section 4.10.18.7
	Hint, Error     string
	Optional        bool
}

// Described names what a reader hears with the input.
func (f fieldPage) Described() string {
	var ids []string
	if f.Hint != "" {
		ids = append(ids, f.ID+"-hint")
	}
	if f.Error != "" {
		ids = append(ids, f.ID+"-error")
	}
	return strings.Join(ids, " ")
}
