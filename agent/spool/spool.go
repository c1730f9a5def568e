// Package spool keeps records on disk until they are receipted. It knows
// bytes, not readings, and no network.
//
// A record has a sequence number, 1, 2, 3 … within the spool's run, and never
// changes once it has one. What the spool promises:
//
//   - When Append returns nil, the records survive a power cut. Only such
//     records are ever handed out by Each.
//   - A record is deleted by Forget, which the owner calls for a valid receipt,
//     or when the spool is too large or the record too old: oldest first,
//     whole segments at a time, each record counted under its reason.
//   - A record that turns out to be damaged is skipped and counted; its
//     neighbours stay. The counts are exact across kill -9 and power cuts.
//   - A sequence number that was handed out is never given to other bytes.
//     See Torn for the one case that the owner must decide.
//   - What can't have its bytes yet, because its owner doesn't know the time,
//     is held: it has no number, but survives the process, and a power cut
//     once it is fixed. See Hold and Fix.
//   - Sampled = Receipted + Queued + Waiting + Discarded, in every Status and
//     after any kill or power cut. Each is counted where it happens, none is
//     computed from the others. What a process had counted and not written
//     down is found again in the segments; a receipt may have to come again.
//
// The counts can't be exact where the state is lost, though its segments are
// there, or where all of the directory was set back: then ReasonUnknown counts
// the numbers of which nobody here knows what became of them, at most as many
// as were ever given out. Where neither the state nor a segment's header can be
// read, the spool begins anew, counts included, and the segments are set aside.
//
// A failed write or sync is not repeated on the same file: what the system has
// lost then, it may never report again. The records go to a new file.
//
// The directory holds numbered segments of records, a small state file, a
// lock file, waiting, with the records held, dead, with the payloads that no
// collector settled, and reserve, which keeps room on a disk that others fill. Segments with a damaged record in them are kept for a
// person to look at when they are done with, as *.damaged, four at most.
// Deleting the directory makes a new spool with a new run.
package spool

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"maps"
	"path/filepath"
	"slices"
	"sync"
	"time"
)

// ErrMoved is returned by Append when the first sequence number is not the
// next one. The payloads must be encoded anew.
var ErrMoved = errors.New("spool: sequence has moved on")

// ErrClosed is returned by calls after Close.
var ErrClosed = errors.New("spool: closed")

// Options are the settings of a spool. The zero value is usable.
type Options struct {
	MaxBytes     int64         // on disk, of all segments; 0 is 64 MiB
	MaxAge       time.Duration // since a record was spooled; 0 is without limit
	SegmentBytes int64         // size at which a new segment begins; 0 is 256 KiB, or MaxBytes/8 if smaller
	// Unsynced leaves durability to the system. Only for simulated stations:
	// a power cut may lose acknowledged records and reuse their numbers.
	Unsynced bool
	// Boot identifies the present boot of the machine, in at most 36 bytes.
	// Empty: can't be told; then nothing is held across processes.
	Boot string
	// Renumber returns a payload as it is under another number, for those that were
	// appended under numbers that the spool, set back, gave out twice. Nil: the
	// bytes under a number are always the same ones, and nothing is renumbered.
	Renumber func(payload []byte, seq int64) []byte
	Now      func() time.Time // nil is time.Now
	FS       FS               // nil is the real file system
	Log      *slog.Logger     // nil discards
}

