package store

import (
	"database/sql"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
)

// statement is one of several that are handed to the engine together. Where the
// engine is a server that is one message there and one back, and not one for each:
// of what a commit waits for most is that, on a machine that has much to do.
type statement struct {
	what string // it does, for an error
	text string
	args []any
	scan func(row) error // called for every row; nil: it has none
}

// row is a row of an answer. Bytes that are scanned are the caller's own.
type row interface{ Scan(dest ...any) error }

// together executes statements in order. It stops at the first that fails, and returns
// the number of those before it.
func (t *tx) together(list ...statement) (done int, err error) {
	if t.w.d.pipelined {
		return t.inOne(list)
	}
	for i := range list {
		s := &list[i]
		if s.scan == nil {
			err = t.now(s.text, s.args)
		} else {
			err = s.ask(t)
		}
		if err != nil {
			return i, s.failed(err)
		}
	}
	return len(list), nil
}

// ask executes one that has rows by itself.
func (s statement) ask(q query) error {
	return each(q, s.text, s.args, func(rows *sql.Rows) error { return s.scan(rows) })
}

func (s statement) failed(err error) error {
	if s.what == "" {
		return err
	}
	return fmt.Errorf("%s: %w", s.what, err)
}

// inOne sends all of them at once. When one fails the server leaves out those behind
// it.
func (t *tx) inOne(list []statement) (done int, err error) {
	var b pgx.Batch
	for i := range list {
		b.Queue(t.w.rewritten(list[i].text), list[i].args...)
	}
	err = t.w.conn.Raw(func(conn any) (err error) {
		answers := conn.(*stdlib.Conn).Conn().SendBatch(t.ctx, &b)
		defer func() {
			if closeErr := answers.Close(); err == nil {
				err = closeErr
			}
		}()
		for ; done < len(list); done++ {
			if err := list[done].take(answers); err != nil {
				return list[done].failed(err)
			}
		}
		return nil
	})
	return done, err
}

func (s statement) take(answers pgx.BatchResults) error {
	if s.scan == nil {
		_, err := answers.Exec()
		return err
	}
	rows, err := answers.Query()
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := s.scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// later puts statements off: to the next one that isn't, or else to the commit,
// with which they are sent.
func (t *tx) later(list ...statement) { t.put = append(t.put, list...) }

// catchUp executes what was put off.
func (t *tx) catchUp() error {
	if len(t.put) == 0 {
		return nil
	}
	put := t.put
	t.put = nil
	_, err := t.together(put...)
	return err
}
