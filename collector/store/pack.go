package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// A packed batch, version 1:
//
//	version       1 byte
//	each reading  head, then what head announces, then the present channels
//	crc32c        4 bytes, of all before
//
// Everything is told as a difference from the reading before; the first one
// differs from a reading at instant 0 with nothing in it, and no step is
// expected after it. Of a regular series a reading takes one byte and one or
// two for each channel.
//
// A channel's value v is k = 1000·v if k/1000 gives v back to the last bit, as
// a zigzag varint of k less the k last written for the channel; else its 8
// bytes as they are (IEEE 754, little-endian).
const packVersion = 1

// Bits of head: what differs from expectation and follows, in this order.
const (
	headTime    = 1 << iota // varint: step from the reading before, less the step before it
	headSeq                 // varint: seq less the expected one (the next; 0 without run)
	headPresent             // uvarint: set of present channels
	headFlags               // uvarint length, bytes
	headRaw                 // uvarint: set of channels that are 8 bytes

	headAll = headTime | headSeq | headPresent | headFlags | headRaw
)

// maxPacked is the largest number of readings in one batch.
const maxPacked = 1024

// series is what packing and unpacking remember of the readings so far.
type series struct {
	begun      bool
	time, step int64
	seq, next  int64 // next: 1 with a run, else 0
	present    uint16
	flags      string
	last       [reading.NumChannels]int64
}

func newSeries(run string) series {
	if run == "" {
		return series{}
	}
	return series{next: 1}
}

func (s *series) moveTo(time, step int64) {
	s.time = time
	if s.begun {
		s.step = step
	}
	s.begun = true
}

// pack packs readings of one run in the order given.
func pack(run string, rs []*reading.Reading) []byte {
	s := newSeries(run)
	return s.extend(append(make([]byte, 0, 32+24*len(rs)), packVersion), rs)
}

// packMore packs readings behind those of a packed batch, which end with s.
func packMore(s *series, packed []byte, rs []*reading.Reading) []byte {
	b := make([]byte, 0, len(packed)+24*len(rs))
	return s.extend(append(b, packed[:len(packed)-checksumSize]...), rs)
}

func (s *series) extend(b []byte, rs []*reading.Reading) []byte {
	for _, r := range rs {
		b = s.append(b, r)
	}
	return seal(b)
}

func (s *series) append(b []byte, r *reading.Reading) []byte {
	at := len(b)
	b = append(b, 0)
	var head byte
	step := int64(r.Time) - s.time // wraps, and wraps back
	if step != s.step {
		head |= headTime
		b = binary.AppendVarint(b, step-s.step)
	}
	if d := r.Seq - (s.seq + s.next); d != 0 {
		head |= headSeq
		b = binary.AppendVarint(b, d)
	}
	if r.Present() != s.present {
		head |= headPresent
		b = binary.AppendUvarint(b, uint64(r.Present()))
	}
	if r.Flags != s.flags {
		head |= headFlags
		b = binary.AppendUvarint(b, uint64(len(r.Flags)))
		b = append(b, r.Flags...)
	}
	s.moveTo(int64(r.Time), step)
	s.seq, s.present, s.flags = r.Seq, r.Present(), r.Flags

	var scaled [reading.NumChannels]int64
	var raw uint64
	for m := r.Present(); m != 0; m &= m - 1 {
		c := reading.Channel(bits.TrailingZeros16(m))
		v, _ := r.Get(c)
		k, ok := thousandths(v)
		if !ok {
			raw |= 1 << c
		}
		scaled[c] = k
	}
	if raw != 0 {
		head |= headRaw
		b = binary.AppendUvarint(b, raw)
	}
	b[at] = head
	for m := r.Present(); m != 0; m &= m - 1 {
		c := reading.Channel(bits.TrailingZeros16(m))
		if raw&(1<<c) != 0 {
			v, _ := r.Get(c)
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
			continue
		}
		b = binary.AppendVarint(b, scaled[c]-s.last[c])
		s.last[c] = scaled[c]
	}
	return b
}

