package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/words"
	"dewpost/rules/assess"
	"dewpost/rules/exposure"
	"dewpost/rules/life"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

type assessCmd struct {
	Log       string         `arg:"" name:"log.csv" help:"The log: a column time and columns named like the channels; - reads standard input."`
	JSON      bool           `help:"Print one JSON object instead of a table."`
	Check     bool           `help:"End with exit code 3 when there are findings."`
	MaxGap    *time.Duration `placeholder:"DUR" help:"Longest step between readings that is still known. Default: 30m, or 1.5 times the log's own step where that is longer."`
	Build     string         `placeholder:"KIND" help:"What the board's dose is held against: uncoated, coated, coated-new-cover or cracked-cover."`
	Allowance float64        `name:"surface-allowance" placeholder:"K" help:"How many kelvin colder than the inside air the board's surface is taken to be, where it has no sensor. Default: 0."`
	Learned   string         `name:"undercooling" placeholder:"TERMS" help:"The same, as a station with a sensor on its board taught: what dewpost station learn prints."`
	Repaired  string         `placeholder:"TIME" help:"When the box was back after a repair: a date, for midnight UTC, or RFC 3339. How it breathes is known anew from then on, and how wet it was before and after is compared in equal weather."`
	Mounting  string         `placeholder:"HOW" help:"How the station hangs: surface, flush or post. What is flush in a wall may get air from the house; behind a post there is none."`
	At        string         `placeholder:"LAT,LON" help:"Where the station hangs, in degrees north and east: gives sunrise and sunset."`
	Hourly    string         `placeholder:"OUT.csv" help:"Write the ledger, a row an hour, to this file."`
	logFlags
}

// Run assesses the log.
func (c *assessCmd) Run() error {
	opt, logOpt, err := c.options()
	if err != nil {
		return usageError{err}
	}
	a, log, err := c.assess(opt, logOpt)
	if err != nil {
		return err
	}
	if c.Hourly != "" {
		if err := writeHourly(c.Hourly, a.Ledger); err != nil {
			return err
		}
	}
	if err := c.print(&a, log); err != nil {
		return fmt.Errorf("write the assessment: %w", err)
	}
	if c.Check && len(a.Findings) > 0 {
		return errFindings
	}
	return nil
}

func (c *assessCmd) options() (opt assess.Options, logOpt logfile.Options, err error) {
	opt.Allowance = unit.Kelvin(c.Allowance)
	if c.Allowance < -20 || c.Allowance > 20 || c.Allowance != c.Allowance {
		return opt, logOpt, fmt.Errorf("--surface-allowance %v: use kelvin from -20 to 20", c.Allowance)
	}
	if c.Learned != "" {
		if c.Allowance != 0 {
			return opt, logOpt, errors.New("--undercooling stands in the place of --surface-allowance: give one of them")
		}
		if opt.Learned, err = exposure.ParseUndercooling(c.Learned); err != nil {
			return opt, logOpt, fmt.Errorf("--undercooling %w", err)
		}
	}
	if c.Repaired != "" {
		if opt.Repaired, err = books.ParseInstant("--repaired", c.Repaired); err != nil {
			return opt, logOpt, err
		}
	}
	switch c.Mounting {
	case "", "surface":
	case "flush":
		opt.Flush = true
	case "post":
		opt.Post = true
	default:
		return opt, logOpt, fmt.Errorf("--mounting %q: write surface, flush or post", c.Mounting)
	}
	if c.MaxGap != nil {
		if opt.MaxGap = *c.MaxGap; opt.MaxGap <= 0 {
			return opt, logOpt, fmt.Errorf("--max-gap %s: use a positive time, as in 90m", opt.MaxGap)
		}
	}
	if same(c.Hourly, c.Log) {
		return opt, logOpt, fmt.Errorf("--hourly %q is the log itself: choose another file", c.Hourly)
	}
	if opt.Build = c.Build; c.Build != "" {
		if opt.Budget, err = life.Budget(c.Build); err != nil {
			return opt, logOpt, fmt.Errorf("--%w", err)
		}
	}
	if c.At != "" {
		if opt.Place, err = parsePlace(c.At); err != nil {
			return opt, logOpt, err
		}
	}
	logOpt, err = c.logFlags.options(c.Log, logfile.Known())
	return opt, logOpt, err
}

