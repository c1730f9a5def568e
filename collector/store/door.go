package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// Of one account the newest sessions and known browsers are kept, so that
// nothing grows without bound.
const (
	sessionsKept = 50
	browsersKept = 20
)

// HasAccounts tells whether there is any account.
func (s *Store) HasAccounts(ctx context.Context) (bool, error) {
	var n int
	err := each(reader{ctx, s}, `select count(*) from (select 1 from account limit 1) a`, nil, func(rows *sql.Rows) error { return rows.Scan(&n) })
	if err != nil {
		return false, fmt.Errorf("look for accounts: %w", err)
	}
	return n > 0, nil
}

// Accounts returns all accounts by name.
func (s *Store) Accounts(ctx context.Context) ([]record.Account, error) {
	list, err := s.accounts(ctx, `select name, role, hash, made_ns, last_in_ns from account order by key`)
	if err != nil {
		return nil, fmt.Errorf("read accounts: %w", err)
	}
	return list, nil
}

// Account returns the account with a name, in any case, or record.ErrNotFound.
func (s *Store) Account(ctx context.Context, name string) (record.Account, error) {
	list, err := s.accounts(ctx, `select name, role, hash, made_ns, last_in_ns from account where key = ?`, record.NameKey(name))
	if err == nil && len(list) == 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return record.Account{}, fmt.Errorf("read account: %w", err)
	}
	return list[0], nil
}

func (s *Store) accounts(ctx context.Context, query string, args ...any) ([]record.Account, error) {
	var list []record.Account
	err := each(reader{ctx, s}, query, args, func(rows *sql.Rows) error {
		var a record.Account
		var role string
		var in sql.NullInt64
		if err := rows.Scan(&a.Name, &role, &a.Hash, &a.Made, &in); err != nil {
			return err
		}
		a.LastIn = unit.Instant(in.Int64)
		var err error
		if a.Role, err = record.ParseRole(role); err != nil {
			return fmt.Errorf("account %s: %w", a.Name, err)
		}
		list = append(list, a)
		return nil
	})
	return list, err
}

// AddAccount adds an account, or returns record.ErrTaken. With first it is
// added only if there is none yet.
func (s *Store) AddAccount(ctx context.Context, a record.Account, first bool, author string) error {
	query := `insert into account (name, key, role, hash, made_ns) select ?, ?, ?, ?, ? where true`
	if first {
		query = `insert into account (name, key, role, hash, made_ns) select ?, ?, ?, ?, ? where not exists (select 1 from account)`
	}
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(query+` on conflict do nothing`, a.Name, record.NameKey(a.Name), a.Role.String(), a.Hash, a.Made)
		if err != nil {
			return err
		}
		if n == 0 {
			return record.ErrTaken
		}
		return audit(t, a.Made, author, "add account", a.Name+", role "+a.Role.String())
	})
	if err != nil {
		return fmt.Errorf("add account %s: %w", a.Name, err)
	}
	return nil
}

// SetPassword gives an account another password and ends its sessions. Browsers
// are no longer known by it either: the old password may have been somebody
// else's too. Where the password is not the one with the hash instead, it
// returns record.ErrNotFound; "" is for any.
func (s *Store) SetPassword(ctx context.Context, name, hash, instead string, at unit.Instant, author string) error {
	return s.changeAccount(ctx, name, at, author, "set password", "", func(t *tx, id int64) error {
		if err := t.exec(`delete from browser where account = ?`, id); err != nil {
			return err
		}
		query, args := `update account set hash = ? where id = ?`, []any{hash, id}
		if instead != "" {
			query, args = query+` and hash = ?`, append(args, instead)
		}
		n, err := t.changed(query, args...)
		if err == nil && n == 0 {
			err = record.ErrNotFound
		}
		return err
	})
}

// SetRole gives an account another role and ends its sessions. Tokens that it
// made and that may do more go with it.
func (s *Store) SetRole(ctx context.Context, name string, role record.Role, at unit.Instant, author string) error {
	return s.changeAccount(ctx, name, at, author, "set role", ", "+role.String(), func(t *tx, id int64) error {
		for more := role + 1; more <= record.Run; more++ {
			if err := t.exec(`delete from token where author = (select name from account where id = ?) and role = ?`, id, more.String()); err != nil {
				return err
			}
		}
		return t.exec(`update account set role = ? where id = ?`, role.String(), id)
	})
}

