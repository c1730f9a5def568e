package reading

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

const (
	measurement = "reading"
	tagStation  = "station"
	tagRun      = "run"
	fieldSeq    = "seq"
	fieldOldest = "oldest"
	fieldFlags  = "flags"

	maxFlags = 1024 // bytes; all failed:<channel> flags together need 200
)

// earliest is the first time that a reading may have: a clock that was never
// set starts in 1970.
var earliest = unit.At(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))

// Ahead is how far a reading's time may lie after the collector's clock on
// arrival.
const Ahead = 5 * time.Minute

// Reason says why a reading was refused.
type Reason string

// The reasons.
const (
	ReasonMalformed Reason = "malformed"       // the line can't be read
	ReasonStation   Reason = "station"         // the line's station is not the topic's
	ReasonTime      Reason = "time"            // before 2000, or too far ahead of the collector's clock
	ReasonConflict  Reason = "conflict"        // same key as a stored reading, other content
	ReasonUnknown   Reason = "unknown_station" // nobody enrolled it
	ReasonOversize  Reason = "oversize"        // the message was larger than a batch may be
	ReasonGaps      Reason = "gaps"            // too many stretches of its run's numbers are missing
	ReasonRuns      Reason = "runs"            // too many new runs of its station in a day
	ReasonTooLate   Reason = "too_late"        // the hour that it is of is frozen: readings of that time were let go
)

// Refusal is one line that was not accepted.
type Refusal struct {
	Line    int // 1-based in the message
	Reason  Reason
	Detail  string // one sentence: field, value, fix
	Raw     []byte
	Run     string   // "" when it can't be told
	Seq     int64    // 0 when it can't be told
	Reading *Reading // for ReasonTime: the reading as it will be when its time is reached
}

// Batch is one message taken apart.
type Batch struct {
	Readings      []Reading
	Oldest        map[string]int64 // run → smallest seq that its station still holds
	Refused       []Refusal
	RefusedValues [NumChannels]int // values out of range or not a number; their readings stay
	UnknownFields int              // fields and tags that the contract doesn't know
}

// AppendLine appends the reading's line, newline included, in the form in
// which an agent spools and sends it. oldest, the smallest seq still spooled,
// stands behind seq; 0 leaves it out. A reading without key, channel and flag
// can't be written: line protocol wants a field.
func AppendLine(dst []byte, station string, r *Reading, oldest int64) ([]byte, error) {
	var e lineprotocol.Encoder
	e.SetLax(true)
	e.SetBuffer(dst)
	e.StartLine(measurement)
	e.AddTag(tagStation, station)
	if r.Keyed() {
		e.AddTag(tagRun, r.Run)
		e.AddField(fieldSeq, lineprotocol.IntValue(r.Seq))
		if oldest > 0 {
			e.AddField(fieldOldest, lineprotocol.IntValue(oldest))
		}
	}
	if err := addFields(&e, r, inOrder); err != nil {
		return dst, fmt.Errorf("encode reading of %s at %s: %w", station, r.Time, err)
	}
	e.EndLine(r.Time.Time())
	if err := e.Err(); err != nil {
		return dst, fmt.Errorf("encode reading of %s at %s: %w", station, r.Time, err)
	}
	return e.Bytes(), nil
}

// AppendCanonical appends the reading's canonical bytes: the line with station
// tag and fields in alphabetical order, floats in their shortest form, without
// run, seq and oldest. Readings without a key are the same reading when these
// bytes are the same. Values must be finite, as Decode leaves them.
func AppendCanonical(dst []byte, station string, r *Reading) []byte {
	var e lineprotocol.Encoder
	e.SetLax(true)
	e.SetBuffer(dst)
	e.StartLine(measurement)
	e.AddTag(tagStation, station)
	if r.present == 0 && r.Flags == "" {
		// No field at all, which line protocol can't say.
		return append(strconv.AppendInt(append(e.Bytes(), "  "...), int64(r.Time), 10), '\n')
	}
	if addFields(&e, r, alphabetical) != nil {
		// Unreachable for what Decode accepts; bytes that equal no other's.
		return append(dst, r.Time.String()...)
	}
	e.EndLine(r.Time.Time())
	return e.Bytes()
}

