package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

// A ledger day is one row with up to 24 packed hours: a page of thirty nights
// and the fold's look at the past read days, not hours.

const hourVersion = 1

// Bits of an hour's first number.
const (
	hourCover = 1 << iota
	hourSalt
	hourKnown // the three floats follow
	hourFrostOpen
	hourFacts // the facts' hash differs from the hour before
)

var errPackedHours = errors.New("packed ledger day: what it says does not fit together")

// packHours packs hours of one day, in order, none twice.
func packHours(hours []exposure.Hour) []byte {
	b := make([]byte, 1, 64+128*len(hours))
	b[0] = hourVersion
	facts := ""
	for i := range hours {
		b = appendHour(b, &hours[i], facts)
		facts = hours[i].FactsHash
	}
	return seal(b)
}

// hourNumbers are the whole numbers of an hour, in the order in which they are
// packed.
func hourNumbers(h *exposure.Hour) [18]*int64 {
	return [...]*int64{
		&h.Known, &h.Unknown, &h.Condensing, &h.CondensingLow, &h.CondensingHigh,
		&h.AtRisk, &h.AtRiskLow, &h.AtRiskHigh, &h.Tow, &h.Frost, &h.Thaw, &h.CoverWet, &h.SaltWet, &h.Dose,
		&h.End.ThawUsed, (*int64)(&h.End.WetSince), (*int64)(&h.End.WetLeft), (*int64)(&h.End.WetConcluded),
	}
}

func hourFloats(h *exposure.Hour) [3]*float64 {
	return [...]*float64{&h.InsideTempMean, &h.InsideRHMean, &h.MarginMin}
}

func appendHour(b []byte, h *exposure.Hour, facts string) []byte {
	var head byte
	if h.HasCover {
		head |= hourCover
	}
	if h.HasSalt {
		head |= hourSalt
	}
	if !math.IsNaN(h.InsideTempMean) || !math.IsNaN(h.InsideRHMean) || !math.IsNaN(h.MarginMin) {
		head |= hourKnown
	}
	if h.End.FrostOpen {
		head |= hourFrostOpen
	}
	if h.FactsHash != facts {
		head |= hourFacts
	}
	b = append(b, head, byte(h.Start.Sub(h.Start.Floor(day))/time.Hour), byte(h.Basis))
	for _, n := range hourNumbers(h) {
		b = binary.AppendVarint(b, *n)
	}
	b = binary.AppendVarint(b, int64(h.Until.Sub(h.Start)))
	b = binary.AppendVarint(b, int64(h.Rules))
	if head&hourKnown != 0 {
		for _, x := range hourFloats(h) {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(*x))
		}
	}
	if head&hourFacts != 0 {
		b = binary.AppendUvarint(b, uint64(len(h.FactsHash)))
		b = append(b, h.FactsHash...)
	}
	return b
}

// unpackHours appends the hours of a packed day to dst.
func unpackHours(dst []exposure.Hour, dayStart unit.Instant, b []byte) ([]exposure.Hour, error) {
	b, err := unseal(b, hourVersion)
	if err != nil {
		return dst, fmt.Errorf("packed ledger day: %w", err)
	}
	u := unpacker{b: b}
	facts := ""
	for len(u.b) > 0 {
		dst = append(dst, exposure.Hour{})
		h := &dst[len(dst)-1]
		readHour(&u, h, dayStart, &facts)
	}
	if u.bad {
		return dst, errPackedHours
	}
	return dst, nil
}

func readHour(u *unpacker, h *exposure.Hour, dayStart unit.Instant, facts *string) {
	lead := u.bytes(3)
	if lead == nil {
		return
	}
	head := lead[0]
	h.Start = dayStart.Add(time.Duration(lead[1]) * time.Hour)
	h.Basis = exposure.Basis(lead[2])
	h.HasCover, h.HasSalt, h.End.FrostOpen = head&hourCover != 0, head&hourSalt != 0, head&hourFrostOpen != 0
	for _, n := range hourNumbers(h) {
		*n = u.varint()
	}
	h.Until = h.Start.Add(time.Duration(u.varint()))
	h.Rules = int(u.varint())
	for _, x := range hourFloats(h) {
		*x = math.NaN()
		if head&hourKnown == 0 {
			continue
		}
		if raw := u.bytes(8); raw != nil {
			*x = math.Float64frombits(binary.LittleEndian.Uint64(raw))
		}
	}
	if head&hourFacts != 0 {
		*facts = string(u.bytes(u.uvarint()))
	}
	h.FactsHash = *facts
	if h.Basis > exposure.BasisMixed || lead[1] > 23 {
		u.fail()
	}
}
