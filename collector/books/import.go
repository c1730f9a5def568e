package books

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/logfile"
	"dewpost/rules/unit"
)

// ImportStore is what an import needs of the store. What can't be recorded is a
// fact.Refused.
type ImportStore interface {
	FactsOf(ctx context.Context, kind string) ([]fact.Fact, error)
	Stations(ctx context.Context) ([]record.Station, error)
	Import(ctx context.Context, stations []record.Station, facts []fact.Fact, author string, dry bool) error
}

// Import reads a CSV file (RFC 4180, with a header) into the books. What is in
// it is facts, with the columns kind, subject, name, from and value, or one of
// the kinds in the plural, with a column id, if wanted one from, and one for
// each fact; a blank cell says nothing. All of it is recorded, or nothing.
type Import struct {
	What string
	Name string // of the file, for errors
	From string // from when on holds what has no from of its own; "": always where nothing was said before, else it must be said
	Dry  bool

	// Enrol makes a new station, and what is proposed for it.
	Enrol func(id string, facts []fact.Fact) (record.Station, []fact.Fact, error)
}

// Wrong is something wrong in a file.
type Wrong struct {
	Line          int    // 1 is the header
	Column, Value string // "" where it is about the whole line
	Fix           string
}

func (w Wrong) String() string {
	if w.Column == "" {
		return fmt.Sprintf("line %d: %s", w.Line, w.Fix)
	}
	return fmt.Sprintf("line %d, %s %.60q: %s", w.Line, w.Column, w.Value, w.Fix)
}

// WrongShown bounds the wrong things that are told one by one.
const WrongShown = 50

// Mistakes is all that is wrong in a file.
type Mistakes struct {
	Name  string
	Wrong []Wrong // at most WrongShown
	More  int     // beyond
}

func (m *Mistakes) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: nothing was recorded:", m.Name)
	for _, w := range m.Wrong {
		b.WriteString("\n  " + w.String())
	}
	if m.More > 0 {
		fmt.Fprintf(&b, "\n  and %d more", m.More)
	}
	return b.String()
}

func (m *Mistakes) add(w Wrong) {
	if len(m.Wrong) == WrongShown {
		m.More++
		return
	}
	m.Wrong = append(m.Wrong, w)
}

// ImportChange is a fact that is new, or changes what was said.
type ImportChange struct {
	fact.Fact
	Before string // what held then; "" for nothing
}

// Imported is what an import did, or would do.
type Imported struct {
	Enrolled []string // stations
	New      int      // facts
	Changed  int
	Same     int // said already
	Changes  []ImportChange
	Ignored  []string // columns
}

// Read reads the file and records it.
func (im Import) Read(ctx context.Context, s ImportStore, r io.Reader, at unit.Instant, author string) (Imported, error) {
	x := importer{Import: im, at: at, author: author, known: map[fact.Subject][]fact.Fact{}, line: map[string]int{}, wrong: &Mistakes{Name: im.Name}}
	if im.From != "" {
		from, err := ParseSince("from", im.From)
		if err != nil {
			return Imported{}, err
		}
		x.from = &from
	}
	if err := x.load(ctx, s); err != nil {
		return Imported{}, err
	}
	if err := x.file(r); err != nil {
		return Imported{}, err
	}
	stations := x.decide()
	if len(x.wrong.Wrong) > 0 {
		return Imported{}, x.wrong
	}
	facts := x.proposed
	for _, c := range x.out.Changes {
		facts = append(facts, c.Fact)
	}
	if len(facts) == 0 && len(stations) == 0 {
		return x.out, nil
	}
	err := s.Import(ctx, stations, facts, author, im.Dry)
	var refused fact.Refused
	if errors.As(err, &refused) {
		x.wrong.add(Wrong{Line: x.lineOf(refused.Subject, refused.Name), Column: refused.Name, Value: refused.Value, Fix: refused.Subject.String() + ": " + refused.Fix})
		err = x.wrong
	}
	if err != nil {
		return Imported{}, err
	}
	return x.out, nil
}

type importer struct {
	Import
	at       unit.Instant
	author   string
	from     *unit.Instant
	known    map[fact.Subject][]fact.Fact
	enrolled map[string]bool
	said     []statement
	listed   []fact.Subject // in a file of one kind, each line's
	line     map[string]int // of a subject, and of a fact of it
	proposed []fact.Fact
	wrong    *Mistakes
	out      Imported
}

