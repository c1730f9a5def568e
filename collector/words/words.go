// Package words says what alarms mean to people: every kind has a name, a
// consequence, a first action and a caution. All of them stand in one file for each
// language; a kind without English words ends the program at its start, and one without
// those of any language every test.
package words

import (
	_ "embed"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"sync"

	"github.com/BurntSushi/toml"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
)

// Kind is what a finding of one kind says to a person. Gaps in braces are filled
// by whoever knows the numbers.
type Kind struct {
	Name    string `toml:"name"`    // of the finding, in lists
	Verdict string `toml:"verdict"` // in a row, at the end of a line of rows: one short sentence
	Card    string `toml:"card"`    // the same over the whole card
	Why     string `toml:"why"`     // the evidence with its numbers
	How     string `toml:"how"`     // by what method and source it is concluded, and how sure that is
	Action  string `toml:"action"`  // what to do first: begins with a verb
	Else    string `toml:"else"`    // what happens if nobody goes
	Caution string `toml:"caution"` // what can hurt on the way

	// What somebody does about it there, in order: whole sentences, on job cards.
	// Common practice of the trade, no source.
	Steps []string `toml:"steps"`
}

// Cause is what a common cause says to a person.
type Cause struct {
	Name    string `toml:"name"`
	Verdict string `toml:"verdict"`
	Action  string `toml:"action"`
	Else    string `toml:"else"`
	Caution string `toml:"caution"` // "" where nothing can hurt
}

// Language is all that is said in one language.
type Language struct {
	Opening string                `toml:"opening"` // the caution before a station is opened: fills {opening}
	Kinds   map[finding.Kind]Kind `toml:"kind"`
	Other   Kind                  `toml:"other"` // of a kind that is newer than these words
	Causes  map[alarm.Scope]Cause `toml:"cause"`

	Days   []string          `toml:"days"`   // Sunday first; none: those of package time
	Months []string          `toml:"months"` // January first
	Said   map[string]string `toml:"said"`   // what pages say, by the English of it; see Locale.Say
	Retold map[string]string `toml:"retold"` // sentences of rules and books, with gaps {1} to {9}; see Locale.Retell

	forms func() []retold // of Retold; made when first asked for
}

//go:embed en.toml
var en string

// english is read when the program starts.
var english = must(Read(en))

func must(l Language, err error) Language {
	if err != nil {
		panic("words of alarms: " + err.Error())
	}
	return l
}

// Of returns what a kind says in English.
func Of(kind finding.Kind) Kind { return English.Kind(kind) }

// OfCause returns what a common cause says in English.
func OfCause(scope alarm.Scope) Cause { return English.Cause(scope) }

// Read reads a language. Every kind and every scope must have all of its words,
// and nothing else may stand there.
func Read(text string) (Language, error) {
	var l Language
	meta, err := toml.Decode(text, &l)
	if err != nil {
		return l, err
	}
	if unknown := meta.Undecoded(); len(unknown) > 0 {
		return l, fmt.Errorf("%s: no such words", unknown[0])
	}
	if l.Opening == "" {
		return l, errors.New("opening: it is missing")
	}
	if err := complete(l.Other, "other"); err != nil {
		return l, err
	}
	for _, kind := range alarm.Kinds() {
		if err := complete(l.Kinds[kind], "kind."+string(kind)); err != nil {
			return l, err
		}
	}
	for _, scope := range alarm.Scopes {
		if err := complete(l.Causes[scope], "cause."+string(scope)); err != nil {
			return l, err
		}
	}
	if len(l.Kinds) != len(alarm.Kinds()) || len(l.Causes) != len(alarm.Scopes) {
		return l, errors.New("kind, cause: there are words of what doesn't exist")
	}
	for kind, k := range l.Kinds {
		k.Caution = strings.Replace(k.Caution, "{opening}", l.Opening, 1)
		l.Kinds[kind] = k
	}
	l.Other.Caution = strings.Replace(l.Other.Caution, "{opening}", l.Opening, 1)
	all := l.Retold
	l.forms = sync.OnceValue(func() []retold { return forms(all) })
	return l, nil
}

// complete tells which of the words is missing.
func complete(words any, name string) error {
	v := reflect.ValueOf(words)
	for i := range v.NumField() {
		texts, ok := v.Field(i).Interface().([]string)
		if !ok {
			texts = []string{v.Field(i).String()}
		}
		if len(texts) == 0 || slices.ContainsFunc(texts, func(text string) bool { return strings.TrimSpace(text) == "" }) {
			return fmt.Errorf("%s.%s: it is missing", name, v.Type().Field(i).Tag.Get("toml"))
		}
	}
	return nil
}
