package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"slices"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// damage returns what a query of the engine's finds wrong with the file.
func damage(q query, text string) error {
	if text == "" {
		return nil
	}
	var wrong []string
	err := each(q, text, nil, func(rows *sql.Rows) error {
		var line string
		err := rows.Scan(&line)
		if line != "ok" {
			wrong = append(wrong, line)
		}
		return err
	})
	if err == nil && len(wrong) > 0 {
		err = fmt.Errorf("the file is damaged: %s", strings.Join(wrong[:min(len(wrong), 3)], "; "))
	}
	return err
}

// QuickCheck returns what is wrong with the structure of the file, as far as
// SQLite finds it without comparing indexes with their tables. A server looks
// after its files itself.
func (s *Store) QuickCheck(ctx context.Context) error {
	if err := damage(reader{ctx, s}, s.d.structure.quick); err != nil {
		return fmt.Errorf("check store %s: %w", s.path, err)
	}
	return nil
}

// Verify reads all of the store as of one commit and returns what it holds, or
// the first thing that is not as it must be: the file's structure, references,
// every packed row, every stored reading once and among those seen, and the
// balance of the counts.
func (s *Store) Verify(ctx context.Context) (record.Contents, error) {
	v := verifier{d: s.d}
	has, _, err := s.Schema(ctx)
	if err == nil {
		v.found.Schema = has
		err = s.snapshot(ctx, v.all)
	}
	if err != nil {
		return v.found, fmt.Errorf("verify %s: %w", s.path, err)
	}
	return v.found, nil
}

type verifier struct {
	d      *dialect
	q      query
	found  record.Contents
	ledger hash.Hash
}

func (v *verifier) all(q query) error {
	v.q, v.ledger = q, sha256.New()
	if err := damage(q, v.d.structure.whole); err != nil {
		return err
	}
	if err := v.references(); err != nil {
		return err
	}
	stations, err := v.stations()
	if err != nil {
		return err
	}
	v.found.Stations = len(stations)
	for _, st := range stations {
		if err := v.station(st); err != nil {
			return fmt.Errorf("station %s: %w", st.name, err)
		}
	}
	v.found.Ledger = hex.EncodeToString(v.ledger.Sum(nil))
	if err := v.quarantine(); err != nil {
		return err
	}
	if err := v.counts(); err != nil {
		return err
	}
	return v.made()
}

func (v *verifier) references() error {
	if v.d.structure.references == "" {
		return nil // the engine lets none be broken
	}
	n := 0
	table := ""
	err := each(v.q, v.d.structure.references, nil, func(rows *sql.Rows) error {
		var row, parent, key any
		n++
		return rows.Scan(&table, &row, &parent, &key)
	})
	if err == nil && n > 0 {
		err = fmt.Errorf("%d rows refer to rows that are not there, the last of table %s", n, table)
	}
	return err
}

func (v *verifier) stations() (list []station, err error) {
	err = each(v.q, `select id, name from station order by name`, nil, func(rows *sql.Rows) error {
		var st station
		err := rows.Scan(&st.id, &st.name)
		list = append(list, st)
		return err
	})
	return list, err
}

// seenRuns returns a station's runs by id.
func seenRuns(q query, station int64) (map[int64]*run, error) {
	runs := make(map[int64]*run)
	err := each(q, `select id, run, oldest, seen from run where station = ?`, []any{station}, func(rows *sql.Rows) error {
		var r run
		var seen sql.RawBytes
		err := rows.Scan(&r.id, &r.name, &r.oldest, &seen)
		if err == nil {
			r.seen, err = decodeSpans(seen)
		}
		if err != nil {
			return fmt.Errorf("run %q: %w", r.name, err)
		}
		runs[r.id] = &r
		return nil
	})
	return runs, err
}

// station reads a station's readings and ledger.
func (v *verifier) station(st station) error {
	runs, err := seenRuns(v.q, st.id)
	if err != nil {
		return err
	}
	keys := make(map[int64][]int64) // of stored readings, by run
	var scratch []reading.Reading
	err = each(v.q, `select id, day, run, key_min, key_max, t_min, t_max, n, body from batch where station = ? order by day`,
		[]any{st.id}, func(rows *sql.Rows) error {
			var b batch
			var of int64
			var body sql.RawBytes
			if err := rows.Scan(&b.id, &b.day, &of, &b.keyMin, &b.keyMax, &b.tMin, &b.tMax, &b.n, &body); err != nil {
				return err
			}
			r := runs[of]
			if r == nil {
				return fmt.Errorf("batch %d: its run is not the station's", b.id)
			}
			if scratch, err = unpack(scratch[:0], r.name, body); err != nil {
				return fmt.Errorf("batch %d: %w", b.id, err)
			}
			if err := b.holds(scratch, r); err != nil {
				return fmt.Errorf("batch %d: %w", b.id, err)
			}
			v.found.Readings += int64(b.n)
			v.found.Newest = max(v.found.Newest, unit.Instant(b.tMax))
			if r.name != "" {
				for i := range scratch {
					keys[of] = append(keys[of], scratch[i].Seq)
				}
			}
			return nil
		})
	if err != nil {
		return err
	}
	for of, list := range keys {
		slices.Sort(list)
		for i := 1; i < len(list); i++ {
			if list[i] == list[i-1] {
				return fmt.Errorf("run %s: seq %d is stored twice", runs[of].name, list[i])
			}
		}
	}
	if err := v.frozen(st); err != nil {
		return err
	}
	return v.hours(st)
}

