package notify_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/books"
	"dewpost/collector/link"
	"dewpost/collector/notify"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/outlook"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// noon is in winter: local times in Berlin are an hour later.
var noon = unit.At(time.Date(2025, 11, 5, 12, 0, 0, 0, time.UTC))

// post is a way that takes what it is told to.
type post struct {
	mu    sync.Mutex
	wrong map[string]error // by address
	holds map[string]chan struct{}
	got   []string // address and event
	last  map[string]*notify.Parcel
	tried map[string][]unit.Instant
	now   func() unit.Instant
}

func (p *post) Send(_ context.Context, to record.Channel, parcel *notify.Parcel) error {
	p.mu.Lock()
	hold := p.holds[to.Address]
	p.tried[to.Address] = append(p.tried[to.Address], p.now())
	p.mu.Unlock()
	if hold != nil {
		<-hold
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.wrong[to.Address]; err != nil {
		return err
	}
	p.got = append(p.got, to.Address+" "+parcel.Event)
	p.last[to.Address] = parcel
	return nil
}

func (p *post) all() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.got)
}

func (p *post) tries() (n int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, at := range p.tried {
		n += len(at)
	}
	return n
}

func (p *post) take() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	got := p.got
	p.got = nil
	slices.Sort(got)
	return got
}

// desk is a real store, a sender with a clock of its own, and a post.
type desk struct {
	*testing.T
	store  *store.Store
	used   notify.Store
	post   *post
	cfg    notify.Config
	sender *notify.Sender
	now    unit.Instant
	log    bytes.Buffer
	told   []record.Round
	n      int64
	place  map[string]notify.Place
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	d := &desk{T: t, now: noon, place: map[string]notify.Place{"lake-07": {Name: "Cottage 7", Site: "lake", SiteName: "Larkmoor Lake Park"}}}
	var err error
	d.store, err = store.Open(t.Context(), blank.Store(t))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.store.Close()) })
	d.used = d.store
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(t, err)
	for _, id := range []string{"lake-07", "quay-01"} {
		require.NoError(t, d.store.AddStation(t.Context(), record.Station{ID: id, Secret: secret, Enrolled: 1}, "test"))
	}
	d.post = &post{
		wrong: map[string]error{}, holds: map[string]chan struct{}{}, last: map[string]*notify.Parcel{}, tried: map[string][]unit.Instant{},
		now: func() unit.Instant { return d.now },
	}
	log := slog.New(slog.NewTextHandler(&d.log, nil))
	d.cfg = notify.Config{
		Nobody: notify.Log{Logger: log}, Ways: map[record.ChannelKind]notify.Way{record.Mail: d.post, record.Webhook: d.post},
		Rests: words.English.EvidenceLines,
		Meaning: func(kind finding.Kind) notify.Meaning {
			return notify.Meaning{Name: "Kind " + string(kind), Action: "Go there", Else: "it corrodes.", Caution: "Ladder: two people."}
		},
		Cause: func(scope alarm.Scope) notify.Meaning {
			return notify.Meaning{Name: "Cause " + string(scope), Verdict: "{n} at {subject}.", Action: "Ask there", Else: "nobody knows.", Caution: "Mains."}
		},
		Place: func(_ context.Context, station string) (notify.Place, error) {
			if p, ok := d.place[station]; ok {
				return p, nil
			}
			return notify.Place{Name: station, Site: "quay"}, nil
		},
		Heard: func(context.Context) (notify.Heard, error) { return notify.Heard{Heard: 1, Of: 2}, nil },
		Now:   func() time.Time { return d.now.Time() }, Log: log,
		Pages: "https://watch.example", Key: []byte("key"), Run: "00000000000000aa", Rounds: 1440,
		Told: func(list []record.Round) { d.told = append(d.told, list...) },
	}
	d.restart()
	return d
}

// restart forgets what a program remembers.
func (d *desk) restart() {
	cfg := d.cfg
	cfg.Store = d.used
	d.sender = notify.New(cfg)
}

func (d *desk) person(name string, change func(*record.Person), addresses ...string) int64 {
	d.Helper()
	p := record.Person{Name: name, Zone: "Europe/Berlin", RestFrom: "22:00", RestTo: "07:00", Least: record.LeastAll, PassOn: 2 * time.Hour}
	for _, a := range addresses {
		p.Channels = append(p.Channels, record.Channel{Kind: record.Mail, Address: a})
	}
	if change != nil {
		change(&p)
	}
	id, err := d.store.PutPerson(d.Context(), p, d.now, "test")
	require.NoError(d, err)
	return id
}

// find records an occurrence and its message.
func (d *desk) find(station string, kind finding.Kind) string {
	d.Helper()
	o := d.occurrence(station, kind)
	d.commit(d.messageOf(&o, nil), o)
	return o.ID()
}

func (d *desk) occurrence(station string, kind finding.Kind) alarm.Occurrence {
	d.n++
	return alarm.Occurrence{
		Station: station, Number: d.n, State: alarm.Unacknowledged, Told: true, Steps: 1,
		Finding: finding.Finding{Kind: kind, From: d.now.Add(-5 * time.Hour), Concluded: d.now.Add(-time.Hour), Evidence: []finding.Evidence{{Name: "excess_vapour", Value: 2.345678, Unit: "hPa"}}},
	}
}

func (d *desk) messageOf(o *alarm.Occurrence, cause *record.MessageCause) record.Message {
	d.Helper()
	m := record.Message{
		EventID: o.ID(), Station: o.Station, Kind: o.Finding.Kind, Number: o.Number, Created: d.now,
		Priority: alarm.Of(o.Finding.Kind).Priority, Class: alarm.AtOnce, By: o.Finding.Concluded.Add(alarm.Respond(&o.Finding)),
	}
	if m.Priority == alarm.Calm {
		m.Class = alarm.Letter
	}
	if cause != nil {
		m.EventID, m.Cause, m.Priority, m.Class = "cause:"+string(cause.Scope)+":"+o.ID(), o.Cause, alarm.Urgent, alarm.AtOnce
		if cause.Scope == alarm.Weather {
			m.Priority, m.Class = alarm.Calm, alarm.Letter
		}
	}
	body, err := json.Marshal(record.MessageBody{
		Station: m.Station, Kind: m.Kind, Number: m.Number, From: o.Finding.From, Concluded: o.Finding.Concluded, Evidence: o.Finding.Evidence, By: m.By, Cause: cause,
	})
	require.NoError(d, err)
	m.Body = string(body)
	return m
}

