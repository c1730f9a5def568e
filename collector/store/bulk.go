package store

import (
	"database/sql"
	"strings"
)

// bulk collects rows for one statement that takes many: half the cost of a
// statement for each. The statement reads: head, "values", rows, foot.
type bulk struct {
	head, foot string
	columns    int
	types      []string // of columns whose type the statement doesn't tell
	args       []any
}

func (b *bulk) add(row ...any) { b.args = append(b.args, row...) }

// chunks are the numbers of rows that statements are prepared for: any number of
// rows up to a thousand takes few. SQLite takes 32,766 parameters in one.
var chunks = [...]int{256, 64, 16, 4, 1}

// each hands text and arguments of one statement after the other to do.
func (b *bulk) each(do func(text string, args []any) error) error {
	row := "(" + strings.Repeat("?, ", b.columns-1) + "?)"
	if b.types != nil {
		row = "(cast(? as " + strings.Join(b.types, "), cast(? as ") + "))"
	}
	rest := b.args
	for _, n := range chunks {
		if len(rest) < n*b.columns {
			continue
		}
		text := b.head + " values " + strings.Repeat(row+", ", n-1) + row + " " + b.foot
		for len(rest) >= n*b.columns {
			if err := do(text, rest[:n*b.columns]); err != nil {
				return err
			}
			rest = rest[n*b.columns:]
		}
	}
	return nil
}

// write executes the statements.
func (b *bulk) write(t *tx) error {
	return b.each(func(text string, args []any) error { return t.exec(text, args...) })
}

// read calls scan for every row that the statements return.
func (b *bulk) read(q query, scan func(*sql.Rows) error) error {
	return b.each(func(text string, args []any) error { return each(q, text, args, scan) })
}