// frozen tells whether what is frozen of a station is as it was then, and
// whether what was let go is not there.
func (v *verifier) frozen(st station) error {
	z, err := frozenOf(v.q, st.id)
	if err != nil || z.At == 0 {
		return err
	}
	v.found.LetGo += z.Readings
	held, err := instant(v.q, `select min(t_min) from batch where station = ?`, st.id)
	if err != nil {
		return err
	}
	if held.Valid && held.Int64 < int64(z.Kept) {
		return fmt.Errorf("a reading of %s is there, and those from before %s were let go", unit.Instant(held.Int64), z.Kept)
	}
	hours := int64(0)
	digest, err := digestDays(v.q, st.id, dayOf(0), dayOf(z.Before), "", func(*exposure.Hour) { hours++ })
	if err != nil {
		return err
	}
	if digest != z.digest || hours != z.Hours {
		return fmt.Errorf("its hours before %s are not those that were frozen: %d hours with digest %s, and %d with %s were", z.Before, hours, digest, z.Hours, z.digest)
	}
	return nil
}

// holds tells what of a batch's row its readings contradict.
func (b *batch) holds(rs []reading.Reading, r *run) error {
	for i := range rs {
		x := &rs[i]
		switch {
		case dayOf(x.Time) != b.day:
			return fmt.Errorf("the reading of %s is not of its day", x.Time)
		case x.Keyed() != (r.name != ""):
			return fmt.Errorf("the reading of %s is not of its run", x.Time)
		case x.Keyed() && !r.seen.has(x.Seq):
			return fmt.Errorf("seq %d is stored and not among those seen", x.Seq)
		}
	}
	return b.spans(rs)
}

// spans tells whether the row names the readings' number, keys and times.
func (b *batch) spans(rs []reading.Reading) error {
	var is batch
	for i := range rs {
		is.widen(&rs[i])
	}
	if is.n != b.n || is.n > 0 && (is.keyMin != b.keyMin || is.keyMax != b.keyMax || is.tMin != b.tMin || is.tMax != b.tMax) {
		return errors.New("its readings are not those that its row names")
	}
	return nil
}

// hours reads a station's ledger.
func (v *verifier) hours(st station) error {
	if _, err := fmt.Fprintln(v.ledger, st.name); err != nil {
		return err
	}
	var line []byte
	var scratch []exposure.Hour
	return each(v.q, `select day, body from ledger_day where station = ? order by day`, []any{st.id}, func(rows *sql.Rows) (err error) {
		var d int64
		var body sql.RawBytes
		if err := rows.Scan(&d, &body); err != nil {
			return err
		}
		if scratch, err = unpackHours(scratch[:0], unit.Instant(d*int64(day)), body); err != nil {
			return fmt.Errorf("ledger of day %d: %w", d, err)
		}
		for i := range scratch {
			line = exposure.AppendHourly(line[:0], &scratch[i])
			if _, err := v.ledger.Write(line); err != nil {
				return err
			}
		}
		v.found.Hours += int64(len(scratch))
		return nil
	})
}

func (v *verifier) quarantine() error {
	return each(v.q, selectQuarantined+`where body is not null`, nil, func(rows *sql.Rows) error {
		_, err := scanQuarantined(rows)
		return err
	})
}

func (v *verifier) counts() error {
	c, err := readCounts(v.q)
	if err != nil {
		return err
	}
	var refused int64
	for _, n := range c.Refused {
		refused += n
	}
	if c.Received+c.Released != c.Stored+c.Repeated+refused {
		return fmt.Errorf("the counts don't balance: received %d and released %d, but stored %d, repeated %d and refused %d", c.Received, c.Released, c.Stored, c.Repeated, refused)
	}
	if c.Stored != v.found.Readings+v.found.LetGo {
		return fmt.Errorf("%d readings are counted as stored, and %d are there, %d were let go", c.Stored, v.found.Readings, v.found.LetGo)
	}
	return nil
}

// made reads when the file was made, if it is a backup: then it tells of
// itself last.
func (v *verifier) made() error {
	there, err := hasTable(v.q, v.d, "backup")
	if err != nil || !there {
		return err
	}
	return each(v.q, `select at_ns, sha256 from backup order by at_ns desc limit 1`, nil, func(rows *sql.Rows) error {
		var at unit.Instant
		var sum string
		err := rows.Scan(&at, &sum)
		if sum == "" {
			v.found.Made = at
		}
		return err
	})
}