func (d *desk) commit(m record.Message, all ...alarm.Occurrence) {
	d.Helper()
	require.NoError(d, d.store.ChangeAlarms(d.Context(), record.AlarmChange{Occurrences: all, Outbox: []record.Message{m}}))
}

// step does what is due now, and what that makes due.
func (d *desk) step() []string {
	d.Helper()
	for before := -1; before < d.post.tries(); {
		before = d.post.tries()
		require.NoError(d, d.sender.Step(d.Context(), d.now))
		d.sender.Settle()
	}
	return d.post.take()
}

// until steps each minute up to an instant, and returns what came when.
func (d *desk) until(end unit.Instant) (came []string) {
	d.Helper()
	for {
		for _, got := range d.step() {
			came = append(came, d.now.Time().Format("02 15:04 ")+got)
		}
		if d.now >= end {
			return came
		}
		d.now = d.now.Add(time.Minute)
	}
}

func TestNobodyIsTold(t *testing.T) {
	d := newDesk(t)
	event := d.find("lake-07", finding.WaterInside)
	require.Empty(t, d.step())
	require.Contains(t, d.log.String(), "needs a person")
	require.Equal(t, 1, strings.Count(d.log.String(), event+" "), "once")
	unsent, err := d.store.Unsent(t.Context(), 9)
	require.NoError(t, err)
	require.Empty(t, unsent)
}

func TestWhoGetsWhat(t *testing.T) {
	d := newDesk(t)
	d.person("All", nil, "all")
	d.person("Urgent", func(p *record.Person) { p.Least = record.LeastUrgent }, "urgent")
	d.person("Letter", func(p *record.Person) { p.Least = record.LeastLetter }, "letter")
	d.person("Lake", func(p *record.Person) { p.Sites = []string{"lake"} }, "lake")
	d.person("Wet", func(p *record.Person) { p.Kinds = []finding.Kind{finding.BoardWet} }, "wet")
	d.person("No way", nil)
	for _, c := range []struct {
		station string
		kind    finding.Kind
		want    []string
	}{
		{"lake-07", finding.WaterInside, []string{"all", "lake", "urgent"}},
		{"lake-07", finding.BoardWet, []string{"all", "lake", "wet"}},
		{"quay-01", finding.WaterInside, []string{"all", "urgent"}},
		{"quay-01", finding.DampWeek, nil}, // waits for the letter
	} {
		event := d.find(c.station, c.kind)
		for i := range c.want {
			c.want[i] += " " + event
		}
		require.ElementsMatch(t, c.want, d.step(), "%s %s", c.station, c.kind)
	}
}

func TestNightRest(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	d.now = unit.At(time.Date(2025, 11, 5, 21, 30, 0, 0, time.UTC)) // 22:30 in Berlin
	calm, urgent := d.find("lake-07", finding.BoardWet), d.find("lake-07", finding.WaterInside)
	require.Equal(t, []string{"ida " + urgent}, d.step())
	require.Equal(t, []string{"06 06:00 ida " + calm}, d.until(unit.At(time.Date(2025, 11, 6, 7, 0, 0, 0, time.UTC))))
}

// What is about one person's channel holds up nobody else, nor what comes later
// to them; and it is tried again when it should be, for five days.
func TestTriedAgain(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", func(p *record.Person) { p.RestFrom, p.RestTo = "", "" }, "ida")
	d.person("Ben", nil, "ben")
	d.post.wrong["ida"] = errors.New("550\nno such  box\x00")
	event := d.find("lake-07", finding.WaterInside)
	require.Equal(t, []string{"ben " + event}, d.step())
	began := d.now
	d.until(began.Add(4 * time.Hour))
	var after []time.Duration
	for _, at := range d.post.tried["ida"] {
		after = append(after, at.Sub(began))
	}
	require.Equal(t, []time.Duration{0, time.Minute, 5 * time.Minute, 15 * time.Minute, 30 * time.Minute, 90 * time.Minute, 150 * time.Minute, 210 * time.Minute}, after)
	told, err := d.store.Told(t.Context(), 9)
	require.NoError(t, err)
	require.Equal(t, "550 no such box?", told[0].Error)
	require.Equal(t, began.Add(270*time.Minute), told[0].Due)

	d.now = began.Add(5*24*time.Hour - time.Minute)
	tries := len(d.post.tried["ida"])
	d.step()
	require.Len(t, d.post.tried["ida"], tries+1)
	d.now = d.now.Add(2 * time.Hour)
	d.step()
	require.Len(t, d.post.tried["ida"], tries+1, "given up")
	counts, err := d.store.NoticeCounts(t.Context(), d.now)
	require.NoError(t, err)
	require.Equal(t, record.NoticeCounts{GivenUp: 1}, counts)
}

// While one channel hangs, others and their later messages go out.
func TestHangingHoldsUpNobody(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	d.person("Ben", nil, "ben")
	hold := make(chan struct{})
	d.post.holds["ida"] = hold
	one := d.find("lake-07", finding.WaterInside)
	require.NoError(t, d.sender.Step(t.Context(), d.now))
	two := d.find("lake-07", finding.BoardWet)
	require.Eventually(t, func() bool {
		require.NoError(t, d.sender.Step(t.Context(), d.now))
		return len(d.post.all()) == 2
	}, 5*time.Second, time.Millisecond)
	require.ElementsMatch(t, []string{"ben " + one, "ben " + two}, d.post.take())
	close(hold)
	d.sender.Settle()
	d.post.mu.Lock()
	delete(d.post.holds, "ida")
	d.post.mu.Unlock()
	got := append(d.post.take(), d.step()...)
	require.ElementsMatch(t, []string{"ida " + one, "ida " + two}, got)
}

