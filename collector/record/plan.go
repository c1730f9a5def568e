package record

// Wish is what a person wants of a station on the next round.
type Wish string

// Wishes.
const (
	OnDay Wish = "on"  // on that day
	InAny Wish = "in"  // on some day
	Out   Wish = "out" // not on this round
)

// PlanWish is a wish about one station.
type PlanWish struct {
	Station string
	Wish    Wish
	Day     string // date, of OnDay
	Note    string
	Entry
}

// Booking is time that is taken already.
type Booking struct {
	ID       int64
	Day      string // date
	From, To int64  // minutes from midnight, where the workshop is
	Person   string // ""; the first
	Site     string // where it is; "": the workshop
	Note     string
	Entry
}

// Leg is driving between two places that somebody measured.
type Leg struct {
	From, To string // ids of sites; "": the workshop
	Minutes  float64
	KM       float64
}

// PlanBooks are all that people said of rounds.
type PlanBooks struct {
	Settings map[string]string
	Wishes   []PlanWish // by station
	Bookings []Booking  // by day and time
	Legs     []Leg
}
