package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// textClass says what an erasure does with the texts of a column.
type textClass uint8

const (
	freeText textClass = iota // people may have written it: searched; the zero value, so that what is new is searched
	idText                    // an identifier and nothing else: it stays, or is replaced as a whole
	codeText                  // only this program's own words, or no words at all
)

// textClasses tells of the columns with text that are not free, by table and
// column. A test asks for every column to be here or among freeColumns.
var textClasses = map[string]textClass{
	"account.hash": codeText, "account.key": idText, "account.name": idText, "account.reads": codeText, "account.role": codeText,
	"alarm_cause.kind": codeText, "alarm_cause.scope": codeText, "alarm_cause.subject": idText,
	"alarm_hold.kind": codeText, "alarm_hold.state": codeText, "alarm_limit.name": codeText, "alarm_limit.value": codeText,
	"audit.action":  codeText,
	"box_run.usual": codeText, "breathing_day.basis": codeText, "breathing_day.day": codeText,
	"backup.path":       codeText, // of a file, on which the name must stay to be found
	"backup.sha256":     codeText,
	"calendar_link.key": idText, "calendar_link.name": idText,
	"forecast.site": idText, "life_look.kind": codeText, "outlook.basis": codeText, "outlook.issue": codeText, "outlook.night": codeText, "outlook_night.night": codeText,
	"feed.refused_station": idText, "feed.target": codeText, "feed.what": codeText, "feed_mark.what": codeText,
	"frozen.digest": codeText, "heater_burst.result": codeText,
	"erasure.owner":    idText,
	"erasure.tables":   codeText,
	"event.from_state": codeText, "event.id": codeText, "event.kind": codeText, "event.to_state": codeText,
	"delivery.ended_why": codeText, "delivery.event": codeText, "delivery.why": codeText,
	"fact.kind": codeText, "fact.name": codeText, "fact.subject": idText,
	"identity.name": codeText, "identity.pem": codeText,
	"occurrence.kind": codeText, "occurrence.state": codeText,
	"outbox.class": codeText, "outbox.event_id": codeText, "outbox.kind": codeText, "outbox.priority": codeText,
	"notice.event": codeText, "notice.kind": codeText,
	"person.key": idText, "person.least": codeText, "person.letter": codeText, "person.name": idText, "person.rest_from": codeText, "person.rest_to": codeText, "person.zone": codeText,
	"person_channel.address": idText, "person_channel.kind": codeText, "person_channel.secret": codeText,
	"person_choice.value": idText, "person_choice.what": codeText,
	"quarantine.reason": codeText, "quarantine.run": codeText, // its station may be nobody's
	"quarantine_day.reason": codeText, "quarantine_day.station": idText,
	"part_fit.kind": codeText, "part_kind.class": codeText, "part_kind.id": codeText, "part_kind.unit": codeText,
	"part_lot.condition": codeText, "part_lot.grade": codeText, "part_lot.kind": codeText, "part_lot.owner": idText,
	"part_make.recipe": codeText, "part_make.station": idText,
	"part_move.party": idText, "part_move.reason": codeText, "part_move.station": idText,
	"part_need.condition": codeText, "part_need.kind": codeText, "part_need.recipe": codeText,
	"part_recipe.grade": codeText, "part_recipe.id": codeText, "part_recipe.makes": codeText, "part_step.recipe": codeText,
	"part_reservation.grade": codeText, "part_reservation.kind": codeText, "part_reservation.need_by": codeText, "part_reservation.station": idText,
	"plan_booking.day": codeText, "plan_booking.site": idText,
	"plan_leg.from_place": idText, "plan_leg.to_place": idText,
	"plan_setting.name": codeText, "plan_setting.value": codeText,
	"plan_wish.day": codeText, "plan_wish.station": idText, "plan_wish.wish": codeText,
	"restore.aside": codeText,
	"run.run":       codeText,
	"station.name":  idText, "station.next_secret": codeText, "station.secret": codeText,
	"station_state.run": codeText,
	"symptom.kind":      codeText, "symptom.since": codeText,
	"token.key": idText, "token.name": idText, "token.role": codeText,
	"total.name": codeText,
	"visit.kind": codeText, "visit.planned": codeText, "visit.state": codeText,
	"visit_cause.kind": codeText, "visit_corrosion.grade": codeText, "visit_corrosion.place": codeText, "visit_detail.name": codeText,
	"visit_finding.coating": codeText, "visit_finding.cover": codeText, "visit_finding.gasket": codeText, "visit_finding.moisture": codeText,
	"visit_outcome.kind": codeText, "visit_outcome.outcome": codeText, "visit_photo.type": codeText, "visit_step.state": codeText, "visit_work.code": codeText,
	"visit_form.form": codeText,
	"watch_round.run": codeText, "watched.name": idText,
	"weather_source.site": idText,
}

