package door

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// lodge is a door with a clock of its own, over a real store.
type lodge struct {
	*Door
	t     *testing.T
	store *store.Store
	dir   string
	at    time.Time
}

func newLodge(t *testing.T) *lodge {
	t.Helper()
	dir := t.TempDir()
	st, err := store.Open(t.Context(), blank.In(t, dir))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, st.Close()) })
	l := &lodge{t: t, store: st, dir: dir, at: noon}
	l.Door = New(st, func() time.Time { return l.at })
	l.hasher = newHasher(cheap)
	return l
}

const (
	anns = "ann's password"
	bens = "ben's password"
)

func (l *lodge) withPeople() *lodge {
	l.t.Helper()
	require.NoError(l.t, l.AddAccount(l.t.Context(), "Ann", record.Run, anns, ""))
	require.NoError(l.t, l.AddAccount(l.t.Context(), "Ben", record.Look, bens, "Ann"))
	return l
}

func at(addr string) From { return From{Addr: netip.MustParseAddr(addr)} }

func (l *lodge) signIn(from From, name, password string) (Entry, error) {
	return l.SignIn(l.t.Context(), from, name, password)
}

func (l *lodge) alive(secret string) bool {
	l.t.Helper()
	_, err := l.Session(l.t.Context(), secret)
	if err != nil {
		require.ErrorIs(l.t, err, record.ErrNotFound)
	}
	return err == nil
}

// trail returns the newest entries of the audit trail, newest first.
func (l *lodge) trail(n int) (all []string) {
	l.t.Helper()
	deeds, _, err := l.Audit(l.t.Context(), record.DeedPlace{}, n)
	require.NoError(l.t, err)
	for _, d := range deeds {
		all = append(all, d.Author+": "+d.Action+": "+d.Object)
	}
	return all
}

func TestSignInAndOut(t *testing.T) {
	l := newLodge(t).withPeople()
	e, err := l.signIn(at("192.0.2.7"), " bEN ", bens)
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(e.Session), 26, "130 bits, 5 a character")
	require.GreaterOrEqual(t, len(e.Browser), 26)
	s, err := l.Session(t.Context(), e.Session)
	require.NoError(t, err)
	require.Equal(t, "Ben", s.Account)
	require.Equal(t, record.Look, s.Role)
	require.Equal(t, []string{"Ben: sign in: from 192.0.2.7"}, l.trail(1))

	again, err := l.signIn(From{Browser: e.Browser}, "Ben", bens)
	require.NoError(t, err)
	require.Empty(t, again.Browser, "it is known already")
	require.NotEqual(t, e.Session, again.Session)

	require.NoError(t, l.SignOut(t.Context(), e.Session))
	require.False(t, l.alive(e.Session))
	require.True(t, l.alive(again.Session))
	for _, forged := range []string{"", "x", e.Browser, again.Session + "A", strings.ToLower(again.Session)} {
		require.False(t, l.alive(forged))
	}
	for _, wrong := range [][2]string{{"Ben", anns}, {"Ben", ""}, {"Carl", bens}, {"", ""}, {"Ben", strings.Repeat("x", 1<<20)}, {"Ben\x00", bens}} {
		l.at = l.at.Add(forgetAfter)
		e, err := l.signIn(From{}, wrong[0], wrong[1])
		require.ErrorIs(t, err, ErrWrong)
		require.Empty(t, e)
	}
}

func TestNothingSecretIsStored(t *testing.T) {
	l := newLodge(t).withPeople()
	e, err := l.signIn(From{}, "Ann", anns)
	require.NoError(t, err)
	token, err := l.AddToken(t.Context(), "wall", record.Look, time.Hour, "Ann")
	require.NoError(t, err)
	_, err = l.signIn(From{}, "my own password", "x")
	require.ErrorIs(t, err, ErrWrong)
	path := filepath.Join(t.TempDir(), "first")
	other := newLodge(t)
	_, err = other.PrepareFirst(t.Context(), path)
	require.NoError(t, err)
	code, err := os.ReadFile(path)
	require.NoError(t, err)
	for _, from := range []*lodge{l, other} {
		files, err := filepath.Glob(filepath.Join(from.dir, "dewpost.db*"))
		require.NoError(t, err)
		require.NotEmpty(t, files)
		for _, f := range files {
			body, err := os.ReadFile(f)
			require.NoError(t, err)
			for _, secret := range []string{anns, bens, e.Session, e.Browser, token, strings.TrimPrefix(token, TokenPrefix), "my own password", strings.TrimSpace(string(code))} {
				require.NotContains(t, string(body), secret, f)
			}
		}
	}
}

