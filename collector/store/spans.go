package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"sort"
)

// span is the sequence numbers lo to hi, both included.
type span struct{ lo, hi int64 }

// spans is a set of sequence numbers from 1 to the largest int64: sorted, with
// at least one number missing between neighbours. No arithmetic here leaves
// int64, whatever a station sends.
type spans []span

// add puts n into the set; false when it was there.
func (s *spans) add(n int64) bool {
	a := *s
	// i is the first span that ends at n-1 or later.
	i := len(a)
	if i == 0 || a[i-1].hi >= n-1 {
		i = sort.Search(len(a), func(i int) bool { return a[i].hi >= n-1 })
	}
	switch {
	case i < len(a) && a[i].lo <= n && n <= a[i].hi:
		return false
	case i < len(a) && a[i].hi == n-1:
		a[i].hi = n
		if i+1 < len(a) && a[i+1].lo-1 == n {
			a[i].hi = a[i+1].hi
			*s = append(a[:i+1], a[i+2:]...)
		}
	case i < len(a) && a[i].lo-1 == n:
		a[i].lo = n
	default:
		a = append(a, span{})
		copy(a[i+1:], a[i:])
		a[i] = span{n, n}
		*s = a
	}
	return true
}

// opens tells whether n is not in the set and has no neighbour there: adding it
// takes a span of its own.
func (s spans) opens(n int64) bool {
	i := sort.Search(len(s), func(i int) bool { return s[i].hi >= n-1 })
	return i == len(s) || s[i].lo-1 > n
}

// has tells whether n is in the set.
func (s spans) has(n int64) bool {
	i := sort.Search(len(s), func(i int) bool { return s[i].hi >= n })
	return i < len(s) && s[i].lo <= n
}

// after returns the smallest number in the set that is larger than n.
func (s spans) after(n int64) (int64, bool) {
	for _, v := range s {
		if v.hi > n {
			return max(v.lo, n+1), true
		}
	}
	return 0, false
}

// gaps returns the numbers from lo to hi that are not in the set.
func (s spans) gaps(lo, hi int64) (list spans) {
	for _, v := range s {
		if v.hi < lo {
			continue
		}
		if v.lo > hi {
			break
		}
		if v.lo > lo {
			list = append(list, span{lo, v.lo - 1})
		}
		if v.hi >= hi {
			return list
		}
		lo = v.hi + 1
	}
	if lo <= hi {
		list = append(list, span{lo, hi})
	}
	return list
}

// without returns the numbers in the set that are not in other.
func (s spans) without(other spans) (list spans) {
	for _, v := range s {
		list = append(list, other.gaps(v.lo, v.hi)...)
	}
	return list
}

// touches tells whether any number from lo to hi is in the set.
func (s spans) touches(lo, hi int64) bool {
	i := sort.Search(len(s), func(i int) bool { return s[i].hi >= lo })
	return lo <= hi && i < len(s) && s[i].lo <= hi
}

// below counts the numbers in the set that are at most limit.
func (s spans) below(limit int64) int64 {
	var n int64
	for _, v := range s {
		if v.lo > limit {
			break
		}
		n += min(v.hi, limit) - v.lo + 1
	}
	return n
}

// upto returns the largest number up to which all are settled: in the set, or
// below oldest.
func (s spans) upto(oldest int64) int64 {
	u := max(oldest-1, 0)
	for _, v := range s {
		if v.lo-1 > u {
			break
		}
		u = max(u, v.hi)
	}
	return u
}

// maxDiscarded bounds what one run adds to the total, so that no station can
// make the total overflow. An honest run never comes near it.
const maxDiscarded = 1 << 40

// discarded counts the numbers below oldest that never arrived.
func (s spans) discarded(oldest int64) int64 {
	if oldest <= 1 {
		return 0
	}
	return min(oldest-1-s.below(oldest-1), maxDiscarded)
}

const (
	spansVersion = 1
	checksumSize = 4
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// seal appends the checksum of b.
func seal(b []byte) []byte {
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

var errChecksum = errors.New("checksum is wrong: the database file is damaged")

// unseal verifies what seal wrote and the version in the first byte, and
// returns what stands between.
func unseal(b []byte, version byte) ([]byte, error) {
	n := len(b) - checksumSize
	if n < 1 {
		return nil, fmt.Errorf("%d bytes: too short", len(b))
	}
	if crc32.Checksum(b[:n], castagnoli) != binary.LittleEndian.Uint32(b[n:]) {
		return nil, errChecksum
	}
	if b[0] != version {
		return nil, fmt.Errorf("version %d: this program reads version %d", b[0], version)
	}
	return b[1:n], nil
}

// encode writes, for each span, its distance from the end of the one before
// and its length less one, as uvarints, between version byte and checksum.
func (s spans) encode() []byte {
	b := make([]byte, 1, 16+4*len(s))
	b[0] = spansVersion
	var end int64
	for _, v := range s {
		b = binary.AppendUvarint(b, uint64(v.lo-end))
		b = binary.AppendUvarint(b, uint64(v.hi-v.lo))
		end = v.hi
	}
	return seal(b)
}

func decodeSpans(b []byte) (spans, error) {
	b, err := unseal(b, spansVersion)
	if err != nil {
		return nil, fmt.Errorf("seqs seen: %w", err)
	}
	var s spans
	var end uint64
	for gap := uint64(1); len(b) > 0; gap = 2 {
		d, n := binary.Uvarint(b)
		if n <= 0 || d < gap || d > math.MaxInt64-end {
			return nil, errors.New("seqs seen: not in order")
		}
		b = b[n:]
		lo := end + d
		d, n = binary.Uvarint(b)
		if n <= 0 || d > math.MaxInt64-lo {
			return nil, errors.New("seqs seen: beyond the largest seq")
		}
		b = b[n:]
		end = lo + d
		s = append(s, span{int64(lo), int64(end)})
	}
	return s, nil
}
