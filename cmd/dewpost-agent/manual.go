package main

import (
	"github.com/alecthomas/kong"

	"dewpost/cmd/manual"
)

// about is what the program says of itself.
type about struct {
	Manual     manual.Page       `cmd:"" help:"Print the manual page, for man -l -."`
	Completion manual.Completion `cmd:"" help:"Print the completion of commands and flags for bash, to be sourced."`

	Version kong.VersionFlag `help:"Print the version."`
}

// notes are the sections of the manual page that no command has.
var notes = []manual.Section{
	{Title: "EXIT STATUS", Items: []manual.Item{
		{Name: "0", Text: "Done."},
		{Name: "1", Text: "Failed; the error says what, and how to put it right."},
		{Name: "2", Text: "Wrong use."},
	}},
	{Title: "FILES", Items: []manual.Item{
		{Name: "/etc/dewpost-agent/agent.toml", Text: "Settings of an installed agent, which runs once they are there."},
		{Name: "/var/lib/dewpost-agent", Text: "Readings that wait for their receipts: to delete it is to delete them."},
	}},
	{Title: "CAUTION", Text: "Switch the line off before opening a unit. Local rules, the makers' data sheets and licensed practice come before anything this program says."},
	{Title: "SEE ALSO", Text: "dewpost-agent.toml(5), dewpost(1)"},
}
