package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// listing is a Table and where it comes from.
type listing struct {
	record.Table
	from    string // of the query, with the joins
	cells   []string
	station string // expression for the station's id; "": it is about none
	at      string // expression for the time; "": there is none
	public  string // condition on rows that are not about owners; "": none is
	order   string // total
}

// listings are what is handed out in rows, but for readings and hours, which are
// packed. Every other table is handed out as it is: see plain. To say how better,
// say its columns, in order: name, type, expression.
var listings = []listing{
	define("facts", "What was ever said about owners, sites, lines, stations and sensors, in the order of recording.",
		listing{from: "fact f", at: "f.recorded_ns", public: "f.kind <> 'owner'", order: "f.id"},
		col("kind", record.Text, "f.kind"), col("subject", record.Text, "f.subject"), col("name", record.Text, "f.name"),
		col("from", record.Instant, "f.from_ns"), col("value", record.Text, "f.value"),
		col("author", record.Text, "f.author"), col("recorded", record.Instant, "f.recorded_ns")),
	define("enrolments", "Stations, when they were enrolled and retired.",
		listing{from: "station s", station: "s.name", order: "s.name"},
		col("station", record.Text, "s.name"), col("enrolled", record.Instant, "s.enrolled_ns"), col("retired", record.Instant, "s.retired_ns")),
	define("findings", "What was concluded about boxes, with the state that it is in.",
		listing{from: "occurrence o join station s on s.id = o.station", station: "s.name", at: "o.from_ns", order: "s.name, o.kind, o.number"},
		col("station", record.Text, "s.name"), col("kind", record.Text, "o.kind"), col("number", record.Integer, "o.number"),
		col("from", record.Instant, "o.from_ns"), col("to", record.Instant, "nullif(o.to_ns, 0)"), col("concluded", record.Instant, "o.concluded_ns"),
		col("confidence", record.Number, "o.confidence"), col("evidence", record.JSON, "o.evidence"), col("state", record.Text, "o.state"),
		col("revised", record.Truth, "o.revised"), col("told", record.Truth, "o.told")),
	define("events", "Changes of the state of findings, in the order of recording.",
		listing{from: "event e join station s on s.id = e.station", station: "s.name", at: "e.at_ns", order: "e.n"},
		col("id", record.Text, "e.id"), col("station", record.Text, "s.name"), col("kind", record.Text, "e.kind"), col("number", record.Integer, "e.number"),
		col("from_state", record.Text, "e.from_state"), col("to_state", record.Text, "e.to_state"), col("at", record.Instant, "e.at_ns"),
		col("recorded", record.Instant, "e.recorded_ns"), col("who", record.Text, "e.who"), col("why", record.Text, "e.why")),
	define("letters", "Morning letters, tests, and what was told of installations that are watched, oldest first.",
		listing{Table: record.Table{Private: true}, from: "notice n", at: "n.created_ns", order: "n.created_ns, n.event"},
		col("event", record.Text, "n.event"), col("kind", record.Text, "n.kind"), col("created", record.Instant, "n.created_ns"),
		col("subject", record.Text, "n.subject"), col("body", record.Text, "n.body")),
	define("notices", "Messages for people, with when they were sent.",
		listing{from: "outbox o join station s on s.id = o.station", station: "s.name", at: "o.created_ns", order: "o.created_ns, o.event_id"},
		col("event", record.Text, "o.event_id"), col("station", record.Text, "s.name"), col("created", record.Instant, "o.created_ns"),
		col("sent", record.Instant, "o.sent_ns"), col("body", record.JSON, "o.body")),
	define("quarantine", "Readings that were refused, those that were stored after all included; bytes that are no text are escaped.",
		listing{from: "quarantine q", station: "q.station", at: "q.arrived_ns", order: "q.id"},
		col("id", record.Integer, "q.id"), col("station", record.Text, "q.station"), col("arrived", record.Instant, "q.arrived_ns"),
		col("reason", record.Text, "q.reason"), col("detail", record.Text, "q.detail"), col("run", record.Text, "q.run"), col("seq", record.Integer, "q.seq"),
		col("line", record.Text, "q.raw"), col("due", record.Instant, "q.due_ns"), col("reading", record.Instant, "q.reading_ns"), col("released", record.Instant, "q.released_ns")),
	define("states", "What stations' agents last said of themselves.",
		listing{from: "station_state t join station s on s.id = t.station", station: "s.name", at: "t.arrived_ns", order: "s.name"},
		col("station", record.Text, "s.name"), col("arrived", record.Instant, "t.arrived_ns"), col("gone", record.Instant, "t.gone_ns"), col("body", record.JSON, "t.body")),
	define("audit", "What people did, other than by facts, oldest first.",
		listing{Table: record.Table{Private: true}, from: "audit a", at: "a.at_ns", order: "a.at_ns, a.id"},
		col("at", record.Instant, "a.at_ns"), col("author", record.Text, "a.author"), col("action", record.Text, "a.action"), col("object", record.Text, "a.object")),
	define("channels", "By which channels people are told, without the keys that sign.",
		listing{Table: record.Table{Private: true}, from: "person_channel c join person p on p.id = c.person", order: "p.place, p.id, c.place"},
		col("person", record.Text, "p.name"), col("place", record.Integer, "c.place"), col("channel", record.Text, "c.kind"), col("address", record.Text, "c.address")),
	define("installations_watched", "Other installations that call here while they are sound, without their keys.",
		listing{Table: record.Table{Private: true}, from: "watched w", order: "w.name"},
		col("name", record.Text, "w.name"), col("every_s", record.Integer, "w.every_s"), col("made", record.Instant, "w.made_ns"),
		col("heard", record.Instant, "w.heard_ns"), col("silent", record.Instant, "w.silent_ns"), col("times", record.Integer, "w.times")),
	define("erasures", "Owners who were erased, by id.",
		listing{Table: record.Table{Private: true}, from: "erasure e", at: "e.at_ns", order: "e.id"},
		col("number", record.Integer, "e.id"), col("owner", record.Text, "e.owner"), col("at", record.Instant, "e.at_ns"), col("author", record.Text, "e.author"),
		col("facts_deleted", record.Integer, "e.facts"), col("texts_changed", record.Integer, "e.changed"), col("finished", record.Instant, "e.finished_ns")),
}

