// Package door decides who comes in: accounts with passwords, sessions of
// browsers, tokens of programs, and the first account of an installation. It
// knows nothing of pages; package web asks it.
//
// # What is kept
//
// Passwords as argon2id hashes with their parameters. Of what a cookie or a
// token holds only the SHA-256 is kept: 130 random bits need no slow hash, and
// who reads the store or a backup of it can't come in with what he finds.
// Sessions are looked up at every request, together with the account's role of
// that moment, so signing out, a new password, another role or a removal end
// them at once, also when another process does it.
//
// A session library was weighed and left: it keeps values of the application
// for each session and expects to own its table, and we need one row that is
// joined with the account. What is left of it is a hundred lines.
//
// # Guessing
//
// Attempts are counted by name, known or not, and by address (see throttle).
// A browser in which an account has signed in before gets a cookie that says
// so; attempts from it are counted by that cookie alone. So whoever guesses at
// somebody's password delays other guessers, never the owner in his own
// browser. Where many people share an address that says nothing (a proxy in
// front, this machine itself) the caller gives none.
//
// A wrong password and a name that nobody has take the same time and get the
// same answer.
package door

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/time/rate"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// Store is what the door keeps. Every change is on disk when its method
// returns, together with its entry in the audit trail. Errors are
// record.ErrNotFound, record.ErrTaken and record.ErrLastRun, wrapped.
type Store interface {
	HasAccounts(ctx context.Context) (bool, error)
	Accounts(ctx context.Context) ([]record.Account, error)
	Account(ctx context.Context, name string) (record.Account, error)
	AddAccount(ctx context.Context, a record.Account, first bool, author string) error
	// SetPassword returns record.ErrNotFound where the password is no longer the
	// one with the hash instead; "" for any.
	SetPassword(ctx context.Context, name, hash, instead string, at unit.Instant, author string) error
	SetRole(ctx context.Context, name string, role record.Role, at unit.Instant, author string) error
	SetReads(ctx context.Context, name, reads string) error
	RemoveAccount(ctx context.Context, name string, at unit.Instant, author string) error
	AddSession(ctx context.Context, si record.SignIn) error
	Session(ctx context.Context, hash []byte) (record.Session, error)
	UseSession(ctx context.Context, hash []byte, at unit.Instant) error
	EndSession(ctx context.Context, hash []byte, at unit.Instant) error
	KnowsBrowser(ctx context.Context, hash []byte, account string, since unit.Instant) (bool, error)
	AddToken(ctx context.Context, k record.Token, hash []byte) error
	Token(ctx context.Context, hash []byte) (record.Token, error)
	Tokens(ctx context.Context) ([]record.Token, error)
	UseToken(ctx context.Context, hash []byte, at unit.Instant) error
	RemoveToken(ctx context.Context, name string, at unit.Instant, author string) error
	Note(ctx context.Context, at unit.Instant, author, action, object string) error
	Audit(ctx context.Context, behind record.DeedPlace, limit int) ([]record.Deed, *record.DeedPlace, error)
}

const (
	// SessionLife is how long a session lasts at most: NIST SP 800-63B-4
	// section 2.1.3 has 30 days.
	SessionLife = 30 * 24 * time.Hour
	// SessionIdle is how long it lasts unused: over a weekend.
	SessionIdle = 72 * time.Hour
	// BrowserLife is how long a browser is known after a sign-in that made it so.
	BrowserLife = 400 * 24 * time.Hour // the most that browsers keep a cookie (RFC 6265bis section 5.5)

	usedEvery = 5 * time.Minute // how exactly it is kept when something was last used

	// TokenPrefix begins every token, so that one that leaked can be searched
	// for.
	TokenPrefix = "dewpost_"
	// TokenLife is how long a token is good unless another time is given, and
	// TokenLifeMost the longest that can be given.
	TokenLife     = 365 * 24 * time.Hour
	TokenLifeMost = 10 * TokenLife

	nameMost = 40 // characters of an account's or token's name

	// Failed sign-ins in the audit trail: so many at once, then one a minute.
	// What is left out is counted.
	failuresNoted = 20
	noteEvery     = time.Minute
)

// ErrWrong is returned for a name, password or code that is not right; it
// doesn't say which.
var ErrWrong = errors.New("name or password is wrong")

// ErrBusy is returned when too many passwords wait to be hashed.
var ErrBusy = errors.New("too many people sign in at this moment")

// WaitError is returned instead of looking at an attempt.
type WaitError struct{ For time.Duration }

func (e *WaitError) Error() string {
	return fmt.Sprintf("too many failed attempts: wait %s", e.For.Round(time.Second))
}

