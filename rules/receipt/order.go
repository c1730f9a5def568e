package receipt

import (
	"crypto/hmac"
	"encoding/json"
	"fmt"
	"regexp"
	"time"
)

// Order tells a station to do something once. It is published retained, so that
// a station hears it when it connects; what it did with it stands in its state.
// A station carries out no order twice, and none after its expiry.
type Order struct {
	// ID is 1 to 64 of a-z, 0-9 and -, and never used again.
	ID string `json:"id"`
	// Expiry is an RFC 3339 time.
	Expiry string `json:"expiry"`
	// Body is what is to be done, as JSON in a string: see Body.
	Body string `json:"body"`
	MAC  string `json:"mac"`
}

// Body is what an order says. One of its fields is set.
type Body struct {
	// Interval is the time between two readings from now on, such as "5m"; "0s"
	// means as configured.
	Interval string `json:"interval,omitempty"`
	// Heat is how many pulses the heaters of its sensors give.
	Heat int `json:"heat,omitempty"`
	// Identify is for how many seconds its lamp blinks.
	Identify int `json:"identify,omitempty"`
}

var orderID = regexp.MustCompile(`^[a-z0-9-]{1,64}$`)

// NewOrder signs an order for a station.
func (s Secret) NewOrder(station, id string, expiry time.Time, body Body) (Order, error) {
	b, err := json.Marshal(body)
	if err != nil {
		return Order{}, fmt.Errorf("order: %w", err)
	}
	o := Order{ID: id, Expiry: expiry.UTC().Format(time.RFC3339), Body: string(b)}
	if !orderID.MatchString(id) {
		return Order{}, fmt.Errorf("order id %q: use 1 to 64 of a-z, 0-9 and -", id)
	}
	o.MAC = s.orderMAC(station, o)
	return o, nil
}

func (s Secret) orderMAC(station string, o Order) string {
	return s.mac("dewpost/v1/order", station, o.ID, o.Expiry, o.Body)
}

// VerifyOrder reads a published order for station. It returns ErrForged when
// the MAC is wrong, and another error when the payload is no order. Whether it
// has expired is the caller's business.
func (s Secret) VerifyOrder(station string, payload []byte) (Order, time.Time, Body, error) {
	fail := func(err error) (Order, time.Time, Body, error) { return Order{}, time.Time{}, Body{}, err }
	var o Order
	if err := json.Unmarshal(payload, &o); err != nil {
		return fail(fmt.Errorf("order: not JSON: %w", err))
	}
	if !orderID.MatchString(o.ID) {
		return fail(fmt.Errorf("order: id %.80q: not 1 to 64 of a-z, 0-9 and -", o.ID))
	}
	if !hmac.Equal([]byte(o.MAC), []byte(s.orderMAC(station, o))) {
		return fail(ErrForged)
	}
	expiry, err := time.Parse(time.RFC3339, o.Expiry)
	if err != nil {
		return fail(fmt.Errorf("order %s: expiry: %w", o.ID, err))
	}
	var body Body
	if err := json.Unmarshal([]byte(o.Body), &body); err != nil {
		return fail(fmt.Errorf("order %s: body: %w", o.ID, err))
	}
	return o, expiry, body, nil
}
