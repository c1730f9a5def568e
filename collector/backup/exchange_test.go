package backup

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// An exchange that fails half-way leaves the old store whole under one name,
// and no WAL under the store's name.
func TestExchangeHalfWay(t *testing.T) {
	for _, c := range []struct {
		name  string
		block func(t *testing.T, path, fresh, aside string)
		where string // the old store is then: at path or aside
	}{
		{"the new store is gone", func(t *testing.T, _, fresh, _ string) { require.NoError(t, os.Remove(fresh)) }, "aside"},
		{"the name aside is taken", func(t *testing.T, _, _, aside string) { require.NoError(t, os.WriteFile(aside, nil, 0o600)) }, "path"},
		{"the WAL's name aside is taken", func(t *testing.T, _, _, aside string) { require.NoError(t, os.WriteFile(aside+"-wal", nil, 0o600)) }, "path"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			path, fresh, aside := filepath.Join(dir, "dewpost.db"), filepath.Join(dir, "fresh"), filepath.Join(dir, "aside")
			for _, suffix := range sideFiles {
				require.NoError(t, os.WriteFile(path+suffix, []byte("old"+suffix), 0o600))
			}
			require.NoError(t, os.WriteFile(fresh, []byte("new"), 0o600))
			c.block(t, path, fresh, aside)
			require.Error(t, exchange(path, fresh, aside))
			whole := map[string]string{"path": path, "aside": aside}[c.where]
			for _, suffix := range sideFiles {
				text, err := os.ReadFile(whole + suffix)
				require.NoError(t, err)
				require.Equal(t, "old"+suffix, string(text))
				if whole != path {
					require.NoFileExists(t, path+suffix)
				}
			}
		})
	}
}
