package books_test

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

// visitsNow is the clock of these tests: eleven in the morning, local time.
var visitsNow = unit.At(time.Date(2025, 5, 20, 10, 0, 0, 0, time.UTC))

func ptr[T any](v T) *T { return &v }

// shop is a store with a station on a site in CET, and visits in it.
type shop struct {
	books.Visits
	t     *testing.T
	store *store.Store
	now   unit.Instant
}

func newShop(t *testing.T, facts ...string) *shop {
	t.Helper()
	ctx := t.Context()
	st, err := store.Open(ctx, filepath.Join(t.TempDir(), "shop.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, st.Close()) })
	for _, id := range []string{"lake-07", "spare"} {
		secret, err := receipt.NewSecret([]byte(fmt.Sprintf("%-32s", id)))
		require.NoError(t, err)
		require.NoError(t, st.AddStation(ctx, record.Station{ID: id, Secret: secret, Enrolled: visitsNow - 1}, "test"))
	}
	s := &shop{books.Visits{VisitStore: st}, t, st, visitsNow}
	s.say(fact.Subject{Kind: fact.KindSite, ID: "lake"}, fact.Name, "Lake", fact.Zone, "CET")
	s.say(fact.Subject{Kind: fact.KindLine, ID: "l1"}, fact.Site, "lake")
	lake := fact.Subject{Kind: fact.KindStation, ID: "lake-07"}
	s.say(lake, fact.Site, "lake", fact.Line, "l1", fact.Address, "7")
	s.say(lake, facts...)
	return s
}

func (s *shop) say(subject fact.Subject, pairs ...string) {
	s.t.Helper()
	var facts []fact.Fact
	for i := 0; i < len(pairs); i += 2 {
		facts = append(facts, fact.Fact{Subject: subject, Name: pairs[i], Value: pairs[i+1], From: fact.Always, Author: "test", Recorded: s.now})
	}
	require.NoError(s.t, s.store.AddFacts(s.t.Context(), facts))
}

// try records a file written as JSON.
func (s *shop) try(text string) (int64, error) {
	s.t.Helper()
	var f books.VisitFile
	if err := books.ReadJSON(strings.NewReader(text), &f); err != nil {
		return 0, err
	}
	return s.Record(s.t.Context(), &f, s.now, "Will", false)
}

func (s *shop) record(text string) int64 {
	s.t.Helper()
	n, err := s.try(text)
	require.NoError(s.t, err, text)
	return n
}

// requireWrong expects an Error.
func requireWrong(t *testing.T, err error, field, value, fix string, what ...any) {
	t.Helper()
	var e books.Error
	require.ErrorAs(t, err, &e, what...)
	require.Equal(t, field, e.Field, what...)
	require.Equal(t, value, e.Value, what...)
	require.Contains(t, e.Fix, fix, what...)
}

func (s *shop) holds(subject fact.Subject, name string) string {
	s.t.Helper()
	facts, err := s.Facts(s.t.Context(), subject)
	require.NoError(s.t, err)
	value, _ := fact.At(facts, name, s.now)
	return value
}

func (s *shop) station(name string) string {
	return s.holds(fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, name)
}

const goodCard = `{"keys":{"there":2,"good":[1,2]},"lamps":{"there":1,"good":[1]},"volume_steps":{"there":0},"talk_out":"good","talk_in":"good","address":"7",
	"supply_v":24,"standby_ma":11.5,"standby_most_ma":12,"talk_ma":80,"talk_most_ma":120,"limits_from":"sheet",
	"coating_parts":"good","coating_solder":"good","masked":{"switch_contacts":"good","microphone":"good","connectors":"good","address_switch":"good"},
	"inner_cover":"good","closed":"2025-05-19T20:00:00Z","at":"2025-05-19T21:00:00Z"}`

// A send-in from the first call to the wall: its board is recoated, so that it
// leaves with a passed card only.
func TestSendIn(t *testing.T) {
	s := newShop(t, fact.Build, "cracked-cover", fact.Model, "L8")
	n := s.record(`{"station":"lake-07","kind":"send-in","who":"Ruth","planned":"2025-05-22","why_text":"dead key",
		"symptoms":[{"kind":"dead-key","note":"the second","reported_by":"Ann","since":"2025-05-02"}]}`)
	require.Equal(t, int64(1), n)
	s.record(`{"visit":1,"planned":"2025-05-16","states":[{"state":"posted","at":"2025-05-14"},{"state":"arrived","at":"2025-05-16T08:00:00Z"},{"state":"on-bench","at":"2025-05-16T12:00"}]}`)
	s.record(`{"visit":1,"findings":[{"at":"2025-05-16T12:05","moisture":"damp","cover":"cracked","corrosion":{"board":"trace"}}]}`)
	require.Equal(t, "cracked", s.station(fact.CoverCondition))
	s.record(`{"visit":1,"work":[
		{"code":"recoated","at":"2025-05-18T20:00:00Z","details":{"coating":"acrylic","sides":"both","coats":"2","cure_hours":"24"}},
		{"code":"cover-changed","at":"2025-05-18T22:30:00Z","details":{"cover":"made up"}}]}`)
	for name, want := range map[string]string{
		fact.Coating: "acrylic", fact.Coated: "2025-05-18", fact.Cured: "2025-05-19", fact.Coats: "2",
		fact.Cover: "made up", fact.CoverNew: "2025-05-19", fact.CoverCondition: "sound", fact.Build: "coated-new-cover",
	} {
		require.Equal(t, want, s.station(name), name)
	}
	facts, err := s.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: "lake-07"})
	require.NoError(t, err)
	require.Equal(t, "Will", facts[len(facts)-1].Author)

	_, err = s.try(`{"visit":1,"states":[{"state":"sent-back"}]}`)
	requireWrong(t, err, "state", "sent-back", "there is none")
	s.record(`{"visit":1,"card":` + strings.Replace(goodCard, `"talk_in":"good"`, `"talk_in":"bad"`, 1) + `}`)
	_, err = s.try(`{"visit":1,"states":[{"state":"sent-back"}]}`)
	requireWrong(t, err, "state", "sent-back", "the newest is failed (talk_in: nothing, or too little, is heard at the station)")
	// What the first card said of the unit need not be said again.
	s.record(`{"visit":1,"card":{"keys":{"good":[1,2]},"lamps":{"good":[1]},"volume_steps":{},"talk_out":"good","talk_in":"good","address":"7",
		"supply_v":24,"standby_ma":11.5,"talk_ma":80,"coating_parts":"good","coating_solder":"good",
		"masked":{"switch_contacts":"good","microphone":"none","connectors":"good","address_switch":"good"},"inner_cover":"good","closed":"2025-05-19T20:00:00Z"}}`)
	s.record(`{"visit":1,"states":[{"state":"sent-back"}]}`)
	d, err := s.Visit(t.Context(), 1)
	require.NoError(t, err)
	last := d.Cards[1]
	require.Equal(t, bench.Passed, last.Result.Verdict, last.Result.Reasons())
	require.Equal(t, 24.0, *last.Card.CureHours, "as the work says")
	require.Equal(t, "sheet", last.Card.LimitsFrom)
	require.Equal(t, "2025-05-16", d.Planned)
	require.Equal(t, []bench.State{"planned", "posted", "arrived", "on-bench", "sent-back"}, statesOf(&d))
	require.Equal(t, unit.At(time.Date(2025, 5, 14, 10, 0, 0, 0, time.UTC)), d.Steps[1].At, "a bare date is local noon")
	require.Equal(t, unit.At(time.Date(2025, 5, 16, 10, 0, 0, 0, time.UTC)), d.Steps[3].At, "local time")

	// More work on the board after that takes another card.
	_, err = s.try(`{"visit":1,"work":[{"code":"cleaned"}]}`)
	require.NoError(t, err, "at the instant of the newest card")
	s.now = s.now.Add(time.Hour)
	_, err = s.try(`{"visit":1,"work":[{"code":"cleaned"}]}`)
	requireWrong(t, err, "state", "sent-back", "before the last work on the board")
	s.record(`{"visit":1,"states":[{"state":"on-bench"}]}`)
	s.record(`{"visit":1,"work":[{"code":"cleaned","note":"flux"}]}`)
	s.record(`{"visit":1,"states":[{"state":"sent-back","without_card":"only the outside was wiped"}]}`)
	s.record(`{"visit":1,"states":[{"state":"done"}],"work":[{"code":"hung"}]}`)
	require.Equal(t, "2025-05-20", s.station(fact.Installed))
	d, err = s.Visit(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, "only the outside was wiped", d.Steps[6].WithoutCard)
	require.NotZero(t, d.Ended)

	s.now = s.now.Add(30 * 24 * time.Hour)
	list, err := s.Baselines(t.Context(), "lake-07", s.now)
	require.NoError(t, err)
	require.Equal(t, []bench.Baseline{{Kind: "wall", From: visitsNow.Add(time.Hour), To: visitsNow.Add(time.Hour + bench.WallMost), Valid: true}}, list)
}

