package notify

import (
	"encoding/json"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// Trial is a message by which somebody sees whether messages arrive, by one of a
// person's channels. nonce makes its id.
func Trial(p *record.Person, channel int, nonce string, now unit.Instant) (record.Notice, record.Delivery, error) {
	t := trialText(p)
	body, err := json.Marshal(t)
	n := record.Notice{Event: fmt.Sprintf("trial:%d:%d:%s", p.ID, channel, nonce), Kind: record.Trial, Created: now, Subject: t.Subject, Body: string(body)}
	return n, record.Delivery{Event: n.Event, Person: p.ID, Channel: int64(channel), Why: record.WhyFirst, Urgent: true, Created: now, Due: now}, err
}

// TrialParcel is the same for who hands it to a channel.
func TrialParcel(p *record.Person, nonce string, now unit.Instant) *Parcel {
	event := fmt.Sprintf("trial:%d:%s", p.ID, nonce)
	return &Parcel{Event: event, Type: string(record.Trial), Thread: event, Opens: true, Person: p.Name, Urgent: true, Created: now, Text: trialText(p)}
}

func trialText(p *record.Person) Text {
	return Text{Subject: "A test of dewpost", Parts: []Part{{Lines: []string{
		"This is a test: somebody wanted to know whether messages of dewpost reach " + p.Name + ". They do.",
		"There is nothing to do.",
	}}}}
}
