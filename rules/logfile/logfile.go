// Package logfile reads temperature and humidity logs as real loggers write
// them: CSV with comma, semicolon or tab, decimal comma beside a semicolon or
// tab, byte order mark, CRLF, times with an offset or local ones of a known
// zone.
//
// Read reads a station's channels, ReadTable columns that the caller names. Both
// read from an io.Reader and know no files; what they can't read is an error
// that names file, line, column, value and the fix.
package logfile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// TimeColumn is the name of the column of times.
const TimeColumn = "time"

// Known lists the names that a column of a station's log can have.
func Known() []string { return Names(channels) }

// Column is a column that a table may have beside its times. Values outside of
// Lo and Hi are refused and counted.
type Column struct {
	Name   string
	Lo, Hi float64
}

// Names lists the names that a column of a table can have, time first.
func Names(columns []Column) []string {
	names := []string{TimeColumn}
	for _, c := range columns {
		names = append(names, c.Name)
	}
	return names
}

// channels are the columns of a station's log, by channel.
var channels = func() []Column {
	list := make([]Column, reading.NumChannels)
	for c := range reading.NumChannels {
		lo, hi := c.Range()
		list[c] = Column{c.Name(), lo, hi}
	}
	return list
}()

// Options say how to read a log.
type Options struct {
	Name     string            // of the file, for errors
	Map      map[string]string // column of the file → known column, or "" to ignore it
	Zone     *time.Location    // of times without offset; nil: those are errors
	Form     bool              // Map and Zone come from fields map and tz, not from flags: errors say so
	Absent   bool              // Map may name columns that are not there
	Progress func(read int64)  // called now and then with the bytes read; may be nil
}

// Log is what there is to say of a log beside its readings.
type Log struct {
	Rows    int
	Columns []string // known columns found, time first
	Ignored []string // columns that Map told to ignore
	Refused []int    // values out of range, by known column without time (by channel)
	Local   bool     // times without offset were met
}

// RefusedTotal is the number of values out of range.
func (l *Log) RefusedTotal() int {
	n := 0
	for _, c := range l.Refused {
		n += c
	}
	return n
}

// Error is a place in a log that can't be read.
type Error struct {
	Name   string
	Line   int    // 0: the file as a whole
	Column string // "" when the whole line is meant
	Value  string
	Fix    string
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Name)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d", e.Line)
	}
	if e.Column != "" {
		fmt.Fprintf(&b, ": column %q: value %q", e.Column, e.Value)
	}
	return b.String() + ": " + e.Fix
}

// blockRows is how many readings are handed over at a time.
const blockRows = 4096

// Read reads a log and hands its readings over in blocks, in the order of the
// file; a block belongs to whoever takes it, and an error of theirs ends the
// reading. No rows below the header is a log without readings, not an error.
// After an error the blocks so far are not to be used.
func Read(r io.Reader, opt Options, take func([]reading.Reading) error) (*Log, error) {
	return read(r, opt, channels, take, func(x *reading.Reading, t unit.Instant) { x.Time = t },
		func(x *reading.Reading, c int, v float64) { x.Set(reading.Channel(c), v) })
}

// MostColumns is how many columns a table may have beside its times.
const MostColumns = 16

// Row is a row of a table.
type Row struct {
	Time    unit.Instant
	present uint16
	values  [MostColumns]float64
}

// Get returns the value in column c, and whether there is one.
func (r *Row) Get(c int) (float64, bool) { return r.values[c], r.present&(1<<c) != 0 }

// ReadTable is Read for a table with other columns than a station's, at most
// MostColumns.
func ReadTable(r io.Reader, opt Options, columns []Column, take func([]Row) error) (*Log, error) {
	return read(r, opt, columns, take, func(x *Row, t unit.Instant) { x.Time = t },
		func(x *Row, c int, v float64) { x.values[c], x.present = v+0, x.present|1<<c })
}

func read[T any](r io.Reader, opt Options, columns []Column, take func([]T) error, at func(*T, unit.Instant), set func(*T, int, float64)) (*Log, error) {
	in := bufio.NewReaderSize(r, 1<<16)
	skipped, comma, err := begin(in, opt.Name)
	if err != nil {
		return nil, err
	}
	p := parser[T]{
		opt: opt, known: columns, at: at, set: set, in: rows{in: in, comma: byte(comma)}, skipped: skipped,
		decimalComma: comma != ',', log: &Log{Refused: make([]int, len(columns))},
	}
	header, err := p.in.next()
	if err != nil {
		return nil, p.syntax(err)
	}
	if err := p.header(slices.Clone(header)); err != nil {
		return nil, err
	}
	for {
		p.block = make([]T, 0, blockRows)
		done, err := p.fill()
		if err != nil {
			return nil, err
		}
		if err := take(p.block); err != nil {
			return nil, err
		}
		if done {
			return p.log, nil
		}
		if opt.Progress != nil {
			opt.Progress(p.in.offset())
		}
	}
}

