package main

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	_ "time/tzdata" // zones on machines without a zone database

	"dewpost/rules/logfile"
)

// logFlags say how to read a log.
type logFlags struct {
	Map []string `sep:"none" placeholder:"COLUMN=NAME" help:"What a column of the log is, as in \"Temp °C=inside_temp_c\"; \"COLUMN=\" ignores it. Repeatable."`
	TZ  string   `name:"tz" placeholder:"ZONE" help:"Zone of times without offset, as in Europe/Helsinki."`
}

// options reads the flags; known are the names that a column can have.
func (c *logFlags) options(name string, known []string) (opt logfile.Options, err error) {
	opt = logfile.Options{Name: name, Map: map[string]string{}}
	for _, m := range c.Map {
		// A column's name may hold "="; a channel's can't.
		i := strings.LastIndexByte(m, '=')
		if i < 1 {
			return opt, fmt.Errorf("--map %q: write COLUMN=CHANNEL, or COLUMN= to ignore it", m)
		}
		if target := m[i+1:]; target != "" && !slices.Contains(known, target) {
			return opt, fmt.Errorf("--map %q: %q is no channel; known are %s", m, target, strings.Join(known, ", "))
		}
		opt.Map[m[:i]] = m[i+1:]
	}
	if c.TZ != "" {
		if opt.Zone, err = time.LoadLocation(c.TZ); err != nil {
			return opt, fmt.Errorf("--tz %q: use a name of the IANA time zone database, as in Europe/Helsinki", c.TZ)
		}
	}
	return opt, nil
}

// openLog opens a log to be read twice, and returns its size. Standard input
// ("-") is put into a file first.
func openLog(path string) (f *os.File, size int64, err error) {
	if path == "-" {
		f, err = spooled(os.Stdin)
	} else {
		f, err = os.Open(path)
	}
	if err != nil {
		return nil, 0, fmt.Errorf("open the log: %w", err)
	}
	st, err := f.Stat()
	if err == nil && !st.Mode().IsRegular() {
		err = fmt.Errorf("%s is no file", path)
	}
	if err != nil {
		_ = f.Close() // the error before is the one to tell
		return nil, 0, fmt.Errorf("open the log: %w", err)
	}
	return f, st.Size(), nil
}

// spooled puts all of r into a file without a name.
func spooled(r io.Reader) (*os.File, error) {
	f, err := os.CreateTemp("", "dewpost-log-*")
	if err != nil {
		return nil, err
	}
	if err = os.Remove(f.Name()); err == nil {
		_, err = io.Copy(f, r)
	}
	if err != nil {
		_ = f.Close() // the error before is the one to tell
		return nil, err
	}
	return f, nil
}

// showProgress lets a person see how far a large log is read; end takes the
// figure away.
func showProgress(opt *logfile.Options, size int64) (end func()) {
	if !terminal(os.Stderr) || size <= 8<<20 {
		return func() {}
	}
	opt.Progress = func(read int64) { fmt.Fprintf(os.Stderr, "\rreading %3d %%", read*100/size) }
	return func() { fmt.Fprint(os.Stderr, "\r             \r") }
}
