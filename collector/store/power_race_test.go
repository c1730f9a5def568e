//go:build race

package store

// The engine is twenty times slower with the race detector, which finds nothing
// in a test that takes one step after the other: deploy/test.sh runs those
// without it too.
func init() {
	stepStride = 17
	powerScales[""] = powerScale{works: 1, calls: 1, places: 31, states: 2, kills: 97, faults: 99_991, seconds: 99, flips: 999_983, made: true}
}
