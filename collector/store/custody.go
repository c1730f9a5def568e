package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// KeepStates keeps what stations' agents said of themselves, where it is newer
// than what is kept. It returns how many were kept; the others were older, or
// of stations that are not in service.
func (s *Store) KeepStates(ctx context.Context, list []record.State) (kept int, err error) {
	err = s.inTx(ctx, func(t *tx) error {
		kept = 0
		for i := range list {
			ok, err := keepState(t, &list[i])
			if err != nil {
				return fmt.Errorf("station %s: %w", list[i].Station, err)
			}
			if ok {
				kept++
			}
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("keep %d states: %w", len(list), err)
	}
	return kept, nil
}

func keepState(t *tx, said *record.State) (bool, error) {
	var id int64
	err := t.row(`select id from station where name = ? and retired_ns is null`, []any{said.Station}, &id)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	var last *record.State
	err = each(t, selectState+`where s.id = ?`, []any{id}, func(rows *sql.Rows) error {
		st, err := scanState(rows)
		if last = &st; errors.Is(err, errState) {
			last, err = nil, nil // in a damaged file: the next one is better
		}
		return err
	})
	if err != nil {
		return false, err
	}
	if said.Report.Gone {
		if last == nil || last.Report.Run != said.Report.Run || last.Report.Conn != said.Report.Conn || last.Gone != 0 {
			return false, nil
		}
		return true, t.exec(`update station_state set gone_ns = ? where station = ?`, said.At, id)
	}
	if last != nil && !newer(said, last) {
		return false, nil
	}
	var offset, gone any
	if said.Timed {
		offset = int64(said.Offset)
	}
	if last != nil && last.Gone != 0 && last.Report.Run == said.Report.Run && last.Report.Conn == said.Report.Conn {
		gone = last.Gone // a connection that has ended stays so
	}
	return true, t.exec(`insert into station_state (station, run, conn, arrived_ns, gone_ns, offset_ns, body) values (?, ?, ?, ?, ?, ?, ?)
		on conflict (station) do update set run = excluded.run, conn = excluded.conn, arrived_ns = excluded.arrived_ns,
			gone_ns = excluded.gone_ns, offset_ns = excluded.offset_ns, body = excluded.body`,
		id, said.Report.Run, said.Report.Conn, said.At, gone, offset, string(said.Body))
}

// newer tells whether a report supersedes the last one. Within a run the
// connection's number decides, then the agent's uptime. Of two runs none is the
// older by its name: one that arrives now is of the spool in use, one that a
// broker had kept is newer only if the agent's clock says so.
func newer(said, last *record.State) bool {
	a, b := &said.Report, &last.Report
	switch {
	case a.Run != b.Run && !said.Retained:
		return true
	case a.Run != b.Run:
		return a.Clock.Now != nil && (b.Clock.Now == nil || a.Clock.Now.After(*b.Clock.Now))
	case a.Conn != b.Conn:
		return a.Conn > b.Conn || setBack(said, last)
	default:
		return a.Uptime > b.Uptime
	}
}

// behindFor is how much later a state must be for its connection to count though its
// number is smaller: nothing is under way for so long.
const behindFor = time.Hour

// setBack tells whether an agent counts its connections from a smaller number on:
// its card was set back to an older image, or was full when it wrote the number.
func setBack(said, last *record.State) bool {
	a, b := &said.Report.Clock, &last.Report.Clock
	return !said.Retained && a.Now != nil && b.Now != nil && a.Now.Sub(*b.Now) > behindFor
}

var errState = errors.New("state")

const selectState = `select s.name, st.arrived_ns, st.gone_ns, st.offset_ns, st.body
	from station_state st join station s on s.id = st.station `

func scanState(rows *sql.Rows) (st record.State, err error) {
	var gone, offset sql.NullInt64
	var at sql.NullInt64
	if err := rows.Scan(&st.Station, &at, &gone, &offset, &st.Body); err != nil || st.Body == nil {
		return st, err
	}
	st.At, st.Gone, st.Offset, st.Timed = unit.Instant(at.Int64), unit.Instant(gone.Int64), time.Duration(offset.Int64), offset.Valid
	if err := json.Unmarshal(st.Body, &st.Report); err != nil {
		return st, fmt.Errorf("%w of %s: %w", errState, st.Station, err)
	}
	return st, nil
}

// Custody returns what EachCustody tells.
func (s *Store) Custody(ctx context.Context) ([]record.Custody, error) {
	var list []record.Custody
	err := s.EachCustody(ctx, func(c *record.Custody) { list = append(list, *c) })
	return list, err
}

// EachCustody tells, for every station in service by id, and last, under the
// name "", for all others together, what became of the readings, as of one
// commit: the sums are those of Counts.
func (s *Store) EachCustody(ctx context.Context, tell func(*record.Custody)) error {
	err := s.snapshot(ctx, func(q query) error { return custody(q, custodyAtOnce, tell) })
	if err != nil {
		return fmt.Errorf("read custody: %w", err)
	}
	return nil
}

// snapshot lets f read the state of one commit.
func (s *Store) snapshot(ctx context.Context, f func(query) error) (err error) {
	tx, err := s.read.BeginTx(ctx, s.d.snapshot)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, tx.Rollback()) }() // nothing was written
	return f(snapshot{ctx, s.d, tx})
}

type snapshot struct {
	ctx context.Context
	d   *dialect
	tx  *sql.Tx
}

func (s snapshot) dialect() *dialect { return s.d }

func (s snapshot) rows(query string, args ...any) (*sql.Rows, error) {
	return s.tx.QueryContext(s.ctx, s.d.rewrite(query), args...)
}