func TestSessionsEndInTime(t *testing.T) {
	l := newLodge(t).withPeople()
	e, err := l.signIn(From{}, "Ann", anns)
	require.NoError(t, err)
	l.at = l.at.Add(SessionIdle)
	require.True(t, l.alive(e.Session))
	l.at = l.at.Add(SessionIdle + time.Second)
	require.False(t, l.alive(e.Session), "unused")

	e, err = l.signIn(From{}, "Ann", anns)
	require.NoError(t, err)
	began := l.at
	for l.alive(e.Session) && l.at.Sub(began) < 2*SessionLife {
		l.at = l.at.Add(time.Hour)
	}
	require.Equal(t, SessionLife+time.Hour, l.at.Sub(began), "used all the time")
}

func TestSessionsEndAtOnce(t *testing.T) {
	for name, change := range map[string]func(*lodge) error{
		"password": func(l *lodge) error { return l.SetPassword(l.t.Context(), "ben", "another password", "Ann") },
		"role":     func(l *lodge) error { return l.SetRole(l.t.Context(), "ben", record.Work, "Ann") },
		"removal":  func(l *lodge) error { return l.RemoveAccount(l.t.Context(), "ben", "Ann") },
	} {
		l := newLodge(t).withPeople()
		ann, err := l.signIn(From{}, "Ann", anns)
		require.NoError(t, err)
		ben, err := l.signIn(From{}, "Ben", bens)
		require.NoError(t, err)
		require.NoError(t, change(l), name)
		require.False(t, l.alive(ben.Session), name)
		require.True(t, l.alive(ann.Session), name)
	}

	l := newLodge(t).withPeople()
	first, err := l.signIn(From{}, "Ben", bens)
	require.NoError(t, err)
	_, err = l.ChangePassword(t.Context(), From{}, "Ben", anns, "another password")
	require.ErrorIs(t, err, ErrWrong)
	var refused *Refused
	_, err = l.ChangePassword(t.Context(), From{}, "Ben", bens, "short")
	require.ErrorAs(t, err, &refused)
	require.True(t, l.alive(first.Session))
	fresh, err := l.ChangePassword(t.Context(), From{}, "Ben", bens, "another password")
	require.NoError(t, err)
	require.False(t, l.alive(first.Session))
	require.True(t, l.alive(fresh.Session))
	_, err = l.signIn(From{}, "Ben", bens)
	require.ErrorIs(t, err, ErrWrong)
}

// Somebody guesses at Ben's password from everywhere and without end; Ben signs
// in all the same in the browser in which he once did, and the guesser gets
// what the throttle gives him.
func TestOwnerIsNeverLockedOut(t *testing.T) {
	l := newLodge(t).withPeople()
	e, err := l.signIn(at("192.0.2.7"), "Ben", bens)
	require.NoError(t, err)
	guesses := 0
	for i := range 5000 {
		l.at = l.at.Add(time.Second)
		_, err := l.signIn(at(fmt.Sprintf("2001:db8:%x::1", i)), "ben", fmt.Sprint("guess ", i))
		var wait *WaitError
		switch {
		case err == nil:
			t.Fatal("guessed")
		case !errors.As(err, &wait):
			require.ErrorIs(t, err, ErrWrong)
			guesses++
		default:
			require.LessOrEqual(t, wait.For, delayMost)
		}
		if i%500 == 0 {
			own, err := l.signIn(From{Addr: netip.MustParseAddr("203.0.113.9"), Browser: e.Browser}, "Ben", bens)
			require.NoError(t, err, "from another address, the delay notwithstanding")
			require.True(t, l.alive(own.Session))
		}
	}
	require.LessOrEqual(t, guesses, 30, "in %s", 5000*time.Second)

	// The cookie of a known browser is no way round: it has a count of its own,
	// and is good for its own account only.
	l.at = l.at.Add(24 * time.Hour)
	guesses = 0
	for i := range 100 {
		_, err := l.signIn(From{Browser: e.Browser}, "Ben", fmt.Sprint("guess ", i))
		if !errors.As(err, new(*WaitError)) {
			guesses++
		}
	}
	require.Equal(t, freeTries+1, guesses)
	_, err = l.signIn(From{Browser: e.Browser}, "Ben", bens)
	require.ErrorAs(t, err, new(*WaitError))
	for range freeTries + 1 {
		_, err = l.signIn(From{Browser: e.Browser}, "Ann", "guess")
		require.ErrorIs(t, err, ErrWrong)
	}
	_, err = l.signIn(From{Browser: "forged"}, "Ann", "guess")
	require.ErrorAs(t, err, new(*WaitError), "counted by name, whatever the cookie says")
}

