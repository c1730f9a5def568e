package exposure

import (
	"math"

	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// span is the part of a segment in which a condition holds: [from, to).
type span struct{ from, to int64 }

func (s span) within(a, b int64) int64 { return max(0, min(s.to, b)-max(s.from, a)) }

func (s span) holds(t int64) bool { return s.from <= t && t < s.to }

func (s span) and(o span) span {
	r := span{max(s.from, o.from), min(s.to, o.to)}
	if r.from >= r.to {
		return span{}
	}
	return r
}

// point is what physics can use of one reading.
type point struct {
	at        int64
	known     bool // inside temperature and a positive RH
	t, rh     float64
	dew       float64 // over water
	coolHour  float64 // K/h
	coolSix   float64
	hasBoard  bool
	board     float64
	hasCover  bool
	cover     float64
	coverM    float64 // margin of the cover
	surfaceOf surfaceKey
	s         surface
	cached    bool
}

type surfaceKey struct {
	basis Basis
	valid *validity
}

// surface is the board's surface at one reading, and how far it is from dew.
type surface struct {
	temp                     float64
	margin, marginL, marginH float64 // central, low and high end of the range
	rate                     float64 // dose rate
}

func (p *point) set(r *reading.Reading) {
	p.at, p.known, p.cached = int64(r.Time), false, false
	t, okT := r.Get(reading.InsideTemp)
	rh, okR := r.Get(reading.InsideRH)
	if !okT || !okR || rh <= 0 {
		return
	}
	p.t, p.rh = t, min(rh, 100)
	p.dew = float64(moistair.DewPoint(unit.Celsius(p.t), unit.Percent(p.rh)))
	if p.known = !math.IsNaN(p.dew); !p.known {
		return // a humidity so small that it has no dew point in floating point
	}
	p.board, p.hasBoard = r.Get(reading.BoardTemp)
	if p.cover, p.hasCover = r.Get(reading.CoverTemp); p.hasCover {
		p.coverM = margin(p.cover, p.t, p.rh)
	}
}

func margin(surface, t, rh float64) float64 {
	return float64(Margin(unit.Celsius(surface), unit.Celsius(t), unit.Percent(rh)))
}

// surfaceFor returns the surface under the given basis; a point is the end of
// two segments, mostly of the same basis.
func (p *point) surfaceFor(k surfaceKey) *surface {
	if p.cached && p.surfaceOf == k {
		return &p.s
	}
	p.surfaceOf, p.cached = k, true
	s := &p.s
	s.temp = p.board
	high := p.board
	if k.basis == BasisAir {
		night := k.valid.nights.At(unit.Instant(p.at))
		s.temp = p.t - float64(k.valid.Allowance)
		if u := k.valid.Learned; u != nil {
			s.temp = p.t - u.Kelvin(night, p.t, p.rh, p.coolHour, p.coolSix)
		}
		if high = s.temp; night {
			high -= rangeNight
		}
	}
	if s.margin = round9(float64(s.temp - p.dew)); s.temp < 0 {
		s.margin = margin(s.temp, p.t, p.rh)
	}
	s.marginL = margin(s.temp, p.t, clampRange(p.rh-rangeRH))
	s.marginH = margin(high, p.t, clampRange(p.rh+rangeRH))
	s.rate = doseRate(p.t, p.rh, s.temp)
	return s
}

func clampRange(rh float64) float64 { return min(100, max(minRH, rh)) }

// segment is a known segment with its conditions.
type segment struct {
	t0, t1               int64
	basis                Basis
	a, b                 *point
	sa, sb               *surface
	wet, wetL, wetH      span // margin <= 0: central, low, high
	risk, riskL, riskH   span // margin <= RiskMargin
	tow, frost, coverWet span
	warm                 span // surface >= 0 °C
	dry                  span // margin above the deadband of a wet spell
	salt                 span
	hasCover, hasSalt    bool
}

// set fills g for the segment from a to b, both known.
func (g *segment) set(a, b *point, v *validity) {
	g.t0, g.t1, g.a, g.b, g.basis = a.at, b.at, a, b, BasisAir
	if a.hasBoard && b.hasBoard {
		g.basis = BasisBoard
	}
	k := surfaceKey{g.basis, v}
	g.sa, g.sb = a.surfaceFor(k), b.surfaceFor(k)
	g.wet = g.atMost(g.sa.margin, g.sb.margin, 0)
	g.wetL = g.atMost(g.sa.marginL, g.sb.marginL, 0)
	g.wetH = g.atMost(g.sa.marginH, g.sb.marginH, 0)
	g.risk = g.atMost(g.sa.margin, g.sb.margin, RiskMargin)
	g.riskL = g.atMost(g.sa.marginL, g.sb.marginL, RiskMargin)
	g.riskH = g.atMost(g.sa.marginH, g.sb.marginH, RiskMargin)
	g.dry = g.above(g.sa.margin, g.sb.margin, SpellDeadband)
	g.tow = g.above(a.rh, b.rh, TowRH).and(g.above(a.t, b.t, TowTemp))
	if g.warm, g.frost = (span{g.t0, g.t1}), (span{}); g.sa.temp < 0 || g.sb.temp < 0 {
		g.warm = g.atLeast(g.sa.temp, g.sb.temp, 0)
		g.frost = g.wet.and(g.rest(g.warm))
	}
	if g.hasCover = a.hasCover && b.hasCover; g.hasCover {
		g.coverWet = g.atMost(a.coverM, b.coverM, 0)
	}
	if g.hasSalt = v.Salt; g.hasSalt {
		g.salt = g.atLeast(
			surfaceRH(a.t, a.rh, g.sa.temp), surfaceRH(b.t, b.rh, g.sb.temp), SaltRH)
	}
}

// The comparisons of a value that is linear from x at t0 to y at t1 with
// a limit. A crossing is rounded once to a whole nanosecond.

func (g *segment) atMost(x, y, limit float64) span {
	switch {
	case x > limit && y > limit:
		return span{}
	case x <= limit && y <= limit:
		return span{g.t0, g.t1}
	case x <= limit:
		return span{g.t0, g.cross(x, y, limit)}
	default:
		return span{g.cross(x, y, limit), g.t1}
	}
}

func (g *segment) above(x, y, limit float64) span {
	return g.rest(g.atMost(x, y, limit))
}

func (g *segment) atLeast(x, y, limit float64) span { return g.atMost(-x, -y, -limit) }

// rest returns what s, which touches an end of the segment or is empty, leaves
// of it.
func (g *segment) rest(s span) span {
	switch {
	case s.from == s.to:
		return span{g.t0, g.t1}
	case s.from == g.t0:
		return span{s.to, g.t1}
	default:
		return span{g.t0, s.from}
	}
}

func (g *segment) cross(x, y, limit float64) int64 {
	part := (limit - x) / (y - x)
	return g.t0 + int64(math.Round(float64(part*float64(g.t1-g.t0))))
}

// at returns the value at time t of what is linear from x to y; the end values
// themselves at the ends.
func (g *segment) at(t int64, x, y float64) float64 {
	switch t {
	case g.t0:
		return x
	case g.t1:
		return y
	}
	part := float64(t-g.t0) / float64(g.t1-g.t0)
	return x + float64((y-x)*part)
}

func (g *segment) rateAt(t int64) float64 {
	switch t {
	case g.t0:
		return g.sa.rate
	case g.t1:
		return g.sb.rate
	}
	return doseRate(g.at(t, g.a.t, g.b.t), g.at(t, g.a.rh, g.b.rh), g.at(t, g.sa.temp, g.sb.temp))
}
