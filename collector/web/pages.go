package web

import (
	"bytes"
	"fmt"
	"net/http"
)

// page executes a template into memory, so that one that fails has sent
// nothing yet.
func (s *server) page(w http.ResponseWriter, r *http.Request, status int, name string, data any) error {
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, name, data); err != nil {
		return fmt.Errorf("write page %s: %w", name, err)
	}
	return send(w, r, status, "text/html; charset=utf-8", b.Bytes())
}

func (s *server) problemPage(w http.ResponseWriter, r *http.Request, p *problem) {
	if err := s.page(w, r, p.Status, "problem.html", p); err != nil {
		s.cfg.Log.Error("request failed", "method", r.Method, "path", r.URL.Path, "error", err)
		p.write(w, r)
	}
}

// moment is an instant in words, with the exact one at hand.
type moment struct{ Text, UTC string }

// actPage is what a person should do, in words.
type actPage struct {
	Action, By string
	Late       bool
}
