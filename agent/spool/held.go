package spool

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"path/filepath"
	"slices"
)

// maxHeld is how many records may be held: a day at one minute. Beyond it the
// oldest go, counted under ReasonNoClock.
const maxHeld = 1440

// On disk the file waiting is a header and records as in a segment, numbered
// by themselves, 1, 2, 3 …, also across files:
//
//	header: "dpheld01", boot (36 bytes, zero at the end), the number before the
//	        first record's int64, CRC-32C of these 52 bytes
const (
	heldMark   = "dpheld01"
	bootLength = 36
	heldHeader = 8 + bootLength + 8 + 4
)

// heldRecord is a record without a seq.
type heldRecord struct {
	number  int64
	at      int64 // when it was held, by Options.Now: of no use but to a person
	payload []byte
}

func appendHeldHeader(dst []byte, boot string, from int64) []byte {
	var name [bootLength]byte
	copy(name[:], boot)
	start := len(dst)
	dst = append(dst, heldMark...)
	dst = append(dst, name[:]...)
	dst = binary.LittleEndian.AppendUint64(dst, uint64(from))
	return binary.LittleEndian.AppendUint32(dst, crc32.Checksum(dst[start:], castagnoli))
}

// readHeldHeader returns the number before the first record's, 0 when the header
// is damaged, and whether the file was written during that boot. Nothing is of
// the same boot as one that can't be told.
func readHeldHeader(b []byte, boot string) (from int64, same bool) {
	const end = heldHeader - 4
	if len(b) < heldHeader || crc32.Checksum(b[:end], castagnoli) != binary.LittleEndian.Uint32(b[end:]) {
		return 0, false
	}
	from = int64(binary.LittleEndian.Uint64(b[8+bootLength:]))
	if from < 0 || from > most || string(b[:8]) != heldMark {
		return 0, false
	}
	return from, boot != "" && bytes.Equal(b[:heldHeader], appendHeldHeader(nil, boot, from))
}

// Hold keeps a record that can't have a number yet, because its owner does not
// yet know its bytes. It is counted from now on. When Hold returns nil, it
// survives a power cut; but after another boot than this one it is only of use
// when it was fixed, and is else discarded by Open. After an error it is held
// in memory, and the next call makes it durable too.
func (s *Spool) Hold(payload []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.closed:
		return ErrClosed
	case s.st.Fixed != nil:
		return fmt.Errorf("hold a record in spool %s: those that are fixed must be appended or skipped before", s.dir)
	case len(payload) > MaxRecord:
		return fmt.Errorf("hold a record in spool %s: %d bytes, at most %d are allowed", s.dir, len(payload), MaxRecord)
	}
	s.st.Held++
	s.st.Sampled++
	s.held = append(s.held, heldRecord{number: s.st.Held, at: s.o.Now().UnixNano(), payload: slices.Clone(payload)})
	full := len(s.held) > maxHeld
	if full {
		s.dropHeld(1)
	}
	if err := s.writeHeld(); err != nil {
		return fmt.Errorf("hold record %d in spool %s: %w", s.st.Held, s.dir, err)
	}
	if full {
		s.save()
	}
	return nil
}

// dropHeld discards the oldest n held records.
func (s *Spool) dropHeld(n int) {
	if n <= 0 {
		return
	}
	s.st.discard(ReasonNoClock, int64(n))
	s.st.Freed = s.held[n-1].number
	s.held = s.held[n:]
	s.o.Log.Warn("held records discarded: the clock was not set in time", "dir", s.dir, "records", n)
}

// writeHeld makes the newest held record durable: at the end of the file, or,
// when that is full of old ones or its state is in doubt, in a new file.
func (s *Spool) writeHeld() error {
	if s.unsure && !s.saved() {
		// On disk those before may be fixed, and nothing may stand behind them.
		return errors.Join(errors.New("the spool's state can't be written"), s.closeHeld())
	}
	if s.heldFile != nil && s.heldSize < 2*maxHeld {
		h := s.held[len(s.held)-1]
		_, err := s.heldFile.Write(appendRecord(nil, s.st.Run, h.number, h.at, h.payload))
		if err == nil {
			err = s.heldFile.Sync()
		}
		if err == nil {
			s.heldSize++
			return nil
		}
		s.o.Log.Warn("file of held records abandoned", "dir", s.dir, "err", err)
	}
	if err := s.closeHeld(); err != nil {
		s.o.Log.Warn("close file of held records", "dir", s.dir, "err", err)
	}
	return s.rewriteHeld()
}

func (s *Spool) closeHeld() error {
	f := s.heldFile
	s.heldFile = nil
	if f == nil {
		return nil
	}
	return f.Close()
}