func (o Options) withDefaults() Options {
	if o.MaxBytes == 0 {
		o.MaxBytes = 64 << 20
	}
	if o.SegmentBytes == 0 {
		o.SegmentBytes = min(256<<10, o.MaxBytes/8)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.FS == nil {
		o.FS = disk{}
	}
	if o.Unsynced {
		o.FS = unsynced{o.FS}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}

// Spool is an open spool. It is safe for concurrent use.
type Spool struct {
	dir  string
	o    Options
	fs   FS
	lock io.Closer

	mu       sync.Mutex // guards all below
	st       state
	segments []*segment // ascending by number; the active one is the last
	active   File       // open for appending to the last segment; nil: Append begins a new one
	next     int64      // number of the next segment
	reading  *segment   // the one with an open reader, or nil
	torn     int64
	queued   int64 // records wanted
	bytes    int64 // their payloads
	held     []heldRecord
	heldFile File // open for appending; nil: Hold writes a new one
	heldSize int  // records in it
	unsure   bool // the state on disk may be another than the true one in more than counts: it may fix held records that this does not
	damaged  int  // segments kept for a person
	reserved bool // the reserve is on disk
	changed  chan struct{}
	closed   bool
}

// Open opens the spool in dir, or makes one. It finds again what an earlier
// process wrote, however that ended.
func Open(dir string, o Options) (*Spool, error) {
	o = o.withDefaults()
	s := &Spool{dir: dir, o: o, fs: o.FS, changed: make(chan struct{})}
	if err := makeDir(s.fs, dir); err != nil {
		return nil, fmt.Errorf("open spool %s: %w", dir, err)
	}
	lock, err := s.fs.Lock(filepath.Join(dir, lockFile))
	if err != nil {
		return nil, fmt.Errorf("open spool %s: %w", dir, err)
	}
	s.lock = lock
	if err := s.recover(); err != nil {
		return nil, errors.Join(fmt.Errorf("open spool %s: %w", dir, err), lock.Close())
	}
	return s, nil
}

// Run returns the spool's run: 16 hex digits, new with every new spool.
func (s *Spool) Run() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.st.Run
}

// Last returns the largest sequence number given out, 0 for none.
func (s *Spool) Last() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.st.Last
}

// Torn returns how many sequence numbers after Last were being written when
// the last process ended without Close, and can't be read. Whether they were
// made durable and then damaged, or never finished, can't be told. An owner
// that will append exactly the same bytes again may use the numbers anew; any
// other must Skip them first.
func (s *Spool) Torn() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.torn
}

// Append gives the payloads the sequence numbers from first on, which must be
// Last()+1, and makes them durable with one sync. After another error than
// ErrMoved it is unknown whether they are on disk; they will not be handed
// out by this process. The caller must then append exactly the same bytes
// again, or Skip them.
func (s *Spool) Append(first int64, payloads [][]byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	if first != s.st.Last+1 {
		return ErrMoved
	}
	if len(payloads) == 0 {
		return nil
	}
	need := int64(0)
	for _, p := range payloads {
		if len(p) > MaxRecord {
			return fmt.Errorf("append record %d to spool %s: %d bytes, at most %d are allowed", first, s.dir, len(p), MaxRecord)
		}
		need += int64(recordHeader + len(p))
	}
	if s.unsure && !s.saved() {
		return fmt.Errorf("append records from %d on to spool %s: its state can't be written", first, s.dir)
	}
	now := s.o.Now().UnixNano()
	s.makeRoom(now, need)
	err := s.write(first, now, payloads)
	if err != nil {
		s.o.Log.Warn("spool file abandoned", "dir", s.dir, "err", err)
		err = s.write(first, now, payloads)
	}
	if err != nil {
		return fmt.Errorf("append records from %d on to spool %s: %w", first, s.dir, err)
	}
	s.torn = 0
	s.notify()
	return nil
}

// write appends to the active segment or a new one, and syncs.
func (s *Spool) write(first, now int64, payloads [][]byte) error {
	if s.active != nil && s.tail().size >= s.o.SegmentBytes {
		if err := s.retire(); err != nil {
			return err
		}
	}
	var buf []byte
	fresh := s.active == nil
	if fresh {
		if err := s.begin(); err != nil {
			return err
		}
		buf = appendSegmentHeader(buf, s.st.Run)
	}
	seg := s.tail()
	entries := make([]entry, len(payloads))
	for i, p := range payloads {
		entries[i] = entry{seq: first + int64(i), at: now, offset: seg.size + int64(len(buf)), length: len(p)}
		buf = appendRecord(buf, s.st.Run, first+int64(i), now, p)
	}
	_, err := s.active.Write(buf)
	if err == nil {
		err = s.active.Sync()
	}
	if err == nil && fresh {
		err = s.fs.SyncDir(s.dir)
	}
	if err != nil {
		return errors.Join(err, s.abandon(fresh))
	}
	seg.size += int64(len(buf))
	seg.entries = append(seg.entries, entries...)
	for _, p := range payloads {
		s.bytes += int64(len(p))
	}
	s.queued += int64(len(payloads))
	s.st.Newest = now
	s.advance(s.st.Last + int64(len(payloads)))
	return nil
}

