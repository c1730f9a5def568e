package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// What reads a store that it must not change, and what writes to one without
// migrating it.
const (
	plainPragmas    = "busy_timeout(10000),synchronous(FULL),foreign_keys(1),trusted_schema(0)"
	readOnlyPragmas = plainPragmas + ",query_only(1),cache_size(-8192)"
)

var errReadOnly = errors.New("it was opened to be read only")

// OpenReadOnly opens the store or backup in the file, or the database, that
// where names as it is: nothing is created, migrated or written. A schema that
// is newer than the program is refused; of an older one, what came with later
// migrations can't be read.
func OpenReadOnly(ctx context.Context, where string) (*Store, error) {
	d, db, err := openAsIs(where)
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", Shown(where), err)
	}
	s := &Store{path: where, d: d, limits: generous, read: db, taking: make(chan struct{}, taken), prepared: make(map[string]*sql.Stmt)}
	has, knows, err := s.Schema(ctx)
	if err == nil && has > knows {
		err = newerSchema(has, knows)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("store %s: %w", Shown(where), err), db.Close())
	}
	return s, nil
}

func openAsIs(where string) (*dialect, *sql.DB, error) {
	if IsURL(where) {
		db, err := poolOf(where, readers, true)
		return &onPostgres, db, err
	}
	info, err := os.Stat(where)
	if err == nil && info.Size() == 0 {
		err = errors.New("the file is empty") // SQLite would delete the WAL beside it
	}
	if err != nil {
		return nil, nil, err
	}
	db, err := openMode(where, readOnlyPragmas, "ro", readers)
	return &onSQLite, db, err
}

func newerSchema(has, knows int64) error {
	return fmt.Errorf("its schema has version %d and this program knows versions up to %d: run a newer dewpost, or restore a backup made by this one", has, knows)
}

// Schema returns the version of the store's schema, and the newest that this
// program knows.
func (s *Store) Schema(ctx context.Context) (has, knows int64, err error) {
	there, err := s.hasTable(ctx, "goose_db_version")
	if err == nil && !there {
		err = errors.New("it is no store of dewpost")
	}
	if err == nil {
		err = each(reader{ctx, s}, `select max(version_id) from goose_db_version where is_applied`, nil,
			func(rows *sql.Rows) error { return rows.Scan(&has) })
	}
	if err != nil {
		return 0, 0, err
	}
	files, err := fs.Glob(migrations, s.d.migrations+"/*.sql")
	if err != nil {
		return 0, 0, err
	}
	for _, f := range files {
		number, _, _ := strings.Cut(f[strings.LastIndex(f, "/")+1:], "_")
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			return 0, 0, fmt.Errorf("migration %s: %w", f, err)
		}
		knows = max(knows, n)
	}
	return has, knows, nil
}

func (s *Store) hasTable(ctx context.Context, name string) (there bool, err error) {
	return hasTable(reader{ctx, s}, s.d, name)
}

func hasTable(q query, d *dialect, name string) (there bool, err error) {
	err = each(q, d.tables, []any{name}, func(rows *sql.Rows) error { return rows.Scan(&there) })
	return there, err
}

// Copy writes the store in the file at from, as of one commit, to the file at
// to, which must be empty. Others may write to the store meanwhile, and don't
// wait: in the WAL a reader blocks no writer. VACUUM INTO reads in a single
// transaction, however much is committed meanwhile, where the stepwise copy of
// pages begins anew with every commit from outside; and it leaves behind the
// pages of what was deleted. The copy tells when it was made as a backup: at
// the instant at, before which all that was received is in it.
//
// A database of a server is copied row by row as of one commit: a backup is
// always a file of SQLite.
func Copy(ctx context.Context, from, to string, at unit.Instant, name string) (record.Backup, error) {
	b := record.Backup{At: at, Path: name}
	if IsURL(from) {
		if err := copyDatabase(ctx, from, to); err != nil {
			return b, fmt.Errorf("copy store %s to %s: %w", from, to, err)
		}
		return dated(ctx, to, b)
	}
	db, err := openMode(from, plainPragmas, "ro", 1)
	if err != nil {
		return b, fmt.Errorf("store %s: %w", from, err)
	}
	_, err = db.ExecContext(ctx, `vacuum into ?`, to)
	if err = errors.Join(err, db.Close()); err != nil {
		return b, fmt.Errorf("copy store %s to %s: %w", from, to, err)
	}
	return dated(ctx, to, b)
}