// One address that guesses at many names is slowed, and with it the rest of its
// /64; others are not.
// Strangers in any number, each with another name, keep the line for hashing
// full. Whoever is known or signed in doesn't stand in it.
func TestStrangersDontFillTheLine(t *testing.T) {
	l := newLodge(t).withPeople()
	e, err := l.signIn(From{}, "Ben", bens)
	require.NoError(t, err)
	for range lineLength {
		l.hasher.strangers <- struct{}{}
	}
	_, err = l.signIn(From{}, "Ben", bens)
	require.ErrorIs(t, err, ErrBusy)
	_, err = l.signIn(From{Browser: e.Browser}, "Ben", bens)
	require.NoError(t, err)
	_, err = l.ChangePassword(t.Context(), From{}, "Ben", bens, "another password")
	require.NoError(t, err)
	require.NoError(t, l.AddAccount(t.Context(), "Carl", record.Look, "carl has a password", "Ann"))
}

func TestAddressesAreCounted(t *testing.T) {
	l := newLodge(t).withPeople()
	for i := range freeTries + 1 {
		_, err := l.signIn(at("2001:db8::1"), fmt.Sprint("name", i), "guess")
		require.ErrorIs(t, err, ErrWrong)
	}
	for _, same := range []string{"2001:db8::1", "2001:db8::ffff:1"} {
		_, err := l.signIn(at(same), "Ann", anns)
		require.ErrorAs(t, err, new(*WaitError))
	}
	_, err := l.signIn(at("2001:db8:0:1::1"), "Ann", anns)
	require.NoError(t, err)
	l.at = l.at.Add(time.Second)
	_, err = l.signIn(at("2001:db8::1"), "Ann", anns)
	require.NoError(t, err)
	require.Equal(t, at("192.0.2.1").addrKey(), at("::ffff:192.0.2.1").addrKey())
}

// A name that nobody has is answered as one with a wrong password, delays
// included, and takes a hash's time as well.
func TestUnknownNamesLookLikeWrongPasswords(t *testing.T) {
	l := newLodge(t).withPeople()
	for range 8 {
		_, known := l.signIn(From{}, "Ben", "guess")
		_, unknown := l.signIn(From{}, "Carl", "guess")
		require.Equal(t, known, unknown)
		l.at = l.at.Add(700 * time.Millisecond)
	}
	// While somebody else hashes, it waits for its turn.
	l.at = l.at.Add(forgetAfter)
	l.hasher.turn <- struct{}{}
	done := make(chan error)
	go func() {
		_, err := l.signIn(From{}, "Carl", "guess")
		done <- err
	}()
	require.Eventually(t, func() bool { return len(l.hasher.strangers) == 1 }, 10*time.Second, time.Millisecond)
	<-l.hasher.turn
	require.ErrorIs(t, <-done, ErrWrong)
}

func TestFailuresAreNotedButNotAll(t *testing.T) {
	l := newLodge(t).withPeople()
	_, err := l.signIn(at("192.0.2.7"), "Ben", "guess")
	require.ErrorIs(t, err, ErrWrong)
	_, err = l.signIn(at("192.0.2.7"), "hunter2 my password", "Ben")
	require.ErrorIs(t, err, ErrWrong)
	require.Equal(t, []string{": sign-in refused: a name that nobody has, from 192.0.2.7", ": sign-in refused: Ben, from 192.0.2.7"}, l.trail(2))
	for i := range 1000 {
		_, err := l.signIn(From{}, "Ben", fmt.Sprint(i))
		require.Error(t, err)
	}
	deeds := l.trail(1000)
	require.Len(t, deeds, 2+failuresNoted, "two accounts, and the first failures")
	require.Equal(t, ": sign-in put off: Ben", deeds[0])
	l.at = l.at.Add(noteEvery)
	_, err = l.signIn(From{}, "Ben", "guess")
	require.Error(t, err)
	require.Equal(t, []string{": sign-in refused: Ben, and 982 more before"}, l.trail(1))
}