// What waits behind a channel that hangs is said by the next one too, though it
// was never tried.
func TestNeverTriedGoesToTheNextChannel(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida", "ida2")
	hold := make(chan struct{})
	d.post.holds["ida"] = hold
	one, two := d.find("lake-07", finding.WaterInside), d.find("lake-07", finding.WaterInside)
	require.NoError(t, d.sender.Step(t.Context(), d.now))
	require.Eventually(t, func() bool { return d.post.tries() == 1 }, 5*time.Second, time.Millisecond, "it hangs")
	d.now = d.now.Add(15 * time.Minute)
	require.Eventually(t, func() bool {
		require.NoError(t, d.sender.Step(t.Context(), d.now))
		return len(d.post.all()) == 2
	}, 5*time.Second, time.Millisecond)
	require.ElementsMatch(t, []string{"ida2 " + one, "ida2 " + two}, d.post.take())
	close(hold)
	d.sender.Settle()
}

// What changed while a message waited is said first.
func TestMeanwhile(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	for _, c := range []struct {
		change func(*alarm.Occurrence)
		says   string
	}{
		{func(o *alarm.Occurrence) { o.Finding.To, o.State = d.now, alarm.Returned }, "It is over since Wed 5 Nov 2025 13:00; this was written before.\n\nKind"},
		{func(o *alarm.Occurrence) { o.State = alarm.Acknowledged }, "Somebody has seen it since this was written.\n\nKind"},
		{func(o *alarm.Occurrence) { o.State = alarm.Shelved }, "It was put aside since this was written.\n\nKind"},
		{func(o *alarm.Occurrence) { o.Revised, o.Finding.To, o.State = true, d.now, alarm.Normal }, "Later readings took it back: there is nothing to do.\n\nKind"},
	} {
		o := d.occurrence("lake-07", finding.WaterInside)
		m := d.messageOf(&o, nil)
		c.change(&o)
		d.commit(m, o)
		require.Equal(t, []string{"ida " + o.ID()}, d.step())
		require.True(t, strings.HasPrefix(d.post.last["ida"].Text.Plain(), c.says), d.post.last["ida"].Text.Plain())
	}
}

func TestRetryAfterIsHonoured(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	d.post.wrong["ida"] = notify.Later{After: 50 * time.Minute, Why: "429"}
	d.find("lake-07", finding.WaterInside)
	d.until(noon.Add(45 * time.Minute))
	require.Len(t, d.post.tried["ida"], 1)
	delete(d.post.wrong, "ida")
	require.Len(t, d.until(noon.Add(51*time.Minute)), 1)
}

// What a channel hasn't taken in 15 minutes, the next one says; behind the last
// one, if it is urgent, the next person's. What was taken is not told by
// another.
func TestNextChannel(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", func(p *record.Person) { p.PassOn = 0 }, "ida", "ida2")
	d.person("Ben", func(p *record.Person) { p.Least = record.LeastLetter }, "ben")
	d.post.wrong["ida"] = errors.New("refused")
	urgent, calm := d.find("lake-07", finding.WaterInside), d.find("lake-07", finding.BoardWet)
	require.Equal(t, []string{"05 12:15 ida2 " + calm, "05 12:15 ida2 " + urgent}, d.until(noon.Add(16*time.Minute)))
	require.Contains(t, d.post.last["ida2"].Text.Plain(), "This comes here because mail to Ida has not gone through since Wed 5 Nov 2025 13:00.")
	delete(d.post.wrong, "ida")
	require.Empty(t, d.until(noon.Add(40*time.Minute)), "one of the two is enough")

	d.post.wrong["ida"], d.post.wrong["ida2"] = errors.New("refused"), errors.New("refused")
	began := d.now
	urgent, calm = d.find("lake-07", finding.WaterInside), d.find("lake-07", finding.BoardWet)
	require.Equal(t, []string{began.Add(30*time.Minute).Time().Format("02 15:04 ") + "ben " + urgent}, d.until(began.Add(50*time.Minute)))
	delete(d.post.wrong, "ida2")
	require.ElementsMatch(t, []string{"ida2 " + urgent, "ida2 " + calm}, func() (got []string) {
		for _, s := range d.until(began.Add(150 * time.Minute)) {
			got = append(got, s[len("02 15:04 "):])
		}
		return got
	}())
}

// A message waits for the end of a night's rest, and the collector is away just
// then: nothing was tried, so no channel has failed, and it comes once.
func TestNextChannelAfterARestart(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida", "ida2")
	d.now = unit.At(time.Date(2025, 11, 6, 2, 0, 0, 0, time.UTC))
	event := d.find("lake-07", finding.BoardWet)
	require.Empty(t, d.step(), "she rests until six, by UTC")
	d.now = unit.At(time.Date(2025, 11, 6, 6, 20, 0, 0, time.UTC))
	d.restart()
	require.Equal(t, []string{"ida " + event}, d.step())
	require.NotContains(t, d.post.last["ida"].Text.Plain(), "has not gone through")
	require.Empty(t, d.until(d.now.Add(time.Hour)))
}

func TestPassedOn(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	event := d.find("lake-07", finding.WaterInside)
	require.Equal(t, []string{"05 12:00 ida " + event}, d.until(noon.Add(3*time.Hour)), "with one person there is nobody")
	d.person("Ben", func(p *record.Person) { p.Least = record.LeastLetter }, "ben")
	d.person("Cas", func(p *record.Person) { p.Least = record.LeastLetter }, "cas")
	require.Equal(t, []string{"05 15:01 ben " + event, "05 17:01 cas " + event}, func() []string {
		d.now = d.now.Add(time.Minute)
		return d.until(noon.Add(9 * time.Hour))
	}())
	require.Contains(t, d.post.last["ben"].Text.Plain(), "This is passed on to you: Ida has had it since Wed 5 Nov 2025 13:00, and nobody has seen it.")

	seen := d.find("lake-07", finding.WaterInside)
	calm := d.find("lake-07", finding.DampWeek)
	d.step()
	require.NoError(t, books.Alarms{AlarmStore: d.store}.See(t.Context(), seen, "", "Ida", d.now))
	for _, got := range d.until(d.now.Add(10 * time.Hour)) {
		require.NotContains(t, got, "ben "+seen)
		require.NotContains(t, got, "ben "+calm)
	}
}

