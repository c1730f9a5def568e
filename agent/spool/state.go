package spool

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"path/filepath"
	"strconv"
)

// The names of the spool's files beside its segments.
const (
	stateFile = "state"
	tempFile  = "state.new"
	lockFile  = "lock"
	deadFile  = "dead"
	heldFile  = "waiting"
	heldTemp  = "waiting.new"

	damagedSuffix = ".damaged"
)

// Reasons under which discarded records are counted.
const (
	ReasonSize     = "size"      // the spool was full: oldest first
	ReasonAge      = "age"       // spooled for longer than allowed
	ReasonCorrupt  = "corrupt"   // unreadable on disk
	ReasonTorn     = "torn"      // being written when the power went
	ReasonIO       = "io"        // could not be written at all
	ReasonDead     = "dead"      // handed out often enough and never receipted
	ReasonDeadFull = "dead_full" // the same, and the file dead had no room for its bytes
	ReasonNoClock  = "no_clock"  // held, and never got a number
	// ReasonUnknown counts numbers and held records whose fate stood in a state
	// that is lost, or was set back: once for each such loss.
	ReasonUnknown = "unknown"
)

// gap is a range of sequence numbers, both ends included, above the floor,
// whose records are discarded and counted.
type gap struct {
	From   int64  `json:"from"`
	To     int64  `json:"to"`
	Reason string `json:"reason"`
}

// state is what the spool knows beyond its segments. It is written whole,
// beside the old one, and renamed over it.
//
// The counts belong to the numbers in it: Sampled to Last and Held, Receipted
// to Upto. What the segments and the file waiting know beyond them is counted
// when they are read, so that the counts are as exact after a kill as before.
type state struct {
	Run  string `json:"run"`
	Last int64  `json:"last"` // largest seq that may have been given out; segments may know a larger one
	Upto int64  `json:"upto"` // largest receipted seq; written lazily, so the true one may be larger
	// Dropped is the largest seq thrown away for size or age.
	Dropped   int64            `json:"dropped"`
	Newest    int64            `json:"newest"` // when the newest record was spooled, ns since 1970; 0 for none
	Conn      int64            `json:"conn"`
	Sampled   int64            `json:"sampled"`         // records appended or skipped, and records held
	Receipted int64            `json:"receipted"`       // records forgotten for a receipt
	Held      int64            `json:"held"`            // largest number of a held record
	Freed     int64            `json:"freed"`           // held records up to here have a seq, or are discarded
	Fixed     *fixed           `json:"fixed,omitempty"` // seqs that are meant for held records
	Gaps      []gap            `json:"gaps,omitempty"`  // ascending, not overlapping
	Discarded map[string]int64 `json:"discarded,omitempty"`
}

// fixed says that the seqs First … First+N−1 are for the held records after
// From, in their order.
type fixed struct {
	First int64  `json:"first"`
	From  int64  `json:"from"`
	N     int64  `json:"n"`
	Note  string `json:"note"`
}

// has tells whether a number is among those fixed; f may be nil.
func (f *fixed) has(seq int64) bool { return f != nil && seq >= f.First && seq < f.First+f.N }

// advance gives out the numbers after Last up to upto. Each is a new record,
// but for those that held ones were waiting for: these were counted before.
func (s *state) advance(upto int64) {
	fresh := max(0, upto-s.Last)
	if f := s.Fixed; f != nil {
		done := min(max(0, upto-f.First+1), f.N)
		fresh -= max(0, f.From+done-s.Freed)
		s.Freed = max(s.Freed, f.From+done)
		if done == f.N {
			s.Fixed = nil
		}
	}
	s.Sampled += fresh
	s.Last = max(s.Last, upto)
}

// floor is the seq up to and including which nothing is kept.
func (s *state) floor() int64 { return max(s.Upto, s.Dropped) }

func (s *state) discard(reason string, n int64) {
	if s.Discarded == nil {
		s.Discarded = map[string]int64{}
	}
	s.Discarded[reason] += n
}

// addGap notes that from…to are discarded, and counts them. What goes on where a gap
// ended is one with it: a full disk loses reading after reading, and must still
// have room for the state.
func (s *state) addGap(from, to int64, reason string) {
	s.discard(reason, to-from+1)
	at := len(s.Gaps)
	for at > 0 && s.Gaps[at-1].From > from {
		at--
	}
	if at > 0 && s.Gaps[at-1].To == from-1 && s.Gaps[at-1].Reason == reason {
		s.Gaps[at-1].To = to
		return
	}
	s.Gaps = append(s.Gaps, gap{})
	copy(s.Gaps[at+1:], s.Gaps[at:])
	s.Gaps[at] = gap{From: from, To: to, Reason: reason}
}

