// Package notify takes what is to be told from the outbox to people: who gets
// it, by which channel, when, and again until a channel has taken it.
//
// Every message to a person by a channel is a delivery of its own: one that its
// channel doesn't take holds up nobody else. Before an attempt the store knows
// of it and of the next one, so a program that is killed between an attempt and
// its record repeats that one, once, under the same id; none is lost.
//
// Step does what is to be done at an instant, which is an argument; Run calls it
// when something is due.
package notify

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

const (
	atOnce     = 500
	firstRetry = time.Second // of Run, when the store fails
	lastRetry  = 5 * time.Minute
	look       = time.Minute // for messages of another collector, for letters, and whom to pass on to

	lookOffDuty = 5 * time.Second // for the watch's own rounds, and whether it is on duty now

	patience = 30 * time.Second         // with one attempt
	lease    = patience + 5*time.Second // after which an attempt of which nothing was heard is made again
	nextWay  = 15 * time.Minute         // undelivered for so long, the next channel says so
	unseen   = 48 * time.Hour           // messages older than this are not passed on: the letters have them
)

// Store is where messages and deliveries are kept.
type Store interface {
	People(ctx context.Context) ([]record.Person, error)
	Unrouted(ctx context.Context, limit int) ([]record.Message, error)
	Route(ctx context.Context, event string, at unit.Instant, to []record.Delivery) error
	MarkSent(ctx context.Context, eventID string, at unit.Instant) error
	AddDeliveries(ctx context.Context, list []record.Delivery) error
	AddNotice(ctx context.Context, n record.Notice, to []record.Delivery) error
	Notice(ctx context.Context, event string) (record.Notice, error)
	DueDeliveries(ctx context.Context, at unit.Instant, limit int) ([]record.Due, error)
	Waiting(ctx context.Context, by unit.Instant, limit int) ([]record.Delivery, error)
	NextDue(ctx context.Context) (unit.Instant, bool, error)
	BeginTry(ctx context.Context, d record.Delivery, at, next unit.Instant) (mine bool, err error)
	EndTry(ctx context.Context, d record.Delivery, next unit.Instant, why string) error
	EndDelivery(ctx context.Context, d record.Delivery, at unit.Instant, why string) error
	DeliveryTaken(ctx context.Context, d record.Delivery, at unit.Instant) error
	UnseenMessages(ctx context.Context, since unit.Instant) ([]record.Unseen, error)
	MessagesIn(ctx context.Context, from, to unit.Instant) ([]record.Message, error)
	AlarmCauses(ctx context.Context) (list []alarm.Cause, next int64, err error)
	AlarmLimits(ctx context.Context) ([]record.AlarmLimit, error)
	Stations(ctx context.Context) ([]record.Station, error)
	Outlooks(ctx context.Context, station string, from, to unit.Instant, limit int) ([]record.Outlook, error)
	Occurrences(ctx context.Context, station string) ([]alarm.Occurrence, error)
	OpenOccurrences(ctx context.Context) ([]alarm.Occurrence, error)
	OccurrencesEnded(ctx context.Context, from, to unit.Instant) ([]alarm.Occurrence, error)
	RoundsSince(ctx context.Context, since unit.Instant) (int64, error)
	Untold(ctx context.Context, run string) ([]record.Round, error)
	RoundsTold(ctx context.Context, list []record.Round, at unit.Instant) error
	WatchedPeers(ctx context.Context) ([]record.WatchedPeer, error)
	PeerSilent(ctx context.Context, p record.WatchedPeer, at unit.Instant, n record.Notice, to []record.Delivery) error
}

// Way hands a parcel to a person's channel. nil means that it was taken; Later
// says when to try again at the earliest.
type Way interface {
	Send(ctx context.Context, to record.Channel, p *Parcel) error
}

// Channel takes one message, whoever it is for. nil means that it was taken.
type Channel interface {
	Send(ctx context.Context, m record.Message) error
}

// Later is why a channel didn't take something, and until when it asked to be
// left alone.
type Later struct {
	After time.Duration
	Why   string
}

func (l Later) Error() string { return l.Why }

// Meaning is what a kind of finding, or a common cause, means to a person.
type Meaning struct {
	Name    string // in lists and subjects
	Verdict string // of a common cause: a sentence with the gaps {n} and {subject}
	Action  string // what to do first: begins with a verb
	Else    string // what happens if nobody goes
	Caution string // what can hurt on the way
}

