package books

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// FactStore keeps facts. AddFacts records all or none; what can't be recorded
// is a fact.Refused. Facts come in the order in which they were recorded,
// stations by id.
type FactStore interface {
	AddFacts(ctx context.Context, facts []fact.Fact) error
	Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error)
	FactsOf(ctx context.Context, kind string) ([]fact.Fact, error)
	Stations(ctx context.Context) ([]record.Station, error)
	Station(ctx context.Context, id string) (record.Station, error) // record.ErrNotFound
}

// Said is what a person says of a subject, and from when on it holds.
type Said struct {
	Name, Value string
	From        unit.Instant
	Undated     bool // it was not said from when on: then no other value may hold now
}

// AddSubject writes down an owner, a site, a line or a sensor that isn't in the
// books yet. Stations are enrolled.
func AddSubject(ctx context.Context, s FactStore, subject fact.Subject, said []Said, at unit.Instant, author string) error {
	if subject.Kind == fact.KindStation {
		return Error{"kind", subject.Kind, "stations are enrolled, with dewpost station add"}
	}
	known, err := s.Facts(ctx, subject)
	if err != nil {
		return err
	}
	if len(known) > 0 {
		return Error{"id", subject.ID, "it is in the books already: record facts about it, or choose another id"}
	}
	return say(ctx, s, subject, said, at, author)
}

// Say records facts about a subject that is in the books; record.ErrNotFound
// where it isn't.
func Say(ctx context.Context, s FactStore, subject fact.Subject, said []Said, at unit.Instant, author string) error {
	about, err := About(ctx, s, subject)
	if err != nil {
		return err
	}
	if err := about.undated(said, at); err != nil {
		return err
	}
	return say(ctx, s, subject, said, at, author)
}

// undated refuses what would hold from the beginning on and not now, since another
// value was said for a later day, or would take the place of one over all the past.
func (s Subject) undated(said []Said, at unit.Instant) error {
	for _, f := range said {
		now, ok := fact.Valid(s.Facts, f.Name, at)
		is := fact.Normal(fact.Fact{Subject: s.Subject, Name: f.Name, Value: f.Value})
		if !f.Undated || !ok || now.Value == is.Value || fact.Validate(is) != nil {
			continue
		}
		since := "always"
		if now.From != fact.Always {
			since = now.From.String()
		}
		return Error{f.Name, f.Value, fmt.Sprintf("it is %q since %s: say with from since when it is another, or, where that was wrong, the same from", now.Value, since)}
	}
	return nil
}

func say(ctx context.Context, s FactStore, subject fact.Subject, said []Said, at unit.Instant, author string) error {
	if len(said) == 0 {
		return Error{"facts", "", "say at least one"}
	}
	var facts []fact.Fact
	for i, f := range said {
		if slices.ContainsFunc(said[:i], func(g Said) bool { return g.Name == f.Name && g.From == f.From }) {
			return Error{f.Name, f.Value, "it is said twice: say it once"}
		}
		facts = append(facts, fact.Fact{Subject: subject, Name: f.Name, Value: f.Value, From: f.From, Author: author, Recorded: at})
	}
	err := s.AddFacts(ctx, facts)
	var refused fact.Refused
	if !errors.As(err, &refused) {
		return err
	}
	wrong := Error{refused.Name, refused.Value, refused.Fix}
	if refused.Subject != subject {
		wrong.Fix = refused.Subject.String() + ": " + wrong.Fix
	}
	return wrong
}

// Subject is one thing in the books and all that was ever said of it.
type Subject struct {
	fact.Subject
	Retired unit.Instant // of a station; 0 while in service
	Facts   []fact.Fact  // in the order in which they were recorded
}

// About returns a subject; record.ErrNotFound when it isn't in the books.
func About(ctx context.Context, s FactStore, subject fact.Subject) (Subject, error) {
	facts, err := s.Facts(ctx, subject)
	if err != nil {
		return Subject{}, err
	}
	out := Subject{Subject: subject, Facts: facts}
	if subject.Kind == fact.KindStation {
		var st record.Station
		st, err = s.Station(ctx, subject.ID)
		out.Retired = st.Retired
	} else if len(facts) == 0 {
		err = fmt.Errorf("%s: %w", subject, record.ErrNotFound)
	}
	return out, err
}