// A hash with other parameters is made anew at the next sign-in.
func TestRehash(t *testing.T) {
	l := newLodge(t).withPeople()
	better := cheap
	better.memory *= 2
	l.hasher = newHasher(better)
	_, err := l.signIn(From{}, "Ben", "guess")
	require.ErrorIs(t, err, ErrWrong)
	a, err := l.store.Account(t.Context(), "Ben")
	require.NoError(t, err)
	require.Contains(t, a.Hash, "m=8,")
	_, err = l.signIn(From{}, "Ben", bens)
	require.NoError(t, err)
	a, err = l.store.Account(t.Context(), "Ben")
	require.NoError(t, err)
	require.Contains(t, a.Hash, "m=16,")
	_, err = l.signIn(From{}, "Ben", bens)
	require.NoError(t, err)
}

func TestTokens(t *testing.T) {
	l := newLodge(t).withPeople()
	secret, err := l.AddToken(t.Context(), " wall ", record.Work, time.Hour, "Ann")
	require.NoError(t, err)
	require.Regexp(t, `^dewpost_[A-Z2-7]{26,}$`, secret)
	k, err := l.Token(t.Context(), secret)
	require.NoError(t, err)
	require.Equal(t, "wall", k.Name)
	require.Equal(t, record.Work, k.Role)
	list, err := l.Tokens(t.Context())
	require.NoError(t, err)
	require.Equal(t, l.Now(), list[0].Used)
	for _, forged := range []string{"", "dewpost_", strings.TrimPrefix(secret, TokenPrefix), secret + "A", strings.ToLower(secret)} {
		_, err := l.Token(t.Context(), forged)
		require.ErrorIs(t, err, record.ErrNotFound, forged)
	}
	l.at = l.at.Add(time.Hour)
	_, err = l.Token(t.Context(), secret)
	require.ErrorIs(t, err, record.ErrNotFound, "expired")

	secret, err = l.AddToken(t.Context(), "other", record.Look, time.Hour, "Ann")
	require.NoError(t, err)
	require.NoError(t, l.RemoveToken(t.Context(), "OTHER", "Ann"))
	_, err = l.Token(t.Context(), secret)
	require.ErrorIs(t, err, record.ErrNotFound, "revoked")
	for _, life := range []time.Duration{0, -1, TokenLifeMost + 1} {
		_, err = l.AddToken(t.Context(), "third", record.Look, life, "Ann")
		require.ErrorAs(t, err, new(*Refused))
	}
	_, err = l.AddToken(t.Context(), "WALL", record.Look, time.Hour, "Ann")
	require.ErrorContains(t, err, "name: choose another")
}

