package store

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

// duty is a lock of one session of the server: it ends with the connection,
// however the program ends. What is done on a duty that was lost in the middle of
// it does no harm: a commit looks for itself whether somebody else was there before.
type duty struct {
	cfg *pgx.ConnConfig

	mu   sync.Mutex
	conn *pgx.Conn // nil: none, and nothing is held
	held bool
}

// dutyLock is the lock's number.
const dutyLock = 1685353329

// OnDuty tells whether this collector is the one, of those that have the store
// open, that folds, tells people and keeps house. It is where nobody else is, and
// stays it until the store is closed or the connection to the server ends. A file
// has one collector. An error says that nobody can tell, and then it isn't.
func (s *Store) OnDuty(ctx context.Context) (bool, error) {
	if s.duty == nil {
		return true, nil
	}
	on, err := s.duty.take(ctx)
	if err != nil {
		return false, fmt.Errorf("store %s: look whether another collector is on duty: %w", s.path, err)
	}
	return on, nil
}

func (d *duty) take(ctx context.Context) (_ bool, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.conn == nil {
		d.held = false
		if d.conn, err = pgx.ConnectConfig(ctx, d.cfg); err != nil {
			d.conn = nil
			return false, err
		}
	}
	query := fmt.Sprintf("select pg_try_advisory_lock(%d)", dutyLock)
	if d.held {
		query = "select true" // it is held while the connection is there
	}
	if err := d.conn.QueryRow(ctx, query).Scan(&d.held); err != nil {
		return false, errors.Join(err, d.drop())
	}
	return d.held, nil
}

// drop ends the session.
func (d *duty) drop() error {
	if d.conn == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	conn := d.conn
	d.conn = nil
	return conn.Close(ctx)
}

func (d *duty) close() error {
	if d == nil {
		return nil
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.drop()
}

const (
	markChannel = "dewpost_marks"
	hearAgain   = 2 * time.Second
)

// Hear calls heard after every commit, of whichever program, by which a station
// is to be folded, and once more whenever it may have missed one, until ctx ends.
// heard must not block. failed is told when the server can't be heard, which is
// tried again. Of a file it hears nothing: see WhenMarked.
func (s *Store) Hear(ctx context.Context, heard func(), failed func(error)) {
	for s.duty != nil {
		err := hear(ctx, s.duty.cfg, heard)
		if ctx.Err() != nil {
			return
		}
		failed(fmt.Errorf("store %s: hear of commits of other collectors: %w", s.path, err))
		timer := time.NewTimer(hearAgain)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
	<-ctx.Done()
}

func hear(ctx context.Context, cfg *pgx.ConnConfig, heard func()) (err error) {
	conn, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return err
	}
	defer func() {
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		err = errors.Join(err, conn.Close(end))
	}()
	if _, err := conn.Exec(ctx, "listen "+markChannel); err != nil {
		return err
	}
	for {
		heard()
		if _, err := conn.WaitForNotification(ctx); err != nil {
			return err
		}
	}
}