// inGap tells whether seq is already discarded.
func (s *state) inGap(seq int64) bool {
	_, upto := s.gapAt(seq)
	return upto > 0
}

// gapAt returns the first discarded number from seq on, 0 for none, and if that
// is seq itself, up to where they are discarded.
func (s *state) gapAt(seq int64) (first, upto int64) {
	for _, g := range s.Gaps {
		switch {
		case g.To < seq:
		case g.From <= seq:
			return seq, g.To
		default:
			return g.From, 0
		}
	}
	return 0, 0
}

// pruneGaps forgets the gaps at or below the floor.
func (s *state) pruneGaps() {
	keep := s.Gaps[:0]
	for _, g := range s.Gaps {
		if g.To > s.floor() {
			keep = append(keep, g)
		}
	}
	s.Gaps = keep
}

// errNoState means that there is no usable state file.
var errNoState = errors.New("no usable state")

// The file holds the JSON, a line break and eight hex digits of its CRC-32C.
func (s *state) encode() ([]byte, error) {
	b, err := json.Marshal(s)
	return fmt.Appendf(b, "\n%08x\n", crc32.Checksum(b, castagnoli)), err
}

func decodeState(b []byte) (state, error) {
	text, sum, ok := bytes.Cut(b, []byte("\n"))
	if !ok {
		return state{}, errNoState
	}
	want, err := strconv.ParseUint(string(bytes.TrimSuffix(sum, []byte("\n"))), 16, 32)
	if err != nil || uint32(want) != crc32.Checksum(text, castagnoli) {
		return state{}, errNoState
	}
	var s state
	if err := json.Unmarshal(text, &s); err != nil || !s.possible() {
		return state{}, errNoState
	}
	return s, nil
}

// most is larger than any number or count, and small enough to add up a few.
const most = 1 << 59

// possible tells whether the numbers can be those of a spool.
func (s *state) possible() bool {
	in := func(lo int64, ns ...int64) bool {
		for _, n := range ns {
			if n < lo || n > most {
				return false
			}
		}
		return true
	}
	ok := len(s.Run) == runLength && in(0, s.Last, s.Upto, s.Dropped, s.Conn, s.Sampled, s.Receipted, s.Freed) &&
		in(s.Freed, s.Held) && in(s.floor(), s.Last)
	for _, n := range s.Discarded {
		ok = ok && in(0, n)
	}
	next := int64(1)
	for _, g := range s.Gaps {
		ok = ok && in(next, g.From) && in(g.From, g.To) && g.To <= s.Last
		next = g.To + 1
	}
	if f := s.Fixed; f != nil {
		ok = ok && in(1, f.First, f.N) && in(0, f.From) && f.From <= s.Freed && f.From+f.N <= s.Held && f.First <= s.Last+1
	}
	return ok
}

// readState returns errNoState when the file is missing or damaged.
func readState(fsys FS, dir string) (state, error) {
	b, err := readFile(fsys, filepath.Join(dir, stateFile))
	if errors.Is(err, fs.ErrNotExist) {
		return state{}, errNoState
	}
	if err != nil {
		return state{}, fmt.Errorf("read state: %w", err)
	}
	return decodeState(b)
}

// writeState makes s durable. A failure leaves the old state or the new one,
// never a mixture.
func writeState(fsys FS, dir string, s *state) error {
	b, err := s.encode()
	if err == nil {
		var f File
		if f, err = replaceFile(fsys, dir, tempFile, stateFile, b); err == nil {
			err = f.Close()
		}
	}
	if err != nil {
		return fmt.Errorf("write state: %w", err)
	}
	return nil
}

// replaceFile puts a file of these bytes in the place of another, durably:
// temporary file, sync, rename, sync of the directory. It returns the file,
// open for appending.
func replaceFile(fsys FS, dir, temp, name string, b []byte) (File, error) {
	temp = filepath.Join(dir, temp)
	if err := fsys.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	f, err := fsys.Create(temp)
	if err != nil {
		return nil, err
	}
	if _, err = f.Write(b); err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = fsys.Rename(temp, filepath.Join(dir, name))
	}
	if err == nil {
		err = fsys.SyncDir(dir)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

func readFile(fsys FS, name string) ([]byte, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	b, err := readAll(f)
	return b, errors.Join(err, f.Close())
}
