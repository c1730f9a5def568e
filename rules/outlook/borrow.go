package outlook

// Basis says whose nights an outlook rests on, beside the station's own.
type Basis string

// Bases.
const (
	Climate Basis = "climate" // of no station in particular: places elsewhere
	OfSite  Basis = "site"    // of others on the same site
	OfBuild Basis = "build"   // of others of the same build
	Own     Basis = "own"     // of the station alone, in the main
)

// ownNights is from how many nights on an outlook is called the station's own.
const ownNights = few

// Lent are the regressions that a station begins with: those of others.
type Lent struct {
	From Basis           `json:"from"`
	W    [issues]weights `json:"w"`
}

// Lend returns what stations that know their nights can lend to a new one; nil
// when none of them does.
func Lend(from Basis, all []*State) *Lent {
	l := &Lent{From: from}
	n := 0.0
	for _, s := range all {
		if s.Seen < ownNights {
			continue
		}
		n++
		for i := range l.W {
			for x := range l.W[i] {
				for m := range l.W[i][x] {
					for j := range l.W[i][x][m] {
						l.W[i][x][m][j] += s.Fit[i].W[x][m][j]
					}
				}
			}
		}
	}
	if n == 0 {
		return nil
	}
	for i := range l.W {
		for x := range l.W[i] {
			for m := range l.W[i][x] {
				for j := range l.W[i][x][m] {
					l.W[i][x][m][j] = short(l.W[i][x][m][j] / n)
				}
			}
		}
	}
	return l
}

// prior returns the means of the prior of an issue.
func (s *State) prior(issue int) *weights {
	if s.Borrowed != nil {
		return &s.Borrowed.W[issue]
	}
	return &priors[issue]
}

func (s *State) basis() Basis {
	switch {
	case s.Seen >= ownNights:
		return Own
	case s.Borrowed != nil:
		return s.Borrowed.From
	}
	return Climate
}
