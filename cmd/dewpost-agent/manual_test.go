package main

import (
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"
)

// TestManualAndCompletion hold every command and flag that --help has.
func TestManualAndCompletion(t *testing.T) {
	said := func(command string) string {
		cmd := exec.Command(os.Args[0], command)
		cmd.Env = append(os.Environ(), "AGENT_MAIN=1")
		out, err := cmd.Output()
		require.NoError(t, err)
		return string(out)
	}
	text := strings.NewReplacer(`\-`, "-", `\(dq`, `"`, `\(aq`, "'").Replace(said("manual"))
	model := kong.Must(&command{}, kong.Embed(&about{}), kong.Name("dewpost-agent"), kong.Vars{"version": ""}).Model
	script := said("completion") + "ask() { COMP_WORDS=(dewpost-agent \"$@\" \"\"); COMP_CWORD=$(($# + 1)); _dewpost_agent; echo \"${COMPREPLY[*]}\"; }\n"
	var want []string
	for _, node := range model.Leaves(true) {
		script += "ask " + node.Path() + "\n"
		require.Contains(t, text, "dewpost-agent "+node.Summary())
		var flags []string
		for _, group := range node.AllFlags(true) {
			for _, f := range group {
				flags = append(flags, "--"+f.Name)
				require.Contains(t, text, f.String())
			}
		}
		want = append(want, strings.Join(flags, " "))
	}
	out, err := exec.Command("bash", "-c", script).CombinedOutput()
	require.NoError(t, err, string(out))
	require.Equal(t, strings.Join(want, "\n")+"\n", string(out))
}
