package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/coating"
	"dewpost/rules/unit"
)

type coatingCmd struct {
	inStore
	Station string   `xor:"air" help:"The air is what this station's sensor tells, and its past says what is to come."`
	Sensor  string   `enum:"outside,inside" default:"outside" help:"Which of the station's sensors: outside, or inside, as on a bench."`
	Temp    *float64 `name:"temp-c" xor:"air" placeholder:"C" help:"The air is what was measured: its temperature, °C."`
	RH      *float64 `name:"rh-pct" placeholder:"PCT" help:"Its relative humidity, %."`
	Board   *float64 `name:"board-temp-c" placeholder:"C" help:"The board's own temperature, if it is measured, °C."`

	Margin  float64       `name:"margin-k" default:"3" help:"K that the surface must be above the dew point (ISO 8502-4: 3)."`
	MostRH  float64       `name:"rh-max-pct" default:"65" help:"Most relative humidity by the coating's sheet, %."`
	LeastRH float64       `name:"rh-min-pct" default:"0" help:"Least, for a type that moisture cures, %."`
	Least   float64       `name:"temp-min-c" default:"15" help:"Least temperature by the sheet, °C."`
	Most    float64       `name:"temp-max-c" default:"30" help:"Most temperature by the sheet, °C."`
	Aerosol bool          `help:"It is sprayed from a can, whose solvent cools the board: takes 4 K off, where the board has no thermometer."`
	Reserve *float64      `name:"reserve-k" placeholder:"K" help:"How many K that takes off: 3 to 5 are usual."`
	Cure    time.Duration `default:"24h" help:"How long it must stay good, by the sheet."`

	JSON  bool `name:"json" help:"One JSON object."`
	Check bool `help:"End with exit code 3 when a board may not be coated now."`
}

func (c *coatingCmd) limits() coating.Limits {
	l := coating.Limits{
		Margin: c.Margin, LeastRH: unit.Percent(c.LeastRH), MostRH: unit.Percent(c.MostRH),
		LeastTemp: unit.Celsius(c.Least), MostTemp: unit.Celsius(c.Most), Cure: c.Cure,
	}
	switch {
	case c.Reserve != nil:
		l.Reserve = *c.Reserve
	case c.Aerosol:
		l.Reserve = coating.Aerosol
	}
	return l
}

// Run says whether a board may be coated.
func (c *coatingCmd) Run(ctx context.Context) error {
	d, err := c.tell(ctx)
	var refused *coating.Refused
	switch {
	case errors.Is(err, record.ErrNotFound):
		return fmt.Errorf("station %q: there is none; dewpost station list shows them", c.Station)
	case errors.As(err, &refused) && refused.Field != "station":
		return usageError{err}
	case err != nil:
		return err
	}
	if c.JSON {
		err = json.NewEncoder(os.Stdout).Encode(&d)
	} else {
		err = printCoating(os.Stdout, &d)
	}
	if err == nil && c.Check && !d.Now.Good {
		return errFindings
	}
	return err
}

func (c *coatingCmd) tell(ctx context.Context) (d coating.Day, err error) {
	l := c.limits()
	if c.Station != "" {
		if c.RH != nil || c.Board != nil {
			return d, usageError{errors.New("--rh-pct and --board-temp-c go with --temp-c, not with --station: the station's sensor tells them")}
		}
		err = c.with(ctx, func(s *store.Store, _ collector.Config) error {
			d, err = books.Coating(ctx, s, c.Station, c.Sensor, &l, unit.At(time.Now()))
			return err
		})
		return d, err
	}
	if c.Temp == nil || c.RH == nil {
		return d, usageError{errors.New("give what was measured, --temp-c and --rh-pct, or a station whose sensor tells it, --station")}
	}
	air := coating.Air{At: unit.At(time.Now()), Temp: unit.Celsius(*c.Temp), RH: unit.Percent(*c.RH)}
	if c.Board != nil {
		board := unit.Celsius(*c.Board)
		air.Board = &board
	}
	return coating.Tell(air, nil, &l)
}

func printCoating(to io.Writer, d *coating.Day) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	line("%s", d.Says)
	line("  air\t%.1f °C, %.1f %%\tat %s", d.Temp, d.RH, d.At)
	how := "taken from the air"
	if d.Now.Measured {
		how = "measured"
	}
	line("  surface\t%.1f °C\t%s", d.Now.Surface, how)
	line("  dew point\t%.1f °C\tthe surface is %.1f K above it", d.Now.DewPoint, d.Now.Margin)
	for i, r := range d.Now.Reasons {
		if i > 0 {
			line("  also\t%s", r)
		}
	}
	for _, win := range d.Windows {
		line("  begin\t%s to %s\tstays good with %.0f %%", win.From, win.To, 100*win.Stays)
	}
	if len(d.Ahead) > 0 && len(d.Windows) == 0 {
		line("  begin\tat no hour of the next 36")
	}
	for _, text := range d.Caution {
		line("%s", text)
	}
	return w.Flush()
}