// Place is where a station hangs.
type Place struct {
	Name     string // of the station
	Site     string // id; "" for none
	SiteName string
}

// Heard counts stations in service.
type Heard struct{ Heard, Of int }

// Config is what a Sender needs.
type Config struct {
	Store   Store
	Nobody  Channel // for messages that go to nobody at once
	Ways    map[record.ChannelKind]Way
	Meaning func(kind finding.Kind) Meaning
	Cause   func(scope alarm.Scope) Meaning
	Rests   func(list []finding.Evidence) []string // on what a finding rests, line by line
	Place   func(ctx context.Context, station string) (Place, error)
	Heard   func(ctx context.Context) (Heard, error)
	Now     func() time.Time
	Log     *slog.Logger

	Pages string // address under which people reach the pages, for links; "": no links
	Key   []byte // signs what says that a message was seen

	Run    string                    // of the watch whose rounds this sender tells; "": none
	Told   func(list []record.Round) // rounds came out of the outbox
	Rounds int64                     // that a whole day has; 0: there is no watch

	// Ask is received from while the sender waits: who can send knows that it
	// goes on. Nil for nobody.
	Ask <-chan struct{}
	// OnDuty tells whether this collector is the one that tells people; nil: it is.
	OnDuty func(ctx context.Context) (bool, error)
}

// Sender empties the outbox.
type Sender struct {
	cfg     Config
	wake    chan struct{}
	started unit.Instant

	mu       sync.Mutex
	busy     map[lane]bool             // with an attempt
	taken    map[delivery]unit.Instant // by the channel, which the store doesn't know yet
	attempts sync.WaitGroup

	lettered map[int64]string  // Step's: day of the newest letter of a person
	moved    map[delivery]bool // Step's: handed to the next channel or person
	logged   map[string]bool   // Step's: events that went to nobody, and the store doesn't know yet
	passed   map[delivery]bool // Step's: to whom something was passed on
	offDuty  bool              // Step's: another collector tells people
	peerDue  unit.Instant      // Step's: when a watched installation should have called; 0: none
	places   map[string]Place  // Step's: of this step
}

type lane struct{ person, channel int64 }

type delivery struct {
	event string
	lane
}

func keyOf(d *record.Delivery) delivery { return delivery{d.Event, lane{d.Person, d.Channel}} }

// New makes a Sender; Run starts it.
func New(cfg Config) *Sender {
	return &Sender{
		cfg: cfg, wake: make(chan struct{}, 1), started: unit.At(cfg.Now()), busy: make(map[lane]bool), taken: make(map[delivery]unit.Instant),
		lettered: make(map[int64]string), moved: make(map[delivery]bool), passed: make(map[delivery]bool), logged: make(map[string]bool),
	}
}

// Wake says that there is something to send. It never blocks.
func (s *Sender) Wake() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// Run sends until ctx ends. A failure is logged and tried again, later and
// later, whatever else there is to send meanwhile.
func (s *Sender) Run(ctx context.Context) error {
	defer s.Settle()
	retry := firstRetry
	for {
		now := unit.At(s.cfg.Now())
		err := s.Step(ctx, now)
		if ctx.Err() != nil {
			return nil
		}
		if err == nil {
			retry = firstRetry
			s.wait(ctx, s.until(ctx, now), s.wake)
			continue
		}
		s.cfg.Log.Error("what is to be told can't be looked up or noted; it is tried again", "in", retry, "error", err)
		// Who wakes it has written something: then the store is there again.
		s.wait(ctx, firstRetry, nil)
		s.wait(ctx, retry-firstRetry, s.wake)
		retry = min(2*retry, lastRetry)
	}
}

// until is how long nothing is due.
func (s *Sender) until(ctx context.Context, now unit.Instant) time.Duration {
	if s.offDuty {
		return lookOffDuty
	}
	due, ok, err := s.cfg.Store.NextDue(ctx)
	d := look
	if err == nil && ok && due > now { // of those that are due already an attempt is under way
		d = min(d, due.Sub(now))
	}
	if s.peerDue != 0 {
		d = min(d, s.peerDue.Sub(now))
	}
	return d
}

func (s *Sender) wait(ctx context.Context, d time.Duration, wake <-chan struct{}) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	for {
		select {
		case <-s.cfg.Ask:
			continue
		case <-ctx.Done():
		case <-timer.C:
		case <-wake:
		}
		return
	}
}