// The two orders of fields on a line: channel order with flags last, and
// alphabetical, where "flags" stands between comb_us, cover_temp_c and
// inside_rh_pct. numFields stands for flags.
const flagsField = NumChannels

var (
	inOrder      = [...]Channel{InsideTemp, InsideRH, BoardTemp, CoverTemp, OutsideTemp, OutsideRH, LineCurrent, LineVoltage, Comb, flagsField}
	alphabetical = [...]Channel{BoardTemp, Comb, CoverTemp, flagsField, InsideRH, InsideTemp, LineCurrent, LineVoltage, OutsideRH, OutsideTemp}
)

func addFields(e *lineprotocol.Encoder, r *Reading, order [NumChannels + 1]Channel) error {
	for _, c := range order {
		if c == flagsField {
			if r.Flags == "" {
				continue
			}
			v, ok := lineprotocol.StringValue(r.Flags)
			if !ok {
				return fmt.Errorf("flags %q: not UTF-8", r.Flags)
			}
			e.AddField(fieldFlags, v)
			continue
		}
		x, ok := r.Get(c)
		if !ok {
			continue
		}
		v, ok := lineprotocol.FloatValue(x)
		if !ok {
			return fmt.Errorf("%s is %v: a failed read is an absent value, never a made-up number", c.Name(), x)
		}
		e.AddField(c.Name(), v)
	}
	return nil
}

// SetOldest returns a copy of an encoded line with oldest added behind its
// seq. A line without seq is returned as it is.
func SetOldest(line []byte, oldest int64) []byte {
	at := bytes.Index(line, []byte(" "+fieldSeq+"="))
	if at < 0 {
		return line
	}
	end := at + len(fieldSeq) + 2
	for end < len(line) && line[end] != ',' && line[end] != ' ' {
		end++
	}
	out := make([]byte, 0, len(line)+len(fieldOldest)+24)
	out = append(out, line[:end]...)
	out = append(out, ","+fieldOldest+"="...)
	out = strconv.AppendInt(out, oldest, 10)
	out = append(out, 'i')
	return append(out, line[end:]...)
}

// SetSeq returns a copy of an encoded line with another seq. A line without seq is
// returned as it is.
func SetSeq(line []byte, seq int64) []byte {
	before, rest, ok := bytes.Cut(line, []byte(" "+fieldSeq+"="))
	_, rest, whole := bytes.Cut(rest, []byte{'i'})
	if !ok || !whole {
		return line
	}
	out := append(bytes.Clone(before), " "+fieldSeq+"="...)
	out = strconv.AppendInt(out, seq, 10)
	return append(append(out, 'i'), rest...)
}

// Decode takes a message on station's topic apart. now is the collector's
// clock on arrival. Nothing is dropped: each line becomes a reading or a
// refusal, and each value that did not survive is counted.
func Decode(station string, payload []byte, now unit.Instant) Batch {
	if len(payload) > receipt.MaxBatch {
		return Batch{Refused: []Refusal{{
			Line: 1, Reason: ReasonOversize,
			Detail: fmt.Sprintf("message of %d bytes: send at most %d", len(payload), receipt.MaxBatch),
			Raw:    payload[:min(len(payload), 1024)],
		}}}
	}
	d := decoder{station: station, now: now}
	if !d.all(payload) {
		// A bad line hides its own end from the codec. Lines taken one by one
		// keep the damage, and the quarantined bytes, to the line that has it.
		d = decoder{station: station, now: now}
		d.each(payload)
	}
	return d.batch
}

type decoder struct {
	station string
	now     unit.Instant
	batch   Batch
	run     string // the last run seen, to share its string
}

// all decodes a message without a bad line; false means that there is one.
func (d *decoder) all(payload []byte) bool {
	d.batch.Readings = make([]Reading, 0, bytes.Count(payload, []byte{'\n'})+1)
	lp := lineprotocol.NewDecoderWithBytes(payload)
	for lp.Next() {
		var r Reading
		ref := d.line(lp, &r)
		if ref != nil {
			return false
		}
		d.batch.Readings = append(d.batch.Readings, r)
	}
	return true
}

func (d *decoder) each(payload []byte) {
	number := 0
	for line := range bytes.SplitSeq(payload, []byte{'\n'}) {
		number++
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		d.one(number, line)
	}
}