// bytesClasses tells of the columns with bytes: those that hold no text, and
// those that are looked into by a way of their own. Others are told as unread.
var bytesClasses = map[string]textClass{
	"batch.body": codeText, "box_state.body": codeText, "browser.hash": codeText, "calendar_link.hash": codeText, "ledger_day.body": codeText, "quarantine.body": codeText,
	"outlook_state.body": codeText,
	"quarantine.raw":     freeText, "restore_run.seen": codeText, "run.seen": codeText, "session.hash": codeText, "token.hash": codeText,
	"watched.key_hash": codeText,
}

var errDry = errors.New("only asked")

// Erase removes an owner: what was said about them is deleted, sites are
// nobody's, and wherever else they are named in a text, something else takes
// the name's place. All of it is one transaction. What stays on disk of the
// rows as they were, Rewrite removes.
func (s *Store) Erase(ctx context.Context, e record.Erasing) (record.Erasure, error) {
	x := eraser{d: s.d, out: record.Erasure{At: e.At, Remains: s.d.remains}, tables: map[string]bool{}}
	flagged, err := s.withFlags(ctx)
	if err == nil {
		err = s.inTx(ctx, func(t *tx) error {
			if err := x.all(t, e, flagged); err != nil {
				return err
			}
			if e.Dry {
				return errDry
			}
			return nil
		})
	}
	if e.Dry && errors.Is(err, errDry) {
		err, x.out.Number = nil, 0
	}
	if err != nil {
		return record.Erasure{}, fmt.Errorf("erase owner %s: %w", e.Owner, err)
	}
	return x.out, nil
}

// eraser is one erasure.
type eraser struct {
	d      *dialect
	t      *tx
	scrub  func(string) string
	out    record.Erasure
	tables map[string]bool
}

func (x *eraser) all(t *tx, e record.Erasing, flagged []int64) error {
	x.t = t
	for _, query := range x.d.erase {
		if err := t.exec(query); err != nil {
			return err
		}
	}
	known, err := x.known(e.Owner)
	if err != nil {
		return err
	}
	if x.scrub, err = e.Plan(known); err != nil {
		return err
	}
	columns, err := textColumns(t, x.d)
	if err != nil {
		return err
	}
	for _, step := range []func() error{
		func() error { return x.detach(e.Owner, known.Facts) },
		func() error { return x.facts() },
		func() error { return x.columns(columns) },
		func() error { return x.batches(flagged) },
		func() error { return x.quarantined() },
		func() error { return x.nothingLeft(columns) },
	} {
		if err := step(); err != nil {
			return err
		}
	}
	return x.note(e)
}