// Settle waits for the attempts that are under way.
func (s *Sender) Settle() { s.attempts.Wait() }

// Step does what is to be done at an instant. Attempts go on after it returns;
// Settle waits for them. One part's failure doesn't keep the others from being
// done.
func (s *Sender) Step(ctx context.Context, now unit.Instant) error {
	s.places = make(map[string]Place)
	errs := []error{s.tellRounds(ctx, now)}
	if err := s.onDuty(ctx); err != nil || s.offDuty {
		return errors.Join(append(errs, err)...)
	}
	people, err := s.cfg.Store.People(ctx)
	if err != nil {
		return errors.Join(append(errs, err)...)
	}
	for _, part := range []func(context.Context, unit.Instant, []record.Person) error{
		s.route, s.peers, s.letters, s.passOn, s.nextWays, s.attempt,
	} {
		errs = append(errs, part(ctx, now, people))
	}
	return errors.Join(errs...)
}

// onDuty looks whether another collector tells people: then this one only gives
// its own watch what came through.
func (s *Sender) onDuty(ctx context.Context) error {
	s.offDuty = false
	if s.cfg.OnDuty == nil {
		return nil
	}
	on, err := s.cfg.OnDuty(ctx)
	s.offDuty = err == nil && !on
	return err
}

// tellRounds gives the watch the rounds that came through.
func (s *Sender) tellRounds(ctx context.Context, now unit.Instant) error {
	if s.cfg.Run == "" {
		return nil
	}
	list, err := s.cfg.Store.Untold(ctx, s.cfg.Run)
	if err != nil || len(list) == 0 {
		return err
	}
	if err := s.cfg.Store.RoundsTold(ctx, list, now); err != nil {
		return err
	}
	s.cfg.Told(list)
	return nil
}

