package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// packAtOnce bounds the bytes of batches that one transaction replaces: some
// milliseconds in which nothing else is written.
const packAtOnce = 256 << 10

// PackDays packs the batches of UTC days that ended at or before closed by
// columns: those not yet packed, and those into which readings came since. What
// is packed was read back and found equal before the batches go. Days that
// change meanwhile are left to the next time. It does so for at most that many
// stations, by id, from the one after the given on, and returns the last of
// them; "" when there are no more.
func (s *Store) PackDays(ctx context.Context, closed unit.Instant, after string, stations int) (done record.Packed, last string, err error) {
	p := newPacker(ctx, s, closed)
	list, err := p.stations(after, stations)
	for _, st := range list {
		if err != nil {
			break
		}
		last = st.name
		err = p.station(st)
	}
	if err == nil {
		err = p.flush()
	}
	if err != nil {
		return p.done, last, fmt.Errorf("pack closed days: %w", err)
	}
	if len(list) < stations {
		last = ""
	}
	return p.done, last, nil
}

func newPacker(ctx context.Context, s *Store, closed unit.Instant) *packer {
	return &packer{s: s, ctx: ctx, last: dayOf(closed) - 1, atOnce: packAtOnce, changed: make(map[int64]bool)}
}

type packer struct {
	s      *Store
	ctx    context.Context
	last   int64 // day
	days   []closedDay
	marks  []packMark
	bytes  int
	atOnce int
	done   record.Packed

	changed map[int64]bool // stations of which a day was left alone
}

// packMark says how far a station is looked through.
type packMark struct{ station, day, batch int64 }

// closedDay is a station's day whose batches become chunks.
type closedDay struct {
	station, day int64
	rows         []batchSize // all of the day as they were read
	chunks       []chunkRow
	freed        []int64 // batches that go
	count        record.Packed
}

// batchSize is what tells a batch from what it may have grown to.
type batchSize struct{ id, n int64 }

// chunkRow takes the place of a batch.
type chunkRow struct {
	batch
	run int64
}

func (p *packer) stations(after string, limit int) (list []station, err error) {
	err = each(reader{p.ctx, p.s}, `select id, name from station where name > ? order by name limit ?`, []any{after, limit}, func(rows *sql.Rows) error {
		var st station
		err := rows.Scan(&st.id, &st.name)
		list = append(list, st)
		return err
	})
	return list, err
}

func (p *packer) station(st station) error {
	days, mark, err := p.open(st.id)
	if err != nil {
		return fmt.Errorf("station %s: %w", st.name, err)
	}
	for _, d := range days {
		c, err := p.day(st.id, d)
		if err != nil {
			return fmt.Errorf("station %s: day %d: %w", st.name, d, err)
		}
		if len(c.chunks) == 0 {
			continue
		}
		p.days = append(p.days, c)
		if p.bytes += int(c.count.Before); p.bytes >= p.atOnce {
			if err := p.flush(); err != nil {
				return err
			}
		}
	}
	if len(days) > 0 && !p.changed[st.id] {
		p.marks = append(p.marks, mark)
	}
	return nil
}

// open returns the days that may have something to pack, and the mark that is
// right when that is done.
func (p *packer) open(station int64) (days []int64, mark packMark, err error) {
	err = p.s.snapshot(p.ctx, func(q query) error {
		before := packMark{day: -1 << 62}
		err := each(q, `select day, batch from pack_mark where station = ?`, []any{station}, func(rows *sql.Rows) error {
			return rows.Scan(&before.day, &before.batch)
		})
		if err != nil {
			return err
		}
		mark = packMark{station, max(p.last, before.day), before.batch}
		return each(q, `select day, max(id) from batch where station = ? and day <= ? and (day > ? or id > ?)
			group by day order by day`, []any{station, p.last, before.day, before.batch}, func(rows *sql.Rows) error {
			var d, id int64
			err := rows.Scan(&d, &id)
			days, mark.batch = append(days, d), max(mark.batch, id)
			return err
		})
	})
	return days, mark, err
}

