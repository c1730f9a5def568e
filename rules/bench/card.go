package bench

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Answer is what somebody says of one thing on the card; "" is nothing yet.
type Answer string

// Answers. None: the unit has no such thing.
const (
	Good Answer = "good"
	Bad  Answer = "bad"
	None Answer = "none"
)

// Answers are all answers.
var Answers = []Answer{Good, Bad, None}

// Row is a row of equal things, counted from 1.
type Row struct {
	There *int  `json:"there"` // how many the unit has; null: not said
	Good  []int `json:"good"`
	Bad   []int `json:"bad"`
}

// Masks are what a coating must have left free.
type Masks struct {
	SwitchContacts Answer `json:"switch_contacts"`
	Microphone     Answer `json:"microphone"`
	Connectors     Answer `json:"connectors"`
	AddressSwitch  Answer `json:"address_switch"`
}

// Card is a filled-in test card. Limits are those of the maker's sheet of the
// model; what is null was not measured or is not known.
type Card struct {
	Keys        Row    `json:"keys"`  // each gives its call
	Lamps       Row    `json:"lamps"` // each lights, so that its polarity is right
	TalkOut     Answer `json:"talk_out"`
	TalkIn      Answer `json:"talk_in"`
	VolumeSteps Row    `json:"volume_steps"` // each is as loud as it should be; none there: it can't be set
	Address     string `json:"address"`      // read back from the unit, or none

	SupplyV       *float64 `json:"supply_v"` // V at the terminals during the test
	StandbyMA     *float64 `json:"standby_ma"`
	StandbyMostMA *float64 `json:"standby_most_ma"`
	TalkMA        *float64 `json:"talk_ma"`
	TalkMostMA    *float64 `json:"talk_most_ma"`
	LimitsFrom    string   `json:"limits_from"` // where the limits stand

	CoatingParts  Answer `json:"coating_parts"`  // under UV, on the side with the parts
	CoatingSolder Answer `json:"coating_solder"` // under UV, on the side with the joints
	Masked        Masks  `json:"masked"`
	InnerCover    Answer `json:"inner_cover"` // back on

	CureHours *float64     `json:"cure_hours"`      // that the coating's sheet asks for
	Closed    unit.Instant `json:"closed,omitzero"` // when the unit was closed; 0: not said
}

const (
	thereMost = 64   // keys, lamps, steps
	mostMA    = 2000 // as a reading's line current
	mostV     = 60
)

// Check returns a Wrong for what can't be, and says nothing of what lacks.
func (c *Card) Check() error {
	for _, r := range []struct {
		name string
		row  *Row
	}{{"keys", &c.Keys}, {"lamps", &c.Lamps}, {"volume_steps", &c.VolumeSteps}} {
		if err := r.row.check(r.name); err != nil {
			return err
		}
	}
	for _, a := range c.answers() {
		if err := perhaps(a.field, a.is, Answers); err != nil {
			return err
		}
	}
	for _, n := range []struct {
		name  string
		value *float64
		most  float64
		unit  string
	}{
		{"supply_v", c.SupplyV, mostV, "volts"},
		{"standby_ma", c.StandbyMA, mostMA, "mA"},
		{"standby_most_ma", c.StandbyMostMA, mostMA, "mA"},
		{"talk_ma", c.TalkMA, mostMA, "mA"},
		{"talk_most_ma", c.TalkMostMA, mostMA, "mA"},
		{"cure_hours", c.CureHours, cureMost, "hours"},
	} {
		if n.value != nil && !(*n.value >= 0 && *n.value <= n.most) {
			return Wrong{n.name, shortest(*n.value), fmt.Sprintf("write a number from 0 to %g (%s)", n.most, n.unit)}
		}
	}
	return nil
}