// route decides to whom messages go. What goes to nobody stands in the log, and
// in the letters.
func (s *Sender) route(ctx context.Context, now unit.Instant, people []record.Person) error {
	messages, err := s.cfg.Store.Unrouted(ctx, atOnce)
	if err != nil {
		return err
	}
	for i := range messages {
		m := &messages[i]
		urgent := m.Priority == alarm.Urgent
		sites, err := s.sites(ctx, m)
		if err != nil {
			return err
		}
		var to []record.Delivery
		for j := range people {
			if p := &people[j]; m.Class != alarm.Letter && atOnceTo(p, urgent) && slices.ContainsFunc(sites, func(site string) bool { return concerns(p, site, m.Kind) }) {
				to = append(to, record.Delivery{Event: m.EventID, Person: p.ID, Why: record.WhyFirst, Urgent: urgent, Created: now, Due: outOfRest(p, urgent, now)})
			}
		}
		if len(to) > 0 {
			err = s.cfg.Store.Route(ctx, m.EventID, now, to)
		} else {
			err = s.toNobody(ctx, m, now)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// sites returns the sites that a message is about: of a common cause all of those that
// it names, and of one that is nowhere in particular all that anybody looks after.
func (s *Sender) sites(ctx context.Context, m *record.Message) (sites []string, err error) {
	stations := []string{m.Station}
	if m.Cause != 0 {
		var b record.MessageBody
		if err := json.Unmarshal([]byte(m.Body), &b); err != nil {
			return nil, fmt.Errorf("message %s: %w", m.EventID, err)
		}
		if b.Cause != nil {
			stations = append(stations, b.Cause.Stations...)
		}
		if b.Cause != nil && b.Cause.Scope == alarm.Workshop {
			all, err := s.cfg.Store.Stations(ctx)
			if err != nil {
				return nil, err
			}
			for i := range all {
				if all[i].Retired == 0 {
					stations = append(stations, all[i].ID)
				}
			}
		}
	}
	for _, id := range stations {
		place, err := s.place(ctx, id)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(sites, place.Site) {
			sites = append(sites, place.Site)
		}
	}
	return sites, nil
}

// toNobody is for what goes to nobody at once; once, though it may take a while
// to note that.
func (s *Sender) toNobody(ctx context.Context, m *record.Message, now unit.Instant) error {
	if !s.logged[m.EventID] {
		if err := s.cfg.Nobody.Send(ctx, *m); err != nil {
			return fmt.Errorf("send %s: %w", m.EventID, err)
		}
		s.logged[m.EventID] = true
	}
	if err := s.cfg.Store.MarkSent(ctx, m.EventID, now); err != nil {
		return err
	}
	delete(s.logged, m.EventID)
	return nil
}

// Log is the channel that writes messages to a log.
type Log struct{ Logger *slog.Logger }

// Send writes one line.
func (l Log) Send(_ context.Context, m record.Message) error {
	l.Logger.Warn("needs a person", "event", m.EventID, "station", m.Station, "kind", m.Kind, "number", m.Number,
		"created", m.Created.String(), "body", m.Body)
	return nil
}

func (s *Sender) place(ctx context.Context, station string) (Place, error) {
	if p, ok := s.places[station]; ok {
		return p, nil
	}
	p, err := s.cfg.Place(ctx, station)
	if err != nil {
		return p, fmt.Errorf("look up where %s hangs: %w", station, err)
	}
	s.places[station] = p
	return p, nil
}

// nextWays hands what a channel hasn't taken in time to the person's next one;
// what is urgent, behind the last, to the next person.
func (s *Sender) nextWays(ctx context.Context, now unit.Instant, people []record.Person) error {
	waiting, err := s.cfg.Store.Waiting(ctx, now.Add(-nextWay), atOnce)
	if err != nil {
		return err
	}
	var more []record.Delivery
	moved := make(map[delivery]bool)
	for i := range waiting {
		d := &waiting[i]
		if s.moved[keyOf(d)] || d.First == 0 && now.Sub(max(d.Due, s.started)) < nextWay { // nobody was there to try
			continue
		}
		moved[keyOf(d)] = true
		p := personOf(people, d.Person)
		if p == nil || d.Channel >= int64(len(p.Channels)) {
			continue
		}
		n := record.Delivery{
			Event: d.Event, Person: p.ID, Channel: d.Channel + 1, Why: record.WhyChannel, Urgent: d.Urgent, Created: now,
			Detail: fmt.Sprintf("%s to %s, since %s", p.Channels[d.Channel].Kind, p.Name, cmp.Or(d.First, d.Due)),
		}
		if n.Channel == int64(len(p.Channels)) {
			if !d.Urgent {
				continue // it is tried again, and the letter has it
			}
			q := after(people, p.ID, func(q *record.Person) bool { return len(q.Channels) > 0 })
			if q == nil {
				continue
			}
			p, n.Person, n.Channel = q, q.ID, 0
		}
		n.Due = outOfRest(p, d.Urgent, now)
		more = append(more, n)
	}
	if len(more) > 0 {
		if err := s.cfg.Store.AddDeliveries(ctx, more); err != nil {
			return err
		}
	}
	for k := range moved {
		s.moved[k] = true
	}
	return nil
}

// passOn hands urgent messages that nobody has seen in time to the next person
// who doesn't have them. With one person there is nobody.
func (s *Sender) passOn(ctx context.Context, now unit.Instant, people []record.Person) error {
	if len(people) < 2 {
		return nil
	}
	list, err := s.cfg.Store.UnseenMessages(ctx, now.Add(-unseen))
	if err != nil || len(list) == 0 {
		return err
	}
	has := make(map[string]map[int64]bool) // event → people
	newest := make(map[string]record.Unseen)
	for _, u := range list { // by when they were taken
		if has[u.EventID] == nil {
			has[u.EventID] = make(map[int64]bool)
		}
		has[u.EventID][u.Person] = true
		newest[u.EventID] = u
	}
	var more []record.Delivery
	var moved []delivery
	for event, u := range newest {
		p := personOf(people, u.Person)
		if p == nil || p.PassOn == 0 || now.Sub(u.Taken) < p.PassOn {
			continue
		}
		q := after(people, p.ID, func(q *record.Person) bool { return len(q.Channels) > 0 && !has[event][q.ID] })
		if q == nil || s.passed[delivery{event, lane{q.ID, 0}}] {
			continue
		}
		moved = append(moved, delivery{event, lane{q.ID, 0}})
		more = append(more, record.Delivery{
			Event: event, Person: q.ID, Why: record.WhyPassed, Detail: fmt.Sprintf("%s, since %s", p.Name, u.Taken),
			Urgent: true, Created: now, Due: now,
		})
	}
	if len(more) == 0 {
		return nil
	}
	if err := s.cfg.Store.AddDeliveries(ctx, more); err != nil {
		return err
	}
	for _, k := range moved {
		s.passed[k] = true
	}
	return nil
}

// attempt begins to deliver what is due, to each channel of each person one
// thing at a time.
func (s *Sender) attempt(ctx context.Context, now unit.Instant, people []record.Person) error {
	list, err := s.cfg.Store.DueDeliveries(ctx, now, 4*atOnce)
	if err != nil {
		return err
	}
	begun := make(map[lane]bool) // what comes later overtakes nothing, though its channel be free by then
	for i := range list {
		d := &list[i]
		k := keyOf(&d.Delivery)
		s.mu.Lock()
		busy := s.busy[k.lane] || begun[k.lane]
		s.busy[k.lane] = s.busy[k.lane] || !busy
		s.mu.Unlock()
		begun[k.lane] = true
		if busy {
			continue
		}
		parcel, to, err := s.prepare(ctx, d, people, now)
		if err != nil {
			s.free(k.lane)
			return err
		}
		p := personOf(people, d.Person)
		s.attempts.Add(1)
		go func() {
			defer s.attempts.Done()
			if err := s.one(ctx, d.Delivery, p, to, parcel, now); err != nil {
				s.cfg.Log.Error("what became of a message can't be noted; it is tried again", "event", d.Event, "error", err)
			}
			s.free(k.lane)
			s.Wake()
		}()
	}
	return nil
}

func (s *Sender) free(l lane) {
	s.mu.Lock()
	delete(s.busy, l)
	s.mu.Unlock()
}

// prepare writes what a channel is to bring. to is nil when the channel is
// there no more.
func (s *Sender) prepare(ctx context.Context, d *record.Due, people []record.Person, now unit.Instant) (*Parcel, *record.Channel, error) {
	p := personOf(people, d.Person)
	if p == nil || d.Channel >= int64(len(p.Channels)) {
		return nil, nil, nil
	}
	parcel, err := s.parcel(ctx, d, p, now)
	return parcel, &p.Channels[d.Channel], err
}

// one makes one attempt. What a channel has taken is never sent again by this
// program, even if that can't be noted.
func (s *Sender) one(ctx context.Context, d record.Delivery, p *record.Person, to *record.Channel, parcel *Parcel, now unit.Instant) error {
	keep := context.WithoutCancel(ctx) // what has happened is noted
	k := keyOf(&d)
	s.mu.Lock()
	at, taken := s.taken[k]
	s.mu.Unlock()
	switch {
	case taken:
		return s.note(keep, d, at)
	case to == nil:
		return s.cfg.Store.EndDelivery(keep, d, now, "the channel is there no more")
	case d.First != 0 && now.Sub(d.First) >= giveUp:
		s.cfg.Log.Error("a message is given up: nobody took it", "event", d.Event, "person", p.Name, "channel", to.Kind, "error", d.Error)
		return s.cfg.Store.EndDelivery(keep, d, now, "not taken within 5 days")
	}
	mine, err := s.cfg.Store.BeginTry(keep, d, now, now.Add(lease))
	if err != nil || !mine {
		return err
	}
	next := outOfRest(p, d.Urgent, nextTry(d.First, now))
	err = s.send(ctx, to, parcel)
	if err == nil {
		s.mu.Lock()
		s.taken[k] = now
		s.mu.Unlock()
		return s.note(keep, d, now)
	}
	var later Later
	if errors.As(err, &later) {
		next = max(next, now.Add(later.After))
	}
	s.cfg.Log.Warn("a message was not taken; it is tried again", "event", d.Event, "person", p.Name, "channel", to.Kind, "next", next.String(), "error", err)
	return s.cfg.Store.EndTry(keep, d, next, oneLine(err.Error()))
}

// note notes that a channel has taken a message.
func (s *Sender) note(ctx context.Context, d record.Delivery, at unit.Instant) error {
	if err := s.cfg.Store.DeliveryTaken(ctx, d, at); err != nil {
		return err
	}
	s.mu.Lock()
	delete(s.taken, keyOf(&d))
	s.mu.Unlock()
	return nil
}

func (s *Sender) send(ctx context.Context, to *record.Channel, parcel *Parcel) error {
	way, ok := s.cfg.Ways[to.Kind]
	if !ok {
		return fmt.Errorf("channel %s is not set up: the config says nothing of it", to.Kind)
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	return way.Send(ctx, *to, parcel)
}