// Refused names a field of a form that is no good, and what to do. It never
// holds what was written: that may be a password.
type Refused struct{ Field, Fix string }

func (e *Refused) Error() string { return e.Field + ": " + e.Fix }

// Door lets people and programs in. It is safe for concurrent use.
type Door struct {
	store  Store
	now    func() time.Time
	hasher *hasher
	tries  throttle
	any    atomic.Bool // there is an account; it can't be the last with role run that goes

	mu      sync.Mutex
	first   *firstCode
	noted   *rate.Limiter
	unnoted int // failures since the last that was noted
}

// New makes a door over store; now is the collector's clock.
func New(store Store, now func() time.Time) *Door {
	return &Door{
		store: store, now: now, hasher: newHasher(current),
		tries: throttle{entries: make(map[string]tries)},
		noted: rate.NewLimiter(rate.Every(noteEvery), failuresNoted),
	}
}

// Now is the clock by which sessions and tokens end.
func (d *Door) Now() unit.Instant { return unit.At(d.now()) }

func since(now unit.Instant, age time.Duration) unit.Instant { return now.Add(-age) }

// hashOf is what is kept of a secret.
func hashOf(secret string) []byte {
	sum := sha256.Sum256([]byte(secret))
	return sum[:]
}

// From is where an attempt comes from. Addr is the zero value where the
// address says nothing of the person. Browser is the cookie of a known browser,
// if there is one.
type From struct {
	Addr    netip.Addr
	Browser string
}

func (f From) String() string {
	if !f.Addr.IsValid() {
		return ""
	}
	return "from " + f.Addr.String()
}

// addrKey is the address, of IPv6 the /64 that one customer has at least.
func (f From) addrKey() []string {
	if !f.Addr.IsValid() {
		return nil
	}
	addr := f.Addr.Unmap().WithZone("")
	if addr.Is6() {
		if p, err := addr.Prefix(64); err == nil {
			addr = p.Addr()
		}
	}
	return []string{"address " + addr.String()}
}

// Entry is what a browser gets at a sign-in: secrets for its cookies. Browser is
// "" if it has one already.
type Entry struct{ Session, Browser string }

// HasAccounts tells whether there is any account. Once there is one there
// always is: the last with role run can't be removed.
func (d *Door) HasAccounts(ctx context.Context) (bool, error) {
	if d.any.Load() {
		return true, nil
	}
	there, err := d.store.HasAccounts(ctx)
	if there {
		d.any.Store(true)
		d.dropFirst()
	}
	return there, err
}

// SignIn checks a name and a password: ErrWrong, *WaitError, or the secrets of a
// new session.
func (d *Door) SignIn(ctx context.Context, from From, name, password string) (Entry, error) {
	name = strings.TrimSpace(name)
	keys, known, err := d.keys(ctx, from, name)
	if err != nil {
		return Entry{}, err
	}
	if wait := d.tries.admit(d.now(), keys...); wait > 0 {
		return Entry{}, d.noteFailure(ctx, from, name, "sign-in put off", &WaitError{wait})
	}
	account, outdated, err := d.verify(ctx, d.hasher.line(known), name, password)
	if errors.Is(err, ErrWrong) {
		return Entry{}, d.noteFailure(ctx, from, name, "sign-in refused", err)
	}
	if err != nil {
		d.tries.undone(keys...)
		return Entry{}, err
	}
	entry, err := d.enter(ctx, from, account, password, outdated, known)
	if err != nil {
		d.tries.undone(keys...)
		return Entry{}, err
	}
	d.tries.passed(keys[0], keys[1:]...)
	return entry, nil
}

// keys are what an attempt is counted by.
func (d *Door) keys(ctx context.Context, from From, name string) (keys []string, known bool, err error) {
	if from.Browser != "" {
		hash := hashOf(from.Browser)
		known, err := d.store.KnowsBrowser(ctx, hash, name, since(d.Now(), BrowserLife))
		if err != nil || known {
			return []string{"browser " + string(hash)}, known, err
		}
	}
	// A hash, so that a long name takes no more room than a short one.
	return append([]string{"name " + string(hashOf(record.NameKey(name)))}, from.addrKey()...), false, nil
}

// verify returns the account if the password is its own, or else ErrWrong.
func (d *Door) verify(ctx context.Context, line chan struct{}, name, password string) (a record.Account, outdated bool, err error) {
	a, err = d.store.Account(ctx, name)
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		return a, false, err
	}
	if len(password) > passwordMost {
		password = "" // nobody has it, and it takes as long
	}
	ok, outdated, err := d.hasher.check(ctx, line, a.Hash, password)
	if err != nil {
		return a, false, err
	}
	if !ok {
		return a, false, ErrWrong
	}
	return a, outdated, nil
}

