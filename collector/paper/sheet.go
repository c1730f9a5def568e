// Package paper draws what a workshop prints: job cards, the day's load list,
// labels for the inside of a cover, and the report of a season for owners. It
// computes nothing: what stands on a sheet comes from the records and from
// package view. The same input gives the same bytes; the date is an argument.
//
// Sheets carry their fonts with them: Go Regular and Go Bold, by Bigelow and
// Holmes, under the licence of the Go project (see the module
// golang.org/x/image). They hold Latin, Greek and Cyrillic. A character that
// they lack is printed as □, and the foot of the page says so.
package paper

import (
	"bytes"
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"rsc.io/qr"

	"dewpost/collector/books"
	"dewpost/collector/words"
)

// Sizes of paper.
const (
	A4     = "a4"
	Letter = "letter"
)

// Sizes are all of them.
var Sizes = []string{A4, Letter}

// CheckSize returns a books.Error unless there is such paper.
func CheckSize(size string) error {
	if size != A4 && size != Letter {
		return books.Error{Field: "paper", Value: size, Fix: "use a4 or letter"}
	}
	return nil
}

const (
	margin = 15.0 // mm
	row    = 5.0  // mm, height of a line of text
	body   = 9.5  // pt
	lost   = '□'  // stands for a character that the font lacks

	// allPages stands for the number of pages until it is known. It is made of
	// what printable lets nobody write.
	allPages = "\u200b\u200b\u200b"
)

var covered = sync.OnceValues(func() (*sfnt.Font, error) { return sfnt.Parse(goregular.TTF) })

// printable is text as the font can show it, and whether it lost anything.
// Line breaks become spaces.
func printable(text string) (shown string, whole bool) {
	font, err := covered()
	if err != nil {
		return "", false
	}
	var buf sfnt.Buffer
	whole = true
	shown = strings.Map(func(r rune) rune {
		if r == '\n' || r == '\r' || r == '\t' {
			return ' '
		}
		if unicode.Is(unicode.Cf, r) { // joiners and directions have no shape
			whole = false
			return -1
		}
		if i, err := font.GlyphIndex(&buf, r); err != nil || i == 0 || r > 0xffff {
			whole = false
			return lost
		}
		return r
	}, text)
	return shown, whole
}

// sheet is a document that is being drawn, in millimetres.
type sheet struct {
	*fpdf.Fpdf
	wide float64 // between the margins
	gaps bool    // some character could not be printed
}

func open(w, h, edge float64, title string, printed time.Time) *sheet {
	f := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: w, Ht: h}})
	f.SetCreationDate(printed.UTC())
	f.SetModificationDate(printed.UTC())
	f.SetCatalogSort(true)
	f.SetLang("en-GB")
	f.AddUTF8FontFromBytes("go", "", bytes.Clone(goregular.TTF))
	f.AddUTF8FontFromBytes("go", "B", bytes.Clone(gobold.TTF))
	f.SetMargins(edge, edge, edge)
	f.SetCellMargin(0)
	s := &sheet{Fpdf: f, wide: w - 2*edge}
	f.SetTitle(s.clean(title), true)
	f.SetFont("go", "", body)
	return s
}

// newSheet begins a document on A4 or Letter whose foot names it.
func newSheet(lc *words.Locale, size, title string, printed time.Time) (*sheet, error) {
	if err := CheckSize(size); err != nil {
		return nil, err
	}
	w, h := 210.0, 297.0
	if size == Letter {
		w, h = 215.9, 279.4
	}
	s := open(w, h, margin, title, printed)
	s.SetAutoPageBreak(true, margin+6)
	s.AliasNbPages(allPages)
	foot := s.short(title, s.wide-60)
	s.SetFooterFunc(func() {
		s.SetY(-margin)
		s.font("", 7.5)
		s.SetTextColor(90, 90, 90)
		if s.gaps {
			s.CellFormat(0, 3.5, lc.Say("□ stands for a character that this print has no shape for; the record holds it."), "", 1, "L", false, 0, "")
		}
		s.CellFormat(s.wide-40, 4, foot+", "+lc.Format(printed, "2 January 2006"), "", 0, "L", false, 0, "")
		s.CellFormat(40, 4, lc.Say("page %d of ", s.PageNo())+allPages, "", 0, "R", false, 0, "")
		s.SetTextColor(0, 0, 0)
	})
	s.AddPage()
	return s, nil
}

