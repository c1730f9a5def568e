package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"dewpost/collector/backup"
)

// ofStore names the store that a command works on past a running collector.
type ofStore struct {
	Config string `short:"c" placeholder:"FILE" help:"The collector's config file, for the path of its store. Default: dewpost.toml in this directory or /etc/dewpost, if there is one."`
}

func (c *ofStore) path() (string, error) {
	cfg, err := readConfig(c.Config)
	if err != nil {
		return "", err
	}
	return cfg.Store.Where()
}

type backupCmd struct {
	ofStore
	File    string `arg:"" name:"FILE" help:"File to make, or a folder, in which a name with the time is made."`
	Verify  bool   `help:"Make none: verify the backup FILE and say what it holds."`
	Replace bool   `help:"Replace FILE if it is there."`
	Keep    int    `placeholder:"N" help:"Then remove older backups of this store from FILE's folder, but for the newest N."`
}

// Run makes a backup, or verifies one.
func (c *backupCmd) Run(ctx context.Context) error {
	if c.Verify {
		made, err := backup.Verify(ctx, c.File)
		if err == nil {
			printFile("verified "+c.File, made)
		}
		return err
	}
	if c.Keep < 0 {
		return usageError{errors.New("--keep: use 1 or more")}
	}
	path, err := c.path()
	if err != nil {
		return err
	}
	made, err := backup.Make(ctx, backup.Config{Store: path, Target: c.File, Replace: c.Replace, Now: time.Now})
	if err != nil {
		return err
	}
	printFile("made and verified "+made.Path, made)
	fmt.Fprintln(os.Stderr, "It holds the secrets of the stations and the key of this installation: keep it like a key.")
	if c.Keep == 0 {
		return nil
	}
	removed, err := backup.Thin(ctx, path, made.Path, c.Keep)
	for _, name := range removed {
		fmt.Println("removed", name)
	}
	return err
}

func printFile(what string, m backup.File) {
	fmt.Println(what)
	if m.Made != 0 {
		fmt.Println("  all that came in before", m.Made)
	}
	newest := ""
	if m.Newest != 0 {
		newest = fmt.Sprintf(", the newest of %s", m.Newest)
	}
	gone := ""
	if m.LetGo != 0 {
		gone = fmt.Sprintf(", let go %d", m.LetGo)
	}
	fmt.Printf("  stations %d, readings %d%s%s\n", m.Stations, m.Readings, newest, gone)
	fmt.Printf("  ledger hours %d, their SHA-256 %s\n", m.Hours, m.Ledger)
	fmt.Printf("  bytes %d, SHA-256 %s\n", m.Bytes, m.SHA256)
}
