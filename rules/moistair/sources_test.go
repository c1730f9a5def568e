package moistair_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/moistair"
)

// TestSources holds that the last line of each exported function's comment
// names a listed source, that each listed source is used, and that no other is.
func TestSources(t *testing.T) {
	cited := map[string]bool{}
	files, err := os.ReadDir(".")
	require.NoError(t, err)
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), f.Name(), nil, parser.ParseComments)
		require.NoError(t, err)
		for _, group := range file.Comments {
			for _, m := range regexp.MustCompile(`\[([A-Z0-9-]+)\]`).FindAllStringSubmatch(group.Text(), -1) {
				require.Contains(t, moistair.Sources, m[1])
				cited[m[1]] = true
			}
		}
		for _, decl := range file.Decls {
			if fn, ok := decl.(*ast.FuncDecl); ok && fn.Name.IsExported() {
				require.Regexp(t, `\n\nSource: \[[A-Z0-9-]+\] .+\n$`, fn.Doc.Text(), fn.Name.Name)
			}
		}
	}
	for key := range moistair.Sources {
		require.True(t, cited[key], "%s is listed and not cited", key)
	}
}