// The letter comes every day at its time, even if nothing happened, once.
func TestMorningLetter(t *testing.T) {
	d := newDesk(t)
	ida := d.person("Ida", func(p *record.Person) { p.Letter, p.Least, p.Sites = "07:00", record.LeastLetter, []string{"lake"} }, "ida")
	require.Empty(t, d.step(), "she was not told of yesterday")
	letter := func(day string) string { return fmt.Sprintf("ida letter:%d:%s", ida, day) }
	require.Equal(t, []string{"06 06:00 " + letter("2025-11-06")}, d.until(unit.At(time.Date(2025, 11, 6, 6, 5, 0, 0, time.UTC))))
	text := d.post.last["ida"].Text
	require.Equal(t, "Morning letter: nothing to do today", text.Subject)
	require.Contains(t, text.Plain(), "To do today\nNothing.\n\nNew since yesterday\nNothing.\n\nOver since yesterday\nNothing.\n\nThe watch itself\n0.0 %: 0 of 1440 test readings")
	require.Contains(t, text.Plain(), "1 of 2 stations were heard")
	d.restart()
	require.Empty(t, d.step(), "once")

	d.find("quay-01", finding.DampWeek) // not hers
	for range 23 {
		d.find("lake-07", finding.BoardWet)
	}
	round := record.Round{Run: d.cfg.Run, Seq: 1}
	d.round(1)
	require.NoError(t, d.store.JudgeRounds(t.Context(), []record.Round{round}, d.now))
	d.step()
	require.NoError(t, d.store.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "lake-07"}, Occurrences: []alarm.Occurrence{{
		Station: "lake-07", Number: 77, State: alarm.Returned, Told: true,
		Finding: finding.Finding{Kind: finding.SealOpened, From: d.now.Add(-time.Hour), To: d.now, Concluded: d.now},
	}}, Events: []alarm.Event{{ID: "over", Station: "lake-07", Kind: finding.SealOpened, Number: 77, At: d.now, Recorded: d.now, Who: alarm.Rules, Why: alarm.OverWhy}}}))
	d.now = unit.At(time.Date(2025, 11, 7, 6, 0, 0, 0, time.UTC))
	require.Equal(t, []string{letter("2025-11-07")}, d.step())
	text = d.post.last["ida"].Text
	plain := text.Plain()
	require.Contains(t, plain, "and 3 more: see the pages.")
	require.NotContains(t, plain, "quay-01")
	require.Contains(t, plain, "Over since yesterday\nKind seal_opened: Cottage 7, Larkmoor Lake Park, Thu 6 Nov 2025 07:05")
	require.Contains(t, plain, "0.1 %: 1 of 1440 test readings")
	require.Equal(t, "Morning letter: nothing to do today", text.Subject)
	d.now = d.now.Add(48 * time.Hour)
	d.step()
	text = d.post.last["ida"].Text
	require.Equal(t, "Morning letter: 23 to do today", text.Subject)
	require.Contains(t, text.Links[0].Says, "seen")
	seen, err := link.Read([]byte("key"), strings.TrimPrefix(text.Links[0].URL, "https://watch.example/seen/"), d.now)
	require.NoError(t, err)
	require.Equal(t, link.Seen{Event: letter("2025-11-09")[len("ida "):], Person: "Ida", Expires: seen.Expires, Until: seen.Until}, seen)
	n, err := d.store.Notice(t.Context(), seen.Event)
	require.NoError(t, err)
	var asks record.NoticeBody
	require.NoError(t, json.Unmarshal([]byte(n.Body), &asks))
	require.Len(t, asks.Alarms, 20, "what isn't shown isn't seen")
	require.Contains(t, text.Plain(), "Cottage 7, Larkmoor Lake Park: Go there (kind board_wet; overdue since Sun 9 Nov 2025 06:05; nobody has seen it)")

	d.now = d.now.Add(24*time.Hour + letterTooLate)
	require.Empty(t, d.step(), "the next one is near")
}

// A router is away from one evening to the next noon: people are told that the
// station is silent. When it comes back its spool shows that it went on reading, so
// the silence ends with the reading after the last one, the evening before. The next
// letter says that it is over, once.
func TestLetterSaysWhatIsOverByNow(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", func(p *record.Person) { p.Letter = "07:00" }, "ida")
	last := unit.At(time.Date(2025, 11, 5, 20, 0, 0, 0, time.UTC))
	silent := finding.Finding{Kind: finding.Silent, From: last, Concluded: last, Confidence: 1}
	judge := func(f finding.Finding, recorded []alarm.Occurrence) {
		c := alarm.Reconcile(alarm.Judgement{
			Station: "lake-07", Kinds: []finding.Kind{finding.Silent}, Findings: []finding.Finding{f},
			Since: math.MaxInt64, Until: math.MaxInt64, Newest: d.now, Now: d.now,
		}, recorded)
		for i := range c.Occurrences {
			c.Occurrences[i].Told = true
		}
		require.NoError(t, d.store.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "lake-07"}, Occurrences: c.Occurrences, Events: c.Events}))
	}
	d.now = last.Add(3 * time.Hour)
	judge(silent, nil)
	d.until(unit.At(time.Date(2025, 11, 6, 12, 0, 0, 0, time.UTC)))
	require.Contains(t, d.post.last["ida"].Text.Plain(), "kind silent", "the letter of the sixth")

	recorded, err := d.store.Occurrences(t.Context(), "lake-07")
	require.NoError(t, err)
	silent.To = last.Add(10 * time.Minute)
	judge(silent, recorded)
	d.until(unit.At(time.Date(2025, 11, 7, 12, 0, 0, 0, time.UTC)))
	require.Contains(t, d.post.last["ida"].Text.Plain(), "Over since yesterday\nKind silent: Cottage 7, Larkmoor Lake Park, Wed 5 Nov 2025 21:10")
	d.until(unit.At(time.Date(2025, 11, 8, 12, 0, 0, 0, time.UTC)))
	require.Contains(t, d.post.last["ida"].Text.Plain(), "Over since yesterday\nNothing.")
}

