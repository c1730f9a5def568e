package store

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
	"slices"
	"sync"

	"github.com/klauspost/compress/zstd"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// A chunk, version 2 of a packed batch, holds the readings of a run and a closed
// day by columns:
//
//	version    1 byte
//	columns    each: uvarint length, zstd frame (RFC 8878)
//	crc32c     4 bytes, of all before
//
// The columns are: head (number of readings, set of the channels that any of
// them has), times, seqs, sets of present channels, flags, then a pair for each
// channel: the values that are not thousandths, with their places, and the
// thousandths of version 1. Each is compressed by itself, as what they hold is
// distributed differently.
//
// Numbers of a column are told by differences, or by differences of differences
// where a series is expected to be regular, divided by what all of them are a
// multiple of: a temperature in hundredths takes no more than it must.
const chunkVersion = 2

// maxChunk is the largest number of readings in one chunk: a day at one a
// second would be 21 of them.
const maxChunk = 4096

// mostColumn bounds what one column may unpack to: every reading with flags of
// some hundred bytes.
const mostColumn = 16 << 20

var (
	// The best level keeps tables of 34 MB from the first column on, and saves nothing.
	compressor = sync.OnceValue(func() *zstd.Encoder {
		e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedBetterCompression),
			zstd.WithEncoderCRC(false), zstd.WithLowerEncoderMem(true), zstd.WithWindowSize(zstd.MinWindowSize<<6))
		if err != nil {
			panic(err) // the options are ours
		}
		return e
	})
	decompressor = sync.OnceValue(func() *zstd.Decoder {
		d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(mostColumn), zstd.WithDecoderLowmem(true))
		if err != nil {
			panic(err)
		}
		return d
	})
)

// chunk packs at most maxChunk readings of one run in the order given.
func chunk(run string, rs []*reading.Reading) []byte {
	w := chunkWriter{b: append(make([]byte, 0, 64+8*len(rs)), chunkVersion)}
	var any uint16
	for _, r := range rs {
		any |= r.Present()
	}
	w.column(binary.AppendUvarint(binary.AppendUvarint(nil, uint64(len(rs))), uint64(any)))

	numbers := make([]int64, len(rs))
	each := func(of func(*reading.Reading) int64) []int64 {
		for i, r := range rs {
			numbers[i] = of(r)
		}
		return numbers
	}
	w.numbers(each(func(r *reading.Reading) int64 { return int64(r.Time) }), 2)
	w.numbers(each(func(r *reading.Reading) int64 { return r.Seq }), 2)
	w.numbers(each(func(r *reading.Reading) int64 { return int64(r.Present()) }), 1)
	w.column(flagsColumn(rs))
	for m := any; m != 0; m &= m - 1 {
		w.channel(rs, reading.Channel(bits.TrailingZeros16(m)))
	}
	return seal(w.b)
}

type chunkWriter struct{ b, scratch []byte }

func (w *chunkWriter) column(b []byte) {
	w.scratch = compressor().EncodeAll(b, w.scratch[:0])
	w.b = append(binary.AppendUvarint(w.b, uint64(len(w.scratch))), w.scratch...)
}

func (w *chunkWriter) numbers(list []int64, order int) { w.column(appendNumbers(nil, list, order)) }

func (w *chunkWriter) channel(rs []*reading.Reading, c reading.Channel) {
	ks := make([]int64, 0, len(rs))
	var raw []byte
	at := 0
	for _, r := range rs {
		v, ok := r.Get(c)
		if !ok {
			continue
		}
		k, exact := thousandths(v)
		if exact {
			ks = append(ks, k)
		} else {
			raw = binary.AppendUvarint(raw, uint64(at))
			raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(v))
		}
		at++
	}
	w.column(raw)
	w.numbers(ks, 1)
}

// flagsColumn names the readings whose flags are others than those before.
func flagsColumn(rs []*reading.Reading) []byte {
	var b []byte
	last := ""
	for i, r := range rs {
		if r.Flags == last {
			continue
		}
		last = r.Flags
		b = binary.AppendUvarint(b, uint64(i))
		b = binary.AppendUvarint(b, uint64(len(last)))
		b = append(b, last...)
	}
	return b
}

// appendNumbers appends, of a list, the first order numbers that its length
// doesn't tell, what all differences are a multiple of, and how often.
// Differences wrap, and wrap back.
func appendNumbers(b []byte, list []int64, order int) []byte {
	d := differences(list, order)
	lead := min(order, len(d))
	for _, v := range d[:lead] {
		b = binary.AppendVarint(b, v)
	}
	d = d[lead:]
	var g uint64
	for _, v := range d {
		g = gcd(magnitude(v), g)
	}
	if len(d) == 0 {
		return b
	}
	b = binary.AppendUvarint(b, g)
	if g == 0 {
		return b // all of them are 0
	}
	for _, v := range d {
		q := int64(magnitude(v) / g)
		if v < 0 {
			q = -q
		}
		b = binary.AppendVarint(b, q)
	}
	return b
}

// differences replaces each number but the first ones by its difference from
// the one before, order times.
func differences(list []int64, order int) []int64 {
	d := append([]int64(nil), list...)
	for k := range order {
		for i := len(d) - 1; i > k; i-- {
			d[i] -= d[i-1]
		}
	}
	return d
}