// day reads a station's day and packs it by columns.
func (p *packer) day(station, d int64) (closedDay, error) {
	c := closedDay{station: station, day: d}
	type run struct {
		name   string
		rows   []int64
		bytes  int64
		chunks int // rows that are chunks
		list   []reading.Reading
	}
	runs := make(map[int64]*run)
	err := each(reader{p.ctx, p.s}, `select b.id, b.run, r.run, b.key_min, b.key_max, b.t_min, b.t_max, b.n, b.body from batch b join run r on r.id = b.run
		where b.station = ? and b.day = ? order by b.id`, []any{station, d}, func(rows *sql.Rows) error {
		var b batch
		var id int64
		var name string
		var body sql.RawBytes
		if err := rows.Scan(&b.id, &id, &name, &b.keyMin, &b.keyMax, &b.tMin, &b.tMax, &b.n, &body); err != nil {
			return err
		}
		if runs[id] == nil {
			runs[id] = &run{name: name}
		}
		r := runs[id]
		c.rows, r.rows = append(c.rows, batchSize{b.id, int64(b.n)}), append(r.rows, b.id)
		r.bytes += int64(len(body))
		if len(body) > 0 && body[0] == chunkVersion {
			r.chunks++
		}
		had := len(r.list)
		var err error
		if r.list, err = unpack(r.list, name, body); err == nil {
			err = b.spans(r.list[had:])
		}
		if err != nil {
			return fmt.Errorf("batch %d: %w", b.id, err)
		}
		return nil
	})
	for _, id := range slices.Sorted(maps.Keys(runs)) {
		r := runs[id]
		if err != nil || r.chunks == len(r.rows) && (len(r.rows) == 1 || len(r.list) > maxChunk) {
			continue
		}
		slices.SortStableFunc(r.list, func(a, b reading.Reading) int { return cmp.Compare(keyOf(&a), keyOf(&b)) })
		var rows []chunkRow
		var after int64
		for part := range slices.Chunk(r.list, maxChunk) {
			var row chunkRow
			if row, err = chunked(r.name, part); err != nil {
				break
			}
			row.run, row.day = id, d
			rows, after = append(rows, row), after+int64(len(row.body))
		}
		if err != nil || after >= r.bytes && len(r.rows) == 1 {
			continue // so few that columns don't pay
		}
		// The newest ids stay, so that the largest of all is never given twice.
		slices.Reverse(r.rows)
		for i := range rows {
			rows[i].id = r.rows[i]
		}
		c.freed = append(c.freed, r.rows[len(rows):]...)
		c.chunks = append(c.chunks, rows...)
		c.count.Readings += int64(len(r.list))
		c.count.Before += r.bytes
		c.count.After += after
	}
	c.count.Days = 1
	return c, err
}

// chunked makes a row of readings, and reads it back.
func chunked(run string, list []reading.Reading) (chunkRow, error) {
	var row chunkRow
	all := make([]*reading.Reading, len(list))
	for i := range list {
		all[i] = &list[i]
		row.widen(&list[i])
	}
	row.body = chunk(run, all)
	back, err := unpack(nil, run, row.body)
	if err == nil && !slices.EqualFunc(list, back, identical) {
		err = errChunk
	}
	return row, err
}

// flush replaces the batches of the days collected, and then says how far their
// stations are looked through.
func (p *packer) flush() error {
	if len(p.days) == 0 && len(p.marks) == 0 {
		return nil
	}
	var done record.Packed
	err := p.s.inTx(p.ctx, func(t *tx) error {
		done = record.Packed{}
		for i := range p.days {
			c := &p.days[i]
			same, err := c.same(t)
			if err == nil && same {
				err = c.replace(t)
			}
			if err != nil {
				return err
			}
			if same {
				done.Add(c.count)
				continue
			}
			done.Changed++
			p.changed[c.station] = true
		}
		for _, m := range p.marks {
			if p.changed[m.station] {
				continue
			}
			if err := t.exec(`insert into pack_mark (station, day, batch) values (?, ?, ?)
				on conflict (station) do update set day = excluded.day, batch = excluded.batch`, m.station, m.day, m.batch); err != nil {
				return err
			}
		}
		return nil
	})
	p.done.Add(done)
	p.days, p.marks, p.bytes = nil, nil, 0
	return err
}

// same tells whether the day's batches are those that were read.
func (c *closedDay) same(t *tx) (bool, error) {
	var now []batchSize
	err := each(t, `select id, n from batch where station = ? and day = ? order by id`, []any{c.station, c.day}, func(rows *sql.Rows) error {
		var b batchSize
		err := rows.Scan(&b.id, &b.n)
		now = append(now, b)
		return err
	})
	return slices.Equal(now, c.rows), err
}

// replace puts the chunks in the place of what they hold. None of it may grow
// any more.
func (c *closedDay) replace(t *tx) error {
	for _, row := range c.chunks {
		err := t.exec(`update run set tail = null where id = ? and tail in (select id from batch where station = ? and day = ?)`,
			row.run, c.station, c.day)
		if err != nil {
			return err
		}
		err = t.exec(`update batch set key_min = ?, key_max = ?, t_min = ?, t_max = ?, n = ?, body = ? where id = ?`,
			row.keyMin, row.keyMax, row.tMin, row.tMax, int64(row.n), row.body, row.id)
		if err != nil {
			return err
		}
	}
	for _, id := range c.freed {
		if err := t.exec(`delete from batch where id = ?`, id); err != nil {
			return err
		}
	}
	return nil
}
