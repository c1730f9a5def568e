// Package export writes what a store holds in forms that other programs read:
// CSV (RFC 4180), JSON Lines, and line protocol: readings as on the wire, and
// hours.
//
// Instants are RFC 3339 in UTC with as many decimals of a second as they need;
// numbers are in the shortest form that gives the same number back, and there is
// no NaN or infinity; what is absent is blank in CSV and null in JSON. "always"
// is an instant before all others.
//
// Of readings, line protocol and JSON Lines are complete: every stored reading
// with its run, number and flags. CSV is what a log for dewpost assess has: one
// row for each instant, merged as for the ledger, with the columns that assess
// and readings import read.
//
// Memory is bounded: tables are read row by row, readings and hours by days.
package export

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Source is what is exported from. Every slice is in the order that it is
// written in.
type Source interface {
	Tables(ctx context.Context) ([]record.Table, error)
	Rows(ctx context.Context, table string, want record.Want, row func([]any) error) error
	FactsOf(ctx context.Context, kind string) ([]fact.Fact, error)
	Stations(ctx context.Context) ([]record.Station, error)
	Span(ctx context.Context, station string) (first, last unit.Instant, ok bool, err error)
	InstantAfter(ctx context.Context, station string, t unit.Instant) (unit.Instant, bool, error)
	Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error)
	Hours(ctx context.Context, station string, from, to unit.Instant) ([]exposure.Hour, error)
}

// Format is how an export is written.
type Format string

// The formats.
const (
	CSV          Format = "csv"
	JSONLines    Format = "jsonl"
	LineProtocol Format = "lp"
)

// MediaType is the format's, with what a browser takes for text.
func (f Format) MediaType() string {
	switch f {
	case CSV:
		return "text/csv; charset=utf-8; header=present"
	case JSONLines:
		return "application/jsonl; charset=utf-8"
	default:
		return "text/plain; charset=utf-8"
	}
}

// Names of what isn't a table of the store.
const (
	Readings = "readings"
	Hours    = "hours"
)

// Item is something that can be exported.
type Item struct {
	Name, About string
	Formats     []Format // the first is the usual one
	OneStation  bool     // as CSV, a file is of one station
	Private     bool     // for role Run only
}

// Items returns all that can be exported, by name.
func Items(ctx context.Context, src Source) ([]Item, error) {
	tables, err := src.Tables(ctx)
	if err != nil {
		return nil, err
	}
	list := []Item{
		{Name: Readings, About: "Stored readings. Complete as JSON Lines or line protocol; as CSV merged by instant, as assess reads it.", Formats: []Format{CSV, JSONLines, LineProtocol}, OneStation: true},
		{Name: Hours, About: "The ledger, a row for each station and UTC hour.", Formats: []Format{CSV, JSONLines, LineProtocol}, OneStation: true},
	}
	both := []Format{CSV, JSONLines}
	for _, kind := range fact.Kinds {
		list = append(list, Item{Name: kind + "s", About: "Every " + kind + " with what holds of it now, a column for each fact.", Formats: both, Private: kind == fact.KindOwner})
	}
	for _, t := range tables {
		list = append(list, Item{Name: t.Name, About: t.About, Formats: both, Private: t.Private})
	}
	slices.SortFunc(list, func(a, b Item) int { return strings.Compare(a.Name, b.Name) })
	return list, nil
}

// Refused says what can't be exported.
type Refused struct{ Field, Value, Fix string }

func (r Refused) Error() string { return fmt.Sprintf("%s %q: %s", r.Field, r.Value, r.Fix) }

// Check refuses what can't be exported, before anything is written.
func Check(ctx context.Context, src Source, what string, f Format, want record.Want) error {
	list, err := Items(ctx, src)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(list, func(it Item) bool { return it.Name == what })
	if i < 0 {
		var names []string
		for _, known := range list {
			names = append(names, known.Name)
		}
		return Refused{"what", what, "choose one of " + strings.Join(names, ", ")}
	}
	it := &list[i]
	if !slices.Contains(it.Formats, f) {
		return Refused{"format", string(f), fmt.Sprintf("%s can be had as %s", what, joinFormats(it.Formats))}
	}
	if f == CSV && it.OneStation && len(want.Stations) != 1 {
		return Refused{"station", strings.Join(want.Stations, " "), "as CSV, " + what + " are of one station: name one"}
	}
	if want.From > want.To {
		return Refused{"to", want.To.String(), "let it be after from"}
	}
	known, err := src.Stations(ctx)
	if err != nil {
		return err
	}
	for _, id := range want.Stations {
		if !slices.ContainsFunc(known, func(s record.Station) bool { return s.ID == id }) {
			return Refused{"station", id, "there is no such station: see dewpost station list"}
		}
	}
	return nil
}

