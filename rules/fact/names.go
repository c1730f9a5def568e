package fact

import (
	"fmt"
	"slices"
	"strings"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Kinds of subject.
const (
	KindOwner   = "owner"   // whose the stations are
	KindSite    = "site"    // premises on which stations hang
	KindLine    = "line"    // wire and supply that one or more stations share
	KindStation = "station" // one outdoor unit
	KindSensor  = "sensor"  // in a station, or on the shelf
)

// Kinds are all kinds of subject, each after those that it refers to.
var Kinds = []string{KindOwner, KindSite, KindLine, KindStation, KindSensor}

// Names of facts that several kinds have.
const (
	Name   = "name"   // what people call it
	Serial = "serial" // number on it
	Model  = "model"  // of its maker
)

// Names of facts about an owner.
const (
	Contact       = "contact"        // phone, mail, post
	Consent       = "consent"        // date on which he consented to line current and the rest being recorded
	Warranty      = "warranty"       // terms
	WarrantyUntil = "warranty_until" // date
)

// Names of facts about a site.
const (
	Zone      = "zone"       // IANA time zone
	Lat       = "lat"        // degrees, north positive
	Lon       = "lon"        // degrees, east positive
	Salt      = "salt"       // what salt is in the air or on the ground
	Owner     = "owner"      // id of the owner
	Access    = "access"     // keys, hours
	Sun       = "sun"        // full, part or shade
	TravelMin = "travel_min" // minutes of driving, one way
	Reach     = "reach"      // driving or post
	Power     = "power"      // on, or off as in winter; a site's and a line's
	LetIn     = "let_in"     // when somebody is let in, as in mo-fr 08:00-12:00
)

// Names of facts about a line. Site is a station's and a line's.
const (
	Site          = "site"           // id of the site
	Supply        = "supply"         // ac or dc
	SupplyV       = "supply_v"       // V at the master
	SupplyMA      = "supply_ma"      // mA that the master can give
	CurrentSensor = "current_sensor" // id of the station whose readings hold the line's current
)

// Names of facts about a station.
const (
	Spot           = "spot"            // where on the site
	Mounting       = "mounting"        // surface, flush or post
	Build          = "build"           // what the station is made of, in one word, see builds
	Installed      = "installed"       // date on which it went on the wall
	MaxGap         = "max_gap"         // longest step between readings that counts as known
	AllowanceK     = "allowance_k"     // K that the board is taken to be colder than the inside air
	Undercooling   = "undercooling"    // as AllowanceK, learned from stations with a board sensor; None: no more
	AllowedSilence = "allowed_silence" // age up to which the newest reading speaks for now
	Interval       = "interval"        // between two readings
	RHCheck        = "rh_check"        // what was found of the inside humidity sensor

	System      = "system"       // that it belongs to, in free words
	Wires       = "wires"        // how many
	Terminals   = "terminals"    // terminal map, as in 1=supply; 2=audio
	Line        = "line"         // id of the line
	Address     = "address"      // on the line, as set on the unit
	Orientation = "orientation"  // that its face looks to
	Eave        = "eave"         // above it
	CableEntry  = "cable_entry"  // sealed, open or unknown
	WeepHole    = "weep_hole"    // open, blocked, none or unknown
	Board       = "board"        // new, used or donor
	BoardGrade  = "board_grade"  // a, best, to d
	BoardFitted = "board_fitted" // date

	Coating      = "coating"       // material
	CoatingSides = "coating_sides" // none, one or both
	Coats        = "coats"         // how many
	Coated       = "coated"        // date
	Cured        = "cured"         // date on which the cure ends

	Cover          = "cover"           // what it is
	CoverNew       = "cover_new"       // date on which it was new
	CoverCondition = "cover_condition" // sound, crazed, cracked or missing
	Face           = "face"            // what it is
	FaceNew        = "face_new"        // date on which it was new
	FaceCondition  = "face_condition"  // as CoverCondition
)

// Names of facts about a sensor.
const (
	Station     = "station"     // id of the station that it is in; None: on the shelf
	Channels    = "channels"    // of a reading that it gives
	Place       = "place"       // where in the box
	Calibration = "calibration" // see Normal
)

// None ends a reference, and is no id of anything.
const None = "none"

// NoSalt is the value of Salt at which salt_wet is not kept.
const NoSalt = None

// rule says what values a name takes. check returns how to write the value, or
// "" when it is right; of "" it returns how to write any.
type rule struct {
	name     string
	check    func(value string) (fix string)
	ledger   bool   // a change can alter ledger hours, or what is found
	refers   string // kind of the subject whose id the value is
	by       day    // latest date, seen from the day of recording
	personal bool   // for people who work here, not for all who may look
	seated   bool   // a station has it only while it hangs on a site
}

func oneOf(values ...string) func(string) string {
	return func(value string) string {
		if !slices.Contains(values, value) {
			return "write one of " + strings.Join(values, ", ")
		}
		return ""
	}
}

var (
	sides     = oneOf(None, "one", "both")
	condition = oneOf("sound", "crazed", "cracked", "missing")
)

var rules = map[string][]rule{
	KindOwner: {
		{name: Name, check: text, personal: true},
		{name: Contact, check: longText, personal: true},
		{name: Consent, check: orNone(date), by: today},
		{name: Warranty, check: longText},
		{name: WarrantyUntil, check: dateSince(1990)},
	},
	KindSite: {
		{name: Name, check: text},
		{name: Owner, check: id, refers: KindOwner},
		{name: Zone, check: zone, ledger: true},
		{name: Lat, check: between(-90, 90, "degrees, north positive"), ledger: true},
		{name: Lon, check: between(-180, 180, "degrees, east positive"), ledger: true},
		{name: Salt, check: oneOf(NoSalt, "coast", "deicing", "pool"), ledger: true},
		{name: Sun, check: oneOf("full", "part", "shade")},
		{name: Access, check: longText, personal: true},
		{name: LetIn, check: letIn},
		{name: Reach, check: oneOf("driving", "post")},
		{name: TravelMin, check: whole(0, 1440, "minutes of driving, one way")},
		{name: Power, check: oneOf("on", "off")},
	},
	KindLine: {
		{name: Name, check: text},
		{name: Site, check: id, refers: KindSite},
		{name: Supply, check: oneOf("ac", "dc")},
		{name: SupplyV, check: between(1, 60, "volts")},
		{name: SupplyMA, check: between(1, 20000, "mA")},
		{name: CurrentSensor, check: id, refers: KindStation, ledger: true},
		{name: Power, check: oneOf("on", "off")},
	},
	KindStation: slices.Concat([]rule{
		{name: Name, check: text},
		{name: Site, check: id, ledger: true, refers: KindSite},
		{name: Spot, check: text},
		{name: Installed, check: date, seated: true, ledger: true},
		{name: Serial, check: text},
		{name: System, check: text},
		{name: Model, check: text},
		{name: Wires, check: whole(1, 32, "wires")},
		{name: Terminals, check: terminals},
		{name: Line, check: id, refers: KindLine, seated: true, ledger: true},
		{name: Address, check: text, seated: true},
		{name: Mounting, check: oneOf("surface", "flush", "post"), ledger: true},
		{name: Orientation, check: oneOf("n", "ne", "e", "se", "s", "sw", "w", "nw", None)},
		{name: Eave, check: oneOf(None, "small", "deep")},
		{name: CableEntry, check: oneOf("sealed", "open", "unknown")},
		{name: WeepHole, check: oneOf("open", "blocked", None, "unknown")},
	}, buildRules, []rule{
		{name: Interval, check: duration},
		{name: MaxGap, check: duration, ledger: true},
		{name: AllowanceK, check: between(-20, 20, "kelvin"), ledger: true},
		{name: Undercooling, check: undercooling, ledger: true},
		{name: AllowedSilence, check: duration},
		{name: RHCheck, check: rhCheck, ledger: true},
	}),
	KindSensor: slices.Concat([]rule{
		{name: Serial, check: text},
		{name: Model, check: text},
		{name: Station, check: id, refers: KindStation},
		{name: Channels, check: channels},
		{name: Place, check: text},
		{name: Calibration, check: calibration},
	}, calibrationRules()),
}

// buildRules are those of what a station is made of.
var buildRules = []rule{
	{name: Build, check: oneOf("uncoated", "coated", "coated-new-cover", "cracked-cover")},
	{name: Board, check: oneOf("new", "used", "donor")},
	{name: BoardGrade, check: oneOf("a", "b", "c", "d")},
	{name: BoardFitted, check: date, by: tomorrow},
	{name: Coating, check: text},
	{name: CoatingSides, check: sides},
	{name: Coats, check: whole(0, 9, "coats")},
	{name: Coated, check: date, by: tomorrow},
	{name: Cured, check: date},
	{name: Cover, check: text},
	{name: CoverNew, check: date, by: tomorrow},
	{name: CoverCondition, check: condition},
	{name: Face, check: text},
	{name: FaceNew, check: date, by: tomorrow},
	{name: FaceCondition, check: condition},
}

func calibrationRules() []rule {
	var all []rule
	for c := range reading.NumChannels {
		all = append(all, rule{name: Calibration + "." + c.Name(), check: offset})
	}
	return all
}

func (f *Fact) rule() (rule, bool) {
	names := rules[f.Subject.Kind]
	i := slices.IndexFunc(names, func(r rule) bool { return r.name == f.Name })
	if i < 0 {
		return rule{}, false
	}
	return names[i], true
}

// Validate returns a Refused when a fact is not written as it must be, or
// names a date that can't be when it is recorded. Whether it agrees with other
// facts, and whether what it refers to or a time zone exists, is not known here.
func Validate(f Fact) error {
	if _, ok := rules[f.Subject.Kind]; !ok {
		return Refused{f.Subject, "kind", f.Subject.Kind, "facts are about one of " + strings.Join(Kinds, ", ")}
	}
	if fix := id(f.Subject.ID); fix != "" {
		return Refused{f.Subject, "id", f.Subject.ID, fix}
	}
	if f.Subject.ID == None {
		return Refused{f.Subject, "id", None, "choose another: where an id is asked for, it says that there is none"}
	}
	r, ok := f.rule()
	if !ok {
		return f.refuse("there is no such fact: known are " + strings.Join(Names(f.Subject.Kind), ", "))
	}
	if fix := r.check(f.Value); fix != "" {
		return f.refuse(fix)
	}
	if f.Name == Calibration {
		return f.refuse("write it as " + Calibration + "." + reading.InsideRH.Name() + " and so on")
	}
	if last := r.by.from(f.Recorded); r.by != 0 && f.Recorded != 0 && f.Value != None && f.Value > last {
		return f.refuse("it lies ahead: write a date up to " + last)
	}
	if f.From != Always && (f.From < earliest || f.From > latest) {
		return f.refuse(fmt.Sprintf("it holds from %s: let it hold from an instant between 1900 and 2200, or always", f.From))
	}
	return nil
}

// ChangesLedger tells whether the fact can alter ledger hours, or what is
// found about a box.
func ChangesLedger(f Fact) bool {
	r, _ := f.rule()
	return r.ledger
}

// Refers returns the subject whose id the fact's value is; false where it is
// no id, or None.
func Refers(f Fact) (Subject, bool) {
	r, _ := f.rule()
	return Subject{r.refers, f.Value}, r.refers != "" && f.Value != None
}

// Personal tells whether the named fact about a kind of subject is for those
// only who work here: who somebody is, how to reach him, how to get in.
func Personal(kind, name string) bool {
	r, _ := (&Fact{Subject: Subject{Kind: kind}, Name: name}).rule()
	return r.personal
}

// Names are the names of facts about a kind of subject, in the order in which
// people read them. Of a sensor's calibration there is one for each channel.
func Names(kind string) []string {
	list := make([]string, 0, len(rules[kind]))
	for _, r := range rules[kind] {
		if r.name != Calibration {
			list = append(list, r.name)
		}
	}
	return list
}

// Hint says how to write the value of the named fact; "" when there is no such.
func Hint(kind, name string) string {
	r, ok := (&Fact{Subject: Subject{Kind: kind}, Name: name}).rule()
	if !ok {
		return ""
	}
	return r.check("")
}

// Normal returns the fact as it is kept: without spaces around its value.
// People say calibration and "inside_rh_pct +1.4 salt-75": what is to be added
// to a channel, by which reference. It is kept as calibration.inside_rh_pct and
// "+1.4 salt-75", so that each channel has a history of its own.
func Normal(f Fact) Fact {
	f.Value = strings.TrimSpace(f.Value)
	if f.Subject.Kind != KindSensor || f.Name != Calibration {
		return f
	}
	if channel, rest, ok := strings.Cut(f.Value, " "); ok && calibration(f.Value) == "" {
		f.Name, f.Value = Calibration+"."+channel, strings.Join(strings.Fields(rest), " ")
	}
	return f
}

// order says where each name stands in Names.
func order(kind string) map[string]int {
	at := make(map[string]int)
	for i, name := range Names(kind) {
		at[name] = i
	}
	return at
}

// Present returns the facts about one subject that are valid at t, one of a
// name, in the order of Names.
func Present(facts []Fact, t unit.Instant) []Fact {
	newest := make(map[string]int) // by name
	for i := range facts {
		if j, ok := newest[facts[i].Name]; facts[i].From <= t && (!ok || facts[i].replaces(&facts[j])) {
			newest[facts[i].Name] = i
		}
	}
	var list []Fact
	for _, i := range newest {
		list = append(list, facts[i])
	}
	if len(list) == 0 {
		return nil
	}
	at := order(list[0].Subject.Kind)
	slices.SortFunc(list, func(a, b Fact) int { return at[a.Name] - at[b.Name] })
	return list
}
