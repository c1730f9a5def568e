// Package source reads the project's own code for tests that hold words and tables
// against it.
package source

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Parse parses the Go files of folders, named from the top, without their tests. It
// is called by a package that lies two folders deep.
func Parse(t testing.TB, folders ...string) (files []*ast.File) {
	t.Helper()
	for _, folder := range folders {
		names, err := filepath.Glob(filepath.Join("..", "..", folder, "*.go"))
		require.NoError(t, err)
		require.NotEmpty(t, names, folder)
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
			require.NoError(t, err)
			files = append(files, f)
		}
	}
	return files
}
