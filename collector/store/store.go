// Package store keeps what arrives and what is concluded: readings, the
// sequence numbers seen, quarantine, the ledger, occurrences, messages to
// send, facts. It holds the only SQL of the project.
//
// # Commit (a)
//
// Commit takes any number of arrivals in one transaction; when it returns they
// are on disk (WAL with synchronous=FULL). Whether a reading is new is decided
// by one row for each station and run that holds the seqs seen as spans, not
// by a row for each reading: readings lie packed in batches, and a station
// that repeats itself may cut its batches differently. The row stays valid
// when batches of a closed day are repacked by columns. Readings without run and seq are new
// unless the same station has the same content at the same instant.
//
// # Bounds
//
// One station can't make the store grow without end except by sending
// readings: see limits.
//
// # Commit (b)
//
// CommitFold replaces a stretch of a station's ledger together with all that
// was concluded from it, and takes away those of the station's marks that the
// fold had seen: versions of marks come from one counter and are never used
// twice.
//
// # Engines
//
// SQLite in one file, or a database of a PostgreSQL server: see dialect for the
// little that differs. One connection writes and a few read; a read sees the
// last commit. Other processes may have the store open: writers take turns. The
// tests are one suite over both.
package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"

	"dewpost/rules/unit"
)

const (
	readers = 4 // connections that read
	// taken is how many of them may wait for whoever takes what they read: over a
	// slow line that is hours, in which all others need the rest.
	taken = readers / 2
)

// Store is an open store. Its methods may be called concurrently.
type Store struct {
	path   string // or URL, without a password
	d      *dialect
	knows  int64 // the newest migration
	limits limits
	write  chan *writer // holds the writer while nobody writes, closed after the end; nil: opened to be read only
	read   *sql.DB
	taking chan struct{} // holds one for each reader that waits for who takes its rows
	lock   io.Closer     // against being replaced
	marked func()        // see WhenMarked; nil: nobody asked
	duty   *duty         // nil: always on it

	mu       sync.Mutex
	prepared map[string]*sql.Stmt // on read, by text
}

// There is an error where no file is at where, which Open would make. Of a database it
// says nothing: that is there, or can't be opened.
func There(where string) error {
	if IsURL(where) {
		return nil
	}
	_, err := os.Stat(where)
	if !errors.Is(err, os.ErrNotExist) {
		return nil // what else is wrong Open tells
	}
	if abs, err := filepath.Abs(where); err == nil {
		where = abs
	}
	return fmt.Errorf("there is no store at %s: go to the collector's folder, or name its config, as in -c /srv/dewpost/dewpost.toml; the collector makes one when it starts, and so does what adds the first site, station, person or account", where)
}

// Open opens the store in the file, or the database with the URL
// (postgres://…), that where names, and brings its schema up to date. A file is
// created with mode 0600 when it is missing. A schema that is newer than the
// program is refused. While a file is open nobody can put a backup in its
// place.
func Open(ctx context.Context, where string) (*Store, error) {
	var s *Store
	var err error
	if IsURL(where) {
		s, err = openPostgres(ctx, where)
	} else {
		s, err = openFile(ctx, where)
	}
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", Shown(where), err)
	}
	return s, nil
}

// open makes a store of a pool of one connection, to write, and one to read.
// On an error it closes the first; the second is not asked for before the
// writer stands.
func open(ctx context.Context, d *dialect, wdb *sql.DB, read func() (*sql.DB, error)) (_ *Store, err error) {
	defer func() {
		if err != nil {
			err = errors.Join(err, wdb.Close())
		}
	}()
	knows, err := migrate(ctx, d, wdb)
	if err != nil {
		return nil, err
	}
	w, err := newWriter(ctx, d, wdb)
	if err != nil {
		return nil, err
	}
	if err := w.settle(ctx); err != nil {
		return nil, errors.Join(err, w.conn.Close())
	}
	rdb, err := read()
	if err != nil {
		return nil, errors.Join(err, w.conn.Close())
	}
	s := &Store{d: d, knows: knows, limits: generous, write: make(chan *writer, 1), read: rdb, taking: make(chan struct{}, taken), prepared: make(map[string]*sql.Stmt)}
	s.write <- w
	return s, nil
}

