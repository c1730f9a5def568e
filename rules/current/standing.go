package current

import "math"

// Standing is what is known of a station's current and comb now, in mA and µS. What
// isn't known is nil.
type Standing struct {
	Level *float64 // standby current in the quiet hours of the night, median of the last days

	Leak  *float64 // leakage, were the board saturated, of the last weeks
	Error *float64 // its standard error
	Own   *float64 // what is usual for it
	PerK  *float64 // by how much the current changes with a kelvin

	Comb *float64 // what is usual for the comb's conductance, were it saturated
}

// Standing returns it; nil where nothing is known at all.
func (s *State) Standing() *Standing {
	var out Standing
	known := func(x float64) *float64 {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return nil
		}
		return &x
	}
	out.Level = known(s.level())
	if f := s.Fit; f != nil {
		out.Leak, out.Error, out.PerK = known(f.G), known(f.SE), known(f.A)
	}
	if own := s.Leakage.Own[fast]; own != nil {
		out.Own = known(own.G)
	}
	for k := combBins - 1; k >= 0 && out.Comb == nil; k-- {
		if s.Comb.Off[k] != 0 {
			out.Comb = known(math.Exp(s.Comb.Usual[k]))
		}
	}
	if out == (Standing{}) {
		return nil
	}
	return &out
}