// SetReads keeps how an account's person reads pages; record.ErrNotFound when there
// is no such account. It changes nothing that others see, so no trail is left.
func (s *Store) SetReads(ctx context.Context, name, reads string) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`update account set reads = ? where key = ?`, reads, record.NameKey(name))
		if err == nil && n == 0 {
			err = record.ErrNotFound
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("set how %s reads: %w", name, err)
	}
	return nil
}

// RemoveAccount removes an account with all that belongs to it, the tokens and
// addresses of the calendar that it made among that. What it did stays in the trail under its name.
func (s *Store) RemoveAccount(ctx context.Context, name string, at unit.Instant, author string) error {
	return s.changeAccount(ctx, name, at, author, "remove account", "", func(t *tx, id int64) error {
		if err := t.exec(`delete from token where author = (select name from account where id = ?)`, id); err != nil {
			return err
		}
		if err := t.exec(`delete from calendar_link where author = (select name from account where id = ?)`, id); err != nil {
			return err
		}
		return t.exec(`delete from account where id = ?`, id)
	})
}

// changeAccount runs change on an account, ends its sessions, and keeps at
// least one account with role run.
func (s *Store) changeAccount(ctx context.Context, name string, at unit.Instant, author, action, more string, change func(*tx, int64) error) error {
	err := s.inTx(ctx, func(t *tx) error {
		var id int64
		err := t.row(`select id, name from account where key = ?`, []any{record.NameKey(name)}, &id, &name)
		if errors.Is(err, sql.ErrNoRows) {
			return record.ErrNotFound
		}
		if err != nil {
			return err
		}
		if err := t.exec(`delete from session where account = ?`, id); err != nil {
			return err
		}
		if err := change(t, id); err != nil {
			return err
		}
		var left int
		if err := t.row(`select count(*) from account where role = ?`, []any{record.Run.String()}, &left); err != nil {
			return err
		}
		if left == 0 {
			return record.ErrLastRun
		}
		return audit(t, at, author, action, name+more)
	})
	if err != nil {
		return fmt.Errorf("%s of %s: %w", action, name, err)
	}
	return nil
}

// AddSession records a sign-in that was checked against the hash si.Checked:
// record.ErrNotFound when the account is gone or has another password by now.
func (s *Store) AddSession(ctx context.Context, si record.SignIn) error {
	err := s.inTx(ctx, func(t *tx) error {
		var id int64
		var name string
		err := t.row(`select id, name from account where key = ? and hash = ?`, []any{record.NameKey(si.Account), si.Checked}, &id, &name)
		if errors.Is(err, sql.ErrNoRows) {
			return record.ErrNotFound
		}
		if err != nil {
			return err
		}
		hash := si.Checked
		if si.Rehashed != "" {
			hash = si.Rehashed
		}
		if err := t.exec(`update account set hash = ?, last_in_ns = ? where id = ?`, hash, si.At, id); err != nil {
			return err
		}
		if err := t.exec(`delete from session where made_ns < ? or used_ns < ?`, si.MadeAfter, si.UsedAfter); err != nil {
			return err
		}
		if err := t.exec(`insert into session (hash, account, made_ns, used_ns) values (?, ?, ?, ?)`, si.Session, id, si.At, si.At); err != nil {
			return err
		}
		if err := keepNewest(t, "session", id, sessionsKept); err != nil {
			return err
		}
		if si.Browser != nil {
			if err := t.exec(`insert into browser (hash, account, made_ns) values (?, ?, ?)`, si.Browser, id, si.At); err != nil {
				return err
			}
			if err := keepNewest(t, "browser", id, browsersKept); err != nil {
				return err
			}
		}
		return audit(t, si.At, name, "sign in", si.From)
	})
	if err != nil {
		return fmt.Errorf("sign in: %w", err)
	}
	return nil
}

// keepNewest keeps n rows of an account.
func keepNewest(t *tx, table string, account int64, n int) error {
	return t.exec(`delete from `+table+` where account = ? and hash not in
		(select hash from `+table+` where account = ? order by made_ns desc, hash limit ?)`, account, account, n)
}

