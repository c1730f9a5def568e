// Package manual is what a program says of itself: its version, its manual page
// in section 1, that of its settings in section 5, and the completion of its
// commands in bash. All of it comes from the description of the commands that
// --help prints, and from the sample of the settings, so that nothing has to be
// kept in step.
package manual

import (
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"strings"

	"github.com/alecthomas/kong"
)

// release is set when a package is built.
var release string

// Version names the program's version.
func Version() string {
	if release != "" {
		return release
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "unknown"
}

// Section is one that a page has besides those of the commands.
type Section struct {
	Title string
	Text  string
	Items []Item
}

// Item is a thing and what it is.
type Item struct{ Name, Text string }

// Page is the command that prints the manual page.
type Page struct {
	Date     string `placeholder:"YYYY-MM-DD" help:"The date on the page. Default: none."`
	Settings string `type:"path" placeholder:"FILE" help:"Print the page of the settings in section 5 instead, from FILE, the sample that documents them."`
}

// Write prints the page of a program whose other sections are given.
func (p Page) Write(w io.Writer, app *kong.Application, more []Section) error {
	page := &roff{}
	if p.Settings == "" {
		page.program(app, more, p.Date)
		return page.print(w)
	}
	sample, err := os.ReadFile(p.Settings)
	if err != nil {
		return fmt.Errorf("settings: %w", err)
	}
	page.settings(app, string(sample), p.Date)
	return page.print(w)
}

// roff is a page in the language of man(7).
type roff struct{ strings.Builder }

func (r *roff) print(w io.Writer) error {
	_, err := io.WriteString(w, r.String())
	return err
}

var escapes = strings.NewReplacer(`\`, `\e`, `-`, `\-`, `'`, `\(aq`, "`", `\(ga`, `^`, `\(ha`, `~`, `\(ti`)

// macro writes a request with its arguments, each as one.
func (r *roff) macro(name string, args ...string) {
	r.WriteString("." + name)
	for _, arg := range args {
		r.WriteString(` "` + strings.ReplaceAll(escapes.Replace(arg), `"`, `\(dq`) + `"`)
	}
	r.WriteByte('\n')
}

// text writes lines as they are; none becomes a request.
func (r *roff) text(s string) {
	for line := range strings.Lines(s) {
		line = escapes.Replace(strings.TrimRight(line, "\n"))
		if strings.HasPrefix(line, ".") {
			line = `\&` + line
		}
		r.WriteString(line + "\n")
	}
}

func (r *roff) head(name, section, date, what, short string) {
	r.WriteString(`.TH "` + escapes.Replace(strings.ToUpper(name)) + `" ` + section + ` "` + date + `" "dewpost ` + escapes.Replace(Version()) + `" "` + what + "\"\n")
	r.macro("SH", "NAME")
	r.text(name + ` - ` + short)
}

func (r *roff) item(name, text string) {
	r.macro("TP")
	r.macro("B", name)
	r.text(text)
}

// short is a description as NAME has it: no capital, no full stop.
func short(help string) string {
	s := strings.TrimSuffix(help, ".")
	return strings.ToLower(s[:1]) + s[1:]
}

func (r *roff) program(app *kong.Application, more []Section, date string) {
	r.head(app.Name, "1", date, "User Commands", short(app.Help))
	r.macro("SH", "SYNOPSIS")
	r.macro("B", app.Name)
	r.macro("I", "command")
	r.text("[arguments] [flags]")
	r.macro("SH", "DESCRIPTION")
	r.text(app.Help)
	r.macro("P")
	r.text("Flags of every command:")
	r.flags(app.Flags)
	r.macro("SH", "COMMANDS")
	for _, node := range app.Leaves(true) {
		r.macro("SS", app.Name+" "+node.Summary())
		r.text(node.Help)
		if node.Detail != "" {
			r.macro("P")
			r.text(node.Detail)
		}
		for _, arg := range node.Positional {
			r.item(arg.Summary(), arg.Help)
		}
		for n := node; n != app.Node; n = n.Parent {
			r.flags(n.Flags)
		}
	}
	for _, s := range more {
		r.macro("SH", s.Title)
		if s.Text != "" {
			r.text(s.Text)
		}
		for _, i := range s.Items {
			r.item(i.Name, i.Text)
		}
	}
}

func (r *roff) flags(flags []*kong.Flag) {
	for _, f := range flags {
		if !f.Hidden {
			r.item(f.String(), f.Help)
		}
	}
}

// settings shows the sample as it is: it is written to be read.
func (r *roff) settings(app *kong.Application, sample, date string) {
	file := strings.TrimPrefix(app.Name, "dewpost-") + ".toml"
	r.head(app.Name+".toml", "5", date, "File Formats", "settings of "+app.Name)
	r.macro("SH", "DESCRIPTION")
	r.text("The settings of " + app.Name + " are a file in TOML, in an installation /etc/" + app.Name + "/" + file +
		". Here is a sample with every key and what it means; a key that is not known is refused.")
	r.macro("SH", "KEYS")
	r.macro("nf")
	r.text(sample)
	r.macro("fi")
	r.macro("SH", "SEE ALSO")
	r.macro("BR", app.Name, "(1)")
}