func joinFormats(list []Format) string {
	var names []string
	for _, f := range list {
		names = append(names, string(f))
	}
	return strings.Join(names, " or ")
}

// Write writes what is wanted and returns the number of rows. now is when what
// holds now is asked for. Where it fails, part of it may be written.
func Write(ctx context.Context, w io.Writer, src Source, what string, f Format, want record.Want, now unit.Instant) (rows int64, err error) {
	if err := Check(ctx, src, what, f, want); err != nil {
		return 0, err
	}
	out := bufio.NewWriterSize(w, 1<<16)
	x := exporter{ctx: ctx, src: src, out: out, format: f, want: want, now: now}
	switch {
	case what == Readings:
		err = x.readings()
	case what == Hours:
		err = x.hours()
	case slices.Contains(fact.Kinds, strings.TrimSuffix(what, "s")):
		err = x.subjects(strings.TrimSuffix(what, "s"))
	default:
		err = x.table(what)
	}
	if err == nil {
		err = out.Flush()
	}
	if err != nil {
		return x.rows, fmt.Errorf("export %s: %w", what, err)
	}
	return x.rows, nil
}

type exporter struct {
	ctx     context.Context
	src     Source
	out     *bufio.Writer
	format  Format
	want    record.Want
	now     unit.Instant
	columns []record.Column
	line    []byte
	rows    int64
}

// put writes a line.
func (x *exporter) put(line []byte) error {
	x.line = line
	x.rows++
	_, err := x.out.Write(line)
	return err
}

// begin writes the head of a table.
func (x *exporter) begin(columns []record.Column) error {
	x.columns = columns
	if x.format != CSV {
		return nil
	}
	var line []byte
	for i, c := range columns {
		if i > 0 {
			line = append(line, ',')
		}
		line = appendCSV(line, c.Name)
	}
	_, err := x.out.Write(append(line, '\n'))
	return err
}

func (x *exporter) row(cells []any) error {
	if err := x.ctx.Err(); err != nil {
		return err
	}
	line := x.line[:0]
	if x.format == CSV {
		for i, v := range cells {
			if i > 0 {
				line = append(line, ',')
			}
			line = appendCell(line, v)
		}
		if len(cells) == 1 && len(line) == 0 {
			line = append(line, `""`...) // not an empty line
		}
		return x.put(append(line, '\n'))
	}
	line = append(line, '{')
	for i, c := range x.columns {
		if i > 0 {
			line = append(line, ',')
		}
		line = append(appendJSONText(line, c.Name), ':')
		line = appendValue(line, c.Type, cells[i])
	}
	return x.put(append(line, "}\n"...))
}

func (x *exporter) table(name string) error {
	tables, err := x.src.Tables(x.ctx)
	if err != nil {
		return err
	}
	for _, t := range tables {
		if t.Name != name {
			continue
		}
		if err := x.begin(t.Columns); err != nil {
			return err
		}
	}
	return x.src.Rows(x.ctx, name, x.want, x.row)
}

