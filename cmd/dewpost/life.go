package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"text/tabwriter"

	"dewpost/rules/assess"
	"dewpost/rules/exposure"
	"dewpost/rules/life"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
)

type lifeCmd struct {
	Calibrate lifeCalibrateCmd `cmd:"" help:"Make the budget of an uncoated board from logs of outdoor air, and say how."`
	Learned   lifeLearnedCmd   `cmd:"" help:"Say what looks into boxes at visits taught of budgets and covers."`
}

type lifeCalibrateCmd struct {
	Logs []string `arg:"" name:"log.csv" help:"Logs of a year of outdoor air each, with its columns as inside_temp_c and inside_rh_pct: the air of the open, taken as the air in a box without a cover. A column that --map names need not be in every log."`
	JSON bool     `name:"json" help:"One JSON object."`
	logFlags
}

// calibrationJSON is what --json prints.
type calibrationJSON struct {
	How    string           `json:"how"`
	Logs   []halfYearJSON   `json:"logs"`
	Middle float64          `json:"half_year_h_eq"`
	Budget float64          `json:"budget_h_eq"`
	InUse  float64          `json:"budget_in_use_h_eq"`
	Builds []lifeBudgetJSON `json:"builds"`
}

type halfYearJSON struct {
	Log      string  `json:"log"`
	KnownH   float64 `json:"known_h"`
	DoseHEq  float64 `json:"dose_h_eq"`
	HalfYear float64 `json:"half_year_h_eq"`
	LastsD   float64 `json:"lasts_days"`
}

type lifeBudgetJSON struct {
	Build  string  `json:"build"`
	Budget float64 `json:"budget_h_eq"`
}

const howCalibrated = "An uncoated indoor board fails within about half a year outdoors (common practice, no source). " +
	"Its budget is the dose of half a mean year, 4,383 known hours, of outdoor air taken as the air in the box and at the board (surface allowance 0 K): " +
	"the geometric mean over the logs, rounded to 50. Budgets of other builds are judgements: coated 40 times that, a cracked cover a quarter of coated."

// Run calibrates.
func (c *lifeCalibrateCmd) Run() error {
	var ledgers [][]exposure.Hour
	for _, log := range c.Logs {
		opt, err := c.options(log, logfile.Known())
		if err != nil {
			return usageError{err}
		}
		opt.Absent = true // the logs of several places differ in their columns
		ledger, err := airLedger(log, opt)
		if err != nil {
			return err
		}
		ledgers = append(ledgers, ledger)
	}
	got, err := life.Calibrate(ledgers)
	if err != nil {
		return err
	}
	out := calibrationJSON{How: howCalibrated, Middle: got.Middle, Budget: got.Budget, InUse: got.InUse}
	for i, h := range got.Logs {
		out.Logs = append(out.Logs, halfYearJSON{c.Logs[i], h.KnownH, h.DoseHEq, h.HEq, got.InUse / h.HEq * 8766 / 2 / 24})
	}
	for _, build := range life.Builds {
		budget, err := life.Budget(build)
		if err != nil {
			return err
		}
		out.Builds = append(out.Builds, lifeBudgetJSON{build, budget})
	}
	if c.JSON {
		return json.NewEncoder(os.Stdout).Encode(out)
	}
	return out.write(os.Stdout)
}

// airLedger folds a log.
func airLedger(log string, opt logfile.Options) ([]exposure.Hour, error) {
	var all []reading.Reading
	err := readLog(log, opt, func(rs []reading.Reading) error {
		all = append(all, rs...)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return assess.Run(all, assess.Options{}).Ledger, nil
}

// readLog reads a log for take.
func readLog(path string, opt logfile.Options, take func([]reading.Reading) error) error {
	f, size, err := openLog(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if path == "-" {
		opt.Name = "standard input"
	}
	end := showProgress(&opt, size)
	defer end()
	_, err = logfile.Read(f, opt, take)
	return err
}

func (o *calibrationJSON) write(to io.Writer) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(w, "log\tknown h\tdose h eq\thalf a year h eq\tbudget lasts days\t\n")
	for _, l := range o.Logs {
		fmt.Fprintf(w, "%s\t%.0f\t%.1f\t%.1f\t%.0f\t\n", l.Log, l.KnownH, l.DoseHEq, l.HalfYear, l.LastsD)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(to, "\nbudget of an uncoated board  %.0f h eq, from a middle of %.1f; in use: %.0f\n", o.Budget, o.Middle, o.InUse)
	for _, b := range o.Builds {
		fmt.Fprintf(to, "budget in use, %s  %.0f h eq\n", b.Build, b.Budget)
	}
	_, err := fmt.Fprintf(to, "\n%s\n", o.How)
	return err
}