func (r *Row) check(name string) error {
	if r.There == nil {
		if len(r.Good)+len(r.Bad) > 0 {
			return Wrong{name + ".there", "", "say how many there are"}
		}
		return nil
	}
	if *r.There < 0 || *r.There > thereMost {
		return Wrong{name + ".there", strconv.Itoa(*r.There), fmt.Sprintf("write a whole number from 0 to %d", thereMost)}
	}
	seen := make(map[int]bool)
	for _, n := range slices.Concat(r.Good, r.Bad) {
		if n < 1 || n > *r.There {
			return Wrong{name, strconv.Itoa(n), fmt.Sprintf("use numbers from 1 to %d, which are there", *r.There)}
		}
		if seen[n] {
			return Wrong{name, strconv.Itoa(n), "say it once, good or bad"}
		}
		seen[n] = true
	}
	return nil
}

// answer is one question of the card.
type answer struct {
	field    string
	is       Answer
	bad      string // why it failed
	optional bool   // the unit may have no such thing
	coating  bool   // asked of a coated board only
}

func (c *Card) answers() []answer {
	return []answer{
		{"talk_out", c.TalkOut, "nothing, or too little, is heard inside", false, false},
		{"talk_in", c.TalkIn, "nothing, or too little, is heard at the station", false, false},
		{"coating_parts", c.CoatingParts, "the side with the parts shows gaps under UV", false, true},
		{"coating_solder", c.CoatingSolder, "the side with the joints shows gaps under UV", false, true},
		{"masked.switch_contacts", c.Masked.SwitchContacts, "coating on switch contacts", true, true},
		{"masked.microphone", c.Masked.Microphone, "coating on the microphone", true, true},
		{"masked.connectors", c.Masked.Connectors, "coating on connectors", true, true},
		{"masked.address_switch", c.Masked.AddressSwitch, "coating on the address switch", true, true},
		{"inner_cover", c.InnerCover, "the inner cover is not back on", true, false},
	}
}

// Wanted is what a unit must be like, from the station's facts.
type Wanted struct {
	Address  string       // of the station; "" when nobody recorded it
	Coated   bool         // the board has a coating
	CoatedAt unit.Instant // when the last coat was put on; 0: not known
}

// Verdict is what the card, or a line of it, comes to.
type Verdict string

// Verdicts. Skipped is of lines only: it need not be asked.
const (
	Passed     Verdict = "passed"
	Failed     Verdict = "failed"
	Incomplete Verdict = "incomplete"
	Skipped    Verdict = "skipped"
)

// Line is the judgement on one thing of the card.
type Line struct {
	Check   string  `json:"check"`
	Verdict Verdict `json:"verdict"`
	Reason  string  `json:"reason"` // why it failed or was skipped, or what lacks
}

// Result is the judgement on a card. It failed if any line did, and is
// incomplete if nothing failed and something lacks.
type Result struct {
	Verdict Verdict `json:"verdict"`
	Lines   []Line  `json:"lines"`
}

// Reasons returns the lines that neither passed nor were skipped, in words.
func (r *Result) Reasons() []string {
	var all []string
	for _, l := range r.Lines {
		if l.Verdict == Failed || l.Verdict == Incomplete {
			all = append(all, l.Check+": "+l.Reason)
		}
	}
	return all
}

// longCure is a time after which every coating is cured; common practice, no
// source: sheets give hours to a week.
const longCure = 30 * 24 * time.Hour

// Judge judges a card that Check has nothing against.
func Judge(c *Card, want Wanted) Result {
	lines := []Line{c.Keys.judge("keys", "key"), c.Lamps.judge("lamps", "lamp"), c.VolumeSteps.judge("volume_steps", "volume step")}
	lines = append(lines, judgeAddress(c.Address, want.Address))
	lines = append(lines,
		judgeCurrent("standby_current", c.StandbyMA, c.StandbyMostMA, c),
		judgeCurrent("talk_current", c.TalkMA, c.TalkMostMA, c))
	for _, a := range c.answers() {
		lines = append(lines, a.judge(want.Coated))
	}
	lines = append(lines, judgeCure(c, want))
	r := Result{Verdict: Passed, Lines: lines}
	for _, l := range lines {
		if l.Verdict == Failed || l.Verdict == Incomplete && r.Verdict == Passed {
			r.Verdict = l.Verdict
		}
	}
	return r
}

