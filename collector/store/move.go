package store

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"math"
	"slices"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// moved names the total that says when a store was moved: whoever has it open
// then must not write to it any more.
const moved = "moved_ns"

// ErrMoved is returned for whatever would be written to a store that was moved.
var ErrMoved = errors.New("it was moved to another place: name that in the config, and start again")

// table is one of the store's tables.
type table struct {
	name     string
	columns  []string
	key      []string
	identity string // column whose values the engine numbers; "": none
	refers   []string
}

func (tb *table) selects() string {
	return `select ` + strings.Join(tb.columns, ", ") + ` from ` + tb.name + ` order by ` + strings.Join(tb.key, ", ")
}

func (tb *table) insert() bulk {
	return bulk{columns: len(tb.columns), head: `insert into ` + tb.name + ` (` + strings.Join(tb.columns, ", ") + `)`}
}

func (tb *table) remove() string {
	return `delete from ` + tb.name + ` where ` + strings.Join(tb.key, " = ? and ") + ` = ?`
}

// keyOf returns the values of a row's key.
func (tb *table) keyOf(row []any) []any {
	key := make([]any, len(tb.key))
	for i, name := range tb.key {
		key[i] = row[slices.Index(tb.columns, name)]
	}
	return key
}

// catalog returns the store's tables, each behind those that it refers to.
func catalog(q query, d *dialect) ([]table, error) {
	byName := make(map[string]*table)
	err := each(q, d.columns, nil, func(rows *sql.Rows) error {
		var of, name string
		var key, identity int64
		if err := rows.Scan(&of, &name, &key, &identity); err != nil || strings.HasPrefix(of, "goose_") {
			return err
		}
		if byName[of] == nil {
			byName[of] = &table{name: of}
		}
		tb := byName[of]
		tb.columns = append(tb.columns, name)
		if key > 0 {
			for int64(len(tb.key)) < key {
				tb.key = append(tb.key, "")
			}
			tb.key[key-1] = name
		}
		if identity > 0 {
			tb.identity = name
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	err = each(q, d.references, nil, func(rows *sql.Rows) error {
		var of, to string
		err := rows.Scan(&of, &to)
		if tb := byName[of]; tb != nil && of != to {
			tb.refers = append(tb.refers, to)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	var list []table
	placed := make(map[string]bool)
	for len(list) < len(byName) {
		var next []*table
		for name, tb := range byName {
			if !placed[name] && !slices.ContainsFunc(tb.refers, func(to string) bool { return !placed[to] }) {
				next = append(next, tb)
			}
		}
		if len(next) == 0 {
			return nil, errors.New("its tables refer to each other in a circle")
		}
		slices.SortFunc(next, func(a, b *table) int { return cmp.Compare(a.name, b.name) })
		for _, tb := range next {
			list, placed[tb.name] = append(list, *tb), true
		}
	}
	return list, nil
}

// everyRow calls use for the rows of a table by key.
func everyRow(q query, tb *table, use func(row []any) error) error {
	return each(q, tb.selects(), nil, func(rows *sql.Rows) error {
		row, err := scanRow(rows, len(tb.columns))
		if err != nil {
			return err
		}
		return use(row)
	})
}

func scanRow(rows *sql.Rows, columns int) ([]any, error) {
	row, dest := make([]any, columns), make([]any, columns)
	for i := range row {
		dest[i] = &row[i]
	}
	return row, rows.Scan(dest...)
}

// appendRow writes a row as the same bytes on every engine.
func appendRow(dst []byte, row []any) ([]byte, error) {
	for _, v := range row {
		switch v := v.(type) {
		case nil:
			dst = append(dst, 'n')
		case int64:
			dst = binary.BigEndian.AppendUint64(append(dst, 'i'), uint64(v))
		case float64:
			dst = binary.BigEndian.AppendUint64(append(dst, 'f'), math.Float64bits(v))
		case string:
			dst = append(binary.BigEndian.AppendUint64(append(dst, 's'), uint64(len(v))), v...)
		case []byte:
			dst = append(binary.BigEndian.AppendUint64(append(dst, 'b'), uint64(len(v))), v...)
		default:
			return nil, fmt.Errorf("a value of type %T: no column has such", v)
		}
	}
	return dst, nil
}

// Move moves the store at from, in which a collector may be at work, to the new
// file or empty database to: it copies all of it as of one commit, then keeps
// others from writing while it copies what changed meanwhile and compares every
// row of both, and marks the store at from, so that nothing is written to it
// any more. What agents sent after that has no receipt and comes again. Before
// the mark an error leaves the store at from as it was. say, which may be nil,
// is told what is done.
func Move(ctx context.Context, from, to string, at unit.Instant, author string, say func(string)) (m record.Moved, err error) {
	if say == nil {
		say = func(string) {}
	}
	if err := There(from); err != nil {
		return m, err
	}
	src, err := Open(ctx, from)
	if err != nil {
		return m, err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	if err := src.here().ask(reader{ctx, src}); err != nil {
		return m, err
	}
	dst, err := openEmpty(ctx, to)
	if err != nil {
		return m, err
	}
	defer func() { err = errors.Join(err, dst.Close()) }()
	say("copying")
	if err := src.copyTo(ctx, dst); err != nil {
		return m, fmt.Errorf("copy store %s to %s: %w", src.path, dst.path, err)
	}
	say("copying what changed meanwhile, and comparing")
	if err := src.handOver(ctx, dst, at, author, &m); err != nil {
		return m, fmt.Errorf("move store %s to %s: %w", src.path, dst.path, err)
	}
	say("reading all of it at both places")
	m.Contents, err = same(ctx, src, dst)
	return m, err
}

// same reads all of two stores, which must hold the same, and returns what.
func same(ctx context.Context, src, dst *Store) (record.Contents, error) {
	is, err := dst.Verify(ctx)
	if err != nil {
		return is, err
	}
	was, err := src.Verify(ctx)
	if err == nil && is != was {
		err = fmt.Errorf("stores %s and %s: their rows are equal, but they are not read as the same: that is a fault of this program; the first one is whole", src.path, dst.path)
	}
	return is, err
}

// Fill copies the store at from to the new file or empty database to, and makes
// sure that both hold the same.
func Fill(ctx context.Context, from, to string) (err error) {
	src, err := Open(ctx, from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	dst, err := openEmpty(ctx, to)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, dst.Close()) }()
	if err := src.copyTo(ctx, dst); err != nil {
		return fmt.Errorf("copy store %s to %s: %w", src.path, dst.path, err)
	}
	_, err = same(ctx, src, dst)
	return err
}

// openEmpty opens a store that must have nothing in it.
func openEmpty(ctx context.Context, where string) (*Store, error) {
	s, err := Open(ctx, where)
	if err != nil {
		return nil, err
	}
	tables, err := s.catalog(ctx)
	for i := 0; i < len(tables) && err == nil; i++ {
		err = each(reader{ctx, s}, `select 1 from `+tables[i].name+` limit 1`, nil, func(*sql.Rows) error {
			return fmt.Errorf("store %s: there is something in it already: name a new file or an empty database", s.path)
		})
	}
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (s *Store) catalog(ctx context.Context) ([]table, error) { return catalog(reader{ctx, s}, s.d) }

// copyTo copies all rows as of one commit into dst, which is empty.
func (s *Store) copyTo(ctx context.Context, dst *Store) error {
	return s.snapshot(ctx, func(q query) error {
		tables, err := catalog(q, s.d)
		if err != nil {
			return err
		}
		return dst.inTx(ctx, func(t *tx) error {
			for i := range tables {
				if err := copyTable(q, t, &tables[i]); err != nil {
					return fmt.Errorf("table %s: %w", tables[i].name, err)
				}
			}
			own, err := catalog(t, dst.d)
			if err != nil {
				return err
			}
			return goOn(t, dst.d, own)
		})
	})
}

// heldMost is how many bytes of photos and the like are held before they are
// written.
const heldMost = 16 << 20

func copyTable(q query, t *tx, tb *table) error {
	rows, held := tb.insert(), 0
	err := everyRow(q, tb, func(row []any) error {
		rows.add(row...)
		for _, v := range row {
			if b, ok := v.([]byte); ok {
				held += len(b)
			}
		}
		if len(rows.args) < chunks[0]*rows.columns && held < heldMost {
			return nil
		}
		err := rows.write(t)
		rows.args, held = rows.args[:0], 0
		return err
	})
	if err == nil {
		err = rows.write(t)
	}
	return err
}

// handOver makes dst equal and marks s as moved, all in one transaction of each:
// that of dst ends first.
func (s *Store) handOver(ctx context.Context, dst *Store, at unit.Instant, author string, m *record.Moved) error {
	return s.inTx(ctx, func(from *tx) error {
		err := dst.inTx(ctx, func(to *tx) error {
			tables, err := catalog(from, s.d)
			if err != nil {
				return err
			}
			own, err := catalog(to, dst.d)
			if err != nil {
				return err
			}
			sum := sha256.New()
			// Rows that are gone go first, and from the last table to the first.
			changes := make([]changes, len(tables))
			for i := range tables {
				if !slices.ContainsFunc(own, func(tb table) bool {
					return tb.name == tables[i].name && slices.Equal(tb.columns, tables[i].columns)
				}) {
					return fmt.Errorf("table %s is another there", tables[i].name)
				}
				if changes[i], err = compareTable(from, to, &tables[i], sum); err != nil {
					return fmt.Errorf("table %s: %w", tables[i].name, err)
				}
				m.Rows += changes[i].rows
				m.Changed += int64(len(changes[i].gone) + len(changes[i].fresh))
			}
			m.SHA256 = hex.EncodeToString(sum.Sum(nil))
			for i := range slices.Backward(changes) {
				if err := changes[i].remove(to, &tables[i]); err != nil {
					return fmt.Errorf("table %s: %w", tables[i].name, err)
				}
			}
			for i := range changes {
				if err := changes[i].add(to, &tables[i]); err != nil {
					return fmt.Errorf("table %s: %w", tables[i].name, err)
				}
			}
			return dst.agree(to, own, tables, m)
		})
		if err != nil {
			return err
		}
		if err := audit(from, at, author, "move", dst.path); err != nil {
			return err
		}
		return from.exec(`insert into total (name, n) values (?, ?)`, moved, at)
	})
}

// agree reads dst once more and compares its rows with the sum of those of the
// other store, and lets its engine go on numbering where they end.
func (s *Store) agree(t *tx, own, tables []table, m *record.Moved) error {
	sum := sha256.New()
	rows := int64(0)
	for i := range tables {
		if err := everyRow(t, &tables[i], func(row []any) error {
			rows++
			return addRow(sum, row)
		}); err != nil {
			return fmt.Errorf("table %s: %w", tables[i].name, err)
		}
	}
	if rows != m.Rows || hex.EncodeToString(sum.Sum(nil)) != m.SHA256 {
		return fmt.Errorf("it has %d rows there and %d here, or others: that is a fault of this program", rows, m.Rows)
	}
	return goOn(t, s.d, own)
}

// goOn lets the engine number new rows behind those that are there.
func goOn(t *tx, d *dialect, own []table) error {
	for _, tb := range own {
		if tb.identity == "" || d.goOn == "" {
			continue
		}
		if err := each(t, fmt.Sprintf(d.goOn, tb.name, tb.identity), nil, func(*sql.Rows) error { return nil }); err != nil {
			return fmt.Errorf("table %s: %w", tb.name, err)
		}
	}
	return nil
}

func addRow(sum hash.Hash, row []any) error {
	b, err := appendRow(nil, row)
	if err == nil {
		_, err = sum.Write(b)
	}
	return err
}

// changes is what makes a table equal to another.
type changes struct {
	rows  int64
	gone  [][]any // keys
	fresh [][]any // rows that are new or other
}

func (c *changes) remove(t *tx, tb *table) error {
	for _, key := range c.gone {
		if err := t.exec(tb.remove(), key...); err != nil {
			return err
		}
	}
	return nil
}

func (c *changes) add(t *tx, tb *table) error {
	rows := tb.insert()
	var set []string
	for _, name := range tb.columns {
		if !slices.Contains(tb.key, name) {
			set = append(set, name+" = excluded."+name)
		}
	}
	rows.foot = `on conflict (` + strings.Join(tb.key, ", ") + `) do nothing`
	if len(set) > 0 {
		rows.foot = `on conflict (` + strings.Join(tb.key, ", ") + `) do update set ` + strings.Join(set, ", ")
	}
	for _, row := range c.fresh {
		rows.add(row...)
	}
	return rows.write(t)
}

// compareTable compares a table of two stores row by row, and adds the first one's
// rows to sum.
func compareTable(from, to query, tb *table, sum hash.Hash) (c changes, err error) {
	theirs, err := to.rows(tb.selects())
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, theirs.Close()) }()
	var row []any // of theirs; nil at the end
	next := func() error {
		row = nil
		if !theirs.Next() {
			return theirs.Err()
		}
		var err error
		row, err = scanRow(theirs, len(tb.columns))
		return err
	}
	if err := next(); err != nil {
		return c, err
	}
	err = everyRow(from, tb, func(own []any) error {
		c.rows++
		if err := addRow(sum, own); err != nil {
			return err
		}
		for row != nil && tb.order(row, own) < 0 {
			c.gone = append(c.gone, tb.keyOf(row))
			if err := next(); err != nil {
				return err
			}
		}
		if row == nil || tb.order(row, own) > 0 {
			c.fresh = append(c.fresh, own)
			return nil
		}
		same, err := sameValues(row, own)
		if err == nil && !same {
			c.fresh = append(c.fresh, own)
		}
		return errors.Join(err, next())
	})
	for err == nil && row != nil {
		c.gone = append(c.gone, tb.keyOf(row))
		err = next()
	}
	return c, err
}

// order compares the keys of two rows as every engine orders them: numbers,
// bytes, and text by its bytes.
func (tb *table) order(a, b []any) int {
	for i, x := range tb.keyOf(a) {
		c := 0
		switch y := tb.keyOf(b)[i]; x := x.(type) {
		case int64:
			c = cmp.Compare(x, y.(int64))
		case string:
			c = cmp.Compare(x, y.(string))
		case []byte:
			c = bytes.Compare(x, y.([]byte))
		}
		if c != 0 {
			return c
		}
	}
	return 0
}

func sameValues(a, b []any) (bool, error) {
	x, err := appendRow(nil, a)
	if err != nil {
		return false, err
	}
	y, err := appendRow(nil, b)
	return bytes.Equal(x, y), err
}