// known reads what is known of an owner, and all identifiers.
func (x *eraser) known(owner string) (k record.Known, err error) {
	k.Facts, err = factsAbout(x.t, fact.Subject{Kind: fact.KindOwner, ID: owner})
	if err != nil {
		return k, err
	}
	var before int64 // they may be named again since, or by another name
	if err := x.t.row(`select count(*) from erasure where owner = ?`, []any{owner}, &before); err != nil {
		return k, err
	}
	if k.Erased = before > 0; len(k.Facts) == 0 && !k.Erased {
		return k, record.ErrNotFound
	}
	for _, text := range []string{
		`select 'station', name, case when retired_ns is null then 1 else 0 end from station order by name`,
		`select 'account', name, 1 from account order by name`,
		`select 'token', name, 1 from token order by name`,
		`select distinct kind, subject, 0 from fact where kind <> 'station' order by kind, subject`,
		`select distinct 'owner', owner, 0 from erasure order by owner`, // what may still refer to them
	} {
		err := each(x.t, text, nil, func(rows *sql.Rows) error {
			var id record.Identifier
			var live int64
			err := rows.Scan(&id.Kind, &id.ID, &live)
			id.Live = live == 1
			k.IDs = append(k.IDs, id)
			return err
		})
		if err != nil {
			return k, err
		}
	}
	return k, nil
}

// detach deletes what was said about an owner, leaves their sites to nobody, and
// deletes how to come in there: that is the owner's, whatever its words.
func (x *eraser) detach(owner string, facts []fact.Fact) error {
	for _, f := range facts {
		x.found("fact", f.Name+" of "+fact.KindOwner, f.Value, "", 1)
	}
	n, err := x.t.changed(`delete from fact where kind = ? and subject = ?`, fact.KindOwner, owner)
	if err != nil {
		return err
	}
	x.out.Facts = n
	sites, err := texts(x.t, `select distinct subject from fact where kind = 'site' and name = ? and value = ? order by subject`, fact.Owner, owner)
	if err != nil {
		return err
	}
	for _, site := range sites {
		if err := x.accessOf(site, owner); err != nil {
			return err
		}
	}
	n, err = x.t.changed(`update fact set value = ? where name = ? and value = ?`, fact.None, fact.Owner, owner)
	if err == nil && n > 0 {
		x.found("fact", fact.Owner+" of site", owner, fact.None, n)
		x.out.Changed += n
	}
	return err
}

// accessOf deletes how to come in to a site, but what was said while it was
// somebody else's.
func (x *eraser) accessOf(site, owner string) error {
	type said struct {
		id   int64
		from unit.Instant
		text string
	}
	var list []said
	facts, err := factsAbout(x.t, fact.Subject{Kind: fact.KindSite, ID: site})
	if err == nil {
		err = each(x.t, `select id, from_ns, value from fact where kind = 'site' and subject = ? and name = ? order by id`, []any{site, fact.Access},
			func(rows *sql.Rows) error {
				var f said
				err := rows.Scan(&f.id, &f.from, &f.text)
				list = append(list, f)
				return err
			})
	}
	if err != nil {
		return err
	}
	for _, f := range list {
		if whose, known := fact.At(facts, fact.Owner, f.from); known && whose != owner && whose != fact.None {
			continue
		}
		x.found("fact", fact.Access+" of site", f.text, "", 1)
		x.out.Facts++
		if err := x.t.exec(`delete from fact where id = ?`, f.id); err != nil {
			return err
		}
	}
	return nil
}

// found notes what was found where. Of a place and a text there is one note.
func (x *eraser) found(table, column, before, after string, rows int64) {
	x.tables[table] = true
	for i := range x.out.Traces {
		if t := &x.out.Traces[i]; t.Table == table && t.Column == column && t.Before == before && t.After == after {
			t.Rows += rows
			return
		}
	}
	x.out.Traces = append(x.out.Traces, record.Trace{Table: table, Column: column, Rows: rows, Before: before, After: after})
}