// The collector's machine was off from before seven until the evening, so a letter
// is left out: the next one has what that would have said.
func TestLetterAfterOneThatWasLeftOut(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", func(p *record.Person) { p.Letter, p.Least = "07:00", record.LeastLetter }, "ida")
	d.until(unit.At(time.Date(2025, 11, 6, 20, 0, 0, 0, time.UTC)))
	o := d.occurrence("lake-07", finding.DampWeek)
	d.commit(d.messageOf(&o, nil), o)
	d.step()
	o.Finding.To, o.State, o.Steps = d.now.Add(time.Hour), alarm.Returned, 2
	require.NoError(t, d.store.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "lake-07"}, Occurrences: []alarm.Occurrence{o}, Events: []alarm.Event{
		{ID: o.ID() + ":2", Station: "lake-07", Kind: finding.DampWeek, Number: o.Number, At: d.now, Recorded: d.now.Add(time.Hour), Who: alarm.Rules, Why: alarm.OverWhy},
	}}))
	d.now = unit.At(time.Date(2025, 11, 7, 19, 0, 0, 0, time.UTC))
	d.restart()
	require.Empty(t, d.step(), "thirteen hours late")
	require.Len(t, d.until(unit.At(time.Date(2025, 11, 8, 6, 5, 0, 0, time.UTC))), 1)
	text := d.post.last["ida"].Text
	require.Contains(t, text.Plain(), "New since yesterday\nKind damp_week: Cottage 7, Larkmoor Lake Park\n")
	require.Contains(t, text.Plain(), "Over since yesterday\nKind damp_week: Cottage 7, Larkmoor Lake Park")
	d.until(unit.At(time.Date(2025, 11, 9, 6, 5, 0, 0, time.UTC)))
	text = d.post.last["ida"].Text
	require.Contains(t, text.Plain(), "New since yesterday\nNothing.", "once")
}

const letterTooLate = 12*time.Hour + time.Minute

func (d *desk) round(seq int64) {
	d.Helper()
	line := fmt.Sprintf("reading,station=collector,run=%s seq=%di,inside_temp_c=10,inside_rh_pct=100 %d\n", d.cfg.Run, seq, int64(d.now))
	_, err := d.store.Commit(d.Context(), []record.Arrival{arrivalOf(d.now, line)})
	require.NoError(d, err)
}

// Rounds come out of the outbox only when they were judged, and are told once.
func TestRoundsComeOut(t *testing.T) {
	d := newDesk(t)
	d.round(1)
	d.step()
	require.Empty(t, d.told)
	list, err := d.store.Unjudged(t.Context())
	require.NoError(t, err)
	require.NoError(t, d.store.JudgeRounds(t.Context(), list, d.now))
	d.step()
	require.Len(t, d.told, 1)
	require.Equal(t, int64(1), d.told[0].Seq)
}

// Who isn't on duty tells its own watch what came through, and nobody else
// anything, until it is.
func TestOffDuty(t *testing.T) {
	d := newDesk(t)
	on, err := false, error(nil)
	d.cfg.OnDuty = func(context.Context) (bool, error) { return on, err }
	d.restart()
	d.person("Ida", nil, "ida")
	event := d.find("lake-07", finding.WaterInside)
	d.round(1)
	list, e := d.store.Unjudged(t.Context())
	require.NoError(t, e)
	require.NoError(t, d.store.JudgeRounds(t.Context(), list, d.now))
	require.Empty(t, d.step())
	require.Len(t, d.told, 1)
	err = errKilled
	require.ErrorIs(t, d.sender.Step(t.Context(), d.now), errKilled)
	on, err = true, nil
	require.Equal(t, []string{"ida " + event}, d.step())
}

func TestWatchedInstallation(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	require.NoError(t, d.store.AddWatched(t.Context(), record.WatchedPeer{Name: "Quay", Every: time.Minute, Made: d.now}, []byte("hash"), "test"))
	call := func() {
		name, err := d.store.PeerCalled(t.Context(), []byte("hash"), d.now)
		require.NoError(t, err)
		require.Equal(t, "Quay", name)
	}
	for range 5 {
		d.now = d.now.Add(time.Minute)
		call()
		require.Empty(t, d.step())
	}
	d.now = d.now.Add(2 * time.Minute)
	require.Empty(t, d.step(), "one call may be left out")
	d.now = d.now.Add(15 * time.Second)
	require.Equal(t, []string{"ida watch:Quay:1"}, d.step())
	require.True(t, d.post.last["ida"].Urgent)
	require.Contains(t, d.post.last["ida"].Text.Plain(), "The installation Quay does not call any more, every 1m0s. Its last call came at 5 Nov 2025 12:05:00 UTC.")
	require.Empty(t, d.until(d.now.Add(time.Hour)), "once")
	call()
	require.Equal(t, []string{"ida watch:Quay:1:again"}, d.step())
	d.now = d.now.Add(3 * time.Minute)
	require.Equal(t, []string{"ida watch:Quay:2"}, d.step())
}

// Who looks after some sites is told when nothing arrives from anywhere, whichever
// station was silent first: the others' silence is told with it.
func TestNothingArrivesConcernsEverybody(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	d.person("Ben", func(p *record.Person) { p.Sites = []string{"quay"} }, "ben")
	d.person("Cas", func(p *record.Person) { p.Kinds = []finding.Kind{finding.BoardWet} }, "cas")
	first, second := d.occurrence("lake-07", finding.Silent), d.occurrence("quay-01", finding.Silent)
	first.Cause, second.Cause = 1, 1
	m := d.messageOf(&first, &record.MessageCause{Scope: alarm.Workshop, From: first.Finding.From, Stations: []string{"lake-07"}, Alarms: []string{first.ID()}})
	require.NoError(t, d.store.ChangeAlarms(t.Context(), record.AlarmChange{
		Occurrences: []alarm.Occurrence{first, second}, Outbox: []record.Message{m},
		Causes: []alarm.Cause{{Number: 1, Scope: alarm.Workshop, Kind: finding.Silent, From: first.Finding.From}},
	}))
	require.Equal(t, []string{"ben " + m.EventID, "ida " + m.EventID}, d.step())
}

