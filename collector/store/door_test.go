package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// doorStorage is what the door keeps.
type doorStorage interface {
	HasAccounts(ctx context.Context) (bool, error)
	Accounts(ctx context.Context) ([]record.Account, error)
	Account(ctx context.Context, name string) (record.Account, error)
	AddAccount(ctx context.Context, a record.Account, first bool, author string) error
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

func account(name string, role record.Role) record.Account {
	return record.Account{Name: name, Role: role, Hash: "hash of " + name, Made: t0}
}

// deeds reads the whole trail, oldest first, as sentences.
func deeds(t *testing.T, s storage) (all []string) {
	t.Helper()
	list, next, err := s.Audit(t.Context(), record.DeedPlace{}, 1000)
	require.NoError(t, err)
	require.Nil(t, next)
	for _, d := range list {
		all = append(all, d.Author+": "+d.Action+": "+d.Object)
	}
	slices.Reverse(all)
	return all
}

func testAccounts(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t)
	there, err := s.HasAccounts(ctx)
	require.NoError(t, err)
	require.False(t, there)
	require.NoError(t, s.AddAccount(ctx, account("Åsa", record.Run), true, "Åsa"))
	there, err = s.HasAccounts(ctx)
	require.NoError(t, err)
	require.True(t, there)
	require.ErrorIs(t, s.AddAccount(ctx, account("Ben", record.Run), true, "x"), record.ErrTaken, "only the first is the first")
	require.NoError(t, s.AddAccount(ctx, account("ben", record.Look), false, "Åsa"))
	require.ErrorIs(t, s.AddAccount(ctx, account("BEN", record.Look), false, "Åsa"), record.ErrTaken)
	require.ErrorIs(t, s.AddAccount(ctx, account("åsa", record.Look), false, "Åsa"), record.ErrTaken)

	got, err := s.Account(ctx, "ÅSA")
	require.NoError(t, err)
	require.Equal(t, account("Åsa", record.Run), got)
	_, err = s.Account(ctx, "Carl")
	require.ErrorIs(t, err, record.ErrNotFound)

	require.ErrorIs(t, s.SetRole(ctx, "åsa", record.Work, t0, "Åsa"), record.ErrLastRun)
	require.ErrorIs(t, s.RemoveAccount(ctx, "åsa", t0, "Åsa"), record.ErrLastRun)
	require.NoError(t, s.SetRole(ctx, "Ben", record.Run, t0, "Åsa"))
	require.NoError(t, s.SetPassword(ctx, "Ben", "another", "hash of ben", t0, "Ben"))
	require.ErrorIs(t, s.SetPassword(ctx, "Ben", "a third", "hash of ben", t0, "Ben"), record.ErrNotFound, "it has another by now")
	require.NoError(t, s.RemoveAccount(ctx, "åsa", t0, "Ben"))
	require.ErrorIs(t, s.RemoveAccount(ctx, "Åsa", t0, "Ben"), record.ErrNotFound)
	require.ErrorIs(t, s.SetRole(ctx, "Åsa", record.Look, t0, "Ben"), record.ErrNotFound)
	require.ErrorIs(t, s.SetPassword(ctx, "Åsa", "x", "", t0, "Ben"), record.ErrNotFound)
	list, err := s.Accounts(ctx)
	require.NoError(t, err)
	require.Equal(t, []record.Account{{Name: "ben", Role: record.Run, Hash: "another", Made: t0}}, list)
	require.Equal(t, []string{
		"Åsa: add account: Åsa, role run", "Åsa: add account: ben, role look",
		"Åsa: set role: ben, run", "Ben: set password: ben", "Ben: remove account: Åsa",
	}, deeds(t, s), "what was refused is not in the trail")
}

func signIn(name, session, browser string, at unit.Instant) record.SignIn {
	si := record.SignIn{Account: name, Checked: "hash of " + name, Session: []byte(session), At: at, From: "from here", MadeAfter: t0.Add(-time.Hour), UsedAfter: t0.Add(-time.Hour)}
	if browser != "" {
		si.Browser = []byte(browser)
	}
	return si
}