// Session returns the session with a hash, or record.ErrNotFound. Whether it
// is still good is for the caller's clock to say.
func (s *Store) Session(ctx context.Context, hash []byte) (record.Session, error) {
	var list []record.Session
	err := each(reader{ctx, s}, `select a.name, a.role, a.reads, s.made_ns, s.used_ns from session s join account a on a.id = s.account where s.hash = ?`,
		[]any{hash}, func(rows *sql.Rows) error {
			var se record.Session
			var role string
			err := rows.Scan(&se.Account, &role, &se.Reads, &se.Made, &se.Used)
			if err != nil {
				return err
			}
			se.Role, err = record.ParseRole(role)
			list = append(list, se)
			return err
		})
	if err == nil && len(list) == 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return record.Session{}, fmt.Errorf("read session: %w", err)
	}
	return list[0], nil
}

// UseSession records when a session was last used.
func (s *Store) UseSession(ctx context.Context, hash []byte, at unit.Instant) error {
	err := s.inTx(ctx, func(t *tx) error {
		return t.exec(`update session set used_ns = ? where hash = ?`, at, hash)
	})
	if err != nil {
		return fmt.Errorf("use session: %w", err)
	}
	return nil
}

// EndSession ends a session, if there is one.
func (s *Store) EndSession(ctx context.Context, hash []byte, at unit.Instant) error {
	err := s.inTx(ctx, func(t *tx) error {
		var name string
		err := t.row(`select a.name from session s join account a on a.id = s.account where s.hash = ?`, []any{hash}, &name)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := t.exec(`delete from session where hash = ?`, hash); err != nil {
			return err
		}
		return audit(t, at, name, "sign out", "")
	})
	if err != nil {
		return fmt.Errorf("end session: %w", err)
	}
	return nil
}

// KnowsBrowser tells whether an account signed in in a browser since an
// instant.
func (s *Store) KnowsBrowser(ctx context.Context, hash []byte, account string, since unit.Instant) (bool, error) {
	known := false
	err := each(reader{ctx, s}, `select 1 from browser b join account a on a.id = b.account where b.hash = ? and a.key = ? and b.made_ns >= ?`,
		[]any{hash, record.NameKey(account), since}, func(*sql.Rows) error { known = true; return nil })
	if err != nil {
		return false, fmt.Errorf("read browser: %w", err)
	}
	return known, nil
}

// AddToken adds a token with the given hash, or returns record.ErrTaken.
func (s *Store) AddToken(ctx context.Context, k record.Token, hash []byte) error {
	err := s.inTx(ctx, func(t *tx) error {
		n, err := t.changed(`insert into token (name, key, hash, role, author, made_ns, expires_ns) values (?, ?, ?, ?, ?, ?, ?) on conflict do nothing`,
			k.Name, record.NameKey(k.Name), hash, k.Role.String(), k.Author, k.Made, k.Expires)
		if err != nil {
			return err
		}
		if n == 0 {
			return record.ErrTaken
		}
		return audit(t, k.Made, k.Author, "add token", k.Name+", role "+k.Role.String())
	})
	if err != nil {
		return fmt.Errorf("add token %s: %w", k.Name, err)
	}
	return nil
}

// Token returns the token with a hash, expired or not, or record.ErrNotFound.
func (s *Store) Token(ctx context.Context, hash []byte) (record.Token, error) {
	list, err := s.tokens(ctx, `select name, role, author, made_ns, expires_ns, used_ns from token where hash = ?`, hash)
	if err == nil && len(list) == 0 {
		err = record.ErrNotFound
	}
	if err != nil {
		return record.Token{}, fmt.Errorf("read token: %w", err)
	}
	return list[0], nil
}

// Tokens returns all tokens by name, expired ones included.
func (s *Store) Tokens(ctx context.Context) ([]record.Token, error) {
	list, err := s.tokens(ctx, `select name, role, author, made_ns, expires_ns, used_ns from token order by key`)
	if err != nil {
		return nil, fmt.Errorf("read tokens: %w", err)
	}
	return list, nil
}

