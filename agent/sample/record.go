// Package sample turns what sensors say into finished readings: it keeps the
// cadence, takes the median of a burst, stamps the time, and gives each
// reading its key and its bytes, in that order. It knows no chip and no disk.
//
// A reading gets number and bytes once, and its time is among them. So while
// the clock may be wrong, readings wait in the spool, with the time since boot
// in place of the time; when the clock is right, this process or the next one
// of the same boot gives them number and time. What the clock may be believed
// from is Timekeeper's decision, and stands there.
package sample

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Spool is where the bytes of readings go. Numbers are those of its run.
type Spool interface {
	Run() string
	// Last is the largest number given out.
	Last() int64
	// Append makes the payloads durable under the numbers from first on, which
	// must be Last()+1. After an error the same payloads may be appended again,
	// or their numbers skipped.
	Append(first int64, payloads [][]byte) error
	// Skip uses up n numbers and counts them as discarded.
	Skip(n int64, reason string)
	// Torn is how many numbers after Last may belong to damaged records.
	Torn() int64
	// Hold keeps a payload that has no number yet, also for the next process
	// of this boot. After an error it is kept in memory.
	Hold(payload []byte) error
	// Held returns these, oldest first.
	Held() [][]byte
	// Fix says, durably, that the next numbers are for Held, made into lines
	// with the help of note. After an error it does not.
	Fix(note string) error
	// Fixed returns the note while numbers are meant for Held.
	Fixed() (note string, ok bool)
}

// Recorder gives readings of one station their key and writes them to its
// spool. It is safe for concurrent use.
type Recorder struct {
	station string
	spool   Spool

	mu  sync.Mutex
	buf []byte
}

// NewRecorder returns a recorder for the station.
func NewRecorder(station string, s Spool) *Recorder {
	return &Recorder{station: station, spool: s}
}

// Last returns the number of the newest reading recorded, 0 for none.
func (rec *Recorder) Last() int64 { return rec.spool.Last() }

// Record makes the readings durable, in their order, with one sync for all.
// After an error, call Record with the same readings again, or Drop them:
// their bytes may be on disk already.
func (rec *Recorder) Record(rs []reading.Reading) error {
	for {
		err := rec.record(rec.spool.Last()+1, rs)
		if !errors.Is(err, errMoved) {
			return err
		}
	}
}

// errMoved means that first is no longer the next number: a receipt for later
// ones has arrived.
var errMoved = errors.New("the spool's numbers have moved on")

// record records the readings under the numbers from first on.
func (rec *Recorder) record(first int64, rs []reading.Reading) error {
	rec.mu.Lock()
	defer rec.mu.Unlock()
	run := rec.spool.Run()
	payloads := make([][]byte, len(rs))
	rec.buf = rec.buf[:0]
	ends := make([]int, len(rs))
	for i := range rs {
		r := rs[i]
		r.Run, r.Seq = run, first+int64(i)
		buf, err := reading.AppendLine(rec.buf, rec.station, &r, 0)
		if err != nil {
			return err
		}
		rec.buf = buf
		ends[i] = len(buf)
	}
	start := 0
	for i, end := range ends {
		payloads[i] = rec.buf[start:end]
		start = end
	}
	if err := rec.spool.Append(first, payloads); err != nil {
		if rec.spool.Last()+1 != first {
			return errMoved
		}
		return fmt.Errorf("record reading %d of %s: %w", first, rec.station, err)
	}
	return nil
}

// Drop uses up the numbers of n readings that could not be recorded.
func (rec *Recorder) Drop(n int) { rec.spool.Skip(int64(n), "io") }

// settle finishes what the process before had begun: lines that have their
// numbers and times, and are to be appended, byte for byte; and then the numbers
// that a damaged end of the spool may have had, for what is sampled now is not
// what was sampled then.
func (rec *Recorder) settle() error {
	err := rec.appendFixed()
	rec.spool.Skip(rec.spool.Torn(), "torn")
	return err
}

// epoch is what the times in held lines count from: a line's time must be one.
var epoch = unit.At(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))

// hold keeps a reading until its time is known; after an error it is kept in
// memory, or counted as discarded. What is kept is its line, with
// the time since boot in the place of the time, and 1 for its number.
func (rec *Recorder) hold(up time.Duration, r reading.Reading) error {
	r.Run, r.Seq, r.Time = rec.spool.Run(), 1, epoch.Add(up)
	line, err := reading.AppendLine(nil, rec.station, &r, 0)
	if err != nil {
		rec.Drop(1)
		return err
	}
	return rec.spool.Hold(line)
}

// release gives the held readings number and time, now that the clock is right.
// They are older than a reading of the time before.
func (rec *Recorder) release(now look, before unit.Instant) error {
	if len(rec.spool.Held()) == 0 {
		return nil
	}
	note := stamp{add: now.now.Sub(epoch.Add(now.up)), before: before}.String()
	if err := rec.spool.Fix(note); err != nil {
		return err
	}
	return rec.appendFixed()
}

// stamp makes times of times since boot.
type stamp struct {
	add    time.Duration // what is added
	before unit.Instant  // what all of them are smaller than
}

func (s stamp) String() string { return fmt.Sprintf("%d %d", int64(s.add), int64(s.before)) }

func parseStamp(note string) (s stamp, err error) {
	_, err = fmt.Sscanf(note, "%d %d", (*int64)(&s.add), (*int64)(&s.before))
	return s, err
}

// line makes the line that a held one stands for. later is how many held ones
// follow it: times stay apart, whatever the clock did.
func (s stamp) line(held []byte, seq int64, later int) ([]byte, error) {
	head, rest, ok := bytes.Cut(held, []byte(" seq=1i"))
	at := bytes.LastIndexByte(rest, ' ')
	if !ok || at < 0 {
		return nil, fmt.Errorf("%q is no held line", held)
	}
	t, err := strconv.ParseInt(string(bytes.TrimSpace(rest[at:])), 10, 64)
	if err != nil {
		return nil, err
	}
	time := min(unit.Instant(t).Add(s.add), s.before.Add(-time.Duration(later+1)*time.Millisecond))
	return fmt.Appendf(nil, "%s seq=%di%s %d\n", head, seq, rest[:at], int64(time)), nil
}

// appendFixed appends the held readings that have their numbers. Those that
// can't be recorded are discarded, as any other would be.
func (rec *Recorder) appendFixed() error {
	var errs []error
	for {
		note, ok := rec.spool.Fixed()
		if !ok {
			return errors.Join(errs...)
		}
		held := rec.spool.Held()
		part := held[:min(chunk, len(held))]
		err := rec.appendHeld(note, part, len(held))
		if errors.Is(err, errMoved) {
			continue // their numbers are gone; the next reading gives them new ones
		}
		if err != nil {
			rec.Drop(len(part))
			errs = append(errs, err)
		}
	}
}

func (rec *Recorder) appendHeld(note string, held [][]byte, all int) error {
	s, err := parseStamp(note)
	if err != nil {
		return fmt.Errorf("time of held readings of %s: %w", rec.station, err)
	}
	first := rec.spool.Last() + 1
	lines := make([][]byte, len(held))
	for i := range held {
		if lines[i], err = s.line(held[i], first+int64(i), all-1-i); err != nil {
			return fmt.Errorf("held reading of %s: %w", rec.station, err)
		}
	}
	if err := rec.spool.Append(first, lines); err != nil {
		if rec.spool.Last()+1 != first {
			return errMoved
		}
		return fmt.Errorf("record held reading %d of %s: %w", first, rec.station, err)
	}
	return nil
}
