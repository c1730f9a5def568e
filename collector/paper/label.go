package paper

import (
	"fmt"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/words"
)

// Labels by how they are printed: one at a time on a strip of 62 mm, or an A4
// sheet of them.
const (
	Strip = "62x29"
	Sheet = "a4-sheet"
)

// Label is what stands inside a station's cover for whoever opens it in ten
// years. It names no owner.
type Label struct {
	Printed time.Time
	ID      string
	Name    string
	Build   string
	Board   string
	Coating string
	Cover   string
	Date    string // on which the unit left the bench
	Link    string // in the QR code; "" for the id alone
}

const (
	labelWide, labelHigh = 62.0, 29.0 // mm
	// The sheet holds 3 by 9 labels, cut apart: 186 of 210 mm, 261 of 297 mm.
	labelsAcross, labelsDown = 3, 9
)

// DrawLabels draws labels for a kind of printing. A sheet is filled with as many
// as there are, from its top left, the first skip places left free.
func DrawLabels(lc *words.Locale, labels []Label, how string, skip int) ([]byte, error) {
	if len(labels) == 0 {
		return nil, books.Error{Field: "station", Value: "", Fix: "name at least one station"}
	}
	if skip < 0 || skip >= labelsAcross*labelsDown {
		return nil, books.Error{Field: "skip", Value: fmt.Sprint(skip), Fix: fmt.Sprintf("use a number from 0 to %d", labelsAcross*labelsDown-1)}
	}
	var s *sheet
	title := lc.Say("Label, %s", labels[0].ID)
	switch how {
	case Strip:
		s = open(labelWide, labelHigh, 1.5, title, labels[0].Printed)
	case Sheet:
		s = open(210, 297, 0, title, labels[0].Printed)
	default:
		return nil, books.Error{Field: "size", Value: how, Fix: "use " + Strip + " or " + Sheet}
	}
	s.SetAutoPageBreak(false, 0)
	for i := range labels {
		x, y := 0.0, 0.0
		if how == Strip {
			s.AddPage()
		} else {
			at := (i + skip) % (labelsAcross * labelsDown)
			if at == 0 || i == 0 {
				s.AddPage()
			}
			x, y = 12+labelWide*float64(at%labelsAcross), 18+labelHigh*float64(at/labelsAcross)
			s.SetDrawColor(200, 200, 200)
			s.SetLineWidth(0.1)
			s.Rect(x, y, labelWide, labelHigh, "D")
		}
		if err := s.label(lc, &labels[i], x, y); err != nil {
			return nil, err
		}
	}
	return s.bytes()
}

func (s *sheet) label(lc *words.Locale, l *Label, x, y float64) error {
	const mark, left = 25.0, 2.5
	text := l.Link
	if text == "" {
		text = l.ID
	}
	if err := s.code(text, x+labelWide-mark-1, y+(labelHigh-mark)/2, mark); err != nil {
		return err
	}
	wide := labelWide - mark - left - 1.5
	s.font("B", 12)
	for pt := 12.0; pt > 4 && s.GetStringWidth(l.ID) > wide; pt -= 0.5 {
		s.font("B", pt-0.5)
	}
	at := y + 2
	write := func(text string, high float64) {
		s.SetXY(x+left, at)
		s.CellFormat(wide, high, s.short(text, wide), "", 0, "L", false, 0, "")
		at += high
	}
	write(l.ID, 5.5)
	s.font("", 6.5)
	if l.Name != l.ID {
		write(l.Name, 3)
	}
	for _, line := range []struct{ name, value string }{
		{lc.Say("Build: "), lc.Code(l.Build)}, {lc.Say("Board: "), l.Board}, {lc.Say("Coat: "), l.Coating}, {lc.Say("Cover new: "), l.Cover}, {lc.Say("Restored: "), l.Date},
	} {
		if line.value == "" {
			continue
		}
		text := line.name + line.value
		for pt := 6.5; pt > 5 && s.GetStringWidth(s.clean(text)) > wide; pt -= 0.25 {
			s.font("", pt-0.25)
		}
		write(text, 3)
		s.font("", 6.5)
	}
	s.font("", 5.5)
	s.SetXY(x+left, y+labelHigh-4)
	s.CellFormat(wide, 2.5, lc.Say("Line off before opening."), "", 0, "L", false, 0, "")
	return nil
}