// cell is a column and the expression that it shows.
type cell struct {
	record.Column
	text string
}

func col(name string, kind record.CellType, text string) cell {
	return cell{record.Column{Name: name, Type: kind}, text}
}

func define(name, about string, t listing, cells ...cell) listing {
	t.Name, t.About = name, about
	for _, c := range cells {
		t.Columns = append(t.Columns, c.Column)
		t.cells = append(t.cells, c.text)
	}
	return t
}

// unlisted are the tables that are not handed out as they are: those that
// listings are of, packed ones, what only folding or packing remembers, and those with what
// lets somebody in.
var unlisted = []string{
	"account", "audit", "batch", "box_run", "box_state", "browser", "calendar_link", "erasure", "event", "fact", "feed_mark", "fold_mark", "identity", "ledger_day", "occurrence", "outbox", "outlook_state", "pack_mark",
	"quarantine", "restore_run", "run", "session", "station", "station_state", "token",
	"notice", "person_channel", "watch_round", "watched",
}

// plain returns the tables of the catalogue for which nothing better is said:
// with all their columns, but for bytes, and a station by its id.
func plain(q query, d *dialect) (list []listing, err error) {
	var keys []string
	err = each(q, d.texts, nil, func(rows *sql.Rows) error {
		var table, name, kind string
		var key int64
		if err := rows.Scan(&table, &name, &kind, &key); err != nil {
			return err
		}
		if slices.Contains(unlisted, table) || strings.HasPrefix(table, "goose_") || strings.HasPrefix(table, "sqlite_") {
			return nil
		}
		if len(list) == 0 || list[len(list)-1].Name != table {
			list, keys = append(list, listing{Table: record.Table{Name: table, About: "The store's table " + table + ", as it is.", Private: true}, from: table + " t"}), nil
		}
		t := &list[len(list)-1]
		if key > 0 {
			keys = append(keys, "t."+name)
			t.order = strings.Join(keys, ", ")
		}
		c := col(name, record.Text, "t."+name)
		switch kind = strings.ToLower(kind); {
		case kind == "blob" || kind == "bytea":
			return nil
		case name == "station" && kind == "text":
			t.station = c.text
		case name == "station":
			t.from += " left join station s on s.id = t.station"
			t.station, c.text = "s.name", "s.name"
		case kind == "real" || kind == "double precision":
			c.Type = record.Number
		case strings.HasSuffix(name, "_ns"):
			c.Name, c.Type = strings.TrimSuffix(name, "_ns"), record.Instant
		case kind != "text":
			c.Type = record.Integer
		}
		t.Columns, t.cells = append(t.Columns, c.Column), append(t.cells, c.text)
		return nil
	})
	return list, err
}