// thousandths returns k with float64(k)/1000 equal to v bit by bit.
func thousandths(v float64) (int64, bool) {
	if !(math.Abs(v) < 1e12) { // k and differences of two k stay exact; NaN too is raw
		return 0, false
	}
	k := int64(math.Copysign(0.5, v) + v*1000)
	return k, math.Float64bits(float64(k)/1000) == math.Float64bits(v)
}

var errPacked = errors.New("packed batch: what it says does not fit together")

// unpack appends the readings of a packed batch, or of a chunk, to dst.
func unpack(dst []reading.Reading, run string, b []byte) ([]reading.Reading, error) {
	if len(b) > 0 && b[0] == chunkVersion {
		body, err := unseal(b, chunkVersion)
		if err == nil {
			dst, err = unchunk(dst, run, body)
		}
		if err != nil {
			return dst, fmt.Errorf("chunk: %w", err)
		}
		return dst, nil
	}
	dst, _, err := unpackSeries(dst, run, b)
	return dst, err
}

// unpackSeries is unpack and also returns what to go on packing with.
func unpackSeries(dst []reading.Reading, run string, b []byte) ([]reading.Reading, series, error) {
	s := newSeries(run)
	b, err := unseal(b, packVersion)
	if err != nil {
		return dst, s, fmt.Errorf("packed batch: %w", err)
	}
	u := unpacker{b: b}
	for len(u.b) > 0 {
		dst = append(dst, reading.Reading{Run: run})
		s.read(&u, &dst[len(dst)-1])
	}
	if u.bad {
		return dst, s, errPacked
	}
	return dst, s, nil
}

// read reads one reading.
func (s *series) read(u *unpacker, r *reading.Reading) {
	head := u.head()
	if head&^headAll != 0 {
		u.fail()
		return
	}
	step := s.step
	if head&headTime != 0 {
		step += u.varint()
	}
	s.moveTo(s.time+step, step)
	s.seq += s.next
	if head&headSeq != 0 {
		s.seq += u.varint()
	}
	if head&headPresent != 0 {
		p := u.uvarint()
		if p >= 1<<reading.NumChannels {
			u.fail()
			return
		}
		s.present = uint16(p)
	}
	if head&headFlags != 0 {
		s.flags = string(u.bytes(u.uvarint()))
	}
	var raw uint64
	if head&headRaw != 0 {
		raw = u.uvarint()
	}
	r.Time, r.Seq, r.Flags = unit.Instant(s.time), s.seq, s.flags
	for m := s.present; m != 0; m &= m - 1 {
		c := reading.Channel(bits.TrailingZeros16(m))
		if raw&(1<<c) != 0 {
			if v := u.bytes(8); v != nil {
				r.Set(c, math.Float64frombits(binary.LittleEndian.Uint64(v)))
			}
			continue
		}
		s.last[c] += u.varint()
		r.Set(c, float64(s.last[c])/1000)
	}
}

// unpacker takes values off the front of b; bad once there were too few.
type unpacker struct {
	b   []byte
	bad bool
}

func (u *unpacker) fail() { u.bad, u.b = true, nil }

func (u *unpacker) head() byte {
	v := u.b[0] // a reading begins only where a byte is left
	u.b = u.b[1:]
	return v
}

func (u *unpacker) uvarint() uint64 {
	if len(u.b) > 0 && u.b[0] < 0x80 {
		v := uint64(u.b[0])
		u.b = u.b[1:]
		return v
	}
	v, n := binary.Uvarint(u.b)
	if n <= 0 {
		u.fail()
		return 0
	}
	u.b = u.b[n:]
	return v
}

func (u *unpacker) varint() int64 {
	v := u.uvarint()
	return int64(v>>1) ^ -int64(v&1)
}

func (u *unpacker) bytes(n uint64) []byte {
	if n > uint64(len(u.b)) {
		u.fail()
		return nil
	}
	v := u.b[:n]
	u.b = u.b[n:]
	return v
}