func lacks(check, what string) Line { return Line{check, Incomplete, what} }

func (r *Row) judge(check, one string) Line {
	if r.There == nil {
		return lacks(check, "say how many there are")
	}
	if len(r.Bad) > 0 {
		return Line{check, Failed, one + " " + numbers(r.Bad)}
	}
	var open []int
	for n := 1; n <= *r.There; n++ {
		if !slices.Contains(r.Good, n) {
			open = append(open, n)
		}
	}
	if len(open) > 0 {
		return lacks(check, "try "+one+" "+numbers(open))
	}
	return Line{Check: check, Verdict: Passed}
}

func numbers(all []int) string {
	text := make([]string, len(all))
	for i, n := range slices.Sorted(slices.Values(all)) {
		text[i] = strconv.Itoa(n)
	}
	return strings.Join(text, ", ")
}

func judgeAddress(read, want string) Line {
	const check = "address"
	switch {
	case read == "":
		return lacks(check, "read it back from the unit; write none where it has no address")
	case want == "":
		return lacks(check, "record the station's address first, or none")
	case !fact.SameAddress(read, want):
		return Line{check, Failed, fmt.Sprintf("the unit says %q, the station's address is %q", read, want)}
	}
	return Line{Check: check, Verdict: Passed}
}

func judgeCurrent(check string, is, most *float64, c *Card) Line {
	switch {
	case is == nil:
		return lacks(check, "measure it")
	case c.SupplyV == nil || *c.SupplyV == 0:
		return lacks(check, "say at which supply voltage it was measured")
	case most == nil:
		return lacks(check, "give the limit of the maker's sheet")
	case *is > *most:
		return Line{check, Failed, fmt.Sprintf("%s mA at %s V is more than %s mA", shortest(*is), shortest(*c.SupplyV), shortest(*most))}
	}
	return Line{Check: check, Verdict: Passed}
}

func (a *answer) judge(coated bool) Line {
	switch {
	case a.coating && !coated && (a.is == "" || a.is == None):
		return Line{a.field, Skipped, "the board is not coated"}
	case a.is == "":
		return lacks(a.field, "look at it")
	case a.is == Bad:
		return Line{a.field, Failed, a.bad}
	case a.is == None && !a.optional:
		return Line{a.field, Failed, "every unit has this: none is no answer"}
	}
	return Line{Check: a.field, Verdict: Passed}
}

func judgeCure(c *Card, want Wanted) Line {
	const check = "cure"
	switch {
	case !want.Coated:
		return Line{check, Skipped, "the board is not coated"}
	case c.Closed == 0:
		return lacks(check, "say when the unit was closed")
	case want.CoatedAt == 0:
		return lacks(check, "record when the board was coated")
	case c.Closed.Sub(want.CoatedAt) >= longCure:
		return Line{Check: check, Verdict: Passed}
	case c.Closed < want.CoatedAt:
		return Line{check, Failed, fmt.Sprintf("closed at %s, before it was coated at %s", c.Closed, want.CoatedAt)}
	case c.CureHours == nil:
		return lacks(check, "give the hours of cure from the coating's sheet")
	}
	if end := want.CoatedAt.Add(time.Duration(*c.CureHours * float64(time.Hour))); c.Closed < end {
		return Line{check, Failed, fmt.Sprintf("closed at %s, the cure ends at %s", c.Closed, end)}
	}
	return Line{Check: check, Verdict: Passed}
}

func shortest(x float64) string {
	if math.IsNaN(x) {
		return "NaN"
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}
