// Package blank copies a store with nothing in it. To make the schema of one takes
// a quarter of a second with the race detector, more than most tests.
package blank

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/store"
)

var file = sync.OnceValues(func() (file []byte, err error) {
	dir, err := os.MkdirTemp("", "blank-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "blank.db")
	s, err := store.Open(context.Background(), path)
	if err != nil {
		return nil, err
	}
	if err := s.Close(); err != nil {
		return nil, err
	}
	return os.ReadFile(path)
})

// File is the file of one.
func File(t testing.TB) []byte {
	t.Helper()
	body, err := file()
	require.NoError(t, err)
	return body
}

// Store writes one into a folder of its own, and returns its path.
func Store(t testing.TB) string {
	t.Helper()
	return In(t, t.TempDir())
}

// In writes one into a folder.
func In(t testing.TB, dir string) string {
	t.Helper()
	path := filepath.Join(dir, "dewpost.db")
	require.NoError(t, os.WriteFile(path, File(t), 0o600))
	return path
}
