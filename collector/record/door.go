package record

import (
	"errors"
	"fmt"
	"strings"

	"dewpost/rules/unit"
)

// Role is what somebody may do; each includes those before it. The zero value
// is no role at all, so that what was given none lets nobody in.
type Role uint8

// Roles.
const (
	Public Role = iota + 1 // for everybody, signed in or not; nobody's own
	Look                   // see
	Work                   // and record what people do
	Run                    // and accounts, tokens, settings
)

var roleNames = [...]string{Public: "public", Look: "look", Work: "work", Run: "run"}

func (r Role) String() string {
	if int(r) < len(roleNames) {
		return roleNames[r]
	}
	return fmt.Sprintf("role %d", uint8(r))
}

// ParseRole reads a role that an account or a token can have.
func ParseRole(name string) (Role, error) {
	for r := Look; r <= Run; r++ {
		if name == roleNames[r] {
			return r, nil
		}
	}
	return 0, fmt.Errorf("role %q: use look, work or run", name)
}

// Errors of accounts and tokens that callers tell apart.
var (
	ErrTaken   = errors.New("the name is taken")
	ErrLastRun = errors.New("nobody with role run would be left")
)

// NameKey is what two spellings of one name of an account or token share.
func NameKey(name string) string { return strings.ToLower(name) }

// Account is a person who may sign in. Its name is kept as it was written and
// is unique without regard to case.
type Account struct {
	Name   string
	Role   Role
	Hash   string // of the password, as a PHC string
	Made   unit.Instant
	LastIn unit.Instant // newest sign-in; 0 before the first
}

// Session is a signed-in browser of an account. Only the hash of what its
// cookie holds is known here.
type Session struct {
	Account string
	Role    Role   // of the account, now
	Reads   string // how its person reads pages, now
	Made    unit.Instant
	Used    unit.Instant
}

// SignIn is what one sign-in changes. Session and Browser are hashes of what
// the cookies hold; Browser is nil for a browser that is known already.
type SignIn struct {
	Account              string
	Checked              string // hash that the password was checked against
	Rehashed             string // what takes its place; "" to leave it
	Session, Browser     []byte
	At                   unit.Instant
	From                 string       // where it came from, for the trail
	MadeAfter, UsedAfter unit.Instant // sessions of anybody older than this are over
}

// Token lets a program in. Only the hash of it is known here. Its name is
// unique without regard to case, among tokens.
type Token struct {
	Name    string
	Role    Role
	Author  string // who made it
	Made    unit.Instant
	Expires unit.Instant
	Used    unit.Instant // 0 before the first time
}

// Deed is one thing that somebody did: an entry of the audit trail, or the
// recording of a fact.
type Deed struct {
	At     unit.Instant
	Author string
	Action string // "fact" for a fact
	Object string
	Place  DeedPlace
}

// DeedPlace says where a deed stands in the trail. The zero value is before
// the newest deed.
type DeedPlace struct {
	At   unit.Instant
	Fact bool
	ID   int64
}