// A site's router was away for some hours of the night: who rests hears of it in the
// morning, and that it is over by then.
func TestACommonCauseThatIsOverByTheMorning(t *testing.T) {
	d := newDesk(t)
	d.place["lake-08"] = notify.Place{Name: "Cottage 8", Site: "lake", SiteName: "Larkmoor Lake Park"}
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(t, err)
	require.NoError(t, d.store.AddStation(t.Context(), record.Station{ID: "lake-08", Secret: secret, Enrolled: 1}, "test"))
	d.person("Ida", nil, "ida")
	night := unit.At(time.Date(2025, 11, 6, 1, 0, 0, 0, time.UTC))
	for over := range 3 {
		d.now = night.Add(time.Duration(over) * 24 * time.Hour)
		list := []alarm.Occurrence{d.occurrence("lake-07", finding.Silent), d.occurrence("lake-08", finding.Silent)}
		for i := range list {
			list[i].Cause = int64(over + 1)
		}
		m := d.messageOf(&list[0], &record.MessageCause{Scope: alarm.OfSite, Subject: "lake", From: list[0].Finding.From, Stations: []string{"lake-07", "lake-08"}, Alarms: []string{list[0].ID(), list[1].ID()}})
		m.Priority = alarm.Soon
		require.NoError(t, d.store.ChangeAlarms(t.Context(), record.AlarmChange{
			Occurrences: list, Outbox: []record.Message{m},
			Causes: []alarm.Cause{{Number: int64(over + 1), Scope: alarm.OfSite, Subject: "lake", Kind: finding.Silent, From: list[0].Finding.From}},
		}))
		require.Empty(t, d.step(), "she rests")
		for i := range list[:over] {
			list[i].Finding.To, list[i].State, list[i].Steps = d.now.Add(time.Hour), alarm.Returned, 2
		}
		require.NoError(t, d.store.ChangeAlarms(t.Context(), record.AlarmChange{Occurrences: list[:over], Events: slices.Collect(func(yield func(alarm.Event) bool) {
			for i := range list[:over] {
				yield(alarm.Event{ID: list[i].ID() + ":2", Station: list[i].Station, Kind: list[i].Finding.Kind, Number: list[i].Number, From: alarm.Unacknowledged, To: alarm.Returned})
			}
		})}))
		d.now = night.Add(time.Duration(over)*24*time.Hour + 6*time.Hour)
		require.Len(t, d.step(), 1)
		text := d.post.last["ida"].Text.Plain()
		switch over {
		case 0:
			require.True(t, strings.HasPrefix(text, "2 at Larkmoor Lake Park."), text)
		case 1:
			require.Contains(t, text, "At 1 of 2 stations it is over or taken back since this was written.\n\n2 at")
		case 2:
			require.Contains(t, text, "It is over since Sat 8 Nov 2025 03:00; this was written before.\n\n2 at")
		}
	}
}

// A collector that was away itself (a reboot, a power cut) has had no time to be
// called: it wakes nobody for that. What was silent before stays so.
func TestWatchedInstallationAfterARestart(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	require.NoError(t, d.store.AddWatched(t.Context(), record.WatchedPeer{Name: "Quay", Every: time.Minute, Made: d.now}, []byte("hash"), "test"))
	call := func() {
		_, err := d.store.PeerCalled(t.Context(), []byte("hash"), d.now)
		require.NoError(t, err)
	}
	call()
	require.Empty(t, d.step())
	d.now = d.now.Add(10 * time.Minute)
	d.restart()
	require.Empty(t, d.step(), "Quay calls each minute, and was called for by nobody")
	d.now = d.now.Add(50 * time.Second)
	call()
	require.Empty(t, d.step())
	d.now = d.now.Add(5 * time.Minute)
	require.Equal(t, []string{"ida watch:Quay:1"}, d.step())
	d.restart()
	require.Empty(t, d.step(), "it doesn't call again")
	d.now = d.now.Add(5 * time.Minute)
	require.Empty(t, d.step())
	call()
	require.Equal(t, []string{"ida watch:Quay:1:again"}, d.step())
	d.now = d.now.Add(10 * time.Minute)
	d.restart()
	require.Empty(t, d.step())
	d.now = d.now.Add(135 * time.Second)
	require.Equal(t, []string{"ida watch:Quay:2"}, d.step(), "it was away in truth")
}

