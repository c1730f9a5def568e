package main

import (
	"context"

	"dewpost/rules/fact"
)

type siteCmd struct {
	Add  siteAddCmd  `cmd:"" help:"Write down a site: name, owner, zone, lat, lon, salt, sun, access, how far away."`
	Set  siteSetCmd  `cmd:"" help:"Record facts about a site."`
	List siteListCmd `cmd:"" help:"List sites."`
	Show siteShowCmd `cmd:"" help:"Show what is known of a site."`
}

type siteAddCmd struct {
	inStore
	ID string `arg:"" help:"Short id: a-z, 0-9 and -."`
	factFlags
}

// Run writes the site down.
func (c *siteAddCmd) Run(ctx context.Context) error {
	return c.add(ctx, &c.inStore, fact.Subject{Kind: fact.KindSite, ID: c.ID})
}

type siteSetCmd struct {
	inStore
	ID string `arg:"" help:"The site's id."`
	factFlags
}

// Run records the facts.
func (c *siteSetCmd) Run(ctx context.Context) error {
	return c.set(ctx, &c.inStore, fact.Subject{Kind: fact.KindSite, ID: c.ID})
}

type siteListCmd struct {
	inStore
	listFlags
}

// Run lists the sites.
func (c *siteListCmd) Run(ctx context.Context) error {
	return c.list(ctx, &c.inStore, fact.KindSite, fact.Name, fact.Owner)
}

type siteShowCmd struct {
	inStore
	ID string `arg:"" help:"The site's id."`
	showFlags
}

// Run shows the facts.
func (c *siteShowCmd) Run(ctx context.Context) error {
	return c.show(ctx, &c.inStore, fact.Subject{Kind: fact.KindSite, ID: c.ID})
}
