package books

import (
	"context"
	"crypto/rand"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// OrderStore is what orders need of a store.
type OrderStore interface {
	AgentStore
	GiveOrder(ctx context.Context, o record.Order) error
	Orders(ctx context.Context, from unit.Instant) ([]record.Order, error)
}

// Bounds of orders: agents refuse what is beyond.
const (
	LongestOrder  = 31 * 24 * time.Hour // that an order holds
	mostInterval  = 24 * time.Hour
	mostPulses    = 30
	mostIdentify  = 10 * time.Minute
	orderUnheard  = "waiting"    // holds, and its agent said nothing of it so far
	orderDone     = "done"       // carried out
	orderRefused  = "refused"    // by its agent: Why says for which reason
	orderReplaced = "replaced"   // a later one took its place before it was answered
	orderLate     = "unanswered" // it holds no longer
)

// Ordered is an order with what became of it. One of Interval, Heat and
// Identify is set.
type Ordered struct {
	ID       string        `json:"id"`
	Given    unit.Instant  `json:"given"`
	Author   string        `json:"author"`
	Until    unit.Instant  `json:"until"`
	Interval *string       `json:"interval"`   // as in 5m; 0s: as the agent's configuration says
	Heat     *int          `json:"heat"`       // pulses of the sensors' heaters
	Identify *int          `json:"identify_s"` // for so long the board's lamp blinks
	State    string        `json:"state"`      // waiting, done, refused, replaced or unanswered
	Answered *unit.Instant `json:"answered"`   // by the agent's clock
	Why      string        `json:"why"`        // it was refused
}

// GiveOrder orders a station's agent to do something until valid has passed:
// exactly one of interval ("" for none), heat and identify. A newer order takes
// the place of one that the station has not heard yet.
func GiveOrder(ctx context.Context, s OrderStore, station string, body receipt.Body, valid time.Duration, now time.Time, author string) (Ordered, error) {
	if err := checkOrder(&body, valid); err != nil {
		return Ordered{}, err
	}
	st, err := s.Station(ctx, station)
	if err != nil {
		return Ordered{}, err
	}
	if st.Retired != 0 {
		return Ordered{}, Error{"station", station, fmt.Sprintf("it was retired %s and takes no orders", st.Retired)}
	}
	o := record.Order{
		ID: strings.ToLower(rand.Text()), Station: station, At: unit.At(now), Until: unit.At(now.Add(valid).Truncate(time.Second)), Author: author, Body: body,
	}
	if err := s.GiveOrder(ctx, o); err != nil {
		return Ordered{}, err
	}
	return orderedOf(&o), nil
}

func checkOrder(b *receipt.Body, valid time.Duration) error {
	said := 0
	for _, is := range []bool{b.Interval != "", b.Heat != 0, b.Identify != 0} {
		if is {
			said++
		}
	}
	if said != 1 {
		return Error{"order", strconv.Itoa(said), "say one thing: interval, heat or identify"}
	}
	if valid < time.Second || valid > LongestOrder {
		return Error{"valid", valid.String(), "write 1s to " + LongestOrder.String()}
	}
	switch {
	case b.Interval != "":
		d, err := time.ParseDuration(b.Interval)
		if err != nil || d != 0 && (d < time.Second || d > mostInterval) {
			return Error{"interval", b.Interval, "write 1s to 24h, as in 5m, or 0s for what is configured"}
		}
		b.Interval = shortDuration(d)
	case b.Heat < 0 || b.Heat > mostPulses:
		return Error{"heat", strconv.Itoa(b.Heat), fmt.Sprintf("write 1 to %d pulses", mostPulses)}
	case b.Identify < 0 || b.Identify > int(mostIdentify.Seconds()):
		return Error{"identify_s", strconv.Itoa(b.Identify), fmt.Sprintf("write 1 to %.0f seconds", mostIdentify.Seconds())}
	}
	return nil
}

// shortDuration writes 5m instead of 5m0s.
func shortDuration(d time.Duration) string {
	text := d.String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return text
}

// Orders tells the orders of the last 31 days to a station, the newest first,
// with what its agent said of them.
func Orders(ctx context.Context, s OrderStore, station string, now time.Time) ([]Ordered, error) {
	if _, err := s.Station(ctx, station); err != nil {
		return nil, err
	}
	all, err := s.Orders(ctx, unit.At(now.Add(-LongestOrder)))
	if err != nil {
		return nil, err
	}
	state, err := s.State(ctx, station)
	if err != nil {
		return nil, err
	}
	var answers []record.OrderAnswer
	if state != nil {
		answers = state.Details().Orders.Answers
	}
	list := []Ordered{}
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].Station != station {
			continue
		}
		o := orderedOf(&all[i])
		at := slices.IndexFunc(answers, func(a record.OrderAnswer) bool { return a.ID == o.ID })
		switch {
		case at >= 0:
			when := unit.At(answers[at].At)
			o.State, o.Answered, o.Why = orderDone, &when, answers[at].Error
			if o.Why != "" {
				o.State = orderRefused
			}
		case unit.At(now) >= o.Until:
			o.State = orderLate
		case len(list) > 0:
			o.State = orderReplaced
		}
		list = append(list, o)
	}
	return list, nil
}

func orderedOf(o *record.Order) Ordered {
	out := Ordered{ID: o.ID, Given: o.At, Author: o.Author, Until: o.Until, State: orderUnheard}
	switch b := &o.Body; {
	case b.Heat != 0:
		out.Heat = &b.Heat
	case b.Identify != 0:
		out.Identify = &b.Identify
	default:
		out.Interval = &b.Interval
	}
	return out
}

// Words say what was ordered.
func (o *Ordered) Words() string {
	switch {
	case o.Heat != nil && *o.Heat == 1:
		return "one pulse of the sensors’ heaters"
	case o.Heat != nil:
		return fmt.Sprintf("%d pulses of the sensors’ heaters", *o.Heat)
	case o.Identify != nil:
		return fmt.Sprintf("blink for %d s", *o.Identify)
	case *o.Interval == "0s":
		return "a reading as often as its configuration says"
	}
	return "a reading every " + *o.Interval
}

// Outcome says what became of it.
func (o *Ordered) Outcome() string {
	switch o.State {
	case orderDone:
		return "carried out"
	case orderRefused:
		return "not carried out: " + o.Why
	case orderReplaced:
		return "a later order took its place"
	case orderLate:
		return "never answered; it holds no longer"
	}
	return "not answered yet"
}
