package coating

import (
	"fmt"
	"time"

	"dewpost/rules/unit"
)

// Day is what can be said of coating at an instant.
type Day struct {
	Station string        `json:"station,omitempty"` // whose sensor told it; "" where somebody gave the values
	Sensor  string        `json:"sensor,omitempty"`  // inside or outside
	At      unit.Instant  `json:"at"`
	Temp    unit.Celsius  `json:"temp_c"`
	RH      unit.Percent  `json:"rh_pct"`
	Board   *unit.Celsius `json:"board_temp_c"`
	Now     Verdict       `json:"now"`
	Ahead   []Hour        `json:"ahead"`   // none where too little is known of the place
	Windows []Window      `json:"windows"` // hours to begin in
	Says    string        `json:"says"`
	Caution []string      `json:"caution"`
}

// Tell says whether a board may be coated in this air, and what the place's past
// lets expect. past are hours up to then, ascending; nil where nothing is known.
func Tell(now Air, past []Air, l *Limits) (Day, error) {
	if err := l.Check(); err != nil {
		return Day{}, err
	}
	if err := now.Check(); err != nil {
		return Day{}, err
	}
	d := Day{At: now.At, Temp: now.Temp, RH: now.RH, Board: now.Board, Now: Judge(now, l), Ahead: Ahead(now, past, l), Caution: Cautions}
	d.Windows = Windows(d.Ahead)
	if d.Ahead == nil {
		d.Ahead = []Hour{}
	}
	d.Says = d.says(l)
	return d, nil
}

// says puts a day in words.
func (d *Day) says(l *Limits) string {
	if !d.Now.Good {
		return "Not now: " + d.Now.Reasons[0].String() + "."
	}
	text := fmt.Sprintf("The air is good now: the surface is %.1f K above the dew point.", d.Now.Margin)
	switch {
	case len(d.Ahead) == 0:
		return text + " Whether it stays so is not known."
	case d.Ahead[0].Stays >= likely:
		return text + fmt.Sprintf(" It will probably stay so for %s (%.0f %%).", inHours(l.Cure), 100*d.Ahead[0].Stays)
	default:
		return text + fmt.Sprintf(" It will probably not stay so for %s (%.0f %%).", inHours(l.Cure), 100*d.Ahead[0].Stays)
	}
}

func inHours(d time.Duration) string { return fmt.Sprintf("%.3g h", d.Hours()) }

var reasonWords = map[What]string{
	NearDewPoint: "the surface is %.1f K above the dew point, and %g K are wanted",
	TooDamp:      "the air has %.1f %% relative humidity, and %g %% is the most",
	TooDry:       "the air has %.1f %% relative humidity, and this coating wants %g %% to cure",
	TooCold:      "the air or the board has %.1f °C, and %g °C is the least",
	TooWarm:      "the air or the board has %.1f °C, and %g °C is the most",
}

// String says what is wrong.
func (r Reason) String() string { return fmt.Sprintf(reasonWords[r.What], r.Is, r.Limit) }

// Cautions go with every answer.
var Cautions = []string{
	"The coating maker's sheet decides: its limits for temperature, humidity, surface and cure, not these.",
	"Solvent vapour burns and harms: work with strong ventilation, away from flames, sparks and hot tools, with the protection that the maker's safety data sheet names.",
	"The board must be without voltage, clean and dry before it is coated; keep to local codes.",
}
