package web

import (
	"context"
	"net/http"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/unit"
)

const deedsShown = 100

// deedWords say what was done, behind the name of who did it. The object takes
// the place of the %.
var deedWords = map[string]string{
	"fact":                       "recorded of %",
	"enrol":                      "enrolled station %",
	"begin a new secret":         "made a new secret for station %",
	"finish the new secret":      "put the new secret of station % into force",
	"abandon the new secret":     "gave up the new secret of station %",
	"retire":                     "retired station %",
	"import readings":            "put a log into the record of station %",
	"import weather":             "put observed weather into the record of site %",
	"import forecast":            "put a forecast of the weather into the record of site %",
	"make identity":              "made for this installation: %",
	"erase owner":                "erased owner %",
	"release":                    "stored % out of quarantine",
	"let readings go":            "let readings go that are older than they are kept, of %",
	"send on again":              "let all be sent on once more: %",
	"say of frozen time":         "recorded what no longer changes hours, %",
	"add part kind":              "added the kind of part %",
	"change part kind":           "changed the kind of part %",
	"receive part":               "put on the shelf %",
	"use part":                   "used %",
	"lend part":                  "lent %",
	"give part back":             "gave back %",
	"scrap part":                 "scrapped %",
	"return part":                "put back on the shelf %",
	"count part":                 "counted %",
	"reserve part":               "reserved %",
	"release part":               "released the reservation of %",
	"add recipe":                 "added the recipe %",
	"change recipe":              "changed the recipe %",
	"make part":                  "made up %",
	"add account":                "made the account of %",
	"remove account":             "removed the account of %",
	"set password":               "set the password of %",
	"set role":                   "changed the role: %",
	"sign in":                    "signed in %",
	"sign out":                   "signed out %",
	"sign-in refused":            "tried to sign in as %, and was refused",
	"sign-in put off":            "tried to sign in as %, too soon after others failed",
	"first account refused":      "tried to make the first account with a wrong code: %",
	"add visit":                  "planned visit %",
	"record visit":               "wrote down of visit %",
	"record symptom":             "wrote down a symptom: %",
	"add person":                 "added to those who are told: %",
	"change person":              "changed how % is told",
	"remove person":              "took from those who are told: %",
	"watch installation":         "began to watch the installation %",
	"stop watching installation": "stopped watching the installation %",
	"see alarm":                  "has seen the alarm %",
	"see alarms":                 "has seen many alarms at once: %",
	"reset alarm":                "reset the alarm %",
	"put alarm aside":            "put aside the alarms %",
	"bring alarm back":           "brought back the alarms %",
	"take alarms out of service": "took out of service the alarms %",
	"take alarms into service":   "took back into service the alarms %",
	"set alarm limit":            "set the limit %",
	"add calendar":               "made the calendar address %",
	"revoke calendar":            "revoked the calendar address %",
	"add token":                  "made the token %",
	"revoke token":               "revoked the token %",
	"order":                      "gave an order to %",
	"set round":                  "set of rounds %",
	"wish round":                 "wants of the next round %",
	"book time":                  "booked time on %",
	"remove booking":             "took back a booking on %",
	"put legs":                   "put in measured driving, legs: %",
}

// deedSentence is for actions that are newer than these words, too.
func deedSentence(lc *words.Locale, d *record.Deed) string {
	text, ok := deedWords[d.Action]
	if !ok {
		text = d.Action + " %"
	}
	return strings.TrimSpace(strings.Replace(lc.Say(text), "%", d.Object, 1))
}

type deedPage struct {
	At        moment
	Who, What string
}

type auditPage struct {
	sheet
	Zone  string
	Deeds []deedPage
	Next  string // address of older ones
}

// deedCursor is a record.DeedPlace.
type deedCursor struct {
	At   int64
	Fact bool
	ID   int64
}

func (q *query) behindDeed() record.DeedPlace {
	var c deedCursor
	if !q.next(&c) {
		return record.DeedPlace{}
	}
	return record.DeedPlace{At: unit.Instant(c.At), Fact: c.Fact, ID: c.ID}
}

func deedNext(next *record.DeedPlace) (string, error) {
	if next == nil {
		return "", nil
	}
	return cursor(deedCursor{int64(next.At), next.Fact, next.ID})
}

func (s *server) audit(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "next")
	behind := q.behindDeed()
	if q.err != nil {
		return q.err
	}
	deeds, next, err := s.cfg.Door.Audit(r.Context(), behind, deedsShown)
	if err != nil {
		return err
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	p := &auditPage{Zone: zone.String()}
	for i := range deeds {
		d := &deeds[i]
		who := d.Author
		if who == "" {
			who = lc.Say("somebody")
		}
		p.Deeds = append(p.Deeds, deedPage{moment{stamp(lc, d.At, zone), utc(d.At)}, who, deedSentence(lc, d)})
	}
	older, err := deedNext(next)
	if err != nil {
		return err
	}
	if older != "" {
		p.Next = "/audit?next=" + older
	}
	return s.page(w, r, http.StatusOK, "audit.html", p)
}

type apiDeed struct {
	At     unit.Instant `json:"at"`
	Author *string      `json:"author"`
	Action string       `json:"action"`
	Object string       `json:"object"`
}

func (s *server) apiAudit(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "limit", "next")
	behind, limit := q.behindDeed(), q.limit()
	if q.err != nil {
		return q.err
	}
	deeds, next, err := s.cfg.Door.Audit(r.Context(), behind, limit)
	if err != nil {
		return err
	}
	out := list[apiDeed]{Items: make([]apiDeed, 0, len(deeds))}
	for _, d := range deeds {
		out.Items = append(out.Items, apiDeed{d.At, textOrNull(d.Author), d.Action, d.Object})
	}
	if out.Next, err = deedNext(next); err != nil {
		return err
	}
	return sendJSON(w, r, out)
}

// zone is that of most stations, for pages that are about no station.
func (s *server) zone(ctx context.Context) (*time.Location, error) {
	sites, hang, err := s.cfg.View.Sites(ctx)
	if err != nil {
		return nil, err
	}
	zone, most := time.UTC, 0
	count := map[string]int{}
	for i := range sites {
		name := sites[i].Zone.String()
		if count[name] += len(hang[sites[i].ID]); count[name] > most {
			zone, most = sites[i].Zone, count[name]
		}
	}
	return zone, nil
}
