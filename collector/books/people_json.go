package books

import (
	"crypto/sha256"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Items is a list as programs read it.
type Items[T any] struct {
	Items []T `json:"items"`
}

// PersonJSON is a person as programs read it. Keys that sign are left out.
type PersonJSON struct {
	Name     string         `json:"name"`
	Place    int64          `json:"place"`
	Channels []string       `json:"channels"`
	Zone     string         `json:"zone"`
	RestFrom *string        `json:"rest_from"`
	RestTo   *string        `json:"rest_to"`
	Letter   *string        `json:"letter"`
	AtOnce   record.Least   `json:"at_once"`
	PassOnS  int64          `json:"pass_on_s"`
	Sites    []string       `json:"sites"`
	Kinds    []finding.Kind `json:"kinds"`
}

// PeopleJSON writes who is told.
func PeopleJSON(list []record.Person) Items[PersonJSON] {
	out := Items[PersonJSON]{Items: make([]PersonJSON, 0, len(list))}
	for i := range list {
		p := &list[i]
		j := PersonJSON{
			Name: p.Name, Place: p.Place, Channels: []string{}, Zone: p.Zone, RestFrom: orNull(p.RestFrom), RestTo: orNull(p.RestTo),
			Letter: orNull(p.Letter), AtOnce: p.Least, PassOnS: int64(p.PassOn / time.Second),
			Sites: append([]string{}, p.Sites...), Kinds: append([]finding.Kind{}, p.Kinds...),
		}
		for _, c := range p.Channels {
			j.Channels = append(j.Channels, ChannelText(c))
		}
		out.Items = append(out.Items, j)
	}
	return out
}

// DeliveryJSON is a delivery as programs read it.
type DeliveryJSON struct {
	Event   string             `json:"event"`
	Kind    string             `json:"kind"`
	Station *string            `json:"station"`
	Cause   *alarm.Scope       `json:"cause"`
	Person  string             `json:"person"`
	Channel record.ChannelKind `json:"channel"`
	Why     record.Why         `json:"why"`
	Urgent  bool               `json:"urgent"`
	Created unit.Instant       `json:"created"`
	Tries   int64              `json:"tries"`
	Taken   *unit.Instant      `json:"taken"`
	Ended   *unit.Instant      `json:"ended"`
	Next    *unit.Instant      `json:"next"`
	Error   *string            `json:"error"`
}

// ToldJSON writes what was told.
func ToldJSON(list []record.Told) Items[DeliveryJSON] {
	out := Items[DeliveryJSON]{Items: make([]DeliveryJSON, 0, len(list))}
	for i := range list {
		t := &list[i]
		j := DeliveryJSON{
			Event: t.Event, Kind: t.Kind, Station: orNull(t.Station), Cause: orNull(t.Scope), Person: t.Name, Channel: record.ChannelKind(t.Way), Why: t.Why, Urgent: t.Urgent,
			Created: t.Created, Tries: t.Tries, Taken: orNull(t.Taken), Ended: orNull(t.Ended), Error: orNull(t.Error),
		}
		if t.Taken == 0 && t.Ended == 0 {
			j.Next = &t.Due
		}
		out.Items = append(out.Items, j)
	}
	return out
}

// DeliveryState says in words how a delivery stands.
func DeliveryState(d *record.Delivery) string {
	switch {
	case d.Taken != 0:
		return "taken " + d.Taken.String()
	case d.Ended != 0:
		return "ended: " + d.EndedWhy
	case d.Error != "":
		return "tried again " + d.Due.String() + ": " + d.Error
	}
	return "goes out " + d.Due.String()
}

// WatchedPeerJSON is a watched installation as programs read it.
type WatchedPeerJSON struct {
	Name   string        `json:"name"`
	EveryS int64         `json:"every_s"`
	Heard  *unit.Instant `json:"heard"`
	Silent *unit.Instant `json:"silent"`
	Times  int64         `json:"times_silent"`
}

// WatchedJSON writes which installations are watched.
func WatchedJSON(list []record.WatchedPeer) Items[WatchedPeerJSON] {
	out := Items[WatchedPeerJSON]{Items: make([]WatchedPeerJSON, 0, len(list))}
	for i := range list {
		p := &list[i]
		out.Items = append(out.Items, WatchedPeerJSON{p.Name, int64(p.Every / time.Second), orNull(p.Heard), orNull(p.Silent), p.Times})
	}
	return out
}

// CheckWatched checks what is said of an installation to watch.
func CheckWatched(name string, every time.Duration) error {
	if err := checkPersonName(name); err != nil {
		return err
	}
	if every < time.Second || every > time.Hour || every%time.Second != 0 {
		return Error{"every", every.String(), "write whole seconds, 1s to 1h"}
	}
	return nil
}

// WatchedHash is what is kept of the key by which an installation calls. Keys
// are random, so that nothing slower is needed.
func WatchedHash(key string) []byte {
	sum := sha256.Sum256([]byte("dewpost/v1/watched\n" + key))
	return sum[:]
}