// custodyAtOnce is how many stations are in memory at a time.
const custodyAtOnce = 500

func custody(q query, atOnce int, tell func(*record.Custody)) error {
	var told record.Custody
	for after := ""; ; {
		list, err := custodyAfter(q, after, atOnce)
		if err != nil {
			return err
		}
		for i := range list {
			c := &list[i]
			told.Received += c.Received
			told.Released += c.Released
			told.Stored += c.Stored
			told.Repeated += c.Repeated
			told.Refused += c.Refused
			told.Discarded += c.Discarded
			tell(c)
		}
		if len(list) < atOnce {
			break
		}
		after = list[len(list)-1].Station
	}
	others, err := rest(q, &told)
	if err != nil {
		return err
	}
	err = each(q, `select '', reason, sum(kept), sum(unkept) from quarantine_day d
		where not exists (select 1 from station s where s.name = d.station and s.retired_ns is null)
		group by reason order by reason`, nil, func(rows *sql.Rows) error { return scanHeld(rows, func(string) *record.Custody { return &others }) })
	if err == nil {
		tell(&others)
	}
	return err
}

// custodyAfter reads the next stations.
func custodyAfter(q query, after string, atOnce int) ([]record.Custody, error) {
	var list []record.Custody
	at := make(map[string]int)
	err := each(q, `select s.name, st.arrived_ns, st.gone_ns, st.offset_ns, st.body
		from station s left join station_state st on st.station = s.id
		where s.retired_ns is null and s.name > ? order by s.name limit ?`, []any{after, atOnce}, func(rows *sql.Rows) error {
		st, err := scanState(rows)
		c := record.Custody{Station: st.Station}
		if st.Body != nil {
			c.State = &st
		}
		at[c.Station] = len(list)
		list = append(list, c)
		return err
	})
	if err != nil || len(list) == 0 {
		return nil, err
	}
	of := func(station string) *record.Custody { return &list[at[station]] }
	these := []any{after, list[len(list)-1].Station}
	err = each(q, `select s.name, r.run, r.oldest, r.seen, r.stored + r.beyond, r.released, r.stored, r.repeated, r.refused
		from run r join station s on s.id = r.station
		where s.retired_ns is null and s.name > ? and s.name <= ?`, these, func(rows *sql.Rows) error {
		var station string
		r, err := scanTally(rows, &station)
		if err == nil {
			r.addTo(of(station))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	err = each(q, `select s.name, d.reason, sum(d.kept), sum(d.unkept)
		from quarantine_day d join station s on s.name = d.station
		where s.retired_ns is null and s.name > ? and s.name <= ?
		group by 1, 2 order by 1, 2`, these, func(rows *sql.Rows) error { return scanHeld(rows, of) })
	return list, err
}

func scanHeld(rows *sql.Rows, of func(station string) *record.Custody) error {
	var station string
	var h record.Held
	if err := rows.Scan(&station, &h.Reason, &h.Kept, &h.Unkept); err != nil {
		return err
	}
	if h.Kept > 0 || h.Unkept > 0 {
		c := of(station)
		c.Held = append(c.Held, h)
	}
	return nil
}

// scanTally reads a run's row.
func scanTally(rows *sql.Rows, station *string) (run, error) {
	var r run
	var seen sql.RawBytes
	n := &r.tally
	err := rows.Scan(station, &r.name, &r.oldest, &seen, &n.received, &n.released, &n.stored, &n.repeated, &n.refused)
	if err != nil {
		return r, err
	}
	if r.seen, err = decodeSpans(seen); err != nil {
		return r, fmt.Errorf("station %s run %q: %w", *station, r.name, err)
	}
	return r, nil
}

func (r *run) addTo(c *record.Custody) {
	n := &r.tally
	c.Received += n.received
	c.Released += n.released
	c.Stored += n.stored
	c.Repeated += n.repeated
	c.Refused += n.refused
	c.Discarded += r.seen.discarded(r.oldest)
	if c.State != nil && c.State.Report.Run == r.name {
		c.Seen, c.Upto = r.seen.below(c.State.Report.Spool.Upto), r.seen.upto(r.oldest)
	}
}

// rest is what all counts have beyond what was told.
func rest(q query, told *record.Custody) (record.Custody, error) {
	all, err := readCounts(q)
	if err != nil {
		return record.Custody{}, err
	}
	refused := int64(0)
	for _, n := range all.Refused {
		refused += n
	}
	return record.Custody{
		Received: all.Received - told.Received, Released: all.Released - told.Released, Stored: all.Stored - told.Stored,
		Repeated: all.Repeated - told.Repeated, Refused: refused - told.Refused, Discarded: all.Discarded - told.Discarded,
	}, nil
}

// Settled returns how far the run that a station began last is settled, for
// stations in service by id, from the one after the given id on.
func (s *Store) Settled(ctx context.Context, after string, limit int) ([]record.Outcome, error) {
	var list []record.Outcome
	err := each(reader{ctx, s}, `select s.name, r.run, r.oldest, r.seen from station s
		join run r on r.id = (select max(id) from run where station = s.id and run <> '')
		where s.retired_ns is null and s.name > ? order by s.name limit ?`, []any{after, limit}, func(rows *sql.Rows) error {
		var station, name string
		var oldest int64
		var seen sql.RawBytes
		if err := rows.Scan(&station, &name, &oldest, &seen); err != nil {
			return err
		}
		set, err := decodeSpans(seen)
		if err != nil {
			return fmt.Errorf("station %s run %q: %w", station, name, err)
		}
		list = append(list, record.Outcome{Station: station, Runs: []record.RunState{{Run: name, Upto: set.upto(oldest)}}})
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read how far runs are settled: %w", err)
	}
	return list, nil
}