// Close waits for the commit that is under way, if any, and closes the store.
// Again it does nothing.
func (s *Store) Close() error {
	var w *writer
	if s.write != nil {
		if w = <-s.write; w != nil {
			close(s.write) // nobody else has the writer, to give it back
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	err := errors.Join(s.duty.close(), s.read.Close()) // closes its statements
	// The writer last: SQLite empties the WAL when the last connection goes.
	if w != nil {
		err = errors.Join(err, w.close())
		if s.lock != nil {
			err = errors.Join(err, s.lock.Close())
		}
	}
	if err != nil {
		return fmt.Errorf("close store %s: %w", s.path, err)
	}
	return nil
}

var errClosed = errors.New("it is closed")

// WhenMarked lets wake be called after each commit by which a station is to be
// folded again for another reason than new readings, such as a fact or a visit.
// It must not block. Call it before the store is used by several.
func (s *Store) WhenMarked(wake func()) { s.marked = wake }

// writer is the one connection that writes. Whoever took it from Store.write
// owns it.
type writer struct {
	d        *dialect
	db       *sql.DB
	conn     *sql.Conn
	prepared map[string]*sql.Stmt // by text
	texts    map[string]string    // of statements, as the engine reads them
	unclear  bool                 // a transaction may be open in conn, though none should
}

func newWriter(ctx context.Context, d *dialect, db *sql.DB) (*writer, error) {
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	w := &writer{d: d, db: db, conn: conn, prepared: make(map[string]*sql.Stmt), texts: make(map[string]string)}
	for i := range d.settings {
		_, wrong, err := d.settings[i].check(ctx, func(ctx context.Context, query string, dest any) error {
			return conn.QueryRowContext(ctx, query).Scan(dest)
		})
		if err == nil && wrong != "" {
			err = errors.New(wrong)
		}
		if err != nil {
			return nil, errors.Join(err, conn.Close())
		}
	}
	return w, nil
}

// rewritten is a statement as the engine reads it.
func (w *writer) rewritten(text string) string {
	is, ok := w.texts[text]
	if !ok {
		is = w.d.rewrite(text)
		w.texts[text] = is
	}
	return is
}

func (w *writer) close() error {
	var errs []error
	for _, st := range w.prepared {
		errs = append(errs, st.Close())
	}
	return errors.Join(errors.Join(errs...), w.conn.Close(), w.db.Close())
}

// settle makes durable what is read from now on. A process that died in a commit
// may have left it written and not synced, which the engine takes for committed:
// it would be receipted, and a power cut could still take it away. Also where a
// sync had failed, it is now written once more, to another file.
func (w *writer) settle(ctx context.Context) error {
	if w.d.settle == "" {
		return nil
	}
	var busy, frames, done int // of no use: where others are at work, they did it
	if err := w.conn.QueryRowContext(ctx, w.d.settle).Scan(&busy, &frames, &done); err != nil {
		return fmt.Errorf("write down what was committed: %w", err)
	}
	return nil
}

// renew drops the connection, and with it a transaction that may be open in
// it, and takes another.
func (w *writer) renew(ctx context.Context) error {
	var errs []error
	for _, st := range w.prepared {
		errs = append(errs, st.Close())
	}
	clear(w.prepared)
	// A connection that is said to be bad is closed and not used again.
	errs = append(errs, w.conn.Raw(func(any) error { return driver.ErrBadConn }))
	fresh, err := newWriter(ctx, w.d, w.db)
	if err != nil {
		return errors.Join(append(errs, err)...)
	}
	w.conn, w.unclear = fresh.conn, false
	return nil
}

// inTx runs f in one transaction, which is on disk when inTx returns nil and
// has left nothing behind when it returns an error, unless the error comes
// from the commit or, over a connection that broke, from what was sent with it:
// then either is possible. ctx ends the wait for other writers, not a transaction
// that has begun.
func (s *Store) inTx(ctx context.Context, f func(*tx) error) error {
	return s.inTxAfter(ctx, nil, f)
}

// inTxAfter does so after what ask has, which goes out with what begins the
// transaction.
func (s *Store) inTxAfter(ctx context.Context, ask []statement, f func(*tx) error) (err error) {
	if s.write == nil {
		return errReadOnly
	}
	var w *writer
	select {
	case w = <-s.write:
	case <-ctx.Done():
		return ctx.Err()
	}
	if w == nil {
		return errClosed
	}
	defer func() { s.write <- w }()
	if err := ctx.Err(); err != nil {
		return err
	}
	// The driver watches a context that can end with a goroutine for every
	// statement.
	t := &tx{ctx: context.WithoutCancel(ctx), w: w}
	if w.unclear {
		if err := w.renew(t.ctx); err != nil {
			return fmt.Errorf("take another connection: %w", err)
		}
	}
	if err := s.begin(t, ask); err != nil {
		return err
	}
	if err := f(t); err != nil {
		return errors.Join(err, t.rollback())
	}
	if t.toFold && w.d.tell != "" {
		t.later(statement{what: "tell other collectors", text: w.d.tell})
	}
	t.later(statement{what: "commit", text: "commit"})
	last := t.put
	t.put = nil
	if done, err := t.together(last...); err != nil {
		err = errors.Join(err, t.rollback())
		if done == len(last)-1 {
			w.unclear = true // when a sync has failed, the next one on the same file proves nothing
		}
		return err
	}
	if t.marked && s.marked != nil {
		s.marked()
	}
	return nil
}

// begin begins a transaction, in which it is sure that the store is here, and
// executes what ask has. On an error there is none.
func (s *Store) begin(t *tx, ask []statement) error {
	var first []statement
	for _, text := range t.w.d.begin {
		first = append(first, statement{what: "begin", text: text})
	}
	if !t.w.d.pipelined { // what didn't begin can't be rolled back
		if _, err := t.together(first...); err != nil {
			t.w.unclear = true
			return err
		}
		first = nil
	}
	if _, err := t.together(append(append(first, s.here()), ask...)...); err != nil {
		return errors.Join(err, t.rollback())
	}
	return nil
}

// here fails when the store was moved elsewhere, or its schema away from this
// program.
func (s *Store) here() statement {
	return statement{text: `select n, 0 from total where name = ? union all select 0, oldest from goose_writer where oldest > ?`, args: []any{moved, s.knows}, scan: func(r row) error {
		var at unit.Instant
		var oldest int64
		if err := r.Scan(&at, &oldest); err != nil {
			return err
		}
		if oldest != 0 {
			return fmt.Errorf("store %s: %w (it knows %d migrations and must know %d)", s.path, ErrOutdated, s.knows, oldest)
		}
		return fmt.Errorf("store %s: %w (moved at %s)", s.path, ErrMoved, at)
	}}
}

func (t *tx) rollback() error {
	t.put = nil
	err := t.exec("rollback")
	t.w.unclear = err != nil
	return err
}

// tx is an open transaction.
type tx struct {
	ctx    context.Context
	w      *writer
	marked bool        // a station is to be folded again
	toFold bool        // there is a mark that wasn't there
	put    []statement // off; see later
}

func (t *tx) dialect() *dialect { return t.w.d }

func (t *tx) stmt(query string) (*sql.Stmt, error) {
	if st, ok := t.w.prepared[query]; ok {
		return st, nil
	}
	st, err := t.w.conn.PrepareContext(t.ctx, t.w.rewritten(query))
	if err != nil {
		return nil, err
	}
	t.w.prepared[query] = st
	return st, nil
}

func (t *tx) exec(query string, args ...any) error {
	_, err := t.changed(query, args...)
	return err
}

// now executes query, though others may be put off.
func (t *tx) now(query string, args []any) error {
	st, err := t.stmt(query)
	if err != nil {
		return err
	}
	_, err = st.ExecContext(t.ctx, args...)
	return err
}

// changed executes query and returns the number of rows that it changed.
func (t *tx) changed(query string, args ...any) (int64, error) {
	if err := t.catchUp(); err != nil {
		return 0, err
	}
	st, err := t.stmt(query)
	if err != nil {
		return 0, err
	}
	r, err := st.ExecContext(t.ctx, args...)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

// row reads one row; sql.ErrNoRows when there is none.
func (t *tx) row(query string, args []any, dest ...any) error {
	if err := t.catchUp(); err != nil {
		return err
	}
	st, err := t.stmt(query)
	if err != nil {
		return err
	}
	return st.QueryRowContext(t.ctx, args...).Scan(dest...)
}

func (t *tx) rows(query string, args ...any) (*sql.Rows, error) {
	if err := t.catchUp(); err != nil {
		return nil, err
	}
	st, err := t.stmt(query)
	if err != nil {
		return nil, err
	}
	return st.QueryContext(t.ctx, args...)
}

// query is what reads, in a transaction or outside.
type query interface {
	rows(query string, args ...any) (*sql.Rows, error)
	dialect() *dialect
}

// reader reads outside of any transaction.
type reader struct {
	ctx context.Context
	s   *Store
}

func (r reader) dialect() *dialect { return r.s.d }

func (r reader) rows(query string, args ...any) (*sql.Rows, error) {
	st, err := r.s.statement(r.ctx, query)
	if err != nil {
		return nil, err
	}
	return st.QueryContext(r.ctx, args...)
}

func (s *Store) statement(ctx context.Context, query string) (*sql.Stmt, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if st, ok := s.prepared[query]; ok {
		return st, nil
	}
	st, err := s.read.PrepareContext(ctx, s.d.rewrite(query))
	if err != nil {
		return nil, err
	}
	s.prepared[query] = st
	return st, nil
}

// each calls scan for every row of a query.
func each(q query, text string, args []any, scan func(*sql.Rows) error) (err error) {
	rows, err := q.rows(text, args...)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
