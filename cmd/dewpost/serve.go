package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"runtime/debug"
	"time"

	"dewpost/cmd/service"
	"dewpost/collector"
)

type serveCmd struct {
	Config string `short:"c" placeholder:"FILE" help:"Config file; deploy/dewpost.toml documents every key. Default: dewpost.toml in this directory or /etc/dewpost, or without one everything on loopback and dewpost.db in this directory."`
}

// garbagePercent is how much garbage may gather, as a share of what is in use: less
// than half of what Go allows.
const garbagePercent = 40

// Run serves until it is told to stop.
func (c *serveCmd) Run(ctx context.Context) (err error) {
	cfg, err := readConfig(c.Config)
	if err != nil {
		return err
	}
	if os.Getenv("GOGC") == "" { // memory is what a small machine has least of
		debug.SetGCPercent(garbagePercent)
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	systemd, err := service.New(log)
	if err != nil {
		return err
	}
	cfg.Ask = systemd.Ask
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
	return systemd.Run(ctx, col.Wait)
}

// Where no config is named, the first of these is read that is there.
const (
	configHere      = "dewpost.toml"
	configInstalled = "/etc/dewpost/dewpost.toml"
)

func readConfig(path string) (collector.Config, error) {
	if path != "" {
		return collector.ReadConfig(path)
	}
	for _, path := range []string{configHere, configInstalled} {
		if _, err := os.Stat(path); err == nil {
			return collector.ReadConfig(path)
		}
	}
	return collector.DefaultConfig(), nil
}
