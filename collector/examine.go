package collector

import (
	"context"
	"errors"
	"maps"
	"net"
	"slices"
	"time"

	"dewpost/collector/doctor"
	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// Examine looks at the installation that cfg describes, and changes nothing.
func Examine(ctx context.Context, cfg Config, now time.Time) doctor.Report {
	where, _ := cfg.Store.Where() // check says why, if it can't be told
	in := doctor.Installation{Config: cfg.check(), Store: where, Certificate: cfg.TLS.CertFile, Now: now}
	if ways, err := cfg.Ways(); err != nil {
		in.Config = errors.Join(in.Config, err)
	} else {
		in.Ways = slices.Sorted(maps.Keys(ways))
		if cfg.Broker.URL != "" {
			in.Ways = append(in.Ways, record.MQTT)
		}
	}
	for _, file := range []string{cfg.TLS.KeyFile, cfg.Broker.PasswordFile, cfg.Mail.PasswordFile, cfg.Export.TokenFile} {
		if file != "" {
			in.Secrets = append(in.Secrets, file)
		}
	}
	if host, port, err := net.SplitHostPort(cfg.Pages.Listen); err == nil && port != "0" {
		if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
			host = "127.0.0.1"
		}
		in.Pages = net.JoinHostPort(host, port)
		local, err := isLoopback("pages.listen", cfg.Pages.Listen)
		in.TLS = err == nil && !local && !cfg.Pages.Plain
	}
	return doctor.Examine(ctx, in)
}

// warnOfBackups says in the log when the store has no backup, or none of late.
func (c *Collector) warnOfBackups(ctx context.Context) error {
	counts, err := c.store.Counts(ctx)
	if err != nil || counts.Stored == 0 {
		return err
	}
	age, err := c.backupAge(ctx)
	switch {
	case err != nil:
		return err
	case age < 0:
		c.log.Warn("no backup of this store was ever made: make one every night with dewpost backup")
	case age > record.BackupOld.Seconds():
		c.log.Warn("the newest backup of this store is old: make one every night with dewpost backup", "hours", int(age/3600))
	}
	return nil
}

// backupAge returns the age of the newest backup in seconds, -1 when none was
// made.
func (c *Collector) backupAge(ctx context.Context) (float64, error) {
	list, err := c.store.Backups(ctx)
	if err != nil || len(list) == 0 {
		return -1, err
	}
	return max(0, unit.At(c.now()).Sub(list[0].At).Seconds()), nil
}
