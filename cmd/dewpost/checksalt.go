package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/store"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

type stationCheckSaltCmd struct {
	inStore
	ID      string        `arg:"" help:"The station's id."`
	Salt    string        `required:"" help:"LiCl, CH3COOK, MgCl2, K2CO3, Mg(NO3)2, NaCl, KCl, KNO3 or K2SO4."`
	Temp    float64       `required:"" placeholder:"C" help:"Temperature of the vessel, °C."`
	Reads   float64       `required:"" placeholder:"RH" help:"What the sensor showed at the end, %RH."`
	Settled time.Duration `default:"8h" help:"How long it stood over the salt."`
	At      string        `placeholder:"TIME" help:"When it was read: a date, for midnight UTC, or RFC 3339. Default: now."`
	JSON    bool          `name:"json" help:"One JSON object."`
}

// Run judges the sensor and writes the check down.
func (c *stationCheckSaltCmd) Run(ctx context.Context) error {
	at, err := instantFlag("--at", c.At)
	if err != nil {
		return err
	}
	check, err := sensing.NewSaltCheck(c.Salt, c.Temp, c.Reads, c.Settled)
	if wrong := (sensing.Wrong{}); errors.As(err, &wrong) {
		return usageError{books.Error{Field: "--" + wrong.Field, Value: wrong.Value, Fix: wrong.Fix}}
	}
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		r, err := books.CheckSalt(ctx, s, c.ID, check, at, unit.At(time.Now()), c.Author)
		if err != nil {
			return fmt.Errorf("station %s: %w", c.ID, err)
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(r)
		}
		fmt.Printf("over %s at %g °C there are %.1f %%RH (Greenspan 1977); the sensor reads %.1f\n", r.Salt, r.TempC, r.Reference, r.Reads)
		fmt.Printf("it is off by %+.1f %%RH; combined uncertainty %.1f (salt %.1f, place %.1f, sensor %.1f)\n",
			r.Off, r.Unsure.Combined, r.Unsure.Salt, r.Unsure.Place, r.Unsure.Sensor)
		switch r.Verdict {
		case sensing.WithinBounds:
			fmt.Println("verdict: sound")
		case sensing.CorrectIt:
			fmt.Printf("verdict: add %+.1f %%RH to what it reads\n", r.Offset)
		default:
			fmt.Printf("verdict: in doubt; nothing is concluded from it until it is swapped or checked again (%+.1f %%RH would be to add)\n", r.Offset)
		}
		if r.Two != nil {
			fmt.Printf("with %s before: true = %.2f + %.4f · shown\n", r.Two.Other, r.Two.Offset, r.Two.Slope)
		}
		for _, text := range books.SaltCautions {
			fmt.Println("mind:", text)
		}
		return nil
	})
}
