package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
)

//go:embed migrations
var migrations embed.FS

// A program goes on writing to a database whose schema a newer one has brought up
// to date meanwhile, if it may: the head of a migration says, as in "-- oldest
// writer: 20", which is the newest migration that a program must know to write
// after it, and the table goose_writer keeps it. So what a migration adds can be
// left unfilled by older programs, or what it takes away unused, for as long as
// they run; when it can't, they stop before they write anything.

// ErrOutdated is returned for whatever would be written by a program that may no
// longer.
var ErrOutdated = errors.New("a newer dewpost has changed its schema, and this one may write to it no more: start the newer one here too")

// Over tells whether an error says that nothing can be written to a store any
// more by this program.
func Over(err error) bool { return errors.Is(err, ErrMoved) || errors.Is(err, ErrOutdated) }

// migrate brings the schema up to date, and returns its version.
func migrate(ctx context.Context, d *dialect, db *sql.DB) (int64, error) {
	files, err := fs.Sub(migrations, d.migrations)
	if err != nil {
		return 0, err
	}
	p, err := goose.NewProvider(d.goose, db, files, append(d.options, goose.WithDisableGlobalRegistry(true))...)
	if err != nil {
		return 0, fmt.Errorf("read migrations: %w", err)
	}
	has, ours, err := p.GetVersions(ctx)
	if err != nil {
		return 0, fmt.Errorf("read schema version: %w", err)
	}
	if has > ours {
		return 0, newerSchema(has, ours)
	}
	up := func() error {
		_, err := p.Up(ctx)
		return err
	}
	if d.upgrade != nil && has > 0 && has < ours {
		err = d.upgrade(ctx, db, has, up)
	} else {
		err = up()
	}
	if err != nil {
		return 0, fmt.Errorf("bring the schema from version %d to %d: %w", has, ours, err)
	}
	return ours, nil
}
