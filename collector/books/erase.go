package books

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// EraseStore is what erasing needs of the store.
type EraseStore interface {
	Erase(ctx context.Context, e record.Erasing) (record.Erasure, error)
	Rewrite(ctx context.Context, at unit.Instant) (int, error)
	Erasures(ctx context.Context) ([]record.Erasure, error)
	Backups(ctx context.Context) ([]record.Backup, error)
	Restores(ctx context.Context) ([]record.Restore, error)
}

// Erase says whom to erase and how.
type Erase struct {
	Owner   string
	Confirm string   // the owner's id once more; not asked for when nothing is changed
	Also    []string // what else they are known by, such as a nickname
	Keep    []string // words of the name that are not searched alone
	KeepIDs []string // identifiers that hold a word of the name and have nothing to do with them
	Dry     bool
}

// EraseReport is what became of it.
type EraseReport struct {
	record.Erasure
	Dry     bool                // nothing was changed
	Unnamed bool                // neither a name nor a contact was known, so that no text could be searched
	Short   []string            // words of the name that were searched together with the others only
	Near    []string            // words that hold one of the name and were left, each once
	Renamed map[string]string   // identifiers
	Kept    []record.Identifier // that hold a word of the name, as asked for
	Backups []record.Backup     // made before
	Aside   []record.Restore    // whose place a backup took: stores that were moved aside
}

// Do erases an owner: from the books, from every text of the store, and from the
// disk. What it changes is one transaction; when that is done and the disk can't
// be rewritten, the report and an error are returned, and Finish goes on.
func (e Erase) Do(ctx context.Context, s EraseStore, at unit.Instant, author string) (EraseReport, error) {
	if !e.Dry && e.Confirm != e.Owner {
		return EraseReport{}, Error{"confirm", e.Confirm, "write the owner's id once more: what is erased can't be brought back"}
	}
	r := EraseReport{Dry: e.Dry, Renamed: map[string]string{}}
	near := map[string]bool{}
	done, err := s.Erase(ctx, record.Erasing{Owner: e.Owner, At: at, Author: author, Dry: e.Dry, Plan: func(k record.Known) (func(string) string, error) {
		t, err := e.plan(k, author, &r)
		return func(text string) string {
			clean := t.Scrub(text)
			for _, w := range t.Near(clean) {
				near[w] = true
			}
			return clean
		}, err
	}})
	if err != nil {
		return EraseReport{}, err
	}
	r.Erasure = done
	for w := range near {
		r.Near = append(r.Near, w)
	}
	slices.Sort(r.Near)
	if err := r.older(ctx, s, at); err != nil || e.Dry {
		return r, err
	}
	if _, err := s.Rewrite(ctx, at); err != nil {
		return r, err
	}
	r.Finished = at
	return r, nil
}

// FinishErasing removes from disk what erasures left there that could not be
// finished. It returns how many they were.
func FinishErasing(ctx context.Context, s EraseStore, at unit.Instant) (int, error) {
	return s.Rewrite(ctx, at)
}

// older finds what holds an older state of the store.
func (r *EraseReport) older(ctx context.Context, s EraseStore, at unit.Instant) (err error) {
	if r.Backups, err = s.Backups(ctx); err != nil {
		return err
	}
	r.Backups = slices.DeleteFunc(r.Backups, func(b record.Backup) bool { return b.At > at })
	r.Aside, err = s.Restores(ctx)
	r.Aside = slices.DeleteFunc(r.Aside, func(b record.Restore) bool { return b.Aside == "" })
	return err
}

