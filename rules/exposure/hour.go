package exposure

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"time"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Version is the version of the rules that make the ledger. It changes with
// every change that can alter a bit of an hour.
const Version = 1

// Facts are the station facts that the ledger depends on.
type Facts struct {
	MaxGap    time.Duration // longest segment that is still known
	Allowance unit.Kelvin   // surface allowance on basis air, where none is learned
	Learned   *Undercooling // nil: none; shared by all copies, and never changed
	Place     *sun.Place    // nil: every instant counts as night
	Salt      bool          // whether salt_wet is kept
}

// Valid is a set of facts with the instant from which it holds.
type Valid struct {
	From unit.Instant
	Facts
}

// Basis says what stood in for the surface in an hour.
type Basis uint8

// The bases.
const (
	BasisNone  Basis = iota // nothing known
	BasisBoard              // measured board temperature
	BasisAir                // inside air less the surface allowance
	BasisMixed              // both, in different segments
)

// String returns the word of the contract for the basis, "" for none.
func (b Basis) String() string { return [...]string{"", "board", "air", "mixed"}[b] }

// Carry is what one ledger hour hands to the next. All instants are 0 when
// not set.
type Carry struct {
	FrostOpen bool
	ThawUsed  int64 // ns of thaw already counted for the open frost

	// The wet spell that is open at the hour's end: condensing, short breaks
	// included (see Spell).
	WetSince, WetLeft, WetConcluded unit.Instant
}

// Hour is one row of the ledger: one station, one UTC hour. Times are integer
// nanoseconds.
type Hour struct {
	Start unit.Instant

	Known, Unknown                            int64
	Condensing, CondensingLow, CondensingHigh int64
	AtRisk, AtRiskLow, AtRiskHigh             int64
	Tow, Frost, Thaw                          int64
	CoverWet                                  int64 // meaningful with HasCover
	SaltWet                                   int64 // meaningful with HasSalt
	HasCover, HasSalt                         bool

	Dose  int64 // 1e-9 equivalent hours at saturation
	Basis Basis

	// Over known time, hour borders included; NaN when Known is 0.
	InsideTempMean, InsideRHMean, MarginMin float64

	Until     unit.Instant // the last reading that this hour was computed from
	End       Carry
	FactsHash string // of the facts used; several in one hour are joined by +
	Rules     int    // Version
}

// Hash identifies facts, whatever instant they hold from.
func (f Facts) Hash() string {
	h := sha256.New()
	place := "-"
	if f.Place != nil {
		place = strconv.FormatFloat(f.Place.Lat, 'g', -1, 64) + "," + strconv.FormatFloat(f.Place.Lon, 'g', -1, 64)
	}
	fmt.Fprintf(h, "%d %s %s %t", f.MaxGap, strconv.FormatFloat(float64(f.Allowance), 'g', -1, 64), place, f.Salt)
	if f.Learned != nil {
		fmt.Fprintf(h, " %s", f.Learned)
	}
	return hex.EncodeToString(h.Sum(nil)[:6])
}

// Add adds the times, dose and basis of o to h; means and extremes stay as
// they are. It sums the hours of a night, a month or a whole log.
func (h *Hour) Add(o *Hour) {
	h.Known += o.Known
	h.Unknown += o.Unknown
	h.Condensing += o.Condensing
	h.CondensingLow += o.CondensingLow
	h.CondensingHigh += o.CondensingHigh
	h.AtRisk += o.AtRisk
	h.AtRiskLow += o.AtRiskLow
	h.AtRiskHigh += o.AtRiskHigh
	h.Tow += o.Tow
	h.Frost += o.Frost
	h.Thaw += o.Thaw
	h.CoverWet += o.CoverWet
	h.SaltWet += o.SaltWet
	h.HasCover = h.HasCover || o.HasCover
	h.HasSalt = h.HasSalt || o.HasSalt
	h.Dose += o.Dose
	h.Basis = h.Basis.and(o.Basis)
}

// and returns the basis of two stretches together.
func (b Basis) and(o Basis) Basis {
	switch {
	case b == BasisNone || b == o:
		return o
	case o == BasisNone:
		return b
	default:
		return BasisMixed
	}
}
