package main

import (
	"context"

	"dewpost/rules/fact"
)

type ownerCmd struct {
	Add  ownerAddCmd  `cmd:"" help:"Write down an owner: name, contact, consent, warranty."`
	Set  ownerSetCmd  `cmd:"" help:"Record facts about an owner."`
	List ownerListCmd `cmd:"" help:"List owners."`
	Show ownerShowCmd `cmd:"" help:"Show what is known of an owner."`
}

type ownerAddCmd struct {
	inStore
	ID string `arg:"" help:"Short id: a-z, 0-9 and -."`
	factFlags
}

// Run writes the owner down.
func (c *ownerAddCmd) Run(ctx context.Context) error {
	return c.add(ctx, &c.inStore, fact.Subject{Kind: fact.KindOwner, ID: c.ID})
}

type ownerSetCmd struct {
	inStore
	ID string `arg:"" help:"The owner's id."`
	factFlags
}

// Run records the facts.
func (c *ownerSetCmd) Run(ctx context.Context) error {
	return c.set(ctx, &c.inStore, fact.Subject{Kind: fact.KindOwner, ID: c.ID})
}

type ownerListCmd struct {
	inStore
	listFlags
}

// Run lists the owners.
func (c *ownerListCmd) Run(ctx context.Context) error {
	return c.list(ctx, &c.inStore, fact.KindOwner, fact.Name, fact.Contact, fact.Consent)
}

type ownerShowCmd struct {
	inStore
	ID string `arg:"" help:"The owner's id."`
	showFlags
}

// Run shows the facts.
func (c *ownerShowCmd) Run(ctx context.Context) error {
	return c.show(ctx, &c.inStore, fact.Subject{Kind: fact.KindOwner, ID: c.ID})
}