// What changes an account ends its sessions, and nobody else's.
func testSessions(t *testing.T, e engine) {
	ctx := t.Context()
	alive := func(s storage, session string) bool {
		_, err := s.Session(ctx, []byte(session))
		if err != nil {
			require.ErrorIs(t, err, record.ErrNotFound)
		}
		return err == nil
	}
	for name, end := range map[string]func(s storage) error{
		"password": func(s storage) error { return s.SetPassword(ctx, "ann", "new", "", t0, "x") },
		"role":     func(s storage) error { return s.SetRole(ctx, "ann", record.Work, t0, "x") },
		"removal":  func(s storage) error { return s.RemoveAccount(ctx, "ann", t0, "x") },
		"sign out": func(s storage) error { return s.EndSession(ctx, []byte("s1"), t0) },
	} {
		s := e.new(t)
		require.NoError(t, s.AddAccount(ctx, account("bea", record.Run), false, "x"))
		require.NoError(t, s.AddAccount(ctx, account("ann", record.Look), false, "x"))
		require.NoError(t, s.AddSession(ctx, signIn("ann", "s1", "b1", t0)))
		require.NoError(t, s.AddSession(ctx, signIn("ann", "s2", "", t0.Add(time.Minute))))
		require.NoError(t, s.AddSession(ctx, signIn("bea", "other", "", t0)))
		got, err := s.Session(ctx, []byte("s1"))
		require.NoError(t, err)
		require.Equal(t, record.Session{Account: "ann", Role: record.Look, Made: t0, Used: t0}, got)
		require.NoError(t, s.UseSession(ctx, []byte("s1"), t0.Add(5*time.Minute)))
		got, err = s.Session(ctx, []byte("s1"))
		require.NoError(t, err)
		require.Equal(t, t0.Add(5*time.Minute), got.Used)

		require.NoError(t, end(s), name)
		require.False(t, alive(s, "s1"), name)
		require.Equal(t, name == "sign out", alive(s, "s2"), name)
		require.True(t, alive(s, "other"), name)
		known, err := s.KnowsBrowser(ctx, []byte("b1"), "Ann", t0)
		require.NoError(t, err)
		require.Equal(t, name == "sign out" || name == "role", known, name)
	}

	s := e.new(t)
	require.NoError(t, s.AddAccount(ctx, account("ann", record.Run), false, "x"))
	si := signIn("ann", "s1", "b1", t0)
	si.Checked = "another hash"
	require.ErrorIs(t, s.AddSession(ctx, si), record.ErrNotFound, "the password changed while it was checked")
	si = signIn("ann", "s1", "b1", t0)
	si.Rehashed = "stronger"
	require.NoError(t, s.AddSession(ctx, si))
	a, err := s.Account(ctx, "ann")
	require.NoError(t, err)
	require.Equal(t, "stronger", a.Hash)
	require.Equal(t, t0, a.LastIn)
	for account, since := range map[string]unit.Instant{"bea": t0, "ann": t0 + 1} {
		known, err := s.KnowsBrowser(ctx, []byte("b1"), account, since)
		require.NoError(t, err)
		require.False(t, known)
	}
	require.NoError(t, s.EndSession(ctx, []byte("nobody's"), t0))
}

func testSessionsStayFew(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t)
	require.NoError(t, s.AddAccount(ctx, account("ann", record.Run), false, "x"))
	require.NoError(t, s.AddAccount(ctx, account("bea", record.Run), false, "x"))
	require.NoError(t, s.AddSession(ctx, signIn("bea", "bea's", "bea's", t0)))
	for i := range sessionsKept + 10 {
		name := fmt.Sprint(i)
		require.NoError(t, s.AddSession(ctx, signIn("ann", name, name, t0.Add(time.Duration(i)))))
	}
	sessions, browsers := 0, 0
	for i := range sessionsKept + 10 {
		if _, err := s.Session(ctx, []byte(fmt.Sprint(i))); err == nil {
			require.GreaterOrEqual(t, i, 10, "the oldest go")
			sessions++
		}
		known, err := s.KnowsBrowser(ctx, []byte(fmt.Sprint(i)), "ann", t0)
		require.NoError(t, err)
		if known {
			browsers++
		}
	}
	require.Equal(t, sessionsKept, sessions)
	require.Equal(t, browsersKept, browsers)
	_, err := s.Session(ctx, []byte("bea's"))
	require.NoError(t, err)

	// A sign-in of anybody clears away what is over.
	si := signIn("ann", "late", "", t0.Add(time.Hour))
	si.UsedAfter = t0.Add(time.Second)
	require.NoError(t, s.AddSession(ctx, si))
	_, err = s.Session(ctx, []byte("bea's"))
	require.ErrorIs(t, err, record.ErrNotFound)
}

