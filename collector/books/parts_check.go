package books

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"dewpost/rules/reading"
	"dewpost/rules/stock"
)

const (
	partText    = 200 // bytes of a text
	partList    = 100 // entries of a list
	partsAtMost = 1_000_000
	hoursAtMost = 1000
)

// notKinds are addresses below those of kinds.
var notKinds = []string{"kinds", "moves", "reservations", "recipes"}

func checkKind(k *stock.Kind) error {
	if slices.Contains(notKinds, k.ID) {
		return Error{"kind", k.ID, "choose another id: this word has a meaning of its own"}
	}
	if k.Unit == "" {
		k.Unit = stock.Piece
	}
	return firstWrong(
		partID("kind", k.ID),
		partWords("name", k.Name),
		partWords("class", k.Class),
		partOneOf("unit", k.Unit, stock.Units),
		partNumber("minimum", k.Minimum, 0),
		partLines("fits", k.Fits),
	)
}

func checkLot(l *stock.Lot) error {
	if l.Loan && l.Owner == "" {
		return Error{"owner", "", "say who lent it"}
	}
	return firstWrong(
		partNumber("quantity", l.Quantity, 1),
		partOneOf("condition", l.Condition, stock.Conditions),
		partOneOf("grade", l.Grade, stock.Grades),
		partLine("place", l.Place),
		partLine("origin", l.Origin),
		partLine("note", l.Note),
	)
}

func checkReservation(r *stock.Reservation) error {
	if r.Grade == "" {
		r.Grade = stock.Worst
	}
	return firstWrong(
		partNumber("quantity", r.Quantity, 1),
		partOneOf("grade", r.Grade, stock.Grades),
		partNumber("visit", r.Visit, 0),
		partLine("order", r.Order),
		partDate("need_by", r.NeedBy),
	)
}

func checkRecipe(r *stock.Recipe) error {
	if err := firstWrong(
		partID("recipe", r.ID),
		partNumber("quantity", r.Quantity, 1),
		partOneOf("grade", r.Grade, stock.Grades),
		partLines("steps", r.Steps),
	); err != nil {
		return err
	}
	if !(r.Hours >= 0 && r.Hours <= hoursAtMost) {
		return Error{"hours", strconv.FormatFloat(r.Hours, 'g', -1, 64), fmt.Sprintf("write hours of work from 0 to %d", hoursAtMost)}
	}
	if len(r.Needs) == 0 || len(r.Needs) > partList {
		return Error{"needs", strconv.Itoa(len(r.Needs)), fmt.Sprintf("name 1 to %d things that it is made from", partList)}
	}
	seen := make(map[stock.Need]bool)
	for _, n := range r.Needs {
		if n.Condition != "" {
			if err := partOneOf("condition", n.Condition, stock.Conditions); err != nil {
				return err
			}
		}
		if err := partNumber("quantity", n.Quantity, 1); err != nil {
			return err
		}
		n.Quantity = 0
		if seen[n] {
			return Error{"needs", n.Kind, "name it once, with the whole quantity"}
		}
		seen[n] = true
	}
	return nil
}

func firstWrong(all ...error) error {
	for _, err := range all {
		if err != nil {
			return err
		}
	}
	return nil
}

var partPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$`)

func partID(field, id string) error {
	if !partPattern.MatchString(id) {
		return Error{field, partShown(id), "use 1 to 32 of a-z, 0-9 and -, beginning and ending with a letter or digit"}
	}
	return nil
}

// partShown is a value that may be anything.
func partShown(value string) string { return reading.Printable([]byte(value)) }

// partLine checks a text that may be left out.
func partLine(field, text string) error {
	switch {
	case !utf8.ValidString(text) || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return Error{field, partShown(text), "write one line of text in UTF-8 without control characters"}
	case len(text) > partText:
		return Error{field, partShown(text), fmt.Sprintf("write at most %d bytes", partText)}
	}
	return nil
}

// partWords checks a text that must be there.
func partWords(field, text string) error {
	if strings.TrimSpace(text) == "" {
		return Error{field, text, "write some text"}
	}
	return partLine(field, text)
}

func partLines(field string, list []string) error {
	if len(list) > partList {
		return Error{field, strconv.Itoa(len(list)), fmt.Sprintf("write at most %d", partList)}
	}
	for _, text := range list {
		if err := partWords(field, text); err != nil {
			return err
		}
	}
	return nil
}

func partOneOf[T ~string](field string, value T, of []T) error {
	if slices.Contains(of, value) {
		return nil
	}
	var names []string
	for _, v := range of {
		names = append(names, string(v))
	}
	return Error{field, partShown(string(value)), "write one of " + strings.Join(names, ", ")}
}

func partNumber(field string, n, least int64) error {
	most := int64(partsAtMost)
	if field == "visit" {
		most = math.MaxInt64
	}
	if n < least || n > most {
		return Error{field, strconv.FormatInt(n, 10), fmt.Sprintf("write a whole number from %d to %d", least, most)}
	}
	return nil
}

func partDate(field, text string) error {
	if text == "" {
		return nil
	}
	if t, err := time.Parse(time.DateOnly, text); err != nil || t.Year() < 2000 || t.Year() > 2200 {
		return Error{field, partShown(text), "write a date between 2000 and 2200, such as 2026-04-30"}
	}
	return nil
}
