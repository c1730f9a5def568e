package record

import (
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Erasing asks for an owner to be erased.
type Erasing struct {
	Owner  string
	At     unit.Instant
	Author string
	Dry    bool // nothing is changed: it is only told what would be

	// Plan is handed what is known of the owner, and returns what takes each
	// text's place: the same text where the owner is not in it.
	Plan func(Known) (scrub func(text string) string, err error)
}

// Known is what an erasure begins with.
type Known struct {
	Facts  []fact.Fact  // about the owner, ever, in the order of recording
	Erased bool         // it is done again
	IDs    []Identifier // of everything
}

// Identifier names something, and stands wherever that is referred to.
type Identifier struct {
	Kind string // station, site, owner, line, sensor, account, token …
	ID   string
	Live bool // it is used outside of the store: by an agent, or to sign in
}

// Erasure is an owner who was erased.
type Erasure struct {
	Number   int64
	At       unit.Instant
	Author   string
	Owner    string       // the id, or what took its place
	Facts    int64        // deleted
	Changed  int64        // texts
	Tables   []string     // in which they stood
	Finished unit.Instant // when they were gone from the disk too; 0 before
	Traces   []Trace      // what was found where; known to who asked for it only
	Unread   []Unread
	Remains  string // what the engine keeps elsewhere, and what to do about it
}

// Trace is what was found in one column of the store, or deleted.
type Trace struct {
	Table, Column string
	Rows          int64
	Before        string // one of them
	After         string // "" where the row was deleted
}

// Unread is a column that holds what can't be searched for text, such as
// pictures.
type Unread struct {
	Table, Column string
	Rows          int64
}
