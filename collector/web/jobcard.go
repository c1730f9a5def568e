package web

import (
	"fmt"
	"net/http"

	"dewpost/collector/paper"
)

// codePage is a QR code as a drawing.
type codePage struct {
	Size int
	Path string
}

// jobPartPage is a part of a job card under its heading.
type jobPartPage struct {
	ID, Title string
	Blocks    []paper.Block
}

type jobCardPage struct {
	sheet
	Title, Name, Visit string
	Number             int64
	Head               []string
	Code               *codePage // nil: nothing to show
	Parts              []jobPartPage
	Sketch             sketch
	Zone               string
}

// jobCardPage shows a job card as a page, with what stands on its PDF.
func (s *server) jobCardPage(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if q := ask(r); q.err != nil {
		return q.err
	}
	d, err := s.detailsOf(r)
	if err != nil {
		return err
	}
	card, err := s.desk(r).JobCard(r.Context(), lc, d.Number, s.now())
	if err != nil {
		return err
	}
	p := &jobCardPage{Title: card.Title(lc), Number: d.Number, Sketch: sketchOf(lc, &card.Chart), Zone: card.Station.Site.Zone.String()}
	p.Name, p.Visit, p.Head = card.Head(lc)
	path, size, err := paper.CodePath(card.Link)
	if err != nil {
		return err
	}
	if size > 0 {
		p.Code = &codePage{size, path}
	}
	for _, b := range card.Blocks(lc) {
		if b.Kind == paper.HeadingBlock {
			p.Parts = append(p.Parts, jobPartPage{ID: fmt.Sprintf("part-%d", len(p.Parts)+1), Title: b.Text})
			continue
		}
		if b.Kind == paper.EndBlock {
			continue
		}
		last := &p.Parts[len(p.Parts)-1]
		last.Blocks = append(last.Blocks, b)
	}
	return s.page(w, r, http.StatusOK, "jobcard.html", p)
}