// copyDatabase copies the database with the URL from to the empty file to.
func copyDatabase(ctx context.Context, from, to string) (err error) {
	src, err := OpenReadOnly(ctx, from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	has, knows, err := src.Schema(ctx)
	if err == nil && has < knows {
		err = fmt.Errorf("its schema has version %d and this program's is %d: start the collector with this program first, or use the one that it runs", has, knows)
	}
	if err != nil {
		return err
	}
	dst, err := openPath(ctx, to, nil)
	if err != nil {
		return err
	}
	if err := errors.Join(src.copyTo(ctx, dst), dst.Close()); err != nil {
		return err
	}
	// A file that is one, to be read where nothing can be written beside it.
	return direct(ctx, to, func(q *sql.Conn) error {
		_, err := q.ExecContext(ctx, `pragma journal_mode = delete`)
		return err
	})
}

// dated writes into the copy at to when it was made.
func dated(ctx context.Context, to string, b record.Backup) (record.Backup, error) {
	err := direct(ctx, to, func(q *sql.Conn) error {
		err := q.QueryRowContext(ctx, `select coalesce((select n from total where name = ?), 0)`, totalStored).Scan(&b.Stored)
		if err != nil {
			return err
		}
		return noteBackup(ctx, q, b)
	})
	if err != nil {
		return b, fmt.Errorf("date the copy %s: %w", to, err)
	}
	return b, nil
}

// direct writes to the file at path as it is: nothing is migrated.
func direct(ctx context.Context, path string, f func(*sql.Conn) error) (err error) {
	db, err := openMode(path, plainPragmas, "rw", 1)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	return f(conn)
}

func noteBackup(ctx context.Context, q *sql.Conn, b record.Backup) error {
	var there bool
	if err := q.QueryRowContext(ctx, onSQLite.tables, "backup").Scan(&there); err != nil || !there {
		return err // a schema from before backups has nowhere to say so
	}
	_, err := q.ExecContext(ctx, `insert into backup (at_ns, path, bytes, sha256, stored) values (?, ?, ?, ?, ?)`,
		int64(b.At), b.Path, b.Bytes, b.SHA256, b.Stored)
	return err
}

// NoteBackup records in the store at path, whatever version its schema has,
// that a backup was made.
func NoteBackup(ctx context.Context, path string, b record.Backup) (err error) {
	if IsURL(path) {
		return noteInDatabase(ctx, path, b)
	}
	held, err := lock(path, false)
	if err != nil {
		return fmt.Errorf("store %s: %w", path, err)
	}
	defer func() { err = errors.Join(err, held.Close()) }()
	if err := direct(ctx, path, func(q *sql.Conn) error { return noteBackup(ctx, q, b) }); err != nil {
		return fmt.Errorf("note a backup in store %s: %w", path, err)
	}
	return nil
}

func noteInDatabase(ctx context.Context, where string, b record.Backup) (err error) {
	s, err := Open(ctx, where)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	err = s.inTx(ctx, func(t *tx) error {
		return t.exec(`insert into backup (at_ns, path, bytes, sha256, stored) values (?, ?, ?, ?, ?)`, b.At, b.Path, b.Bytes, b.SHA256, b.Stored)
	})
	if err != nil {
		return fmt.Errorf("note a backup in store %s: %w", where, err)
	}
	return nil
}

// Backups returns the backups that were made of the store, newest first.
func (s *Store) Backups(ctx context.Context) (list []record.Backup, err error) {
	there, err := s.hasTable(ctx, "backup")
	if err == nil && there {
		err = each(reader{ctx, s}, `select at_ns, path, bytes, sha256, stored from backup order by at_ns desc`, nil,
			func(rows *sql.Rows) error {
				var b record.Backup
				err := rows.Scan(&b.At, &b.Path, &b.Bytes, &b.SHA256, &b.Stored)
				list = append(list, b)
				return err
			})
	}
	if err != nil {
		return nil, fmt.Errorf("read backups: %w", err)
	}
	return list, nil
}

// Settings tells what the engine was told about keeping what is committed, and
// what of that is wrong.
func (s *Store) Settings(ctx context.Context) (are, wrong []string, err error) {
	for i := range s.d.settings {
		set := &s.d.settings[i]
		is, no, err := set.check(ctx, func(ctx context.Context, query string, dest any) error {
			return each(reader{ctx, s}, query, nil, func(rows *sql.Rows) error { return rows.Scan(dest) })
		})
		if err != nil {
			return nil, nil, fmt.Errorf("read how store %s is written: %w", s.path, err)
		}
		are = append(are, set.name+" "+is)
		if no != "" {
			wrong = append(wrong, no)
		}
	}
	return are, wrong, nil
}
