package outlook

import "math"

// Bands are tenths of probability.
const Bands = 10

// Band is how often it came true of what was foretold with a probability from
// Low to High.
type Band struct {
	Low, High float64
	Nights    int     // that are over and of which it is known
	Foretold  float64 // mean probability
	Wet       int     // nights on which it came true
}

// Score says how outlooks did.
type Score struct {
	Nights int
	Wet    int
	Brier  float64 // mean of (probability − what came)²
	Rate   float64 // Brier score of always saying the share of wet nights, known only afterwards
	Bands  [Bands]Band
}

// Skill is how much of the Rate's error is left away; ok is false where nothing can
// be won, because all nights were alike, or none is known.
func (s *Score) Skill() (skill float64, ok bool) {
	if s.Rate == 0 {
		return 0, false
	}
	return 1 - s.Brier/s.Rate, true
}

// NewScore returns an empty score.
func NewScore() Score {
	var s Score
	for i := range s.Bands {
		s.Bands[i].Low, s.Bands[i].High = float64(i)/Bands, float64(i+1)/Bands
	}
	return s
}

// Add counts a night that is over.
func (s *Score) Add(p float64, wet bool) {
	b := &s.Bands[max(0, min(Bands-1, int(p*Bands)))]
	came := 0.0
	if wet {
		came = 1
		s.Wet++
		b.Wet++
	}
	b.Foretold += (p - b.Foretold) / float64(b.Nights+1)
	b.Nights++
	s.Brier += (math.Pow(p-came, 2) - s.Brier) / float64(s.Nights+1)
	s.Nights++
	share := float64(s.Wet) / float64(s.Nights)
	s.Rate = share * (1 - share)
}
