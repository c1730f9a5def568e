package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	gooselock "github.com/pressly/goose/v3/lock"
)

var onPostgres = dialect{
	numbered:   true,
	lists:      true,
	pipelined:  true,
	migrations: "migrations/postgres",
	goose:      goose.DialectPostgres,
	// Writers take turns, as with a file.
	begin:    []string{"begin", "select pg_advisory_xact_lock(1685353328)"},
	tell:     "notify " + markChannel,
	snapshot: &sql.TxOptions{ReadOnly: true, Isolation: sql.LevelRepeatableRead},
	tables:   `select count(*) from pg_catalog.pg_tables where schemaname = current_schema() and tablename = ?`,
	columns: `select c.relname, a.attname,
			coalesce((select k.n from unnest(i.indkey::int2[]) with ordinality k (col, n) where k.col = a.attnum), 0),
			case when a.attidentity <> '' then 1 else 0 end
		from pg_catalog.pg_class c
			join pg_catalog.pg_namespace n on n.oid = c.relnamespace and n.nspname = current_schema()
			join pg_catalog.pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
			left join pg_catalog.pg_index i on i.indrelid = c.oid and i.indisprimary
		where c.relkind = 'r' order by c.relname, a.attnum`,
	references: `select c.relname, r.relname from pg_catalog.pg_constraint k
			join pg_catalog.pg_class c on c.oid = k.conrelid join pg_catalog.pg_class r on r.oid = k.confrelid
			join pg_catalog.pg_namespace n on n.oid = c.relnamespace and n.nspname = current_schema()
		where k.contype = 'f'`,
	goOn: `select setval(pg_get_serial_sequence('%[1]s', '%[2]s'), (select coalesce(max(%[2]s), 0) + 1 from %[1]s), false)`,
	texts: `select c.relname, a.attname, pg_catalog.format_type(a.atttypid, null), case when a.attnum = any (i.indkey) then 1 else 0 end
		from pg_catalog.pg_class c
			join pg_catalog.pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
			left join pg_catalog.pg_index i on i.indrelid = c.oid and i.indisprimary
		where c.relkind = 'r' and c.relnamespace = current_schema()::regnamespace order by c.relname, a.attnum`,
	remains: "The server's write-ahead log holds the rows as they were, and so do its archive, servers that follow it and base backups. " +
		"As its superuser, run select pg_switch_wal(); checkpoint; and with wal_recycle = off the old segments are removed instead of being used again. " +
		"Delete archived segments and base backups from before.",
	rewriteDisk: rewriteTables,
	settings: []setting{
		{"show fsync", "fsync", []string{"on"}, "a commit would not survive a power cut"},
		// Each of them waits for this server's own disk.
		{"show synchronous_commit", "synchronous_commit", []string{"on", "local", "remote_write", "remote_apply"}, "a commit would not survive a power cut"},
		{"show full_page_writes", "full_page_writes", []string{"on"}, "a page half written in a power cut could not be made whole"},
		{"show server_encoding", "server_encoding", []string{"UTF8"}, "names could not be kept as they are: create the database with encoding UTF8"},
		{"show in_hot_standby", "in_hot_standby", []string{"off"}, "this server only follows another: name that one"},
	},
}

// IsURL tells whether where names a database of a server, and not a file.
func IsURL(where string) bool {
	return strings.HasPrefix(where, "postgres://") || strings.HasPrefix(where, "postgresql://")
}

// Shown is where as it may be shown: without a password.
func Shown(where string) string {
	if u, err := url.Parse(where); IsURL(where) && err == nil {
		return u.Redacted()
	} else if IsURL(where) {
		return "postgres://…"
	}
	return where
}

// openPostgres opens a store in a database.
func openPostgres(ctx context.Context, where string) (*Store, error) {
	wdb, err := poolOf(where, 1, false)
	if err != nil {
		return nil, err
	}
	d := onPostgres
	locker, err := gooselock.NewPostgresSessionLocker(gooselock.WithLockTimeout(1, 300)) // of several that bring the schema up to date one does; the others ask each second
	if err != nil {
		return nil, errors.Join(err, wdb.Close())
	}
	d.options = append(d.options, goose.WithSessionLocker(locker))
	s, err := open(ctx, &d, wdb, func() (*sql.DB, error) { return poolOf(where, readers, true) })
	if err != nil {
		return nil, err
	}
	s.path = where
	cfg, err := configOf(where)
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	s.duty = &duty{cfg: cfg}
	return s, nil
}

// idleMost is how long a writer may wait between two statements of a transaction; none
// needs more than it takes to make the next one.
var idleMost = 30 * time.Second

// poolOf makes connections to the database with that URL.
func poolOf(where string, conns int, readOnly bool) (*sql.DB, error) {
	cfg, err := configOf(where)
	if err != nil {
		return nil, err
	}
	if readOnly {
		cfg.RuntimeParams["default_transaction_read_only"] = "on"
	} else {
		// Whoever stops in the middle of a transaction, with or without its machine,
		// must not keep all others from writing.
		cfg.RuntimeParams["idle_in_transaction_session_timeout"] = strconv.FormatInt(idleMost.Milliseconds(), 10)
	}
	db := stdlib.OpenDB(*cfg)
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	return db, nil
}

// configOf reads a URL. What it may hold is told in deploy/dewpost.toml.
func configOf(where string) (*pgx.ConnConfig, error) {
	u, err := url.Parse(where)
	if err != nil {
		return nil, errors.New("the URL can't be read: write it as in postgres://dewpost@db.example/dewpost?sslmode=verify-full")
	}
	if _, has := u.User.Password(); has || u.Query().Has("password") {
		return nil, errors.New("there is a password in the URL, where others can read it: put it into a file in the format of .pgpass and add passfile=FILE to the URL")
	}
	cfg, err := pgx.ParseConfig(where)
	if err != nil {
		return nil, err
	}
	hosts := []string{cfg.Host}
	for _, other := range cfg.Fallbacks { // a URL may name several
		hosts = append(hosts, other.Host)
	}
	i := slices.IndexFunc(hosts, func(host string) bool { return !isLocal(host) })
	if i >= 0 && !u.Query().Has("sslmode") {
		return nil, fmt.Errorf("sslmode is missing in the URL: add sslmode=verify-full, and sslrootcert=FILE unless every system knows the authority of %s; sslmode=disable sends all in the clear", hosts[i])
	}
	cfg.RuntimeParams["application_name"] = "dewpost"
	cfg.RuntimeParams["lock_timeout"] = "10s" // as long as a writer waits for others
	// A machine that is gone loses its duty, and what it was writing, within half a minute.
	for name, value := range map[string]string{"tcp_keepalives_idle": "10", "tcp_keepalives_interval": "5", "tcp_keepalives_count": "4"} {
		cfg.RuntimeParams[name] = value
	}
	if cfg.ConnectTimeout == 0 {
		cfg.ConnectTimeout = 10 * time.Second
	}
	return cfg, nil
}

// isLocal tells whether host, a name, an address or a folder with a socket, is
// this machine.
func isLocal(host string) bool {
	ip, err := netip.ParseAddr(host)
	return strings.HasPrefix(host, "/") || host == "localhost" || err == nil && ip.IsLoopback()
}
