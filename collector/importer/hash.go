package importer

import (
	"hash/maphash"
	"slices"
)

// seed of hashes that are compared within one process.
var seed = maphash.MakeSeed()

// hash stands for a row where all of them are to be told apart in little
// memory: of a million rows two are taken for one with a chance of 3 in 10^8.
func hash(row []byte) uint64 { return maphash.Bytes(seed, row) }

// distinct counts the different ones; list is used up.
func distinct(list []uint64) int {
	slices.Sort(list)
	return len(slices.Compact(list))
}
