package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Readings may be let go when they are old; the ledger stays for ever. An hour
// whose readings go can't be computed again: it is frozen, and stays as it is,
// whatever the rules or somebody say later. Frozen is all of a station's record
// before a midnight.
//
// That midnight is not any: what comes after it must be told as if all readings
// were there. It follows the last day from which a state of the box is kept
// (see the fold), so that the box can be followed on from there; and the readings
// of the day before that state stay, or from before the last state of the nights,
// since the first hours that are not frozen lean on the readings just before. So
// readings go in steps of some two months where states are that far apart, and
// never while anything of theirs is to be folded or packed.

// goAtOnce bounds the days of a station that one transaction lets go.
const goAtOnce = 100

// ErrFrozen is returned for what would change frozen hours.
var ErrFrozen = errors.New("they are frozen: readings of that time were let go")

// Going tells what LetGo would do for readings from before old, and changes
// nothing: for at most that many stations, by id, from the one after the given
// on. last is the last that was looked at; "" when there are no more.
func (s *Store) Going(ctx context.Context, old unit.Instant, after string, stations int) (list []record.Going, last string, err error) {
	err = s.snapshot(ctx, func(q query) error {
		named, err := stationsAfter(q, after, stations)
		for i := 0; err == nil && i < len(named); i++ {
			last = named[i].name
			g := going{st: named[i]}
			if err = g.look(q, old, math.MaxInt32); err == nil && (g.Days > 0 || g.Waits != "") {
				list = append(list, g.Going)
			}
		}
		if len(named) < stations {
			last = ""
		}
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("look what readings are older than %s: %w", old, err)
	}
	return list, last, nil
}

// LetGo lets readings from before old go, where nothing keeps them, and freezes
// the hours that were computed from them: of each station a stretch of whole days
// in one transaction. It does so for at most that many stations, by id, from the
// one after the given on, and tells what went; last is the last that was looked
// at, "" when there are no more.
func (s *Store) LetGo(ctx context.Context, old, at unit.Instant, author, after string, stations int) (list []record.Going, last string, err error) {
	named, err := stationsAfter(reader{ctx, s}, after, stations)
	for i := 0; err == nil && i < len(named); i++ {
		last = named[i].name
		for more := true; err == nil && more; {
			g := going{st: named[i]}
			if err = s.letGo(ctx, &g, old, at, author); err == nil && (g.Days > 0 || g.Waits != "") {
				list = append(list, g.Going)
			}
			more = g.more && g.Waits == ""
		}
	}
	if err != nil {
		return list, last, fmt.Errorf("let readings from before %s go: %w", old, err)
	}
	if len(named) < stations {
		last = ""
	}
	return list, last, nil
}

func (s *Store) letGo(ctx context.Context, g *going, old, at unit.Instant, author string) error {
	// Most of the time there is nothing to do: nobody need wait for that.
	if err := g.look(reader{ctx, s}, old, 1); err != nil || g.Days == 0 {
		return err
	}
	return s.inTx(ctx, func(t *tx) error {
		*g = going{st: g.st}
		if err := g.look(t, old, goAtOnce); err != nil || g.Days == 0 || g.Waits != "" {
			return err
		}
		return g.apply(t, at, author)
	})
}

func stationsAfter(q query, after string, limit int) (list []station, err error) {
	err = each(q, `select id, name from station where name > ? order by name limit ?`, []any{after, limit}, func(rows *sql.Rows) error {
		var st station
		err := rows.Scan(&st.id, &st.name)
		list = append(list, st)
		return err
	})
	return list, err
}

// going is what goes of a station's readings.
type going struct {
	record.Going
	st     station
	was    frozen
	digest string // of what is frozen then
	to     int64  // the day up to which they go
	first  unit.Instant
	more   bool // there are more days than may go at once
}

// frozen is a row of the table.
type frozen struct {
	record.Frozen
	digest string
}

const selectFrozen = `select s.name, z.before_ns, z.kept_ns, z.first_ns, z.days, z.readings, z.bytes, z.hours, z.digest, z.at_ns
	from frozen z join station s on s.id = z.station `

func scanFrozen(rows *sql.Rows) (z frozen, err error) {
	err = rows.Scan(&z.Station, &z.Before, &z.Kept, &z.First, &z.Days, &z.Readings, &z.Bytes, &z.Hours, &z.digest, &z.At)
	return z, err
}

// frozenOf returns what is frozen of a station; zero where nothing is.
func frozenOf(q query, station int64) (z frozen, err error) {
	err = each(q, selectFrozen+`where z.station = ?`, []any{station}, func(rows *sql.Rows) (err error) {
		z, err = scanFrozen(rows)
		return err
	})
	return z, err
}

// Frozen returns what is frozen, by station.
func (s *Store) Frozen(ctx context.Context) (list []record.Frozen, err error) {
	err = each(reader{ctx, s}, selectFrozen+`order by s.name`, nil, func(rows *sql.Rows) error {
		z, err := scanFrozen(rows)
		list = append(list, z.Frozen)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what is frozen: %w", err)
	}
	return list, nil
}

// FrozenBefore returns the instant before which a station's hours are frozen; 0
// where none are.
func (s *Store) FrozenBefore(ctx context.Context, station string) (before unit.Instant, err error) {
	err = each(reader{ctx, s}, `select z.before_ns from frozen z join station s on s.id = z.station where s.name = ?`, []any{station}, func(rows *sql.Rows) error {
		return rows.Scan(&before)
	})
	if err != nil {
		return 0, fmt.Errorf("read what is frozen of %s: %w", station, err)
	}
	return before, nil
}

// FrozenBehind returns what is frozen of the stations whose ledger a fact can
// alter, where it reaches into the frozen time.
func (s *Store) FrozenBehind(ctx context.Context, f fact.Fact) (list []record.Frozen, err error) {
	err = s.snapshot(ctx, func(q query) error {
		stations, from, err := altered(q, f)
		for i := 0; err == nil && i < len(stations); i++ {
			var z frozen
			if z, err = frozenOf(q, stations[i]); z.At != 0 && z.Before > from {
				list = append(list, z.Frozen)
			}
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("look which frozen hours %s of %s reaches: %w", f.Name, f.Subject, err)
	}
	return list, nil
}

// look finds what goes, of at most so many days.
func (g *going) look(q query, old unit.Instant, days int) error {
	g.Station = g.st.name
	end := unit.Instant(dayOf(old) * int64(day))
	at, err := instant(q, `select max(at_ns) from box_state where station = ? and at_ns < ?`, g.st.id, int64(end))
	if err != nil {
		return fmt.Errorf("station %s: %w", g.Station, err)
	}
	if !at.Valid {
		return nil // nothing that it could be followed on from
	}
	g.Before = unit.Instant((dayOf(unit.Instant(at.Int64)) + 1) * int64(day))
	g.to = dayOf(unit.Instant(at.Int64)) - 1
	at, err = instant(q, `select max(at_ns) from outlook_state where station = ? and at_ns < ?`, g.st.id, int64(g.Before))
	if err == nil && at.Valid {
		g.to = min(g.to, dayOf(unit.Instant(at.Int64).Add(-exposure.UndercoolingReach)))
	}
	if err == nil {
		err = g.count(q, days)
	}
	if err == nil && g.Days > 0 {
		err = g.freeze(q)
	}
	if err != nil {
		return fmt.Errorf("station %s: %w", g.Station, err)
	}
	return nil
}

// count counts the days that go, and finds what is in the way.
func (g *going) count(q query, days int) error {
	var newest, first, last int64
	err := each(q, `select day, sum(n), sum(length(body)), max(id), min(t_min) from batch where station = ? and day < ?
		group by day order by day limit ?`, []any{g.st.id, g.to, int64(days) + 1}, func(rows *sql.Rows) error {
		var d, n, size, id, at int64
		if err := rows.Scan(&d, &n, &size, &id, &at); err != nil {
			return err
		}
		if g.Days == int64(days) {
			g.more, g.to = true, d
			return nil
		}
		if g.Days == 0 {
			first, g.first = d, unit.Instant(at)
		}
		last, newest = d, max(newest, id)
		g.Days, g.Readings, g.Bytes = g.Days+1, g.Readings+n, g.Bytes+size
		return nil
	})
	if err != nil || g.Days == 0 {
		return err
	}
	g.From, g.To = unit.Instant(first*int64(day)), unit.Instant((last+1)*int64(day))
	for _, in := range []struct {
		why, text string
		args      []any
	}{
		// The number of the newest batch of all is never given twice.
		{"it has the newest readings of all stations", `not exists (select 1 from batch where id > ?)`, []any{newest}},
		{"a day of it is not packed by columns yet", `exists (select 1 from batch b left join pack_mark p on p.station = b.station
			where b.station = s.id and b.day < ? and (p.day is null or b.day > p.day or b.id > p.batch))`, []any{g.to}},
		{"what came into it, or is said of it anew, is not folded yet", `exists (select 1 from fold_mark m where m.station = s.id and m.from_ns <= coalesce(
			(select min(t_min) from batch where station = s.id and day = (select min(day) from batch where station = s.id and day >= ?)), m.from_ns))`, []any{dayOf(g.Before)}},
		{"they are not sent on yet", `exists (select 1 from feed_mark m where m.what = 'readings' and m.station = s.id and m.from_ns < ?)`, []any{int64(g.to) * int64(day)}},
	} {
		held, err := instant(q, `select s.id from station s where s.id = ? and `+in.text, append([]any{g.st.id}, in.args...)...)
		if err != nil {
			return err
		}
		if held.Valid {
			g.Waits = in.why
			break
		}
	}
	return nil
}

// freeze reads the hours that are frozen with them.
func (g *going) freeze(q query) (err error) {
	if g.was, err = frozenOf(q, g.st.id); err != nil {
		return err
	}
	g.Before = max(g.Before, g.was.Before)
	g.digest, err = digestDays(q, g.st.id, dayOf(g.was.Before), dayOf(g.Before), g.was.digest, func(h *exposure.Hour) {
		g.Hours++
		if at, known := slices.BinarySearch(g.Rules, h.Rules); !known {
			g.Rules = slices.Insert(g.Rules, at, h.Rules)
		}
	})
	return err
}

// digestDays goes on with a digest over the ledger's days from first up to
// before end: of each day, over the digest before, the day and its hours as
// packed.
func digestDays(q query, station, first, end int64, digest string, hour func(*exposure.Hour)) (string, error) {
	var hours []exposure.Hour
	err := each(q, `select day, body from ledger_day where station = ? and day >= ? and day < ? order by day`,
		[]any{station, first, end}, func(rows *sql.Rows) error {
			var d int64
			var body sql.RawBytes
			err := rows.Scan(&d, &body)
			if err == nil {
				hours, err = unpackHours(hours[:0], unit.Instant(d*int64(day)), body)
			}
			if err != nil {
				return err
			}
			for i := range hours {
				hour(&hours[i])
			}
			sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%d\n%s", digest, d, body))
			digest = hex.EncodeToString(sum[:])
			return nil
		})
	return digest, err
}

// apply lets them go.
func (g *going) apply(t *tx, at unit.Instant, author string) error {
	first := g.first
	if g.was.At != 0 {
		first = g.was.First
	}
	for _, do := range []struct {
		text string
		args []any
	}{
		{`update run set tail = null where station = ? and tail in (select id from batch where station = ? and day < ?)`, []any{g.st.id, g.st.id, g.to}},
		{`delete from batch where station = ? and day < ?`, []any{g.st.id, g.to}},
		{
			`insert into frozen (station, before_ns, kept_ns, first_ns, days, readings, bytes, hours, digest, at_ns) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
			on conflict (station) do update set before_ns = excluded.before_ns, kept_ns = excluded.kept_ns,
				days = frozen.days + excluded.days, readings = frozen.readings + excluded.readings, bytes = frozen.bytes + excluded.bytes,
				hours = frozen.hours + excluded.hours, digest = excluded.digest, at_ns = excluded.at_ns`,
			[]any{g.st.id, g.Before, g.To, first, g.Days, g.Readings, g.Bytes, g.Hours, g.digest, at},
		},
	} {
		if err := t.exec(do.text, do.args...); err != nil {
			return fmt.Errorf("station %s: %w", g.Station, err)
		}
	}
	last := g.To - 1
	return audit(t, at, author, "let readings go", fmt.Sprintf("%s: %d of %s to %s; hours before %s are frozen",
		g.Station, g.Readings, g.From.Time().Format(time.DateOnly), last.Time().Format(time.DateOnly), g.Before))
}

// behind writes down that a fact reaches into frozen time, which it no longer
// changes.
func behind(t *tx, f fact.Fact, stations []int64, from unit.Instant) error {
	var names []string
	var before unit.Instant
	for _, id := range stations {
		z, err := frozenOf(t, id)
		if err != nil {
			return err
		}
		if z.At != 0 && z.Before > from {
			names = append(names, z.Station)
			before = max(before, z.Before)
		}
	}
	if len(names) == 0 {
		return nil
	}
	return audit(t, f.Recorded, f.Author, "say of frozen time", fmt.Sprintf("%s of %s: hours of %s before %s stay as they are",
		f.Name, f.Subject, strings.Join(names, ", "), before))
}