// fill fills the block; done says that the log ended.
func (p *parser[T]) fill() (done bool, err error) {
	for len(p.block) < blockRows {
		cells, err := p.in.next()
		if errors.Is(err, io.EOF) {
			return true, nil
		}
		if err != nil {
			return false, p.syntax(err)
		}
		if err := p.row(cells); err != nil {
			return false, err
		}
		p.log.Rows++
	}
	return false, nil
}

// begin steps over a byte order mark and lines that begin with "# ", and finds
// the separator of the header.
func begin(in *bufio.Reader, name string) (skipped int, comma rune, err error) {
	if mark, err := in.Peek(3); err == nil && bytes.Equal(mark, []byte("\xef\xbb\xbf")) {
		if _, err := in.Discard(3); err != nil {
			return 0, 0, fmt.Errorf("read %s: %w", name, err)
		}
	} else if len(mark) >= 2 && (string(mark[:2]) == "\xff\xfe" || string(mark[:2]) == "\xfe\xff") {
		return 0, 0, &Error{Name: name, Line: 1, Fix: "the file is UTF-16: save it as UTF-8"}
	}
	for {
		lead, err := in.Peek(2)
		if err != nil || string(lead) != "# " {
			break
		}
		if _, err := in.ReadSlice('\n'); err != nil && !errors.Is(err, bufio.ErrBufferFull) {
			break
		}
		skipped++
	}
	head, err := in.Peek(in.Size())
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
		return 0, 0, fmt.Errorf("read %s: %w", name, err)
	}
	if len(bytes.TrimSpace(head)) == 0 {
		return 0, 0, &Error{Name: name, Fix: "the file is empty: the first line must name the columns, time among them"}
	}
	line, _, _ := bytes.Cut(bytes.TrimLeft(head, "\r\n"), []byte{'\n'})
	return skipped, Separator(line), nil
}

// Separator is what parts the cells of a CSV file with that header: a semicolon or a tab
// where one stands outside quotes, else a comma.
func Separator(header []byte) rune {
	for _, c := range ";\t" {
		if bytes.ContainsRune(unquoted(header), c) {
			return c
		}
	}
	return ','
}

// unquoted returns the parts of a line outside double quotes.
func unquoted(line []byte) []byte {
	var out []byte
	for i, part := range bytes.Split(line, []byte{'"'}) {
		if i%2 == 0 {
			out = append(out, part...)
		}
	}
	return out
}

type parser[T any] struct {
	opt          Options
	known        []Column
	at           func(*T, unit.Instant)
	set          func(*T, int, float64)
	in           rows
	skipped      int
	decimalComma bool
	log          *Log
	block        []T

	names    []string // of the file's columns
	columns  []int    // for each column: which of those known, isTime or ignored
	previous unit.Instant
	step     time.Duration // from the line before the previous one
	zone     zone
	stamps   stamps
}

const (
	ignored = -1
	isTime  = -2
)

func (p *parser[T]) line(column int) int {
	return p.in.lineOf(column) + p.skipped
}

func (p *parser[T]) fault(column int, value, fix string, args ...any) error {
	return &Error{Name: p.opt.Name, Line: p.line(column), Column: p.names[column], Value: strings.Clone(value), Fix: fmt.Sprintf(fix, args...)}
}

func (p *parser[T]) syntax(err error) error {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return &Error{Name: p.opt.Name, Line: pe.Line + p.in.line + p.skipped, Fix: pe.Err.Error()}
	}
	return fmt.Errorf("read %s: %w", p.opt.Name, err)
}

