package main

import (
	"context"

	"dewpost/rules/fact"
)

type sensorCmd struct {
	Add  sensorAddCmd  `cmd:"" help:"Write down a sensor: serial, station, channels, place, calibration."`
	Set  sensorSetCmd  `cmd:"" help:"Record facts about a sensor."`
	List sensorListCmd `cmd:"" help:"List sensors."`
	Show sensorShowCmd `cmd:"" help:"Show what is known of a sensor."`
}

type sensorAddCmd struct {
	inStore
	ID string `arg:"" help:"Short id: a-z, 0-9 and -."`
	factFlags
}

// Run writes the sensor down.
func (c *sensorAddCmd) Run(ctx context.Context) error {
	return c.add(ctx, &c.inStore, fact.Subject{Kind: fact.KindSensor, ID: c.ID})
}

type sensorSetCmd struct {
	inStore
	ID string `arg:"" help:"The sensor's id."`
	factFlags
}

// Run records the facts.
func (c *sensorSetCmd) Run(ctx context.Context) error {
	return c.set(ctx, &c.inStore, fact.Subject{Kind: fact.KindSensor, ID: c.ID})
}

type sensorListCmd struct {
	inStore
	listFlags
}

// Run lists the sensors.
func (c *sensorListCmd) Run(ctx context.Context) error {
	return c.list(ctx, &c.inStore, fact.KindSensor, fact.Model, fact.Serial, fact.Station, fact.Channels)
}

type sensorShowCmd struct {
	inStore
	ID string `arg:"" help:"The sensor's id."`
	showFlags
}

// Run shows the facts.
func (c *sensorShowCmd) Run(ctx context.Context) error {
	return c.show(ctx, &c.inStore, fact.Subject{Kind: fact.KindSensor, ID: c.ID})
}