// enter begins a session of an account whose password was just checked.
func (d *Door) enter(ctx context.Context, from From, a record.Account, password string, outdated, known bool) (Entry, error) {
	now := d.Now()
	entry := Entry{Session: rand.Text()}
	si := record.SignIn{
		Account: a.Name, Checked: a.Hash, Session: hashOf(entry.Session), At: now, From: from.String(),
		MadeAfter: since(now, SessionLife), UsedAfter: since(now, SessionIdle),
	}
	if !known {
		entry.Browser = rand.Text()
		si.Browser = hashOf(entry.Browser)
	}
	if outdated {
		var err error
		if si.Rehashed, err = d.hasher.hash(ctx, password); err != nil {
			return Entry{}, err
		}
	}
	if err := d.store.AddSession(ctx, si); errors.Is(err, record.ErrNotFound) {
		return Entry{}, ErrWrong // changed or removed in this moment
	} else if err != nil {
		return Entry{}, err
	}
	return entry, nil
}

// noteFailure notes a failed attempt in the audit trail, unless there are many.
// A name that nobody has is left out: some write their password there. It
// returns why, unless it can't be noted.
func (d *Door) noteFailure(ctx context.Context, from From, name, action string, why error) error {
	d.mu.Lock()
	if !d.noted.AllowN(d.now(), 1) {
		d.unnoted++
		d.mu.Unlock()
		return why
	}
	more := d.unnoted
	d.unnoted = 0
	d.mu.Unlock()
	object := "a name that nobody has"
	switch a, err := d.store.Account(ctx, name); {
	case err == nil:
		object = a.Name
	case !errors.Is(err, record.ErrNotFound):
		return err
	}
	if from.Addr.IsValid() {
		object += ", " + from.String()
	}
	if more > 0 {
		object += fmt.Sprintf(", and %d more before", more)
	}
	if err := d.store.Note(ctx, d.Now(), "", action, object); err != nil {
		return err
	}
	return why
}

// Session returns the session that a cookie stands for, or record.ErrNotFound.
func (d *Door) Session(ctx context.Context, secret string) (record.Session, error) {
	hash := hashOf(secret)
	s, err := d.store.Session(ctx, hash)
	if err != nil {
		return s, err
	}
	now := d.Now()
	if s.Made < since(now, SessionLife) || s.Used < since(now, SessionIdle) {
		return record.Session{}, record.ErrNotFound
	}
	if s.Used < since(now, usedEvery) {
		// A full disk shuts nobody out who is in: he is only asked again sooner.
		_ = d.store.UseSession(ctx, hash, now)
	}
	return s, nil
}

// SignOut ends a session.
func (d *Door) SignOut(ctx context.Context, secret string) error {
	return d.store.EndSession(ctx, hashOf(secret), d.Now())
}

// Token returns the token that is presented, or record.ErrNotFound.
func (d *Door) Token(ctx context.Context, secret string) (record.Token, error) {
	if !strings.HasPrefix(secret, TokenPrefix) {
		return record.Token{}, record.ErrNotFound
	}
	hash := hashOf(secret)
	k, err := d.store.Token(ctx, hash)
	if err != nil {
		return k, err
	}
	now := d.Now()
	if k.Expires <= now {
		return record.Token{}, record.ErrNotFound
	}
	if k.Used < since(now, usedEvery) {
		_ = d.store.UseToken(ctx, hash, now) // as with sessions
	}
	return k, nil
}

// AddToken makes a token and returns its secret, which nobody can see again.
func (d *Door) AddToken(ctx context.Context, name string, role record.Role, life time.Duration, author string) (string, error) {
	name, err := checkName(name)
	if err != nil {
		return "", err
	}
	if life <= 0 || life > TokenLifeMost {
		return "", &Refused{Field: "expires", Fix: fmt.Sprintf("use more than 0 and at most %d days", TokenLifeMost/(24*time.Hour))}
	}
	secret := TokenPrefix + rand.Text()
	now := d.Now()
	err = d.store.AddToken(ctx, record.Token{Name: name, Role: role, Author: author, Made: now, Expires: now.Add(life)}, hashOf(secret))
	return secret, taken(err)
}

// Tokens returns all tokens.
func (d *Door) Tokens(ctx context.Context) ([]record.Token, error) { return d.store.Tokens(ctx) }

// RemoveToken removes a token.
func (d *Door) RemoveToken(ctx context.Context, name, author string) error {
	return d.store.RemoveToken(ctx, strings.TrimSpace(name), d.Now(), author)
}

// Accounts returns all accounts.
func (d *Door) Accounts(ctx context.Context) ([]record.Account, error) { return d.store.Accounts(ctx) }

