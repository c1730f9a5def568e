package spool

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
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
	if err := writeState(s.fs, s.dir, &s.st); err != nil {
		return err
	}
	s.removeHeld()
	s.sweep()
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
		s.segments = append(s.segments, seg)
		for _, e := range entries {
			wanted := e.seq > s.st.floor() && !s.st.inGap(e.seq)
			if e.seq <= last {
				if !wanted || s.isListed(e.seq) {
					continue // written again to another file after an error
				}
				s.unlistAfter(e.seq) // then only this file has all of them
			}
			if e.seq >= last {
				last, s.st.Newest = e.seq, e.at
			}
			if wanted {
				seg.entries = append(seg.entries, e)
				s.queued++
				s.bytes += int64(e.length)
			}
		}
		torn = begun(b[end:])
	}
	s.torn = max(0, last+torn-max(last, s.st.Last))
	s.st.advance(last)
	return nil
}

// isListed tells whether a record is wanted and was found.
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
		for _, e := range seg.entries[n:] {
			s.unlist(e)
		}
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