// facts scrubs what facts say. A value that must be one of a few, a number or a
// date names nobody; an identifier is replaced as a whole.
func (x *eraser) facts() error {
	type row struct {
		id            int64
		f             fact.Fact
		value, author string // instead
	}
	var list []row
	err := each(x.t, `select id, kind, subject, name, from_ns, value, author from fact order by id`, nil, func(rows *sql.Rows) error {
		var r row
		if err := rows.Scan(&r.id, &r.f.Subject.Kind, &r.f.Subject.ID, &r.f.Name, &r.f.From, &r.f.Value, &r.f.Author); err != nil {
			return err
		}
		r.value, r.author = x.scrub(r.f.Value), x.scrub(r.f.Author)
		if r.value != r.f.Value && isCode(r.f, r.value) {
			r.value = r.f.Value
		}
		if r.value != r.f.Value || r.author != r.f.Author {
			list = append(list, r)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, r := range list {
		if err := x.t.exec(`update fact set value = ?, author = ? where id = ?`, r.value, r.author, r.id); err != nil {
			return err
		}
		for _, c := range []struct{ column, before, after string }{
			{r.f.Name + " of " + r.f.Subject.Kind, r.f.Value, r.value}, {"author", r.f.Author, r.author},
		} {
			if c.before != c.after {
				x.found("fact", c.column, c.before, c.after, 1)
				x.out.Changed++
			}
		}
	}
	return nil
}

// isCode tells whether a fact takes no text, so that what would take its value's
// place can't be.
func isCode(f fact.Fact, instead string) bool {
	takes := func(value string) bool {
		f.Value = value
		return fact.Validate(f) == nil
	}
	return takes(f.Value) && !takes(instead) && !takes("(x)")
}

// column is a column of the store with text or bytes in it.
type column struct {
	table, name string
	bytes       bool
	keys        []string // of its table's primary key
}

func (c *column) String() string { return c.table + "." + c.name }

// textColumns returns all columns with text or bytes, whoever made them, but for
// those that keep the schema's version.
func textColumns(q query, d *dialect) (list []column, err error) {
	keys := map[string][]string{}
	err = each(q, d.texts, nil, func(rows *sql.Rows) error {
		var table, name, kind string
		var key int64
		if err := rows.Scan(&table, &name, &kind, &key); err != nil {
			return err
		}
		if strings.HasPrefix(table, "goose_") || strings.HasPrefix(table, "sqlite_") {
			return nil
		}
		if key > 0 {
			keys[table] = append(keys[table], name)
		}
		switch kind = strings.ToLower(kind); kind {
		case "text", "blob", "bytea":
			list = append(list, column{table: table, name: name, bytes: kind != "text"})
		}
		return nil
	})
	for i := range list {
		list[i].keys = keys[list[i].table]
	}
	// Where others refer to a name, it comes before them: they follow it.
	slices.SortStableFunc(list, func(a, b column) int {
		return cmp.Compare(zeroOne(a.String() != "station.name"), zeroOne(b.String() != "station.name"))
	})
	return list, err
}

// searched tells whether an erasure looks at a column's rows one by one.
func (c *column) searched() bool {
	switch {
	case c.table == "fact": // see facts
		return c.name == "subject"
	case c.bytes:
		class, known := bytesClasses[c.String()]
		return known && class == freeText
	}
	return textClasses[c.String()] != codeText
}

func (x *eraser) columns(list []column) error {
	for i := range list {
		c := &list[i]
		if _, known := bytesClasses[c.String()]; c.bytes && !known {
			u := record.Unread{Table: c.table, Column: c.name}
			if err := x.t.row(`select count(`+c.name+`) from `+c.table, nil, &u.Rows); err != nil {
				return err
			}
			if u.Rows > 0 {
				x.out.Unread = append(x.out.Unread, u)
			}
			continue
		}
		if !c.searched() {
			continue
		}
		if err := x.column(c); err != nil {
			return fmt.Errorf("search %s: %w", c, err)
		}
	}
	return nil
}

// change is what takes a text's place.
type change struct {
	key           []any
	before, after string
}

// changes returns the rows of a column in which the owner is named. They are
// found again by their key, so that the name is in no statement.
func (x *eraser) changes(c *column) (list []change, err error) {
	key := strings.Join(c.keys, ", ")
	err = each(x.t, `select `+key+`, `+c.name+` from `+c.table+` where `+c.name+` is not null order by `+key, nil, func(rows *sql.Rows) error {
		ch := change{key: make([]any, len(c.keys))}
		dest := make([]any, len(c.keys)+1)
		for i := range ch.key {
			dest[i] = &ch.key[i]
		}
		var text sql.RawBytes
		dest[len(c.keys)] = &text
		if err := rows.Scan(dest...); err != nil {
			return err
		}
		ch.before = string(text)
		ch.after = x.scrub(ch.before)
		if ch.after != ch.before && (textClasses[c.String()] != idText || c.bytes || !strings.ContainsAny(ch.after, "(")) {
			list = append(list, ch)
		}
		return nil
	})
	return list, err
}

func (x *eraser) column(c *column) error {
	list, err := x.changes(c)
	if err != nil {
		return err
	}
	for _, ch := range list {
		var value any = ch.after
		if c.bytes {
			value = []byte(ch.after)
		}
		query := `update ` + c.table + ` set ` + c.name + ` = ? where ` + strings.Join(c.keys, ` = ? and `) + ` = ?`
		if err := x.t.exec(query, append([]any{value}, ch.key...)...); err != nil {
			return err
		}
		before, after := ch.before, ch.after
		if c.bytes {
			before, after = reading.Printable([]byte(before)), reading.Printable([]byte(after))
		}
		x.found(c.table, c.name, before, after, 1)
		x.out.Changed++
	}
	if len(list) == 0 || textClasses[c.String()] != idText {
		return nil
	}
	// Where others refer to an identifier, the engine changed theirs with it.
	return each(x.t, x.d.references, nil, func(rows *sql.Rows) error {
		var from, to string
		err := rows.Scan(&from, &to)
		if to == c.table {
			x.tables[from] = true
		}
		return err
	})
}

// withFlags returns the batches in which a reading has flags. Only flags are
// text that came from outside.
func (s *Store) withFlags(ctx context.Context) (ids []int64, err error) {
	err = each(reader{ctx, s}, `select b.id, r.run, b.body from batch b join run r on r.id = b.run order by b.id`, nil, func(rows *sql.Rows) error {
		var id int64
		var run string
		var body sql.RawBytes
		if err := rows.Scan(&id, &run, &body); err != nil {
			return err
		}
		list, err := unpack(nil, run, body)
		if slices.ContainsFunc(list, func(r reading.Reading) bool { return r.Flags != "" }) {
			ids = append(ids, id)
		}
		return err
	})
	return ids, err
}

// batches scrubs the flags of stored readings.
func (x *eraser) batches(ids []int64) error {
	for _, id := range ids {
		var run string
		var body []byte
		var station int64
		var from, to unit.Instant
		err := x.t.row(`select r.run, b.body, b.station, b.t_min, b.t_max from batch b join run r on r.id = b.run where b.id = ?`, []any{id}, &run, &body, &station, &from, &to)
		if err == nil {
			body, err = x.flags("batch", run, body)
		}
		if err == nil && body != nil {
			if err = x.t.exec(`update batch set body = ? where id = ?`, body, id); err == nil {
				err = feedReadings(x.t, station, from, to)
			}
		}
		if err != nil {
			return fmt.Errorf("flags of batch %d: %w", id, err)
		}
	}
	return nil
}

// flags scrubs the flags of packed readings; nil when nothing was changed.
func (x *eraser) flags(table, run string, body []byte) ([]byte, error) {
	list, err := unpack(nil, run, body)
	if err != nil {
		return nil, err
	}
	changed := false
	all := make([]*reading.Reading, len(list))
	for i := range list {
		r := &list[i]
		all[i] = r
		if clean := x.scrub(r.Flags); clean != r.Flags {
			x.found(table, "flags", r.Flags, clean, 1)
			x.out.Changed++
			r.Flags, changed = clean, true
		}
	}
	if !changed {
		return nil, nil
	}
	if body[0] == chunkVersion {
		return chunk(run, all), nil
	}
	return pack(run, all), nil
}

// quarantined scrubs the flags of readings that may be stored later.
func (x *eraser) quarantined() error {
	type held struct {
		id   int64
		body []byte
	}
	var list []held
	err := each(x.t, `select id, coalesce(run, ''), body from quarantine where body is not null order by id`, nil, func(rows *sql.Rows) error {
		var h held
		var run string
		var body []byte
		err := rows.Scan(&h.id, &run, &body)
		if err == nil {
			h.body, err = x.flags("quarantine", run, body)
		}
		if h.body != nil {
			list = append(list, h)
		}
		return err
	})
	if err != nil {
		return err
	}
	for _, h := range list {
		if err := x.t.exec(`update quarantine set body = ? where id = ?`, h.body, h.id); err != nil {
			return err
		}
	}
	return nil
}

// nothingLeft searches once more.
func (x *eraser) nothingLeft(list []column) error {
	for i := range list {
		if c := &list[i]; c.searched() {
			left, err := x.changes(c)
			if err == nil && len(left) > 0 {
				err = fmt.Errorf("%d rows still name them", len(left))
			}
			if err != nil {
				return fmt.Errorf("search %s again: %w", c, err)
			}
		}
	}
	return nil
}

func (x *eraser) note(e record.Erasing) error {
	slices.SortStableFunc(x.out.Traces, func(a, b record.Trace) int {
		return cmp.Or(cmp.Compare(a.Table, b.Table), cmp.Compare(a.Column, b.Column))
	})
	x.out.Owner, x.out.Author = x.scrub(e.Owner), x.scrub(e.Author)
	x.out.Tables = slices.Sorted(maps.Keys(x.tables))
	err := x.t.row(`insert into erasure (at_ns, author, owner, facts, changed, tables) values (?, ?, ?, ?, ?, ?) returning id`,
		[]any{e.At, x.out.Author, x.out.Owner, x.out.Facts, x.out.Changed, strings.Join(x.out.Tables, " ")}, &x.out.Number)
	if err != nil {
		return err
	}
	return audit(x.t, e.At, x.out.Author, "erase owner", x.out.Owner)
}

// forgotten refuses facts about owners who were erased: nobody else gets their
// id, and nothing brings back what was known of them, as salvaging an older
// store would.
func forgotten(t *tx, facts []fact.Fact) error {
	for _, f := range facts {
		if f.Subject.Kind != fact.KindOwner {
			continue
		}
		var n int64
		if err := t.row(`select count(*) from erasure where owner = ?`, []any{f.Subject.ID}, &n); err != nil {
			return err
		}
		if n > 0 {
			return fact.Refused{Subject: f.Subject, Name: "id", Value: f.Subject.ID, Fix: "an owner with that id was erased: choose another"}
		}
	}
	return nil
}

// Erasures returns who was erased, newest first.
func (s *Store) Erasures(ctx context.Context) (list []record.Erasure, err error) {
	there, err := s.hasTable(ctx, "erasure")
	if err == nil && there {
		err = each(reader{ctx, s}, `select id, at_ns, author, owner, facts, changed, tables, finished_ns from erasure order by id desc`, nil,
			func(rows *sql.Rows) error {
				var e record.Erasure
				var tables string
				var finished sql.NullInt64
				err := rows.Scan(&e.Number, &e.At, &e.Author, &e.Owner, &e.Facts, &e.Changed, &tables, &finished)
				e.Tables, e.Finished = strings.Fields(tables), unit.Instant(finished.Int64)
				list = append(list, e)
				return err
			})
	}
	if err != nil {
		return nil, fmt.Errorf("read erasures: %w", err)
	}
	return list, nil
}

// Rewrite removes from disk what erasures left there of the rows as they were:
// deleted rows, free pages, the log of a file. Others may go on working with the
// store; who writes meanwhile waits. Again it does no harm. It returns how many
// erasures were not finished before.
func (s *Store) Rewrite(ctx context.Context, at unit.Instant) (int, error) {
	all, err := s.Erasures(ctx)
	if err != nil {
		return 0, err
	}
	tables := map[string]bool{"erasure": true, "audit": true}
	var open []int64
	for _, e := range all {
		if e.Finished != 0 {
			continue
		}
		open = append(open, e.Number)
		for _, name := range e.Tables {
			tables[name] = true
		}
	}
	if len(open) == 0 {
		return 0, nil
	}
	if err := s.alone(ctx, func(w *writer) error { return s.d.rewriteDisk(ctx, w, slices.Sorted(maps.Keys(tables))) }); err != nil {
		return len(open), fmt.Errorf("remove what erasing left on disk: %w", err)
	}
	err = s.inTx(ctx, func(t *tx) error {
		for _, id := range open {
			if err := t.exec(`update erasure set finished_ns = ? where id = ?`, at, id); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return len(open), fmt.Errorf("note that erasures are finished: %w", err)
	}
	return len(open), nil
}

// alone lets f use the connection that writes, outside of a transaction.
func (s *Store) alone(ctx context.Context, f func(*writer) error) error {
	if s.write == nil {
		return errReadOnly
	}
	select {
	case w := <-s.write:
		if w == nil {
			return errClosed
		}
		defer func() { s.write <- w }()
		if w.unclear {
			if err := w.renew(ctx); err != nil {
				return fmt.Errorf("take another connection: %w", err)
			}
		}
		err := f(w)
		w.unclear = err != nil
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// rewriteFile rewrites a file: what the erasing commit zeroed goes into it, then
// all that is used is copied into new pages, and the log is emptied. Readers of
// an older state hold the log: the engine waits for them as for other writers.
func rewriteFile(ctx context.Context, w *writer, _ []string) error {
	empty := func() error {
		var busy, frames, done int
		if err := w.conn.QueryRowContext(ctx, "pragma wal_checkpoint(truncate)").Scan(&busy, &frames, &done); err != nil {
			return err
		}
		if busy != 0 {
			return errors.New("another program reads an older state, as a backup does: when it is done, finish the erasure")
		}
		return nil
	}
	if err := empty(); err != nil {
		return err
	}
	if _, err := w.conn.ExecContext(ctx, "vacuum"); err != nil {
		return fmt.Errorf("vacuum: %w", err)
	}
	return empty()
}

// Transactions last for milliseconds, but for a backup or a person at a console.
const (
	untilPast  = 2 * time.Second
	untilAsked = 20 * time.Millisecond
)

// rewriteTables rewrites tables of a database, and what the server remembers of
// the values in them. A session that still sees an older state keeps rows alive
// in the new table too, and so does what runs in other databases of the server: it
// is older than the snapshot of the session that rewrites.
func rewriteTables(ctx context.Context, w *writer, tables []string) error {
	var mark string // the transaction that comes next: erasing was one before it
	if err := w.conn.QueryRowContext(ctx, `select pg_snapshot_xmax(pg_current_snapshot())::text`).Scan(&mark); err != nil {
		return err
	}
	for end := time.Now().Add(untilPast); ; {
		var past bool
		var pid int64
		err := w.conn.QueryRowContext(ctx, `select pg_snapshot_xmin(pg_current_snapshot()) >= cast(cast($1 as text) as xid8),
			(select coalesce(min(pid), 0) from pg_catalog.pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()
				and age(backend_xmin) > age(cast(cast(cast($1 as text) as xid8) as xid)))`, mark).Scan(&past, &pid)
		if err != nil {
			return err
		}
		if past && pid == 0 {
			break
		}
		if time.Now().After(end) {
			if pid == 0 {
				return errors.New("a transaction of the server, perhaps in another database, began before the erasure: when it is done, finish the erasure")
			}
			return fmt.Errorf("the server's process %d may still see an older state: when its transaction is done, finish the erasure", pid)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(untilAsked):
		}
	}
	for _, name := range append(slices.Clone(tables), "pg_catalog.pg_statistic") {
		if _, err := w.conn.ExecContext(ctx, "vacuum (full, analyze) "+name); err != nil {
			return fmt.Errorf("vacuum %s: %w", name, err)
		}
	}
	return nil
}
