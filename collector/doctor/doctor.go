// Package doctor looks at an installation and says in sentences what a person
// should do, each with how; what is worth knowing though nobody need act; and
// what is fine. It only looks: the store is opened to be read, never migrated,
// and nothing is sent to anybody but a question to the collector on this
// machine.
package doctor

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

// Installation says where to look.
type Installation struct {
	Config      error                // why the collector would not start with it; nil if it would
	Store       string               // file, or URL of a database
	Secrets     []string             // other files that nobody but their owner may read
	Certificate string               // file with a certificate of the workshop's own; "" for none
	Pages       string               // host and port at which this machine reaches the collector; "" if it can't be told
	TLS         bool                 // the pages speak TLS
	Ways        []record.ChannelKind // by which messages can leave
	Now         time.Time
}

// Line is one thing that was looked at.
type Line struct {
	About string `json:"about"`
	Says  string `json:"says"`
	Fix   string `json:"fix,omitempty"`
}

// Report is all that was seen.
type Report struct {
	Todo []Line `json:"todo"` // a person should act
	Know []Line `json:"know"` // nobody need act
	Fine []Line `json:"fine"`
}

// Unreadable is the report on an installation whose config can't be read.
func Unreadable(err error) Report {
	r := empty()
	r.todo("config", "correct it; deploy/dewpost.toml documents every key", "%v.", err)
	return r
}

func empty() Report { return Report{Todo: []Line{}, Know: []Line{}, Fine: []Line{}} }

func (r *Report) todo(about, fix, says string, args ...any) {
	text := strings.ReplaceAll(fmt.Sprintf(says, args...), "\n", "; ") // of joined errors
	r.Todo = append(r.Todo, Line{about, text, fix})
}

func (r *Report) know(about, fix, says string, args ...any) {
	r.Know = append(r.Know, Line{about, fmt.Sprintf(says, args...), fix})
}

func (r *Report) fine(about, says string, args ...any) {
	r.Fine = append(r.Fine, Line{About: about, Says: fmt.Sprintf(says, args...)})
}

// Examine looks at the whole installation.
func Examine(ctx context.Context, in Installation) Report {
	e := examiner{in: in, ctx: ctx, now: unit.At(in.Now), Report: empty()}
	if in.Config != nil {
		e.todo("config", "correct it; deploy/dewpost.toml documents every key", "The collector would not start: %v.", in.Config)
	} else {
		e.fine("config", "The config can be read, and the collector starts with it.")
	}
	e.collector()
	e.certificate()
	e.private(in.Secrets...)
	e.openStore()
	return e.Report
}

type examiner struct {
	in    Installation
	ctx   context.Context
	now   unit.Instant
	store *store.Store
	stats struct { // of the store
		stations  []record.Station
		latest    map[string]unit.Instant
		counts    record.Counts
		custody   []record.Custody
		backups   []record.Backup
		restores  []record.Restore
		holes     []record.Hole
		erasures  []record.Erasure
		unsent    []record.Message
		people    []record.Person
		waiting   []record.Delivery
		notices   record.NoticeCounts
		feeds     []record.Feed
		tokens    []record.Token
		frozen    []record.Frozen
		byTime    []record.Quarantined // refused for their time
		size      int64
		first     unit.Instant // reading
		last      unit.Instant
		inService int
	}
	Report
}

// openStore looks at the store's file and, as far as it can be read, at what
// it says.
func (e *examiner) openStore() {
	path := e.in.Store
	if !store.IsURL(path) && !e.storeFile(path) {
		return
	}
	s, err := store.OpenReadOnly(e.ctx, path)
	if err != nil {
		e.todo("store", "if it is damaged, put the newest backup back with dewpost restore FILE", "The store can't be opened: %v.", err)
		return
	}
	e.store = s
	defer func() {
		if err := s.Close(); err != nil {
			e.todo("store", "", "The store can't be closed: %v.", err)
		}
	}()
	if !e.engine() {
		return
	}
	if err := e.read(); err != nil {
		e.todo("store", "if it is damaged, put the newest backup back with dewpost restore FILE", "The store can't be read: %v.", err)
		return
	}
	if store.IsURL(e.in.Store) {
		e.know("disk", "watch it where the server is; when it is full nothing is receipted, and agents keep what they have", "The room on the database server's disk can't be told from here.")
	} else {
		e.disk()
	}
	e.backups()
	e.restores()
	e.erasures()
	e.readings()
	e.stations()
	e.clocks()
	e.quarantine()
	e.frozen()
	e.feeds()
	e.notices()
	e.people()
	e.tokens()
}