// All returns all subjects of a kind by id, retired stations included.
func All(ctx context.Context, s FactStore, kind string) ([]Subject, error) {
	facts, err := s.FactsOf(ctx, kind)
	if err != nil {
		return nil, err
	}
	by := make(map[string]*Subject)
	add := func(id string) *Subject {
		if by[id] == nil {
			by[id] = &Subject{Subject: fact.Subject{Kind: kind, ID: id}}
		}
		return by[id]
	}
	if kind == fact.KindStation {
		stations, err := s.Stations(ctx)
		if err != nil {
			return nil, err
		}
		for _, st := range stations {
			add(st.ID).Retired = st.Retired
		}
	}
	for _, f := range facts {
		subject := add(f.Subject.ID)
		subject.Facts = append(subject.Facts, f)
	}
	var list []Subject
	for _, subject := range by {
		list = append(list, *subject)
	}
	slices.SortFunc(list, func(a, b Subject) int { return cmp.Compare(a.ID, b.ID) })
	return list, nil
}

// For leaves out what is not for somebody with that role: see fact.Personal.
func (s Subject) For(role record.Role) Subject {
	if role < record.Work {
		s.Facts = slices.DeleteFunc(slices.Clone(s.Facts), func(f fact.Fact) bool { return fact.Personal(f.Subject.Kind, f.Name) })
	}
	return s
}

// Values are the facts that are valid at t, by name.
func (s Subject) Values(t unit.Instant) map[string]string {
	values := make(map[string]string)
	for _, f := range fact.Present(s.Facts, t) {
		values[f.Name] = f.Value
	}
	return values
}

// Statement is a fact as it is told.
type Statement struct {
	Name     string        `json:"name"`
	Value    string        `json:"value"`
	From     *unit.Instant `json:"from"` // nil: always
	Author   string        `json:"author"`
	Recorded unit.Instant  `json:"recorded"`
	Valid    bool          `json:"valid"` // at the instant asked for
}

// Present tells the facts that are valid at t, in the order of fact.Names.
func (s Subject) Present(t unit.Instant) []Statement {
	return tell(fact.Present(s.Facts, t), t, func(fact.Fact) bool { return true })
}

// History tells all facts in the order in which they were recorded.
func (s Subject) History(t unit.Instant) []Statement {
	valid := fact.Present(s.Facts, t)
	return tell(s.Facts, t, func(f fact.Fact) bool { return slices.Contains(valid, f) })
}

func tell(facts []fact.Fact, t unit.Instant, valid func(fact.Fact) bool) []Statement {
	list := make([]Statement, 0, len(facts))
	for _, f := range facts {
		st := Statement{Name: f.Name, Value: f.Value, Author: f.Author, Recorded: f.Recorded, Valid: valid(f)}
		if f.From != fact.Always {
			st.From = &f.From
		}
		list = append(list, st)
	}
	return list
}

// Since says from when on it holds.
func (s *Statement) Since() string {
	if s.From == nil {
		return "always"
	}
	return s.From.String()
}

// ParseSince reads from when on something holds: "always" or "", a date, which
// begins at midnight UTC, or an instant in RFC 3339.
func ParseSince(field, text string) (unit.Instant, error) {
	text = strings.TrimSpace(text)
	if text == "" || text == "always" {
		return fact.Always, nil
	}
	return ParseInstant(field, text)
}

// ParseInstant reads a date, for midnight UTC, or an instant in RFC 3339.
func ParseInstant(field, text string) (unit.Instant, error) {
	for _, layout := range []string{time.DateOnly, time.RFC3339Nano} {
		if t, err := time.Parse(layout, text); err == nil && t.Year() >= 1900 && t.Year() <= 2200 {
			return unit.At(t), nil
		}
	}
	return 0, Error{field, text, "write a date such as 2025-05-14, or an instant in RFC 3339 such as 2025-05-14T09:00:00Z, between 1900 and 2200"}
}

// Reference is a time in which a subject referred to another, such as that in
// which a station was on a line. Value is the other's id.
type Reference struct {
	Subject
	fact.Held
}

// Naming returns what ever referred to a subject, by kind, id and time. The
// facts of a retired station have ended.
func Naming(ctx context.Context, s FactStore, subject fact.Subject) ([]Reference, error) {
	var list []Reference
	for _, kind := range fact.Kinds {
		all, err := All(ctx, s, kind)
		if err != nil {
			return nil, err
		}
		for _, other := range all {
			list = append(list, other.naming(subject)...)
		}
	}
	return list, nil
}

func (s Subject) naming(subject fact.Subject) (list []Reference) {
	for _, name := range fact.Names(s.Kind) {
		if to, ok := fact.Refers(fact.Fact{Subject: s.Subject, Name: name, Value: subject.ID}); !ok || to != subject {
			continue
		}
		for _, h := range fact.Intervals(s.Facts, name) {
			if s.Retired != 0 {
				h.To = min(h.To, s.Retired)
			}
			if h.Value == subject.ID && h.From < h.To {
				list = append(list, Reference{s, h})
			}
		}
	}
	return list
}
