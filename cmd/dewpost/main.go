// Command dewpost watches restored outdoor call stations: a collector with
// pages, a demo, and offline assessment of logs.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"dewpost/cmd/manual"
	"dewpost/collector/record"
)

// Exit codes, a contract.
const (
	exitDone     = 0
	exitFailed   = 1
	exitUsage    = 2
	exitFindings = 3
)

// errFindings ends a command whose --check found something.
var errFindings = errors.New("findings")

// usageError is wrong use of a command that its flags alone can't tell.
type usageError struct{ error }

type commands struct {
	Demo       demoCmd       `cmd:"" help:"Run everything in one process with simulated stations, on this machine only."`
	Serve      serveCmd      `cmd:"" help:"Run the collector."`
	Station    stationCmd    `cmd:"" help:"Stations: enrol, record facts, list, retire."`
	Owner      ownerCmd      `cmd:"" help:"Owners, whose the stations are: add, record facts, list, show."`
	Site       siteCmd       `cmd:"" help:"Sites: add, record facts, list, show."`
	Line       lineCmd       `cmd:"" help:"Lines that stations share: add, record facts, list, show."`
	Sensor     sensorCmd     `cmd:"" help:"Sensors: add, record facts, list, show."`
	Part       partCmd       `cmd:"" help:"Parts: kinds, stock, reservations, and recipes by which they are made up."`
	Visit      visitCmd      `cmd:"" help:"Visits and bench jobs: plan, how far, what was found and done, parts, photos, test card; job cards and load lists as PDF, calendar."`
	Alarm      alarmCmd      `cmd:"" help:"Alarms: what needs a person, seen, put aside, out of service; limits, rehearsal, quality."`
	Plan       planCmd       `cmd:"" help:"Who first, and rounds: needs, plans, wishes, bookings, settings."`
	Report     reportCmd     `cmd:"" help:"Reports: a season of a station, site or owner as PDF, corrosivity of outdoor air."`
	Life       lifeCmd       `cmd:"" help:"How the budgets of boards come about."`
	Outlook    outlookCmd    `cmd:"" help:"What is foretold of stations' nights, and how often it came true."`
	Forecast   forecastCmd   `cmd:"" help:"Forecasts of the weather that people bring: import."`
	Season     seasonCmd     `cmd:"" help:"The months ahead of a station, and what a change to the box would do."`
	Coating    coatingCmd    `cmd:"" help:"Say whether a board may be coated now, and when in the next 36 hours it will probably stay good."`
	Export     exportCmd     `cmd:"" help:"Write what is stored as CSV, JSON Lines or line protocol: one table, or everything."`
	Import     importCmd     `cmd:"" help:"Read facts about owners, sites, lines, stations and sensors, or a shelf of parts, from a CSV file."`
	Erase      eraseCmd      `cmd:"" help:"People who asked to be forgotten: erase an owner."`
	Person     personCmd     `cmd:"" help:"People who are told: by which channels, what, and when."`
	Message    messageCmd    `cmd:"" help:"Messages to people: what became of them; see whether they arrive."`
	Watch      watchCmd      `cmd:"" help:"Other installations that this one watches: add, list, remove."`
	Account    accountCmd    `cmd:"" help:"People who may sign in: add, list, role, password, remove."`
	Token      tokenCmd      `cmd:"" help:"Tokens for programs: add, list, revoke."`
	Quarantine quarantineCmd `cmd:"" help:"Readings that were refused: list, show, store after all."`
	Readings   readingsCmd   `cmd:"" help:"Logs of readings from elsewhere: import."`
	Weather    weatherCmd    `cmd:"" help:"Weather that was observed for a site: import."`
	Keep       keepCmd       `cmd:"" help:"Say what readings are too old to be kept, and which hours would be frozen. Changes nothing."`
	Backup     backupCmd     `cmd:"" help:"Make and verify a backup of the store, while the collector works."`
	Restore    restoreCmd    `cmd:"" help:"Put a backup in the place of the store, and say what is at risk."`
	Move       moveCmd       `cmd:"" help:"Move the store between a file and a PostgreSQL database, while the collector works, and prove that both are equal."`
	Doctor     doctorCmd     `cmd:"" help:"Look at this installation and say what a person should do. Changes nothing."`
	Assess     assessCmd     `cmd:"" help:"Judge one log of temperature and humidity, without a collector."`
	Manual     manualCmd     `cmd:"" help:"Print the manual page, for man -l -."`
	Completion completionCmd `cmd:"" help:"Print the completion of commands and flags for bash, to be sourced."`

	Version kong.VersionFlag `help:"Print the version."`
}

func main() { os.Exit(run(os.Args[1:])) }

func run(args []string) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	exit := -1
	var cli commands
	parser, err := kong.New(&cli,
		kong.Name("dewpost"),
		kong.Description("Watches restored outdoor call stations: is the box wet, who must go, with what."),
		kong.UsageOnError(),
		kong.Vars{"version": manual.Version()},
		kong.Exit(func(code int) { exit = code }),
		kong.BindTo(ctx, (*context.Context)(nil)))
	if err != nil {
		fmt.Fprintln(os.Stderr, "dewpost:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	k, err := parser.Parse(args)
	if exit >= 0 { // --help
		return exit
	}
	if err != nil {
		fmt.Fprintf(os.Stderr, "dewpost: %v\nSee dewpost --help.\n", err)
		return exitUsage
	}
	var usage usageError
	switch err := k.Run(); {
	case err == nil:
		return exitDone
	case errors.Is(err, errFindings):
		return exitFindings
	case errors.As(err, &usage):
		fmt.Fprintln(os.Stderr, "dewpost:", err)
		return exitUsage
	case errors.Is(err, record.ErrNotFound):
		fmt.Fprintf(os.Stderr, "dewpost: %v%s\n", err, whereToLook(err))
		return exitFailed
	default:
		fmt.Fprintln(os.Stderr, "dewpost:", err)
		return exitFailed
	}
}

// whereToLook says which command shows what there is, where something was not found.
func whereToLook(err error) string {
	text := err.Error()
	if !strings.HasSuffix(text, record.ErrNotFound.Error()) {
		return "" // it says more already
	}
	for _, of := range []struct{ says, list string }{
		{"station ", "station"},
		{"visit ", "visit"},
		{"owner ", "owner"},
		{"site ", "site"},
		{"line ", "line"},
		{"sensor ", "sensor"},
		{"kind ", "part"},
		{"token ", "token"},
		{"account ", "account"},
		{"role of ", "account"},
		{"watching ", "watch"},
		{"quarantine ", "quarantine"},
		{"release: ", "quarantine"},
	} {
		if strings.Contains(text, of.says) {
			return ": dewpost " + of.list + " list shows those that are"
		}
	}
	return ""
}
