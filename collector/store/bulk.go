package store

import (
	"database/sql"
	"iter"
	"slices"
	"strings"
)

// bulk collects rows for one statement that takes many: half the cost of a
// statement for each. The statement reads: head, "values", rows, foot; or, where
// the engine takes lists as parameters and the types of the columns are told,
// head, "select * from unnest", lists, foot.
type bulk struct {
	head, foot string
	columns    int
	types      []string // of columns: for lists, and where the statement doesn't tell them
	args       []any
}

func (b *bulk) add(row ...any) { b.args = append(b.args, row...) }

// chunks are the numbers of rows that statements are prepared for: any number of
// rows up to a thousand takes few. SQLite takes 32,766 parameters in one.
var chunks = [...]int{256, 64, 16, 4, 1}

// mostInLists is how many rows a statement with lists takes.
const mostInLists = 4096

// inLists gives text and arguments of statements with lists: one each for thousands
// of rows, where a statement is a message to the server and back.
func (b *bulk) inLists(yield func(text string, args []any) bool) {
	text := b.head + " select * from unnest(cast(? as " + strings.Join(b.types, "[]), cast(? as ") + "[])) " + b.foot
	for args := range slices.Chunk(b.args, mostInLists*b.columns) {
		lists := make([]any, b.columns)
		for c := range lists {
			lists[c] = columnOf(args[c:], b.columns)
		}
		if !yield(text, lists) {
			return
		}
	}
}

// columnOf is every step-th of args: as a list of their type, which is handed over
// in less time, or, where some are missing, of any.
func columnOf(args []any, step int) any {
	switch args[0].(type) {
	case int64:
		if list, ok := listOf[int64](args, step); ok {
			return list
		}
	case string:
		if list, ok := listOf[string](args, step); ok {
			return list
		}
	case []byte:
		if list, ok := listOf[[]byte](args, step); ok {
			return list
		}
	}
	list := make([]any, 0, len(args)/step+1)
	for i := 0; i < len(args); i += step {
		list = append(list, args[i])
	}
	return list
}

func listOf[T any](args []any, step int) (list []T, ok bool) {
	list = make([]T, 0, len(args)/step+1)
	for i := 0; i < len(args); i += step {
		v, ok := args[i].(T)
		if !ok {
			return nil, false
		}
		list = append(list, v)
	}
	return list, true
}

// each gives text and arguments of one statement after the other.
func (b *bulk) each(d *dialect) iter.Seq2[string, []any] {
	if d.lists && b.types != nil {
		return b.inLists
	}
	return b.inRows
}

// inRows gives those of statements of which each row has its parameters.
func (b *bulk) inRows(yield func(text string, args []any) bool) {
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
			if !yield(text, rest[:n*b.columns]) {
				return
			}
			rest = rest[n*b.columns:]
		}
	}
}

// statements are those that take the rows; each does what.
func (b *bulk) statements(d *dialect, what string, scan func(row) error) (list []statement) {
	for text, args := range b.each(d) {
		list = append(list, statement{what: what, text: text, args: args, scan: scan})
	}
	return list
}

// write executes the statements.
func (b *bulk) write(t *tx) error {
	for text, args := range b.each(t.w.d) {
		if err := t.exec(text, args...); err != nil {
			return err
		}
	}
	return nil
}

// read calls scan for every row that the statements return.
func (b *bulk) read(q query, scan func(*sql.Rows) error) error {
	for text, args := range b.each(q.dialect()) {
		if err := each(q, text, args, scan); err != nil {
			return err
		}
	}
	return nil
}
