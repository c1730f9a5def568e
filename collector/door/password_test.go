package door

import (
	"context"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"
)

// cheap is for tests that are about something else.
var cheap = params{memory: 8, passes: 1, lanes: 1, saltLen: 8, hashLen: 16}

// RFC 9106 section 5.3 has a secret and associated data, which passwords here
// don't; these are of the reference implementation's test program (argon2id,
// version 0x13, password "password", salt "somesalt"): memory, passes, lanes.
func TestHashesAreThoseOfTheReference(t *testing.T) {
	for _, text := range []string{
		"$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc",
	} {
		h, err := parsePHC(text)
		require.NoError(t, err)
		require.True(t, h.matches("password"), text)
		require.False(t, h.matches("differentpassword"), text)
	}
}

func TestCurrentParametersAreThoseOfTheRFC(t *testing.T) {
	require.Equal(t, params{memory: 1 << 16, passes: 3, lanes: 4, saltLen: 128 / 8, hashLen: 256 / 8}, current, "RFC 9106 section 4")
	h := newHasher(current)
	text, err := h.hash(t.Context(), "correct horse")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(text, "$argon2id$v=19$m=65536,t=3,p=4$"), text)
	for password, want := range map[string]bool{"correct horse": true, "correct horse ": false, "": false} {
		ok, outdated, err := h.check(t.Context(), h.strangers, text, password)
		require.NoError(t, err)
		require.Equal(t, want, ok)
		require.False(t, outdated)
	}
	other, err := h.hash(t.Context(), "correct horse")
	require.NoError(t, err)
	require.NotEqual(t, text, other, "a salt of its own")
}

func TestOtherParametersAreOutdated(t *testing.T) {
	old := newHasher(cheap)
	text, err := old.hash(t.Context(), "correct horse")
	require.NoError(t, err)
	better := cheap
	better.passes++
	ok, outdated, err := newHasher(better).check(t.Context(), old.known, text, "correct horse")
	require.NoError(t, err)
	require.True(t, ok)
	require.True(t, outdated)
	ok, _, err = old.check(t.Context(), old.known, "", "correct horse")
	require.NoError(t, err)
	require.False(t, ok, "nobody has no password")
}

func TestPHCIsReadStrictly(t *testing.T) {
	const good = "$argon2id$v=19$m=8,t=1,p=1$AAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAA"
	_, err := parsePHC(good)
	require.NoError(t, err)
	for _, text := range []string{
		"", "x", good + "$", " " + good, good[1:],
		strings.Replace(good, "argon2id", "argon2i", 1),
		strings.Replace(good, "v=19", "v=16", 1),
		strings.Replace(good, "m=8", "m=08", 1),
		strings.Replace(good, "m=8", "m=+8", 1),
		strings.Replace(good, "m=8", "m=7", 1),
		strings.Replace(good, "m=8", "m=4294967295", 1),
		strings.Replace(good, "m=8", "m=99999999999", 1),
		strings.Replace(good, "p=1", "p=2", 1), // less than 8 KiB a lane
		strings.Replace(good, "t=1", "t=0", 1),
		strings.Replace(good, "t=1", "t=1000", 1),
		strings.Replace(good, "m=8,t=1", "t=1,m=8", 1),
		strings.Replace(good, "AAAAAAAAAAA$", "AAAA$", 1),
		strings.Replace(good, "AAAAAAAAAAA$", "AAAAAAAAAAB$", 1), // bits that mean nothing
		strings.Replace(good, "AAAAAAAAAAA$", "AAAAAAAAAAA=$", 1),
	} {
		_, err := parsePHC(text)
		require.ErrorIs(t, err, errPHC, text)
	}
	_, _, err = newHasher(cheap).check(t.Context(), nil, "broken", "x")
	require.ErrorIs(t, err, errPHC)
}

// What is read is written the same.
func FuzzPHC(f *testing.F) {
	f.Add("$argon2id$v=19$m=65536,t=3,p=4$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	f.Add("$argon2id$v=19$m=8,t=1,p=1$AAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAA")
	f.Add("$argon2id$v=19$m=08,t=1,p=1$AAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAA")
	f.Add("$$$$$")
	f.Fuzz(func(t *testing.T, text string) {
		h, err := parsePHC(text)
		if err != nil {
			require.Empty(t, h)
			return
		}
		require.Equal(t, text, h.String())
		require.LessOrEqual(t, h.memory, largest.memory)
		require.LessOrEqual(t, h.passes, largest.passes)
	})
}

func TestPasswordRules(t *testing.T) {
	for password, want := range map[string]string{
		"ten chars!": "", "Ölmühle 12": "", strings.Repeat("x", 1000): "", "dewpost is wet": "", "          ": "",
		"nine char": "at least 10 characters", "öööööööö9": "at least 10 characters", strings.Repeat("x", 1001): "at most 1000 bytes",
		"Åsa Berg 1972": "something else", "åsabergåsaberg": "something else", "dewpost2026": "something else", "DewPost dewpost!": "something else",
		"\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff": "UTF-8",
	} {
		err := checkPassword("Åsa Berg", password)
		if want == "" {
			require.NoError(t, err, password)
			continue
		}
		require.ErrorContains(t, err, want, password)
		require.NotContains(t, err.Error(), password)
		require.True(t, strings.HasPrefix(err.Error(), "password: "))
	}
}

func TestNameRules(t *testing.T) {
	for name, want := range map[string]string{"  Åsa O'Neil-Berg jr. ": "Åsa O'Neil-Berg jr.", "李": "李", "workshop_2": "workshop_2"} {
		got, err := checkName(name)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	for _, name := range []string{"", " ", "-", "a  b", "a\nb", "a\x00b", "A\u030asa", "a\u202eb", "<b>", "a/b", "wall (token)", "a\xff", strings.Repeat("x", 41)} {
		_, err := checkName(name)
		require.Error(t, err, "%q", name)
	}
}

// Only one password is hashed at a time, and few wait for it.
func TestHashingIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHasher(cheap)
		var mu sync.Mutex
		running, most, done, busy := 0, 0, 0, 0
		release := make(chan struct{})
		var all sync.WaitGroup
		for range 100 {
			all.Go(func() {
				err := h.do(t.Context(), h.strangers, func() {
					mu.Lock()
					running++
					most = max(most, running)
					mu.Unlock()
					<-release
					mu.Lock()
					running--
					done++
					mu.Unlock()
				})
				if err != nil {
					require.ErrorIs(t, err, ErrBusy)
					mu.Lock()
					busy++
					mu.Unlock()
				}
			})
		}
		synctest.Wait()
		require.Equal(t, 100-lineLength, busy)
		close(release)
		all.Wait()
		require.Equal(t, 1, most)
		require.Equal(t, lineLength, done)

		ctx, cancel := context.WithCancel(t.Context())
		hold := make(chan struct{})
		go func() { _ = h.do(t.Context(), h.strangers, func() { <-hold }) }()
		synctest.Wait()
		cancel()
		require.ErrorIs(t, h.do(ctx, h.strangers, func() { t.Error("its turn never came") }), context.Canceled)
		close(hold)
	})
}