func statesOf(d *record.VisitDetails) (all []bench.State) {
	for _, s := range d.Steps {
		all = append(all, s.State)
	}
	return all
}

// What is repaired where it hangs is a baseline from when it was closed.
func TestBaselinesOnTheWall(t *testing.T) {
	s := newShop(t, fact.Installed, "2025-01-01")
	s.record(`{"station":"lake-07","kind":"on-site","states":[{"state":"under-way","at":"2025-03-10T08:00:00Z"},{"state":"done","at":"2025-03-10T09:00:00Z"}],
		"findings":[{"at":"2025-03-10T08:10:00Z","moisture":"dry"}],"work":[{"code":"taken-down","at":"2025-03-10T08:01:00Z"},{"code":"gasket-changed","at":"2025-03-10T08:20:00Z"},{"code":"hung","at":"2025-03-10T08:50:00Z"}]}`)
	s.record(`{"station":"lake-07","kind":"on-site","states":[{"state":"under-way","at":"2025-04-10T08:00:00Z"},{"state":"done","at":"2025-04-10T09:00:00Z"}],
		"findings":[{"at":"2025-04-10T08:10:00Z","gasket":"sound"}]}`)
	s.record(`{"station":"lake-07","kind":"photos","states":[{"state":"done","at":"2025-04-20T09:00:00Z"}],"findings":[{"at":"2025-04-20T09:00:00Z","moisture":"dry"}]}`)
	s.record(`{"station":"lake-07","kind":"send-in","states":[{"state":"arrived","at":"2025-05-01T09:00:00Z"},{"state":"on-bench","at":"2025-05-01T10:00:00Z"}],
		"work":[{"code":"recoated","at":"2025-05-01T11:00:00Z","details":{"coating":"acrylic","sides":"one","cured":"2025-05-02"}}],
		"jars":[{"begin":"2025-05-03T08:00:00Z","end":"2025-05-05T08:00:00Z","inside":"salt, 75 %"},{"begin":"2025-05-06T08:00:00Z","inside":"water"}]}`)
	list, err := s.Baselines(t.Context(), "lake-07", s.now)
	require.NoError(t, err)
	at := func(text string) unit.Instant {
		v, err := time.Parse("2006-01-02T15:04", text)
		require.NoError(t, err)
		return unit.At(v)
	}
	require.Equal(t, []bench.Baseline{
		{Kind: "wall", From: at("2025-01-01T23:00"), To: at("2025-01-22T23:00"), Valid: true, Until: at("2025-03-10T08:20")},
		{Kind: "wall", From: at("2025-03-10T08:50"), To: at("2025-03-31T08:50"), Valid: true, Until: at("2025-05-01T11:00")}, // a look inside changes nothing
		{Kind: "jar", From: at("2025-05-03T08:00"), To: at("2025-05-05T08:00"), Valid: true, Note: "salt, 75 %"},
		{Kind: "jar", From: at("2025-05-06T08:00"), To: s.now, Why: "it has not ended", Note: "water"},
	}, list)
	for i := range list {
		body, err := json.Marshal(books.BaselineOf(&list[i]))
		require.NoError(t, err)
		require.NotContains(t, string(body), "1970")
	}
	_, err = s.Baselines(t.Context(), "nobody", s.now)
	require.ErrorIs(t, err, record.ErrNotFound)
}