func (s *Spool) tail() *segment { return s.segments[len(s.segments)-1] }

// begin creates the next segment.
func (s *Spool) begin() error {
	seg := &segment{number: s.next, name: segmentName(s.dir, s.next)}
	s.next++ // also after a failure: half a file may be there
	f, err := s.fs.Create(seg.name)
	if err != nil {
		return err
	}
	s.segments = append(s.segments, seg)
	s.active = f
	return nil
}

// abandon retires the active segment after a failed write, of which only what is
// in the file counts. A fresh one holds nothing that was acknowledged, and goes at
// once.
func (s *Spool) abandon(fresh bool) error {
	seg := s.tail()
	size, err := s.active.Size()
	if err == nil {
		seg.size = size
	}
	err = errors.Join(err, s.retire())
	if !fresh {
		return err
	}
	if gone := s.fs.Remove(seg.name); gone != nil { // the next sweep tries again
		return errors.Join(err, gone)
	}
	s.segments = s.segments[:len(s.segments)-1]
	return err
}

// retire closes the active segment for good.
func (s *Spool) retire() error {
	f := s.active
	s.active = nil
	return f.Close()
}

// makeRoom drops the oldest segments as size and age demand.
func (s *Spool) makeRoom(now, need int64) {
	dropped := false
	for len(s.segments) > 0 {
		var reason string
		switch seg := s.segments[0]; {
		case s.o.MaxAge > 0 && len(seg.entries) > 0 && seg.entries[len(seg.entries)-1].at < now-int64(s.o.MaxAge):
			reason = ReasonAge
		case s.diskBytes()+need > s.o.MaxBytes:
			reason = ReasonSize
		default:
			if dropped {
				s.notify()
			}
			return
		}
		s.drop(reason)
		dropped = true
		if !s.sweep() {
			return
		}
	}
}

func (s *Spool) diskBytes() int64 {
	n := int64(0)
	for _, seg := range s.segments {
		n += seg.size
	}
	return n
}

// drop gives up the oldest segment's records.
func (s *Spool) drop(reason string) {
	seg := s.segments[0]
	if len(s.segments) == 1 && s.active != nil {
		if err := s.retire(); err != nil {
			s.o.Log.Warn("close spool segment", "file", seg.name, "err", err)
		}
	}
	if n := len(seg.entries); n > 0 {
		s.st.Dropped = seg.entries[n-1].seq
		s.st.discard(reason, s.trim())
		s.o.Log.Warn("spooled records dropped", "dir", s.dir, "reason", reason, "records", n, "upto", s.st.Dropped)
	}
}

// trim lets go of all entries up to the floor, and tells how many they were.
func (s *Spool) trim() (trimmed int64) {
	floor := s.st.floor()
	for _, seg := range s.segments {
		n := 0
		for n < len(seg.entries) && seg.entries[n].seq <= floor {
			s.unlist(seg.entries[n])
			n++
		}
		trimmed += int64(n)
		seg.entries = seg.entries[n:]
		if len(seg.entries) > 0 {
			break
		}
		seg.entries = nil
	}
	s.st.pruneGaps()
	return trimmed
}

func (s *Spool) unlist(e entry) {
	s.queued--
	s.bytes -= int64(e.length)
}

// sweep removes the files of segments without wanted records, once the state
// that says so is durable; the next call tries again what failed. It tells
// whether nothing is left to remove.
func (s *Spool) sweep() bool {
	var active *segment
	if s.active != nil {
		active = s.tail()
	}
	empty := func(seg *segment) bool { return len(seg.entries) == 0 && seg != active }
	if !slices.ContainsFunc(s.segments, empty) {
		return true
	}
	if !s.savedSomehow() {
		return false
	}
	clean := true
	s.segments = slices.DeleteFunc(s.segments, func(seg *segment) bool {
		if !empty(seg) {
			return false
		}
		if err := errors.Join(s.stopReading(seg), s.discardFile(seg)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			s.o.Log.Error("remove spool segment", "file", seg.name, "err", err)
			clean = false
			return false
		}
		return true
	})
	s.putBack()
	return clean
}