func testTokens(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t)
	k := record.Token{Name: "Wall", Role: record.Look, Author: "ann", Made: t0, Expires: t0.Add(time.Hour)}
	require.NoError(t, s.AddToken(ctx, k, []byte("h1")))
	other := k
	other.Name = "wall"
	require.ErrorIs(t, s.AddToken(ctx, other, []byte("h2")), record.ErrTaken)
	got, err := s.Token(ctx, []byte("h1"))
	require.NoError(t, err)
	require.Equal(t, k, got)
	_, err = s.Token(ctx, []byte("h2"))
	require.ErrorIs(t, err, record.ErrNotFound)
	require.NoError(t, s.UseToken(ctx, []byte("h1"), t0.Add(time.Minute)))
	k.Used = t0.Add(time.Minute)
	list, err := s.Tokens(ctx)
	require.NoError(t, err)
	require.Equal(t, []record.Token{k}, list)
	require.NoError(t, s.RemoveToken(ctx, "WALL", t0, "bea"))
	_, err = s.Token(ctx, []byte("h1"))
	require.ErrorIs(t, err, record.ErrNotFound)
	require.ErrorIs(t, s.RemoveToken(ctx, "wall", t0, "bea"), record.ErrNotFound)
	require.Equal(t, []string{"ann: add token: Wall, role look", "bea: revoke token: Wall"}, deeds(t, s))
}

// What somebody made who may do less now, or nothing, does no more either.
func testTokensOfAnAccount(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t)
	for _, name := range []string{"Ann", "Bea"} {
		require.NoError(t, s.AddAccount(ctx, record.Account{Name: name, Role: record.Run, Hash: "h", Made: t0}, false, "test"))
		for role := record.Look; role <= record.Run; role++ {
			k := record.Token{Name: name + " " + role.String(), Role: role, Author: name, Made: t0, Expires: t0.Add(time.Hour)}
			require.NoError(t, s.AddToken(ctx, k, []byte(k.Name)))
		}
	}
	names := func() (list []string) {
		tokens, err := s.Tokens(ctx)
		require.NoError(t, err)
		for _, k := range tokens {
			list = append(list, k.Name)
		}
		return list
	}
	require.NoError(t, s.SetRole(ctx, "ann", record.Work, t0, "Bea"))
	require.Equal(t, []string{"Ann look", "Ann work", "Bea look", "Bea run", "Bea work"}, names())
	require.NoError(t, s.RemoveAccount(ctx, "ann", t0, "Bea"))
	require.Equal(t, []string{"Bea look", "Bea run", "Bea work"}, names())
}

func init() {
	also("TokensOfAnAccount", testTokensOfAnAccount)
	also("HowAPersonReads", testHowAPersonReads)
}

// How a person reads stands with the account, and ends no session.
func testHowAPersonReads(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t)
	require.NoError(t, s.AddAccount(ctx, account("Åsa", record.Run), false, "x"))
	require.NoError(t, s.AddSession(ctx, signIn("Åsa", "s1", "", t0)))
	require.NoError(t, s.SetReads(ctx, "åsa", "language=de"))
	got, err := s.Session(ctx, []byte("s1"))
	require.NoError(t, err)
	require.Equal(t, "language=de", got.Reads)
	require.ErrorIs(t, s.SetReads(ctx, "Ben", ""), record.ErrNotFound)
}