func TestSensorsChangeWithVisits(t *testing.T) {
	s := newShop(t)
	old, fresh := fact.Subject{Kind: fact.KindSensor, ID: "s-4"}, fact.Subject{Kind: fact.KindSensor, ID: "s-5"}
	s.say(old, fact.Station, "lake-07", fact.Channels, "inside_temp_c,inside_rh_pct")
	s.say(fresh, fact.Station, "none", fact.Channels, "inside_temp_c,inside_rh_pct")
	_, err := s.try(`{"station":"lake-07","kind":"on-site","work":[{"code":"sensor-changed","details":{"sensor":"s-5"}}]}`)
	var e books.Error
	require.ErrorAs(t, err, &e, "two sensors give one channel")
	_, err = s.try(`{"station":"lake-07","kind":"on-site","work":[{"code":"sensor-changed","details":{"sensor":"S 5"}}]}`)
	requireWrong(t, err, "sensor S 5: id", "S 5", "a-z")
	s.record(`{"station":"lake-07","kind":"on-site","work":[{"code":"sensor-changed","details":{"sensor":"s-5","taken":"s-4"}}]}`)
	require.Equal(t, "none", s.holds(old, fact.Station))
	require.Equal(t, "lake-07", s.holds(fresh, fact.Station))
	list, err := s.store.Visits(t.Context(), record.VisitQuery{})
	require.NoError(t, err)
	require.Len(t, list, 1, "what was refused left no visit")
}

