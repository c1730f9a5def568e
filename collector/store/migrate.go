package store

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
)

//go:embed migrations
var migrations embed.FS

// migrate brings the schema up to date.
func migrate(ctx context.Context, d *dialect, db *sql.DB) error {
	files, err := fs.Sub(migrations, d.migrations)
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(d.goose, db, files, append(d.options, goose.WithDisableGlobalRegistry(true))...)
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	has, ours, err := p.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("read schema version: %w", err)
	}
	if has > ours {
		return newerSchema(has, ours)
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
		return fmt.Errorf("bring the schema from version %d to %d: %w", has, ours, err)
	}
	return nil
}
