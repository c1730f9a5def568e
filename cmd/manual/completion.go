package manual

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// Completion is the command that prints the completion of a program.
type Completion struct{}

// completion is a function of bash. Words of the line that are commands make up
// a path, and each path, or flag behind it, has a list of the words that may
// follow. Where there is none, bash offers files.
const completion = `# Completion of %[1]s in bash, printed by "%[1]s completion".
_%[2]s() {
	local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} path= word words= i
	for ((i = 1; i < COMP_CWORD; i++)); do
		word=${COMP_WORDS[i]}
		case "$path $word" in
		%[3]s) path="$path $word" ;;
		esac
	done
	case "$path $prev" in
%[4]s	*)
		case $path in
%[5]s		esac
		;;
	esac
	mapfile -t COMPREPLY < <(compgen -W "$words" -- "$cur")
}
complete -o default -F _%[2]s %[1]s
`

// Write prints it.
func (Completion) Write(w io.Writer, app *kong.Application) error {
	var paths []string
	var values, words strings.Builder
	var walk func(node *kong.Node, path string)
	walk = func(node *kong.Node, path string) {
		var next []string
		for _, child := range node.Children {
			if !child.Hidden {
				next = append(next, child.Name)
			}
		}
		for _, arg := range node.Positional {
			next = append(next, enum(arg)...)
		}
		for _, group := range node.AllFlags(true) {
			for _, f := range group {
				next = append(next, "--"+f.Name)
				if list := enum(f.Value); list != nil {
					fmt.Fprintf(&values, "\t'%s --%s') words='%s' ;;\n", path, f.Name, strings.Join(list, " "))
				}
			}
		}
		fmt.Fprintf(&words, "\t\t'%s') words='%s' ;;\n", path, strings.Join(next, " "))
		for _, child := range node.Children {
			if child.Hidden {
				continue
			}
			at := path + " " + child.Name
			paths = append(paths, "'"+at+"'")
			walk(child, at)
		}
	}
	walk(app.Node, "")
	name := strings.ReplaceAll(app.Name, "-", "_")
	_, err := fmt.Fprintf(w, completion, app.Name, name, strings.Join(paths, " | "), values.String(), words.String())
	return err
}

// enum lists the words that a value may be, nil when it may be any.
func enum(v *kong.Value) []string {
	if v.Enum == "" {
		return nil
	}
	return slices.DeleteFunc(v.EnumSlice(), func(word string) bool { return word == "" })
}