func TestPartsGoWithVisits(t *testing.T) {
	s := newShop(t)
	shelf := books.NewParts(s.store)
	ctx := t.Context()
	require.NoError(t, shelf.PutKind(ctx, stock.Kind{ID: "lamp", Name: "Lamp", Class: "lamp", Unit: stock.Piece}, false, s.now, "Will"))
	lot, err := s.store.ReceivePart(ctx, stock.Lot{Kind: "lamp", Condition: stock.New, Grade: "a", Quantity: 2}, s.now, "Will")
	require.NoError(t, err)
	file := fmt.Sprintf(`{"station":"lake-07","kind":"on-site","findings":[{"cover":"crazed"}],"parts":[{"lot":%d,"quantity":1},{"lot":%d,"quantity":2}]}`, lot, lot)
	_, err = s.try(file)
	requireWrong(t, err, "parts[1].quantity", "2", "there are 1")
	require.Empty(t, s.station(fact.CoverCondition))
	s.record(strings.Replace(file, `"quantity":2`, `"quantity":1`, 1))
	d, err := s.Visit(ctx, 1)
	require.NoError(t, err)
	require.Len(t, d.Parts, 2)
	require.Equal(t, "crazed", s.station(fact.CoverCondition))
}

func TestOnlyTried(t *testing.T) {
	s := newShop(t)
	f := books.VisitFile{Station: "lake-07", Kind: bench.OnSite}
	_, err := s.Record(t.Context(), &f, s.now, "Will", true)
	require.ErrorIs(t, err, record.ErrOnlyTried)
	_, err = s.Visit(t.Context(), 1)
	require.ErrorIs(t, err, record.ErrNotFound)
}