// What has a common cause is one message and one line of a letter, and who has
// seen it has seen all of it; a wet night is in the letter only.
func TestCommonCause(t *testing.T) {
	d := newDesk(t)
	d.place["lake-08"] = notify.Place{Name: "Cottage 8", Site: "lake", SiteName: "Larkmoor Lake Park"}
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(t, err)
	require.NoError(t, d.store.AddStation(t.Context(), record.Station{ID: "lake-08", Secret: secret, Enrolled: 1}, "test"))
	ida := d.person("Ida", func(p *record.Person) { p.Letter = "07:00" }, "ida")
	d.person("Ben", func(p *record.Person) { p.Sites, p.Letter = []string{"quay"}, "07:00" }, "ben")
	together := func(number int64, scope alarm.Scope, subject string, kind finding.Kind) string {
		a, b := d.occurrence("lake-07", kind), d.occurrence("lake-08", kind)
		a.Cause, b.Cause = number, number
		m := d.messageOf(&a, &record.MessageCause{Scope: scope, Subject: subject, From: a.Finding.From, Stations: []string{"lake-07", "lake-08"}, Alarms: []string{a.ID(), b.ID()}})
		require.NoError(t, d.store.ChangeAlarms(t.Context(), record.AlarmChange{
			Occurrences: []alarm.Occurrence{a, b}, Outbox: []record.Message{m},
			Causes: []alarm.Cause{{Number: number, Scope: scope, Subject: subject, Kind: kind, From: a.Finding.From}},
		}))
		return m.EventID
	}
	site := together(1, alarm.OfSite, "lake", finding.Silent)
	require.Equal(t, []string{"ida " + site}, d.step())
	p := d.post.last["ida"]
	require.Equal(t, "Cause site: Larkmoor Lake Park", p.Text.Subject)
	require.True(t, p.Opens)
	for _, says := range []string{
		"2 at Larkmoor Lake Park. Since Wed 5 Nov 2025 08:00.", "Do first: Ask there, by Fri 7 Nov 2025 12:00.", "If nobody goes: nobody knows.",
		"Stations\nCottage 7, Larkmoor Lake Park (lake-07)\nCottage 8, Larkmoor Lake Park (lake-08)\n", "The pages:\nhttps://watch.example/\n",
	} {
		require.Contains(t, p.Text.Plain(), says)
	}
	together(2, alarm.Weather, "", finding.BoardWet)
	require.Empty(t, d.step(), "the letter has it")
	together(3, alarm.Workshop, "", finding.NoCurrent)
	require.Len(t, d.step(), 2, "it is nowhere in particular")
	require.Equal(t, "Cause workshop: 2 stations", d.post.last["ida"].Text.Subject)
	require.Contains(t, d.post.last["ida"].Text.Plain(), "2 at 2 stations.")
	together(4, alarm.OfLine, "west", finding.LineVoltageLow)
	d.step()
	require.Equal(t, "Cause line: line west", d.post.last["ida"].Text.Subject)
	require.Contains(t, d.post.last["ida"].Text.Plain(), "2 at west.")

	// Passed on until somebody has seen the first of them, and the second.
	d.person("Cas", func(p *record.Person) { p.Least = record.LeastLetter }, "cas")
	unseen, err := d.store.UnseenMessages(t.Context(), d.now)
	require.NoError(t, err)
	require.Len(t, unseen, 4)
	alarms := books.Alarms{AlarmStore: d.store}
	require.NoError(t, alarms.See(t.Context(), "lake-07:silent:1", "", "Ida", d.now))
	unseen, err = d.store.UnseenMessages(t.Context(), d.now)
	require.NoError(t, err)
	require.Len(t, unseen, 4)
	require.NoError(t, alarms.See(t.Context(), "lake-08:silent:2", "", "Ida", d.now))
	unseen, err = d.store.UnseenMessages(t.Context(), d.now)
	require.NoError(t, err)
	require.Len(t, unseen, 3)

	d.now = unit.At(time.Date(2025, 11, 6, 6, 0, 0, 0, time.UTC))
	d.step()
	letter := d.post.last["ida"]
	require.Equal(t, fmt.Sprintf("letter:%d:2025-11-06", ida), letter.Event)
	require.Contains(t, letter.Text.Plain(), "To do today\nNothing.\n\nNew since yesterday\n"+
		"Cause line: line west\nCause site: Larkmoor Lake Park\nCause weather: 2 stations\nCause workshop: 2 stations\n\n"+
		"Over since yesterday\nNothing.\n\nBy the weather\n2 at 2 stations.\n\nTo do later\n"+
		"2 at 2 stations. Ask there (by Fri 7 Nov 2025 12:00; nobody has seen it)\n2 at Larkmoor Lake Park. Ask there (by Fri 7 Nov 2025 12:00)\n"+
		"2 at west. Ask there (by Wed 12 Nov 2025 12:00; nobody has seen it)\n\nTake care\nMains.\n\nThe watch itself\n")
	require.Contains(t, d.post.last["ben"].Text.Plain(), "New since yesterday\nNothing.\n", "none of it is hers")
}

// A letter after noon says where the coming night is likely to be wet.
func TestTonight(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", func(p *record.Person) { p.Letter, p.Least = "15:00", record.LeastLetter }, "ida")
	d.person("Ben", func(p *record.Person) { p.Letter, p.Kinds = "15:00", []finding.Kind{finding.Silent} }, "ben")
	foretell := func(station, night string, condensing float64) {
		t.Helper()
		told := outlook.Told{Issue: outlook.Early, Night: outlook.Night{Night: night, Issued: d.now, PCondensing: condensing, PAtRisk: 1}, Until: d.now.Add(16 * time.Hour), Heard: d.now}
		require.NoError(t, d.store.CommitFold(t.Context(), record.Folded{
			Mark: record.Mark{Station: station}, Nights: &record.Foretold{Made: d.now, Told: []outlook.Told{told}},
		}))
	}
	foretell("quay-01", "2025-11-04", 0.9) // the night before
	d.now = noon.Add(time.Hour)
	foretell("lake-07", "2025-11-05", 0.62)
	d.now = noon.Add(2 * time.Hour) // 15:00 in Berlin
	d.step()
	require.Contains(t, d.post.last["ida"].Text.Plain(), "Kind dew_tonight\nLarkmoor Lake Park: Cottage 7 62 %\nGo there.\n")
	require.NotContains(t, d.post.last["ben"].Text.Plain(), "dew_tonight")

	require.NoError(t, d.store.ChangeAlarms(t.Context(), record.AlarmChange{Limits: []record.AlarmLimit{{Name: "dew_tonight.confidence", Value: "0.7", Author: "Ida", Recorded: d.now}}}))
	d.now = d.now.Add(23 * time.Hour)
	foretell("lake-07", "2025-11-06", 0.62)
	foretell("quay-01", "2025-11-06", 0.71)
	d.now = d.now.Add(time.Hour)
	d.step()
	require.Contains(t, d.post.last["ida"].Text.Plain(), "Kind dew_tonight\nquay-01 71 %\nGo there.\n")
}

