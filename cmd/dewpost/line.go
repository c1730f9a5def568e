package main

import (
	"context"

	"dewpost/rules/fact"
)

type lineCmd struct {
	Add  lineAddCmd  `cmd:"" help:"Write down a line, the wire and supply that stations share: site, supply and its figures."`
	Set  lineSetCmd  `cmd:"" help:"Record facts about a line."`
	List lineListCmd `cmd:"" help:"List lines."`
	Show lineShowCmd `cmd:"" help:"Show what is known of a line."`
}

type lineAddCmd struct {
	inStore
	ID string `arg:"" help:"Short id: a-z, 0-9 and -."`
	factFlags
}

// Run writes the line down.
func (c *lineAddCmd) Run(ctx context.Context) error {
	return c.add(ctx, &c.inStore, fact.Subject{Kind: fact.KindLine, ID: c.ID})
}

type lineSetCmd struct {
	inStore
	ID string `arg:"" help:"The line's id."`
	factFlags
}

// Run records the facts.
func (c *lineSetCmd) Run(ctx context.Context) error {
	return c.set(ctx, &c.inStore, fact.Subject{Kind: fact.KindLine, ID: c.ID})
}

type lineListCmd struct {
	inStore
	listFlags
}

// Run lists the lines.
func (c *lineListCmd) Run(ctx context.Context) error {
	return c.list(ctx, &c.inStore, fact.KindLine, fact.Name, fact.Site, fact.Supply, fact.SupplyV, fact.SupplyMA)
}

type lineShowCmd struct {
	inStore
	ID string `arg:"" help:"The line's id."`
	showFlags
}

// Run shows the facts.
func (c *lineShowCmd) Run(ctx context.Context) error {
	return c.show(ctx, &c.inStore, fact.Subject{Kind: fact.KindLine, ID: c.ID})
}
