package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"github.com/pressly/goose/v3"
	_ "modernc.org/sqlite" // the driver "sqlite"
)

var onSQLite = dialect{
	migrations: "migrations/sqlite",
	goose:      goose.DialectSQLite3,
	begin:      []string{"begin immediate"},
	settle:     "pragma wal_checkpoint(passive)",
	snapshot:   &sql.TxOptions{ReadOnly: true},
	tables:     `select count(*) from sqlite_master where type = 'table' and name = ?`,
	columns: `select m.name, p.name, p.pk, 0 from sqlite_master m join pragma_table_info(m.name) p
		where m.type = 'table' and m.name not like 'sqlite_%' order by m.name, p.cid`,
	references: `select m.name, f."table" from sqlite_master m join pragma_foreign_key_list(m.name) f where m.type = 'table'`,
	texts: `select m.name, p.name, p.type, p.pk from sqlite_master m join pragma_table_info(m.name) p
		where m.type = 'table' order by m.name, p.cid`,
	erase:       []string{"pragma secure_delete = 1"},
	remains:     "The disk may keep blocks of the file that are free now until something else is written there: an encrypted disk is the remedy.",
	rewriteDisk: rewriteFile,
	settings: []setting{
		{"pragma journal_mode", "journal_mode", []string{"wal"}, "the file system can't share memory between processes"},
		{"pragma synchronous", "synchronous", []string{"2"}, "a commit would not survive a power cut"},
		{"pragma foreign_keys", "foreign_keys", []string{"1"}, "this build of SQLite can't check references"},
	},
	structure: structure{quick: "pragma quick_check", whole: "pragma integrity_check", references: "pragma foreign_key_check"},
}

// Set on every connection. A writer that finds another process writing waits
// for 10 s. 8,192 pages of WAL (32 MiB) before a checkpoint: a commit that
// touches thousands of stations writes thousands of pages. Caches are in KiB. They
// are small: what they miss the system has, a larger one made nothing faster, and
// a reader forgets its own after every commit.
const (
	pragmas       = "busy_timeout(10000),journal_mode(WAL),synchronous(FULL),foreign_keys(1),trusted_schema(0)"
	writerPragmas = pragmas + ",wal_autocheckpoint(8192),journal_size_limit(67108864),cache_size(-2048)"
	readerPragmas = pragmas + ",query_only(1),cache_size(-512)"
)

// openFile opens a store in a file.
func openFile(ctx context.Context, path string) (_ *Store, err error) {
	held, err := lock(path, false)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, held.Close())
		}
	}()
	if err := touch(path); err != nil {
		return nil, err
	}
	var s *Store
	// Two programs that find a new file would both make its tables.
	err = inTurn(held, func() error {
		s, err = openPath(ctx, path, held)
		return err
	})
	if err != nil {
		return nil, err
	}
	s.lock = held
	return s, nil
}

// openPath opens a file, for which held is held; nil: nobody else can know it.
func openPath(ctx context.Context, path string, held *os.File) (*Store, error) {
	wdb, err := openSQLite(path, writerPragmas, 1)
	if err != nil {
		return nil, err
	}
	d := onSQLite
	d.upgrade = func(ctx context.Context, db *sql.DB, has int64, up func() error) error {
		return upgradeFile(ctx, db, path, held, has, up)
	}
	s, err := open(ctx, &d, wdb, func() (*sql.DB, error) { return openSQLite(path, readerPragmas, readers) })
	if err != nil {
		return nil, err
	}
	s.path = path
	return s, nil
}

// upgradeFile brings the schema of a file up to date while nobody else has it
// open, who might not know the new one, and after a copy of it was made beside
// it: there is no way back.
func upgradeFile(ctx context.Context, db *sql.DB, path string, held *os.File, has int64, up func() error) error {
	if held == nil {
		return up()
	}
	return alone(held, func() error {
		copied := fmt.Sprintf("%s.schema-%d", path, has)
		if err := touch(copied); err != nil {
			return err
		}
		if err := os.Truncate(copied, 0); err != nil { // one that was not finished
			return err
		}
		if _, err := db.ExecContext(ctx, `vacuum into ?`, copied); err != nil {
			return fmt.Errorf("copy it to %s: %w", copied, err)
		}
		f, err := os.OpenFile(copied, os.O_RDWR, 0)
		if err != nil {
			return err
		}
		if err := errors.Join(f.Sync(), f.Close()); err != nil {
			return err
		}
		return up()
	})
}

// driverName names the engine's driver; tests put one in its place that fails.
var driverName = "sqlite"

// touch makes sure that the file is there, is not readable by others, and
// that its name survives a power cut. SQLite gives its side files the same
// mode.
func touch(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Chmod(0o600), f.Close()); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

func openSQLite(path, pragmas string, conns int) (*sql.DB, error) {
	return openMode(path, pragmas, "rwc", conns)
}

// openMode opens with a mode of SQLite's: ro, rw or rwc.
func openMode(path, pragmas, mode string, conns int) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	u := url.URL{Scheme: "file", Path: abs, RawQuery: url.Values{"_pragma": strings.Split(pragmas, ","), "mode": {mode}}.Encode()}
	db, err := sql.Open(driverName, u.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	return db, nil
}