// storeFile looks at the store's file; false when there is nothing to open.
func (e *examiner) storeFile(path string) bool {
	info, err := os.Stat(path)
	if errors.Is(err, os.ErrNotExist) {
		e.todo("store", "start the collector, which makes one, or put a backup back with dewpost restore FILE", "There is no store at %s.", path)
		return false
	}
	if err != nil {
		e.todo("store", "see that the file is there and may be read by whom the collector runs as", "The store can't be looked at: %v.", err)
		return false
	}
	e.stats.size = info.Size()
	e.private(path, path+"-wal", path+"-shm")
	return true
}

// engine looks at the file; false when more can't be read of it.
func (e *examiner) engine() bool {
	if err := e.store.QuickCheck(e.ctx); err != nil {
		e.todo("store", "stop the collector, and put the newest backup back with dewpost restore FILE", "%v.", err)
		return false
	}
	are, wrong, err := e.store.Settings(e.ctx)
	has, knows, err2 := e.store.Schema(e.ctx)
	if err := errors.Join(err, err2); err != nil {
		e.todo("store", "", "The store can't be read: %v.", err)
		return false
	}
	if has < knows {
		e.know("store", "make a backup before the collector starts next: it brings the schema up to date, and there is no way back", "The store's schema has version %d and this program's is %d; little more can be said until that changes.", has, knows)
		return false
	}
	for _, w := range wrong {
		e.todo("store", "start the collector with this program: it sets what can be set, and says what a person must", "%s.", w)
	}
	if len(wrong) == 0 {
		e.fine("store", "The store is whole, its schema is of this program (%d), and a commit is on disk before it is receipted (%s).", has, strings.Join(are, ", "))
	}
	return true
}

func (e *examiner) read() (err error) {
	st, ctx := &e.stats, e.ctx
	steps := []func() error{
		func() error { st.stations, err = e.store.Stations(ctx); return err },
		func() error { st.latest, err = e.store.Latest(ctx); return err },
		func() error { st.counts, err = e.store.Counts(ctx); return err },
		func() error { st.custody, err = e.store.Custody(ctx); return err },
		func() error { st.backups, err = e.store.Backups(ctx); return err },
		func() error { st.restores, err = e.store.Restores(ctx); return err },
		func() error { st.erasures, err = e.store.Erasures(ctx); return err },
		func() error { st.holes, err = e.store.Holes(ctx); return err },
		func() error { st.feeds, err = e.store.Feeds(ctx); return err },
		func() error { st.tokens, err = e.store.Tokens(ctx); return err },
		func() error { st.frozen, err = e.store.Frozen(ctx); return err },
		func() error { st.unsent, err = e.store.Unsent(ctx, most); return err },
		func() error { st.people, err = e.store.People(ctx); return err },
		func() error { st.waiting, err = e.store.Waiting(ctx, e.now, most); return err },
		func() error { st.notices, err = e.store.NoticeCounts(ctx, e.now.Add(-stuckAfter)); return err },
		func() error {
			st.byTime, err = e.store.Quarantine(ctx, record.QuarantineQuery{Reason: "time", Limit: most})
			return err
		},
		e.extent,
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// most bounds what is read of one kind.
const most = 10_000

// extent finds the store's first and last reading.
func (e *examiner) extent() error {
	for _, st := range e.stats.stations {
		if st.Retired == 0 {
			e.stats.inService++
		}
		first, last, ok, err := e.store.Span(e.ctx, st.ID)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		if e.stats.last == 0 || first < e.stats.first {
			e.stats.first = first
		}
		e.stats.last = max(e.stats.last, last)
	}
	return nil
}

// named lists some things and says how many more there are.
func named(list []string) string {
	const few = 8
	if len(list) <= few {
		return strings.Join(list, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(list[:few], ", "), len(list)-few)
}

// many says how many there are of something, as in "1 reading".
func many(n int64, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// rough says how long something is, to the hour or day.
func rough(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return many(int64(d/time.Second), "second")
	case d < 2*time.Hour:
		return many(int64(d/time.Minute), "minute")
	case d < 48*time.Hour:
		return many(int64(d/time.Hour), "hour")
	default:
		return many(int64(d/(24*time.Hour)), "day")
	}
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