// What a person wrote wrongly is named with its value and what to do.
func TestWhatIsWrong(t *testing.T) {
	s := newShop(t)
	s.record(`{"station":"lake-07","kind":"send-in","states":[{"state":"arrived","at":"2025-05-10T08:00:00Z"},{"state":"on-bench","at":"2025-05-11T08:00:00Z"}],
		"jars":[{"begin":"2025-05-12T08:00:00Z","inside":"water"}]}`)
	long := strings.Repeat("x", 2001)
	for text, want := range map[string][3]string{
		`{"kind":"on-site"}`:                                                             {"station", "", "by its id"},
		`{"station":"lake-07","kind":"by-drone"}`:                                        {"kind", "by-drone", "on-site"},
		`{"station":"lake-07"}`:                                                          {"kind", "", "on-site"},
		`{"station":"lake-07","symptoms":[{"kind":"hum"}],"who":"Ida"}`:                  {"kind", "", "on-site"},
		`{"station":"lake-07","kind":"on-site","planned":"soon"}`:                        {"planned", "soon", "2025-04-30"},
		`{"station":"lake-07","kind":"on-site","who":"a\u0000b"}`:                        {"who", "a\x00b", "control characters"},
		`{"station":"lake-07","kind":"on-site","who":"two\nlines"}`:                      {"who", "two\nlines", "control characters"},
		`{"station":"lake-07","kind":"on-site","why_text":"` + long + `"}`:               {"why_text", "xxxxxxxxxxxxxxxxxxxx…", "at most 2000 bytes"},
		`{"station":"lake-07","kind":"on-site","why":[{"kind":"board_wet","number":0}]}`: {"why[0].number", "0", "number of a finding"},
		`{"station":"lake-07","kind":"on-site","states":[{"state":"on-bench"}]}`:         {"state", "on-bench", "planned can become agreed, under-way"},
		`{"station":"lake-07","kind":"on-site","states":[{"state":"agreed"},{"state":"under-way","at":"2025-05-02"},{"state":"done","at":"2025-05-01"}]}`: {"at", "2025-05-01T10:00:00Z", "from 2025-05-02T10:00:00Z on"},
		`{"visit":1,"states":[{"state":"sent-back","at":"2025-05-10T09:00:00Z"}]}`:                                                                        {"at", "2025-05-10T09:00:00Z", "from 2025-05-11T08:00:00Z on"},
		`{"visit":1,"states":[{"state":"sent-back","at":"2025-05-20T10:00:01Z"}]}`:                                                                        {"states[0].at", "2025-05-20T10:00:01Z", "lies ahead"},
		`{"visit":1,"states":[{"state":"sent-back","at":"1970-01-01"}]}`:                                                                                  {"states[0].at", "1970-01-01", "from 1990 on"},
		`{"visit":1,"states":[{"state":"sent-back","at":"yesterday"}]}`:                                                                                   {"states[0].at", "yesterday", "RFC 3339 or a date"},
		`{"visit":1,"station":"spare"}`:                                                                    {"station", "spare", "visit 1 is of station lake-07"},
		`{"visit":1,"kind":"photos"}`:                                                                      {"kind", "photos", "visit 1 is of kind send-in"},
		`{"visit":1,"why_text":"because"}`:                                                                 {"why_text", "because", "when it is added"},
		`{"visit":1,"findings":[{"moisture":"dry"},{"moisture":"wet"}]}`:                                   {"findings[1].moisture", "wet", "damp"},
		`{"visit":1,"findings":[{}]}`:                                                                      {"findings[0].findings", "", "at least one"},
		`{"visit":1,"work":[{"code":"dried","details":{"how":"fan"}}]}`:                                    {"work[0].how", "fan", "no details"},
		`{"visit":1,"work":[{"code":"cover-changed","details":{"new":"2025-06-01"}}]}`:                     {"station lake-07: cover_new", "2025-06-01", "lies ahead"},
		`{"visit":1,"parts":[{"lot":0,"quantity":1}]}`:                                                     {"parts[0].lot", "0", "by its number"},
		`{"visit":1,"parts":[{"lot":1,"quantity":0}]}`:                                                     {"parts[0].quantity", "0", "from 1 to"},
		`{"visit":1,"parts":[{"lot":1,"quantity":1}]}`:                                                     {"parts[0].lot", "1", ""},
		`{"visit":1,"photos":[{"file":"a.jpg"}]}`:                                                          {"photos[0].photo", "a.jpg", "send a picture"},
		`{"visit":1,"jars":[{}]}`:                                                                          {"jars[0].begin", "", "or when it ended"},
		`{"visit":1,"jars":[{"begin":"2025-05-13","inside":"x"}]}`:                                         {"jars[0].begin", "2025-05-13", "began at 2025-05-12T08:00:00Z first"},
		`{"visit":1,"jars":[{"end":"2025-05-12T07:00:00Z"}]}`:                                              {"jars[0].end", "2025-05-12T07:00:00Z", "after the begin"},
		`{"visit":1,"jars":[{"end":"2025-05-13"},{"end":"2025-05-14"}]}`:                                   {"jars[1].begin", "", "none lasts"},
		`{"visit":1,"jars":[{"end":"2025-05-13"},{"begin":"2025-05-14"}]}`:                                 {"jars[1].inside", "", "salt"},
		`{"visit":1,"card":{"talk_in":"loud"}}`:                                                            {"card.talk_in", "loud", "good"},
		`{"visit":1,"card":{"keys":{"there":2,"good":[3]}}}`:                                               {"card.keys", "3", "from 1 to 2"},
		`{"visit":1,"card":{"closed":"late"}}`:                                                             {"card.closed", "late", "RFC 3339"},
		`{"visit":1,"outcomes":[{"kind":"board_wet","number":0,"outcome":"put-right","reason":"gasket"}]}`: {"outcomes[0].number", "0", "station's list"},
		`{"visit":1,"outcomes":[{"kind":"board_wet","number":3,"outcome":"put-right"}]}`:                   {"outcomes[0].reason", "", "why nothing more"},
		`{"visit":1,"outcomes":[{"kind":"board_wet","number":3,"outcome":"gone","reason":"gasket"}]}`:      {"outcomes[0].outcome", "gone", "still-to-do"},
		`{"visit":1,"outcomes":[{"kind":"board_wet","number":3,"outcome":"still-to-do"}]}`:                 {"outcomes", "board_wet/3", "no such finding"},
		`{"station":"lake-07","kind":"on-site","why":[{"kind":"board_wet","number":3}]}`:                   {"why", "board_wet/3", "no such finding"},
		`{"visit":1,"symptoms":[{"kind":"smoke"}]}`:                                                        {"symptoms[0].kind", "smoke", "hum"},
		`{"visit":1,"symptoms":[{"kind":"other"}]}`:                                                        {"symptoms[0].note", "", "what was noticed"},
		`{"visit":1,"symptoms":[{"kind":"hum","since":"2025-05-21"}]}`:                                     {"symptoms[0].since", "2025-05-21", "lies ahead"},
		`{"visit":1,"symptoms":[{"kind":"hum","since":"1980-05-21"}]}`:                                     {"symptoms[0].since", "1980-05-21", "between 1990"},
		`{"visit":1,"states":[{"status":"done"}]}`:                                                         {"status", "", "spelling"},
		`{"visit":"one"}`: {"visit", "string", "int64"},
		`{"visit":1`:      {"JSON", `{"visit":1`, "whole"},
		`{"visit":1}}`:    {"JSON", `{"visit":1}}`, "nothing behind"},
		`{"visit":1,}`:    {"JSON", `{"visit":1,}`, "at byte 12"},
		``:                {"JSON", "", "whole"},
	} {
		_, err := s.try(text)
		requireWrong(t, err, want[0], want[1], want[2], text)
	}
	f := books.VisitFile{Station: "lake-07", Kind: bench.OnSite, Who: ptr("\xff")}
	_, err := s.Record(t.Context(), &f, s.now, "Will", false)
	requireWrong(t, err, "who", "?", "UTF-8")
	for text, is := range map[string]error{
		`{"visit":7}`:                                      record.ErrNotFound,
		`{"station":"nobody","kind":"on-site"}`:            record.ErrNotFound,
		`{"station":"nobody","symptoms":[{"kind":"hum"}]}`: record.ErrNotFound,
	} {
		_, err := s.try(text)
		require.ErrorIs(t, err, is, text)
	}
	d, err := s.Visit(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, int64(1), d.Version, "nothing of all this was written down")
	symptoms, err := s.store.Symptoms(t.Context(), "lake-07")
	require.NoError(t, err)
	require.Empty(t, symptoms)
}

