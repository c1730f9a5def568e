package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"dewpost/collector"
)

type serveCmd struct {
	Config string `short:"c" placeholder:"FILE" help:"Config file; deploy/dewpost.toml documents every key. Default: dewpost.toml in this directory, or without one everything on loopback and dewpost.db in this directory."`
}

// Run serves until it is told to stop.
func (c *serveCmd) Run(ctx context.Context) (err error) {
	cfg, err := readConfig(c.Config)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	col, err := collector.Open(ctx, cfg, time.Now, log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, col.Close()) }()
	fmt.Println("pages", col.PagesURL())
	if addr := col.StationsAddr(); addr != "" {
		fmt.Println("stations", addr)
	} else {
		fmt.Println("broker", cfg.Broker.URL)
	}
	return col.Wait(ctx)
}

// configHere is read when no config is named and it is there.
const configHere = "dewpost.toml"

func readConfig(path string) (collector.Config, error) {
	if path == "" {
		if _, err := os.Stat(configHere); err != nil {
			return collector.DefaultConfig(), nil
		}
		path = configHere
	}
	return collector.ReadConfig(path)
}