func (s *Spool) rewriteHeld() error {
	b := appendHeldHeader(nil, s.o.Boot, s.held[0].number-1)
	for _, h := range s.held {
		b = appendRecord(b, s.st.Run, h.number, h.at, h.payload)
	}
	f, err := replaceFile(s.fs, s.dir, heldTemp, heldFile, b)
	if err != nil {
		return err
	}
	s.heldFile, s.heldSize = f, len(s.held)
	return nil
}

// Held returns the held records, oldest first.
func (s *Spool) Held() [][]byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	list := make([][]byte, len(s.held))
	for i, h := range s.held {
		list[i] = h.payload
	}
	return list
}

// Fix gives the next numbers to the held records, oldest first. The owner then
// appends them; note holds whatever it needs to make the same bytes again,
// after a power cut and in another process. Until the last of them is appended,
// or skipped, no other record can be. After an error nothing is fixed.
func (s *Spool) Fix(note string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	if len(s.held) == 0 || s.st.Fixed != nil {
		return nil
	}
	s.st.Fixed = &fixed{First: s.st.Last + 1, From: s.st.Freed, N: int64(len(s.held)), Note: note}
	if err := writeState(s.fs, s.dir, &s.st); err != nil {
		s.st.Fixed = nil
		s.unsure = true
		return fmt.Errorf("fix the held records of spool %s: %w", s.dir, err)
	}
	return nil
}

// Fixed returns the note of Fix while held records are fixed: then the numbers
// from Last()+1 on are for Held(), in that order.
func (s *Spool) Fixed() (note string, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.st.Fixed == nil {
		return "", false
	}
	return s.st.Fixed.Note, true
}

// advance gives out numbers, and lets go of the held records that got one.
func (s *Spool) advance(upto int64) {
	before := s.st.Freed
	s.st.advance(upto)
	if s.st.Freed == before {
		return
	}
	for len(s.held) > 0 && s.held[0].number <= s.st.Freed {
		s.held = s.held[1:]
	}
	if s.st.Fixed == nil && s.saved() {
		s.removeHeld()
	}
}

// removeHeld removes the file of held records when none is left and the state
// says so. What can't be removed is passed over by the next Open.
func (s *Spool) removeHeld() {
	if len(s.held) > 0 {
		return
	}
	err := errors.Join(s.closeHeld(), s.fs.Remove(filepath.Join(s.dir, heldFile)))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		s.o.Log.Warn("remove file of held records", "dir", s.dir, "err", err)
	}
}

// loadHeld reads the file of held records. known tells whether there is a
// state: without it nobody knows which of them got a number.
func (s *Spool) loadHeld(known bool) error {
	b, err := s.readAnyhow(filepath.Join(s.dir, heldFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	entries, end := scan(b, s.st.Run)
	last, same := readHeldHeader(b, s.o.Boot)
	for _, e := range entries {
		if e.seq <= last {
			continue
		}
		if last = e.seq; last > s.st.Freed {
			at := e.offset + recordHeader
			s.held = append(s.held, heldRecord{number: e.seq, at: e.at, payload: b[at : at+int64(e.length)]})
		}
	}
	if len(b) > heldHeader {
		last += begun(b[end:])
	}
	s.st.Sampled += max(0, last-s.st.Held)
	s.st.Held = max(s.st.Held, last)
	lost := s.st.Held - s.st.Freed - int64(len(s.held))
	switch {
	case !known && s.st.Held > 0:
		s.o.Log.Error("held records discarded: the state that knew them is lost", "dir", s.dir, "records", s.st.Held)
		s.st.discard(ReasonUnknown, s.st.Held)
		s.st.Freed, s.held = s.st.Held, nil
	case s.st.Fixed != nil && lost == 0: // their bytes are known, whichever boot this is
	case !same:
		s.dropHeld(len(s.held))
		s.loseHeld(lost)
		s.st.Freed, s.st.Fixed = s.st.Held, nil
	case lost > 0:
		s.loseHeld(lost)
		return s.renumberHeld()
	default:
		s.dropHeld(len(s.held) - maxHeld)
	}
	return nil
}

// loseHeld counts held records that can't be read.
func (s *Spool) loseHeld(n int64) {
	if n > 0 {
		s.o.Log.Error("held records damaged", "dir", s.dir, "records", n)
		s.st.discard(ReasonCorrupt, n)
	}
}

// renumberHeld closes the holes that damage left between the held records:
// those that are fixed are found by counting. Done again after a power cut, it
// does the same.
func (s *Spool) renumberHeld() error {
	s.st.Fixed = nil
	s.st.Freed = s.st.Held - int64(len(s.held))
	if len(s.held) == 0 {
		return nil
	}
	for i := range s.held {
		s.held[i].number = s.st.Freed + 1 + int64(i)
	}
	return s.rewriteHeld()
}