func (d *decoder) one(number int, line []byte) {
	lp := lineprotocol.NewDecoderWithBytes(line)
	if !lp.Next() {
		return // a comment
	}
	var r Reading
	ref := d.line(lp, &r)
	if ref == nil {
		d.batch.Readings = append(d.batch.Readings, r)
		return
	}
	ref.Line = number
	ref.Raw = bytes.Clone(line)
	if ref.Reason != ReasonTime {
		ref.Run, ref.Seq = keyOf(line)
	}
	d.batch.Refused = append(d.batch.Refused, *ref)
}

// keyOf finds run and seq in a line that can't be read as a whole; seq stands
// first in the line for this.
func keyOf(line []byte) (run string, seq int64) {
	tags, fields, ok := bytes.Cut(line, []byte{' '})
	if !ok {
		return "", 0
	}
	_, rest, ok := bytes.Cut(tags, []byte(","+tagRun+"="))
	if !ok || len(rest) < 16 || !receipt.ValidRun(string(rest[:16])) {
		return "", 0
	}
	digits, ok := bytes.CutPrefix(fields, []byte(fieldSeq+"="))
	if !ok {
		return "", 0
	}
	digits, _, ok = bytes.Cut(digits, []byte{'i'})
	if !ok {
		return "", 0
	}
	seq, err := strconv.ParseInt(string(digits), 10, 64)
	if err != nil || seq < 1 {
		return "", 0
	}
	return string(rest[:16]), seq
}

func malformed(format string, args ...any) *Refusal {
	return &Refusal{Reason: ReasonMalformed, Detail: fmt.Sprintf(format, args...)}
}

// line decodes one line into r.
func (d *decoder) line(lp *lineprotocol.Decoder, r *Reading) *Refusal {
	m, err := lp.Measurement()
	if err != nil {
		return malformed("%v", err)
	}
	if string(m) != measurement {
		return malformed("measurement %q: write %q", m, measurement)
	}
	if ref := d.tags(lp, r); ref != nil {
		return ref
	}
	oldest, ref := d.fields(lp, r)
	if ref != nil {
		return ref
	}
	if ref := lineTime(lp, r); ref != nil {
		return ref
	}
	if (r.Run == "") != (r.Seq == 0) {
		return malformed("run %q with seq %d: send both or neither", r.Run, r.Seq)
	}
	if oldest > 0 && r.Run != "" {
		d.noteOldest(r.Run, oldest)
	}
	if r.Time < earliest || r.Time > d.now.Add(Ahead) {
		return &Refusal{
			Reason: ReasonTime, Run: r.Run, Seq: r.Seq, Reading: r,
			Detail: fmt.Sprintf("time %s: before 2000 or more than %s after the collector's clock (%s); set the station's clock", r.Time, Ahead, d.now),
		}
	}
	return nil
}

func (d *decoder) noteOldest(run string, oldest int64) {
	if d.batch.Oldest == nil {
		d.batch.Oldest = make(map[string]int64, 1)
	}
	if oldest > d.batch.Oldest[run] {
		d.batch.Oldest[run] = oldest
	}
}

func (d *decoder) tags(lp *lineprotocol.Decoder, r *Reading) *Refusal {
	named := false
	for {
		key, value, err := lp.NextTag()
		switch {
		case err != nil:
			return malformed("%v", err)
		case key == nil && !named:
			return malformed("tag station is missing: write station=%s", d.station)
		case key == nil:
			return nil
		case string(key) == tagStation:
			if named {
				return malformed("tag station stands twice: write it once")
			}
			if string(value) != d.station {
				return &Refusal{
					Reason: ReasonStation,
					Detail: fmt.Sprintf("station %q on the topic of %s: a station speaks only for itself", value, d.station),
				}
			}
			named = true
		case string(key) == tagRun:
			if r.Run != "" {
				return malformed("tag run stands twice: write it once")
			}
			if string(value) != d.run {
				d.run = string(value)
				if !receipt.ValidRun(d.run) {
					return malformed("run %q: write 16 hex digits in lower case", d.run)
				}
			}
			r.Run = d.run
		default:
			d.batch.UnknownFields++
		}
	}
}

