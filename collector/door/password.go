package door

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"dewpost/collector/record"
)

// Bounds of a password. RFC 9106 needs none; NIST SP 800-63B-4 section 3.1.1.2
// wants long ones allowed, no rules on composition, and no silent cut. The
// least is the workshop's: two more than OWASP ASVS 5.0 6.2.1 demands.
const (
	passwordLeast = 10   // characters
	passwordMost  = 1000 // bytes
)

// checkPassword refuses what is no password for an account of that name.
func checkPassword(name, password string) error {
	plain := func(s string) string { return strings.Map(letterOrDigit, record.NameKey(s)) }
	switch bare := plain(password); {
	case !utf8.ValidString(password):
		return &Refused{Field: "password", Fix: "use text in UTF-8"}
	case utf8.RuneCountInString(password) < passwordLeast:
		return &Refused{Field: "password", Fix: fmt.Sprintf("use at least %d characters; a few words are good", passwordLeast)}
	case len(password) > passwordMost:
		return &Refused{Field: "password", Fix: fmt.Sprintf("use at most %d bytes", passwordMost)}
	case onlyRepeats(bare, plain(name)), onlyRepeats(bare, "dewpost"):
		return &Refused{Field: "password", Fix: "use something else than your name or the program's: those are tried first"}
	}
	return nil
}

// onlyRepeats tells whether text is nothing but word, once or more, perhaps
// with digits behind.
func onlyRepeats(text, word string) bool {
	text = strings.TrimRight(text, "0123456789")
	return word != "" && text != "" && strings.ReplaceAll(text, word, "") == ""
}

// params are those of argon2id.
type params struct {
	memory  uint32 // KiB
	passes  uint32
	lanes   uint8
	saltLen int
	hashLen int
}

// current is the second recommended option of RFC 9106 section 4 (64 MiB, 3
// passes, 4 lanes, salt of 128 and tag of 256 bits). The first one's 2 GiB
// don't fit beside a broker on a small computer; OWASP's least for argon2id,
// 19 MiB and 2 passes, is well below.
var current = params{memory: 64 << 10, passes: 3, lanes: 4, saltLen: 16, hashLen: 32}

// What a stored hash may ask for: a table that somebody wrote into must not
// take the memory or the day.
var (
	smallest = params{memory: 8, passes: 1, lanes: 1, saltLen: 8, hashLen: 16}
	largest  = params{memory: 256 << 10, passes: 16, lanes: 16, saltLen: 64, hashLen: 64}
)

// phc is a hashed password, written as the PHC string format has it:
// $argon2id$v=19$m=65536,t=3,p=4$salt$hash, both in base64 without padding.
type phc struct {
	params
	salt, hash []byte
}

var errPHC = errors.New("stored password hash: not $argon2id$v=19$m=…,t=…,p=…$salt$hash within bounds; set the password again")

// parsePHC reads what String writes, and nothing that it would write otherwise.
func parsePHC(text string) (phc, error) {
	part := strings.Split(text, "$")
	if len(part) != 6 || part[0] != "" || part[1] != "argon2id" || part[2] != "v="+strconv.Itoa(argon2.Version) {
		return phc{}, errPHC
	}
	var h phc
	memory, passes, lanes, ok := parseCosts(part[3])
	salt, err1 := base64.RawStdEncoding.Strict().DecodeString(part[4])
	hash, err2 := base64.RawStdEncoding.Strict().DecodeString(part[5])
	if !ok || err1 != nil || err2 != nil {
		return phc{}, errPHC
	}
	h = phc{params{memory, passes, lanes, len(salt), len(hash)}, salt, hash}
	within := smallest.memory <= memory && memory <= largest.memory && memory >= 8*uint32(lanes) && // RFC 9106 section 3.1
		smallest.passes <= passes && passes <= largest.passes &&
		smallest.lanes <= lanes && lanes <= largest.lanes &&
		smallest.saltLen <= len(salt) && len(salt) <= largest.saltLen &&
		smallest.hashLen <= len(hash) && len(hash) <= largest.hashLen
	if !within || h.String() != text {
		return phc{}, errPHC
	}
	return h, nil
}

func parseCosts(text string) (memory, passes uint32, lanes uint8, ok bool) {
	part := strings.Split(text, ",")
	if len(part) != 3 {
		return 0, 0, 0, false
	}
	number := func(i int, name string, bits int) uint64 {
		digits, found := strings.CutPrefix(part[i], name+"=")
		n, err := strconv.ParseUint(digits, 10, bits)
		if !found || err != nil {
			return 0 // out of bounds
		}
		return n
	}
	return uint32(number(0, "m", 32)), uint32(number(1, "t", 32)), uint8(number(2, "p", 8)), true
}

func (h phc) String() string {
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.memory, h.passes, h.lanes,
		base64.RawStdEncoding.EncodeToString(h.salt), base64.RawStdEncoding.EncodeToString(h.hash))
}

func (h phc) matches(password string) bool {
	got := argon2.IDKey([]byte(password), h.salt, h.passes, h.memory, h.lanes, uint32(h.hashLen))
	return subtle.ConstantTimeCompare(got, h.hash) == 1
}

// hasher hashes one password at a time, so that a flood of sign-ins can take
// the memory of one and the time of whoever waits in line, and lets only a few
// wait. There are two lines, served as they come: strangers can fill theirs, and
// the others wait no longer than it is.
type hasher struct {
	params    params
	strangers chan struct{} // one for each who waits or hashes
	known     chan struct{} // of those who are signed in, or were once in that browser
	turn      chan struct{} // held by who hashes
	nobody    phc           // a hash that no password has, checked for names that nobody has
}

const lineLength = 16

func newHasher(p params) *hasher {
	h := &hasher{
		params: p, strangers: make(chan struct{}, lineLength), known: make(chan struct{}, lineLength), turn: make(chan struct{}, 1),
	}
	h.nobody = phc{p, randomBytes(p.saltLen), randomBytes(p.hashLen)}
	return h
}

// line is where somebody waits.
func (h *hasher) line(known bool) chan struct{} {
	if known {
		return h.known
	}
	return h.strangers
}

func randomBytes(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails
	return b
}

// do runs f when it is its turn, or returns ErrBusy at once when the line is
// full.
func (h *hasher) do(ctx context.Context, line chan struct{}, f func()) error {
	select {
	case line <- struct{}{}:
		defer func() { <-line }()
	default:
		return ErrBusy
	}
	select {
	case h.turn <- struct{}{}:
		defer func() { <-h.turn }()
	case <-ctx.Done():
		return ctx.Err()
	}
	f()
	return nil
}

// hash hashes a new password, of somebody who was let in.
func (h *hasher) hash(ctx context.Context, password string) (text string, err error) {
	made := phc{params: h.params, salt: randomBytes(h.params.saltLen)}
	err = h.do(ctx, h.known, func() {
		made.hash = argon2.IDKey([]byte(password), made.salt, made.passes, made.memory, made.lanes, uint32(made.hashLen))
	})
	return made.String(), err
}

// check tells whether password is the one of stored, and whether stored was
// made otherwise than it would be today. Without stored it takes the same time
// and says no.
func (h *hasher) check(ctx context.Context, line chan struct{}, stored, password string) (ok, outdated bool, err error) {
	against := h.nobody
	if stored != "" {
		if against, err = parsePHC(stored); err != nil {
			return false, false, err
		}
	}
	err = h.do(ctx, line, func() { ok = against.matches(password) })
	return ok && stored != "", against.params != h.params, err
}

func letterOrDigit(r rune) rune {
	if isLetterOrDigit(r) {
		return r
	}
	return -1
}