// AddAccount adds an account.
func (d *Door) AddAccount(ctx context.Context, name string, role record.Role, password, author string) error {
	return d.addAccount(ctx, name, role, password, author, false)
}

func (d *Door) addAccount(ctx context.Context, name string, role record.Role, password, author string, first bool) error {
	name, err := checkName(name)
	if err != nil {
		return err
	}
	if err := checkPassword(name, password); err != nil {
		return err
	}
	hash, err := d.hasher.hash(ctx, password)
	if err != nil {
		return err
	}
	if author == "" {
		author = name
	}
	a := record.Account{Name: name, Role: role, Hash: hash, Made: d.Now()}
	err = d.store.AddAccount(ctx, a, first, author)
	if first && errors.Is(err, record.ErrTaken) {
		return ErrWrong // another was quicker, and the code is dead
	}
	return taken(err)
}

// taken makes the field's error of record.ErrTaken.
func taken(err error) error {
	if errors.Is(err, record.ErrTaken) {
		return &Refused{Field: "name", Fix: "choose another: there is one of that name"}
	}
	return err
}

// SetPassword gives an account another password.
func (d *Door) SetPassword(ctx context.Context, name, password, author string) error {
	a, err := d.store.Account(ctx, name)
	if err != nil {
		return err
	}
	return d.setPassword(ctx, a.Name, password, "", author)
}

func (d *Door) setPassword(ctx context.Context, name, password, instead, author string) error {
	if err := checkPassword(name, password); err != nil {
		return err
	}
	hash, err := d.hasher.hash(ctx, password)
	if err != nil {
		return err
	}
	return d.store.SetPassword(ctx, name, hash, instead, d.Now(), author)
}

// ChangePassword lets the owner of an account change its password, who must
// know the present one, and signs that browser in anew.
func (d *Door) ChangePassword(ctx context.Context, from From, name, present, password string) (Entry, error) {
	keys := []string{"change " + string(hashOf(record.NameKey(name)))}
	if wait := d.tries.admit(d.now(), keys...); wait > 0 {
		return Entry{}, &WaitError{wait}
	}
	a, _, err := d.verify(ctx, d.hasher.known, name, present)
	if errors.Is(err, ErrWrong) {
		return Entry{}, err
	}
	if err != nil {
		d.tries.undone(keys...)
		return Entry{}, err
	}
	d.tries.passed(keys[0])
	err = d.setPassword(ctx, a.Name, password, a.Hash, a.Name)
	if errors.Is(err, record.ErrNotFound) {
		return Entry{}, ErrWrong // changed or removed in this moment
	}
	if err != nil {
		return Entry{}, err
	}
	if a, err = d.store.Account(ctx, name); err != nil {
		return Entry{}, err
	}
	return d.enter(ctx, from, a, password, false, false)
}

// SetRole gives an account another role.
func (d *Door) SetRole(ctx context.Context, name string, role record.Role, author string) error {
	return d.store.SetRole(ctx, name, role, d.Now(), author)
}

// RemoveAccount removes an account.
func (d *Door) RemoveAccount(ctx context.Context, name, author string) error {
	return d.store.RemoveAccount(ctx, name, d.Now(), author)
}

// SetReads keeps how an account's person reads pages, in words of the pages' own.
func (d *Door) SetReads(ctx context.Context, name, reads string) error {
	return d.store.SetReads(ctx, name, reads)
}

// Audit returns who did what, newest first, and where the rest begins.
func (d *Door) Audit(ctx context.Context, behind record.DeedPlace, limit int) ([]record.Deed, *record.DeedPlace, error) {
	return d.store.Audit(ctx, behind, limit)
}

// checkName returns a name as it is kept. Letters with accents must be written
// as one character, as keyboards do: then one name has one spelling, but for
// case.
func checkName(name string) (string, error) {
	name = strings.TrimSpace(name)
	refuse := func(fix string) (string, error) { return "", &Refused{Field: "name", Fix: fix} }
	switch n := utf8.RuneCountInString(name); {
	case n == 0:
		return refuse("write one")
	case n > nameMost:
		return refuse(fmt.Sprintf("use at most %d characters", nameMost))
	case strings.Contains(name, "  "):
		return refuse("use single spaces")
	}
	for _, r := range name {
		if !isLetterOrDigit(r) && !strings.ContainsRune(" .-_'", r) {
			return refuse("use letters, digits, spaces and . - _ '")
		}
	}
	if !strings.ContainsFunc(name, isLetterOrDigit) {
		return refuse("use at least one letter or digit")
	}
	return name, nil
}

func isLetterOrDigit(r rune) bool {
	return r != utf8.RuneError && (unicode.IsLetter(r) || '0' <= r && r <= '9')
}