func TestBlankCard(t *testing.T) {
	s := newShop(t, fact.Build, "coated", fact.Coated, "2025-05-19")
	s.record(`{"station":"lake-07","kind":"send-in"}`)
	c, err := s.Card(t.Context(), 1, s.now)
	require.NoError(t, err)
	require.Zero(t, c.At)
	require.Equal(t, bench.Incomplete, c.Result.Verdict)
	s.record(`{"visit":1,"card":` + strings.Replace(goodCard, `"closed":"2025-05-19T20:00:00Z"`, `"cure_hours":24,"closed":"2025-05-20T09:00:00Z"`, 1) + `}`)
	c, err = s.Card(t.Context(), 1, s.now)
	require.NoError(t, err)
	require.Equal(t, []string{"cure: closed at 2025-05-20T09:00:00Z, the cure ends at 2025-05-20T22:00:00Z"}, c.Result.Reasons(), "of the day nobody knows more than its end")
	s.record(`{"station":"lake-07","kind":"send-in"}`)
	c, err = s.Card(t.Context(), 2, s.now)
	require.NoError(t, err)
	require.Equal(t, 2, *c.Card.Keys.There, "as on the newest card")
	require.Empty(t, c.Card.TalkIn)
	_, err = s.Card(t.Context(), 3, s.now)
	require.ErrorIs(t, err, record.ErrNotFound)

	// A station that hangs nowhere, and of which nothing is known.
	f := books.VisitFile{Station: "spare", Kind: bench.SendIn, Card: &books.CardFile{}}
	_, err = s.Record(t.Context(), &f, s.now, "Will", false)
	require.NoError(t, err)
	zone, err := s.Zone(t.Context(), "spare", s.now)
	require.NoError(t, err)
	require.Equal(t, time.UTC, zone)
}

