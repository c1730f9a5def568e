package spool

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strings"
)

// recover builds the spool from its directory, and makes durable what it will
// hand out.
func (s *Spool) recover() error {
	st, err := readState(s.fs, s.dir)
	known := err == nil
	if err != nil && !errors.Is(err, errNoState) {
		return err
	}
	list, err := s.findSegments()
	if err != nil {
		return err
	}
	if !known {
		if st.Run, err = s.adoptRun(list); err != nil {
			return err
		}
	}
	s.st = st
	if err := s.load(list); err != nil {
		return err
	}
	s.account(known)
	s.st.pruneGaps()
	if err := s.loadHeld(known); err != nil {
		return err
	}
	if err := s.settle(); err != nil {
		return err
	}
	switch err := writeState(s.fs, s.dir, &s.st); {
	case err == nil:
		s.removeHeld()
	case known && noRoom(err):
		// What is there can be sent, and must be: nobody else makes room here. The
		// next Open finds all of this again, and nothing is appended before.
		s.unsure = true
		s.o.Log.Error("the disk is full: what is spooled can be sent, and nothing can be added", "dir", s.dir, "err", err)
	default:
		return err
	}
	s.findReserve()
	s.sweep()
	s.putBack()
	return nil
}

// findSegments lists the segments without their records.
func (s *Spool) findSegments() ([]*segment, error) {
	names, err := s.fs.Names(s.dir)
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	var list []*segment
	for _, base := range names {
		if strings.HasSuffix(base, damagedSuffix) {
			s.damaged++
		}
		if number, ok := segmentNumber(base); ok {
			s.next = number + 1
			list = append(list, &segment{number: number, name: filepath.Join(s.dir, base)})
		}
	}
	return list, nil
}

// adoptRun finds the run of a spool whose state is lost: that of its segments,
// or a new one when there are none. Segments whose run can't be told are set
// aside for a person to look at.
func (s *Spool) adoptRun(list []*segment) (string, error) {
	var lost []string
	for _, seg := range list {
		b, err := s.readAnyhow(seg.name)
		if err != nil {
			return "", err
		}
		if run := segmentRun(b); run != "" {
			s.o.Log.Warn("spool state was lost; run and records are kept", "dir", s.dir, "run", run)
			return run, nil
		}
		if len(b) > segmentHeader { // else creating it had only begun
			lost = append(lost, seg.name)
		}
	}
	for _, name := range lost {
		s.o.Log.Error("spool segment set aside: neither its run nor a state is readable", "file", name)
		if err := s.fs.Rename(name, name+".lost"); err != nil {
			return "", err
		}
	}
	return newRun(), nil
}

// readAnyhow reads what can be read of a file of records; the rest is zero.
func (s *Spool) readAnyhow(name string) ([]byte, error) {
	f, err := s.fs.Open(name)
	if err != nil {
		return nil, err
	}
	b, lost, err := salvage(f)
	if lost > 0 {
		s.o.Log.Error("spool file is unreadable in parts", "file", name, "bytes", lost)
	}
	return b, errors.Join(err, f.Close())
}

// load lists the wanted records of the segments, and finds out whether the
// newest one ends in a torn record.
func (s *Spool) load(list []*segment) error {
	last, torn := int64(0), int64(0)
	for _, seg := range list {
		b, err := s.readAnyhow(seg.name)
		if errors.Is(err, fs.ErrNotExist) {
			continue // set aside
		}
		if err != nil {
			return err
		}
		if run := segmentRun(b); run != "" && run != s.st.Run {
			return fmt.Errorf("segment %s is of run %s, the spool's is %s: move the file away", filepath.Base(seg.name), run, s.st.Run)
		}
		entries, end := scan(b, s.st.Run)
		seg.size = int64(len(b))
		seg.damaged = !seamless(b, entries, end)
		before := int64(0)
		for _, e := range entries {
			if e.seq > before && s.wants(e.seq) {
				seg.entries = append(seg.entries, e)
				before = e.seq
			}
			if e.seq > last {
				last, s.st.Newest = e.seq, e.at
			}
		}
		s.segments = append(s.segments, seg)
		torn = begun(b[end:])
	}
	s.listOnce()
	last = s.unbroken(last)
	for _, seg := range s.segments {
		for _, e := range seg.entries {
			s.queued++
			s.bytes += int64(e.length)
		}
	}
	s.torn = max(0, last+torn-max(last, s.st.Last))
	s.st.advance(last)
	return nil
}

func (s *Spool) wants(seq int64) bool { return seq > s.st.floor() && !s.st.inGap(seq) }

