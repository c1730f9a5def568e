package main

import (
	"context"
	"os"

	"dewpost/cmd/dewpost/demo"
)

type demoCmd struct {
	Listen string  `default:"127.0.0.1:8480" help:"Where the pages are; loopback only, port 0 takes a free one."`
	Keep   string  `placeholder:"DIR" help:"Leave database and spools in this folder."`
	Speed  float64 `default:"600" help:"How many seconds pass in one."`
}

// Run runs the demo until it is told to stop.
func (c *demoCmd) Run(ctx context.Context) error {
	return demo.Run(ctx, demo.Options{
		Listen: c.Listen, Keep: c.Keep, Speed: c.Speed, Progress: terminal(os.Stdout),
	}, os.Stdout)
}