func TestVisitJSON(t *testing.T) {
	s := newShop(t)
	s.record(`{"station":"lake-07","kind":"on-site"}`)
	s.record(`{"visit":1,"who":"Ruth","states":[{"state":"under-way"},{"state":"done","without_card":"no power there"}],
		"findings":[{"note":"as before"}],"work":[{"code":"cleaned"}],"jars":[{"begin":"2025-05-12T08:00:00Z","end":"2025-05-14T08:00:00Z","inside":"water"}],
		"card":{},"symptoms":[{"kind":"hum","reported_by":"Ann"}]}`)
	d, err := s.Visit(t.Context(), 1)
	require.NoError(t, err)
	for personal, want := range map[bool]any{true: "Ann", false: nil} {
		body, err := json.Marshal(books.VisitOf(&d, personal))
		require.NoError(t, err)
		require.NotContains(t, string(body), `1970`)
		var v map[string]any
		require.NoError(t, json.Unmarshal(body, &v))
		require.Equal(t, want, v["symptoms"].([]any)[0].(map[string]any)["reported_by"])
		require.Equal(t, "Ruth", v["who"])
		require.Equal(t, []any{"under-way"}, v["next"])
		require.Equal(t, "no power there", v["states"].([]any)[2].(map[string]any)["without_card"])
		require.Empty(t, v["findings"].([]any)[0].(map[string]any)["corrosion"])
		require.NotEmpty(t, v["cautions"])
		require.Nil(t, v["planned"])
		require.Empty(t, v["photos"])
	}
}

// failing is a store of which one method fails.
type failing struct {
	books.VisitStore
	facts, sites, last bool
}

var errVisitStore = fmt.Errorf("the store fails on purpose")

func (f failing) Facts(ctx context.Context, s fact.Subject) ([]fact.Fact, error) {
	if f.facts && s.Kind == fact.KindStation || f.sites && s.Kind == fact.KindSite {
		return nil, errVisitStore
	}
	return f.VisitStore.Facts(ctx, s)
}

func (f failing) LastCard(ctx context.Context, station, model string) (*record.VisitCard, error) {
	if f.last {
		return nil, errVisitStore
	}
	return f.VisitStore.LastCard(ctx, station, model)
}

func TestVisitStoreFails(t *testing.T) {
	s := newShop(t)
	s.record(`{"station":"lake-07","kind":"on-site"}`)
	for _, f := range []failing{{facts: true}, {sites: true}, {last: true}} {
		f.VisitStore = s.store
		v := books.Visits{VisitStore: f}
		_, err := v.Record(t.Context(), &books.VisitFile{Visit: 1, Card: &books.CardFile{}}, s.now, "Will", false)
		require.ErrorIs(t, err, errVisitStore)
		_, err = v.Card(t.Context(), 1, s.now)
		require.ErrorIs(t, err, errVisitStore)
		if !f.last {
			_, err = v.Baselines(t.Context(), "lake-07", s.now)
			require.ErrorIs(t, err, errVisitStore)
		}
	}
}