func parsePlace(text string) (*sun.Place, error) {
	lat, lon, ok := strings.Cut(text, ",")
	la, err1 := strconv.ParseFloat(strings.TrimSpace(lat), 64)
	lo, err2 := strconv.ParseFloat(strings.TrimSpace(lon), 64)
	if !ok || err1 != nil || err2 != nil {
		return nil, fmt.Errorf("--at %q: write latitude and longitude in degrees, as in 61.5,23.8", text)
	}
	p := sun.Place{Lat: la, Lon: lo}
	if err := p.Validate(); err != nil {
		return nil, fmt.Errorf("--at %q: %w", text, err)
	}
	return &p, nil
}

// assess reads the log and assesses it at the same time.
func (c *assessCmd) assess(opt assess.Options, logOpt logfile.Options) (a assess.Assessment, log *logfile.Log, err error) {
	blocks := make(chan []reading.Reading, 4)
	go func() {
		defer close(blocks)
		log, err = c.read(logOpt, func(b []reading.Reading) error {
			blocks <- b
			return nil
		})
	}()
	a = assess.Stream(func(yield func([]reading.Reading) bool) {
		for b := range blocks {
			if !yield(b) {
				return
			}
		}
	}, opt)
	if err == nil {
		a.Refused = log.RefusedTotal()
	}
	return a, log, err
}

func (c *assessCmd) read(opt logfile.Options, take func([]reading.Reading) error) (*logfile.Log, error) {
	var size int64
	var in io.Reader = os.Stdin
	if c.Log == "-" {
		opt.Name = "standard input"
	} else {
		f, err := os.Open(c.Log)
		if err != nil {
			return nil, fmt.Errorf("open the log: %w", err)
		}
		defer f.Close()
		in = f
		if st, err := f.Stat(); err == nil {
			size = st.Size()
		}
	}
	defer showProgress(&opt, size)()
	return logfile.Read(in, opt, take)
}

func terminal(f *os.File) bool {
	st, err := f.Stat()
	return err == nil && st.Mode()&os.ModeCharDevice != 0
}

func (c *assessCmd) print(a *assess.Assessment, log *logfile.Log) error {
	if c.JSON {
		for i := range a.Findings {
			f := &a.Findings[i]
			f.How = words.Of(f.Kind).How
		}
		return json.NewEncoder(os.Stdout).Encode(a)
	}
	return a.WriteTable(os.Stdout, c.Log, log.Ignored)
}

// same tells whether two paths name one file.
func same(a, b string) bool {
	x, err1 := os.Stat(a)
	y, err2 := os.Stat(b)
	return err1 == nil && err2 == nil && os.SameFile(x, y)
}

// writeHourly writes the whole table or, when it can't, leaves what was there.
func writeHourly(path string, hours []exposure.Hour) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), ".hourly-*")
	if err != nil {
		return fmt.Errorf("create the hourly table: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("write the hourly table: %w", err), os.Remove(f.Name()))
		}
	}()
	w := bufio.NewWriter(f)
	row := append([]byte(strings.Join(exposure.HourlyColumns, ",")), '\n')
	for i := range hours {
		if _, err := w.Write(row); err != nil {
			return errors.Join(err, f.Close())
		}
		row = exposure.AppendHourly(row[:0], &hours[i])
	}
	if _, err := w.Write(row); err != nil {
		return errors.Join(err, f.Close())
	}
	if err := errors.Join(w.Flush(), f.Chmod(0o644), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