func (d *decoder) fields(lp *lineprotocol.Decoder, r *Reading) (oldest int64, _ *Refusal) {
	var seen uint32 // bit per known field, to find one that stands twice
	for {
		key, kind, value, err := lp.NextFieldBytes()
		if err != nil {
			return 0, malformed("%v", err)
		}
		if key == nil {
			return oldest, nil
		}
		f := fieldOf(key)
		if f == unknownField {
			d.batch.UnknownFields++
			continue
		}
		if seen&(1<<f) != 0 {
			return 0, malformed("field %s stands twice: write it once", key)
		}
		seen |= 1 << f
		switch f {
		case seqField:
			if r.Seq = positive(kind, value); r.Seq == 0 {
				return 0, malformed("seq %q: write an integer from 1 on, as in 17i", value)
			}
		case oldestField:
			if oldest = positive(kind, value); oldest == 0 {
				return 0, malformed("oldest %q: write an integer from 1 on, as in 17i", value)
			}
		case flagsField:
			if kind != lineprotocol.String || !cleanText(value) {
				return 0, malformed("flags %.40q: write a quoted text without control characters, at most %d bytes", value, maxFlags)
			}
			r.Flags = string(value)
		default:
			if x, ok := number(kind, value, f); ok {
				r.Set(f, x)
			} else {
				d.batch.RefusedValues[f]++
			}
		}
	}
}

const (
	seqField     = NumChannels + 1
	oldestField  = NumChannels + 2
	unknownField = NumChannels + 3
)

func fieldOf(key []byte) Channel {
	switch string(key) {
	case "inside_temp_c":
		return InsideTemp
	case "inside_rh_pct":
		return InsideRH
	case "board_temp_c":
		return BoardTemp
	case "cover_temp_c":
		return CoverTemp
	case "outside_temp_c":
		return OutsideTemp
	case "outside_rh_pct":
		return OutsideRH
	case "line_current_ma":
		return LineCurrent
	case "line_voltage_v":
		return LineVoltage
	case "comb_us":
		return Comb
	case fieldSeq:
		return seqField
	case fieldOldest:
		return oldestField
	case fieldFlags:
		return flagsField
	}
	return unknownField
}

// positive reads an integer field from 1 on; 0 means that it is none.
func positive(kind lineprotocol.ValueKind, value []byte) int64 {
	if kind != lineprotocol.Int {
		return 0
	}
	n, err := strconv.ParseInt(string(value), 10, 64)
	if err != nil || n < 1 {
		return 0
	}
	return n
}

// number reads a channel's value; false when it is no decimal number or out
// of the channel's range. Hexadecimal floats and digit separators, which the
// codec lets through, are none.
func number(kind lineprotocol.ValueKind, value []byte, c Channel) (float64, bool) {
	switch kind {
	case lineprotocol.Float, lineprotocol.Int, lineprotocol.Uint:
	default:
		return 0, false
	}
	for _, b := range value {
		switch {
		case b >= '0' && b <= '9', b == '-' && kind != lineprotocol.Uint:
		case kind == lineprotocol.Float && (b == '.' || b == '+' || b == 'e' || b == 'E'):
		default:
			return 0, false
		}
	}
	x, err := strconv.ParseFloat(string(value), 64)
	if err != nil {
		return 0, false
	}
	return x, InRange(c, x)
}

// InRange tells whether x is a value that channel c may report.
func InRange(c Channel, x float64) bool {
	lo, hi := c.Range()
	return x >= lo && x <= hi // false for NaN
}

func cleanText(b []byte) bool {
	return len(b) <= maxFlags && utf8.Valid(b) && strings.IndexFunc(string(b), unicode.IsControl) < 0
}

func lineTime(lp *lineprotocol.Decoder, r *Reading) *Refusal {
	b, err := lp.TimeBytes()
	if err != nil {
		return malformed("%v", err)
	}
	if b == nil {
		return malformed("time is missing: end the line with nanoseconds since 1970 (UTC)")
	}
	ns, err := strconv.ParseInt(string(b), 10, 64)
	if err != nil || ns == math.MinInt64 {
		return malformed("time %q: write nanoseconds since 1970 (UTC)", b)
	}
	r.Time = unit.Instant(ns)
	return nil
}
