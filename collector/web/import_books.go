package web

import (
	"errors"
	"io"
	"net/http"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// importedBooks is what an import of a table did, or with a dry run would do.
type importedBooks struct {
	DryRun bool `json:"dry_run"`
	New    int  `json:"new"`
	Change int  `json:"changed"`
	Same   int  `json:"same"`
}

// apiImport records what a table says, all or nothing. Stations are enrolled
// where the collector runs, for each gets a secret.
func (s *server) apiImport(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "from", "dry_run")
	dry := q.yes("dry_run")
	if q.err != nil {
		return q.err
	}
	if s.cfg.Importing == nil || s.cfg.Parts == nil {
		return &problem{Status: http.StatusForbidden, Title: "No tables are taken here", Fix: "use dewpost import"}
	}
	if err := csvBody(r); err != nil {
		return err
	}
	out := importedBooks{DryRun: dry}
	at, author, body := unit.At(s.cfg.Now()), visitorOf(r).Name, wholeBody{r.Body}
	var err error
	if what := r.PathValue("what"); what == "parts" {
		var done books.PartsImported
		done, err = s.cfg.Parts.Import(r.Context(), books.PartImport{Name: "body", Dry: dry}, body, at, author)
		out.New, out.Same = len(done.Kinds)+len(done.Lots), done.Same
	} else {
		var done books.Imported
		done, err = books.Import{
			What: what, Name: "body", From: q.values.Get("from"), Dry: dry,
			Enrol: func(string, []fact.Fact) (record.Station, []fact.Fact, error) {
				return record.Station{}, nil, errors.New("it is not enrolled: do that where the collector runs, with dewpost import or dewpost station add")
			},
		}.Read(r.Context(), s.cfg.Importing, body, at, author)
		out.New, out.Change, out.Same = done.New, done.Changed, done.Same
	}
	if err != nil {
		return tableProblem(err)
	}
	return sendJSON(w, r, out)
}

// wholeBody says what is wrong with a body that doesn't come in whole.
type wholeBody struct{ io.Reader }

func (b wholeBody) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		err = bodyError(err)
	}
	return n, err
}

// tableProblem says what is wrong with a table, all of it.
func tableProblem(err error) error {
	var p *problem
	if errors.As(err, &p) {
		return p
	}
	var wrong books.Error
	if errors.As(err, &wrong) {
		return &problem{Status: http.StatusBadRequest, Title: "Nothing was recorded", Field: wrong.Field, Value: wrong.Value, Fix: wrong.Fix}
	}
	var many *books.Mistakes
	if errors.As(err, &many) {
		return &problem{Status: http.StatusBadRequest, Title: "Nothing was recorded", Field: many.Wrong[0].Column, Value: many.Wrong[0].Value, Fix: many.Error()}
	}
	return err
}
