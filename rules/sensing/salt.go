package sensing

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/salt"
	"dewpost/rules/unit"
)

// Judgement values; uncertainties are for nineteen in twenty.
const (
	sensorUnsure = 2.0           // %RH, of a sensor that is as its maker says: sheets of common ones give 1.8 to 3
	sensorWet    = 3.0           // … above 90 %RH
	coldUnsure   = 0.2           // K between salt and sensor in a steady room
	suspectTimes = 2.0           // of the combined uncertainty: it doesn't tell the truth
	settledLeast = 2 * time.Hour // common practice: some hours; overnight is better
	twoPoint     = 20.0          // %RH by which two salts must differ to tell a slope
)

// Salts names the salts of the table.
func Salts() []string { return salt.Names() }

// SaltCheck is what somebody read from a humidity sensor that stood over a
// saturated salt solution in a closed vessel.
type SaltCheck struct {
	Salt    string
	Temp    unit.Celsius // of the vessel
	Reads   unit.Percent // what the sensor showed
	Settled time.Duration
}

// Wrong says what is wrong with a check.
type Wrong struct{ Field, Value, Fix string }

func (w Wrong) Error() string { return fmt.Sprintf("%s %q: %s", w.Field, w.Value, w.Fix) }

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// NewSaltCheck checks what somebody says; the salt may be written in any case.
func NewSaltCheck(name string, temp, reads float64, settled time.Duration) (SaltCheck, error) {
	found, ok := salt.Find(name)
	if !ok {
		return SaltCheck{}, Wrong{"salt", name, "write one of " + strings.Join(salt.Names(), ", ")}
	}
	low, high := salt.Reach(found)
	switch {
	case !(temp >= low && temp <= high):
		return SaltCheck{}, Wrong{"temp", number(temp), fmt.Sprintf("the table of %s reaches from %g to %g °C", found, low, high)}
	case !(reads > 0 && reads <= 119):
		return SaltCheck{}, Wrong{"reads", number(reads), "write what the sensor showed, in %RH, above 0 and up to 119"}
	case settled < settledLeast || settled > 60*24*time.Hour:
		return SaltCheck{}, Wrong{"settled", settled.String(), "let it stand for 8h, at least 2h, with the temperature steady; then write how long, as in 8h"}
	}
	return SaltCheck{found, unit.Celsius(temp), unit.Percent(reads), settled.Round(time.Minute)}, nil
}

var saltCheckForm = regexp.MustCompile(`^(\S+) (-?[0-9.]+) C reads ([0-9.]+) after (\S+)$`)

// String is the form in which a check is kept as a fact.
func (c SaltCheck) String() string {
	return fmt.Sprintf("%s %s C reads %s after %s", c.Salt, number(float64(c.Temp)), number(float64(c.Reads)), hoursOrMinutes(c.Settled))
}

// hoursOrMinutes writes whole minutes as in 8h or 90m.
func hoursOrMinutes(d time.Duration) string {
	if d%time.Hour == 0 {
		return fmt.Sprintf("%dh", d/time.Hour)
	}
	return fmt.Sprintf("%dm", d/time.Minute)
}

// ParseSaltCheck reads what String wrote.
func ParseSaltCheck(text string) (SaltCheck, error) {
	m := saltCheckForm.FindStringSubmatch(text)
	if m == nil {
		return SaltCheck{}, Wrong{"check", text, "write it as in NaCl 21.5 C reads 77.1 after 8h"}
	}
	temp, err1 := strconv.ParseFloat(m[2], 64)
	reads, err2 := strconv.ParseFloat(m[3], 64)
	settled, err3 := time.ParseDuration(m[4])
	if err1 != nil || err2 != nil || err3 != nil {
		return SaltCheck{}, Wrong{"check", text, "write it as in NaCl 21.5 C reads 77.1 after 8h"}
	}
	return NewSaltCheck(m[1], temp, reads, settled)
}

// Verdict is what a check says of a sensor.
type Verdict string

// The verdicts.
const (
	WithinBounds Verdict = "sound"   // the deviation is within the combined uncertainty
	CorrectIt    Verdict = "offset"  // it is beyond: correct it by the offset
	InDoubt      Verdict = "suspect" // it is beyond twice that
)

// SaltResult is what a check says. Uncertainties are for nineteen in twenty.
type SaltResult struct {
	Reference   unit.Percent // over the solution, by [GREENSPAN-1977], in proportion between its rows
	SaltUnsure  float64      // %RH, of the table
	PlaceUnsure float64      // %RH, because salt and sensor may differ in temperature
	SensorGiven float64      // %RH, what a sound sensor may be off
	Combined    float64      // %RH, root of the sum of squares
	Off         float64      // %RH that the sensor reads too much
	Verdict     Verdict
	Offset      float64 // %RH to be added to what it reads; 0 where it is sound
}

// Judge compares what was read with what a saturated solution of the salt makes
// of the air above it.
func (c SaltCheck) Judge() SaltResult {
	t := float64(c.Temp)
	over, err := salt.Over(c.Salt, t)
	if err != nil { // NewSaltCheck made it
		return SaltResult{}
	}
	rh := over.RH
	r := SaltResult{Reference: unit.Percent(rh), SaltUnsure: over.Uncertainty, SensorGiven: sensorUnsure}
	if rh > 90 {
		r.SensorGiven = sensorWet
	}
	r.PlaceUnsure = rh * math.Log(satWater(t+coldUnsure)/satWater(t))
	r.Combined = math.Sqrt(r.SaltUnsure*r.SaltUnsure + r.PlaceUnsure*r.PlaceUnsure + r.SensorGiven*r.SensorGiven)
	r.Off = float64(c.Reads) - rh
	switch off := math.Abs(r.Off); {
	case off <= r.Combined:
		r.Verdict = WithinBounds
	case off <= suspectTimes*r.Combined:
		r.Verdict, r.Offset = CorrectIt, -math.Round(10*r.Off)/10
	default:
		r.Verdict, r.Offset = InDoubt, -math.Round(10*r.Off)/10
	}
	return r
}

// Line is what two salts say of a sensor: true = Offset + Slope · shown.
type Line struct {
	Offset float64 // %RH
	Slope  float64
}

// Through returns the line through two checks, if they are far enough apart.
func Through(a, b SaltCheck) (Line, bool) {
	ra, rb := a.Judge().Reference, b.Judge().Reference
	if math.Abs(float64(ra-rb)) < twoPoint || math.Abs(float64(a.Reads-b.Reads)) < twoPoint/2 {
		return Line{}, false
	}
	slope := float64(ra-rb) / float64(a.Reads-b.Reads)
	return Line{float64(ra) - slope*float64(a.Reads), slope}, true
}

// Words that a person can say of a sensor instead of a salt check.
const (
	SaysSound   = "sound"
	SaysSuspect = "suspect"
	SaysNone    = "none" // another sensor, or nothing known any more
)

// ReadCheck reads the value of the fact that tells of the newest check. It
// returns nil for SaysNone.
func ReadCheck(value string, at unit.Instant) (*Check, error) {
	switch value {
	case SaysNone:
		return nil, nil
	case SaysSound, SaysSuspect:
		return &Check{At: at, Sound: value == SaysSound}, nil
	}
	c, err := ParseSaltCheck(value)
	if err != nil {
		return nil, err
	}
	r := c.Judge()
	return &Check{At: at, Sound: r.Verdict != InDoubt, Off: r.Off}, nil
}
