package store

import (
	"context"
	"database/sql"
	"strconv"
	"strings"

	"github.com/pressly/goose/v3"
)

// dialect is what engines do differently. Queries are the same for all: they
// are written with ? for parameters, and with bigint and blob in casts.
type dialect struct {
	numbered   bool          // parameters are $1, $2 …, and a blob is a bytea
	lists      bool          // parameters can be lists
	pipelined  bool          // a server, that takes statements without waiting for its answers; see statement
	migrations string        // folder
	goose      goose.Dialect // what keeps the schema's version
	options    []goose.ProviderOption

	// upgrade calls up, which brings an older schema up to date; nil: as it is.
	upgrade func(ctx context.Context, db *sql.DB, has int64, up func() error) error

	begin    []string       // begins a transaction that writes
	tell     string         // tells other programs, when it is committed, that there is something to fold; "": they look
	settle   string         // makes durable what is read from now on; "": it is
	snapshot *sql.TxOptions // of a transaction that reads
	tables   string         // query for the number of tables of a name
	texts    string         // query for tables, their columns, types, and whether (> 0) they are part of the key

	erase       []string                                                    // begins a transaction that erases
	remains     string                                                      // what an engine keeps that is out of a store's reach
	rewriteDisk func(ctx context.Context, w *writer, tables []string) error // see Store.Rewrite

	// For who copies all of it: every column in order, with its table, its place
	// in the primary key (0: it is not in it), and 1 if the engine numbers it; who
	// refers to whom; and how numbering is told to go on, "" where it finds out.
	columns, references, goOn string

	settings  []setting // that a connection which writes must have
	structure structure
}

// setting is something that an engine was told, and must have been told right.
type setting struct {
	query, name string
	values      []string // that are right
	why         string   // no other is
}

// structure looks for damage in a file.
type structure struct {
	quick, whole, references string // queries; "": the engine looks after that
}

var blobs = strings.NewReplacer(" as blob)", " as bytea)", " as blob[])", " as bytea[])")

// rewrite writes a query as the engine reads it.
func (d *dialect) rewrite(query string) string {
	if !d.numbered {
		return query
	}
	var b strings.Builder
	n := 0
	for part := range strings.SplitSeq(query, "?") {
		if n > 0 {
			b.WriteByte('$')
			b.WriteString(strconv.Itoa(n))
		}
		b.WriteString(part)
		n++
	}
	return blobs.Replace(b.String())
}

// check reads a setting; wrong is "" where it is right.
func (set *setting) check(ctx context.Context, row func(ctx context.Context, query string, dest any) error) (is, wrong string, err error) {
	if err := row(ctx, set.query, &is); err != nil {
		return "", "", err
	}
	for _, v := range set.values {
		if is == v {
			return is, "", nil
		}
	}
	return is, set.name + " is " + is + ", not " + strings.Join(set.values, " or ") + ": " + set.why, nil
}