// statement is a fact in the file.
type statement struct {
	fact.Fact
	line  int
	dated bool // since when it holds is said
}

func (x *importer) load(ctx context.Context, s ImportStore) error {
	if x.What != "facts" && !slices.Contains(fact.Kinds, strings.TrimSuffix(x.What, "s")) {
		return Error{"what", x.What, "choose facts, " + strings.Join(fact.Kinds, "s, ") + "s"}
	}
	for _, kind := range fact.Kinds {
		facts, err := s.FactsOf(ctx, kind)
		if err != nil {
			return err
		}
		for _, f := range facts {
			x.known[f.Subject] = append(x.known[f.Subject], f)
		}
	}
	stations, err := s.Stations(ctx)
	x.enrolled = map[string]bool{}
	for i := range stations {
		x.enrolled[stations[i].ID] = true
	}
	return err
}

func (x *importer) lineOf(subject fact.Subject, name string) int {
	if n := x.line[subject.String()+" "+name]; n > 0 {
		return n
	}
	return x.line[subject.String()]
}

// file reads all lines.
func (x *importer) file(r io.Reader) error { return readTable(r, x.Name, x.wrong, x.header, x.row) }

// tableReader reads CSV with comma, semicolon or tab, as its first line has it:
// where decimals stand behind a comma, spreadsheets part cells by semicolons.
func tableReader(r io.Reader) *csv.Reader {
	head := bufio.NewReaderSize(r, 1<<16)
	first, _ := head.Peek(1 << 16) // its error comes again when it is read
	header, _, _ := bytes.Cut(first, []byte{'\n'})
	in := csv.NewReader(head)
	in.Comma = logfile.Separator(header)
	return in
}

// readTable reads a CSV file: header returns the columns, "" for those that are
// ignored, and row takes a line in. What is wrong with a line by itself goes to
// wrong.
func readTable(r io.Reader, name string, wrong *Mistakes, columnsOf func([]string) ([]string, error), take func(line int, columns []string, row map[string]string)) error {
	in := tableReader(r)
	in.FieldsPerRecord = -1
	header, err := in.Read()
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: it is empty: write a header", name)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	header[0] = strings.TrimPrefix(header[0], "\ufeff")
	columns, err := columnsOf(header)
	if err != nil {
		return err
	}
	for {
		cells, err := in.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		line, _ := in.FieldPos(0)
		if len(cells) != len(header) {
			wrong.add(Wrong{Line: line, Fix: fmt.Sprintf("%d cells where the header has %d: complete or remove the line", len(cells), len(header))})
			continue
		}
		row := map[string]string{}
		for i, cell := range cells {
			if columns[i] == "" {
				continue
			}
			if !IsText(cell) {
				wrong.add(Wrong{line, columns[i], cell, "write text in UTF-8"})
				row = nil
				break
			}
			row[columns[i]] = strings.TrimSpace(cell)
		}
		if row != nil {
			take(line, columns, row)
		}
	}
}

// header returns the columns, "" for those that are ignored.
func (x *importer) header(names []string) ([]string, error) {
	must, may, ignored := []string{"kind", "subject", "name", "value"}, []string{"from"}, []string{"author", "recorded"}
	kind := strings.TrimSuffix(x.What, "s")
	if x.What != "facts" {
		must, ignored = []string{"id"}, nil
		may = append(may, fact.Names(kind)...)
	}
	columns, left, err := columnsOf(names, must, may, ignored)
	x.out.Ignored = left
	return columns, err
}

// columnsOf returns the columns of a header, "" for those that are ignored, and
// the names of these.
func columnsOf(names, must, may, ignored []string) (columns, left []string, err error) {
	for _, name := range names {
		name = strings.TrimSpace(name)
		switch {
		case slices.Contains(ignored, name):
			left = append(left, name)
			columns = append(columns, "")
			continue
		case !slices.Contains(must, name) && !slices.Contains(may, name):
			return nil, nil, Error{"column", name, "known are " + strings.Join(slices.Concat(must, may, ignored), ", ")}
		case slices.Contains(columns, name):
			return nil, nil, Error{"column", name, "it is there twice: remove one"}
		}
		columns = append(columns, name)
	}
	for _, name := range must {
		if !slices.Contains(columns, name) {
			return nil, nil, Error{"column", name, "it is missing: add it"}
		}
	}
	return columns, left, nil
}

