package main

import (
	"os/exec"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"

	"dewpost/cmd/manual"
)

// TestManualSaysWhatHelpSays compares the page with what --help prints, of
// every command, word for word.
func TestManualSaysWhatHelpSays(t *testing.T) {
	model := described(t).Model
	page := wordsOf(output(t, "manual"))
	for _, node := range model.Leaves(true) {
		help := output(t, append(strings.Fields(node.Path()), "--help")...)
		_, help, ok := strings.Cut(help, "\n\n") // behind the line of usage
		require.True(t, ok)
		help, _, _ = strings.Cut(help, "\nFlags:\n")
		help, _, _ = strings.Cut(help, "\nArguments:\n")
		require.Contains(t, page, wordsOf(help), node.Path())
		require.Contains(t, page, wordsOf("dewpost "+node.Summary()))
		for _, arg := range node.Positional {
			require.Contains(t, page, wordsOf(arg.Summary()+" "+arg.Help), node.Path())
		}
		for _, group := range node.AllFlags(true) {
			for _, f := range group {
				require.Contains(t, page, wordsOf(f.String()+" "+f.Help), node.Path())
			}
		}
	}
}

func described(t *testing.T) *kong.Kong {
	t.Helper()
	k, err := kong.New(&commands{}, kong.Name("dewpost"), kong.Vars{"version": manual.Version()})
	require.NoError(t, err)
	return k
}

func output(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command("dewpost", args...).Output()
	require.NoError(t, err)
	return string(out)
}

// words are those of a text or page, with one space between.
func wordsOf(s string) string {
	var b strings.Builder
	for line := range strings.Lines(s) {
		for _, macro := range []string{".TP", ".B ", ".SS ", ".P"} {
			line = strings.TrimPrefix(line, macro)
		}
		b.WriteString(line)
	}
	s = strings.NewReplacer(`\e`, `\`, `\-`, "-", `\(aq`, "'", `\(ga`, "`", `\(ha`, "^", `\(ti`, "~", `\(dq`, `"`, `\&`, "").Replace(b.String())
	return strings.Join(strings.Fields(strings.ReplaceAll(s, `"`, " ")), " ")
}

// TestCompletionOffersWhatThereIs asks bash, behind every command.
func TestCompletionOffersWhatThereIs(t *testing.T) {
	model := described(t).Model
	script := output(t, "completion") + `
ask() { COMP_WORDS=("$@" ""); COMP_CWORD=$#; _dewpost; echo "$*: ${COMPREPLY[*]}"; }
`
	var want []string
	var walk func(n *kong.Node, path string)
	walk = func(n *kong.Node, path string) {
		script += "ask " + path + "\n"
		var next []string
		for _, child := range n.Children {
			next = append(next, child.Name)
		}
		for _, arg := range n.Positional {
			if arg.Enum != "" {
				next = append(next, arg.EnumSlice()...)
			}
		}
		for _, group := range n.AllFlags(true) {
			for _, f := range group {
				next = append(next, "--"+f.Name)
			}
		}
		want = append(want, path+": "+strings.Join(next, " "))
		for _, child := range n.Children {
			walk(child, path+" "+child.Name)
		}
	}
	walk(model.Node, "dewpost")
	script += "ask dewpost account add ruth --role\nask dewpost account add station --config x\n"
	want = append(want, "dewpost account add ruth --role: look work run", "dewpost account add station --config x: "+strings.SplitN(want[indexOf(want, "dewpost account add: ")], ": ", 2)[1])
	out, err := exec.Command("bash", "-c", script).CombinedOutput()
	require.NoError(t, err, string(out))
	require.Equal(t, strings.Join(want, "\n"), strings.TrimSpace(string(out)))
}

func indexOf(list []string, prefix string) int {
	for i, s := range list {
		if strings.HasPrefix(s, prefix) {
			return i
		}
	}
	return -1
}
