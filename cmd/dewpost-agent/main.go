// Command dewpost-agent samples the sensors of one or several stations and
// brings their readings to the collector.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/alecthomas/kong"

	"dewpost/agent"
)

// Exit codes of the wire contract's commands.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

type command struct {
	Run   configFlag `cmd:"" help:"Sample the sensors and send the readings until stopped."`
	Probe configFlag `cmd:"" help:"Read each sensor once and show what it gives."`
	Check configFlag `cmd:"" help:"Explain each problem of the configuration with its fix."`
	Enrol enrolment  `cmd:"" help:"Write configuration and secret from the text of an enrolment's QR code."`
}

type enrolment struct {
	File string `arg:"" help:"The file with the text, as a phone or a scanner read it; - for the standard input."`
	Out  string `placeholder:"DIR" help:"New folder for the files. Default: the station's id."`
}

type configFlag struct {
	Config string `short:"c" required:"" type:"path" placeholder:"FILE" help:"Configuration in TOML."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends it at once
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var cmd command
	helped := false
	parser := kong.Must(&cmd, kong.Name("dewpost-agent"), kong.Writers(stdout, stderr),
		kong.Description("Brings the readings of call stations to their collector."),
		kong.Exit(func(int) { helped = true }))
	parsed, err := parser.Parse(args)
	if helped {
		return exitDone
	}
	if err != nil {
		return fail(stderr, exitUsage, fmt.Errorf("%w\nsee dewpost-agent --help", err))
	}
	switch parsed.Command() {
	case "enrol <file>":
		err = enrol(cmd.Enrol, os.Stdin, stdout)
	case "check":
		err = check(cmd.Check.Config, stdout)
	case "probe":
		err = probe(ctx, cmd.Probe.Config, stdout)
	default:
		err = serve(ctx, cmd.Run.Config, stderr)
	}
	if err != nil {
		return fail(stderr, exitFailed, err)
	}
	return exitDone
}

func fail(stderr io.Writer, code int, err error) int {
	if _, werr := fmt.Fprintf(stderr, "dewpost-agent: %v\n", err); werr != nil {
		return exitFailed
	}
	return code
}

func serve(ctx context.Context, path string, stderr io.Writer) error {
	// A small heap is worth more on a small board than a little time.
	debug.SetGCPercent(50)
	cfg, err := agent.Load(path)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(stderr, nil))
	a, err := agent.New(cfg, agent.WithLog(log), agent.WithVersion(version()))
	if err != nil {
		return err
	}
	return a.Run(ctx)
}

func probe(ctx context.Context, path string, stdout io.Writer) error {
	cfg, err := agent.Load(path)
	if err != nil {
		return err
	}
	a, err := agent.New(cfg)
	if err != nil {
		return err
	}
	return a.Probe(ctx, stdout)
}

func check(path string, stdout io.Writer) error {
	cfg, err := agent.Load(path)
	if err != nil {
		return err
	}
	problems := cfg.Check()
	for _, p := range problems {
		if _, err := fmt.Fprintf(stdout, "%s: %s\n  fix: %s\n", p.Key, p.What, p.Fix); err != nil {
			return err
		}
	}
	if len(problems) > 0 {
		return errors.New("the configuration can't be used as it is")
	}
	_, err = fmt.Fprintf(stdout, "%s: no problems\n", path)
	return err
}

// mostText bounds what is read of a file that may be anything.
const mostText = 64 << 10

func enrol(c enrolment, stdin io.Reader, stdout io.Writer) error {
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil && agent.IsEnrolment(c.File) { // no error may hold it
			return errors.New("enrol: this is the text itself, which others on this machine can read in a command line: put it into a file, or write - and paste it")
		}
		if err != nil {
			return err
		}
		defer f.Close()
		stdin = f
	}
	text, err := io.ReadAll(io.LimitReader(stdin, mostText))
	if err != nil {
		return err
	}
	files, err := agent.Enrol(string(text), c.Out)
	for _, path := range files {
		if _, err := fmt.Fprintln(stdout, path); err != nil {
			return err
		}
	}
	return err
}

func version() string {
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "unknown"
}
