package alarm

// State is an alarm state of IEC 62682 / ISA-18.2.
type State string

// The states; letters are those of ISA-18.2.
const (
	Normal         State = "normal"                  // A
	Unacknowledged State = "unacknowledged"          // B
	Acknowledged   State = "acknowledged"            // C
	Returned       State = "returned_unacknowledged" // D
	Latched        State = "latched_unacknowledged"  // E
	LatchedSeen    State = "latched_acknowledged"    // F
	Shelved        State = "shelved"                 // G: a person put it aside, for a time
	Suppressed     State = "suppressed_by_design"    // H: by this program, for what is known of station or site
	OutOfService   State = "out_of_service"          // I: a person took it out, until they take it back
)

// Held tells whether an occurrence in this state rings nobody, whatever its
// condition does.
func (s State) Held() bool { return s == Shelved || s == Suppressed || s == OutOfService }

// Latching tells whether only a person's reset ends an occurrence in this state.
func (s State) Latching() bool { return s == Latched || s == LatchedSeen }

// Step is what can happen to an occurrence.
type Step string

// Steps of ISA-18.2. Shelve, Suppress and TakeOut hold it; Release ends that.
const (
	Raise    Step = "raise" // its condition holds, its on-delay over
	Clear    Step = "clear" // its condition is over, its off-delay too
	See      Step = "see"   // the standards say: acknowledge
	Reset    Step = "reset"
	Shelve   Step = "shelve"
	Suppress Step = "suppress"
	TakeOut  Step = "take_out"
	Release  Step = "release"
)

// Next returns the state after a step; ok is false for a step that the
// standards don't have from there. latches is a property of the kind, lasting
// tells whether the condition holds now. Where they leave a choice, a latched
// occurrence whose condition comes back is new again. Source: ISA-18.2, state
// transitions, from memory; in part seen on a public page.
func Next(from State, step Step, latches, lasting bool) (to State, ok bool) {
	switch step {
	case Raise:
		return Unacknowledged, from == Normal || from == Returned || from.Latching()
	case Clear:
		return cleared(from, latches)
	case See:
		to, ok = map[State]State{Unacknowledged: Acknowledged, Returned: Normal, Latched: LatchedSeen}[from]
		return to, ok
	case Reset:
		return Normal, from == LatchedSeen
	case Shelve:
		return Shelved, !from.Held() && !from.Latching()
	case Suppress:
		return Suppressed, from != Suppressed && from != OutOfService
	case TakeOut:
		return OutOfService, from != OutOfService
	case Release:
		if lasting {
			return Unacknowledged, from.Held()
		}
		return Normal, from.Held()
	}
	return from, false
}

func cleared(from State, latches bool) (to State, ok bool) {
	switch {
	case from == Unacknowledged && latches:
		return Latched, true
	case from == Unacknowledged:
		return Returned, true
	case from == Acknowledged && latches:
		return LatchedSeen, true
	case from == Acknowledged:
		return Normal, true
	}
	return from, false
}