// row takes a line in.
func (x *importer) row(line int, columns []string, row map[string]string) {
	st := statement{line: line, Fact: fact.Fact{Author: x.author, Recorded: x.at, From: fact.Always}}
	if x.from != nil {
		st.From, st.dated = *x.from, true
	}
	if text := row["from"]; text != "" {
		from, err := ParseSince("from", text)
		if err != nil {
			x.wrong.add(Wrong{line, "from", text, err.(Error).Fix})
			return
		}
		st.From, st.dated = from, true
	}
	if x.What == "facts" {
		st.Subject = fact.Subject{Kind: row["kind"], ID: row["subject"]}
		st.Name, st.Value = row["name"], row["value"]
		x.say(st, "value")
		return
	}
	st.Subject = fact.Subject{Kind: strings.TrimSuffix(x.What, "s"), ID: row["id"]}
	if n, twice := x.line[st.Subject.String()]; twice && row["from"] == "" {
		x.wrong.add(Wrong{line, "id", st.Subject.ID, fmt.Sprintf("it stands in line %d too: say in a column from what holds since when", n)})
		return
	}
	x.line[st.Subject.String()] = line
	x.listed = append(x.listed, st.Subject)
	for _, name := range columns {
		if value := row[name]; value != "" && name != "id" && name != "from" {
			st.Name, st.Value = name, value
			x.say(st, name)
		}
	}
}

func (x *importer) say(st statement, column string) {
	st.Fact = fact.Normal(st.Fact)
	if err := fact.Validate(st.Fact); err != nil {
		w := Wrong{Line: st.line, Column: column, Value: st.Value, Fix: err.Error()}
		var refused fact.Refused
		if errors.As(err, &refused) {
			w.Value, w.Fix = refused.Value, refused.Fix
		}
		switch {
		case refused.Name != st.Name: // the kind, or the id
			w.Column = refused.Name
		case !slices.Contains(fact.Names(st.Subject.Kind), st.Name):
			w.Column, w.Value = "name", st.Name
		}
		x.wrong.add(w)
		return
	}
	x.line[st.Subject.String()+" "+st.Name] = st.line
	if _, ok := x.line[st.Subject.String()]; !ok {
		x.line[st.Subject.String()] = st.line
	}
	x.said = append(x.said, st)
}

// decide finds out what of it is new, and which stations must be enrolled.
func (x *importer) decide() (stations []record.Station) {
	x.last()
	fresh := map[string][]fact.Fact{}
	if x.What == "stations" {
		for _, subject := range x.listed {
			if !x.enrolled[subject.ID] {
				fresh[subject.ID] = []fact.Fact{}
			}
		}
	}
	for _, st := range x.said {
		known := x.known[st.Subject]
		before, has := fact.At(known, st.Name, st.From)
		if !st.dated {
			// What holds now, as in a table of what holds.
			before, has = fact.At(known, st.Name, x.at)
		}
		switch {
		case has && before == st.Value:
			x.out.Same++
			continue
		case has && !st.dated:
			x.wrong.add(Wrong{st.line, st.Name, st.Value, fmt.Sprintf("it is %q so far: say in a column from, or with --from, since when it is another", before)})
			continue
		case has:
			x.out.Changed++
		default:
			x.out.New++
		}
		x.out.Changes = append(x.out.Changes, ImportChange{st.Fact, before})
		if list, ok := fresh[st.Subject.ID]; ok && st.Subject.Kind == fact.KindStation {
			fresh[st.Subject.ID] = append(list, st.Fact)
		}
	}
	for _, subject := range x.listed {
		facts, ok := fresh[subject.ID]
		if !ok {
			continue
		}
		delete(fresh, subject.ID)
		st, proposed, err := x.Enrol(subject.ID, facts)
		if err != nil {
			x.wrong.add(Wrong{x.lineOf(subject, ""), "id", subject.ID, err.Error()})
			continue
		}
		stations = append(stations, st)
		x.proposed = append(x.proposed, proposed...)
		x.out.Enrolled = append(x.out.Enrolled, subject.ID)
	}
	return stations
}

// last keeps of several statements of one fact from one instant on the last, as
// the books do.
func (x *importer) last() {
	type key struct {
		fact.Subject
		name string
		from unit.Instant
	}
	newest := map[key]int{}
	for i := range x.said {
		st := &x.said[i]
		newest[key{st.Subject, st.Name, st.From}] = i
	}
	var kept []statement
	for i, st := range x.said {
		if newest[key{st.Subject, st.Name, st.From}] == i {
			kept = append(kept, st)
		}
	}
	x.said = kept
}