// maxDamaged is how many damaged segments are kept.
const maxDamaged = 4

// discardFile removes a segment's file, or sets it aside when it is damaged.
func (s *Spool) discardFile(seg *segment) error {
	if !seg.damaged || s.damaged >= maxDamaged {
		return s.fs.Remove(seg.name)
	}
	if err := s.fs.Rename(seg.name, seg.name+damagedSuffix); err != nil {
		return err
	}
	s.damaged++
	return nil
}

// stopReading closes seg's reader, if it has one.
func (s *Spool) stopReading(seg *segment) error {
	if s.reading == seg {
		s.reading = nil
	}
	if seg.reader == nil {
		return nil
	}
	r := seg.reader
	seg.reader = nil
	return r.Close()
}

// notify wakes those that wait for a change.
func (s *Spool) notify() {
	close(s.changed)
	s.changed = make(chan struct{})
}

// Watch returns a channel that is closed at the next change of what is
// spooled.
func (s *Spool) Watch() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changed
}

// WaitBelow returns when the payloads of all spooled records together have at
// most the given number of bytes; 0 waits until the spool is empty.
func (s *Spool) WaitBelow(ctx context.Context, bytes int64) error {
	for {
		s.mu.Lock()
		now, changed := s.bytes, s.changed
		s.mu.Unlock()
		if now <= bytes {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-changed:
		}
	}
}

// Oldest returns the smallest sequence number still spooled; Last()+1 when
// there is none.
func (s *Spool) Oldest() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, seg := range s.segments {
		if len(seg.entries) > 0 {
			return seg.entries[0].seq
		}
	}
	return s.st.Last + 1
}

// Each calls use for every spooled record after the given sequence number,
// ascending, until it returns false. The payload is only valid during the
// call, and use must not call the spool. A record that proves damaged is
// counted and left out; when a file can't be opened, Each returns an error.
func (s *Spool) Each(after int64, use func(seq int64, payload []byte) bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	var buf []byte
	var bad []entry
	defer func() { s.giveUp(bad) }()
	for _, seg := range s.segments {
		from, _ := slices.BinarySearchFunc(seg.entries, after+1, compareSeq)
		for _, e := range seg.entries[from:] {
			err := s.read(seg)
			if errors.Is(err, fs.ErrNotExist) {
				s.o.Log.Error("spool segment is gone", "file", seg.name)
				bad = append(bad, seg.entries...)
				break
			}
			if err != nil {
				return fmt.Errorf("read record %d of spool %s: %w", e.seq, s.dir, err)
			}
			buf = slices.Grow(buf[:0], recordHeader+e.length)[:recordHeader+e.length]
			payload, err := readRecord(seg.reader, e, s.st.Run, buf)
			if err != nil {
				s.o.Log.Error("spooled record lost", "file", seg.name, "seq", e.seq, "err", err)
				bad = append(bad, e)
				continue
			}
			if !use(e.seq, payload) {
				return nil
			}
		}
	}
	return nil
}

// read opens seg's reader and closes that of another segment.
func (s *Spool) read(seg *segment) error {
	if seg.reader != nil {
		return nil
	}
	if s.reading != nil {
		if err := s.stopReading(s.reading); err != nil {
			return err
		}
	}
	f, err := s.fs.Open(seg.name)
	if err != nil {
		return err
	}
	seg.reader, s.reading = f, seg
	return nil
}

var errDamaged = errors.New("checksum differs")

func readRecord(f io.ReaderAt, want entry, run string, buf []byte) ([]byte, error) {
	n, err := f.ReadAt(buf, want.offset)
	if n < len(buf) {
		n, err = f.ReadAt(buf, want.offset) // what fails once may be a loose contact
	}
	if n < len(buf) {
		return nil, err
	}
	got, payload, ok := parseRecord(buf, run)
	if !ok || got.seq != want.seq {
		return nil, errDamaged
	}
	return payload, nil
}

// giveUp counts records that can't be read and forgets them.
func (s *Spool) giveUp(bad []entry) {
	if len(bad) == 0 {
		return
	}
	for _, e := range bad {
		s.discardOne(e.seq, ReasonCorrupt)
	}
	s.save()
	s.sweep()
}