func TestFindingInWords(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	event := d.find("lake-07", finding.WaterInside)
	d.step()
	p := d.post.last["ida"]
	require.Equal(t, "Kind water_inside: Cottage 7, Larkmoor Lake Park", p.Text.Subject)
	require.True(t, p.Opens)
	require.Equal(t, event, p.Thread)
	plain := p.Text.Plain()
	for _, says := range []string{
		"Kind water_inside at Cottage 7, Larkmoor Lake Park (lake-07), since Wed 5 Nov 2025 08:00.", "Do first: Go there, by Fri 7 Nov 2025 12:00.",
		"If nobody goes: it corrodes.", "Take care: Ladder: two people.", "What it rests on\nexcess vapour: 2.35 hPa",
		"The station:\nhttps://watch.example/stations/lake-07",
	} {
		require.Contains(t, plain, says)
	}
	_, token, ok := strings.Cut(plain, "Say that you have seen it:\nhttps://watch.example/seen/")
	require.True(t, ok)
	token, _, _ = strings.Cut(token, "\n")
	seen, err := link.Read([]byte("key"), token, d.now)
	require.NoError(t, err)
	require.Equal(t, "Ida", seen.Person)
	require.Equal(t, event, seen.Event)
}

// dying is a store of a program that is killed when a delivery was taken, or
// whose note of it is lost though it was written.
type dying struct {
	notify.Store
	kill, apply bool
}

var errKilled = errors.New("killed on purpose")

func (s *dying) DeliveryTaken(ctx context.Context, d record.Delivery, at unit.Instant) error {
	if !s.kill {
		return s.Store.DeliveryTaken(ctx, d, at)
	}
	if s.apply {
		return errors.Join(errKilled, s.Store.DeliveryTaken(ctx, d, at))
	}
	return errKilled
}

// Killed between sending and noting it, a message comes once more under the same
// id; and not at all when only the note failed, or was made.
func TestKilledBetweenSendingAndNoting(t *testing.T) {
	for _, c := range []struct {
		apply, restart bool
		again          int
	}{{false, true, 1}, {true, true, 0}, {false, false, 0}, {true, false, 0}} {
		t.Run(fmt.Sprintf("%+v", c), func(t *testing.T) {
			d := newDesk(t)
			dead := &dying{Store: d.store, kill: true, apply: c.apply}
			d.used = dead
			d.restart()
			d.person("Ida", nil, "ida")
			event := d.find("lake-07", finding.WaterInside)
			require.NoError(t, d.sender.Step(t.Context(), d.now))
			d.sender.Settle()
			require.Equal(t, []string{"ida " + event}, d.post.take())
			dead.kill = false
			if c.restart {
				d.restart()
			}
			again := d.until(d.now.Add(2 * time.Hour))
			require.Len(t, again, c.again)
			if c.again > 0 {
				require.Contains(t, again[0], event)
			}
			told, err := d.store.Told(t.Context(), 9)
			require.NoError(t, err)
			require.NotZero(t, told[0].Taken)
		})
	}
}

// A channel that is taken away, and one that the config doesn't know.
func TestChannelThatIsNoMore(t *testing.T) {
	d := newDesk(t)
	id := d.person("Ida", nil, "ida", "ida2")
	d.post.wrong["ida"], d.post.wrong["ida2"] = errors.New("no"), errors.New("no")
	d.find("lake-07", finding.WaterInside)
	d.until(noon.Add(16 * time.Minute))
	p := record.Person{ID: id, Name: "Ida", Place: 1, Zone: "Etc/UTC", Least: record.LeastAll, Channels: []record.Channel{{Kind: record.MQTT, Address: "x"}}}
	_, err := d.store.PutPerson(t.Context(), p, d.now, "test")
	require.NoError(t, err)
	d.until(noon.Add(40 * time.Minute))
	told, err := d.store.Told(t.Context(), 9)
	require.NoError(t, err)
	require.Equal(t, "the channel is there no more", told[0].EndedWhy)
	require.Contains(t, told[1].Error, "channel mqtt is not set up")
}

// One part that fails keeps no other from its work.
func TestOnePartFails(t *testing.T) {
	d := newDesk(t)
	d.person("Ida", nil, "ida")
	event := d.find("lake-07", finding.WaterInside)
	heard := d.cfg.Heard
	d.cfg.Heard = func(context.Context) (notify.Heard, error) { return notify.Heard{}, errKilled }
	d.person("Ben", func(p *record.Person) { p.Letter, p.Least = "12:00", record.LeastLetter }, "ben")
	d.now = d.now.Add(23 * time.Hour)
	d.restart()
	require.ErrorIs(t, d.sender.Step(t.Context(), d.now), errKilled)
	d.sender.Settle()
	require.Equal(t, []string{"ida " + event}, d.post.take())
	d.cfg.Heard = heard
	d.restart()
	require.Len(t, d.step(), 1)
}

// Run sends when it is woken and by the minute, answers who asks, and ends.
func TestRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t)
		ask := make(chan struct{})
		d.cfg.Ask, d.cfg.Now = ask, time.Now
		d.restart()
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- d.sender.Run(ctx) }()
		d.person("Ida", func(p *record.Person) { p.RestFrom, p.RestTo = "", "" }, "ida")
		synctest.Wait()
		ask <- struct{}{}
		d.find("lake-07", finding.WaterInside)
		d.sender.Wake()
		synctest.Wait()
		require.Len(t, d.post.take(), 1, "at once")
		d.find("lake-07", finding.WaterInside)
		time.Sleep(time.Minute)
		synctest.Wait()
		require.Len(t, d.post.take(), 1, "what another collector wrote, within a minute")
		d.post.mu.Lock()
		d.post.wrong["ida"] = errors.New("no")
		d.post.mu.Unlock()
		d.find("lake-07", finding.WaterInside)
		d.sender.Wake()
		synctest.Wait()
		d.post.mu.Lock()
		delete(d.post.wrong, "ida")
		d.post.mu.Unlock()
		time.Sleep(61 * time.Second)
		synctest.Wait()
		require.Len(t, d.post.take(), 1, "again when it is due")
		stop()
		require.NoError(t, <-done)
	})
}