// listOnce leaves every record listed in one segment, ascending: in the last
// one that holds it, for after an error records are written again to another
// file, and only that is sure to be on the disk. But what comes before records
// that only earlier segments hold was not written there: a new file's blocks may
// still hold an old one's bytes.
func (s *Spool) listOnce() {
	from := int64(math.MaxInt64) // the first record that is listed
	for i, seg := range slices.Backward(s.segments) {
		after := s.onlyBefore(i, from)
		seg.entries = slices.DeleteFunc(seg.entries, func(e entry) bool { return e.seq <= after || e.seq >= from })
		if len(seg.entries) > 0 {
			from = seg.entries[0].seq
		}
	}
}

// onlyBefore returns the last record before from that segments before the i-th
// hold, and that one doesn't; 0 when it holds nothing that they could hold. Of
// those that are fixed, to be appended, an attempt to do so may have left later
// ones in an earlier segment.
func (s *Spool) onlyBefore(i int, from int64) (last int64) {
	entries := s.segments[i].entries
	for _, seg := range s.segments[:i] {
		n := len(seg.entries)
		if n == 0 || len(entries) == 0 || seg.entries[n-1].seq < entries[0].seq {
			continue // as it should be
		}
		for _, e := range seg.entries {
			if _, here := slices.BinarySearchFunc(entries, e.seq, compareSeq); !here && e.seq < from && !s.st.Fixed.has(e.seq) {
				last = max(last, e.seq)
			}
		}
	}
	return last
}

// unbroken lets go of the records behind the first one that is not there, while
// they are all fixed, and returns the last before it: the owner appends them
// again, and that one too.
func (s *Spool) unbroken(last int64) int64 {
	f := s.st.Fixed
	if f == nil || last >= f.First+f.N {
		return last
	}
	for seq := max(f.First, s.st.Last+1); seq <= last; seq++ {
		if s.wants(seq) && !s.isListed(seq) {
			s.unlistAfter(seq - 1)
			return seq - 1
		}
	}
	return last
}

// isListed tells whether a record was found.
func (s *Spool) isListed(seq int64) bool {
	for _, seg := range s.segments {
		if _, ok := slices.BinarySearchFunc(seg.entries, seq, compareSeq); ok {
			return true
		}
	}
	return false
}

// unlistAfter lets go of the records after a number.
func (s *Spool) unlistAfter(seq int64) {
	for _, seg := range s.segments {
		n, _ := slices.BinarySearchFunc(seg.entries, seq+1, compareSeq)
		seg.entries = seg.entries[:n]
	}
}

func compareSeq(e entry, seq int64) int { return cmp.Compare(e.seq, seq) }

// seamless tells whether the records lie one behind the other.
func seamless(b []byte, entries []entry, end int64) bool {
	for _, e := range entries {
		end -= int64(recordHeader + e.length)
	}
	return end == 0 || end == segmentHeader && segmentRun(b) != ""
}

// account counts every number up to Last that has no record and was not
// counted before. Without a state nobody knows which of them ever had one.
func (s *Spool) account(known bool) {
	reason := ReasonCorrupt
	if !known {
		reason = ReasonUnknown
	}
	next := s.st.floor() + 1
	missing := func(upto int64) {
		for next <= upto {
			first, end := s.st.gapAt(next)
			if end > 0 {
				next = end + 1
				continue
			}
			if first == 0 || first > upto {
				first = upto + 1
			}
			s.o.Log.Error("spooled records lost", "dir", s.dir, "from", next, "to", first-1, "reason", reason)
			s.st.addGap(next, first-1, reason)
			next = first
		}
	}
	for _, seg := range s.segments {
		for _, e := range seg.entries {
			missing(e.seq - 1)
			next = e.seq + 1
		}
	}
	missing(s.st.Last)
	if s.torn > 0 {
		s.o.Log.Warn("spool ends in a torn record", "dir", s.dir, "records", s.torn)
	}
}

// settle syncs the newest segment with records, and its name: after a kill they
// may only be in the system's memory, and must be safe before they are handed
// out, and before a state is that says that their numbers were given out.
func (s *Spool) settle() error {
	for _, seg := range slices.Backward(s.segments) {
		if len(seg.entries) == 0 {
			continue
		}
		f, err := s.fs.Open(seg.name)
		if err != nil {
			return err
		}
		if err := errors.Join(f.Sync(), f.Close()); err != nil {
			return fmt.Errorf("sync segment %s: %w", filepath.Base(seg.name), err)
		}
		return s.fs.SyncDir(s.dir)
	}
	return nil
}