// plan decides what is searched and what becomes of identifiers.
func (e *Erase) plan(k record.Known, author string, r *EraseReport) (*Traces, error) {
	var names, contacts []string
	for _, f := range k.Facts {
		switch f.Name {
		case fact.Name:
			names = append(names, f.Value)
		case fact.Contact:
			contacts = append(contacts, f.Value)
		}
	}
	for i, text := range e.Also {
		if len(words(text)) == 0 {
			return nil, Error{fmt.Sprintf("also %d", i+1), text, "write a word, a name, a number or an address"}
		}
	}
	if k.Erased && len(e.Also) == 0 {
		return nil, Error{"also", "", "the owner was erased already: say what they are called where they are named still"}
	}
	t := TracesOf(names, contacts, e.Also, e.Keep)
	r.Short, r.Unnamed = t.Short(), t.Empty()
	for _, id := range e.KeepIDs {
		if id != author && !slices.ContainsFunc(k.IDs, func(known record.Identifier) bool { return known.ID == id }) {
			return nil, Error{"keep_id", id, "it is no identifier of anything: leave it out"}
		}
	}
	var refused []string
	for _, id := range k.IDs {
		switch {
		case !t.Holds(id.ID), r.Renamed[id.ID] != "":
		case slices.Contains(e.KeepIDs, id.ID):
			r.Kept = append(r.Kept, id)
			t.Keep(id.ID, id.ID)
			t.Keep(record.NameKey(id.ID), record.NameKey(id.ID))
		case id.Live:
			refused = append(refused, id.Kind+" "+id.ID)
		default:
			becomes := standIn(id.Kind, k.IDs, r.Renamed)
			r.Renamed[id.ID] = becomes
			t.Keep(id.ID, becomes)
		}
	}
	if len(refused) > 0 {
		return nil, Error{"id", strings.Join(refused, ", "), "a word of the owner's name is in it, and it is in use: " +
			"a station is enrolled anew under another id and this one retired, an account or token is removed and made under another name; " +
			"if it has nothing to do with the owner, keep it with keep_id"}
	}
	if t.Holds(author) && !slices.Contains(e.KeepIDs, author) {
		return nil, Error{"author", author, "a word of the owner's name is in it, and who erases must be known afterwards: let somebody else do it, or keep it with keep_id"}
	}
	return t, nil
}

// standIn makes an identifier that says nothing.
func standIn(kind string, known []record.Identifier, taken map[string]string) string {
	for n := 1; ; n++ {
		id := fmt.Sprintf("%s-erased-%d", kind, n)
		used := slices.ContainsFunc(known, func(k record.Identifier) bool { return k.ID == id })
		for _, other := range taken {
			used = used || other == id
		}
		if !used {
			return id
		}
	}
}

// Advice says what a person has to do or to look at besides, a sentence each.
func (r *EraseReport) Advice() []string {
	var list []string
	if r.Unnamed {
		list = append(list, "Neither a name nor a contact of the owner was ever recorded: no text was searched. Say with also what they are called.")
	}
	if len(r.Near) > 0 {
		list = append(list, "These words hold one of the name and were left: "+strings.Join(r.Near, ", ")+". Where one is about the owner, erase with it as also.")
	}
	if len(r.Short) > 0 {
		list = append(list, "These words of the name are searched only where the whole name stands: "+strings.Join(r.Short, ", ")+".")
	}
	for _, id := range r.Kept {
		list = append(list, fmt.Sprintf("The %s %s stays as it is called.", id.Kind, id.ID))
	}
	for _, u := range r.Unread {
		list = append(list, fmt.Sprintf("%d of %s %s can't be searched for text: look at them.", u.Rows, u.Table, u.Column))
	}
	for _, b := range r.Backups {
		list = append(list, fmt.Sprintf("The backup %s of %s still names the owner: delete it, and its copies. Whoever restores it, or takes over what is in it, must erase again, with also.", b.Path, b.At))
	}
	for _, b := range r.Aside {
		list = append(list, fmt.Sprintf("The store %s, which was moved aside on %s, still names the owner: delete it, with its -wal and -shm.", b.Aside, b.At))
	}
	return append(list, "The place of a site (lat, lon) stays, for sunrise and weather: where it shows the owner's home, record it anew with one decimal.",
		"Exports, printed sheets, sent notices, the logs of the system, and a store that this one was moved from, are out of reach: delete by hand what was made before.",
		r.Remains)
}