func (p *parser[T]) header(names []string) error {
	known := Names(p.known)
	unused := make(map[string]bool, len(p.opt.Map))
	for name := range p.opt.Map {
		unused[name] = true
	}
	taken := map[string]string{} // known column → column of the file
	for i, name := range names {
		names[i] = strings.TrimSpace(name)
		target, mapped := p.opt.Map[names[i]]
		delete(unused, names[i])
		switch {
		case mapped && target == "":
			p.log.Ignored = append(p.log.Ignored, names[i])
			p.columns = append(p.columns, ignored)
			continue
		case !mapped && names[i] == "" && i == len(names)-1:
			p.columns = append(p.columns, ignored) // a separator at the line's end
			continue
		case !mapped:
			target = names[i]
		}
		if !slices.Contains(known, target) {
			return &Error{
				Name: p.opt.Name, Line: p.line(i),
				Fix: fmt.Sprintf("unknown column %q: known are %s; map it with %s or ignore it with %s",
					target, strings.Join(known, ", "), p.mapped(names[i]+"="+p.known[0].Name), p.mapped(names[i]+"=")),
			}
		}
		if other, twice := taken[target]; twice {
			return &Error{
				Name: p.opt.Name, Line: p.line(i),
				Fix: fmt.Sprintf("columns %q and %q are both %s: ignore one with %s", other, names[i], target, p.mapped(names[i]+"=")),
			}
		}
		taken[target] = names[i]
		p.log.Columns = append(p.log.Columns, target)
		if target == TimeColumn {
			p.columns = append(p.columns, isTime)
			continue
		}
		p.columns = append(p.columns, slices.IndexFunc(p.known, func(c Column) bool { return c.Name == target }))
	}
	p.names = names
	p.zone.location = p.opt.Zone
	if len(unused) > 0 && !p.opt.Absent {
		return &Error{
			Name: p.opt.Name, Line: p.line(0),
			Fix: fmt.Sprintf("%s names a column %q that is not there: the columns are %s", p.option("map"), firstOf(unused), strings.Join(names, ", ")),
		}
	}
	if _, ok := taken[TimeColumn]; !ok {
		return &Error{
			Name: p.opt.Name, Line: p.line(0),
			Fix: fmt.Sprintf("no column %q: the columns are %s; name the right one with %s", TimeColumn, strings.Join(names, ", "), p.mapped(names[0]+"="+TimeColumn)),
		}
	}
	return nil
}

// option names an option as whoever reads the error gives it.
func (p *parser[T]) option(name string) string {
	if p.opt.Form {
		return name
	}
	return "--" + name
}

func (p *parser[T]) mapped(to string) string { return fmt.Sprintf("%s %q", p.option("map"), to) }

func firstOf(set map[string]bool) string {
	var names []string
	for name := range set {
		names = append(names, name)
	}
	slices.Sort(names)
	return names[0]
}

func (p *parser[T]) row(cells []string) error {
	if len(cells) != len(p.names) {
		return &Error{
			Name: p.opt.Name, Line: p.line(0),
			Fix: fmt.Sprintf("%d cells where the header has %d: complete or remove the line", len(cells), len(p.names)),
		}
	}
	p.block = append(p.block, *new(T))
	r := &p.block[len(p.block)-1]
	var at unit.Instant
	for i, cell := range cells {
		c := p.columns[i]
		if c == ignored {
			continue
		}
		if n := len(cell); n > 0 && (cell[0] <= ' ' || cell[n-1] <= ' ' || cell[0] >= 0x80 || cell[n-1] >= 0x80) {
			cell = strings.TrimSpace(cell)
		}
		if c == isTime {
			t, err := p.time(i, cell)
			if err != nil {
				return err
			}
			at = t
			p.at(r, t)
			continue
		}
		if absent(cell) {
			continue
		}
		v, ok := p.number(cell)
		if !ok {
			return p.fault(i, cell, "not a number: write one, or leave the cell blank")
		}
		if k := &p.known[c]; !(v >= k.Lo && v <= k.Hi) {
			p.log.Refused[c]++
			continue
		}
		p.set(r, c, v)
	}
	if at > p.previous {
		p.step = at.Sub(p.previous)
	}
	p.previous = at
	return nil
}

func absent(cell string) bool {
	return cell == "" || len(cell) == 3 && (cell == "---" || strings.EqualFold(cell, "nan"))
}

// number reads a decimal number; words for infinities, hexadecimal and digit
// separators are none. Plain numbers of up to 15 digits, nearly all there are,
// are exact as an integer divided by a power of ten; the rest is strconv's.
func (p *parser[T]) number(cell string) (float64, bool) {
	i, negative := 0, false
	if cell[0] == '-' {
		i, negative = 1, true
	}
	var digits, places int
	var n int64
	for point := false; i < len(cell); i++ {
		switch b := cell[i]; {
		case b >= '0' && b <= '9':
			n = n*10 + int64(b-'0')
			if digits++; point {
				places++
			}
		case !point && (b == '.' || b == ',' && p.decimalComma):
			point = true
		default:
			return p.anyNumber(cell)
		}
	}
	if digits == 0 || digits > 15 {
		return p.anyNumber(cell)
	}
	v := float64(n) / tens[places]
	if negative {
		v = -v
	}
	return v, true
}

var tens = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

func (p *parser[T]) anyNumber(cell string) (float64, bool) {
	comma := -1
	for i := range len(cell) {
		switch b := cell[i]; {
		case b >= '0' && b <= '9', b == '.', b == '-', b == '+', b == 'e', b == 'E':
		case b == ',' && p.decimalComma && comma < 0:
			comma = i
		default:
			return 0, false
		}
	}
	if comma >= 0 {
		if strings.Contains(cell, ".") {
			return 0, false // is it a decimal or a thousands separator?
		}
		cell = cell[:comma] + "." + cell[comma+1:]
	}
	v, err := strconv.ParseFloat(cell, 64)
	return v, err == nil
}
