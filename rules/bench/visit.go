package bench

import (
	"slices"

	"dewpost/rules/unit"
)

// Kind says how a station is reached.
type Kind string

// Kinds of visit.
const (
	OnSite         Kind = "on-site"         // somebody of the workshop goes there
	LocalInstaller Kind = "local-installer" // an installer near the station goes there
	Photos         Kind = "photos"          // somebody there takes photos
	SendIn         Kind = "send-in"         // the unit comes to the bench by post
)

// Kinds are all kinds of visit.
var Kinds = []Kind{OnSite, LocalInstaller, Photos, SendIn}

// State says how far a visit is.
type State string

// States of a visit. Posted to SentBack are of units that are sent in.
const (
	Planned   State = "planned"
	Agreed    State = "agreed" // with whoever lets us in or sends the unit
	Posted    State = "posted"
	Arrived   State = "arrived"
	UnderWay  State = "under-way"
	OnBench   State = "on-bench"
	SentBack  State = "sent-back"
	Done      State = "done"
	CalledOff State = "called-off"
)

// States are all states of a visit.
var States = []State{Planned, Agreed, Posted, Arrived, UnderWay, OnBench, SentBack, Done, CalledOff}

// Open tells whether something is still to be done about a visit in this
// state.
func (s State) Open() bool { return s != Done && s != CalledOff }

// Begun tells whether a unit is, or was, in somebody's hands in this state.
func (s State) begun() bool { return s == UnderWay || s == OnBench || s == SentBack || s == Done }

// InHand tells whether a station is in somebody's hands, or on its way to the
// bench or back: what its sensors say then is no trouble.
func InHand(kind Kind, state State) bool {
	switch kind {
	case SendIn:
		return state == Posted || state == Arrived || state == OnBench || state == SentBack
	case OnSite, LocalInstaller:
		return state == UnderWay
	}
	return false
}

// next says what may follow. A visit that was called off may be planned again,
// and one that was taken for done may be gone on with.
var (
	nextThere = map[State][]State{
		Planned:   {Agreed, UnderWay, Done, CalledOff},
		Agreed:    {Planned, UnderWay, Done, CalledOff},
		UnderWay:  {Agreed, Done, CalledOff},
		Done:      {UnderWay},
		CalledOff: {Planned},
	}
	nextSentIn = map[State][]State{
		Planned:   {Agreed, Posted, Arrived, CalledOff},
		Agreed:    {Planned, Posted, Arrived, CalledOff},
		Posted:    {Arrived, CalledOff},
		Arrived:   {OnBench, SentBack, CalledOff},
		OnBench:   {Arrived, SentBack, CalledOff},
		SentBack:  {OnBench, Done},
		Done:      {OnBench},
		CalledOff: {Planned},
	}
)

// Next returns the states that may follow one of a visit of a kind.
func Next(kind Kind, from State) []State {
	if kind == SendIn {
		return nextSentIn[from]
	}
	return nextThere[from]
}

// Change returns an error that says what is possible, unless a visit of the
// kind may go over from one state to the other.
func Change(kind Kind, from, to State) error {
	if err := one("state", to, States); err != nil {
		return err
	}
	possible := Next(kind, from)
	if slices.Contains(possible, to) {
		return nil
	}
	return Wrong{"state", string(to), "a visit of kind " + string(kind) + " that is " + string(from) + " can become " + list(possible)}
}

// Step is an entry of a visit's list of states.
type Step struct {
	State State
	At    unit.Instant
}

// Happened returns when a visit began, when the unit was first in somebody's
// hands, and when it ended; 0 for what has not happened.
func Happened(steps []Step) (began, ended unit.Instant) {
	for _, s := range steps {
		if began == 0 && s.State.begun() {
			began = s.At
		}
		ended = 0
		if s.State == Done {
			ended = s.At
		}
	}
	return began, ended
}

// NeedsCard tells whether a visit with this work may go over into a state only
// with a passed test card: a unit whose board was worked on, when it leaves.
func NeedsCard(to State, work []Work) bool {
	return (to == SentBack || to == Done) && slices.ContainsFunc(work, func(w Work) bool { return w.Code.OnBoard() })
}