// discardOne takes one record out of what is wanted, and counts it.
func (s *Spool) discardOne(seq int64, reason string) bool {
	for _, seg := range s.segments {
		for i, e := range seg.entries {
			if e.seq == seq {
				seg.entries = slices.Delete(seg.entries, i, i+1)
				seg.damaged = seg.damaged || reason == ReasonCorrupt
				s.unlist(e)
				s.st.addGap(seq, seq, reason)
				return true
			}
		}
	}
	return false
}

// save writes the state where a failure costs no more than what a later save
// makes good: counts and numbers, no records.
func (s *Spool) save() { s.saved() }

// saved writes the state and tells whether that is done.
func (s *Spool) saved() bool {
	return s.noted(writeState(s.fs, s.dir, &s.st))
}

// savedSomehow is saved, and on a full disk spends the reserve for it.
func (s *Spool) savedSomehow() bool {
	err := writeState(s.fs, s.dir, &s.st)
	if noRoom(err) && s.spend() {
		err = writeState(s.fs, s.dir, &s.st)
	}
	return s.noted(err)
}

func (s *Spool) noted(err error) bool {
	if err != nil {
		s.o.Log.Error("spool state", "dir", s.dir, "err", err)
		return false
	}
	s.unsure = false
	return true
}

// Forget deletes all records up to and including upto. The caller has a valid
// receipt that says so.
//
// A receipt beyond Last is possible when the spool's own memory was set back,
// as by restoring an old image of the disk. The sequence then goes on after
// it, so that no number is used twice. What became of the numbers in between
// is known to the collector only: they count as sampled, and as discarded under
// ReasonUnknown. What is spooled may have come since, under numbers by which the
// collector means others: it is appended again under new ones, if its owner can
// (Options.Renumber), and its old numbers count as the others do. What the
// collector had already it has twice then, at one instant, which does no harm.
func (s *Spool) Forget(upto int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	if upto <= s.st.Upto {
		return nil
	}
	var again [][]byte
	if upto > s.st.Last {
		again = s.wanted()
		s.o.Log.Warn("receipt beyond the spool's last record: numbers go on after it", "dir", s.dir, "last", s.st.Last, "receipt", upto)
		s.unsure = s.unsure || s.st.Fixed != nil
		s.st.Fixed = nil
		s.st.discard(ReasonUnknown, upto-s.st.Last)
		s.advance(upto)
		s.torn = 0
	}
	s.st.Upto = upto
	trimmed := s.trim()
	if len(again) > 0 {
		s.st.discard(ReasonUnknown, trimmed)
		s.renumber(again)
	} else {
		s.st.Receipted += trimmed
	}
	s.sweep()
	if s.unsure {
		s.save()
	}
	s.notify()
	return nil
}

// wanted returns the payloads of all spooled records, where they can be renumbered.
func (s *Spool) wanted() (list [][]byte) {
	if s.o.Renumber == nil {
		return nil
	}
	for _, seg := range s.segments {
		for _, e := range seg.entries {
			err := s.read(seg)
			var payload []byte
			if err == nil {
				payload, err = readRecord(seg.reader, e, s.st.Run, make([]byte, recordHeader+e.length))
			}
			if err != nil {
				s.o.Log.Error("spooled record lost", "file", seg.name, "seq", e.seq, "err", err)
				continue
			}
			list = append(list, payload)
		}
	}
	return list
}

// atOnce is how many records are renumbered with one sync.
const atOnce = 256

// renumber appends payloads again, behind the last number.
func (s *Spool) renumber(list [][]byte) {
	s.o.Log.Warn("spooled records get new numbers: the collector has others under theirs", "dir", s.dir, "records", len(list), "from", s.st.Last+1)
	for part := range slices.Chunk(list, atOnce) {
		first := s.st.Last + 1
		for i := range part {
			part[i] = s.o.Renumber(part[i], first+int64(i))
		}
		now := s.o.Now().UnixNano()
		err := s.write(first, now, part)
		if err != nil {
			err = s.write(first, now, part)
		}
		if err != nil {
			s.o.Log.Error("spooled records lost: they can't be written under new numbers", "dir", s.dir, "records", len(part), "err", err)
			s.st.addGap(first, first+int64(len(part))-1, ReasonIO)
			s.advance(first + int64(len(part)) - 1)
		}
	}
}