func (s *Store) listings(ctx context.Context) ([]listing, error) {
	more, err := plain(reader{ctx, s}, s.d)
	return append(slices.Clone(listings), more...), err
}

// Tables returns what Rows hands out.
func (s *Store) Tables(ctx context.Context) ([]record.Table, error) {
	all, err := s.listings(ctx)
	if err != nil {
		return nil, fmt.Errorf("read tables: %w", err)
	}
	list := make([]record.Table, len(all))
	for i := range all {
		list[i] = all[i].Table
	}
	return list, nil
}

// Rows calls row for every row of a table, as of one commit and in an order that
// is always the same. A row is good until row returns. As row may wait for a slow
// peer, few read at the same time, and further ones wait until ctx ends.
func (s *Store) Rows(ctx context.Context, name string, want record.Want, row func([]any) error) error {
	all, err := s.listings(ctx)
	i := slices.IndexFunc(all, func(t listing) bool { return t.Name == name })
	if err == nil && i < 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("read table %s: %w", name, err)
	}
	t := &all[i]
	text, args := t.query(want)
	dest := make([]any, len(t.Columns))
	cells := make([]any, len(t.Columns))
	for i := range dest {
		dest[i] = &cells[i]
	}
	select {
	case s.taking <- struct{}{}:
	case <-ctx.Done():
		return fmt.Errorf("read table %s: %w", name, ctx.Err())
	}
	defer func() { <-s.taking }()
	err = s.snapshot(ctx, func(q query) error {
		return each(q, text, args, func(rows *sql.Rows) error {
			err := rows.Scan(dest...)
			for i := 0; err == nil && i < len(cells); i++ {
				cells[i], err = cellOf(t.Columns[i], cells[i])
			}
			if err != nil {
				return err
			}
			return row(cells)
		})
	})
	if err != nil {
		return fmt.Errorf("read table %s: %w", name, err)
	}
	return nil
}

func (t *listing) query(want record.Want) (text string, args []any) {
	var conditions []string
	if t.station != "" && want.Stations != nil {
		conditions = append(conditions, t.station+" in (''"+strings.Repeat(", ?", len(want.Stations))+")")
		for _, id := range want.Stations {
			args = append(args, id)
		}
	}
	if t.at != "" && want.From != math.MinInt64 {
		conditions, args = append(conditions, t.at+" >= ?"), append(args, want.From)
	}
	if t.at != "" && want.To != math.MaxInt64 {
		conditions, args = append(conditions, t.at+" < ?"), append(args, want.To)
	}
	if t.public != "" && !want.Owners {
		conditions = append(conditions, t.public)
	}
	text = "select " + strings.Join(t.cells, ", ") + " from " + t.from
	if len(conditions) > 0 {
		text += " where " + strings.Join(conditions, " and ")
	}
	return text + " order by " + t.order, args
}

// cellOf gives what an engine returns the type that its column has.
func cellOf(c record.Column, v any) (any, error) {
	switch x := v.(type) {
	case nil:
		return nil, nil
	case []byte:
		return reading.Printable(x), nil
	case string:
		if c.Type == record.Text || c.Type == record.JSON {
			return x, nil
		}
	case int64:
		switch c.Type {
		case record.Instant:
			return unit.Instant(x), nil
		case record.Truth:
			return x != 0, nil
		case record.Integer:
			return x, nil
		}
	case float64:
		switch {
		case c.Type != record.Number:
		case math.IsNaN(x), math.IsInf(x, 0): // no number, and there is no way to say so
			return nil, nil
		default:
			return x, nil
		}
	}
	return nil, fmt.Errorf("column %s holds %T %v", c.Name, v, v)
}
