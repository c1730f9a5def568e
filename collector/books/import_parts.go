package books

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// PartImportStore is what an import of parts needs of the store: all of it is
// kept, or nothing, with dry nothing in any case. What can't be kept is a
// record.PartError.
type PartImportStore interface {
	Parts(ctx context.Context, at unit.Instant) (record.Parts, error)
	ImportParts(ctx context.Context, kinds []stock.Kind, lots []stock.Lot, at unit.Instant, author string, dry bool) error
}

// PartImport reads a CSV file (RFC 4180, with a header) of what lies on the
// shelf, a lot a line. Columns are kind, quantity, condition, grade, owner, loan,
// place, origin and note; a kind that is new is described by name, class, unit,
// fits (with ; between them), irreplaceable, last_one and minimum, once. A line
// without quantity says of a kind only. A lot that is there already, alike in
// all of it, is left as it is.
type PartImport struct {
	Name string // of the file, for errors
	Dry  bool
}

// PartsImported is what an import of parts did, or would do.
type PartsImported struct {
	Kinds []stock.Kind // new
	Lots  []stock.Lot  // new
	Same  int          // lots that are there already
}

var (
	partLotColumns  = []string{"quantity", "condition", "grade", "owner", "loan", "place", "origin", "note"}
	partKindColumns = []string{"name", "class", "unit", "fits", "irreplaceable", "last_one", "minimum"}
)

// Read reads the file and records it.
func (im PartImport) Read(ctx context.Context, s PartImportStore, r io.Reader, at unit.Instant, author string) (PartsImported, error) {
	x := partImporter{wrong: &Mistakes{Name: im.Name}, kinds: map[string]int{}, lots: map[stock.Lot]int{}}
	var err error
	if x.known, err = s.Parts(ctx, at); err != nil {
		return PartsImported{}, err
	}
	err = readTable(r, im.Name, x.wrong, func(names []string) ([]string, error) {
		columns, _, err := columnsOf(names, []string{"kind"}, slices.Concat(partLotColumns, partKindColumns), nil)
		return columns, err
	}, x.row)
	if err != nil {
		return PartsImported{}, err
	}
	if len(x.wrong.Wrong) == 0 && len(x.out.Kinds)+len(x.out.Lots) > 0 {
		err = s.ImportParts(ctx, x.out.Kinds, x.out.Lots, at, author, im.Dry)
		var wrong record.PartError
		if errors.As(err, &wrong) {
			return PartsImported{}, Error(wrong)
		}
	}
	switch {
	case len(x.wrong.Wrong) > 0:
		return PartsImported{}, x.wrong
	case err != nil:
		return PartsImported{}, err
	}
	return x.out, nil
}

type partImporter struct {
	known record.Parts
	wrong *Mistakes
	kinds map[string]int    // lines that describe a kind
	lots  map[stock.Lot]int // lines, by what tells lots apart
	out   PartsImported
}

// row takes a line in.
func (x *partImporter) row(line int, _ []string, row map[string]string) {
	bad := func(err error) {
		var wrong Error
		if errors.As(err, &wrong) {
			x.wrong.add(Wrong{line, wrong.Field, wrong.Value, wrong.Fix})
		}
	}
	if err := x.kind(line, row); err != nil {
		bad(err)
		return
	}
	if row["quantity"] == "" {
		for _, name := range partLotColumns {
			if row[name] != "" {
				bad(Error{name, row[name], "say how many in the column quantity"})
				return
			}
		}
		return
	}
	l, err := lotOf(row)
	if err == nil {
		err = checkLot(&l)
	}
	if err == nil {
		err = x.lot(line, l)
	}
	if err != nil {
		bad(err)
	}
}

// kind takes in what a line says of its kind.
func (x *partImporter) kind(line int, row map[string]string) error {
	id := row["kind"]
	k := stock.Kind{ID: id, Name: row["name"], Class: row["class"], Unit: row["unit"]}
	described := slices.ContainsFunc(partKindColumns, func(name string) bool { return row[name] != "" })
	there := slices.IndexFunc(x.known.Kinds, func(k stock.Kind) bool { return k.ID == id })
	before, twice := x.kinds[id]
	switch {
	case !described && (there >= 0 || twice):
		return nil
	case !described:
		return Error{"kind", id, "the shelf has no such kind: describe it, with name and class at least"}
	case twice:
		return Error{"kind", id, fmt.Sprintf("line %d describes it too: leave these cells blank in one of them", before)}
	}
	if text := row["fits"]; text != "" {
		for _, model := range strings.Split(text, ";") {
			k.Fits = append(k.Fits, strings.TrimSpace(model))
		}
	}
	var err error
	if k.Irreplaceable, err = yesOrNo("irreplaceable", row); err != nil {
		return err
	}
	if k.LastOne, err = yesOrNo("last_one", row); err != nil {
		return err
	}
	if k.Minimum, err = wholeNumber("minimum", row); err != nil {
		return err
	}
	if err := checkKind(&k); err != nil {
		return err
	}
	x.kinds[id] = line
	if there < 0 {
		x.out.Kinds = append(x.out.Kinds, k)
		return nil
	}
	if is := x.known.Kinds[there]; is.Name != k.Name || is.Class != k.Class || is.Unit != k.Unit || is.Irreplaceable != k.Irreplaceable ||
		is.LastOne != k.LastOne || is.Minimum != k.Minimum || !slices.Equal(is.Fits, k.Fits) {
		return Error{"kind", id, "it is described otherwise on the shelf: change it there, or leave these cells blank"}
	}
	return nil
}

func lotOf(row map[string]string) (l stock.Lot, err error) {
	l = stock.Lot{
		Kind: row["kind"], Condition: stock.Condition(row["condition"]), Grade: stock.Grade(row["grade"]),
		Owner: row["owner"], Place: row["place"], Origin: row["origin"], Note: row["note"],
	}
	if l.Owner == "shop" {
		l.Owner = ""
	}
	if l.Loan, err = yesOrNo("loan", row); err != nil {
		return l, err
	}
	l.Quantity, err = wholeNumber("quantity", row)
	return l, err
}

// lot takes a lot in, unless it is there.
func (x *partImporter) lot(line int, l stock.Lot) error {
	alike := func(l stock.Lot) stock.Lot {
		l.ID, l.Quantity, l.Make = 0, 0, 0
		return l
	}
	what := alike(l)
	if before, twice := x.lots[what]; twice {
		return Error{"kind", l.Kind, fmt.Sprintf("line %d is alike: add the quantities up, or tell them apart by a note", before)}
	}
	x.lots[what] = line
	for _, is := range x.known.Lots {
		switch {
		case alike(is) != what:
		case is.Quantity == l.Quantity:
			x.out.Same++
			return nil
		default:
			return Error{"quantity", strconv.FormatInt(l.Quantity, 10), fmt.Sprintf("lot %d is alike and holds %d: count it with dewpost part count, or tell them apart by a note", is.ID, is.Quantity)}
		}
	}
	x.out.Lots = append(x.out.Lots, l)
	return nil
}

func yesOrNo(name string, row map[string]string) (bool, error) {
	switch text := row[name]; text {
	case "yes":
		return true, nil
	case "", "no":
		return false, nil
	default:
		return false, Error{name, partShown(text), "write yes or no"}
	}
}

func wholeNumber(name string, row map[string]string) (int64, error) {
	text := row[name]
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return 0, Error{name, partShown(text), "write a whole number"}
	}
	return n, nil
}
