package exposure

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Undercooling says how much colder than the air inside a surface is that no
// sensor measures, by what stations with one have taught: linear in the station's
// own readings of the last hours. Whether it is night, how fast the air cools, and
// how dry it is, tell of sun, wind and cloud, which nobody measures there.
type Undercooling struct {
	Const    float64 // K
	Night    float64 // K more from sunset to sunrise
	Hour     float64 // K for each K/h by which the air cooled in the last hour
	SixHours float64 // K for each K/h by which the air cooled in the last six
	Dry      float64 // K for each % that the air is below saturation
	Temp     float64 // K for each °C of the air
}

// UndercoolingReach is how far back readings can tell of a surface.
const UndercoolingReach = 6 * time.Hour

// A surface may be so much colder, or warmer, than the air at most: a judgement
// value, beyond what a clear sky or the sun do.
const mostUndercooling = 10.0

// Kelvin returns the allowance; cooling is in K/h.
func (u *Undercooling) Kelvin(night bool, t, rh, coolHour, coolSix float64) float64 {
	k := u.Const + float64(u.Hour*coolHour) + float64(u.SixHours*coolSix) + float64(u.Dry*(100-rh)) + float64(u.Temp*t)
	if night {
		k += u.Night
	}
	return min(max(k, -mostUndercooling), mostUndercooling)
}

// AllowanceAt returns how much colder than the air inside the surface is taken to
// be at a reading, given how the air cooled ([Past.Cooling]).
func (f *Facts) AllowanceAt(at unit.Instant, t, rh, coolHour, coolSix float64) unit.Kelvin {
	if f.Learned == nil {
		return f.Allowance
	}
	return unit.Kelvin(f.Learned.Kelvin(sun.NewNights(f.Place).At(at), t, rh, coolHour, coolSix))
}

func (u *Undercooling) terms() []*float64 {
	return []*float64{&u.Const, &u.Night, &u.Hour, &u.SixHours, &u.Dry, &u.Temp}
}

var undercoolingNames = []string{"const", "night", "hour", "six_hours", "dry", "temp"}

// String writes it as ParseUndercooling reads it.
func (u *Undercooling) String() string {
	parts := make([]string, len(undercoolingNames))
	for i, x := range u.terms() {
		parts[i] = undercoolingNames[i] + "=" + strconv.FormatFloat(*x, 'g', -1, 64)
	}
	return strings.Join(parts, " ")
}

// Taught says who taught an undercooling and what is to be thought of it. It
// changes nothing of what is computed.
type Taught struct {
	By       string  // station
	Cover    bool    // by the sensor on its cover; else that on its board
	Nights   int     // of which it learned
	OffK     float64 // root mean square by which it misses the board at night, K
	Held     bool    // what one half of the record teaches was held against the other:
	BoardH   float64 // h condensing on the board
	LearnedH float64 // … by what was learned
}

// String writes it as ParseTaught reads it, behind the terms.
func (t *Taught) String() string {
	text := "by=" + t.By
	if t.Cover {
		text += " of=" + ofCover
	}
	text += fmt.Sprintf(" nights=%d off_k=%s", t.Nights, strconv.FormatFloat(t.OffK, 'g', -1, 64))
	if t.Held {
		text += fmt.Sprintf(" board_h=%.0f learned_h=%.0f", t.BoardH, t.LearnedH)
	}
	return text
}

// ParseTaught reads who taught an undercooling; false where nobody is named.
func ParseTaught(text string) (t Taught, ok bool) {
	for _, part := range strings.Fields(text) {
		name, value, _ := strings.Cut(part, "=")
		x, _ := strconv.ParseFloat(value, 64) // ParseUndercooling checked it
		switch name {
		case "by":
			t.By, ok = value, true
		case "of":
			t.Cover = value == ofCover
		case "nights":
			t.Nights = int(x)
		case "off_k":
			t.OffK = x
		case "board_h":
			t.BoardH, t.Held = x, true
		case "learned_h":
			t.LearnedH = x
		}
	}
	return t, ok
}

const ofCover = "cover"

// taught are the names that ParseTaught reads; by has a name for its value, of the
// word cover, the others numbers.
var taught = []string{"by", "of", "nights", "off_k", "board_h", "learned_h"}

// ParseUndercooling reads "const=1.9 night=-0.6 hour=0.8 six_hours=1.3 dry=-0.06
// temp=-0.06": every term once, in any order. Who taught it may stand behind, see
// Taught. The error says how to write it.
func ParseUndercooling(text string) (*Undercooling, error) {
	var u Undercooling
	seen, more := map[string]bool{}, 0
	for _, part := range strings.Fields(text) {
		name, value, _ := strings.Cut(part, "=")
		i := 0
		for i < len(undercoolingNames) && undercoolingNames[i] != name {
			i++
		}
		x, err := strconv.ParseFloat(value, 64)
		if slices.Contains(taught, name) && !seen[name] && value != "" && (name == "by" || name == "of" && value == ofCover || err == nil && x >= 0 && !math.IsInf(x, 0)) {
			seen[name] = true
			more++
			continue
		}
		if i == len(undercoolingNames) || seen[name] || err != nil || math.IsNaN(x) || math.Abs(x) > 100 {
			return nil, fmt.Errorf("%q: write each of %s once, with a number from -100 to 100, as in const=1.9", part, strings.Join(undercoolingNames, ", "))
		}
		seen[name], *u.terms()[i] = true, x
	}
	if len(seen)-more != len(undercoolingNames) {
		return nil, fmt.Errorf("%q: write each of %s once, as in const=1.9", text, strings.Join(undercoolingNames, ", "))
	}
	return &u, nil
}

// Past is the inside temperature of the last hours. The zero value is ready.
type Past struct {
	at []int64
	t  []float64
}

// Cooling takes a reading, instants ascend, and returns by how much the air
// cooled since an hour and since six hours before, in K/h; 0 where readings don't
// reach back half as far.
func (p *Past) Cooling(at unit.Instant, t float64) (hour, six float64) {
	now := int64(at)
	drop := 0
	for drop < len(p.at) && p.at[drop] < now-int64(UndercoolingReach) {
		drop++
	}
	if drop > 0 {
		p.at, p.t = append(p.at[:0], p.at[drop:]...), append(p.t[:0], p.t[drop:]...)
	}
	p.at, p.t = append(p.at, now), append(p.t, t)
	since := func(reach time.Duration) float64 {
		i := 0
		for p.at[i] < now-int64(reach) {
			i++
		}
		age := now - p.at[i]
		if age < int64(reach)/2 {
			return 0
		}
		return float64((p.t[i] - t) / (float64(age) / float64(hourNS)))
	}
	return since(time.Hour), since(UndercoolingReach)
}