func magnitude(v int64) uint64 {
	if v < 0 {
		return -uint64(v)
	}
	return uint64(v)
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// unchunk appends the readings of a chunk to dst. body is without version and
// checksum.
func unchunk(dst []reading.Reading, run string, body []byte) ([]reading.Reading, error) {
	c := chunkReaders.Get().(*chunkReader)
	defer chunkReaders.Put(c)
	c.u = unpacker{b: body}
	head := c.column()
	n, any := head.uvarint(), head.uvarint()
	c.done(&head)
	if c.u.bad || n > maxChunk || any >= 1<<reading.NumChannels {
		return dst, errPacked
	}
	at := len(dst)
	dst = slices.Grow(dst, int(n))[:at+int(n)]
	rs := dst[at:]
	times := c.numbers(&c.times, len(rs), 2)
	seqs := c.numbers(&c.seqs, len(rs), 2)
	present := c.numbers(&c.present, len(rs), 1)
	if c.u.bad {
		return dst[:at], errPacked
	}
	var counts [reading.NumChannels]int
	for i := range rs {
		if present[i]&^int64(any) != 0 {
			return dst[:at], errPacked
		}
		rs[i] = reading.Reading{Run: run, Time: unit.Instant(times[i]), Seq: seqs[i]}
		for m := uint16(present[i]); m != 0; m &= m - 1 {
			counts[bits.TrailingZeros16(m)]++
		}
	}
	c.flags(rs)
	for m := uint16(any); m != 0; m &= m - 1 {
		ch := reading.Channel(bits.TrailingZeros16(m))
		c.channel(rs, present, ch, counts[ch])
	}
	if c.u.bad || len(c.u.b) > 0 {
		return dst[:at], errPacked
	}
	return dst, nil
}

// chunkReader has what reading a chunk needs besides its readings.
type chunkReader struct {
	u                            unpacker
	text                         []byte // of a column
	times, seqs, present, values []int64
	raw                          []rawValue
}

// rawValue is a channel's value that is not thousandths, and its place among
// the channel's.
type rawValue struct {
	at int
	v  float64
}

var chunkReaders = sync.Pool{New: func() any { return new(chunkReader) }}

// column returns the next column, which is good until the one after is asked
// for.
func (c *chunkReader) column() unpacker {
	frame := c.u.bytes(c.u.uvarint())
	if c.u.bad {
		return unpacker{bad: true}
	}
	var err error
	if c.text, err = decompressor().DecodeAll(frame, c.text[:0]); err != nil {
		c.u.fail()
	}
	return unpacker{b: c.text, bad: err != nil}
}

// done notes what was wrong with a column, also what is left of it.
func (c *chunkReader) done(u *unpacker) {
	if u.bad || len(u.b) > 0 {
		c.u.fail()
	}
}

// numbers reads a column of n numbers into to.
func (c *chunkReader) numbers(to *[]int64, n, order int) []int64 {
	u := c.column()
	*to = slices.Grow((*to)[:0], n)[:n]
	list := *to
	lead := min(order, n)
	for i := range lead {
		list[i] = u.varint()
	}
	if n > lead {
		switch g := int64(u.uvarint()); g {
		case 0:
			clear(list[lead:])
		case 1:
			for i := lead; i < n; i++ {
				list[i] = u.varint()
			}
		default:
			for i := lead; i < n; i++ {
				list[i] = u.varint() * g
			}
		}
	}
	c.done(&u)
	for k := order - 1; k >= 0; k-- {
		for i := k + 1; i < n; i++ {
			list[i] += list[i-1]
		}
	}
	return list
}

func (c *chunkReader) flags(rs []reading.Reading) {
	u := c.column()
	at, flags := 0, ""
	for len(u.b) > 0 && !u.bad {
		i := u.uvarint()
		next := string(u.bytes(u.uvarint()))
		if u.bad || i >= uint64(len(rs)) || int(i) < at {
			u.fail()
			break
		}
		for ; at < int(i); at++ {
			rs[at].Flags = flags
		}
		flags = next
	}
	if flags != "" {
		for ; at < len(rs); at++ {
			rs[at].Flags = flags
		}
	}
	c.done(&u)
}

// channel reads the values of a channel that n of the readings have.
func (c *chunkReader) channel(rs []reading.Reading, present []int64, ch reading.Channel, n int) {
	// What is not thousandths comes first, and says how many they are.
	u := c.column()
	c.raw = c.raw[:0]
	last := -1
	for len(u.b) > 0 && !u.bad {
		at, v := u.uvarint(), u.bytes(8)
		if u.bad || at >= uint64(n) || int(at) <= last {
			u.fail()
			break
		}
		last = int(at)
		c.raw = append(c.raw, rawValue{last, math.Float64frombits(binary.LittleEndian.Uint64(v))})
	}
	c.done(&u)
	if c.u.bad {
		return
	}
	ks := c.numbers(&c.values, n-len(c.raw), 1)
	if c.u.bad {
		return
	}
	raw, at, k := c.raw, 0, 0
	for i := range rs {
		if present[i]&(1<<ch) == 0 {
			continue
		}
		if len(raw) > 0 && raw[0].at == at {
			rs[i].Set(ch, raw[0].v)
			raw = raw[1:]
		} else {
			rs[i].Set(ch, float64(ks[k])/1000)
			k++
		}
		at++
	}
}

var errChunk = errors.New("a chunk does not say what was packed")

// identical compares bit by bit.
func identical(a, b reading.Reading) bool {
	if a.Time != b.Time || a.Run != b.Run || a.Seq != b.Seq || a.Flags != b.Flags || a.Present() != b.Present() {
		return false
	}
	for m := a.Present(); m != 0; m &= m - 1 {
		c := reading.Channel(bits.TrailingZeros16(m))
		x, _ := a.Get(c)
		y, _ := b.Get(c)
		if math.Float64bits(x) != math.Float64bits(y) {
			return false
		}
	}
	return true
}
