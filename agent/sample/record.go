// Package sample turns what sensors say into finished readings: it keeps the
// cadence, takes the median of a burst, stamps the time, and gives each
// reading its key and its bytes, in that order. It knows no chip and no disk.
package sample

import (
	"errors"
	"fmt"
	"sync"

	"dewpost/rules/reading"
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

// settle uses up the numbers that a damaged end of the spool may have had:
// what is sampled now is not what was sampled then.
func (rec *Recorder) settle() { rec.spool.Skip(rec.spool.Torn(), "torn") }