func (s *Store) tokens(ctx context.Context, query string, args ...any) ([]record.Token, error) {
	var list []record.Token
	err := each(reader{ctx, s}, query, args, func(rows *sql.Rows) error {
		var k record.Token
		var role string
		var used sql.NullInt64
		if err := rows.Scan(&k.Name, &role, &k.Author, &k.Made, &k.Expires, &used); err != nil {
			return err
		}
		k.Used = unit.Instant(used.Int64)
		var err error
		if k.Role, err = record.ParseRole(role); err != nil {
			return fmt.Errorf("token %s: %w", k.Name, err)
		}
		list = append(list, k)
		return nil
	})
	return list, err
}

// UseToken records when a token was last used.
func (s *Store) UseToken(ctx context.Context, hash []byte, at unit.Instant) error {
	err := s.inTx(ctx, func(t *tx) error {
		return t.exec(`update token set used_ns = ? where hash = ?`, at, hash)
	})
	if err != nil {
		return fmt.Errorf("use token: %w", err)
	}
	return nil
}

// RemoveToken removes a token: it is good for nothing from then on.
func (s *Store) RemoveToken(ctx context.Context, name string, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		err := t.row(`select name from token where key = ?`, []any{record.NameKey(name)}, &name)
		if errors.Is(err, sql.ErrNoRows) {
			return record.ErrNotFound
		}
		if err != nil {
			return err
		}
		if err := t.exec(`delete from token where key = ?`, record.NameKey(name)); err != nil {
			return err
		}
		return audit(t, at, author, "revoke token", name)
	})
	if err != nil {
		return fmt.Errorf("revoke token %s: %w", name, err)
	}
	return nil
}

// Note adds an entry to the audit trail for what changes nothing else here.
func (s *Store) Note(ctx context.Context, at unit.Instant, author, action, object string) error {
	err := s.inTx(ctx, func(t *tx) error { return audit(t, at, author, action, object) })
	if err != nil {
		return fmt.Errorf("note %s: %w", action, err)
	}
	return nil
}

// Audit returns who did what, newest first: up to limit deeds behind a place,
// the zero value for the newest. Facts are among them: their author, and what
// was said. next is the place behind which the rest stands, nil at the end.
func (s *Store) Audit(ctx context.Context, behind record.DeedPlace, limit int) (deeds []record.Deed, next *record.DeedPlace, err error) {
	// Of one instant facts come after other deeds. Each of the two tables is
	// read by its own index and only as far as the page goes.
	audits, facts := behind, behind
	switch {
	case behind == record.DeedPlace{}:
		end := record.DeedPlace{At: unit.Instant(math.MaxInt64), ID: math.MaxInt64}
		audits, facts = end, end
	case behind.Fact:
		audits.ID = 0
	default:
		facts.ID = math.MaxInt64
	}
	read := func(query string, from record.DeedPlace, isFact bool) error {
		return each(reader{ctx, s}, query, []any{from.At, from.ID, limit + 1}, func(rows *sql.Rows) error {
			d := record.Deed{Place: record.DeedPlace{Fact: isFact}}
			err := rows.Scan(&d.At, &d.Place.ID, &d.Author, &d.Action, &d.Object)
			d.Place.At = d.At
			deeds = append(deeds, d)
			return err
		})
	}
	if err := read(`select at_ns, id, author, action, object from audit where (at_ns, id) < (?, ?) order by at_ns desc, id desc limit ?`, audits, false); err != nil {
		return nil, nil, fmt.Errorf("read audit trail: %w", err)
	}
	if err := read(`select recorded_ns, id, author, 'fact', kind || ' ' || subject || ', ' || name || ' = ' || value from fact
		where (recorded_ns, id) < (?, ?) order by recorded_ns desc, id desc limit ?`, facts, true); err != nil {
		return nil, nil, fmt.Errorf("read audit trail: %w", err)
	}
	// Each of the two is in order already.
	slices.SortStableFunc(deeds, func(a, b record.Deed) int { return cmp.Compare(b.At, a.At) })
	if len(deeds) > limit {
		deeds = deeds[:limit]
		next = &deeds[limit-1].Place
	}
	return deeds, next, nil
}
