package spool

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"path/filepath"
	"strconv"
	"strings"
)

// On disk, integers little-endian:
//
//	segment: "dpspool1", run (16 hex digits), CRC-32C of these 24 bytes, records
//	record:  "DPR1", length of payload uint32, seq uint64, time spooled in ns
//	         since 1970 int64, CRC-32C uint32, payload
//
// A record's CRC covers the run, the header from the length on, and the
// payload. A record is recognised by its mark and its CRC alone, so that what
// follows a damaged one is found again.
const (
	segmentMark   = "dpspool1"
	segmentHeader = 8 + runLength + 4
	recordMark    = "DPR1"
	recordHeader  = 4 + 4 + 8 + 8 + 4
	runLength     = 16

	segmentSuffix = ".seg"
)

// MaxRecord is the largest payload of a record, in bytes.
const MaxRecord = 32 << 10

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// entry is where a record lies in its segment.
type entry struct {
	seq    int64
	at     int64 // when spooled, ns since 1970
	offset int64 // of the record's header
	length int   // of the payload
}

// segment is one file of records. Entries are those still wanted, ascending.
type segment struct {
	number  int64
	name    string
	size    int64 // bytes on disk
	entries []entry
	reader  File // nil until read
	damaged bool // holds bytes that are no record, and not only at its end
}

func segmentName(dir string, number int64) string {
	return filepath.Join(dir, fmt.Sprintf("%016d%s", number, segmentSuffix))
}

// segmentNumber reads a number out of a file's base name.
func segmentNumber(base string) (int64, bool) {
	digits, ok := strings.CutSuffix(base, segmentSuffix)
	if !ok || len(digits) != 16 {
		return 0, false
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	return n, err == nil
}

func appendSegmentHeader(dst []byte, run string) []byte {
	start := len(dst)
	dst = append(dst, segmentMark...)
	dst = append(dst, run...)
	return binary.LittleEndian.AppendUint32(dst, crc32.Checksum(dst[start:], castagnoli))
}

// segmentRun returns the run in a segment's header, or "" when the header is
// damaged.
func segmentRun(b []byte) string {
	if len(b) < segmentHeader || string(b[:8]) != segmentMark {
		return ""
	}
	if crc32.Checksum(b[:segmentHeader-4], castagnoli) != binary.LittleEndian.Uint32(b[segmentHeader-4:]) {
		return ""
	}
	return string(b[8 : 8+runLength])
}

func appendRecord(dst []byte, run string, seq, at int64, payload []byte) []byte {
	start := len(dst)
	dst = append(dst, recordMark...)
	dst = binary.LittleEndian.AppendUint32(dst, uint32(len(payload)))
	dst = binary.LittleEndian.AppendUint64(dst, uint64(seq))
	dst = binary.LittleEndian.AppendUint64(dst, uint64(at))
	dst = binary.LittleEndian.AppendUint32(dst, recordSum(run, dst[start+4:], payload))
	return append(dst, payload...)
}

// recordSum covers the run, length, seq and time, and the payload.
func recordSum(run string, fields, payload []byte) uint32 {
	sum := crc32.Checksum([]byte(run), castagnoli)
	sum = crc32.Update(sum, castagnoli, fields[:recordHeader-8])
	return crc32.Update(sum, castagnoli, payload)
}

// parseRecord reads the record at the start of b; ok is false when there is
// no whole and sound one.
func parseRecord(b []byte, run string) (e entry, payload []byte, ok bool) {
	if len(b) < recordHeader || string(b[:4]) != recordMark {
		return entry{}, nil, false
	}
	length := binary.LittleEndian.Uint32(b[4:])
	if length > MaxRecord || int(length) > len(b)-recordHeader {
		return entry{}, nil, false
	}
	payload = b[recordHeader : recordHeader+int(length)]
	if recordSum(run, b[4:], payload) != binary.LittleEndian.Uint32(b[recordHeader-4:]) {
		return entry{}, nil, false
	}
	e = entry{
		seq:    int64(binary.LittleEndian.Uint64(b[8:])),
		at:     int64(binary.LittleEndian.Uint64(b[16:])),
		length: int(length),
	}
	return e, payload, true
}

// scan finds all sound records in a segment's bytes. tail is where the bytes
// begin that follow the last of them.
func scan(b []byte, run string) (entries []entry, tail int64) {
	at := 0
	if segmentRun(b) != "" {
		at = segmentHeader
	}
	tail = int64(at)
	for at < len(b) {
		e, _, ok := parseRecord(b[at:], run)
		if !ok {
			next := bytes.Index(b[at+1:], []byte(recordMark))
			if next < 0 {
				break
			}
			at += 1 + next
			continue
		}
		e.offset = int64(at)
		entries = append(entries, e)
		at += recordHeader + e.length
		tail = int64(at)
	}
	return entries, tail
}

// begun counts the records that were begun in the bytes behind the last sound
// one: one for each mark, and at least one when there is anything at all.
func begun(tail []byte) int64 {
	if len(tail) == 0 {
		return 0
	}
	return int64(max(1, bytes.Count(tail, []byte(recordMark))))
}

func readAll(f File) ([]byte, error) {
	size, err := f.Size()
	if err != nil {
		return nil, err
	}
	b := make([]byte, size)
	n, err := f.ReadAt(b, 0)
	if int64(n) == size {
		err = nil // io.EOF may come with the last byte
	}
	return b[:n], err
}

// salvage reads all of a file that can be read; what can't is zero. lost is
// the number of unreadable bytes.
func salvage(f File) (b []byte, lost int64, err error) {
	b, err = readAll(f)
	if err == nil {
		return b, 0, nil
	}
	size, err := f.Size()
	if err != nil {
		return nil, 0, err
	}
	const page = 4096 // smaller than what a medium loses at once
	b = make([]byte, size)
	for at := int64(0); at < size; at += page {
		part := b[at:min(at+page, size)]
		if n, err := f.ReadAt(part, at); n < len(part) && err != nil {
			clear(part)
			lost += int64(len(part))
		}
	}
	return b, lost, nil
}