func (s *sheet) font(style string, pt float64) { s.SetFont("go", style, pt) }

func (s *sheet) clean(text string) string {
	shown, whole := printable(text)
	s.gaps = s.gaps || !whole
	return shown
}

// short is text cut to a width, with … where something is left out.
func (s *sheet) short(text string, width float64) string {
	text = s.clean(text)
	if s.GetStringWidth(text) <= width {
		return text
	}
	all := []rune(text)
	for len(all) > 0 && s.GetStringWidth(string(all)+"…") > width {
		all = all[:len(all)-1]
	}
	return string(all) + "…"
}

// room begins another page unless so many millimetres are left on this one.
func (s *sheet) room(height float64) {
	_, h := s.GetPageSize()
	if s.GetY()+height > h-margin-6 {
		s.AddPage()
	}
}

// heading is a line over a part, kept together with what follows.
func (s *sheet) heading(text string) {
	s.room(18)
	s.Ln(2.5)
	s.font("B", 11.5)
	s.MultiCell(s.wide, 5.5, s.clean(text), "", "L", false)
	s.Ln(0.8)
	s.font("", body)
}

// para writes text over the whole width, broken where it must be.
func (s *sheet) para(text string) { s.at(0, text) }

// at writes text indented by so much.
func (s *sheet) at(indent float64, text string) {
	if text = s.clean(text); text == "" {
		return
	}
	s.SetX(margin + indent)
	s.MultiCell(s.wide-indent, row, text, "", "L", false)
}

// bold writes a line of bold text.
func (s *sheet) bold(text string) {
	s.room(12)
	s.font("B", body)
	s.para(text)
	s.font("", body)
}

// small writes text in small type.
func (s *sheet) small(text string) {
	s.font("", 8)
	s.SetTextColor(70, 70, 70)
	s.MultiCell(s.wide, 4, s.clean(text), "", "L", false)
	s.SetTextColor(0, 0, 0)
	s.font("", body)
}

// tick writes text behind an empty box to be ticked.
func (s *sheet) tick(text string) {
	s.room(row * 2)
	y := s.GetY()
	s.SetLineWidth(0.25)
	s.Rect(margin+0.5, y+0.9, 3.2, 3.2, "D")
	s.at(6, text)
	s.Ln(0.6)
}

// blank is a name with a line to write on, two to a row.
func (s *sheet) blanks(names []string) {
	half := s.wide / 2
	for i, name := range names {
		if i%2 == 0 {
			s.room(8)
		}
		x, y := margin+half*float64(i%2), s.GetY()
		s.SetXY(x, y)
		s.CellFormat(half, 7, s.short(name, half-32), "", 0, "L", false, 0, "")
		s.SetLineWidth(0.2)
		s.Line(x+half-30, y+6, x+half-5, y+6)
		if i%2 == 1 || i == len(names)-1 {
			s.SetXY(margin, y+7)
		}
	}
}

// choices is a name with boxes of which one is ticked.
func (s *sheet) choices(name string, of []string) {
	s.room(6)
	y := s.GetY()
	s.SetXY(margin, y)
	s.CellFormat(28, row, s.short(name, 27), "", 0, "L", false, 0, "")
	x := margin + 28
	for _, text := range of {
		s.Rect(x, y+0.9, 3.2, 3.2, "D")
		s.SetXY(x+4.4, y)
		w := s.GetStringWidth(s.clean(text))
		s.CellFormat(w, row, s.clean(text), "", 0, "L", false, 0, "")
		x += 4.4 + w + 5
	}
	s.SetXY(margin, y+6)
}

