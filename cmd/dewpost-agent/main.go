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
	"time"

	"github.com/alecthomas/kong"

	"dewpost/agent"
	"dewpost/agent/systemd"
	"dewpost/cmd/manual"
)

// Exit codes of the wire contract's commands.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

type command struct {
	Run   configFlag `cmd:"" help:"Sample the sensors and send the readings until stopped."`
	Probe probing    `cmd:"" help:"Read each sensor of the configuration once and show what it gives; without one, find the sensors of this machine. Stop an agent that runs here first: both would talk to the same chips."`
	Check configFlag `cmd:"" help:"Explain each problem of the configuration with its fix."`

	Calibrate calibration `cmd:"" help:"Guide a check of a humidity sensor over two saturated salts, and show gain and offset for the configuration. Stop an agent that runs here first."`

	Enrol enrolment `cmd:"" help:"Write configuration and secret from the text of an enrolment's QR code."`
}

type probing struct {
	Config string `short:"c" type:"path" placeholder:"FILE" help:"Configuration in TOML. Left out: find what is on the I²C buses and among the kernel's devices."`
	Draft  string `placeholder:"FILE" help:"Write the sensor tables for the configuration into this new file; - for the standard output. Not with -c."`
	Sysfs  string `default:"/sys" type:"path" help:"Where the kernel shows its devices."`
	Dev    string `default:"/dev" type:"path" help:"The folder of the I²C buses."`
}

type calibration struct {
	configFlag
	Station string        `placeholder:"ID" help:"The station, where the configuration has several."`
	Channel string        `default:"inside_rh_pct" help:"What is checked: inside_rh_pct or outside_rh_pct."`
	Salts   []string      `default:"MgCl2,NaCl" help:"The two salts, of LiCl, MgCl2, K2CO3, Mg(NO3)2, NaCl, KCl and K2SO4."`
	Samples int           `default:"10" help:"Samples at each salt."`
	Every   time.Duration `default:"6s" help:"Between two samples."`
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
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var cmd command
	var about about
	helped := false
	parser := kong.Must(&cmd, kong.Name("dewpost-agent"), kong.Writers(stdout, stderr),
		kong.Embed(&about), kong.Vars{"version": manual.Version()},
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
	case "manual":
		err = about.Manual.Write(stdout, parsed.Model, notes)
	case "completion":
		err = about.Completion.Write(stdout, parsed.Model)
	case "enrol <file>":
		err = enrol(cmd.Enrol, stdin, stdout)
	case "check":
		err = check(cmd.Check.Config, stdout)
	case "probe":
		err = probe(ctx, cmd.Probe, stdout)
	case "calibrate":
		err = calibrate(ctx, cmd.Calibrate, stdin, stdout)
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
	a, err := agent.New(cfg, agent.WithLog(log), agent.WithVersion(manual.Version()), agent.WithManager(systemd.FromEnvironment()))
	if err != nil {
		return err
	}
	return a.Run(ctx)
}

func probe(ctx context.Context, c probing, stdout io.Writer) error {
	if c.Config == "" {
		return find(ctx, c, stdout)
	}
	if c.Draft != "" {
		return errors.New("--draft is for what is found without a configuration: leave out -c")
	}
	a, err := load(c.Config)
	if err != nil {
		return err
	}
	return a.Probe(ctx, stdout)
}

// load builds an agent that is not going to run.
func load(path string) (*agent.Agent, error) {
	cfg, err := agent.Load(path)
	if err != nil {
		return nil, err
	}
	return agent.New(cfg, agent.WithoutCollector())
}

// find shows the sensors of this machine.
func find(ctx context.Context, c probing, stdout io.Writer) (err error) {
	scan := agent.Scan{Sysfs: c.Sysfs, Dev: c.Dev}
	switch c.Draft {
	case "":
		return scan.Find(ctx, stdout, nil)
	case "-":
		return scan.Find(ctx, stdout, stdout)
	}
	f, err := os.OpenFile(c.Draft, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return scan.Find(ctx, stdout, f)
}

func calibrate(ctx context.Context, c calibration, stdin io.Reader, stdout io.Writer) error {
	if c.Samples < 1 || c.Samples > 1000 {
		return fmt.Errorf("--samples: %d: write 1 to 1000", c.Samples)
	}
	a, err := load(c.Config)
	if err != nil {
		return err
	}
	return a.Calibrate(ctx, agent.Calibration{
		Station: c.Station, Channel: c.Channel, Salts: c.Salts, Samples: c.Samples, Every: c.Every, In: stdin, Out: stdout,
	})
}

func check(path string, stdout io.Writer) error {
	cfg, err := agent.Load(path)
	if err != nil {
		return err
	}
	problems := append(cfg.Check(), cfg.CheckMachine("/dev", "/sys")...)
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