func TestFirstAccount(t *testing.T) {
	l := newLodge(t)
	path := CodePath(filepath.Join(t.TempDir(), "dewpost.db"))
	require.NoError(t, os.WriteFile(path, []byte("left behind"), 0o644))
	wrote, err := l.PrepareFirst(t.Context(), path)
	require.NoError(t, err)
	require.True(t, wrote)
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.Equal(t, "dewpost.db.first-code", l.FirstFile())
	body, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Regexp(t, `^([A-Z2-7]{4}-){4}[A-Z2-7]{4}\n$`, string(body), "100 bits")
	code := string(body)

	_, err = l.First(t.Context(), From{}, "AAAA-AAAA-AAAA-AAAA-AAAA", "Ann", anns)
	require.ErrorIs(t, err, ErrWrong)
	_, err = l.First(t.Context(), From{}, code, "Ann", "short")
	require.ErrorContains(t, err, "password: ")
	_, err = l.First(t.Context(), From{}, code, "", anns)
	require.ErrorContains(t, err, "name: ")
	there, err := l.HasAccounts(t.Context())
	require.NoError(t, err)
	require.False(t, there)

	// Several at once with the right code: one is the first.
	var all sync.WaitGroup
	made := make(chan Entry, 5)
	for i := range 5 {
		all.Go(func() {
			e, err := l.First(t.Context(), From{}, strings.ToLower(strings.ReplaceAll(code, "-", " ")), fmt.Sprint("Ann ", i), anns)
			if err == nil {
				made <- e
			}
		})
	}
	all.Wait()
	require.Len(t, made, 1)
	require.True(t, l.alive((<-made).Session))
	list, err := l.Accounts(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Equal(t, record.Run, list[0].Role)
	require.NoFileExists(t, path)
	require.Empty(t, l.FirstFile())
	_, err = l.First(t.Context(), From{}, code, "Ben", bens)
	require.ErrorIs(t, err, ErrWrong, "the code is dead")

	wrote, err = l.PrepareFirst(t.Context(), path)
	require.NoError(t, err)
	require.False(t, wrote)
	require.NoFileExists(t, path)
}

func TestFirstCodeDiesWithAnAccountFromElsewhere(t *testing.T) {
	l := newLodge(t)
	path := filepath.Join(t.TempDir(), "code")
	_, err := l.PrepareFirst(t.Context(), path)
	require.NoError(t, err)
	code, err := os.ReadFile(path)
	require.NoError(t, err)
	elsewhere := New(l.store, l.now) // as the command account add is
	require.NoError(t, elsewhere.AddAccount(t.Context(), "Ann", record.Run, anns, "workshop"))
	_, err = l.First(t.Context(), From{}, string(code), "Eve", bens)
	require.ErrorIs(t, err, ErrWrong)
	there, err := l.HasAccounts(t.Context())
	require.NoError(t, err)
	require.True(t, there)
	require.NoFileExists(t, path)

	other := newLodge(t)
	_, err = other.PrepareFirst(t.Context(), path)
	require.NoError(t, err)
	other.Close()
	require.NoFileExists(t, path, "a code dies with its process")
}

func TestGuessingTheCodeIsThrottled(t *testing.T) {
	l := newLodge(t)
	path := filepath.Join(t.TempDir(), "code")
	_, err := l.PrepareFirst(t.Context(), path)
	require.NoError(t, err)
	looked := 0
	for range 100 {
		_, err := l.First(t.Context(), From{}, "AAAA", "Ann", anns)
		if !errors.As(err, new(*WaitError)) {
			require.ErrorIs(t, err, ErrWrong)
			looked++
		}
	}
	require.Equal(t, freeTries+1, looked)
	code, err := os.ReadFile(path)
	require.NoError(t, err)
	_, err = l.First(t.Context(), From{}, string(code), "Ann", anns)
	require.NoError(t, err, "who has the file is not kept waiting by those who have not")
}

// Whoever sits at a browser that somebody left signed in guesses at the present
// password. Requests that he breaks off, while others wait in line, give him no
// more guesses.
func TestGuessingThePresentPasswordIsThrottled(t *testing.T) {
	l := newLodge(t).withPeople()
	looked := 0
	for range 100 {
		_, err := l.ChangePassword(t.Context(), From{}, "Ben", anns, "another password")
		if !errors.As(err, new(*WaitError)) {
			require.ErrorIs(t, err, ErrWrong)
			looked++
		}
		l.hasher.turn <- struct{}{} // somebody else's password is being hashed
		ctx, breakOff := context.WithCancel(t.Context())
		breakOff()
		_, err = l.ChangePassword(ctx, From{}, "Ben", anns, "another password")
		require.Error(t, err)
		<-l.hasher.turn
	}
	require.Equal(t, freeTries+1, looked)
}

// interrupted lets something happen between the look at a password and its
// change.
type interrupted struct {
	*store.Store
	by func()
}

func (s interrupted) SetPassword(ctx context.Context, name, hash, instead string, at unit.Instant, author string) error {
	s.by()
	return s.Store.SetPassword(ctx, name, hash, instead, at, author)
}

// Ben's password has leaked, and Ann gives him another at the moment in which
// the thief changes it: Ann's stays.
func TestPasswordIsChangedByTwo(t *testing.T) {
	l := newLodge(t).withPeople()
	const fresh = "what Ann gives him"
	thief := New(interrupted{l.store, func() { require.NoError(t, l.SetPassword(t.Context(), "Ben", fresh, "Ann")) }}, l.now)
	thief.hasher = l.hasher
	_, err := thief.ChangePassword(t.Context(), From{}, "Ben", bens, "what the thief likes")
	require.ErrorIs(t, err, ErrWrong)
	_, err = l.signIn(From{}, "Ben", fresh)
	require.NoError(t, err)
}

// forgetful can't record that anything was used.
type forgetful struct{ *store.Store }

func (forgetful) UseSession(context.Context, []byte, unit.Instant) error {
	return errors.New("the disk is full")
}

func (forgetful) UseToken(context.Context, []byte, unit.Instant) error {
	return errors.New("the disk is full")
}

func TestFullDiskShutsNobodyOut(t *testing.T) {
	l := newLodge(t).withPeople()
	e, err := l.signIn(From{}, "Ann", anns)
	require.NoError(t, err)
	token, err := l.AddToken(t.Context(), "wall", record.Look, time.Hour, "Ann")
	require.NoError(t, err)
	l.at = l.at.Add(2 * usedEvery)
	full := New(forgetful{l.store}, l.now)
	s, err := full.Session(t.Context(), e.Session)
	require.NoError(t, err)
	require.Equal(t, record.Run, s.Role)
	k, err := full.Token(t.Context(), token)
	require.NoError(t, err)
	require.Equal(t, record.Look, k.Role)
}
