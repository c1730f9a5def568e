//go:build race

package store

// The engine is twenty times slower with the race detector, which finds nothing
// in a test that takes one step after the other: deploy/test.sh runs those
// without it too. Those of a power cut aren't even built for it: their engine
// is no other test's, and takes long to compile.
func init() { stepStride = 17 }