// table writes rows under a head; widths are parts of the whole. Cells that are
// too long are broken into lines.
func (s *sheet) table(head []string, widths []float64, rows [][]string) {
	s.font("B", 8.5)
	s.cells(head, widths)
	s.font("", 8.5)
	for _, cells := range rows {
		s.cells(cells, widths)
	}
	s.font("", body)
	s.Ln(1)
}

func (s *sheet) cells(cells []string, widths []float64) {
	const high, most = 4.2, 8
	lines, deepest := make([][]string, len(cells)), 1
	for i, text := range cells {
		lines[i] = s.split(text, s.wide*widths[i]-2)
		if len(lines[i]) > most {
			lines[i] = append(lines[i][:most-1], "…")
		}
		deepest = max(deepest, len(lines[i]))
	}
	s.room(high*float64(deepest) + 1)
	x, y := margin, s.GetY()
	for i := range cells {
		for j, line := range lines[i] {
			s.SetXY(x, y+high*float64(j))
			s.CellFormat(s.wide*widths[i]-2, high, line, "", 0, "L", false, 0, "")
		}
		x += s.wide * widths[i]
	}
	end := y + high*float64(deepest) + 0.6
	s.SetDrawColor(190, 190, 190)
	s.SetLineWidth(0.15)
	s.Line(margin, end, margin+s.wide, end)
	s.SetDrawColor(0, 0, 0)
	s.SetXY(margin, end+0.5)
}

// split breaks text into lines of a width: between words, else within one.
func (s *sheet) split(text string, width float64) (lines []string) {
	line := ""
	for word := range strings.FieldsSeq(s.clean(text)) {
		if next := strings.TrimPrefix(line+" "+word, " "); s.GetStringWidth(next) <= width {
			line = next
			continue
		}
		if line != "" {
			lines, line = append(lines, line), ""
		}
		for _, r := range word {
			if s.GetStringWidth(line+string(r)) > width && line != "" {
				lines, line = append(lines, line), ""
			}
			line += string(r)
		}
	}
	return append(lines, line)
}

// frame draws a box round what f writes, if it stayed on one page.
func (s *sheet) frame(f func()) {
	page, y := s.PageNo(), s.GetY()
	f()
	if s.PageNo() == page {
		s.SetLineWidth(0.5)
		s.Line(margin-3, y, margin-3, s.GetY())
	}
	s.Ln(1)
}

// code draws text as a QR code (ISO/IEC 18004, level M) with its quiet zone
// inside size; nothing where the text is too long for one.
func (s *sheet) code(text string, x, y, size float64) error {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return fmt.Errorf("draw the QR code: %w", err)
	}
	const quiet = 4
	one := size / float64(code.Size+2*quiet)
	s.SetFillColor(0, 0, 0)
	for cy := range code.Size {
		for cx := 0; cx < code.Size; cx++ {
			run := 0
			for cx+run < code.Size && code.Black(cx+run, cy) {
				run++
			}
			if run > 0 {
				s.Rect(x+one*float64(quiet+cx), y+one*float64(quiet+cy), one*float64(run), one*1.01, "F")
				cx += run
			}
		}
	}
	return nil
}

// CodePath returns text as a QR code, as the path of an SVG drawing of size by
// size units with its quiet zone inside; size 0 for no text.
func CodePath(text string) (path string, size int, err error) {
	if text == "" {
		return "", 0, nil
	}
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", 0, fmt.Errorf("draw the QR code: %w", err)
	}
	const quiet = 4
	var b strings.Builder
	for y := range code.Size {
		for x := range code.Size {
			if code.Black(x, y) {
				fmt.Fprintf(&b, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	return b.String(), code.Size + 2*quiet, nil
}

func (s *sheet) bytes() ([]byte, error) {
	var b bytes.Buffer
	if err := s.Output(&b); err != nil {
		return nil, fmt.Errorf("draw the sheet: %w", err)
	}
	return b.Bytes(), nil
}
