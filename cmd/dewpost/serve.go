package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"dewpost/cmd/service"
	"dewpost/collector"
)

type serveCmd struct {
	Config string `short:"c" placeholder:"FILE" help:"Config file; deploy/dewpost.toml documents every key. Default: dewpost.toml in this directory or /etc/dewpost, or without one everything on loopback and dewpost.db in this directory."`
}

// Run serves until it is told to stop.
func (c *serveCmd) Run(ctx context.Context) (err error) {
	cfg, err := readConfig(c.Config)
	if err != nil {
		return err
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
