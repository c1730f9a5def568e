package main

import (
	"github.com/alecthomas/kong"

	"dewpost/cmd/manual"
)

type manualCmd struct{ manual.Page }

// Run prints the page.
func (c *manualCmd) Run(k *kong.Context) error { return c.Write(k.Stdout, k.Model, notes) }

type completionCmd struct{ manual.Completion }

// Run prints the completion.
func (c *completionCmd) Run(k *kong.Context) error { return c.Write(k.Stdout, k.Model) }

// notes are the sections of the manual page that no command has.
var notes = []manual.Section{
	{Title: "EXIT STATUS", Items: []manual.Item{
		{Name: "0", Text: "Done."},
		{Name: "1", Text: "Failed; the error says what, and how to put it right."},
		{Name: "2", Text: "Wrong use."},
		{Name: "3", Text: "Findings, with --check."},
	}},
	{Title: "FILES", Items: []manual.Item{
		{Name: configHere, Text: "Settings, where a command names no other file: the one in the working directory, else " + configInstalled + "."},
		{Name: "/var/lib/dewpost", Text: "Where an installed collector keeps its store. Commands run as its user: sudo -u dewpost dewpost doctor."},
	}},
	{Title: "CAUTION", Text: "Switch the line off before opening a unit. Local rules, the makers' data sheets and licensed practice come before anything this program says."},
	{Title: "SEE ALSO", Text: "dewpost.toml(5), dewpost-agent(1)"},
}
