// Package pgserver runs a PostgreSQL server for tests, with a folder, a socket
// and a user of its own. It stands under testdata so that no program can come to
// need it.
package pgserver

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"sync/atomic"
	"syscall"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx"
)

// Server is a server that runs.
type Server struct {
	Dir   string // of its files
	cmd   *exec.Cmd
	args  []string
	admin *sql.DB
	bin   string
	attr  *syscall.SysProcAttr
	n     atomic.Int64
}

// Start makes a server, with settings as in "fsync=off" beside those of
// PostgreSQL itself. Debian's package postgresql must be there.
func Start(settings ...string) (_ *Server, err error) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin") // the pattern is right
	if len(found) == 0 {
		return nil, errors.New("there is no PostgreSQL under /usr/lib/postgresql: install Debian's package postgresql, as deploy/test.sh does")
	}
	slices.Sort(found)
	// The process ends with the test's, however that ends.
	s := &Server{bin: found[len(found)-1], attr: &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}}
	at := "/dev/shm" // a sync takes no time there
	if _, err := os.Stat(at); err != nil {
		at = ""
	}
	if s.Dir, err = os.MkdirTemp(at, "dewpost-pg-"); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Stop())
		}
	}()
	if os.Getuid() == 0 { // whom the server refuses
		if err := s.become("postgres"); err != nil {
			return nil, err
		}
	}
	init := s.command("initdb", "--pgdata", s.data(), "--auth", "trust", "--username", "dewpost", "--no-sync", "--no-locale", "--encoding", "UTF8")
	if out, err := init.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("initdb: %w: %s", err, out)
	}
	s.args = []string{"-D", s.data(), "-k", s.Dir, "-c", "listen_addresses=", "-c", "max_connections=200"}
	for _, set := range settings {
		s.args = append(s.args, "-c", set)
	}
	if s.admin, err = sql.Open("pgx", s.URL("postgres")); err != nil {
		return nil, err
	}
	s.admin.SetMaxOpenConns(1) // a template may have no other
	return s, s.run()
}

// run starts the server and waits until it answers.
func (s *Server) run() error {
	s.cmd = s.command("postgres", s.args...)
	log, err := os.OpenFile(filepath.Join(s.Dir, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600) // no pipe: it would take a goroutine
	if err != nil {
		return err
	}
	s.cmd.Stderr = log
	if err := errors.Join(s.cmd.Start(), log.Close()); err != nil {
		return err
	}
	for end := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
		if err = s.admin.Ping(); err == nil {
			return nil
		}
		if time.Now().After(end) {
			said, _ := os.ReadFile(log.Name()) // as far as it can be read
			return fmt.Errorf("the server does not answer: %w: %s", err, said)
		}
	}
}

// Restart ends the server as a crash does, and starts it again over what it had
// written.
func (s *Server) Restart() error {
	if err := s.cmd.Process.Signal(syscall.SIGQUIT); err != nil { // at once, without a checkpoint
		return err
	}
	_ = s.cmd.Wait() // it ends by that signal
	return s.run()
}

func (s *Server) become(name string) error {
	u, err := user.Lookup(name)
	if err != nil {
		return err
	}
	uid, err := strconv.Atoi(u.Uid)
	if err != nil {
		return err
	}
	gid, err := strconv.Atoi(u.Gid)
	if err != nil {
		return err
	}
	s.attr.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	return os.Chown(s.Dir, uid, gid)
}

func (s *Server) data() string { return filepath.Join(s.Dir, "data") }

func (s *Server) command(program string, args ...string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(s.bin, program), args...)
	cmd.Dir, cmd.SysProcAttr = s.Dir, s.attr
	return cmd
}

// URL names a database.
func (s *Server) URL(database string) string {
	return "postgres://dewpost@/" + database + "?host=" + url.QueryEscape(s.Dir)
}

// Database makes an empty database and returns its URL.
func (s *Server) Database() (string, error) { return s.Copy("template1") }

// Copy makes a database that has what another has, to which nobody may be
// connected, and returns its URL.
func (s *Server) Copy(of string) (string, error) {
	name := fmt.Sprintf("d%d", s.n.Add(1))
	if err := s.Do("create database " + name + " template " + of); err != nil {
		return "", err
	}
	return s.URL(name), nil
}

// Do executes a statement outside of the databases.
func (s *Server) Do(statement string) error {
	_, err := s.admin.ExecContext(context.Background(), statement)
	return err
}

// Stop ends the server and removes its files.
func (s *Server) Stop() error {
	var errs []error
	if s.admin != nil {
		errs = append(errs, s.admin.Close())
	}
	if s.cmd != nil && s.cmd.Process != nil {
		errs = append(errs, s.cmd.Process.Signal(syscall.SIGQUIT)) // at once
		_ = s.cmd.Wait()                                           // it ends by that signal
	}
	return errors.Join(append(errs, os.RemoveAll(s.Dir))...)
}
