package books

import (
	"context"
	"errors"
	"time"

	"dewpost/rules/fact"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// SaltCautions are what to mind with saturated salts: common practice, no
// source, but for the last.
var SaltCautions = []string{
	"The solution must not touch the sensor: leave the vessel standing and some solid salt in it.",
	"Keep vessel and sensor at one steady temperature, out of the sun: 1 K between them is 5 %RH at room temperature.",
	"Let it settle for 8 hours or overnight, with the lid closed.",
	"Salts differ: read the maker’s sheet, wear gloves and glasses, keep them from children and out of metal vessels.",
}

// pairWithin is how near to each other two checks are of one state of a sensor.
const pairWithin = 14 * 24 * time.Hour

// SaltChecked is a salt check with what it says. Humidities are in %RH;
// uncertainties are for nineteen in twenty.
type SaltChecked struct {
	At        *unit.Instant `json:"at"` // nil: from the beginning
	Salt      string        `json:"salt"`
	TempC     float64       `json:"temp_c"`
	SettledH  float64       `json:"settled_h"`
	Reads     float64       `json:"reads_pct"`
	Reference float64       `json:"reference_pct"`
	Off       float64       `json:"off_pct"` // that the sensor reads too much
	Unsure    struct {
		Salt     float64 `json:"salt_pct"`   // of the table
		Place    float64 `json:"place_pct"`  // because salt and sensor may differ by 0.2 K
		Sensor   float64 `json:"sensor_pct"` // what a sound sensor may be off
		Combined float64 `json:"combined_pct"`
	} `json:"uncertainty"`
	Verdict sensing.Verdict `json:"verdict"`
	Offset  float64         `json:"offset_pct"` // to be added to what it reads; 0 where it is sound
	Two     *TwoSalts       `json:"two_salts"`  // nil: no other check goes with it
	Author  string          `json:"author"`
	Valid   bool            `json:"valid"` // the newest
}

// TwoSalts is what two salts together say: true = offset + slope · shown.
type TwoSalts struct {
	Other  string  `json:"other_salt"`
	Offset float64 `json:"offset_pct"`
	Slope  float64 `json:"slope"`
}

// CheckSalt writes down what an inside humidity sensor read over a salt at an
// instant, and tells what that says.
func CheckSalt(ctx context.Context, s FactStore, station string, c sensing.SaltCheck, from, at unit.Instant, author string) (SaltChecked, error) {
	if from > at {
		return SaltChecked{}, Error{"at", from.String(), "it lies ahead: write when the sensor was read"}
	}
	subject := fact.Subject{Kind: fact.KindStation, ID: station}
	if err := Say(ctx, s, subject, []Said{{Name: fact.RHCheck, Value: c.String(), From: from}}, at, author); err != nil {
		return SaltChecked{}, err
	}
	all, err := SaltChecks(ctx, s, station, at)
	if err != nil {
		return SaltChecked{}, err
	}
	for i := range all {
		if all[i].At != nil && *all[i].At == from {
			return all[i], nil
		}
	}
	return SaltChecked{}, errors.New("what was written down isn't there")
}

// SaltChecks tells all salt checks of a station's inside humidity sensor, the
// newest first; of those of one instant the one recorded last.
func SaltChecks(ctx context.Context, s FactStore, station string, at unit.Instant) ([]SaltChecked, error) {
	about, err := About(ctx, s, fact.Subject{Kind: fact.KindStation, ID: station})
	if err != nil {
		return nil, err
	}
	var out []SaltChecked
	var checks []sensing.SaltCheck // as out
	for t := at; ; {
		f, ok := fact.Valid(about.Facts, fact.RHCheck, t)
		if !ok {
			break
		}
		c, err := sensing.ParseSaltCheck(f.Value)
		if err == nil {
			out = append(out, saltChecked(c, &f, t == at))
			checks = append(checks, c)
		}
		if f.From == fact.Always {
			break
		}
		t = f.From - 1
	}
	for i := range out {
		out[i].Two = pair(about.Facts, out, checks, i)
	}
	return out, nil
}

func saltChecked(c sensing.SaltCheck, f *fact.Fact, newest bool) SaltChecked {
	r := c.Judge()
	out := SaltChecked{
		Salt: c.Salt, TempC: float64(c.Temp), SettledH: c.Settled.Hours(), Reads: float64(c.Reads), Reference: float64(r.Reference),
		Off: r.Off, Verdict: r.Verdict, Offset: r.Offset, Author: f.Author, Valid: newest,
	}
	if f.From != fact.Always {
		out.At = &f.From
	}
	out.Unsure.Salt, out.Unsure.Place, out.Unsure.Sensor, out.Unsure.Combined = r.SaltUnsure, r.PlaceUnsure, r.SensorGiven, r.Combined
	return out
}

// pair finds the newest check before the i-th that a line can be drawn through
// with it: of the same days, with nothing else said of the sensor in between.
func pair(facts []fact.Fact, all []SaltChecked, checks []sensing.SaltCheck, i int) *TwoSalts {
	for j := i + 1; j < len(all); j++ {
		newer, older := all[i].At, all[j].At
		if newer == nil || older == nil || newer.Sub(*older) > pairWithin {
			return nil
		}
		for k := range facts {
			f := &facts[k]
			if _, err := sensing.ParseSaltCheck(f.Value); f.Name == fact.RHCheck && err != nil && f.From > *older && f.From <= *newer {
				return nil // another sensor, or one that was mended
			}
		}
		if line, ok := sensing.Through(checks[i], checks[j]); ok {
			return &TwoSalts{all[j].Salt, line.Offset, line.Slope}
		}
	}
	return nil
}
