package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// silentAfter is for how much of the time between its calls a watched
// installation may be silent: one call may be left out. At a call a minute a
// silence is told after two minutes and a quarter.
const silentAfter = 2.25

// peers tells everybody when a watched installation has fallen silent, and when
// it is heard again.
func (s *Sender) peers(ctx context.Context, now unit.Instant, people []record.Person) error {
	list, err := s.cfg.Store.WatchedPeers(ctx)
	if err != nil {
		return err
	}
	s.peerDue = 0
	for _, p := range list {
		since := max(p.Heard, p.Made)
		if p.Silent == 0 { // nobody could call this collector before it was there
			since = max(since, s.started)
		}
		due := since.Add(time.Duration(silentAfter * float64(p.Every)))
		silent := now >= due
		if !silent && (s.peerDue == 0 || due < s.peerDue) {
			s.peerDue = due
		}
		if silent == (p.Silent != 0) {
			continue
		}
		n := record.Notice{Kind: record.Watched, Created: now}
		at := unit.Instant(0)
		text := Text{Parts: []Part{{Lines: []string{
			fmt.Sprintf("The installation %s calls again.", p.Name),
			fmt.Sprintf("It was found silent at %s UTC. What its stations read meanwhile waits with them, and comes in now.", p.Silent.Time().Format("2 Jan 2006 15:04")),
		}}}}
		n.Subject, n.Event = "Heard again: "+p.Name, fmt.Sprintf("watch:%s:%d:again", p.Name, p.Times)
		if silent {
			at = now
			n.Subject, n.Event = "Not heard: "+p.Name, fmt.Sprintf("watch:%s:%d", p.Name, p.Times+1)
			last := "It never called since it is watched."
			if p.Heard != 0 {
				last = fmt.Sprintf("Its last call came at %s UTC.", p.Heard.Time().Format("2 Jan 2006 15:04:05"))
			}
			text.Parts[0].Lines = []string{
				fmt.Sprintf("The installation %s does not call any more, every %s. %s", p.Name, p.Every, last),
				"Somewhere between its broker and its outbox nothing gets through, or its machine or network is down: none of its stations is watched.",
				"Do first: run dewpost doctor on that machine, now. Mains wiring is for a licensed person.",
			}
		}
		body, err := json.Marshal(text)
		if err != nil {
			return err
		}
		n.Body = string(body)
		var to []record.Delivery
		for i := range people {
			if q := &people[i]; atOnceTo(q, silent) {
				to = append(to, record.Delivery{Event: n.Event, Person: q.ID, Why: record.WhyFirst, Urgent: silent, Created: now, Due: outOfRest(q, silent, now)})
			}
		}
		if len(to) == 0 {
			s.cfg.Log.Warn("needs a person", "event", n.Event, "says", n.Subject)
		}
		if err := s.cfg.Store.PeerSilent(ctx, p, at, n, to); err != nil {
			return err
		}
	}
	return nil
}