// subjects writes what holds now of every subject of a kind.
func (x *exporter) subjects(kind string) error {
	columns := []record.Column{{Name: "id"}}
	names := fact.Names(kind)
	facts, err := x.src.FactsOf(x.ctx, kind)
	if err != nil {
		return err
	}
	by := map[string][]fact.Fact{}
	for _, f := range facts {
		if !slices.Contains(names, f.Name) { // as of a channel's calibration
			names = append(names, f.Name)
		}
		by[f.Subject.ID] = append(by[f.Subject.ID], f)
	}
	if kind == fact.KindStation {
		stations, err := x.src.Stations(x.ctx)
		if err != nil {
			return err
		}
		for _, st := range stations {
			by[st.ID] = append(by[st.ID], fact.Fact{})
		}
	}
	for _, name := range names {
		columns = append(columns, record.Column{Name: name})
	}
	if err := x.begin(columns); err != nil {
		return err
	}
	ids := make([]string, 0, len(by))
	for id := range by {
		if kind != fact.KindStation || x.want.Stations == nil || slices.Contains(x.want.Stations, id) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	for _, id := range ids {
		cells := []any{id}
		for _, name := range names {
			if v, ok := fact.At(by[id], name, x.now); ok {
				cells = append(cells, v)
			} else {
				cells = append(cells, nil)
			}
		}
		if err := x.row(cells); err != nil {
			return err
		}
	}
	return nil
}

// stations are those that are wanted, by id.
func (x *exporter) stations() ([]string, error) {
	all, err := x.src.Stations(x.ctx)
	if err != nil {
		return nil, err
	}
	var ids []string
	for i := range all {
		if x.want.Stations == nil || slices.Contains(x.want.Stations, all[i].ID) {
			ids = append(ids, all[i].ID)
		}
	}
	return ids, nil
}

// each calls do for the wanted stretches of a station's readings, of at most a
// UTC day, in which there are any.
func (x *exporter) each(id string, do func(from, to unit.Instant) error) error {
	first, last, ok, err := x.src.Span(x.ctx, id)
	if err != nil || !ok {
		return err
	}
	at := max(first, x.want.From)
	for at <= last && at < x.want.To {
		end := min(x.want.To, nextDay(at))
		if err := do(at, end); err != nil {
			return err
		}
		next, ok, err := x.src.InstantAfter(x.ctx, id, end-1)
		if err != nil || !ok {
			return err
		}
		at = next
	}
	return nil
}

const day = unit.Instant(24 * time.Hour)

func nextDay(t unit.Instant) unit.Instant {
	d := t / day
	if t%day < 0 {
		d--
	}
	if d >= math.MaxInt64/day {
		return math.MaxInt64
	}
	return (d + 1) * day
}

func (x *exporter) readings() error {
	if x.format == CSV {
		if _, err := x.out.WriteString(strings.Join(logfile.Known(), ",") + "\n"); err != nil {
			return err
		}
	}
	ids, err := x.stations()
	for _, id := range ids {
		err = x.each(id, func(from, to unit.Instant) error {
			list, err := x.src.Readings(x.ctx, id, from, to)
			if err != nil {
				return err
			}
			if x.format == CSV {
				list = reading.Merge(list)
			}
			for i := range list {
				if err := x.reading(id, &list[i]); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return err
}

func (x *exporter) reading(station string, r *reading.Reading) error {
	line := x.line[:0]
	switch x.format {
	case CSV:
		line = append(line, r.Time.String()...)
		for c := range reading.NumChannels {
			line = append(line, ',')
			if v, ok := r.Get(c); ok {
				line = appendNumber(line, v)
			}
		}
		line = append(line, '\n')
	case JSONLines:
		line = append(appendJSONText(append(line, `{"station":`...), station), `,"time":`...)
		line = append(appendJSONText(line, r.Time.String()), `,"run":`...)
		if r.Keyed() {
			line = append(appendJSONText(line, r.Run), `,"seq":`...)
			line = appendValue(line, record.Integer, r.Seq)
		} else {
			line = append(line, `null,"seq":null`...)
		}
		for c := range reading.NumChannels {
			if v, ok := r.Get(c); ok {
				line = append(appendJSONText(append(line, ','), c.Name()), ':')
				line = appendNumber(line, v)
			}
		}
		line = append(appendJSONText(append(line, `,"flags":`...), r.Flags), "}\n"...)
	default:
		var err error
		if line, err = AppendReadingLine(line, station, r); err != nil {
			return err
		}
		if len(line) == 0 {
			line = fmt.Appendf(line, "# station=%s nothing was read at %s\n", station, r.Time)
		}
	}
	return x.put(line)
}

func (x *exporter) hours() error {
	if x.format == CSV {
		if _, err := x.out.WriteString(strings.Join(exposure.HourlyColumns, ",") + "\n"); err != nil {
			return err
		}
	}
	ids, err := x.stations()
	for _, id := range ids {
		err = x.hoursOf(id)
		if err != nil {
			return err
		}
	}
	return err
}

func (x *exporter) hoursOf(id string) error {
	first, last, ok, err := x.src.Span(x.ctx, id)
	if err != nil || !ok {
		return err
	}
	const stretch = 32 * day
	begin := max(x.want.From, nextDay(first)-day)
	for at := begin; at <= last && at < x.want.To; at += stretch {
		list, err := x.src.Hours(x.ctx, id, at, min(at+stretch, x.want.To))
		if err != nil {
			return err
		}
		for i := range list {
			if err := x.hour(id, &list[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (x *exporter) hour(station string, h *exposure.Hour) error {
	if x.format == LineProtocol {
		line, err := AppendHourLine(x.line[:0], station, h)
		if err != nil {
			return err
		}
		return x.put(line)
	}
	row := exposure.AppendHourly(nil, h)
	if x.format == CSV {
		return x.put(row)
	}
	line := appendJSONText(append(x.line[:0], `{"station":`...), station)
	for i, cell := range strings.Split(strings.TrimSuffix(string(row), "\n"), ",") {
		name := exposure.HourlyColumns[i]
		line = append(appendJSONText(append(line, ','), name), ':')
		switch {
		case cell == "":
			line = append(line, "null"...)
		case name == "hour" || name == "basis":
			line = appendJSONText(line, cell)
		default:
			line = append(line, cell...)
		}
	}
	return x.put(append(line, "}\n"...))
}
