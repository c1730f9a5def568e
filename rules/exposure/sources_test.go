package exposure_test

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/exposure"
)

// Every key that stands beside a limit is listed, and every listed one is cited.
func TestSources(t *testing.T) {
	files, err := os.ReadDir(".")
	require.NoError(t, err)
	cited := map[string]bool{}
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		text, err := os.ReadFile(f.Name())
		require.NoError(t, err)
		for _, m := range regexp.MustCompile(`\[([A-Z]+[A-Z0-9-]*-[0-9]+)\]`).FindAllSubmatch(text, -1) {
			require.Contains(t, exposure.Sources, string(m[1]), f.Name())
			cited[string(m[1])] = true
		}
	}
	for key := range exposure.Sources {
		require.True(t, cited[key], "%s is listed and not cited", key)
	}
}