// Skip uses up n sequence numbers whose records can't be had, and counts them
// as discarded under reason.
func (s *Spool) Skip(n int64, reason string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n <= 0 || s.closed {
		return
	}
	s.st.addGap(s.st.Last+1, s.st.Last+n, reason)
	s.advance(s.st.Last + n)
	s.torn = 0
	s.save()
}

// Bury moves a record to the file dead: it was handed out often enough and no
// receipt ever covered it.
func (s *Spool) Bury(seq int64) error {
	var payload []byte
	err := s.Each(seq-1, func(got int64, p []byte) bool {
		if got == seq {
			payload = slices.Clone(p)
		}
		return false
	})
	if err != nil || payload == nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	reason := ReasonDead
	switch err := s.appendDead(payload); {
	case errors.Is(err, errDeadFull):
		reason = ReasonDeadFull
		s.o.Log.Error("the file dead is full: the bytes of a record given up are lost; move the file away", "seq", seq, "limit", maxDead)
	case err != nil:
		return fmt.Errorf("bury record %d of spool %s: %w", seq, s.dir, err)
	}
	if s.discardOne(seq, reason) {
		s.save()
		s.sweep()
		s.notify()
	}
	return nil
}

// maxDead bounds the file dead, which nothing ever empties but a person.
const maxDead = 1 << 20

var errDeadFull = errors.New("the file dead is full")

func (s *Spool) appendDead(payload []byte) error {
	f, err := s.fs.OpenAppend(filepath.Join(s.dir, deadFile))
	if err != nil {
		return err
	}
	size, err := f.Size()
	switch {
	case err != nil:
	case size+int64(len(payload)) > maxDead:
		err = errDeadFull
	default:
		if _, err = f.Write(payload); err == nil {
			err = f.Sync()
		}
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	return s.fs.SyncDir(s.dir) // it may be new, or its name was not synced before
}

// NextConn returns the number of the connection that is about to be made: one
// more than ever before. After an error the number is good for this process
// and may come again in the next.
func (s *Spool) NextConn() (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.Conn++
	err := writeState(s.fs, s.dir, &s.st)
	s.unsure = s.unsure && err != nil
	return s.st.Conn, err
}

// Status is what a spool says of itself.
type Status struct {
	Run       string
	Last      int64            // largest sequence number given out
	Upto      int64            // largest receipted one
	Sampled   int64            // records appended, skipped or held
	Receipted int64            // records forgotten
	Queued    int64            // records spooled
	Waiting   int64            // records held, without a number
	Discarded map[string]int64 // records given up, by reason
	Bytes     int64            // on disk
	OldestAt  time.Time        // when the oldest record queued was spooled; zero for none
	NewestAt  time.Time        // when the newest record was spooled, whatever became of it; zero for none
}

// Status returns the present counts.
func (s *Spool) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := Status{
		Run: s.st.Run, Last: s.st.Last, Upto: s.st.Upto,
		Sampled: s.st.Sampled, Receipted: s.st.Receipted, Queued: s.queued, Waiting: int64(len(s.held)),
		Discarded: maps.Clone(s.st.Discarded), Bytes: s.diskBytes(),
	}
	if s.st.Newest != 0 {
		st.NewestAt = time.Unix(0, s.st.Newest)
	}
	for _, seg := range s.segments {
		if len(seg.entries) > 0 {
			st.OldestAt = time.Unix(0, seg.entries[0].at)
			break
		}
	}
	return st
}

// Close writes down the state and lets another process open the spool.
func (s *Spool) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	var errs []error
	if s.active != nil {
		errs = append(errs, s.retire())
	}
	if s.reading != nil {
		errs = append(errs, s.stopReading(s.reading))
	}
	errs = append(errs, s.closeHeld())
	errs = append(errs, writeState(s.fs, s.dir, &s.st))
	s.sweep()
	errs = append(errs, s.lock.Close())
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("close spool %s: %w", s.dir, err)
	}
	return nil
}

func newRun() string {
	var b [runLength / 2]byte
	rand.Read(b[:])
	return hex.EncodeToString(b[:])
}