// Facts and other deeds come in one order, newest first, whatever the size of
// the pages.
func testAudit(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t, "a")
	seed := rand.Uint64()
	t.Log("seed", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for i := range 60 {
		at := t0.Add(time.Duration(rng.IntN(10)) * time.Second) // many of one instant
		if rng.IntN(2) == 0 {
			f := stationFact("a", fact.Spot, fact.Always, fmt.Sprint("spot ", i))
			f.Recorded = at
			require.NoError(t, s.AddFacts(ctx, []fact.Fact{f}))
		} else {
			require.NoError(t, s.Note(ctx, at, "ann", "note", fmt.Sprint(i)))
		}
	}
	all, next, err := s.Audit(ctx, record.DeedPlace{}, 1000)
	require.NoError(t, err)
	require.Nil(t, next)
	require.Len(t, all, 61, "enrolling included")
	require.True(t, slices.IsSortedFunc(all, func(a, b record.Deed) int { return int(b.At - a.At) }))
	facts := 0
	for _, d := range all {
		if d.Action == "fact" {
			facts++
			require.Contains(t, d.Object, "station a, spot = spot ")
			require.Equal(t, "test", d.Author)
		}
	}
	require.Positive(t, facts)
	for _, limit := range []int{1, 2, 7, 30, 60, 61} {
		var got []record.Deed
		for behind, pages := (record.DeedPlace{}), 0; ; pages++ {
			page, next, err := s.Audit(ctx, behind, limit)
			require.NoError(t, err)
			require.LessOrEqual(t, len(page), limit)
			require.Less(t, pages, 70)
			got = append(got, page...)
			if next == nil {
				break
			}
			behind = *next
		}
		require.Equal(t, all, got, "pages of %d", limit)
	}
}

// Where the trail can't be written, nothing is done.
func testDoorIsAtomic(t *testing.T, e engine) {
	ctx := t.Context()
	where := e.fresh(t)
	s := e.openAt(t, where)
	require.NoError(t, s.AddAccount(ctx, account("ann", record.Run), false, "x"))
	require.NoError(t, s.AddSession(ctx, signIn("ann", "s1", "", t0)))
	require.NoError(t, s.AddToken(ctx, record.Token{Name: "wall", Role: record.Look, Made: t0, Expires: t0 + 1}, []byte("h1")))
	state := func() string {
		accounts, err := s.Accounts(ctx)
		require.NoError(t, err)
		tokens, err := s.Tokens(ctx)
		require.NoError(t, err)
		_, err1 := s.Session(ctx, []byte("s1"))
		_, err2 := s.Session(ctx, []byte("s2"))
		return fmt.Sprint(accounts, tokens, err1, err2, deeds(t, s))
	}
	before := state()
	db := e.raw(t, where)
	exec(t, db, fmt.Sprintf(e.breakInserts, "audit"))
	for name, do := range map[string]func() error{
		"add":      func() error { return s.AddAccount(ctx, account("bea", record.Run), false, "x") },
		"password": func() error { return s.SetPassword(ctx, "ann", "new", "", t0, "x") },
		"role":     func() error { return s.SetRole(ctx, "ann", record.Run, t0, "x") },
		"remove":   func() error { return s.RemoveAccount(ctx, "ann", t0, "x") },
		"sign in":  func() error { return s.AddSession(ctx, signIn("ann", "s2", "b2", t0)) },
		"sign out": func() error { return s.EndSession(ctx, []byte("s1"), t0) },
		"token":    func() error { return s.AddToken(ctx, record.Token{Name: "b", Role: record.Look}, []byte("h2")) },
		"revoke":   func() error { return s.RemoveToken(ctx, "wall", t0, "x") },
		"note":     func() error { return s.Note(ctx, t0, "x", "y", "z") },
	} {
		require.Error(t, do(), name)
		require.Equal(t, before, state(), name)
	}
	exec(t, db, e.repair)
	require.NoError(t, s.EndSession(ctx, []byte("s1"), t0))
}
